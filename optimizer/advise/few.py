"""The fewest travels that serve nearly as well as all of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations
from math import comb

from optimizer.measure.quality import GOOD_TRAVELS

Error = Callable[[Sequence[int]], float]

# beyond these the search upwards is good enough, and time is better spent
MOST_DOWNWARDS, MOST_ALIKE = 16, 5000


def fewest(error: Error, travel_mm: Sequence[float], worse_by: float) -> tuple[int, ...]:
    """Indices, ascending, of the fewest travels whose error is near that of all.

    Parameters
    ----------
    error : the error that a choice of indices leaves; never larger for more of them
    travel_mm : shape (n_travel,), ride height left out
    worse_by : how much larger the error may be, as a share

    Never fewer than a run needs to pass ``check`` without a doubt: five with ride height,
    and both sides of it where both are there. Greedy, from the best two upwards and
    from all downwards; at every size each is exchanged for any other that serves better,
    until none does (Fedorov's exchange, from memory). Brute force agrees on small cases, by
    test. Of as many that serve as well, travels alike in droop and bump are taken.
    """
    n = len(travel_mm)
    everything = tuple(range(n))
    least = min(n, GOOD_TRAVELS - 1)
    if least < 2 or least == n:
        return everything
    allowed = (1.0 + worse_by) * error(everything)
    both = {z > 0.0 for z in travel_mm}

    def two_sided(chosen: Sequence[int]) -> bool:
        return {travel_mm[i] > 0.0 for i in chosen} == both

    def added() -> tuple[int, ...]:
        pairs = [p for p in combinations(everything, 2) if two_sided(p)]
        chosen: tuple[int, ...] = min(pairs or combinations(everything, 2), key=error)
        while len(chosen) < least or error(chosen) > allowed:
            rest = [i for i in everything if i not in chosen]
            chosen = min(((*chosen, i) for i in rest), key=error)
            chosen = _exchanged(chosen, error, everything, two_sided)
        return chosen

    def taken_away() -> tuple[int, ...]:
        chosen = everything
        while len(chosen) > least:
            fewer = [tuple(i for i in chosen if i != k) for k in chosen]
            best = min((c for c in fewer if two_sided(c)), key=error)
            best = _exchanged(best, error, everything, two_sided)
            if error(best) > allowed:
                break
            chosen = best
        return chosen

    chosen = added()
    if n <= MOST_DOWNWARDS:
        chosen = min(chosen, taken_away(), key=lambda c: (len(c), error(c)))
    alike = _alike_both_ways(travel_mm, len(chosen))
    if alike and error(best := min(alike, key=error)) <= allowed:
        chosen = best
    return tuple(sorted(chosen))


def _alike_both_ways(travel_mm: Sequence[float], size: int) -> list[tuple[int, ...]]:
    """Choices of so many travels that are the same in droop and in bump."""
    place = {round(z, 3): i for i, z in enumerate(travel_mm)}
    pairs = [(place[-z], i) for z, i in place.items() if z > 0.0 and -z in place]
    if size % 2 or comb(len(pairs), size // 2) > MOST_ALIKE:
        return []
    return [tuple(i for pair in some for i in pair) for some in combinations(pairs, size // 2)]


def _exchanged(
    chosen: tuple[int, ...],
    error: Error,
    everything: Sequence[int],
    allowed: Callable[[Sequence[int]], bool],
) -> tuple[int, ...]:
    """Each travel against every other, until no exchange serves better."""
    best = error(chosen)
    while True:
        swaps = [
            (*chosen[:k], *chosen[k + 1 :], i)
            for k in range(len(chosen))
            for i in everything
            if i not in chosen
        ]
        errors = [(error(s), s) for s in swaps if allowed(s)]
        if not errors or min(errors)[0] >= best * (1.0 - 1e-12):
            return chosen
        best, chosen = min(errors)

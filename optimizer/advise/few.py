"""The fewest travels that serve nearly as well as all of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations
from math import comb

from optimizer.measure.quality import GOOD_TRAVELS

Error = Callable[[Sequence[int]], float]
Chosen = tuple[int, ...]

# beyond these the search upwards is good enough, and time is better spent
MOST_DOWNWARDS, MOST_ALIKE = 16, 5000


def fewest(error: Error, travel_mm: Sequence[float], worse_by: float) -> Chosen:
    """Indices, ascending, of the fewest travels whose error is near that of all.

    Parameters
    ----------
    error : the error that a choice of indices leaves; never larger for more of them
    travel_mm : shape (n_travel,), ascending, ride height left out
    worse_by : how much larger the error may be, as a share

    Both ends stay, since a shorter stroke is another window, and never fewer are left than
    a run needs to pass ``check`` without a doubt, five with ride height. Greedy, from the
    ends upwards and from all downwards; at every size each is exchanged for any other that
    serves better, until none does (Fedorov's exchange, from memory). Brute force agrees on
    small cases, by test. Of as many that serve, those alike in droop and bump are taken.
    """
    n = len(travel_mm)
    everything = tuple(range(n))
    least = GOOD_TRAVELS - 1
    if n <= least:
        return everything
    allowed = (1.0 + worse_by) * error(everything)
    chosen = _upwards(error, n, least, allowed)
    if n <= MOST_DOWNWARDS:
        other = _downwards(error, n, least, allowed)
        chosen = min(chosen, other, key=lambda c: (len(c), error(c)))
    alike = _alike_both_ways(travel_mm, len(chosen))
    if alike and error(best := min(alike, key=error)) <= allowed:
        chosen = best
    return tuple(sorted(chosen))


def _upwards(error: Error, n: int, least: int, allowed: float) -> Chosen:
    """The ends, and one more at a time until they serve."""
    chosen: Chosen = (0, n - 1)
    while len(chosen) < least or (len(chosen) < n and error(chosen) > allowed):
        more = ((*chosen, i) for i in range(1, n - 1) if i not in chosen)
        chosen = _exchanged(min(more, key=error), error, n)
    return chosen


def _downwards(error: Error, n: int, least: int, allowed: float) -> Chosen:
    """All of them, and one less at a time while they serve."""
    chosen: Chosen = tuple(range(n))
    while len(chosen) > least:
        fewer = (tuple(i for i in chosen if i != k) for k in chosen if 0 < k < n - 1)
        best = _exchanged(min(fewer, key=error), error, n)
        if error(best) > allowed:
            break
        chosen = best
    return chosen


def _exchanged(chosen: Chosen, error: Error, n: int) -> Chosen:
    """Each travel between the ends against every other, until no exchange serves better."""
    best = error(chosen)
    while True:
        swaps = [
            (*(j for j in chosen if j != k), i)
            for k in chosen
            if 0 < k < n - 1
            for i in range(n)
            if i not in chosen
        ]
        least, better = min(((error(s), s) for s in swaps), default=(best, chosen))
        if least >= best * (1.0 - 1e-12):
            return chosen
        best, chosen = least, better


def _alike_both_ways(travel_mm: Sequence[float], size: int) -> list[Chosen]:
    """Choices of so many travels, the ends among them, that are the same in droop and bump."""
    last = len(travel_mm) - 1
    place = {round(z, 3): i for i, z in enumerate(travel_mm)}
    pairs = [(place[-z], i) for z, i in place.items() if z > 0.0 and -z in place]
    if size % 2 or (0, last) not in pairs:
        return []
    inner = [p for p in pairs if p != (0, last)]
    if comb(len(inner), size // 2 - 1) > MOST_ALIKE:
        return []
    some = combinations(inner, size // 2 - 1)
    return [(0, last, *(i for pair in s for i in pair)) for s in some]

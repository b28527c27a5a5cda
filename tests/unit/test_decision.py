"""Order, best guess, where to stop and the way back inside: on a car whose scores are given."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.advise import choice
from optimizer.advise.advice import Spot, WishChance
from optimizer.advise.choice import Choice, Measured, can_be_made, choose, ranked, where_to_stop
from optimizer.advise.decision import decide, measured_settings
from optimizer.advise.lookahead import Worth
from optimizer.advise.settings import Settings
from optimizer.advise.stacks import Split
from optimizer.advise.table import Table, same_setting
from optimizer.advise.wishes import Wishes
from optimizer.records import Goal

Array = NDArray[np.float64]
Setting = tuple[float, float]
# two draws, so that a mean of gains is not the gain of means
SPREAD = np.array([0.03, -0.03])


def _spot(height: float, change: float, run: str | None = None, n_shim: int = 0) -> Spot:
    split = Split(above_mm=(1.0,) * n_shim, below_mm=(), height_mm=height)
    return Spot(split=split, length_change_mm=change, run=run)


def _field(settings: list[Setting], shims: dict[float, int] | None = None) -> Settings:
    heights = sorted({h for h, _ in settings})
    count = shims or {}
    return Settings(
        splits=tuple(_spot(h, 0.0, n_shim=count.get(h, 0)).split for h in heights),
        which=np.array([heights.index(h) for h, _ in settings]),
        height=np.array([h for h, _ in settings]),
        change=np.array([d for _, d in settings]),
    )


class _Car:
    """What the choice asks of a table: each setting's score is looked up, in degrees."""

    def __init__(
        self, scores: dict[Setting, float], measured: list[Spot], now: Spot, worthwhile: float
    ) -> None:
        self._scores, self.measured, self.now = scores, measured, now
        self.goal = Goal(worthwhile_deg=worthwhile)
        self.seen_deg, self.best_measured = 0.0, 0
        self.compared: list[int] | None = None

    def scores(self, height: Any, change: Any) -> Array:
        """Two draws about the score, (2,) or (2, n_setting)."""
        pairs = zip(np.atleast_1d(height), np.atleast_1d(change), strict=True)
        level = np.array([self._scores[float(h), float(d)] for h, d in pairs])
        out = level + SPREAD[:, None] * level
        return np.asarray(out[:, 0] if np.ndim(height) == 0 else out)

    def ranks(self, spots: list[Spot]) -> Array:
        """The score itself."""
        return np.array([self._scores[s.height_mm, s.length_change_mm] for s in spots])

    def measured_at(self, spot: Spot) -> Spot | None:
        """As the table."""
        return next((m for m in self.measured if same_setting(m, spot)), None)

    def hold_best(self, among: Any) -> None:
        """Written down."""
        self.compared = list(among)

    def outlook(self, spot: Spot) -> Any:
        """Its gain, told by its length."""

        class _Outlook:
            gain_deg = 0.5 + spot.length_change_mm

        return _Outlook


def _car(
    scores: dict[Setting, float],
    measured: list[Spot],
    now: Spot | None = None,
    worthwhile: float = 0.01,
) -> Any:
    return _Car(scores, measured, now or measured[-1], worthwhile)


def test_settings_come_by_score_then_shims_then_work() -> None:
    """Python's own sorting by a tuple, over every mix of ties and half a grain either way."""
    rng = np.random.default_rng(2)
    heights, changes = (-1.5, -0.5, 0.0, 1.0), (-2.5, -1.0, 0.0, 1.0, 2.0)
    settings = list(product(heights, changes))
    shims = {-1.5: 4, -0.5: 3, 0.0: 2, 1.0: 3}
    grains = rng.integers(20, 23, len(settings))
    expected = (grains + rng.uniform(-0.4, 0.4, len(settings))) * 1e-3
    now = _spot(-0.5, -1.0)
    car, field = _car({}, [], now), _field(settings, shims)

    def key(i: int) -> tuple[float, ...]:
        h, d = settings[i]
        return grains[i], shims[h], abs(d - -1.0), abs(h - -0.5), h, d

    got = ranked(cast(Table, car), field, expected)
    assert got.tolist() == sorted(range(len(settings)), key=key)


FOUR: dict[Setting, float] = {(0.0, 0.0): 0.10, (1.0, 0.0): 0.06, (1.0, 2.0): 0.05, (2.0, 2.0): 0.2}


@pytest.mark.parametrize(
    ("score", "makeable", "wanted"),
    [
        (0.03, True, "m"),  # the measured one is better than all that can be made
        (0.05, True, None),  # as good is not better: the new one
        (0.03, False, None),  # nor where it cannot be made
    ],
)
def test_a_measured_setting_between_the_steps_may_be_the_best_guess(
    score: float, makeable: bool, wanted: str | None
) -> None:
    measured = _spot(1.0, 1.3, "m")
    other = _spot(0.0, 5.3, "o")
    car = _car({**FOUR, (1.0, 1.3): score, (0.0, 5.3): 0.5}, [other, measured])
    field = _field(list(FOUR))
    expected = np.array(list(FOUR.values()))
    order = ranked(car, field, expected)
    able = [other, measured] if makeable else [other]
    found = choice._best_guess(car, field, order, expected, able)
    assert found.run == wanted
    if wanted is None:
        assert (found.height_mm, found.length_change_mm) == (1.0, 2.0)


@pytest.mark.parametrize("makeable", [True, False])
def test_the_best_setting_is_named_by_its_run_where_it_was_measured(makeable: bool) -> None:
    """Where that run is past a limit the best of the field is called by no run's name."""
    known = _spot(1.0, 2.0, "known")
    car = _car(FOUR, [known])
    field = _field(list(FOUR))
    expected = np.array(list(FOUR.values()))
    order = ranked(car, field, expected)
    found = choice._best_guess(car, field, order, expected, [known] if makeable else [])
    assert found.run == ("known" if makeable else None)
    assert (found.height_mm, found.length_change_mm) == (1.0, 2.0)


def test_a_length_counts_as_made_up_to_a_tenth_past_the_ends_at_its_height() -> None:
    field = _field([(0.0, -2.0), (0.0, 3.0), (1.0, 0.0)])
    for change, fits in ((-2.05, True), (-2.15, False), (1.37, True), (3.05, True), (3.15, False)):
        assert can_be_made(field, _spot(0.0, change)) is fits
    # at its own height, within half a tenth
    assert can_be_made(field, _spot(1.04, 0.0))
    assert not can_be_made(field, _spot(1.06, 0.0))
    assert not can_be_made(field, _spot(1.0, -2.0))


def _measured(*spots: Spot) -> Measured:
    return Measured(settled=list(spots), makeable=list(spots))


def test_going_back_must_gain_the_limit_by_the_mean_of_the_draws() -> None:
    """Draws at 1.03 and 0.97 of the score: 0.10 against 0.06 gains 0.04 by the mean."""
    here, best, worse = _spot(0.0, 0.0, "a"), _spot(1.0, 0.0, "b"), _spot(2.0, 2.0, "c")
    car = _car(FOUR, [worse, best, here])
    able = _measured(worse, best, here)
    assert where_to_stop(car, able, 0.0399) == (best, "go-back")
    assert where_to_stop(car, able, 0.04 - 1e-12) == (best, "go-back")
    assert where_to_stop(car, able, 0.0401) == (here, "stay")
    assert where_to_stop(car, able, 0.0401, may_stay=False) == (best, "go-back")
    # nothing to go back to, or there already
    assert where_to_stop(car, _measured(), 0.0, may_stay=False) == (here, "stay")
    at_best = _car(FOUR, [worse, here, best])
    assert where_to_stop(at_best, able, 0.0, may_stay=False) == (best, "stay")
    # a gain counts draw by draw, and a loss counts nothing
    even = _car({(0.0, 0.0): 0.1, (1.0, 0.0): 0.1}, [best, here])
    assert where_to_stop(even, _measured(best, here), 0.0) == (best, "go-back")
    # ties, to a millionth, go to the run that came first
    near = _car({(0.0, 0.0): 0.2, (1.0, 0.0): 0.1, (2.0, 2.0): 0.1 - 1e-7}, [best, worse, here])
    assert where_to_stop(near, _measured(best, worse, here), 0.01)[0] == best


@pytest.mark.parametrize("known", [True, False])
def test_the_run_s_own_gain_is_told_with_what_is_chosen(
    monkeypatch: pytest.MonkeyPatch, known: bool
) -> None:
    """The candidates: the best guess if it is new, one a patch, then the measured ones."""
    run = _spot(1.0, 2.0, "known") if known else _spot(0.0, 0.0, "known")
    car = _car(FOUR, [run])
    field = _field(list(FOUR))
    expected = np.array(list(FOUR.values()))
    seen: list[list[Spot]] = []

    def worth(_table: Any, _field: Any, _expected: Any, candidates: list[Spot], *_: Any) -> Worth:
        seen.append(candidates)
        n = len(candidates)
        # the last, a repeat, teaches most by far
        level = np.where(np.arange(n) == n - 1, 0.0, 0.1)
        return Worth(settled_deg=level, own_deg=0.0 * level, gain_deg=np.arange(n) / 100.0)

    monkeypatch.setattr(choice, "_worth", worth)
    found = choose(car, field, ranked(car, field, expected), expected, _measured(run))
    (candidates,) = seen
    assert found.spot is candidates[-1] is run
    assert found.action == "repeat"
    assert found.gain_deg == pytest.approx((len(candidates) - 1) / 100.0)
    fresh = candidates[:-1]
    assert all(s.run is None for s in fresh)
    if known:
        assert found.best_guess is run
        assert {(s.height_mm, s.length_change_mm) for s in fresh} == set(FOUR) - {(1.0, 2.0)}
    else:
        assert fresh[0] == found.best_guess
        assert {(s.height_mm, s.length_change_mm) for s in fresh} == set(FOUR) - {(0.0, 0.0)}


class _Wished:
    """Wishes with their answers given."""

    any = True

    def __init__(
        self,
        allowed: Callable[[Spot], bool] = lambda _: True,
        kept: list[Setting] | None = None,
        told: tuple[WishChance, ...] = (),
    ) -> None:
        self.allows, self._kept, self._told = allowed, kept or [], told

    def left(self, _field_: Settings) -> Settings:
        """What is kept."""
        return _field(self._kept)

    def told(self, *_: Spot) -> tuple[WishChance, ...]:
        """As given."""
        return self._told

    def best_of(self, spots: list[Spot]) -> list[int]:
        """The last."""
        return [len(spots) - 1]


class _Unwished(_Wished):
    any = False


class _Line:
    """A limit: length past ``most`` is over."""

    def __init__(self, most: float) -> None:
        self.most = most

    def room(self, at: Any) -> Array:
        """Room left, mm."""
        return np.asarray(self.most - at.change)


def test_what_may_be_settled_for_is_inside_the_limits_and_as_wished() -> None:
    a, b, c = _spot(0.0, 0.0, "a"), _spot(1.0, 2.0, "b"), _spot(2.0, 2.5, "c")
    field = _field([*FOUR, (2.0, 3.0), (1.0, 2.0), (2.0, 2.5)])
    limits = cast(Any, [_Line(2.2)])
    car = _car(FOUR, [a, b, c])
    plain = measured_settings(car, field, cast(Wishes, _Unwished()), limits)
    assert plain.settled == [a, b, c]
    assert plain.makeable == [a, b]
    assert car.compared is None
    # by the wish's own test, or because it is among what is left
    only_b = cast(Wishes, _Wished(lambda s: s.run in ("b", "c")))
    assert measured_settings(car, field, only_b, limits) == Measured(settled=[b], makeable=[b])
    assert car.compared == [1]
    for off, counts in ((0.04, True), (0.06, False)):
        among = cast(Wishes, _Wished(lambda _: False, [(off, 0.0), (7.0, 7.0)]))
        assert measured_settings(car, field, among, limits).makeable == ([a] if counts else [])
    for off, counts in ((0.09, True), (0.11, False)):
        among = cast(Wishes, _Wished(lambda _: False, [(0.0, off), (1.0, 7.0)]))
        assert measured_settings(car, field, among, limits).makeable == ([a] if counts else [])
    # none is as wished: the one that comes nearest is compared with, none may be settled for
    none = cast(Wishes, _Wished(lambda _: False, [(7.0, 7.0)]))
    assert measured_settings(car, field, none, limits) == Measured(settled=[], makeable=[])
    assert car.compared == [2]


def _choice(guess: Spot, gain: float = 0.001) -> Choice:
    return Choice(spot=_spot(2.0, 2.0), action="try", best_guess=guess, gain_deg=gain)


NO_WISH = cast(Wishes, _Unwished())


def test_past_a_limit_the_car_goes_inside_by_the_better_way() -> None:
    """From 0.06 measured to 0.05 guessed gains 0.01 by the mean; the bar is what is worth it."""
    past, inside, guess = _spot(2.0, 2.0, "past"), _spot(1.0, 0.0, "in"), _spot(1.0, 2.0)
    for worthwhile, wanted in (
        (0.0099, (guess, "try")),
        (0.01 - 1e-12, (guess, "try")),
        (0.0101, (inside, "go-back")),
    ):
        car = _car(FOUR, [inside, past], worthwhile=worthwhile)
        found = decide(car, _choice(guess), _measured(inside), NO_WISH, past_a_limit=True)
        assert (found.spot, found.action) == wanted
        assert found.verdict.go_on
        assert found.verdict.past_a_limit
    # with no measured setting inside, the guess, whatever it gains
    car = _car(FOUR, [past], worthwhile=1.0)
    found = decide(car, _choice(guess), _measured(), NO_WISH, past_a_limit=True)
    assert (found.spot, found.action) == (guess, "try")
    # a guess that was measured is gone back to
    known = _spot(1.0, 2.0, "known")
    car = _car(FOUR, [inside, known, past])
    found = decide(car, _choice(known), _measured(inside, known), NO_WISH, past_a_limit=True)
    assert (found.spot, found.action) == (known, "go-back")
    # a run that gains enough is simply made
    found = decide(car, _choice(guess, gain=0.5), _measured(inside), NO_WISH, past_a_limit=True)
    assert (found.spot, found.action) == (_spot(2.0, 2.0), "try")


def _chance(kind: Any, now: float, after: float, best: float) -> WishChance:
    return WishChance(kind=kind, now=now, after=after, best_measured=best)


def test_no_measured_setting_as_wished_sends_on_for_the_first_wish_that_gains() -> None:
    """Against the best measured one; a twentieth is no gain."""
    here = _spot(0.0, 0.0, "a")
    told = (
        _chance("most-change", 0.0, 0.50, 0.46),
        _chance("never-toe-out", 0.9, 0.70, 0.30),
        _chance("toe-at-travel", 0.0, 0.99, 0.01),
    )
    car = _car(FOUR, [here])
    found = decide(car, _choice(here), _measured(), cast(Wishes, _Wished(told=told)))
    assert (found.spot, found.action) == (_spot(2.0, 2.0), "try")
    assert found.verdict.go_on
    assert found.verdict.gain_deg == 2.5
    assert found.verdict.wish == "never-toe-out"
    assert found.verdict.wish_gain == pytest.approx(0.4)
    near = cast(Wishes, _Wished(told=told[:1]))
    assert decide(car, _choice(here), _measured(), near).verdict.wish is None


def test_a_wish_broken_here_and_kept_elsewhere_sends_the_car_back() -> None:
    """Against how it stands now; where the wish is kept here, only a gain sends it back."""
    here, back = _spot(0.0, 0.0, "a"), _spot(1.0, 0.0, "b")
    told = (_chance("most-change", 0.1, 0.6, 0.6),)
    car = _car(FOUR, [back, here], worthwhile=0.05)
    broken = cast(Wishes, _Wished(lambda s: s.run == "b", told=told))
    found = decide(car, _choice(back), _measured(back), broken)
    assert (found.spot, found.action) == (back, "go-back")
    assert found.verdict.wish == "most-change"
    assert found.verdict.wish_gain == pytest.approx(0.5)
    assert not found.verdict.go_on
    # allowed by the wish's own test, or one of those that may be settled for
    for wishes, able in (
        (_Wished(told=told), _measured(back)),
        (_Wished(lambda _: False, told=told), _measured(back, here)),
    ):
        found = decide(car, _choice(back), able, cast(Wishes, wishes))
        assert (found.spot, found.action) == (here, "stay")
        assert found.verdict.wish is None
        assert found.wishes == told
    # a run that gains enough is made, and no wish is what decides it
    found = decide(car, _choice(back, gain=0.9), _measured(back), broken)
    assert (found.action, found.verdict.wish, found.verdict.gain_deg) == ("try", None, 0.9)

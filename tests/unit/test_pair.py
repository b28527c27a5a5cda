"""Two sides as a pair: the setting they share, lengths that follow, and what the pair does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from optimizer.advise.advice import Spot
from optimizer.advise.axle import axles_of
from optimizer.advise.eccentric import Band
from optimizer.advise.pair import Both, PairFigures, RollSteer, Side, pair_settings
from optimizer.advise.settings import Settings
from optimizer.advise.stacks import Split
from optimizer.records import Axle, Corner, Eccentric, Goal, Logbook, Thread

Array = NDArray[np.float64]
Setting = tuple[float, float]
Book = Callable[..., Logbook]


def _spot(height: float, change: float, n_shim: int = 0) -> Spot:
    split = Split(above_mm=(1.0,) * n_shim, below_mm=(), height_mm=height)
    return Spot(split=split, length_change_mm=change)


def _field(settings: list[Setting]) -> Settings:
    """Settings at heights whose stacks have three shims a millimetre."""
    heights = sorted({h for h, _ in settings})
    return Settings(
        splits=tuple(_spot(h, 0.0, round(3 * abs(h))).split for h in heights),
        which=np.array([heights.index(h) for h, _ in settings]),
        height=np.array([h for h, _ in settings]),
        change=np.array([d for _, d in settings]),
    )


class _Table:
    def __init__(self, now: Spot, worthwhile: float) -> None:
        self.now, self.goal = now, Goal(worthwhile_deg=worthwhile)
        self.score: dict[Setting, Array] = {}

    def scores(self, height: float, change: float) -> Array:
        """Draws, as they were put in."""
        return self.score[height, change]


def _side(
    scores: dict[Setting, float],
    best: Setting,
    now: Setting = (0.0, 0.0),
    worthwhile: float = 0.01,
    thread: Thread | None = None,
    kind: Any = "slot",
) -> Side:
    """A side whose settings have these scores, with its best guess and how it stands."""
    side = Side.__new__(Side)
    field = _field(list(scores))
    table = _Table(_spot(*now), worthwhile)
    for setting, level in scores.items():
        table.score[setting] = np.array([level + 0.002, level - 0.002])
    table.score.setdefault(now, np.array([0.3, 0.3]))
    side.field = side.every = field
    side.expected = side.expected_of_every = np.array(list(scores.values()))
    fitted: Any = thread or Thread(kind="both-ends", pitch_mm=1.5)
    side.corner = Corner(
        name="c", side="left", ahead=True, thread=fitted, eccentric=Eccentric(kind=kind)
    )
    for name, value in (
        ("table", table),
        ("advice", type("Advised", (), {"best_guess": _spot(*best)})),
        ("wishes", type("Unwished", (), {"any": False})),
    ):
        setattr(side, name, value)
    return side


def _both(left: Side, right: Side) -> Both:
    return Both(Axle(name="rear", left="a", right="b"), left, right)


def _alike(left: Side, right: Side) -> tuple[Setting, Setting]:
    found = _both(left, right).alike()
    assert found is not None
    one, other = ((s.height_mm, s.length_change_mm) for s in found)
    return one, other


def _figures(left: Array, right: Array) -> PairFigures:
    band = Band(value=0.0, low=0.0, high=0.0)
    none = np.zeros(2)
    return PairFigures(
        travel_mm=np.array([-10.0, 10.0]),
        left_deg=left,
        right_deg=right,
        left_half_deg=none,
        right_half_deg=none,
        half_deg=none,
        roll=RollSteer(per_deg=None, opposite_deg=band, travel_mm=None),
        score_deg=band,
        left_score_deg=band,
        right_score_deg=band,
    )


def test_sum_difference_and_heave_steer_of_two_wheels() -> None:
    """Toe-in points the left wheel right and the right wheel left; steer is plus to the left."""
    figures = _figures(np.array([0.3, -0.1]), np.array([0.1, 0.5]))
    assert figures.total_deg == pytest.approx([0.4, 0.4])
    assert figures.difference_deg == pytest.approx([0.2, -0.6])
    # steer of the left wheel is less its toe, of the right one its toe; the mean of the two
    assert figures.heave_steer_deg == pytest.approx([(-0.3 + 0.1) / 2, (0.1 + 0.5) / 2])


SHARED = {(0.0, 0.0): 0.20, (1.0, 0.0): 0.10, (1.0, -2.0): 0.04, (2.0, -2.0): 0.05}


def test_the_shared_setting_is_best_by_the_mean_square_of_both() -> None:
    """0.04 and 0.12 have a smaller sum than 0.10 and 0.10, and a larger mean square's root."""
    left = _side({(1.0, 2.0): 0.04, (2.0, 2.0): 0.095, (0.0, 2.0): 0.2}, (1.0, 2.0))
    right = _side({(1.0, 2.0): 0.14, (2.0, 2.0): 0.095, (0.0, 2.0): 0.01}, (0.0, 2.0))
    assert 0.04 + 0.14 < 0.095 * 2 < np.sqrt(2 * (0.04**2 + 0.14**2))
    assert _alike(left, right) == ((2.0, 2.0), (2.0, 2.0))


def test_what_both_hold_best_is_shared_without_a_search() -> None:
    left, right = _side(SHARED, (1.0, -2.0)), _side(SHARED, (1.0, -2.05))
    assert _alike(left, right) == ((1.0, -2.0), (1.0, -2.05))


@pytest.mark.parametrize(
    ("still", "worthwhile", "left_alone"),
    [
        # a quarter of 0.01 pays for turning both links
        (0.0424, (0.01, 0.01), True),
        (0.0426, (0.01, 0.01), False),
        # of the smaller that either crew calls worth a run
        (0.0426, (0.02, 0.01), False),
        (0.0426, (0.01, 0.02), False),
        (0.0426, (0.02, 0.02), True),
    ],
)
def test_the_links_are_left_alone_where_that_is_as_good(
    still: float, worthwhile: tuple[float, float], left_alone: bool
) -> None:
    """Both sides alike, so the pair's score is each one's own."""
    scores = {(0.0, 0.0): 0.20, (1.0, 0.0): still, (1.0, -2.0): 0.04, (2.0, 0.0): 0.09}
    left, right = (
        _side(scores, best, worthwhile=w)
        for w, best in zip(worthwhile, ((1.0, -2.0), (1.0, 0.0)), strict=True)
    )
    wanted = (1.0, 0.0) if left_alone else (1.0, -2.0)
    assert _alike(left, right) == (wanted, wanted)


def test_where_one_side_s_link_must_turn_anyway_nothing_is_left_alone() -> None:
    """Only the right stands at a length that both can share, so no pair leaves both alone."""
    scores = {(0.0, 0.0): 0.041, (1.0, -2.0): 0.04}
    left, right = _side(scores, (1.0, -2.0), now=(0.0, -2.0)), _side(scores, (0.0, 0.0))
    assert _alike(left, right) == ((1.0, -2.0), (1.0, -2.0))


def test_ties_go_to_the_fewest_shims_and_then_the_least_turned_and_moved() -> None:
    """Scores within a thousandth are one; a stack has three shims a millimetre."""
    low = {(-1.0, -6.0): 0.0398, (2.0, -6.0): 0.0396, (1.0, -4.0): 0.0402, (1.0, -2.0): 0.0404}
    left, right = _side(low, (2.0, -6.0)), _side(low, (1.0, -2.0))
    assert _alike(left, right) == ((1.0, -2.0), (1.0, -2.0))
    # as many shims and turns: what is moved less
    way = {(-1.0, -2.0): 0.0398, (1.0, -2.0): 0.0404}
    left, right = (
        _side({**way, (0.0, 3.0 + k): 0.03}, (0.0, 3.0 + k), now=(0.25, 0.0)) for k in (0, 1)
    )
    assert _alike(left, right) == ((1.0, -2.0), (1.0, -2.0))


def test_work_is_shims_and_what_is_turned_and_moved_from_now() -> None:
    side = _side(SHARED, (1.0, -2.0), now=(0.5, 1.0))
    index = np.array([0, 3])
    assert side.work(index).tolist() == [[0.0, 6.0], [1.0, 3.0], [0.5, 1.5]]


@pytest.mark.parametrize(
    ("pitches", "apart", "shared"),
    [
        # half a flat of the coarser thread: 2 x 1.5 / 6 = 0.5 mm and 2 x 1.2 / 6 = 0.4 mm
        ((1.5, 1.2), 0.24, True),
        ((1.2, 1.5), 0.24, True),
        ((1.5, 1.2), 0.26, False),
        # a thread that turns finer still counts a tenth as one
        ((0.3, 0.3), 0.09, True),
        ((0.3, 0.3), 0.11, False),
    ],
)
def test_lengths_half_a_step_apart_are_one(
    pitches: tuple[float, float], apart: float, shared: bool
) -> None:
    threads = [Thread(kind="both-ends", pitch_mm=p) for p in pitches]
    left = _side({(1.0, 3.0): 0.04}, (1.0, 3.0), thread=threads[0])
    right = _side({(1.0, 3.0 + apart): 0.04}, (0.0, 0.0), thread=threads[1])
    assert (_both(left, right).alike() is not None) is shared


def test_heights_a_twentieth_apart_are_not_one() -> None:
    left = _field([(1.0, 0.0)])
    for off, n in ((0.049, 1), (0.051, 0)):
        assert len(pair_settings(left, _field([(1.0 + off, 0.0)]), 0.1)[0]) == n
    # of two heights near enough the nearer
    i, j = pair_settings(left, _field([(0.97, 0.0), (1.02, 0.0)]), 0.1)
    assert (i.tolist(), j.tolist()) == ([0], [1])


@pytest.mark.parametrize("kinds", [("none", "none"), ("none", "slot"), ("slot", "none")])
def test_lengths_that_follow_meet_at_the_mean_of_the_two(kinds: tuple[str, str]) -> None:
    """From where each stands: 3 and 5 mm longer are 4 mm for both."""
    left = _side({(1.0, 4.0): 0.04}, (1.0, 4.0), now=(0.0, 1.0), kind=kinds[0])
    right = _side({(1.0, 4.5): 0.04}, (0.0, 0.0), now=(0.0, -0.5), kind=kinds[1])
    both = _both(left, right)
    if kinds == ("none", "none"):
        assert _alike(left, right) == ((1.0, 5.0), (1.0, 3.5))
    else:
        assert both.alike() is None
        assert both._level(_spot(1.0, 4.0), _spot(1.0, 4.5)) == (_spot(1.0, 4.0), _spot(1.0, 4.5))


@pytest.mark.parametrize(
    ("short", "right_height", "level"),
    [
        (12.0, 1.0, True),
        (1.0, 1.0, True),
        (0.4, 1.0, False),
        (12.0, 1.2, False),
        (12.0, 1.04, True),
    ],
)
def test_lengths_are_levelled_only_inside_both_threads_and_for_one_raise(
    short: float, right_height: float, level: bool
) -> None:
    """The mean, 0.5 mm shorter, must be inside what the right link may be shortened by."""
    thread = Thread(kind="both-ends", pitch_mm=1.5, shorter_mm=short)
    left = _side({}, (0.0, 0.0), kind="none")
    right = _side({}, (0.0, 0.0), kind="none", thread=thread)
    pair = _spot(1.0, -1.0), _spot(right_height, 0.0)
    found = _both(left, right)._level(*pair)
    assert [s.length_change_mm for s in found] == ([-0.5, -0.5] if level else [-1.0, 0.0])
    # the left side's thread holds as well
    found = _both(right, left)._level(*pair[::-1])
    assert [s.length_change_mm for s in found] == ([-0.5, -0.5] if level else [0.0, -1.0])


def test_a_fixed_link_does_not_follow() -> None:
    for kind, thread, follows in (
        ("none", "unknown", True),
        ("none", "fixed", False),
        ("slot", "unknown", False),
    ):
        side = _side({}, (0.0, 0.0), kind=kind, thread=Thread(kind=cast(Any, thread)))
        assert side.follows is follows


def test_gain_is_the_mean_of_what_each_pair_of_draws_gains() -> None:
    """The right side's draws are taken from the end, a loss counts nothing: by hand."""
    left, right = _side({}, (0.0, 0.0)), _side({}, (0.0, 0.0))
    rng = np.random.default_rng(3)
    draws = {k: rng.uniform(0.02, 0.1, (2, 50)) for k in ((0.0, 0.0), (1.0, 2.0))}
    for side, row in ((left, 0), (right, 1)):
        cast(Any, side.table).score = {k: x[row] for k, x in draws.items()}
    spot = type("Moved", (), {"spot": _spot(1.0, 2.0)})
    answer = cast(Any, type("Answer", (), {"left": spot, "right": spot}))

    def score(k: Setting, i: int) -> float:
        one, other = draws[k][0][i], draws[k][1][49 - i]
        return float(np.hypot(one, other) / np.sqrt(2.0))

    gains = [max(score((0.0, 0.0), i) - score((1.0, 2.0), i), 0.0) for i in range(50)]
    assert 10 < sum(g > 0.0 for g in gains) < 40
    assert _both(left, right).gain_deg(answer) == pytest.approx(np.mean(gains))


@pytest.mark.outside
def test_figures_of_a_pair_are_both_surfaces_own(both_sides: Book) -> None:
    """Bands by scipy's normal, steer in roll at 10 mm either way and at the track's travel."""
    book = both_sides(3.0)
    left, right = sides = [Side(book, name) for name in ("rear-left", "rear-right")]
    both = Both(axles_of(book)["rear"], left, right)
    spots = left.table.now, right.advice.best_guess
    answer = both.answer(spots)
    figures, z = answer.figures, float(norm.ppf(0.95))
    curves = [s.curve(p, figures.travel_mm) for s, p in zip(sides, spots, strict=True)]
    sds = [np.sqrt(np.diag(cov)) for _, cov in curves]
    assert figures.left_deg == pytest.approx(curves[0][0])
    assert figures.right_deg == pytest.approx(curves[1][0])
    assert figures.left_half_deg == pytest.approx(z * sds[0], rel=1e-4, abs=1e-6)
    assert figures.right_half_deg == pytest.approx(z * sds[1], rel=1e-4, abs=1e-6)
    assert figures.half_deg == pytest.approx(z * np.hypot(*sds), rel=1e-4, abs=1e-6)
    assert answer.left.raise_mm == 0.0
    assert answer.right.spot == spots[1]

    def steer(travel: float) -> tuple[float, float]:
        ends = np.array([-travel, travel])
        row = np.array([-0.25, 0.25])
        each = [s.curve(p, ends) for s, p in zip(sides, spots, strict=True)]
        value = sum(float(row @ mean) for mean, _ in each)
        return value, z * float(np.sqrt(sum(row @ cov @ row for _, cov in each)))

    roll = figures.roll
    assert roll.travel_mm == pytest.approx(760.0 * np.tan(np.pi / 180.0))
    assert roll.per_deg is not None
    for band, travel in ((roll.opposite_deg, 10.0), (roll.per_deg, roll.travel_mm or 0.0)):
        value, half = steer(travel)
        assert band.value == pytest.approx(value)
        assert (band.high - band.value, band.value - band.low) == pytest.approx(
            (half, half), rel=1e-4
        )
    # each side's own score, and the root of the mean of the two squares
    one, other = (
        s.table.scores(p.height_mm, p.length_change_mm) for s, p in zip(sides, spots, strict=True)
    )
    assert figures.left_score_deg.value == pytest.approx(one.mean())
    assert figures.right_score_deg.value == pytest.approx(other.mean())
    whole = np.hypot(one, other[::-1]) / np.sqrt(2.0)
    assert figures.score_deg.value == pytest.approx(whole.mean())
    untracked = Both(axles_of(both_sides(3.0, track_mm=None))["rear"], left, right)
    assert untracked.answer(spots).figures.roll.per_deg is None

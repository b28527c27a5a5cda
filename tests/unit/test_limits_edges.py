"""Where a limit turns from ok to near to over, and what it asks for: edges, by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.advise.evidence import corner_evidence, fitted
from optimizer.advise.goal import target_of
from optimizer.advise.limits import _nothing, allowed, hard_limits, refuse, told_of_corner
from optimizer.advise.room import (
    At,
    BendingLimit,
    EngagementLimit,
    HardLimit,
    Limit,
    PivotLimit,
    ShowingLimit,
    ThreadLimit,
    TiltLimit,
    _status,
)
from optimizer.advise.stacks import Split, possible_splits
from optimizer.advise.stud import Stud, plain_stud, stud_bending, threaded_stud
from optimizer.advise.tradeoff import tradeoff
from optimizer.advise.wishes import Requirement, _few_travels, draw_misses_deg, requirements_of
from optimizer.errors import CallError, NothingCanBeMadeError
from optimizer.model.basis import design_matrix
from optimizer.records import (
    Corner,
    Eccentric,
    Goal,
    JointStud,
    Logbook,
    Measured,
    Run,
    ShimmedJoint,
    Stack,
    Thread,
)

Array = NDArray[np.float64]

REF = Run(name="a", corner="c", above_mm=(3.0, 1.0), below_mm=(1.5,))


def _at(height: float = 0.0, change: float = 0.0, stacked: float = 5.5, shims: float = 3.0) -> At:
    h, d, t, n = (np.array([x]) for x in (height, change, stacked, shims))
    return At(height=h, change=d, stacked=t, shims=n)


@pytest.mark.parametrize(
    ("left", "unit", "asks", "status"),
    [
        (0.99, "mm", (), "near"),
        (1.01, "mm", (), "ok"),
        (1.01, "mm", ("x",), "unknown"),
        (0.5, "mm", ("x",), "near"),
        (-1.3e-3, "mm", (), "near"),  # what four decimals of an inch may be off
        (-0.01, "mm", ("x",), "over"),
        (1.99, "deg", (), "near"),
        (2.01, "deg", (), "ok"),
        (0.19, "share", (), "near"),
        (0.21, "share", (), "ok"),
        (-1e-5, "deg", (), "over"),
        (-1e-5, "share", (), "over"),
        (-1e-7, "share", (), "near"),
        (0.0, "shims", (), "ok"),
        (None, "mm", (), "unknown"),
    ],
)
def test_near_is_the_last_millimetre_two_degrees_or_fifth(
    left: float | None, unit: Any, asks: tuple[str, ...], status: str
) -> None:
    assert _status(left, unit, asks) == status


@pytest.mark.parametrize(
    ("name", "left_now", "give", "unsafe"),
    [
        ("thread", -0.0049, 0.0, False),
        ("thread", -0.0051, 0.0, True),
        ("tilt", -1.0, 0.9, True),
        ("tilt", -1.0, 1.1, False),
        ("shims", -3.0, 0.0, False),
        ("eccentric", -3.0, 0.0, False),
        ("window", -3.0, 0.0, False),
        ("bending", None, 0.0, False),
    ],
)
def test_a_car_is_past_a_limit_only_beyond_what_is_not_known(
    name: Any, left_now: float | None, give: float, unsafe: bool
) -> None:
    limit = Limit(name=name, status="ok", left_now=left_now, give_or_take=give)
    assert limit.unsafe_now is unsafe


def test_one_setting_as_the_limits_see_it() -> None:
    at = At.one(Split(above_mm=(3.0, 1.0), below_mm=(1.5,), height_mm=-0.5), 2.0)
    assert [float(x[0]) for x in (at.height, at.change, at.stacked, at.shims)] == [
        -0.5,
        2.0,
        5.5,
        3.0,
    ]


class _Room(HardLimit):
    def __init__(self, name: Any, room: list[float] | None) -> None:
        self.name, self._room = name, room

    def room(self, at: At) -> Array | None:
        return None if self._room is None else np.array(self._room)


def test_settings_over_any_limit_go_and_are_counted_by_limit() -> None:
    limits = [
        _Room("thread", [1.0, -1.0, -1.0, 0.0, -0.0025]),
        _Room("tilt", [1.0, -1.0, 1.0, -0.0015, 1.0]),
        _Room("showing", None),
        _Room("shims", [0.0] * 5),
    ]
    five = At(height=np.zeros(5), change=np.zeros(5), stacked=np.zeros(5), shims=np.zeros(5))
    found = allowed(limits, five)
    assert found.keep.tolist() == [True, False, False, True, False]
    assert found.ruled_out == (("thread", 3), ("tilt", 1))


def test_what_leaves_nothing_by_itself_is_named_alone() -> None:
    one, some = _Room("thread", []), _Room("tilt", [])
    told = _nothing([(one, 7), (some, 3)], 7)
    assert told.found == "the thread has no length left for any setting"
    assert told.remedy == "check shorter and longer of the thread"
    both = _nothing([(one, 7), (some, 7)], 7)
    assert both.found == (
        "the thread has no length left, and the joint may tilt past what it allows for any setting"
    )
    assert both.remedy.startswith("check shorter and longer of the thread; or measure `tilt`")
    together = _nothing([(one, 6), (some, 3)], 7)
    assert together.found.endswith(", each for some and together for any setting")
    assert _nothing([], 0).found == "the thread has no length left for any setting"


def _names(corner: Corner, **more: Any) -> list[str]:
    return [x.name for x in hard_limits(corner, REF, **more)]


def test_which_limits_a_corner_has() -> None:
    bare = Corner(name="c", side="left", ahead=True, thread=Thread(kind="both-ends"))
    assert _names(bare) == ["thread", "pitch", "showing", "bending"]
    pitched = replace(bare, thread=Thread(kind="both-ends", pitch_mm=1.5, engaged_inner_mm=20.0))
    assert _names(pitched) == ["thread", "engagement", "showing", "bending"]
    fixed = replace(bare, thread=Thread(kind="fixed"), stack=Stack(most_shims=4))
    assert _names(fixed) == ["showing", "bending", "shims"]
    assert _names(fixed, travels_mm=np.zeros(1)) == ["tilt", "showing", "bending", "shims"]
    pivot: Any = PivotLimit.__new__(PivotLimit)
    assert _names(fixed, pivot=pivot)[0] == "eccentric"
    still = replace(fixed, eccentric=Eccentric(kind="none"))
    assert _names(still, pivot=pivot)[0] == "showing"


def test_the_stand_off_is_the_stack_on_the_face_s_side() -> None:
    """Below 1.5 and above 4 mm; 2 mm of spacer and half of a ball of 16."""
    stud = JointStud(spacer_mm=2.0)
    for face, wanted in (("arm-below", 1.5 + 0.7 + 10.0), ("arm-above", 4.0 - 0.7 + 10.0)):
        corner = Corner(
            name="c",
            side="left",
            ahead=True,
            stud=stud,
            joint=ShimmedJoint(width_mm=16.0),
            stack=Stack(face=face),  # type: ignore[arg-type]
        )
        (bending,) = [x for x in hard_limits(corner, REF) if isinstance(x, BendingLimit)]
        arm = bending.stand_off_mm(_at(0.7))
        assert arm is not None
        assert arm == pytest.approx([wanted])
        report = bending.report(_at(0.7), _at())
        before = wanted - (0.7 if face == "arm-below" else -0.7)
        assert report.change == pytest.approx(wanted / before - 1.0)
        assert report.bending is None
        assert report.asks == ("stud size", "stud class", "load")
    clevis = replace(corner, stack=Stack(face="clevis"))
    (bending,) = [x for x in hard_limits(clevis, REF) if isinstance(x, BendingLimit)]
    assert bending.stand_off_mm(_at()) is None
    assert bending.asks() == ()
    assert bending.report(_at(), _at()).status == "not-reckoned"


def test_a_stud_is_as_strong_as_the_lower_of_its_two_ceilings() -> None:
    """A quarter of ultimate, or proof stress; 32 F a / (pi d^3)."""
    joint = ShimmedJoint(width_mm=16.0)
    stud = JointStud(size="M12", property_class="10.9", load_n=1000.0)
    limit = BendingLimit(stud, joint, "arm-below", 4.0)
    found = threaded_stud("M12", "10.9")
    stress = 32.0 * 1000.0 * 12.0 / (np.pi * found.diameter_mm**3)
    room = limit.room(_at())
    assert room is not None
    assert room == pytest.approx([1.0 - stress / (0.25 * found.ultimate_mpa)])
    limit.stud = replace(found, proof_mpa=100.0)
    weak = limit.room(_at())
    assert weak is not None
    assert weak == pytest.approx([1.0 - stress / 100.0])
    # no class, no size, or a shank that the table does not have: no strength is made up
    for lacks in (
        replace(stud, property_class=None),
        replace(stud, size=None),
        replace(stud, shank_mm=500.0),
        replace(stud, load_n=None),
    ):
        assert BendingLimit(lacks, joint, "arm-below", 4.0).room(_at()) is None
    assert BendingLimit(stud, ShimmedJoint(), "arm-below", 4.0).room(_at()) is None
    shank = BendingLimit(replace(stud, shank_mm=14.0), joint, "arm-below", 4.0)
    assert shank.stud == plain_stud(14.0, "10.9")
    whole = threaded_stud("M12", "10.9", threads_bend=False)
    assert whole.diameter_mm == 12.0
    assert found.diameter_mm < 11.0


def test_a_stud_s_figures_and_what_cannot_be() -> None:
    stud = Stud(diameter_mm=10.0, proof_mpa=800.0, ultimate_mpa=1000.0)
    bent = stud_bending(stud, 500.0, 20.0, 16.0)
    stress = 32.0 * 500.0 * 20.0 / (np.pi * 1000.0)
    assert bent.stress_mpa == pytest.approx(stress)
    assert (bent.moment_nmm, bent.load_n, bent.stand_off_mm) == (10000.0, 500.0, 20.0)
    assert bent.proof_share == pytest.approx(stress / 800.0)
    assert bent.fatigue_share == pytest.approx(stress / 250.0)
    assert bent.change == pytest.approx(0.25)
    none = stud_bending(stud, None, 20.0, 16.0)
    assert (none.moment_nmm, none.stress_mpa, none.proof_share, none.fatigue_share) == (None,) * 4
    for args in ((0.0, 20.0, 16.0), (500.0, 0.0, 16.0), (500.0, 20.0, -1.0), (np.inf, 20.0, 16.0)):
        with pytest.raises(CallError, match="cannot be a load"):
            stud_bending(stud, *args)


def test_what_engagement_and_thread_ask_for() -> None:
    def asks(**thread: Any) -> tuple[str, ...]:
        return EngagementLimit(Thread(**thread)).asks()

    both: dict[str, Any] = {"kind": "both-ends", "diameter_mm": 12.0}
    assert asks(**both) == ("engaged_inner", "engaged_outer")
    assert asks(**both, engaged_inner_mm=20.0) == ("engaged_outer",)
    assert asks(kind="one-end", engaged_inner_mm=20.0) == ("least_engaged",)
    assert asks(kind="one-end", diameter_mm=12.0) == ("engaged_inner", "engaged_outer")
    assert asks(kind="one-end", diameter_mm=12.0, engaged_outer_mm=15.0) == ()
    assert EngagementLimit(Thread(**both)).room(_at()) is None
    no_least = EngagementLimit(Thread(kind="one-end", engaged_inner_mm=20.0))
    assert no_least.room(_at()) is None
    # lengthened 3 mm: half at each end of a body, all of it at one end
    room = EngagementLimit(Thread(**both, engaged_inner_mm=20.0, engaged_outer_mm=16.0))
    told = room.report(_at(change=3.0), _at(change=-1.0))
    assert told.left == pytest.approx(16.0 - 1.5 - 12.0)
    assert told.left_now == pytest.approx(16.0 + 0.5 - 12.0)
    assert told.engaged_mm == (("inner", 18.5, 20.5), ("outer", 14.5, 16.5))
    assert told.least_mm == 12.0
    one = EngagementLimit(
        Thread(kind="one-end", diameter_mm=12.0, least_engaged_mm=9.0, engaged_outer_mm=15.0)
    )
    got = one.room(_at(change=3.0))
    assert got is not None
    assert got == pytest.approx([3.0])
    for known, longer, wanted in (
        (False, None, ("shorter", "longer")),
        (True, None, ("shorter",)),
        (False, 3.0, ("shorter",)),
    ):
        assert ThreadLimit(Thread(longer_mm=longer), engaged_known=known).asks() == wanted


def test_thread_past_the_nut_and_what_it_asks_for() -> None:
    stud = JointStud(size="M12", length_mm=50.0, nut_mm=10.0, spacer_mm=2.0)
    joint = ShimmedJoint(width_mm=16.0)
    room = ShowingLimit(stud, joint).room(_at(stacked=5.5))
    assert room is not None
    # M12 has a pitch of 1.75 mm, which must show
    assert room == pytest.approx([50.0 - 2.0 - 5.5 - 16.0 - 10.0 - 1.75])
    stated = ShowingLimit(replace(stud, least_showing_mm=0.0), joint).room(_at(stacked=5.5))
    assert stated is not None
    assert stated == pytest.approx([16.5])
    assert ShowingLimit(JointStud(), ShimmedJoint()).asks() == (
        "stud length",
        "nut",
        "bore",
        "stud size or least_showing",
    )
    for lacks in (
        (replace(stud, length_mm=None), joint),
        (replace(stud, nut_mm=None), joint),
        (stud, ShimmedJoint()),
        (replace(stud, size=None), joint),
    ):
        assert ShowingLimit(*lacks).room(_at()) is None


class _Tilts:
    """Means and deviations by travel."""

    def __init__(self, mean: dict[float, float], sd: dict[float, float]) -> None:
        self.mean, self.sd = mean, sd

    def at(self, height_mm: Array, change_mm: Array, travel_mm: float) -> tuple[Array, Array]:
        """One of them, the height added."""
        none = np.zeros(len(height_mm))
        return self.mean[travel_mm] + height_mm, self.sd[travel_mm] + none


@pytest.mark.parametrize(("sd", "wide"), [(1.49, False), (1.51, True)])
def test_tilt_is_told_at_its_worst_travel_with_its_margin(sd: float, wide: bool) -> None:
    tilts = _Tilts({-40.0: -6.0, 0.0: 1.0, 40.0: 5.0}, {-40.0: 0.1, 0.0: 0.2, 40.0: sd})
    travels = np.array([-40.0, 0.0, 40.0])
    limit = TiltLimit(ShimmedJoint(allowed_deg=12.0), tilts, travels)
    assert limit.wide is wide
    told = limit.report(_at(), _at(2.0))
    if wide:
        # only what is over beyond doubt counts: 6 less its margin
        assert (told.at_travel_mm, told.give_or_take) == (-40.0, 0.0)
        assert told.left == pytest.approx(12.0 - (6.0 - 1.6449 * 0.1), abs=1e-4)
        assert told.asks == ("tilt",)
    else:
        assert told.at_travel_mm == 40.0
        assert told.give_or_take == pytest.approx(1.6449 * sd, abs=1e-4)
        assert told.left == pytest.approx(12.0 - 5.0 - 1.6449 * sd, abs=1e-4)
        assert told.left_now == pytest.approx(12.0 - 7.0 - 1.6449 * sd, abs=1e-4)
        assert told.asks == ()
    measured = ShimmedJoint(allowed_deg=12.0, tilt_deg=Measured(value=0.0, sd=0.1))
    assert TiltLimit(measured, tilts, travels).asks() == (("points",) if wide else ())
    assert TiltLimit(ShimmedJoint(), tilts, travels).report(_at(), _at()).left is None
    # past a right angle's brink it is still a figure
    steep = _Tilts({0.0: 95.0}, {0.0: 0.1})
    room = TiltLimit(ShimmedJoint(allowed_deg=12.0), steep, np.zeros(1)).room(_at())
    assert room is not None
    assert room == pytest.approx([12.0 - 89.0])


def test_a_refusal_says_how_far_past_each_limit_the_car_stands() -> None:
    corner = Corner(
        name="c",
        side="left",
        ahead=True,
        thread=Thread(kind="both-ends", pitch_mm=1.5, shorter_mm=1.0),
    )
    error = NothingCanBeMadeError("nothing is left", "mend it")
    sound = told_of_corner(error, corner, REF, REF)
    assert str(sound.found) == "corner 'c': nothing is left"
    short = replace(REF, length_change_mm=-3.5)
    foreseen = [
        Limit(name="tilt", status="over", unit="deg", left_now=-2.0, give_or_take=0.7),
        Limit(name="bending", status="over", unit="share", left_now=-0.25),
        Limit(name="showing", status="ok", left_now=1.0),
    ]
    told = told_of_corner(error, corner, REF, short, foreseen)
    lead, _, rest = told.found.partition("corner 'c': DO NOT DRIVE IT as it stands: ")
    each, _, why = rest.partition("; ")
    assert (lead, why) == ("", "nothing is left")
    assert sorted(each.split(", and ")) == [
        "the joint tilts 1.3 deg past what it allows",
        "the link stands 2.5 mm past its thread limit",
        "the stud bends 25 in 100 past its ceiling",
    ]
    assert told.remedy == "mend it"
    own = NothingCanBeMadeError("corner 'c' cannot", "mend it")
    assert told_of_corner(own, corner, REF, REF).found == "corner 'c' cannot"


def test_a_taper_is_refused_where_shims_are_on_the_car_or_in_the_box() -> None:
    tapered = Corner(name="c", side="left", ahead=True, stud=JointStud(tapered=True))
    bare = replace(REF, above_mm=(), below_mm=())
    refuse(tapered, bare)
    for corner, now in (
        (tapered, replace(bare, above_mm=(1.0,))),
        (tapered, replace(bare, below_mm=(1.0,))),
        (replace(tapered, stack=Stack(box_mm=(1.0,))), bare),
    ):
        with pytest.raises(NothingCanBeMadeError, match="tapered"):
            refuse(corner, now)


def test_at_most_twelve_shims_unless_more_are_on_the_car_or_stated() -> None:
    """Totals of 6 and 6.5 mm by halves alone take twelve and thirteen."""

    def most(now: tuple[float, ...], box: tuple[float, ...], stated: int | None = None) -> int:
        run = Run(name="a", corner="c", above_mm=now)
        try:
            found = possible_splits(Stack(box_mm=box, most_shims=stated), run, run)
        except NothingCanBeMadeError:
            return 0
        return max(s.n_shim for s in found)

    assert most((3.0, 3.0), (0.5,) * 20) == 12
    assert most((3.25, 3.25), (0.5,) * 20) == 0
    assert most((3.25, 3.25), (0.5,) * 20, 13) == 13
    assert most((3.0, 3.0), (0.5,) * 20, 11) == 0
    # thirteen on the car may stay there
    assert most((0.5,) * 13, ()) == 13
    assert most((0.5,) * 14, (0.5,) * 14) == 14
    with pytest.raises(NothingCanBeMadeError) as told:
        possible_splits(Stack(box_mm=(1.0,) * 9, most_shims=2), REF, REF)
    assert "with most_shims = 2" in told.value.found
    assert "allow more of them" in told.value.remedy
    with pytest.raises(NothingCanBeMadeError) as told:
        possible_splits(Stack(box_mm=(9.0,)), REF, REF)
    assert "most_shims" not in told.value.found
    assert "allow more" not in told.value.remedy


@pytest.mark.parametrize(
    ("side", "kept"),
    [("droop", lambda z: z < 0.0), ("bump", lambda z: z > 0.0), ("both", lambda z: z != 0.0)],
)
def test_never_toe_out_is_asked_of_its_side_alone(side: Any, kept: Any) -> None:
    goal = Goal(never_toe_out=side, most_change_deg=0.2)
    target = target_of(goal, (-50.0, 40.0))
    first, second = requirements_of(goal, target)
    assert isinstance(first, Requirement)
    assert isinstance(second, Requirement)
    assert (first.kind, first.low_deg, first.high_deg) == ("never-toe-out", -0.005, np.inf)
    assert first.travel_mm.tolist() == [z for z in target.travel_mm if kept(z)]
    assert (second.low_deg, second.high_deg) == (-0.2, 0.2)
    assert np.array_equal(second.travel_mm, target.travel_mm)


def test_a_wanted_toe_is_a_band_about_it() -> None:
    goal = Goal(kind="toe-at-travel", at_travel_mm=-40.0, toe_change_deg=0.1, tolerance_deg=0.03)
    (only,) = requirements_of(goal, target_of(goal, (-50.0, 40.0)))
    assert isinstance(only, Requirement)
    assert only.travel_mm.tolist() == [-40.0]
    assert (only.low_deg, only.high_deg) == pytest.approx((0.07, 0.13))
    bare = replace(goal, tolerance_deg=None)
    assert requirements_of(bare, target_of(bare, (-50.0, 40.0))) == ()
    # least change named before it stays, after it goes
    for order, n in (
        (("least-change", "toe-at-travel"), 2),
        (("toe-at-travel", "least-change"), 1),
        ((), 1),
    ):
        told = requirements_of(replace(goal, order=order), target_of(goal, (-50.0, 40.0)))  # type: ignore[arg-type]
        assert len(told) == n
        assert (told[0] == "least-change") is (n == 2)


@pytest.mark.parametrize("high", [0.05, np.inf])
def test_how_far_each_draw_misses_a_wish_is_numpy_s(high: float) -> None:
    """At eleven of its travels, its ends among them."""
    z = np.linspace(-50.0, 40.0, 37)
    wish = Requirement(kind="most-change", travel_mm=z, low_deg=-0.05, high_deg=high)
    few = _few_travels(wish)
    assert (len(few), few[0], few[-1]) == (11, -50.0, 40.0)
    assert np.all(np.isin(few, z))
    assert np.ptp(np.diff(few)) < 3.0
    short = replace(wish, travel_mm=z[:4])
    assert _few_travels(short).tolist() == z[:4].tolist()
    draws = np.random.default_rng(2).normal(0.0, 0.01, (6, 65))
    h, d = np.array([0.0, 2.0, -3.0]), np.array([1.0, -2.0, 0.0])
    wanted = np.zeros((6, 3))
    for i, draw in enumerate(draws):
        for j in range(3):
            rows = design_matrix(np.full(11, h[j]), np.full(11, d[j]), few)
            toe = rows @ draw[:60]
            wanted[i, j] = max(0.0, -0.05 - toe.min(), toe.max() - high)
    assert np.any(wanted > 0.0)
    assert draw_misses_deg(draws, wish, h, d) == pytest.approx(wanted)


@pytest.mark.outside
def test_a_row_of_the_list_has_the_surface_s_own_toe_and_band(demo_book: Logbook) -> None:
    """At 35 mm of droop by the surface's curve; marks say what each row is."""
    found = tradeoff(demo_book, "rear-left", -35.0)
    surface = fitted(corner_evidence(demo_book, "rear-left")).surface
    for row in found.options:
        spot = row.move.spot
        mean, cov = surface.curve(spot.height_mm, spot.length_change_mm, [-35.0])
        half = 1.6449 * float(np.sqrt(cov[0, 0]))
        assert row.toe_deg.value == pytest.approx(float(mean[0]), abs=1e-9)
        assert row.toe_deg.high - row.toe_deg.value == pytest.approx(half, abs=1e-6)
        assert row.toe_deg.value - row.toe_deg.low == pytest.approx(half, abs=1e-6)
    assert [row.letter for row in found.options] == list("ABCDEFGH")[: len(found.options)]
    assert found.options[0].mark == "now"
    toes = [row.toe_deg.value for row in found.options[1:]]
    assert toes == sorted(toes)
    out = tradeoff(demo_book, "rear-left", -35.0, toe_in=False)
    toes = [row.toe_deg.value for row in out.options[1:]]
    assert toes == sorted(toes, reverse=True)
    assert sum(row.mark == "least-change" for row in found.options) == 1
    assert sum(row.best_measured for row in found.options) == 1
    for at in (0.0, 0.99, -0.99):
        with pytest.raises(CallError, match="ride height"):
            tradeoff(demo_book, "rear-left", at)
    assert tradeoff(demo_book, "rear-left", -1.0).at_mm == -1.0
    for at in (-50.1, 50.1):
        with pytest.raises(CallError, match="outside the window"):
            tradeoff(demo_book, "rear-left", at)

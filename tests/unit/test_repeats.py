"""What to measure again: against the same surface fitted anew, and against brute force."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from optimizer.advise.evidence import corner_evidence, fitted
from optimizer.advise.few import fewest
from optimizer.advise.goal import target_of
from optimizer.advise.repeats import WORSE_BY, RepeatAdvice, _as_meant, worth_repeating
from optimizer.measure import curve as curve_module
from optimizer.measure.curve import ToeCurve, toe_curve
from optimizer.measure.gauge import reading_from_toe
from optimizer.records import Gauge, Logbook, Reading, Run, Stack, TravelLog
from tests.unit.cars import on_a_free_cam

CORNER = "rear-left"


@pytest.fixture(scope="module")
def told(demo_book: Logbook) -> RepeatAdvice:
    return worth_repeating(demo_book, CORNER)


def _error_deg(book: Logbook, told: RepeatAdvice) -> float:
    evidence = corner_evidence(book, CORNER)
    t = target_of(evidence.corner.goal, (-50.0, 50.0))
    surface = fitted(evidence).surface
    height = evidence.pivot.surface_height(told.height_mm, told.length_change_mm)
    _, cov = surface.curve(float(height), told.length_change_mm, t.travel_mm)
    return float(np.sqrt(t.weight @ np.diag(cov)))


def _again(
    book: Logbook, run: str, sweeps: Sequence[str], travels: Sequence[float], name: str
) -> tuple[Reading, ...]:
    """Readings that say again what the run's curve says."""
    curve = toe_curve(run, book.readings_of(run), book.gauge)
    toe = dict(zip(curve.travel_mm.tolist(), curve.toe_deg.tolist(), strict=True)) | {0.0: 0.0}
    return tuple(
        Reading(run=name, sweep=s, travel_mm=z,
                value=float(reading_from_toe(book.gauge, toe[z])))
        for s in sweeps for z in (0.0, *travels)
    )  # fmt: skip


@pytest.fixture
def held_noise(demo_book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each run keeps the noise its own readings show: those pretended agree too well."""
    factors = {
        r.name: toe_curve(r.name, demo_book.readings_of(r.name), demo_book.gauge).noise_factor
        for r in demo_book.runs
    } | {"again": 0.0}
    factors["again"] = factors["link-short"]
    whose: list[str] = []
    inner = curve_module._split

    def split(run: str, readings: Sequence[Reading], gauge: Gauge) -> object:
        whose.append(run)
        return inner(run, readings, gauge)

    monkeypatch.setattr(curve_module, "_split", split)
    monkeypatch.setattr(curve_module, "_repeat_factor", lambda *_: (factors[whose[-1]], None))


@pytest.fixture
def lifted_book(demo_book: Logbook) -> Logbook:
    """The demo on a free cam, whose turn lifts the pivot by a millimetre and more."""
    return on_a_free_cam(demo_book, 2.0)


def test_what_a_cam_lifts_counts_in_the_error_too(lifted_book: Logbook) -> None:
    """As the surface takes it, both where the advice stands and where the last run did."""
    told = worth_repeating(lifted_book, CORNER)
    evidence = corner_evidence(lifted_book, CORNER)
    lifted = evidence.pivot.surface_height(told.height_mm, told.length_change_mm)
    assert abs(float(lifted) - told.height_mm) > 0.5
    assert told.error_deg == pytest.approx(_error_deg(lifted_book, told), rel=1e-9)
    once_more = next(r for r in told.repeats if r.run == "link-short" and r.kind == "remount")
    again = tuple(replace(r, run="again") for r in lifted_book.readings_of("link-short"))
    run = replace(evidence.runs[-1], name="again")
    more = replace(lifted_book, runs=(*lifted_book.runs, run),
                   readings=(*lifted_book.readings, *again))  # fmt: skip
    assert once_more.error_deg == pytest.approx(_error_deg(more, told), rel=0.03)


def test_the_error_is_that_of_the_advised_curve(demo_book: Logbook, told: RepeatAdvice) -> None:
    assert told.error_deg == pytest.approx(_error_deg(demo_book, told), rel=1e-9)
    assert told.advised
    assert told.run == "link-short"


@pytest.mark.usefixtures("held_noise")
def test_travel_that_was_logged_weighs_the_error(demo_book: Logbook, told: RepeatAdvice) -> None:
    """All of the road within 10 mm of ride height: there the curve is known far better."""
    corner = demo_book.corners[CORNER]
    logged = replace(
        demo_book,
        corners={CORNER: replace(corner, goal=replace(corner.goal, weight="logged"))},
        travel_logs={CORNER: TravelLog(travel_mm=(-10.0, 0.0, 10.0), share=(0.4, 0.2, 0.4))},
    )
    near = worth_repeating(logged, CORNER)
    assert 0.0 < near.error_deg < 0.5 * told.error_deg


def test_a_repeat_does_what_it_says_once_it_is_in_the_logbook(
    demo_book: Logbook, told: RepeatAdvice
) -> None:
    """The readings are added to the logbook and the surface is fitted anew."""
    for r in told.repeats:
        if r.kind == "earlier":
            continue
        sweeps = {(1,): ["up3"], (-1,): ["down3"], (1, -1): ["up3", "down3"]}[r.ways]
        fresh = r.kind == "remount"
        name = "again" if fresh else r.run
        more = _again(demo_book, r.run, sweeps, r.travel_mm, name)
        assert len(more) == r.n_reading
        runs = demo_book.runs
        if fresh:  # without its static toe, which was not measured again
            runs += (replace(runs[-1], name=name, static_toe_deg=None),)
        book = replace(demo_book, runs=runs, readings=demo_book.readings + more)
        # tolerance: static toe is linearised about a mean without the last run
        assert r.error_deg == pytest.approx(_error_deg(book, told), rel=2e-3), r.kind


def test_more_work_on_one_mount_never_gains_less(told: RepeatAdvice) -> None:
    by = {(r.kind, len(r.travel_mm)): r.error_deg for r in told.repeats if r.kind != "earlier"}
    assert told.error_deg >= by["travels", 1] >= by["travels", 2]
    assert by["both-ways", 8] <= by["pass", 8] * (1 + 1e-9)
    errors = [r.error_deg for r in told.repeats]
    assert errors == sorted(errors)
    # the demo's readings repeat well and its rig may stand askew: a new mount tells more
    assert by["remount", 8] < by["both-ways", 8]


def test_a_rig_that_cannot_stand_askew_needs_no_new_mount(demo_book: Logbook) -> None:
    """Where only readings are noisy a further pass is worth what a new mount is, or more."""
    noisy = replace(
        demo_book.gauge, tilt_sd_deg=0.0, travel_scale_sd=0.0, loop_sd=0.0, reading_sd=0.3
    )
    told = worth_repeating(replace(demo_book, gauge=noisy), CORNER)
    by = {r.kind: r.error_deg for r in told.repeats if r.kind != "earlier"}
    assert by["both-ways"] == pytest.approx(by["remount"], rel=0.02)
    assert by["both-ways"] < 0.999 * told.error_deg


def test_two_runs_of_the_bad_way_round(demo_book: Logbook) -> None:
    """A logbook with more passes up than down is told to go down."""
    readings = tuple(r for r in demo_book.readings if r.sweep != "down2")
    told = worth_repeating(replace(demo_book, readings=readings), CORNER)
    assert {r.ways for r in told.repeats if r.kind in ("travels", "pass")} == {(-1,)}
    unnamed = tuple(replace(r, sweep=r.sweep.strip("updown")) for r in demo_book.readings
                    if r.sweep.startswith("up"))  # fmt: skip
    told = worth_repeating(replace(demo_book, readings=unnamed), CORNER)
    assert {r.ways for r in told.repeats} == {(0,), (0, 0)}


def test_one_run_and_nothing_to_make(demo_book: Logbook) -> None:
    one = demo_book.as_of("as-found")
    told = worth_repeating(one, CORNER)
    assert {r.run for r in told.repeats} == {"as-found"}
    stuck = replace(one.corners[CORNER], stack=Stack(box_mm=(9.0,)))
    told = worth_repeating(replace(one, corners={CORNER: stuck}), CORNER)
    assert (told.advised, told.height_mm, told.length_change_mm) == (False, 0.0, 0.0)


def test_the_fewest_travels_keep_their_word(demo_book: Logbook, told: RepeatAdvice) -> None:
    few = told.few
    assert few.n_all == 8
    assert len(few.travel_mm) == 4
    assert few.all_error_deg <= few.error_deg <= (1.0 + WORSE_BY) * few.all_error_deg
    # the ends stay, and alike both ways, as a crew sets them
    assert (few.travel_mm[0], few.travel_mm[-1]) == (-50.0, 50.0)
    assert sorted(-z for z in few.travel_mm) == list(few.travel_mm)


def _drawn(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """A covariance of n readings, and rows of what is to be known."""
    half = rng.normal(size=(n, n + 2))
    return half @ half.T + 0.3 * np.eye(n), rng.normal(size=(3, n))


@pytest.mark.parametrize("n", [5, 6, 7, 8])
def test_the_fewest_travels_against_brute_force(n: int) -> None:
    sizes = []
    travel = np.sort(np.concatenate([-np.arange(1, n // 2 + 1), np.arange(1, n - n // 2 + 1)]))
    for seed in range(40):
        cov, learnt = _drawn(np.random.default_rng(1000 * n + seed), n)
        start = 1.2 * float(np.sum(np.linalg.solve(cov, learnt.T) * learnt.T))

        def error(
            chosen: Sequence[int],
            cov: np.ndarray = cov,
            learnt: np.ndarray = learnt,
            start: float = start,
        ) -> float:
            at = list(chosen)
            gain = np.linalg.solve(cov[np.ix_(at, at)], learnt[:, at].T)
            return float(np.sqrt(start - np.sum(gain * learnt[:, at].T)))

        worse_by = 0.25
        allowed = (1.0 + worse_by) * error(range(n))
        found = fewest(error, travel.astype(float).tolist(), worse_by)
        served = [
            c for size in range(4, n + 1) for c in combinations(range(n), size)
            if error(c) <= allowed and {0, n - 1} <= set(c)
        ]  # fmt: skip
        assert error(found) <= allowed
        assert len(found) == min(len(c) for c in served)
        sizes.append(len(found))
    # the cases are not all of one kind
    assert n == 5 or len(set(sizes)) > 1


def test_too_few_travels_are_all_kept() -> None:
    for n in (2, 3, 4):
        assert fewest(lambda c: 1.0, list(range(1, n + 1)), 0.5) == tuple(range(n))
    # readings on one side only are no reason to fail
    assert len(fewest(lambda c: 1.0, [1.0, 2.0, 3.0, 4.0, 5.0, 6.0], 0.5)) == 4


def test_travels_meant_alike_are_one_by_how_often_each_was_read() -> None:
    """Three passes set 25 mm, two of them a millimetre off: a mean of readings, by hand."""
    gauge = Gauge(kind="direct-angle", reading_sd=0.01)
    rows = [
        Reading(run="a", sweep=sweep, travel_mm=z, value=v)
        for sweep, at, value in (("up1", 25.0, 0.30), ("up2", 26.0, 0.36), ("up3", 26.0, 0.39))
        for z, v in ((0.0, 0.0), (-25.0, -0.3), (at, value))
    ]
    curve = toe_curve("a", rows, gauge)
    assert curve.travel_mm.tolist() == [-25.0, 25.0, 26.0]
    one = _as_meant(curve, rows, gauge)
    assert one.travel_mm.tolist() == [-25.0, 26.0]
    assert one.toe_deg == pytest.approx([-0.3, (0.30 + 0.36 + 0.39) / 3.0])
    share = np.array([[1.0, 0.0, 0.0], [0.0, 1.0 / 3.0, 2.0 / 3.0]])
    assert one.cov_deg2 == pytest.approx(share @ curve.cov_deg2 @ share.T)
    # a pass that has both meant two travels
    both = [*rows, Reading(run="a", sweep="up1", travel_mm=26.0, value=0.31)]
    apart = toe_curve("a", both, gauge)
    assert _as_meant(apart, both, gauge) is apart


def test_curves_of_the_same_run_hold_the_noise(demo_book: Logbook) -> None:
    """What a run's rows say averaged is its curve's covariance, and nothing is counted twice."""
    from optimizer.advise.repeats import _averaged, _rows_of

    run: Run = demo_book.runs[0]
    readings = demo_book.readings_of(run.name)
    curve: ToeCurve = toe_curve(run.name, readings, demo_book.gauge)
    travel, new, noise = _rows_of(run, readings, curve, demo_book.gauge)
    assert not new.any()
    levels, cov = _averaged(travel, noise)
    assert levels == pytest.approx(curve.travel_mm)
    assert cov == pytest.approx(curve.cov_deg2, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize(
    ("passes", "one", "both"),
    [
        (("up1", "down1"), 1, (1, -1)),
        (("up1", "up2"), -1, (1, -1)),
        (("up1",), -1, (1, -1)),
        (("down1",), 1, (1, -1)),
        (("first", "down1"), 1, (1, -1)),
        (("first", "second"), 0, (0, 0)),
    ],
)
def test_a_pass_goes_the_way_that_was_gone_less_often(
    demo_book: Logbook, passes: tuple[str, ...], one: int, both: tuple[int, int]
) -> None:
    rows = demo_book.readings_of("as-found")
    sweep = rows[0].sweep
    read = {r.travel_mm: r.value for r in rows if r.sweep == sweep}
    travels = [-50.0, -25.0, 25.0, 50.0]
    kept = tuple(
        Reading(run="as-found", sweep=name, travel_mm=z, value=read[z] if z else 0.0)
        for name in passes
        for z in (0.0, *travels)
    )
    alone = replace(demo_book.as_of("as-found"), readings=kept)
    found = {r.kind: r for r in worth_repeating(alone, CORNER).repeats}
    by_size = [r for r in worth_repeating(alone, CORNER).repeats if r.kind == "travels"]
    assert {r.ways for r in by_size} == {(one,)}
    assert sorted(len(r.travel_mm) for r in by_size) == [1, 2]
    assert found["pass"].ways == (one,)
    assert found["both-ways"].ways == both
    assert found["remount"].ways == both
    assert found["pass"].travel_mm == tuple(travels)
    assert (found["pass"].n_reading, found["both-ways"].n_reading) == (5, 10)

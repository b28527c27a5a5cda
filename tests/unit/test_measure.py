"""Readings to curves: gauge formulas, zeros, covariance, shape figures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from optimizer.errors import CallError, TooFewReadingsError
from optimizer.measure.curve import ToeCurve, direction_of, has_curve, raw_rows, toe_curve
from optimizer.measure.gauge import (
    range_needed,
    reading_from_toe,
    reading_noise_deg,
    toe_from_reading_deg,
)
from optimizer.measure.quality import run_quality
from optimizer.measure.shape import curve_shape, window_weights
from optimizer.records import Corner, Gauge, GaugeKind, Logbook, Reading, Run, Signs, Units

GAUGE = Gauge(span_mm=300.0, resolution=0.0254)
TRAVELS = np.array([-50.0, -37.5, -25.0, -12.5, 12.5, 25.0, 37.5, 50.0])


def _rows(sweeps: dict[str, dict[float, float]]) -> list[Reading]:
    return [
        Reading(run="r", sweep=name, travel_mm=z, value=v)
        for name, readings in sweeps.items()
        for z, v in readings.items()
    ]


def _simulated(rng: np.random.Generator, sweeps: tuple[str, ...], gauge: Gauge) -> ToeCurve:
    """A run of a straight curve of 0.004 deg per mm, noise as the gauge states it."""
    tilt = rng.normal(0, gauge.tilt_sd_deg) / 40.0
    scale = rng.normal(0, gauge.travel_scale_sd)
    loop = rng.normal(0, gauge.loop_sd)
    rows = []
    for name in sweeps:
        for z in np.insert(TRAVELS, 0, 0.0):
            at = z * (1 + scale) + rng.normal(0, gauge.travel_sd_mm)
            dial = 300.0 * np.tan(np.deg2rad(0.004 * at + tilt * z))
            dial += direction_of(name) * loop * (1 - (z / 50.0) ** 2)
            dial += rng.normal(0, gauge.reading_sd) + rng.uniform(-0.0127, 0.0127)
            rows.append(Reading(run="r", sweep=name, travel_mm=float(z), value=float(dial)))
    return toe_curve("r", rows, gauge)


def test_one_dial_turns_by_the_arc_tangent() -> None:
    # plane trigonometry: 3 mm at 300 mm is atan(0.01) = 0.572939 deg
    assert toe_from_reading_deg(GAUGE, 3.0) == pytest.approx(0.5729387, abs=1e-7)
    falls = Gauge(span_mm=300.0, rising=-1)
    assert toe_from_reading_deg(falls, 3.0) == pytest.approx(-0.5729387, abs=1e-7)
    assert reading_from_toe(falls, toe_from_reading_deg(falls, 3.0)) == pytest.approx(3.0)
    direct = Gauge(kind="direct-angle", reading_sd=0.01)
    assert toe_from_reading_deg(direct, 0.25) == 0.25
    assert reading_from_toe(direct, 0.25) == 0.25
    for span in (None, 0.0, -300.0):
        with pytest.raises(CallError, match="span"):
            toe_from_reading_deg(Gauge(span_mm=span), 1.0)


@pytest.mark.parametrize(
    ("gauge", "reading", "toe"),
    [
        # plane trigonometry, worked by hand: atan(5 / 400), atan(-2 / 600), atan(25 / 4000)
        (Gauge(kind="two-dials", span_mm=400.0), 3.0 - -2.0, 0.7161599),
        (Gauge(kind="toe-plate", span_mm=600.0, rising=-1), 702.0 - 700.0, -0.1909852),
        (Gauge(kind="spot", span_mm=4000.0), 25.0, 0.3580940),
    ],
    ids=["two-dials", "toe-plate", "spot"],
)
def test_each_gauge_turns_both_ways(gauge: Gauge, reading: float, toe: float) -> None:
    assert toe_from_reading_deg(gauge, reading) == pytest.approx(toe, abs=1e-7)
    assert reading_from_toe(gauge, toe) == pytest.approx(reading, abs=1e-5)
    shown = np.linspace(-30.0, 30.0, 7)
    assert reading_from_toe(gauge, toe_from_reading_deg(gauge, shown)) == pytest.approx(shown)
    with pytest.raises(CallError, match="throw" if gauge.kind == "spot" else "span"):
        toe_from_reading_deg(Gauge(kind=gauge.kind), 1.0)


@pytest.mark.outside
@pytest.mark.parametrize("kind", ["one-dial", "two-dials", "toe-plate", "spot"])
def test_noise_of_a_reading_is_that_of_draws_of_what_is_read(kind: GaugeKind) -> None:
    # the law of propagation against drawn readings, each rounded to the step of the gauge
    gauge = Gauge(kind=kind, span_mm=500.0, reading_sd=0.05, resolution=0.1)
    rng = np.random.default_rng(77)
    values = 2 if gauge.reads_two else 1
    read = 3.0 + rng.normal(0, 0.05, (values, 40000))
    read += rng.uniform(-0.05, 0.05, (values, 40000))
    drawn = toe_from_reading_deg(gauge, read[0] - read[1] if values == 2 else read[0])
    assert reading_noise_deg(gauge) == pytest.approx(np.std(drawn), rel=0.015)


@pytest.mark.outside
def test_the_range_counts_from_ride_height_and_is_shared_by_two() -> None:
    toe = np.array([0.2, 0.5])
    one = Gauge(span_mm=300.0)
    assert range_needed(one, toe) == pytest.approx(300.0 * np.tan(np.deg2rad(0.5)))
    assert range_needed(one, -toe) == pytest.approx(range_needed(one, toe))
    assert range_needed(one, [-0.5, 0.5]) == pytest.approx(2.0 * range_needed(one, toe))
    two = Gauge(kind="two-dials", span_mm=300.0)
    assert range_needed(two, toe) == pytest.approx(range_needed(one, toe) / 2.0)


def test_a_pass_s_name_says_its_way() -> None:
    told = {"up1": 1, " Up-b": 1, "down2": -1, "DOWN": -1, "again": 0, "": 0}
    assert {name: direction_of(name) for name in told} == told


def test_a_step_adds_its_twelfth() -> None:
    # GUM, JCGM 100:2008, F.2.2.1: a resolution q has variance q^2 / 12
    only = Gauge(kind="direct-angle", reading_sd=0.0, resolution=0.12)
    assert reading_noise_deg(only) == pytest.approx(0.12 / np.sqrt(12.0))


def test_each_pass_is_counted_from_its_own_zero() -> None:
    up = {0.0: 10.0, -25.0: 9.0, 25.0: 12.0}
    down = {0.0: -3.0, 25.0: -1.0, -25.0: -4.0}
    curve = toe_curve("r", _rows({"up1": up, "down1": down}), GAUGE)
    assert curve.travel_mm.tolist() == [-25.0, 25.0]
    wanted = np.rad2deg(np.arctan([-1.0 / 300.0, 2.0 / 300.0]))
    assert curve.toe_deg == pytest.approx(wanted)


def test_later_zeros_are_return_checks() -> None:
    rows = _rows({"up1": {0.0: 1.0, -25.0: 0.0, 25.0: 3.0}})
    rows.append(Reading(run="r", sweep="up1", travel_mm=0.0, value=1.4))
    curve = toe_curve("r", rows, GAUGE)
    assert curve.return_to_zero_deg == pytest.approx(np.rad2deg(np.arctan(0.4 / 300.0)))
    assert curve.toe_deg[0] == pytest.approx(np.rad2deg(np.arctan(-1.0 / 300.0)))


@pytest.mark.outside
@pytest.mark.parametrize(
    "sweeps", [("up1",), ("up1", "down1"), ("up1", "down1", "up2")], ids=["one", "two", "three"]
)
def test_the_promised_error_is_the_error_seen(sweeps: tuple[str, ...]) -> None:
    rng = np.random.default_rng(31)
    runs = [_simulated(rng, sweeps, GAUGE) for _ in range(1500)]
    miss = np.array([c.toe_deg - 0.004 * c.travel_mm for c in runs])
    seen = np.cov(miss.T)
    promised = np.mean([c.cov_deg2 for c in runs], axis=0)
    ratio = np.sqrt(np.diag(seen) / np.diag(promised))
    assert ratio == pytest.approx(np.ones(8), abs=0.1)
    # whole-curve check: each miss squared over the promised covariance averages its length
    chi2 = [m @ np.linalg.solve(c.cov_deg2, m) for m, c in zip(miss, runs, strict=True)]
    assert np.mean(chi2) == pytest.approx(8.0, rel=0.12)


def test_repeats_raise_a_noise_that_was_stated_too_small() -> None:
    rng = np.random.default_rng(8)
    loud = Gauge(span_mm=300.0, reading_sd=0.15, travel_sd_mm=0.1)
    quiet = Gauge(span_mm=300.0, reading_sd=0.03, travel_sd_mm=0.1)
    rows = []
    for name in ("up1", "down1", "up2", "down2"):
        rows += [
            Reading(run="r", sweep=name, travel_mm=float(z), value=float(rng.normal(0, 0.15)))
            for z in np.insert(TRAVELS, 0, 0.0)
        ]
    factor = toe_curve("r", rows, quiet).noise_factor
    assert 2.0 < factor < 5.5
    assert 0.7 < toe_curve("r", rows, loud).noise_factor < 1.3
    assert toe_curve("r", rows[:9], quiet).noise_factor == 1.0


def test_too_few_readings_are_refused() -> None:
    with pytest.raises(TooFewReadingsError, match="1 travels"):
        toe_curve("r", _rows({"up1": {0.0: 0.0, 25.0: 1.0}}), GAUGE)
    with pytest.raises(TooFewReadingsError, match="down1"):
        toe_curve("r", _rows({"up1": {0.0: 0.0, 25.0: 1.0}, "down1": {25.0: 1.0}}), GAUGE)


def test_what_can_be_reduced_is_told_beforehand() -> None:
    one = _rows({"up1": {0.0: 0.0, 25.0: 1.0}})
    two = _rows({"up1": {0.0: 0.0, 25.0: 1.0, -25.0: -1.0}})
    # two readings of one travel are one travel still
    again = [*one, Reading(run="r", sweep="up1", travel_mm=25.0, value=1.1)]
    bare = [*two, Reading(run="r", sweep="down1", travel_mm=25.0, value=1.1)]
    for rows in (one, again, bare):
        assert not has_curve(rows)
        with pytest.raises(TooFewReadingsError):
            toe_curve("r", rows, GAUGE)
    assert has_curve(two)
    assert len(toe_curve("r", two, GAUGE).travel_mm) == 2


def _exact(toe: np.ndarray, travel: np.ndarray = TRAVELS) -> ToeCurve:
    return ToeCurve(
        run="r",
        travel_mm=travel,
        toe_deg=toe,
        cov_deg2=np.eye(len(travel)) * 1e-4,
        repeat_sd_deg=None,
        noise_factor=1.0,
        return_to_zero_deg=None,
        sweeps=("up1",),
    )


def test_shape_of_a_cubic() -> None:
    toe = 0.1 * TRAVELS / 25.0 + 0.05 * (TRAVELS / 50.0) ** 2 - 0.02 * (TRAVELS / 50.0) ** 3
    shape = curve_shape(_exact(toe), (-50.0, 50.0))
    assert shape.slope.value == pytest.approx(0.1)
    assert shape.bow is not None
    assert shape.bow.value == pytest.approx(0.05)
    assert shape.twist is not None
    assert shape.twist.value == pytest.approx(-0.02)
    assert shape.peak_to_peak.value == pytest.approx(0.36)
    # errors as numpy's own polynomial fit gives them for the same noise
    rows = np.stack([TRAVELS / 25.0, (TRAVELS / 50.0) ** 2, (TRAVELS / 50.0) ** 3], axis=1)
    sd = np.sqrt(np.diag(np.linalg.inv(rows.T @ rows))) * 1e-2
    assert [shape.slope.sd, shape.bow.sd, shape.twist.sd] == pytest.approx(sd)


def test_rms_of_a_straight_curve() -> None:
    # a line s z over -W..W has RMS s W / sqrt 3
    shape = curve_shape(_exact(0.004 * TRAVELS), (-50.0, 50.0))
    assert shape.rms.value == pytest.approx(0.2 / np.sqrt(3.0), rel=2e-3)
    inner = curve_shape(_exact(0.004 * TRAVELS), (-25.0, 25.0))
    assert inner.rms.value == pytest.approx(0.1 / np.sqrt(3.0), rel=2e-3)
    near = curve_shape(_exact(0.004 * TRAVELS), (-50.0, 50.0), 10.0)
    assert near.rms.value == pytest.approx(0.04, rel=0.01)
    assert curve_shape(_exact(0.0 * TRAVELS), (-50.0, 50.0)).rms.value == 0.0


def test_two_travels_give_slope_and_bow_only() -> None:
    shape = curve_shape(_exact(np.array([-0.1, 0.2]), np.array([-25.0, 25.0])), (-25.0, 25.0))
    assert shape.slope.value == pytest.approx(0.15)
    assert shape.bow is not None
    assert shape.bow.value == pytest.approx(0.05)
    assert shape.twist is None


def test_window_needs_a_width() -> None:
    with pytest.raises(CallError, match="width"):
        window_weights((0.0, 0.0))
    node, weight = window_weights((-30.0, 50.0))
    assert weight.sum() == pytest.approx(1.0)
    assert weight @ node == pytest.approx(10.0)


def test_quality_of_the_demo_is_clean(demo_book: Logbook) -> None:
    for run in demo_book.runs:
        quality = run_quality(demo_book, run)
        assert quality.doubts == ()
        assert quality.n_pass == 4
        assert quality.n_reading == 36


def test_doubts_are_named() -> None:
    readings = _rows({"up1": {0.0: 0.0, 12.0: 0.3, 25.0: 0.8}})
    readings.append(Reading(run="r", sweep="up1", travel_mm=0.0, value=0.9))
    book = Logbook(
        folder=Path(),
        car="x",
        units=Units(),
        signs=Signs(),
        gauge=GAUGE,
        corners={"rl": Corner(name="rl", side="left", ahead=True)},
        runs=(Run(name="r", corner="rl"),),
        readings=tuple(readings),
    )
    kinds = {d.kind for d in run_quality(book, book.runs[0]).doubts}
    assert kinds == {"no-repeats", "unequal-passes", "return-to-zero", "one-sided", "few-travels"}
    noisy = _rows(
        {
            name: {0.0: 0.0, -25.0: v, 25.0: -v, 12.0: v, -12.0: 2 * v}
            for name, v in (("up1", 1.0), ("down1", -1.0))
        }
    )
    loud = replace(book, readings=tuple(noisy))
    assert {d.kind for d in run_quality(loud, loud.runs[0]).doubts} == {"noisy"}


@pytest.mark.parametrize(("factor", "noisy"), [(1.45, False), (1.55, True)])
def test_a_run_is_noisy_from_one_and_a_half_times_what_is_stated(
    demo_book: Logbook, factor: float, noisy: bool
) -> None:
    rng = np.random.default_rng(12)
    readings = tuple(
        replace(r, value=r.value + rng.normal(0.0, 0.05)) for r in demo_book.readings_of("as-found")
    )
    run = demo_book.runs[0]

    def stated(sd: float) -> Logbook:
        return replace(demo_book, readings=readings, gauge=replace(demo_book.gauge, reading_sd=sd))

    def found(sd: float) -> float:
        return run_quality(stated(sd), run).curve.noise_factor - factor

    quality = run_quality(stated(brentq(found, 0.001, 0.2)), run)
    assert quality.curve.noise_factor == pytest.approx(factor)
    assert ("noisy" in {d.kind for d in quality.doubts}) == noisy


def _half(demo_book: Logbook, bump: bool) -> ToeCurve:
    rows = demo_book.readings_of("as-found")
    kept = [r for r in rows if (r.travel_mm >= 0.0) == bump or r.travel_mm == 0.0]
    return toe_curve("as-found", kept, demo_book.gauge)


@pytest.mark.parametrize("bump", [True, False])
def test_readings_on_one_side_have_figures(demo_book: Logbook, bump: bool) -> None:
    shape = curve_shape(_half(demo_book, bump), (-50.0, 50.0))
    whole = curve_shape(
        toe_curve("as-found", demo_book.readings_of("as-found"), demo_book.gauge), (-50.0, 50.0)
    )
    assert shape.slope.value == pytest.approx(whole.slope.value, abs=3 * shape.slope.sd)
    assert shape.slope.sd > whole.slope.sd
    assert 0.0 < shape.peak_to_peak.value < whole.peak_to_peak.value
    assert np.isfinite([shape.rms.value, shape.rms.sd, shape.slope.sd]).all()


def test_a_window_without_readings_or_width_is_told(demo_book: Logbook) -> None:
    with pytest.raises(TooFewReadingsError, match="no readings inside the window, -50 to 0 mm"):
        curve_shape(_half(demo_book, bump=True), (-50.0, 0.0))
    with pytest.raises(CallError, match="needs a width"):
        curve_shape(_half(demo_book, bump=True), (0.0, 0.0))


def _curve_of(travel: list[float], toe: list[float], sd: float = 0.01) -> ToeCurve:
    made = toe_curve("r", _rows({"up": {0.0: 0.0} | dict.fromkeys(travel, 0.0)}), GAUGE)
    return replace(
        made,
        travel_mm=np.array(travel),
        toe_deg=np.array(toe),
        cov_deg2=np.diag(np.full(len(travel), sd**2)),
    )


@pytest.mark.outside
@pytest.mark.parametrize("window", [(-50.0, 50.0), (-30.0, 20.0), (-20.0, 70.0), (-80.0, 10.0)])
@pytest.mark.parametrize("spread", [None, 15.0])
def test_rms_and_its_error_are_numpy_s_over_what_was_measured(
    window: tuple[float, float], spread: float | None
) -> None:
    """Straight lines through ride height's zero at 41 nodes; GUM, JCGM 100:2008, eq. 13."""
    travel, toe = [-45.0, -20.0, 15.0, 40.0], [0.3, 0.05, -0.1, 0.2]
    curve = _curve_of(travel, toe)
    low, high = max(window[0], -45.0), min(window[1], 40.0)
    node = np.linspace(low, high, 41)
    weight = np.ones(41)
    weight[[0, -1]] = 0.5
    if spread is not None:
        weight *= np.exp(-(node**2) / (2.0 * spread**2))
    weight /= weight.sum()

    def rms(at: list[float]) -> float:
        values = np.interp(node, [-45.0, -20.0, 0.0, 15.0, 40.0], [*at[:2], 0.0, *at[2:]])
        return float(np.sqrt(weight @ values**2))

    slopes = []
    for k in range(4):
        ends = [[t + sign * 1e-6 * (i == k) for i, t in enumerate(toe)] for sign in (1, -1)]
        slopes.append((rms(ends[0]) - rms(ends[1])) / 2e-6)
    found = curve_shape(curve, window, spread).rms
    assert found.value == pytest.approx(rms(toe))
    assert found.sd == pytest.approx(0.01 * np.linalg.norm(slopes), rel=1e-4)
    # a curve of nothing errs by its own noise, root mean square
    flat = curve_shape(_curve_of(travel, [0.0] * 4), window, spread).rms
    unit = [np.interp(node, [-45.0, -20.0, 0.0, 15.0, 40.0], row) for row in np.eye(5)]
    own = np.sum(np.square([u for k, u in enumerate(unit) if k != 2]), axis=0)
    assert flat.value == 0.0
    assert flat.sd == pytest.approx(0.01 * np.sqrt(weight @ own))


def test_rows_of_a_run_tell_when_in_their_pass_they_were_read() -> None:
    """The share of a pass that was over: 0 at its first reading, 1 at its last."""
    readings = [
        Reading(run="r", sweep="up", travel_mm=0.0, value=1.0, line=2),
        Reading(run="r", sweep="up", travel_mm=-20.0, value=1.3, line=3),
        Reading(run="r", sweep="down", travel_mm=20.0, value=0.4, line=4),
        Reading(run="r", sweep="up", travel_mm=20.0, value=0.7, line=5),
        Reading(run="r", sweep="down", travel_mm=0.04, value=0.9, line=6),
        Reading(run="r", sweep="up", travel_mm=0.0, value=1.1, line=7),
        Reading(run="r", sweep="down", travel_mm=-20.0, value=1.5, line=8),
    ]
    rows = raw_rows("r", readings, GAUGE)
    assert rows.line == (3, 4, 5, 7, 8)
    assert rows.travel_mm.tolist() == [-20.0, 20.0, 20.0, 0.0, -20.0]
    assert rows.share == pytest.approx([1 / 3, 0.0, 2 / 3, 1.0, 1.0])
    assert [rows.sweeps[k] for k in rows.sweep] == ["up", "down", "up", "up", "down"]
    # each from its own pass's zero
    wanted = np.degrees(np.arctan(np.array([0.3, -0.5, -0.3, 0.1, 0.6]) / 300.0))
    assert rows.toe_deg == pytest.approx(wanted)

"""New readings against the passes before them and the surface: the stated noise holds."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from optimizer.advise.foretell import foretold
from optimizer.measure.gauge import loop_noise_deg, reading_noise_deg
from optimizer.measure.misfit import against_passes, back_to_zero, toes_deg
from optimizer.records import Gauge, GaugeKind, Logbook, Reading

GAUGE = Gauge(span_mm=300.0, reading_sd=0.03, travel_sd_mm=0.5, loop_sd=0.02)
TRAVELS = (0.0, -50.0, -25.0, 25.0, 50.0)


def _pass(sweep: str, rng: np.random.Generator, slope: float = 0.02) -> list[Reading]:
    """Readings in mm whose curve has this slope, with the gauge's noise."""
    at = np.array(TRAVELS) + rng.normal(0.0, GAUGE.travel_sd_mm, len(TRAVELS))
    values = slope * at + rng.normal(0.0, GAUGE.reading_sd, len(TRAVELS))
    return [
        Reading(run="a", sweep=sweep, travel_mm=z, value=float(v))
        for z, v in zip(TRAVELS, values, strict=True)
    ]


@pytest.mark.outside
def test_a_reading_of_the_same_noise_is_off_by_one_deviation_on_average() -> None:
    rng = np.random.default_rng(5)
    z = []
    for _ in range(600):
        rows = [*_pass("up1", rng), *_pass("up2", rng), *_pass("up3", rng)]
        found = against_passes(rows, GAUGE)
        assert found is not None
        z.append(found.off_deg / found.sd_deg)
    assert np.std(z) == pytest.approx(1.0, abs=0.12)
    assert np.mean(np.abs(z) > 3.0) < 0.02


@pytest.mark.outside
def test_a_misread_digit_is_off_and_its_passes_are_not() -> None:
    rng = np.random.default_rng(6)
    rows = [*_pass("up1", rng), *_pass("down1", rng)]
    found = against_passes(rows, GAUGE)
    assert found is not None
    assert not found.is_off
    rows[-1] = replace(rows[-1], value=rows[-1].value + 0.5)
    found = against_passes(rows, GAUGE)
    assert found is not None
    assert found.is_off
    assert found.off_deg == pytest.approx(np.degrees(0.5 / 300.0), abs=0.03)


def test_first_passes_and_zeros_have_nothing_to_compare() -> None:
    rng = np.random.default_rng(7)
    rows = _pass("up1", rng)
    assert against_passes(rows, GAUGE) is None
    assert against_passes([*rows, *_pass("up2", rng)[:1]], GAUGE) is None
    assert len(toes_deg(rows, GAUGE)) == len(TRAVELS) - 1


@pytest.mark.outside
@pytest.mark.parametrize("kind", ["one-dial", "two-dials", "toe-plate"])
def test_a_return_where_nothing_moved_is_off_by_one_deviation_on_average(kind: GaugeKind) -> None:
    """Drawn readings: each value has its own noise, front and rear both where there are two."""
    rng = np.random.default_rng(9)
    gauge = replace(GAUGE, kind=kind)
    z = []
    for _ in range(2000):
        front, rear = rng.normal(0.0, gauge.reading_sd, (2, 3))
        values = front - rear if gauge.reads_two else front
        places = zip((0.0, 20.0, 0.0), values, strict=True)
        rows = [Reading(run="r", sweep="up1", travel_mm=t, value=float(v)) for t, v in places]
        found = back_to_zero(rows, gauge)
        assert found is not None
        z.append(found.off_deg / found.sd_deg)
    # the standard error of a spread from n draws is 1 / sqrt(2 n): three of them
    assert np.std(z) == pytest.approx(1.0, abs=3.0 / np.sqrt(4000.0))
    assert back_to_zero(rows[:2], gauge) is None
    assert back_to_zero(rows[:1], gauge) is None
    assert back_to_zero([*rows[:2], replace(rows[2], sweep="down1")], gauge) is None


@pytest.mark.outside
def test_the_loop_widens_what_is_expected_of_the_other_direction() -> None:
    rng = np.random.default_rng(8)
    one, other = _pass("up1", rng, 0.0), _pass("up2", rng, 0.0)
    same = against_passes([*one, *other], GAUGE)
    turned = against_passes([*one, *(replace(r, sweep="down1") for r in other)], GAUGE)
    assert same is not None
    assert turned is not None
    loop = 2.0 * np.degrees(GAUGE.loop_sd / 300.0)
    assert turned.sd_deg**2 - same.sd_deg**2 == pytest.approx(loop**2, rel=1e-3)


@pytest.mark.outside
def test_the_surface_foretells_the_demo_s_last_run(demo_book: Logbook) -> None:
    run = demo_book.runs[-1]
    told = foretold(demo_book, run)
    assert told is not None
    rows = toes_deg(demo_book.readings_of(run.name), demo_book.gauge)
    offs = [told.misfit(reading, toe) for reading, toe in rows]
    assert sum(m.is_off for m in offs) == 0
    assert all(m.sd_deg > reading_noise_deg(demo_book.gauge) for m in offs)
    # and it tells shims swapped: the run's stacks the other way up
    swapped = replace(run, above_mm=run.below_mm, below_mm=run.above_mm)
    runs = (*demo_book.runs[:-1], swapped)
    told = foretold(replace(demo_book, runs=runs), swapped)
    assert told is not None
    assert sum(told.misfit(reading, toe).is_off for reading, toe in rows) > len(rows) / 2


@pytest.mark.outside
def test_each_cause_adds_to_what_is_foretold_what_propagation_says(demo_book: Logbook) -> None:
    """GUM, JCGM 100:2008, eq. 13: each cause by itself, by the surface's own curve."""
    run = demo_book.runs[-1]
    told = foretold(demo_book, run)
    assert told is not None
    z = 37.5
    reading = Reading(run=run.name, sweep="up1", travel_mm=z, value=0.0)
    around = np.array([z - 1.0, z + 1.0])
    curve, _ = told.surface.curve(told.height_mm, told.length_change_mm, around)
    slope = (curve[1] - curve[0]) / 2.0
    none = {"tilt_sd_deg": 0.0, "travel_scale_sd": 0.0, "loop_sd": 0.0}

    def variance(**causes: float) -> float:
        gauge = replace(demo_book.gauge, **{**none, **causes})
        return replace(told, gauge=gauge).misfit(reading, 0.0).sd_deg ** 2

    bare = variance()
    assert variance(travel_scale_sd=0.2) - bare == pytest.approx((0.2 * z * slope) ** 2)
    assert variance(tilt_sd_deg=0.3) - bare == pytest.approx((0.3 * z / 40.0) ** 2)
    loop = replace(demo_book.gauge, loop_sd=0.4)
    wanted = (loop_noise_deg(loop) * (z / 40.0) ** 2) ** 2
    assert variance(loop_sd=0.4) - bare == pytest.approx(wanted)


def test_nothing_is_foretold_of_the_first_run(demo_book: Logbook) -> None:
    first = demo_book.as_of("as-found")
    assert foretold(first, first.runs[0]) is None


@pytest.mark.outside
def test_the_band_foretold_is_about_the_mechanism_s_curve(
    demo_book: Logbook, demo_truth: ModuleType
) -> None:
    told = foretold(demo_book, demo_book.runs[-1])
    assert told is not None
    travel = np.array([-45.0, -20.0, 20.0, 45.0])
    low, high = told.band_deg(travel)
    truth = demo_truth.true_toe_change_deg(travel, told.height_mm, told.length_change_mm)
    # twice the 90 % band: four travels of one draw
    assert np.all(np.abs(truth - (low + high) / 2.0) < high - low)
    assert np.all(high - low < 0.2)


def _row(sweep: str, travel: float, value: float) -> Reading:
    return Reading(run="a", sweep=sweep, travel_mm=travel, value=value)


@pytest.mark.outside
@pytest.mark.parametrize("n", [1, 2, 5])
def test_a_reading_s_deviation_is_that_of_a_difference_with_a_mean(n: int) -> None:
    """Two readings a row: 2 s^2 (1 + 1/n), and both travels' errors by the curve's slopes."""
    still = replace(GAUGE, travel_sd_mm=0.0, loop_sd=0.0)
    own = reading_noise_deg(still)
    rows = [
        _row(f"up{k}", z, v)
        for k in range(n + 1)
        for z, v in ((0.0, 1.0), (-20.0, 0.7 + 0.1 * k), (10.0, 1.4))
    ]
    rows = rows[:-1]  # the last is that at -20
    found = against_passes(rows, still)
    assert found is not None
    assert found.sd_deg == pytest.approx(own * np.sqrt(2.0 * (1.0 + 1.0 / n)))
    values = [0.7 + 0.1 * k - 1.0 for k in range(n)]
    wanted = np.mean(np.degrees(np.arctan(np.array(values) / 300.0)))
    assert found.expected_deg == pytest.approx(wanted, rel=1e-4)
    new = np.degrees(np.arctan((0.7 + 0.1 * n - 1.0) / 300.0))
    assert found.off_deg == pytest.approx(new - wanted, abs=1e-6)
    # half a millimetre of travel at ride height and at -20, each by the slope there
    loose = replace(still, travel_sd_mm=0.5)
    told = against_passes(rows, loose)
    assert told is not None
    slopes = np.gradient([wanted, 0.0, np.degrees(np.arctan(0.4 / 300.0))], [-20.0, 0.0, 10.0])
    more = 0.25 * (slopes[0] ** 2 + slopes[1] ** 2) * (1.0 + 1.0 / n)
    assert told.sd_deg**2 - found.sd_deg**2 == pytest.approx(more, rel=1e-3)


@pytest.mark.outside
def test_the_loop_counts_by_travel_over_the_farthest_squared_and_by_ways() -> None:
    """One up against a mean of one up, one down and one unnamed: 1 - 0; at half of the stroke."""
    still = replace(GAUGE, travel_sd_mm=0.0)
    rows = [
        _row(sweep, z, 0.0)
        for sweep in ("up1", "down1", "again", "up2")
        for z in (0.0, -40.0, 20.0)
    ]
    found, bare = against_passes(rows, still), against_passes(rows, replace(still, loop_sd=0.0))
    assert found is not None
    assert bare is not None
    loop = loop_noise_deg(still) * 0.25
    assert found.sd_deg**2 - bare.sd_deg**2 == pytest.approx(loop**2)
    # travels within a twentieth are one, no more
    for off, near in ((0.049, True), (0.051, False)):
        some = [_row("up1", 0.0, 0.0), _row("up1", 20.0, 0.0), _row("up2", 0.0, 0.0)]
        assert (against_passes([*some, _row("up2", 20.0 + off, 0.0)], still) is not None) is near


def test_a_reading_is_off_past_three_deviations(demo_book: Logbook) -> None:
    told = foretold(demo_book, demo_book.runs[-1])
    assert told is not None
    reading = Reading(run="link-short", sweep="up1", travel_mm=25.0, value=0.0)
    expected, cov = told.surface.curve(told.height_mm, told.length_change_mm, [25.0])
    found = told.misfit(reading, float(expected[0]))
    assert found.expected_deg == pytest.approx(float(expected[0]))
    assert found.off_deg == pytest.approx(0.0, abs=1e-12)
    for n_sd, off in ((2.99, False), (3.01, True), (-2.99, False), (-3.01, True)):
        moved = told.misfit(reading, found.expected_deg + n_sd * found.sd_deg)
        assert moved.is_off is off
        assert moved.n_sd == pytest.approx(abs(n_sd))
        assert moved.off_deg == pytest.approx(n_sd * found.sd_deg)
    # with no other cause: the surface's own variance, two readings and two travels
    still = {"tilt_sd_deg": 0.0, "travel_scale_sd": 0.0, "loop_sd": 0.0, "travel_sd_mm": 0.0}
    quiet = replace(told, gauge=replace(demo_book.gauge, **still))  # type: ignore[arg-type]
    own = reading_noise_deg(demo_book.gauge)
    sd = quiet.misfit(reading, 0.0).sd_deg
    assert sd == pytest.approx(np.sqrt(float(cov[0, 0]) + 2.0 * own**2))
    # travels half a millimetre off, by the slope there and by the straight way to ride height
    around, _ = told.surface.curve(told.height_mm, told.length_change_mm, [24.0, 25.0, 26.0])
    travels = np.array([0.0, 24.0, 25.0, 26.0])
    slopes = np.gradient(np.array([0.0, *around]), travels)
    loose = replace(quiet, gauge=replace(quiet.gauge, travel_sd_mm=0.5))
    more = 0.25 * (slopes[2] ** 2 + slopes[0] ** 2)
    assert loose.misfit(reading, 0.0).sd_deg ** 2 - sd**2 == pytest.approx(more, rel=1e-6)
    # the loop inside 40 mm is a share of it, outside it the whole of it
    for z, share in ((20.0, 0.25), (-60.0, 1.0)):
        at = replace(reading, travel_mm=z)
        bare = quiet.misfit(at, 0.0).sd_deg ** 2
        loops = replace(quiet, gauge=replace(quiet.gauge, loop_sd=0.4))
        wanted = (share * loop_noise_deg(loops.gauge)) ** 2
        assert loops.misfit(at, 0.0).sd_deg ** 2 - bare == pytest.approx(wanted)
        unnamed = replace(at, sweep="again")
        assert loops.misfit(unnamed, 0.0).sd_deg ** 2 == pytest.approx(bare)

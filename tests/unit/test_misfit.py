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

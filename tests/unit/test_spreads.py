"""Repeatability of a logbook's gauge: by hand, missing readings, cover of the intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.errors import CallError, TooFewReadingsError
from optimizer.measure.excess import Excess, excess_spread, stated_alone
from optimizer.measure.repeatability import Spread
from optimizer.measure.spreads import GaugeStudy, gauge_study
from optimizer.records import Corner, Gauge, Logbook, Reading, Run, Signs, Units

Array = NDArray[np.float64]

TRAVELS = np.array([-50.0, -37.5, -25.0, -12.5, 0.0, 12.5, 25.0, 37.5, 50.0])
GAUGE = Gauge(
    kind="direct-angle", reading_sd=0.006, loop_sd=0.006, tilt_sd_deg=0.01, travel_sd_mm=0.5
)
EXACT = replace(GAUGE, travel_sd_mm=0.0, travel_scale_sd=0.0)


def _book(runs: Mapping[str, Sequence[Reading]], gauge: Gauge, lengths: Sequence[float]) -> Logbook:
    return Logbook(
        folder=Path(),
        car="invented",
        units=Units(reading="deg"),
        signs=Signs(),
        gauge=gauge,
        corners={"rear-left": Corner(name="rear-left", side="left", ahead=True)},
        runs=tuple(
            Run(name=n, corner="rear-left", above_mm=(2.0,), below_mm=(2.0,), length_change_mm=d)
            for n, d in zip(runs, lengths, strict=True)
        ),
        readings=tuple(r for rows in runs.values() for r in rows),
    )


def _pass(run: str, sweep: str, value: Array, travels: Array = TRAVELS) -> list[Reading]:
    rows = zip(travels, value, strict=True)
    return [Reading(run=run, sweep=sweep, travel_mm=float(z), value=float(v)) for z, v in rows]


def _study(runs: Mapping[str, Sequence[Reading]], gauge: Gauge = EXACT) -> GaugeStudy:
    study = gauge_study(_book(runs, gauge, [0.0] * len(runs)))
    assert study is not None
    return study


def test_two_passes_the_same_way_by_hand() -> None:
    """One reading in each of two passes off by d: squares d^2 / 2 less the passes' zeros."""
    one, two = np.zeros(9), np.zeros(9)
    two[0] = 0.012
    study = _study({"a": [*_pass("a", "up1", one), *_pass("a", "up2", two)]})
    part = study.parts["reading"]
    # raw readings about travel and pass: (0.012^2 / 2) (1 - 1/9) over 8 degrees of freedom;
    # a reading counted from its zero has twice that variance
    wanted = math.sqrt(2.0 * 0.012**2 / 2.0 * (8.0 / 9.0) / 8.0)
    assert part.measured is not None
    assert part.measured.sd == pytest.approx(wanted)
    assert part.freedom == 8
    assert part.stated_deg == pytest.approx(0.006 * math.sqrt(2.0))
    # eight repeats beside a prior of six
    assert part.kept.sd**2 == pytest.approx((8 * wanted**2 + 6 * 2 * 0.006**2) / 14)
    assert part.pulled_deg == pytest.approx(part.kept.sd - wanted)
    assert study.loops == ()
    for name in ("direction", "remount", "return"):
        assert study.parts[name].measured is None  # type: ignore[index]
        assert study.parts[name].kept.sd == study.parts[name].stated_deg  # type: ignore[index]


def test_one_pass_leaves_the_stated_noise() -> None:
    study = _study({"a": _pass("a", "up1", TRAVELS * 1e-3)})
    assert study.parts["reading"].measured is None
    assert study.noise_factor == 1.0


def test_a_loop_is_told_with_its_sign() -> None:
    shape = (TRAVELS / 50.0) ** 2
    up, down = TRAVELS * 1e-3 - 0.004 * shape, TRAVELS * 1e-3 + 0.004 * shape
    study = _study({"a": [*_pass("a", "up1", up), *_pass("a", "down1", down[::-1], TRAVELS[::-1])]})
    (loop,) = study.loops
    assert loop.gap_deg == pytest.approx(0.008)
    # one pass each way: what is left beside the loop's shape is 8 - 1 degrees of freedom
    part = study.parts["reading"]
    assert (part.freedom, round(part.measured.sd, 9) if part.measured else None) == (7, 0.0)
    both = study.parts["direction"].measured
    assert both is not None
    assert both.total.sd == pytest.approx(0.008)
    # every pass down the other way round: the sign turns
    turned = _study({"a": [*_pass("a", "up1", down), *_pass("a", "down1", up)]})
    assert turned.loops[0].gap_deg == pytest.approx(-0.008)


@pytest.mark.outside
def test_a_loop_s_error_is_the_spread_of_played_loops() -> None:
    """Passes without a loop, noise as stated: what is fitted then is all error."""
    rng, found = np.random.default_rng(17), []
    for _ in range(800):
        noise = rng.normal(0.0, 0.006, (2, 9))
        study = _study({"a": [*_pass("a", "up1", noise[0]), *_pass("a", "down1", noise[1])]})
        found.append((study.loops[0].gap_deg, study.loops[0].sd_deg / study.noise_factor))
    gap, told = np.array(found).T
    assert np.ptp(told) < 1e-12
    # the spread of 800 is known to one in 40
    assert np.std(gap) == pytest.approx(told[0], rel=0.08)


def test_a_rig_put_up_askew_shows_between_runs_of_one_setting() -> None:
    runs = {
        name: [*_pass(name, "up1", y), *_pass(name, "down1", y)]
        for name, y in (("a", TRAVELS * 1e-3), ("b", TRAVELS * 1.5e-3), ("c", TRAVELS * 3e-3))
    }
    book = _book(runs, EXACT, [0.0, 0.0, -3.0])
    study = gauge_study(book)
    assert study is not None
    part = study.parts["remount"]
    assert part.measured is not None
    # 0.5e-3 deg per mm is 0.02 deg at 40 mm between two runs; run c is of another setting
    assert part.measured.total.sd == pytest.approx(0.02 / math.sqrt(2.0))
    assert part.freedom == 1
    other = gauge_study(replace(book, runs=tuple(replace(r, below_mm=(i + 1.0,)) for i, r in
                                                 enumerate(book.runs))))  # fmt: skip
    assert other is not None
    assert other.parts["remount"].measured is None


def test_return_to_zero() -> None:
    rows = [*_pass("a", "up1", TRAVELS * 0.0), *_pass("a", "down1", TRAVELS * 0.0)]
    rows += [Reading(run="a", sweep=s, travel_mm=0.0, value=v)
             for s, v in (("up1", 0.003), ("down1", -0.004))]  # fmt: skip
    # the passes' first reading at ride height must come first
    rows.sort(key=lambda r: (r.sweep, r.travel_mm != 0.0 or r.value != 0.0))
    study = _study({"a": rows})
    part = study.parts["return"]
    assert part.measured is not None
    assert part.measured.sd == pytest.approx(math.sqrt((0.003**2 + 0.004**2) / 2))
    assert part.freedom == 2
    assert study.largest_return_deg == pytest.approx(0.004)


def test_a_suspect_run_is_left_out_and_named_unless_it_is_all_there_is() -> None:
    good = [*_pass("a", "up1", TRAVELS * 1e-3), *_pass("a", "up2", TRAVELS * 1e-3)]
    bad = [*_pass("b", "up1", TRAVELS * 1e-3), *_pass("b", "up2", TRAVELS * -1e-3)]
    book = _book({"a": good, "b": bad}, EXACT, [0.0, 1.0])
    whole, clean = gauge_study(book), gauge_study(book, ["b"])
    alone = gauge_study(_book({"a": good}, EXACT, [0.0]), ["a"])
    assert whole and clean and alone
    assert whole.left_out == alone.left_out == ()
    assert clean.left_out == ("b",)
    assert clean.parts == alone.parts
    assert whole.noise_factor > 3.0 > clean.noise_factor


def test_no_runs_no_study() -> None:
    assert gauge_study(_book({}, GAUGE, [])) is None


TRUTH = {"reading": 1.3, "direction": 0.016, "remount": 0.015}


def _played(rng: np.random.Generator) -> GaugeStudy:
    """Five runs of one setting; unequal passes, readings missing, noise 1.3 times stated."""
    runs = {}
    for name in "abcde":
        tilt, scale = rng.normal(0.0, TRUTH["remount"]) / 40.0, 1.0 + rng.normal(0.0, 0.01)
        half = rng.normal(0.0, TRUTH["direction"] / 2.0)
        rows = []
        for sweep in ("up1", "down1", "up2"):
            seen = (TRAVELS == 0.0) | (rng.random(9) > 0.15) | (np.abs(TRAVELS) == 50.0)
            z = TRAVELS[seen]
            at = z * scale + rng.normal(0.0, 1.3 * 0.5, len(z))
            toe = 2e-3 * at + 1.5e-5 * at**2 + tilt * z
            toe += (1.0 if sweep.startswith("up") else -1.0) * half * (1.0 - (z / 50.0) ** 2)
            rows += _pass(name, sweep, toe + rng.normal(0.0, 1.3 * 0.006, len(z)), z)
        runs[name] = rows
    return _study(runs, GAUGE)


def test_intervals_hold_their_level() -> None:
    n_book, rng = 600, np.random.default_rng(41)
    under, over = dict.fromkeys(TRUTH, 0), dict.fromkeys(TRUTH, 0)
    for _ in range(n_book):
        study = _played(rng)
        for name, truth in TRUTH.items():
            part = study.parts[name]  # type: ignore[index]
            assert part.measured is not None
            low, high = part.measured.interval
            wanted = truth * part.stated_deg if name == "reading" else truth
            under[name] += high < wanted
            over[name] += low > wanted
    # 15 of 600 wanted on either side; three standard deviations of the count are 11.5
    for name in TRUTH:
        assert 3 <= under[name] <= 27, (name, under, over)
        assert 3 <= over[name] <= 27, (name, under, over)


def test_kept_intervals_hold_their_level_where_the_stated_noise_is_fair() -> None:
    """The truth is drawn from the prior that pulls: six repeats' worth about the stated."""
    n_play, rng, missed = 2000, np.random.default_rng(5), 0
    for _ in range(n_play):
        error = np.array([0.002, 0.003, 0.004])
        # the total is pulled, so that is what the prior is of
        total = 0.01**2 + float(np.mean(error**2))
        truth = max(0.0, total * 6.0 / rng.chisquare(6) - float(np.mean(error**2)))
        figures = rng.normal(0.0, np.sqrt(truth + error**2))
        kept = excess_spread([(figures, error**2)], 50, about_zero=True).shrunk(0.01)
        low, high = kept.interval
        missed += not low <= math.sqrt(truth) <= high
    assert missed / n_play == pytest.approx(0.05, abs=0.015)


def test_two_runs_of_one_setting_differ_by_more_in_one_case_of_twenty() -> None:
    """The smallest difference, played: the ends of travel of two runs on mounts of their own."""
    rng, n_play, n_pass = np.random.default_rng(3), 20_000, 4
    curve = 2e-3 * TRAVELS + 1.5e-5 * TRAVELS**2
    passes = [_pass("a", s, curve) for s in ("up1", "down1", "up2", "down2")]
    study = _study({"a": [r for rows in passes for r in rows]}, GAUGE)
    # by these passes the noise looks smaller than stated: play what the study reckons with
    f, z = study.noise_factor, 50.0
    end, ride = 2e-3 + 2 * 1.5e-5 * z, 2e-3
    own = f * np.hypot(0.006, 0.5 * end), f * np.hypot(0.006, 0.5 * ride)
    gap = np.zeros(n_play)
    for sign in (1.0, -1.0):
        noise = rng.normal(0.0, own[0], (n_play, n_pass)) - rng.normal(
            0.0, own[1], (n_play, n_pass)
        )
        tilt, scale = rng.normal(0.0, 0.01, n_play), rng.normal(0.0, 0.01, n_play)
        gap += sign * (noise.mean(axis=1) + tilt * z / 40.0 + scale * z * end)
    # 0.05 wanted of 20 000: three standard deviations are 0.0046
    assert np.mean(np.abs(gap) > study.apart.end_deg) == pytest.approx(0.05, abs=0.0046)
    assert study.apart_passes.end_deg < study.apart.end_deg
    assert study.apart_mounts.end_deg == pytest.approx(study.apart.end_deg / math.sqrt(2.0))
    assert study.apart.rms_deg < study.apart.end_deg


def test_unequal_passes_leave_some_of_the_loop() -> None:
    even = {"a": [r for s in ("up1", "down1") for r in _pass("a", s, TRAVELS * 0.0)]}
    odd = {"a": [r for s in ("up1", "up2") for r in _pass("a", s, TRAVELS * 0.0)]}
    quiet = replace(EXACT, loop_sd=1e-9)
    # half a gap stays whole where both passes go one way
    left = _study(odd).apart.end_deg ** 2 - _study(odd, quiet).apart.end_deg ** 2
    assert math.sqrt(left) == pytest.approx(1.96 * math.sqrt(2.0) * 0.006, rel=1e-4)
    one, two = _study(even), _study(even, quiet)
    assert one.apart.end_deg == pytest.approx(two.apart.end_deg)


@pytest.mark.parametrize(
    ("figures", "variance", "error"),
    [
        ([1.0, 2.0], [0.1], CallError),
        ([1.0, math.nan], [0.1, 0.1], CallError),
        ([1.0, 2.0], [0.1, 0.0], CallError),
        ([1.0], [0.1], TooFewReadingsError),
    ],
)
def test_figures_that_cannot_be(
    figures: list[float], variance: list[float], error: type[Exception]
) -> None:
    with pytest.raises(error):
        excess_spread([(figures, variance)], 10)


def test_error_that_explains_it_all_leaves_nothing() -> None:
    found = excess_spread([([0.01, -0.01, 0.0], [1.0, 1.0, 1.0])], 10, about_zero=True)
    assert (found.sd, found.freedom, found.interval[0]) == (0.0, 3, 0.0)
    # and speaks for a spread below the stated one
    assert found.shrunk(0.5).sd < 0.5


def test_a_stated_spread_of_zero() -> None:
    assert stated_alone(0.0).sd == 0.0
    bare = Excess(total=Spread(sd=0.2, freedom=3))
    assert bare.shrunk(0.0) is bare

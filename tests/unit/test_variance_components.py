"""Variance components and what a gauge can tell apart: edges, invariances, cover."""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from optimizer.errors import CallError, ShimoptError, TooFewReadingsError
from optimizer.measure.crossed import crossed_study
from optimizer.measure.repeatability import (
    Spread,
    pooled_spread,
    shrunk_spread,
    smallest_difference_deg,
    within_groups,
)

Array = NDArray[np.float64]


def _drawn(
    rng: np.random.Generator,
    shape: tuple[int, int, int],
    part: float,
    operator: float,
    both: float,
    repeat: float,
) -> Array:
    """Readings of the random-effects model with these standard deviations."""
    n_part, n_operator, _ = shape
    return np.asarray(
        part * rng.normal(size=(n_part, 1, 1))
        + operator * rng.normal(size=(1, n_operator, 1))
        + both * rng.normal(size=(n_part, n_operator, 1))
        + repeat * rng.normal(size=shape)
    )


GOOD = _drawn(np.random.default_rng(8), (4, 3, 2), 1.0, 0.5, 0.3, 0.2)
HOLE = np.where(np.arange(24).reshape(4, 3, 2) == 7, np.nan, GOOD)


@pytest.mark.parametrize(
    ("readings", "error", "words"),
    [
        (GOOD[0], CallError, "parts x operators x repeats"),
        (HOLE, CallError, "none missing"),
        ([[[1.0, 2.0], [1.0]], [[1.0, 2.0], [1.0, 3.0]]], CallError, "equal numbers"),
        (GOOD[:, :, :1], TooFewReadingsError, "1 repeats: too few"),
        (GOOD[:1], TooFewReadingsError, "1 parts"),
        (GOOD[:, :1], TooFewReadingsError, "1 operators"),
        (np.full((3, 2, 2), 1.25), TooFewReadingsError, "alike"),
    ],
)
def test_tables_that_cannot_be_a_study(
    readings: Array, error: type[ShimoptError], words: str
) -> None:
    with pytest.raises(error, match=words):
        crossed_study(readings)


@pytest.mark.parametrize("share", [0.0, 1.0, -0.1, 95.0, math.nan])
def test_shares_must_be_shares(share: float) -> None:
    with pytest.raises(CallError, match="level for pooling"):
        crossed_study(GOOD, pool_above=share)
    with pytest.raises(CallError, match="confidence"):
        crossed_study(GOOD, confidence=share)
    with pytest.raises(CallError, match="chance to see"):
        smallest_difference_deg(0.1, 0.1, chance_to_see=share)


def test_sums_of_squares_and_freedom_add_up() -> None:
    *rows, total = crossed_study(GOOD).table
    assert sum(r.sum_of_squares for r in rows) == pytest.approx(total.sum_of_squares)
    assert sum(r.freedom for r in rows) == total.freedom == GOOD.size - 1


@given(seed=st.integers(0, 10_000), scale=st.floats(0.01, 100.0), shift=st.floats(-50.0, 50.0))
@settings(max_examples=30, deadline=None)
def test_order_zero_and_unit_do_not_matter(seed: int, scale: float, shift: float) -> None:
    rng = np.random.default_rng(seed)
    y = _drawn(rng, (4, 3, 2), 1.0, 0.4, 0.3, 0.3)
    moved = scale * y[rng.permutation(4)][:, rng.permutation(3)][:, :, rng.permutation(2)] + shift
    one, two = crossed_study(y), crossed_study(moved)
    assert one.pooled == two.pooled
    assert one.distinct_categories == two.distinct_categories
    for name, component in one.components.items():
        other = two.components[name]
        for attribute in ("variance", "low", "high"):
            wanted = getattr(component, attribute) * scale**2
            # a large shift costs digits of a small spread
            assert getattr(other, attribute) == pytest.approx(
                wanted, rel=1e-6, abs=1e-7 * one.components["total"].variance * scale**2
            )


def test_a_negative_estimate_counts_as_zero() -> None:
    # operators whose means agree better than their repeats: nothing left for the operator
    y = np.array([[[0.0, 1.0], [1.0, 0.0]], [[5.0, 6.0], [6.0, 5.0]], [[9.0, 8.0], [8.0, 9.0]]])
    study = crossed_study(y)
    operator = study.components["operator"]
    assert (operator.variance, operator.low, operator.percent_of_study) == (0.0, 0.0, 0.0)
    # by hand: repeats about their cells 6 x 0.5, no interaction at all: 3 over 6 + 2
    gauge = study.components["gauge"]
    assert gauge.variance == pytest.approx(3.0 / 8.0)
    assert study.components["total"].variance == pytest.approx(
        gauge.variance + study.components["part"].variance
    )


def test_repeats_that_agree_exactly() -> None:
    cells = np.array([[1.0, 1.1], [2.0, 2.3], [3.0, 2.9]])
    study = crossed_study(np.repeat(cells[:, :, None], 2, axis=2))
    assert (study.table[2].f, study.table[2].p) == (math.inf, 0.0)
    assert not study.pooled
    zero = study.components["repeatability"]
    assert (zero.variance, zero.low, zero.high) == (0.0, 0.0, 0.0)
    assert study.components["interaction"].variance > 0.0


def test_a_gauge_without_spread() -> None:
    y = np.repeat(np.repeat(np.array([0.1, 0.7, 1.9])[:, None, None], 3, axis=1), 2, axis=2)
    study = crossed_study(y)
    assert study.pooled
    assert study.components["gauge"].variance == 0.0
    assert study.distinct_categories is None
    assert study.components["part"].percent_of_study == pytest.approx(100.0)
    assert (study.table[2].f, study.table[2].p) == (None, None)


def test_level_decides_on_pooling() -> None:
    p = crossed_study(GOOD).table[2].p
    assert p is not None
    assert 0.0 < p < 1.0
    assert not crossed_study(GOOD, pool_above=p * 1.001).pooled
    assert crossed_study(GOOD, pool_above=p * 0.999).pooled


def test_a_component_reaches_zero_just_where_its_test_says_nothing() -> None:
    """The interval's lower end and the F test are two roads to the same line."""
    seen = set()
    for seed in range(60):
        y = _drawn(np.random.default_rng(seed), (6, 3, 2), 0.4, 0.4, 0.5, 0.3)
        # every other study keeps its interaction, whatever its test says
        study = crossed_study(y, pool_above=0.05 if seed % 2 else 0.999)
        rows = {r.name: r for r in study.reduced or study.table}
        for name, component in study.components.items():
            if name in ("part", "operator", "interaction"):
                p = rows[name].p
                assert p is not None
                assert (component.low > 0.0) == (p < 0.025)
                seen.add((name, p < 0.025))
    assert len(seen) == 6  # both sides of the line, for all three


def test_an_interval_shrinks_to_zero_just_where_the_test_is_as_sure_of_nothing() -> None:
    """The upper end is zero where the mean squares lie closer than 97.5 % of chance."""
    seen = []
    for seed in range(400):
        y = _drawn(np.random.default_rng(seed), (6, 3, 2), 0.0, 0.0, 0.0, 0.3)
        study = crossed_study(y, pool_above=0.999)
        for row in study.table[:3]:
            assert row.p is not None
            component = study.components.get(row.name)
            if component is not None:
                assert (component.high > 0.0) == (row.p < 0.975)
                seen.append(row.p < 0.975)
    # 2.5 % of 1200 wanted; three standard deviations of the count are 16
    assert 14 <= seen.count(False) <= 46


@pytest.mark.parametrize("name", ["part", "operator", "gauge", "total"])
def test_intervals_hold_their_level(name: str) -> None:
    """Three operators that differ much, where Satterthwaite's interval covers but 85 %."""
    sd = {"part": 1.0, "operator": 2.0, "interaction": 1.0, "repeatability": 0.3}
    truth = {n: s**2 for n, s in sd.items()}
    truth["gauge"] = truth["operator"] + truth["interaction"] + truth["repeatability"]
    truth["total"] = truth["gauge"] + truth["part"]
    rng = np.random.default_rng(17)
    under = over = 0
    for _ in range(1000):
        y = _drawn(rng, (10, 3, 3), 1.0, 2.0, 1.0, 0.3)
        one = crossed_study(y).components[name]  # type: ignore[index]
        under += one.high < truth[name]
        over += one.low > truth[name]
    # 25 of 1000 wanted on either side; three standard deviations of the count are 15
    assert 10 <= under <= 40
    assert 10 <= over <= 40


def test_within_groups_by_hand() -> None:
    # squares 2 and 8 about their means, 1 + 2 degrees of freedom; a group of one adds nothing
    spread = within_groups([[1.0, 3.0], [2.0, 4.0, 6.0], [99.0]])
    assert spread.sd == pytest.approx(math.sqrt(10.0 / 3.0))
    assert spread.freedom == 3
    assert spread.low < spread.sd < spread.high


@pytest.mark.parametrize(
    ("call", "error"),
    [
        (lambda: within_groups([[1.0], [2.0]]), TooFewReadingsError),
        (lambda: within_groups([]), TooFewReadingsError),
        (lambda: within_groups([[1.0, 2.0], []]), CallError),
        (lambda: within_groups([[1.0, math.nan]]), CallError),
        (lambda: within_groups([[[1.0, 2.0]]]), CallError),
        (lambda: pooled_spread([1.0, 2.0], [3.0]), CallError),
        (lambda: pooled_spread([-1.0], [3.0]), CallError),
        (lambda: pooled_spread([1.0], [-3.0]), CallError),
        (lambda: pooled_spread([1.0], [0.0]), TooFewReadingsError),
        (lambda: pooled_spread([1.0], [3.0], 95.0), CallError),
        (lambda: shrunk_spread(-0.1, 4, 0.03), CallError),
        (lambda: shrunk_spread(0.1, -1, 0.03), CallError),
        (lambda: shrunk_spread(math.nan, 4, 0.03), CallError),
        (lambda: shrunk_spread(0.1, 4, 0.0), CallError),
        (lambda: shrunk_spread(0.1, 4, 0.03, 0.0), CallError),
        (lambda: shrunk_spread(0.1, 4, 0.03, confidence=1.0), CallError),
    ],
)
def test_spreads_that_cannot_be(call: Callable[[], Spread], error: type[ShimoptError]) -> None:
    with pytest.raises(error):
        call()


def test_no_spread_at_all_is_a_spread_of_zero() -> None:
    spread = within_groups([[2.0, 2.0, 2.0]])
    assert (spread.sd, spread.low, spread.high) == (0.0, 0.0, 0.0)


def test_shrinking_lies_between_and_gives_way_to_data() -> None:
    # nothing read: the prior itself
    assert shrunk_spread(0.0, 0, 0.03).sd == pytest.approx(0.03)
    few, many = shrunk_spread(0.09, 2, 0.03), shrunk_spread(0.09, 2000, 0.03)
    assert 0.03 < few.sd < many.sd < 0.09
    # 6 of the prior against 2000: (6 x 1 + 2000 x 9) / 2006 in units of 0.03^2
    assert many.sd == pytest.approx(0.03 * math.sqrt(18006 / 2006))
    # lucky repeats that agree exactly do not make a perfect gauge
    assert shrunk_spread(0.0, 2, 0.03).sd == pytest.approx(0.03 * math.sqrt(6 / 8))
    assert few.high - few.low > many.high - many.low


@pytest.mark.parametrize("chance", [0.5, 0.9])
@pytest.mark.parametrize(("n_pass", "n_remount"), [(1, 1), (4, 1), (2, 3)])
def test_smallest_difference_by_playing_it(n_pass: int, n_remount: int, chance: float) -> None:
    """Two runs are read many times over: how often does the change stand out?"""
    repeat, remount, n_play = 0.02, 0.01, 40_000
    rng = np.random.default_rng(29)

    def run(toe_deg: float) -> Array:
        mounts = remount * rng.normal(size=(n_play, n_remount, 1))
        passes = repeat * rng.normal(size=(n_play, n_remount, n_pass))
        return np.asarray(toe_deg + (mounts + passes).mean(axis=(1, 2)))

    line = smallest_difference_deg(repeat, remount, n_pass, n_remount)
    change = smallest_difference_deg(repeat, remount, n_pass, n_remount, chance_to_see=chance)
    # counts of 40 000: three standard deviations are 0.0033 and 0.0075
    assert np.mean(np.abs(run(0.0) - run(0.0)) > line) == pytest.approx(0.05, abs=0.0033)
    seen = np.mean(run(change) - run(0.0) > line)
    assert seen == pytest.approx(chance, abs=0.0075)


def test_more_work_tells_finer_things_apart() -> None:
    base = smallest_difference_deg(0.02, 0.01)
    assert smallest_difference_deg(0.02, 0.01, 4) < base
    assert smallest_difference_deg(0.02, 0.01, 1, 4) == pytest.approx(base / 2.0)
    # passes without end leave the remount
    endless = smallest_difference_deg(0.02, 0.01, 10**9)
    assert endless == pytest.approx(smallest_difference_deg(0.0, 0.01), rel=1e-6)
    assert smallest_difference_deg(0.02, 0.01, freedom=5) > base
    assert smallest_difference_deg(0.02, 0.01, freedom=1e6) == pytest.approx(base, rel=1e-5)
    assert smallest_difference_deg(0.0, 0.0) == 0.0


@pytest.mark.parametrize(
    "call",
    [
        lambda: smallest_difference_deg(-0.1, 0.1),
        lambda: smallest_difference_deg(0.1, -0.1),
        lambda: smallest_difference_deg(0.1, math.inf),
        lambda: smallest_difference_deg(0.1, 0.1, 0),
        lambda: smallest_difference_deg(0.1, 0.1, 1, 0),
        lambda: smallest_difference_deg(0.1, 0.1, freedom=0.0),
        lambda: smallest_difference_deg(0.1, 0.1, confidence=0.0),
    ],
)
def test_differences_that_cannot_be(call: Callable[[], float]) -> None:
    with pytest.raises(CallError):
        call()


def test_start_up_stays_light() -> None:
    code = (
        "import sys, optimizer.cli\n"
        "assert 'optimizer.measure.repeatability' not in sys.modules\n"
        "from optimizer.measure import repeatability as r\n"
        "r.smallest_difference_deg(0.02, 0.01)\n"
        "assert 'scipy' not in sys.modules\n"
        "spread = r.within_groups([[1.0, 2.0]])\n"
        "assert 'scipy' not in sys.modules and spread.low < spread.high\n"
        "assert 'scipy.special' in sys.modules and 'scipy.stats' not in sys.modules\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.outside
@pytest.mark.parametrize("part", [0.05, 0.5, 1.0, 3.0])
@pytest.mark.parametrize("pool_above", [0.01, 0.99])
def test_shares_add_up_and_categories_are_counted(part: float, pool_above: float) -> None:
    """Mean squares by numpy, components by the random-effects model; root 2 of their ratio."""
    y = _drawn(np.random.default_rng(31), (5, 3, 4), part, 0.4, 0.3, 0.2)
    study = crossed_study(y, pool_above=pool_above)
    found = study.components
    mean = y.mean()
    by_part, by_operator, cell = y.mean(axis=(1, 2)), y.mean(axis=(0, 2)), y.mean(axis=2)
    ss_part = 12.0 * np.sum((by_part - mean) ** 2)
    ss_operator = 20.0 * np.sum((by_operator - mean) ** 2)
    ss_both = 4.0 * np.sum((cell - by_part[:, None] - by_operator + mean) ** 2)
    ss_repeat = np.sum((y - cell[:, :, None]) ** 2)
    both, repeat = ss_both / 8.0, ss_repeat / 45.0
    if study.pooled:
        both = repeat = (ss_both + ss_repeat) / 53.0
    wanted = {
        "repeatability": repeat,
        "operator": max(0.0, (ss_operator / 2.0 - both) / 20.0),
        "part": max(0.0, (ss_part / 4.0 - both) / 12.0),
    }
    if not study.pooled:
        wanted["interaction"] = max(0.0, (both - repeat) / 4.0)
    wanted["reproducibility"] = wanted["operator"] + wanted.get("interaction", 0.0)
    wanted["gauge"] = wanted["repeatability"] + wanted["reproducibility"]
    wanted["total"] = wanted["gauge"] + wanted["part"]
    assert {n: c.variance for n, c in found.items()} == pytest.approx(wanted)
    for name, component in found.items():
        share = wanted[name] / wanted["total"]
        assert component.percent_of_variance == pytest.approx(100.0 * share)
        assert component.percent_of_study == pytest.approx(100.0 * math.sqrt(share))
        assert component.low <= component.variance <= component.high
    ratio = math.sqrt(2.0 * wanted["part"] / wanted["gauge"])
    assert study.distinct_categories == max(1, math.floor(ratio))

"""Variance components of a balanced study: parts by operators by repeats.

A study crosses ``part`` (what truly differs: travels or settings) with ``operator``
(what is done afresh: remounts of the rig) and takes equal repeats in every cell.
Analysis of variance of the two-way random-effects model: Montgomery, Introduction to
Statistical Quality Control, the chapter on measurement systems (from memory). Figures
are in the unit of the readings; variances in its square. scipy is loaded only inside
what needs quantiles.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.errors import CallError, TooFewReadingsError
from optimizer.measure.repeatability import CONFIDENCE, check_share
from optimizer.record import record

Array = NDArray[np.float64]

SourceName = Literal["part", "operator", "interaction", "repeatability", "total"]
ComponentName = Literal[
    "gauge", "repeatability", "reproducibility", "operator", "interaction", "part", "total"
]

POOL_ABOVE = 0.05
# sums of squares below this share of the total are rounding
ROUNDING = 1e-12


@record
class AnovaRow:
    """One line of an analysis-of-variance table; ``f`` and ``p`` None where not tested.

    ``f`` is infinite, and ``p`` 0, where something is tested against no spread at all.
    """

    name: SourceName
    sum_of_squares: float
    freedom: int
    f: float | None = None
    p: float | None = None

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
        return self.sum_of_squares / self.freedom


@record
class Component:
    """A variance component with its confidence interval, never below zero.

    Attributes
    ----------
    variance, low, high : squared unit of the readings
    percent_of_variance : 100 times its share of the total variance
    percent_of_study : 100 times its standard deviation over the total one
    """

    variance: float
    low: float
    high: float
    percent_of_variance: float
    percent_of_study: float

    @property
    def sd(self) -> float:
        """Standard deviation, unit of the readings."""
        return math.sqrt(self.variance)


@record
class Study:
    """Variance components of a balanced crossed study.

    Attributes
    ----------
    table : the full model's rows, total last
    pooled : whether the interaction was pooled with repeatability
    reduced : the pooled model's rows, total last; None where it was not pooled
    components : by name; ``interaction`` is there only where it was not pooled
    distinct_categories : how many groups of parts the gauge tells apart, at least 1;
        None where the gauge shows no spread at all
    confidence : of the components' intervals, each by itself
    """

    table: tuple[AnovaRow, ...]
    pooled: bool
    reduced: tuple[AnovaRow, ...] | None
    components: Mapping[ComponentName, Component]
    distinct_categories: int | None
    confidence: float


def crossed_study(
    readings: ArrayLike, pool_above: float = POOL_ABOVE, confidence: float = CONFIDENCE
) -> Study:
    """Variance components of parts by operators by repeats.

    Parameters
    ----------
    readings : shape (n_part, n_operator, n_repeat), any one unit
    pool_above : the interaction is pooled with repeatability where its p is above this
    confidence : of the intervals

    Part and operator are tested against the interaction, in the pooled model against
    the pooled error; a component whose estimate is negative counts as zero. Repeatability
    has its exact chi-square interval. The others are modified-large-sample intervals
    (Graybill and Wang 1980, J. Am. Stat. Assoc. 75, 869; Ting et al. 1990, J. Stat.
    Comput. Simul. 35, 135; both from memory), which hold their level with two or three
    operators where Satterthwaite's do not. Pooling an interaction that is there but did
    not show makes repeatability look larger than it is. Distinct categories: sqrt(2)
    times part over gauge standard deviation, rounded down (trade practice; Cano,
    Moguerza and Redchuk 2012, ch. 5).

    Raises
    ------
    CallError
        Not three-dimensional, not finite, or a level or confidence not between 0 and 1.
    TooFewReadingsError
        Fewer than two parts, operators or repeats, or readings that are all alike.
    """
    check_share("the level for pooling", pool_above)
    check_share("the confidence", confidence)
    y = _balanced(readings)
    table = _full_table(y)
    test = table[2].p
    pooled = test is None or test > pool_above
    reduced = _reduced_table(table) if pooled else None
    rows = table if reduced is None else reduced
    components = _components(rows[:-1], y.shape, confidence)
    gauge = components["gauge"].sd
    ratio = math.sqrt(2.0) * components["part"].sd / gauge if gauge > 0.0 else None
    return Study(
        table=table,
        pooled=pooled,
        reduced=reduced,
        components=components,
        distinct_categories=None if ratio is None else max(1, math.floor(ratio)),
        confidence=confidence,
    )


def mean_square_interval(
    terms: Array, free: Array, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Modified-large-sample interval of a sum of mean-square terms, clipped at zero.

    Parameters
    ----------
    terms : shape (n,), each mean square times its coefficient, which may be negative
    free : shape (n,), degrees of freedom of each

    Sources as :func:`crossed_study`.
    """
    from scipy.special import chdtri, fdtri

    terms, free = terms[terms != 0.0], free[terms != 0.0]
    tail = (1.0 - confidence) / 2.0
    down = 1.0 - free / chdtri(free, tail)
    up = free / chdtri(free, 1.0 - tail) - 1.0
    plus = terms > 0.0
    below = float(np.sum((np.where(plus, down, up) * terms) ** 2))
    above = float(np.sum((np.where(plus, up, down) * terms) ** 2))
    for i in np.flatnonzero(plus):
        for j in np.flatnonzero(~plus):
            both = terms[i] * -terms[j]
            f = fdtri(free[i], free[j], 1.0 - tail)
            below += both * ((f - 1.0) ** 2 - (down[i] * f) ** 2 - up[j] ** 2) / f
            f = fdtri(free[i], free[j], tail)
            above += both * ((1.0 - f) ** 2 - (up[i] * f) ** 2 - down[j] ** 2) / f
    estimate = float(terms.sum())
    low = estimate - math.sqrt(max(0.0, below))
    return max(0.0, low), max(0.0, estimate + math.sqrt(max(0.0, above)))


def _balanced(readings: ArrayLike) -> Array:
    try:
        y = np.asarray(readings, float)
    except ValueError as error:  # ragged
        raise CallError(
            "the cells do not hold equal numbers of readings", "drop what is over"
        ) from error
    if y.ndim != 3 or not np.all(np.isfinite(y)):
        raise CallError(
            f"a study needs a full table of parts x operators x repeats, not {y.shape}",
            "give every cell the same number of readings, none missing",
        )
    if min(y.shape) < 2:
        raise TooFewReadingsError(
            f"{y.shape[0]} parts, {y.shape[1]} operators, {y.shape[2]} repeats: too few",
            "take at least two of each",
        )
    if np.all(y == y.flat[0]):
        raise TooFewReadingsError("all readings are alike", "read finer, or over more travels")
    return y


def _full_table(y: Array) -> tuple[AnovaRow, ...]:
    n_part, n_operator, n_repeat = y.shape
    cell, part, operator = y.mean(axis=2), y.mean(axis=(1, 2)), y.mean(axis=(0, 2))
    mean = float(y.mean())
    both = cell - part[:, None] - operator[None, :] + mean
    total = float(np.sum((y - mean) ** 2))

    def clean(squares: float) -> float:
        return squares if squares > ROUNDING * total else 0.0

    squares = [
        clean(n_operator * n_repeat * float(np.sum((part - mean) ** 2))),
        clean(n_part * n_repeat * float(np.sum((operator - mean) ** 2))),
        clean(n_repeat * float(np.sum(both**2))),
        clean(float(np.sum((y - cell[:, :, None]) ** 2))),
    ]
    free = [
        n_part - 1,
        n_operator - 1,
        (n_part - 1) * (n_operator - 1),
        n_part * n_operator * (n_repeat - 1),
    ]
    return (
        _row("part", squares[0], free[0], squares[2], free[2]),
        _row("operator", squares[1], free[1], squares[2], free[2]),
        _row("interaction", squares[2], free[2], squares[3], free[3]),
        AnovaRow(name="repeatability", sum_of_squares=squares[3], freedom=free[3]),
        AnovaRow(name="total", sum_of_squares=total, freedom=y.size - 1),
    )


def _reduced_table(table: tuple[AnovaRow, ...]) -> tuple[AnovaRow, ...]:
    part, operator, both, repeat, total = table
    squares = both.sum_of_squares + repeat.sum_of_squares
    free = both.freedom + repeat.freedom
    return (
        _row("part", part.sum_of_squares, part.freedom, squares, free),
        _row("operator", operator.sum_of_squares, operator.freedom, squares, free),
        AnovaRow(name="repeatability", sum_of_squares=squares, freedom=free),
        total,
    )


def _row(
    name: SourceName, squares: float, free: int, error_squares: float, error_free: int
) -> AnovaRow:
    from scipy.special import fdtrc

    row = AnovaRow(name=name, sum_of_squares=squares, freedom=free)
    error = error_squares / error_free
    if error > 0.0:
        f: float | None = row.mean_square / error
        p: float | None = float(fdtrc(free, error_free, f))
    else:
        f, p = (math.inf, 0.0) if squares > 0.0 else (None, None)
    return AnovaRow(name=name, sum_of_squares=squares, freedom=free, f=f, p=p)


def _components(
    rows: tuple[AnovaRow, ...], shape: tuple[int, ...], confidence: float
) -> dict[ComponentName, Component]:
    """Each component is a fixed combination of mean squares; one below zero counts as zero."""
    n_part, n_operator, n_repeat = shape
    square = np.array([r.mean_square for r in rows])
    free = np.array([r.freedom for r in rows], float)
    error = np.eye(len(rows))  # one row for each mean square
    # what a part or an operator is tested against comes right after them
    parts: dict[ComponentName, Array] = {
        "repeatability": error[-1],
        "operator": (error[1] - error[2]) / (n_part * n_repeat),
        "part": (error[0] - error[2]) / (n_operator * n_repeat),
    }
    made_of: dict[ComponentName, list[ComponentName]] = {"reproducibility": ["operator"]}
    if len(rows) == 4:
        parts["interaction"] = (error[2] - error[3]) / n_repeat
        made_of["reproducibility"].append("interaction")
    made_of["gauge"] = ["repeatability", *made_of["reproducibility"]]
    made_of["total"] = [*made_of["gauge"], "part"]
    kept = {n: max(0.0, float(c @ square)) for n, c in parts.items()}
    whole = sum(kept[n] for n in made_of["total"])

    def component(names: list[ComponentName]) -> Component:
        variance = sum(kept[n] for n in names)
        terms = np.sum([parts[n] for n in names], axis=0) * square
        low, high = mean_square_interval(terms, free, confidence)
        return Component(
            variance=variance,
            low=min(low, variance),
            high=max(high, variance),
            percent_of_variance=100.0 * variance / whole,
            percent_of_study=100.0 * math.sqrt(variance / whole),
        )

    out = {n: component([n]) for n in parts}
    return out | {n: component(names) for n, names in made_of.items()}

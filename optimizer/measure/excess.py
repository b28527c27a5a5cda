"""How much figures differ beyond the error each one carries: one source of spread by itself.

The one-way random-effects layout with a known error for each figure, which need not be
alike (readings may be missing). With equal errors it is the balanced study's component
(:func:`optimizer.measure.crossed.crossed_study`), estimate and interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.errors import CallError, TooFewReadingsError
from optimizer.measure.curve import PRIOR_REPEATS
from optimizer.measure.repeatability import CONFIDENCE, Spread, shrunk_spread
from optimizer.record import record

Array = NDArray[np.float64]
Figures = tuple[ArrayLike, ArrayLike]

MOST_STEPS = 100


@record
class Excess:
    """A spread beyond error, with its interval; unit of the figures.

    Attributes
    ----------
    total : spread of the figures, their error in it
    error : standard deviation of the error in it
    error_freedom : degrees of freedom that the error is known with
    """

    total: Spread
    error: float = 0.0
    error_freedom: float = PRIOR_REPEATS

    @property
    def sd(self) -> float:
        """Standard deviation beyond error; zero where the error explains it all."""
        return math.sqrt(max(0.0, self.total.sd**2 - self.error**2))

    @property
    def freedom(self) -> float:
        """Degrees of freedom of the figures."""
        return self.total.freedom

    @property
    def interval(self) -> tuple[float, float]:
        """Both ends: exact without error, else the modified-large-sample interval."""
        from optimizer.measure.crossed import mean_square_interval

        low, high = mean_square_interval(
            np.array([self.total.sd**2, -(self.error**2)]),
            np.array([self.total.freedom, self.error_freedom]),
            self.total.confidence,
        )
        return math.sqrt(low), math.sqrt(high)

    def scaled(self, factor: float) -> Excess:
        """The same in another unit."""
        total = replace(self.total, sd=self.total.sd * factor)
        return replace(self, total=total, error=self.error * factor)

    def shrunk(self, stated: float, prior_freedom: float = PRIOR_REPEATS) -> Excess:
        """Pulled toward a stated spread, which counts as so many figures.

        The total is pulled (:func:`shrunk_spread`) toward the stated spread with the same
        error in it, so figures that agree well count for something even where error is
        all they show. A stated spread of zero without error is no prior: nothing moves.
        """
        prior = math.hypot(stated, self.error)
        if prior <= 0.0:
            return self
        total = shrunk_spread(
            self.total.sd, self.total.freedom, prior, prior_freedom, self.total.confidence
        )
        return replace(self, total=total)


def stated_alone(stated: float) -> Excess:
    """A spread that nothing was measured of: the stated one, with a prior's freedom."""
    return Excess(total=Spread(sd=stated, freedom=PRIOR_REPEATS))


def excess_spread(
    groups: Sequence[Figures],
    error_freedom: float,
    *,
    about_zero: bool = False,
    confidence: float = CONFIDENCE,
) -> Excess:
    """Spread of figures within groups beyond the error that each is known to carry.

    Parameters
    ----------
    groups : (figures, their error variances) of each group, both of shape (n,)
    error_freedom : degrees of freedom that the error variances are known with
    about_zero : whether figures scatter about zero; else each group about a mean of its own
    confidence : of the interval

    Figures are weighted by one over their whole variance, and the excess is the one that
    makes the weighted sum of squares equal its degrees of freedom (Paule and Mandel 1982,
    J. Res. Natl. Bur. Stand. 87, 377, from memory). At that weight the sum of squares is
    a chi-square, from which total and error are told apart for the interval.

    Raises
    ------
    CallError
        Shapes that differ, or an error variance that is not above zero.
    TooFewReadingsError
        No degree of freedom.
    """
    pairs = [_checked(figures, variance) for figures, variance in groups]
    freedom = sum(len(y) - (0 if about_zero else 1) for y, _ in pairs)
    if freedom < 1:
        raise TooFewReadingsError("nothing was measured twice", "measure one setting again")
    excess = 0.0
    for _ in range(MOST_STEPS):  # the sum falls and is convex: Newton's steps never pass the root
        squares, slope, _, _ = _sums(pairs, excess, about_zero)
        step = (squares - freedom) / slope if slope > 0.0 else 0.0
        if step <= 1e-12 * excess or step <= 0.0:
            break
        excess += step
    squares, _, weight, error = _sums(pairs, excess, about_zero)
    return Excess(
        total=Spread(sd=math.sqrt(squares / weight), freedom=freedom, confidence=confidence),
        error=math.sqrt(error / weight),
        error_freedom=error_freedom,
    )


def _checked(figures: ArrayLike, variance: ArrayLike) -> tuple[Array, Array]:
    y, v = np.asarray(figures, float), np.asarray(variance, float)
    if y.ndim != 1 or y.shape != v.shape or not np.all(np.isfinite(y)):
        raise CallError(
            f"{y.shape} figures do not match {v.shape} variances", "give one for each figure"
        )
    if not np.all((v > 0.0) & np.isfinite(v)):
        raise CallError("an error variance is not above zero", "state the gauge's reading noise")
    return y, v


def _sums(
    pairs: Sequence[tuple[Array, Array]], excess: float, about_zero: bool
) -> tuple[float, float, float, float]:
    """Weighted sum of squares, its slope down, and what excess and error count for in it."""
    squares = slope = weight = error = 0.0
    for y, v in pairs:
        w = 1.0 / (excess + v)
        all_of_it = 0.0 if about_zero else 1.0 / float(w.sum())
        off = y if about_zero else y - float(w @ y) * all_of_it
        squares += float(w @ off**2)
        slope += float(w**2 @ off**2)
        weight += float(w.sum()) - float(w @ w) * all_of_it
        error += float(w @ v) - float(w**2 @ v) * all_of_it
    return squares, slope, weight, error

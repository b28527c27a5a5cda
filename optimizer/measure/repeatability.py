"""How well readings repeat, and what the gauge can tell apart.

Figures are in the unit of the readings. scipy is loaded only where a quantile is asked for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from optimizer.errors import CallError, TooFewReadingsError
from optimizer.measure.curve import PRIOR_REPEATS
from optimizer.record import record

CONFIDENCE = 0.95


@record
class Spread:
    """A standard deviation, unit of the readings; its interval loads scipy when asked for."""

    sd: float
    freedom: float
    confidence: float = CONFIDENCE

    @property
    def low(self) -> float:
        """Lower end of the exact chi-square interval."""
        return self._over_quantile((1.0 - self.confidence) / 2.0)

    @property
    def high(self) -> float:
        """Upper end of the exact chi-square interval."""
        return self._over_quantile((1.0 + self.confidence) / 2.0)

    def _over_quantile(self, above: float) -> float:
        from scipy.special import chdtri

        return self.sd * math.sqrt(self.freedom / float(chdtri(self.freedom, above)))


def within_groups(groups: Sequence[ArrayLike], confidence: float = CONFIDENCE) -> Spread:
    """Standard deviation within groups, each about its own mean (one-way layout).

    ``groups``: one sequence of readings each, lengths may differ; a group of one adds
    nothing.

    Raises
    ------
    CallError
        A group that is empty, not one-dimensional or not finite.
    TooFewReadingsError
        No group has two readings.
    """
    squares, freedom = [], []
    for group in groups:
        y = np.asarray(group, float)
        if y.ndim != 1 or not len(y) or not np.all(np.isfinite(y)):
            raise CallError("a group needs a plain list of readings", "leave out what is missing")
        squares.append(float(np.sum((y - y.mean()) ** 2)))
        freedom.append(len(y) - 1)
    return pooled_spread(squares, freedom, confidence)


def pooled_spread(
    sums_of_squares: ArrayLike, freedom: ArrayLike, confidence: float = CONFIDENCE
) -> Spread:
    """One standard deviation from several groups' sums of squares, both shape (n_group,).

    The root of all squares over all degrees of freedom (NIST/SEMATECH e-Handbook of
    Statistical Methods, 2.4.4), with the exact chi-square interval for groups of equal
    spread.

    Raises
    ------
    CallError
        Shapes that differ, or a value that is negative or not finite.
    TooFewReadingsError
        No degree of freedom.
    """
    check_share("the confidence", confidence)
    squares, free = np.asarray(sums_of_squares, float), np.asarray(freedom, float)
    if squares.ndim != 1 or squares.shape != free.shape:
        raise CallError(
            f"{squares.shape} sums of squares do not match {free.shape} degrees of freedom",
            "give one of each for every group",
        )
    for values in (squares, free):
        if not np.all(np.isfinite(values) & (values >= 0.0)):
            raise CallError("a sum of squares or its freedom is below zero", "leave the group out")
    total = float(free.sum())
    if not total > 0.0:
        raise TooFewReadingsError("nothing was read twice", "repeat a reading, better three times")
    sd = math.sqrt(float(squares.sum()) / total)
    return Spread(sd=sd, freedom=total, confidence=confidence)


def shrunk_spread(
    sd: float,
    freedom: float,
    prior_sd: float,
    prior_freedom: float = PRIOR_REPEATS,
    confidence: float = CONFIDENCE,
) -> Spread:
    """Pull the spread of few repeats toward a stated one.

    The prior counts as ``prior_freedom`` repeats of standard deviation ``prior_sd``.
    With a scaled inverse-chi-square prior a normal variance has a posterior of the same
    kind: degrees of freedom add, and so do sums of squares (Gelman et al., Bayesian Data
    Analysis, ch. 2, from memory). ``sd`` of the answer is the root of the posterior's
    scale; the interval is the posterior's with equal tails.

    Raises
    ------
    CallError
        ``sd`` or ``freedom`` below zero, or a prior that is not positive.
    """
    check_share("the confidence", confidence)
    if not (0.0 <= sd < math.inf and 0.0 <= freedom < math.inf):
        raise CallError("the measured spread cannot be negative", "give its sd and freedom")
    if not (0.0 < prior_sd < math.inf and 0.0 < prior_freedom < math.inf):
        raise CallError("the prior spread must be positive", "state a spread and how many repeats")
    total = prior_freedom + freedom
    scale = (prior_freedom * prior_sd**2 + freedom * sd**2) / total
    return Spread(sd=math.sqrt(scale), freedom=total, confidence=confidence)


def smallest_difference_deg(
    repeat_sd_deg: float,
    remount_sd_deg: float,
    n_pass: int = 1,
    n_remount: int = 1,
    *,
    confidence: float = CONFIDENCE,
    chance_to_see: float = 0.5,
    freedom: float | None = None,
) -> float:
    """Smallest change of toe, in degrees, that two runs can be told apart by.

    Parameters
    ----------
    repeat_sd_deg : of one pass's value, its zero at ride height included
    remount_sd_deg : of remounting the rig, the same for all passes of a mount
    n_pass : passes of each mount
    n_remount : mounts of each run
    chance_to_see : how often a true change of the answer's size is to show
    freedom : degrees of freedom of the spread; None where it counts as known

    (q + q') sqrt(2 (remount^2 + repeat^2 / n_pass) / n_remount), q the two-sided normal
    quantile, q' that of ``chance_to_see``. At 95 % and one half it is the critical
    difference of two means, 1.96 sqrt(2) (...) (ISO 5725-6:1994, from memory). With
    ``freedom`` q and q' are Student's (common practice, no source).

    Raises
    ------
    CallError
        A negative spread, fewer than one pass or mount, or a share out of range.
    """
    if not (0.0 <= repeat_sd_deg < math.inf and 0.0 <= remount_sd_deg < math.inf):
        raise CallError("a spread cannot be negative", "give standard deviations in degrees")
    if n_pass < 1 or n_remount < 1:
        raise CallError("a run has at least one pass and one mount", "count them from 1")
    if freedom is not None and not freedom > 0.0:
        raise CallError("the spread has no degree of freedom", "repeat a reading, or leave it out")
    check_share("the confidence", confidence)
    check_share("the chance to see it", chance_to_see)
    two_sided = 0.5 + confidence / 2.0
    if freedom is None:
        factor = _normal_quantile(two_sided) + _normal_quantile(chance_to_see)
    else:
        from scipy.special import stdtrit

        factor = float(stdtrit(freedom, two_sided) + stdtrit(freedom, chance_to_see))
    variance = (remount_sd_deg**2 + repeat_sd_deg**2 / n_pass) / n_remount
    return max(0.0, factor * math.sqrt(2.0 * variance))


def check_share(what: str, value: float) -> None:
    """Raise CallError unless a confidence or a chance lies between 0 and 1."""
    if not 0.0 < value < 1.0:
        raise CallError(f"{what} is {value:g}, not between 0 and 1", "give 0.95 for 95 %")


def _normal_quantile(share: float) -> float:
    """Quantile of the normal distribution: its module would take longer to load than this."""
    way, share = (1.0, share) if share >= 0.5 else (-1.0, 1.0 - share)
    at = 0.0
    while True:  # right of the middle the curve bends down: Newton's steps never pass the root
        missing = share - 0.5 * (1.0 + math.erf(at / math.sqrt(2.0)))
        step = missing * math.sqrt(2.0 * math.pi) * math.exp(0.5 * at * at)
        if step <= 1e-14 * (1.0 + at):
            return way * at
        at += step

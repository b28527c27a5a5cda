"""The figures a crew reads off a toe curve: slope, bow, twist, peak-to-peak, RMS."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import CallError, TooFewReadingsError
from optimizer.measure.curve import ToeCurve
from optimizer.record import record
from optimizer.records import TravelLog

Array = NDArray[np.float64]

SLOPE_BASE_MM = 25.0
LEAST_SPREAD_MM = 1e-3  # of the weights about ride height, as RMS
N_NODE = 41


@record
class Figure:
    """A value with its standard deviation."""

    value: float
    sd: float


@record
class Shape:
    """Shape of a toe curve over a window.

    Attributes
    ----------
    slope : degrees per 25 mm of bump
    bow, twist : degrees at half the window's width; None with too few travels
    peak_to_peak : degrees between the extremes inside the window, ride height counted
    rms : degrees, weighted over the part of the window that was measured
    """

    slope: Figure
    bow: Figure | None
    twist: Figure | None
    peak_to_peak: Figure
    rms: Figure


def window_weights(
    window_mm: tuple[float, float],
    spread_mm: float | None = None,
    logged: TravelLog | None = None,
) -> tuple[Array, Array]:
    """Travels and weights that average over a window; both shape (41,).

    Trapezoid weights, flat or a normal spread about ride height, or the shares of time of
    logged travel, each parted between the two nodes beside it; they sum to 1.

    Raises
    ------
    CallError
        If the window has no width, the spread is not positive, no logged time lies inside
        the window, or all that counts lies at ride height.
    """
    low, high = window_mm
    if not high > low or (spread_mm is not None and not spread_mm > 0.0):
        raise CallError("the window needs a width", "give window = [droop, bump]")
    node = np.linspace(low, high, N_NODE)
    if logged is not None:
        return node, _off_ride_height(node, _logged_weights(node, logged))
    weight = np.ones(N_NODE)
    weight[[0, -1]] = 0.5
    if spread_mm is not None:
        weight *= np.exp(-0.5 * (node / spread_mm) ** 2)
    return node, _off_ride_height(node, weight / max(weight.sum(), 1e-300))


def _off_ride_height(node: Array, weight: Array) -> Array:
    """The weights, unless they leave ride height alone, where there is no toe change."""
    if not weight @ node**2 > LEAST_SPREAD_MM**2:
        raise CallError(
            "the goal weighs toe change at ride height alone, where it is zero",
            "give a larger weight_sd, or see that travel.csv counts from ride height and moves",
        )
    return weight


def _logged_weights(node: Array, logged: TravelLog) -> Array:
    travel, share = np.array(logged.travel_mm), np.array(logged.share)
    inside = (travel >= node[0]) & (travel <= node[-1])
    if not np.sum(share[inside]) > 0.0:
        raise CallError(
            f"no logged travel lies inside the window, {node[0]:g} to {node[-1]:g} mm",
            "see that travel.csv counts from ride height, or widen the window",
        )
    at = (travel[inside] - node[0]) / (node[1] - node[0])
    below = np.minimum(at.astype(int), len(node) - 2)
    part = at - below
    weight = np.bincount(below, share[inside] * (1.0 - part), len(node))
    weight += np.bincount(below + 1, share[inside] * part, len(node))
    return np.asarray(weight / weight.sum())


def curve_shape(
    curve: ToeCurve,
    window_mm: tuple[float, float],
    spread_mm: float | None = None,
    logged: TravelLog | None = None,
) -> Shape:
    """Slope, bow, twist, peak-to-peak and weighted RMS of a curve, with errors.

    Slope, bow and twist come from generalised least squares of a cubic through
    ride height, with errors from the curve's covariance (Aitken's estimator, any
    statistics text). RMS and peak-to-peak follow the measured points, joined by
    straight lines; their errors are first-order (GUM, JCGM 100:2008, eq. 13).

    Raises
    ------
    CallError
        If the window has no width or the spread is not positive.
    TooFewReadingsError
        If the curve has no readings inside the window.
    """
    window_weights(window_mm, spread_mm, logged)
    terms = _polynomial(curve, window_mm)
    weights = _join_weights(curve, window_mm, spread_mm, logged)
    return Shape(
        slope=terms[0],
        bow=terms[1] if len(terms) > 1 else None,
        twist=terms[2] if len(terms) > 2 else None,
        peak_to_peak=_peak_to_peak(curve, window_mm),
        rms=_rms(curve, *weights),
    )


def _polynomial(curve: ToeCurve, window_mm: tuple[float, float]) -> list[Figure]:
    travel = curve.travel_mm
    degree = min(3, len(travel))
    half = (window_mm[1] - window_mm[0]) / 2.0
    base = np.array([SLOPE_BASE_MM, half, half])[:degree]
    rows = (travel[:, None] / base) ** np.arange(1, degree + 1)
    root = np.linalg.cholesky(curve.cov_deg2)
    white = np.linalg.solve(root, rows)
    fit, *_ = np.linalg.lstsq(white, np.linalg.solve(root, curve.toe_deg), rcond=None)
    cov = np.linalg.inv(white.T @ white)
    return [
        Figure(value=float(v), sd=float(np.sqrt(s))) for v, s in zip(fit, np.diag(cov), strict=True)
    ]


def _join_weights(
    curve: ToeCurve,
    window_mm: tuple[float, float],
    spread_mm: float | None,
    logged: TravelLog | None,
) -> tuple[Array, Array]:
    """Straight-line interpolation (n_node, n_travel) and weights, inside what was measured."""
    low = max(window_mm[0], min(0.0, float(curve.travel_mm[0])))
    high = min(window_mm[1], max(0.0, float(curve.travel_mm[-1])))
    if not high > low:
        raise TooFewReadingsError(
            f"run {curve.run!r} has no readings inside the window, "
            f"{window_mm[0]:g} to {window_mm[1]:g} mm of travel",
            "measure it there too, or widen the window under [corner.NAME.goal]",
        )
    node, weight = window_weights((low, high), spread_mm, logged)
    knots = np.sort(np.append(curve.travel_mm, 0.0))
    unit = np.array([np.interp(node, knots, row) for row in np.eye(len(knots))])
    return np.delete(unit, int(np.searchsorted(knots, 0.0)), axis=0).T, weight


def _rms(curve: ToeCurve, join: Array, weight: Array) -> Figure:
    toe = join @ curve.toe_deg
    value = float(np.sqrt(weight @ toe**2))
    if value == 0.0:
        return Figure(
            value=0.0, sd=float(np.sqrt(weight @ np.diag(join @ curve.cov_deg2 @ join.T)))
        )
    grad = (weight * toe) @ join / value
    return Figure(value=value, sd=float(np.sqrt(grad @ curve.cov_deg2 @ grad)))


def _peak_to_peak(curve: ToeCurve, window_mm: tuple[float, float]) -> Figure:
    inside = (curve.travel_mm >= window_mm[0] - 1e-6) & (curve.travel_mm <= window_mm[1] + 1e-6)
    index = np.flatnonzero(inside)
    toe = np.append(curve.toe_deg[inside], 0.0)
    high, low = int(np.argmax(toe)), int(np.argmin(toe))
    pick = np.zeros(len(curve.toe_deg))
    for spot, sign in ((high, 1.0), (low, -1.0)):
        if spot < len(index):
            pick[index[spot]] += sign
    return Figure(
        value=float(toe[high] - toe[low]), sd=float(np.sqrt(pick @ curve.cov_deg2 @ pick))
    )

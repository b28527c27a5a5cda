"""What a mark is worth, from static toe read at two marks or more.

The pivot's way between two readings is what the setting asked for plus what is left over
as static toe: shift = needed + arm * toe. Its slope over the marks (over the sine of the
angle for a cam) is the worth of a mark (the throw), by least squares for each draw of the
link, so that the arm's uncertainty is the fit's.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.eccentric import BAND_SD, FORMULA_SD, link_draws
from optimizer.model.arc import Link, eccentric_shift_mm
from optimizer.model.basis import N_COEFFICIENT
from optimizer.record import record
from optimizer.records import Corner, Eccentric, Run, StackEnd
from optimizer.units import DEG

Array = NDArray[np.float64]

# of one static toe on an alignment gauge; a mark is read within a quarter nine times in
# ten, a way or an angle without marks as well as a quarter of a millimetre or two degrees:
# common practice, no source
TOE_SD_DEG = 0.03
MARK_SD, HAND_SD_MM, HAND_SD_DEG = 0.15, 0.15, 1.2
LEAST_MARKS_APART = 0.5
GOOD_SHARE = 0.35  # of its value, the widest half band of a worth that is used
N_LINK = 400
N_PASS = 4


@record
class ToeAtMark:
    """Static toe (degrees, toe-in plus) of a run at its mark, and its setting in mm."""

    run: str
    height_mm: float
    length_change_mm: float
    mark: float
    toe_deg: float


@record
class MarkWorth:
    """Way of the pivot for one mark (slot) or throw (cam), fitted from static toe.

    Attributes
    ----------
    value_mm, sd_mm : with the tape's link
    rows : what it was fitted to
    eccentric, end, reference_mark : what the marks mean
    """

    value_mm: float
    sd_mm: float
    rows: tuple[ToeAtMark, ...]
    eccentric: Eccentric
    end: StackEnd
    reference_mark: float

    @property
    def good(self) -> bool:
        """Known well enough to be used."""
        return 0.0 < BAND_SD * self.sd_mm < GOOD_SHARE * self.value_mm

    @property
    def give_mm(self) -> float:
        """Half its 90 % band, mm."""
        return BAND_SD * self.sd_mm

    def draws_mm(self, link: Link) -> Array:
        """Its draws beside those of a link, (n_draw, 1): the two are tied by the arm."""
        return _worth_draws(self.rows, link, self.eccentric, self.end, self.reference_mark)


def prior_links(corner: Corner) -> Link:
    """Links of the tape before any run, fields (n_draw, 1)."""
    from optimizer.model.surface import ToeSurface, scaled_root  # limits do without

    surface = ToeSurface(
        ahead=corner.ahead, end=corner.stack.end, tape=corner.tape, points=corner.points
    )
    mean, cov = surface.prior_state()
    normal = np.random.default_rng(29).standard_normal((N_LINK, len(mean) - N_COEFFICIENT))
    root = scaled_root(cov[N_COEFFICIENT:, N_COEFFICIENT:])
    tape = mean[N_COEFFICIENT:] + normal @ root.T
    draws = np.concatenate([np.zeros((N_LINK, N_COEFFICIENT)), tape], axis=1)
    return link_draws(draws, ahead=corner.ahead)


def mark_worth(
    corner: Corner, reference_mark: float | None, rows: Sequence[tuple[Run, float, float]]
) -> MarkWorth | None:
    """Fit a mark's worth or a cam's throw where it is not stated.

    Parameters
    ----------
    reference_mark : mark of the reference run; a cam's angle is counted from it
    rows : runs of the corner with joint height and length change from the reference, mm

    Returns
    -------
    None where it is stated, or static toe was not logged at two marks.
    """
    stated = corner.eccentric
    slot = stated.kind == "slot" and stated.mm_per_mark is None
    cam = stated.kind in ("cam-in-slot", "free-cam") and stated.throw_mm is None
    told = tuple(
        ToeAtMark(
            run=run.name,
            height_mm=height,
            length_change_mm=change,
            mark=run.eccentric_mark,
            toe_deg=run.static_toe_deg,
        )
        for run, height, change in rows
        if run.eccentric_mark is not None and run.static_toe_deg is not None
    )
    if len(told) < 2 or not (slot or cam):
        return None
    if cam and (stated.deg_per_mark is None or reference_mark is None):
        return None
    marks = [t.mark for t in told]
    if max(marks) - min(marks) < LEAST_MARKS_APART:
        return None
    first = reference_mark or 0.0
    draws = _worth_draws(told, prior_links(corner), stated, corner.stack.end, first)
    return MarkWorth(
        value_mm=float(np.mean(draws)),
        sd_mm=float(np.std(draws)),
        rows=told,
        eccentric=stated,
        end=corner.stack.end,
        reference_mark=first,
    )


def _worth_draws(
    rows: Sequence[ToeAtMark], link: Link, stated: Eccentric, end: StackEnd, first: float
) -> Array:
    """The least-squares slope of each draw of the link, (n_draw, 1), mm."""
    height, change, mark, toe = (
        np.array([getattr(r, name) for r in rows])
        for name in ("height_mm", "length_change_mm", "mark", "toe_deg")
    )
    turned = (stated.angle_deg + (mark - first) * (stated.deg_per_mark or 0.0)) / DEG
    cam = stated.kind != "slot"
    way = np.sin(turned) if cam else mark
    lever = (way - way.mean()) / np.sum((way - way.mean()) ** 2)
    left = np.asarray(link.arm_mm, float) * np.tan(toe / DEG)
    slope = np.zeros((len(np.asarray(link.arm_mm)), 1))
    for _ in range(N_PASS if stated.kind == "free-cam" else 1):
        lift = np.zeros(1)
        if stated.kind == "free-cam":  # the lift changes what the setting asks for
            lift = stated.lifts * slope * (np.cos(turned) - np.cos(stated.angle_deg / DEG))
        needed = eccentric_shift_mm(link, height, change, end=end, lift_mm=lift)
        slope = np.sum((needed + left) * lever, axis=1, keepdims=True)
    rng = np.random.default_rng(31)
    normal = rng.standard_normal((len(slope), len(rows), 2))
    formula = rng.standard_normal((len(slope), 2)) * FORMULA_SD
    per_mark = np.cos(turned) * (stated.deg_per_mark or 0.0) / DEG if cam else np.ones(len(rows))
    noise = (
        np.asarray(link.arm_mm, float) * TOE_SD_DEG / DEG * normal[:, :, 0]
        + slope * per_mark * MARK_SD * normal[:, :, 1]
        + formula @ np.array([height, change])
    )
    return np.asarray(slope + noise @ lever[:, None])

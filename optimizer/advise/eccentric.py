"""Holding static toe: how far the inner pivot must move, and what if it is forgotten."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.model.arc import Link, eccentric_shift_mm, static_toe_error_deg
from optimizer.model.basis import N_COEFFICIENT
from optimizer.record import record
from optimizer.records import Eccentric, StackEnd

Array = NDArray[np.float64]

BAND = (0.05, 0.95)
BAND_SD = 1.6449  # half a 90 % band of a normal, in standard deviations
# how far the shift formula errs from the exact mechanism over the simulated population
# (slots out of line with the link, cams that lift the pivot), mm per mm of height and length
FORMULA_SD = (0.005, 0.006)
SAME_WIDTH = 1e-6  # bands whose widths differ by a smaller share are as short


@record
class Band:
    """A figure with the ends of its 90 % band."""

    value: float
    low: float
    high: float


@record
class StaticToe:
    """What a move does to static toe and how the eccentric takes it back.

    Attributes
    ----------
    shift_mm : from where the eccentric stands now, inboard plus
    marks : the same in marks; None where a mark's worth is not known
    forgotten_deg : static toe change if the eccentric (or, without one, the length) is
        left alone, toe-in plus
    left_inboard_mm, left_outboard_mm : range left after the move; None if unknown
    total_mm : shift from the reference setting
    left_deg : static toe still off once the pivot is set by its mark, toe-in plus: what the
        alignment gauge has to take out; None where nothing here can set it
    mark : the mark it should then read; None where that is not known
    cam : the same as an angle, for a cam whose throw is known
    """

    shift_mm: Band
    marks: Band | None
    forgotten_deg: Band
    left_inboard_mm: float | None
    left_outboard_mm: float | None
    total_mm: float
    left_deg: Band | None = None
    mark: float | None = None
    cam: CamTurn | None = None


@record
class CamTurn:
    """A cam's turn for a move, degrees, inboard plus, and what it lifts the pivot, mm.

    Attributes
    ----------
    turn_deg : from where it stands now
    angle_deg : where it then stands; 0 where a mark moves toe most
    inboard_deg, outboard_deg : turn left either way before its dead point
    lift_mm : pivot raised by the turn; zero for a cam in a slot
    """

    turn_deg: Band
    angle_deg: float
    inboard_deg: float
    outboard_deg: float
    lift_mm: float


def link_draws(draws: Array, *, ahead: bool) -> Link:
    """Links of surface draws; fields have shape (n_draw, 1) for settings to broadcast.

    ``draws`` has shape (n_draw, 65), as :meth:`ToeSurface.draws` gives.
    """
    tape = draws[:, N_COEFFICIENT:, None]
    length = np.exp(tape[:, 0])
    return Link(
        length_mm=length,
        arm_mm=(1.0 if ahead else -1.0) * np.exp(tape[:, 1]),
        rise_mm=np.clip(tape[:, 2], -0.5 * length, 0.5 * length),
        lean_in_rad_per_mm=tape[:, 3],
        stud_lean_rad=tape[:, 4],
    )


def shift_draws_mm(link: Link, height_mm: Array, change_mm: Array, end: StackEnd) -> Array:
    """Eccentric shift from the reference, shape (n_draw, n_setting), inboard plus."""
    return eccentric_shift_mm(link, height_mm, change_mm, end=end)


def static_toe(
    link: Link,
    new: tuple[float, float],
    now: tuple[float, float],
    eccentric: Eccentric,
    end: StackEnd,
) -> StaticToe:
    """Eccentric shift from the present setting to a new one, (height, length change) each."""
    at = np.array([new, now])
    total = shift_draws_mm(link, at[:, 0], at[:, 1], end)
    shift = total[:, 0] - total[:, 1] + formula_error_mm(len(total), at[0] - at[1])
    left = shift
    if eccentric.kind == "none":
        # the length holds static toe here; forgotten, it stays as it is
        stays = np.array([(new[0], now[1]), now])
        without = shift_draws_mm(link, stays[:, 0], stays[:, 1], end)
        left = without[:, 0] - without[:, 1]
    forgotten = static_toe_error_deg(link, left[:, None])[:, 0]
    mean_total = float(np.mean(total[:, 0]))
    per_mark = eccentric.mm_per_mark
    inboard, outboard = eccentric.inboard_left_mm, eccentric.outboard_left_mm
    band = band_of(shift)
    return StaticToe(
        shift_mm=band,
        marks=None
        if per_mark is None
        else Band(value=band.value / per_mark, low=band.low / per_mark, high=band.high / per_mark),
        forgotten_deg=band_of(forgotten),
        left_inboard_mm=None if inboard is None else inboard - mean_total,
        left_outboard_mm=None if outboard is None else outboard + mean_total,
        total_mm=mean_total,
    )


def length_that_holds_toe_mm(link: Link, height_mm: Array, end: StackEnd) -> Array:
    """Length change that holds static toe with the inner pivot fixed, (n_setting,), mm.

    The eccentric-shift formula solved for the length at zero shift, at the mean of
    the draws.
    """
    length, rise, lean = (
        np.mean(np.asarray(x)) for x in (link.length_mm, link.rise_mm, link.stud_lean_rad)
    )
    way = 1.0 if end == "outer" else -1.0
    reach = np.sqrt(length**2 - rise**2) + way * height_mm * np.sin(lean)
    return np.asarray(np.hypot(reach, rise + way * height_mm * np.cos(lean)) - length)


def formula_error_mm(n_draw: int, moved_mm: Array) -> Array:
    """Fixed draws of the formula's own error for a move (height, length change)."""
    half = np.random.default_rng(23).standard_normal(((n_draw + 1) // 2, 2))
    normal = np.concatenate([half, -half])[:n_draw]
    return np.asarray(normal @ (np.array(FORMULA_SD) * moved_mm))


def shortest_band(draws: Array, share: float = BAND[1] - BAND[0]) -> Band:
    """Mean and the shortest stretch that holds ``share`` of the draws, (n_draw,).

    For a score, which cannot fall below zero and leans to one side, it holds the
    truth more evenly than cutting both tails alike.
    """
    value, low, high = shortest_bands(draws[:, None], share)[:, 0]
    return Band(value=float(value), low=float(low), high=float(high))


def shortest_bands(draws: Array, share: float = BAND[1] - BAND[0]) -> Array:
    """The same of many settings: mean, low and high, (3, n_setting), of (n_draw, n_setting)."""
    ordered = np.sort(draws, axis=0)
    n = len(ordered)
    width = min(int(np.ceil(share * n)), n - 1)
    wide = ordered[width:] - ordered[: n - width]
    # Draws paired by sign may leave two stretches of one width: the lower one, whatever the
    # last bit of either says.
    first = np.argmax(wide <= np.min(wide, axis=0) * (1.0 + SAME_WIDTH), axis=0)
    column = np.arange(ordered.shape[1])
    return np.stack(
        [np.mean(draws, axis=0), ordered[first, column], ordered[first + width, column]]
    )


def band_of(draws: Array) -> Band:
    """Mean and the ends of the 90 % band of draws, both tails cut alike."""
    low, high = np.quantile(draws, BAND)
    return Band(value=float(np.mean(draws)), low=float(low), high=float(high))

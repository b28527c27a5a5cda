"""Every setting that can be made with what it is expected to do: what a reader may try."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Spot
from optimizer.advise.eccentric import BAND_SD, shortest_bands
from optimizer.advise.makeable import settings_of
from optimizer.advise.room import HardLimit
from optimizer.advise.stacks import Split
from optimizer.advise.table import Table, same_setting
from optimizer.model.field import CurveField
from optimizer.record import record

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

N_TRAVEL = 33
# more settings than this make a page heavy; then every second length goes, and so on
MOST_SETTINGS = 1500
CHUNK = 2000


@record
class Explored:
    """The settings of a corner as a grid of splits and lengths.

    Attributes
    ----------
    splits : rising joint height
    length_mm : shape (n_split, n_length), length change from the reference; where no inner
        pivot moves there is one length a split, which holds static toe
    offered : shape (n_split, n_length), whether every limit allows it
    surface_height_mm : shape (n_split, n_length), joint height as the surface takes it
    score_deg, low_deg, high_deg : shape (n_split, n_length), expected figure and its 90 %
        band; nan where not offered, as the next two
    shift_mm : eccentric shift from now, inboard plus
    forgotten_deg : static toe change if the eccentric is left alone
    travel_mm : shape (n_travel,)
    mean, spread : shape (10, n_travel), (28, n_travel), see
        :meth:`optimizer.model.field.CurveField.polynomials`; the band is ``band_sd``
        deviations either way
    start : place (split, length) of what is advised
    now_mm : joint height and length change as the car stands
    now : its place; None where it is not among them, as past a limit
    thinned : keeps every so many-th length
    """

    splits: tuple[Split, ...]
    length_mm: Array
    offered: Mask
    surface_height_mm: Array
    score_deg: Array
    low_deg: Array
    high_deg: Array
    shift_mm: Array
    forgotten_deg: Array
    travel_mm: Array
    mean: Array
    spread: Array
    start: tuple[int, int]
    now_mm: tuple[float, float]
    now: tuple[int, int] | None
    thinned: int = 1
    band_sd: float = BAND_SD

    def curve(self, at: tuple[int, int]) -> tuple[Array, Array]:
        """Toe change and half its band at one setting, (n_travel,) each, degrees."""
        products = CurveField.products(
            self.surface_height_mm[at].reshape(1), self.length_mm[at].reshape(1)
        )[:, 0]
        variance = np.maximum(products @ self.spread, 0.0)
        return products[: len(self.mean)] @ self.mean, self.band_sd * np.sqrt(variance)


def explore(table: Table, limits: Sequence[HardLimit], advised: Spot) -> Explored:
    """Score every setting that can be made.

    Parameters
    ----------
    table : the corner's fitted surface
    limits : of its hardware
    advised : where a reader starts

    Raises
    ------
    NothingCanBeMadeError
        If nothing can be made.
    """
    field = settings_of(table, limits)
    used = np.unique(field.which)
    splits = tuple(field.splits[i] for i in used)
    row = np.searchsorted(used, field.which)
    height = np.array([s.height_mm for s in splits])
    free = table.evidence.corner.eccentric.kind != "none"
    lengths = np.unique(np.round(field.change, 6)) if free else np.zeros(1)
    every = -(-len(splits) * len(lengths) // MOST_SETTINGS)
    if every > 1:
        keep = np.arange(len(lengths)) % every == 0
        for spot in (advised, table.now):
            keep[_nearest(lengths, spot.length_change_mm)] = True
        lengths = lengths[keep]
    change = np.tile(lengths, (len(splits), 1))
    offered = np.zeros(change.shape, bool)
    if free:
        for r, d in zip(row, np.round(field.change, 6), strict=True):
            at = int(np.searchsorted(lengths, d))
            if at < len(lengths) and lengths[at] == d:
                offered[r, at] = True
    else:
        change[row, 0] = field.change
        offered[row, 0] = True
    low = min(table.target.window_mm[0], table.evidence.measured_mm[0])
    high = max(table.target.window_mm[1], table.evidence.measured_mm[1])
    travel = np.unique(np.append(np.linspace(low, high, N_TRAVEL), 0.0))
    mean, spread = CurveField(table.surface, travel).polynomials()
    score = np.full((3, *change.shape), np.nan)
    h, d = np.repeat(height, change.shape[1]).reshape(change.shape)[offered], change[offered]
    score[:, offered] = _scores(table, h, d)
    pivot = np.full((2, *change.shape), np.nan)
    for i, j in zip(*np.nonzero(offered), strict=True):
        toe = table.move(Spot(split=splits[i], length_change_mm=float(change[i, j]))).static_toe
        pivot[:, i, j] = toe.shift_mm.value, toe.forgotten_deg.value
    places = []
    for spot in (advised, table.now):
        i = _nearest(height, spot.height_mm)
        places.append((i, _nearest(change[i], spot.length_change_mm) if free else 0))
    nearest = places[1]
    stands = Spot(split=splits[nearest[0]], length_change_mm=float(change[nearest]))
    here = bool(offered[nearest]) and same_setting(stands, table.now)
    return Explored(
        splits=splits,
        length_mm=change,
        offered=offered,
        surface_height_mm=np.asarray(table.surface_height(height[:, None] + 0.0 * change, change)),
        score_deg=score[0],
        low_deg=score[1],
        high_deg=score[2],
        shift_mm=pivot[0],
        forgotten_deg=pivot[1],
        travel_mm=travel,
        mean=mean,
        spread=spread,
        start=places[0],
        now_mm=(table.now.height_mm, table.now.length_change_mm),
        now=places[1] if here else None,
        thinned=max(1, every),
    )


def _scores(table: Table, height: Array, change: Array) -> Array:
    """Mean and the shortest 90 % stretch of each setting's draws, (3, n_setting)."""
    parts = [slice(start, start + CHUNK) for start in range(0, len(height), CHUNK)]
    found = [shortest_bands(table.scores(height[part], change[part])) for part in parts]
    return np.concatenate(found, axis=1)


def _nearest(values: Array, wanted: float) -> int:
    return int(np.argmin(np.abs(values - wanted)))

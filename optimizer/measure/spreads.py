"""What one gauge repeats to, from the readings of a whole logbook.

Four sources of spread, each told apart from the others and from what the gauge's stated
noise leads to expect: a reading about its travel, going up against coming down, the rig
taken off and put back, and the return to ride height. The stated noise (reading, slope
times travel, the zero that a pass shares) gives the shape of each covariance, so that
missing readings break nothing; the readings give its size.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.measure.curve import TILT_BASE_MM, RawRows, direction_of, has_curve, raw_rows
from optimizer.measure.excess import Excess, excess_spread, stated_alone
from optimizer.measure.gauge import loop_noise_deg
from optimizer.measure.repeatability import pooled_spread, smallest_difference_deg
from optimizer.record import record
from optimizer.records import Gauge, Logbook, Run

Array = NDArray[np.float64]

PartName = Literal["reading", "direction", "remount", "return"]

MORE_PASSES = 2


@record
class Part:
    """One source of spread, degrees.

    Attributes
    ----------
    name : ``reading``, one reading counted from its pass's zero, about its travel;
        ``direction``, coming down less going up at the ends of travel; ``remount``, tilt of
        a rig put up anew, at 40 mm of travel; ``return``, ride height again at a pass's end
    measured : what the readings say; None where they say nothing
    stated_deg : what the logbook states
    kept : what is reckoned with: measured, pulled toward stated where there is little of it
    """

    name: PartName
    measured: Excess | None
    stated_deg: float
    kept: Excess

    @property
    def freedom(self) -> int:
        """How many repeats it was measured from."""
        return 0 if self.measured is None else round(self.measured.freedom)

    @property
    def pulled_deg(self) -> float:
        """How far the kept value lies above the measured one."""
        return 0.0 if self.measured is None else self.kept.sd - self.measured.sd


@record
class Loop:
    """Coming down less going up at the ends of a run's travel, with its standard deviation."""

    run: str
    gap_deg: float
    sd_deg: float


@record
class Apart:
    """Smallest change of toe that two runs like one can be told apart by.

    ``end_deg`` is for toe at the ends of travel, ``rms_deg`` with the spreads averaged
    over all travels; each run is ``n_mount`` mounts of its own with ``n_pass`` passes each.
    """

    n_pass: int
    n_mount: int
    rms_deg: float
    end_deg: float


@record
class GaugeStudy:
    """Repeatability of a logbook's gauge.

    Attributes
    ----------
    parts : the four sources of spread, by name
    noise_factor : how much larger than stated the noise of a reading is
    loops : of runs measured both ways, in file order
    both_ways : whether any run has passes up and passes down; without loops they have no
        travel in common
    largest_return_deg : largest miss of ride height at a pass's end; None if none came back
    left_out : runs that were under suspicion and left out
    like : the run that ``apart`` and the others are told for, the last measured one
    apart, apart_passes, apart_mounts : as it was taken, with two more passes, and with the
        rig put up a second time for as many passes again
    """

    parts: dict[PartName, Part]
    noise_factor: float
    loops: tuple[Loop, ...]
    both_ways: bool
    largest_return_deg: float | None
    left_out: tuple[str, ...]
    like: str
    apart: Apart
    apart_passes: Apart
    apart_mounts: Apart


@record
class _Taken:
    """A run with its rows, returns to ride height apart from the rest."""

    run: Run
    away: RawRows
    back_deg: Array
    back_deg2: Array

    @property
    def way(self) -> Array:
        """Direction of each row's pass, (n_row,)."""
        return np.array([direction_of(s) for s in self.away.sweeps], float)[self.away.sweep]

    @property
    def loop(self) -> Array:
        """What half a gap at the ends of travel adds to each row, (n_row,)."""
        travel = self.away.travel_mm
        return np.asarray(-self.way * (travel / np.max(np.abs(travel))) ** 2)


def gauge_study(book: Logbook, without: Collection[str] = ()) -> GaugeStudy | None:
    """Repeatability of the gauge from all runs, all passes; None before the first run.

    Parameters
    ----------
    book : a read logbook
    without : runs under suspicion, left out as long as any other is there: one pass written
        in the opposite order would drown the spread of all others

    Notes
    -----
    Of every run the stated noise whitens the rows (generalised least squares, as
    :func:`optimizer.measure.curve.toe_curve`). A free value for each travel, for each
    direction apart where one was gone twice, leaves squares whose pool is the reading's
    spread. The loop, (travel / reach)^2 with the sign of the direction, and the tilt
    between runs of one setting are fitted the same way; their own spread is what exceeds
    their fitting error (:func:`optimizer.measure.excess.excess_spread`).
    """
    runs = [r for r in book.runs if has_curve(book.readings_of(r.name))]
    if not runs:
        return None
    kept = [r for r in runs if r.name not in without] or runs
    taken = [_taken(book, r) for r in kept]
    gauge = book.gauge
    squares = np.array([_leftover(t) for t in taken])
    diagonal = np.concatenate([np.diag(t.away.noise_deg2) for t in taken])
    stated = math.sqrt(float(diagonal.mean()))
    reading = _part("reading", _pooled(squares[:, 0], squares[:, 1], stated), stated)
    factor = reading.kept.sd / stated
    loops = tuple(loop for t in taken if (loop := _loop_of(t, factor)) is not None)
    direction, remount = _direction(loops, gauge, reading), _remount(taken, gauge, reading, factor)
    back = np.concatenate([t.back_deg for t in taken])
    parts = {p.name: p for p in (reading, direction, remount, _return(taken, back, stated))}
    like = taken[-1]
    n_pass = len(like.away.sweeps)
    return GaugeStudy(
        parts=parts,
        noise_factor=factor,
        loops=loops,
        both_ways=any({1.0, -1.0} <= set(t.way.tolist()) for t in taken),
        largest_return_deg=float(np.max(np.abs(back))) if len(back) else None,
        left_out=tuple(r.name for r in runs if r not in kept),
        like=like.run.name,
        apart=_apart(like, parts, factor, gauge, n_pass),
        apart_passes=_apart(like, parts, factor, gauge, n_pass + MORE_PASSES),
        apart_mounts=_apart(like, parts, factor, gauge, n_pass, 2),
    )


def _taken(book: Logbook, run: Run) -> _Taken:
    rows = raw_rows(run.name, book.readings_of(run.name), book.gauge)
    away, back = np.flatnonzero(rows.travel_mm), np.flatnonzero(rows.travel_mm == 0.0)
    return _Taken(
        run=run,
        away=RawRows(
            travel_mm=np.round(rows.travel_mm[away], 3),
            toe_deg=rows.toe_deg[away],
            sweep=rows.sweep[away],
            share=rows.share[away],
            line=tuple(rows.line[i] for i in away),
            sweeps=rows.sweeps,
            noise_deg2=rows.noise_deg2[np.ix_(away, away)],
            common_deg2=rows.common_deg2[np.ix_(away, away)],
        ),
        back_deg=rows.toe_deg[back],
        back_deg2=np.diag(rows.noise_deg2)[back],
    )


def _part(name: PartName, measured: Excess | None, stated_deg: float) -> Part:
    kept = stated_alone(stated_deg) if measured is None else measured.shrunk(stated_deg)
    return Part(name=name, measured=measured, stated_deg=stated_deg, kept=kept)


def _pooled(squares: Array, freedom: Array, unit_deg: float) -> Excess | None:
    """A spread from sums of squares in units of a stated one; None without any freedom."""
    if not freedom.sum() > 0.0:
        return None
    return Excess(total=pooled_spread(squares, freedom)).scaled(unit_deg)


def _levels(labels: Sequence[object]) -> Array:
    """A column of ones and zeros for every label that differs, (n_row, n_label)."""
    place = {label: i for i, label in enumerate(dict.fromkeys(labels))}
    out = np.zeros((len(labels), len(place)))
    out[np.arange(len(labels)), [place[label] for label in labels]] = 1.0
    return out


def _leftover(taken: _Taken) -> tuple[float, float]:
    """Squares that a run's whitened rows leave about their travels, and their freedom."""
    rows, way = taken.away, taken.way
    ways = [direction_of(s) for s in rows.sweeps]
    if len(ways) > len(set(ways)):
        design = _levels(list(zip(way, rows.travel_mm, strict=True)))
    else:  # no direction twice: the loop is known by its shape alone
        design = np.column_stack([_levels(list(rows.travel_mm)), taken.loop])
    root = np.linalg.cholesky(rows.noise_deg2)
    white, target = np.linalg.solve(root, design), np.linalg.solve(root, rows.toe_deg)
    fit, _, rank, _ = np.linalg.lstsq(white, target, rcond=None)
    freedom = len(target) - int(rank)
    return (float(np.sum((target - white @ fit) ** 2)) if freedom else 0.0), float(freedom)


def _loop_of(taken: _Taken, factor: float) -> Loop | None:
    """The fitted loop of a run that was measured both ways; None for any other."""
    rows = taken.away
    if not {1.0, -1.0} <= set(taken.way.tolist()):
        return None
    root = np.linalg.cholesky(rows.noise_deg2)
    white = np.linalg.solve(root, np.column_stack([taken.loop, _levels(list(rows.travel_mm))]))
    target = np.linalg.solve(root, rows.toe_deg)
    # the loop's column with what the travels explain of it taken out
    level, *_ = np.linalg.lstsq(white[:, 1:], white[:, 0], rcond=None)
    own = white[:, 0] - white[:, 1:] @ level
    size = float(own @ own)
    if size < 1e-9 * float(white[:, 0] @ white[:, 0]):
        return None  # no travel was read both ways
    # half the gap is what each direction departs by
    return Loop(
        run=taken.run.name,
        gap_deg=2.0 * float(own @ target) / size,
        sd_deg=2.0 * factor / math.sqrt(size),
    )


def _direction(loops: Sequence[Loop], gauge: Gauge, reading: Part) -> Part:
    measured = None
    if loops:
        figures = [x.gap_deg for x in loops], [x.sd_deg**2 for x in loops]
        measured = excess_spread([figures], reading.kept.freedom, about_zero=True)
    return _part("direction", measured, 2.0 * loop_noise_deg(gauge))


def _remount(taken: Sequence[_Taken], gauge: Gauge, reading: Part, factor: float) -> Part:
    """Tilt between runs of one setting, each set against the travels they share."""
    same: dict[tuple[str, float, float, float], list[_Taken]] = {}
    for t in taken:
        r = t.run
        stacks = round(sum(r.above_mm), 4), round(sum(r.below_mm), 4)
        same.setdefault((r.corner, *stacks, round(r.length_change_mm, 4)), []).append(t)
    groups = [_tilts(runs, gauge, factor) for runs in same.values() if len(runs) > 1]
    found = [g for g in groups if g is not None]
    measured = excess_spread(found, reading.kept.freedom) if found else None
    return _part("remount", measured, gauge.tilt_sd_deg)


def _tilts(runs: Sequence[_Taken], gauge: Gauge, factor: float) -> tuple[Array, Array] | None:
    """Tilt of each run at 40 mm and its error variance, one and the same curve assumed.

    One weighting of travels for all runs, the best for their average covariance, so that
    whatever the curve is, it drops out of the differences.
    """
    shared = sorted(set.intersection(*(set(t.away.travel_mm.tolist()) for t in runs)))
    if not shared:
        return None
    toes, covs = [], []
    for t in runs:
        rows = t.away
        share = np.array([rows.travel_mm == z for z in shared], float)
        share /= share.sum(axis=1, keepdims=True)
        tilt = rows.travel_mm / TILT_BASE_MM * gauge.tilt_sd_deg
        other = rows.common_deg2 - np.outer(tilt, tilt)
        toes.append(share @ rows.toe_deg)
        covs.append(share @ (factor**2 * rows.noise_deg2 + other) @ share.T)
    arm = np.asarray(shared) / TILT_BASE_MM
    weight = np.linalg.solve(np.mean(covs, axis=0), arm)
    weight /= weight @ arm
    return np.array([weight @ y for y in toes]), np.array([weight @ c @ weight for c in covs])


def _return(taken: Sequence[_Taken], back: Array, stated_deg: float) -> Part:
    if not len(back):
        return _part("return", None, stated_deg)
    stated_deg = math.sqrt(float(np.concatenate([t.back_deg2 for t in taken]).mean()))
    measured = Excess(total=pooled_spread([float(back @ back)], [len(back)]))
    return _part("return", measured, stated_deg)


def _apart(
    like: _Taken,
    parts: dict[PartName, Part],
    factor: float,
    gauge: Gauge,
    n_pass: int,
    n_mount: int = 1,
) -> Apart:
    """Two runs like this one, with so many passes on each of so many mounts."""
    rows = like.away
    travel, place = np.unique(rows.travel_mm, return_inverse=True)
    count = np.bincount(place)

    def average(figure: Array) -> Array:
        return np.asarray(np.bincount(place, figure) / count)

    # readings are missing at some travels: a pass is worth the less there
    taken = len(rows.sweeps)
    repeat = average(np.diag(rows.noise_deg2)) * factor**2 * taken / count
    tilt, loop = rows.travel_mm / TILT_BASE_MM, like.loop
    scale = np.diag(rows.common_deg2) - (tilt * gauge.tilt_sd_deg) ** 2
    scale = np.maximum(scale - (loop * loop_noise_deg(gauge)) ** 2, 0.0)
    mount = average((tilt * parts["remount"].kept.sd) ** 2 + scale)
    # unequal passes leave some of the loop; passes added are as many each way
    left = average(loop) * taken / n_pass
    mount += (left * parts["direction"].kept.sd / 2.0) ** 2
    ends = np.flatnonzero(np.abs(travel) > 0.999 * np.max(np.abs(travel)))
    end = ends[np.argmax(mount[ends] + repeat[ends] / n_pass)]

    def smallest(repeat_deg2: float, mount_deg2: float) -> float:
        repeat_deg, mount_deg = math.sqrt(repeat_deg2), math.sqrt(mount_deg2)
        return smallest_difference_deg(repeat_deg, mount_deg, n_pass, n_mount)

    return Apart(
        n_pass=n_pass,
        n_mount=n_mount,
        rms_deg=smallest(float(repeat.mean()), float(mount.mean())),
        end_deg=smallest(float(repeat[end]), float(mount[end])),
    )

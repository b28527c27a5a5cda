"""Static toe left by following the advice by mark, on invented corners of every eccentric.

``python tests/bench/pivots.py [--corners 200]`` takes corners with tape errors and one
noisy run each, asks for moves by mark (heights within 4 mm, lengths within 5 mm), sets the
pivot there with each mark read up to a quarter off, and looks at static toe by the exact
mechanism. Cams have a throw of 9 mm, marks of 6 degrees and start within 30 degrees of
where they move toe most; fitted ones saw static toe at three marks.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.eccentric import link_draws
from optimizer.advise.pivot import Pivot, held, pivot_of
from optimizer.advise.pivot_move import static_toe_of
from optimizer.model.arc import Link
from optimizer.model.cam import Cam
from optimizer.model.mechanism import TOE_LINK, HardPoints, sweep
from optimizer.model.surface import ToeSurface
from optimizer.records import Corner as CarCorner
from optimizer.records import Eccentric, Run, Thread
from optimizer.units import DEG

sys.path.insert(0, str(Path(__file__).resolve().parent))
from corners import Corner, bench_corners, measure, taped

Array = NDArray[np.float64]

KINDS = ("slot", "cam-in-slot", "free-cam", "marks", "fitted slot", "fitted cam")
THROW_MM, STEP_DEG, PER_MARK_MM = 9.0, 6.0, 1.0
MOST_ANGLE_DEG = 75.0
TABLE_MARKS = (-8.0, -4.0, 0.0, 4.0, 8.0)
FIT_MARKS = (0.0, -3.0, 4.0)
UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Pivoted:
    """An invented corner with a pivot of one kind: what the crew states, and the truth."""

    corner: Corner
    kind: str
    angle_deg: float
    pivot: Pivot
    link: Link

    def moved(self, mark: float) -> Array:
        """How far the pivot has moved at a mark, (3,), mm."""
        return moved(self.corner, self.kind, self.angle_deg, mark)

    def exact(self) -> HardPoints:
        """The corner with its pivot on the true slot or cam."""
        points, along = self.corner.points, level(self.corner)
        if self.kind == "cam-in-slot":
            return replace(points, slot=along[None])
        if self.kind not in ("free-cam", "fitted cam"):
            return points
        cam = Cam(
            throw_mm=np.array([THROW_MM]),
            reference_deg=np.array([self.angle_deg]),
            along=along[None],
            lift=UP[None],
        )
        return replace(points, cam=cam)


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """Static toe left by each move, degrees, and what was promised; (n_move,)."""

    toe_deg: Array
    low_deg: Array
    high_deg: Array
    shift_error_mm: Array

    @property
    def cover(self) -> float:
        """Share of moves inside their 90 % band."""
        return float(np.mean((self.low_deg <= self.toe_deg) & (self.toe_deg <= self.high_deg)))

    def figures(self) -> tuple[float, float, float, float]:
        """Median and 90th percentile of toe left and of the figure promised, degrees."""
        promised = np.maximum(-self.low_deg, self.high_deg)
        off = np.abs(self.toe_deg)
        return (
            float(np.median(off)),
            float(np.quantile(off, 0.9)),
            float(np.median(promised)),
            float(np.quantile(promised, 0.9)),
        )


def level(corner: Corner) -> Array:
    """Inboard along the corner's slot seen from above, (3,)."""
    flat = corner.points.slot[0] * np.array([1.0, 1.0, 0.0])
    return np.asarray(flat / np.linalg.norm(flat))


def moved(corner: Corner, kind: str, angle_deg: float, mark: float) -> Array:
    """How far a pivot has moved at a mark, (3,), mm."""
    if "cam" not in kind:
        return np.asarray(mark * PER_MARK_MM * corner.points.slot[0])
    start, end = angle_deg / DEG, (angle_deg + STEP_DEG * mark) / DEG
    way = THROW_MM * (np.sin(end) - np.sin(start)) * level(corner)
    if kind == "cam-in-slot":
        return np.asarray(way)
    return np.asarray(way + THROW_MM * (np.cos(end) - np.cos(start)) * UP)


def static_toe_deg(points: HardPoints, height: float, change: float, shift: Array) -> float:
    """Toe at ride height of one corner with its inner pivot put elsewhere, degrees."""
    inner = points.inner.copy()
    inner[:, TOE_LINK] += shift

    def length(ends: Array) -> float:
        return float(np.linalg.norm(points.outer[0, TOE_LINK] - ends[0, TOE_LINK]))

    put = replace(points, inner=inner, cam=None)
    same = change + length(points.inner) - length(inner)
    return float(sweep(put, np.zeros(1), height, same, hold_static_toe=False).toe_deg[0, 0, 0])


def pivoted(rng: np.random.Generator, corner: Corner, kind: str, tape: str = "tape") -> Pivoted:
    """A corner with a pivot as its crew knows it: tape with errors and one noisy run."""
    known = taped(rng, corner, tape)
    surface = ToeSurface(ahead=corner.ahead, tape=known)
    surface.fit_curves([measure(rng, corner, 0.0, 0.0)])
    angle = float(rng.uniform(-30.0, 30.0)) if "cam" in kind else 0.0

    def read(mark: float) -> float:
        at = moved(corner, kind, angle, mark + rng.uniform(-0.25, 0.25) * (mark != 0.0))
        return static_toe_deg(corner.points, 0.0, 0.0, at) + float(rng.normal(0.0, 0.03))

    runs = [Run(name="r0", corner="c", eccentric_mark=0.0)]
    if kind == "marks":
        table = tuple((m, read(m)) for m in TABLE_MARKS)
        stated = Eccentric(kind="marks", toe_at_marks=table)
    elif kind == "slot":
        stated = Eccentric(kind="slot", mm_per_mark=PER_MARK_MM)
    elif kind == "fitted slot":
        stated = Eccentric(kind="slot")
    elif kind == "fitted cam":
        stated = Eccentric(kind="free-cam", deg_per_mark=STEP_DEG, angle_deg=angle)
    else:
        stated = Eccentric(
            kind="free-cam" if kind == "free-cam" else "cam-in-slot",
            throw_mm=THROW_MM,
            deg_per_mark=STEP_DEG,
            angle_deg=angle,
        )
    if kind.startswith("fitted"):
        runs = [
            Run(name=f"r{i}", corner="c", eccentric_mark=m, static_toe_deg=read(m))
            for i, m in enumerate(FIT_MARKS)
        ]
    car = CarCorner(name="c", side="left", ahead=corner.ahead, tape=known, eccentric=stated)
    return Pivoted(
        corner=corner,
        kind=kind,
        angle_deg=angle,
        pivot=pivot_of(car, runs[0], runs),
        link=link_draws(surface.draws(400), ahead=corner.ahead),
    )


def left_by(one: Pivoted, rng: np.random.Generator, n_move: int) -> list[tuple[float, ...]]:
    """Moves by mark: toe left, the ends of its band, and the shift's error, each a row."""
    mean = Link(**{name: float(np.mean(x)) for name, x in vars(one.link).items()})
    start = static_toe_deg(one.corner.points, 0.0, 0.0, np.zeros(3))
    rows = []
    for _ in range(n_move):
        new = float(rng.uniform(-4.0, 4.0)), float(rng.uniform(-5.0, 5.0))
        rooms = one.pivot.room_mm(mean, *(np.array([x]) for x in new), (0.0, 0.0), 0.0)
        move = static_toe_of(one.link, new, (0.0, 0.0), one.pivot, 0.0, Thread())
        if any(room[0] < 0.0 for room in rooms) or (
            move.cam and abs(move.cam.angle_deg) > MOST_ANGLE_DEG
        ):
            continue
        assert move.marks is not None
        assert move.left_deg is not None
        misread = rng.uniform(-0.25, 0.25) - rng.uniform(-0.25, 0.25)
        at = one.moved(move.marks.value + misread)
        toe = static_toe_deg(one.corner.points, *new, at) - start
        exact = sweep(one.exact(), np.zeros(1), *new).shift_mm[0, 0]
        rows.append((toe, move.left_deg.low, move.left_deg.high, move.shift_mm.value - exact))
    return rows


def left_on(corners: list[Corner], kind: str, n_move: int = 4) -> Left:
    """Static toe left over corners of one kind of pivot."""
    rows = []
    for index, corner in enumerate(corners):
        rng = np.random.default_rng(100 + index)
        one = pivoted(rng, corner, kind)
        if kind.startswith("fitted") and one.pivot.worth is None:
            continue
        rows += left_by(one, rng, n_move)
    toe, low, high, error = np.array(rows).T
    return Left(toe_deg=toe, low_deg=low, high_deg=high, shift_error_mm=error)


def curve_error_deg(
    corner: Corner, angle_deg: float, lifts: int, settings: list[tuple[float, float]]
) -> list[tuple[float, float]]:
    """RMS error of a free cam's curve: its lift ignored, and fed back as height; degrees.

    Both curves are the exact mechanism's of a level slot, so that nothing but the lift's
    treatment is in the difference.
    """
    travel = np.array([-45.0, -30.0, -15.0, 15.0, 30.0, 45.0, 0.0])
    along = level(corner)
    cam = Cam(
        throw_mm=np.array([THROW_MM]),
        reference_deg=np.array([angle_deg]),
        along=along[None],
        lift=lifts * UP[None],
    )
    on_cam, on_slot = replace(corner.points, cam=cam), replace(corner.points, slot=along[None])
    stated = Eccentric(
        kind="free-cam", throw_mm=THROW_MM, deg_per_mark=5.0, angle_deg=angle_deg, lifts=lifts
    )
    known = taped(np.random.default_rng(3), corner, "camber")
    car = CarCorner(name="c", side="left", ahead=corner.ahead, tape=known, eccentric=stated)
    first = Run(name="r0", corner="c", eccentric_mark=0.0)
    pivot = pivot_of(car, first, [first])

    def change(points: HardPoints, height: float, length: float) -> Array:
        toe = sweep(points, travel, height, length).toe_deg[0, 0]
        return np.asarray(toe[:-1] - toe[-1])

    rows = []
    for height, length in settings:
        assert pivot.link is not None
        stand = held(stated, pivot.link, height, length, "outer")
        if not stand.reached or abs(stand.angle_deg) > MOST_ANGLE_DEG:
            continue
        truth = change(on_cam, height, length)
        told: Callable[[float], float] = lambda h, t=truth, d=length: float(  # noqa: E731
            np.sqrt(np.mean((change(on_slot, h, d) - t) ** 2))
        )
        rows.append((told(height), told(float(pivot.surface_height(height, length)))))
    return rows


def main() -> None:
    """Print a row for every kind."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--corners", type=int, default=200)
    corners = bench_corners(np.random.default_rng(5), parser.parse_args().corners)
    print("| eccentric | moves | shift off, mm | toe left, deg | promised, deg | inside its band |")
    print("|---|---|---|---|---|---|")
    for kind in KINDS:
        left = left_on(corners, kind)
        median, most, told, told_most = left.figures()
        off = np.mean(np.abs(left.shift_error_mm))
        print(
            f"| {kind} | {len(left.toe_deg)} | {off:.2f} | {median:.2f} / {most:.2f} "
            f"| {told:.2f} / {told_most:.2f} | {left.cover:.3f} |"
        )
    print("\n| free cam starts at, deg | lift ignored, deg | lift fed back, deg |")
    print("|---|---|---|")
    rng = np.random.default_rng(8)
    for angle in (-40.0, 0.0, 40.0):
        rows = []
        for index, corner in enumerate(corners):
            ask = [(float(rng.uniform(-3, 3)), float(rng.uniform(-2, 2))) for _ in range(2)]
            rows += curve_error_deg(corner, angle, 1 if index % 2 else -1, ask)
        ignored, fed = np.array(rows).T
        print(
            f"| {angle:.0f} | {np.median(ignored):.3f} / {np.quantile(ignored, 0.9):.3f} "
            f"| {np.median(fed):.3f} / {np.quantile(fed, 0.9):.3f} |"
        )


if __name__ == "__main__":
    main()

"""Invented corners and a noisy gauge for the closed-loop benchmark.

The corners come from another generator than the one that trained the prior: other
shapes of distribution (uniform and triangular), shorter arms, and a link put where
a builder would put it by eye, its inner joint on the line between the arms' inner
pivots, then off it. Nothing here is a real car.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimizer.measure.curve import toe_curve
from optimizer.model.basis import N_POWER, N_SETTING_TERM, setting_terms, travel_terms
from optimizer.model.mechanism import TOE_LINK, HardPoints, sweep
from optimizer.model.population import TapeTruth, pick, tape_truth, with_good_links, workable
from optimizer.model.surface import SettingCurve
from optimizer.model.train import surface_coefficients
from optimizer.records import Gauge, Measured, Reading, Tape
from optimizer.units import DEG

Array = NDArray[np.float64]

SPAN_MM = 300.0
STEP_MM = 12.7
THOU_MM = 0.0254
DIAL_SD_MM = 0.03
LOOP_MM = 0.02
TRAVEL_SD_MM = 0.5
SCALE_SD = 0.01
TILT_SD_DEG = 0.01
SWEEPS = ("up1", "down1", "up2", "down2")
GAUGE = Gauge(span_mm=SPAN_MM, reading_sd=DIAL_SD_MM, resolution=THOU_MM, loop_sd=LOOP_MM)

MOST_HEIGHT_MM, HEIGHT_STEP_MM = 6.0, 0.25
MOST_CHANGE_MM, CHANGE_STEP_MM = 10.0, 0.5
# travels, heights and length changes that every corner must reach
_FARTHEST = (
    np.array([-60.0, -30.0, 30.0, 60.0]),
    np.array([-10.0, 10.0, 10.0, -10.0]),
    np.array([-15.0, 15.0, -15.0, 15.0]),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Corner:
    """One invented corner with its truth."""

    ahead: bool
    points: HardPoints
    tape: TapeTruth
    coefficients: Array
    window_mm: tuple[float, float]


def settings_grid() -> tuple[Array, Array]:
    """Heights and length changes of every setting that can be made, flat."""
    heights = np.arange(-MOST_HEIGHT_MM, MOST_HEIGHT_MM + 1e-9, HEIGHT_STEP_MM)
    changes = np.arange(-MOST_CHANGE_MM, MOST_CHANGE_MM + 1e-9, CHANGE_STEP_MM)
    h, d = np.meshgrid(heights, changes, indexing="ij")
    return h.ravel(), d.ravel()


def bench_corners(rng: np.random.Generator, n_corner: int) -> list[Corner]:
    """Corners, half of them ahead, that can be assembled over all settings and travels."""
    out: list[Corner] = []
    for ahead in (True, False):
        wanted = n_corner // 2
        points = _draw(rng, wanted + 20 + wanted // 5, ahead)
        points = workable(points, *_FARTHEST)
        points = pick(points, np.arange(min(wanted, len(points.hub))))
        tape, coefficients = tape_truth(points), surface_coefficients(points)
        for i in range(len(points.hub)):
            one = np.array([i])
            out.append(
                Corner(
                    ahead=ahead,
                    points=pick(points, one),
                    tape=TapeTruth(**{name: value[one] for name, value in vars(tape).items()}),
                    coefficients=coefficients[i],
                    window_mm=(-float(rng.uniform(35, 60)), float(rng.uniform(35, 60))),
                )
            )
    return out


def population_of_test(rng: np.random.Generator, n_corner: int, ahead: bool) -> tuple[Array, Array]:
    """Tape values (n, 5) and surface coefficients (n, 60) of corners of this generator."""
    points = workable(_draw(rng, n_corner, ahead), *_FARTHEST)
    return tape_truth(points).values(), surface_coefficients(points)


def _draw(rng: np.random.Generator, n: int, ahead: bool) -> HardPoints:
    def flat(low: float, high: float) -> Array:
        return rng.uniform(low, high, n)

    def peak(low: float, high: float) -> Array:
        return rng.triangular(low, (low + high) / 2.0, high, n)

    hub = np.stack([np.zeros(n), flat(660, 800), flat(275, 335)], axis=-1)
    low = np.stack([peak(-15, 15), hub[:, 1] - flat(30, 90), hub[:, 2] - flat(80, 140)], axis=-1)
    tall = flat(180, 340)
    up = low + tall[:, None] * np.stack(
        [-np.tan(peak(-3, 9) / DEG), -np.tan(flat(3, 14) / DEG), np.ones(n)], axis=-1
    )
    low_arm = flat(230, 400)
    up_arm = low_arm * flat(0.6, 1.0)
    drop = peak(-20, 40)
    low_root = low - np.stack([peak(-10, 10), low_arm, drop], axis=-1)
    up_root = up - np.stack([peak(-10, 10), up_arm, 0.6 * drop + peak(-10, 40)], axis=-1)

    def legs(root: Array) -> tuple[Array, Array]:
        axis = np.stack([np.ones(n), peak(-0.1, 0.1), peak(-0.1, 0.1)], axis=-1)
        return root + axis * flat(70, 180)[:, None], root - axis * flat(70, 180)[:, None]

    share = flat(-0.05, 0.7)
    axis = low + share[:, None] * (up - low)
    reach = flat(75, 150) * (1.0 if ahead else -1.0)
    outer = axis + np.stack([reach, peak(-30, 30), np.zeros(n)], axis=-1)
    inner = outer + (low_root - low) * 1.0
    (low_f, low_r), (up_f, up_r) = legs(low_root), legs(up_root)
    points = HardPoints(
        inner=np.stack([low_f, low_r, up_f, up_r, inner], axis=1),
        outer=np.stack([low, low, up, up, outer], axis=1),
        hub=hub,
        spindle=_unit(np.stack([peak(-0.006, 0.008), np.ones(n), peak(-0.01, 0.05)], axis=-1)),
        stud=_unit(np.stack([peak(-0.1, 0.1), peak(-0.15, 0.15), np.ones(n)], axis=-1)),
        slot=np.broadcast_to(np.array([0.0, -1.0, 0.0]), (n, 3)),
    )
    link = with_good_links(points).inner[:, TOE_LINK] - outer
    link = link * (1.0 + peak(-0.06, 0.06))[:, None]
    link[:, 2] += peak(-10.0, 10.0)
    link[:, 0] += peak(-0.15, 0.15) * np.abs(link[:, 1])
    inner_ends = points.inner.copy()
    inner_ends[:, TOE_LINK] = outer + link
    slot = link * np.array([1.0, 1.0, 0.0])
    slot[:, 2] = np.where(flat(0, 1) < 0.25, peak(-0.2, 0.2) * np.abs(link[:, 1]), 0.0)
    return replace(points, inner=inner_ends, slot=_unit(slot))


def pivot_moves_level(corner: Corner) -> bool:
    """Whether the inner pivot moves in and out without rising."""
    return abs(float(corner.points.slot[0, 2])) < 1e-9


def true_scores_deg(
    corner: Corner, height: Array, change: Array, node: Array, weight: Array
) -> Array:
    """RMS toe change of settings by the exact mechanism, (n_setting,)."""
    toe = sweep(corner.points, np.append(node, 0.0), height, change).toe_deg[0]
    return np.asarray(np.sqrt((toe[:, :-1] - toe[:, -1:]) ** 2 @ weight))


def surface_scores_deg(
    corner: Corner, height: Array, change: Array, node: Array, weight: Array
) -> Array:
    """The same from the corner's fitted coefficients, to find the best among thousands."""
    by_term = corner.coefficients.reshape(N_SETTING_TERM, N_POWER)
    curves = setting_terms(height, change) @ by_term @ travel_terms(node).T
    return np.asarray(np.sqrt(curves**2 @ weight))


def measured_readings(
    rng: np.random.Generator, corner: Corner, height_mm: float, change_mm: float, run: str = "r"
) -> list[Reading]:
    """One run: two passes up, two down, every half inch over the window, with noise."""
    low, high = corner.window_mm
    travels = np.concatenate(
        [
            -np.arange(STEP_MM, -low + 0.1, STEP_MM)[::-1],
            [0.0],
            np.arange(STEP_MM, high + 0.1, STEP_MM),
        ]
    )
    tilt, scale = rng.normal(0, TILT_SD_DEG) / 40.0, rng.normal(0, SCALE_SD)
    order = {s: travels if s.startswith("up") else travels[::-1] for s in SWEEPS}
    nominal = np.concatenate([order[s] for s in SWEEPS])
    way = np.repeat([1.0 if s.startswith("up") else -1.0 for s in SWEEPS], len(travels))
    actual = nominal * (1 + scale) + rng.normal(0, TRAVEL_SD_MM, len(nominal))
    toe = sweep(corner.points, np.append(actual, 0.0), height_mm, change_mm).toe_deg[0, 0]
    toe = toe[:-1] - toe[-1] + tilt * nominal
    dial = SPAN_MM * np.tan(toe / DEG) + way * LOOP_MM * (1 - (nominal / max(-low, high)) ** 2)
    dial = np.round((dial + rng.normal(0, DIAL_SD_MM, len(dial))) / THOU_MM) * THOU_MM
    names = np.repeat(SWEEPS, len(travels))
    return [
        Reading(run=run, sweep=str(s), travel_mm=float(z), value=float(v))
        for s, z, v in zip(names, nominal, dial, strict=True)
    ]


def measure(
    rng: np.random.Generator, corner: Corner, height_mm: float, change_mm: float
) -> SettingCurve:
    """One run reduced to its curve."""
    readings = measured_readings(rng, corner, height_mm, change_mm)
    curve = toe_curve("r", readings, GAUGE)
    return SettingCurve(
        height_mm=height_mm,
        length_change_mm=change_mm,
        travel_mm=curve.travel_mm,
        toe_deg=curve.toe_deg,
        cov_deg2=curve.cov_deg2,
    )


def taped(rng: np.random.Generator, corner: Corner, kind: str) -> Tape:
    """Tape values with their errors: "none", "tape", "camber" (and camber gain) or "stud"."""
    if kind == "none":
        return Tape()
    t = corner.tape

    def seen(value: float, sd: float) -> Measured:
        return Measured(value=value + float(rng.normal(0, sd)), sd=sd)

    length, arm = float(t.length_mm[0]), abs(float(t.arm_mm[0]))
    tape = Tape(
        length_mm=seen(length, 0.01 * length),
        arm_mm=seen(arm, 0.03 * arm),
        rise_mm=seen(float(t.rise_mm[0]), 4.0),
    )
    if kind == "camber":
        tape = replace(tape, lean_in_rad_per_mm=seen(float(t.lean_in_rad_per_mm[0]), 5e-5))
    if kind == "stud":
        tape = replace(tape, stud_lean_rad=seen(float(t.stud_lean_rad[0]), 1.0 / DEG))
    return tape


def _unit(vector: Array) -> Array:
    return np.asarray(vector / np.linalg.norm(vector, axis=-1, keepdims=True))

"""How many poses one core closes in a second; run with ``OPENBLAS_NUM_THREADS=1``."""

from __future__ import annotations

import statistics
import time
from dataclasses import replace

import numpy as np

from optimizer.model.mechanism import HardPoints, sweep
from optimizer.model.population import draw_corners

N_ROUND = 5
BAR = 100_000
TRAVEL = np.linspace(-50.0, 50.0, 17)
HEIGHTS, CHANGES = (
    x.ravel() for x in np.meshgrid(np.linspace(-5.0, 5.0, 7), np.linspace(-8.0, 8.0, 7))
)


def corners() -> dict[str, HardPoints]:
    """A hundred and twenty corners of each kind."""
    wishbones = draw_corners(np.random.default_rng(5), 120, ahead=True)
    apart = np.random.default_rng(6).normal(0.0, 15.0, (120, 5, 3))
    axis = np.array([-0.05, -0.15, 1.0]) / np.linalg.norm([-0.05, -0.15, 1.0])
    return {
        "wishbones": wishbones,
        "five links": replace(wishbones, outer=wishbones.outer + apart),
        "strut": replace(
            wishbones,
            strut_top=wishbones.outer[:, 2] + 300.0 * axis,
            strut_axis=np.broadcast_to(axis, (120, 3)),
        ),
    }


def poses_per_second(points: HardPoints) -> float:
    """Median of the rounds, after one that is not counted."""
    rates = []
    for _ in range(N_ROUND + 1):
        start = time.perf_counter()
        motion = sweep(points, TRAVEL, HEIGHTS, CHANGES)
        rates.append(motion.toe_deg.size / (time.perf_counter() - start))
        if motion.residual_mm >= 1e-9:
            raise RuntimeError(f"residual {motion.residual_mm:.1e} mm")
    return statistics.median(rates[1:])


if __name__ == "__main__":
    for name, points in corners().items():
        print(f"{name:<11} {poses_per_second(points):>9,.0f} poses per second, at least {BAR:,}")

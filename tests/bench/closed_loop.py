"""The closed loop on invented corners: how few runs, and how honest the bands.

Run ``python tests/bench/closed_loop.py`` for the full study (1000 corners, the classical
ways and the bound of one run on 200 of them, about fifteen minutes on two cores), or with
``--corners 20 --cover 40`` for a look. Excess is degrees RMS above the best setting that
can be made, by the exact mechanism. joblib runs the loop, so that a cluster backend it
knows can take larger studies.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parent))

from corners import (
    Corner,
    bench_corners,
    measure,
    pivot_moves_level,
    settings_grid,
    surface_scores_deg,
    taped,
    true_scores_deg,
)
from own_population import RULES, choices
from policies import (
    CENTRAL_COMPOSITE,
    gp_choice,
    one_at_a_time,
    ours,
    ours_to_measure,
    polynomial_choice,
)

from optimizer.advise.eccentric import link_draws, shortest_band, static_toe
from optimizer.advise.evidence import STATIC_TOE_SD_DEG
from optimizer.measure.shape import window_weights
from optimizer.model.basis import N_COEFFICIENT, N_POWER
from optimizer.model.mechanism import sweep
from optimizer.model.prior import Prior
from optimizer.model.surface import LoggedStaticToe, SettingCurve, ToeSurface, draw_scores_deg
from optimizer.records import Eccentric, Tape
from optimizer.units import DEG

Array = NDArray[np.float64]

N_RUN = 4
N_SCORE_ONLY = 6
SEED = 8808
Z90 = 1.6449
OURS = ("none", "tape", "camber")
# the bound: how the corner answers to height and length is known exactly, so only the noise
# of the readings is left; no policy that must learn that answer can be expected to do better
KNOWN = "all known"
# tape, and static toe read after every move
LOGGED = "logged"


class Bench:
    """One corner with its window, its grid and the true score of any setting."""

    def __init__(self, corner: Corner, seed: int) -> None:
        self.corner = corner
        self.seed = seed
        self.h, self.d = settings_grid()
        self.node, self.weight = window_weights(corner.window_mm)
        fast = surface_scores_deg(corner, self.h, self.d, self.node, self.weight)
        top = np.argsort(fast)[:6]
        self.best = float(self.score(self.h[top], self.d[top]).min())

    def score(self, h: Array | float, d: Array | float) -> Array:
        """True score of settings."""
        return true_scores_deg(
            self.corner, np.atleast_1d(h), np.atleast_1d(d), self.node, self.weight
        )

    def excess(self, h: float, d: float) -> float:
        """True score above the best that can be made."""
        return float(self.score(h, d)[0]) - self.best

    def rng(self, salt: int) -> np.random.Generator:
        """Noise of one policy's runs."""
        return np.random.default_rng([self.seed, salt])


def loop_of_ours(bench: Bench, kind: str) -> dict[str, Array]:
    """Our policy: excess, cover of curve and score, eccentric error after each run."""
    rng = bench.rng((*OURS, "stud", KNOWN, LOGGED).index(kind))
    tape = taped(rng, bench.corner, "tape" if kind in (KNOWN, LOGGED) else kind)
    at, runs = (0.0, 0.0), list[SettingCurve]()
    logged: list[LoggedStaticToe] = []
    reference_toe = rng.normal(0, STATIC_TOE_SD_DEG)
    out: dict[str, list[float]] = {k: [] for k in ("excess", "curve", "score", "shift", "in_shift")}
    for _ in range(N_RUN):
        runs.append(measure(rng, bench.corner, *at))
        surface = _surface(bench.corner, tape, known=kind == KNOWN).fit_curves(runs, logged)
        i = ours(surface, bench.node, bench.weight, bench.h, bench.d)
        at = (float(bench.h[i]), float(bench.d[i]))
        out["excess"].append(bench.excess(*at))
        for key, value in _honesty(bench, surface, at).items():
            out[key].append(value)
        at = ours_to_measure(surface, bench.node, bench.weight, bench.h, bench.d, runs)
        if kind == LOGGED:
            logged.append(_log_static_toe(rng, bench.corner, surface, at, reference_toe))
    return {k: np.array(v) for k, v in out.items()}


def one_run_bound(bench: Bench, kind: str) -> Array:
    """Excess after one run, the same as ours saw, of who knows the test's own generator."""
    rng = bench.rng(OURS.index(kind))
    tape = taped(rng, bench.corner, kind)
    rng.normal(0, STATIC_TOE_SD_DEG)  # the reference toe that ours draws here
    run = measure(rng, bench.corner, 0.0, 0.0)
    even = np.isclose(bench.d % 1.0, 0.0)
    h, d = bench.h[even], bench.d[even]
    taken = choices(rng, bench.corner, tape, run, bench.node, bench.weight, h, d)
    return bench.score(h[list(taken)], d[list(taken)]) - bench.best


class KnownAnswer(ToeSurface):
    """A surface that is told how its corner answers to height and length."""

    def told(self, coefficients: Array) -> KnownAnswer:
        """Take the corner's true coefficients, all but the reference curve's."""
        self.coefficients = coefficients
        return self

    def _prior(self) -> Prior:
        prior = super()._prior()
        mean, cov = prior.mean.copy(), prior.cov.copy()
        answer = slice(N_POWER, N_COEFFICIENT)
        mean[answer] = self.coefficients[answer]
        cov[answer, :] = 0.0
        cov[:, answer] = 0.0
        return Prior(mean=mean, cov=cov)


def _surface(corner: Corner, tape: Tape, *, known: bool) -> ToeSurface:
    if known:
        return KnownAnswer(ahead=corner.ahead, tape=tape).told(corner.coefficients)
    return ToeSurface(ahead=corner.ahead, tape=tape)


def _log_static_toe(
    rng: np.random.Generator,
    corner: Corner,
    surface: ToeSurface,
    at: tuple[float, float],
    reference_toe: float,
) -> LoggedStaticToe:
    """The crew sets the advised shift to the nearest tenth and reads static toe after it."""
    link = link_draws(surface.draws(400), ahead=corner.ahead)
    advised = static_toe(link, at, (0.0, 0.0), Eccentric(), surface.end).shift_mm.value
    set_mm = round(advised, 1)
    needed = float(sweep(corner.points, np.zeros(1), at[0], at[1]).shift_mm[0, 0])
    toe = -(needed - set_mm) / float(corner.tape.arm_mm[0]) * DEG
    return LoggedStaticToe(
        height_mm=at[0],
        length_change_mm=at[1],
        shift_mm=set_mm,
        toe_change_deg=toe + rng.normal(0, STATIC_TOE_SD_DEG) - reference_toe,
        sd_deg=STATIC_TOE_SD_DEG * 2**0.5,
    )


def _honesty(bench: Bench, surface: ToeSurface, at: tuple[float, float]) -> dict[str, float]:
    corner, node = bench.corner, bench.node
    exact = sweep(corner.points, np.append(node, 0.0), at[0], at[1])
    truth = exact.toe_deg[0, 0, :-1] - exact.toe_deg[0, 0, -1]
    mean, cov = surface.curve(*at, node)
    away = np.abs(node) > 3.0
    inside = np.abs(truth - mean)[away] <= Z90 * np.sqrt(np.diag(cov))[away]
    draws = surface.draws(400)
    scores = draw_scores_deg(draws, [at[0]], [at[1]], node, bench.weight)[:, 0]
    band = shortest_band(scores)
    true_score = float(np.sqrt(truth**2 @ bench.weight))
    shift = static_toe(
        link_draws(draws, ahead=corner.ahead), at, (0.0, 0.0), Eccentric(), surface.end
    ).shift_mm
    true_shift = float(exact.shift_mm[0, 0])
    return {
        "curve": float(np.mean(inside)),
        "score": float(band.low <= true_score <= band.high),
        "shift": abs(shift.value - true_shift),
        "in_shift": float(shift.low <= true_shift <= shift.high),
    }


def loop_of_classics(bench: Bench) -> dict[str, Array]:
    """Excess of the classical policies: linear and quadratic surfaces, score-only search."""
    rng = bench.rng(20)
    node, weight, h, d = bench.node, bench.weight, bench.h, bench.d
    runs: list[SettingCurve] = []
    linear = []
    for n_run in range(N_RUN):
        plan = one_at_a_time(n_run)
        if plan is None:
            i = polynomial_choice(runs, node, weight, h, d, 1)
            plan = (float(h[i]), float(d[i]))
        runs.append(measure(rng, bench.corner, *plan))
        i = polynomial_choice(runs, node, weight, h, d, 1)
        linear.append(bench.excess(float(h[i]), float(d[i])))
    runs = [measure(rng, bench.corner, *at) for at in CENTRAL_COMPOSITE]
    i = polynomial_choice(runs, node, weight, h, d, 2)
    return {
        "linear": np.array(linear),
        "quadratic": np.array([bench.excess(float(h[i]), float(d[i]))]),
        "score only": _score_only(bench),
    }


def _score_only(bench: Bench) -> Array:
    rng = bench.rng(30)
    at, seen, scores, out = (0.0, 0.0), list[tuple[float, float]](), list[float](), list[float]()
    for _ in range(N_SCORE_ONLY):
        run = measure(rng, bench.corner, *at)
        k = int(np.searchsorted(run.travel_mm, 0.0))
        travel, toe = np.insert(run.travel_mm, k, 0.0), np.insert(run.toe_deg, k, 0.0)
        scores.append(float(np.sqrt(np.interp(bench.node, travel, toe) ** 2 @ bench.weight)))
        seen.append(at)
        i, best = gp_choice(np.array(seen), np.array(scores), bench.h, bench.d)
        out.append(bench.excess(*best))
        at = (float(bench.h[i]), float(bench.d[i]))
    return np.array(out)


def one_corner(corner: Corner, seed: int, classics: bool) -> dict[str, dict[str, Array]]:
    """All policies on one corner."""
    bench = Bench(corner, seed)
    out = {kind: loop_of_ours(bench, kind) for kind in (*OURS, "stud", KNOWN, LOGGED)}
    if classics:
        out["classics"] = loop_of_classics(bench)
        out["one run"] = {kind: one_run_bound(bench, kind) for kind in OURS}
    out["corner"] = {"level": np.array([pivot_moves_level(corner)])}
    return out


def study(
    n_excess: int, n_cover: int, seed: int = SEED, jobs: int = -1
) -> list[dict[str, dict[str, Array]]]:
    """Run the loop on ``n_cover`` corners, the classical policies on the first ``n_excess``."""
    corners = bench_corners(np.random.default_rng(seed), n_cover)
    # ahead and behind in turn, so that the first few hold both
    half = len(corners) // 2
    mixed = [c for pair in zip(corners[:half], corners[half:], strict=False) for c in pair]
    return list(
        Parallel(n_jobs=jobs)(
            delayed(one_corner)(c, seed + i, i < n_excess) for i, c in enumerate(mixed)
        )
    )


def report(results: list[dict[str, dict[str, Array]]]) -> str:
    """The tables, as text."""
    lines = [f"{len(results)} corners; excess in degrees RMS: median, 90th percentile, worst"]
    for kind in (*OURS, KNOWN):
        lines += _rows(f"ours, {kind}", np.array([r[kind]["excess"] for r in results]))
    some = [r["classics"] for r in results if "classics" in r]
    for name in ("linear", "score only", "quadratic"):
        first = 9 if name == "quadratic" else 1
        lines += _rows(name, np.array([r[name] for r in some]), first)
    lines += _one_run(results)
    lines.append("cover of the 90 % bands after 1, 2, 3, 4 runs: all / ahead / behind")
    for kind in OURS:
        for what in ("curve", "score"):
            got = np.array([r[kind][what] for r in results])
            lines.append(
                f"{kind:<8}{what:<7}"
                + "  ".join(
                    f"{a:.3f} / {b:.3f} / {c:.3f}"
                    for a, b, c in zip(
                        got.mean(0), got[0::2].mean(0), got[1::2].mean(0), strict=True
                    )
                )
            )
    lines.append("eccentric shift: 90th percentile of its error in mm, and cover of its band")
    for kind in ("none", "tape", "stud", LOGGED):
        error = np.array([r[kind]["shift"] for r in results])
        cover = np.array([r[kind]["in_shift"] for r in results])
        lines.append(
            f"{kind:<8}"
            + "  ".join(
                f"{e:.3f} ({c:.3f})"
                for e, c in zip(np.quantile(error, 0.9, axis=0), cover.mean(0), strict=True)
            )
        )
    return "\n".join(lines)


def _one_run(results: list[dict[str, dict[str, Array]]]) -> list[str]:
    """One run: where the pivot moves level, and the bound by the generator's own population."""
    lines = []
    level = np.array([bool(r["corner"]["level"][0]) for r in results])
    for kind in OURS:
        ours = np.array([r[kind]["excess"][0] for r in results])
        lines += _rows(f"{kind}, level", ours[level][:, None])
        lines += _rows(f"{kind}, pivot rises", ours[~level][:, None])
        some = np.array([r["one run"][kind] for r in results if "one run" in r])
        same = np.array([r[kind]["excess"][0] for r in results if "one run" in r])
        lines += _rows(f"{kind}, ours, {len(some)}", same[:, None])
        for rule, excess in zip(RULES, some.T, strict=True):
            lines += _rows(f"{kind}, own, {rule}", excess[:, None])
    return lines


def _rows(name: str, excess: Array, first: int = 1) -> list[str]:
    return [
        f"{name:<20} run {first + i}: {np.median(x):.4f}  {np.quantile(x, 0.9):.4f}  {x.max():.4f}"
        for i, x in enumerate(excess.T)
    ]


def picture(results: list[dict[str, dict[str, Array]]], path: Path) -> None:
    """Excess against runs, median and 90th percentile, on a logarithmic scale."""
    from matplotlib.figure import Figure

    some = [r["classics"] for r in results if "classics" in r]
    series = [
        *((f"ours, {k}", np.array([r[k]["excess"] for r in results]), 1) for k in (*OURS, KNOWN)),
        ("linear", np.array([r["linear"] for r in some]), 1),
        ("score only", np.array([r["score only"] for r in some]), 1),
        ("quadratic", np.array([r["quadratic"] for r in some]), 9),
    ]
    page = Figure(figsize=(6.4, 6.0), layout="constrained")
    axes = page.subplots()
    colours = ("#3f90da", "#e76300", "#a96b59", "#bbbbbb", "#717581", "#222222", "#222222")
    for (name, excess, first), colour, mark in zip(series, colours, "osD.^vX", strict=True):
        runs = np.arange(first, first + excess.shape[1])
        for q, dash in ((0.5, "-"), (0.9, "--")):
            label = name if q == 0.5 else None
            level = np.maximum(np.quantile(excess, q, axis=0), 1e-4)
            axes.plot(runs, level, dash, marker=mark, color=colour, label=label)
    axes.set_yscale("log")
    axes.set_xlabel("runs measured")
    axes.set_ylabel("degrees RMS above the best setting that can be made")
    axes.set_title("median (full) and 90th percentile (dashed)", loc="left", fontsize=11)
    axes.grid(color="#dddddd", linewidth=0.5)
    axes.legend(fontsize=9)
    page.savefig(path, dpi=120)


def main() -> None:
    """Parse, run, print and draw."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--corners", type=int, default=200)
    parser.add_argument("--cover", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--out", type=Path)
    words = parser.parse_args()
    results = study(words.corners, words.cover, words.seed)
    print(report(results))
    if words.out:
        picture(results, words.out)


if __name__ == "__main__":
    main()

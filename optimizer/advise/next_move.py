"""What to try next: every setting that can be made, scored on the surface."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import (
    Action,
    Advice,
    LeftOut,
    Move,
    Outlook,
    Proof,
    RunnerKind,
    RunnerUp,
    Spot,
    SurfaceMap,
    Verdict,
)
from optimizer.advise.eccentric import BAND_SD, Band, link_draws, shortest_band, static_toe
from optimizer.advise.evidence import Evidence, corner_evidence, fitted, setting_curves
from optimizer.advise.goal import Target, target_of, weight_spread_mm
from optimizer.advise.link_body import turn_of
from optimizer.advise.ranking import form_scores_deg, ranking_form, strongest_rival
from optimizer.advise.reasons import because_of, limits_of
from optimizer.advise.settings import Settings, possible_settings
from optimizer.advise.stacks import split_of
from optimizer.measure.quality import run_quality
from optimizer.measure.shape import curve_shape
from optimizer.model.arc import Link
from optimizer.model.surface import ToeSurface, draw_scores_deg
from optimizer.model.validate import left_out_runs
from optimizer.records import Goal, Logbook, Run

Array = NDArray[np.float64]

N_DRAW = 400
N_SHORTLIST = 200
N_MAP = 81
SAME_HEIGHT_MM, SAME_LENGTH_MM = 0.05, 0.1
SCORE_GRAIN_DEG = 1e-3
PROOF_SD = 2.0


class _Table:
    """The work of one answer: the surface, its draws and the score of any spot."""

    def __init__(self, evidence: Evidence, goal: Goal) -> None:
        self.evidence = evidence
        self.goal = goal
        fit = fitted(evidence)
        self.surface: ToeSurface = fit.surface
        self.static_toe_in_doubt = fit.static_toe_in_doubt
        self.target: Target = target_of(goal, evidence.measured_mm)
        self.draws = self.surface.draws(N_DRAW)
        self.link: Link = link_draws(self.draws, ahead=evidence.corner.ahead)
        self.now = self.spot_of(evidence.now)
        self.measured = self._measured()
        scores = [self.scores(s.height_mm, s.length_change_mm) for s in self.measured]
        self.best_measured = min(
            range(len(scores)), key=lambda i: (round(float(np.mean(scores[i])), 6), i)
        )
        self.best_scores = scores[self.best_measured]
        self.seen_deg = self._seen_deg()

    def spot_of(self, run: Run) -> Spot:
        _, change = self.evidence.setting_of(run)
        split = split_of(run, self.evidence.reference, self.evidence.corner.stack)
        return Spot(split=split, length_change_mm=change, run=run.name)

    def scores(self, height: float | Array, change: float | Array) -> Array:
        """Score of each draw, (n_draw,) for one setting or (n_draw, n_setting)."""
        t = self.target
        out = draw_scores_deg(
            self.draws,
            np.atleast_1d(height),
            np.atleast_1d(change),
            t.travel_mm,
            t.weight,
            t.wanted_deg,
        )
        return out[:, 0] if np.ndim(height) == 0 else out

    def expected(self, field: Settings) -> Array:
        """Score each setting is ranked by, degrees, (n_setting,)."""
        t = self.target
        form = ranking_form(
            self.surface, t.travel_mm, t.weight, t.wanted_deg, len(self.evidence.runs)
        )
        return form_scores_deg(form, field.height, field.change)

    def move(self, spot: Spot) -> Move:
        now, corner = self.now, self.evidence.corner
        change = spot.length_change_mm - now.length_change_mm
        return Move(
            spot=spot,
            raise_mm=spot.height_mm - now.height_mm,
            turn=turn_of(corner.thread, change),
            static_toe=static_toe(
                self.link,
                (spot.height_mm, spot.length_change_mm),
                (now.height_mm, now.length_change_mm),
                corner.eccentric,
                corner.stack.end,
            ),
        )

    def outlook(self, spot: Spot) -> Outlook:
        scores = self.scores(spot.height_mm, spot.length_change_mm)
        travel = self.evidence.curves[0].travel_mm
        travel = np.unique(np.concatenate([travel, self.target.travel_mm]))
        mean, cov = self.surface.curve(spot.height_mm, spot.length_change_mm, travel)
        half = BAND_SD * np.sqrt(np.maximum(np.diag(cov), 0.0))
        return Outlook(
            score_deg=shortest_band(scores),
            chance=float(np.mean(scores < self.best_scores - self.seen_deg)),
            gain_deg=float(np.mean(np.maximum(self.best_scores - scores, 0.0))),
            chance_in_tolerance=self._chance_in_tolerance(spot),
            travel_mm=travel,
            toe_deg=mean,
            low_deg=mean - half,
            high_deg=mean + half,
        )

    def _chance_in_tolerance(self, spot: Spot) -> float | None:
        goal = self.goal
        if goal.at_travel_mm is None or goal.toe_change_deg is None or goal.tolerance_deg is None:
            return None
        miss = draw_scores_deg(
            self.draws,
            [spot.height_mm],
            [spot.length_change_mm],
            np.array([goal.at_travel_mm]),
            np.ones(1),
            goal.toe_change_deg,
        )
        return float(np.mean(miss[:, 0] <= goal.tolerance_deg))

    def _measured(self) -> list[Spot]:
        spots: list[Spot] = []
        for run in self.evidence.runs:
            spot = self.spot_of(run)
            if not any(_same(spot, s) for s in spots):
                spots.append(spot)
        return spots

    def _seen_deg(self) -> float:
        """What the gauge resolves of a score: the RMS error of a run's curve."""
        curve = self.evidence.curves[-1]
        return float(np.sqrt(np.mean(np.diag(curve.cov_deg2))))


def advise(book: Logbook, corner: str, goal: Goal | None = None) -> Advice:
    """Say what to try next on one corner.

    Parameters
    ----------
    book : a read logbook
    corner : name of the corner
    goal : replaces the corner's own goal

    Raises
    ------
    CallError
        If the corner is unknown or the goal incomplete.
    TooFewReadingsError
        If no run of the corner has readings.
    NothingCanBeMadeError
        If shims, thread, eccentric and limits leave no setting.
    """
    evidence = corner_evidence(book, corner)
    table = _Table(evidence, goal or evidence.corner.goal)
    field = _settings_of(table)
    expected = table.expected(field)
    order = _ranked(table, field, expected)
    spot, action, gain = _choose(table, field, order)
    verdict = _verdict(table, gain)
    challenger = None
    if not verdict.go_on:
        challenger = spot
        spot, action = _where_to_stop(table, verdict.limit_deg)
    outlook, move = table.outlook(spot), table.move(spot)
    return Advice(
        corner=evidence.corner,
        goal=table.goal,
        target=table.target,
        n_run=len(evidence.runs),
        measured_travel_mm=evidence.curves[-1].travel_mm,
        action=action,
        now=table.now,
        now_outlook=table.outlook(table.now),
        best_measured=table.measured[table.best_measured],
        best_measured_outlook=table.outlook(table.measured[table.best_measured]),
        move=move,
        outlook=outlook,
        runners_up=_runners_up(table, field, order, spot, challenger),
        proof=_proof(table, spot),
        verdict=verdict,
        left_out=_left_out(table),
        readings_in_doubt=tuple(
            q.run.name for q in (run_quality(book, r) for r in evidence.runs) if q.doubts
        ),
        measured_score_deg=_measured_score(table),
        static_toe_in_doubt=table.static_toe_in_doubt,
        now_is_measured=any(r.name == evidence.now.name for r in evidence.runs),
        toe_unset=_toe_unset(evidence),
        planned=evidence.planned,
        because=because_of(
            table.surface, table.now.height_mm, table.now.length_change_mm, table.target
        ),
        limits=limits_of(
            evidence,
            spot.length_change_mm,
            move.static_toe.left_inboard_mm,
            move.static_toe.left_outboard_mm,
            table.target,
        ),
        n_candidate=len(field.height),
        n_ruled_out=field.n_ruled_out,
    )


def surface_map(book: Logbook, corner: str, goal: Goal | None = None) -> SurfaceMap:
    """The surface of one corner over everything that can be set, for a picture."""
    evidence = corner_evidence(book, corner)
    table = _Table(evidence, goal or evidence.corner.goal)
    field = _settings_of(table)
    spots = table.measured
    reach_h = np.append(field.height, [s.height_mm for s in spots])
    reach_d = np.append(field.change, [s.length_change_mm for s in spots])
    height = np.linspace(reach_h.min() - 0.5, reach_h.max() + 0.5, N_MAP)
    length = np.linspace(reach_d.min() - 0.5, reach_d.max() + 0.5, N_MAP)
    h, d = np.meshgrid(height, length)
    t = table.target
    form = table.surface.mean_square_form(t.travel_mm, t.weight, t.wanted_deg)
    return SurfaceMap(
        height_mm=height,
        length_mm=length,
        score_deg=form_scores_deg(form, h, d),
        possible=np.stack([field.height, field.change], axis=1),
        measured=tuple((s.run or "", s.height_mm, s.length_change_mm) for s in spots),
    )


def _settings_of(table: _Table) -> Settings:
    now = (table.now.height_mm, table.now.length_change_mm)
    return possible_settings(table.evidence, now, table.link)


def _ranked(table: _Table, field: Settings, expected: Array) -> NDArray[np.intp]:
    """Settings from best to worst; ties go to the fewest shims and the least work."""
    shims = np.array([s.n_shim for s in field.splits])[field.which]
    turned = np.round(np.abs(field.change - table.now.length_change_mm), 4)
    moved = np.round(np.abs(field.height - table.now.height_mm), 4)
    grain = np.round(expected / SCORE_GRAIN_DEG)
    return np.lexsort((field.change, field.height, moved, turned, shims, grain))


def _choose(table: _Table, field: Settings, order: NDArray[np.intp]) -> tuple[Spot, Action, float]:
    """The best unmeasured setting, or its strongest rival when the best was measured.

    A measured setting never comes back here: the gain of a new one is what decides
    whether to go on.
    """
    fresh = [i for i in order[: N_SHORTLIST + len(table.measured)] if not _known(table, field, i)]
    if not fresh:
        return table.measured[table.best_measured], "stay", 0.0
    if not _known(table, field, order[0]):
        best = _least_work(table, field, fresh)
        scores = table.scores(float(field.height[best]), float(field.change[best]))
        return field.spot(best), "try", float(np.mean(np.maximum(table.best_scores - scores, 0)))
    at = np.array(fresh)
    scores = table.scores(field.height[at], field.change[at])
    best, gain = strongest_rival(table.best_scores, scores)
    return field.spot(fresh[best]), "try", gain


def _least_work(table: _Table, field: Settings, fresh: list[int]) -> int:
    """The best setting, or one that leaves the link alone where that is as good."""
    best = fresh[0]
    alone = [i for i in fresh if abs(field.change[i] - table.now.length_change_mm) < SAME_LENGTH_MM]
    if not alone or best == alone[0]:
        return best
    pair = [best, alone[0]]
    scores = table.scores(field.height[pair], field.change[pair]).mean(axis=0)
    return alone[0] if scores[1] <= scores[0] + SCORE_GRAIN_DEG else best


def _known(table: _Table, field: Settings, index: int) -> bool:
    return any(
        abs(s.height_mm - field.height[index]) < SAME_HEIGHT_MM
        and abs(s.length_change_mm - field.change[index]) < SAME_LENGTH_MM
        for s in table.measured
    )


def _where_to_stop(table: _Table, limit_deg: float) -> tuple[Spot, Action]:
    """Stay, unless going back to the best measured setting gains more than the limit."""
    best, now = table.measured[table.best_measured], table.now
    if _same(best, now):
        return now, "stay"
    here = table.scores(now.height_mm, now.length_change_mm)
    gain = float(np.mean(np.maximum(here - table.best_scores, 0.0)))
    return (best, "go-back") if gain >= limit_deg else (now, "stay")


def _same(a: Spot, b: Spot) -> bool:
    return (
        abs(a.height_mm - b.height_mm) < SAME_HEIGHT_MM
        and abs(a.length_change_mm - b.length_change_mm) < SAME_LENGTH_MM
    )


def _verdict(table: _Table, gain: float) -> Verdict:
    worth, seen = table.goal.worthwhile_deg, table.seen_deg
    limit = max(worth, seen)
    return Verdict(
        go_on=gain >= limit,
        gain_deg=gain,
        limit_deg=limit,
        limited_by="gauge" if seen > worth else "worthwhile",
    )


def _runners_up(
    table: _Table,
    field: Settings,
    order: NDArray[np.intp],
    chosen: Spot,
    challenger: Spot | None,
) -> tuple[RunnerUp, ...]:
    """The best that needs shims only, the best that needs length only, the next best."""
    now = table.now
    same_length = np.abs(field.change - now.length_change_mm) < SAME_LENGTH_MM
    same_height = np.abs(field.height - now.height_mm) < SAME_HEIGHT_MM
    length_free = table.evidence.corner.eccentric.kind != "none"
    out: list[RunnerUp] = []
    taken = [chosen]

    def add(kind: RunnerKind, mask: NDArray[np.bool_]) -> None:
        for i in order:
            spot = field.spot(int(i))
            if not mask[i] or any(_same(spot, s) for s in (*taken, now)):
                continue
            taken.append(spot)
            out.append(RunnerUp(kind=kind, move=table.move(spot), outlook=table.outlook(spot)))
            return

    if length_free:
        add("shims-only", same_length)
        add("length-only", same_height & ~same_length)
    else:
        add("shims-only", np.ones(len(field.height), dtype=bool))
    if challenger is not None and not any(_same(challenger, s) for s in taken):
        add("next", _at(field, challenger))
    else:
        add("next", np.ones(len(field.height), dtype=bool))
    return tuple(out)


def _at(field: Settings, spot: Spot) -> NDArray[np.bool_]:
    return np.asarray(
        (np.abs(field.height - spot.height_mm) < SAME_HEIGHT_MM)
        & (np.abs(field.change - spot.length_change_mm) < SAME_LENGTH_MM)
    )


def _proof(table: _Table, spot: Spot) -> Proof:
    """The measured travel where a new run would say most clearly that the advice failed."""
    curve = table.evidence.curves[-1]
    low, high = table.target.window_mm
    inside = (curve.travel_mm >= low - 1e-6) & (curve.travel_mm <= high + 1e-6)
    inside = inside if np.any(inside) else np.ones(len(curve.travel_mm), dtype=bool)
    travel = curve.travel_mm[inside]
    mean, cov = table.surface.curve(spot.height_mm, spot.length_change_mm, travel)
    now, _ = table.surface.curve(table.now.height_mm, table.now.length_change_mm, travel)
    half = PROOF_SD * np.sqrt(np.diag(cov) + np.diag(curve.cov_deg2)[inside])
    at = int(np.argmax(np.abs(mean - now) / half)) if spot.run is None else len(travel) - 1
    return Proof(
        travel_mm=float(travel[at]),
        low_deg=float(mean[at] - half[at]),
        high_deg=float(mean[at] + half[at]),
    )


def _toe_unset(evidence: Evidence) -> bool:
    """The car stands at an unmeasured setting that moved static toe, and none was logged."""
    now = evidence.now
    if now.static_toe_deg is not None or any(r.name == now.name for r in evidence.runs):
        return False
    return evidence.setting_of(now) != evidence.setting_of(evidence.runs[-1])


def _left_out(table: _Table) -> tuple[LeftOut, ...]:
    misses = left_out_runs(table.surface, setting_curves(table.evidence))
    return tuple(
        LeftOut(run=r.name, error_deg=e, spread_deg=s)
        for r, (e, s) in zip(table.evidence.runs, misses, strict=False)
    )


def _measured_score(table: _Table) -> Band | None:
    """RMS of the best measured run's own readings, for the least-change goal."""
    if table.goal.kind != "least-change":
        return None
    name = table.measured[table.best_measured].run
    index = next(i for i, r in enumerate(table.evidence.runs) if r.name == name)
    curve = table.evidence.curves[index]
    low, high = table.target.window_mm
    if low < curve.travel_mm[0] - 1.0 or high > curve.travel_mm[-1] + 1.0:
        return None
    spread = weight_spread_mm(table.goal, table.target.window_mm)
    rms = curve_shape(curve, table.target.window_mm, spread).rms
    return Band(
        value=rms.value,
        low=max(0.0, rms.value - BAND_SD * rms.sd),
        high=rms.value + BAND_SD * rms.sd,
    )

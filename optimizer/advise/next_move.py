"""What to try next: every setting that can be made, scored on the surface."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import (
    Advice,
    LeftOut,
    Proof,
    RunnerKind,
    RunnerUp,
    Spot,
    SurfaceMap,
)
from optimizer.advise.choice import choose, ranked, verdict_on, where_to_stop
from optimizer.advise.eccentric import BAND_SD, Band
from optimizer.advise.evidence import Evidence, corner_evidence, setting_curves
from optimizer.advise.expectation import clearest_proof
from optimizer.advise.goal import weight_spread_mm
from optimizer.advise.ranking import form_scores_deg
from optimizer.advise.reasons import because_of, limits_of
from optimizer.advise.settings import Settings, possible_settings
from optimizer.advise.table import SAME_HEIGHT_MM, SAME_LENGTH_MM, Table, same_setting
from optimizer.measure.quality import run_quality
from optimizer.measure.shape import curve_shape
from optimizer.model.validate import left_out_runs
from optimizer.records import Goal, Logbook

Array = NDArray[np.float64]

N_MAP = 81


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
    table = Table(evidence, goal or evidence.corner.goal)
    field = _settings_of(table)
    expected = table.expected(field)
    order = ranked(table, field, expected)
    choice = choose(table, field, order, expected)
    verdict = verdict_on(table, choice)
    spot, action = choice.spot, choice.action
    if not verdict.go_on:
        spot, action = where_to_stop(table, field, verdict.limit_deg)
    outlook, move = table.outlook(spot), table.move(spot)
    return Advice(
        corner=evidence.corner,
        goal=table.goal,
        target=table.target,
        n_run=len(evidence.runs),
        measured_travel_mm=evidence.curves[-1].travel_mm,
        action=action,
        best_guess=choice.best_guess,
        now=table.now,
        now_outlook=table.outlook(table.now),
        best_measured=table.measured[table.best_measured],
        best_measured_outlook=table.outlook(table.measured[table.best_measured]),
        move=move,
        outlook=outlook,
        runners_up=_runners_up(table, field, order, spot, choice.best_guess),
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
        half_entered=evidence.half_entered,
        set_aside=evidence.set_aside,
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
    table = Table(evidence, goal or evidence.corner.goal)
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


def _settings_of(table: Table) -> Settings:
    now = (table.now.height_mm, table.now.length_change_mm)
    return possible_settings(table.evidence, now, table.link)


def _runners_up(
    table: Table,
    field: Settings,
    order: NDArray[np.intp],
    chosen: Spot,
    best_guess: Spot,
) -> tuple[RunnerUp, ...]:
    """The best with shims only, the best guess or the next best, the best with length only."""
    now = table.now
    same_length = np.abs(field.change - now.length_change_mm) < SAME_LENGTH_MM
    same_height = np.abs(field.height - now.height_mm) < SAME_HEIGHT_MM
    length_free = table.evidence.corner.eccentric.kind != "none"
    out: list[RunnerUp] = []
    taken = [chosen]

    def put(kind: RunnerKind, spot: Spot) -> None:
        taken.append(spot)
        out.append(RunnerUp(kind=kind, move=table.move(spot), outlook=table.outlook(spot)))

    def add(kind: RunnerKind, mask: NDArray[np.bool_]) -> None:
        for i in order:
            spot = field.spot(int(i))
            if mask[i] and not any(same_setting(spot, s) for s in (*taken, now)):
                put(kind, spot)
                return

    everything = np.ones(len(field.height), dtype=bool)
    guess_lost = not same_setting(best_guess, chosen)
    if guess_lost:
        put("best-guess", best_guess)
    add("shims-only", same_length if length_free else everything)
    if length_free:
        add("length-only", same_height & ~same_length)
    if not guess_lost:
        add("next", everything)
    return tuple(out)


def _proof(table: Table, spot: Spot) -> Proof:
    """The measured travel where a new run would say most clearly that the advice failed."""
    curve = table.evidence.curves[-1]
    low, high = table.target.window_mm
    inside = (curve.travel_mm >= low - 1e-6) & (curve.travel_mm <= high + 1e-6)
    inside = inside if np.any(inside) else np.ones(len(curve.travel_mm), dtype=bool)
    return clearest_proof(table.surface, curve, table.now, spot, curve.travel_mm[inside])


def _toe_unset(evidence: Evidence) -> bool:
    """The car stands at an unmeasured setting that moved static toe, and none was logged."""
    now = evidence.now
    if now.static_toe_deg is not None or any(r.name == now.name for r in evidence.runs):
        return False
    return evidence.setting_of(now) != evidence.setting_of(evidence.runs[-1])


def _left_out(table: Table) -> tuple[LeftOut, ...]:
    misses = left_out_runs(table.surface, setting_curves(table.evidence))
    return tuple(
        LeftOut(run=r.name, error_deg=e, spread_deg=s)
        for r, (e, s) in zip(table.evidence.runs, misses, strict=False)
    )


def _measured_score(table: Table) -> Band | None:
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

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
from optimizer.advise.choice import choose, ranked
from optimizer.advise.decision import decide, measured_settings
from optimizer.advise.eccentric import Band
from optimizer.advise.evidence import Evidence, corner_evidence, setting_curves
from optimizer.advise.expectation import clearest_proof
from optimizer.advise.goal import unmeasured
from optimizer.advise.labour import effort_of, work_of
from optimizer.advise.logged_toe import logged_toe
from optimizer.advise.makeable import (
    is_inside,
    limits_of,
    outside_that_weighs,
    reports,
    settings_of,
)
from optimizer.advise.pivot_move import pivot_report
from optimizer.advise.ranking import form_scores_deg
from optimizer.advise.reasons import because_of
from optimizer.advise.settings import Settings
from optimizer.advise.span import span_scores_deg
from optimizer.advise.stack_end import stack_end
from optimizer.advise.suspects import surely_doubted
from optimizer.advise.table import SAME_HEIGHT_MM, SAME_LENGTH_MM, Table, same_setting
from optimizer.advise.verified import score_of_readings, verified
from optimizer.advise.wishes import Wishes
from optimizer.measure.quality import run_qualities
from optimizer.model.validate import left_out_runs
from optimizer.records import Goal, Labour, Logbook

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
    limits = limits_of(table)
    field = settings_of(table, limits)
    expected = table.expected(field)
    wishes = Wishes(table, field, expected)
    left, expected = wishes.left(field), expected[wishes.kept]
    measured = measured_settings(table, field, wishes, limits)
    order = ranked(table, left, expected)
    choice = choose(table, left, order, expected, measured)
    past = not is_inside(limits, table.now)
    decision = decide(table, choice, measured, wishes, past_a_limit=past)
    spot, action, verdict = decision.spot, decision.action, decision.verdict
    outlook, move = table.outlook(spot), table.move(spot)
    others = _runners_up(table, left, order, spot, choice.best_guess, book.labour)
    work = work_of(move, outlook.gain_deg, book.labour)
    left_out = _left_out(table)
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
        runners_up=others,
        effort=effort_of(book.labour, move, work, [(r.move, r.work) for r in others]),
        verified=verified(book, evidence, table.goal, table.target),
        proof=_proof(table, spot),
        verdict=verdict,
        left_out=left_out,
        readings_in_doubt=_in_doubt(book, evidence, left_out),
        measured_score_deg=_measured_score(table),
        static_toe_in_doubt=table.static_toe_in_doubt,
        now_is_measured=any(r.name == evidence.now.name for r in evidence.runs),
        toe_unset=_toe_unset(evidence),
        planned=evidence.planned,
        half_entered=evidence.half_entered,
        set_aside=evidence.set_aside,
        because=because_of(table.surface, *_on_surface(table, table.now), table.target),
        limits=reports(table, limits, spot),
        n_candidate=len(field.height),
        n_ruled_out=field.n_ruled_out,
        ruled_out=field.ruled_out,
        pivot=pivot_report(book, evidence),
        wishes=decision.wishes,
        n_kept=len(left.height),
        outside=outside_that_weighs(table),
        unmeasured_mm=unmeasured(table.goal, evidence.measured_mm),
        logged_toe=logged_toe(evidence, table.link),
        stack_end=stack_end(table, field, spot),
    )


def surface_map(book: Logbook, corner: str, goal: Goal | None = None) -> SurfaceMap:
    """The surface of one corner over everything that can be set, for a picture."""
    evidence = corner_evidence(book, corner)
    table = Table(evidence, goal or evidence.corner.goal)
    field = settings_of(table, limits_of(table))
    spots = table.measured
    reach_h = np.append(field.height, [s.height_mm for s in spots])
    reach_d = np.append(field.change, [s.length_change_mm for s in spots])
    height = np.linspace(reach_h.min() - 0.5, reach_h.max() + 0.5, N_MAP)
    length = np.linspace(reach_d.min() - 0.5, reach_d.max() + 0.5, N_MAP)
    h, d = np.meshgrid(height, length)
    return SurfaceMap(
        height_mm=height,
        length_mm=length,
        score_deg=_whole_scores_deg(table, h, d),
        possible=np.stack([field.height, field.change], axis=1),
        measured=tuple((s.run or "", s.height_mm, s.length_change_mm) for s in spots),
    )


def _whole_scores_deg(table: Table, height: Array, change: Array) -> Array:
    """Expected score with all of its spread, for settings of any shape."""
    t, height = table.target, table.surface_height(height, change)
    if t.measure == "peak-to-peak":
        return span_scores_deg(table.surface, t, height, change, care=1.0)
    form = table.surface.mean_square_form(t.travel_mm, t.weight, t.wanted_deg)
    return form_scores_deg(form, height, change)


def _in_doubt(book: Logbook, evidence: Evidence, left_out: tuple[LeftOut, ...]) -> tuple[str, ...]:
    """Runs whose readings ``check`` has a word about: of their quality, or of a likely slip.

    Where a run is off what the others foretell, that is told, and ``check`` with it.
    """
    poor = {q.run.name for q in run_qualities(book, evidence.runs) if q.doubts}
    if not any(left.doubtful for left in left_out):
        poor.update(surely_doubted(book, evidence))
    return tuple(r.name for r in evidence.runs if r.name in poor)


def _runners_up(
    table: Table,
    field: Settings,
    order: NDArray[np.intp],
    chosen: Spot,
    best_guess: Spot,
    labour: Labour,
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
        move, outlook = table.move(spot), table.outlook(spot)
        work = work_of(move, outlook.gain_deg, labour)
        out.append(RunnerUp(kind=kind, move=move, outlook=outlook, work=work))

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
    leaves_link = abs(chosen.length_change_mm - now.length_change_mm) < SAME_LENGTH_MM
    if length_free and leaves_link:
        add("next", same_length)  # shims only is what is advised
    else:
        add("shims-only", same_length if length_free else everything)
    if length_free:
        add("length-only", same_height & ~same_length)
    if not guess_lost and not (length_free and leaves_link):
        add("next", everything)
    return tuple(out)


def _proof(table: Table, spot: Spot) -> Proof:
    """The measured travel where a new run would say most clearly that the advice failed."""
    curve = table.evidence.curves[-1]
    inside = table.target.holds(curve.travel_mm)
    inside = inside if np.any(inside) else np.ones(len(curve.travel_mm), dtype=bool)
    now, then = _on_surface(table, table.now), _on_surface(table, spot)
    travel, known = curve.travel_mm[inside], spot.run is not None
    return clearest_proof(table.surface, curve, now, then, travel, known=known)


def _on_surface(table: Table, spot: Spot) -> tuple[float, float]:
    """A spot's height as the surface takes it, and its length change."""
    change = spot.length_change_mm
    return float(table.surface_height(spot.height_mm, change)), change


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
    """The figure of the best measured run's own readings."""
    name = table.measured[table.best_measured].run
    index = next(i for i, r in enumerate(table.evidence.runs) if r.name == name)
    return score_of_readings(table.evidence, index, table.goal, table.target)

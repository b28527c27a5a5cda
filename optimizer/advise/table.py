"""The work of one answer: the surface fitted to a corner, and what it says of any setting."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Move, Outlook, Spot
from optimizer.advise.eccentric import BAND_SD, link_draws, shortest_band
from optimizer.advise.evidence import Evidence, fitted
from optimizer.advise.goal import Target, target_of
from optimizer.advise.link_body import turn_of
from optimizer.advise.pivot_move import static_toe_of
from optimizer.advise.ranking import CARE, expected_improvement_deg, form_scores_deg, ranking_form
from optimizer.advise.settings import Settings
from optimizer.advise.span import draw_spans_deg, span_scores_deg
from optimizer.advise.stacks import split_of
from optimizer.model.arc import Link
from optimizer.model.surface import ToeSurface, draw_scores_deg
from optimizer.records import Goal, Run

Array = NDArray[np.float64]

N_DRAW = 400
SAME_HEIGHT_MM, SAME_LENGTH_MM = 0.05, 0.1


class Table:
    """The work of one answer: the surface, its draws and the score of any spot."""

    def __init__(self, evidence: Evidence, goal: Goal) -> None:
        self.evidence = evidence
        self.goal = goal
        fit = fitted(evidence)
        self.surface: ToeSurface = fit.surface
        self.static_toe_in_doubt = fit.static_toe_in_doubt
        self.target: Target = target_of(goal, evidence.measured_mm, evidence.travel_log)
        self.draws = self.surface.draws(N_DRAW)
        self.link: Link = link_draws(self.draws, ahead=evidence.corner.ahead)
        self.now = self.spot_of(evidence.now)
        self.measured = self._measured()
        self.hold_best(range(len(self.measured)))
        self.seen_deg = self._seen_deg()

    def hold_best(self, among: Sequence[int]) -> None:
        """Compare with the best of these measured settings from now on."""
        spots = {i: self.measured[i] for i in among}
        scores = {i: self.scores(s.height_mm, s.length_change_mm) for i, s in spots.items()}
        self.best_measured = min(scores, key=lambda i: (round(float(np.mean(scores[i])), 6), i))
        self.best_scores = scores[self.best_measured]

    def spot_of(self, run: Run) -> Spot:
        """The setting of a run."""
        _, change = self.evidence.setting_of(run)
        split = split_of(run, self.evidence.reference, self.evidence.corner.stack)
        return Spot(split=split, length_change_mm=change, run=run.name)

    def scores(self, height: float | Array, change: float | Array) -> Array:
        """Score of each draw, (n_draw,) for one setting or (n_draw, n_setting)."""
        t = self.target
        at = np.atleast_1d(self.surface_height(height, change)), np.atleast_1d(change)
        if t.measure == "peak-to-peak":
            out = draw_spans_deg(self.draws, t, *at)
        else:
            out = draw_scores_deg(self.draws, *at, t.travel_mm, t.weight, t.wanted_deg)
        return out[:, 0] if np.ndim(height) == 0 else out

    def expected(self, field: Settings) -> Array:
        """Score each setting is ranked by, degrees, (n_setting,)."""
        return self.ranks_at(field.height, field.change)

    def ranks(self, spots: Sequence[Spot]) -> Array:
        """The same of settings one by one, (n_spot,)."""
        return self.ranks_at(
            np.array([s.height_mm for s in spots]), np.array([s.length_change_mm for s in spots])
        )

    def ranks_at(self, height: Array, change: Array) -> Array:
        """The same of heights and length changes, (n_setting,)."""
        t = self.target
        height = self.surface_height(height, change)
        if t.measure == "peak-to-peak":
            return span_scores_deg(self.surface, t, height, change, CARE)
        form = ranking_form(self.surface, t.travel_mm, t.weight, t.wanted_deg)
        return form_scores_deg(form, height, change)

    def surface_height(self, height: float | Array, change: float | Array) -> Any:
        """Joint height as the surface takes it: all but a free cam leave it as it is."""
        return self.evidence.pivot.surface_height(height, change)

    def on_surface(self, spot: Spot) -> tuple[Array, Array]:
        """Height and length change of one setting as the surface takes them, (1,) each."""
        height, change = np.array([spot.height_mm]), np.array([spot.length_change_mm])
        return np.asarray(self.surface_height(height, change)), change

    def measured_at(self, spot: Spot) -> Spot | None:
        """The measured setting that is the same as this one, if there is one."""
        return next((s for s in self.measured if same_setting(s, spot)), None)

    def move(self, spot: Spot) -> Move:
        """A setting as work on the car."""
        now, corner = self.now, self.evidence.corner
        change = spot.length_change_mm - now.length_change_mm
        return Move(
            spot=spot,
            raise_mm=spot.height_mm - now.height_mm,
            turn=turn_of(corner.thread, change),
            static_toe=static_toe_of(
                self.link,
                (spot.height_mm, spot.length_change_mm),
                (now.height_mm, now.length_change_mm),
                self.evidence.pivot,
                self.evidence.now.eccentric_mark,
                corner.thread,
            ),
        )

    def outlook(self, spot: Spot) -> Outlook:
        """What a setting is expected to show."""
        scores = self.scores(spot.height_mm, spot.length_change_mm)
        travel = self.evidence.curves[0].travel_mm
        travel = np.unique(np.concatenate([travel, self.target.travel_mm]))
        height = self.surface_height(spot.height_mm, spot.length_change_mm)
        mean, cov = self.surface.curve(height, spot.length_change_mm, travel)
        half = BAND_SD * np.sqrt(np.maximum(np.diag(cov), 0.0))
        return Outlook(
            score_deg=shortest_band(scores),
            chance=float(np.mean(scores < self.best_scores - self.seen_deg)),
            gain_deg=expected_improvement_deg(self.best_scores, scores),
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
            [self.surface_height(spot.height_mm, spot.length_change_mm)],
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
            if not any(same_setting(spot, s) for s in spots):
                spots.append(spot)
        return spots

    def _seen_deg(self) -> float:
        """What the gauge resolves of a score: the RMS error of a run's curve.

        Of peak-to-peak, a difference of two readings, the root of twice its square.
        """
        curve = self.evidence.curves[-1]
        one = float(np.sqrt(np.mean(np.diag(curve.cov_deg2))))
        return one * 2**0.5 if self.target.measure == "peak-to-peak" else one


def same_setting(a: Spot, b: Spot) -> bool:
    """Whether two settings are one on the car: no shim and no tenth of length apart."""
    return (
        abs(a.height_mm - b.height_mm) < SAME_HEIGHT_MM
        and abs(a.length_change_mm - b.length_change_mm) < SAME_LENGTH_MM
    )

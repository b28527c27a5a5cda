"""Static toe as it was logged where the car stands, against the reference run's.

A move holds static toe as it stands. Where that was left off what it was, because the
pivot was not brought back after an earlier move, the move alone would keep it off.
"""

from __future__ import annotations

import numpy as np

from optimizer.advise.evidence import Evidence
from optimizer.model.arc import Link, eccentric_shift_mm, static_toe_error_deg
from optimizer.record import record
from optimizer.records import Run

# from here on it is told: twice what the pivot leaves for the gauge at best, a judgement
TOE_OFF_DEG = 0.2


@record
class LoggedToe:
    """How far static toe stands off the reference run's, and what would bring it back.

    Attributes
    ----------
    run, reference : their names
    off_deg : toe-in plus
    back_mm, back_marks : way of the pivot, inboard plus; marks where their worth is known
    read : static toe was read; else only the mark tells
    """

    run: str
    reference: str
    off_deg: float
    back_mm: float
    back_marks: float | None
    read: bool

    @property
    def matters(self) -> bool:
        """Far enough off to be told."""
        return abs(self.off_deg) >= TOE_OFF_DEG


def logged_toe(evidence: Evidence, link: Link) -> LoggedToe | None:
    """What the row where the car stands says of static toe; None where it says nothing.

    Parameters
    ----------
    link : draws of the link, fields (n_draw, 1)
    """
    now, reference = evidence.now, evidence.reference
    if now.name == reference.name:
        return None
    # degrees for a millimetre inboard
    worth_deg = float(np.mean(static_toe_error_deg(link, -1.0)))
    read = now.static_toe_deg is not None and reference.static_toe_deg is not None
    if now.static_toe_deg is not None and reference.static_toe_deg is not None:
        off_deg = now.static_toe_deg - reference.static_toe_deg
    else:
        stands_mm = _stands_mm(evidence, now)
        if stands_mm is None:
            return None
        held = eccentric_shift_mm(link, *evidence.setting_of(now), end=evidence.pivot.end)
        off_deg = (stands_mm - float(np.mean(held))) * worth_deg
    back_mm = -off_deg / worth_deg
    per_mark = _per_mark_mm(evidence)
    return LoggedToe(
        run=now.name,
        reference=reference.name,
        off_deg=off_deg,
        back_mm=back_mm,
        back_marks=None if per_mark is None else back_mm / per_mark,
        read=read,
    )


def _per_mark_mm(evidence: Evidence) -> float | None:
    """Of straight marks alone: a cam's mark is worth less the further it has turned."""
    if evidence.pivot.eccentric.kind != "slot":
        return None
    worth = evidence.pivot.worth
    return worth.value_mm if worth is not None else evidence.pivot.eccentric.mm_per_mark


def _stands_mm(evidence: Evidence, run: Run) -> float | None:
    """Where straight marks say that the pivot stands, from the reference run's."""
    per_mark, first = _per_mark_mm(evidence), evidence.reference.eccentric_mark
    if per_mark is None or first is None or run.eccentric_mark is None:
        return None
    return (run.eccentric_mark - first) * per_mark

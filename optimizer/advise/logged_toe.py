"""Static toe as it was logged where the car stands, against the reference run's.

A move holds static toe as it stands. Where that was left off what it was, because the
pivot was not brought back after an earlier move, the move alone would keep it off.
"""

from __future__ import annotations

import numpy as np

from optimizer.advise.evidence import Evidence
from optimizer.model.arc import Link, eccentric_shift_mm, static_toe_error_deg
from optimizer.record import record

# from here on it is told: twice what the pivot leaves for the gauge at best, a judgement
TOE_OFF_DEG = 0.2


@record
class LoggedToe:
    """How far static toe stands off the reference run's, and what would bring it back.

    Attributes
    ----------
    run, reference : their names
    off_deg : toe-in plus
    back_mm, back_marks : way of the pivot, inboard plus; marks where they are straight and
        their worth is known
    unread : the one of the two whose static toe was not read, so that only marks tell
    """

    run: str
    reference: str
    off_deg: float
    back_mm: float
    back_marks: float | None
    unread: str | None = None

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
    if now.static_toe_deg is not None and reference.static_toe_deg is not None:
        off_deg, unread = now.static_toe_deg - reference.static_toe_deg, None
    else:
        marked_deg = _off_by_mark_deg(evidence, link, worth_deg)
        if marked_deg is None:
            return None
        off_deg, unread = marked_deg, now.name if now.static_toe_deg is None else reference.name
    back_mm = -off_deg / worth_deg
    per_mark = _per_mark_mm(evidence)
    return LoggedToe(
        run=now.name,
        reference=reference.name,
        off_deg=off_deg,
        back_mm=back_mm,
        back_marks=None if per_mark is None else back_mm / per_mark,
        unread=unread,
    )


def _per_mark_mm(evidence: Evidence) -> float | None:
    """Of straight marks alone: a cam's mark is worth less the further it has turned."""
    if evidence.pivot.eccentric.kind != "slot":
        return None
    worth = evidence.pivot.worth
    return worth.value_mm if worth is not None else evidence.pivot.eccentric.mm_per_mark


def _off_by_mark_deg(evidence: Evidence, link: Link, worth_deg: float) -> float | None:
    """How far static toe is off by where the mark says that the pivot stands."""
    mark = evidence.now.eccentric_mark
    made = None if mark is None else evidence.pivot.made(mark)
    if made is None:
        return None
    # a table of marks tells of toe, all else of the pivot's way
    made_deg = made.toe_deg + made.shift_mm * worth_deg
    at = evidence.setting_of(evidence.now)
    held = eccentric_shift_mm(link, *at, end=evidence.pivot.end, lift_mm=made.lift_mm)
    return made_deg - float(np.mean(held)) * worth_deg

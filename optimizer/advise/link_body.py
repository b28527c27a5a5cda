"""The link's thread: which lengths can be set, and the turns and flats to get there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.model.basis import REACH_LENGTH_MM
from optimizer.record import record
from optimizer.records import Thread

Array = NDArray[np.float64]

DEFAULT_STEP_MM = 0.5
# of a length typed to four decimals of an inch
ROUNDING_MM = 2e-3
DEFAULT_REACH_MM = 10.0


@record
class Turn:
    """How far to turn the link's body or end: whole turns, then flats or halves.

    ``parts`` counts flats where both ends are threaded with opposite hands, half
    turns where one is; ``turns`` and ``parts`` are None where the pitch is unknown.
    """

    change_mm: float
    turns: int | None
    parts: int | None
    part_name: str


def step_mm(thread: Thread) -> float | None:
    """Length change of the smallest step that can be set; None for a fixed link.

    A body with opposite threads moves twice the pitch a turn and stops at any flat;
    a single threaded end moves one pitch a turn and stops at half turns.
    """
    if thread.kind == "fixed":
        return None
    if thread.kind == "unknown" or thread.pitch_mm is None:
        return DEFAULT_STEP_MM
    if thread.kind == "both-ends":
        return 2.0 * thread.pitch_mm / thread.flats
    return thread.pitch_mm / 2.0


def length_limits_mm(thread: Thread) -> tuple[float, float]:
    """Shortest and longest length change from the reference that may be offered.

    What the crew states, or 10 mm either way; never past what the surface was
    made for.
    """
    short = DEFAULT_REACH_MM if thread.shorter_mm is None else thread.shorter_mm
    long = DEFAULT_REACH_MM if thread.longer_mm is None else thread.longer_mm
    return -min(short, REACH_LENGTH_MM), min(long, REACH_LENGTH_MM)


def possible_lengths_mm(thread: Thread, now_mm: float) -> Array:
    """Length changes from the reference that steps from the present one can reach.

    Where the link stands now is one of them only inside the thread's limits.
    """
    step = step_mm(thread)
    low, high = length_limits_mm(thread)
    if step is None:
        return np.array([now_mm])
    low, high = low - ROUNDING_MM, high + ROUNDING_MM
    first, last = int(np.ceil((low - now_mm) / step)), int(np.floor((high - now_mm) / step))
    steps = np.arange(first, last + 1)
    lengths = now_mm + steps * step
    inside = (lengths >= low) & (lengths <= high)
    return np.asarray(np.round(lengths[inside], 6))


def turn_of(thread: Thread, change_mm: float) -> Turn:
    """Turns and flats (or half turns) that make a length change, to the nearest."""
    step = step_mm(thread)
    if step is None or thread.pitch_mm is None or thread.kind == "unknown":
        return Turn(change_mm=change_mm, turns=None, parts=None, part_name="")
    per_turn = thread.flats if thread.kind == "both-ends" else 2
    parts = round(abs(change_mm) / step)
    return Turn(
        change_mm=change_mm,
        turns=parts // per_turn,
        parts=parts % per_turn,
        part_name="flat" if thread.kind == "both-ends" else "half turn",
    )

"""The wheels that a kit must serve, from one logbook or several."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.advise.evidence import corner_evidence
from optimizer.advise.table import Table
from optimizer.errors import CallError
from optimizer.kit.parts import bores_of
from optimizer.kit.terms import Wheel
from optimizer.record import record
from optimizer.records import Corner, Goal, Logbook, Offer
from optimizer.standards import thread_sizes


@record
class Place:
    """A corner of a logbook, and what it is called beside others."""

    label: str
    book: Logbook
    corner: str
    goal: Goal | None = None


def wheels_of(
    places: Sequence[Place], offers: Sequence[Offer], *, both_sides: bool = False
) -> tuple[Wheel, ...]:
    """Wheels of these corners, with the bore of their shims where offers tell bores apart.

    Parameters
    ----------
    places : the corners
    offers : packs to be had
    both_sides : whether each corner's other wheel is set alike, from a like set of shims

    Raises
    ------
    CallError
        If both wheels of an axle are among the corners and both sides are meant by each, or
        bores are in doubt.
    TooFewReadingsError
        If a corner has no run with readings.
    """
    named = {(id(p.book), p.corner) for p in places}
    for place in places if both_sides else ():
        for axle in place.book.axles.values():
            if all((id(place.book), side) in named for side in (axle.left, axle.right)):
                raise CallError(
                    f"{axle.left} and {axle.right} are both in the plan already",
                    "take --both-sides away, or name one of them with --corner",
                )
    bores = bores_of(offers, {p.label: bore_mm(p.book.corners[p.corner]) for p in places})
    wheels = []
    for place in places:
        evidence = corner_evidence(place.book, place.corner)
        table = Table(evidence, place.goal or evidence.corner.goal)
        wheels.append(
            Wheel(
                label=place.label,
                table=table,
                copies=2 if both_sides else 1,
                bore=bores[place.label],
                other_mm=_other_mm(place) if both_sides else None,
            )
        )
    return tuple(wheels)


def parted_axles(wheels: Sequence[Wheel], places: Sequence[Place]) -> list[str]:
    """Axles that are to be set alike and whose two wheels are planned apart."""
    named = {(id(p.book), p.corner) for p in places}
    return [
        axle.name
        for book in {id(p.book): p.book for p in places}.values()
        for axle in book.axles.values()
        if axle.same and len(wheels) > 1
        if all((id(book), side) in named for side in (axle.left, axle.right))
    ]


def _other_mm(place: Place) -> tuple[float, ...] | None:
    """The shims that car.toml lists for the other wheel of an axle; None where it does not."""
    for axle in place.book.axles.values():
        if place.corner in (axle.left, axle.right):
            other = axle.right if place.corner == axle.left else axle.left
            if other in place.book.corners:
                return place.book.corners[other].stack.box_mm or None
    return None


def bore_mm(corner: Corner) -> float | None:
    """Bore of a corner's shims, mm: the joint's, else the diameter of its stud."""
    if corner.joint.bore_mm is not None:
        return corner.joint.bore_mm
    size = thread_sizes().get(corner.stud.size or "")
    return None if size is None else size.major_mm

"""Bending of the stud that carries a rod end on a stack, for a load the crew states.

The stud is taken as a cantilever from the face it stands on, loaded square at the ball's
centre: stress 32 M / (pi d^3), the flexure formula for a round section (any handbook of
machine elements). A bolt held beyond the joint too, as in a clevis, bends less; friction
under the nut, tension and shear are left out.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.errors import CallError
from optimizer.record import record

if TYPE_CHECKING:
    from optimizer.standards import PropertyClass

Array = NDArray[np.float64]

# of ultimate: common practice, no source
FATIGUE_PER_ULTIMATE = 0.25


@record
class Stud:
    """A stud where it bends: diameter in mm, proof and ultimate stress in MPa."""

    diameter_mm: float
    proof_mpa: float
    ultimate_mpa: float

    @property
    def fatigue_mpa(self) -> float:
        """Ceiling for a load that comes and goes: a quarter of ultimate (common practice)."""
        return FATIGUE_PER_ULTIMATE * self.ultimate_mpa


@record
class StudBending:
    """Bending of a stud at one stand-off; what needs a load is None where none was stated.

    Attributes
    ----------
    load_n : lateral load at the joint, N
    stand_off_mm : from the face the stud stands on to the ball's centre
    moment_nmm : bending moment at the face, N mm
    stress_mpa : largest bending stress
    proof_share, fatigue_share : stress over proof stress, and over the fatigue ceiling;
        1 is at the limit
    change : stress over today's less 1, for the same load and stud: 0.1 is 10 % more
    """

    load_n: float | None
    stand_off_mm: float
    moment_nmm: float | None
    stress_mpa: float | None
    proof_share: float | None
    fatigue_share: float | None
    change: float


def bending_stress_mpa(load_n: ArrayLike, stand_off_mm: ArrayLike, diameter_mm: ArrayLike) -> Array:
    """Largest bending stress of a round cantilever, MPa: 32 F a / (pi d^3). Broadcasts.

    Raises
    ------
    CallError
        A diameter that is not positive, or a value that is not finite.
    """
    load, arm, d = (np.asarray(x, float) for x in (load_n, stand_off_mm, diameter_mm))
    if not all(np.all(np.isfinite(x)) for x in (load, arm, d)) or np.any(d <= 0.0):
        raise CallError("load, stand-off and diameter must be figures", "diameter above zero, mm")
    return np.asarray(32.0 * load * arm / (math.pi * d**3))


def threaded_stud(size: str, property_class: str, *, threads_bend: bool = True) -> Stud:
    """A stud by its thread size (``M12x1.5``, ``1/2-20``) and class (``10.9``).

    ``threads_bend``: threads lie in the plane of the face, so that the core diameter
    bends; else the shank is as thick as the thread.

    Raises
    ------
    CallError
        A size or class that the tables do not have.
    """
    from optimizer.standards import thread_sizes  # a file is read: only where it is needed

    sizes = thread_sizes()
    if size not in sizes:
        raise CallError(f"no thread is called {size!r}", f"use one of {', '.join(sizes)}")
    thread = sizes[size]
    strength = _strength(property_class, thread.major_mm)
    return Stud(
        diameter_mm=thread.core_mm if threads_bend else thread.major_mm,
        proof_mpa=strength.proof_mpa,
        ultimate_mpa=strength.ultimate_mpa,
    )


def plain_stud(diameter_mm: float, property_class: str) -> Stud:
    """A stud of one diameter where it bends, and its class.

    Raises
    ------
    CallError
        A class that the table does not have at that diameter.
    """
    strength = _strength(property_class, diameter_mm)
    return Stud(
        diameter_mm=diameter_mm,
        proof_mpa=strength.proof_mpa,
        ultimate_mpa=strength.ultimate_mpa,
    )


def stud_bending(
    stud: Stud, load_n: float | None, new_stand_off_mm: float, today_stand_off_mm: float
) -> StudBending:
    """Bending at a stand-off, beside the stud's limits and beside today's stand-off.

    ``load_n``: lateral load at the joint, N, above zero; None where the crew stated none,
    then only the change is known.

    Raises
    ------
    CallError
        A load, a stand-off or a size of the stud that is not positive.
    """
    figures = [new_stand_off_mm, today_stand_off_mm, stud.proof_mpa, stud.ultimate_mpa]
    for value in figures if load_n is None else [*figures, load_n]:
        if not 0.0 < value < math.inf:
            raise CallError(f"{value:g} cannot be a load, a stand-off or a strength", "above zero")
    stress = None
    if load_n is not None:
        stress = float(bending_stress_mpa(load_n, new_stand_off_mm, stud.diameter_mm))
    return StudBending(
        load_n=load_n,
        stand_off_mm=new_stand_off_mm,
        moment_nmm=None if load_n is None else load_n * new_stand_off_mm,
        stress_mpa=stress,
        proof_share=None if stress is None else stress / stud.proof_mpa,
        fatigue_share=None if stress is None else stress / stud.fatigue_mpa,
        change=new_stand_off_mm / today_stand_off_mm - 1.0,
    )


def _strength(name: str, diameter_mm: float) -> PropertyClass:
    from optimizer.standards import property_classes

    table = property_classes()
    names = dict.fromkeys(c.name for c in table)
    if name not in names:
        raise CallError(f"no property class is called {name!r}", f"use one of {', '.join(names)}")
    for one in table:
        if one.name == name and one.over_mm < diameter_mm <= one.up_to_mm:
            return one
    raise CallError(
        f"class {name} is not tabulated for a diameter of {diameter_mm:g} mm",
        f"the table goes up to {max(c.up_to_mm for c in table):g} mm",
    )

"""What a logbook holds once it is read: frozen records in millimetres and degrees.

Signs are those of the glossary in DEVELOPERS.md: travel is plus in bump, toe is
plus for toe-in of one wheel, joint height is plus upwards, length change is plus
when the link grows, eccentric shift is plus inboard. The crew's own signs and
units have been taken out by the logbook reader.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from optimizer.errors import CallError
from optimizer.record import record

if TYPE_CHECKING:
    from decimal import Decimal  # only those who read prices need it

GaugeKind = Literal["one-dial", "two-dials", "toe-plate", "spot", "direct-angle"]
StackFace = Literal["clevis", "arm-below", "arm-above"]
StackEnd = Literal["outer", "inner"]
ThreadKind = Literal["both-ends", "one-end", "fixed", "unknown"]
EccentricKind = Literal["slot", "cam-in-slot", "free-cam", "marks", "none"]
GoalKind = Literal["least-change", "toe-at-travel"]
MeasureKind = Literal["rms", "peak-to-peak"]
WishKind = Literal["never-toe-out", "toe-at-travel", "most-change", "least-change"]
TravelSide = Literal["droop", "bump", "both"]
WeightKind = Literal["flat", "ride-height", "logged"]
SuspensionKind = Literal["independent", "solid-axle", "twist-beam"]
LinkRole = Literal["toe-only", "one-of-two", "camber-too"]
Point = tuple[float, float, float]

TWO_VALUES: tuple[GaugeKind, ...] = ("two-dials", "toe-plate")


@record
class Units:
    """The crew's own units: of travel, of readings, of lengths and of toe."""

    travel: str = "mm"
    reading: str = "mm"
    length: str = "mm"
    toe: str = "deg"


@record
class Signs:
    """+1 where the crew's plus is the tool's plus, -1 where it is the other way."""

    toe: int = 1
    travel: int = 1


@record
class Gauge:
    """The toe gauge and what is known of its noise.

    ``span_mm`` lies between fixed contact and dial (one-dial), between the two
    dials, between the two measured points of a toe plate, or along the beam from
    wheel to board (spot); a direct-angle gauge reads toe itself. ``rising`` is the
    direction in which the reading grows, of front less rear where there are two.
    The standard deviations are prior values (common practice, no source) that
    repeats may raise.
    """

    kind: GaugeKind = "one-dial"
    span_mm: float | None = None
    rising: int = 1  # +1: reading grows with toe-in
    reading_sd: float = 0.03  # of one dial, distance or spot: mm; degrees for direct-angle
    resolution: float = 0.0  # smallest step shown, same unit as reading_sd
    full_range: float | None = None  # from end to end of what it can show, same unit
    travel_sd_mm: float = 0.5
    travel_scale_sd: float = 0.01
    tilt_sd_deg: float = 0.01  # remounting the rig, at 40 mm of travel
    loop_sd: float = 0.02  # up against down at ride height, same unit as reading_sd

    @property
    def reads_two(self) -> bool:
        """Say whether each reading is two values, front and rear."""
        return self.kind in TWO_VALUES


@record
class Measured:
    """A tape value with its standard deviation."""

    value: float
    sd: float


@record
class Tape:
    """Tape measurements of a corner at its reference setting; None where not taken.

    Attributes
    ----------
    length_mm : link length, joint centre to joint centre
    arm_mm : link arm, unsigned; which side is the corner's ``ahead``
    rise_mm : outer joint above inner joint at ride height
    lean_in_rad_per_mm : camber gain, top leaning in under bump is plus
    stud_lean_rad : lean of the stud's top outboard
    """

    length_mm: Measured | None = None
    arm_mm: Measured | None = None
    rise_mm: Measured | None = None
    lean_in_rad_per_mm: Measured | None = None
    stud_lean_rad: Measured | None = None


@record
class MeasuredPoints:
    """Hard points of a double-wishbone corner at its reference setting, as measured.

    Each is (x, y, z) in mm on ISO 8855 axes (x forward, y left, z up), the origin
    anywhere, carried across to the left side where the corner is on the right.

    Attributes
    ----------
    lower_front_pivot_mm, lower_rear_pivot_mm, lower_ball_joint_mm : lower arm
    upper_front_pivot_mm, upper_rear_pivot_mm, upper_ball_joint_mm : upper arm
    link_inner_joint_mm, link_outer_joint_mm : joint centres of the toe link
    wheel_centre_mm : where travel is read
    sd_mm : standard deviation of every coordinate
    """

    lower_front_pivot_mm: Point
    lower_rear_pivot_mm: Point
    lower_ball_joint_mm: Point
    upper_front_pivot_mm: Point
    upper_rear_pivot_mm: Point
    upper_ball_joint_mm: Point
    link_inner_joint_mm: Point
    link_outer_joint_mm: Point
    wheel_centre_mm: Point
    sd_mm: float = 1.0


@record
class Stack:
    """Where shims go and which the crew owns (those on the car included).

    ``rack``: the shims are under the steering rack, so that both sides move; ``end`` is
    inner then.
    """

    end: StackEnd = "outer"
    rack: bool = False
    face: StackFace = "clevis"
    box_mm: tuple[float, ...] = ()
    most_shims: int | None = None  # most shims the crew accepts in both stacks together


@record
class Thread:
    """How the link's length is set. Pitch None means it is not known.

    Attributes
    ----------
    diameter_mm : nominal, known where the thread is named by its size
    engaged_inner_mm, engaged_outer_mm : thread engaged at each end at the reference
        setting; an end without a thread has none
    least_engaged_mm : the least the crew accepts
    """

    kind: ThreadKind = "unknown"
    pitch_mm: float | None = None
    diameter_mm: float | None = None
    engaged_inner_mm: float | None = None
    engaged_outer_mm: float | None = None
    least_engaged_mm: float | None = None
    flats: int = 6
    shorter_mm: float | None = None  # most the link may shorten from the reference
    longer_mm: float | None = None  # most it may grow from the reference


@record
class ShimmedJoint:
    """The rod end (or ball joint) at the shimmed end of the link.

    Attributes
    ----------
    bore_mm : of its ball, where the crew states it
    width_mm : of its ball, face to face
    allowed_deg : tilt it allows to either side
    clocked_off_deg : how far the body is turned about the link from square
    tilt_deg : link out of square with the stud at ride height and the reference setting,
        plus where the outboard end stands high, as measured
    """

    bore_mm: float | None = None
    width_mm: float | None = None
    allowed_deg: float | None = None
    clocked_off_deg: float = 0.0
    tilt_deg: Measured | None = None


@record
class JointStud:
    """The stud or bolt that carries the shimmed joint.

    Attributes
    ----------
    size, property_class : as standards name them
    length_mm : from the face it stands on to its end
    nut_mm : height of the nut
    spacer_mm : fixed parts between that face and the ball, washers included
    shank_mm : its diameter in the plane of the face where no thread lies there
    load_n : lateral load at the joint that the crew states
    least_showing_mm : the least of it that must show past the nut
    tapered : a tapered stud, which takes no shims
    """

    size: str | None = None
    property_class: str | None = None
    length_mm: float | None = None
    nut_mm: float | None = None
    spacer_mm: float = 0.0
    shank_mm: float | None = None
    load_n: float | None = None
    least_showing_mm: float | None = None
    tapered: bool = False


@record
class Eccentric:
    """The movable inner pivot. Marks count inboard.

    Attributes
    ----------
    mm_per_mark : way of the pivot for one mark; None where not known, or for a cam
    inboard_left_mm, outboard_left_mm : way left from the reference mark
    throw_mm : of a cam, between its bolt and the pivot
    deg_per_mark : how far one mark turns a cam
    angle_deg : cam angle at the reference mark; 0 where the throw is square to the slot,
        plus inboard
    lifts : a free cam that raises the pivot as it leaves zero angle goes up (+1) or down
    toe_at_marks : measured (mark, static toe in degrees), for kind marks
    """

    kind: EccentricKind = "slot"
    mm_per_mark: float | None = None
    throw_mm: float | None = None
    deg_per_mark: float | None = None
    angle_deg: float = 0.0
    lifts: int = 1
    toe_at_marks: tuple[tuple[float, float], ...] = ()
    inboard_left_mm: float | None = None  # travel left inboard, from the reference mark
    outboard_left_mm: float | None = None


@record
class Goal:
    """What the crew wants of the curve.

    ``window_mm`` is (droop, bump) as signed travel, None for what the reference
    run measured. For ``toe-at-travel`` the toe change ``toe_change_deg`` is
    wanted at ``at_travel_mm`` within ``tolerance_deg``. ``measure`` says how change over
    the window is told as one figure. ``never_toe_out`` names the side of ride height
    where toe must not go out past ride height's, ``most_change_deg`` the most toe change
    anywhere in the window; ``order`` which wish comes first.
    """

    kind: GoalKind = "least-change"
    measure: MeasureKind = "rms"
    never_toe_out: TravelSide | None = None
    most_change_deg: float | None = None
    order: tuple[WishKind, ...] = ()
    window_mm: tuple[float, float] | None = None
    weight: WeightKind = "flat"
    weight_sd_mm: float | None = None
    at_travel_mm: float | None = None
    toe_change_deg: float | None = None
    tolerance_deg: float | None = None
    worthwhile_deg: float = 0.01


@record
class Corner:
    """One wheel of the car and the hardware of its link."""

    name: str
    side: Literal["left", "right"]
    ahead: bool
    steered: bool = False
    suspension: SuspensionKind = "independent"
    role: LinkRole = "toe-only"
    motion_ratio: float | None = None
    tape: Tape = field(default_factory=Tape)
    points: MeasuredPoints | None = None
    stack: Stack = field(default_factory=Stack)
    thread: Thread = field(default_factory=Thread)
    joint: ShimmedJoint = field(default_factory=ShimmedJoint)
    stud: JointStud = field(default_factory=JointStud)
    eccentric: Eccentric = field(default_factory=Eccentric)
    goal: Goal = field(default_factory=Goal)
    reference_run: str | None = None
    current_run: str | None = None


@record
class Axle:
    """Two corners of one axle.

    Attributes
    ----------
    track_mm : between the wheels' middles
    place : the axle's place on the car
    same : both sides are to be set alike
    """

    name: str
    left: str
    right: str
    track_mm: float | None = None
    place: Literal["front", "rear"] = "rear"
    same: bool = True


@record
class Labour:
    """Minutes of work, as the crew states them; None where it does not."""

    shims_min: float | None = None
    length_min: float | None = None
    alignment_min: float | None = None
    run_min: float | None = None


@record
class TravelLog:
    """Wheel travel as logged on the road: travels in mm, bump plus, and their shares of time.

    The shares sum to 1.
    """

    travel_mm: tuple[float, ...]
    share: tuple[float, ...]


@record
class Offer:
    """Shims of one thickness that can be bought, as one row of a file of offers states them.

    Attributes
    ----------
    price : of one pack, in the crew's own money; 0 for what is given away
    pack : pieces in a pack
    most : packs there are; None where there is no limit
    bore_mm : None where the crew does not state it
    """

    thickness_mm: float
    price: Decimal
    pack: int = 1
    most: int | None = None
    bore_mm: float | None = None
    source: str = ""
    line: int = 0


@record
class Run:
    """One row of runs.csv: a setting and what was known of it."""

    name: str
    corner: str
    date: str = ""
    above_mm: tuple[float, ...] = ()
    below_mm: tuple[float, ...] = ()
    length_change_mm: float = 0.0
    eccentric_mark: float | None = None
    static_toe_deg: float | None = None
    note: str = ""
    line: int = 0


@record
class Reading:
    """One row of readings.csv. ``value`` is mm at the contact, front less rear where
    the gauge reads two, or degrees; it still has the gauge's own sign and zero.
    ``travel_mm`` is plus in bump."""

    run: str
    sweep: str
    travel_mm: float
    value: float
    line: int = 0


@record
class Logbook:
    """A whole logbook folder, read and checked.

    ``corners`` keeps the order of car.toml, ``runs`` and ``readings`` that of
    their files. ``set_aside`` names the runs, or passes as run:pass, whose readings
    the crew asked to leave out.
    """

    folder: Path
    car: str
    units: Units
    signs: Signs
    gauge: Gauge
    corners: Mapping[str, Corner]
    runs: tuple[Run, ...]
    readings: tuple[Reading, ...]
    set_aside: tuple[str, ...] = ()
    axles: Mapping[str, Axle] = field(default_factory=dict)
    labour: Labour = field(default_factory=Labour)
    travel_logs: Mapping[str, TravelLog] = field(default_factory=dict)

    def runs_of(self, corner: str) -> tuple[Run, ...]:
        """Runs of one corner, in file order."""
        return tuple(r for r in self.runs if r.corner == corner)

    def reference_of(self, corner: str) -> Run:
        """The run all settings of a corner are counted from."""
        runs = self.runs_of(corner)
        named = self.corners[corner].reference_run
        return next((r for r in runs if r.name == named), runs[0])

    def readings_of(self, run: str) -> tuple[Reading, ...]:
        """Readings of one run, in file order."""
        return tuple(r for r in self.readings if r.run == run)

    def set_aside_of(self, corner: str) -> tuple[str, ...]:
        """What the crew asked to leave out of one corner: runs, or run:pass."""
        mine = {r.name for r in self.runs_of(corner)}
        return tuple(n for n in self.set_aside if n in mine or n.rpartition(":")[0] in mine)

    def as_of(self, run: str) -> Logbook:
        """The logbook as it stood after ``run``: later runs of its file are left away.

        Raises
        ------
        CallError
            If there is no such run, or a corner's reference run comes later.
        """
        names = [r.name for r in self.runs]
        if run not in names:
            raise CallError(f"no run is called {run!r}", f"use one of {', '.join(names)}")
        kept = self.runs[: names.index(run) + 1]
        held = {r.name for r in kept}
        for name, corner in self.corners.items():
            later = corner.reference_run not in held and corner.reference_run is not None
            if later and any(r.corner == name for r in kept):
                raise CallError(
                    f"the reference run of {name}, {corner.reference_run}, comes after {run!r}",
                    "name a later run",
                )
        corners = {
            name: replace(
                c,
                current_run=c.current_run if c.current_run in held else None,
            )
            for name, c in self.corners.items()
        }
        return replace(
            self,
            runs=kept,
            readings=tuple(r for r in self.readings if r.run in held),
            corners=corners,
        )

    def without(self, names: Sequence[str]) -> Logbook:
        """The logbook less the readings of these runs, or passes named run:pass.

        The runs' rows stay, since settings are counted from them and the car may stand
        at one.

        Raises
        ------
        CallError
            If a run or pass has no such name, or no readings.
        """
        gone = [self._named(name) for name in names]
        measured = {r.run for r in self.readings}
        last = {r.corner: r.name for r in self.runs if r.name in measured}
        corners = {
            name: replace(c, current_run=c.current_run or last.get(name))
            for name, c in self.corners.items()
        }
        kept = tuple(
            r for r in self.readings if not any(run == r.run and p(r.sweep) for run, p in gone)
        )
        return replace(self, corners=corners, readings=kept, set_aside=(*self.set_aside, *names))

    def _named(self, name: str) -> tuple[str, Callable[[str], bool]]:
        """A run and which of its passes are meant."""
        if any(r.run == name for r in self.readings):
            return name, lambda _: True
        run, _, sweep = name.rpartition(":")
        if any(r.run == run and r.sweep == sweep for r in self.readings):
            return run, lambda other: other == sweep
        passes = list(dict.fromkeys(r.sweep for r in self.readings if r.run == run))
        if passes:
            found = f"run {run!r} has no pass {sweep!r}"
            raise CallError(found, f"use one of {', '.join(passes)}")
        runs = list(dict.fromkeys(r.run for r in self.readings))
        raise CallError(
            f"no readings are of a run called {name!r}",
            f"use one of {', '.join(runs) or 'those measured'}, or run:pass for one pass",
        )

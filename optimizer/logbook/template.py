"""The text of a new car.toml: the crew's answers, and what to measure next and how."""

from __future__ import annotations

import re

from optimizer.record import record
from optimizer.records import GaugeKind, Units
from optimizer.units import from_mm

_HEAD = """\
# Logbook of one car: three plain files that a spreadsheet or an editor may change.
#   car.toml      this file: units, signs, the gauge, a table for each corner
#   runs.csv      a row for each setting tried
#   readings.csv  a row for each reading of the gauge
# A line that begins with # is a note. Take the # away to state the value behind it.
#
# Before any reading:
#   - car on rated stands on level ground, never on a jack alone
#   - spring out (or a soft helper spring), anti-roll bar free on both sides
#   - one wheel moved at a time; steering locked at the rack, brake held on
#   - ride height as driven, hub to body, copied onto the stands
#   - the jack does not touch the gauge plate; plate level at every reading
"""

_CAR = """
[car]
name = {name}

[units]
travel = "{travel}"    # of wheel travel: mm, cm or in
reading = "{reading}"    # of the gauge: mm, in or thou; deg or min if it shows an angle
length = "{length}"    # of span, shims and tape: mm or in
toe = "{toe}"    # of toe in this file and static toe: deg or min

[signs]
toe_in = "{toe_in}"    # the sign you give to toe-in
bump = "{bump}"    # the sign you give to bump travel
"""
_WHOLE_CAR = """
# Minutes of work, for gain per hour.
[labour]
# shims = 20    # one move of shims
# length = 30    # one change of length
# alignment = 45    # setting static toe afterwards, both sides
# run = 40    # measuring one run

# Both corners of an axle, for what the pair does. Its corners must stand in this file.
# [axle.rear]
#   left = "rear-left"
#   right = "rear-right"
#   track = {track}    # between the wheels' middles
#   place = "rear"    # front or rear
#   same = true    # both sides are to be set alike
"""

_GAUGES: dict[GaugeKind, str] = {
    "one-dial": """
[gauge]
kind = "one-dial"    # one dial against a fixed contact
span = {span}    # from the fixed contact to the dial, level
rising = "{rising}"    # which way the wheel turns while the dial's number grows
""",
    "two-dials": """
[gauge]
kind = "two-dials"    # readings.csv holds both: columns front and rear
span = {span}    # from the front dial to the rear dial, level
rising = "{rising}"    # which way the wheel turns while front less rear grows
""",
    "toe-plate": """
[gauge]
kind = "toe-plate"    # readings.csv holds the distances to both ends: front and rear
span = {span}    # between the two points of the plate that are measured to, level
reference = "{reference}"    # measured from inboard (across the car, the other side left
#       fixed) or from outboard (a line or bar beside the car)
""",
    "spot": """
[gauge]
kind = "spot"    # a pointer fixed to the wheel throws a spot on a board
throw = {span}    # along the beam, from the wheel to the board
rising = "{rising}"    # which way the wheel turns while the number under the spot grows
""",
    "direct-angle": """
[gauge]
kind = "direct-angle"    # shows toe itself, in your sign of toe
""",
}

_GAUGE_NOISE = """\
# Other kinds of gauge:
#   one-dial      span and rising
#   two-dials     span between them, rising of front less rear; columns front,rear
#   toe-plate     span of its two points, reference = "inboard" or "outboard"; columns front,rear
#   spot          throw and rising
#   direct-angle  neither: it shows toe itself
# Rising not known? Lengthen the link one turn at ride height and look at the number: a link
# ahead turns the wheel to toe-out, one behind to toe-in. If the number grew, that is `rising`;
# if it fell, the other. Then turn the link back.
# Contacts at unequal heights read height difference / span times the camber change: level them.
# range = {range}    # from end to end of what it can show, in {reading}
# What is known of its noise, as a standard deviation; repeats tell more.
# resolution = {resolution}    # smallest step it shows, in {reading}
# reading_noise = {reading_noise}    # of one reading (one of two), in {reading}
# direction_noise = {direction_noise}    # up against down at ride height, in {reading}
# travel_noise = {travel_noise}    # of one travel, in {travel}
# travel_scale_noise = 0.01    # of the whole travel scale: 0.01 is one per cent
# remount_noise = {remount_noise}    # of putting the rig up anew, toe at 40 mm, in {toe}
"""

_CORNER = """
[corner.{corner}]
side = "{side}"
link = "{link}"    # outer joint ahead of or behind the line through upper and lower pivot
steered = {steered}
# suspension = "independent"    # solid-axle and twist-beam are refused
# role = "toe-only"    # one-of-two: one of two lateral links, a length change moves camber
#       too; camber-too: the link that sets camber, refused
# motion_ratio = 0.7    # damper travel for each unit of wheel travel, for travel.csv
reference_run = {run}    # the run that all settings are counted from
# current_run = {run}    # the run as the car stands now; else the last run with readings

# Tape values at the reference run. The rise counts most, then the lean; each makes the
# first advice better. X_give_or_take = how far off the tape may be, either way.
[corner.{corner}.tape]
# length = {link_length}    # link, joint centre to joint centre
# length_give_or_take = {give}
# arm = {arm}    # square to the link seen from above: outer joint to the line through
#       the upper and lower pivots, at the joint's height; never from the wheel centre
# arm_give_or_take = {give}
# rise = {rise}    # outer joint above inner joint at ride height; minus if below
# rise_give_or_take = {give}
# lean_in = 0.5    # degrees the wheel's top leans in for each 25 mm of bump
# lean_in_give_or_take = 0.1
# stud_lean = 0    # degrees the stud's top leans outboard
# stud_lean_give_or_take = 2

# Hard points, all nine or none, [x, y, z] at the reference run: joint centres, x forward,
# y left, z up, from any one origin. For two wishbones; they make the advice best of all.
[corner.{corner}.points]
# lower_front_pivot = {lower_front_pivot}    # of the lower arm, on the body
# lower_rear_pivot = {lower_rear_pivot}
# lower_ball_joint = {lower_ball_joint}    # on the wheel carrier
# upper_front_pivot = {upper_front_pivot}
# upper_rear_pivot = {upper_rear_pivot}
# upper_ball_joint = {upper_ball_joint}
# link_inner_joint = {link_inner_joint}
# link_outer_joint = {link_outer_joint}    # as shimmed in that run
# wheel_centre = {wheel_centre}
# give_or_take = {give}    # of every number; a standard deviation of 1 mm if not stated

# Shims. Each stack is written from the top: 3+1, 2x1+0.5, 0 for none.
[corner.{corner}.stack]
end = "outer"    # the shimmed joint: outer or inner; rack if the steering rack is shimmed
face = "clevis"    # clevis (total stays); arm-below or arm-above the joint (rest under nut)
# shims = "{shims}"    # every shim owned for this joint, those on the car included
# most_shims = {most_shims}    # most that may stand in both stacks together

# How the length of the link is set. With the pitch unknown no turns are advised.
[corner.{corner}.thread]
# kind = "both-ends"    # both-ends (opposite threads), one-end, or fixed
# size = "M14x1.5"    # gives the pitch; or "M14", "5/8-18". Else state:
# pitch = 1.5    # mm for each turn, always in mm; or threads_per_inch in its place
# flats = 6    # flats of the body that a spanner finds
# shorter = {spare}    # most it may shorten from the reference, thread engagement kept
# longer = {spare}    # most it may grow from the reference, thread engagement kept
# engaged_inner = {engaged}    # thread engaged at the inner end in the reference run: what is
# engaged_outer = {engaged}    # hidden in the body; and at the outer end. These limit the length:
# least_engaged = {diameter}    # the least you accept; one diameter if not stated

# The shimmed joint's rod end, and how far it may tilt before its cone or boot touches.
[corner.{corner}.joint]
# bore = {bore}    # of a common series, which gives the next two; or from its maker:
# width = {ball}    # of the ball, face to face
# allowed_tilt = 13    # degrees to either side
# tilt = 2    # link out of square with the stud at ride height, degrees; plus if the
#       outboard end stands high. Worked out from the tape if not stated
# tilt_give_or_take = 1
# clocked_off = 0    # degrees the rod end is turned about the link from square

# The stud or bolt the shimmed joint stands on. Shims lift the joint off its face.
[corner.{corner}.stud]
# size = "M12x1.75"    # or "1/2-20"
# class = "10.9"    # 8.8, 10.9 or 12.9, as stamped on its head
# length = {stud}    # from the face it stands on to its end
# nut = {nut}    # height of the nut
# spacer = 0    # fixed washers and spacers between face and ball; in a clevis the far
#       cheek too
# shank = {bore}    # its diameter at the face if no thread lies there
# load = 3000    # newtons, sideways at the joint, if you know it; stress is told for it
# least_showing = {pitch_shown}    # the least that must show past the nut; one pitch if not stated
# tapered = false    # true for a tapered stud: it takes no shims

# The movable inner pivot. Marks count inboard: in runs.csv an `eccentric_mark` of 2 is two
# marks inboard of mark 0, -2 two outboard. Without marks leave the column empty.
[corner.{corner}.eccentric]
kind = "{eccentric}"    # slot, cam-in-slot, free-cam, marks or none
# per_mark = {per_mark}    # movement of the pivot for one mark
# inboard_left = {spare}    # movement left toward the car's middle, from the reference mark
# outboard_left = {spare}    # movement left away from it
# For a cam, in place of per_mark:
#   throw = {throw}    # bolt to pivot; fitted from static toe logged at two marks if not stated
#   degrees_per_mark = 10    # turn of the cam for one mark
#   angle = 0    # at the reference mark; 0 where a mark moves toe most, plus inboard
#   lifts = "up"    # free-cam only: where the pivot stands when the angle is 0, up or down
# For marks, whose worth was measured, in place of per_mark:
#   toe_at_marks = [[0, 0.1], [2, 0.35]]    # mark and static toe, two or more

# What the curve should do.
[corner.{corner}.goal]
kind = "least-change"    # least toe change over the window; or toe-at-travel (see below)
# measure = "rms"    # change told as weighted RMS; or peak-to-peak
# never_toe_out = "droop"    # toe must not go out from ride height's in droop (bump, both)
# most_change = {most_change}    # the most toe change anywhere in the window
# order = ["never-toe-out", "most-change", "least-change"]    # which wish comes first
# window = {window}    # droop to bump that counts; else what the reference run measured
# weight = "ride-height"    # counts travel near ride height more; or logged (travel.csv);
#       flat if not stated
# weight_sd = {weight_sd}    # for ride-height only: two thirds of the driving is within this
# at_travel = {at_travel}    # for toe-at-travel only: where,
# toe_change = {toe_change}    # how much toe change from ride height,
# tolerance = {tolerance}    # and how close
# worthwhile = {worthwhile}    # a gain smaller than this is not worth the work
"""

_BY_LENGTH = {
    "mm": {
        "link_length": "350",
        "arm": "120",
        "rise": "-5",
        "give": "2",
        "spare": "6",
        "per_mark": "1",
        "engaged": "22",
        "diameter": "14",
        "bore": "12",
        "ball": "16",
        "stud": "48",
        "nut": "12",
        "pitch_shown": "1.75",
        "throw": "4",
        "track": "1480",
    },
    "in": {
        "link_length": "13.75",
        "arm": "4.75",
        "rise": "-0.2",
        "give": "0.08",
        "spare": "0.25",
        "per_mark": "0.04",
        "engaged": "0.9",
        "diameter": "0.55",
        "bore": "0.47",
        "ball": "0.63",
        "stud": "1.9",
        "nut": "0.47",
        "pitch_shown": "0.07",
        "throw": "0.16",
        "track": "58",
    },
}
# An invented left corner with its link ahead, agreeing with the tape examples; mm.
_POINTS_MM = {
    "lower_front_pivot": (150, 350, 180),
    "lower_rear_pivot": (-140, 350, 184),
    "lower_ball_joint": (0, 700, 176),
    "upper_front_pivot": (110, 420, 408),
    "upper_rear_pivot": (-110, 420, 402),
    "upper_ball_joint": (0, 674, 424),
    "link_inner_joint": (120, 352, 227),
    "link_outer_joint": (120, 702, 222),
    "wheel_centre": (0, 745, 300),
}
_NOISES = ("resolution", "reading_noise", "direction_noise", "range")
_BY_READING = {
    "mm": ("0.01", "0.03", "0.02", "10"),
    "in": ("0.0005", "0.001", "0.001", "0.4"),
    "thou": ("0.5", "1", "1", "400"),
    "deg": ("0.01", "0.006", "0.004", "5"),
    "min": ("0.5", "0.4", "0.25", "300"),
}
_ROUGHLY = {
    "mm": ("0.5", "0.4", "0.1", "400"),
    "in": ("0.02", "0.015", "0.004", "16"),
    "thou": ("20", "15", "4", "16000"),
}
_BY_TRAVEL = {
    "mm": {"travel_noise": "0.5", "window": "[-50, 50]", "weight_sd": "20", "at_travel": "40"},
    "cm": {"travel_noise": "0.05", "window": "[-5, 5]", "weight_sd": "2", "at_travel": "4"},
    "in": {"travel_noise": "0.02", "window": "[-2, 2]", "weight_sd": "0.8", "at_travel": "1.5"},
}
_BY_TOE = {
    "deg": {
        "remount_noise": "0.01",
        "toe_change": "0.1",
        "tolerance": "0.02",
        "worthwhile": "0.01",
        "most_change": "0.2",
    },
    "min": {
        "remount_noise": "0.6",
        "toe_change": "6",
        "tolerance": "1.5",
        "worthwhile": "0.6",
        "most_change": "12",
    },
}


@record
class CarText:
    """What a new car.toml states; texts and numbers as they stand there."""

    name: str
    units: Units
    toe_out_plus: bool
    droop_plus: bool
    gauge: GaugeKind
    span: str
    rising: str
    reference: str
    corner: str
    side: str
    link: str
    steered: bool
    run: str
    shims: str
    most_shims: int


def toml_string(text: str) -> str:
    """Write text as a TOML basic string."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    shown = (f"\\u{ord(c):04X}" if ord(c) < 0x20 or c == "\x7f" else c for c in plain)
    return f'"{"".join(shown)}"'


def toml_key(name: str) -> str:
    """Write a name as a TOML key, quoted where it must be."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_string(name)


def _points(car: CarText) -> dict[str, str]:
    """Example hard points on the corner's own side, in the crew's unit of length."""
    across = -1 if car.side == "right" else 1
    along = -1 if car.link == "behind" else 1
    shown = {}
    for key, (x, y, z) in _POINTS_MM.items():
        forward = x * along if key.startswith("link") else x
        place = (from_mm(v, car.units.length) for v in (forward, y * across, z))
        shown[key] = f"[{', '.join(f'{v:.4g}' for v in place)}]"
    return shown


def car_toml(car: CarText) -> str:
    """Write a new car.toml.

    Parameters
    ----------
    car : what it states

    Returns
    -------
    The whole text; examples that are still notes are in the crew's own units and signs.
    """
    units = car.units
    noises = _ROUGHLY if car.gauge in ("toe-plate", "spot") else _BY_READING
    words = {
        "travel": units.travel,
        "reading": units.reading,
        "length": units.length,
        "toe": units.toe,
        "name": toml_string(car.name),
        "toe_in": "minus" if car.toe_out_plus else "plus",
        "bump": "minus" if car.droop_plus else "plus",
        "span": car.span,
        "rising": car.rising,
        "reference": car.reference,
        "corner": toml_key(car.corner),
        "side": car.side,
        "link": car.link,
        "steered": "true" if car.steered else "false",
        "run": toml_string(car.run),
        "shims": car.shims,
        "most_shims": str(car.most_shims),
        "eccentric": "none" if car.steered else "slot",
        **_BY_LENGTH[units.length],
        **_points(car),
        **dict(zip(_NOISES, noises[units.reading], strict=True)),
        **_BY_TRAVEL[units.travel],
        **_BY_TOE[units.toe],
    }
    # The example is toe-in in droop, in the crew's own signs.
    words["at_travel"] = ("" if car.droop_plus else "-") + words["at_travel"]
    words["toe_change"] = ("-" if car.toe_out_plus else "") + words["toe_change"]
    parts = (_HEAD, _CAR, _GAUGES[car.gauge], _GAUGE_NOISE, _WHOLE_CAR, _CORNER)
    return "".join(part.format_map(words) for part in parts)

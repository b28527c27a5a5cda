"""Every fault a logbook can hold: its code, file, line, caret, and that the remedy removes it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer import logbook
from optimizer.errors import LogbookError, Problem
from optimizer.logbook import FAULT_CODES, FILES, parse_table, plan_import, read_logbook
from optimizer.logbook.offers import read_offers
from optimizer.records import Logbook, Units

CAR = """\
[car]
name = "car one"

[units]
travel = "mm"
reading = "mm"
length = "mm"

[signs]
toe_in = "plus"

[gauge]
kind = "one-dial"
span = 400
rising = "toe-in"

[corner.rear-left]
link = "ahead"
steered = false
reference_run = "run1"

[corner.rear-left.tape]
arm = 120

[corner.rear-left.stack]
face = "clevis"
shims = "2x3+3x1"
most_shims = 7

[corner.rear-left.thread]
pitch = 1.5

[corner.rear-left.goal]
kind = "least-change"
window = [-50, 50]

[corner.rear-right]
link = "ahead"

[corner.rear-right.points]
lower_front_pivot = [150, -350, 180]
lower_rear_pivot = [-140, -350, 184]
lower_ball_joint = [0, -700, 176]
upper_front_pivot = [110, -420, 408]
upper_rear_pivot = [-110, -420, 402]
upper_ball_joint = [0, -674, 424]
link_inner_joint = [120, -352, 227]
link_outer_joint = [120, -702, 222]
wheel_centre = [0, -745, 300]
give_or_take = 2
"""
RUNS = """\
run,corner,date,shims_above,shims_below,length_change,static_toe,note
run1,rear-left,2031-05-01,3+1,1,0,0.2,as found
run2,rear-left,2031-05-01,1,3+1,1.5,0.1,"joint raised,
  then checked"
run3,rear-right,,2,2,,,
"""
READINGS = """\
run,pass,travel,reading
run1,up1,-50,-0.81
run1,up1,-25,-0.38
run1,up1,0,0
run1,up1,25,0.45
run1,up1,50,0.9
run1,up1,0,0.01
run2,up1,-50,-0.4
run2,up1,0,0
run2,up1,50,0.5
"""
GOOD = {"car.toml": CAR, "runs.csv": RUNS, "readings.csv": READINGS}


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One fault: the text changed in one file, and where the fault must be shown.

    ``at`` is the text above the caret, ``mend`` one replacement that must make
    the file read clean; `SAID` takes the replacement from the remedy itself.
    """

    code: str
    file: str
    old: str
    new: str
    line: int
    at: str = ""
    mend: tuple[str, str] | str = ""


SAID = "said"  # the remedy's first words between back quotes replace the text at the caret

Entry = tuple[str, str, str, int, str, tuple[str, str] | str]

CAR_SAMPLES: list[Entry] = [
    ("L201", "span = 400\n", "span = 400 mm\n", 14, "m", ("400 mm", "400")),
    ("L201", 'kind = "one-dial"', "kind = one-dial", 13, "o", ("one-dial", '"one-dial"')),
    ("L201", "pitch = 1.5", "pitch = 1,5", 31, ",", ("1,5", "1.5")),
    ("L201", 'name = "car one"', "name = “car one”", 2, "“", ("“car one”", '"car one"')),
    ("L201", "window = [-50, 50]", "window = [-50, 50", 37, "[", ("-50, 50\n", "-50, 50]\n")),
    ("L201", 'travel = "mm"', 'travel = "mm"\ntravel = "in"', 6, "", ('\ntravel = "in"', "")),
    ("L202", "[signs]", "[singns]", 9, "singns", SAID),
    ("L202", "[corner.rear-left.tape]", "[corner.rear-left.taep]", 22, "taep", SAID),
    ("L202", "[corner.rear-left.thread]", "[thread]", 30, "thread",
     ("[th", "[corner.rear-left.th")),
    ("L203", "span = 400", "spna = 400", 14, "spna", SAID),
    ("L203", 'travel = "mm"', '"travle" = "mm"', 5, '"travle"', SAID),
    ("L203", "arm = 120", "arm = 120\nlenght = 350", 24, "lenght", SAID),
    ("L203", "toe_in", 'reading = "mm"\ntoe_in', 10, "reading",
     ('reading = "mm"\ntoe_in', "toe_in")),
    ("L203", "pitch = 1.5", "pitch = 1.5\nputch = 2", 32, "putch", ("putch = 2\n", "")),
    ("L204", "span = 400", 'span = "400 mm"', 14, '"400 mm"', ('"400 mm"', "400")),
    ("L204", "steered = false", 'steered = "no"', 19, '"no"', ('"no"', "false")),
    ("L204", "link = \"ahead\"\nsteered", "link = 3\nsteered", 18, "3", ("3\n", '"ahead"\n')),
    ("L204", "most_shims = 7", "most_shims = 7.5", 28, "7.5", ("7.5", "7")),
    ("L204", 'shims = "2x3+3x1"', "shims = [3, true]", 27, "[3, true]",
     ("[3, true]", "[3,3,1,1,1]")),
    ("L204", "window = [-50, 50]", "window = 50", 35, "50", ("50", "[-50, 50]")),
    ("L204", '[signs]\ntoe_in = "plus"', '[[signs]]\ntoe_in = "plus"', 9, "signs",
     ("[[signs]]", "[signs]")),
    ("L204", "[corner.rear-right]", '[corner]\nlink = "ahead"\n[corner.rear-right]', 38, '"ahead"',
     ("[corner]", "[corner.front-left]")),
    ("L205", 'length = "mm"', 'length = "millimetre"', 7, '"millimetre"', SAID),
    ("L205", 'face = "clevis"', 'face = "clevi"', 26, '"clevi"', SAID),
    ("L205", 'kind = "least-change"', 'kind = "toe"', 34, '"toe"', ('"toe"', '"least-change"')),
    ("L206", "arm = 120", "arm = 0", 23, "0", ("arm = 0", "arm = 118")),
    ("L313", "pitch = 1.5", "pitch = 1.5\n[corner.rear-left.eccentric]\nper_mark = 1e-6",
     33, "1e-6", ("1e-6", "1.0")),
    ("L313", "pitch = 1.5", "pitch = 0.05", 31, "0.05", ("pitch = 0.05", "threads_per_inch = 20")),
    ("L206", "pitch = 1.5", "pitch = 15", 31, "15", ("= 15", "= 1.5")),
    ("L206", "most_shims = 7", "most_shims = 0", 28, "0", ("= 0", "= 6")),
    ("L206", "span = 400", "span = 400\nreading_noise = 0", 15, "0", ("noise = 0", "noise = 0.02")),
    ("L207", 'length = "mm"\n', "", 13, "400", ("[signs]", 'length = "mm"\n[signs]')),
    ("L208", 'link = "ahead"\nsteered', "steered", 17, "rear-left",
     ("steered", 'link = "ahead"\nsteered')),
    ("L208", 'rising = "toe-in"\n', "", 12, "gauge", ("span", 'rising = "toe-in"\nspan')),
    ("L208", "arm = 120", "arm = 120\nrise_give_or_take = 2", 24, "2",
     ("rise_", "rise = 5\nrise_")),
    ("L209", "span = 400\n", "", 12, "gauge", ("kind", "span = 400\nkind")),
    ("L210", "span = 400", "span = -400", 14, "-400", ("-400", "400")),
    ("L210", "span = 400", "span = 0.0", 14, "0.0", ("0.0", "400")),
    ("L211", 'reading = "mm"', 'reading = "deg"', 6, '"deg"', ('"one-dial"', '"direct-angle"')),
    ("L213", "window = [-50, 50]", "window = [10, 50]", 35, "[10, 50]", ("[10", "[-10")),
    ("L213", "window = [-50, 50]", "window = [0, 0]", 35, "[0, 0]", ("[0, 0]", "[-50, 50]")),
    ("L214", "[corner.rear-right]", '[corner.fr]\nlink = "behind"\n[corner.rear-right]', 37, "fr",
     ("[corner.fr]", "[corner.fr]\nside = 'right'")),
    ("L215", '"run1"', '"run9"', 20, '"run9"', ('"run9"', '"run1"')),
    ("L216", '"run1"', '"run3"', 20, '"run3"', ('"run3"', '"run1"')),
    ("L217", "pitch = 1.5", "pitch = 1.5\nthreads_per_inch = 20", 32, "20", ("pitch = 1.5\n", "")),
    ("L217", "window = [-50, 50]", "tolerance = 0.05", 35, "0.05",
     ('"least-change"', '"toe-at-travel"\nat_travel = -40\ntoe_change = 0.1')),
    ("L217", 'kind = "least-change"\nwindow', "toe_change = 0.1\nat_travel = 40\nwindow", 35,
     "40", ("toe_change = 0.1\nat_travel = 40\n", "")),
    ("L217", "window = [-50, 50]", 'weight = "flat"\nweight_sd = 20', 36, "20",
     ('"flat"', '"ride-height"')),
    ("L217", "window = [-50, 50]", "weight_sd = 20", 35, "20",
     ("weight_sd", 'weight = "ride-height"\nweight_sd')),
    ("L205", "pitch = 1.5", 'size = "M14x1.6"', 31, '"M14x1.6"', SAID),
    ("L205", "pitch = 1.5", 'size = "14"', 31, '"14"', ('size = "14"', "pitch = 2")),
    ("L217", "pitch = 1.5", 'pitch = 1.5\nsize = "M14"', 32, '"M14"', ('"M14"', '"M14x1.5"')),
    ("L217", "pitch = 1.5", 'threads_per_inch = 20\nsize = "5/8-18"', 32, '"5/8-18"',
     ("threads_per_inch = 20\n", "")),
    ("L310", "span = 400", "span = nan", 14, "nan", ("nan", "400")),
    ("L310", 'shims = "2x3+3x1"', "shims = [3, inf]", 27, "[3, inf]", ("[3, inf]", "'2x3+3x1'")),
    ("L313", "span = 400", "span = 16", 14, "16", ("= 16", "= 406")),
    ("L221", "arm = 120", "length = 320\nrise = -192", 24, "-192", ("-192", "-19.2")),
    ("L221", "arm = 120", "rise = 300", 23, "300", ("rise = 300", "length = 501\nrise = 300")),
    ("L313", "arm = 120", "arm = 29", 23, "29", ("29", "120")),
    ("L313", "arm = 120", "arm = 351", 23, "351", ("351", "120")),
    ("L313", "arm = 120", "length = 99", 23, "99", ("99", "350")),
    ("L313", "arm = 120", "length = 901", 23, "901", ("901", "350")),
    ("L313", "arm = 120", "rise = 541", 23, "541", ("541", "5")),
    ("L313", "window = [-50, 50]", "window = [-500, 50]", 35, "[-500, 50]", ("-500", "-50")),
    ("L404", '"2x3+3x1"', '"2x3 3x1"', 27, "2x3 3x1", ("2x3 3x1", "2x3+3x1")),
    ("L405", '"2x3+3x1"', '"2x3+3x1+-1"', 27, "-1", ("+-1", "")),
    ("L405", '"2x3+3x1"', "[3, -1]", 27, "[3, -1]", ("[3, -1]", "[3, 3, 1, 1, 1]")),
    ("L406", '"2x3+3x1"', '"2x3+3x1+55"', 27, "55", ("+55", "")),
    ("L406", '"2x3+3x1"', "[3, 99]", 27, "[3, 99]", ("[3, 99]", "[3, 3, 1, 1, 1]")),
    # hard points
    ("L203", "wheel_centre", "wheel_center", 49, "wheel_center", SAID),
    ("L204", "[0, -745, 300]", "[0, -745]", 49, "[0, -745]", ("-745]", "-745, 300]")),
    ("L204", "[0, -745, 300]", '"0 -745 300"', 49, '"0 -745 300"',
     ('"0 -745 300"', "[0, -745, 300]")),
    ("L206", "give_or_take = 2", "give_or_take = 0", 50, "0", ("take = 0", "take = 3")),
    ("L217", 'link = "ahead"\n\n', 'link = "behind"\n\n', 48, "[120, -702, 222]",
     ('"behind"', '"ahead"')),
    ("L217", "[corner.rear-right.points]",
     "[corner.rear-right.tape]\nrise = 25\n[corner.rear-right.points]", 50, "[120, -702, 222]",
     ("rise = 25", "rise = -4")),
    ("L218", "wheel_centre = [0, -745, 300]\n", "", 40, "points",
     ("give_or_take = 2", "wheel_centre = [0, -745, 300]")),
    ("L219", "[0, -745, 300]", "[0, -700, 178]", 49, "[0, -700, 178]",
     ("[0, -700, 178]", "[0, -745, 300]")),
    ("L220", "[0, -700, 176]", "[0, 700, 176]", 43, "[0, 700, 176]", ("[0, 700", "[0, -700")),
    ("L220", "[-140, -350, 184]", "[160, -350, 184]", 41, "[150, -350, 180]",
     ("[160", "[-160")),
    ("L220", "[0, -674, 424]", "[0, -674, 124]", 46, "[0, -674, 124]", ("124]", "424]")),
    ("L310", "[0, -745, 300]", "[0, nan, 300]", 49, "[0, nan, 300]", ("nan", "-745")),
    ("L313", "[0, -745, 300]", "[0, -7450, 300]", 49, "[0, -7450, 300]", ("-7450", "-745")),
    ("L313", "[0, -745, 300]", "[0, -745e9, 300]", 49, "[0, -745e9, 300]", ("e9", "")),
]  # fmt: skip
RUN_SAMPLES: list[Entry] = [
    ("L302", "date,shims_above", "shims_above,shims_above", 1, "shims_above",
     ("shims_above,shims_above", "date,shims_above")),
    ("L303", "shims_below,", "under,", 1, "", ("under", "shims_below")),
    ("L304", "static_toe", "statictoe", 1, "statictoe", SAID),
    ("L304", "shims_below", "shim_below_mm", 1, "shim_below_mm", SAID),
    ("L305", "shims_above", "shims_above_foot", 1, "shims_above_foot", ("_foot", "_mm")),
    ("L305", "length_change", "length_change_inches", 1, "length_change_inches",
     ("_inches", "_in")),
    ("L306", "2,2,,,", "2,2", 5, "", ("2,2", "2,2,,,")),
    ("L306", "as found", "as found, wet", 2, "wet", ("as found, wet", '"as found, wet"')),
    ("L306", "1,1.5,", "1,1,5,", 3, "joint raised,", ("1,1,5,", "1,1.5,")),
    ("L307", "as found", '"as found', 2, '"', ('"as found', '"as found"')),
    ("L307", "as found", '"as" found', 2, '"', ('"as" found', '"""as"" found"')),
    ("L308", "\nrun3", "\n", 5, "", ("\n,rear", "\nrun3,rear")),
    ("L309", "1.5", "abt 1.5", 3, "abt 1.5", ("abt ", "")),
    ("L310", "0.2", "NaN", 2, "NaN", ("NaN", "")),
    ("L310", "1.5", "1e999", 3, "1e999", ("1e999", "1.5")),
    ("L311", "1.5", '"1,500"', 3, "1,500", SAID),
    ("L311", "1.5", '"1.500,0"', 3, "1.500,0", ('"1.500,0"', "1.5")),
    ("L312", "1.5", "1.5 mm", 3, "1.5 mm", SAID),
    ("L312", "2,2", "2 mm,2", 5, "2 mm", SAID),
    ("L313", "1.5", "1500", 3, "1500", ("1500", "1.5")),
    ("L313", "1.5", "-41", 3, "-41", ("-41", "-39")),
    ("L409", "3+1,1,0", "3+1,1,0.5", 2, "0.5", SAID),
    ("L313", "0.2", "12", 2, "12", (",12,", ",0.12,")),
    ("L401", "run3,", "run2,", 5, "run2", ("run2,rear-right", "run3,rear-right")),
    ("L402", "run3,rear-right", "run3,rear-rigth", 5, "rear-rigth", SAID),
    ("L403", "run3,rear-right", "run3,", 5, "", ("run3,", "run3,rear-right")),
    ("L404", "3+1,1", "3+one,1", 2, "one", ("one", "1")),
    ("L404", "3+1,1", "3+,1", 2, "+", ("3+,", "3+1,")),
    ("L405", "3+1,1", "3+-1,1", 2, "-1", ("-1,1", "1,1")),
    ("L405", "2,2,,", "2,2+\u22122,,", 5, "\u22122", ("+\u22122", "")),
    ("L406", "3+1,1", "3+100,1", 2, "100", ("100", "1.00")),
    ("L406", "2,2,,", "2,70x0.1,,", 5, "70x0.1", ("70x", "7x")),
    ("L407", "1,3+1,1.5", "1,3,1.5", 3, "1,3", (",1,3,", ",1,3+1,")),
    ("L408", "3+1,1", "3+0.5+0.5,1", 2, "3+0.5+0.5,1", ("0.5+0.5", "1")),
]  # fmt: skip
READING_SAMPLES: list[Entry] = [
    ("L211", "reading\n", "reading_deg\n", 1, "reading_deg", ("_deg", "_mm")),
    ("L303", "pass,", "way,", 1, "", ("way,", "pass,")),
    ("L304", "travel", "travell", 1, "travell", SAID),
    ("L305", "reading\n", "reading_2\n", 1, "reading_2", ("_2", "_mm")),
    ("L306", "run1,up1,25,0.45", "run1,up1,25,0,45", 5, "45", ("0,45", "0.45")),
    ("L308", "25,0.45", "25,", 5, "", ("25,\n", "25,0.45\n")),
    ("L308", "run1,up1,25", "run1,,25", 5, "", ("run1,,", "run1,up1,")),
    ("L309", "0.45", "0.4.5.x", 5, "0.4.5.x", ("0.4.5.x", "0.45")),
    ("L309", "0.45", "0x1", 5, "0x1", ("0x1", "0.45")),
    ("L310", "0.45", "-inf", 5, "-inf", ("-inf", "0.45")),
    ("L312", "run1,up1,25", "run1,up1,25mm", 5, "25mm", SAID),
    ("L313", "run1,up1,25", "run1,up1,2500", 5, "2500", ("2500", "25")),
    ("L313", "0.45", "450", 5, "450", ("450", "0.45")),
    ("L501", "run2,up1,-50", "run7,up1,-50", 8, "run7", ("run7", "run2")),
    ("L502", "run1,up1,25", "run1,up1,-25.0", 5, "-25.0", ("-25.0", "25")),
    ("L503", "run2,up1,0,0\n", "run2,up1,2,0\n", 8, "up1", ("up1,2,0", "up1,0,0")),
    ("L503", "run2,up1,50", "run2,upp1,50", 10, "upp1", ("upp1", "up1")),
    ("L504", "run2,up1,-50,-0.4\n", "", 8, "run2",
     ("run2,up1,50", "run2,up1,-50,-0.4\nrun2,up1,50")),
]  # fmt: skip
TWO = {
    "car.toml": CAR.replace('"one-dial"', '"two-dials"'),
    "runs.csv": RUNS,
    "readings.csv": """\
run,pass,travel,front,rear
run1,up1,-50,4.1,5.0
run1,up1,0,5,5
run1,up1,50,5.9,5.0
""",
}
PLATE = {
    **TWO,
    "car.toml": CAR.replace('"one-dial"', '"toe-plate"').replace(
        'rising = "toe-in"', 'reference = "inboard"'
    ),
}
SPOT = {
    **GOOD,
    "car.toml": CAR.replace('"one-dial"', '"spot"').replace("span = 400", "throw = 4000"),
    "readings.csv": "run,pass,travel,reading\n"
    "run1,up1,-50,1190\nrun1,up1,0,1200\nrun1,up1,50,1209\n",
}
GAUGE_SAMPLES: list[tuple[dict[str, str], Entry]] = [
    (TWO, ("L209", "span = 400\n", "", 12, "gauge", ("kind", "span = 400\nkind"))),
    (TWO, ("L208", 'rising = "toe-in"\n', "", 12, "gauge", ("span", 'rising = "toe-in"\nspan'))),
    (TWO, ("L209", "span = 400", "throw = 400", 14, "400", ("throw", "span"))),
    (TWO, ("L217", "span = 400", "span = 400\nthrow = 4000", 15, "4000", ("throw = 4000\n", ""))),
    (TWO, ("L217", "span = 400", 'span = 400\nreference = "inboard"', 15, '"inboard"',
           ('reference = "inboard"\n', ""))),
    (TWO, ("L206", "span = 400", "span = 400\nrange = 0", 15, "0", ("range = 0", "range = 10"))),
    (TWO, ("L211", 'reading = "mm"', 'reading = "deg"', 6, '"deg"', ('"deg"', '"thou"'))),
    (TWO, ("L303", "front,rear", "reading,rear", 1, "", ("reading", "front"))),
    (TWO, ("L304", "front,rear", "frontt,rear", 1, "frontt", SAID)),
    (TWO, ("L211", "front,rear", "front_mm,rear_min", 1, "rear_min", ("_min", "_mm"))),
    (TWO, ("L505", "-50,4.1,5.0", "-50,4.1,", 2, "", ("4.1,", "4.1,5.0"))),
    (TWO, ("L505", "50,5.9,5.0", "50,,5.0", 4, "", ("50,,", "50,5.9,"))),
    (TWO, ("L308", "50,5.9,5.0", "50,,", 4, "", ("50,,", "50,5.9,5.0"))),
    (TWO, ("L309", "50,5.9,5.0", "50,5.9,x", 4, "x", ("x", "5.0"))),
    (TWO, ("L313", "50,5.9,5.0", "50,590,5.0", 4, "590", ("590", "5.9"))),
    (PLATE, ("L208", 'reference = "inboard"\n', "", 12, "gauge",
             ("span", 'reference = "inboard"\nspan'))),
    (PLATE, ("L205", '"inboard"', '"inbord"', 15, '"inbord"', SAID)),
    (PLATE, ("L217", 'reference = "inboard"', 'reference = "inboard"\nrising = "toe-in"', 16,
             '"toe-in"', ('"toe-in"', '"toe-out"'))),
    (SPOT, ("L209", "throw = 4000\n", "", 12, "gauge", ("kind", "throw = 4000\nkind"))),
    (SPOT, ("L209", "throw = 4000", "span = 4000", 14, "4000", ("span", "throw"))),
    (SPOT, ("L210", "throw = 4000", "throw = 0", 14, "0", ("throw = 0", "throw = 4000"))),
    (SPOT, ("L313", "throw = 4000", "throw = 40", 14, "40", ("= 40", "= 4000"))),
    (SPOT, ("L313", "50,1209", "50,12090", 4, "12090", ("12090", "1209.0"))),
]  # fmt: skip
SAMPLES = [
    Sample(code=code, file=file, old=old, new=new, line=line, at=at, mend=mend)
    for file, samples in zip(FILES, (CAR_SAMPLES, RUN_SAMPLES, READING_SAMPLES), strict=True)
    for code, old, new, line, at, mend in samples
]

PASTED_SAMPLES = [
    ("L601", "", 0, ""),
    ("L601", "travel,up1\n", 0, ""),
    ("L601", "-25\n0\n25\n", 1, ""),
    ("L602", "reading;up1\n0;1\n", 1, "reading"),
    ("L603", "travel_mm;up1_mm\n0;1\n", 1, "up1_mm"),
    ("L603", "Travel (in)\tup1\n0\t1\n", 1, "Travel (in)"),
    ("L604", "travel;up1;as-found\n0;1;2\n", 1, "as-found"),
    ("L604", "travel joint-up_thou\n0 1\n", 1, "joint-up_thou"),
    ("L305", "travel_foot;up1\n0;1\n", 1, "travel_foot"),
    ("L302", "travel;up1;Up1\n0;1;2\n", 1, "Up1"),
    ("L306", "0 1\n25 2 3\n", 2, "3"),
    ("L306", "-25 1 2\n0 1\n", 2, "1"),
    ("L306", "-25;1;2\n0;1;2\n25;3", 3, ""),
    ("L306", "travel;up1;down1\n0;1;2\n25", 3, ""),
    ("L307", '0;1\n25;"2\n', 2, '"'),
    ("L307", '"travel;up1\n0;1\n', 1, '"'),
    ("L308", "0;1\n;2\n", 2, ""),
    ("L311", "-12,5;-4,5\n0;0\n25;1.050\n", 3, "1.050"),
    ("L311", "-12,5 -4,5\n0 0\n25 1.050\n", 3, "1.050"),
    ("L309", "0;1\n25;x2\n", 2, "x2"),
    ("L310", "0;1\nnan;2\n", 2, "nan"),
    ("L312", "0\t1\n25\t2 thou\n", 2, "2 thou"),
]  # fmt: skip

PAIRED_SAMPLES = [
    ("L302", "travel;up1_front;up1_front;up1_rear\n0;1;2;3\n", 1, "up1_front"),
    ("L505", "travel;front;rear\n0;1;2\n25;3;\n", 3, "3"),
    ("L605", "travel;up1_front;down1_front;down1_rear\n0;1;2;3\n", 1, "up1_front"),
    ("L605", "travel;up1\n0;1\n", 1, "up1"),
]

WIDE = """\
travel mm,run3,run4
shims above,,2
shims below,,2
length change,,-1
-50,-0.8,-0.7
0,0,0
50,0.9,0.6
"""
IMPORT_SAMPLES: list[Entry] = [
    ("L302", "run3,run4", "run3 up1,run3 UP1", 1, "run3 UP1", ("UP1", "up2")),
    ("L305", "travel mm", "travel foot", 1, "travel foot", ("foot", "mm")),
    ("L305", "travel mm", "travel deg", 1, "travel deg", ("deg", "mm")),
    ("L305", "length change", "length change deg", 4, "-1", (" deg", " mm")),
    ("L305", "length change,,-1", "static toe thou,,6", 4, "6", ("toe thou,,6", "toe,,")),
    ("L306", "50,0.9,0.6", "50,0,9,0.6", 7, "0.6", ("0,9", "0.9")),
    ("L306", "50,0.9,0.6\n", "50,0.9", 7, "", ("50,0.9", "50,0.9,0.6")),
    ("L306", "50,0.9,0.6\n", "50,0.9,", 7, "", ("50,0.9,", "50,0.9,0.6")),
    ("L306", "50,0.9,0.6\n", "50", 7, "", ("\n50", "\n50,0.9,0.6\n")),
    ("L306", "50,0.9,0.6\n", "50,", 7, "", ("\n50,", "\n50,0.9,0.6\n")),
    ("L307", "travel mm", '"travel mm', 1, '"', ('"travel', "travel")),
    ("L308", "50,0.9,0.6", ",0.9,0.6", 7, "", ("\n,0.9", "\n50,0.9")),
    ("L309", "0.9", "o.9", 7, "o.9", ("o.9", "0.9")),
    ("L310", "0.9", "nan", 7, "nan", ("nan", "0.9")),
    ("L311", "0.9", '"1,900"', 7, "1,900", SAID),
    ("L312", "0.9", "0.9 mm", 7, "0.9 mm", SAID),
    ("L404", "above,,2", "above,,two", 2, "two", ("two", "2")),
    ("L405", "above,,2", "above,,-2", 2, "-2", ("-2", "2")),
    ("L406", "above,,2", "above,,200", 2, "200", ("200", "2")),
    ("L502", "50,0.9,0.6", "-50,0.9,0.6", 7, "-50", ("-50,0.9", "50,0.9")),
    ("L503", "0,0,0", "0,,0", 1, "run3", ("0,,0", "0,0,0")),
    ("L601", "-50,-0.8,-0.7\n0,0,0\n50,0.9,0.6\n", "", 1, "travel mm",
     ("length", "-50,1,2\n0,0,0\n50,3,4\nlength")),
    ("L602", "travel mm", "z", 1, "z", ("z,", "travel,")),
    ("L603", "run4", "run4 deg", 1, "run4 deg", ("run4 deg", "run4 thou")),
    ("L604", "run3,run4", ",run4", 5, "-0.8", ("mm,,", "mm,run3,")),
    ("L606", "run3", "run1", 1, "run1", ("run1", "run3")),
    ("L607", "shims above,,2\n", "", 1, "run4", ("shims", "shims above,,2\nshims")),
    ("L608", "shims above", "shim above", 2, "shim above", SAID),
    ("L608", "length change", "weather", 4, "weather", ("weather", "note")),
    ("L609", "3,run4\nshims above,,2", "4 up1,run4 down1\nshims above,3,2", 2, "2",
     ("above,3", "above,")),
]  # fmt: skip

# have tests of their own; L106, L506 and L507 in test_journal.py, L508 in tests/storm
FOLDER_CODES = {
    *("L101", "L102", "L103", "L104", "L105", "L106", "L212", "L301"),
    *("L506", "L507", "L508"),
}


def write(folder: Path, **changed: str) -> Path:
    """Write the good logbook, with the files in ``changed`` (dots as __) in its place."""
    folder.mkdir(exist_ok=True)
    for name, text in GOOD.items():
        text = changed.get(name.replace(".", "__"), text)
        (folder / name).write_bytes(text.encode())
    return folder


def problems_of(folder: Path) -> tuple[Problem, ...]:
    with pytest.raises(LogbookError) as caught:
        read_logbook(folder)
    return tuple(caught.value.problems)


def only_problem(folder: Path) -> Problem:
    problems = problems_of(folder)
    assert len(problems) == 1, "\n".join(str(p) for p in problems)
    return problems[0]


def swapped(text: str, old: str, new: str) -> str:
    assert text.count(old) >= 1, f"the sample does not fit: {old!r}"
    return text.replace(old, new, 1)


def at_caret(problem: Problem) -> str:
    return problem.excerpt[problem.column - 1 :][: problem.width] if problem.column else ""


@pytest.fixture(name="folder")
def _folder(tmp_path: Path) -> Path:
    return write(tmp_path / "car")


def test_the_good_logbook_reads_clean(folder: Path) -> None:
    book = read_logbook(folder)
    assert [run.name for run in book.runs] == ["run1", "run2", "run3"]
    assert len(book.readings) == 9


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: f"{s.code}-{s.file}-{s.new[:20]!r}")
def test_fault_is_found_once_where_it_stands_and_its_remedy_removes_it(
    sample: Sample, folder: Path
) -> None:
    path = folder / sample.file
    broken = swapped(GOOD[sample.file], sample.old, sample.new)
    path.write_text(broken, encoding="utf-8")

    problem = only_problem(folder)

    assert (problem.code, problem.file, problem.line) == (sample.code, sample.file, sample.line)
    assert problem.excerpt == broken.split("\n")[sample.line - 1]
    if sample.at:
        assert at_caret(problem) == sample.at
    assert problem.found
    assert problem.remedy

    if sample.mend == SAID:
        mended = mended_as_said(broken, problem)
    else:
        mended = swapped(broken, *sample.mend)
    path.write_text(mended, encoding="utf-8")
    assert isinstance(read_logbook(folder), Logbook)


def mended_as_said(text: str, problem: Problem) -> str:
    """Put what the remedy says between its first back quotes where the caret points."""
    said = re.search(r"`([^`]+)`", problem.remedy)
    assert said is not None
    lines = text.split("\n")
    line, start = lines[problem.line - 1], problem.column - 1
    lines[problem.line - 1] = line[:start] + said[1] + line[start + problem.width :]
    return "\n".join(lines)


def test_at_least_ten_remedies_are_taken_word_for_word() -> None:
    assert len({s.code for s in SAMPLES if s.mend == SAID}) >= 7
    assert sum(s.mend == SAID for s in SAMPLES) >= 10


@pytest.mark.parametrize("files", [TWO, PLATE, SPOT], ids=["two-dials", "toe-plate", "spot"])
def test_the_good_logbook_of_each_gauge_reads_clean(folder: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        (folder / name).write_text(text)
    assert len(read_logbook(folder).readings) == 3


@pytest.mark.parametrize(
    ("files", "entry"), GAUGE_SAMPLES, ids=lambda s: f"{s[0]}-{s[2][:20]!r}" if len(s) == 6 else ""
)
def test_fault_of_another_gauge_is_found_and_its_remedy_removes_it(
    folder: Path, files: dict[str, str], entry: Entry
) -> None:
    code, old, new, line, at, mend = entry
    name = next(n for n in ("car.toml", "readings.csv") if old in files[n])
    for other, text in files.items():
        (folder / other).write_text(text)
    broken = swapped(files[name], old, new)
    (folder / name).write_text(broken)
    problem = only_problem(folder)
    assert (problem.code, problem.file, problem.line) == (code, name, line)
    assert problem.excerpt == broken.split("\n")[line - 1]
    if at:
        assert at_caret(problem) == at
    said = isinstance(mend, str)
    mended = mended_as_said(broken, problem) if said else swapped(broken, *mend)
    (folder / name).write_text(mended)
    assert isinstance(read_logbook(folder), Logbook)


def test_columns_are_not_blamed_while_the_kind_of_gauge_is_in_doubt(folder: Path) -> None:
    for name, text in TWO.items():
        (folder / name).write_text(text.replace("two-dials", "two-dails"))
    problem = only_problem(folder)
    assert (problem.code, at_caret(problem)) == ("L205", '"two-dails"')
    assert problem.remedy.startswith('write `"two-dials"`')


def test_a_board_or_a_pair_starts_anywhere(folder: Path) -> None:
    for name, text in SPOT.items():
        (folder / name).write_text(text.replace(",12", ",92").replace(",119", ",919"))
    assert [r.value for r in read_logbook(folder).readings] == [9190.0, 9200.0, 9209.0]


@pytest.mark.parametrize(("code", "text", "line", "at"), PAIRED_SAMPLES)
def test_fault_in_a_pasted_table_of_two_values(code: str, text: str, line: int, at: str) -> None:
    with pytest.raises(LogbookError) as caught:
        parse_table(text, Units(), "two-dials")
    (problem,) = caught.value.problems
    assert (problem.code, problem.line, at_caret(problem)) == (code, line, at)
    assert problem.remedy


@pytest.mark.parametrize(("code", "text", "line", "at"), PASTED_SAMPLES)
def test_fault_in_a_pasted_table(code: str, text: str, line: int, at: str) -> None:
    units = Units(travel="mm", reading="thou", length="mm")
    with pytest.raises(LogbookError) as caught:
        parse_table(text, units)
    (problem,) = caught.value.problems
    assert (problem.code, problem.file, problem.line) == (code, "pasted table", line)
    if at:
        assert at_caret(problem) == at
    assert problem.remedy


@pytest.mark.parametrize(
    ("heading", "code", "at"),
    [
        ("run3 front,run3", "L605", "run3"),
        ("run3 front,run4 rear", "L605", "run3 front"),
        ("front,front", "L605", "front"),
    ],
)
def test_half_a_pair_in_a_wide_table(folder: Path, heading: str, code: str, at: str) -> None:
    for name, text in TWO.items():
        (folder / name).write_text(text)
    path = folder.parent / "wide.csv"
    path.write_text(f"travel,{heading}\n-50,1,2\n0,1,2\n50,1,2\n")
    with pytest.raises(LogbookError) as caught:
        plan_import(folder, path, run="run3" if heading == "front,front" else None)
    problem = caught.value.problems[0]
    assert (problem.code, problem.line, at_caret(problem)) == (code, 1, at)


@pytest.mark.parametrize("entry", IMPORT_SAMPLES, ids=lambda e: f"{e[0]}-{e[2][:20]!r}")
def test_fault_in_a_wide_table_is_found_and_its_remedy_removes_it(
    folder: Path, entry: Entry
) -> None:
    code, old, new, line, at, mend = entry
    (folder / "readings.csv").write_text(READINGS.split("run2")[0])
    path = folder.parent / "wide.csv"
    broken = swapped(WIDE, old, new)
    path.write_text(broken)
    before = {name: (folder / name).read_bytes() for name in FILES}
    with pytest.raises(LogbookError) as caught:
        plan_import(folder, path, corner="rear-right")
    problems = [p for p in caught.value.problems if p.line == line]
    problem = next(p for p in problems if p.code == code)
    assert problem.file == "wide.csv"
    assert {p.code for p in caught.value.problems} == {code}
    if at:
        assert at_caret(problem) == at
    assert {name: (folder / name).read_bytes() for name in FILES} == before
    said = isinstance(mend, str)
    path.write_text(mended_as_said(broken, problem) if said else swapped(broken, *mend))
    assert plan_import(folder, path, corner="rear-right").rows["readings.csv"]


LOGGED = "seconds;damper_mm;corner\n0,5;-12;rear-left\n# lap 2\n0,5;8,25;rear-right\n"
RATIO = 'link = "ahead"\n', 'link = "ahead"\nmotion_ratio = 0.7\n'
TRAVEL_SAMPLES: list[Entry] = [
    ("L301", LOGGED, "", 0, "", ("", LOGGED)),
    ("L302", "corner\n", "seconds\n", 1, "seconds", ("mm;seconds\n", "mm;corner\n")),
    ("L304", "damper_mm", "dampr_mm", 1, "dampr_mm", SAID),
    ("L305", "damper_mm", "damper_foot", 1, "damper_foot", ("_foot", "_mm")),
    ("L306", "0,5;-12;rear-left", "0,5;-12", 2, "", ("-12", "-12;rear-left")),
    ("L307", "-12;rear-left", '-12;"rear-left', 2, '"', ('"', "")),
    ("L308", "8,25;rear", ";rear", 4, "", (";;", ";8,25;")),
    ("L308", "0,5;8,25", ";8,25", 4, "", ("\n;", "\n0,5;")),
    ("L309", "-12", "x", 2, "x", (";x;", ";-12;")),
    ("L310", "-12", "nan", 2, "nan", ("nan", "-12")),
    ("L311", "-12", "-1.2.3", 2, "-1.2.3", ("-1.2.3", "-12")),
    ("L312", "-12", "-12 mm", 2, "-12 mm", SAID),
    ("L313", "-12", "-1200", 2, "-1200", ("-1200", "-12")),
    ("L702", "damper_mm", "way_mm", 1, "seconds", ("way", "damper")),
    ("L702", "seconds;", "travel_mm;", 1, "damper_mm", ("travel_mm;", "seconds;")),
    ("L704", "0,5;-12", "-1;-12", 2, "-1", ("-1;", "1;")),
    ("L704", "corner\n0,5;-12;rear-left\n# lap 2\n0,5;8,25;rear-right", "share\n1;2;3", 1, "share",
     ("seconds;", "lap;")),
    ("L705", "rear-left", "rear-lfet", 2, "rear-lfet", SAID),
    ("L706", "0,5;-12;rear-left\n# lap 2\n0,5;8,25", "0;-12;rear-left\n0;8,25", 0, "",
     ("\n0;-12;rear-left\n0;", "\n1;-12;rear-left\n1;")),
]  # fmt: skip


@pytest.mark.parametrize("entry", TRAVEL_SAMPLES, ids=lambda e: f"{e[0]}-{e[2][:20]!r}")
def test_fault_in_logged_travel_is_found_and_its_remedy_removes_it(
    folder: Path, entry: Entry
) -> None:
    code, old, new, line, at, mend = entry
    (folder / "car.toml").write_text(CAR.replace(*RATIO))
    broken = swapped(LOGGED, old, new)
    (folder / "travel.csv").write_text(broken)
    problem = only_problem(folder)
    assert (problem.code, problem.file, problem.line) == (code, "travel.csv", line)
    if at:
        assert at_caret(problem) == at
    said = isinstance(mend, str)
    mended = (
        mended_as_said(broken, problem) if said else (swapped(broken, *mend) if broken else LOGGED)
    )
    (folder / "travel.csv").write_text(mended)
    assert read_logbook(folder).travel_logs


WEIGHED = CAR.replace('kind = "least-change"', 'kind = "least-change"\nweight = "logged"')


def test_a_weight_by_logged_travel_needs_some(folder: Path) -> None:
    (folder / "car.toml").write_text(WEIGHED)
    problem = only_problem(folder)
    assert (problem.code, problem.file, problem.line) == ("L701", "car.toml", 35)
    assert at_caret(problem) == '"logged"'
    (folder / "travel.csv").write_text("corner,travel\nrear-right,2\n")
    assert only_problem(folder).code == "L701"
    (folder / "travel.csv").write_text("travel\n2\n\n# out of the pits\n-3\n")
    log = read_logbook(folder).travel_logs["rear-left"]
    assert log.travel_mm == pytest.approx((-3.0, 2.0))
    assert log.share == (0.5, 0.5)
    (folder / "travel.csv").unlink()
    (folder / "car.toml").write_text(mended_as_said(WEIGHED, problem))
    assert read_logbook(folder).corners["rear-left"].goal.weight == "flat"


def test_a_damper_s_travel_needs_the_motion_ratio(folder: Path) -> None:
    (folder / "travel.csv").write_text("corner,damper\nrear-left,7\nrear-left,-7\n")
    problem = only_problem(folder)
    assert (problem.code, problem.file, at_caret(problem)) == ("L703", "car.toml", "rear-left")
    (folder / "car.toml").write_text(CAR.replace(*RATIO, 1))
    log = read_logbook(folder).travel_logs
    assert set(log) == {"rear-left"}
    assert log["rear-left"].travel_mm == pytest.approx((-10.0, 10.0))


@pytest.mark.parametrize(
    ("old", "new", "at"),
    [
        ("window =", 'order = ["never-toe-out", "least-change"]\nwindow =', '["never'),
        ("window =", 'order = ["most-change"]\nwindow =', '["most'),
        ("window =", 'order = ["toe-at-travel"]\nwindow =', '["toe'),
    ],
)
def test_an_order_names_stated_wishes_only(folder: Path, old: str, new: str, at: str) -> None:
    (folder / "car.toml").write_text(CAR.replace(old, new))
    problem = only_problem(folder)
    assert problem.code == "L208"
    assert at_caret(problem).startswith(at)
    assert "`order` names" in problem.found


def test_a_weight_does_nothing_for_peak_to_peak(folder: Path) -> None:
    text = CAR.replace("window =", 'measure = "peak-to-peak"\nweight = "ride-height"\nwindow =')
    (folder / "car.toml").write_text(text)
    assert only_problem(folder).code == "L217"
    (folder / "car.toml").write_text(text.replace('"ride-height"', '"flat"'))
    assert read_logbook(folder).corners["rear-left"].goal.measure == "peak-to-peak"


def test_many_rows_at_fault_are_told_once_for_each_kind(folder: Path) -> None:
    (folder / "travel.csv").write_text("travel\n" + "x\n" * 5000 + "y\n" * 5000)
    assert [p.line for p in problems_of(folder)] == [2, 5002]


OFFERED = """\
thickness_mm,price,pack,most,bore,source
0.5,2.50,10,,12,"shop one, 4711"
# from the drawer
1,0,1,6,12,
"""
OFFER_SAMPLES: list[Entry] = [
    ("L301", OFFERED, "", 0, "", ("", OFFERED)),
    ("L302", "source\n", "price\n", 1, "price", ("bore,price", "bore,source")),
    ("L303", "price,", "cost,", 1, "", ("cost", "price")),
    ("L304", "thickness_mm", "thicknes_mm", 1, "thicknes_mm", SAID),
    ("L304", "source", "sourse", 1, "sourse", SAID),
    ("L305", "thickness_mm", "thickness_millimetre", 1, "thickness_millimetre", SAID),
    ("L305", "bore", "bore_foot", 1, "bore_foot", SAID),
    ("L306", "1,0,1,6,12,\n", "1,0", 4, "", ("1,0", "1,0,,,,")),
    ("L306", "1,0,1,6,12,\n", "1,2,50,1,6,12,\n", 4, "", ("2,50", "2.50")),
    ("L306", ',"shop one, 4711"', ",shop one, 4711", 2, "4711", ("one, ", "one ")),
    ("L307", '4711"', "4711", 2, '"', ("4711", '4711"')),
    ("L308", "1,0,1", ",0,1", 4, "", ("\n,0", "\n1,0")),
    ("L308", "1,0,1", "1,,1", 4, "", ("1,,", "1,4,")),
    ("L309", "1,0,1", "thin,0,1", 4, "thin", SAID),
    ("L309", "2.50", "£2.50", 2, "£2.50", SAID),
    ("L309", "2.50", '"2,50 money"', 2, "2,50 money", SAID),
    ("L309", "2.50", "£1200.50.2", 2, "£1200.50.2", SAID),
    ("L309", "2.50", "\u0662", 2, "\u0662", SAID),
    ("L310", "2.50", "1e999", 2, "1e999", ("1e999", "2")),
    ("L310", "1,0,1", "inf,0,1", 4, "inf", ("inf", "1")),
    ("L311", "2.50", "1.200", 2, "1.200", SAID),
    ("L311", "2.50", '"1,200"', 2, "1,200", SAID),
    ("L311", "2.50", "1.200.50", 2, "1.200.50", ("1.200.50", "1200.50")),
    ("L311", "0.5", '"1,200"', 2, "1,200", SAID),
    ("L312", "1,0,1", "1 mm,0,1", 4, "1 mm", SAID),
    ("L313", "0.5", "20.1", 2, "20.1", ("20.1", "2")),
    ("L313", "0.5", "0.009", 2, "0.009", ("0.009", "0.09")),
    ("L313", ",6,12,", ",6,120,", 4, "120", ("120", "12")),
    ("L802", OFFERED.split("\n", 1)[1], "", 1, "thickness_mm", ("\n", "\n2,3,,,,\n")),
    ("L802", "2.50,10,,12,\"shop one, 4711\"\n# from the drawer\n1,0,", ",,,,\n1,,", 1, "price",
     ("0.5,,,,,\n1,,", "1,2,")),
    ("L803", "0.5", "0", 2, "0", ("\n0,", "\n0.4,")),
    ("L803", "0.5", "\u22120.5", 2, "\u22120.5", ("\u2212", "")),
    ("L803", "6,12", "6,0", 4, "0", ("6,0", "6,")),
    ("L804", "2.50", "-2.50", 2, "-2.50", ("-2.50", "2.50")),
    ("L804", "2.50", "1e300", 2, "1e300", ("1e300", "2")),
    ("L804", "2.50", "100000000.01", 2, "100000000.01", ("100000000.01", "100000000")),
    ("L804", "2.50", "0.33333333333333333333", 2, "0.33333333333333333333", SAID),
    ("L805", ",10,", ",0,", 2, "0", ("2.50,0,", "2.50,,")),
    ("L805", ",10,", ",2.5,", 2, "2.5", ("2.5,,", "25,,")),
    ("L805", ",10,", ",1001,", 2, "1001", ("1001", "1000")),
    ("L805", ",10,", ',"1,000",', 2, "1,000", ('"1,000"', "1000")),
    ("L805", ",10,", ",1.000,", 2, "1.000", ("1.000", "1")),
    ("L805", ",10,", ",ten,", 2, "ten", ("ten", "10")),
    ("L805", ",6,", ",-1,", 4, "-1", ("-1", "0")),
    ("L805", ",6,", ",1.5,", 4, "1.5", ("1.5", "")),
    ("L805", ",6,", ",1e300,", 4, "1e300", ("1e300", "1e3")),
    ("L806", "1,0,1,6,12,\n", '0.50,2.5,10,3,12.0,"shop  one, 4711"\n', 4, "0.50",
     ("shop  one", "shop two")),
]  # fmt: skip


@pytest.mark.parametrize("entry", OFFER_SAMPLES, ids=lambda e: f"{e[0]}-{e[2][:20]!r}")
def test_fault_in_offers_is_found_and_its_remedy_removes_it(tmp_path: Path, entry: Entry) -> None:
    code, old, new, line, at, mend = entry
    path = tmp_path / "offers.csv"
    broken = swapped(OFFERED, old, new)
    path.write_text(broken, encoding="utf-8")
    with pytest.raises(LogbookError) as caught:
        read_offers(path, "mm")
    (problem,) = caught.value.problems
    assert (problem.code, problem.file, problem.line) == (code, str(path), line)
    if line:
        assert problem.excerpt == broken.split("\n")[line - 1]
    if at:
        assert at_caret(problem) == at
    said = isinstance(mend, str)
    mended = mended_as_said(broken, problem) if said else swapped(broken, *mend)
    path.write_text(mended if broken else OFFERED, encoding="utf-8")
    assert read_offers(path, "mm")


def test_a_file_of_offers_that_is_not_there_or_no_text(tmp_path: Path) -> None:
    path = tmp_path / "offers.csv"

    def only() -> Problem:
        with pytest.raises(LogbookError) as caught:
            read_offers(path, "mm", name="offers.csv")
        (problem,) = caught.value.problems
        assert problem.file == "offers.csv"
        return problem

    missing = only()
    assert missing.code == "L801"
    header = re.findall(r"`([^`]+)`", missing.remedy)[0]
    path.write_text(f"{header}\n1,2,,\n")
    assert len(read_offers(path, "mm")) == 1
    path.write_bytes(b"thickness_mm,price,source\n1,2,caf\xe9\n")
    assert (only().code, only().line, at_caret(only())) == ("L104", 2, "\ufffd")
    path.write_bytes("thickness,price\n1,2\n".encode("utf-16-le"))
    assert only().code == "L104"
    path.unlink()
    path.mkdir()
    assert only().code == "L105"


def test_offers_whose_unit_is_in_doubt(tmp_path: Path) -> None:
    path = tmp_path / "offers.csv"
    path.write_text("price,thickness,bore\n1,0.02,0.5\n")
    with pytest.raises(LogbookError) as caught:
        read_offers(path, None)
    (problem,) = caught.value.problems
    assert (problem.code, problem.line, at_caret(problem)) == ("L207", 1, "thickness")
    path.write_text("price,thickness_in,bore_in\n1,0.02,0.5\n")
    assert read_offers(path, None)[0].bore_mm == pytest.approx(12.7)


def test_every_code_has_a_sample_and_every_sample_a_code() -> None:
    sampled = {s.code for s in SAMPLES} | {entry[0] for _, entry in GAUGE_SAMPLES}
    sampled |= {entry[0] for entry in (*IMPORT_SAMPLES, *TRAVEL_SAMPLES)} | {"L701", "L703"}
    sampled |= {entry[0] for entry in OFFER_SAMPLES} | {"L801"}
    sampled |= {p[0] for p in PASTED_SAMPLES + PAIRED_SAMPLES} | FOLDER_CODES
    assert sampled == set(FAULT_CODES)


def test_codes_in_the_source_are_those_of_the_table() -> None:
    used: set[str] = set()
    for path in Path(logbook.__file__).parent.glob("*.py"):
        if path.name != "faults.py":
            used |= set(re.findall(r'"(L\d{3})"', path.read_text(encoding="utf-8")))
    assert used | {"L104"} == set(FAULT_CODES)


def test_folder_that_does_not_exist(tmp_path: Path) -> None:
    problem = only_problem(tmp_path / "none")
    assert (problem.code, problem.file, problem.line) == ("L101", str(tmp_path / "none"), 0)
    assert "shimopt new" in problem.remedy
    assert not (tmp_path / "none").exists()


def test_file_in_place_of_a_folder(folder: Path) -> None:
    assert only_problem(folder / "car.toml").code == "L101"


def test_empty_folder(tmp_path: Path) -> None:
    problem = only_problem(tmp_path)
    assert problem.code == "L102"
    assert "shimopt new" in problem.remedy


@pytest.mark.parametrize("name", FILES)
def test_missing_file_is_one_fault(folder: Path, name: str) -> None:
    (folder / name).unlink()
    problem = only_problem(folder)
    assert (problem.code, problem.file) == ("L103", name)
    assert "shimopt new" in problem.remedy


@pytest.mark.parametrize("name", FILES)
def test_file_that_cannot_be_opened(folder: Path, name: str) -> None:
    (folder / name).unlink()
    (folder / name).mkdir()
    problem = only_problem(folder)
    assert (problem.code, problem.file) == ("L105", name)


def test_bytes_that_are_not_text(folder: Path) -> None:
    data = RUNS.encode().replace(b"as found", b"caf\xe9")
    (folder / "runs.csv").write_bytes(data)
    problem = only_problem(folder)
    assert (problem.code, problem.line) == ("L104", 2)
    assert at_caret(problem) == "\ufffd"
    (folder / "runs.csv").write_bytes(data.decode("latin-1").encode("utf-8"))
    assert read_logbook(folder).runs[0].note == "café"


def test_utf_16_without_mark_is_not_text(folder: Path) -> None:
    (folder / "readings.csv").write_bytes(READINGS.encode("utf-16-le"))
    assert only_problem(folder).code == "L104"


def test_no_corner(folder: Path) -> None:
    (folder / "car.toml").write_text(CAR.split("[corner")[0])
    assert only_problem(folder).code == "L212"


def test_no_corner_below_the_word(folder: Path) -> None:
    (folder / "car.toml").write_text(CAR.split("[corner")[0] + "[corner]\n")
    problem = only_problem(folder)
    assert (problem.code, problem.line, at_caret(problem)) == ("L212", 17, "corner")


@pytest.mark.parametrize("text", ["", "\n\n", "# only a note\n", '"run,pass\n'])
def test_no_header(folder: Path, text: str) -> None:
    (folder / "readings.csv").write_text(text)
    problem = only_problem(folder)
    assert (problem.code, problem.file) == ("L301", "readings.csv")
    assert "run,pass,travel,reading" in problem.remedy


def test_column_of_corners_missing_is_said_once(folder: Path) -> None:
    (folder / "runs.csv").write_text("run,shims_above,shims_below\nrun1,1,1\nrun2,1,1\nrun3,1,1\n")
    problem = only_problem(folder)
    assert (problem.code, problem.line) == ("L403", 1)


def test_corner_may_be_left_out_when_there_is_one(folder: Path) -> None:
    (folder / "car.toml").write_text(CAR.split("[corner.rear-right]")[0])
    (folder / "runs.csv").write_text("run,shims_above,shims_below\nrun1,3,1\nrun2,1,3\n")
    assert [run.corner for run in read_logbook(folder).runs] == ["rear-left", "rear-left"]


def test_no_gauge_table_is_one_fault(folder: Path) -> None:
    text = CAR.replace('[gauge]\nkind = "one-dial"\nspan = 400\nrising = "toe-in"\n', "")
    (folder / "car.toml").write_text(text)
    problem = only_problem(folder)
    assert problem.code == "L208"
    assert "[gauge]" in problem.found


def test_unit_in_doubt_is_said_once_and_a_header_mends_it(folder: Path) -> None:
    car = CAR.replace('reading = "mm"\n', "")
    (folder / "car.toml").write_text(car)
    problem = only_problem(folder)
    assert (problem.code, problem.file, problem.line) == ("L207", "readings.csv", 1)
    assert at_caret(problem) == "reading"
    (folder / "readings.csv").write_text(READINGS.replace("reading", "reading_mm"))
    assert read_logbook(folder).units.reading == "mm"


def test_no_units_at_all_is_one_fault_for_each_unit(folder: Path) -> None:
    text = CAR.replace('[units]\ntravel = "mm"\nreading = "mm"\nlength = "mm"\n', "")
    (folder / "car.toml").write_text(text)
    found = [(p.code, p.file, at_caret(p)) for p in problems_of(folder)]
    assert found == [
        ("L207", "car.toml", "400"),
        ("L207", "car.toml", "[-50, 50]"),
        ("L207", "readings.csv", "reading"),
    ]


def test_wrong_unit_is_one_fault_not_one_for_each_row(folder: Path) -> None:
    rows = "".join(f"run1,up1,{z},{z / 100}\n" for z in range(-60, 61, 20))
    (folder / "readings.csv").write_text("run,pass,travel_in,reading\n" + rows)
    problem = only_problem(folder)
    assert (problem.code, problem.line, at_caret(problem)) == ("L313", 2, "-60")
    assert "5 more" in problem.found
    assert "unit" in problem.remedy


def test_unknown_run_is_one_fault_for_all_its_rows(folder: Path) -> None:
    (folder / "readings.csv").write_text(READINGS.replace("run2", "rum2"))
    problem = only_problem(folder)
    assert (problem.code, problem.line, at_caret(problem)) == ("L501", 8, "rum2")
    assert "3 readings" in problem.found
    assert problem.remedy.startswith("write `run2`")


def test_doubled_pass_is_one_fault(folder: Path) -> None:
    again = "run2,up1,-50,-0.4\nrun2,up1,0,0\nrun2,up1,50,0.5\n"
    (folder / "readings.csv").write_text(READINGS + again)
    problem = only_problem(folder)
    assert (problem.code, problem.line) == ("L502", 11)
    assert "line 8" in problem.found
    assert "1 more" in problem.found
    (folder / "readings.csv").write_text(READINGS + again.replace("up1", "up2"))
    assert len(read_logbook(folder).readings) == 12


def test_the_first_run_of_a_corner_is_its_reference_unless_another_is_named(folder: Path) -> None:
    (folder / "runs.csv").write_text(RUNS.replace("2,2,,,", "2,2,-3,,"))
    problem = only_problem(folder)
    assert (problem.code, problem.line, at_caret(problem)) == ("L409", 5, "-3")
    (folder / "car.toml").write_text(CAR.replace('"run1"', '"run2"'))
    found = [(p.code, p.line, at_caret(p)) for p in problems_of(folder)]
    assert found == [("L409", 3, "1.5"), ("L409", 5, "-3")]


def test_a_row_in_doubt_is_not_passed_over_for_the_reference(folder: Path) -> None:
    rows = ["run4,rear-rihgt,2,2,0", "run3,rear-right,2,2,3"]
    text = "run,corner,shims_above,shims_below,length_change\n" + "\n".join(rows) + "\n"
    (folder / "runs.csv").write_text(text)
    assert "L409" not in [p.code for p in problems_of(folder)]


def test_clevis_total_blames_the_odd_one_out(folder: Path) -> None:
    rows = ["run1,rear-left,3,1", "run2,rear-left,1,3+1", "run4,rear-left,1+3,1"]
    text = "run,corner,shims_above,shims_below\n" + "\n".join(rows) + "\n"
    (folder / "runs.csv").write_text(text)
    problem = only_problem(folder)
    assert (problem.code, problem.line) == ("L407", 2)
    assert "4 mm here, 5 mm for `run2` on line 3" in problem.found


@pytest.mark.parametrize("face", ["arm-below", "arm-above"])
def test_totals_are_free_where_the_stack_is_no_clevis(folder: Path, face: str) -> None:
    (folder / "car.toml").write_text(CAR.replace("clevis", face))
    (folder / "runs.csv").write_text(RUNS.replace("1,3+1,1.5", "1,3,1.5"))
    assert len(read_logbook(folder).runs) == 3


def test_face_at_fault_is_not_taken_for_a_clevis(folder: Path) -> None:
    runs = RUNS.replace("1,3+1,1.5", "1,3,1.5")
    write(folder, car__toml=CAR.replace("clevis", "armbelow"), runs__csv=runs)
    assert only_problem(folder).code == "L205"


def test_unknown_corner_is_one_fault_for_all_its_runs(folder: Path) -> None:
    (folder / "runs.csv").write_text(RUNS.replace("rear-left", "rear-middle"))
    (folder / "car.toml").write_text(CAR.replace('reference_run = "run1"\n', ""))
    problem = only_problem(folder)
    assert (problem.code, problem.line, at_caret(problem)) == ("L402", 2, "rear-middle")


@pytest.mark.parametrize(("below", "fine"), [("1.05", True), ("1.06", False)])
def test_clevis_totals_may_differ_by_a_twentieth(folder: Path, below: str, fine: bool) -> None:
    (folder / "car.toml").write_text(CAR.replace('shims = "2x3+3x1"\n', ""))
    (folder / "runs.csv").write_text(RUNS.replace("3+1,1,0", f"3+1,{below},0"))
    if fine:
        assert read_logbook(folder).runs[0].below_mm == (1.05,)
    else:
        assert only_problem(folder).code == "L407"


def test_all_shims_the_list_lacks_are_named_at_once(folder: Path) -> None:
    (folder / "car.toml").write_text(CAR.replace("2x3+3x1", "3+2x1"))
    (folder / "runs.csv").write_text(RUNS.replace("1,3+1,1.5", "4x0.5,3,1.5"))
    problem = only_problem(folder)
    assert problem.code == "L408"
    assert "lacks 4x0.5 mm" in problem.found
    said = re.search(r'shims = "([^"]+)"', problem.remedy)
    assert said is not None
    (folder / "car.toml").write_text(CAR.replace("2x3+3x1", said[1]))
    assert len(read_logbook(folder).runs) == 3


def test_direct_angle_rising_against_the_sign_of_toe(folder: Path) -> None:
    car = CAR.replace('"one-dial"\nspan = 400', '"direct-angle"').replace('"toe-in"', '"toe-out"')
    car = car.replace('reading = "mm"', 'reading = "deg"')
    (folder / "car.toml").write_text(car)
    problem = only_problem(folder)
    assert (problem.code, problem.line, at_caret(problem)) == ("L217", 14, '"toe-out"')
    (folder / "car.toml").write_text(car.replace('rising = "toe-out"\n', ""))
    assert read_logbook(folder).gauge.rising == 1


def test_points_of_the_other_side_are_one_fault(folder: Path) -> None:
    head, block = CAR.split("[corner.rear-right.points]")
    (folder / "car.toml").write_text(
        f"{head}[corner.rear-right.points]{block.replace(', -', ', ')}"
    )
    problem = only_problem(folder)
    assert (problem.code, problem.line) == ("L220", 43)
    assert problem.remedy.startswith("turn the sign of every y")


def test_points_in_the_wrong_unit_are_one_fault(folder: Path) -> None:
    head, block = CAR.split("[corner.rear-right.points]")
    small = re.sub(r"-?\d+(?=[,\]])", lambda m: f"{int(m[0]) / 25.4:.2f}", block)
    (folder / "car.toml").write_text(f"{head}[corner.rear-right.points]{small}")
    problem = only_problem(folder)
    assert (problem.code, problem.line, at_caret(problem)) == ("L313", 40, "points")


def test_each_missing_point_is_a_fault_and_none_at_all_is_none(folder: Path) -> None:
    head = CAR.split("[corner.rear-right.points]")[0]
    (folder / "car.toml").write_text(f"{head}[corner.rear-right.points]\nwheel_centre = [0,0,0]")
    problems = problems_of(folder)
    assert [p.code for p in problems] == ["L218"] * 8
    assert "`lower_ball_joint`" in problems[2].found
    (folder / "car.toml").write_text(f"{head}[corner.rear-right.points]\n")
    assert read_logbook(folder).corners["rear-right"].points is None
    (folder / "car.toml").write_text(f"{head}[corner.rear-right.points]\ngive_or_take = 2\n")
    assert only_problem(folder).code == "L208"


def test_points_are_not_blamed_for_a_side_or_link_in_doubt(folder: Path) -> None:
    for name, link, code in (("rear", "ahead", "L214"), ("rear-right", "left", "L205")):
        car = CAR.replace("rear-right", name).replace('link = "ahead"\n\n', f'link = "{link}"\n\n')
        (folder / "car.toml").write_text(car)
        (folder / "runs.csv").write_text(RUNS.replace("rear-right", name))
        assert only_problem(folder).code == code


@pytest.mark.parametrize(
    ("size", "pitch_mm"),
    [("M14x1.5", 1.5), ("m14 \u00d7 1,5", 1.5), ("M14", 2.0), ("M14x2", 2.0),
     ("5/8-18", 25.4 / 18), ("5/8 - 18 UNF", 25.4 / 18)],
)  # fmt: skip
def test_a_thread_s_size_gives_its_pitch(folder: Path, size: str, pitch_mm: float) -> None:
    (folder / "car.toml").write_text(CAR.replace("pitch = 1.5", f'size = "{size}"'))
    assert read_logbook(folder).corners["rear-left"].thread.pitch_mm == pytest.approx(pitch_mm)


def test_toe_at_travel_needs_its_travel_and_its_change(folder: Path) -> None:
    car = CAR.replace('"least-change"', '"toe-at-travel"')
    (folder / "car.toml").write_text(car)
    problems = problems_of(folder)
    assert [p.code for p in problems] == ["L208", "L208"]
    assert "at_travel" in problems[0].found
    assert "toe_change" in problems[1].found
    (folder / "car.toml").write_text(
        car.replace("window", "at_travel = -40\ntoe_change = 0.1\nwindow")
    )
    assert read_logbook(folder).corners["rear-left"].goal.toe_change_deg == 0.1


def test_all_independent_faults_come_at_once_in_file_order(folder: Path) -> None:
    car = CAR.replace("span", "spna").replace('link = "ahead"\nsteered', 'link = "left"\nsteered')
    car = car.replace('"run1"', '"run9"').replace("[-50, 50]", "[50, 50]")
    runs = RUNS.replace("3+1,1,0", "3,1,0").replace("2,2", "2,-2")
    readings = READINGS.replace("0.45", "x").replace("run2,up1,0,0\n", "run2,up1,1,0\n")
    write(folder, car__toml=car, runs__csv=runs, readings__csv=readings)
    found = [(p.code, p.file, p.line) for p in problems_of(folder)]
    assert found == [
        ("L203", "car.toml", 14),
        ("L205", "car.toml", 18),
        ("L215", "car.toml", 20),
        ("L213", "car.toml", 35),
        ("L407", "runs.csv", 3),
        ("L405", "runs.csv", 5),
        ("L309", "readings.csv", 5),
        ("L503", "readings.csv", 8),
    ]


def test_tables_are_checked_even_when_car_toml_is_broken(folder: Path) -> None:
    write(folder, car__toml=CAR + "???", runs__csv=RUNS.replace("3+1,1,0", "3+-1,1,0"))
    assert [p.code for p in problems_of(folder)] == ["L201", "L405"]


def test_row_at_fault_is_not_blamed_for_what_may_be_in_it(folder: Path) -> None:
    # The faulty row may be the ride-height row of its pass, and the third travel of its run.
    (folder / "readings.csv").write_text(READINGS.replace("run2,up1,0,0\n", "run2,up1,O,0\n"))
    assert only_problem(folder).code == "L309"


def test_fault_behind_a_note_of_two_lines_has_the_line_of_the_editor(folder: Path) -> None:
    text = RUNS.replace("run3,rear-right,,2,2", "run3,rear-right,,2,2x")
    (folder / "runs.csv").write_text(text)
    problem = only_problem(folder)
    assert (problem.line, problem.column, at_caret(problem)) == (5, 20, "2x")


def test_open_quote_is_the_one_that_does_not_close(folder: Path) -> None:
    (folder / "runs.csv").write_text(RUNS.replace("run1,", '"run1",').replace("as found", '"as'))
    problem = only_problem(folder)
    assert (problem.code, problem.line) == ("L307", 2)
    assert problem.excerpt[problem.column - 1 :] == '"as'


def test_message_counts_and_says_that_nothing_changed(folder: Path) -> None:
    (folder / "runs.csv").write_text(RUNS.replace("2,2", "2,-2"))
    with pytest.raises(LogbookError) as caught:
        read_logbook(folder)
    assert caught.value.found == f"1 fault in {folder}; nothing was changed"
    assert caught.value.exit_code == 3
    shown = str(caught.value)
    assert "runs.csv:5: " in shown
    assert "\n    run3,rear-right,,2,-2,,,\n                       ^^\n" in shown


def test_caret_stays_under_its_text_behind_tabs(folder: Path) -> None:
    (folder / "readings.csv").write_text(READINGS.replace(",", "\t").replace("0.45", "oops"))
    problem = only_problem(folder)
    shown = str(problem).split("\n")
    assert shown[1].index("oops") == shown[2].index("^")
    assert shown[2][: shown[2].index("^")].count("\t") == 3


def test_control_characters_of_a_file_do_not_reach_the_screen(folder: Path) -> None:
    (folder / "runs.csv").write_text(RUNS.replace("as found", "\x1b[2J").replace("0.2", "\x07"))
    shown = str(only_problem(folder))
    assert "\x1b" not in shown
    assert "\x07" not in shown


@pytest.fixture(scope="module", name="scratch")
def _scratch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("fuzz") / "car")


@settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data(), name=st.sampled_from(FILES))
def test_any_damage_gives_a_logbook_or_a_list_of_faults(
    scratch: Path, data: st.DataObject, name: str
) -> None:
    content = bytearray(GOOD[name].encode())
    for _ in range(data.draw(st.integers(0, 3))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    del content[data.draw(st.integers(0, len(content))) :]
    try:
        (scratch / name).write_bytes(content)
        result = read_logbook(scratch)
    except LogbookError as error:
        assert error.problems
        for problem in error.problems:
            assert problem.code in FAULT_CODES
            assert problem.remedy
            assert str(problem)
            assert 0 <= problem.column <= len(problem.excerpt) + 1
    else:
        assert isinstance(result, Logbook)
    finally:
        (scratch / name).write_text(GOOD[name])


@settings(
    max_examples=100,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_any_damage_to_logged_travel_gives_a_log_or_a_list_of_faults(
    scratch: Path, data: st.DataObject
) -> None:
    content = bytearray(LOGGED.replace("damper", "travel").encode())
    for _ in range(data.draw(st.integers(0, 3))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    del content[data.draw(st.integers(0, len(content))) :]
    try:
        (scratch / "travel.csv").write_bytes(content)
        for log in read_logbook(scratch).travel_logs.values():
            assert sum(log.share) == pytest.approx(1.0)
    except LogbookError as error:
        for problem in error.problems:
            assert problem.code in FAULT_CODES
            assert problem.remedy
            assert 0 <= problem.column <= len(problem.excerpt) + 1
    finally:
        (scratch / "travel.csv").unlink()


@settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_any_damage_to_offers_gives_offers_or_a_list_of_faults(
    scratch: Path, data: st.DataObject
) -> None:
    content = bytearray(OFFERED.encode())
    for _ in range(data.draw(st.integers(0, 3))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    del content[data.draw(st.integers(0, len(content))) :]
    (scratch / "offers.csv").write_bytes(content)
    try:
        offers = read_offers(scratch / "offers.csv", "mm")
        assert offers
        assert all(0.0 < o.thickness_mm <= 20.0 and o.price >= 0 and o.pack > 0 for o in offers)
    except LogbookError as error:
        assert error.problems
        for problem in error.problems:
            assert problem.code in FAULT_CODES
            assert problem.remedy
            assert 0 <= problem.column <= len(problem.excerpt) + 1
    finally:
        (scratch / "offers.csv").unlink()

"""Keys of the joint, stud, thread, eccentric, axle, labour and wishes in car.toml."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.errors import LogbookError
from optimizer.logbook import read_logbook
from optimizer.records import Logbook


def _read(demo_copy: Path, more: str, **lines: str) -> Logbook:
    """The demo with some lines changed and more tables at the end of its car.toml."""
    path = demo_copy / "car.toml"
    text = path.read_text(encoding="utf-8")
    for old, new in lines.items():
        assert f'{old} = "' in text or f"{old} = " in text
        start = text.index(f"{old} = ")
        text = text[:start] + new + text[text.index("\n", start) :]
    path.write_text(f"{text}\n{more}\n", encoding="utf-8")
    return read_logbook(demo_copy)


def test_joint_and_stud_are_read(demo_copy: Path) -> None:
    book = _read(
        demo_copy,
        """
[corner.rear-left.joint]
bore = 12
tilt = -2
tilt_give_or_take = 1
clocked_off = 3

[corner.rear-left.stud]
size = "M12"
class = "10.9"
length = 50
nut = 12
spacer = 2.5
load = 3000
""",
    )
    corner = book.corners["rear-left"]
    # DIN 648 series K as one maker lists it: bore 12, width 16, tilt 13
    assert (corner.joint.width_mm, corner.joint.allowed_deg) == (16.0, 13.0)
    assert corner.joint.tilt_deg is not None
    assert (corner.joint.tilt_deg.value, corner.joint.tilt_deg.sd) == (-2.0, 0.5)
    assert corner.joint.clocked_off_deg == 3.0
    stud = corner.stud
    assert (stud.size, stud.property_class, stud.length_mm) == ("M12", "10.9", 50.0)
    assert (stud.nut_mm, stud.spacer_mm, stud.load_n, stud.tapered) == (12.0, 2.5, 3000.0, False)


def test_a_cam_is_read_in_place_of_marks_worth(demo_copy: Path) -> None:
    path = demo_copy / "car.toml"
    text = path.read_text(encoding="utf-8")
    text = text.replace('kind = "slot"', 'kind = "free-cam"\nthrow = 4\ndegrees_per_mark = 10')
    path.write_text(text.replace("per_mark = 1.0\n", 'angle = -20\nlifts = "down"\n'), "utf-8")
    cam = read_logbook(demo_copy).corners["rear-left"].eccentric
    assert (cam.kind, cam.throw_mm, cam.deg_per_mark) == ("free-cam", 4.0, 10.0)
    assert (cam.angle_deg, cam.lifts, cam.mm_per_mark) == (-20.0, -1, None)


def test_marks_come_in_rising_order_and_in_the_tool_s_sign(demo_copy: Path) -> None:
    path = demo_copy / "car.toml"
    text = path.read_text(encoding="utf-8").replace('toe_in = "plus"', 'toe_in = "minus"')
    text = text.replace('kind = "slot"', 'kind = "marks"\ntoe_at_marks = [[2, -0.5], [-1, 0.1]]')
    path.write_text(text.replace("per_mark = 1.0\n", ""), encoding="utf-8")
    eccentric = read_logbook(demo_copy).corners["rear-left"].eccentric
    assert eccentric.toe_at_marks == ((-1.0, -0.1), (2.0, 0.5))


def test_thread_ends_labour_and_an_axle_are_read(demo_copy: Path) -> None:
    path = demo_copy / "car.toml"
    text = path.read_text(encoding="utf-8")
    text = text.replace("pitch = 1.5 ", 'size = "M14x1.5"\nengaged_inner = 20\nengaged_outer = 22 ')
    text += """
[corner.rear-right]
link = "behind"
suspension = "independent"
role = "one-of-two"
motion_ratio = 0.7

[axle.rear]
left = "rear-left"
right = "rear-right"
track = 1480
same = false

[labour]
shims = 20
alignment = 45
"""
    path.write_text(text, encoding="utf-8")
    book = read_logbook(demo_copy)
    thread = book.corners["rear-left"].thread
    assert (thread.diameter_mm, thread.pitch_mm) == (14.0, 1.5)
    assert (thread.engaged_inner_mm, thread.engaged_outer_mm) == (20.0, 22.0)
    assert thread.least_engaged_mm is None
    axle = book.axles["rear"]
    assert (axle.left, axle.right, axle.track_mm) == ("rear-left", "rear-right", 1480.0)
    assert (axle.place, axle.same) == ("rear", False)
    assert (book.labour.shims_min, book.labour.length_min) == (20.0, None)
    right = book.corners["rear-right"]
    assert (right.role, right.motion_ratio) == ("one-of-two", 0.7)


def test_wishes_are_read(demo_copy: Path) -> None:
    path = demo_copy / "car.toml"
    wishes = (
        'kind = "least-change"\nmeasure = "peak-to-peak"\nnever_toe_out = "droop"\n'
        'most_change = 0.2\norder = ["never-toe-out", "most-change", "least-change"]'
    )
    text = path.read_text(encoding="utf-8").replace('kind = "least-change"', wishes)
    path.write_text(text, encoding="utf-8")
    goal = read_logbook(demo_copy).corners["rear-left"].goal
    assert (goal.measure, goal.never_toe_out, goal.most_change_deg) == (
        "peak-to-peak",
        "droop",
        0.2,
    )
    assert goal.order == ("never-toe-out", "most-change", "least-change")


@pytest.mark.parametrize(
    ("more", "code", "says"),
    [
        ("[corner.rear-left.joint]\nbore = 11", "L205", "state `width` and `allowed_tilt`"),
        ('[corner.rear-left.stud]\nsize = "M13"', "L205", "take `size` out"),
        ('[corner.rear-left.stud]\nclass = "9.8"', "L205", "8.8"),
        ('[axle.rear]\nright = "rear-left"', "L208", 'add `left = "..."`'),
        ('[axle.rear]\nleft = "rear"\nright = "rear-left"', "L205", "rear-left"),
        ("[labour]\nshims = -5", "L206", "above 0"),
        ("[labour]\nshim = 5", "L203", "`shims`"),
    ],
)
def test_what_is_wrong_is_told_with_its_remedy(
    demo_copy: Path, more: str, code: str, says: str
) -> None:
    with pytest.raises(LogbookError) as caught:
        _read(demo_copy, more)
    (problem,) = caught.value.problems
    assert problem.code == code
    assert problem.line > 1
    assert says in f"{problem.found} {problem.remedy}"


@pytest.mark.parametrize(
    ("change", "code", "says"),
    [
        ('kind = "slot"\nthrow = 4', "L217", "would do nothing"),
        ('kind = "marks"', "L217", "per_mark"),
        ('kind = "free-cam"\nthrow = 4', "L217", "per_mark"),
    ],
)
def test_keys_of_another_kind_of_eccentric_are_told(
    demo_copy: Path, change: str, code: str, says: str
) -> None:
    path = demo_copy / "car.toml"
    text = path.read_text(encoding="utf-8").replace('kind = "slot"', change)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LogbookError) as caught:
        read_logbook(demo_copy)
    problem = next(p for p in caught.value.problems if p.code == code)
    assert says in problem.found


@pytest.mark.parametrize(
    "marks", ["[[0, 0.1]]", "[[0, 0.1], [0, 0.2]]", "[[0, 0.1], [1, 0.3], [2, 0.2]]", "[1, 2]"]
)
def test_marks_that_tell_nothing_are_faults(demo_copy: Path, marks: str) -> None:
    path = demo_copy / "car.toml"
    text = path.read_text(encoding="utf-8").replace("per_mark = 1.0\n", f"toe_at_marks = {marks}\n")
    path.write_text(text.replace('kind = "slot"', 'kind = "marks"'), encoding="utf-8")
    with pytest.raises(LogbookError):
        read_logbook(demo_copy)


@pytest.mark.parametrize("order", ['["never"]', '["least-change", "least-change"]', '"rms"'])
def test_an_order_of_wishes_that_is_none_is_a_fault(demo_copy: Path, order: str) -> None:
    path = demo_copy / "car.toml"
    text = path.read_text(encoding="utf-8")
    text = text.replace('kind = "least-change"', f'kind = "least-change"\norder = {order}')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LogbookError) as caught:
        read_logbook(demo_copy)
    assert "order" in caught.value.problems[0].found

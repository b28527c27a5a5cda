"""Screens stay readable on any width: margins, cut names, tables in blocks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.logbook import read_logbook
from optimizer.measure.quality import run_quality
from optimizer.measure.spreads import gauge_study
from optimizer.present.gallery import corner_curves
from optimizer.present.layout import labelled, shortened, table
from optimizer.present.screens import check_screen, curves_screen
from optimizer.records import Logbook

LONG = "a-very-long-name-of-a-run"


def _grown(folder: Path, names: list[str], corner: str = "rear-left") -> Logbook:
    """The demo with copies of its second run under other names."""
    runs, readings = folder / "runs.csv", folder / "readings.csv"
    rows = [r for r in readings.read_text().splitlines() if r.startswith("joint-up")]
    for name in names:
        with runs.open("a", encoding="utf-8") as file:
            file.write(f"{name},rear-left,,2,3+1,0,0,,\n")
        with readings.open("a", encoding="utf-8") as file:
            file.writelines(r.replace("joint-up", name, 1) + "\n" for r in rows)
    for name in ("car.toml", "runs.csv"):
        file_ = folder / name
        file_.write_text(file_.read_text().replace("rear-left", corner))
    return read_logbook(folder)


def _screens(book: Logbook, width: int) -> tuple[list[str], list[str]]:
    (corner,) = book.corners
    _, window, runs = corner_curves(book, corner)
    qualities = [run_quality(book, r) for r in book.runs]
    check = check_screen(book, qualities, width, study=gauge_study(book))
    return check, curves_screen(book, runs, window, width)


@pytest.mark.parametrize("width", [40, 60, 80])
@pytest.mark.parametrize(
    ("names", "corner"),
    [
        ([], "rear-left"),
        (["four", "five"], "rear-left"),
        ([f"{LONG}-{i}" for i in range(2)], "rear-left"),
        ([], "the-left-rear-corner-of-the-second-car-of-the-team"),
        ([f"run-{i}" for i in range(57)], "rear-left"),
    ],
    ids=["demo", "five", "long", "corner", "sixty"],
)
def test_screens_fit_and_tables_stay_tables(
    demo_copy: Path, names: list[str], corner: str, width: int
) -> None:
    book = _grown(demo_copy, names, corner)
    for lines in _screens(book, width):
        assert max(map(len, lines)) <= width
        assert "\n".join(lines).isascii()
        # a table's row has a name and a figure, never a figure alone
        assert not [s for s in lines if s.strip().replace(".", "").isdigit()]
        assert not [s for s in lines if s.strip()[:1] in "+-" and " / " in s and s[:3].isspace()]
    text = "\n".join(_screens(book, width)[1])
    assert text.count("50 droop") == text.count("50 bump") >= 1


def test_each_block_repeats_the_first_column() -> None:
    travels = ["50 droop", "25 droop", "25 bump", "50 bump"]
    rows = [["travel", *(f"run-{i}" for i in range(9))]]
    rows += [[z, *(f"+{i}.{k} / 0.012" for i in range(9))] for k, z in enumerate(travels)]
    lines = table(rows, 60, 0)
    assert [s.split()[0] for s in lines if s] == ["travel", "50", "25", "25", "50"] * 3
    assert lines.count("") == 2
    seen = [word for s in lines for word in s.split() if word.startswith("+")]
    assert sorted(seen) == sorted(c.split()[0] for r in rows[1:] for c in r[1:])


def test_names_are_cut_apart() -> None:
    room = 12
    ends = shortened([f"{LONG}-one", f"{LONG}-two", "short"], room)
    assert list(ends.values()) == ["a-ver..n-one", "a-ver..n-two", "short"]
    same = [f"{LONG}-{i}-{LONG}" for i in range(30)]
    numbered = shortened(same, room)
    assert len(set(numbered.values())) == 30
    assert max(map(len, numbered.values())) <= room


def test_a_label_never_runs_into_its_text() -> None:
    assert labelled("Then", "go", 80) == ["Then       go"]
    assert labelled("No readings", "plans: planned", 80) == [
        "No readings",
        "           plans: planned",
    ]
    for label in ("link-short", LONG):
        assert labelled(label, "text", 80) == [label, "           text"]
    assert labelled("", "text", 40) == ["  text"]
    assert labelled("", "", 80) == []


def test_the_footnote_is_in_the_travel_s_unit(demo_copy: Path) -> None:
    book = read_logbook(demo_copy)
    assert "bow and twist at 50 mm, after" in "\n".join(_screens(book, 80)[1])
    inches = replace(book, units=replace(book.units, travel="in"))
    assert "bow and twist at 1.97 in, after" in "\n".join(_screens(inches, 80)[1])
    car = demo_copy / "car.toml"
    car.write_text(car.read_text().replace("[-50, 50]", "[-10, 50]"))
    flat = " ".join(" ".join(_screens(read_logbook(demo_copy), 80)[1]).split())
    assert "bow and twist at 30 mm (half the window from 10 droop to 50 bump)" in flat

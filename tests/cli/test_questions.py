"""The questions of ``shimopt new``, answered on a pseudo-terminal as a person would."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from optimizer.logbook import read_logbook

pty = pytest.importorskip("pty")
termios = pytest.importorskip("termios")

SIX = ["mm", "300", "toe-in", "behind", "3+1", "2x1"]
TABLE = "travel up1\n-40 -1\n-20 -0.5\n0 0\n20 0.5\n40 1\n"


def _talk(
    folder: Path,
    replies: list[str],
    *flags: str,
    words: tuple[str, ...] = ("new",),
    width: int = 80,
    env: dict[str, str] | None = None,
) -> tuple[int, str]:
    """Run ``new``, or other words, on a terminal of 24 lines, a reply at each prompt.

    The exit code, and all that it showed.
    """
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (24, width))
    process = subprocess.Popen(
        [sys.executable, "-m", "optimizer", *words, str(folder), *flags],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        close_fds=True,
        env={**os.environ, **(env or {})},
        start_new_session=True,
    )
    os.close(theirs)
    waiting, shown, fresh = list(replies), "", ""
    until = time.monotonic() + 60.0
    try:
        while time.monotonic() < until:
            if not select.select([ours], [], [], 0.2)[0]:
                if process.poll() is not None:
                    break
                continue
            try:
                data = os.read(ours, 4096)
            except OSError:  # the other end is closed
                break
            if not data:
                break
            fresh += data.decode()
            shown += data.decode()
            if fresh.endswith(": "):
                fresh = ""
                assert waiting, f"one prompt too many:\n{shown}"
                os.write(ours, f"{waiting.pop(0)}\n".encode())
        code = process.wait(timeout=20)
    finally:
        process.kill()
        os.close(ours)
    assert not waiting, f"not asked for {waiting}:\n{shown}"
    return code, shown.replace("\r\n", "\n")


def test_six_answers_make_a_logbook_and_the_first_line_tells_the_way_back(tmp_path: Path) -> None:
    code, shown = _talk(tmp_path / "car", SIX)
    assert code == 0
    assert shown.splitlines()[0].startswith("6 questions; < goes back to the one before")
    book = read_logbook(tmp_path / "car")
    assert (book.gauge.span_mm, book.gauge.rising) == (300.0, 1)
    assert (book.runs[0].above_mm, book.runs[0].below_mm) == ((3.0, 1.0), (1.0, 1.0))


@pytest.mark.parametrize(
    ("flags", "told"),
    [
        (("--corner", "middle"), "does not tell its side"),
        (("--side", "middle"), "say left or right"),
        (("--run", "#1"), "cannot be called"),
        (("--rising", "up"), "say toe-in"),
        (("--link", "beside"), "say ahead or behind"),
        (("--units", "mm", "--span", "-5"), "a span of -5 cannot be"),
        (("--units", "mm", "--span", "nan"), "is not a finite number"),
        (("--units", "mm", "--above", "3-1"), "`3-1` is no shim"),
        (("--table", "no-such-table"), "cannot be read"),
    ],
)
def test_what_was_given_is_refused_before_the_first_question(
    tmp_path: Path, flags: tuple[str, ...], told: str
) -> None:
    code, shown = _talk(tmp_path / "car", [], *flags)
    assert code == 2
    assert told in shown
    assert "question" not in shown
    assert list(tmp_path.iterdir()) == []


def test_a_taken_folder_and_a_faulty_table_are_refused_before_the_first_question(
    tmp_path: Path,
) -> None:
    (tmp_path / "car.toml").write_text("mine")
    code, shown = _talk(tmp_path, [])
    assert (code, "holds `car.toml` already" in shown) == (2, True)
    code, shown = _talk(tmp_path / "car.toml" / "deeper", [])
    assert (code, "is a file, no folder" in shown) == (2, True)
    (tmp_path / "table.txt").write_text("travel up1\n0 x\n")
    code, shown = _talk(tmp_path / "car", [], "--table", str(tmp_path / "table.txt"))
    assert (code, "[L309]" in shown) == (3, True)


def test_each_answer_is_checked_at_its_prompt(tmp_path: Path) -> None:
    replies = ["thou", "thou,mm,mm", "-5", "nan", "5", "300 deg", "about 300", "300,5 mm"]
    replies += ["up", "Climb", "beside", "Ahead", "3-1", "3 mm", "3+1", "55", "0,5"]
    code, shown = _talk(tmp_path / "car", replies)
    assert code == 0, shown
    for told in (
        "leave travel and length in doubt",
        "a span of -5 cannot be",
        "`nan` is not a finite number",
        "from 50 to 3000 mm",
        "`300 deg` holds a unit",
        "`about 300` is not a number",
        "rising is 'up'\n  mend: say toe-in (or climb)",
        "link is 'beside'",
        "`3-1` is no shim",
        "`3 mm` holds a unit",
        "a shim of 55 mm is over 30 mm thick",
    ):
        assert told in shown, told
    book = read_logbook(tmp_path / "car")
    assert (book.gauge.span_mm, book.gauge.rising) == (300.5, 1)
    assert book.corners["rear-left"].ahead
    assert book.runs[0].below_mm == (0.5,)


def test_lengths_are_read_in_the_unit_that_was_answered(tmp_path: Path) -> None:
    replies = ["in", "300", "12", "FALL", "behind", "3+1", "0.125", "0"]
    code, shown = _talk(tmp_path / "car", replies)
    assert code == 0, shown
    assert "from 1.97 to 118.1 in" in shown
    assert "a shim of 3 in is over 30 mm thick" in shown
    book = read_logbook(tmp_path / "car")
    assert book.gauge.span_mm == pytest.approx(304.8)
    assert book.gauge.rising == -1
    assert book.runs[0].above_mm == pytest.approx((3.175,))


def test_one_key_steps_back_and_enter_keeps(tmp_path: Path) -> None:
    replies = ["<", "mm", "300", "toe-in", "<", "<", "<", "thou,mm,mm", "", "", "ahead"]
    code, shown = _talk(tmp_path / "car", [*replies, "2", "<", "3", "1"])
    assert code == 0, shown
    assert "this is the first question" in shown
    book = read_logbook(tmp_path / "car")
    assert (book.units.reading, book.gauge.span_mm, book.gauge.rising) == ("thou", 300.0, 1)
    assert (book.runs[0].above_mm, book.runs[0].below_mm) == ((3.0,), (1.0,))


def test_a_gauge_of_angles_is_not_asked_for_its_span(tmp_path: Path) -> None:
    replies = ["mm", "300", "<", "<", "deg,mm,mm", "toe-in", "ahead", "0", "0"]
    code, shown = _talk(tmp_path / "car", replies)
    assert code == 0, shown
    assert read_logbook(tmp_path / "car").gauge.kind == "direct-angle"


def test_another_gauge_is_said_at_the_span_and_has_its_own_questions(tmp_path: Path) -> None:
    replies = ["mm", "direct-angle", "Toe Plate", "600", "beside", "across the car", "ahead", "1"]
    code, shown = _talk(tmp_path / "plate", [*replies, "1"])
    assert code == 0, shown
    assert "a direct-angle gauge does not read in `mm`" in shown
    assert "reference is 'beside'\n  mend: say inboard or outboard" in shown
    gauge = read_logbook(tmp_path / "plate").gauge
    assert (gauge.kind, gauge.span_mm, gauge.rising) == ("toe-plate", 600.0, -1)
    replies = ["mm", "two-dials", "one-dial", "spot", "100", "4000", "toe-out", "ahead", "1", "1"]
    code, shown = _talk(tmp_path / "spot", replies)
    assert code == 0, shown
    assert "a throw of 100 mm cannot be" in shown
    assert "does the number under the spot climb" in shown
    gauge = read_logbook(tmp_path / "spot").gauge
    assert (gauge.kind, gauge.span_mm, gauge.rising) == ("spot", 4000.0, -1)


@pytest.mark.parametrize(("link", "number", "rising"), [("ahead", "up", -1), ("behind", "UP", 1)])
def test_a_turn_of_the_link_tells_what_nobody_knew(
    tmp_path: Path, link: str, number: str, rising: int
) -> None:
    replies = ["mm", "300", "?", "ahead", "<", link, "sideways", number, "1", "1"]
    code, shown = _talk(tmp_path / "car", replies)
    assert code == 0, shown
    assert "Lengthen the link one turn" in shown
    assert "longer is 'sideways'\n  mend: say up or down" in shown
    assert read_logbook(tmp_path / "car").gauge.rising == rising
    flags = ("--units", "mm", "--span", "300", "--link", link, "--above", "1", "--below", "1")
    code, shown = _talk(tmp_path / "flags", [], *flags, "--longer", number)
    assert (code, read_logbook(tmp_path / "flags").gauge.rising) == (0, rising)
    code, shown = _talk(tmp_path / "both", [], *flags, "--longer", number, "--rising", "toe-in")
    assert (code, "say the same" in shown) == (2, True)


def test_units_must_suit_the_flags_and_the_table(tmp_path: Path) -> None:
    table = tmp_path / "table.txt"
    table.write_text(TABLE.replace("travel", "travel_mm"))
    flags = ("--span", "300", "--rising", "Toe-In", "--link", "BEHIND", "--above", "3+1")
    replies = ["in", "thou,in,mm", "mm", "0"]
    code, shown = _talk(tmp_path / "car", replies, *flags, "--table", str(table))
    assert code == 0, shown
    assert "a span of 300 in cannot be" in shown
    assert "[L603]" in shown
    assert len(read_logbook(tmp_path / "car").readings) == 5


def test_answers_that_make_no_logbook_are_shown_as_a_command(tmp_path: Path) -> None:
    table = tmp_path / "table.txt"
    table.write_text("travel up1\n-40 1\n-20 1\n20 1\n")
    code, shown = _talk(tmp_path / "car", SIX, "--table", str(table))
    assert code == 3
    assert "[L503]" in shown
    assert "--units mm --span 300 --rising toe-in --link behind --above 3+1 --below 2x1" in shown


def test_import_asks_before_it_writes(demo_copy: Path, tmp_path: Path) -> None:
    table = tmp_path / "wide.csv"
    table.write_text("travel;new\nshims above;2\nshims below;3+1\n-25;-6\n0;0\n25;7\n")
    before = (demo_copy / "readings.csv").read_bytes()
    words = ("import", str(table))
    code, shown = _talk(demo_copy, ["n"], words=words)
    assert (code, shown.endswith("nothing was written\n")) == (0, True)
    assert (demo_copy / "readings.csv").read_bytes() == before
    code, shown = _talk(demo_copy, ["y"], words=words)
    assert (code, "added to runs.csv and readings.csv" in shown) == (0, True)
    added = b"new,up1,-25,-6\nnew,up1,0,0\nnew,up1,25,7\n"
    assert (demo_copy / "readings.csv").read_bytes() == before + added


PLAIN = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii", "NO_COLOR": "1"}


@pytest.mark.parametrize("width", [40, 80])
def test_the_preview_of_many_runs_fits_a_terminal_without_letters_of_its_own(
    demo_copy: Path, tmp_path: Path, width: int
) -> None:
    n = 30
    rows = [["travel thou", *(f"run-{i}" for i in range(n))]]
    rows += [["shims above", *["2"] * n], ["shims below", *["3+1"] * n]]
    rows += [[z, *[z] * n] for z in ("-900", "0", "900")]
    table = tmp_path / "wide.csv"
    table.write_text("".join(";".join(row) + "\n" for row in rows))
    code, shown = _talk(demo_copy, ["n"], words=("import", str(table)), width=width, env=PLAIN)
    assert code == 0
    lines = shown.replace("[y/N]: n", "[y/N]: ").splitlines()
    asked = next(i for i, line in enumerate(lines) if line.startswith("Add these rows"))
    assert asked < 23  # with the command itself on the line above
    assert max(map(len, lines[: asked + 1])) <= width
    assert "more runs; through a pipe this" in shown
    assert shown.isascii()

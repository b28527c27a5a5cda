"""Logbooks as they come out of editors, spreadsheets and tired hands: good ones, spoilt.

One set of mutations for three drivers: Hypothesis, a plain random generator, and a fuzzer's
bytes. Each is an object that draws whole numbers.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol, TypeVar

from optimizer.demo_files import demo_folder

T = TypeVar("T")
TABLES = ("runs.csv", "readings.csv", "travel.csv", "offers.csv", "wide.csv")
ALL_FILES = ("car.toml", *TABLES)
# how often each is spoilt: what every command reads, most
WEIGHED = ("car.toml",) * 6 + ("runs.csv",) * 4 + ("readings.csv",) * 5
WEIGHED += ("travel.csv", "offers.csv", "wide.csv", "wide.csv")

TRAVEL = b"seconds,travel_mm\n" + b"".join(b"0.1,%d\n" % (z % 61 - 30) for z in range(0, 700, 7))

NUMBERS = (
    "0", "-0", "1", "-1", "0.1", "1e308", "-1e308", "1e-320", "5e-324", "1e309", "9" * 400,
    "1" + "0" * 400, "0." + "0" * 400 + "1", "1e99999999", "nan", "inf", "-inf", "NaN", "12,5",
    "1,234", "1.234,5", "1 234", "1\u2009234", "1\u00a0234", "1\u202f234", "\u221212", "\u201312",
    "\u201412", "\u0661\u0662", "\uff11\uff12", "\u00bd", "\u00b2", "0x1f", "1_000", "+5", "--5",
    "5-", ".5", "5.", ".", ",", "1e", "e5", "1e5", "12mm", "12 mm", '12"', "12'", "12\u00b0",
    "$12", "(12)", "12%", "1/2", "TRUE", "-1e-9", "0.30000000000000004", "300", "-300", "30",
    "60", "90", "1e-12", "1e12", "39.999", "9.999", "2147483648", "1e16",
)  # fmt: skip
DATES = ("3-Jan", "1/1", "03.Jan", "2026-01-03", "2026-01-03 00:00:00", "46025", "Jan 3", "1-1")
STACKS = (
    "0", "", "-", "3+1", "1+3", "4", "2x2", "60x1", "61x1", "999999999999x1", "1x", "x1", "+", "3+",
    "+3", "3++1", "3+1+", "29.99", "31", "-1", "0x1", "0.001", "1e3", "3 + 1", "3\u00d71", "3*1",
    "3+1e400", "9" * 400, "3;1", "3,5+0,5", "2x0.25+3x1+0", "+".join(["1"] * 70),
)  # fmt: skip
WORDS = (
    "", " ", "as-found", "run1", "joint-up", "up1", "down1", "up2", "rear-left", "rear-right",
    "=A1", "=1+1", "@SUM(A1)", "+cmd|' /C calc'!A0", "-run", "--help", "#REF!", "#DIV/0!", "#N/A",
    "#", "<b>x</b>", "<script>alert(1)</script>", "&amp;", "\"'><img src=x>", "](http://x)",
    "$x^2$", "$\\frac$", "\\$", "%s%n", "{0}", "{}", "`rm`", "$(id)", "../../etc/passwd", "a/b",
    "a\\b", "CON", "\u001b[31mred\u001b[0m", "\u009b31m", "\a\b", "\u202eabc", "\u2066x\u2069",
    "\u200bx", "e\u0301", "\u00e9", "\u8d5b\u8f66", "\U0001f600", "\ufeffx", "a" * 300,
    "w" * 5000, "a b", "a\u00a0b", "a:b", "a,b", "a;b", "a\tb", "a'b", 'a""b', "run:up1", "0",
    "1", "nul\x00x", "\x7f", "tab\there", "\u2028", "\u0085", "None", "null", "true",
)  # fmt: skip
TOML_VALUES = (
    "1", "-1", "0", "1.5", "1e308", "-1e308", "5e-324", "1e-320", "inf", "-inf", "nan",
    "9" * 400, "9" * 5000, "0x" + "f" * 5000, "1e400", "true", "false", '""', '"x"', "'x'",
    '"""x"""', "[]", "[1]", "[1,2]", "[1,2,3]", "[2,1]", "[-50,50]", "[[1,2],[3,4]]", "[[]]",
    '["a"]', "[1,'a']", "[nan, inf]", "{}", "{a=1}", "{a={b={c=1}}}", "1979-05-27", "07:32:00",
    "1979-05-27T07:32:00Z", '"3+1"', '"mm"', '"in"', '"deg"', '"min"', '"thou"', '"cm"', '"plus"',
    '"minus"', '"toe-in"', '"toe-out"', '"ahead"', '"behind"', '"left"', '"right"', '"both"',
    '"droop"', '"slot"', '"cam-in-slot"', '"free-cam"', '"marks"', '"none"', '"fixed"',
    '"one-end"', '"both-ends"', '"clevis"', '"arm-below"', '"arm-above"', '"outer"', '"inner"',
    '"rack"', '"two-dials"', '"toe-plate"', '"spot"', '"direct-angle"', '"one-dial"',
    '"peak-to-peak"', '"logged"', '"ride-height"', '"toe-at-travel"', '"M12x1.75"', '"1/2-20"',
    '"as-found"', '"run1"', '"rear-left"', '"front"', "0.001", "0.01", "0.1", "2", "3", "5", "6",
    "8", "10", "12", "14", "20", "30", "45", "60", "89.9", "90", "100", "200", "300", "321", "500",
    "1000", "2000", "-0.0", "-5", "-20", "-40", "-100", '"\\u001b[31m"', '"\\u202e"', '"\\u0000"',
    '"<b>"', '"$x_{$"', '"' + "n" * 3000 + '"', "[" * 60 + "]" * 60,
)  # fmt: skip
BITS = (
    b"\x00", b"\xff", b"\xef\xbb\xbf", b"\r", b"\n", b"\r\n", b'"', b'""', b"'", b",", b";", b"\t",
    b"=", b"[", b"]", b"{", b"}", b"#", b".", b"-", b"+", b"\\", b" ", b"\xc2\xa0", b"\xe9",
    b"\xe2\x88\x92", b"\x1b[2J", b"\x0b", b"\x0c", b"\x1c", b"\xe2\x80\xa8", b"\xc2\x85", b"0",
    b"9",     b"e", b"nan", b"1e308", b"\xed\xa0\x80",
)  # fmt: skip


class Draw(Protocol):
    """Whatever draws whole numbers."""

    def whole(self, low: int, high: int) -> int:
        """A whole number from ``low`` to ``high``, both included."""


def pick(draw: Draw, of: Sequence[T]) -> T:
    """One of several."""
    return of[draw.whole(0, len(of) - 1)]


def _lines(data: bytes) -> list[bytes]:
    return data.split(b"\n")


def _at(draw: Draw, of: Sequence[T]) -> int:
    return draw.whole(0, max(0, len(of) - 1))


def any_text(draw: Draw) -> str:
    """A cell's text of any kind."""
    return pick(draw, pick(draw, (NUMBERS, NUMBERS, DATES, STACKS, WORDS)))


# --- what happens to a whole file -------------------------------------------------------


def _encoded(name: str) -> Callable[[Draw, bytes], bytes]:
    def change(draw: Draw, data: bytes) -> bytes:
        return data.decode("utf-8", "replace").encode(name, "replace")

    return change


def _marked(mark: bytes) -> Callable[[Draw, bytes], bytes]:
    return lambda draw, data: mark + data


def _swapped(old: bytes, new: bytes) -> Callable[[Draw, bytes], bytes]:
    return lambda draw, data: data.replace(old, new)


def _cut(draw: Draw, data: bytes) -> bytes:
    return data[: draw.whole(0, len(data))]


def _bit(draw: Draw, data: bytes) -> bytes:
    at = draw.whole(0, len(data))
    return data[:at] + pick(draw, BITS) + data[at + draw.whole(0, 2) :]


def _drop_line(draw: Draw, data: bytes) -> bytes:
    lines = _lines(data)
    at = _at(draw, lines)
    return b"\n".join(lines[:at] + lines[at + 1 :])


def _double_line(draw: Draw, data: bytes) -> bytes:
    lines = _lines(data)
    at, to = _at(draw, lines), draw.whole(0, len(lines))
    return b"\n".join([*lines[:to], lines[at], *lines[to:]])


def _tail(draw: Draw, data: bytes) -> bytes:
    more = (
        b",,,,\n" * 40,
        b"\n" * 40,
        b";;;\n",
        b"\t\t\n",
        b" \n",
        b"\x1a",
        b"\n\n# note\n",
        b"\r\n",
    )
    return data + pick(draw, more)


WHOLE: tuple[Callable[[Draw, bytes], bytes], ...] = (
    _bit, _bit, _bit, _cut, _drop_line, _drop_line, _double_line, _tail,
    _marked(b"\xef\xbb\xbf"), _marked(b"\xef\xbb\xbf" * 2), _marked(b"\xff\xfe"),
    _marked(b"sep=;\n"), _marked(b"\n\n"),
    _swapped(b"\n", b"\r\n"), _swapped(b"\n", b"\r"), _swapped(b"\n", b"\n\n"),
    _swapped(b"\n", b"\x0b"), _swapped(b"\n", b"\xe2\x80\xa8"),
    _encoded("utf-16"), _encoded("utf-16-le"), _encoded("utf-16-be"), _encoded("latin-1"),
    _encoded("utf-32"), lambda draw, data: b"\xfe\xff" + _encoded("utf-16-be")(draw, data),
    lambda draw, data: b"", lambda draw, data: b"\x00" * 100, lambda draw, data: b"PK\x03\x04",
    _swapped(b",", b";"), _swapped(b",", b"\t"), _swapped(b",", b" , "),
    _swapped(b"-", b"\xe2\x88\x92"),
    _swapped(b".", b","), _swapped(b" ", b"\xc2\xa0"), _swapped(b"=", b"="), _swapped(b"0", b""),
)  # fmt: skip


# --- what happens to cells of a table ---------------------------------------------------


def _rows(data: bytes) -> list[list[str]]:
    return [line.split(",") for line in data.decode("utf-8", "replace").split("\n")]


def _joined(rows: list[list[str]]) -> bytes:
    return "\n".join(",".join(row) for row in rows).encode("utf-8", "surrogatepass")


def _cell(draw: Draw, data: bytes) -> bytes:
    rows = _rows(data)
    row = rows[_at(draw, rows)]
    row[_at(draw, row)] = any_text(draw)
    return _joined(rows)


def _quoted_cell(draw: Draw, data: bytes) -> bytes:
    rows = _rows(data)
    row = rows[_at(draw, rows)]
    at = _at(draw, row)
    forms = ('"{}"', '"{}', '{}"', '""{}""', ' "{}" ', '"{}\n"', "'{}'", '"{}" x', "={}", '="{}"')
    row[at] = pick(draw, forms).format(row[at])
    return _joined(rows)


def _column(draw: Draw, data: bytes) -> bytes:
    """The same in a whole column: of numbers, of names, or of the header as well."""
    rows = _rows(data)
    at, text = draw.whole(0, len(rows[0]) - 1), any_text(draw)
    for row in rows[draw.whole(0, 1) :]:
        if at < len(row):
            row[at] = text
    return _joined(rows)


def _scaled(draw: Draw, data: bytes) -> bytes:
    """A column in another unit, or with its sign turned."""
    rows, factor = _rows(data), pick(draw, (-1.0, 0.0, 1e-6, 0.0254, 25.4, 1e3, 1e-300, 1e300, 0.1))
    at = draw.whole(0, len(rows[0]) - 1)
    for row in rows[1:]:
        if at < len(row):
            try:
                row[at] = f"{float(row[at]) * factor:.6g}"
            except ValueError:
                continue
    return _joined(rows)


def _same(draw: Draw, data: bytes) -> bytes:
    """Every number of a column is one of them."""
    rows = _rows(data)
    at = draw.whole(0, len(rows[0]) - 1)
    own = rows[_at(draw, rows)]
    text = own[at] if at < len(own) else "0"
    for row in rows[1:]:
        if at < len(row):
            row[at] = text
    return _joined(rows)


def _drop_column(draw: Draw, data: bytes) -> bytes:
    rows = _rows(data)
    at = draw.whole(0, len(rows[0]) - 1)
    return _joined([row[:at] + row[at + 1 :] for row in rows])


def _double_column(draw: Draw, data: bytes) -> bytes:
    rows = _rows(data)
    at = draw.whole(0, len(rows[0]) - 1)
    blank = draw.whole(0, 1)
    return _joined([[*row, "" if blank else "".join(row[at : at + 1])] for row in rows])


def _heading(draw: Draw, data: bytes) -> bytes:
    rows = _rows(data)
    heads = (
        "", "run", "corner", "pass", "travel", "travel_mm", "travel_in", "reading", "reading_mm",
        "reading_deg", "front", "rear", "Travel (mm)", "shims above", "length change [in]",
        "damper", "static_toe_min", "note", "date", "seconds", "share", "price", "bore_mm", "most",
    )  # fmt: skip
    rows[0][_at(draw, rows[0])] = pick(draw, heads) if draw.whole(0, 3) else any_text(draw)
    return _joined(rows)


def _ragged(draw: Draw, data: bytes) -> bytes:
    rows = _rows(data)
    row = rows[_at(draw, rows)]
    if draw.whole(0, 1):
        row += [any_text(draw)] * draw.whole(1, 3)
    else:
        del row[draw.whole(0, len(row) - 1) :]
    return _joined(rows)


def _keep_rows(draw: Draw, data: bytes) -> bytes:
    """Only the header and a stretch of the rows."""
    lines = _lines(data)
    start = draw.whole(1, max(1, len(lines) - 1))
    return b"\n".join([lines[0], *lines[start : start + draw.whole(0, 12)], b""])


def _renamed(draw: Draw, data: bytes) -> bytes:
    old = pick(draw, (b"as-found", b"joint-up", b"link-short", b"rear-left", b"up1", b"down1"))
    return data.replace(old, pick(draw, WORDS).encode("utf-8", "surrogatepass"))


def _near(draw: Draw, data: bytes) -> bytes:
    """A number of a cell a little off, or by far."""
    rows = _rows(data)
    row = rows[_at(draw, rows)]
    at = _at(draw, row)
    try:
        value = float(row[at])
    except ValueError:
        return data
    by = (0.5, 1.0, 2.0, 5.0, 10.0, 50.0, -1.0, -10.0, 100.0)
    row[at] = f"{value + pick(draw, by):.6g}"
    return _joined(rows)


def _moved(draw: Draw, data: bytes) -> bytes:
    """A whole column shifted or scaled a little."""
    rows = _rows(data)
    at = draw.whole(0, len(rows[0]) - 1)
    factor, shift = pick(draw, (1.0, -1.0, 0.1, 0.5, 2.0, 3.0)), pick(draw, (0, 0, 1, -5, 20))
    for row in rows[1:]:
        if at < len(row):
            try:
                row[at] = f"{float(row[at]) * factor + shift:.6g}"
            except ValueError:
                continue
    return _joined(rows)


CELLS: tuple[Callable[[Draw, bytes], bytes], ...] = (
    _cell, _cell, _near, _near, _near, _near, _moved, _moved, _quoted_cell, _column,
    _scaled, _scaled, _same, _drop_column, _double_column, _heading, _ragged, _keep_rows, _renamed,
)  # fmt: skip

# --- what happens to car.toml -----------------------------------------------------------

_PAIR = re.compile(r"^(#\s*)?([a-z_]+) = (.*)$", re.MULTILINE)


def _pairs(text: str) -> list[re.Match[str]]:
    return list(_PAIR.finditer(text))


def _value(draw: Draw, data: bytes) -> bytes:
    text = data.decode("utf-8", "replace")
    pairs = _pairs(text)
    if not pairs:
        return data
    at = pick(draw, pairs)
    new = f"{at[2]} = {pick(draw, TOML_VALUES)}"
    return (text[: at.start()] + new + text[at.end() :]).encode("utf-8", "surrogatepass")


def _stated(draw: Draw, data: bytes) -> bytes:
    """Take away the mark of a note before some keys."""
    text = data.decode("utf-8", "replace")
    notes = [m for m in _pairs(text) if m[1]]
    for _ in range(draw.whole(1, 8)):
        if notes:
            m = pick(draw, notes)
            text = text.replace(m[0], f"{m[2]} = {m[3]}", 1)
    return text.encode("utf-8", "surrogatepass")


def _table_line(draw: Draw, data: bytes) -> bytes:
    lines = (
        "[corner]", "[corner.x]", "[[corner]]", "[[corner.rear-left]]", "[corner.rear-left]",
        "[corner.'a b']", '[corner."<b>"]', '[corner."\\u001b[31m"]', '[corner.""]', "[a.b.c.d.e]",
        "[units]", "units = 1", "[gauge.x]", "corner = 3", "[axle.rear]", "x = 1", "a.b.c = 1",
        "[corner.rear-left.points]", "[corner.rear-left.stud]", "[corner.rear-left.joint]",
        "[labour]", "x = " + "[" * 2000 + "]" * 2000, "x = " + "{a=" * 400 + "1" + "}" * 400,
        "a." * 3000 + "a = 1", "= 1", "x =", "x = 'a", "\ufeff", "\u001b", 'x = "\\ud800"',
        "[corner.rear-left.tape]\nlength = 1", "=A1", "[car]\nname = 1",
    )  # fmt: skip
    text = data.decode("utf-8", "replace").split("\n")
    at = draw.whole(0, len(text))
    return "\n".join([*text[:at], pick(draw, lines), *text[at:]]).encode("utf-8", "surrogatepass")


_NUMBER = re.compile(r"-?[0-9]+(?:\.[0-9]+)?")
FACTORS = (-1.0, 0.0, 0.01, 0.1, 0.5, 0.9, 1.1, 2.0, 3.0, 10.0, 100.0)


def _tuned(draw: Draw, data: bytes) -> bytes:
    """Other numbers of the same kind, so that most of it still reads well."""
    text = data.decode("utf-8", "replace")
    pairs = [m for m in _pairs(text) if not m[1] and _NUMBER.search(m[3])]
    if not pairs:
        return data
    m, factor = pick(draw, pairs), pick(draw, FACTORS)
    new = _NUMBER.sub(lambda n: f"{float(n[0]) * factor:.6g}", m[3], count=draw.whole(1, 3))
    return (text[: m.start(3)] + new + text[m.end(3) :]).encode("utf-8", "surrogatepass")


def _stated_and_tuned(draw: Draw, data: bytes) -> bytes:
    return _tuned(draw, _stated(draw, data))


TOML: tuple[Callable[[Draw, bytes], bytes], ...] = (
    *(_value,) * 6, *(_stated,) * 4, *(_tuned,) * 8, *(_stated_and_tuned,) * 2, _table_line,
    _table_line, _renamed,
)  # fmt: skip


# what mostly leaves a logbook that can be read: other numbers, fewer rows, what was a note
MILD_CELLS = (_near, _near, _near, _moved, _keep_rows, _drop_line, _scaled)
MILD_TOML = (_tuned, _tuned, _tuned, _stated_and_tuned, _stated)


def spoilt(draw: Draw, name: str, data: bytes, *, mild: bool = False) -> bytes:
    """The bytes of a file after one mutation."""
    if mild:
        return pick(draw, MILD_TOML if name == "car.toml" else MILD_CELLS)(draw, data)
    own = TOML if name == "car.toml" else CELLS
    kinds = own if draw.whole(0, 5) else WHOLE
    return pick(draw, kinds)(draw, data)


# --- what happens to the folder ---------------------------------------------------------


def place_spoilt(draw: Draw, folder: Path, name: str) -> None:
    """Something else stands where a file should."""
    path = folder / name
    kind = draw.whole(0, 9)
    held = path.read_bytes() if path.is_file() else b""
    if path.is_dir() and not path.is_symlink():  # spoilt like that before
        path.rmdir()
    path.unlink(missing_ok=True)
    if kind == 0:
        path.mkdir()
    elif kind == 1:
        path.symlink_to(folder / "nowhere")
    elif kind == 2:
        path.symlink_to(path)
    elif kind == 3:
        (folder / "elsewhere").write_bytes(held)
        path.symlink_to("elsewhere")
    elif kind == 4:
        os.mkfifo(path)
    elif kind == 5:
        path.symlink_to("/dev/null")
    elif kind == 6:
        path.symlink_to("/dev/zero")
    elif kind == 7:
        path.write_bytes(held)
        path.chmod(0o444)
    elif kind == 8:
        path.write_bytes(held)
        path.chmod(0)
    # else: it is missing


def beside(draw: Draw, folder: Path) -> None:
    """Files that spreadsheets, systems and editors leave beside it."""
    kind = draw.whole(0, 7)
    journal = folder / ".shimopt"
    if kind == 0:
        (folder / ".~lock.runs.csv#").write_text(",a,b,01.01.2026,file:///x;", encoding="utf-8")
        (folder / "~$runs.xlsx").write_bytes(b"\x05owner" + b"\x00" * 150)
    elif kind == 1:
        (folder / "desktop.ini").write_bytes(b"\xff\xfe[\x00")
        (folder / "._car.toml").write_bytes(b"\x00\x05\x16\x07")
    elif kind == 2:
        shutil.rmtree(journal, ignore_errors=True)
        journal.write_bytes(b"")
    elif not journal.exists() or journal.is_dir():
        journal.mkdir(exist_ok=True)
        for _ in range(draw.whole(0, 3)):
            name = pick(draw, ("0001.jsonl", "0002.jsonl", "9999.jsonl", "x", "00a1.jsonl"))
            lines = (
                b"", b"{}", b"[]", b"null", b'{"a":', b"\xff\xfe", b"\x00",
                b'{"change":"import"}\n{"base":"../x","length":-1,"digest":""}\n', b'{"x":1}\n',
                b"[" * 5000 + b"\n", b"1e999\n", b'"x"\n' * 3,
            )  # fmt: skip
            (journal / name).write_bytes(pick(draw, lines))


# --- bases, and the calls -----------------------------------------------------------------


def make_bases(home: Path) -> tuple[Path, ...]:
    """Good logbooks to spoil: the demo's two, one with changes to undo, a new one."""
    from optimizer.logbook import parse_table, plan_import, write_import
    from tests.unit.test_bad_input import CAR, READINGS, RUNS

    demo = demo_folder()

    def start(name: str, source: Path) -> Path:
        (home / name).mkdir(parents=True)
        for one in ("car.toml", "runs.csv", "readings.csv"):
            shutil.copyfile(source / one, home / name / one)
        shutil.copyfile(demo / "run4.csv", home / name / "wide.csv")
        shutil.copyfile(demo / "as-found.txt", home / name / "pasted.txt")
        return home / name

    first = start("demo", demo)
    second = start("changed", demo)
    write_import(plan_import(second, second / "wide.csv"))
    third = start("axle", demo / "both-wheels")
    fourth = home / "kinds"
    fourth.mkdir()
    for name, text in (("car.toml", CAR), ("runs.csv", RUNS), ("readings.csv", READINGS)):
        (fourth / name).write_text(text, encoding="utf-8")
    shutil.copyfile(demo / "run4.csv", fourth / "wide.csv")
    shutil.copyfile(demo / "as-found.txt", fourth / "pasted.txt")
    fifth = _new_base(home, demo, parse_table)
    for one in (first, second, third, fifth):
        shutil.copyfile(demo / "offers.csv", one / "offers.csv")
    (first / "travel.csv").write_bytes(TRAVEL)
    return first, second, third, fourth, fifth


def _new_base(home: Path, demo: Path, parse_table: object) -> Path:
    from optimizer.logbook import start_logbook
    from optimizer.questions import answers_from

    given: dict[str, str | None] = {
        "units": "thou,mm,mm", "span": "300", "rising": "toe-in", "link": "behind",
        "above": "3+1", "below": "1+1", "gauge": None, "longer": None, "reference": None,
    }  # fmt: skip
    rest = {
        "corner": "rear-left", "side": None, "car": None, "run": "as-found", "steered": False,
        "toe_out_plus": False, "droop_plus": False,
    }  # fmt: skip
    start_logbook(home / "new", answers_from(home / "new", given, rest, demo / "as-found.txt"))
    shutil.copyfile(demo / "run4.csv", home / "new" / "wide.csv")
    shutil.copyfile(demo / "as-found.txt", home / "new" / "pasted.txt")
    return home / "new"


GOALS = (
    "kind=toe-at-travel at_travel=-40 toe_change=0.1 tolerance=0.05", "never_toe_out=droop",
    "most_change=0.05", "window=[-30,30]", "measure=peak-to-peak", "weight=logged",
    "weight=ride-height weight_sd=1e-9", "order=[]", "x", "=", "kind=", "window=[nan,inf]",
    "window=[-1e308,1e308]", "most_change=1e-320", "worthwhile=0", "", " ", "kind=least-change" * 9,
    "at_travel=9" + "9" * 400,
)  # fmt: skip
RUNS = ("as-found", "joint-up", "link-short", "run1", "as-found:up1", "x", "", ":", "a:b:c", "up1")
FAST = ("check", "check json", "curves", "next", "next json", "next flags", "tradeoff", "import",
        "import yes", "enter", "undo", "axle", "new")  # fmt: skip
SLOW = ("check repeats", "kit", "brief markdown", "brief", "sheet")
KINDS = FAST + SLOW


def call_of(draw: Draw, kind: str, folder: str = ".") -> tuple[list[str], bytes]:
    """The words of a call and what is typed into it."""
    command, *rest = kind.split()
    words, typed = [command, folder], b""
    if command == "import":
        words = ["import", "wide.csv", folder, *(["--yes"] if rest else [])]
        if not draw.whole(0, 4):
            words += [pick(draw, ("--run", "--corner", "--sheet")), pick(draw, (*RUNS, *WORDS))]
    elif command == "tradeoff":
        words += ["--at", pick(draw, ("-40", "-40", "20", "0", "50", *NUMBERS))]
    elif command == "enter":
        flags = (
            [], ["--step", "12.5"], ["--step", pick(draw, NUMBERS)], ["--run", pick(draw, WORDS)],
            ["--travels", "-50,0,50"], ["--passes", "up1"], ["--travels", any_text(draw)],
            ["--passes", any_text(draw)], ["--run", "fifth"],
        )  # fmt: skip
        words += pick(draw, flags)
        if draw.whole(0, 1):
            words += ["--corner", "rear-left"]
        lines = [b"", b"0.1", *(b"%d" % (n % 7 - 3) for n in range(draw.whole(0, 24)))]
        for _ in range(pick(draw, (0, 0, 1, 1, 2, 4))):
            odd = pick(draw, ("/", "*", "+", any_text(draw), any_text(draw), "\xe9"))
            at = draw.whole(0, len(lines))
            lines[at : at + 1] = [odd.encode(pick(draw, ("utf-8", "utf-8", "latin-1")), "replace")]
        typed = b"\n".join(lines) + b"\n" * draw.whole(0, 2)
    elif command == "new":
        flags = {
            "--units": "thou,mm,mm", "--span": "300", "--rising": "toe-in", "--link": "behind",
            "--above": "3+1", "--below": "1+1", "--table": "pasted.txt",
        }  # fmt: skip
        if draw.whole(0, 2):
            free = (*flags, "--corner", "--car", "--run", "--side", "--gauge", "--longer")
            flags[pick(draw, free)] = any_text(draw)
        words = ["new", "made", *(w for pair in flags.items() for w in pair)]
    elif command == "kit":
        flags = (
            [], ["--both-sides"], ["--recipes"], ["--price", pick(draw, NUMBERS)],
            ["--budget", pick(draw, NUMBERS)], ["--on-hand", pick(draw, STACKS)], ["--json"],
            ["--shopping", "list.csv"], ["--draw", "3"],
        )  # fmt: skip
        words += pick(draw, flags)
    elif command == "undo":
        words += pick(draw, ([], ["--dry-run"], ["--further"]))
    elif kind == "next flags":
        words += pick(draw, (["--goal", pick(draw, GOALS)], ["--until", pick(draw, RUNS)],
                             ["--leave-out", pick(draw, RUNS)]))  # fmt: skip
    else:
        words += [f"--{one}" for one in rest if one != "flags"]
        if command == "sheet" and draw.whole(0, 2) == 0:
            words += ["--step", pick(draw, NUMBERS)]
    return words, typed


def prepare(draw: Draw, bases: Sequence[Path], room: Path, kind: str) -> tuple[list[str], bytes]:
    """A spoilt copy of one of the bases in an empty room; the words of a call and what is typed."""
    base = pick(draw, bases)
    if kind == "axle":
        base = next(b for b in bases if b.name == "axle")
    shutil.copytree(base, room, symlinks=True)
    spoil(draw, room, kind)
    return call_of(draw, kind)


def spoil(draw: Draw, folder: Path, kind: str) -> None:
    """One to five mutations of a logbook that was good, half the time mild ones."""
    own: tuple[str, ...] = WEIGHED
    if kind.startswith("import"):
        own = (*WEIGHED, *("wide.csv",) * 14)
    elif kind == "kit":
        own = (*WEIGHED, *("offers.csv",) * 5)
    elif kind == "new":
        own = ("pasted.txt",)
    mild = bool(draw.whole(0, 1))
    for _ in range(pick(draw, (1, 1, 1, 2, 2, 3, 4, 5))):
        name = pick(draw, own)
        path = folder / name
        if mild and path.is_file():
            path.write_bytes(spoilt(draw, name, path.read_bytes(), mild=True))
            continue
        odd = draw.whole(0, 39)
        if odd == 0:
            place_spoilt(draw, folder, name)
        elif odd in (1, 2):
            beside(draw, folder)
        elif path.is_file() and not path.is_symlink() and path.stat().st_mode & 0o600 == 0o600:
            path.write_bytes(spoilt(draw, name, path.read_bytes()))

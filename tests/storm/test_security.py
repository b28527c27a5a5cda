"""Nothing in a logbook is run, nothing leads out of its folder, nothing asks a network."""

from __future__ import annotations

import ast
import csv
import io
import json
import os
import re
import subprocess
import sys
import time
import zipfile
from collections import Counter
from dataclasses import replace
from datetime import date
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest
from openpyxl import Workbook

from optimizer.errors import STEERING, CallError, LogbookError
from optimizer.logbook import read_logbook
from optimizer.logbook.journal import digest
from optimizer.logbook.workbook import sheet_text
from optimizer.present.attached import MOST_BYTES, attach
from optimizer.present.brief import corner_brief
from optimizer.present.brief_message import message
from optimizer.present.brief_page import page
from optimizer.present.crew import Crew
from optimizer.present.kit_document import _no_formula
from optimizer.records import Logbook
from tests.storm import judge, mutations

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "optimizer"
RUNS_THINGS = ("eval", "exec", "compile", "__import__", "breakpoint", "input")
NOT_IMPORTED = (
    "pickle", "marshal", "shelve", "yaml", "subprocess", "socket", "ssl", "http", "urllib",
    "ftplib", "smtplib", "xmlrpc", "requests", "ctypes", "pty", "code", "codeop", "runpy",
    "webbrowser", "joblib", "dill", "cloudpickle", "multiprocessing", "asyncio",
)  # fmt: skip
HOSTILE = (
    "</script><script>h=1</script>\"' onmouseover='h=1' x=\"<img src=x onerror=h=1>",
    "&lt;b&gt;&#60;-->]]>*/</style>](javascript:h=1) **x** `y` # z\u2028\u2029</title>",
)
BAR = "\x1b[2J\x1b]0;owned\x07\x9b31m\u202eabc"


# --- what the code may do ----------------------------------------------------------------


@pytest.mark.parametrize(
    "path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: str(p.relative_to(PACKAGE))
)
def test_no_module_runs_text_or_asks_a_network(path: Path) -> None:
    """By its syntax tree: calls that run text, modules that unpack objects or open sockets."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        else:
            names = []
        assert not [n for n in names if n.split(".")[0] in NOT_IMPORTED], names
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Name):
            assert node.func.id not in RUNS_THINGS, f"line {node.lineno}"
        if isinstance(node.func, ast.Attribute):
            called = ast.unparse(node.func)
            assert not re.match(r"os\.(system|popen|exec|spawn|posix_spawn|fork)", called), called
            assert not re.search(r"\.(read_pickle|unpack_archive|extractall|extract)$", called)
            if called == "importlib.import_module":
                assert path.name == "app.py", "only the commands' own modules by name"
            if called.endswith("np.load"):
                assert not [k for k in node.keywords if k.arg == "allow_pickle"], called


@pytest.mark.slow
def test_nothing_is_run_while_hostile_logbooks_are_read(tmp_path: Path) -> None:
    """Python's own audit events while every command plays on hostile names."""
    done = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("watched.py")), str(tmp_path)],
        capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    lines = done.stdout.splitlines()
    assert lines[-1] == f"played {len(mutations.KINDS)}"
    assert not lines[:-1], "\n".join(lines)


# --- what is written ---------------------------------------------------------------------


def test_a_shopping_list_holds_no_formula(demo_copy: Path) -> None:
    """A source that a spreadsheet would reckon with is told as text, by an apostrophe."""
    for text in ("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"):
        assert _no_formula(text) == f"'{text}"
    assert _no_formula("a shop = dear") == "a shop = dear"
    offers = demo_copy / "offers.csv"
    rows = [row.rsplit(",", 1)[0] for row in offers.read_text(encoding="utf-8").splitlines()[2:]]
    bad = ("=1+1", "+1", "-1", "@SUM(A1)", "=cmd|' /C calc'!A0")
    text = "".join(f"{row},{bad[n % len(bad)]}\n" for n, row in enumerate(rows))
    offers.write_text(f"thickness_mm,price,pack,source\n{text}", encoding="utf-8")
    words = ["kit", ".", "--both-sides", "--budget", "30", "--shopping", "list.csv"]
    played = judge.play(demo_copy, words)
    assert played.code == 0, played.err
    with (demo_copy / "list.csv").open(encoding="utf-8", newline="") as file:
        table = list(csv.reader(file))
    assert len(table) > 1
    assert {row[-1] for row in table[1:]} <= {f"'{one}" for one in bad}
    for row in table:
        assert not [cell for cell in row if cell.startswith(("=", "+", "-", "@"))], row


class _Tags(HTMLParser):
    """Tags with their attributes' names, and whatever would run or be fetched."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: Counter[tuple[str, ...]] = Counter()
        self.live: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """One tag."""
        self.tags[tag, *sorted(name for name, _ in attrs)] += 1
        for name, value in attrs:
            if name.startswith("on"):
                self.live.append(f"{tag} {name}={value}")
            if name in ("src", "href", "action", "srcset") and not (value or "").startswith(
                ("#", "data:")
            ):
                self.live.append(f"{tag} {name}={value}")


def _tags(text: str) -> _Tags:
    parser = _Tags()
    parser.feed(text)
    return parser


def _renamed(book: Logbook, bad: str) -> Logbook:
    """The demo with hostile words wherever a crew may put words."""
    corner = book.corners["rear-left"]
    return replace(
        book,
        car=bad,
        corners={bad: replace(corner, name=bad, reference_run=f"{bad}0")},
        runs=tuple(
            replace(r, name=f"{bad}{i}", corner=bad, note=bad, date=bad)
            for i, r in enumerate(book.runs)
        ),
        readings=tuple(
            replace(r, run=f"{bad}{[x.name for x in book.runs].index(r.run)}", sweep=r.sweep + bad)
            for r in book.readings
        ),
    )


@pytest.mark.parametrize("bad", HOSTILE)
def test_a_brief_is_the_same_page_whatever_it_is_called(demo_book: Logbook, bad: str) -> None:
    """No tag, no attribute and no line of Markdown comes of a name."""
    pages, chats = [], []
    for word in ("x" * len(bad), bad):
        book = _renamed(demo_book, word)
        note = replace(
            attach(ROOT / "data" / "demo" / "as-found.txt"), name=f"{word}.txt", text=word
        )
        brief = corner_brief(
            book, word, None, today=date(2026, 3, 21), digest="0123", asked=word, attached=[word]
        )
        pages.append(page(brief, Crew.of(book), [note]))
        chats.append(message(brief))
    plain, spoilt = map(_tags, pages)
    assert not spoilt.live
    different = (spoilt.tags - plain.tags) + (plain.tags - spoilt.tags)
    # a name that holds blanks wraps otherwise: lines of pictures alone may differ in number
    assert set(different) <= {("tspan", "dy", "x"), ("tspan",)}, different
    for script in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', pages[1]):
        json.loads(script)
        assert "<" not in script
    assert len(chats[0].splitlines()) == len(chats[1].splitlines())
    assert not re.search(
        r"(?<!\\)<|(?<!\\)`|\]\((?!\\)", chats[1].replace("**", "").replace("\\](", "")
    )


# --- what is read ------------------------------------------------------------------------


def test_attachments_are_plain_files_of_some_size(tmp_path: Path) -> None:
    """Pipes, devices, folders and giants are refused at once; a link is what it points to."""
    png = b"\x89PNG\r\n\x1a\n" + b"0" * 40
    (tmp_path / "photo.png").write_bytes(png)
    (tmp_path / "link.png").symlink_to("photo.png")
    assert attach(tmp_path / "link.png").data == png
    os.mkfifo(tmp_path / "pipe.png")
    with (tmp_path / "giant.png").open("wb") as file:
        file.write(png)
        file.truncate(10**12)
    (tmp_path / "loop.png").symlink_to("loop.png")
    (tmp_path / "gone.png").symlink_to("nowhere.png")
    bad = [tmp_path / f"{n}.png" for n in ("pipe", "giant", "loop", "gone")]
    for path in (*bad, tmp_path, Path("/dev/zero"), Path("/dev/stdin"), Path("/dev/random")):
        begun = time.monotonic()
        with pytest.raises(CallError):
            attach(path)
        assert time.monotonic() - begun < 1.0
    assert MOST_BYTES < 10**8


@pytest.mark.parametrize("name", ["car.toml", "runs.csv", "readings.csv", "travel.csv"])
@pytest.mark.parametrize("kind", ["pipe", "zeros", "giant", "folder", "loop"])
def test_what_never_ends_is_no_file_of_a_logbook(demo_copy: Path, name: str, kind: str) -> None:
    """It would be read until the memory is full, or waited for without an end."""
    path = demo_copy / name
    path.unlink(missing_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "giant":
        path.touch()
        os.truncate(path, 10**11)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to("/dev/zero" if kind == "zeros" else path)
    for words in (["check", "."], ["next", "."], ["import", "run4.csv", ".", "--yes"]):
        played = judge.play(demo_copy, words, seconds=5.0)
        assert not played.complaints
        if name != "travel.csv" or words[0] != "import":
            assert played.code in (1, 2, 3), played


def _zipped(parts: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return out.getvalue()


def _workbook() -> dict[str, bytes]:
    book, out = Workbook(), io.BytesIO()
    sheet = book.active
    assert sheet is not None
    for row in (("travel mm", "run4 up1 thou"), (-20, -3), (0, 0), (20, 4)):
        sheet.append(row)
    book.save(out)
    with zipfile.ZipFile(out) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


SHEET = "xl/worksheets/sheet1.xml"
ENTITIES = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + b"".join(
    b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(12)
)


@cache
def _bombs() -> dict[str, bytes]:
    good = _workbook()
    cell = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    far = good[SHEET].replace(b"</sheetData>", cell + b"</sheetData>")
    outside = ENTITIES.replace(b'"aaaaaaaaaa"', b'SYSTEM "file:///etc/passwd"')
    lying = bytearray(_zipped({**good, SHEET: b" " * 60_000_000}))
    size = (60_000_000).to_bytes(4, "little")
    while size in lying:
        lying[lying.index(size) : lying.index(size) + 4] = (1000).to_bytes(4, "little")
    return {
        "zeros": _zipped({**good, SHEET: b"\x00" * 60_000_000}),
        "many": _zipped({**good, **{f"xl/{n}.xml": b" " * 500_000 for n in range(60)}}),
        "lying": bytes(lying),
        "far": _zipped({**good, SHEET: far}),
        "entities": _zipped({**good, SHEET: ENTITIES + b"]><worksheet>&m;</worksheet>"}),
        "outside": _zipped({**good, SHEET: outside + b"]><worksheet>&a;</worksheet>"}),
        "names": _zipped({"../../owned": b"x", **good, SHEET: b"<"}),
        "no sheet": _zipped({n: d for n, d in good.items() if n != SHEET}),
        "cut": _zipped(good)[:900],
        "text": b"travel,up1\n0,0\n",
        "empty": b"",
        "no archive": b"PK\x03\x04" + b"\xff" * 500,
    }


BOMBS = (
    "zeros", "many", "lying", "far", "entities", "outside", "names", "no sheet", "cut", "text",
    "empty", "no archive",
)  # fmt: skip


@pytest.mark.parametrize("name", BOMBS)
def test_spreadsheet_bombs_are_refused_within_bounds(name: str, demo_copy: Path) -> None:
    """In seconds, with nothing unpacked beside it and no memory to speak of."""
    resource = pytest.importorskip("resource")
    (demo_copy / "bomb.xlsx").write_bytes(_bombs()[name])
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    played = judge.play(demo_copy, ["import", "bomb.xlsx", ".", "--yes"], seconds=10.0)
    assert not played.complaints
    assert played.code in (1, 2, 3), played
    assert "passwd" not in played.err
    assert "root:" not in played.out + played.err
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown < 200_000, f"{grown} kB more"
    assert not list(demo_copy.parent.glob("owned*"))


def test_a_good_spreadsheet_is_still_taken(tmp_path: Path) -> None:
    """The bombs above fail for what they are."""
    (tmp_path / "good.xlsx").write_bytes(_zipped(_workbook()))
    assert sheet_text(tmp_path / "good.xlsx").startswith("travel mm\trun4 up1 thou\n-20\t-3\n")


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 100_000 + "]" * 100_000,
        "x = " + "{a=" * 20_000 + "1" + "}" * 20_000,
        "a." * 20_000 + "a = 1",
        "[" + "a." * 20_000 + "a]\n",
        "".join(f"[t{n}]\n" for n in range(5_000)),
        "".join(f"k{n} = 1\n" for n in range(5_000)),
        'x = "' + "y" * 1_000_000 + '"',
        "x = " + "9" * 100_000,
        "x = 0x" + "f" * 100_000,
        "x = [" + "1," * 100_000 + "]",
        "#" + "y" * 1_000_000,
    ],
    ids=lambda t: t[:12],
)
@pytest.mark.parametrize("whole", [True, False])
def test_toml_bombs(text: str, whole: bool, demo_copy: Path) -> None:
    """Deep and endless tables are faults within seconds."""
    car = demo_copy / "car.toml"
    held = "" if whole else car.read_text(encoding="utf-8")
    car.write_text(f"{text}\n{held}", encoding="utf-8")
    played = judge.play(demo_copy, ["check", "."], seconds=10.0)
    assert not played.complaints
    if not text.startswith("#"):
        assert played.code == 3


def test_a_journal_cannot_lead_out_of_the_logbook(demo_copy: Path) -> None:
    """A history that somebody else made names files of the logbook alone, or is damaged."""
    victim = demo_copy.parent / "victim.txt"
    victim.write_bytes(b"mine")
    home = demo_copy / ".shimopt"
    for target in ("../victim.txt", str(victim), "../new.txt", "sub/../../victim.txt"):
        home.mkdir(exist_ok=True)
        lines = (
            {"change": "import"},
            {"base": target, "length": -1, "digest": digest(None)},
            {"write": target, "at": 0, "old": "", "new": "mine", "digest": digest(b"mine")},
            {"done": True},
        )
        (home / "0001.jsonl").write_text("".join(json.dumps(x) + "\n" for x in lines))
        for applied in (1, 0):
            (home / "state.json").write_text(json.dumps({"applied": applied}) + "\n")
            played = judge.play(demo_copy, ["undo", "."])
            assert played.code == 1
            assert not played.complaints
            assert "cannot be read" in played.err
        assert victim.read_bytes() == b"mine"
        assert not (demo_copy.parent / "new.txt").exists()
    assert judge.play(demo_copy, ["check", "."]).code == 0  # readers need nothing of it


def test_the_page_of_the_brief_holds_no_controls(demo_copy: Path) -> None:
    """Neither a name nor a note turns the writing round or rings a bell in who reads the page."""
    car = (demo_copy / "car.toml").read_text(encoding="utf-8")
    name = json.dumps("A\x1b[31m\u202eB\x07")
    car = car.replace('"Nightjar, the invented rally car"', name)
    (demo_copy / "car.toml").write_text(car, encoding="utf-8")
    runs = (demo_copy / "runs.csv").read_text(encoding="utf-8")
    runs = runs.replace("a guess: body turned once", "a \x1b]0;title\x07 guess")
    (demo_copy / "runs.csv").write_text(runs, encoding="utf-8")
    played = judge.play(demo_copy, ["brief", ".", "--out", "b.html"])
    assert played.code == 0
    page = (demo_copy / "b.html").read_text(encoding="utf-8")
    assert "guess" in page
    assert not {c for c in page if ord(c) in STEERING}


# --- what a terminal gets ----------------------------------------------------------------


def test_escape_sequences_never_reach_the_terminal(demo_copy: Path) -> None:
    """In every name there is, through every command, answers and errors, JSON too."""
    car = (demo_copy / "car.toml").read_text(encoding="utf-8")
    told = json.dumps(BAR)
    car = car.replace('"Nightjar, the invented rally car"', told).replace('"as-found"', told)
    car = car.replace("[corner.rear-left", f"[corner.{told}")
    (demo_copy / "car.toml").write_text(car.replace("\\u007f", ""), encoding="utf-8")
    for name in ("runs.csv", "readings.csv", "run4.csv", "as-found.txt", "offers.csv"):
        path = demo_copy / name
        if path.exists():
            text = path.read_text(encoding="utf-8").replace("as-found", BAR)
            text = text.replace("rear-left", BAR).replace("up1", f"up{BAR}")
            path.write_text(text.replace("by post", BAR), encoding="utf-8")
    answers = 0
    calls = (
        "check .", "check . --json", "check . --repeats", "curves .", "curves . --json", "next .",
        "next . --json", "tradeoff . --at -40", "kit . --both-sides", "kit . --json",
        "brief . --markdown", "sheet .", "enter .", "import run4.csv . --yes", "undo . --dry-run",
        "next . --until nobody", "next . --corner nobody", "axle .",
    )  # fmt: skip
    for call in calls:
        played = judge.play(demo_copy, call.split(), b"\x1b[2J\n0\n")
        assert not played.complaints, (call, played.complaints)
        answers += played.code == 0
        if played.code == 0 and "--json" in call:
            assert BAR in json.dumps(json.loads(played.out), ensure_ascii=False).replace(
                "\\u001b", "\x1b"
            ).replace("\\u0007", "\x07")
    assert answers >= 8
    with pytest.raises(LogbookError):
        read_logbook(demo_copy.parent)

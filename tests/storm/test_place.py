"""Large logbooks, odd folders, disks that are full, files that may not be written."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from optimizer.demo_files import demo_folder
from tests.storm import judge

ROOT = Path(__file__).resolve().parents[2]
READERS = ("check", "curves", "next", "next --json", "brief --markdown")
# the child that plays a call under a limit; its arguments are memory in MB and the words
CHILD = """
import resource, sys, time
begun = time.monotonic()
memory = int(sys.argv[1]) * 10**6
resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
from optimizer.cli import main
try:
    main(sys.argv[2:])
finally:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1000
    print(f"took {time.monotonic() - begun:.1f} s and {peak} MB", file=sys.stderr)
"""


def _child(folder: Path, *words: str, memory: int = 6000, seconds: float = 60.0) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-c", CHILD, str(memory), *words], cwd=folder, capture_output=True,
        text=True, timeout=seconds, check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    said = done.stdout[-600:] + done.stderr
    print(words, done.returncode, done.stderr[-200:])
    assert "Traceback" not in said, said
    return done.returncode, said


# --- size --------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_million_readings(demo_copy: Path) -> None:
    """Refused within 30 s and 2 GB."""
    with (demo_copy / "readings.csv").open("a", encoding="utf-8") as file:
        for n in range(10_000):
            file.write(f"as-found,x{n},0,0\n")
            file.writelines(f"as-found,x{n},{z},{z // 2}\n" for z in range(-49, 50))
    code, said = _child(demo_copy, "check", ".", memory=2000, seconds=30.0)
    assert code == 3
    assert "L508" in said
    assert "mend: " in said


@pytest.mark.slow
def test_ten_thousand_runs(demo_copy: Path) -> None:
    """Of one pass each: refused within 30 s."""
    with (demo_copy / "readings.csv").open("a", encoding="utf-8") as file:
        for n in range(10_000):
            file.writelines(f"n{n},up1,{z},{z // 2}\n" for z in (0, -40, -20, 20, 40))
    with (demo_copy / "runs.csv").open("a", encoding="utf-8") as file:
        file.writelines(f"n{n},rear-left,,2,3+1,0,,,\n" for n in range(10_000))
    for words in (["check", "."], ["next", "."]):
        code, said = _child(demo_copy, *words, memory=2000, seconds=30.0)
        assert code == 3
        assert "L508" in said
        assert "mend: " in said


@pytest.mark.parametrize(
    "where", ["car.toml", "runs.csv", "readings.csv", "travel.csv", "run4.csv"]
)
@pytest.mark.parametrize("kind", ["note", "cell", "cells", "quotes", "digits"])
def test_lines_of_a_hundred_thousand_letters(where: str, kind: str, demo_copy: Path) -> None:
    """In any file, at its end or as its header: an answer or a fault at once, shown short."""
    line = {
        "note": "# " + "x" * 100_000, "cell": "x" * 100_000, "cells": "," * 100_000,
        "quotes": '"' * 100_001, "digits": "9" * 100_000,
    }[kind]  # fmt: skip
    path = demo_copy / where
    held = path.read_text(encoding="utf-8") if path.exists() else "travel\n0\n1\n-1\n"
    for text in (f"{held}{line}\n", f"{line}\n{held}"):
        path.write_text(text, encoding="utf-8")
        words = ["import", "run4.csv", ".", "--yes"] if where == "run4.csv" else ["check", "."]
        played = judge.play(demo_copy, words, seconds=10.0)
        assert not played.complaints
        assert len(played.err) < 1_000_000


# --- place -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["a car", "Übung é", "-x", "--json", "赛车", "a'b", 'a"b', "$HOME", "a;b", "a\nb", "\x1b[2Jx",
     ".hidden", "x" * 200, "~", "%s", "a\\b", "e\u0301", " lead", "trail ", "\u202ex", "*"],
)  # fmt: skip
def test_folders_of_any_name(name: str, tmp_path: Path) -> None:
    """Every reader answers, and what it prints leads back to the folder."""
    folder = tmp_path / name
    shutil.copytree(demo_folder(), folder)
    said = f"./{name}" if name.startswith("-") else name
    for call in READERS[:4]:
        command, *flags = call.split()
        played = judge.play(tmp_path, [command, said, *flags])
        assert (played.code, played.complaints) == (0, ()), played


def test_a_linked_folder_and_linked_files(demo_copy: Path, tmp_path: Path) -> None:
    """What is written goes where the links point, and the links stay."""
    (tmp_path / "linked").symlink_to(demo_copy, target_is_directory=True)
    real = demo_copy / "elsewhere.csv"
    (demo_copy / "readings.csv").rename(real)
    (demo_copy / "readings.csv").symlink_to(real.name)
    held = real.read_bytes()
    shutil.copyfile(demo_folder() / "run4.csv", tmp_path / "run4.csv")
    from optimizer.cli import main

    where = str(tmp_path / "linked")
    for words in (["import", str(tmp_path / "run4.csv"), where, "--yes"],
                  ["next", where], ["undo", where]):  # fmt: skip
        with pytest.raises(SystemExit) as left:
            main(words)
        assert left.value.code == 0
        assert (demo_copy / "readings.csv").is_symlink()
        assert real.read_bytes().startswith(held)
    assert real.read_bytes() == held
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    (tmp_path / "gone").symlink_to(tmp_path / "nowhere")
    for name in ("loop", "gone"):
        played = judge.play(tmp_path, ["next", name])
        assert (played.code, played.complaints) == (3, ())


def test_what_a_spreadsheet_leaves_beside_it(demo_copy: Path) -> None:
    """Lock files and copies are no part of the logbook, and stay as they are."""
    for name, data in {
        ".~lock.runs.csv#": b",someone,host,07.03.2026 10:00,file:///x;", "~$runs.xlsx": b"\x05x",
        "runs.csv.bak": b"\xff", "runs (1).csv": b"x", "._runs.csv": b"\x00\x05", "RUNS.CSV~": b"",
        "readings.csv.tmp": b"", "Thumbs.db": b"\xd0\xcf", ".DS_Store": b"\x00",
    }.items():  # fmt: skip
        (demo_copy / name).write_bytes(data)
    shutil.copyfile(demo_folder() / "run4.csv", demo_copy / "wide.csv")
    for words in (
        ["check", "."],
        ["next", "."],
        ["import", "wide.csv", ".", "--yes"],
        ["undo", "."],
    ):
        played = judge.play(demo_copy, words)
        assert (played.code, played.complaints) == (0, ()), played


# --- rights ------------------------------------------------------------------------------


# root without the right to pass over permissions (capabilities 1 and 2), dropped for good
BOUND = """
import ctypes, os, sys
drop = ctypes.CDLL(None).prctl
if os.geteuid() == 0 and (drop(24, 1, 0, 0, 0) or drop(24, 2, 0, 0, 0)):
    sys.exit(99)
os.execv(sys.executable, [sys.executable, "-m", "optimizer", *sys.argv[1:]])
"""


def _without_rights(folder: Path, *words: str) -> tuple[int, str]:
    """A call that permissions bind, whoever runs the tests."""
    if os.geteuid() == 0 and sys.platform != "linux":
        pytest.skip("root cannot give up its rights here")
    done = subprocess.run(
        [sys.executable, "-c", BOUND, *words], cwd=folder, capture_output=True,
        text=True, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    if done.returncode == 99:
        pytest.skip("root cannot give up its rights here")
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode, done.stderr


@pytest.fixture
def barred(demo_copy: Path) -> Iterator[Path]:
    """A logbook in which nothing may be written."""
    shutil.copyfile(demo_folder() / "run4.csv", demo_copy / "wide.csv")
    for path in demo_copy.iterdir():
        path.chmod(0o444)
    demo_copy.chmod(0o555)
    yield demo_copy
    demo_copy.chmod(0o755)


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("check", "."), 0),
        (("next", "."), 0),
        (("import", "wide.csv", ".", "--yes"), 1),
        (("sheet", "."), 1),
        (("brief", "."), 1),
        (("new", "made", "--units", "mm", "--span", "300", "--rising", "toe-in", "--link",
          "behind", "--above", "3", "--below", "1"), 1),
        (("kit", ".", "--blank", "mine.csv"), 1),
    ],
    ids=lambda w: w[0] if isinstance(w, tuple) else str(w),
)  # fmt: skip
def test_a_folder_that_may_only_be_read(barred: Path, words: tuple[str, ...], code: int) -> None:
    """Readers answer; writers say why not, and leave every byte."""
    before = judge.snapshot(barred)
    left, said = _without_rights(barred, *words)
    assert left == code, said
    assert code == 0 or "mend: " in said
    assert judge.snapshot(barred) == before


def test_a_file_that_may_not_be_read(barred: Path) -> None:
    """It is a fault with its remedy."""
    (barred / "runs.csv").chmod(0)
    left, said = _without_rights(barred, "next", ".")
    assert left == 3
    assert "L105" in said
    assert "mend: " in said


# --- room --------------------------------------------------------------------------------

FULL = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from optimizer.cli import main
import optimizer.present.paper, optimizer.present.brief_page, optimizer.logbook.append
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), int(sys.argv[1])))
main(sys.argv[2:])
"""


@pytest.mark.parametrize("room", [0, 40, 2_600])
@pytest.mark.parametrize(
    "words",
    [("import", "wide.csv", ".", "--yes"), ("sheet", "."), ("brief", "."), ("curves", ".", "--out",
     "c.png"), ("kit", ".", "--both-sides", "--budget", "30", "--shopping", "list.csv"),
     ("enter", ".", "--travels", "-40,0,40"), ("new", "made", "--units", "mm", "--span", "300",
      "--rising", "toe-in", "--link", "behind", "--above", "3", "--below", "1")],
    ids=lambda w: w[0],
)  # fmt: skip
def test_no_room_on_the_disk(words: tuple[str, ...], room: int, demo_copy: Path) -> None:
    """Files cut short by the system's own limit: said, put back, and nothing half written."""
    shutil.copyfile(demo_folder() / "run4.csv", demo_copy / "wide.csv")
    before = judge.snapshot(demo_copy)
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(room), *words], cwd=demo_copy, capture_output=True,
        input="\n0.1\n0\n-3\n", text=True, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert "Traceback" not in done.stderr, done.stderr
    assert done.returncode in (0, 1), done.stderr
    if done.returncode:
        assert "mend: " in done.stderr, done.stderr
        after = judge.snapshot(demo_copy)
        kept = {k: v for k, v in after.items() if not k.startswith(".shimopt")}
        if words[0] != "enter":
            assert kept == {k: v for k, v in before.items() if not k.startswith(".shimopt")}
        assert judge.play(demo_copy, ["check", "."]).code == 0

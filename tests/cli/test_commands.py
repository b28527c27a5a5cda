"""The commands as processes and in place: exact exit codes, streams and screens."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from optimizer import __version__
from optimizer.cli import main
from optimizer.demo_files import FILES


def _call(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(list(words))
    out, err = capsys.readouterr()
    code = left.value.code
    return (code if isinstance(code, int) else 0 if code is None else 1), out, err


def _files(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir()) if p.is_file()}


def test_version_and_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert _call(capsys, "--version") == (0, f"shimopt {__version__}\n", "")
    code, out, err = _call(capsys, "-h")
    assert (code, err) == (0, "")
    for command in (
        "demo",
        "new",
        "enter",
        "undo",
        "import",
        "check",
        "curves",
        "next",
        "kit",
        "brief",
    ):
        code, text, _ = _call(capsys, command, "--help")
        assert code == 0
        assert f"Example: shimopt {command}" in text
        assert command in out


def test_the_demo_answers_and_never_overwrites(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = _call(capsys, "demo")
    assert code == 0
    assert err == "the demo logbook is in shimopt-demo\n"
    assert out.startswith("Step 1 of 7\n")
    assert "\nrear-left, after 3 runs: try this next, for what it teaches\nFirst      " in out
    before = _files(tmp_path / "shimopt-demo")
    code, out, err = _call(capsys, "demo")
    assert (code, out) == (2, "")
    assert "already exists and is not empty; nothing was changed" in err
    assert "shimopt next shimopt-demo" in err
    assert _files(tmp_path / "shimopt-demo") == before


def test_the_demo_uses_an_empty_folder_and_advises_no_other(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    empty, photos, paper = tmp_path / "em", tmp_path / "photos", tmp_path / "paper"
    empty.mkdir()
    photos.mkdir()
    (photos / "car.toml").write_text("mine")
    paper.write_text("mine")
    assert _call(capsys, "demo", str(empty))[0] == 0
    made = {str(p.relative_to(empty)) for p in empty.rglob("*") if p.is_file()}
    assert {name for name in made if ".shimopt" not in name} == {*FILES, "brief.html"}
    for folder in (photos, paper):
        code, out, err = _call(capsys, "demo", str(folder))
        assert (code, out) == (2, "")
        assert "shimopt next" not in err
        assert "name another folder" in err
    assert _files(photos) == {"car.toml": b"mine"}
    assert paper.read_text() == "mine"


@pytest.mark.parametrize("until", ["as-found", "joint-up", "link-short"])
def test_next_fits_one_screen(
    capsys: pytest.CaptureFixture[str],
    demo_copy: Path,
    until: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(demo_copy)
    code, out, err = _call(capsys, "next", "--until", until)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert len(lines) < 24
    assert max(map(len, lines)) <= 80
    labels = [line.split("  ")[0] for line in lines if line[0] != " "]
    assert labels[1:] == [
        *("First", "Do this", "Expect", "Because", "Wrong if", "Next best", "Limits"),
        *("Go on", "Careful", "Then"),
    ]
    assert "shims only" in out
    assert "static toe" in out
    assert out.isascii()
    assert lines[-1] == "Then       shimopt enter; to show it: shimopt brief"


def test_next_json_is_one_document_with_the_screen_s_figures(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(demo_copy)
    _, screen, _ = _call(capsys, "next")
    code, out, err = _call(capsys, "next", "--json")
    assert (code, err) == (0, "")
    document = json.loads(out)
    assert document["schema_version"] == 1
    (corner,) = document["corners"]
    flat = " ".join(screen.split())
    for line in corner["do"]["shown"]:
        assert " ".join(line.split()) in flat
    assert corner["expected"]["score"]["shown"] in flat
    assert f"{corner['expected']['chance_to_beat_best_measured']['shown']} to beat" in flat
    assert corner["wrong_if"]["shown"] in flat
    # a full screen keeps the shape of the curve and leaves the figures to the document
    shape = corner["because"]["shown"].split(": ")[1].split(".")[0]
    assert f"Because {shape}" in flat or f": {shape}" in flat
    assert corner["runners_up"][0]["shown"] in flat
    assert corner["stop"]["shown"] in flat
    assert corner["cautions"]["shown"] in flat
    do = corner["do"]
    assert sum(do["setting"]["above_mm"]) + sum(do["setting"]["below_mm"]) == pytest.approx(6.0)
    assert do["eccentric"]["shift_mm"]["low"] <= do["eccentric"]["shift_mm"]["value"]
    assert len(corner["cautions"]["in_full"]) == 10


def test_check_and_curves_json(capsys: pytest.CaptureFixture[str], demo_copy: Path) -> None:
    code, out, _ = _call(capsys, "check", str(demo_copy), "--json")
    document = json.loads(out)
    assert code == 0
    assert [r["run"] for r in document["corners"][0]["runs"]] == [
        "as-found", "joint-up", "link-short",
    ]  # fmt: skip
    code, out, _ = _call(capsys, "curves", str(demo_copy), "--json")
    runs = json.loads(out)["corners"][0]["runs"]
    assert code == 0
    assert runs[0]["rms_deg"]["value"] == pytest.approx(0.145, abs=0.01)
    assert len(runs[0]["travel_mm"]) == len(runs[0]["sd_deg"]) == 8
    assert runs[2]["setting"]["length_change_mm"] == -3.0


def test_reading_commands_change_nothing(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    before = _files(demo_copy)
    for command in ("check", "curves", "next"):
        assert _call(capsys, command, str(demo_copy))[0] == 0
    assert _files(demo_copy) == before


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf"])
@pytest.mark.parametrize("command", ["curves", "next"])
def test_pictures_are_written(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path, command: str, suffix: str
) -> None:
    picture = tmp_path / f"picture{suffix}"
    code, _, err = _call(capsys, command, str(demo_copy), "--out", str(picture))
    assert code == 0
    assert err == f"drew {picture}\n"
    start = {".png": b"\x89PNG", ".svg": b"<?xml", ".pdf": b"%PDF"}[suffix]
    assert picture.read_bytes().startswith(start)


def test_wrong_calls_exit_with_two(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    for words, told in (
        (("next", str(demo_copy), "--corner", "rear-rihgt"), "no corner 'rear-rihgt'"),
        (("next", str(demo_copy), "--until", "run9"), "no run is called 'run9'"),
        (("next", str(demo_copy), "--out", str(tmp_path / "x.jpg")), "x.jpg"),
        (("next", str(demo_copy), "--goal", "kind=sideways"), "sideways"),
        (("curves", "--no-such-flag"), "no-such-flag"),
        (("new", str(tmp_path / "n")), "--units"),
    ):
        code, out, err = _call(capsys, *words)
        assert (code, told in err) == (2, True), (words, err)
        assert "Traceback" not in err
        assert out == "" or words[0] == "next"


def test_faults_exit_with_three_and_are_all_listed(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    readings = demo_copy / "readings.csv"
    lines = readings.read_text().splitlines()
    lines[4] = "as-found,up1,-25,x7"
    lines[9] = "as-foun,up1,50,53"
    readings.write_text("\n".join(lines) + "\n")
    before = _files(demo_copy)
    for command in ("check", "curves", "next"):
        code, out, err = _call(capsys, command, str(demo_copy))
        assert (code, out) == (3, "")
        assert "readings.csv:5" in err
        assert "readings.csv:10" in err
        assert "x7" in err
        assert "mend:" in err
    assert _files(demo_copy) == before


def test_the_next_command_finds_the_same_logbook(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    for command, then in (("check", "next"), ("curves", "next"), ("next", "enter")):
        _, out, _ = _call(capsys, command, str(demo_copy))
        assert f"shimopt {then} {demo_copy}" in " ".join(out.split())


def test_the_next_command_names_the_corner_where_there_are_several(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    car = demo_copy / "car.toml"
    block = car.read_text().split("[corner.rear-left]")[1]
    car.write_text(
        car.read_text()
        + "\n[corner.rear-right]"
        + block.replace("rear-left", "rear-right")
        .replace('reference_run = "as-found"', "")
        .replace('side = "left"', 'side = "right"')
    )
    code, out, err = _call(capsys, "next", str(demo_copy))
    assert code == 0, err
    assert f"shimopt enter {demo_copy} --corner rear-left" in " ".join(out.split())
    _, out, _ = _call(capsys, "next", str(demo_copy), "--json")
    (found,) = json.loads(out)["corners"]
    assert found["then"].startswith(f"shimopt enter {demo_copy} --corner rear-left as you")


def test_an_empty_folder_says_what_to_do(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, out, err = _call(capsys, "next", str(tmp_path))
    assert (code, out) == (3, "")
    assert "shimopt new" in err


def test_no_readings_exit_with_four(capsys: pytest.CaptureFixture[str], demo_copy: Path) -> None:
    readings = demo_copy / "readings.csv"
    readings.write_text(readings.read_text().splitlines()[0] + "\n")
    code, out, err = _call(capsys, "next", str(demo_copy))
    assert (code, out) == (4, "")
    assert "no run with readings" in err


def test_six_answers_and_a_pasted_table_give_advice(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    table = tmp_path / "paper.txt"
    table.write_text("travel up1 down1\n-40 -44 -46\n-20 -22 -21\n0 0 0\n20 24 23\n40 49 50\n")
    car = tmp_path / "car"
    code, out, _ = _call(
        capsys, "new", str(car), "--units", "thou,mm,mm", "--span", "300", "--rising", "toe-in",
        "--link", "behind", "--above", "3+1", "--below", "2x1", "--table", str(table),
    )  # fmt: skip
    assert code == 0
    assert " ".join(out.split()).endswith(
        f"Then shimopt next {car}; what you write into its car.toml makes that better"
    )
    code, out, err = _call(capsys, "next", str(car))
    assert (code, err) == (0, "")
    assert "higher" in out
    assert "not known: eccentric" in " ".join(out.split())
    assert len(out.splitlines()) < 24
    before = _files(car)
    code, _, err = _call(
        capsys, "new", str(car), "--units", "mm", "--span", "300", "--rising", "toe-in",
        "--link", "behind", "--above", "1", "--below", "1",
    )  # fmt: skip
    assert code == 2
    assert _files(car) == before


def test_a_droop_goal_on_the_command_line(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(demo_copy)
    goal = "kind=toe-at-travel at_travel=-40 toe_change=0.1 tolerance=0.05"
    code, out, _ = _call(capsys, "next", "--goal", goal)
    assert code == 0
    assert len(out.splitlines()) < 24
    # room for thread and eccentric is left out on 24 lines, and said to be
    assert out.splitlines()[0].endswith("for 0.10 deg toe-in at 40 droop (short)")
    assert "off the wanted toe" in out
    assert "to beat link-short" in " ".join(out.split())
    assert "Wishes     0.10 deg toe-in at 40 droop within 0.05: " in out


@pytest.mark.parametrize(
    ("goal", "told", "remedy"),
    [
        ("", "--goal is empty", "write pairs"),
        ("  ", "--goal is empty", "leave --goal out"),
        ("at_travel=-40 toe_change=0.1", "`at_travel` and `toe_change`", "toe-at-travel"),
        ("kind=least-change tolerance=0.05", "`tolerance` would do nothing", "take it out"),
        ("weight_sd=20", "`weight_sd` would do nothing", 'weight = "ride-height"'),
        ("kind=toe-at-travel at_travel=-40", "`toe_change`", "add"),
    ],
)
def test_a_goal_that_would_be_ignored_is_refused(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, goal: str, told: str, remedy: str
) -> None:
    code, out, err = _call(capsys, "next", str(demo_copy), "--goal", goal)
    assert (code, out) == (2, "")
    assert told in err
    assert remedy in err.split("mend:")[1]


def _both_sides(folder: Path) -> None:
    car = folder / "car.toml"
    text = car.read_text()
    start = text.index("[corner.rear-left]")
    right = text[start:].replace("rear-left", "rear-right").replace('"left"', '"right"')
    car.write_text(text + "\n" + right.replace('"as-found"', '"right-1"'))
    runs, readings = folder / "runs.csv", folder / "readings.csv"
    runs.write_text(runs.read_text() + "right-1,rear-right,,3+1,1+1,0,0,0.2,\n")
    rows = [r for r in readings.read_text().splitlines() if r.startswith("as-found")]
    readings.write_text(
        readings.read_text() + "\n".join(r.replace("as-found", "right-1") for r in rows) + "\n"
    )


def test_both_sides_of_an_axle_in_one_logbook(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    _both_sides(demo_copy)
    code, out, _ = _call(capsys, "next", str(demo_copy), "--out", str(tmp_path / "p.png"))
    assert code == 0
    assert "rear-left, after 3 runs" in out
    assert "rear-right, after 1 run:" in out
    assert (tmp_path / "p-rear-left.png").exists()
    assert (tmp_path / "p-rear-right.png").exists()
    code, out, _ = _call(capsys, "next", str(demo_copy), "--corner", "rear-right", "--json")
    assert [c["corner"] for c in json.loads(out)["corners"]] == ["rear-right"]


def test_a_corner_that_is_refused_does_not_hide_the_other(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    _both_sides(demo_copy)
    car = demo_copy / "car.toml"
    car.write_text(car.read_text() + "\n[corner.rear-right.stud]\ntapered = true\n")
    code, out, err = _call(capsys, "next", str(demo_copy))
    assert code == 5
    assert "rear-left, after 3 runs" in out
    assert "rear-right" not in out
    assert "corner 'rear-right' is tapered" in err
    code, out, err = _call(capsys, "next", str(demo_copy), "--json")
    assert (code, "is tapered" in err) == (5, True)
    assert [c["corner"] for c in json.loads(out)["corners"]] == ["rear-left"]


def test_the_crew_s_own_signs_are_for_screens_only(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    """Travel written the other way and toe-out called plus: same work, own signs shown."""
    _, before, _ = _call(capsys, "next", str(demo_copy), "--json")
    car = demo_copy / "car.toml"
    text = car.read_text().replace('toe_in = "plus"', 'toe_in = "minus"')
    car.write_text(text.replace('bump = "plus"', 'bump = "minus"'))
    runs, readings = demo_copy / "runs.csv", demo_copy / "readings.csv"
    lines = [line.split(",") for line in readings.read_text().splitlines()]
    for cells in lines[1:]:
        cells[2] = f"{-float(cells[2]):g}"
    readings.write_text("\n".join(",".join(c) for c in lines) + "\n")
    text = runs.read_text()
    for toe in ("0.18", "0.1", "0.08"):
        text = text.replace(f",{toe},", f",-{toe},")
    runs.write_text(text)
    _, after, _ = _call(capsys, "next", str(demo_copy), "--json")
    a, b = json.loads(before)["corners"][0], json.loads(after)["corners"][0]
    assert a["do"] == b["do"]
    assert a["expected"]["score"] == b["expected"]["score"]
    assert a["expected"]["curve"] == b["expected"]["curve"]
    _, screen, _ = _call(capsys, "curves", str(demo_copy))
    assert "toe-in is minus" in screen


@pytest.mark.parametrize("entry", ["script", "module"])
def test_the_installed_script_runs(demo_copy: Path, entry: str) -> None:
    script = shutil.which("shimopt", path=str(Path(sys.executable).parent))
    assert script is not None
    start = [script] if entry == "script" else [sys.executable, "-m", "optimizer"]
    done = subprocess.run(
        [*start, "check", str(demo_copy)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Nightjar, the invented rally car: 3 runs, 108 readings")
    assert done.stderr == ""
    done = subprocess.run([*start, "next", "nowhere"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (3, "")
    assert "Traceback" not in done.stderr
    done = subprocess.run(
        [*start, "--debug", "next", "nowhere"], capture_output=True, text=True, check=False
    )
    assert "Traceback" in done.stderr


def test_curves_of_runs_that_share_no_travel(
    capfd: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    car, readings = demo_copy / "car.toml", demo_copy / "readings.csv"
    car.write_text(
        "".join(s for s in car.read_text().splitlines(keepends=True) if not s.startswith("window"))
    )
    head, *rows = readings.read_text().splitlines()
    cells = [row.split(",") for row in rows]
    kept = [
        ",".join(c)
        for c in cells
        if (c[0] == "as-found" and float(c[2]) >= 0) or (c[0] == "joint-up" and float(c[2]) <= 0)
    ]
    readings.write_text("\n".join([head, *kept]) + "\n")
    code, out, err = _call(capfd, "curves", str(demo_copy))
    assert (code, err) == (0, "")
    assert "bow and twist at 50 mm," in out
    assert "nan" not in out
    code, out, err = _call(capfd, "curves", str(demo_copy), "--until", "as-found")
    assert (code, err) == (0, "")
    assert "bow and twist at 25 mm (half the window" in out
    picture = tmp_path / "c.png"
    assert _call(capfd, "curves", str(demo_copy), "--json", "--out", str(picture))[0] == 0
    assert picture.exists()


def test_suspects_stand_in_screen_and_document(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    runs = demo_copy / "runs.csv"
    code, out, _ = _call(capsys, "check", str(demo_copy))
    assert (code, "Suspect" in out) == (0, False)
    runs.write_text(runs.read_text(encoding="utf-8").replace("3+1,-3,-3", "3+1,3,-3"), "utf-8")
    code, out, _ = _call(capsys, "check", str(demo_copy))
    assert code == 0
    flat = " ".join(out.split())
    assert "Suspect link-short: most likely the length change has the wrong sign" in flat
    assert "nothing was dropped or changed" in flat
    hint = flat[flat.index("shimopt next", flat.index("the word is yours")) :].split()[1:5]
    assert hint == ["next", str(demo_copy), "--leave-out", "link-short"]
    assert _call(capsys, *hint)[0] == 0
    code, out, _ = _call(capsys, "check", str(demo_copy), "--json")
    (found,) = json.loads(out)["corners"][0]["suspects"]
    assert (found["kind"], found["runs"]) == ("length-sign", ["link-short"])
    assert found["shown"] in flat


def test_what_is_left_out_is_said_and_the_rest_is_as_if_never_read(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    at = str(demo_copy)
    code, out, _ = _call(capsys, "next", at, "--leave-out", "joint-up", "--json")
    aside = json.loads(out)["corners"][0]
    assert (code, aside["doubt"]["set_aside"]) == (0, ["joint-up"])
    code, out, _ = _call(capsys, "next", at, "--leave-out", "joint-up")
    assert "after 2 runs" in out and "left out at your word: joint-up" in " ".join(out.split())
    code, out, _ = _call(capsys, "curves", at, "--leave-out", "joint-up")
    assert "left out at your word: joint-up" in out
    assert not any(line.startswith("joint-up ") for line in out.splitlines())
    # the same advice as of a logbook that never had the readings
    readings = demo_copy / "readings.csv"
    kept = [x for x in readings.read_text("utf-8").splitlines() if not x.startswith("joint-up,")]
    readings.write_text("\n".join(kept) + "\n", "utf-8")
    _, out, _ = _call(capsys, "next", at, "--json")
    never = json.loads(out)["corners"][0]
    for key in ("do", "expected", "best_guess", "stop"):
        assert never[key] == aside[key]


def test_one_pass_can_be_left_out(capsys: pytest.CaptureFixture[str], demo_copy: Path) -> None:
    at = str(demo_copy)
    code, out, _ = _call(capsys, "next", at, "--leave-out", "joint-up:up2")
    assert code == 0
    assert "left out at your word: joint-up:up2" in " ".join(out.split())
    assert "after 3 runs" in out


@pytest.mark.parametrize(
    ("names", "says"),
    [
        (["rear"], "use one of as-found, joint-up, link-short, or run:pass for one pass"),
        (["joint-up:up9"], "use one of up1, down1, up2, down2"),
        (["as-found", "joint-up", "link-short"], "leave out less"),
    ],
)
def test_leaving_out_what_is_not_there_says_what_is(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, names: list[str], says: str
) -> None:
    options = [word for name in names for word in ("--leave-out", name)]
    code, out, err = _call(capsys, "next", str(demo_copy), "--corner", "rear-left", *options)
    assert code in (2, 4)
    assert out == ""
    assert says in " ".join(err.split())


def test_the_car_still_stands_at_a_run_left_out(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    _, out, _ = _call(capsys, "next", str(demo_copy), "--leave-out", "link-short", "--json")
    document = json.loads(out)["corners"][0]
    _, out, _ = _call(capsys, "next", str(demo_copy), "--json")
    whole = json.loads(out)["corners"][0]
    assert document["now"]["setting"] == whole["now"]["setting"]
    assert document["doubt"]["planned_runs"] == []


WIDE = """\
travel;longer up1;longer down1
shims above;2;
shims below;3+1;
length change;1,5;
-25;-6;-5,5
0;0;0
25;7;6,5
"""


def test_import_shows_its_rows_and_writes_them_when_told(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    table = tmp_path / "wide.csv"
    table.write_text(WIDE)
    before = _files(demo_copy)
    code, out, err = _call(capsys, "import", str(table), str(demo_copy))
    assert code == 2
    assert out.splitlines() == [
        "wide.csv   1 new run, 6 readings; nothing is written yet",
        "Units      travel: mm; readings: thou; not said, so as in the logbook",
        "Signs      travel plus is bump; the reading climbs with toe-in; length change",
        "           plus is longer: as in the logbook",
        "longer     new, rear-left, 2 over 3+1, length change 1.5; up1, down1 at -25 0",
        "           25; reads -6 to 7 thou",
        "Left out   nothing",
        "Adds       1 row to runs.csv and 6 rows to readings.csv",
    ]
    assert err == (
        "shimopt: nothing was written: nobody to ask\n  mend: the same with --yes writes the rows\n"
    )
    assert _files(demo_copy) == before
    code, out, err = _call(capsys, "import", str(table), str(demo_copy), "--yes")
    assert (code, err) == (0, "")
    assert out.splitlines()[-2:] == [
        "Done       added to runs.csv and readings.csv; undo takes it back",
        f"Then       shimopt check {demo_copy}",
    ]
    after = _files(demo_copy)
    assert sorted(after) == sorted(before)
    assert all(after[name].startswith(before[name]) for name in before)
    then = out.splitlines()[-1].split()[2:]
    code, out, _ = _call(capsys, *then)
    assert (code, "longer" in out) == (0, True)
    code, out, err = _call(capsys, "import", str(table), str(demo_copy), "--yes")
    assert (code, out) == (3, "")
    assert err.startswith("wide.csv:1: `longer` has readings in readings.csv already [L606]")
    assert _files(demo_copy) == after
    code, out, _ = _call(capsys, "undo", str(demo_copy))
    assert (code, out.splitlines()[0]) == (
        0, "`import` of wide.csv is taken back: runs.csv, readings.csv"
    )  # fmt: skip
    assert _files(demo_copy) == before


def test_import_without_a_logbook_says_how_to_start_one(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "wide.csv").write_text(WIDE)
    table, car = str(tmp_path / "wide.csv"), str(tmp_path / "car")
    code, out, err = _call(capsys, "import", table, car)
    assert (code, out) == (2, "")
    assert f"start one with `shimopt new {car}`, then `shimopt import {table} {car}`" in err


def test_check_ends_with_what_the_gauge_can_tell_and_where_to_go(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(demo_copy)
    code, out, err = _call(capsys, "check")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert len(lines) < 24
    assert max(map(len, lines)) <= 80
    flat = " ".join(out.split())
    assert "Repeats one reading repeats to 1.3 thou (48 repeats); going up and coming" in flat
    assert "shimopt check --repeats for what to measure again" in flat
    _, out, _ = _call(capsys, "check", "--json")
    gauge = json.loads(out)["repeatability"]
    assert gauge["shown"] in flat
    assert gauge["told_apart"]["shown"] in flat
    assert [p["name"] for p in gauge["parts"]] == ["reading", "direction", "remount", "return"]
    assert "measured_95_deg" not in gauge["parts"][0]
    assert "repeats" not in json.loads(out)["corners"][0]


def test_check_repeats_fits_one_screen_and_its_document_says_the_same(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(demo_copy)
    code, out, err = _call(capsys, "check", "--repeats")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert len(lines) < 24
    assert max(map(len, lines)) <= 80
    assert out.isascii()
    labels = [line.split("  ")[0] for line in lines if line[0] != " "]
    assert labels[-7:] == ["Loop", "Rig", "Zero", "Good for", "Again", "Travels", "Then"]
    flat = " ".join(out.split())
    code, text, err = _call(capsys, "check", "--repeats", "--json")
    assert (code, err) == (0, "")
    document = json.loads(text)
    gauge, (corner,) = document["repeatability"], document["corners"]
    for key in ("shown_loops", "shown_remount", "shown_return"):
        assert gauge[key] in flat
    assert gauge["told_apart"]["shown"] in flat
    for part in gauge["parts"][:3]:
        assert " ".join(part["shown_row"]) in flat
        low, high = part["used_95_deg"]
        assert low < part["used_deg"] < high
    again = corner["repeats"]
    assert again["fewest_travels"]["shown"] in flat
    assert all(said in flat for said in again["shown"])
    assert len(again["again"]) == 7
    travels = " ".join(f"{z:g}" for z in again["fewest_travels"]["travel_mm"])
    assert lines[-1] == f'Then       shimopt sheet --travels "{travels}" prints them'
    code, _, err = _call(capsys, "sheet", "--travels", travels)
    assert (code, err) == (0, "")


def test_check_repeats_of_two_corners_and_of_none(
    capsys: pytest.CaptureFixture[str], demo_copy: Path
) -> None:
    _both_sides(demo_copy)
    code, out, _ = _call(capsys, "check", str(demo_copy), "--repeats")
    assert code == 0
    assert out.count("Travels    ") == 2
    assert "\nrear-left:\n" in out
    assert "\nrear-right:\n" in out
    readings = demo_copy / "readings.csv"
    readings.write_text(readings.read_text().splitlines()[0] + "\n")
    for flags in ((), ("--json",)):
        code, out, err = _call(capsys, "check", str(demo_copy), "--repeats", *flags)
        assert (code, err) == (0, "")
        assert flags or "no readings yet: measure with shimopt enter" in " ".join(out.split())


def test_check_counts_one_run_as_one(capsys: pytest.CaptureFixture[str], demo_copy: Path) -> None:
    for name in ("runs.csv", "readings.csv"):
        lines = (demo_copy / name).read_text().splitlines(keepends=True)
        kept = [line for line in lines[1:] if line.startswith("as-found")]
        (demo_copy / name).write_text("".join([lines[0], *kept]))
    code, out, _ = _call(capsys, "check", str(demo_copy))
    assert code == 0
    assert "1 run, 36 readings; corner: rear-left" in " ".join(out.split())


@pytest.mark.parametrize("what", ["run", "corner"])
def test_names_with_doubled_blanks_are_refused_before_anything_is_written(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, what: str
) -> None:
    """A row keeps single blanks, so that the name would be found nowhere."""
    before = _files(demo_copy)
    call = ("enter", str(demo_copy)) if what == "run" else ("new", str(demo_copy / "new"))
    code, _, err = _call(capsys, *call, f"--{what}", "rear  left")
    assert code == 2
    assert f"a {what} cannot be called `rear  left`" in err
    assert "call it `rear left`" in err
    assert _files(demo_copy) == before


def test_a_fault_of_a_table_names_its_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "paper.txt").write_text("travel up1\n-20 a\n0 0\n20 3\n")
    flags = [
        "--units",
        "mm",
        "--span",
        "300",
        "--rising",
        "toe-in",
        "--link",
        "ahead",
        "--above",
        "1",
        "--below",
        "1",
    ]
    code, out, err = _call(capsys, "new", "car", *flags, "--table", "paper.txt")
    assert (code, out) == (3, "")
    assert err.startswith("paper.txt:2: `a` is not a number [L309]\n")
    assert err.endswith("1 fault in paper.txt; nothing was taken over\n")
    assert not (tmp_path / "car").exists()
    # a number may have been cut off where the last line has no end: it is shown
    (tmp_path / "paper.txt").write_text("travel up1\n-20 1\n0 0\n20 3")
    code, out, _ = _call(capsys, "new", "car", *flags, "--table", "paper.txt")
    assert code == 0
    assert "Look       the last line, `20 3`, has no line end: is it whole?\n" in out

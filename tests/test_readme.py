"""README.md keeps in step with the program: screen, commands, exit codes, fault-free demo."""

from __future__ import annotations

import importlib.util
import re
import shutil
import textwrap
from pathlib import Path
from types import ModuleType
from typing import get_args

import numpy as np
import pytest

from optimizer import errors
from optimizer.advise.next_move import advise
from optimizer.cli import main
from optimizer.logbook import (
    NewAnswers,
    parse_table,
    plan_import,
    read_logbook,
    start_logbook,
    write_import,
)
from optimizer.logbook.offers import COLUMNS
from optimizer.logbook.table import KEYS
from optimizer.measure.curve import toe_curve
from optimizer.measure.gauge import reading_noise_deg
from optimizer.present.cautions import IN_FULL
from optimizer.present.crew import Crew
from optimizer.present.note import note
from optimizer.present.taken import import_lines
from optimizer.records import GaugeKind, Units

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCS = [ROOT / "README.md", *(ROOT / "docs").glob("*.md")]
CAR, ENTERING, HARDWARE = (
    (ROOT / "docs" / name).read_text(encoding="utf-8")
    for name in ("car.md", "entering.md", "hardware.md")
)
PICTURE_TOLERANCE = 0.002  # a step of one quarter of a millimetre in the advice makes 0.003


def _pictures() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_pictures", ROOT / "data/make_pictures.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _apart(one: Path, other: Path) -> float:
    """Mean difference of two pictures of one size, 0 to 1."""
    from matplotlib.image import imread

    a, b = imread(one), imread(other)
    assert a.shape == b.shape
    return float(np.abs(a - b).mean())


def _drawn_by(path: Path) -> str:
    """The program and version that a PNG names as its maker."""
    from PIL import Image

    with Image.open(path) as picture:
        return str(picture.info.get("Software"))


def test_the_picture_is_today_s(tmp_path: Path) -> None:
    pictures = _pictures()
    pictures.draw(tmp_path / "now.png")
    kept = ROOT / "data/pictures/next.png"
    if _drawn_by(kept) != _drawn_by(tmp_path / "now.png"):
        pytest.skip("another matplotlib drew the kept picture: its layout may differ")
    assert _apart(kept, tmp_path / "now.png") < PICTURE_TOLERANCE
    # and the tolerance tells a run less from it
    pictures.draw(tmp_path / "then.png", until="joint-up")
    assert _apart(kept, tmp_path / "then.png") > 2 * PICTURE_TOLERANCE


@pytest.mark.parametrize("page", sorted(DOCS), ids=lambda page: page.name)
def test_the_screens_are_today_s(page: Path, tmp_path: Path) -> None:
    text = page.read_text(encoding="utf-8")
    pictures = _pictures()
    assert pictures.page_with_screens(text, tmp_path) == text
    for command, *screen in worked(text):
        # a table of recipes is as long as there are heights
        most = 36 if "--recipes" in command else 28 if " kit " in command else 24
        assert len(screen) <= most, command
        assert max(map(len, screen)) <= 80


def worked(text: str) -> list[list[str]]:
    """Each command that a page shows at work, and its screen's lines."""
    return [found[0].splitlines()[2:-1] for found in _pictures().WORKED.finditer(text)]


@pytest.mark.parametrize(
    ("name", "count"),
    [("README.md", 1), ("docs/goals.md", 7), ("docs/kit.md", 3), ("docs/repeats.md", 1),
     ("docs/axle.md", 1)],
)  # fmt: skip
def test_so_many_screens_are_shown(name: str, count: int) -> None:
    assert len(worked((ROOT / name).read_text(encoding="utf-8"))) == count


def test_every_key_of_a_goal_and_every_column_of_an_offer_is_told() -> None:
    goals = (ROOT / "docs/goals.md").read_text(encoding="utf-8")
    for key in KEYS["[corner.NAME.goal]"]:
        assert f"`{key}`" in goals
    kit = (ROOT / "docs/kit.md").read_text(encoding="utf-8")
    for rule in COLUMNS:
        assert f"| `{rule.name}` |" in kit


@pytest.mark.parametrize(("name", "drawn"), [("tradeoff", "draw_tradeoff"), ("kit", "draw_kit")])
def test_the_other_pictures_are_today_s(tmp_path: Path, name: str, drawn: str) -> None:
    getattr(_pictures(), drawn)(tmp_path / "now.png")
    kept = ROOT / f"data/pictures/{name}.png"
    if _drawn_by(kept) != _drawn_by(tmp_path / "now.png"):
        pytest.skip("another matplotlib drew the kept picture: its layout may differ")
    assert _apart(kept, tmp_path / "now.png") < PICTURE_TOLERANCE


def test_every_exit_code_is_documented() -> None:
    table = README.split("## Exit codes")[1].split("##")[0]
    documented = {int(code) for code in re.findall(r"^\| (\d+) \|", table, re.MULTILINE)}
    defined = {value for name, value in vars(errors).items() if name.startswith("EXIT_")}
    assert documented == defined


def test_every_caution_is_in_the_readme() -> None:
    section = README.split("## Cautions")[1].split("##")[0]
    for caution in IN_FULL:
        assert f"- {caution}" in section


def test_the_first_paragraph_states_the_job() -> None:
    first = README.split("\n\n")[1]
    for word in ("toe", "travel", "shims", "turns", "eccentric", "wrong", "stop"):
        assert word in first


def test_the_example_of_a_table_is_one() -> None:
    block = README.split("<!-- pasted table -->\n")[1].split("\n\n")[0]
    table = parse_table(block, Units(travel="mm", reading="thou"))
    assert [(sweep, travel) for sweep, travel, _ in table] == [
        (sweep, travel) for sweep in ("up1", "down1") for travel in (-25.0, 0.0, 25.0)
    ]


def test_the_example_of_a_wide_table_is_one(tmp_path: Path) -> None:
    block = ENTERING.split("<!-- wide table -->")[1].split("\n\n")[0]
    (tmp_path / "sheet.csv").write_text("".join(f"{x.strip()}\n" for x in block.splitlines()))
    start_logbook(tmp_path / "car", NewAnswers(units="thou,mm,mm", span=300.0, link="ahead"))
    (tmp_path / "car" / "runs.csv").write_text("run,shims_above,shims_below\n")
    car = (tmp_path / "car" / "car.toml").read_text()
    (tmp_path / "car" / "car.toml").write_text(car.replace("reference_run", "# reference_run"))
    plan = plan_import(tmp_path / "car", tmp_path / "sheet.csv")
    screen = ENTERING.split("<!-- import -->\n```\n")[1].split("\n```")[0]
    assert import_lines(plan) == screen.splitlines()
    write_import(plan)
    book = read_logbook(tmp_path / "car")
    assert [(r.name, r.above_mm, r.below_mm) for r in book.runs] == [
        ("as-found", (3.0, 1.0), (1.0, 1.0)), ("joint-up", (2.0,), (3.0, 1.0)),
    ]  # fmt: skip
    assert book.readings[-1].value == pytest.approx(10.5 * 0.0254)


def test_the_example_of_the_hardware_is_today_s(
    demo_copy: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    block = HARDWARE.split("<!-- hardware -->\n")[1].split("\n\n<!-- screen of")[0]
    path = demo_copy / "car.toml"
    car = path.read_text(encoding="utf-8").replace('face = "clevis"', 'face = "arm-below"')
    path.write_text(car + "\n".join(x.strip() for x in block.splitlines()), encoding="utf-8")
    monkeypatch.chdir(demo_copy)
    with pytest.raises(SystemExit) as left:
        main(["next"])
    assert left.value.code == errors.EXIT_DONE
    screen = HARDWARE.split("<!-- screen of the hardware -->\n```\n")[1].split("```")[0]
    assert capsys.readouterr().out == screen


def _gauges() -> list[list[str]]:
    rows = CAR.split("| `kind` | keys beside it |")[1].split("\n\n")[0].splitlines()[2:]
    return [[cell.strip() for cell in row.strip("| ").split("|")] for row in rows]


@pytest.mark.parametrize("row", _gauges(), ids=lambda row: f"{row[0]} {row[1]}")
def test_each_gauge_s_example_is_worked_right(tmp_path: Path, row: list[str]) -> None:
    kind, keys, ride, bump, toe, noise = row
    answers = NewAnswers(units="mm", span=300.0, link="ahead")
    start_logbook(tmp_path, answers)
    car = (tmp_path / "car.toml").read_text(encoding="utf-8")
    own = "\n".join([f'kind = "{kind.strip("`")}"', *re.findall("`([^`]+)`", keys)])
    car = re.sub(r"\[gauge\][^\[]*", f"[gauge]\n{own}\n\n", car)
    two = "," in ride
    if kind == "`direct-angle`":
        car = car.replace('reading = "mm"', 'reading = "deg"')
    (tmp_path / "car.toml").write_text(car, encoding="utf-8")
    rows = [f"run1,up1,{z},{said.replace(' ', '')}" for z, said in ((0, ride), (40, bump))]
    header = f"run,pass,travel,{'front,rear' if two else 'reading'}"
    rows += [rows[0].replace("up1,0", "up1,-40")]
    (tmp_path / "readings.csv").write_text("\n".join([header, *rows]), encoding="utf-8")
    book = read_logbook(tmp_path)
    curve = toe_curve("run1", book.readings, book.gauge)
    amount, way = toe.split()
    assert curve.toe_deg[1] == pytest.approx(float(amount) * (1 if way == "in" else -1), abs=5e-4)
    assert curve.toe_deg[0] == 0.0
    assert reading_noise_deg(book.gauge) == pytest.approx(float(noise), abs=5e-4)


def test_every_gauge_kind_is_in_the_table() -> None:
    assert {row[0].strip("`") for row in _gauges()} == set(get_args(GaugeKind))


def test_the_eccentric_s_sign_is_said() -> None:
    assert "Marks of the eccentric count inboard" in CAR
    assert "Marks count inboard." in README


def demo_with(folder: Path, marks: str, tables: str) -> list[str]:
    """The demo's screen with tables of car.toml put in place of its own.

    ``marks`` is empty, a run and the mark it stood at, or "until" and the last run.
    """
    shutil.copytree(ROOT / "data" / "demo", folder)
    car = (folder / "car.toml").read_text(encoding="utf-8")
    for table in re.findall(r"(\[[^\[\]]+\]\n(?: {4}[^\[\n].*\n)+)", tables + "\n"):
        head = table.splitlines()[0]
        body = re.escape(head) + r"[^\n]*\n(?:[^\[\n][^\n]*\n)*"
        before, *after = re.split(body, car)
        assert len(after) == 1, head
        car = before + textwrap.dedent(table.replace(head, f"    {head}")) + after[0]
    (folder / "car.toml").write_text(car, encoding="utf-8")
    until = marks.removeprefix("until ") if marks.startswith("until ") else ""
    if marks and not until:
        run, mark = marks.split()
        runs = (folder / "runs.csv").read_text(encoding="utf-8")
        rows = [row.split(",") for row in runs.splitlines()]
        for row in rows:
            row[6] = mark if row[0] == run else row[6]
        (folder / "runs.csv").write_text("\n".join(map(",".join, rows)) + "\n", encoding="utf-8")
    book = read_logbook(folder)
    book = book.as_of(until) if until else book
    return note(advise(book, "rear-left"), Crew.of(book))


EXAMPLE = re.compile(
    r"<!-- demo with: ?([^\n]*?) ?-->\n((?: {4}[^\n]*\n)+)\n<!-- screen of it -->\n```\n(.*?)```",
    re.DOTALL,
)


@pytest.mark.parametrize("index", range(4))
def test_the_eccentric_s_examples_are_today_s(tmp_path: Path, index: int) -> None:
    examples = EXAMPLE.findall(HARDWARE)
    assert len(examples) == 4
    marks, tables, shown = examples[index]
    lines = demo_with(tmp_path / "car", marks, tables)
    assert len(lines) < 24
    assert shown in "\n".join(lines) + "\n"
    assert shown.startswith("Do this")

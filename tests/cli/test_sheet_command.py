"""``shimopt sheet``: what is in the file, exact exit codes and streams."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from pypdf import PdfReader

from optimizer.cli import main
from optimizer.enter.start import Asked as EnterAsked
from optimizer.enter.start import plan_of
from optimizer.logbook import read_logbook
from optimizer.present.cautions import IN_FULL

RIGHT = """
[corner.rear-right]
link = "behind"

[corner.rear-right.goal]
window = [-30, 30]
"""


def _call(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["sheet", *words])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def _pages(path: Path) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in PdfReader(path).pages]


def test_a_page_a_corner(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    with (demo_copy / "car.toml").open("a") as file:
        file.write(RIGHT)
    pdf = tmp_path / "s.pdf"
    code, out, err = _call(capsys, str(demo_copy), "--out", str(pdf))
    assert (code, err) == (0, "")
    made, then = out.split("\n", 1)
    assert made == f"made {pdf}: rear-left, rear-right"
    hints = [
        f"shimopt enter {demo_copy} --corner rear-left --passes up1,down1,up2,down2",
        f"shimopt enter {demo_copy} --corner rear-right --travels "
        '"-30 -20 -10 10 20 30" --passes up1,down1,up2,down2',
    ]
    assert " ".join(then.split()) == f"Then print it; as you measure: {'; '.join(hints)}; to show the other seat: shimopt brief {folder}"
    left, right = _pages(pdf)
    assert left.startswith("rear-left, after 3 runs try this next, for what it teaches")
    assert right.startswith("rear-right first run: measure it as it stands")
    assert "page 2 of 2" in right
    for page in (left, right):
        for text in (*IN_FULL, "anti-roll bar free on both sides", "brake locked", "run name"):
            assert text in page
        for text in ("jack clear of the plate", "every pass came back to zero", "plate level"):
            assert text in page
    assert "link body 2 turns shorter (6 mm)" in left
    assert "below the joint, top to bottom: 3+1+0.5+0.25 (joint 0.75 mm higher)" in left
    assert "50 droop -3 10" in left
    assert "the dial at 50 bump is outside -15 to +13" in left
    assert "30 droop 20 droop" in right
    assert _call(capsys, str(demo_copy), "--out", str(pdf), "--corner", "rear-right")[0] == 0
    assert _pages(pdf) == [right.replace("page 2 of 2", "page 1 of 1")]


def test_enter_takes_what_the_page_names(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    """The command on the page, typed as it stands, asks for the page's boxes and no other."""
    pdf = tmp_path / "s.pdf"
    folder = str(demo_copy)
    code, out, _ = _call(capsys, folder, "--travels", "-50 -12.5 12.5 50", "--out", str(pdf))
    assert code == 0
    typed = " ".join(out.split("as you measure: ")[1].split("; to show")[0].split())
    assert typed in _pages(pdf)[0].replace("shimopt enter", f"shimopt enter {folder}")
    words = shlex.split(typed)[1:]
    assert words[-4:] == ["--travels", "-50 -12.5 12.5 50", "--passes", "up1,down1,up2,down2"]
    plan = plan_of(
        demo_copy, read_logbook(demo_copy), EnterAsked(travels=words[-3], passes=words[-1])
    )
    stops = plan.stops(read_logbook(demo_copy))
    assert [s.travel_mm for s in stops if s.sweep == "up1"] == [0, -50, -12.5, 12.5, 50, 0]
    assert list(dict.fromkeys(s.sweep for s in stops)) == ["up1", "down1", "up2", "down2"]
    done = subprocess.run(
        [sys.executable, "-m", "optimizer", *words],
        input="",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(("paper", "points"), [("a4", (595, 842)), ("Letter", (612, 792))])
def test_paper_and_letters(
    capsys: pytest.CaptureFixture[str],
    demo_copy: Path,
    tmp_path: Path,
    paper: str,
    points: tuple[int, int],
) -> None:
    pdf = tmp_path / "s.pdf"
    assert _call(capsys, str(demo_copy), "--out", str(pdf), "--paper", paper)[0] == 0
    reader = PdfReader(pdf)
    (page,) = reader.pages
    assert (round(page.mediabox.width), round(page.mediabox.height)) == points
    fonts = page["/Resources"]["/Font"]  # type: ignore[index]
    kinds = {font.get_object()["/Subtype"] for font in fonts.values()}
    assert kinds <= {"/Type0", "/TrueType"}  # letters that can be picked out, not drawings
    assert kinds
    assert "/CreationDate" not in (reader.metadata or {})


def test_two_runs_make_the_same_bytes(demo_copy: Path, tmp_path: Path) -> None:
    made = []
    for seed in ("1", "2"):
        pdf = tmp_path / f"{seed}.pdf"
        subprocess.run(
            [sys.executable, "-m", "optimizer", "sheet", str(demo_copy), "--out", str(pdf)],
            check=True,
            capture_output=True,
            env={**os.environ, "PYTHONHASHSEED": seed},
        )
        made.append(pdf.read_bytes())
    assert made[0] == made[1]


def test_first_and_goal_and_until(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    pdf = tmp_path / "s.pdf"
    words = (str(demo_copy), "--out", str(pdf))
    assert _call(capsys, *words, "--first", "--step", "25")[0] == 0
    (page,) = _pages(pdf)
    assert "measure it as it stands" in page
    assert "ride height 50 droop 25 droop 25 bump 50 bump back to zero" in page
    goal = "kind=toe-at-travel at_travel=-40 toe_change=0.1 tolerance=0.05"
    assert _call(capsys, *words, "--goal", goal)[0] == 0
    (page,) = _pages(pdf)
    assert "for 0.10 deg toe-in at 40 droop" in page
    assert "40 droop +" in page
    assert _call(capsys, *words, "--until", "as-found")[0] == 0
    assert _pages(pdf)[0].startswith("rear-left, after 1 run ")


def test_foreign_letters(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    car = demo_copy / "car.toml"
    text = car.read_text().replace("Nightjar, the invented rally car", "für $x_1$ 前輪")
    car.write_text(text, encoding="utf-8")
    pdf = tmp_path / "s.pdf"
    assert _call(capsys, str(demo_copy), "--out", str(pdf))[0] == 0
    assert "für $x_1$ ??" in _pages(pdf)[0]


def test_the_file_named_is_replaced_like_a_picture(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(demo_copy)
    before = {p.name: p.read_bytes() for p in demo_copy.iterdir()}
    (demo_copy / "sheet.pdf").write_text("the old one")
    code, out, _ = _call(capsys)
    assert (code, out.splitlines()[0]) == (0, "made sheet.pdf: rear-left")
    assert (demo_copy / "sheet.pdf").read_bytes().startswith(b"%PDF")
    (demo_copy / "sheet.pdf").unlink()
    assert {p.name: p.read_bytes() for p in demo_copy.iterdir()} == before


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["--corner", "rear-rihgt"], 2, "no corner 'rear-rihgt'"),
        (["--out", "x.png"], 2, "does not end in .pdf"),
        (["--paper", "a5"], 2, "use one of a4, letter"),
        (["--step", "5"], 2, "mend: take another --step"),
        (["--travels", "-10 fast"], 2, "fast"),
        (["--until", "run9"], 2, "no run is called 'run9'"),
        (["--out", "missing/x.pdf"], 1, "cannot be written"),
        (["--out", "folder.pdf"], 1, "cannot be written"),
    ],
)
def test_a_sheet_that_cannot_be_made_leaves_nothing(
    capsys: pytest.CaptureFixture[str],
    demo_copy: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    code: int,
    told: str,
) -> None:
    (demo_copy / "folder.pdf").mkdir()
    monkeypatch.chdir(demo_copy)
    before = sorted(demo_copy.rglob("*"))
    left, out, err = _call(capsys, *words)
    assert (left, out) == (code, "")
    assert told in err
    assert "mend:" in err
    assert sorted(demo_copy.rglob("*")) == before


def test_a_missing_folder_and_faults_make_no_sheet(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    pdf = tmp_path / "s.pdf"
    code, out, err = _call(capsys, str(tmp_path / "nowhere"), "--out", str(pdf))
    assert (code, out) == (3, "")
    assert "shimopt new" in err
    with (demo_copy / "readings.csv").open("a") as file:
        file.write("link-short,up3,0,x7\n")
    code, out, err = _call(capsys, str(demo_copy), "--out", str(pdf), "--first")
    assert (code, out) == (3, "")
    assert "x7" in err
    assert not pdf.exists()


def test_help(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = _call(capsys, "--help")
    assert (code, err) == (0, "")
    assert "Example: shimopt sheet" in out

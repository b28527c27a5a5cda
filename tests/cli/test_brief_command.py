"""The command ``brief``: its files, its message, and what it refuses with nothing written."""

from __future__ import annotations

import shutil
from pathlib import Path

import pypdf
import pytest

from optimizer.cli import main

AXLE = Path(__file__).resolve().parents[2] / "data" / "demo" / "both-wheels"


def _call(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["brief", *words])
    out, err = capsys.readouterr()
    code = left.value.code
    return (code if isinstance(code, int) else 0 if code is None else 1), out, err


def test_a_brief_and_its_page_are_made(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path
) -> None:
    made, paper, note = tmp_path / "b.html", tmp_path / "b.pdf", tmp_path / "n.txt"
    note.write_text("the left tyre was new", encoding="utf-8")
    code, out, err = _call(
        capsys, str(demo_copy), "--out", str(made), "--pdf", str(paper), "--attach", str(note)
    )
    assert (code, err) == (0, "")
    assert out.splitlines()[0].startswith(f"made {made} (")
    assert "Then       open b.html" in out
    text = made.read_text(encoding="utf-8")
    assert "the left tyre was new" in text
    assert len(pypdf.PdfReader(paper).pages) == 1


@pytest.mark.parametrize("letters", ["\N{THUMBS UP SIGN}", "\u96e8", "\u0e20", "\u20bf"])
def test_letters_that_paper_lacks_are_no_trouble(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, tmp_path: Path, letters: str
) -> None:
    runs = demo_copy / "runs.csv"
    text = runs.read_text(encoding="utf-8")
    runs.write_text(text.replace("body turned once", f"body {letters} turned"), encoding="utf-8")
    made, paper = tmp_path / "b.html", tmp_path / "b.pdf"
    code, _, err = _call(capsys, str(demo_copy), "--out", str(made), "--pdf", str(paper))
    assert (code, err) == (0, "")
    assert letters in made.read_text(encoding="utf-8")
    assert len(pypdf.PdfReader(paper).pages) == 1


def test_each_corner_has_its_own(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    made = tmp_path / "b.html"
    code, out, _ = _call(capsys, str(AXLE), "--out", str(made))
    assert code == 0
    assert {p.name for p in tmp_path.iterdir()} == {"b-rear-left.html", "b-rear-right.html"}
    code, out, _ = _call(capsys, str(AXLE), "--corner", "rear-right", "--out", str(made))
    assert code == 0
    assert made.exists()
    assert "open b.html" in out


def test_a_corner_s_name_may_hold_what_no_file_may(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    book = Path(shutil.copytree(AXLE, tmp_path / "car"))
    for path in book.iterdir():
        text = path.read_text(encoding="utf-8")
        text = text.replace("corner.rear-left", 'corner."rear/left"').replace(
            "rear-left", "rear/left"
        )
        path.write_text(text, encoding="utf-8")
    code, _, err = _call(capsys, str(book), "--out", str(tmp_path / "b.html"))
    assert code == 0, err
    made = sorted(p.name for p in tmp_path.iterdir() if p.suffix == ".html")
    assert len(made) == 2
    assert made[0].startswith("b-rear-left-")


def test_a_message_goes_to_the_screen_and_nothing_is_written(
    capsys: pytest.CaptureFixture[str], demo_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(demo_copy.parent)
    before = sorted(p.name for p in demo_copy.parent.iterdir())
    code, out, err = _call(capsys, str(demo_copy), "--markdown", "--until", "as-found")
    assert (code, err) == (0, "")
    assert out.startswith("**Nightjar")
    assert "after 1 run" in out
    assert "asked with --until as-found" in out
    assert "Then" not in out
    assert sorted(p.name for p in demo_copy.parent.iterdir()) == before


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ("--out b.pdf", 2, "does not end in .html"),
        ("--pdf b.html", 2, "does not end in .pdf"),
        ("--paper a3", 2, "there is no paper"),
        ("--attach none.png", 2, "cannot be attached"),
        ("--attach CAR/car.toml", 2, "neither a photo nor a note"),
        ("--corner front", 2, "no corner"),
        ("--until never", 2, "never"),
        ("--goal kind=most", 2, "kind"),
    ],
)
def test_a_wrong_call_says_so_and_writes_nothing(
    capsys: pytest.CaptureFixture[str],
    demo_copy: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: str,
    code: int,
    said: str,
) -> None:
    monkeypatch.chdir(demo_copy.parent)
    got, out, err = _call(capsys, str(demo_copy), *words.replace("CAR", str(demo_copy)).split())
    assert (got, out) == (code, "")
    assert said in err
    assert [p.name for p in demo_copy.parent.iterdir()] == [demo_copy.name]

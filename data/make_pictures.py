"""Draw the pictures of README.md and docs, and put the demo's screens into them.

Run ``python data/make_pictures.py`` from the checkout after anything that the demo
shows has changed; tests hold pages and pictures to it.
"""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import shutil
import tempfile
from pathlib import Path

from optimizer.advise.next_move import advise
from optimizer.advise.tradeoff import tradeoff
from optimizer.cli import main as run
from optimizer.logbook import read_logbook
from optimizer.present.crew import Crew
from optimizer.present.gallery import draw_advice
from optimizer.present.plot import save
from optimizer.present.tradeoff import tradeoff_picture

ROOT = Path(__file__).resolve().parents[1]
CORNER = "rear-left"
LOG = re.compile(r"<!-- travel.csv -->\n```\n(.*?)```", re.DOTALL)
WORKED = re.compile(r"(<!-- worked -->\n```\n)([^\n]*)\n.*?```", re.DOTALL)
HARDWARE = re.compile(r"(<!-- screen of the hardware -->\n```\n).*?```", re.DOTALL)


def pages() -> list[Path]:
    """README.md and the pages of docs that show what a command prints."""
    every = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
    return [page for page in every if WORKED.search(page.read_text("utf-8"))]


def hardware_screen(text: str, folder: Path) -> str:
    """The page on hardware with the screen that its two tables make of the demo."""
    car = Path(shutil.copytree(ROOT / "data" / "demo", folder / "car")) / "car.toml"
    block = text.split("<!-- hardware -->\n")[1].split("\n\n<!-- screen of")[0]
    told = car.read_text(encoding="utf-8").replace('face = "clevis"', 'face = "arm-below"')
    told += "\n".join(line.strip() for line in block.splitlines())
    car.write_text(told, encoding="utf-8")
    with contextlib.chdir(car.parent):
        return HARDWARE.sub(lambda found: f"{found[1]}{_printed('shimopt next')}```", text)


def draw(path: Path, until: str | None = None) -> None:
    """Draw the README's picture, or the one after an earlier run."""
    book = read_logbook(ROOT / "data" / "demo")
    book = book.as_of(until) if until else book
    draw_advice(book, advise(book, CORNER), None, path)


def page_with_screens(text: str, folder: Path) -> str:
    """A page of docs with what its commands print, run in an empty folder on the demo."""
    car = Path(shutil.copytree(ROOT / "data" / "demo", folder / "shimopt-demo"))
    log = LOG.search(text)
    if log is not None:
        (car / "travel.csv").write_text(log[1], encoding="utf-8")
    with contextlib.chdir(folder):
        return WORKED.sub(lambda found: f"{found[1]}{found[2]}\n{_printed(found[2])}```", text)


def _printed(command: str) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.suppress(SystemExit):
        run(shlex.split(command)[1:])
    return out.getvalue()


def draw_tradeoff(path: Path) -> None:
    """Draw the picture of docs/goals.md."""
    book = read_logbook(ROOT / "data" / "demo")
    save(tradeoff_picture(tradeoff(book, CORNER, -40.0), Crew.of(book)), path)


def draw_kit(path: Path) -> None:
    """Draw the picture of docs/kit.md, that of its first command."""
    text = (ROOT / "docs" / "kit.md").read_text("utf-8")
    command = WORKED.search(text)[2].replace("shimopt-demo", "data/demo")  # type: ignore[index]
    with contextlib.chdir(ROOT):
        _printed(f"{command} --out {path}")


def main() -> None:
    """Write the pictures, and the pages with their screens."""
    draw(ROOT / "data" / "pictures" / "next.png")
    draw_tradeoff(ROOT / "data" / "pictures" / "tradeoff.png")
    draw_kit(ROOT / "data" / "pictures" / "kit.png")
    for page in pages():
        with tempfile.TemporaryDirectory() as folder:
            told = page_with_screens(page.read_text("utf-8"), Path(folder))
        page.write_text(told, encoding="utf-8")
    hardware = ROOT / "docs" / "hardware.md"
    with tempfile.TemporaryDirectory() as folder:
        told = hardware_screen(hardware.read_text("utf-8"), Path(folder))
    hardware.write_text(told, encoding="utf-8")


if __name__ == "__main__":
    main()

"""Draw the README's picture and put the demo's screens into it.

Run ``python data/make_pictures.py`` from the checkout after anything that the demo
shows has changed; a test holds README.md and the picture to it.
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
from optimizer.advise.repeats import worth_repeating
from optimizer.advise.tradeoff import tradeoff
from optimizer.cli import main as run
from optimizer.logbook import read_logbook
from optimizer.measure.spreads import gauge_study
from optimizer.present.crew import Crew
from optimizer.present.gallery import draw_advice
from optimizer.present.note import note
from optimizer.present.plot import save
from optimizer.present.repeats import repeats_screen
from optimizer.present.tradeoff import tradeoff_picture

ROOT = Path(__file__).resolve().parents[1]
CORNER = "rear-left"
PAGES = ("goals.md", "kit.md")
LOG = re.compile(r"<!-- travel.csv -->\n```\n(.*?)```", re.DOTALL)
WORKED = re.compile(r"(<!-- worked -->\n```\n)([^\n]*)\n.*?```", re.DOTALL)
SCREEN = re.compile(r"(<!-- screen: [^>]*-->\n```\n).*?(```)", re.DOTALL)
AXLE = re.compile(r"(<!-- axle: ([^>]*) -->\n```\n).*?```", re.DOTALL)
HARDWARE = re.compile(r"(<!-- screen of the hardware -->\n```\n).*?```", re.DOTALL)
STUDY = re.compile(r"(<!-- study: [^>]*-->\n```\n).*?(```)", re.DOTALL)


def demo_screen() -> str:
    """What ``shimopt next data/demo`` prints."""
    book = read_logbook(ROOT / "data" / "demo")
    return "\n".join(note(advise(book, CORNER), Crew.of(book))) + "\n"


def demo_study() -> str:
    """What ``shimopt check data/demo --repeats`` prints."""
    book = read_logbook(ROOT / "data" / "demo")
    lines = repeats_screen(book, gauge_study(book), [worth_repeating(book, CORNER)])
    return "\n".join(lines) + "\n"


def readme_with(screen: str, study: str, readme: str) -> str:
    """README.md with the demo's screens in their places."""
    readme = SCREEN.sub(lambda found: found[1] + screen + found[2], readme)
    return STUDY.sub(lambda found: found[1] + study + found[2], readme)


def readme_with_examples(readme: str, folder: Path) -> str:
    """README.md with the screens of its axle and of its hardware."""
    with contextlib.chdir(ROOT):
        readme = AXLE.sub(lambda found: f"{found[1]}{_printed(found[2])}```", readme)
    car = Path(shutil.copytree(ROOT / "data" / "demo", folder / "car")) / "car.toml"
    block = readme.split("<!-- hardware -->\n")[1].split("\n\n<!-- screen of")[0]
    text = car.read_text(encoding="utf-8").replace('face = "clevis"', 'face = "arm-below"')
    text += "\n".join(line.strip() for line in block.splitlines())
    car.write_text(text, encoding="utf-8")
    with contextlib.chdir(car.parent):
        return HARDWARE.sub(lambda found: f"{found[1]}{_printed('shimopt next')}```", readme)


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
    """Write the pictures, README.md and the pages of docs with screens."""
    draw(ROOT / "data" / "pictures" / "next.png")
    draw_tradeoff(ROOT / "data" / "pictures" / "tradeoff.png")
    draw_kit(ROOT / "data" / "pictures" / "kit.png")
    for name in PAGES:
        page = ROOT / "docs" / name
        with tempfile.TemporaryDirectory() as folder:
            told = page_with_screens(page.read_text("utf-8"), Path(folder))
        page.write_text(told, encoding="utf-8")
    readme = ROOT / "README.md"
    text = readme_with(demo_screen(), demo_study(), readme.read_text("utf-8"))
    with tempfile.TemporaryDirectory() as folder:
        text = readme_with_examples(text, Path(folder))
    readme.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()

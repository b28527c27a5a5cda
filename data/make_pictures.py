"""Draw the README's picture and put the demo's screens into it.

Run ``python data/make_pictures.py`` from the checkout after anything that the demo
shows has changed; a test holds README.md and the picture to it.
"""

from __future__ import annotations

import re
from pathlib import Path

from optimizer.advise.next_move import advise
from optimizer.advise.repeats import worth_repeating
from optimizer.logbook import read_logbook
from optimizer.measure.spreads import gauge_study
from optimizer.present.crew import Crew
from optimizer.present.gallery import draw_advice
from optimizer.present.note import note
from optimizer.present.repeats import repeats_screen

ROOT = Path(__file__).resolve().parents[1]
CORNER = "rear-left"
SCREEN = re.compile(r"(<!-- screen: [^>]*-->\n```\n).*?(```)", re.DOTALL)
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


def draw(path: Path, until: str | None = None) -> None:
    """Draw the README's picture, or the one after an earlier run."""
    book = read_logbook(ROOT / "data" / "demo")
    book = book.as_of(until) if until else book
    draw_advice(book, advise(book, CORNER), None, path)


def main() -> None:
    """Write the picture and README.md."""
    draw(ROOT / "data" / "pictures" / "next.png")
    readme = ROOT / "README.md"
    text = readme_with(demo_screen(), demo_study(), readme.read_text("utf-8"))
    readme.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()

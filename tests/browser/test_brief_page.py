"""The brief in a browser: it opens alone, says what Python says, and serves everybody."""

from __future__ import annotations

import io
import json
import re
import statistics
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pypdf
import pytest
from numpy.typing import NDArray

from optimizer.advise.evidence import corner_evidence
from optimizer.advise.explore import explore
from optimizer.advise.makeable import limits_of
from optimizer.advise.next_move import advise
from optimizer.advise.table import Table
from optimizer.logbook import read_logbook
from optimizer.units import from_deg, from_mm

Array = NDArray[np.float64]
Opener = Callable[..., Any]
Briefs = Callable[[str], Path]


def slowly(*names: str) -> list[Any]:
    """Parameters that the quick core leaves out."""
    return [pytest.param(name, marks=pytest.mark.slow) for name in names]


USUAL = ("demo", *slowly("axle", "inches", "long", "markup"))
EVERY = (*USUAL, *slowly("cam", "fixed", "many"))
MARGIN = 4.0  # of the speed bars: CI machines are noisy
TOUCH_PX = 44
SMALLEST_PT = 7.0
SIZE_BAR = 100_000
NUMBER = re.compile(r"[-+−]?\d+(?:\.\d+)?")


def plain(text: str) -> str:
    """Words with single blanks between them, large letters or small."""
    return " ".join(text.split()).casefold()


def squeezed(text: str) -> str:
    """Words without blanks or joined letters: paper breaks its lines where it likes."""
    return "".join(unicodedata.normalize("NFKC", text).split()).casefold()


def corner_of(name: str, books: dict[str, Path]) -> tuple[Any, str]:
    """A logbook, read, and the corner its brief is of."""
    book = read_logbook(books[name])
    return book, "rear-left" if name == "axle" else next(iter(book.corners))


@pytest.fixture(scope="session")
def explored(books: dict[str, Path]) -> Callable[[str], Any]:
    """Gives Python's figures for every setting of a logbook's corner, worked out once."""
    known: dict[str, Any] = {}

    def of(name: str) -> Any:
        if name not in known:
            book, corner = corner_of(name, books)
            evidence = corner_evidence(book, corner)
            table = Table(evidence, evidence.corner.goal)
            known[name] = explore(table, limits_of(table), advise(book, corner).move.spot)
        return known[name]

    return of


@pytest.fixture(scope="session")
def advised(books: dict[str, Path]) -> Callable[[str], list[str]]:
    """Gives the words of a logbook's advice that a brief must show, as `next` writes them."""

    def of(name: str) -> list[str]:
        _, corner = corner_of(name, books)
        words = [sys.executable, "-m", "optimizer", "next", str(books[name]), "--json"]
        done = subprocess.run(
            [*words, "--corner", corner], capture_output=True, text=True, check=True
        )
        found = json.loads(done.stdout)["corners"][0]
        expected = found["expected"]
        sure = [expected["score"]["shown"], *expected["score"]["shown_band"]]
        sure.append(expected["chance_to_beat_best_measured"]["shown"])
        do = [part.strip() for line in found["do"]["shown"][2:] for part in line.split(";")]
        return [
            found["first"],
            found["do"]["setting"]["shown"],
            *(part.removeprefix("then ") for part in do),
            *sure,
            found["put_back"]["shown"],
        ]

    return of


def place(page: Any) -> tuple[int, int]:
    """Where the two sliders stand."""
    there = page.locator("#length").count()
    return int(page.input_value("#height")), int(page.input_value("#length")) if there else 0


def told(page: Any, at: tuple[int, int] | None = None) -> Any:
    """What the page says of a setting: the one its sliders stand at, or another."""
    return page.evaluate("([i, j]) => window.brief.at(i, j)", list(at or place(page)))


def to_end(page: Any, key: str) -> None:
    """Put both sliders to one end by keyboard."""
    for slider in page.locator("input[type=range]").all():
        slider.focus()
        page.keyboard.press(key)


@pytest.mark.parametrize("name", EVERY)
def test_it_opens_from_disk_alone(name: str, briefs: Briefs, open_page: Opener) -> None:
    """The fixture holds that nothing was asked for and nothing complained."""
    page = open_page(briefs(name))
    assert page.title().strip()
    assert page.inner_text("#score").strip()
    assert page.get_attribute("#curve", "d")
    assert page.evaluate("() => window.hacked") is None


@pytest.mark.parametrize("name", EVERY)
def test_its_policy_forbids_every_request(name: str, briefs: Briefs, open_page: Opener) -> None:
    page = open_page(briefs(name))
    metas = page.locator("meta[http-equiv='Content-Security-Policy' i]")
    assert metas.count() == 1
    rules = [rule.split() for rule in metas.get_attribute("content").split(";") if rule.strip()]
    assert ["default-src", "'none'"] in rules
    allowed = {source for _, *sources in rules for source in sources}
    assert {s for s in allowed if not s.startswith("'sha256-")} <= {"'none'", "data:"}
    early = "m => [...document.querySelectorAll('script, style, link')].filter(e => e.compare"
    early += "DocumentPosition(m) & Node.DOCUMENT_POSITION_FOLLOWING).length"
    assert metas.evaluate(early) == 0, "the policy must stand before what it is to govern"


def test_its_policy_bites(briefs: Briefs, open_page: Opener) -> None:
    page = open_page(briefs("demo"), forgiven=True)
    tried = """async () => {
      const told = [];
      const both = new Promise(done => {
        document.addEventListener('securitypolicyviolation', e => {
          if (told.push(e.effectiveDirective) === 2) done();
        });
        setTimeout(done, 3000);
      });
      const script = document.createElement('script');
      script.textContent = 'window.hacked = 1';
      document.body.append(script);
      const got = await fetch('https://example.invalid/').then(() => 'fetched', () => 'refused');
      await both;
      return [got, told.sort(), window.hacked];
    }"""
    assert page.evaluate(tried) == ["refused", ["connect-src", "script-src-elem"], None]


@pytest.mark.parametrize("name", EVERY)
def test_it_is_small(name: str, briefs: Briefs) -> None:
    assert briefs(name).stat().st_size < SIZE_BAR


def agree(theirs: Any, ours: Array, near_zero: float) -> NDArray[np.bool_]:
    """Three significant digits, or so near that it does not matter; no number only at no number."""
    theirs = np.array(theirs, dtype=float)
    assert theirs.shape == ours.shape
    size = np.floor(np.log10(np.maximum(np.abs(ours), 1e-12)))
    same: NDArray[np.bool_] = np.abs(theirs - ours) <= np.maximum(near_zero, 0.5 * 10 ** (size - 2))
    return same | (np.isnan(theirs) & np.isnan(ours))


@pytest.mark.parametrize("name", ["demo", *slowly("axle", "inches", "cam", "fixed", "many")])
def test_every_setting_says_what_python_says(
    name: str, briefs: Briefs, open_page: Opener, explored: Callable[[str], Any]
) -> None:
    want = explored(name)
    n_height, n_length = want.length_mm.shape
    page = open_page(briefs(name))
    for slider, n in (("#height", n_height), ("#length", n_length)):
        if n > 1:
            assert page.get_attribute(slider, "min") == "0"
            assert page.get_attribute(slider, "max") == str(n - 1)
        else:
            assert page.locator(slider).count() == 0, "one setting is no choice"
    travel = json.loads(page.text_content("#surface"))["travel_mm"]
    assert travel == pytest.approx(want.travel_mm)
    got = page.evaluate(
        "([n, m]) => [...Array(n).keys()].map(i => [...Array(m).keys()].map("
        "j => window.brief.at(i, j)))",
        [n_height, n_length],
    )
    offered = np.isfinite(want.score_deg)
    assert offered.any()
    assert (offered == want.offered).all()
    assert [[cell is not None for cell in row] for row in got] == offered.tolist()
    cells = [cell for row in got for cell in row if cell is not None]
    curves = [want.curve((int(i), int(j))) for i, j in zip(*np.nonzero(offered), strict=True)]
    ours = {
        "toe": np.array([toe for toe, _ in curves]),
        "half": np.array([half for _, half in curves]),
        "score": want.score_deg[offered],
        "low": want.low_deg[offered],
        "high": want.high_deg[offered],
        "shift": want.shift_mm[offered],
        "forgotten": want.forgotten_deg[offered],
    }
    for key, figures in ours.items():
        same = agree([cell[key] for cell in cells], figures, 1e-3 if key == "shift" else 1e-4)
        assert same.all(), (key, int((~same).sum()), same.size)


def numbers(text: str) -> list[tuple[float, float]]:
    """Each number of a text, with half a unit of its last digit."""
    out = []
    for word in NUMBER.findall(text):
        digits = len(word.partition(".")[2])
        out.append((float(word.replace("−", "-")), 0.5 * 10.0**-digits))
    return out


def shows(text: str, value: float) -> bool:
    """Say whether a text holds a value, rounded, whichever way its sign is told."""
    return any(
        abs(abs(found) - abs(value)) <= half * 1.001 + 1e-4 * abs(value)
        for found, half in numbers(text)
    )


def assert_readouts(page: Any, book: Any) -> None:
    """The readouts say, in the crew's units, what the sliders' setting is worth."""
    said = told(page)
    texts = {key: page.inner_text(f"#{key}") for key in ("score", "band", "shift", "static-toe")}
    if said is None:
        assert not numbers(texts["score"]), texts
        return
    toe = book.units.toe
    assert shows(texts["score"], from_deg(said["score"], toe)), (texts, said)
    assert shows(texts["band"], from_deg(said["low"], toe)), (texts, said)
    assert shows(texts["band"], from_deg(said["high"], toe)), (texts, said)
    assert shows(texts["shift"], from_mm(said["shift"], book.units.length)), (texts, said)
    assert shows(texts["static-toe"], from_deg(said["forgotten"], toe)), (texts, said)


def pictured(page: Any) -> tuple[str, str]:
    """The two paths as they are drawn."""
    return page.get_attribute("#curve", "d"), page.get_attribute("#curve-band", "d")


@pytest.mark.parametrize("name", ["demo", *slowly("inches")])
@pytest.mark.parametrize("which", ["height", "length"])
def test_sliders_move_by_keyboard(
    name: str, which: str, briefs: Briefs, open_page: Opener, books: dict[str, Path]
) -> None:
    book, _ = corner_of(name, books)
    page = open_page(briefs(name))
    slider = f"#{which}"
    last = int(page.get_attribute(slider, "max"))
    assert_readouts(page, book)
    page.focus(slider)
    page.keyboard.press("Home")
    assert page.input_value(slider) == "0"
    stood = 0
    for key, least, most in (
        ("ArrowRight", 1, 1),
        ("ArrowUp", 1, 1),
        ("ArrowLeft", -1, -1),
        ("ArrowDown", -1, -1),
        ("PageUp", 1, last - 1),
        ("End", 1, last),
        ("PageDown", 1 - last, -1),
        ("Home", -last, 0),
    ):
        before, drawn, field = told(page), pictured(page), page.input_value(f"{slider}-field")
        page.keyboard.press(key)
        now = int(page.input_value(slider))
        assert least <= now - stood <= most, key
        assert_readouts(page, book)
        assert page.input_value(f"{slider}-field") != field, key
        if told(page) is not None and before is not None and told(page)["toe"] != before["toe"]:
            assert pictured(page)[0] != drawn[0], key
            assert pictured(page)[1] != drawn[1], key
        stood = now
        assert key != "End" or stood == last
    assert stood == 0


def grid_of(explored: Any, which: str, book: Any) -> list[float]:
    """The values one slider runs through, from now, in the crew's own units."""
    now_height = explored.splits[explored.now[0]].height_mm
    now_length = float(explored.length_mm[explored.now])
    if which == "length":
        ways = [float(v) - now_length for v in explored.length_mm[explored.start[0]]]
    else:
        ways = [split.height_mm - now_height for split in explored.splits]
    return [from_mm(way, book.units.length) for way in ways]


def settle(page: Any, field: str, typed: str) -> None:
    """Type over what a field holds, and leave it."""
    page.focus(field)
    page.keyboard.press("Control+A")
    page.keyboard.press("Delete")
    page.keyboard.type(typed)
    page.keyboard.press("Tab")


@pytest.mark.parametrize("name", ["demo", *slowly("inches")])
@pytest.mark.parametrize("which", ["height", "length"])
def test_fields_and_sliders_follow_each_other(
    name: str,
    which: str,
    briefs: Briefs,
    open_page: Opener,
    explored: Callable[[str], Any],
    books: dict[str, Path],
) -> None:
    book, _ = corner_of(name, books)
    values = grid_of(explored(name), which, book)
    page = open_page(briefs(name))
    for k in (0, len(values) // 2, len(values) - 1, 1):
        before, drawn = told(page), pictured(page)
        settle(page, f"#{which}-field", f"{values[k]:.4f}")
        assert int(page.input_value(f"#{which}")) == k
        assert float(page.input_value(f"#{which}-field")) == pytest.approx(values[k], abs=0.006)
        assert_readouts(page, book)
        if told(page) is not None and before is not None and told(page)["toe"] != before["toe"]:
            assert pictured(page) != drawn
    page.focus(f"#{which}")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
        k = int(page.input_value(f"#{which}"))
        assert float(page.input_value(f"#{which}-field")) == pytest.approx(values[k], abs=0.006)


@pytest.mark.parametrize("which", ["height", "length"])
def test_nonsense_is_refused_politely(
    which: str, briefs: Briefs, open_page: Opener, books: dict[str, Path]
) -> None:
    """The field snaps back to a setting, or says what is wrong with it."""
    book, _ = corner_of("demo", books)
    page = open_page(briefs("demo"))
    field = f"#{which}-field"
    for typed in ("", "1e", "-", "1e999", "99999", "-99999"):
        stood = page.input_value(field)
        settle(page, field, typed)
        assert_readouts(page, book)
        value = page.input_value(field)
        if page.get_attribute(field, "aria-invalid") == "true":
            told_by = (page.get_attribute(field, "aria-describedby") or "").split()
            assert any(page.inner_text(f"#{one}").strip() for one in told_by), "it says nothing"
        elif "99999" in typed:
            page.focus(f"#{which}")
            page.keyboard.press("Home" if typed.startswith("-") else "End")
            assert page.input_value(field) == value, "what stood there was no setting"
        else:
            assert value == stood, typed


@pytest.mark.parametrize("name", EVERY)
def test_without_scripts_it_is_all_there(
    name: str, briefs: Briefs, open_page: Opener, advised: Callable[[str], list[str]]
) -> None:
    page = open_page(briefs(name), scripts=False)
    text = plain(page.inner_text("body"))
    for words in advised(name):
        assert plain(words) in text, words
    assert page.locator("svg#picture").is_visible()
    assert len(NUMBER.findall(page.get_attribute("#curve", "d"))) > 10
    assert max(page.locator("#curve").bounding_box()[side] for side in ("width", "height")) > 100
    tables = page.locator("table")
    rows = [
        row
        for k in range(tables.count())
        for row in tables.nth(k).locator("tr").all_inner_texts()
        if NUMBER.search(row)
    ]
    assert len(rows) >= 3
    shown = [i for i in ("height", "length", "height-field") if page.locator(f"#{i}").is_visible()]
    assert not shown or "script" in text, f"{shown} do nothing and do not say so"


def paper_of(page: Any, size: str) -> pypdf.PdfReader:
    """The page as it prints, with the margins a browser gives where the page asks for none."""
    edge = dict.fromkeys(("top", "right", "bottom", "left"), "10mm")
    return pypdf.PdfReader(io.BytesIO(page.pdf(format=size, margin=edge)))


def letters(sheet: pypdf.PageObject) -> tuple[str, list[float]]:
    """A sheet's words and the height of each piece of them in points, as it lies on the paper."""
    heights: list[float] = []

    def seen(text: str, cm: Any, tm: Any, font: Any, points: float) -> None:
        if text.strip():
            right, up = tm[2] * cm[0] + tm[3] * cm[2], tm[2] * cm[1] + tm[3] * cm[3]
            heights.append(points * float(np.hypot(right, up)))

    return squeezed(sheet.extract_text(visitor_text=seen)), heights


@pytest.mark.slow
@pytest.mark.parametrize("size", ["A4", "Letter"])
@pytest.mark.parametrize("name", ["demo", "axle", "inches", "long", "fixed"])
def test_it_prints_on_one_sheet(
    name: str, size: str, briefs: Briefs, open_page: Opener, advised: Callable[[str], list[str]]
) -> None:
    paper = paper_of(open_page(briefs(name)), size)
    assert len(paper.pages) == 1
    text, heights = letters(paper.pages[0])
    for words in advised(name):
        assert squeezed(words) in text, words
    assert "Support the car on rated stands".replace(" ", "").casefold() in text
    assert min(heights) > SMALLEST_PT - 0.05


@pytest.mark.slow
@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no-scripts"])
def test_it_prints_dark_or_light_and_without_scripts(
    scripts: bool, briefs: Briefs, open_page: Opener
) -> None:
    """Paper has no dark side: the same ink whatever the screen."""
    light, dark = (
        paper_of(open_page(briefs("demo"), scheme=scheme, scripts=scripts), "A4")
        for scheme in ("light", "dark")
    )
    assert len(dark.pages) == 1
    assert drawn_on(dark) == drawn_on(light)


def drawn_on(paper: pypdf.PdfReader) -> bytes:
    """What is drawn on the sheets, stroke by stroke."""
    return b"".join(sheet.get_contents().get_data() for sheet in paper.pages)


@pytest.mark.slow
def test_paper_shows_what_its_words_say(briefs: Briefs, open_page: Opener) -> None:
    """After a setting was tried, paper has the advice's curve, or says what the curve is of."""
    page = open_page(briefs("demo"))
    advice = paper_of(page, "A4")
    to_end(page, "Home")
    tried = paper_of(page, "A4")
    said = page.get_attribute("#height", "aria-valuetext") or "?"
    words, _ = letters(tried.pages[0])
    assert drawn_on(tried) == drawn_on(advice) or squeezed(said) in words


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [320, 360, 1280])
def test_everybody_can_use_it(width: int, scheme: str, briefs: Briefs, open_page: Opener) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = open_page(briefs("demo"), width=width, scheme=scheme)
    for key in ("Home", "End"):
        to_end(page, key)
        found = Axe().run(page).response["violations"]
        assert [(v["id"], v["help"], [n["target"] for n in v["nodes"]]) for v in found] == []


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["axle", "inches", "long", "markup", "cam", "fixed"])
def test_everybody_can_use_others_too(
    name: str, scheme: str, briefs: Briefs, open_page: Opener
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = open_page(briefs(name), width=360, scheme=scheme)
    found = Axe().run(page).response["violations"]
    assert [(v["id"], v["help"], [n["target"] for n in v["nodes"]]) for v in found] == []


@pytest.mark.slow
@pytest.mark.parametrize("width", [320, 360, 1280])
@pytest.mark.parametrize("name", EVERY)
def test_fingers_and_narrow_screens(
    name: str, width: int, briefs: Briefs, open_page: Opener
) -> None:
    page = open_page(briefs(name), width=width)
    for key in ("Home", "End"):
        to_end(page, key)
        wide = page.evaluate("() => [document.documentElement.scrollWidth, innerWidth]")
        assert wide[0] <= wide[1]
        touched = page.locator("input, button, summary, select").all()
        assert len(touched) >= 2
        for one in touched:
            box = one.bounding_box()
            if box is not None:
                assert box["height"] >= TOUCH_PX - 0.01, one.evaluate("e => e.outerHTML")
                assert box["x"] >= 0
                assert box["x"] + box["width"] <= width


BROKEN = r"""() => {
  const broken = [], range = document.createRange();
  for (const cell of document.querySelectorAll('td, dd, .say')) {
    const walk = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT);
    while (walk.nextNode()) {
      const node = walk.currentNode;
      for (const found of node.textContent.matchAll(/\d+(\.\d+)?/g)) {
        range.setStart(node, found.index);
        range.setEnd(node, found.index + found[0].length);
        const tops = [...range.getClientRects()].filter(r => r.width).map(r => Math.round(r.top));
        if (new Set(tops).size > 1) broken.push(found[0]);
      }
    }
  }
  return broken;
}"""


@pytest.mark.parametrize("name", USUAL)
def test_no_number_is_broken_across_lines(name: str, briefs: Briefs, open_page: Opener) -> None:
    """0.012 over two lines reads as 0.0 and 12."""
    page = open_page(briefs(name), width=320)
    assert page.evaluate(BROKEN) == []


def test_markup_in_a_logbook_shows_as_text(
    briefs: Briefs, open_page: Opener, books: dict[str, Path]
) -> None:
    book, corner = corner_of("markup", books)
    page, clean = open_page(briefs("markup")), open_page(briefs("demo"))
    to_end(page, "End")
    assert page.evaluate("() => window.hacked") is None
    text, usual = plain(page.inner_text("body")), plain(clean.inner_text("body"))
    demo, _ = corner_of("demo", books)
    assert "<script>" in corner
    assert plain(corner) in text
    assert plain(book.car) in text
    for ours, theirs in zip(book.runs, demo.runs, strict=True):
        for nasty, tame in ((ours.name, theirs.name), (ours.note, theirs.note)):
            if tame and plain(tame)[:20] in usual:
                assert plain(nasty)[:60] in text
    count = "() => ['script', 'img', 'a', 'b', 'style', '*'].map(n => document.querySelectorAll(n)"
    count += ".length)"
    assert page.evaluate(count) == clean.evaluate(count)
    assert page.title().count("<") in (0, page.title().count(">"))
    assert told(page) == told(clean, place(page))
    printed = squeezed(paper_of(page, "A4").pages[0].extract_text())
    assert squeezed(corner).replace("🏁", "")[:40] in printed


@pytest.mark.slow
def test_it_paints_at_once(page_bench: ModuleType, browser: Any, briefs: Briefs) -> None:
    paint = page_bench.first_paint_ms(browser, briefs("demo"), n=3)
    assert statistics.median(paint) < page_bench.PAINT_BAR_MS * MARGIN


@pytest.mark.slow
@pytest.mark.parametrize("name", ["demo", "inches"])
def test_a_move_is_answered_within_a_frame(
    name: str, page_bench: ModuleType, browser: Any, briefs: Briefs
) -> None:
    moves, late = page_bench.moves_ms(browser, briefs(name))
    assert len(moves) == page_bench.N_MOVE
    assert late == 0
    assert statistics.median(moves) < page_bench.MOVE_BAR_MS * MARGIN

"""The brief: settings to try against the surface itself, words, escaping, stamp, paper."""

from __future__ import annotations

import io
import json
import re
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pypdf
import pytest

from optimizer import __version__
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.explore import MOST_SETTINGS, explore
from optimizer.advise.makeable import limits_of
from optimizer.advise.next_move import advise
from optimizer.advise.table import Table
from optimizer.advise.verified import foretold
from optimizer.demo_files import demo_folder
from optimizer.errors import CallError
from optimizer.logbook import plan_import, read_logbook, write_import
from optimizer.logbook.fingerprint import fingerprint
from optimizer.present.attached import Attached, attach
from optimizer.present.brief import Brief, corner_brief
from optimizer.present.brief_message import message, plain
from optimizer.present.brief_page import ABC, HALF, STEP, coded, page
from optimizer.present.brief_paper import sheets
from optimizer.present.brief_picture import ticks
from optimizer.present.crew import Crew
from optimizer.records import Eccentric, Goal, Logbook, Thread

CORNER = "rear-left"
TODAY = date(2026, 3, 21)
PNG = b"\x89PNG\r\n\x1a\n" + b"0" * 40


def _brief(book: Logbook, goal: Goal | None = None, **words: str) -> Brief:
    return corner_brief(book, CORNER, goal, today=TODAY, digest="0123 4567", **words)


def _with_corner(book: Logbook, **changed: object) -> Logbook:
    corner = replace(book.corners[CORNER], **changed)  # type: ignore[arg-type]
    return replace(book, corners={CORNER: corner})


@pytest.mark.outside
@pytest.mark.parametrize(
    "goal",
    [Goal(), Goal(measure="peak-to-peak"), Goal(weight="ride-height", window_mm=(-40.0, 20.0))],
    ids=["rms", "span", "weighed"],
)
def test_what_can_be_tried_is_what_the_surface_says(demo_book: Logbook, goal: Goal) -> None:
    """The surface's own prediction and its draws by numpy, setting by setting."""
    table = Table(corner_evidence(demo_book, CORNER), goal)
    limits = limits_of(table)
    advice = advise(demo_book, CORNER, goal)
    found = explore(table, limits, advice.move.spot)
    assert found.splits[found.start[0]] == advice.move.spot.split
    assert found.length_mm[found.start] == pytest.approx(advice.move.spot.length_change_mm)
    rng = np.random.default_rng(4)
    rows, columns = np.nonzero(found.offered)
    for k in rng.integers(0, len(rows), 40):
        at = int(rows[k]), int(columns[k])
        height, change = found.splits[at[0]].height_mm, float(found.length_mm[at])
        mean, cov = table.surface.curve(height, change, found.travel_mm)
        toe, half = found.curve(at)
        assert toe == pytest.approx(mean, abs=1e-10)
        assert half == pytest.approx(
            found.band_sd * np.sqrt(np.maximum(np.diag(cov), 0.0)), abs=2e-5
        )
        draws = np.sort(table.scores(height, change))
        assert found.score_deg[at] == pytest.approx(draws.mean())
        wide = int(np.ceil(0.9 * len(draws)))
        first = int(np.argmin(draws[wide:] - draws[:-wide]))
        # the shortest stretch; where two are as short to rounding, either will do
        width = found.high_deg[at] - found.low_deg[at]
        assert width == pytest.approx(draws[first + wide] - draws[first])
        assert np.min(np.abs(draws - found.low_deg[at])) < 1e-9
    assert np.all(np.isfinite(found.shift_mm) == found.offered)
    assert found.shift_mm[found.now] == pytest.approx(0.0, abs=1e-9)
    move = advice.move.static_toe
    assert found.shift_mm[found.start] == pytest.approx(move.shift_mm.value, abs=1e-9)
    assert found.forgotten_deg[found.start] == pytest.approx(move.forgotten_deg.value, abs=1e-9)
    assert 0.0 in found.travel_mm


def test_a_corner_without_a_movable_pivot_has_one_length_a_split(demo_book: Logbook) -> None:
    book = _with_corner(demo_book, eccentric=Eccentric(kind="none"))
    brief = _brief(book)
    assert brief.explored.length_mm.shape[1] == 1
    text = page(brief, Crew.of(book))
    assert 'id="length"' not in text
    assert 'id="length-say"' in text


def test_many_settings_are_thinned_and_the_page_says_so(demo_book: Logbook) -> None:
    fine = Thread(kind="both-ends", pitch_mm=0.5, shorter_mm=12.0, longer_mm=9.0)
    book = _with_corner(demo_book, thread=fine, eccentric=Eccentric(kind="slot"))
    brief = _brief(book)
    assert brief.explored.thinned > 1
    assert brief.explored.length_mm.size <= MOST_SETTINGS * 1.1
    move = advise(book, CORNER).move.spot
    assert brief.explored.length_mm[brief.explored.start] == pytest.approx(move.length_change_mm)
    text = page(brief, Crew.of(book))
    assert f"One step of the length in {brief.explored.thinned} is here" in text
    assert len(text.encode()) < 100_000


def test_the_last_run_s_forecast_knows_nothing_of_it(demo_book: Logbook) -> None:
    evidence = corner_evidence(demo_book, CORNER)
    seen = foretold(evidence)
    assert seen is not None
    surface, spot = seen
    before = Table(corner_evidence(demo_book.as_of("joint-up"), CORNER), Goal()).surface
    assert surface.curve(*spot, [-40.0])[0] == pytest.approx(before.curve(*spot, [-40.0])[0])
    assert foretold(corner_evidence(demo_book.as_of("as-found"), CORNER)) is None
    assert "foretold" not in {x.kind for x in _brief(demo_book.as_of("as-found")).lines}


def test_the_page_says_everything_in_its_order(demo_book: Logbook) -> None:
    brief = _brief(demo_book, asked="--until x")
    text = page(brief, Crew.of(demo_book))
    marks = [
        brief.sentence.split(":")[0],
        'id="picture"',
        "What you should feel",
        "How sure",
        "What it costs",
        "Considered, and lost",
        "It is wrong if",
        'id="runs"',
        'id="careful"',
        "logbook 0123 4567",
    ]
    places = [text.index(mark) for mark in marks]
    assert places == sorted(places)
    assert "asked with --until x" in text
    assert "2026-03-21" in text
    assert len(text.encode()) < 100_000
    for words in ("about 97 in 100", "6.1 marks outboard", "1.3 thou", "outside -15 to +13"):
        assert words in text


def test_the_page_asks_for_nothing(demo_book: Logbook) -> None:
    text = page(
        _brief(demo_book), Crew.of(demo_book), [Attached(name="a", data=PNG, kind="image/png")]
    )
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)
    assert policy is not None
    assert "default-src 'none'" in policy[1]
    assert "unsafe" not in policy[1]
    assert not re.search(r"https?://|//[a-z]|url\((?!#)|@import|\bstyle=|\bon[a-z]+=", text)
    assert set(re.findall(r'\bsrc="([a-z]+):', text)) == {"data"}
    assert "href=" not in text


def test_a_crew_s_own_words_stay_words(demo_book: Logbook) -> None:
    """A logbook full of markup and scripts shows as text."""
    bad = "</script><script>window.hacked=1</script>\"'&<b>"
    corner = replace(demo_book.corners[CORNER], name=bad)
    runs = tuple(
        replace(r, corner=bad, note=bad, date=bad) if r.name != "joint-up"
        else replace(r, corner=bad, name=r.name) for r in demo_book.runs
    )  # fmt: skip
    book = replace(demo_book, car=bad, corners={bad: corner}, runs=runs)
    brief = corner_brief(book, bad, None, today=TODAY, digest="x", asked=bad)
    text = page(brief, Crew.of(book), [Attached(name=bad, text=bad)])
    assert text.count("<script") == 2
    assert "<b>" not in text
    assert "window.hacked=1&lt;/script&gt;" in text
    message(brief)
    assert "\\<script\\>" in plain("<script>")


def test_the_coded_figures_are_read_back() -> None:
    values = np.array([[0.0, -1.25, 0.0155, np.nan]])
    text = coded(values, 1e-5)
    assert len(text) == 16
    got = []
    for k in range(4):
        four = text[4 * k : 4 * k + 4]
        code = (
            sum(ABC.index(c) << 6 * (3 - n) for n, c in enumerate(four)) if "." not in four else 0
        )
        got.append(float("nan") if "." in four else (code - HALF) * 1e-5)
    assert got == pytest.approx([0.0, -1.25, 0.0155, np.nan], nan_ok=True, abs=1e-9)
    # room for the largest toe and the longest way that can come up
    assert min(STEP.values()) * HALF > 8.0


def test_embedded_figures_are_those_of_the_page(demo_book: Logbook) -> None:
    text = page(_brief(demo_book), Crew.of(demo_book))
    body = re.search(r'id="surface">(.*?)</script>', text)
    assert body is not None
    data = json.loads(body[1])
    assert len(data["mean"]) == 10
    assert len(data["spread"]) == 28
    n = len(data["splits"]) * len(data["lengths"][0])
    assert all(len(column) == 4 * n for column in data["table"].values())


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_paper_takes_one_page(demo_book: Logbook, paper: str) -> None:
    crew = Crew.of(demo_book)
    brief = _brief(demo_book)
    reader = pypdf.PdfReader(io.BytesIO(sheets([brief, brief], crew, paper)))
    assert len(reader.pages) == 2
    text = " ".join(reader.pages[0].extract_text().split())
    for words in ("Considered, and lost", "It is wrong if", "logbook 0123 4567", "Rated stands"):
        assert words.lower().split()[0] in text.lower()
    assert sheets([brief], crew, paper) == sheets([brief], crew, paper)


def test_long_names_and_many_runs_still_fit_one_page(demo_book: Logbook) -> None:
    last = demo_book.runs[-1]
    more = [
        replace(last, name=f"a run of a rather long name {i}", note="word " * 20) for i in range(12)
    ]
    rows = [
        replace(r, run=run.name) for run in more for r in demo_book.readings if r.run == last.name
    ]
    book = replace(demo_book, runs=(*demo_book.runs, *more), readings=(*demo_book.readings, *rows))
    brief = _brief(book)
    shown = [row[0] for row in brief.runs[1:]]
    assert brief.left_out_runs == 10
    # the first, the best and the last, cut to 24 letters where they are longer
    best = str(advise(book, CORNER).best_measured.run)
    assert [name[:16] for name in shown[:2]] == ["as-found", best[:16]]
    assert [name[-2:] for name in shown[2:]] == [" 9", "10", "11"]
    reader = pypdf.PdfReader(io.BytesIO(sheets([brief], Crew.of(book))))
    assert len(reader.pages) == 1
    assert f"{brief.left_out_runs} more are in runs.csv" in page(brief, Crew.of(book))


def test_the_message_has_what_a_chat_needs(demo_book: Logbook) -> None:
    text = message(_brief(demo_book))
    for words in ("**How sure**", "**What it costs**", "**It is wrong if**", "Rated stands"):
        assert words in text
    stamp = f"_2026-03-21, shimopt {__version__}, logbook 0123 4567_"
    assert text.splitlines()[-1] == stamp


def test_a_fingerprint_names_the_data_and_nothing_else(tmp_path: Path) -> None:
    one = Path(shutil.copytree(demo_folder(), tmp_path / "one"))
    first = fingerprint(one)
    assert re.fullmatch(r"([0-9a-f]{4} ){3}[0-9a-f]{4}", first)
    runs = one / "runs.csv"
    text = runs.read_bytes()
    runs.write_bytes(b"\xef\xbb\xbf" + text.replace(b"\n", b"\r\n"))
    assert fingerprint(one) == first
    (one / "offers.csv").unlink(missing_ok=True)
    assert fingerprint(one) == first
    runs.write_bytes(text.replace(b"0.18", b"0.19"))
    assert fingerprint(one) != first
    runs.write_bytes(text)
    (one / "travel.csv").write_text("travel\n1\n", encoding="utf-8")
    assert fingerprint(one) != first


def test_photos_and_notes_are_told_by_what_they_hold(tmp_path: Path) -> None:
    for name, data, kind in (
        ("a.bin", PNG, "image/png"),
        ("b.jpg", b"\xff\xd8\xff\xe0" + b"0" * 9, "image/jpeg"),
        ("c.webp", b"RIFF0000WEBPxx", "image/webp"),
    ):
        (tmp_path / name).write_bytes(data)
        assert attach(tmp_path / name).kind == kind
    (tmp_path / "d.txt").write_text("grüße", encoding="utf-8")
    assert attach(tmp_path / "d.txt").text == "grüße"
    for name, data in (("e.txt", b"\xff\xfe\xff"), ("f.html", b"<b>"), ("g.svg", b"<svg/>")):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(CallError, match="neither a photo nor a note"):
            attach(tmp_path / name)
    with pytest.raises(CallError, match="cannot be attached"):
        attach(tmp_path / "none.png")


@pytest.mark.parametrize(
    ("low", "high", "wanted"),
    [
        (-0.3, 0.3, [-0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3]),
        (-50.0, 50.0, [-40.0, -20.0, 0.0, 20.0, 40.0]),
        (0.0, 7.0, [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]),
    ],
)
def test_ticks_are_round(low: float, high: float, wanted: list[float]) -> None:
    assert ticks(low, high) == pytest.approx(wanted)


def test_the_columns_say_what_they_hold(demo_book: Logbook) -> None:
    brief = _brief(demo_book)
    head, first = brief.settings[0], dict(zip(*brief.settings[:2], strict=True))
    advice = advise(demo_book, CORNER)
    crew = Crew.of(demo_book)
    assert first["change"] == crew.score(advice.outlook.score_deg.value)
    assert first["above"] == crew.stack(advice.move.spot.split.above_mm)
    assert first["below"] == crew.stack(advice.move.spot.split.below_mm)
    assert float(first["link, mm"]) == pytest.approx(advice.move.turn.change_mm)
    assert first["which"] == "advised"
    assert len(head) == 7
    assert {row[6] for row in brief.settings[1:]} >= {"advised", "now"}


@pytest.fixture
def stayed(demo_copy: Path) -> Logbook:
    """The demo with its fourth run taken in, after which the car stays as it is."""
    write_import(plan_import(demo_copy, demo_folder() / "run4.csv"))
    return read_logbook(demo_copy)


def test_a_car_that_stays_is_defended_by_what_it_came_from(stayed: Logbook) -> None:
    """Against the first run, not against itself."""
    advice, crew = advise(stayed, CORNER), Crew.of(stayed)
    assert advice.action == "stay"
    brief = _brief(stayed)
    table = Table(corner_evidence(stayed, CORNER), advice.goal)
    first = table.outlook(table.measured[0])
    was, now = crew.score(first.score_deg.value), crew.score(advice.outlook.score_deg.value)
    assert f"Leave it as it stands: toe change down from {was} at as-found to {now} deg" in (
        brief.sentence
    )
    said = {section.key: " ".join(section.paragraphs) for section in brief.sections}
    for travel in (-50.0, 50.0):
        at = int(np.argmin(np.abs(first.travel_mm - travel)))
        then = crew.toe(float(first.toe_deg[at]))
        assert f"{crew.travel(travel)}: {then} in as-found, " in said["feel"]
    assert "nothing to feel" not in said["feel"]
    assert "So far, in 4 runs: 3+1 over 1+1, link as reference in as-found; " in said["cost"]
    assert "link 9 mm shorter now" in said["cost"]
    assert "further out than in as-found: set it on the gauge" in said["cost"]


def test_a_car_that_never_moved_came_from_nowhere(stayed: Logbook) -> None:
    alone = replace(stayed, runs=stayed.runs[-1:])
    own = alone.corners[CORNER]
    own = replace(own, reference_run="run4", goal=replace(own.goal, worthwhile_deg=0.5))
    brief = _brief(replace(alone, corners={CORNER: own}))
    assert brief.sentence.startswith("Leave it as it stands: toe change 0.0")
    assert "So far" not in " ".join(p for s in brief.sections for p in s.paragraphs)

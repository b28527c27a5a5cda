"""Suspects: the clean demo raises none, each planted fault is named, nothing is changed."""

from __future__ import annotations

import functools
import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from optimizer.advise import testimony as told
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.next_move import advise
from optimizer.advise.suspects import Suspect, _left_out, surely_doubted, suspects
from optimizer.demo_files import demo_folder
from optimizer.logbook import read_logbook
from optimizer.model.surface import ToeSurface
from optimizer.present.crew import Crew
from optimizer.present.note import note
from optimizer.present.suspicion import STORIES, odds_in_words, suspect_name, suspect_words
from optimizer.records import Logbook, Reading

KINDS = tuple(STORIES)
BENCH = Path(__file__).resolve().parents[1] / "bench"
# the run each fault is planted in; a length's sign needs a run whose length was changed
RUN = {kind: "link-short" if kind == "length-sign" else "joint-up" for kind in KINDS}


@pytest.fixture(scope="module")
def planter() -> Iterator[ModuleType]:
    sys.path.insert(0, str(BENCH))
    try:
        import faults

        yield faults
    finally:
        sys.path.remove(str(BENCH))
        for name in ("faults", "corners", "policies"):
            sys.modules.pop(name, None)


def test_every_kind_has_its_plant(planter: ModuleType) -> None:
    assert set(planter.FAULTS) == set(KINDS)


def test_the_clean_demo_raises_none(demo_book: Logbook) -> None:
    assert suspects(demo_book) == ()
    for run in demo_book.runs:
        assert suspects(demo_book.as_of(run.name)) == ()


@pytest.mark.outside
@pytest.mark.parametrize("kind", KINDS)
def test_a_planted_fault_is_named(demo_book: Logbook, planter: ModuleType, kind: str) -> None:
    book = planter.FAULTS[kind](np.random.default_rng(3), demo_book, RUN[kind])
    found = suspects(book)
    assert planter.hit(kind, RUN[kind], found)
    assert found[0].log_odds > 0.0
    assert len(found) <= 2
    assert all(s.corner == "rear-left" for s in found)
    assert (
        book.readings
        == planter.FAULTS[kind](np.random.default_rng(3), demo_book, RUN[kind]).readings
    )


@pytest.mark.outside
def test_a_fault_of_the_reference_s_row_is_found_though_all_settings_count_from_it(
    demo_book: Logbook, planter: ModuleType
) -> None:
    book = planter.FAULTS["shims-swapped"](np.random.default_rng(3), demo_book, "as-found")
    found = suspects(book)
    assert planter.hit("shims-swapped", "as-found", found)


@pytest.mark.parametrize("name", ["a-short", "zz-short"])
def test_a_length_s_sign_is_doubted_whatever_the_run_is_called(
    demo_book: Logbook, planter: ModuleType, name: str
) -> None:
    book = planter.FAULTS["length-sign"](np.random.default_rng(3), demo_book, "link-short")
    book = replace(
        book,
        runs=tuple(replace(r, name=name) if r.name == "link-short" else r for r in book.runs),
        readings=tuple(replace(r, run=name) if r.run == "link-short" else r for r in book.readings),
    )
    assert planter.hit("length-sign", name, suspects(book))


def test_the_slip_is_found_at_its_line(demo_book: Logbook) -> None:
    at = next(
        k
        for k, r in enumerate(demo_book.readings)
        if (r.run, r.sweep, r.travel_mm) == ("joint-up", "up2", 25.0)
    )
    wrong = replace(demo_book.readings[at], value=demo_book.readings[at].value + 0.6)
    rows = (*demo_book.readings[:at], wrong, *demo_book.readings[at + 1 :])
    (found,) = suspects(replace(demo_book, readings=rows))
    assert (found.kind, found.sweep, found.travel_mm) == ("one-reading", "up2", 25.0)
    assert found.line == demo_book.readings[at].line
    said = suspect_words(found, Crew.of(demo_book))
    assert f"readings.csv line {found.line}" in said
    assert "pass up2, 25 bump" in said


@pytest.mark.outside
def test_the_advice_says_what_check_is_sure_of(demo_book: Logbook) -> None:
    """Inches under the name of millimetres, one run: hardly any change, nothing to hold it to."""
    one = demo_book.as_of("as-found")
    assert surely_doubted(one, corner_evidence(one, "rear-left")) == ()
    small = replace(one, readings=tuple(replace(r, value=r.value / 25.4) for r in one.readings))
    found = suspects(small)
    assert [(s.kind, s.runs, s.sure) for s in found] == [("wrong-unit", ("as-found",), True)]
    assert surely_doubted(small, corner_evidence(small, "rear-left")) == ("as-found",)
    advice = advise(small, "rear-left")
    assert advice.readings_in_doubt == ("as-found",)
    screen = " ".join(note(advice, Crew.of(small)))
    assert "Doubt      readings of as-found: see shimopt check" in screen
    assert advise(one, "rear-left").readings_in_doubt == ()


def test_two_faults_are_two_findings(demo_book: Logbook, planter: ModuleType) -> None:
    rng = np.random.default_rng(3)
    book = planter.FAULTS["pass-reversed"](rng, demo_book, "as-found")
    book = planter.FAULTS["length-sign"](rng, book, "link-short")
    found = suspects(book)
    assert planter.hit("pass-reversed", "as-found", found)
    assert planter.hit("length-sign", "link-short", found)


def test_one_run_alone_can_say_nothing_of_its_setting(demo_book: Logbook) -> None:
    alone = demo_book.as_of("as-found")
    turned = replace(alone, readings=tuple(replace(r, value=-r.value) for r in alone.readings))
    assert suspects(turned) == ()


def test_every_run_turned_is_one_finding(demo_book: Logbook) -> None:
    rows = tuple(replace(r, value=-r.value) for r in demo_book.readings)
    found = suspects(replace(demo_book, readings=rows))
    assert [(s.kind, s.runs) for s in found] == [("dial-sign", ())]
    assert suspect_name(found[0]) == "every run"


@pytest.mark.parametrize(
    ("log_odds", "words"),
    [
        (1.0, "2.7 times likelier than what is logged"),
        (3.0, "20 times likelier than what is logged"),
        (6.0, "400 times likelier than what is logged"),
        (50.0, "over a million times likelier than what is logged"),
    ],
)
def test_odds_in_words(log_odds: float, words: str) -> None:
    assert odds_in_words(log_odds) == words


def test_near_stories_are_named_together(demo_book: Logbook) -> None:
    suspect = Suspect(kind="dial-sign", runs=("x",), log_odds=2.0, also=("travel-sign",))
    said = suspect_words(suspect, Crew.of(demo_book))
    assert said.startswith("perhaps the dial was read the other way")
    assert said.endswith("Or travel is written the wrong way round, bump for droop")


def test_a_run_that_reads_nothing_at_every_travel_is_the_goal_not_another_unit(
    demo_book: Logbook,
) -> None:
    """Nought is nought in every unit; steps of one inch are no gauge's."""
    last = next(r for r in demo_book.runs if r.name == "link-short")
    run = replace(
        last,
        name="flat",
        above_mm=(1.0, 0.25),
        below_mm=(3.0, 1.0, 0.5, 0.25),
        length_change_mm=-9.0,
        static_toe_deg=None,
        eccentric_mark=None,
    )
    for steps in ([0] * 5, [0, 1, 0, 0, -1]):
        readings = [
            Reading(run="flat", sweep=sweep, travel_mm=z, value=0.0254 * step)
            for sweep in ("up1", "down1")
            for z, step in zip((0.0, -50.0, -25.0, 25.0, 50.0), steps, strict=True)
        ]
        book = replace(
            demo_book,
            runs=(*demo_book.runs, run),
            readings=(*demo_book.readings, *readings),
        )
        assert suspects(book) == ()


def test_no_story_is_told_twice(demo_book: Logbook, planter: ModuleType) -> None:
    for kind in KINDS:
        book = planter.FAULTS[kind](np.random.default_rng(11), demo_book, RUN[kind])
        told = [(s.kind, s.runs, s.sweep, s.travel_mm) for s in suspects(book)]
        assert len(told) == len(set(told))


@pytest.fixture(scope="module")
def long_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sixty runs at three settings of a corner that answers in a straight line, seed 4."""
    folder = tmp_path_factory.mktemp("long") / "car"
    shutil.copytree(demo_folder(), folder)
    rng, rows, readings = np.random.default_rng(4), [], []
    for n in range(60):
        above, below, height = (("3", "2+1", 0.0), ("2", "3+1", 1.0), ("2+1", "3", 0.0))[n % 3]
        rows.append(f"n{n},rear-left,,{above},{below},0,,,\n")
        for travel in (0, -40, -20, 20, 40):
            reading = travel * (0.6 - 0.17 * height) + (rng.normal(0.0, 1.0) if travel else 0)
            readings.append(f"n{n},up1,{travel},{reading:.0f}\n")
    head = (folder / "runs.csv").read_text("utf-8").splitlines(keepends=True)[:1]
    (folder / "runs.csv").write_text("".join([*head, *rows]), encoding="utf-8")
    head = (folder / "readings.csv").read_text("utf-8").splitlines(keepends=True)[:1]
    (folder / "readings.csv").write_text("".join([*head, *readings]), encoding="utf-8")
    text = (folder / "car.toml").read_text("utf-8")
    (folder / "car.toml").write_text(text.replace("as-found", "n0"), encoding="utf-8")
    return folder


def test_what_the_others_foretell_is_a_plain_update_by_each(long_book: Path) -> None:
    """Halving is only quicker: the same states as all other runs one by one, in order."""
    book = read_logbook(long_book)
    evidence = corner_evidence(book, "rear-left")
    runs = [
        told.testimony(r.name, evidence.surface_setting_of(r), book.readings_of(r.name), book.gauge)
        for r in evidence.runs[:11]
    ]
    corner = evidence.corner
    prior = ToeSurface(
        ahead=corner.ahead, end=corner.stack.end, tape=corner.tape, points=corner.points
    ).prior_state()
    for i, state in enumerate(_left_out(prior, runs)):
        plain = functools.reduce(told.updated, [*runs[:i], *runs[i + 1 :]], prior)
        for got, wanted in zip(state, plain, strict=True):
            np.testing.assert_allclose(got, wanted, rtol=1e-7, atol=1e-9 * np.abs(wanted).max())


def test_an_exchange_is_found_in_a_long_log(long_book: Path) -> None:
    """Beyond the runs that exchanges are tried among: the two that are odd are with them."""
    runs = (long_book / "runs.csv").read_text("utf-8")
    a, b = "n31,rear-left,,2,3+1", "n50,rear-left,,2+1,3"
    assert a in runs
    assert b in runs
    changed = runs.replace(a, "n31,rear-left,,2+1,3").replace(b, "n50,rear-left,,2,3+1")
    try:
        assert not suspects(read_logbook(long_book))
        (long_book / "runs.csv").write_text(changed, encoding="utf-8")
        (found, *_) = suspects(read_logbook(long_book))
    finally:
        (long_book / "runs.csv").write_text(runs, encoding="utf-8")
    assert (found.kind, found.runs) == ("runs-exchanged", ("n31", "n50"))

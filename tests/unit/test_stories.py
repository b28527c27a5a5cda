"""Stories of a slip: what each one changes, and its odds by scipy's normal."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.advise import suspects as told
from optimizer.advise import testimony as said
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.suspects import Suspect, _Inquest, _Story, suspects
from optimizer.advise.testimony import State, updated
from optimizer.model.surface import ToeSurface
from optimizer.records import Gauge, Logbook, Reading, Run
from tests.unit.densities import log_density

Array = NDArray[np.float64]

CORNER = "rear-left"
# odds of one fault in one run or pass, and of a rig askew, before any reading is looked at
RARE, ASKEW = -np.log(20.0), -np.log(10.0)


def _testimonies(book: Logbook) -> list[said.Testimony]:
    evidence = corner_evidence(book, CORNER)
    return [
        said.testimony(r.name, evidence.surface_setting_of(r), book.readings_of(r.name), book.gauge)
        for r in evidence.runs
    ]


def _prior(book: Logbook) -> State:
    corner = book.corners[CORNER]
    return ToeSurface(
        ahead=corner.ahead, end=corner.stack.end, tape=corner.tape, points=corner.points
    ).prior_state()


@pytest.fixture(scope="module")
def book(demo_book: Logbook) -> Logbook:
    """The demo with one reading of its second run off, so that no story is without weight."""
    rows = list(demo_book.readings)
    at = next(k for k, r in enumerate(rows) if r.run == "joint-up" and r.travel_mm == 25.0)
    rows[at] = replace(rows[at], value=rows[at].value + 0.3)
    return replace(demo_book, readings=tuple(rows))


@pytest.fixture(scope="module")
def runs(book: Logbook) -> list[said.Testimony]:
    return _testimonies(book)


@pytest.fixture(scope="module")
def inquest(book: Logbook, runs: list[said.Testimony]) -> _Inquest:
    return _Inquest(_prior(book), runs, book.gauge, corner_evidence(book, CORNER))


@pytest.fixture(scope="module")
def stories(inquest: _Inquest) -> list[_Story]:
    return list(inquest._all())


def _others(book: Logbook, runs: list[said.Testimony], i: int) -> State:
    state = _prior(book)
    for k, run in enumerate(runs):
        state = state if k == i else updated(state, run)
    return state


@pytest.mark.outside
@pytest.mark.parametrize("i", [0, 1, 2])
def test_what_moved_by_an_unknown_amount_is_a_wider_normal(
    book: Logbook, runs: list[said.Testimony], stories: list[_Story], i: int
) -> None:
    """0.15 deg for a reading or a pass's zero, all of it or growing; 0.12 deg at 40 mm askew."""
    run, state = runs[i], _others(book, runs, i)
    rows, n, plain = run.rows, len(run.rows.toe_deg), log_density(state, run)
    mine = [s.suspect for s in stories if s.suspect.runs == (run.name,)]
    level = [s for s in mine if s.kind == "level-not-held"]
    askew = 0.003 * rows.travel_mm
    assert [s.log_odds for s in level] == [
        pytest.approx(ASKEW + log_density(state, run, shape=askew) - plain, abs=1e-5)
    ]
    drift = [s for s in mine if s.kind == "zero-drift"]
    assert len(drift) == 2 * len(rows.sweeps)
    for k, sweep in enumerate(rows.sweeps):
        here = 0.15 * (rows.sweep == k)
        wanted = [
            RARE + log_density(state, run, shape=x) - plain for x in (here, here * rows.share)
        ]
        got = [s.log_odds for s in drift if s.sweep == sweep]
        assert got == pytest.approx(wanted, abs=1e-5)
    # the three rows that the rest foretells worst; any of n might have been the one
    one = [s for s in mine if s.kind == "one-reading"]
    assert len(one) == 3
    every = []
    for k in range(n):
        odds = (
            RARE
            - np.log(n)
            + 1.0
            + log_density(state, run, shape=0.15 * (np.arange(n) == k))
            - plain
        )
        every.append(odds)
    best = sorted(every)[-1]
    assert max(s.log_odds for s in one) == pytest.approx(best, abs=1e-5)
    for s in one:
        (at,) = [k for k in range(n) if rows.line[k] == s.line]
        assert s.log_odds == pytest.approx(every[at], abs=1e-5)
        assert (s.sweep, s.travel_mm) == (rows.sweeps[rows.sweep[at]], rows.travel_mm[at])


def test_once_taken_such_a_story_widens_its_run_alone(
    runs: list[said.Testimony], stories: list[_Story], inquest: _Inquest
) -> None:
    (askew,) = [
        s for s in stories if (s.suspect.kind, s.suspect.runs) == ("level-not-held", ("joint-up",))
    ]
    after, evidence = askew.retold()
    assert evidence is inquest.evidence
    assert [a is b for a, b in zip(after, runs, strict=True)] == [True, False, True]
    shape = 0.003 * runs[1].rows.travel_mm
    assert after[1].rows.common_deg2 == pytest.approx(
        runs[1].rows.common_deg2 + np.outer(shape, shape)
    )


@pytest.mark.outside
def test_a_run_told_the_other_way_is_weighed_as_such(
    book: Logbook, runs: list[said.Testimony], stories: list[_Story]
) -> None:
    """The dial turned: other toe; travel turned: other rows of the surface."""
    for i, run in enumerate(runs):
        state = _others(book, runs, i)
        plain = log_density(state, run)
        rows = run.rows
        for kind, dial, travel in (("dial-sign", -1.0, 1.0), ("travel-sign", 1.0, -1.0)):
            turned = replace(
                run,
                rows=replace(rows, toe_deg=dial * rows.toe_deg, travel_mm=travel * rows.travel_mm),
            )
            found = [s for s in stories if (s.suspect.kind, s.suspect.runs) == (kind, (run.name,))]
            assert [s.suspect.log_odds for s in found] == [
                pytest.approx(RARE + log_density(state, turned) - plain, abs=1e-5)
            ]
            after, _ = found[0].retold()
            got = after[i]
            assert [r.value for r in got.readings] == [dial * r.value for r in run.readings]
            assert [r.travel_mm for r in got.readings] == [
                travel * r.travel_mm for r in run.readings
            ]
            assert [a is b for a, b in zip(after, runs, strict=True)] == [k != i for k in range(3)]


@pytest.mark.outside
def test_a_pass_reversed_is_weighed_as_read_backwards(
    book: Logbook, runs: list[said.Testimony], stories: list[_Story]
) -> None:
    for i, run in enumerate(runs):
        state = _others(book, runs, i)
        plain = log_density(state, run)
        found = [
            s for s in stories if (s.suspect.kind, s.suspect.runs) == ("pass-reversed", (run.name,))
        ]
        assert {s.suspect.sweep for s in found} == set(run.rows.sweeps)
        for story in found:
            sweep = story.suspect.sweep
            values = [r.value for r in run.readings if r.sweep == sweep][::-1]
            other: list[Reading] = []
            for r in run.readings:
                other.append(replace(r, value=values.pop(0)) if r.sweep == sweep else r)
            again = said.testimony(run.name, (run.height_mm, run.change_mm), other, book.gauge)
            wanted = RARE + log_density(state, again) - plain
            assert story.suspect.log_odds == pytest.approx(wanted, abs=1e-5)
            after, _ = story.retold()
            assert after[i].readings == tuple(other)


@pytest.mark.outside
def test_rows_of_runs_csv_told_otherwise_move_settings(
    book: Logbook, runs: list[said.Testimony], stories: list[_Story]
) -> None:
    """A swap of one later run's stacks by its own density; of the reference's by the chain."""
    evidence = corner_evidence(book, CORNER)
    reference = evidence.reference

    def whole(told_: list[said.Testimony]) -> float:
        state, total = _prior(book), 0.0
        for run in told_:
            total += log_density(state, run)
            state = updated(state, run)
        return total

    kinds = ("shims-swapped", "length-sign", "runs-exchanged")
    found = {(s.suspect.kind, s.suspect.runs): s for s in stories if s.suspect.kind in kinds}
    seen: set[tuple[object, ...]] = set()
    for i, row in enumerate(evidence.runs):
        if row.above_mm != row.below_mm:
            swapped = replace(row, above_mm=row.below_mm, below_mm=row.above_mm)
            story = found["shims-swapped", (row.name,)]
            seen.add(("shims-swapped", (row.name,)))
            if row.name == reference.name:
                anew = replace(evidence, reference=swapped)
                others = [
                    run.moved(anew.setting_of(swapped if r.name == row.name else r))
                    for r, run in zip(evidence.runs, runs, strict=True)
                ]
                wanted = RARE + whole(others) - whole(runs)
            else:
                again = runs[i].moved(evidence.setting_of(swapped))
                state = _others(book, runs, i)
                wanted = RARE + log_density(state, again) - log_density(state, runs[i])
            assert story.suspect.log_odds == pytest.approx(wanted, abs=1e-4)
            after, then = story.retold()
            assert then.runs[i] == swapped
            assert (then.reference == swapped) is (row.name == reference.name)
            assert [a.name for a in after] == [r.name for r in runs]
        if row.length_change_mm and row.name != reference.name:
            turned = replace(row, length_change_mm=-row.length_change_mm)
            again = runs[i].moved(evidence.setting_of(turned))
            state = _others(book, runs, i)
            story = found["length-sign", (row.name,)]
            seen.add(("length-sign", (row.name,)))
            wanted = RARE + log_density(state, again) - log_density(state, runs[i])
            assert story.suspect.log_odds == pytest.approx(wanted, abs=1e-4)
    for i in range(3):
        for j in range(i):
            a, b = runs[j], runs[i]
            exchanged = list(runs)
            exchanged[j] = replace(b.moved((a.height_mm, a.change_mm)), name=a.name)
            exchanged[i] = replace(a.moved((b.height_mm, b.change_mm)), name=b.name)
            story = found["runs-exchanged", (a.name, b.name)]
            seen.add(("runs-exchanged", (a.name, b.name)))
            wanted = RARE + whole(exchanged) - whole(runs)
            assert story.suspect.log_odds == pytest.approx(wanted, abs=1e-4)
    assert seen == set(found)


@pytest.mark.outside
def test_every_run_turned_is_weighed_over_all(
    book: Logbook, runs: list[said.Testimony], stories: list[_Story]
) -> None:
    def whole(dial: float, travel: float) -> float:
        state, total = _prior(book), 0.0
        for run in runs:
            rows = replace(
                run.rows, toe_deg=dial * run.rows.toe_deg, travel_mm=travel * run.rows.travel_mm
            )
            turned = replace(run, rows=rows)
            total += log_density(state, turned)
            state = updated(state, turned)
        return total

    found = {s.suspect.kind: s for s in stories if not s.suspect.runs}
    assert set(found) == {"dial-sign", "travel-sign"}
    for kind, dial, travel in (("dial-sign", -1.0, 1.0), ("travel-sign", 1.0, -1.0)):
        wanted = RARE + whole(dial, travel) - whole(1.0, 1.0)
        assert found[cast(Any, kind)].suspect.log_odds == pytest.approx(wanted, abs=1e-4)
        after, _ = found[cast(Any, kind)].retold()
        for run, was in zip(after, runs, strict=True):
            assert [r.value for r in run.readings] == [dial * r.value for r in was.readings]


@pytest.mark.parametrize("factor", [25.4, 1.0 / 25.4])
def test_a_run_in_another_unit_is_told_back(demo_book: Logbook, factor: float) -> None:
    """The readings divided by what an inch has of millimetres, or times it, and its odds."""
    wrong = replace(
        demo_book,
        readings=tuple(
            replace(r, value=r.value / factor) if r.run == "joint-up" else r
            for r in demo_book.readings
        ),
    )
    runs = _testimonies(wrong)
    found = [
        s
        for s in _Inquest(_prior(wrong), runs, wrong.gauge, corner_evidence(wrong, CORNER))._all()
        if (s.suspect.kind, s.suspect.runs) == ("wrong-unit", ("joint-up",))
    ]
    assert len(found) == 1
    after, _ = found[0].retold()
    assert [r.value for r in after[1].readings] == pytest.approx(
        [r.value for r in demo_book.readings_of("joint-up")]
    )
    state, n = _others(wrong, runs, 1), len(runs[1].rows.toe_deg)
    wanted = RARE + log_density(state, after[1]) - log_density(state, runs[1]) + n * np.log(factor)
    assert found[0].suspect.log_odds == pytest.approx(wanted, abs=1e-4)
    # a gauge that reads angles has no inches
    no_span = replace(wrong.gauge, span_mm=None, kind="direct-angle", reading_sd=0.01)
    deg = replace(wrong, gauge=no_span)
    stories = _Inquest(
        _prior(deg), _testimonies(deg), deg.gauge, corner_evidence(deg, CORNER)
    )._all()
    assert not [s for s in stories if s.suspect.kind == "wrong-unit"]


def _with_values(run: said.Testimony, values: list[float]) -> said.Testimony:
    rows = tuple(replace(run.readings[0], value=v) for v in values)
    return replace(run, readings=rows)


@pytest.mark.parametrize(
    ("values", "step"),
    [
        ([0.1, 0.4, 0.7, -0.2], 0.3),
        ([0.0, 0.06, 0.15], 0.03),
        ([1.0, 1.25, 2.0, 0.0], 0.25),
        ([0.5, 0.5, 0.5], float("inf")),
        ([0.5], float("inf")),
        # under a thousandth of what the gauge is good for is no step
        ([0.0, 0.3, 0.60001], 0.3),
    ],
)
def test_the_step_of_readings_is_their_greatest_common_divisor(
    runs: list[said.Testimony], values: list[float], step: float
) -> None:
    gauge = Gauge(reading_sd=0.03, resolution=0.01)
    got = told._step(_with_values(runs[0], values), gauge)
    assert got == pytest.approx(step, abs=1e-4)


def test_a_gauge_is_good_for_its_noise_or_its_step() -> None:
    assert told._finest(Gauge(reading_sd=0.03, resolution=0.01)) == 0.03
    assert told._finest(Gauge(reading_sd=0.003, resolution=0.01)) == 0.01


def _story(kind: str, runs: tuple[str, ...], odds: float, sweep: str | None = None) -> _Story:
    suspect = Suspect(kind=cast(Any, kind), runs=runs, log_odds=odds, sweep=sweep)
    return _Story(suspect=suspect, retold=lambda: cast(Any, None))


def _likeliest(stories: list[_Story], known: set[tuple[object, ...]] | None = None) -> Any:
    inquest = _Inquest.__new__(_Inquest)
    cast(Any, inquest)._all = lambda: iter(stories)
    found = inquest.likeliest(known or set())
    return None if found is None else found.suspect


def test_the_likeliest_story_and_those_nearly_as_likely() -> None:
    """Within a log odds of 3, better than even, of the same run; each kind once."""
    a = ("a",)
    stories = [
        _story("level-not-held", a, 3.0),
        _story("dial-sign", a, 5.0),
        _story("zero-drift", a, 2.01, "up"),
        _story("zero-drift", a, 2.5, "down"),
        _story("pass-reversed", a, 1.99),
        _story("one-reading", ("b",), 4.9),
        _story("travel-sign", (), 4.5),
        _story("runs-exchanged", ("b", "a"), 2.2),
        _story("dial-sign", (), 4.0),
    ]
    best = _likeliest(stories)
    assert (best.kind, best.runs, best.log_odds) == ("dial-sign", a, 5.0)
    assert best.also == ("travel-sign", "level-not-held", "zero-drift", "runs-exchanged")
    # a story that was told already is passed over, whatever its odds
    again = _likeliest(stories, {("dial-sign", a, None, None)})
    assert (again.kind, again.runs) == ("one-reading", ("b",))
    assert again.also == ("travel-sign", "dial-sign", "runs-exchanged")
    # no better than even is no suspect, nor is one named beside the best
    assert _likeliest([_story("dial-sign", a, 0.0)]) is None
    assert _likeliest([]) is None
    low = _likeliest([_story("dial-sign", a, 0.5), _story("zero-drift", a, -0.1)])
    assert low.also == ()
    # ties by name
    tied = _likeliest([_story("travel-sign", a, 1.0), _story("dial-sign", a, 1.0)])
    assert tied.kind == "dial-sign"


def test_no_more_than_five_are_found(demo_book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """Were every story likely, five would be told, each another."""
    inquest_of = told._Inquest
    count = iter(range(100))

    class Gossip(inquest_of):  # type: ignore[misc, valid-type]
        """Always has one more."""

        def likeliest(self, known: Any) -> _Story:
            """The next."""
            n = next(count)
            assert len(known) == n
            suspect = Suspect(kind="dial-sign", runs=(f"r{n}",), log_odds=1.0)
            return _Story(suspect=suspect, retold=lambda: (self.runs, self.evidence))

    monkeypatch.setattr(told, "_Inquest", Gossip)
    found = suspects(demo_book)
    assert [s.runs for s in found] == [(f"r{n}",) for n in range(5)]
    assert {s.corner for s in found} == {CORNER}


def test_exchanges_are_tried_among_the_twelve_oddest_runs(runs: list[said.Testimony]) -> None:
    """By what is foretold of them for each row, told in the order of the log."""
    rng = np.random.default_rng(7)
    inquest = _Inquest.__new__(_Inquest)
    inquest.runs = [runs[0]] * 15
    odd = rng.permutation(15)
    inquest.logged = [float(-x * len(runs[0].rows.toe_deg)) for x in odd]
    assert inquest._oddest() == sorted(np.flatnonzero(odd >= 3).tolist())
    # a run of more rows is not odder for having them
    short = replace(runs[0], rows=replace(runs[0].rows, toe_deg=runs[0].rows.toe_deg[:5]))
    inquest.runs = [*[runs[0]] * 12, short]
    inquest.logged = [-10.0] * 12 + [-10.0 * 5 / len(runs[0].rows.toe_deg) + 0.1]
    assert inquest._oddest() == list(range(12))


def test_a_run_without_length_or_with_equal_stacks_has_no_such_slip(demo_book: Logbook) -> None:
    def kinds(book: Logbook) -> set[tuple[str, tuple[str, ...]]]:
        inquest = _Inquest(
            _prior(book), _testimonies(book), book.gauge, corner_evidence(book, CORNER)
        )
        return {(s.suspect.kind, s.suspect.runs) for s in inquest._settings()}

    def changed(name: str, **row: Any) -> Logbook:
        some: list[Run] = [replace(r, **row) if r.name == name else r for r in demo_book.runs]
        return replace(demo_book, runs=tuple(some))

    every = kinds(demo_book)
    assert ("length-sign", ("link-short",)) in every
    assert ("length-sign", ("joint-up",)) not in every
    assert ("shims-swapped", ("joint-up",)) in every
    even = kinds(changed("joint-up", above_mm=(3.0,), below_mm=(3.0,)))
    assert ("shims-swapped", ("joint-up",)) not in even
    # the reference's own length is what all others are counted from: no slip of it shows
    moved = kinds(changed("as-found", length_change_mm=1.0))
    assert ("length-sign", ("as-found",)) not in moved
    # runs at one setting have nothing to exchange
    first = demo_book.runs[0]
    alike = kinds(changed("joint-up", above_mm=first.above_mm, below_mm=first.below_mm))
    assert ("runs-exchanged", ("as-found", "joint-up")) in every
    assert ("runs-exchanged", ("as-found", "joint-up")) not in alike

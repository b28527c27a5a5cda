"""The driver of mutants tells killed, too slow, alive and untested apart."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytest.importorskip("cosmic_ray")
sys.path.insert(0, str(Path(__file__).resolve().parent))

import run

TEXT = '''"""Sums."""
from __future__ import annotations

LIMIT = 3


def grown(value: int | None, *, by: int = 1) -> int:
    """More."""
    if value is None or value < LIMIT:
        return by
    return value + by
'''


def test_annotations_shifts_and_identity_are_left_out_and_the_rest_is_placed() -> None:
    found, left = run.mutants({"optimizer/measure/sums.py": TEXT})
    # of `int | None` eleven each, of the bare star eleven
    assert left["annotations"] == 11
    assert left["the bare star of a signature"] == 11
    assert left["arithmetic into shifts and bits"] == 5
    assert left["equality into identity"] == 2
    lines = {m.operator: (sorted(m.lines), m.name, m.top) for m in found}
    assert lines["ReplaceBinaryOperator_Add_Sub"] == ([11], None, False)
    assert lines["ReplaceOrWithAnd"] == ([9], None, False)
    # a constant belongs to what uses it, a default to whatever runs the body
    numbers = {m.start[0]: m for m in found if m.operator == "NumberReplacer"}
    assert (numbers[4].name, numbers[4].top) == ("LIMIT", True)
    assert (sorted(numbers[7].lines), numbers[7].top) == ([8, 9, 10, 11], False)


def test_as_many_places_as_asked_are_drawn_and_each_change_compiles() -> None:
    file = "optimizer/measure/sums.py"
    found, left = run.mutants({file: TEXT})
    chosen = list(run.drawn(found, {file: TEXT}, 4, 1, left))
    assert len({m.start for m, _ in chosen}) == 4
    again = list(run.drawn(found, {file: TEXT}, 4, 1, left))
    assert chosen == again
    assert [m for m, _ in run.drawn(found, {file: TEXT}, 4, 2, left)] != [m for m, _ in chosen]
    assert all(new != TEXT for _, new in chosen)


@pytest.mark.slow
def test_three_mutants_of_one_module_meet_their_fates(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = run._copy(tmp_path / "copy")
    tests = ["tests/unit/test_measure.py"]
    held = run.record(copy, tests, tmp_path / "record")
    file = "optimizer/measure/gauge.py"
    sources = {file: (copy / file).read_text(encoding="utf-8")}
    pool, _ = run.mutants(sources)
    half = next(
        m
        for m in pool
        if m.operator == "ReplaceBinaryOperator_Mul_Div"
        and "gauge.rising * np.asarray" in sources[file].splitlines()[m.start[0] - 1]
    )
    known = held.of(half, sources)
    assert len(known) > 5

    def fate(new: str, tests: list[str] = known) -> run.Fate:
        return run._fate(copy, half, new, sources[file], tests, held, 5.0)

    changed = run.changed(half, sources[file])
    assert changed is not None
    right = "value = gauge.rising * np.asarray(reading, float)"
    assert right in sources[file]
    wrong = fate(sources[file].replace(right, right.replace("*", "* 1.01 *")))
    assert wrong.how == "killed"
    assert wrong.by.startswith("tests/unit/test_measure.py::")
    # rising is +1 or -1: to divide by it is the same
    assert fate(changed.replace("gauge.rising / np", "gauge.rising * np")).how == "survived"
    monkeypatch.setattr(run, "PATIENCE_S", 0.0)
    monkeypatch.setattr(run, "SLOWER", 0.0)
    assert fate(sources[file].replace(right, f"while True: pass\n    {right}")).how == "timed out"
    assert fate(changed, []).how == "no test"
    # the copy is as it was
    assert (copy / file).read_text(encoding="utf-8") == sources[file]

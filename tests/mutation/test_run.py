"""The driver of mutants tells killed, too slow, alive and untested apart."""

from __future__ import annotations

import json
import subprocess
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


def fates_of_three(folder: Path) -> dict[str, dict[str, str]]:
    """A wrong figure, one that is the same, one that never ends, and one that nothing tests."""
    copy = run._copy(folder / "copy")
    tests = ["tests/unit/test_measure.py"]
    held = run.record(copy, tests, folder / "record")
    file = "optimizer/measure/gauge.py"
    text = (copy / file).read_text(encoding="utf-8")
    right = "value = gauge.rising * np.asarray(reading, float)"
    line = next(i for i, said in enumerate(text.splitlines(), 1) if right in said)
    pool, _ = run.mutants({file: text})
    spot = next(m for m in pool if m.start[0] == line)
    known = held.of(spot, {file: text})

    def met(new: str, tests: list[str]) -> dict[str, str]:
        fate = run._fate(copy, spot, new, text, tests, held, 5.0)
        return {"how": fate.how, "by": fate.by}

    told = {
        "wrong": met(text.replace(right, right.replace("*", "* 1.01 *")), known),
        # rising is plus or minus one: to divide by it is the same
        "same": met(text.replace(right, right.replace("gauge.", "1.0 / gauge.")), known),
        "bare": met(text.replace(right, right.replace("*", "* 1.01 *")), []),
    }
    run.PATIENCE_S = run.SLOWER = 1.0
    told["endless"] = met(text.replace(right, f"while True: pass\n    {right}"), known)
    assert (copy / file).read_text(encoding="utf-8") == text
    return told


@pytest.mark.slow
def test_three_mutants_of_one_module_meet_their_fates(tmp_path: Path) -> None:
    # in a process of its own: a fork of this one would have the package loaded already
    done = subprocess.run(
        [sys.executable, __file__, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert {name: fate["how"] for name, fate in told.items()} == {
        "wrong": "killed",
        "same": "survived",
        "bare": "no test",
        "endless": "timed out",
    }
    assert told["wrong"]["by"].startswith("tests/unit/test_measure.py::")


if __name__ == "__main__":
    sys.stdout.write(json.dumps(fates_of_three(Path(sys.argv[1]))))

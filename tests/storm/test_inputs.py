"""The storm of inputs, the same few hundred each time; the long one is run.py."""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.storm import fuzz, judge, mutations

STEADY = settings(
    derandomize=True, deadline=None, database=None,
    phases=(Phase.explicit, Phase.generate, Phase.shrink),
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow,
                           HealthCheck.data_too_large, HealthCheck.large_base_example],
)  # fmt: skip


class _Drawn:
    """Draws that Hypothesis makes, and shrinks where one fails."""

    def __init__(self, data: st.DataObject) -> None:
        self._data = data

    def whole(self, low: int, high: int) -> int:
        """A whole number from ``low`` to ``high``."""
        return self._data.draw(st.integers(low, high))


@pytest.fixture(scope="module")
def bases(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ...]:
    """Good logbooks to spoil."""
    return mutations.make_bases(tmp_path_factory.mktemp("bases") / "bases")


@pytest.mark.parametrize("kind", mutations.KINDS)
def test_every_command_answers_or_says_why_not(
    kind: str, bases: tuple[Path, ...], tmp_path: Path
) -> None:
    @given(st.data())
    @settings(STEADY, max_examples=25 if kind in mutations.FAST else 4)
    def weather(data: st.DataObject) -> None:
        room = tmp_path / "room"
        shutil.rmtree(room, ignore_errors=True)
        played = judge.play(room, *mutations.prepare(_Drawn(data), bases, room, kind))
        assert not played.complaints, played

    weather()


def test_good_logbooks_are_answered(bases: tuple[Path, ...], tmp_path: Path) -> None:
    """Unspoilt, every command has its answer: the storm begins at something that works."""

    class Least:
        def whole(self, low: int, high: int) -> int:
            return low

    class Most:
        def whole(self, low: int, high: int) -> int:
            return high

    answered = set()
    for kind in mutations.KINDS:
        for base in bases:
            room = tmp_path / f"{kind} {base.name}"
            shutil.copytree(base, room, symlinks=True)
            plain = kind.startswith(("import", "sheet"))
            words, typed = mutations.call_of(Most() if plain else Least(), kind)
            if kind == "enter":
                words, typed = ["enter", ".", "--travels", "-40,0,40", *_corner(base)], b"\n\n"
            played = judge.play(room, words, typed)
            assert not played.complaints, played
            if played.code == 0:
                answered.add(kind)
            if len(answered & {kind}):
                break
    assert set(mutations.KINDS) - answered == {"import"}  # in a pipe it shows, and writes nothing


def _corner(base: Path) -> list[str]:
    return ["--corner", "rear-left"] if base.name in ("axle", "kinds") else []


# each thing that a storm or the fuzzer found once, as small as it could be made
FOUND: dict[str, tuple[str, str, list[str], int]] = {
    "all weight at ride height": (
        "car.toml", 'weight = "ride-height"\nweight_sd = 1e-9\n', ["next", "."], 3,
    ),
    "a mark beyond the stars": (
        "runs.csv", "run4,rear-left,,2,3+1,0,-9e300,0.07,\n", ["check", ".", "--repeats"], 3,
    ),
    "a log that stands still": ("travel.csv", "travel_mm\n0\n0\n",
                                ["next", ".", "--goal", "weight=logged"], 2),
}  # fmt: skip


@pytest.mark.parametrize("name", FOUND)
def test_what_a_storm_found(name: str, demo_copy: Path) -> None:
    """The failures of old, each refused or answered now."""
    file, text, words, code = FOUND[name]
    with (demo_copy / file).open("a", encoding="utf-8") as out:
        out.write(text)
    played = judge.play(demo_copy, words)
    assert not played.complaints
    assert played.code == code, played


@pytest.mark.parametrize("words", [["enter", ".", "--travels", "-40,0,40"],
                                   ["new", "made", "--units", "mm", "--span", "300", "--rising",
                                    "toe-in", "--link", "behind", "--above", "3", "--below", "1",
                                    "--table", "-"]], ids=["enter", "new"])  # fmt: skip
def test_what_is_typed_in_another_encoding_is_refused(words: list[str], demo_copy: Path) -> None:
    """A pipe of Latin-1 text: its letters cannot be told, so nothing is written."""
    before = judge.snapshot(demo_copy)
    played = judge.play(demo_copy, words, "n\xe9 1 2\n".encode("latin-1"))
    assert played.code == 2
    assert not played.complaints
    assert "not UTF-8" in played.err
    assert judge.snapshot(demo_copy) == before


def test_a_name_that_is_no_text_is_refused(demo_copy: Path) -> None:
    """Bytes of the command line that are not UTF-8 come in as half letters."""
    played = judge.play(demo_copy, ["next", ".", "--until", "r\udcff"])
    assert (played.code, played.complaints) == (2, ())
    assert "not UTF-8" in played.err


def test_the_judge_finds_fault(demo_copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each kind of bad end, made on purpose, is seen."""
    import optimizer.logbook

    def ends_with(what: str) -> str:
        def read(*_: object, **__: object) -> None:
            if what == "crash":
                raise ZeroDivisionError("made")
            if what == "warning":
                import warnings

                warnings.warn("made", stacklevel=1)
            if what == "slow":
                while True:
                    pass
            if what == "nan":
                print("nan deg")
            if what == "raw":
                print("\x1b[2J")
            if what == "code":
                sys.exit(77)
            if what == "no remedy":
                sys.exit(3)
            if what == "wrote":
                (demo_copy / "new.txt").write_text("x", encoding="utf-8")
            sys.exit(0)

        monkeypatch.setattr(optimizer.logbook, "read_logbook", read)
        return " ".join(judge.play(demo_copy, ["check", "."], seconds=0.5).complaints)

    for what, said in (
        ("crash", "ZeroDivisionError"), ("warning", "UserWarning"), ("slow", "took over"),
        ("nan", "'nan' on"), ("raw", "raw '\\x1b'"), ("code", "77"), ("no remedy", "remedy"),
        ("wrote", "new.txt was written"), ("nothing", ""),
    ):  # fmt: skip
        found = ends_with(what)
        assert said in found if said else not found, (what, found)


def test_fuzzing_is_an_extra_of_its_own() -> None:
    """Nobody who only tests or races is asked for it, nor a machine without its wheels."""
    root = Path(fuzz.__file__).resolve().parents[2]
    extras = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))
    extras = extras["project"]["optional-dependencies"]
    (asked,) = extras["fuzz"]
    assert re.match(r"atheris\S*; .*python_version", asked)
    assert not [
        one for name in extras if name != "fuzz" for one in extras[name] if "atheris" in one
    ]


@pytest.mark.slow
def test_the_fuzzer_finds_nothing_in_ten_seconds(tmp_path: Path) -> None:
    if importlib.util.find_spec("atheris") is None:
        pytest.skip("atheris is not installed: the extra `fuzz`, on Linux with CPython to 3.13")
    script = Path(fuzz.__file__)
    done = subprocess.run(
        [sys.executable, str(script), "--seconds", "10", "--keep", str(tmp_path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr[-2000:]
    tried = re.search(r"inputs tried (\d+)", done.stdout)
    assert tried
    assert int(tried[1]) >= 100

"""Records behave as the standard library's frozen dataclasses do."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

import pytest

from optimizer.record import record


@record
class Ours:
    size: float
    names: tuple[str, ...] = field(default_factory=tuple)


@dataclass(frozen=True, kw_only=True)
class Theirs:
    size: float
    names: tuple[str, ...] = field(default_factory=tuple)


def test_equal_hashed_and_told_as_theirs() -> None:
    ours, theirs = Ours(size=1.0, names=("a",)), Theirs(size=1.0, names=("a",))
    assert repr(ours) == repr(theirs).replace("Theirs", "Ours")
    assert hash(ours) == hash(theirs)
    assert ours == Ours(size=1.0, names=("a",))
    assert ours != replace(ours, size=2.0)
    other: object = theirs
    assert ours != other
    assert Ours(size=1.0).names == ()
    assert [f.name for f in fields(Ours)] == [f.name for f in fields(Theirs)]


def test_fields_are_named_and_all_given() -> None:
    with pytest.raises(TypeError):
        Ours(1.0)  # type: ignore[call-arg]
    with pytest.raises(TypeError):
        Ours()  # type: ignore[call-arg]
    with pytest.raises(TypeError):
        replace(Ours(size=1.0), weight=2.0)  # type: ignore[call-arg]


def test_what_is_lacking_or_unknown_is_named() -> None:
    with pytest.raises(TypeError, match=r"^Ours lacks size$"):
        Ours(names=())  # type: ignore[call-arg]
    with pytest.raises(TypeError, match=r"^Ours has no weight$"):
        Ours(size=1.0, weight=2.0)  # type: ignore[call-arg]
    with pytest.raises(TypeError, match=r"^Ours lacks size and has no weight$"):
        Ours(weight=2.0)  # type: ignore[call-arg]


@record
class Checked(Ours):
    least: float = 0.0

    def __post_init__(self) -> None:
        if self.size < self.least:
            raise ValueError(f"{self.size} under {self.least}")


def test_one_that_grows_out_of_another_has_its_fields_and_its_check() -> None:
    one = Checked(size=2.0, least=1.0)
    assert (one.size, one.least, one.names) == (2.0, 1.0, ())
    assert [f.name for f in fields(Checked)] == ["size", "names", "least"]
    assert one != Ours(size=2.0)
    with pytest.raises(ValueError, match="under"):
        replace(one, size=0.5)


def test_every_one_has_a_default_of_its_own() -> None:
    @record
    class Lists:
        held: list[int] = field(default_factory=list)

    one, other = Lists(), Lists()
    one.held.append(1)
    assert other.held == []
    assert replace(one).held is one.held


def _sets(one: Ours) -> None:
    one.size = 2.0  # type: ignore[misc]


def test_setting_a_field_is_a_fault_of_types() -> None:
    """Nothing stops it while running; the ignore above is unused if mypy lets it pass."""
    one = Ours(size=1.0)
    _sets(one)
    assert one.size == 2.0

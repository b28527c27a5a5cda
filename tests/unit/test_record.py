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


def _sets(one: Ours) -> None:
    one.size = 2.0  # type: ignore[misc]


def test_setting_a_field_is_a_fault_of_types() -> None:
    """Nothing stops it while running; the ignore above is unused if mypy lets it pass."""
    one = Ours(size=1.0)
    _sets(one)
    assert one.size == 2.0

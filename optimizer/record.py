"""``record``: a frozen record that costs little to define.

A frozen ``dataclass`` writes and compiles half a dozen methods for every class when its
module loads. With the sixty classes on the way to ``check`` that was two thirds of the
start-up of our own. Here only ``__init__`` is made for each class and the rest is shared.
That nothing is set after ``__init__`` is held by the type checker, not while it runs.
``dataclasses.replace`` and ``fields`` work as with any dataclass.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=(field,))
def record(cls: type[T]) -> type[T]:
    """Make a class a record: named fields only, equal and hashed by them."""
    made = dataclass(kw_only=True, repr=False, eq=False, match_args=False)(cls)
    for method in (_repr, _eq, _hash):
        setattr(made, f"_{method.__name__}__", method)
    return made


def _values(self: Any) -> tuple[Any, ...]:
    return tuple([getattr(self, name) for name in self.__dataclass_fields__])


def _repr(self: Any) -> str:
    told = (f"{name}={getattr(self, name)!r}" for name in self.__dataclass_fields__)
    return f"{type(self).__qualname__}({', '.join(told)})"


def _eq(self: Any, other: object) -> Any:
    if type(other) is not type(self):
        return NotImplemented
    return _values(self) == _values(other)


def _hash(self: Any) -> int:
    return hash(_values(self))

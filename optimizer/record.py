"""``record``: a frozen record that costs little to define.

A frozen ``dataclass`` writes and compiles half a dozen methods for every class when its
module loads. With the ninety classes on the way to ``next`` that was two thirds of the
start-up of our own. Here nothing is compiled: every method is shared, ``__init__`` but for
the names and defaults it knows. That nothing is set after ``__init__`` is held by the type
checker, not while it runs. ``dataclasses.replace`` and ``fields`` work as with any dataclass.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, dataclass, field, fields
from typing import Any, NoReturn, TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=(field,))
def record(cls: type[T]) -> type[T]:
    """Make a class a record: named fields only, equal and hashed by them."""
    made = dataclass(init=False, kw_only=True, repr=False, eq=False, match_args=False)(cls)
    for name, method in (("init", _init_of(made)), ("repr", _repr), ("eq", _eq), ("hash", _hash)):
        setattr(made, f"__{name}__", method)
    return made


def _init_of(cls: type) -> Callable[..., None]:
    every = fields(cls)
    names = frozenset(f.name for f in every)
    defaults = {f.name: f.default for f in every if f.default is not MISSING}
    factories = [(f.name, f.default_factory) for f in every if f.default_factory is not MISSING]
    checked = hasattr(cls, "__post_init__")

    def init(self: Any, **given: Any) -> None:
        held = self.__dict__
        held.update(defaults)
        held.update(given)
        for name, make in factories:
            if name not in given:
                held[name] = make()
        if held.keys() != names:
            _refuse(cls.__qualname__, names, held)
        if checked:
            self.__post_init__()

    return init


def _refuse(cls: str, names: frozenset[str], held: dict[str, Any]) -> NoReturn:
    lacking, unknown = sorted(names - held.keys()), sorted(held.keys() - names)
    told = [f"lacks {', '.join(lacking)}"] if lacking else []
    told += [f"has no {', '.join(unknown)}"] if unknown else []
    raise TypeError(f"{cls} {' and '.join(told)}")


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

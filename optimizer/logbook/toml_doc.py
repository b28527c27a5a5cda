"""TOML with places: where each key and each value of car.toml stands."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping

from optimizer.logbook.faults import Faults, Place, Source
from optimizer.record import record

KeyPath = tuple[str, ...]

_GAP = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BLANKS = re.compile(r"[ \t]*")
_KEY = re.compile(r"[A-Za-z0-9_-]+|\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}'
    r"|'''.*?'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}#\n]*")
MOST_PARTS = 20  # of a dotted key; the time to read one grows with their cube
_PART = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*"""
_DEEP = re.compile(rf"(?<![A-Za-z0-9_-])(?:{_PART}){{{MOST_PARTS}}}")
_AT = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_REMEDIES = (
    (r"[“”„«»‘’]", 'put text in straight double quotes: `"text"`'),
    (r"=\s*[-+]?\d+,\d", "write a decimal point, not a comma"),
    (r"=\s*[-+]?[\d.]+\s*[A-Za-z]", "write the number alone; units stand in [units]"),
    (r"=\s*[A-Za-z]", 'put text in double quotes: `"text"`'),
    (r"=\s*(?:#|$)", "write a value behind `=`, or put `#` before the line"),
    (r"^[^=#\[]+$", "write `key = value`, or put `#` before a note"),
)


@record
class KeyPlace:
    """Where a key stands, and its value."""

    key: Place
    value: Place | None = None


@record
class TomlDoc:
    """A TOML file that parsed: its source, its data and where each key stands."""

    source: Source
    data: Mapping[str, object]
    places: Mapping[KeyPath, KeyPlace]

    def key_place(self, path: KeyPath) -> Place:
        """Where a key or a table's header stands; the whole file when it is not written."""
        return self.places[path].key if path in self.places else Place()

    def value_place(self, path: KeyPath) -> Place:
        """Where a value stands, its key when that is unknown."""
        found = self.places.get(path)
        return (found.value or found.key) if found else Place()


def read_toml(source: Source, faults: Faults) -> TomlDoc | None:
    """Parse TOML; a fault at the line and column, and None, where it is not valid."""
    if deep := _DEEP.search(source.text):
        line = source.text.count("\n", 0, deep.start()) + 1
        column = deep.start() - source.text.rfind("\n", 0, deep.start())
        found = f"a key has more than {MOST_PARTS} parts"
        faults.add("L201", source, Place(line, column), found, "take it out: no table is so deep")
        return None
    try:
        data = tomllib.loads(source.text)
        return TomlDoc(source=source, data=data, places=_Locator(source.text).places())
    except (ValueError, RecursionError) as error:
        text = str(error)
    at = _AT.search(text)
    last = max(1, len(source.text.rstrip().split("\n")))
    line = int(at[1]) if at and at[1] else last
    column = int(at[2]) if at and at[2] else len(source.line(line)) + 1
    found = _AT.sub("", text) or "not valid TOML"
    remedy = next(
        (say for pattern, say in _REMEDIES if re.search(pattern, source.line(line))),
        "mend the line, or put `#` before it; every quote and bracket needs its partner",
    )
    faults.add("L201", source, Place(line, column), f"not valid TOML: {found}", remedy)
    return None


class _Locator:
    """Walks TOML that is known to be valid and notes where keys and values stand."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._pos = 0
        self._starts = [0, *(m.end() for m in re.finditer("\n", text))]
        self._places: dict[KeyPath, KeyPlace] = {}

    def places(self) -> dict[KeyPath, KeyPlace]:
        table: KeyPath = ()
        self._skip(_GAP)
        while self._pos < len(self._text):
            if self._text[self._pos] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_GAP)
        return self._places

    def _skip(self, pattern: re.Pattern[str]) -> tuple[int, int]:
        match = pattern.match(self._text, self._pos)
        start = self._pos
        self._pos = match.end() if match else self._pos + 1
        return start, self._pos

    def _place(self, start: int, end: int) -> Place:
        line = bisect_right(self._starts, start)
        stop = self._text.find("\n", start, end)
        width = (end if stop < 0 else stop) - start
        return Place(line, start - self._starts[line - 1] + 1, max(1, width))

    def _header(self) -> KeyPath:
        self._pos += 2 if self._text.startswith("[[", self._pos) else 1
        path = self._dotted(())
        self._pos = self._text.index("]", self._pos) + 1
        if self._text.startswith("]", self._pos):
            self._pos += 1
        return path

    def _dotted(self, base: KeyPath) -> KeyPath:
        """Read ``a.b.c``; each part is noted where it stands for the first time."""
        path = base
        while True:
            self._skip(_BLANKS)
            start, end = self._skip(_KEY)
            raw = self._text[start:end]
            name = str(tomllib.loads(f"k = {raw}")["k"]) if raw[0] in "\"'" else raw
            path = (*path, name)
            self._places.setdefault(path, KeyPlace(key=self._place(start, end)))
            self._skip(_BLANKS)
            if not self._text.startswith(".", self._pos):
                return path
            self._pos += 1

    def _pair(self, base: KeyPath) -> None:
        path = self._dotted(base)
        self._pos += 1
        self._skip(_BLANKS)
        start = self._pos
        self._value(path)
        end = start + len(self._text[start : self._pos].rstrip())
        self._places[path] = KeyPlace(
            key=self._places[path].key, value=self._place(start, max(end, start + 1))
        )

    def _value(self, path: KeyPath) -> None:
        first = self._text[self._pos : self._pos + 1]
        if first in ('"', "'"):
            self._skip(_STRING)
        elif first in ("[", "{"):
            self._pos += 1
            self._inside(path, "]" if first == "[" else "}")
        else:
            self._skip(_SCALAR)

    def _inside(self, path: KeyPath, closing: str) -> None:
        while True:
            self._skip(_GAP)
            here = self._text[self._pos : self._pos + 1]
            if here in (closing, ""):
                self._pos += 1
                return
            if here == ",":
                self._pos += 1
            elif closing == "}":
                self._pair(path)
            else:
                self._value(())

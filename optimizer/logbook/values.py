"""Numbers, units and shim stacks as crews type them."""

from __future__ import annotations

import math
import re

from optimizer.errors import CallError
from optimizer.logbook.faults import BadValueError, listing, nearest, quoted
from optimizer.records import Units
from optimizer.units import DEG_PER_UNIT, MM_PER_UNIT, from_mm, is_angle, is_length, to_mm

THICKEST_SHIM_MM = 30.0
MOST_SHIMS = 60

UNIT_CHOICES: dict[str, tuple[str, ...]] = {
    "travel": ("mm", "cm", "in"),
    "reading": ("mm", "in", "thou", "deg", "min"),
    "length": ("mm", "in"),
    "toe": ("deg", "min"),
}

_UNIT_WORDS = {
    "millimetre": "mm",
    "millimetres": "mm",
    "millimeters": "mm",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "″": "in",
    "thousandths": "thou",
    "mil": "thou",
    "degree": "deg",
    "degrees": "deg",
    "°": "deg",
    "minute": "min",
    "minutes": "min",
    "'": "min",
    "′": "min",
}
_DIGITS = r"(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)"
_NUMBER = re.compile(rf"[+-]?{_DIGITS}(?:[eE][+-]?[0-9]+)?")
_NUMBER_AND_WORD = re.compile(rf"([+-]?{_DIGITS})\s*(\S+)")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
_POINT_THOUSANDS = re.compile(r"([-+\u2212\u2013]?[1-9][0-9]{0,2})\.([0-9]{3})")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity)", re.IGNORECASE)
_SHIM = re.compile(rf"(?:([0-9]+)\s*[xX×*]\s*)?([+-]?{_DIGITS})")
_GROUPING = str.maketrans("", "", "\u00a0\u2009\u202f\u2007\u200b\ufeff")
_MINUS = str.maketrans({"\u2212": "-", "\u2013": "-"})


def unit_meant(word: str) -> str | None:
    """Return the unit that a word such as ``inches`` stands for, or None."""
    low = word.strip().casefold()
    if low in MM_PER_UNIT or low in DEG_PER_UNIT:
        return low
    return _UNIT_WORDS.get(low)


def read_number(text: str, *, comma_separates: bool = False) -> float:
    """Read a number with a decimal point or comma; BadValueError where it is none.

    ``comma_separates`` says that commas part the cells of this file, so that
    three digits behind a comma may be thousands.
    """
    plain = text.translate(_GROUPING).translate(_MINUS).strip()
    if _NOT_FINITE.fullmatch(plain):
        raise _not_finite(text)
    if _NUMBER.fullmatch(plain):
        if comma_separates and _THOUSANDS.fullmatch(plain):
            whole, part = plain.split(",")
            raise BadValueError(
                "L311",
                f"{quoted(text)} can be {whole}.{part} or {whole}{part}",
                f"write `{whole}.{part}` or `{whole}{part}`",
            )
        value = float(plain.replace(",", "."))
        if not math.isfinite(value):
            raise _not_finite(text)
        return value
    raise _no_number(text, plain)


class Numbers:
    """Reads the numbers of one table, whose cells ``separator`` parts.

    Where other cells have a decimal comma, a point before three digits may be one of thousands.
    """

    def __init__(self, text: str, separator: str) -> None:
        self._text, self._separator = text, separator
        self._commas: bool | None = None  # not looked for

    def read(self, text: str) -> float:
        """Read a number; BadValueError where it is none or can be two."""
        value = read_number(text, comma_separates=self._separator == ",")
        either = _POINT_THOUSANDS.fullmatch(text.strip()) if "." in text else None
        if either is not None and self._decimal_commas():
            whole, part = either.groups()
            raise BadValueError(
                "L311",
                f"{quoted(text)} can be {whole},{part} or {whole}{part}: other numbers here have "
                "a decimal comma",
                f"write `{whole},{part}` or `{whole}{part}`",
            )
        return value

    def _decimal_commas(self) -> bool:
        if self._commas is None:
            end = "\\s" if self._separator == " " else f"[{self._separator}\n]"
            cell = rf"(?:^|{end})[ \t]*[-+\u2212\u2013]?[0-9]+,[0-9]+[ \t]*(?:{end}|$)"
            self._commas = self._separator != "," and bool(re.search(cell, self._text))
        return self._commas


def _not_finite(text: str) -> BadValueError:
    found = f"{quoted(text)} is not a finite number"
    return BadValueError("L310", found, "write the value, or delete the row")


def _no_number(text: str, plain: str) -> BadValueError:
    with_word = _NUMBER_AND_WORD.fullmatch(plain)
    if with_word and unit_meant(with_word[2]):
        return BadValueError(
            "L312",
            f"{quoted(text)} holds a unit",
            f"write `{with_word[1]}` alone; the unit stands in the header or under [units]",
        )
    if re.fullmatch(r"[+-]?[0-9]+(?:[.,][0-9]+)+", plain):
        return BadValueError(
            "L311",
            f"{quoted(text)} has more than one point or comma",
            "write one decimal point and nothing between the thousands",
        )
    found = f"{quoted(text)} is not a number" if text.strip() else "no number is written"
    return BadValueError("L309", found, "write a number such as `-12.5`")


def read_stack(text: str, unit: str | None) -> tuple[float, ...]:
    """Read a stack such as ``3+1`` or ``2x1+0.5``, top to bottom, in millimetres.

    ``0``, ``-`` and nothing at all mean no shims. With ``unit`` None the values
    stay as typed and their size is not judged. BadValueError where it is no stack.
    """
    plain = text.translate(_MINUS)
    if plain.strip() in ("", "-"):
        return ()
    shims: list[float] = []
    start = 0
    for part in plain.split("+"):
        offset = start + len(part) - len(part.lstrip())
        start += len(part) + 1
        shims.extend(_read_shims(part.strip(), offset, unit))
        if len(shims) > MOST_SHIMS:
            raise BadValueError(
                "L406",
                f"{quoted(text)} is more than {MOST_SHIMS} shims",
                "count the shims again; `2x1` means two shims of 1",
            )
    return tuple(shims)


def _read_shims(part: str, offset: int, unit: str | None) -> list[float]:
    """One term of a stack, its shims without those of no thickness."""

    def bad(code: str, found: str, remedy: str) -> BadValueError:
        at = offset if part else max(0, offset - 1)  # an empty term: at its plus sign
        return BadValueError(code, found, remedy, offset=at, width=max(1, len(part)))

    match = _SHIM.fullmatch(part)
    if match is None:
        try:
            read_number(part)
        except BadValueError as other:
            if other.code in ("L310", "L312"):
                raise bad(other.code, other.found, other.remedy) from None
        raise bad(
            "L404",
            f"{quoted(part)} is no shim" if part else "a `+` has no shim beside it",
            "write thicknesses from the top, such as `3+1` or `2x1+0.5`, and `0` for none",
        )
    thickness = float(match[2].replace(",", "."))
    if thickness < 0.0:
        raise bad("L405", f"a shim of {quoted(match[2])} is below zero", "write its thickness")
    count = int(match[1][:4]) if match[1] else 1
    if count > MOST_SHIMS:
        raise bad("L406", f"{count} shims are absurd", "write the count first: `2x1` is two of 1")
    thickness_mm = thickness if unit is None else to_mm(thickness, unit)
    if unit is not None and thickness_mm > THICKEST_SHIM_MM:
        raise bad(
            "L406",
            f"a shim of {match[2]} {unit} is over {THICKEST_SHIM_MM:g} mm thick",
            "mend the thickness, or the unit in the header or under [units]",
        )
    return [thickness_mm] * count if thickness > 0.0 else []


def parse_stack(text: str, unit: str) -> tuple[float, ...]:
    """Read a shim stack in the notation of the logbook.

    Parameters
    ----------
    text : thicknesses from the top, such as ``3+1`` or ``2x1+0.5``; ``0``, ``-``
        or nothing for no shims
    unit : length unit of the thicknesses

    Returns
    -------
    Thicknesses from the top [mm], shape (n_shim,).

    Raises
    ------
    CallError : the text is no stack, a shim is below zero or absurd, or the unit
        is not a length
    """
    if not is_length(unit):
        raise CallError(f"{quoted(unit)} is not a length unit", f"use {listing(MM_PER_UNIT)}")
    try:
        return read_stack(text, unit)
    except BadValueError as bad:
        raise CallError(f"shims {quoted(text)}: {bad.found}", bad.remedy) from None


def parse_length(text: str, unit: str) -> float:
    """Read a length, with or without a unit behind it.

    Parameters
    ----------
    text : such as ``300``, ``16,5`` or ``300 mm``
    unit : length unit of a bare number, and of what is returned

    Returns
    -------
    The length in ``unit``.

    Raises
    ------
    CallError : the text is no finite number, or what follows it is no length unit
    """
    plain = text.translate(_GROUPING).translate(_MINUS).strip()
    with_word = _NUMBER_AND_WORD.fullmatch(plain)
    own = unit_meant(with_word[2]) if with_word else None
    try:
        if with_word and own is not None and is_length(own):
            value = read_number(with_word[1])
            return value if own == unit else round(from_mm(to_mm(value, own), unit), 6)
        return read_number(plain)
    except BadValueError as bad:
        raise CallError(bad.found, f"write the number alone, in {unit}, such as `300`") from None


def write_stack(shims: tuple[float, ...]) -> str:
    """Write thicknesses in the notation of the logbook, equal neighbours together.

    Parameters
    ----------
    shims : thicknesses from the top, shape (n_shim,), any one unit

    Returns
    -------
    Text such as ``2x1+0.5``; ``0`` for no shims.
    """
    groups: list[tuple[str, int]] = []
    for shim in shims:
        size = f"{shim:.6g}"
        if groups and groups[-1][0] == size:
            groups[-1] = (size, groups[-1][1] + 1)
        else:
            groups.append((size, 1))
    return "+".join(size if n == 1 else f"{n}x{size}" for size, n in groups) or "0"


def write_number(value: float) -> str:
    """A number as a file shows it: whole ones without a point, no digit lost."""
    value = float(value)
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)


def parse_units(answer: str) -> Units:
    """Read the answer to the one question about units.

    Parameters
    ----------
    answer : ``mm`` or ``in`` for everything, or the units of reading, travel and
        length in that order, such as ``thou,mm,mm`` or ``deg/mm/mm``

    Returns
    -------
    Units; toe is in minutes where the readings are, else in degrees.

    Raises
    ------
    CallError : a unit is unknown, not allowed there, or left in doubt
    """
    words = [word for word in re.split(r"[,;/\s]+", answer.strip().casefold()) if word]
    words = [unit_meant(word) or word for word in words]
    if words in (["mm"], ["in"]):
        return Units(travel=words[0], reading=words[0], length=words[0])
    both = "`mm` or `in` if all are the same, or reading, travel and length: `thou,mm,mm`"
    if len(words) == 1 and words[0] in UNIT_CHOICES["reading"]:
        word = words[0]
        raise CallError(
            f"units {quoted(answer)} leave travel and length in doubt",
            f"say all three, reading, travel, length: `{word},mm,mm` or `{word},in,in`",
        )
    if len(words) != 3:
        raise CallError(f"units {quoted(answer)} are not understood", f"say {both}")
    for what, word in zip(("reading", "travel", "length"), words, strict=True):
        if word not in UNIT_CHOICES[what]:
            allowed = UNIT_CHOICES[what]
            near = unit_meant(word) or nearest(word, allowed)
            hint = f"write `{near}`" if near in allowed else f"use {listing(allowed)}"
            raise CallError(f"{quoted(word)} is no unit of {what}", f"{hint}; say {both}")
    reading, travel, length = words
    return Units(
        travel=travel,
        reading=reading,
        length=length,
        toe=reading if is_angle(reading) else "deg",
    )

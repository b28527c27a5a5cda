"""Figures as the crew says them: its own units and signs, no digit finer than a hand can set."""

from __future__ import annotations

import shlex
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from optimizer.measure.curve import RIDE_HEIGHT_MM
from optimizer.measure.gauge import range_needed, reading_from_toe
from optimizer.record import record
from optimizer.records import Corner, Gauge, Logbook, Run, Signs, Units
from optimizer.units import from_deg, from_mm

DECIMALS = {"mm": 1, "cm": 2, "in": 2, "thou": 0, "deg": 2, "min": 0}
DIAL_DECIMALS = {"mm": 2, "cm": 3, "in": 3, "thou": 0, "deg": 2, "min": 0}
# read by eye, so one digit less than a dial; neither can be set to zero
ROUGH_KINDS = ("toe-plate", "spot")
SHIM_DECIMALS = 6  # 1/64 of an inch ends there: no rounding on the halfway mark
TRAVEL_DECIMALS = {"mm": 1, "cm": 2, "in": 2}


@record
class Crew:
    """How one crew reads and writes figures.

    ``zeroed`` says that the gauge shows nothing at ride height, where a change from there
    and the figure shown are the same.
    """

    units: Units
    signs: Signs
    gauge: Gauge
    zeroed: bool = True

    @classmethod
    def of(cls, book: Logbook) -> Crew:
        """The crew of a logbook; its gauge was zeroed if every pass so far begins with nought."""
        first: dict[tuple[str, str], float] = {}
        for r in book.readings:
            if abs(r.travel_mm) < RIDE_HEIGHT_MM:
                first.setdefault((r.run, r.sweep), r.value)
        zeroed = book.gauge.kind not in ROUGH_KINDS and not any(first.values())
        return cls(units=book.units, signs=book.signs, gauge=book.gauge, zeroed=zeroed)

    def dial_value(self, toe_deg: float) -> float:
        """What the gauge shows for a toe change, in the crew's reading unit and sign."""
        shown = float(reading_from_toe(self.gauge, toe_deg))
        if self.gauge.kind == "direct-angle":
            return from_deg(shown, self.units.reading) * self.signs.toe
        return from_mm(shown, self.units.reading)

    @property
    def shown_name(self) -> str:
        """What the gauge's figure is called in a sentence."""
        if self.gauge.reads_two:
            return "front less rear"
        return "the spot" if self.gauge.kind == "spot" else "the dial"

    @property
    def shown_place(self) -> str:
        """Where a figure of the gauge is seen."""
        if self.gauge.reads_two:
            return "of front less rear"
        return "on the board" if self.gauge.kind == "spot" else "on the dial"

    @property
    def dial_decimals(self) -> int:
        """Digits behind the point that the gauge is worth."""
        digits = DIAL_DECIMALS[self.units.reading]
        return max(digits - 1, 0) if self.gauge.kind in ROUGH_KINDS else digits

    def range_short(self, toe_deg: NDArray[np.float64]) -> tuple[str, str] | None:
        """The gauge's range and what these toe changes need of it, where it has too little."""
        full = self.gauge.full_range
        need = range_needed(self.gauge, toe_deg)
        if full is None or need <= full:
            return None
        unit, digits = self.units.reading, self.dial_decimals
        off = from_deg if self.gauge.kind == "direct-angle" else from_mm
        return f"{_plain(off(full, unit), digits)} {unit}", f"{off(need, unit):.{digits}f}"

    def dial(self, toe_deg: float) -> str:
        """:meth:`dial_value` as a signed figure."""
        return _signed(self.dial_value(toe_deg), self.dial_decimals)

    def dial_span(self, toe_deg: float) -> str:
        """An unsigned amount in the reading unit, never shown smaller than one step."""
        digits = self.dial_decimals
        return f"{max(abs(self.dial_value(toe_deg)), 10.0**-digits):.{digits}f}"

    def dial_move(self, toe_deg: float) -> str:
        """:meth:`dial`, or "under" one step where it is smaller than that."""
        digits = self.dial_decimals
        step = 10.0**-digits
        if abs(self.dial_value(toe_deg)) < step / 2.0:
            return f"under {step:.{digits}f}"
        return self.dial(toe_deg)

    def dial_fine(self, toe_deg: float) -> str:
        """An unsigned amount in the reading unit with one digit more, for noise."""
        return f"{abs(self.dial_value(toe_deg)):.{self.dial_decimals + 1}f}"

    def travel(self, travel_mm: float) -> str:
        """A travel in words, so that no sign can be mistaken."""
        amount = _plain(
            abs(from_mm(travel_mm, self.units.travel)), TRAVEL_DECIMALS[self.units.travel]
        )
        if float(amount) == 0.0:
            return "ride height"
        return f"{amount} {'bump' if travel_mm > 0 else 'droop'}"

    def toe(self, toe_deg: float) -> str:
        """A toe in words: amount and toe-in or toe-out."""
        amount = self.amount(toe_deg)
        way = "toe-in" if toe_deg > 0 else "toe-out"
        return f"{amount} {way}"

    def toe_value(self, toe_deg: float) -> str:
        """A toe as the crew writes it, signed, without its unit."""
        value = from_deg(toe_deg, self.units.toe) * self.signs.toe
        return _signed(value, DECIMALS[self.units.toe])

    def amount(self, toe_deg: float) -> str:
        """An unsigned toe with its unit."""
        value = abs(from_deg(toe_deg, self.units.toe))
        digits = DECIMALS[self.units.toe] - (1 if value >= 1.0 and self.units.toe == "deg" else 0)
        return f"{value:.{digits}f} {self.units.toe}"

    def score(self, toe_deg: float) -> str:
        """A score or an error without its unit: one digit more where it is small."""
        value = abs(from_deg(toe_deg, self.units.toe))
        digits = DECIMALS[self.units.toe]
        return f"{value:.{digits + 1 if value < 10.0 ** (1 - digits) else digits}f}"

    def length(self, length_mm: float) -> str:
        """An unsigned length with its unit, as fine as a hand can set."""
        return f"{self.length_value(length_mm)} {self.units.length}"

    def length_value(self, length_mm: float) -> str:
        """An unsigned length without its unit."""
        digits = {"mm": 2, "in": 3}.get(self.units.length, 2)
        return _plain(abs(from_mm(length_mm, self.units.length)), digits)

    def rough_length(self, length_mm: float) -> str:
        """An unsigned length with its unit, for what is set against a scale."""
        digits = DECIMALS[self.units.length]
        shown = max(abs(from_mm(length_mm, self.units.length)), 10.0**-digits)
        return f"{shown:.{digits}f} {self.units.length}"

    def moved(self, length_mm: float) -> str:
        """A way from now without its unit, signed: longer and inboard plus."""
        if abs(length_mm) < 0.05:
            return "0"
        return f"{'+' if length_mm > 0 else '-'}{self.rough_length(length_mm).split()[0]}"

    def stack(self, stack_mm: tuple[float, ...]) -> str:
        """A stack top to bottom, as the logbook writes it; "none" when empty."""
        if not stack_mm:
            return "none"
        sizes = [_plain(from_mm(t, self.units.length), SHIM_DECIMALS) for t in stack_mm]
        out = []
        for size, same in groupby(sizes):
            count = len(list(same))
            out += [f"{count}x{size}"] if count > 2 else [size] * count
        return "+".join(out)

    def setting(self, run: Run) -> str:
        """A run's setting in one phrase."""
        change = run.length_change_mm
        length = "link as reference"
        if change:
            length = f"link {self.length(change)} {'longer' if change > 0 else 'shorter'}"
        return f"{self.stack(run.above_mm)} over {self.stack(run.below_mm)}, {length}"


def chance_in_words(chance: float) -> str:
    """A chance as so many in a hundred, never certain."""
    if chance > 0.99:
        return "better than 99 in 100"
    if chance < 0.01:
        return "less than 1 in 100"
    return f"about {round(100 * chance)} in 100"


def corner_flag(book: Logbook, corner: str) -> str:
    """What the next command needs to find one corner of several."""
    return f" --corner {shlex.quote(corner)}" if len(book.corners) > 1 else ""


def left_out_words(names: tuple[str, ...]) -> str:
    """What was left out of the answer because the crew asked for it."""
    return f"left out at your word: {', '.join(names)}"


def corner_title(corner: Corner, n_run: int) -> str:
    """Heading of a corner's screen."""
    return f"{corner.name}, after {n_run} {'run' if n_run == 1 else 'runs'}"


def spread_of_travels(travel_mm: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> list[float]:
    """Five travels to show: the ends, halfway, and ride height."""
    travel = np.sort(np.append(travel_mm[travel_mm != 0.0], 0.0))
    low, high = float(travel[0]), float(travel[-1])
    wanted = (low, low / 2.0, 0.0, high / 2.0, high)
    picked = {float(travel[np.argmin(np.abs(travel - w))]) for w in wanted}
    return sorted(picked)


def _plain(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _signed(value: float, decimals: int, *, plus: bool = True) -> str:
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        return f"{0:.{decimals}f}"
    if not plus:
        return _plain(value, decimals)
    return f"{value:+.{decimals}f}"

"""Shim stacks: which joint heights the shims on hand can make."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from optimizer.errors import NothingCanBeMadeError
from optimizer.record import record
from optimizer.records import Run, Stack

TOTAL_TOLERANCE_MM = 0.05
GRAIN_PER_MM = 1000
# thicknesses typed to five decimals of an inch are off by a tenth of a grain: heights nearer
# to each other than this are one
GRAIN_MM = 1.0 / GRAIN_PER_MM
MOST_SHIMS = 12


@record
class Split:
    """A stack above and below the joint, thickest next to nothing: top to bottom.

    ``height_mm`` is the joint height from the reference setting.
    """

    above_mm: tuple[float, ...]
    below_mm: tuple[float, ...]
    height_mm: float

    @property
    def n_shim(self) -> int:
        """Shims in both stacks together."""
        return len(self.above_mm) + len(self.below_mm)


def joint_height_mm(run: Run, reference: Run, stack: Stack) -> float:
    """Joint height of a run from the reference setting, up plus.

    Clevis and arm below the joint: the change of thickness below; arm above: minus
    the change above.
    """
    if stack.face == "arm-above":
        return sum(reference.above_mm) - sum(run.above_mm)
    return sum(run.below_mm) - sum(reference.below_mm)


def split_of(run: Run, reference: Run, stack: Stack) -> Split:
    """The split a run stands at."""
    return Split(
        above_mm=run.above_mm,
        below_mm=run.below_mm,
        height_mm=joint_height_mm(run, reference, stack),
    )


def possible_splits(stack: Stack, now: Run, reference: Run) -> tuple[Split, ...]:
    """Every joint height the shims on hand can make with the stack's total kept.

    One split a height, with the fewest shims and then the thickest; by height.
    The box is what the crew says it owns, or the shims on the car.

    Raises
    ------
    NothingCanBeMadeError
        If not even the present total can be stacked.
    """
    on_car = now.above_mm + now.below_mm
    typed = stack.box_mm or on_car
    box = Counter(in_grains(typed))
    total = sum(in_grains(on_car))
    most = most_in(stack, on_car)
    tolerance = round(TOTAL_TOLERANCE_MM * GRAIN_PER_MM)
    best: dict[int, tuple[tuple[int, ...], tuple[int, ...]]] = {}
    for (below, above), stacks in _stackings(box, total + tolerance, most).items():
        if abs(above + below - total) > tolerance:
            continue
        key = above if stack.face == "arm-above" else below
        kept = best.get(key)
        if kept is None or _rank(stacks, above + below - total) < _rank(
            kept, sum(kept[0]) + sum(kept[1]) - total
        ):
            best[key] = stacks
    if not best:
        raise NothingCanBeMadeError(
            "the shims on hand cannot make the stack's total"
            + (f" with most_shims = {stack.most_shims}" if stack.most_shims else ""),
            "list every shim of this joint in shims, those on the car included"
            + (", or allow more of them" if stack.most_shims else ""),
        )
    splits = [
        Split(
            above_mm=in_millimetres(above, typed),
            below_mm=in_millimetres(below, typed),
            height_mm=_height(above, below, reference, stack),
        )
        for below, above in best.values()
    ]
    return tuple(sorted(splits, key=lambda s: s.height_mm))


def _stackings(
    box: Counter[int], most_total: int, most_shims: int
) -> dict[tuple[int, int], tuple[tuple[int, ...], tuple[int, ...]]]:
    """Fewest-shim stacks for each pair (below, above) of thicknesses, in grains."""
    states: dict[tuple[int, int], tuple[tuple[int, ...], tuple[int, ...]]] = {(0, 0): ((), ())}
    for size in sorted(box, reverse=True):
        grown = dict(states)
        for (below, above), (b, a) in states.items():
            for i in range(box[size] + 1):
                for j in range(box[size] + 1 - i):
                    key = (below + i * size, above + j * size)
                    if i + j == 0 or sum(key) > most_total or len(b) + len(a) + i + j > most_shims:
                        continue
                    stacks = (b + (size,) * i, a + (size,) * j)
                    kept = grown.get(key)
                    if kept is None or _rank(stacks, 0) < _rank(kept, 0):
                        grown[key] = stacks
        states = grown
    return states


def _rank(stacks: tuple[tuple[int, ...], tuple[int, ...]], off: int) -> tuple[object, ...]:
    below, above = stacks
    return (abs(off), len(below) + len(above), tuple(-x for x in below), tuple(-x for x in above))


def _height(above: Sequence[int], below: Sequence[int], reference: Run, stack: Stack) -> float:
    if stack.face == "arm-above":
        return sum(reference.above_mm) - sum(above) / GRAIN_PER_MM
    return sum(below) / GRAIN_PER_MM - sum(reference.below_mm)


def most_in(stack: Stack, on_car_mm: Sequence[float]) -> int:
    """Shims that may stand in both stacks together; never fewer than stand there unless stated."""
    return stack.most_shims or max(MOST_SHIMS, len(on_car_mm))


def in_grains(stack_mm: Sequence[float]) -> list[int]:
    """Thicknesses as whole grains, which can be compared and counted.

    Half a grain, such as a sixteenth of an inch ends in, goes up whatever its last bit says.
    """
    return [round(t * GRAIN_PER_MM + 1e-6) for t in stack_mm]


def in_millimetres(stack: Sequence[int], typed_mm: Sequence[float] = ()) -> tuple[float, ...]:
    """The reverse of :func:`in_grains`, each shim as thick as it was typed where it was.

    A sixteenth of an inch is 1587.5 grains: as 1.588 mm it would be told as another shim.
    """
    as_typed = dict(zip(in_grains(typed_mm), map(float, typed_mm), strict=True))
    return tuple(as_typed.get(t, t / GRAIN_PER_MM) for t in stack)

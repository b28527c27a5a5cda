"""Wishes beside the figure that is made small: requirements, each with a chance, in order.

A requirement is a band that toe change must keep to at some travels. Its chance at a
setting is that of the true curve keeping to it at all of them. For the whole field the
chance at the worst travel bounds it from above and the sum of what is missed at each from
below; where those two do not tell, the surface's draws do. The field is narrowed wish by
wish: settings that are sure enough stay, or, where none is, those next to the surest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Spot, WishChance
from optimizer.advise.goal import Target
from optimizer.advise.settings import Settings
from optimizer.advise.table import Table
from optimizer.model.basis import (
    N_COEFFICIENT,
    N_POWER,
    N_SETTING_TERM,
    setting_terms,
    travel_terms,
)
from optimizer.model.field import CurveField
from optimizer.record import record
from optimizer.records import Goal, WishKind

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

# Four times in five, a choice: a wish missed costs a run, not a wheel, and each run makes it
# surer by itself. On 40 invented corners after one run a setting so sure was there for 0.75,
# 0.38 and 0.58 of them (never toe-out, most change, toe at a travel); at 0.95, 0.73, 0.25, 0.48.
SURE = 0.8
# Chances this near each other are one: draws tell them apart no better than that.
NEAR = 0.05
# Toe-out that counts as none: less than one reading of any gauge here can show.
SLACK_DEG = 0.005
DEFAULT_ORDER: tuple[WishKind, ...] = (
    "never-toe-out",
    "toe-at-travel",
    "most-change",
    "least-change",
)
N_FIELD_NODE = 11
N_BY_DRAWS = 20_000
N_SUREST = 2_000
CHUNK = 40_000
DRAW_CHUNK = 200


@record
class Requirement:
    """Toe change at ``travel_mm`` must lie from ``low_deg`` to ``high_deg``; (n_node,)."""

    kind: WishKind
    travel_mm: Array
    low_deg: float
    high_deg: float


def requirements_of(goal: Goal, target: Target) -> tuple[WishKind | Requirement, ...]:
    """The wishes of a goal in the order that counts; least change only where it is not last."""
    node = target.travel_mm
    said: dict[WishKind, Requirement | WishKind] = {"least-change": "least-change"}
    if goal.never_toe_out is not None:
        sides = {"droop": node < 0.0, "bump": node > 0.0, "both": node != 0.0}
        said["never-toe-out"] = Requirement(
            kind="never-toe-out",
            travel_mm=node[sides[goal.never_toe_out]],
            low_deg=-SLACK_DEG,
            high_deg=np.inf,
        )
    if goal.kind == "toe-at-travel" and goal.tolerance_deg and goal.toe_change_deg is not None:
        said["toe-at-travel"] = Requirement(
            kind="toe-at-travel",
            travel_mm=np.array([goal.at_travel_mm], dtype=float),
            low_deg=goal.toe_change_deg - goal.tolerance_deg,
            high_deg=goal.toe_change_deg + goal.tolerance_deg,
        )
    if goal.most_change_deg is not None:
        most = goal.most_change_deg
        said["most-change"] = Requirement(
            kind="most-change", travel_mm=node, low_deg=-most, high_deg=most
        )
    ordered = [*goal.order, *(k for k in DEFAULT_ORDER if k not in goal.order)]
    out = [said[k] for k in ordered if k in said]
    while out and out[-1] == "least-change":
        out.pop()
    return tuple(out)


class Wishes:
    """A goal's wishes on one corner: what of the field they leave, and how sure each is."""

    def __init__(self, table: Table, field: Settings, expected: Array) -> None:
        self._table = table
        self._steps = requirements_of(table.goal, table.target)
        self._tests: list[Callable[[Array, Array], Mask]] = []
        self.bars: list[float] = []  # the chance asked for, wish by wish; 0 where none has one
        self.kept: Index = np.arange(len(field.height))
        for step in self._steps:
            height, change = field.height[self.kept], field.change[self.kept]
            if isinstance(step, Requirement):
                mask = self._narrow(step, height, change, expected[self.kept])
            else:
                mask = self._narrow_by_score(expected[self.kept])
            self.kept = self.kept[mask]

    @property
    def any(self) -> bool:
        """Whether there is a wish beside the figure that is made small."""
        return bool(self._steps)

    def left(self, field: Settings) -> Settings:
        """The settings that the wishes leave; the same field where there are none."""
        if not self.any:
            return field
        return Settings(
            splits=field.splits,
            which=field.which[self.kept],
            height=field.height[self.kept],
            change=field.change[self.kept],
            n_ruled_out=field.n_ruled_out,
        )

    def allows(self, spot: Spot) -> bool:
        """Whether a setting, measured or not, does as well by each wish as what is left."""
        height, change = np.array([spot.height_mm]), np.array([spot.length_change_mm])
        return all(bool(test(height, change)[0]) for test in self._tests)

    def best_of(self, spots: list[Spot]) -> list[int]:
        """Of settings that may all break a wish, those that do best by them, in order."""
        left = np.arange(len(spots))
        for step in self._steps:
            if isinstance(step, Requirement):
                sure = np.array([self.chance(step, spots[i]) for i in left])
                left = left[sure >= min(SURE, float(sure.max()) - NEAR)]
        return [int(i) for i in left]

    def chance(self, wish: Requirement, spot: Spot) -> float:
        """Share of the surface's draws whose curve keeps to a wish, all its travels looked at."""
        height, change = self._table.on_surface(spot)
        return float(_chance_by_draws(self._table.draws, wish, wish.travel_mm, height, change)[0])

    def told(self, now: Spot, after: Spot, held: Spot) -> tuple[WishChance, ...]:
        """How sure each wish is now, after the move and at the best measured setting."""
        return tuple(
            WishChance(
                kind=step.kind,
                now=self.chance(step, now),
                after=self.chance(step, after),
                best_measured=self.chance(step, held),
            )
            for step in self._steps
            if isinstance(step, Requirement)
        )

    def _narrow(self, wish: Requirement, height: Array, change: Array, score: Array) -> Mask:
        """Settings sure enough of a wish; else those near the surest; else the nearest to it."""
        look = _Look(self._table, wish)
        low, high = look.bounds(height, change)

        def at_least(bar: float) -> Mask:
            mask = low >= bar
            open_ = np.flatnonzero(~mask & (high >= bar))
            if len(open_) > N_BY_DRAWS:
                open_ = open_[np.argsort(score[open_], kind="stable")[:N_BY_DRAWS]]
            mask[open_] = look.by_draws(height[open_], change[open_]) >= bar
            return mask

        bar = SURE
        mask = at_least(bar)
        if not np.any(mask):
            few = min(N_SUREST, len(high))
            top = np.argpartition(-high, few - 1)[:few]
            drawn = look.by_draws(height[top], change[top])
            bar = min(SURE, float(drawn.max()) - NEAR)
            if bar > 0.0:
                mask = at_least(bar)
                mask[top] |= drawn >= bar  # draws may pass what the bound allows: never none
        self.bars.append(max(bar, 0.0))
        if bar <= 0.0:
            return self._narrow_by_miss(look, height, change)

        def test(h: Array, d: Array) -> Mask:
            return np.asarray((look.bounds(h, d)[0] >= bar) | (look.by_draws(h, d) >= bar))

        self._tests.append(test)
        return mask

    def _narrow_by_miss(self, look: _Look, height: Array, change: Array) -> Mask:
        """No setting has a chance worth the name: those whose mean curve comes nearest."""
        miss = look.miss_deg(height, change)
        bar = float(miss.min()) + self._table.goal.worthwhile_deg

        def test(h: Array, d: Array) -> Mask:
            return np.asarray(look.miss_deg(h, d) <= bar)

        self._tests.append(test)
        return np.asarray(miss <= bar)

    def _narrow_by_score(self, score: Array) -> Mask:
        """Least change before another wish: settings within what is worth a run of the best."""
        bar = float(score.min()) + self._table.goal.worthwhile_deg

        def test(h: Array, d: Array) -> Mask:
            return np.asarray(self._table.ranks_at(h, d) <= bar)

        self._tests.append(test)
        return np.asarray(score <= bar)


class _Look:
    """One wish looked at over many settings, at a few of its travels."""

    def __init__(self, table: Table, wish: Requirement) -> None:
        self._wish = wish
        self._travel = _few_travels(wish)
        self._draws = table.draws
        self._field = CurveField(table.surface, self._travel)
        self._on_surface = table.surface_height

    def bounds(self, height: Array, change: Array) -> tuple[Array, Array]:
        """Bounds of the joint chance from the chance at each travel, both (n_setting,)."""
        height = self._on_surface(height, change)
        low, high = np.empty(len(height)), np.empty(len(height))
        for start in range(0, len(height), CHUNK):
            part = slice(start, start + CHUNK)
            mean, variance = self._field.mean_and_variance(height[part], change[part])
            sd = np.sqrt(variance) + 1e-12
            inside = 1.0 - normal_tail((mean - self._wish.low_deg) / sd)
            if np.isfinite(self._wish.high_deg):
                inside -= normal_tail((self._wish.high_deg - mean) / sd)
            low[part] = 1.0 - np.sum(1.0 - inside, axis=1)
            high[part] = inside.min(axis=1)
        return low, high

    def by_draws(self, height: Array, change: Array) -> Array:
        """The joint chance by the surface's draws, (n_setting,)."""
        height = self._on_surface(height, change)
        return _chance_by_draws(self._draws, self._wish, self._travel, height, change)

    def miss_deg(self, height: Array, change: Array) -> Array:
        """How far the mean curve is off the wish where it is worst, (n_setting,)."""
        mean = self._field.mean_deg(self._on_surface(height, change), change)
        off = np.maximum(self._wish.low_deg - mean, mean - self._wish.high_deg)
        return np.asarray(np.maximum(off, 0.0).max(axis=1))


def draw_misses_deg(draws: Array, wish: Requirement, height_mm: Array, change_mm: Array) -> Array:
    """How far each draw's curve is off a wish where it is worst, (n_draw, n_setting); 0 if kept.

    ``height_mm`` is joint height as the surface takes it; looked at in a few of the travels.
    """
    travel = _few_travels(wish)
    out = np.empty((len(draws), len(height_mm)))
    for part, toe in _toe_by_draws(draws, travel, height_mm, change_mm):
        off = wish.low_deg - toe.min(axis=1)
        if np.isfinite(wish.high_deg):
            off = np.maximum(off, toe.max(axis=1) - wish.high_deg)
        out[:, part] = np.maximum(off, 0.0).T
    return out


def _few_travels(wish: Requirement) -> Array:
    n = len(wish.travel_mm)
    few = np.unique(np.linspace(0, n - 1, min(n, N_FIELD_NODE)).round().astype(np.intp))
    return wish.travel_mm[few]


def _chance_by_draws(
    draws: Array, wish: Requirement, travel_mm: Array, height: Array, change: Array
) -> Array:
    out = np.empty(len(height))
    for part, toe in _toe_by_draws(draws, travel_mm, height, change):
        kept = toe.min(axis=1) >= wish.low_deg
        if np.isfinite(wish.high_deg):
            kept &= toe.max(axis=1) <= wish.high_deg
        out[part] = kept.mean(axis=1)
    return out


def _toe_by_draws(
    draws: Array, travel_mm: Array, height: Array, change: Array
) -> Iterator[tuple[slice, Array]]:
    """Toe (n_part, n_travel, n_draw) of each draw, some settings at a time."""
    by_term = draws[:, :N_COEFFICIENT].reshape(len(draws), N_SETTING_TERM, N_POWER)
    at_travel = np.einsum("dmk,rk->mrd", by_term, travel_terms(travel_mm))
    flat = at_travel.reshape(N_SETTING_TERM, -1)
    for start in range(0, len(height), DRAW_CHUNK):
        part = slice(start, start + DRAW_CHUNK)
        toe = setting_terms(height[part], change[part]) @ flat
        yield part, toe.reshape(-1, len(travel_mm), len(draws))


def normal_tail(z: Array) -> Array:
    """Chance that a standard normal lies above ``z``, to 1e-7; any shape.

    Abramowitz and Stegun 1964, formula 26.2.17 (from memory; checked against scipy).
    """
    t = 1.0 / (1.0 + 0.2316419 * np.abs(z))
    series = t * (
        0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429)))
    )
    upper = np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi) * series
    return np.asarray(np.where(z >= 0.0, upper, 1.0 - upper))

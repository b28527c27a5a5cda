"""Two corners of an axle as a pair: which settings both can make, and what the pair does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Move, Spot, WishChance
from optimizer.advise.eccentric import BAND_SD, Band, shortest_band
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.link_body import length_limits_mm, step_mm
from optimizer.advise.lookahead import TURNING_SHARE
from optimizer.advise.makeable import limits_of, reports, settings_of
from optimizer.advise.next_move import advise
from optimizer.advise.room import Limit
from optimizer.advise.settings import Settings
from optimizer.advise.table import SAME_HEIGHT_MM, SAME_LENGTH_MM, Table, same_setting
from optimizer.advise.wishes import Wishes
from optimizer.record import record
from optimizer.records import Axle, Logbook
from optimizer.units import DEG

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Pair = tuple[Spot, Spot]

# travel up on one wheel and down on the other, where no track turns roll into travel
OPPOSITE_MM = 10.0
SCORE_GRAIN_DEG = 1e-3


@record
class RollSteer:
    """Steer of an axle as the body rolls; plus is into the turn that rolls it.

    Attributes
    ----------
    per_deg : mean steer of the two wheels for each degree of roll, degrees; None without
        a track
    opposite_deg : the same for 10 mm of bump on one wheel and of droop on the other
    travel_mm : each wheel's travel at one degree of roll
    """

    per_deg: Band | None
    opposite_deg: Band
    travel_mm: float | None


@record
class PairFigures:
    """What the two wheels do at one pair of settings; arrays have shape (n_travel,).

    Attributes
    ----------
    travel_mm : ride height among them
    left_deg, right_deg : toe change of each wheel, toe-in plus
    left_half_deg, right_half_deg : half the width of their 90 % bands
    half_deg : the same of the sum and of the difference of the two
    roll : steer as the body rolls
    score_deg : root of the mean of both wheels' squared scores
    left_score_deg, right_score_deg : of each wheel
    """

    travel_mm: Array
    left_deg: Array
    right_deg: Array
    left_half_deg: Array
    right_half_deg: Array
    half_deg: Array
    roll: RollSteer
    score_deg: Band
    left_score_deg: Band
    right_score_deg: Band

    @property
    def difference_deg(self) -> Array:
        """Left less right."""
        return np.asarray(self.left_deg - self.right_deg)

    @property
    def total_deg(self) -> Array:
        """Toe change of the pair when both wheels move alike, toe-in plus."""
        return np.asarray(self.left_deg + self.right_deg)

    @property
    def heave_steer_deg(self) -> Array:
        """Mean steer of the two wheels when both move alike, to the left plus (ISO 8855)."""
        return np.asarray(-self.difference_deg / 2.0)


@record
class PairAnswer:
    """One way to set both corners: the work on each side and what the pair then does."""

    left: Move
    right: Move
    left_limits: tuple[Limit, ...]
    right_limits: tuple[Limit, ...]
    left_wishes: tuple[WishChance, ...]
    right_wishes: tuple[WishChance, ...]
    figures: PairFigures


def pair_settings(left: Settings, right: Settings, apart_mm: float) -> tuple[Index, Index]:
    """Indices of the settings that both sides can make, (n_pair,) into each side's own.

    Heights agree within half a tenth, lengths within ``apart_mm``: where the two threads
    stop at different places, each side's nearest counts as the same.
    """
    first: list[Index] = []
    second: list[Index] = []
    for height in np.unique(left.height):
        mine = np.flatnonzero(left.height == height)
        near = np.abs(right.height - height)
        if near.min() >= SAME_HEIGHT_MM:
            continue
        theirs = np.flatnonzero(near == near.min())
        one = _nearest(left.change[mine], right.change[theirs])
        other = _nearest(right.change[theirs], left.change[mine])
        first += [mine, mine[other]]
        second += [theirs[one], theirs]
    if not first:
        none = np.zeros(0, dtype=np.intp)
        return none, none
    both = np.unique(np.stack([np.concatenate(first), np.concatenate(second)], axis=1), axis=0)
    keep = np.abs(left.change[both[:, 0]] - right.change[both[:, 1]]) <= apart_mm + 1e-9
    return both[keep, 0], both[keep, 1]


def roll_steer(
    left: tuple[Array, Array], right: tuple[Array, Array], roll_deg: float = 1.0
) -> Band:
    """Mean steer of the two wheels, degrees per degree of roll, with its 90 % band.

    On ISO 8855's axes roll is plus to the right (the left side of the body rises), as in a
    turn to the left, and steer is plus to the left. So the left wheel droops by w and the
    right one is in bump by w; toe-in turns the left wheel to the right and the right wheel
    to the left: steer = (toe right(+w) - toe left(-w)) / 2. Averaged over both ways of
    rolling, what the two wheels have in common when both move alike drops out:

        steer = [toe L(w) - toe L(-w) + toe R(w) - toe R(-w)] / 4

    Plus is into the turn. Toe-in in bump steers either axle into it.

    Parameters
    ----------
    left, right : for each wheel the mean (2,) and covariance (2, 2) of its toe change in
        degrees, at -w and +w; the two wheels are independent
    roll_deg : the roll that makes w of travel
    """
    row = np.array([-1.0, 1.0]) / (4.0 * roll_deg)
    value = sum(float(row @ mean) for mean, _ in (left, right))
    half = BAND_SD * float(np.sqrt(sum(float(row @ cov @ row) for _, cov in (left, right))))
    return Band(value=value, low=value - half, high=value + half)


def wheel_travel_mm(track_mm: float, roll_deg: float = 1.0) -> float:
    """Travel of each wheel, up on one and down on the other, as the body rolls."""
    return track_mm / 2.0 * float(np.tan(roll_deg / DEG))


class Side:
    """One corner with its surface and what can be made there."""

    def __init__(self, book: Logbook, name: str) -> None:
        self.advice = advise(book, name)
        evidence = corner_evidence(book, name)
        self.table = Table(evidence, evidence.corner.goal)
        self.hard = limits_of(self.table)
        every = settings_of(self.table, self.hard)
        expected = self.table.expected(every)
        self.wishes = Wishes(self.table, every, expected)
        self.every, self.expected_of_every = every, expected
        self.field, self.expected = self.wishes.left(every), expected[self.wishes.kept]
        self.corner = evidence.corner

    def forgo_wishes(self) -> None:
        """Take every setting that can be made, not only what the wishes leave."""
        self.field, self.expected = self.every, self.expected_of_every

    def told(self, spot: Spot) -> tuple[WishChance, ...]:
        """How sure each wish is now and at a setting."""
        table = self.table
        return self.wishes.told(table.now, spot, table.measured[table.best_measured])

    @property
    def follows(self) -> bool:
        """Whether the length follows the height, since nothing else holds static toe."""
        return self.corner.eccentric.kind == "none" and self.corner.thread.kind != "fixed"

    def limits(self, move: Move) -> tuple[Limit, ...]:
        """Limits of a move, as for one corner."""
        return reports(self.table, self.hard, move.spot)

    def curve(self, spot: Spot, travel_mm: Array) -> tuple[Array, Array]:
        """Mean and covariance of a setting's toe change."""
        height = float(self.table.on_surface(spot)[0][0])
        return self.table.surface.curve(height, spot.length_change_mm, travel_mm)

    def work(self, index: Index) -> Array:
        """Shims, millimetres turned and millimetres moved of settings, (3, n_setting)."""
        field, now = self.field, self.table.now
        shims = np.array([s.n_shim for s in field.splits], float)[field.which[index]]
        turned = np.abs(field.change[index] - now.length_change_mm)
        moved = np.abs(field.height[index] - now.height_mm)
        return np.asarray(np.round([shims, turned, moved], 4))


class Both:
    """Two sides, and what can be said of any pair of their settings."""

    def __init__(self, axle: Axle, left: Side, right: Side) -> None:
        self.axle, self.left, self.right = axle, left, right
        self.as_wished = True  # False once what the wishes leave had no common setting

    def answer(self, pair: Pair) -> PairAnswer:
        """A pair of settings as work and as what it does."""
        left, right = self.left.table.move(pair[0]), self.right.table.move(pair[1])
        return PairAnswer(
            left=left,
            right=right,
            left_limits=self.left.limits(left),
            right_limits=self.right.limits(right),
            left_wishes=self.left.told(pair[0]),
            right_wishes=self.right.told(pair[1]),
            figures=self._figures(pair),
        )

    def stand_alike(self) -> bool:
        """Whether both sides stand at one setting."""
        return same_setting(self.left.table.now, self.right.table.now)

    def alike(self) -> Pair | None:
        """The setting both can share that is best for both together; None if there is none.

        Best by the sum of both corners' mean squares; ties go to the fewest shims and the
        least work, and the links are left alone where that is as good, as for one corner.
        """
        left, right = self.left, self.right
        if same_setting(left.advice.best_guess, right.advice.best_guess):
            # each is its own side's best, so nothing that both can share is better
            return self._level(left.advice.best_guess, right.advice.best_guess)
        steps = [step_mm(s.corner.thread) or 0.0 for s in (left, right)]
        apart = max(SAME_LENGTH_MM, max(steps) / 2.0)
        # a length that follows the height is the same on both sides by the mean of the two
        apart = np.inf if left.follows and right.follows else apart
        i, j = pair_settings(left.field, right.field, apart)
        if not len(i) and (left.wishes.any or right.wishes.any):
            self.as_wished = False
            for side in (left, right):
                side.forgo_wishes()
            i, j = pair_settings(left.field, right.field, apart)
        if not len(i):
            return None
        score = np.sqrt((left.expected[i] ** 2 + right.expected[j] ** 2) / 2.0)
        shims, turned, moved = left.work(i) + right.work(j)
        field = left.field
        order = np.lexsort(
            (
                field.change[i] + right.field.change[j],
                field.height[i],
                moved,
                turned,
                shims,
                np.round(score / SCORE_GRAIN_DEG),
            )
        )
        best = self._pair(i[order[0]], j[order[0]])
        alone = order[turned[order] < SAME_LENGTH_MM]
        if len(alone) and turned[order[0]] >= SAME_LENGTH_MM:
            still = self._pair(i[alone[0]], j[alone[0]])
            worth = min(s.table.goal.worthwhile_deg for s in (left, right))
            scores = [float(np.mean(self._scores(p))) for p in (best, still)]
            if scores[1] <= scores[0] + TURNING_SHARE * worth:
                best = still
        return best

    def _pair(self, i: int, j: int) -> Pair:
        return self._level(self.left.field.spot(int(i)), self.right.field.spot(int(j)))

    def _level(self, left: Spot, right: Spot) -> Pair:
        """Two settings; where both lengths follow the height they become one."""
        if not (self.left.follows and self.right.follows):
            return left, right
        sides = (self.left, self.right)
        turned = [
            spot.length_change_mm - side.table.now.length_change_mm
            for spot, side in zip((left, right), sides, strict=True)
        ]
        raised = [
            spot.height_mm - side.table.now.height_mm
            for spot, side in zip((left, right), sides, strict=True)
        ]
        if abs(raised[0] - raised[1]) >= SAME_HEIGHT_MM:
            return left, right
        mean = (turned[0] + turned[1]) / 2.0
        told = [side.table.now.length_change_mm + mean for side in sides]
        for side, change in zip(sides, told, strict=True):
            low, high = length_limits_mm(side.corner.thread)
            if not low <= change <= high:
                return left, right
        return replace(left, length_change_mm=told[0]), replace(right, length_change_mm=told[1])

    def gain_deg(self, answer: PairAnswer) -> float:
        """How much a pair of settings is expected to score below how both stand."""
        now = self._scores((self.left.table.now, self.right.table.now))
        then = self._scores((answer.left.spot, answer.right.spot))
        return float(np.mean(np.maximum(now - then, 0.0)))

    def _each(self, pair: Pair) -> tuple[Array, Array]:
        """Scores (n_draw,) of each side.

        Both sides' draws come from one seed. The right's are taken from the end, so that
        no left draw meets its own, and a mirrored car meets the same pairs.
        """
        one, other = (
            side.table.scores(spot.height_mm, spot.length_change_mm)
            for side, spot in zip((self.left, self.right), pair, strict=True)
        )
        return one, other[::-1]

    def _scores(self, pair: Pair) -> Array:
        one, other = self._each(pair)
        return np.asarray(np.sqrt((one**2 + other**2) / 2.0))

    def _travels(self) -> Array:
        """Measured travels of both that lie in both windows, its ends and ride height."""
        targets = [side.table.target.window_mm for side in (self.left, self.right)]
        low, high = max(w[0] for w in targets), min(w[1] for w in targets)
        own = [c.travel_mm for s in (self.left, self.right) for c in s.table.evidence.curves]
        travel = np.unique(np.round(np.concatenate([*own, [0.0, low, high]]), 6))
        return np.asarray(travel[(travel >= low - 1e-6) & (travel <= high + 1e-6)])

    def _figures(self, pair: Pair) -> PairFigures:
        travel = self._travels()
        (left, left_cov), (right, right_cov) = (
            side.curve(spot, travel)
            for side, spot in zip((self.left, self.right), pair, strict=True)
        )
        variances = [np.maximum(np.diag(c), 0.0) for c in (left_cov, right_cov)]
        one, other = self._each(pair)
        return PairFigures(
            travel_mm=travel,
            left_deg=left,
            right_deg=right,
            left_half_deg=BAND_SD * np.sqrt(variances[0]),
            right_half_deg=BAND_SD * np.sqrt(variances[1]),
            half_deg=BAND_SD * np.sqrt(variances[0] + variances[1]),
            roll=self._roll(pair),
            score_deg=shortest_band(self._scores(pair)),
            left_score_deg=shortest_band(one),
            right_score_deg=shortest_band(other),
        )

    def _roll(self, pair: Pair) -> RollSteer:
        def at(travel_mm: float) -> Band:
            ends = np.array([-travel_mm, travel_mm])
            left, right = (
                side.curve(spot, ends)
                for side, spot in zip((self.left, self.right), pair, strict=True)
            )
            return roll_steer(left, right)

        track = self.axle.track_mm
        travel = None if track is None else wheel_travel_mm(track)
        return RollSteer(
            per_deg=None if travel is None else at(travel),
            opposite_deg=at(OPPOSITE_MM),
            travel_mm=travel,
        )


def _nearest(of: Array, among: Array) -> Index:
    """For each value the index of the nearest among others."""
    return np.asarray(np.argmin(np.abs(of[:, None] - among[None, :]), axis=1))

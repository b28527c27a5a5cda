"""Records of an answer: what to do, what to expect, and why."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.eccentric import Band, StaticToe
from optimizer.advise.goal import Outside, Target
from optimizer.advise.labour import Effort, Work
from optimizer.advise.link_body import Turn
from optimizer.advise.logged_toe import LoggedToe
from optimizer.advise.pivot_move import PivotReport
from optimizer.advise.reasons import Because
from optimizer.advise.room import Limit, Name
from optimizer.advise.stacks import Split
from optimizer.advise.verified import Verified
from optimizer.record import record
from optimizer.records import Corner, Goal, WishKind

Array = NDArray[np.float64]

# a run that the others miss by this many promised deviations is in doubt
DOUBTFUL_SD = 2.5

RunnerKind = Literal["shims-only", "length-only", "best-guess", "next"]
Action = Literal["try", "repeat", "stay", "go-back"]


@record
class Spot:
    """One setting: a split and a length change from the reference."""

    split: Split
    length_change_mm: float
    run: str | None = None

    @property
    def height_mm(self) -> float:
        """Joint height from the reference setting, up plus."""
        return self.split.height_mm


@record
class Move:
    """A spot as work on the car, counted from where the car stands now."""

    spot: Spot
    raise_mm: float
    turn: Turn
    static_toe: StaticToe


@record
class Outlook:
    """What a spot is expected to score and how its curve will run; band is 90 %.

    ``chance`` is that of beating the best measured setting by more than the gauge
    can see, ``gain_deg`` the expected gain, ``chance_in_tolerance`` that of the
    wanted toe being met (None for other goals).
    """

    score_deg: Band
    chance: float
    gain_deg: float
    chance_in_tolerance: float | None
    travel_mm: Array
    toe_deg: Array
    low_deg: Array
    high_deg: Array


@record
class RunnerUp:
    """A setting that was considered and lost."""

    kind: RunnerKind
    move: Move
    outlook: Outlook
    work: Work


@record
class Proof:
    """The one reading that would prove the advice wrong.

    If toe change at ``travel_mm`` lies outside (``low_deg``, ``high_deg``), which
    include a new run's own noise, the advice was wrong.
    """

    travel_mm: float
    low_deg: float
    high_deg: float


@record
class LeftOut:
    """A run predicted from all the others of its corner.

    ``error_deg`` is the RMS of the miss over its travels, ``spread_deg`` the RMS
    of the standard deviation that was promised.
    """

    run: str
    error_deg: float
    spread_deg: float

    @property
    def doubtful(self) -> bool:
        """The miss is so large that the run, or what was logged of it, is in doubt."""
        return self.error_deg > DOUBTFUL_SD * self.spread_deg


@record
class WishChance:
    """How sure a wish is now, after the move, and at the best setting measured so far."""

    kind: WishKind
    now: float
    after: float
    best_measured: float


@record
class Verdict:
    """Go on or stop, with the figures that decide.

    ``limit_deg`` is the larger of what the gauge resolves and what the crew calls
    worthwhile; ``limited_by`` says which. ``wish`` is the first wish that the move makes
    surer, where that is what decides, and ``wish_gain`` by how much chance.
    ``past_a_limit``: the car stands past one, so that it goes on, whatever that gains.
    """

    go_on: bool
    gain_deg: float
    limit_deg: float
    limited_by: Literal["gauge", "worthwhile"]
    wish: WishKind | None = None
    wish_gain: float = 0.0
    past_a_limit: bool = False


@record
class StackEnd:
    """The end of the stack that a setting stands at.

    Attributes
    ----------
    way : the joint goes no further up, or down
    further_mm : how much further it would be best, of what was looked at
    gain_deg : expected score gained there
    """

    way: Literal["up", "down"]
    further_mm: float
    gain_deg: float


@record
class Advice:
    """The whole answer for one corner.

    ``best_guess`` is the setting held best so far; what to measure next may be another,
    where that run teaches more. ``wishes`` has the requirements in their order, ``n_kept``
    how many of ``n_candidate`` settings they leave; ``outside`` is there for logged travel,
    ``unmeasured_mm`` the travel where a toe is wanted if none was measured so far out.
    """

    corner: Corner
    goal: Goal
    target: Target
    n_run: int
    measured_travel_mm: Array
    action: Action
    best_guess: Spot
    now: Spot
    now_outlook: Outlook
    best_measured: Spot
    best_measured_outlook: Outlook
    move: Move
    outlook: Outlook
    runners_up: tuple[RunnerUp, ...]
    proof: Proof
    verdict: Verdict
    left_out: tuple[LeftOut, ...]
    readings_in_doubt: tuple[str, ...]
    static_toe_in_doubt: tuple[str, ...]
    now_is_measured: bool
    toe_unset: bool
    planned: tuple[str, ...]
    half_entered: tuple[str, ...]
    set_aside: tuple[str, ...]
    measured_score_deg: Band | None
    because: Because
    limits: tuple[Limit, ...]
    n_candidate: int
    n_ruled_out: int
    pivot: PivotReport
    effort: Effort
    verified: Verified | None
    ruled_out: tuple[tuple[Name, int], ...] = ()
    wishes: tuple[WishChance, ...] = ()
    n_kept: int = 0
    outside: Outside | None = None
    unmeasured_mm: float | None = None
    logged_toe: LoggedToe | None = None
    stack_end: StackEnd | None = None

    @property
    def teaches(self) -> bool:
        """The run is advised for what it teaches, not because its setting is held best."""
        return self.action == "try" and self.move.spot != self.best_guess


@record
class SurfaceMap:
    """Expected score over joint height and length, and the settings that can be made.

    Attributes
    ----------
    height_mm : shape (n_height,)
    length_mm : shape (n_length,)
    score_deg : shape (n_length, n_height)
        Root of the expected mean square, its spread included.
    possible : shape (n_setting, 2)
        Height and length change of every setting that can be made.
    measured : (run, height, length change) of each measured setting
    """

    height_mm: Array
    length_mm: Array
    score_deg: Array
    possible: Array
    measured: tuple[tuple[str, float, float], ...]

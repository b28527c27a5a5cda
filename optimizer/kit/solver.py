"""Integer programs row by row, and one solver call that never returns a half answer.

The solver is HiGHS (Huangfu and Hall 2018) behind ``scipy.optimize.milp``; it is
deterministic, so the same program always gives the same answer.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from threading import Thread
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import SolverStoppedError
from optimizer.record import record

Array = NDArray[np.float64]

LISTEN_S = 0.1
DONE, LIMIT, INFEASIBLE, TROUBLE = 0, 1, 2, 4


@record
class Solution:
    """An optimum to the stated gap.

    ``x`` has shape (n_variable,); whole variables are rounded to the whole number that
    they stand for. ``gap`` is the solver's own, (value - bound) / value.
    """

    x: Array
    value: float
    gap: float


@dataclass(slots=True)
class Model:
    """Variables from 0 to an upper bound, and rows low <= a x <= high.

    Variables that are not declared whole must be whole in some optimum all the same.
    """

    upper: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    rows: list[tuple[Sequence[int], Sequence[float], float, float]] = field(default_factory=list)

    def add(self, upper: Sequence[float], *, whole: bool) -> list[int]:
        """New variables; their indices."""
        first = len(self.upper)
        self.upper.extend(upper)
        self.whole.extend([whole] * len(upper))
        return list(range(first, len(self.upper)))

    def row(
        self,
        at: Sequence[int],
        factor: Sequence[float],
        *,
        low: float = -np.inf,
        high: float = np.inf,
    ) -> None:
        """A new row: ``low <= sum factor * x[at] <= high``."""
        self.rows.append((at, factor, low, high))

    def least(
        self,
        cost: Array,
        *,
        whole: bool = True,
        every: bool = False,
        gap: float = 0.0,
        node_limit: int | None = None,
    ) -> Solution | None:
        """The variables of least ``cost @ x``; None where nothing meets the rows.

        Parameters
        ----------
        cost : shape (n_variable,)
        whole : False drops wholeness, for the linear bound
        every : True holds every variable whole: slower, but a row met by a hair leaves
            continuous variables no room within the solver's tolerances
        gap : relative gap at which the solver may rest
        node_limit : nodes its search may take; with a gap allowed, what it has found by then
            is taken, with the gap it has reached

        Raises
        ------
        SolverStoppedError
            If the solver ends for any other reason but a proof.
        """
        if not self.upper:  # nothing to choose, which the solver will not take
            met = all(low <= 0.0 <= high for *_, low, high in self.rows)
            return Solution(x=np.zeros(0), value=0.0, gap=0.0) if met else None
        from scipy.optimize import Bounds, LinearConstraint, milp
        from scipy.sparse import csr_array

        start = np.cumsum([0] + [len(at) for at, *_ in self.rows])
        matrix = csr_array(
            (
                np.array([f for _, factor, *_ in self.rows for f in factor], float),
                np.array([i for at, *_ in self.rows for i in at], np.int32),
                start.astype(np.int32),
            ),
            shape=(len(self.rows), len(self.upper)),
        )
        integrality = np.array(self.whole) & whole
        options: dict[str, float] = {"mip_rel_gap": gap}
        if node_limit is not None:
            options["node_limit"] = node_limit
        # numbers that trouble the solver may not with every variable whole: then once more
        for integral in (integrality | (every and whole), integrality | whole):
            result = _apart(
                partial(
                    milp,
                    cost,
                    integrality=integral.astype(int),
                    bounds=Bounds(0.0, np.array(self.upper)),
                    constraints=LinearConstraint(
                        matrix,
                        np.array([low for *_, low, _ in self.rows]),
                        np.array([high for *_, high in self.rows]),
                    ),
                    options=options,
                )
            )
            if result.status != TROUBLE:
                break
        if result.status == INFEASIBLE:
            return None
        rested = result.status == LIMIT and gap > 0.0 and result.mip_gap is not None
        if result.x is None or not (result.status == DONE or rested):
            raise SolverStoppedError(
                f"the solver stopped before it had an answer: {result.message}",
                "offer fewer sizes, or plan fewer corners at once",
            )
        x = np.where(integrality, np.round(result.x), result.x)
        return Solution(x=x, value=float(cost @ x), gap=float(result.mip_gap or 0.0))


def _apart(solve: Callable[[], Any]) -> Any:
    """A solver's answer, worked out beside this thread, so that an interrupt is heard at once."""
    found: list[Any] = []
    failed: list[BaseException] = []

    def run() -> None:
        try:
            found.append(solve())
        except BaseException as error:  # told where it was asked for
            failed.append(error)

    beside = Thread(target=run, daemon=True)
    beside.start()
    while beside.is_alive():
        beside.join(timeout=LISTEN_S)
    if failed:
        raise failed[0]
    return found[0]

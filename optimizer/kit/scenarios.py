"""What settings might be asked for: draws of a fitted surface as scenarios of the kit.

A draw is a car that the readings allow. Once measured it would be set to its best, so a
setting loses in it what it scores above the best setting that an endless box would make.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.advise.goal import Target
from optimizer.errors import CallError
from optimizer.model.surface import ToeSurface, draw_scores_deg
from optimizer.record import record

Array = NDArray[np.float64]
Index = NDArray[np.intp]

N_DRAW = 200
FIRST_SEED = 31
FINE_STEP_MM = 0.1
AT_A_TIME = 8


@record
class Losses:
    """What each joint height loses in each scenario.

    Attributes
    ----------
    height_mm : shape (n_height,)
    loss_deg : shape (n_scenario, n_height), score above the scenario's best; the link is
        set to the best of its lengths at each height
    length_change_mm : shape (n_scenario, n_height), that best length
    best_deg : shape (n_scenario,), score of the scenario's best setting
    share : shape (n_scenario,), weights that sum to 1
    within_deg : no kit's expected loss is further off that of all the draws
    """

    height_mm: Array
    loss_deg: Array
    length_change_mm: Array
    best_deg: Array
    share: Array
    within_deg: float = 0.0


def height_losses(
    surface: ToeSurface,
    target: Target,
    height_mm: ArrayLike,
    length_change_mm: ArrayLike,
    *,
    n_draw: int = N_DRAW,
    corner: int = 0,
) -> Losses:
    """Score each height loses in each draw of a surface.

    Parameters
    ----------
    surface : fitted
    target : the goal's travels, weights and wanted toe changes
    height_mm, length_change_mm : shape (n_height,), (n_length,), the joint heights a kit
        may make and the length changes the link can be set to, from the reference
    n_draw : scenarios
    corner : number of the corner; each has draws of its own, since the corners' surfaces
        are fitted to different readings

    The best setting is sought over heights a tenth of a millimetre apart, from the lowest
    to the highest given, besides those given, at every length given.

    Raises
    ------
    CallError
        If there is no height, length or draw.
    """
    height, length = np.atleast_1d(np.asarray(height_mm, float)), np.atleast_1d(length_change_mm)
    length = np.asarray(length, float)
    if not (len(height) and len(length) and n_draw > 0):
        raise CallError("the kit's scenarios need a height, a length and a draw", "give each")
    n_fine = int(np.ceil(np.ptp(height) / FINE_STEP_MM)) + 1
    every = np.concatenate([height, np.linspace(height.min(), height.max(), n_fine)])
    draws = surface.draws(n_draw, seed=FIRST_SEED + corner)
    lowest, at = [], []
    for some in np.array_split(draws, -(-n_draw // AT_A_TIME)):
        scores = draw_scores_deg(
            some,
            np.repeat(every, len(length)),
            np.tile(length, len(every)),
            target.travel_mm,
            target.weight,
            target.wanted_deg,
        ).reshape(len(some), len(every), len(length))
        lowest.append(scores.min(axis=2))
        at.append(scores[:, : len(height)].argmin(axis=2))
    score = np.concatenate(lowest)
    best = score.min(axis=1)
    return Losses(
        height_mm=height,
        loss_deg=score[:, : len(height)] - best[:, None],
        length_change_mm=length[np.concatenate(at)],
        best_deg=best,
        share=np.full(n_draw, 1.0 / n_draw),
    )


def fewer(losses: Losses, n_scenario: int) -> Losses:
    """The same losses by fewer scenarios, each with the share of those it stands for.

    Forward selection (Heitsch and Roemisch 2003): the scenario that brings the rest
    closest is kept, again and again. Far apart is the largest difference at any height,
    so no kit's expected loss can move by more than the mean distance, ``within_deg``.
    Ties go to the first.

    Raises
    ------
    CallError
        If fewer than one scenario is to be kept.
    """
    if n_scenario < 1:
        raise CallError("fewer than one scenario is to be kept", "keep one or more")
    n = len(losses.loss_deg)
    apart = np.array([np.abs(losses.loss_deg - row).max(axis=1) for row in losses.loss_deg])
    near = np.full(n, np.inf)
    kept: list[int] = []
    while len(kept) < min(n_scenario, n):
        mean = np.round(np.minimum(near, apart) @ losses.share, 12)
        mean[kept] = np.inf
        kept.append(int(np.argmin(mean)))
        near = np.minimum(near, apart[kept[-1]])
    stands = np.argmin(apart[kept], axis=0)
    at = np.array(kept, np.intp)
    return Losses(
        height_mm=losses.height_mm,
        loss_deg=losses.loss_deg[at],
        length_change_mm=losses.length_change_mm[at],
        best_deg=losses.best_deg[at],
        share=np.array([losses.share[stands == i].sum() for i in range(len(kept))]),
        within_deg=losses.within_deg + float(near @ losses.share),
    )

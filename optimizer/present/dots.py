"""A small picture of a toe curve for a terminal: braille dots, or plain ASCII.

Travel is upright with bump on top, toe runs across with toe-in to the right. The band
is shaded, a line joins the means of the readings, the newest reading stands out by its
sign and not by colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from optimizer.present.crew import Crew
from optimizer.record import record

HEIGHT = 9
MOST_COLUMNS = 57
BRAILLE = 0x2800
# dots of a braille cell by column and row (Unicode chart of U+2800)
_DOT = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))


@record
class Signs:
    """What the picture is made of."""

    cell: tuple[int, int]  # dots of a cell across and down
    band: str
    zero: str
    point: str
    newest: str
    edge: str


DOTTED = Signs(cell=(2, 4), band="\u2591", zero="\u2502", point="\u25cb", newest="\u25cf", edge="┤")
PLAIN = Signs(cell=(1, 1), band=":", zero="|", point="o", newest="#", edge="|")


@record
class Picture:
    """What is drawn, in mm and degrees.

    Attributes
    ----------
    reach_mm : lowest and highest travel of the run
    points : (travel, toe) of each reading so far, the newest last
    band : (travel, low, high) of what is expected, by travel; empty without one
    """

    reach_mm: tuple[float, float]
    points: Sequence[tuple[float, float]]
    band: Sequence[tuple[float, float, float]] = ()


def drawn(picture: Picture, crew: Crew, width: int, *, plain: bool = False) -> list[str]:
    """The picture in at most ``width`` columns; ``plain`` for ASCII alone."""
    signs = PLAIN if plain else DOTTED
    low_mm, high_mm = picture.reach_mm
    labels = {0: crew.travel(high_mm), HEIGHT - 1: crew.travel(low_mm)}
    labels.setdefault(_row_of(0.0, picture.reach_mm), "0")
    gutter = max(len(text) for text in labels.values()) + 1
    n_column = max(8, min(MOST_COLUMNS, width) - gutter - 1)
    span = _toe_span(picture)
    grid = [[" "] * n_column for _ in range(HEIGHT)]
    _shade(grid, picture, span, signs)
    zero = _cell_of(0.0, span, n_column)
    for row in grid:
        row[zero] = signs.zero
    _line(grid, picture, span, signs)
    for index, (travel, toe) in enumerate(picture.points):
        sign = signs.newest if index == len(picture.points) - 1 else signs.point
        grid[_row_of(travel, picture.reach_mm)][_cell_of(toe, span, n_column)] = sign
    lines = [
        labels.get(i, "").rjust(gutter - 1) + " " + signs.edge + "".join(row).rstrip()
        for i, row in enumerate(grid)
    ]
    left, right = (crew.toe(toe) for toe in span)
    if len(left) + len(right) >= n_column:
        left, right = (text.replace(f" {crew.units.toe} toe-", " ") for text in (left, right))
    axis = left + right.rjust(max(len(right) + 1, n_column - len(left)))
    return [*lines, " " * (gutter + 1) + axis]


def _toe_span(picture: Picture) -> tuple[float, float]:
    """Toe at the left and the right edge, with ride height's zero inside."""
    toes = [0.0, *(t for _, t in picture.points)]
    toes += [t for _, low, high in picture.band for t in (low, high)]
    low, high = min(toes), max(toes)
    pad = max(0.05 * (high - low), 0.01)
    return low - pad, high + pad


def _row_of(travel: float, reach: tuple[float, float], n_row: int = HEIGHT) -> int:
    low, high = reach
    share = (high - travel) / max(high - low, 1e-9)
    return min(n_row - 1, max(0, round(share * (n_row - 1))))


def _cell_of(toe: float, span: tuple[float, float], n_column: int) -> int:
    share = (toe - span[0]) / (span[1] - span[0])
    return min(n_column - 1, max(0, round(share * (n_column - 1))))


def _shade(
    grid: list[list[str]], picture: Picture, span: tuple[float, float], signs: Signs
) -> None:
    low_mm, high_mm = picture.reach_mm
    if not picture.band:
        return
    for index, row in enumerate(grid):
        travel = high_mm - (high_mm - low_mm) * index / (HEIGHT - 1)
        _, low, high = min(picture.band, key=lambda b: abs(b[0] - travel))
        first, last = (_cell_of(t, span, len(row)) for t in (low, high))
        row[first : last + 1] = signs.band * (last + 1 - first)


def _line(grid: list[list[str]], picture: Picture, span: tuple[float, float], signs: Signs) -> None:
    """Join the mean toe of each travel, dot by dot."""
    by_travel: dict[float, list[float]] = {0.0: [0.0]}
    for travel, toe in picture.points:
        by_travel.setdefault(round(travel, 2), []).append(toe)
    means = [(z, sum(t) / len(t)) for z, t in sorted(by_travel.items())]
    across, down = signs.cell
    n_x, n_y = len(grid[0]) * across, HEIGHT * down
    dots: dict[tuple[int, int], int] = {}
    for (z0, t0), (z1, t1) in pairwise(means):
        n_step = n_y + n_x
        for k in range(n_step + 1):
            part = k / n_step
            y = _row_of(z0 + part * (z1 - z0), picture.reach_mm, n_y)
            x = _cell_of(t0 + part * (t1 - t0), span, n_x)
            cell = (y // down, x // across)
            dots[cell] = dots.get(cell, 0) | _DOT[x % across][y % down]
    for (row, column), mask in dots.items():
        grid[row][column] = "." if across == 1 else chr(BRAILLE + mask)

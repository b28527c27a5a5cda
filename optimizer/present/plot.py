"""Pictures: the toe curves with their errors, and the response surface seen from above.

Portrait pages that read at phone width and in grey: each line differs by colour,
dash and marker, and is named at its end. Travel runs upright and toe change
across, as the trade draws it.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import re
import zlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Advice, SurfaceMap
from optimizer.advise.eccentric import BAND_SD
from optimizer.errors import CallError, ShimoptError
from optimizer.measure.curve import ToeCurve
from optimizer.present.crew import Crew
from optimizer.present.layout import shortened
from optimizer.present.wished import scored_words
from optimizer.units import from_deg, from_mm

Array = NDArray[np.float64]

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Picture
    from matplotlib.ft2font import FT2Font

SUFFIXES = (".png", ".svg", ".pdf")
COLOURS = ("#3f90da", "#e76300", "#a96b59", "#717581")
DASHES = ("-", "--", "-.", ":")
MARKERS = ("o", "s", "^", "D", "v", "P", "X")
INK = "#222222"
SHOWN_RUNS = 7
NAME_ROOM = 16
TITLE_ROOM = 24


def check_suffix(path: Path) -> None:
    """CallError unless the file's ending is one a picture can have."""
    if path.suffix.lower() not in SUFFIXES:
        raise CallError(
            f"{path.name} does not end in a picture's ending", f"end it in {', '.join(SUFFIXES)}"
        )


def corner_path(out: Path, corner: str, n_corner: int) -> Path:
    """The file of one corner of several; what no file may be called is left out of its name."""
    if n_corner == 1:
        return out
    safe = re.sub(r'[\\/:*?"<>|\x00-\x1f]', "-", corner)
    if safe != corner:  # two such names must not become one
        safe += f"-{zlib.crc32(corner.encode()):08x}"
    return out.with_name(f"{out.stem}-{safe}{out.suffix}")


def save(picture: Picture, path: Path) -> None:
    """Write a picture; PNG at 150 dots an inch, fonts kept as text elsewhere.

    It is drawn whole and put in its place at the end, so that a failure leaves what
    was there before.

    Raises
    ------
    CallError
        If the ending is not a picture's.
    ShimoptError
        If it cannot be written there.
    """
    check_suffix(path)
    import matplotlib as mpl

    drawn = io.BytesIO()
    with mpl.rc_context({"svg.fonttype": "none", "pdf.fonttype": 42, "svg.hashsalt": "shimopt"}):
        picture.savefig(drawn, dpi=150, format=path.suffix[1:].lower())
    put(drawn.getvalue(), path)


def put(content: bytes, path: Path) -> None:
    """Write a drawn file whole; ShimoptError, and what was there kept, where it cannot be."""
    try:
        _put(content, path)
    except OSError as error:
        raise ShimoptError(
            f"{path} cannot be written: {error.strerror or error}",
            "name a file in a folder that exists and that you may write to",
        ) from error


def _put(content: bytes, path: Path) -> None:
    """Write a file beside its place and rename it into it."""
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if path.is_symlink():  # it may lead to a crew's readings, or out of somebody's logbook
        raise ShimoptError(
            f"{path} is a link, and what it leads to would be lost",
            "name another file, or take the link away",
        )
    path = path.resolve()
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    with beside.open("xb") as file, _removed_on_failure(beside):
        file.write(content)
        file.flush()
    with _removed_on_failure(beside):
        beside.replace(path)


@contextlib.contextmanager
def _removed_on_failure(path: Path) -> Iterator[None]:
    try:
        yield
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def curves_picture(
    corner: str, runs: Sequence[tuple[str, ToeCurve]], crew: Crew, advice: Advice | None = None
) -> Picture:
    """Toe curves of all runs with error bars, and the suggestion's band if there is one."""
    picture = page(1)
    axes = picture.add_subplot()
    _draw_curves(axes, runs, crew, advice)
    axes.set_title(_title(corner), loc="left", fontsize=11)
    return picture


def advice_picture(
    advice: Advice, runs: Sequence[tuple[str, ToeCurve]], crew: Crew, surface: SurfaceMap
) -> Picture:
    """Curves above, the response surface with what can be set and what is advised below."""
    picture = page(2)
    upper, lower = picture.subplots(2, 1, height_ratios=(1.15, 1.0))
    _draw_curves(upper, runs, crew, advice)
    upper.set_title(_title(advice.corner.name), loc="left", fontsize=11)
    names = drawn_names([name for name, _ in runs])
    _draw_surface(picture, lower, advice, crew, surface, names)
    return picture


def page(panels: int) -> Picture:
    """An empty portrait page for one panel or two."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib.figure import Figure

    return Figure(figsize=(5.2, 6.0 if panels == 1 else 10.0), layout="constrained")


def _draw_curves(
    axes: Axes, runs: Sequence[tuple[str, ToeCurve]], crew: Crew, advice: Advice | None
) -> None:
    left_out = len(runs) - SHOWN_RUNS
    shown = [runs[0], *runs[-(SHOWN_RUNS - 1) :]] if left_out > 0 else list(runs)
    names = drawn_names([name for name, _ in runs])
    for index, (name, curve) in enumerate(shown):
        travel = np.insert(curve.travel_mm, np.searchsorted(curve.travel_mm, 0.0), 0.0)
        toe = np.insert(curve.toe_deg, np.searchsorted(curve.travel_mm, 0.0), 0.0)
        sd = np.insert(curve.sd_deg, np.searchsorted(curve.travel_mm, 0.0), 0.0)
        axes.errorbar(
            _toe(toe, crew),
            _travel(travel, crew),
            xerr=BAND_SD * np.abs(_toe(sd, crew)),
            color=COLOURS[index % len(COLOURS)],
            linestyle=DASHES[(index + index // len(COLOURS)) % len(DASHES)],
            marker=MARKERS[index % len(MARKERS)],
            markersize=5,
            linewidth=1.4,
            capsize=2,
            label=names[name],
        )
    if advice is not None and advice.action != "stay":
        outlook = advice.outlook
        inside = (outlook.travel_mm >= advice.target.window_mm[0]) & (
            outlook.travel_mm <= advice.target.window_mm[1]
        )
        travel = _travel(outlook.travel_mm[inside], crew)
        axes.fill_betweenx(
            travel,
            _toe(outlook.low_deg[inside], crew),
            _toe(outlook.high_deg[inside], crew),
            color="#bbbbbb",
            alpha=0.6,
            linewidth=0,
            label="next, band",
        )
        axes.plot(
            _toe(outlook.toe_deg[inside], crew),
            travel,
            color=INK,
            linewidth=2.2,
            label="next, expected",
        )
    _draw_wanted(axes, crew, advice)
    axes.axvline(0.0, color=INK, linewidth=0.6)
    axes.axhline(0.0, color=INK, linewidth=0.6)
    axes.grid(color="#dddddd", linewidth=0.5)
    axes.set_axisbelow(True)
    positive, negative = ("toe-in", "toe-out") if crew.signs.toe > 0 else ("toe-out", "toe-in")
    axes.set_xlabel(f"toe change, {crew.units.toe}")
    up, down = ("bump", "droop") if crew.signs.travel > 0 else ("droop", "bump")
    axes.set_ylabel(f"travel, {crew.units.travel}")
    _name_ends(axes, negative, positive, down, up)
    told = "bars: 90 in 100" if advice is None else "bars and band: 90 in 100"
    _legend(axes, -0.13, f"{told}; {left_out} older runs not drawn" if left_out > 0 else told)


def _title(corner: str) -> str:
    return f"{drawn_names([corner], TITLE_ROOM)[corner]}: toe change against travel"


def _legend(axes: Axes, below: float, title: str | None = None) -> None:
    """Legend under the axes, in as many columns as leave the axes their width."""
    _, labels = axes.get_legend_handles_labels()
    columns = 2 if max(map(len, labels)) <= NAME_ROOM + len(", measured") else 1
    axes.legend(
        loc="upper center",
        bbox_to_anchor=(0.5, below),
        ncols=columns,
        fontsize=8,
        title=title,
        title_fontsize=8,
        frameon=False,
    )


def drawn_names(names: Sequence[str], room: int = NAME_ROOM) -> dict[str, str]:
    """Each name as the picture's font can draw it, short, no two alike.

    A glyph that the font lacks becomes a question mark. No name is read as a formula,
    or kept out of the legend by an underscore in front.
    """
    known = {n: in_glyphs(n) for n in names}
    seen = Counter(known.values())
    told = {
        n: f"{k[: room - 5]} ({index})" if seen[k] > 1 else k
        for index, (n, k) in enumerate(known.items(), 1)
    }
    short = shortened(told.values(), room)
    drawn = {n: short[k].replace("$", r"\$") for n, k in told.items()}
    return {n: f" {k}" if k.startswith("_") else k for n, k in drawn.items()}


def in_glyphs(text: str, weight: str = "normal") -> str:
    """Text with a question mark for each letter that the picture's font lacks."""
    font = font_of(weight)
    return "".join(c if font.get_char_index(ord(c)) else "?" for c in text)


@cache
def font_of(weight: str = "normal") -> FT2Font:
    """The font that pictures are lettered in."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return get_font(findfont(FontProperties(weight=weight)))


def _name_ends(axes: Axes, left: str, right: str, down: str, up: str) -> None:
    """Write what each end of an axis means at that end."""
    for text, spot, shift, across, up_from, turn in (
        (left, (0, 0), (0, -29), "left", "baseline", 0),
        (right, (1, 0), (0, -29), "right", "baseline", 0),
        (down, (0, 0), (-38, 0), "center", "bottom", 90),
        (up, (0, 1), (-38, 0), "center", "top", 90),
    ):
        axes.annotate(
            text,
            spot,
            xytext=shift,
            xycoords="axes fraction",
            textcoords="offset points",
            ha=across,
            va=up_from,
            rotation=turn,
            fontsize=9,
        )


def _draw_wanted(axes: Axes, crew: Crew, advice: Advice | None) -> None:
    if advice is None or not np.any(advice.target.wanted_deg):
        return
    target = advice.target
    axes.plot(
        _toe(target.wanted_deg, crew),
        _travel(target.travel_mm, crew),
        color=INK,
        linewidth=1.0,
        linestyle=(0, (1, 2)),
        label="wanted",
    )


def _draw_surface(
    picture: Picture,
    axes: Axes,
    advice: Advice,
    crew: Crew,
    surface: SurfaceMap,
    names: Mapping[str, str],
) -> None:
    unit = crew.units.length
    per_mm = from_mm(1.0, unit)
    height, length = surface.height_mm * per_mm, surface.length_mm * per_mm
    score = surface.score_deg * from_deg(1.0, crew.units.toe)
    from matplotlib.colors import BoundaryNorm

    levels = _levels(score)
    shade = axes.contourf(
        height,
        length,
        score,
        levels=levels,
        cmap="cividis_r",
        norm=BoundaryNorm(levels, 256, extend="max"),
        extend="max",
    )
    bar = picture.colorbar(shade, ax=axes, shrink=0.85, pad=0.02)
    what = scored_words(advice.target)
    figure = "peak to peak" if advice.target.measure == "peak-to-peak" else "RMS"
    bar.set_label(f"expected {what}, {crew.units.toe} {figure}", fontsize=8)
    bar.ax.tick_params(labelsize=7)
    possible = surface.possible * per_mm
    axes.plot(
        possible[:, 0], possible[:, 1], ".", color="#333333", markersize=1.2, label="can be set"
    )
    for index, (name, h, d) in enumerate(surface.measured[-SHOWN_RUNS:]):
        axes.plot(
            h * per_mm,
            d * per_mm,
            MARKERS[index % len(MARKERS)],
            color="white",
            markeredgecolor=INK,
            markersize=7,
            label=f"{names[name]}, measured",
        )
    spot = advice.move.spot
    axes.plot(
        spot.height_mm * per_mm,
        spot.length_change_mm * per_mm,
        "*",
        color="#e76300",
        markeredgecolor="white",
        markersize=16,
        label="next" if advice.action == "try" else "stands",
    )
    start = names.get(advice.corner.reference_run or "", "the first run")
    axes.set_xlabel(f"joint height from {start}, {unit}, up +")
    axes.set_ylabel(f"link length change, {unit}, longer +")
    axes.set_title("settings, and what each is expected to score", loc="left", fontsize=11)
    _legend(axes, -0.16)


def _levels(score: Array) -> list[float]:
    """Round levels in steps that widen upwards, so that the good end is told apart."""
    low = max(float(score.min()), 1e-4)
    decade = 10.0 ** np.floor(np.log10(low))
    steps = [decade * 10.0**n * m for n in range(5) for m in (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)]
    top = float(np.quantile(score, 0.95))
    first = max(i for i, s in enumerate(steps) if s <= low)
    last = next((i for i, s in enumerate(steps) if s > top), len(steps) - 1)
    return [float(f"{s:.3g}") for s in steps[first : max(last, first + 2) + 1]]


def _toe(value_deg: Array, crew: Crew) -> Array:
    return np.asarray(value_deg) / _deg_per_toe(crew)


def _deg_per_toe(crew: Crew) -> float:
    """Degrees in one of the crew's toe units, with the crew's sign."""
    return crew.signs.toe / from_deg(1.0, crew.units.toe)


def _travel(value_mm: Array, crew: Crew) -> Array:
    return np.asarray(value_mm) * crew.signs.travel * from_mm(1.0, crew.units.travel)

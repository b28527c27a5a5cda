"""The small picture of a curve: its marks, its band, its size."""

from __future__ import annotations

import pytest

from optimizer.present.crew import Crew
from optimizer.present.dots import DOTTED, HEIGHT, PLAIN, Picture, drawn
from optimizer.records import Gauge, Signs, Units

CREW = Crew(
    units=Units(travel="mm", reading="thou", length="mm", toe="deg"),
    signs=Signs(),
    gauge=Gauge(span_mm=300.0),
)
CURVE = [(-50.0, -0.2), (-25.0, -0.1), (25.0, 0.12), (50.0, 0.25)]
BAND = [(z, 0.005 * z - 0.1, 0.005 * z + 0.1) for z in range(-50, 51, 5)]
PICTURE = Picture(reach_mm=(-50.0, 50.0), points=CURVE, band=BAND)


@pytest.mark.parametrize("plain", [False, True])
@pytest.mark.parametrize("width", [40, 60, 80])
def test_it_fits_and_shows_every_reading_and_the_band(width: int, plain: bool) -> None:
    lines = drawn(PICTURE, CREW, width, plain=plain)
    signs = PLAIN if plain else DOTTED
    assert len(lines) == HEIGHT + 1
    assert max(map(len, lines)) <= width
    text = "\n".join(line[9:] for line in lines[:-1])
    assert text.count(signs.newest) == 1
    assert text.count(signs.point) == len(CURVE) - 1
    assert all(signs.band in line for line in lines[:-1])
    assert "\x1b" not in "".join(lines)
    assert "".join(lines).isascii() == plain


def test_bump_is_on_top_and_toe_in_to_the_right() -> None:
    lines = drawn(PICTURE, CREW, 60, plain=True)
    assert lines[0].startswith(" 50 bump")
    assert lines[HEIGHT // 2].split("|")[0].strip() == "0"
    assert lines[HEIGHT - 1].startswith("50 droop")
    assert lines[0].index("#") > lines[2].index("o") > lines[6].index("o") > lines[8].index("o", 9)
    out, inward = (lines[-1].index(word) for word in ("toe-out", "toe-in"))
    assert out < inward


def test_points_stand_at_their_toe() -> None:
    """Columns are linear in toe: halfway in degrees is halfway in columns."""
    picture = Picture(reach_mm=(-50.0, 50.0), points=[(-50, -0.3), (25, 0.0), (50, 0.3)])
    lines = drawn(picture, CREW, 60, plain=True)
    left, middle, right = lines[8].index("o", 9), lines[2].index("o"), lines[0].index("#")
    assert abs((left + right) / 2 - middle) <= 1
    assert lines[1].count(":") == 0  # no band where nothing is expected


def test_the_line_is_finer_than_a_letter() -> None:
    """Braille dots tell slopes apart that letters alone cannot."""

    def middle(toe: float) -> str:
        points = [(-50.0, -toe), (50.0, toe), (0.001, 0.3), (0.002, -0.3)]
        return "\n".join(drawn(Picture(reach_mm=(-50.0, 50.0), points=points), CREW, 60))

    used = {c for c in middle(0.21) if "\u2801" <= c <= "\u28ff"}
    assert len(used) > 8


@pytest.mark.parametrize("points", [[(50.0, 0.0)], [(0.0, 0.0)], [(-50.0, 1e-12)]])
def test_a_flat_curve_has_a_picture_too(points: list[tuple[float, float]]) -> None:
    lines = drawn(Picture(reach_mm=(-50.0, 50.0), points=points), CREW, 40)
    assert DOTTED.newest in "\n".join(lines)

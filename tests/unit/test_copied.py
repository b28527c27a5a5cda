"""Passes that read to the digit as another: how likely by chance, and which are told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from optimizer.measure.copied import agreement, copied
from optimizer.measure.quality import run_qualities
from optimizer.records import Gauge, Logbook, Reading


@pytest.mark.outside
@pytest.mark.parametrize("resolution", [0.0254, 0.01, 0.1, 0.5])
@pytest.mark.parametrize("kind", ["one-dial", "two-dials"])
def test_readings_agree_as_often_as_by_the_integral(resolution: float, kind: str) -> None:
    """Two normals rounded to one step, the truth anywhere between two steps: scipy's integral."""
    gauge = Gauge(kind=kind, reading_sd=0.03, resolution=resolution)  # type: ignore[arg-type]
    sd = 0.03 * (np.sqrt(2.0) if kind == "two-dials" else 1.0)

    def both(truth: float) -> float:
        steps = resolution * (np.arange(-80, 81) - 0.5)
        return float(np.sum(np.diff(norm.cdf(steps, truth, sd)) ** 2))

    chance, _ = quad(lambda x: both(x) / resolution, 0.0, resolution, epsabs=1e-9)
    assert agreement(gauge) == pytest.approx(chance, abs=1e-6)


def test_without_noise_all_agree_and_without_steps_none() -> None:
    assert agreement(Gauge(reading_sd=0.0, resolution=0.1)) == 1.0
    assert agreement(Gauge(resolution=0.0)) == 0.0


def _as(rows: tuple[Reading, ...], **changes: str) -> tuple[Reading, ...]:
    return tuple(replace(r, **changes) for r in rows)


def _pass(book: Logbook, run: str, sweep: str) -> tuple[Reading, ...]:
    return tuple(r for r in book.readings_of(run) if r.sweep == sweep)


@pytest.mark.outside
def test_a_run_copied_under_another_name_is_told(demo_book: Logbook) -> None:
    """Thirty-two readings alike: at the most 0.7 to the 32nd, 1 in 90 000."""
    again = replace(demo_book.runs[-1], name="link-2")
    copy = _as(demo_book.readings_of("link-short"), run="link-2")
    book = replace(demo_book, runs=(*demo_book.runs, again), readings=(*demo_book.readings, *copy))
    found = copied(book)
    assert set(found) == {"link-2"}
    assert found["link-2"].like == "link-short"
    assert found["link-2"].sweeps == ("up1", "down1", "up2", "down2")
    assert found["link-2"].n_reading == 32
    doubts = {q.run.name: [d.kind for d in q.doubts] for q in run_qualities(book, book.runs)}
    assert doubts == {"as-found": [], "joint-up": [], "link-short": [], "link-2": ["copied"]}


def test_passes_copied_within_a_run_are_told_where_chance_cannot_make_them(
    demo_book: Logbook,
) -> None:
    one = _pass(demo_book, "link-short", "up1")
    back = _as(one, sweep="down3")[::-1]
    few = replace(demo_book, readings=(*demo_book.readings, *back))
    assert copied(few) == {}  # eight alike: 0.7 to the eighth is 6 in a hundred
    more = replace(few, readings=(*few.readings, *_as(one, sweep="up3"), *_as(one, sweep="up4")))
    found = copied(more)
    assert set(found) == {"link-short"}
    assert found["link-short"].like is None
    assert found["link-short"].sweeps == ("down3", "up3", "up4")
    near = replace(back[3], value=back[3].value + 0.001)
    rest = tuple(r for r in more.readings if r.sweep != "down3")
    other = replace(more, readings=(*rest, *back[:3], near, *back[4:]))
    assert copied(other) == {}


def test_another_corner_s_readings_and_a_coarse_gauge_s_repeats_are_no_copies(
    demo_book: Logbook,
) -> None:
    again = replace(demo_book.runs[-1], name="link-2", corner="other")
    copy = _as(demo_book.readings_of("link-short"), run="link-2")
    book = replace(demo_book, runs=(*demo_book.runs, again), readings=(*demo_book.readings, *copy))
    assert copied(book) == {}
    coarse = replace(demo_book.gauge, resolution=2.0, reading_sd=0.01)
    same = replace(again, corner=demo_book.runs[0].corner)
    assert copied(replace(book, runs=(*demo_book.runs, same), gauge=coarse)) == {}


def test_honest_repeats_on_a_quieter_gauge_than_stated_are_no_copies(demo_book: Logbook) -> None:
    """Half as noisy as stated, shown in steps as wide as that noise: most readings repeat."""
    rng, step, alike = np.random.default_rng(44), 0.0254, []
    gauge = replace(demo_book.gauge, reading_sd=0.02, resolution=step)
    one = _pass(demo_book, "link-short", "up1")
    for _ in range(300):
        rows = [
            replace(r, sweep=sweep, value=step * round((r.value + rng.normal(0.0, 0.01)) / step))
            for sweep in ("up1", "down1", "up2", "down2")
            for r in one
        ]
        values = np.array([r.value for r in rows]).reshape(4, -1)
        alike.append(np.mean(values[0] == values[1:]))
        assert copied(replace(demo_book, readings=tuple(rows), gauge=gauge)) == {}
    assert np.mean(alike) > 0.4

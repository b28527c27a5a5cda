"""The demo's car with other hardware."""

from __future__ import annotations

from dataclasses import replace

from optimizer.records import Logbook


def on_a_free_cam(book: Logbook, share: float) -> Logbook:
    """A car of one corner on a cam that also lifts, its marks turned by a share of what they
    were."""
    ((name, corner),) = book.corners.items()
    cam = replace(
        corner.eccentric, kind="free-cam", mm_per_mark=None, throw_mm=12.0, deg_per_mark=6.0
    )
    runs = (replace(r, eccentric_mark=(r.eccentric_mark or 0.0) * share) for r in book.runs)
    return replace(book, corners={name: replace(corner, eccentric=cam)}, runs=tuple(runs))

"""A brief as one HTML file that asks for nothing: no request, no script from elsewhere.

Every word of the crew's is escaped. The policy lets only the page's own style and script
run, by their hashes, and forbids all requests; pictures that are attached are part of the file.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from html import escape
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import HARMLESS
from optimizer.model.basis import REACH_HEIGHT_MM, REACH_LENGTH_MM
from optimizer.present.attached import Attached
from optimizer.present.brief import Brief, Section
from optimizer.present.brief_picture import (
    BOTTOM,
    HEIGHT,
    LEFT,
    NAMES,
    RIGHT,
    TOP,
    WIDTH,
    key_of,
    legend,
    picture,
    view_of,
)
from optimizer.present.crew import DECIMALS, Crew
from optimizer.units import from_deg, from_mm

Array = NDArray[np.float64]

ABC = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
STEP = {"score": 1e-6, "low": 1e-6, "high": 1e-6, "shift": 1e-5, "forgotten": 1e-5, "lift": 1e-5}
HALF = 1 << 23
DIGITS = 7
EXPECTED_ID = ' id="expected-name"'
IN_ORDER = ("why", "feel", "sure", "cost", "lost", "wrong")


def page(brief: Brief, crew: Crew, attached: Sequence[Attached] = ()) -> str:
    """The whole file."""
    style, script = (
        resources.files("optimizer.present").joinpath("page", name).read_text(encoding="utf-8")
        for name in ("page.css", "page.js")
    )
    policy = (
        "default-src 'none'; "
        f"style-src '{_hash(style)}'; script-src '{_hash(script)}'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    text = (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{escape(brief.title)}</title>\n<style>{style}</style>\n</head>\n<body>\n"
        f"{_body(brief, crew, attached)}\n"
        f'<script type="application/json" id="surface">{_embedded(brief, crew)}</script>\n'
        f"<script>{script}</script>\n</body>\n</html>\n"
    )
    return text.translate(HARMLESS)


def _body(brief: Brief, crew: Crew, attached: Sequence[Attached]) -> str:
    sections = {section.key: section for section in brief.sections}
    stops = [sections.pop(key) for key in ("first", "doubt") if key in sections]
    parts = [
        f"<header><h1>{escape(brief.title)}</h1></header>\n<main>",
        f'<p class="change">{escape(brief.sentence)}</p>',
        *(_stop(section) for section in stops),
        '<div class="grid"><div>',
        _figure(brief, crew),
        _trying(brief, crew),
        "</div><div>",
        *(_section(sections[key]) for key in IN_ORDER if key in sections),
        "</div></div>",
        _settings(brief, crew),
        _log(brief),
        _cautions(brief),
        "</main>",
        f"<footer><p>{' · '.join(escape(words) for words in brief.stamp)}</p></footer>",
        _attachments(attached),
    ]
    return "\n".join(part for part in parts if part)


def _stop(section: Section) -> str:
    words = escape(" ".join(section.paragraphs))
    return f'<p class="stop"><strong>{escape(section.heading)}:</strong> {words}</p>'


def _section(section: Section) -> str:
    one = len(section.paragraphs) == 1
    items = "".join(f"<li>{escape(words)}</li>" for words in section.paragraphs)
    said = f"<p>{escape(section.paragraphs[0])}</p>" if one else f"<ul>{items}</ul>"
    return f'<section id="{section.key}"><h2>{escape(section.heading)}</h2>{said}</section>'


def _figure(brief: Brief, crew: Crew) -> str:
    keys = "".join(
        f"<li>{key_of(kind)}<span{EXPECTED_ID if kind == 'expected' else ''}>"
        f"{escape(words)}</span></li>"
        for kind, words in legend(brief)
    )
    drawn = picture(brief, crew)
    return f'<figure>{drawn}<figcaption><ul class="key">{keys}</ul></figcaption></figure>'


def _trying(brief: Brief, crew: Crew) -> str:
    """The controls: they are shown only where the script runs."""
    explored, unit = brief.explored, escape(crew.units.length)
    n_split, n_length = explored.length_mm.shape
    i, j = explored.start
    rows = [_control("height", f"Joint height from now, {unit} (up plus)", n_split, i)]
    if n_length > 1:
        rows.append(_control("length", f"Link length from now, {unit} (longer plus)", n_length, j))
    else:
        rows.append('<p class="small">The length follows, so that static toe holds: '
                    '<span id="length-say"></span></p>')  # fmt: skip
    thinned = (
        f'<p class="small">One step of the length in {explored.thinned} is here.</p>'
        if explored.thinned > 1
        else ""
    )
    return (
        '<section class="try" aria-labelledby="try-it"><h2 id="try-it">Try it yourself</h2>'
        + "".join(rows)
        + f'<dl aria-live="polite"><dt>{escape(brief.scored)} expected</dt><dd id="score"></dd>'
        '<dt>90 in 100</dt><dd id="band"></dd>'
        '<dt>eccentric from now</dt><dd id="shift"></dd>'
        '<dt>static toe if that is forgotten</dt><dd id="static-toe"></dd></dl>'
        f'<button type="button" id="back">Back to what is advised</button>{thinned}</section>'
        '<p class="off small">Other settings can be tried here where scripts may run; '
        "the table below has the most promising.</p>"
    )


def _control(name: str, label: str, n: int, value: int) -> str:
    return (
        f'<div class="row"><label for="{name}">{label}</label>'
        f'<input type="range" id="{name}" min="0" max="{n - 1}" step="1" value="{value}" '
        f'autocomplete="off" aria-describedby="{name}-say">'
        f'<input type="number" id="{name}-field" step="any" aria-label="{label}, as a number">'
        f'<span class="say" id="{name}-say"></span></div>'
    )


def _settings(brief: Brief, crew: Crew) -> str:
    said = (
        f"Settings and what is expected of each: link and eccentric from now (longer and inboard "
        f"plus); {brief.scored} in {crew.units.toe} {brief.figure}"
    )
    return f'<section id="settings"><h2>Settings</h2>{_table(said, brief.settings)}</section>'


def _log(brief: Brief) -> str:
    before = f"; {brief.left_out_runs} more are in runs.csv" if brief.left_out_runs else ""
    said = f"Runs behind it, stacks top to bottom, above over below{before}"
    return f'<section id="runs"><h2>Runs</h2>{_table(said, brief.runs)}</section>'


def _table(caption: str, rows: Sequence[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in rows[0])
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows[1:]
    )
    return (
        f'<p class="small">{escape(caption)}</p>'
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(caption)}"><table>'
        f"<thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table></div>"
    )


def _attachments(attached: Sequence[Attached]) -> str:
    if not attached:
        return ""
    items = []
    for one in attached:
        name = escape(one.name)
        if one.text is not None:
            items.append(f"<h3>{name}</h3><pre>{escape(one.text)}</pre>")
        else:
            items.append(
                f'<figure><img alt="{name}" src="data:{one.kind};base64,'
                f'{base64.b64encode(one.data).decode("ascii")}">'
                f"<figcaption>{name}</figcaption></figure>"
            )
    return f'<section id="attached"><h2>Attached</h2>{"".join(items)}</section>'


def _cautions(brief: Brief) -> str:
    items = "".join(f"<li>{escape(words)}</li>" for words in brief.cautions)
    return f'<section id="careful"><h2>Careful</h2><ul class="small">{items}</ul></section>'


def _embedded(brief: Brief, crew: Crew) -> str:
    explored, view = brief.explored, view_of(brief, crew)
    toe, length = crew.units.toe, crew.units.length
    lifted = not np.allclose(
        explored.surface_height_mm, [[s.height_mm] for s in explored.splits], atol=1e-9
    )
    table = {
        "score": explored.score_deg,
        "low": explored.low_deg,
        "high": explored.high_deg,
        "shift": explored.shift_mm,
        "forgotten": explored.forgotten_deg,
    }
    if lifted:
        table["lift"] = explored.surface_height_mm
    return _json(
        {
            "travel_mm": [round(float(z), 4) for z in explored.travel_mm],
            "mean": _short(explored.mean),
            "spread": _short(explored.spread),
            "reach": [REACH_HEIGHT_MM, REACH_LENGTH_MM],
            "band_sd": explored.band_sd,
            "splits": [
                {
                    "above": crew.stack(s.above_mm),
                    "below": crew.stack(s.below_mm),
                    "height": s.height_mm,
                }
                for s in explored.splits
            ],
            "lengths": _rows(explored.length_mm),
            "named": NAMES["expected"],
            "lift": lifted,
            "table": {name: coded(values, STEP[name]) for name, values in table.items()},
            "step": STEP,
            "start": list(explored.start),
            "now_mm": list(explored.now_mm),
            "figure": brief.figure,
            "units": {
                "toe": toe,
                "toe_factor": from_deg(1.0, toe),
                "toe_digits": DECIMALS[toe],
                "length": length,
                "length_factor": from_mm(1.0, length),
                "length_digits": DECIMALS[length],
                "fine_digits": {"mm": 2, "in": 3}.get(length, 2),
            },
            "view": {
                "left": LEFT,
                "top": TOP,
                "width": WIDTH - LEFT - RIGHT,
                "height": HEIGHT - TOP - BOTTOM,
                "low": view.low,
                "high": view.high,
                "down": view.down,
                "up": view.up,
                "sign": view.toe_factor * view.toe_sign,
                "travel_sign": view.travel_factor * view.travel_sign,
            },
        }
    )


def coded(values: Array, step: float) -> str:
    """Numbers as four letters each, row by row; four points where there is none."""
    out = []
    for value in values.ravel():
        if not np.isfinite(value):
            out.append("....")
            continue
        code = min(max(round(float(value) / step) + HALF, 0), 64**4 - 1)
        out.append("".join(ABC[code >> shift & 63] for shift in (18, 12, 6, 0)))
    return "".join(out)


def _rows(length_mm: Array) -> list[list[float]]:
    """Lengths of each split, or of the first where all have the same."""
    rows: list[list[float]] = length_mm.round(6).tolist()
    return rows[:1] if all(row == rows[0] for row in rows) else rows


def _short(values: Array) -> list[list[float]]:
    return [[float(f"{v:.{DIGITS}g}") for v in row] for row in values]


def _json(document: object) -> str:
    """JSON that no reader of HTML can take for the end of the script."""
    text = json.dumps(document, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"

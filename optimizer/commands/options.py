"""Options that several commands take, each said once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from optimizer.completion import axle_names, corner_names, one_of, run_names

Folder = Annotated[Path, typer.Argument(help="Folder of the logbook.", show_default="this folder")]
CornerName = Annotated[
    str | None,
    typer.Option(
        "--corner", help="One corner only, by its name in car.toml.", autocompletion=corner_names
    ),
]
Until = Annotated[
    str | None,
    typer.Option(
        "--until", help="As if the logbook ended with this run.", autocompletion=run_names
    ),
]
LeaveOut = Annotated[
    list[str] | None,
    typer.Option(
        "--leave-out",
        help="Leave a run's readings out, or run:pass; again for more.",
        autocompletion=run_names,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document instead of the screen.")]
Paper = Annotated[
    str,
    typer.Option("--paper", help="Of a .pdf: a4 or letter.", autocompletion=one_of("a4", "letter")),
]
AxleName = Annotated[
    str | None,
    typer.Option(
        "--axle", help="One axle only, by its name in car.toml.", autocompletion=axle_names
    ),
]
Corners = Annotated[
    list[str] | None,
    typer.Option(
        "--corner", help="These corners only; again for more.", autocompletion=corner_names
    ),
]
Out = Annotated[
    Path | None, typer.Option("--out", help="Also draw a picture: a .png, .svg or .pdf file.")
]
GoalText = Annotated[
    str | None,
    typer.Option(
        "--goal",
        help="Another goal, same keys as in car.toml: "
        '"kind=toe-at-travel at_travel=-40 toe_change=0.2 tolerance=0.05".',
    ),
]

"""Commands that put an answer on paper or on a page of its own.

Heavy imports stand inside the command that needs them, so that the small ones
start at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.commands.app import shelf
from optimizer.commands.options import (
    CornerName,
    Folder,
    GoalText,
    LeaveOut,
    Paper,
    Until,
)
from optimizer.commands.reading import corners_of, folder_words, goals_of, narrowed, read
from optimizer.errors import (
    CallError,
)
from optimizer.terminal import (
    write,
    write_then,
)

if TYPE_CHECKING:
    from optimizer.present.travels import EnterAsks
    from optimizer.records import Logbook


@shelf.command()
def brief(
    folder: Folder = Path(),
    corner: CornerName = None,
    goal: GoalText = None,
    until: Until = None,
    leave_out: LeaveOut = None,
    attach: Annotated[
        list[Path] | None,
        typer.Option("--attach", help="A photo or a note to put in; again for more."),
    ] = None,
    out: Annotated[Path, typer.Option("--out", help="The .html file to write.")] = Path(
        "brief.html"
    ),
    pdf: Annotated[
        Path | None, typer.Option("--pdf", help="Also the same on one sheet: a .pdf file.")
    ] = None,
    paper: Paper = "a4",
    markdown: Annotated[
        bool, typer.Option("--markdown", help="A message for a chat, in place of the file.")
    ] = False,
) -> None:
    """Example: shimopt brief shimopt-demo --out brief.html --pdf brief.pdf

    The change defended to the other seat, in one file that needs no network: what, why,
    how sure, what it costs, what lost, what would prove it wrong, and any setting to try.
    """
    from optimizer.brief_call import BriefCall, asked_words, check_call, write_briefs

    call = BriefCall(out=out, pdf=pdf, paper=paper, markdown=markdown, attach=tuple(attach or ()))
    check_call(call)
    book = read(folder, until, leave_out)
    names = corners_of(book, corner)
    goals = goals_of(book, names, goal)
    asked = asked_words(goal, until, leave_out)
    for line in write_briefs(call, book, [(n, goals[n]) for n in names], asked):
        write(line)
    if not markdown:
        write_then(f"open {out.name if len(names) == 1 else 'each'} in any browser, or send it on")


@shelf.command()
def sheet(
    folder: Folder = Path(),
    corner: CornerName = None,
    goal: GoalText = None,
    until: Until = None,
    leave_out: LeaveOut = None,
    out: Annotated[Path, typer.Option("--out", help="The .pdf file to write.")] = Path("sheet.pdf"),
    paper: Paper = "a4",
    travels: Annotated[
        str | None, typer.Option("--travels", help='Travels to set, such as "-40 -20 20 40".')
    ] = None,
    step: Annotated[
        str | None, typer.Option("--step", help="Or the step from travel to travel.")
    ] = None,
    first: Annotated[
        bool, typer.Option("--first", help="A run as the car stands; nothing foretold.")
    ] = False,
) -> None:
    """Example: shimopt sheet shimopt-demo --out sheet.pdf

    The next run on paper, a page a corner: what to set, boxes for the readings, what
    each should be, what would prove it wrong, the checks and all the cautions.
    """
    from optimizer.present.crew import corner_flag
    from optimizer.present.leaf import check_paper
    from optimizer.present.paper import check_ending, write_sheets
    from optimizer.present.sheet import corner_sheet
    from optimizer.present.travels import Asked

    check_ending(out)
    size = check_paper(paper)
    whole = read(folder)
    book = narrowed(whole, until, leave_out)
    names = list(book.corners) if corner is None else corners_of(book, corner)
    goals = goals_of(book, names, goal)
    asked = Asked(travels=travels, step=step)
    sheets = [
        corner_sheet(
            book,
            name,
            asked,
            goals[name],
            first=first,
            own=_enter_asks(folder, whole, name),
            where=folder_words(folder),
        )
        for name in names
    ]
    write_sheets(sheets, out, size)
    write(f"made {out}: {', '.join(names)}")
    entering = [
        f"shimopt enter{folder_words(folder)}{corner_flag(book, name)}{page.enter_flags}"
        for name, page in zip(names, sheets, strict=True)
    ]
    shown = f"shimopt brief{folder_words(folder)}"
    write_then(f"print it; as you measure: {'; '.join(entering)}; to show the other seat: {shown}")


def _enter_asks(folder: Path, book: Logbook, corner: str) -> EnterAsks | None:
    """What ``enter`` asks of a corner by itself; None where it would refuse the call."""
    from optimizer.enter.start import Asked, plan_of
    from optimizer.present.travels import EnterAsks

    try:
        plan = plan_of(folder, book, Asked(corner=corner))
    except CallError:
        return None
    return EnterAsks(travel_mm=tuple({s.travel_mm for s in plan.stops(book)}), passes=plan.passes)

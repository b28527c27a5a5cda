"""Commands that write into a logbook, or take back what was written.

Heavy imports stand inside the command that needs them, so that the small ones
start at once.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from optimizer.commands.app import run, shelf
from optimizer.commands.options import (
    CornerName,
    Folder,
)
from optimizer.commands.reading import folder_words
from optimizer.completion import one_of
from optimizer.errors import (
    CallError,
    ShimoptError,
)
from optimizer.terminal import (
    columns,
    rows,
    say,
    write,
    write_lines,
    write_then,
)


@shelf.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Where to put it.")] = Path("shimopt-demo"),
) -> None:
    """Example: shimopt demo

    Puts an invented rally car's logbook into a folder of its own and goes through the
    whole job on it, step by step; what is left is yours to play with. Never overwrites.
    """
    from optimizer.demo_files import copy_demo
    from optimizer.tour import lead

    copy_demo(folder)
    say(f"the demo logbook is in {folder}")
    lead(folder, run, columns())


@shelf.command()
def new(
    folder: Annotated[Path, typer.Argument(help="Folder to make.")],
    units: Annotated[
        str | None,
        typer.Option(
            help="mm, in, or three words: reading,travel,length.",
            autocompletion=one_of("mm", "in", "thou,mm,mm"),
        ),
    ] = None,
    span: Annotated[
        str | None,
        typer.Option(help="Of the gauge, or the throw of a spot, in the length unit."),
    ] = None,
    gauge: Annotated[
        str | None,
        typer.Option(
            help="one-dial (if not said), two-dials, toe-plate, spot or direct-angle.",
            autocompletion=one_of("one-dial", "two-dials", "toe-plate", "spot", "direct-angle"),
        ),
    ] = None,
    rising: Annotated[
        str | None,
        typer.Option(
            help="toe-in or toe-out: which way the gauge climbs.",
            autocompletion=one_of("toe-in", "toe-out"),
        ),
    ] = None,
    longer: Annotated[
        str | None,
        typer.Option(
            help="In place of --rising: up or down, what the gauge did when the link was "
            "lengthened one turn.",
            autocompletion=one_of("up", "down"),
        ),
    ] = None,
    reference: Annotated[
        str | None,
        typer.Option(
            help="Toe plate: inboard or outboard, where it is measured from.",
            autocompletion=one_of("inboard", "outboard"),
        ),
    ] = None,
    link: Annotated[
        str | None,
        typer.Option(
            help="ahead or behind the line through the carrier's pivots.",
            autocompletion=one_of("ahead", "behind"),
        ),
    ] = None,
    above: Annotated[str | None, typer.Option(help="Shims above the joint, as 3+1.")] = None,
    below: Annotated[str | None, typer.Option(help="Shims below the joint, as 2x1.")] = None,
    table: Annotated[
        Path | None, typer.Option(help="A table of readings to take in; - for pasted text.")
    ] = None,
    corner: Annotated[str, typer.Option(help="Name of the corner.")] = "rear-left",
    side: Annotated[
        str | None,
        typer.Option(
            help="left or right, if the name does not say.",
            autocompletion=one_of("left", "right"),
        ),
    ] = None,
    car: Annotated[str | None, typer.Option(help="Name of the car.")] = None,
    run: Annotated[str, typer.Option(help="Name of the first run.")] = "run1",
    steered: Annotated[bool, typer.Option("--steered", help="A steered axle.")] = False,
    toe_out_plus: Annotated[
        bool, typer.Option("--toe-out-plus", help="You write toe-out plus.")
    ] = False,
    droop_plus: Annotated[bool, typer.Option("--droop-plus", help="You write droop plus.")] = False,
) -> None:
    """Example: shimopt new my-car --units thou,mm,mm --span 300 --rising toe-in --link behind
    --above 3+1 --below 1+1 --table shimopt-demo/as-found.txt

    Starts a logbook from six answers and, if you have it, one pasted table of
    readings. Asks for what is missing when it runs on a terminal.
    """
    from optimizer.logbook import start_logbook
    from optimizer.present.layout import labelled
    from optimizer.questions import (
        answers_from,
        call_again,
        started_words,
        table_in_doubt,
        was_asked,
    )

    given = {
        "units": units,
        "span": span,
        "gauge": gauge,
        "rising": rising,
        "longer": longer,
        "reference": reference,
        "link": link,
        "above": above,
        "below": below,
    }
    rest = {
        "corner": corner,
        "side": side,
        "car": car,
        "run": run,
        "steered": steered,
        "toe_out_plus": toe_out_plus,
        "droop_plus": droop_plus,
    }
    answers = answers_from(folder, given, rest, table)
    try:
        made = start_logbook(folder, answers)
    except ShimoptError:
        if was_asked(given):  # what was typed at the prompts is not lost
            say(f"your answers again: {call_again(folder, answers)}")
        raise
    for path in made:
        write(f"made {path}")
    here = folder_words(folder)
    write_lines(labelled("Stands at", started_words(answers, here), columns()))
    look = table_in_doubt(table)
    if look:
        write_lines(labelled("Look", look, columns()))
    first = (
        f"shimopt next{here}; what you write into its car.toml makes that better"
        if answers.table
        else f"write what you know into its car.toml; shimopt sheet{here} prints the first run's "
        f"page; shimopt enter{here} takes its readings"
    )
    write_then(first)


@shelf.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="The table: CSV, or .xlsx.", show_default=False)],
    folder: Folder = Path(),
    run: Annotated[
        str | None, typer.Option(help="The run, if the columns name passes alone.")
    ] = None,
    corner: Annotated[str | None, typer.Option(help="The corner of runs that are new.")] = None,
    sheet: Annotated[str | None, typer.Option(help="Which sheet of an .xlsx file.")] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Write without asking, also from a pipe.")
    ] = False,
) -> None:
    """Example: shimopt import shimopt-demo/run4.csv shimopt-demo

    Takes a wide table into a logbook: travel down, a column for each run or pass. Shows
    what it would add, asks, and adds it behind your rows. In a pipe nobody has looked at
    what was understood, so there it only shows, unless --yes is said.
    """
    from optimizer.logbook import plan_import, write_import
    from optimizer.present.taken import import_lines, written_lines

    plan = plan_import(folder, file, run=run, corner=corner, sheet=sheet)
    write_lines(import_lines(plan, columns(), rows()))
    if not yes and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise CallError("nothing was written: nobody to ask", "the same with --yes writes the rows")
    if not yes and not typer.confirm("Add these rows"):
        say("nothing was written")
        return
    write_import(plan)
    write_lines(written_lines(plan, columns(), folder_words(folder)))


@shelf.command()
def enter(
    folder: Folder = Path(),
    run: Annotated[str | None, typer.Option(help="Name of the run; one not finished.")] = None,
    corner: CornerName = None,
    travels: Annotated[
        str | None, typer.Option(help="Travels to set, such as -50,-25,0,25,50.")
    ] = None,
    step: Annotated[str | None, typer.Option(help="Travels by this step instead.")] = None,
    passes: Annotated[
        str | None, typer.Option(help="Passes in order.", show_default="up1,down1")
    ] = None,
) -> None:
    """Example: shimopt enter shimopt-demo --step 12.5 --passes up1,down1,up2,down2

    Asks for the readings of a run, travel by travel, and saves each before it asks for
    the next; stopped, it goes on where it was. Also takes answers from a pipe, one a line.
    """
    from optimizer.enter.sitting import sit
    from optimizer.enter.start import Asked

    asked = Asked(run=run, corner=corner, travels=travels, step=step, passes=passes)
    code = sit(folder, asked, columns(), folder_words(folder))
    if code:
        raise typer.Exit(code)


@shelf.command()
def undo(
    folder: Folder = Path(),
    further: Annotated[bool, typer.Option("--further", help="Take back one change more.")] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what would change; change nothing.")
    ] = False,
) -> None:
    """Example: shimopt undo shimopt-demo --dry-run

    Takes back the last change the tool made, byte for byte; undo again brings it back.
    --further takes back one change more each time; each undo then brings one back. A
    file that was edited since is left alone.
    """
    from optimizer.logbook.undo import diff_lines, plan_undo, told
    from optimizer.logbook.undo import undo as undo_change
    from optimizer.present.layout import wrapped

    way: Any = "further" if further else "last"
    plan = plan_undo(folder, way) if dry_run else undo_change(folder, way)
    if dry_run:
        write_lines(diff_lines(plan))
    done, way_on = told(plan, dry_run, folder_words(folder))
    write_lines(wrapped(done, columns()))
    if way_on:
        write_then(way_on)

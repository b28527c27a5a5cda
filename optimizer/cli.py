"""Commands: each parses, makes one call into the package, and shows the answer.

Heavy imports stand inside the command that needs them, so that the small ones
start at once.
"""

from __future__ import annotations

import contextlib
import shlex
import sys
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer
import typer.core

from optimizer import __version__
from optimizer.errors import (
    EXIT_COULD_NOT,
    EXIT_INTERRUPTED,
    EXIT_NOTHING_CAN_BE_MADE,
    CallError,
    NothingCanBeMadeError,
    ShimoptError,
)
from optimizer.terminal import (
    columns,
    drop_unwritten,
    headed,
    rows,
    say,
    tame_streams,
    write,
    write_json,
    write_lines,
    write_screens,
    write_then,
)

if TYPE_CHECKING:
    from optimizer.advise.repeats import RepeatAdvice
    from optimizer.kit.wheels import Place
    from optimizer.present.travels import EnterAsks
    from optimizer.records import Goal, Logbook


class _Commands(typer.core.TyperGroup):
    """The commands; Ctrl-C or the end of input at a prompt interrupts, as anywhere else."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except typer.Abort:
            say("")
            raise typer.Exit(EXIT_INTERRUPTED) from None


app = typer.Typer(
    name="shimopt",
    cls=_Commands,
    rich_markup_mode=None,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help=(
        "Example: shimopt demo, then: shimopt next shimopt-demo\n\n"
        "Turns toe readings of an adjustable link into the next shim split and link "
        "length to try, with what to expect and how far the eccentric must come back."
    ),
    epilog="Exit codes: 0 done, 1 could not, 2 wrong call, 3 faults in the logbook, "
    "4 too few readings, 5 nothing can be made, 130 interrupted.",
)

Folder = Annotated[Path, typer.Argument(help="Folder of the logbook.", show_default="this folder")]
CornerName = Annotated[
    str | None, typer.Option("--corner", help="One corner only, by its name in car.toml.")
]
Until = Annotated[
    str | None, typer.Option("--until", help="As if the logbook ended with this run.")
]
LeaveOut = Annotated[
    list[str] | None,
    typer.Option("--leave-out", help="Leave a run's readings out, or run:pass; again for more."),
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document instead of the screen.")]
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


def _version(show: bool) -> None:
    if show:
        typer.echo(f"shimopt {__version__}")
        raise typer.Exit


@app.callback()
def _all(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Show the version."),
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show a traceback on an error.")] = False,
) -> None:
    pass


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Where to put it.")] = Path("shimopt-demo"),
) -> None:
    """Example: shimopt demo

    Puts the demo logbook, an invented rally car, into a folder of its own and shows
    the advice for it. Never overwrites.
    """
    from optimizer.demo_files import copy_demo

    copy_demo(folder)
    say(f"the demo logbook is in {folder}")
    _show_next(_book(folder), None, None, _where(folder), as_json=False, out=None)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(help="Folder to make.")],
    units: Annotated[
        str | None, typer.Option(help="mm, in, or three words: reading,travel,length.")
    ] = None,
    span: Annotated[
        str | None,
        typer.Option(help="Of the gauge, or the throw of a spot, in the length unit."),
    ] = None,
    gauge: Annotated[
        str | None,
        typer.Option(help="one-dial (if not said), two-dials, toe-plate, spot or direct-angle."),
    ] = None,
    rising: Annotated[
        str | None, typer.Option(help="toe-in or toe-out: which way the gauge climbs.")
    ] = None,
    longer: Annotated[
        str | None,
        typer.Option(
            help="In place of --rising: up or down, what the gauge did when the link was "
            "lengthened one turn."
        ),
    ] = None,
    reference: Annotated[
        str | None,
        typer.Option(help="Toe plate: inboard or outboard, where it is measured from."),
    ] = None,
    link: Annotated[
        str | None, typer.Option(help="ahead or behind the line through the carrier's pivots.")
    ] = None,
    above: Annotated[str | None, typer.Option(help="Shims above the joint, as 3+1.")] = None,
    below: Annotated[str | None, typer.Option(help="Shims below the joint, as 2x1.")] = None,
    table: Annotated[
        Path | None, typer.Option(help="A table of readings to take in; - for pasted text.")
    ] = None,
    corner: Annotated[str, typer.Option(help="Name of the corner.")] = "rear-left",
    side: Annotated[
        str | None, typer.Option(help="left or right, if the name does not say.")
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
    --above 3+1 --below 2x1 --table readings.txt

    Starts a logbook from six answers and, if you have it, one pasted table of
    readings. Asks for what is missing when it runs on a terminal.
    """
    from optimizer.logbook import start_logbook
    from optimizer.questions import answers_from, call_again, was_asked

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
    then = "next" if answers.table else "enter"
    write_then(f"shimopt {then}{_where(folder)}")


@app.command("import")
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
    """Example: shimopt import readings.csv my-car

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
    write_lines(written_lines(plan, columns(), _where(folder)))


@app.command()
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
    """Example: shimopt enter my-car --step 12.5 --passes up1,down1,up2,down2

    Asks for the readings of a run, travel by travel, and saves each before it asks for
    the next; stopped, it goes on where it was. Also takes answers from a pipe, one a line.
    """
    from optimizer.enter.sitting import sit
    from optimizer.enter.start import Asked

    asked = Asked(run=run, corner=corner, travels=travels, step=step, passes=passes)
    code = sit(folder, asked, columns(), _where(folder))
    if code:
        raise typer.Exit(code)


@app.command()
def undo(
    folder: Folder = Path(),
    further: Annotated[bool, typer.Option("--further", help="Take back one change more.")] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what would change; change nothing.")
    ] = False,
) -> None:
    """Example: shimopt undo my-car --dry-run

    Takes back the last change the tool made, byte for byte; undo again brings it back.
    --further takes back one change more each time; each undo then brings one back. A
    file that was edited since is left alone.
    """
    from optimizer.logbook.undo import diff_lines, plan_undo, told
    from optimizer.logbook.undo import undo as undo_change

    way: Any = "further" if further else "last"
    plan = plan_undo(folder, way) if dry_run else undo_change(folder, way)
    if dry_run:
        write_lines(diff_lines(plan))
    done, way_on = told(plan, dry_run, _where(folder))
    write(done)
    if way_on:
        write_then(way_on)


@app.command()
def check(
    folder: Folder = Path(),
    as_json: AsJson = False,
    repeats: Annotated[
        bool, typer.Option("--repeats", help="What the gauge repeats to, and what to repeat.")
    ] = False,
) -> None:
    """Example: shimopt check shimopt-demo

    Reads the whole logbook, lists every fault with its remedy, and says how good
    the readings are and what may be wrong with them. Changes nothing.
    """
    from optimizer.advise.suspects import suspects
    from optimizer.logbook import read_logbook
    from optimizer.measure.curve import has_curve
    from optimizer.measure.quality import run_quality
    from optimizer.measure.spreads import gauge_study
    from optimizer.present.screens import check_screen

    book = read_logbook(folder)
    qualities = [run_quality(book, r) for r in book.runs if has_curve(book.readings_of(r.name))]
    found = suspects(book)
    study = gauge_study(book, [name for s in found for name in s.runs])
    again: Sequence[RepeatAdvice] | None = None
    if repeats:
        from optimizer.advise.repeats import worth_repeating

        measured = {q.run.corner for q in qualities}
        again = [worth_repeating(book, name) for name in book.corners if name in measured]
    if as_json:
        from optimizer.present.document import check_document

        write_json(check_document(book, qualities, found, study, again))
    elif again is not None:
        from optimizer.present.repeats import repeats_screen

        write_lines(repeats_screen(book, study, again, columns(), _where(folder)))
    else:
        write_lines(check_screen(book, qualities, columns(), _where(folder), found, study))


@app.command()
def curves(
    folder: Folder = Path(),
    corner: CornerName = None,
    until: Until = None,
    leave_out: LeaveOut = None,
    out: Out = None,
    as_json: AsJson = False,
) -> None:
    """Example: shimopt curves shimopt-demo --out curves.png

    Toe against travel for every run: slope, bow, twist, peak-to-peak and RMS, with
    their errors.
    """
    from optimizer.present.gallery import corner_curves
    from optimizer.present.screens import curves_screen

    book = _book(folder, until, leave_out)
    corners = [corner_curves(book, name) for name in _corners(book, corner)]
    if as_json:
        from optimizer.present.document import curves_document

        write_json(curves_document(book, corners))
    else:
        for _, window, runs in corners:
            write_lines(curves_screen(book, runs, window, columns(), _where(folder)))
    if out is not None:
        from optimizer.present.crew import Crew
        from optimizer.present.plot import curves_picture, save

        for name, _, runs in corners:
            path = _picture_path(out, name, len(corners))
            pairs = [(run.name, curve) for run, curve, _ in runs]
            save(curves_picture(name, pairs, Crew.of(book)), path)
            say(f"drew {path}")


@app.command("next")
def next_(
    folder: Folder = Path(),
    corner: CornerName = None,
    goal: GoalText = None,
    until: Until = None,
    leave_out: LeaveOut = None,
    out: Out = None,
    as_json: AsJson = False,
) -> None:
    """Example: shimopt next shimopt-demo --out next.png

    What to try next: stacks, turns and flats, eccentric; what the dial should then
    show; what would prove it wrong; and when to stop.
    """
    book = _book(folder, until, leave_out)
    _show_next(book, corner, goal, _where(folder), as_json=as_json, out=out)


def _show_next(
    book: Logbook,
    corner: str | None,
    goal: str | None,
    where: str,
    *,
    as_json: bool,
    out: Path | None,
) -> None:
    from optimizer.advise.advice import Advice
    from optimizer.advise.next_move import advise
    from optimizer.present.crew import Crew, corner_flag
    from optimizer.present.note import note

    names = _corners(book, corner)
    goals = _goals(book, names, goal)
    advices, refused = list[Advice](), list[NothingCanBeMadeError]()
    for name in names:
        try:
            advices.append(advise(book, name, goals[name]))
        except NothingCanBeMadeError as error:
            if len(names) == 1:
                raise
            refused.append(error)
    for why in refused:
        say(headed(why))
    if not advices:
        raise typer.Exit(EXIT_NOTHING_CAN_BE_MADE)
    crew = Crew.of(book)
    if as_json:
        from optimizer.present.document import next_document

        write_json(next_document(book, advices, where))
    else:
        flags = [where + corner_flag(book, a.corner.name) for a in advices]
        write_screens(
            note(a, crew, columns(), where=w) for a, w in zip(advices, flags, strict=True)
        )
    if out is not None:
        from optimizer.present.gallery import draw_advice

        for advice in advices:
            path = _picture_path(out, advice.corner.name, len(advices))
            draw_advice(book, advice, goals[advice.corner.name], path)
            say(f"drew {path}")
    if refused:
        raise typer.Exit(EXIT_NOTHING_CAN_BE_MADE)


@app.command()
def tradeoff(
    folder: Folder = Path(),
    at: Annotated[
        str, typer.Option("--at", help="Travel where toe is wanted, in your unit and sign.")
    ] = "",
    toe_out: Annotated[
        bool, typer.Option("--toe-out", help="Toe-out is wanted there, not toe-in.")
    ] = False,
    corner: CornerName = None,
    goal: GoalText = None,
    until: Until = None,
    leave_out: LeaveOut = None,
    out: Out = None,
    as_json: AsJson = False,
) -> None:
    """Example: shimopt tradeoff shimopt-demo --at -40 --out tradeoff.png

    What toe-in at one travel costs in change over the window: a few settings from least
    change to most toe, as it stands and the best measured among them.
    """
    from optimizer.advise.tradeoff import tradeoff as trade
    from optimizer.present.crew import Crew
    from optimizer.present.tradeoff import tradeoff_document, tradeoff_screen, travel_asked

    book = _book(folder, until, leave_out)
    at_mm = travel_asked(at, book)
    names, crew, where = _corners(book, corner), Crew.of(book), _where(folder)
    goals = _goals(book, names, goal)
    found = [trade(book, name, at_mm, goals[name], toe_in=not toe_out) for name in names]
    if as_json:
        write_json(tradeoff_document(book, found, where))
    else:
        write_screens(tradeoff_screen(one, crew, columns(), where) for one in found)
    if out is not None:
        from optimizer.present.plot import save
        from optimizer.present.tradeoff import tradeoff_picture

        for one in found:
            path = _picture_path(out, one.corner.name, len(found))
            save(tradeoff_picture(one, crew), path)
            say(f"drew {path}")


@app.command()
def axle(
    folder: Folder = Path(),
    name: Annotated[
        str | None, typer.Option("--axle", help="One axle only, by its name in car.toml.")
    ] = None,
    out: Out = None,
    as_json: AsJson = False,
) -> None:
    """Example: shimopt axle my-car --axle rear --out axle.png

    Both corners of an axle together: one setting for both or one each, the difference left
    to right, toe of the pair, steer in roll, and what they do to the car.
    """
    from optimizer.advise.axle import advise_axle, axle_named
    from optimizer.present.axle import axle_note
    from optimizer.present.crew import Crew

    book = _book(folder)
    answers = [advise_axle(book, one) for one in axle_named(book, name)]
    crew = Crew.of(book)
    if as_json:
        from optimizer.present.axle_document import axle_document

        write_json(axle_document(book, answers, _where(folder)))
    else:
        write_screens(
            axle_note(answer, crew, columns(), where=_where(folder)) for answer in answers
        )
    if out is not None:
        from optimizer.present.axle_plot import draw_axle

        for answer in answers:
            path = _picture_path(out, answer.axle.name, len(answers))
            say(f"drew {path}" if draw_axle(answer, crew, path) else "nothing drawn: one side only")


@app.command()
def kit(
    folders: Annotated[
        list[Path] | None,
        typer.Argument(help="Folders of logbooks, one or more.", show_default="this folder"),
    ] = None,
    corner: Annotated[
        list[str] | None, typer.Option("--corner", help="These corners only; again for more.")
    ] = None,
    offers: Annotated[
        Path | None, typer.Option(help="What shims cost.", show_default="offers.csv in the folder")
    ] = None,
    price: Annotated[
        str | None, typer.Option(help="Or the price of a shim of any usual thickness.")
    ] = None,
    pack: Annotated[int, typer.Option(help="With --price: pieces in a pack.")] = 1,
    on_hand: Annotated[
        str | None,
        typer.Option(help="Every shim there is, if not what car.toml lists: 3+2+4x1."),
    ] = None,
    both_sides: Annotated[
        bool, typer.Option("--both-sides", help="Each corner's other wheel is set alike.")
    ] = False,
    spares: Annotated[int, typer.Option(help="To keep of each size in use.")] = 0,
    shim_tolerance: Annotated[
        str | None, typer.Option(help="How far a shim may be off.", show_default="0.01 mm")
    ] = None,
    budget: Annotated[str | None, typer.Option(help="Most to spend.")] = None,
    loss: Annotated[
        str | None, typer.Option(help="Most toe change to lose on average, in place of a budget.")
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", help='If a box were all there is: "few=3+2+4x1"; again for more.'),
    ] = None,
    one_more: Annotated[
        bool, typer.Option("--one-more", help="What one size more would save.")
    ] = False,
    recipes: Annotated[
        bool, typer.Option("--recipes", help="How to stack each joint height.")
    ] = False,
    draw: Annotated[
        int | None, typer.Option("--draw", help="One draw, by its number, reckoned again.")
    ] = None,
    shopping: Annotated[
        Path | None, typer.Option("--shopping", help="Write what to buy to a .csv file.")
    ] = None,
    blank: Annotated[
        Path | None, typer.Option("--blank", help="Start a list of offers to fill in, and stop.")
    ] = None,
    goal: GoalText = None,
    until: Until = None,
    leave_out: LeaveOut = None,
    out: Out = None,
    as_json: AsJson = False,
) -> None:
    """Example: shimopt kit my-car --both-sides --budget 30 --shopping list.csv

    Which shims to buy: what each purchase loses because a setting cannot be stacked, over
    all the settings that the readings leave open, for all corners at once.
    """
    from optimizer.kit_call import KitCall, answer, call_flags, check_call, priced_words
    from optimizer.present import kit as screen
    from optimizer.present.crew import Crew

    call = KitCall(
        folders=tuple(folders or [Path()]),
        offers=offers,
        price=price,
        pack=pack,
        on_hand=on_hand,
        both_sides=both_sides,
        spares=spares,
        shim_tolerance=shim_tolerance,
        budget=budget,
        loss=loss,
        only=tuple(only or ()),
        one_more=one_more,
        shopping=shopping,
        out=out,
        answers=(("--recipes", recipes), ("--draw", draw is not None), ("--json", as_json)),
    )
    if blank is not None:
        _blank_offers(call.folders[0], blank)
        return
    check_call(call)
    if out is not None:
        from optimizer.present.plot import check_suffix

        check_suffix(out)
    books = [_book(folder, until, leave_out) for folder in call.folders]
    advice = answer(call, books[0], _places(call.folders, books, corner, goal))
    replayed = None if draw is None else advice.planner.replay(advice.kit, draw)
    crew, width = Crew.of(books[0]), columns()
    told = [*(["--goal", goal] if goal else []), *(["--until", until] if until else [])]
    told += [word for name in leave_out or () for word in ("--leave-out", name)]
    folder_words = [str(f) for f in call.folders if f != Path()]
    where = screen.call_words(folder_words, [*call_flags(call, corner or []), *told])
    if as_json:
        from optimizer.present.kit_document import kit_document

        write_json(kit_document(books[0], advice, crew))
    elif replayed is not None and draw is not None:
        write_lines(screen.replay_screen(advice, draw, replayed, crew, width))
    elif recipes:
        flags = [*told, *(["--corner", corner[0]] if corner and len(corner) == 1 else [])]
        each = [screen.call_words([str(f)] if f != Path() else [], flags) for f in call.folders]
        then = "; ".join(f"shimopt next{words}" for words in each)
        write_lines(screen.recipes_screen(advice, crew, width, then))
    else:
        priced = priced_words(call, len(advice.planner.catalogue.offers))
        write_lines(screen.kit_screen(advice, crew, width, where, priced))
    if shopping is not None:
        from optimizer.present.kit_document import shopping_list
        from optimizer.present.plot import put

        put(shopping_list(advice, crew), shopping)
        say(f"wrote {shopping}")
    if out is not None:
        from optimizer.present.kit_plot import kit_picture
        from optimizer.present.plot import save

        save(kit_picture(advice, crew), out)
        say(f"drew {out}")


def _blank_offers(folder: Path, path: Path) -> None:
    """Start a list of offers in the unit of the logbook there, or in mm."""
    from optimizer.kit_call import write_blank

    unit = _book(folder).units.length if (folder / "car.toml").exists() else "mm"
    write_blank(path, unit)
    write(f"made {path}")
    write_then(f"write the prices in it, then: shimopt kit{_where(folder)} --offers {path}")


def _places(
    folders: Sequence[Path],
    books: Sequence[Logbook],
    wanted: Sequence[str] | None,
    goal: str | None,
) -> list[Place]:
    """The corners to plan for: those named, or all that are measured, of every logbook."""
    from optimizer.kit.wheels import Place

    for name in wanted or ():
        if not any(name in book.corners for book in books):
            _corners(books[0], name)
    out = []
    for folder, book in zip(folders, books, strict=True):
        names = [n for n in wanted if n in book.corners] if wanted else _corners(book, None)
        goals = _goals(book, names, goal)
        ahead = f"{folder.name or book.car}:" if len(books) > 1 else ""
        out += [Place(label=ahead + n, book=book, corner=n, goal=goals[n]) for n in names]
    if len({place.label for place in out}) < len(out):
        raise CallError("a corner is in the plan twice", "name each logbook and corner once")
    return out


@app.command()
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
    paper: Annotated[str, typer.Option("--paper", help="Of the .pdf: a4 or letter.")] = "a4",
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
    book = _book(folder, until, leave_out)
    names = _corners(book, corner)
    goals = _goals(book, names, goal)
    asked = asked_words(goal, until, leave_out)
    for line in write_briefs(call, book, [(n, goals[n]) for n in names], asked):
        write(line)
    if not markdown:
        write_then(f"open {out.name if len(names) == 1 else 'each'} in any browser, or send it on")


@app.command()
def sheet(
    folder: Folder = Path(),
    corner: CornerName = None,
    goal: GoalText = None,
    until: Until = None,
    leave_out: LeaveOut = None,
    out: Annotated[Path, typer.Option("--out", help="The .pdf file to write.")] = Path("sheet.pdf"),
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
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
    whole = _book(folder)
    book = _narrowed(whole, until, leave_out)
    names = list(book.corners) if corner is None else _corners(book, corner)
    goals = _goals(book, names, goal)
    asked = Asked(travels=travels, step=step)
    sheets = [
        corner_sheet(
            book, name, asked, goals[name], first=first, own=_enter_asks(folder, whole, name)
        )
        for name in names
    ]
    write_sheets(sheets, out, size)
    write(f"made {out}: {', '.join(names)}")
    entering = [
        f"shimopt enter{_where(folder)}{corner_flag(book, name)}{page.enter_flags}"
        for name, page in zip(names, sheets, strict=True)
    ]
    shown = f"shimopt brief{_where(folder)}"
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


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with a documented exit code."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    tame_streams()
    try:
        with _only_named(words):
            app(words, standalone_mode=True)
    except ShimoptError as error:
        if "--debug" in words:
            raise
        say(headed(error))
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        sys.exit(EXIT_INTERRUPTED)
    except OSError as error:
        drop_unwritten()
        if "--debug" in words:
            raise
        where = f"{error.filename}" if error.filename else "the answer could not be written"
        say(f"shimopt: {where}: {error.strerror or error}")
        sys.exit(EXIT_COULD_NOT)
    sys.exit(0)


@contextlib.contextmanager
def _only_named(words: Sequence[str]) -> Iterator[None]:
    """Leave the other commands unbuilt where one is named: their flags take longer than `undo`."""
    every = app.registered_commands
    first = next((word for word in words if not word.startswith("-")), None)
    named = [c for c in every if c.callback and first == (c.name or c.callback.__name__)]
    app.registered_commands = named or every
    try:
        yield
    finally:
        app.registered_commands = every


def _where(folder: Path) -> str:
    """What the next command needs to find the same logbook."""
    return "" if folder == Path() else f" {shlex.quote(str(folder))}"


def _book(
    folder: Path, until: str | None = None, leave_out: Sequence[str] | None = None
) -> Logbook:
    from optimizer.logbook import read_logbook

    return _narrowed(read_logbook(folder), until, leave_out)


def _narrowed(book: Logbook, until: str | None, leave_out: Sequence[str] | None) -> Logbook:
    book = book if until is None else book.as_of(until)
    return book.without(leave_out) if leave_out else book


def _corners(book: Logbook, corner: str | None) -> list[str]:
    """The corner asked for, or every corner that has readings."""
    if corner is not None:
        if corner not in book.corners:
            raise CallError(
                f"the logbook has no corner {corner!r}", f"use one of {', '.join(book.corners)}"
            )
        return [corner]
    measured = {r.corner for r in book.runs if book.readings_of(r.name)}
    for name in book.corners:
        if name not in measured and measured:
            say(f"{name} has no readings yet: left out")
    return [name for name in book.corners if name in measured] or list(book.corners)


def _goals(book: Logbook, names: Iterable[str], typed: str | None) -> dict[str, Goal | None]:
    """The goal typed, as each corner reads it; None where the corner's own holds."""
    if typed is None:
        return dict.fromkeys(names)
    from optimizer.logbook import parse_goal

    return {name: parse_goal(typed, book, name) for name in names}


def _picture_path(out: Path, corner: str, n_corner: int) -> Path:
    from optimizer.present.plot import check_suffix, corner_path

    check_suffix(out)
    return corner_path(out, corner, n_corner)

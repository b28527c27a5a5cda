"""Commands that answer from a logbook and write nothing but a picture.

Heavy imports stand inside the command that needs them, so that the small ones
start at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.commands.app import shelf
from optimizer.commands.options import (
    AsJson,
    AxleName,
    CornerName,
    Folder,
    GoalText,
    LeaveOut,
    Out,
    Until,
)
from optimizer.commands.reading import corners_of, folder_words, goals_of, picture_path, read
from optimizer.errors import (
    EXIT_NOTHING_CAN_BE_MADE,
    NothingCanBeMadeError,
)
from optimizer.terminal import (
    columns,
    headed,
    height,
    say,
    write_json,
    write_lines,
    write_screens,
)

if TYPE_CHECKING:
    from optimizer.advise.repeats import RepeatAdvice
    from optimizer.records import Logbook


@shelf.command()
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
    from optimizer.advise.evidence import static_toe_doubts
    from optimizer.advise.suspects import suspects
    from optimizer.logbook import read_logbook
    from optimizer.measure.curve import has_curve
    from optimizer.measure.quality import run_qualities
    from optimizer.measure.spreads import gauge_study
    from optimizer.present.screens import check_screen

    book = read_logbook(folder)
    curved = (r for r in book.runs if has_curve(book.readings_of(r.name)))
    qualities = list(run_qualities(book, curved))
    found = suspects(book)
    study = gauge_study(book, [name for s in found for name in s.runs])
    toe = static_toe_doubts(book)
    again: Sequence[RepeatAdvice] | None = None
    if repeats:
        from optimizer.advise.repeats import worth_repeating

        measured = {q.run.corner for q in qualities}
        again = [worth_repeating(book, name) for name in book.corners if name in measured]
    if as_json:
        from optimizer.present.document import check_document

        write_json(check_document(book, qualities, found, study, again, toe))
    elif again is not None:
        from optimizer.present.repeats import repeats_screen

        write_lines(repeats_screen(book, study, again, columns(), folder_words(folder)))
    else:
        where = folder_words(folder)
        write_lines(check_screen(book, qualities, columns(), where, found, study, toe))


@shelf.command()
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

    book = read(folder, until, leave_out)
    corners = [corner_curves(book, name) for name in corners_of(book, corner)]
    if as_json:
        from optimizer.present.document import curves_document

        write_json(curves_document(book, corners))
    else:
        for _, window, runs in corners:
            write_lines(curves_screen(book, runs, window, columns(), folder_words(folder)))
    if out is not None:
        from optimizer.present.crew import Crew
        from optimizer.present.plot import curves_picture, save

        for name, _, runs in corners:
            path = picture_path(out, name, len(corners))
            pairs = [(run.name, curve) for run, curve, _ in runs]
            save(curves_picture(name, pairs, Crew.of(book)), path)
            say(f"drew {path}")


@shelf.command("next")
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
    book = read(folder, until, leave_out)
    _show_next(book, corner, goal, folder_words(folder), as_json=as_json, out=out)


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

    names = corners_of(book, corner)
    goals = goals_of(book, names, goal)
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
            note(a, crew, columns(), height(), w) for a, w in zip(advices, flags, strict=True)
        )
    if out is not None:
        from optimizer.present.gallery import draw_advice

        for advice in advices:
            path = picture_path(out, advice.corner.name, len(advices))
            draw_advice(book, advice, goals[advice.corner.name], path)
            say(f"drew {path}")
    if refused:
        raise typer.Exit(EXIT_NOTHING_CAN_BE_MADE)


@shelf.command()
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

    book = read(folder, until, leave_out)
    at_mm = travel_asked(at, book)
    names, crew, where = corners_of(book, corner), Crew.of(book), folder_words(folder)
    goals = goals_of(book, names, goal)
    found = [trade(book, name, at_mm, goals[name], toe_in=not toe_out) for name in names]
    if as_json:
        write_json(tradeoff_document(book, found, where))
    else:
        write_screens(tradeoff_screen(one, crew, columns(), where) for one in found)
    if out is not None:
        from optimizer.present.plot import save
        from optimizer.present.tradeoff import tradeoff_picture

        for one in found:
            path = picture_path(out, one.corner.name, len(found))
            save(tradeoff_picture(one, crew), path)
            say(f"drew {path}")


@shelf.command()
def axle(
    folder: Folder = Path(),
    name: AxleName = None,
    out: Out = None,
    as_json: AsJson = False,
) -> None:
    """Example: shimopt axle shimopt-demo/both-wheels --out axle.png

    Both corners of an axle together: one setting for both or one each, the difference left
    to right, toe of the pair, steer in roll, and what they do to the car.
    """
    from optimizer.advise.axle import advise_axle, axle_named
    from optimizer.present.axle import axle_note
    from optimizer.present.crew import Crew

    book = read(folder)
    answers = [advise_axle(book, one) for one in axle_named(book, name)]
    crew = Crew.of(book)
    if as_json:
        from optimizer.present.axle_document import axle_document

        write_json(axle_document(book, answers, folder_words(folder)))
    else:
        write_screens(
            axle_note(answer, crew, columns(), height(), folder_words(folder)) for answer in answers
        )
    if out is not None:
        from optimizer.present.axle_plot import draw_axle

        for answer in answers:
            path = picture_path(out, answer.axle.name, len(answers))
            say(f"drew {path}" if draw_axle(answer, crew, path) else "nothing drawn: one side only")

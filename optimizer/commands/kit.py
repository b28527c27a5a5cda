"""The command that plans what shims to buy.

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
    Corners,
    GoalText,
    LeaveOut,
    Out,
    Until,
)
from optimizer.commands.reading import corners_of, folder_words, goals_of, read
from optimizer.errors import (
    CallError,
)
from optimizer.terminal import (
    columns,
    patience,
    say,
    write,
    write_json,
    write_lines,
    write_then,
)

if TYPE_CHECKING:
    from optimizer.kit.wheels import Place
    from optimizer.records import Logbook


@shelf.command()
def kit(
    folders: Annotated[
        list[Path] | None,
        typer.Argument(help="Folders of logbooks, one or more.", show_default="this folder"),
    ] = None,
    corner: Corners = None,
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
    """Example: shimopt kit shimopt-demo --both-sides --budget 30 --shopping list.csv

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
    books = [read(folder, until, leave_out) for folder in call.folders]
    with patience("weighing purchases, which may take half a minute; Ctrl-C stops"):
        advice = answer(call, books[0], _places(call.folders, books, corner, goal))
    replayed = None if draw is None else advice.planner.replay(advice.kit, draw)
    crew, width = Crew.of(books[0]), columns()
    told = [*(["--goal", goal] if goal else []), *(["--until", until] if until else [])]
    told += [word for name in leave_out or () for word in ("--leave-out", name)]
    said = [str(f) for f in call.folders if f != Path()]
    where = screen.call_words(said, [*call_flags(call, corner or []), *told])
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

    unit = read(folder).units.length if (folder / "car.toml").exists() else "mm"
    write_blank(path, unit)
    write(f"made {path}")
    write_then(f"write the prices in it, then: shimopt kit{folder_words(folder)} --offers {path}")


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
            corners_of(books[0], name)
    out = []
    for folder, book in zip(folders, books, strict=True):
        names = [n for n in wanted if n in book.corners] if wanted else corners_of(book, None)
        goals = goals_of(book, names, goal)
        ahead = f"{folder.name or book.car}:" if len(books) > 1 else ""
        out += [Place(label=ahead + n, book=book, corner=n, goal=goals[n]) for n in names]
    if len({place.label for place in out}) < len(out):
        raise CallError("a corner is in the plan twice", "name each logbook and corner once")
    return out

"""The call of ``brief``: what was typed, checked, and the files written once all is made."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from optimizer.errors import CallError
from optimizer.record import record
from optimizer.records import Goal, Logbook

ENDINGS = (".html", ".htm")


@record
class BriefCall:
    """What was typed."""

    out: Path
    pdf: Path | None = None
    paper: str = "a4"
    markdown: bool = False
    attach: tuple[Path, ...] = ()


def check_call(call: BriefCall) -> None:
    """CallError for what is wrong with the call itself, before a logbook is read."""
    from optimizer.present.leaf import check_paper
    from optimizer.present.paper import check_ending

    if call.out.suffix.lower() not in ENDINGS:
        raise CallError(f"{call.out.name} does not end in .html", "end it in .html")
    check_paper(call.paper)
    if call.markdown and (call.attach or call.pdf is not None):
        raise CallError(
            "a message for a chat holds no files", "take --attach and --pdf away, or --markdown"
        )
    if call.pdf is not None:
        check_ending(call.pdf)


def asked_words(goal: str | None, until: str | None, leave_out: Sequence[str] | None) -> str:
    """The flags that bear on the answer, for the stamp."""
    out = [f"--goal {goal}"] if goal else []
    out += [f"--until {until}"] if until else []
    return " ".join([*out, *(f"--leave-out {name}" for name in leave_out or ())])


def write_briefs(
    call: BriefCall, book: Logbook, corners: Sequence[tuple[str, Goal | None]], asked: str
) -> list[str]:
    """Make every corner's brief, then write them all; what to tell of it.

    Raises
    ------
    ShimoptError
        What the advice, the attachments and the disk raise.
    """
    from optimizer.logbook.fingerprint import fingerprint
    from optimizer.present.attached import attach
    from optimizer.present.brief import corner_brief
    from optimizer.present.brief_message import message
    from optimizer.present.brief_page import page
    from optimizer.present.crew import Crew
    from optimizer.present.plot import corner_path, put

    attached = [attach(path) for path in call.attach]
    names = [one.name for one in attached]
    crew, digest = Crew.of(book), fingerprint(book.folder)
    briefs = [
        corner_brief(
            book, name, goal, today=date.today(), digest=digest, asked=asked, attached=names
        )
        for name, goal in corners
    ]
    if call.markdown:
        return ["\n\n".join(message(one) for one in briefs)]
    made: list[tuple[Path, bytes]] = []
    for one in briefs:
        path = corner_path(call.out, one.corner, len(briefs))
        made.append((path, page(one, crew, attached).encode("utf-8")))
    if call.pdf is not None:
        from optimizer.present.brief_paper import sheets

        made.append((call.pdf, sheets(briefs, crew, call.paper)))
    for path, content in made:
        put(content, path)
    return [f"made {path} ({len(content) / 1000:.0f} kB)" for path, content in made]

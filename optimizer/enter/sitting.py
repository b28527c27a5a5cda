"""The command ``enter`` from start to end: recover, plan, ask, and say what comes next."""

from __future__ import annotations

from pathlib import Path

from optimizer.enter.session import Outcome, Sitting
from optimizer.enter.start import Asked, plan_of, recover
from optimizer.enter.talk import Talk
from optimizer.errors import EXIT_DONE, EXIT_INTERRUPTED
from optimizer.logbook import read_logbook
from optimizer.present.crew import Crew
from optimizer.present.layout import LABEL_WIDTH, NARROW, counted, labelled
from optimizer.records import Logbook


def sit(folder: Path, asked: Asked, width: int, where: str) -> int:
    """Hold one sitting; the exit code.

    Raises
    ------
    LogbookError : the logbook has faults, or a file was changed meanwhile
    CallError : a flag, or an answer from a pipe, cannot be
    """
    talk = Talk(width)
    recover(folder, talk)
    book = read_logbook(folder, short=True)
    sitting = Sitting(folder, plan_of(folder, book, asked), talk)
    try:
        outcome = sitting.hold()
    except KeyboardInterrupt:
        talk.tell("")
        talk.tell(_end(sitting.outcome(), sitting.book, width, where))
        return EXIT_INTERRUPTED
    talk.tell(_end(outcome, sitting.book, width, where))
    return EXIT_DONE


def _end(outcome: Outcome, book: Logbook, width: int, where: str) -> list[str]:
    crew = Crew.of(book)
    # a command to type keeps to one line
    then = "Then\n  shimopt " if width < NARROW else f"{'Then':<{LABEL_WIDTH}}shimopt "
    if outcome.setting_open:
        saved = f"{outcome.run} has no row yet; the answers so far are kept"
        return [*labelled("Stopped", saved, width), f"{then}enter{where}"]
    count = f"{counted(outcome.n_reading, 'reading')} of {outcome.run} saved"
    if outcome.upcoming is None:
        return [*labelled("Done", count, width), f"{then}check{where}"]
    stop = outcome.upcoming
    text = f"{count}; next is {stop.sweep} {stop.place(crew)}"
    if outcome.unsaved:
        text += f". Not saved: {outcome.unsaved}"
    return [*labelled("Stopped", text, width), f"{then}enter{where}"]

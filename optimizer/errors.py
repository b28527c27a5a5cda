"""Every error a user can cause, and the exit code each one ends with; what no text may hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar

from optimizer.record import record

EXIT_DONE = 0
EXIT_COULD_NOT = 1
EXIT_WRONG_CALL = 2
EXIT_BAD_LOGBOOK = 3
EXIT_TOO_FEW_READINGS = 4
EXIT_NOTHING_CAN_BE_MADE = 5
EXIT_INTERRUPTED = 130

# what a terminal acts on instead of showing: controls but tab and line end, and what turns
# the direction of writing
STEERING = (
    *range(0x09),
    *range(0x0B, 0x20),
    *range(0x7F, 0xA0),
    *range(0x202A, 0x202F),
    *range(0x2066, 0x206A),
)
HARMLESS = dict.fromkeys(STEERING, "\ufffd")  # for str.translate


@record
class Problem:
    """One fault in a logbook: where it stands, what it is and how to mend it.

    ``line`` and ``column`` count from one, as an editor does; zero means the
    whole file. ``excerpt`` is the line as the crew typed it, ``width`` how many
    of its characters are at fault from ``column`` on.
    """

    code: str
    file: str
    line: int = 0
    column: int = 0
    width: int = 1
    excerpt: str = ""
    found: str
    remedy: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        lines = [f"{place}: {self.found} [{self.code}]"]
        if self.excerpt:
            lines.append(f"    {self.excerpt}")
            if self.column:
                pad = "".join("\t" if c == "\t" else " " for c in self.excerpt[: self.column - 1])
                lines.append(f"    {pad}{'^' * max(1, self.width)}")
        lines.append(f"  mend: {self.remedy}")
        return "\n".join(lines)


@dataclass(eq=False)
class ShimoptError(Exception):
    """Base of all errors a user can cause.

    ``found`` says what is wrong and where, ``remedy`` how to mend it.
    """

    found: str
    remedy: str = ""
    exit_code: ClassVar[int] = EXIT_COULD_NOT

    def __str__(self) -> str:
        return f"{self.found}\n  mend: {self.remedy}" if self.remedy else self.found


class CallError(ShimoptError):
    """The command line, or an argument of a public function, is wrong."""

    exit_code = EXIT_WRONG_CALL


@dataclass(eq=False)
class LogbookError(ShimoptError):
    """The logbook's files hold faults; all independent ones are listed."""

    problems: Sequence[Problem] = field(default_factory=tuple)
    exit_code: ClassVar[int] = EXIT_BAD_LOGBOOK

    def __str__(self) -> str:
        return "\n".join([*(str(p) for p in self.problems), self.found])


class TooFewReadingsError(ShimoptError):
    """The readings are sound but not enough for the answer that was asked."""

    exit_code = EXIT_TOO_FEW_READINGS


class NothingCanBeMadeError(ShimoptError):
    """No setting is left once shims, thread, eccentric and limits have had their say."""

    exit_code = EXIT_NOTHING_CAN_BE_MADE


class LinkageError(ShimoptError):
    """The rods cannot be assembled in the pose that was asked, or lock there."""


class SolverStoppedError(ShimoptError):
    """A solver stopped (time, or trouble with the numbers) before it had proved its answer.

    Exit code 1: it could not be done, and no half answer is given.
    """

    exit_code = EXIT_COULD_NOT

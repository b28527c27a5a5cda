"""Plays commands on hostile logbooks and tells everything that Python was asked to run.

Run by test_security.py in a process of its own, since an audit hook cannot be taken back:
``python tests/storm/watched.py FOLDER``. Prints a line for each thing run, then how many
calls were played.
"""

from __future__ import annotations

import importlib
import shutil
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from tests.storm import judge, mutations  # noqa: E402
from tests.storm.run import Dice  # noqa: E402

FORBIDDEN = (
    "os.system", "os.exec", "os.posix_spawn", "os.spawn", "os.fork", "os.forkpty", "pty.spawn",
    "subprocess.", "socket.", "urllib.", "http.", "ftplib.", "smtplib.", "pickle.", "ctypes.",
    "code.", "cpython.run_", "builtins.breakpoint", "shutil.unpack_archive", "webbrowser.",
)  # fmt: skip
WORDS = ("exec", "compile", *FORBIDDEN)
HOSTILE = (
    "__import__('os').system('touch owned')", "=cmd|' /C calc'!owned", "$(touch owned)",
    "`touch owned`", "';touch owned;'", "!!python/object/apply:os.system ['touch owned']",
    "cos system (S'touch owned' tR.", "{owned.__class__.__mro__}", "%(owned)s",
    "\u001b]0;owned\u0007", "http://127.0.0.1:9/owned", "file:///etc/owned", "//host/owned",
    "import owned", "@import url(http://127.0.0.1:9/owned)",
)  # fmt: skip


TOKEN = "owned"  # in every hostile name
OURS = str(ROOT / "optimizer")


class Watch:
    """What was run while it was armed: text of a logbook's, or text run by our own code.

    Libraries make code of their own text as they load; that is theirs.
    """

    def __init__(self) -> None:
        self.armed = False
        self.seen: set[str] = set()

    def __call__(self, event: str, args: tuple[Any, ...]) -> None:
        """One audit event."""
        if not self.armed or not event.startswith(WORDS):
            return
        if event in ("exec", "compile"):
            asker = sys._getframe(1).f_code
            ours = asker.co_filename.startswith(OURS) and asker.co_name != "<module>"
            if not ours and TOKEN not in str(args[0]):
                return
        self.seen.add(f"{event} {str(args)[:300]}")


def main() -> int:
    """Warm up on good logbooks, then watch."""
    home = Path(sys.argv[1])
    bases = mutations.make_bases(home / "bases")
    for name in ("answers", "files", "kit", "papers"):
        importlib.import_module(f"optimizer.commands.{name}")
    dice, played = Dice(5), 0
    warm = shutil.copytree(bases[0], home / "warm")
    for kind in mutations.KINDS:  # what is loaded and made once
        judge.play(warm, *mutations.call_of(dice, kind))
    watch = Watch()
    sys.addaudithook(watch)
    for seed, kind in enumerate(mutations.KINDS):
        room = home / f"{seed}"
        room.mkdir()
        dice = Dice(seed)
        base = mutations.pick(dice, bases)
        for path in base.iterdir():
            if path.is_file():
                (room / path.name).write_bytes(_hostile(path.read_bytes(), seed))
        words, typed = mutations.call_of(dice, kind)
        watch.armed = True
        judge.play(room, words, typed)
        watch.armed = False
        played += 1
        if (room / "owned").exists():
            watch.seen.add("owned")
    print(*sorted(watch.seen), f"played {played}", sep="\n")
    return 0


def _hostile(data: bytes, seed: int) -> bytes:
    """The names of the crew's in a file, all of them hostile; its numbers as they were."""
    text = data.decode("utf-8")
    for at, name in enumerate(("as-found", "up1", "joint-up", "run1", "Nightjar")):
        text = text.replace(name, _cell(HOSTILE[(seed + at) % len(HOSTILE)]))
    return text.encode("utf-8")


def _cell(text: str) -> str:
    """Without what would part cells or end a string."""
    plain = text.translate(str.maketrans({",": ".", '"': "'", "\n": " ", "\t": " "}))
    return "".join(c for c in plain if c >= " ").replace("\\", "/")


if __name__ == "__main__":
    sys.exit(main())

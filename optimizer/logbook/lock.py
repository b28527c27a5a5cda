"""One writer at a time: a lock that the system takes back when its holder is gone.

It is held for the moment of a write, never while anybody is asked, so that a second
writer waits a little and then sees that the files have changed. The file ``lock`` in the
dot-folder is only what the lock hangs on: left by a crash or a power cut it holds nobody
up. Where a file system has no locks there is none, and the check that a file is as it was
read stands alone.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from pathlib import Path

from optimizer.errors import ShimoptError
from optimizer.logbook.disk import sweep
from optimizer.logbook.faults import FILES
from optimizer.logbook.journal import FOLDER

LOCK = "lock"
WAIT_S = 5.0
# what a killed writer left unfinished; a folder that is synced may show another's at work
STALE_S = 60.0
_LOOK_S = 0.01
_FAR = 1 << 30  # the byte that is locked on Windows, past the words that say who it is
_MOST = 200
_held: set[Path] = set()


@contextlib.contextmanager
def writing(folder: Path, what: str) -> Iterator[None]:
    """Hold the lock of a logbook's folder, which is there; within it a second hold is free.

    Parameters
    ----------
    folder : the logbook
    what : the command, for whoever waits

    Raises
    ------
    ShimoptError : another writer has not ended within `WAIT_S`
    OSError : the dot-folder cannot be written
    """
    home = folder.resolve() / FOLDER
    if home in _held:
        yield
        return
    made = not home.is_dir()
    descriptor = _locked(home, what)
    _held.add(home)
    if descriptor is not None:
        sweep(home.parent, STALE_S, FILES)
        sweep(home, STALE_S)
    try:
        yield
    finally:
        _held.discard(home)
        if descriptor is not None:
            _left(home / LOCK, descriptor)
        if made:
            with contextlib.suppress(OSError):
                home.rmdir()  # nothing was noted


def free(folder: Path) -> bool:
    """Wait until nobody writes to a logbook; whether that was within `WAIT_S`.

    For readers, who make no file: what looks cut off may be a write that is under way.
    """
    try:
        descriptor = os.open(folder / FOLDER / LOCK, os.O_RDONLY)
    except OSError:
        return True
    end = time.monotonic() + WAIT_S
    try:
        while not _taken(descriptor):
            if time.monotonic() > end:
                return False
            time.sleep(_LOOK_S)
        _given(descriptor)
    except OSError:
        return True
    finally:
        os.close(descriptor)
    return True


def _locked(home: Path, what: str) -> int | None:
    """The open lock file, held; None where the file system has no locks."""
    if home.is_symlink():
        raise ShimoptError(
            f"{home} is a link, and a logbook's history stays in its folder",
            "take the link away; the history begins anew",
        )
    end = time.monotonic() + WAIT_S
    while True:
        home.mkdir(exist_ok=True)
        try:
            descriptor = _opened(home / LOCK)
        except FileNotFoundError:  # whoever made the folder has taken it away again
            if time.monotonic() > end:
                raise
            continue
        try:
            taken = _taken(descriptor)
        except OSError:
            os.close(descriptor)
            return None
        if taken and _is_there(home / LOCK, descriptor):
            with contextlib.suppress(OSError):
                os.ftruncate(descriptor, 0)
                os.write(descriptor, _who(what).encode("utf-8", "replace"))
            return descriptor
        said = b"" if taken else _said(descriptor)
        os.close(descriptor)
        if time.monotonic() > end:
            who = said.decode("utf-8", "replace") or "it does not say which"
            raise ShimoptError(
                f"another shimopt is writing to this logbook: {who}; nothing was written",
                "let it end, or end that process, then run the same command again: nothing "
                "needs to be deleted",
            )
        time.sleep(_LOOK_S)


def _opened(path: Path) -> int:
    """The lock file, open; one that another user's crash left is opened as it may be."""
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except PermissionError:
        if not path.exists():
            raise
        return os.open(path, os.O_RDONLY)


def _is_there(path: Path, descriptor: int) -> bool:
    """Whether the file that was locked still has its name: its last holder takes it away."""
    try:
        return os.path.samestat(path.stat(), os.fstat(descriptor))
    except FileNotFoundError:
        return False


def _left(path: Path, descriptor: int) -> None:
    """Take the file away while it is held, where that can be, and let go."""
    with contextlib.suppress(OSError):
        path.unlink()
    with contextlib.suppress(OSError):
        _given(descriptor)
    os.close(descriptor)
    if os.name == "nt":  # there an open file keeps its name
        with contextlib.suppress(OSError):
            path.unlink()


def _taken(descriptor: int) -> bool:
    """Whether the lock could be had at once; OSError where there are no locks."""
    try:
        if os.name == "nt":
            import msvcrt

            os.lseek(descriptor, _FAR, os.SEEK_SET)
            getattr(msvcrt, "locking")(descriptor, getattr(msvcrt, "LK_NBLCK"), 1)  # noqa: B009
            os.lseek(descriptor, 0, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    return True


def _given(descriptor: int) -> None:
    if os.name == "nt":
        import msvcrt

        os.lseek(descriptor, _FAR, os.SEEK_SET)
        getattr(msvcrt, "locking")(descriptor, getattr(msvcrt, "LK_UNLCK"), 1)  # noqa: B009
    else:
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_UN)


def _said(descriptor: int) -> bytes:
    with contextlib.suppress(OSError):
        os.lseek(descriptor, 0, os.SEEK_SET)
        return os.read(descriptor, _MOST)
    return b""


def _who(what: str) -> str:
    machine = os.uname().nodename if hasattr(os, "uname") else os.environ.get("COMPUTERNAME", "")
    on = f" on {machine}" if machine else ""
    return f"`{what}`, process {os.getpid()}{on}, since {time.strftime('%H:%M:%S')}"

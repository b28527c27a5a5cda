"""Writing files so that a power cut leaves the old bytes or the new, never a mixture."""

from __future__ import annotations

import contextlib
import errno
import os
import re
import shutil
import stat
import time
from collections.abc import Collection
from pathlib import Path

MOST_BYTES = 200_000_000  # some five million rows


def held_bytes(path: Path, most: int = MOST_BYTES) -> bytes:
    """The bytes of a plain file; OSError for what never ends, such as a pipe or a device."""
    info = path.stat()
    if not stat.S_ISREG(info.st_mode):
        is_folder = stat.S_ISDIR(info.st_mode)
        why = "it is a folder" if is_folder else "it is a pipe or a device, no plain file"
        raise OSError(errno.EISDIR if is_folder else errno.EINVAL, why, str(path))
    if info.st_size > most:
        raise OSError(errno.EFBIG, f"it is over {most // 1_000_000} MB", str(path))
    return path.read_bytes()


def bytes_of(path: Path) -> bytes | None:
    """The bytes of a file; None where there is none."""
    try:
        return held_bytes(path)
    except FileNotFoundError:
        return None


class ChangedMeanwhileError(Exception):
    """Somebody else has changed a file while it was written."""


def append_bytes(path: Path, data: bytes, known: bytes | None = None) -> None:
    """Add bytes to the end of a file and sync it; what was there stays on any failure.

    Parameters
    ----------
    path : the file
    data : what is added
    known : what the file must hold; anything if it is left out

    Raises
    ------
    ChangedMeanwhileError : the file holds something else, or no longer just that and the
        new bytes once they are written, as where another program has put its own in its place
    """
    before = path.stat().st_size if path.exists() else 0
    with path.open("ab", buffering=0) as file:
        if known is not None and bytes_of(path) != known:
            raise ChangedMeanwhileError
        try:
            left = memoryview(data)
            while left:
                left = left[file.write(left) :]
            os.fsync(file.fileno())
        except OSError:
            with contextlib.suppress(OSError):
                file.truncate(before)
            raise
    if known is not None and bytes_of(path) != known + data:
        raise ChangedMeanwhileError


def replace_bytes(path: Path, data: bytes | None, known: bytes | None = None) -> None:
    """Put a whole file in the place of another, synced; None takes the file away.

    Parameters
    ----------
    path : the file
    data : what it is to hold
    known : what it must hold when the new one takes its place; anything if it is left out

    Raises
    ------
    ChangedMeanwhileError : the file holds something else; it was left alone
    """
    if data is None:
        if known is not None and bytes_of(path) != known:
            raise ChangedMeanwhileError
        path.unlink(missing_ok=True)
        sync_folder(path.parent)
        return
    target = path.resolve()
    temporary = temporary_of(target.parent, target.name)
    try:
        with temporary.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            shutil.copymode(target, temporary)
        if known is not None and bytes_of(target) != known:
            raise ChangedMeanwhileError
        temporary.replace(target)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    sync_folder(target.parent)


def temporary_of(folder: Path, name: str) -> Path:
    """Where a file is written before it is renamed into its place."""
    return folder / f".{name}.{os.getpid()}.new"


def is_temporary(name: str) -> bool:
    """Whether a file has the name of one that was to be renamed into its place."""
    return bool(re.fullmatch(r"\..+\.\d+\.new", name))


def sweep(folder: Path, older_s: float, names: Collection[str] | None = None) -> None:
    """Take away what was to be renamed into the place of a file and never was.

    Parameters
    ----------
    folder : where it lies
    older_s : how old it is at least, s
    names : of the files it was to replace; any if they are left out
    """
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            of = entry.name[1:].rsplit(".", 2)[0]
            if (
                is_temporary(entry.name)
                and (names is None or of in names)
                and time.time() - entry.stat(follow_symlinks=False).st_mtime > older_s
            ):
                Path(entry).unlink()


def sync_folder(folder: Path) -> None:
    """Make renames last through a power cut, where the system can."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

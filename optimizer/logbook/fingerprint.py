"""A hash of a logbook, so that two people know that they look at the same data."""

from __future__ import annotations

import hashlib
from pathlib import Path

from optimizer.logbook.disk import held_bytes
from optimizer.logbook.faults import IN_ORDER

N_DIGIT = 16


def fingerprint(folder: Path) -> str:
    """Sixteen digits of SHA-256 over the logbook's files, in groups of four.

    Each file counts with its name; line ends, a byte-order mark and the bytes of no other
    file make no difference, so a copy that went through another system has the same.
    """
    whole = hashlib.sha256()
    for name in IN_ORDER:
        path = folder / name
        if path.is_file():
            data = held_bytes(path).removeprefix(b"\xef\xbb\xbf")
            text = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
            whole.update(f"{name}\n{len(text)}\n".encode() + text)
    digits = whole.hexdigest()[:N_DIGIT]
    return " ".join(digits[i : i + 4] for i in range(0, N_DIGIT, 4))

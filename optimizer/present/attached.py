"""Photos and notes that a crew attaches to a brief."""

from __future__ import annotations

import errno
from pathlib import Path

from optimizer.errors import CallError
from optimizer.logbook.disk import held_bytes
from optimizer.record import record

MOST_BYTES = 8_000_000
KINDS = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg", b"GIF8": "image/gif"}
NOTES = (".txt", ".md", ".csv")


@record
class Attached:
    """A file as it goes into the page: a picture's bytes and kind, or a note's text."""

    name: str
    data: bytes = b""
    kind: str = ""
    text: str | None = None


def attach(path: Path) -> Attached:
    """Read a photo (PNG, JPEG, GIF, WebP) or a note (.txt, .md, .csv).

    Raises
    ------
    CallError
        If it cannot be read, is too large, or is neither.
    """
    try:
        data = held_bytes(path, MOST_BYTES)
    except OSError as error:
        if error.errno == errno.EFBIG:
            raise CallError(f"{path}: {error.strerror}", "make the photo smaller first") from None
        raise CallError(
            f"{path} cannot be attached: {error.strerror or error}", "name a file that can be read"
        ) from None
    webp = data[:4] == b"RIFF" and data[8:12] == b"WEBP"
    kind = next((k for head, k in KINDS.items() if data.startswith(head)), "image/webp" * webp)
    if kind:
        return Attached(name=path.name, data=data, kind=kind)
    if path.suffix.lower() in NOTES:
        try:
            return Attached(name=path.name, text=data.decode("utf-8-sig"))
        except UnicodeDecodeError:
            pass
    raise CallError(
        f"{path} is neither a photo nor a note",
        "attach a .png, .jpg, .gif or .webp, or a .txt or .md in UTF-8",
    )

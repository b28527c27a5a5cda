"""A sheet of a spreadsheet file as text, one line a row; needs the extra ``sheets``."""

from __future__ import annotations

import datetime
import io
import warnings
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from optimizer.errors import CallError, ShimoptError
from optimizer.logbook.disk import held_bytes
from optimizer.logbook.faults import listing, quoted

MOST_BYTES = 20_000_000  # of a file, and of its text unpacked
MOST_CELLS = 1_000_000


def sheet_text(path: Path, sheet: str | None = None) -> str:
    """The cells of one sheet, tabs between, each line the row of that number.

    Parameters
    ----------
    path : an .xlsx file
    sheet : its name; None where only one holds anything

    Raises
    ------
    CallError : the sheet is in doubt, the file is no spreadsheet, or a formula has no value
    ShimoptError : openpyxl is not installed
    """
    try:
        from openpyxl import load_workbook
    except ImportError as error:
        raise ShimoptError(
            f"{path.name} is a spreadsheet, and openpyxl is not installed to read it",
            "install this package with its extra `sheets`, or openpyxl by itself "
            "(`pip install openpyxl`); or save the sheet as CSV UTF-8",
        ) from error
    try:
        data = held_bytes(path, MOST_BYTES)
        _check_size(data)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styles and validations that nobody asked for
            shown = load_workbook(io.BytesIO(data), data_only=True)
            typed = load_workbook(io.BytesIO(data))
    except Exception as error:  # what is no spreadsheet breaks its reader in every way
        raise CallError(
            f"{path} cannot be read as a spreadsheet: {error}",
            "save it as .xlsx or as CSV UTF-8 and try again",
        ) from error
    pages = {page.title: page for page in shown.worksheets}
    held = [name for name, page in pages.items() if any(any(row) for row in _values(page))]
    name = sheet if sheet is not None else held[0] if len(held) == 1 else None
    if name not in pages:
        found = (
            f"{path.name} has no sheet {quoted(sheet)}"
            if sheet is not None
            else (f"{path.name} holds {len(held)} sheets with something in them")
        )
        raise CallError(found, f"name one with --sheet: {listing(held or pages)}")
    rows = _values(pages[name])
    for number, row in enumerate(_values(typed[name]), start=1):
        for at, cell in enumerate(row):
            if isinstance(cell, str) and cell.startswith("=") and rows[number - 1][at] is None:
                raise CallError(
                    f"row {number} of {path.name} holds a formula without its value",
                    "open the file in the spreadsheet, save it, and try again",
                )
    return "".join("\t".join(_text(cell) for cell in row) + "\n" for row in rows)


def _check_size(data: bytes) -> None:
    """ValueError for a file that unpacks to more than any table of readings needs.

    No more is unpacked of a part than its entry states, so what they state is the bound.
    """
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        parts = [i for i in archive.infolist() if i.filename.endswith((".xml", ".rels", ".bin"))]
    if sum(part.file_size for part in parts) > MOST_BYTES:
        raise ValueError(f"it unpacks to more than {MOST_BYTES // 1_000_000} MB")


def _values(page: Any) -> Sequence[Sequence[object]]:
    wide, high = page.max_column or 0, page.max_row or 0
    if wide * high > MOST_CELLS:
        raise CallError(
            f"the sheet {quoted(page.title)} reaches to row {high} and column {wide}",
            "delete the empty rows and columns behind the table, or save it as CSV UTF-8",
        )
    return [list(row) for row in page.values]


def _text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime.datetime):
        return cell.date().isoformat()
    if isinstance(cell, float):
        return f"{cell:.15g}"
    text = " ".join(str(cell).split())
    return '"' + text.replace('"', '""') + '"' if '"' in text else text

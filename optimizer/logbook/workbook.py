"""A sheet of a spreadsheet file as text, one line a row; needs the extra ``sheets``."""

from __future__ import annotations

import datetime
import warnings
from collections.abc import Sequence
from pathlib import Path
from zipfile import BadZipFile

from optimizer.errors import CallError, ShimoptError
from optimizer.logbook.faults import listing, quoted


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
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styles and validations that nobody asked for
            shown = load_workbook(path, data_only=True)
            typed = load_workbook(path)
    except (BadZipFile, KeyError, ValueError, OSError) as error:
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


def _values(page: object) -> Sequence[Sequence[object]]:
    rows = getattr(page, "values", ())
    return [list(row) for row in rows]


def _text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime.datetime):
        return cell.date().isoformat()
    if isinstance(cell, float):
        return f"{cell:.15g}"
    text = " ".join(str(cell).split())
    return '"' + text.replace('"', '""') + '"' if '"' in text else text

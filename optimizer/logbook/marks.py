"""Rows in the decimal mark of the file that they are added to."""

from __future__ import annotations

from collections.abc import Mapping

from optimizer.logbook.append import Appender

NUMERIC = ("shims_above", "shims_below", "length_change", "eccentric_mark", "static_toe")


def in_its_marks(cells: Mapping[str, str], file: str, appender: Appender) -> dict[str, str]:
    """A row with the decimal mark of its file, each text on one line.

    Parameters
    ----------
    cells : the text of each column by its plain name, numbers with a decimal point
    file : the table that the row is for
    appender : of the logbook
    """
    columns, comma = appender.columns(file), appender.decimal_comma(file)

    def written(name: str, text: str) -> str:
        column = columns.get(name)
        numeric = name in NUMERIC or (column is not None and column.unit is not None)
        return text.replace(".", ",") if comma and numeric else " ".join(text.split())

    return {name: written(name, text) for name, text in cells.items()}

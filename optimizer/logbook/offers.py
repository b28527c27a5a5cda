"""offers.csv: shims that can be bought, a row for each thickness, pack and shop.

No file of the logbook, though it mostly lies beside one: a crew may keep one for all its
cars. Nothing but the template is ever written of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path

from optimizer.errors import CallError
from optimizer.logbook.cells import Row
from optimizer.logbook.disk import held_bytes
from optimizer.logbook.faults import (
    BadValueError,
    Faults,
    Place,
    Source,
    decode,
    listing,
    quoted,
    showable,
)
from optimizer.logbook.rows import ColumnRule, Sheet, read_sheet
from optimizer.logbook.table import UnitsStated
from optimizer.records import Offer
from optimizer.units import MM_PER_UNIT, from_mm, is_length, to_mm

OFFERS_FILE = "offers.csv"
THINNEST_MM = 0.01
THICKEST_MM = 20.0
MOST_BORE_MM = 100.0  # as car.toml allows
MOST_PIECES = 1000  # in a pack
MOST_PACKS = 1_000_000
MOST_PRICE = 100_000_000  # some money counts in millions
MOST_DECIMALS = 4
TEMPLATE_GIVE_MM = 0.0005

COLUMNS = (
    ColumnRule(name="thickness", needed=True, measures="length"),
    ColumnRule(name="price", needed=True),
    ColumnRule(name="pack"),
    ColumnRule(name="most"),
    ColumnRule(name="bore", measures="length"),
    ColumnRule(name="source"),
)

_PLAIN_PRICE = re.compile(rf"[0-9]+(?:\.[0-9]{{1,{MOST_DECIMALS}}})?")
_PERHAPS_THOUSANDS = re.compile(r"\+?([1-9][0-9]{0,2})[.,]([0-9]{3})")
_NUMBERS = re.compile(r"[0-9]+(?:[.,][0-9]+)?")

# No comma, semicolon, tab or quote in the remarks: a spreadsheet would put quotes round them.
_HEAD = """\
# Shims that can be bought: fill in the prices in your own money and keep it as
# CSV text. A line that begins with # is a note.
#   thickness  of one shim
#   price      of one pack. Write 0 for what is given away
#   pack       pieces in a pack
#   source     shop and catalogue number. May stay empty
# Take out the rows of what is not to be had. The same thickness may stand in
# several rows for several shops or sizes of pack. Where commas part the cells
# write prices with a decimal point.
# Add a column most for the packs there are where they are few
# and a column bore_{unit} where the shims do not all have the same bore.
"""


def read_offers(path: Path, unit: str | None, *, name: str | None = None) -> tuple[Offer, ...]:
    """Read and check a file of offers. Nothing is ever written.

    Cells are read as those of runs.csv: any separator, decimal point or comma, columns in
    any order, units in the header (``thickness_mm``). A price of 0 is taken: what a friend
    gives away costs nothing, and `most` says how much of it there is. A price such as 1.200
    is a fault, since it may be 1200 in the hand of who typed it.

    Parameters
    ----------
    path : the file
    unit : of lengths whose column names none; None where nothing states it
    name : what messages call the file; None for the path as given

    Returns
    -------
    The offers in file order, lengths in mm.

    Raises
    ------
    LogbookError : its ``problems`` are all independent faults, from the top
    CallError : ``unit`` is not a length
    """
    if unit is not None:
        _check_unit(unit)
    faults = Faults()
    file = str(path) if name is None else name
    source = _open(path, file, faults)
    offers = _offers_of(source, unit, faults) if source is not None else ()
    if len(faults):
        faults.stop(file, "nothing was changed")
    return offers


def offers_template(unit: str, thicknesses_mm: Iterable[float]) -> str:
    """The text of a file of offers whose prices are to be filled in.

    Parameters
    ----------
    unit : length unit of its thicknesses
    thicknesses_mm : one row each; written in the unit with as few digits as read back
        within 0.0005 mm

    Returns
    -------
    The text; commas part its cells, and each pack is of one piece until the crew says more.

    Raises
    ------
    CallError : ``unit`` is not a length
    """
    _check_unit(unit)
    sizes = dict.fromkeys(_written(size, unit) for size in thicknesses_mm)
    rows = "".join(f"{size},,1,\n" for size in sizes)
    return f"{_HEAD.format(unit=unit)}thickness_{unit},price,pack,source\n{rows}"


def _check_unit(unit: str) -> None:
    if not is_length(unit):
        raise CallError(f"{quoted(unit)} is not a length unit", f"use {listing(MM_PER_UNIT)}")


def _written(size_mm: float, unit: str) -> str:
    """A thickness in a unit, no more digits than it needs and never a power of ten."""
    size = from_mm(size_mm, unit)
    decimals = 0
    while abs(to_mm(round(size, decimals), unit) - size_mm) >= TEMPLATE_GIVE_MM:
        decimals += 1
    return f"{size:.{decimals}f}"


def _open(path: Path, file: str, faults: Faults) -> Source | None:
    """The file as text; a fault and None where it is none."""
    try:
        data = held_bytes(path)
    except FileNotFoundError:
        remedy = "name the file, or write one with the header `thickness_mm,price,pack,source`"
        faults.add("L801", Source(file=file), Place(), "there is no such file", remedy)
    except OSError as error:
        found = f"it cannot be opened: {error.strerror or error}"
        remedy = "close it elsewhere, and see that it is a file you may read"
        faults.add("L105", Source(file=file), Place(), found, remedy)
    else:
        return decode(file, data, faults)
    return None


def _offers_of(source: Source, unit: str | None, faults: Faults) -> tuple[Offer, ...]:
    units = UnitsStated({} if unit is None else {"length": unit}, {})
    sheet = read_sheet(source, COLUMNS, units, faults)
    if sheet is None:
        return ()
    if not sheet.rows:
        found, remedy = "no row stands below the header", "write a row for each shim to be had"
        sheet.fault("L802", sheet.header.cells[0], found, remedy)
    bare = _has_no_price(sheet)
    if bare:
        remedy = "write the price of one pack in each row, and take out the rows not to be had"
        sheet.fault("L802", sheet.columns["price"].cell, "no row has a price", remedy)
    rows = ((row, _read_offer(sheet, row, faults, bare=bare)) for row in sheet.rows)
    read = [(row, offer) for row, offer in rows if offer is not None]
    _check_doubled(sheet, read)
    return tuple(offer for _, offer in read)


def _has_no_price(sheet: Sheet) -> bool:
    """A template whose prices are not filled in yet: one fault, not one for each row."""
    whole = all(r.open_quote is None and len(r.cells) == sheet.width for r in sheet.rows)
    some = any(sheet.text(row, "price") for row in sheet.rows)
    return "price" in sheet.columns and len(sheet.rows) > 1 and whole and not some


def _read_offer(sheet: Sheet, row: Row, faults: Faults, *, bare: bool) -> Offer | None:
    """One offer; None when anything of it is at fault or in doubt. ``bare``: none has a price."""
    before = len(faults)
    if not _is_whole(sheet, row):
        return None
    sheet.needed(row, "thickness", "0.5")
    thickness = _length(sheet, row, "thickness", THINNEST_MM, THICKEST_MM)
    if not bare:
        sheet.needed(row, "price", "2.50")
    price = _price(sheet, row)
    pack = _whole(sheet, row, "pack", 1, MOST_PIECES)
    most = _whole(sheet, row, "most", 0, MOST_PACKS)
    bore = _length(sheet, row, "bore", 0.0, MOST_BORE_MM)
    if thickness is None or price is None or len(faults) > before:
        return None
    return Offer(
        thickness_mm=thickness,
        price=price,
        pack=1 if pack is None else pack,
        most=most,
        bore_mm=bore,
        source=showable(" ".join(sheet.text(row, "source").split())),
        line=row.cells[0].line,
    )


def _is_whole(sheet: Sheet, row: Row) -> bool:
    """Say whether a row has a cell for each column and, where commas part them, not one more.

    A decimal comma typed into a row that ends in an empty cell would be an offer else:
    ``1,2,50,10,`` is 1 mm at 2 for a pack of 50.
    """
    if not sheet.is_whole(row):
        return False
    more = row.cells[sheet.width :]
    if sheet.separator != "," or not more:
        return True
    found = f"the row has {len(row.cells)} cells and the header {sheet.width}"
    remedy = (
        "write a decimal point where a comma is a decimal one; or take out the commas at the end"
    )
    sheet.fault("L306", more[0], found, remedy)
    return False


def _number(sheet: Sheet, row: Row, name: str, example: str) -> float | None:
    """A cell's number as typed, None when empty, absent or at fault; none is below zero here."""
    cell = sheet.cell(row, name)
    if cell is None or not cell.text:
        return None
    try:
        return sheet.numbers.read(cell.text)
    except BadValueError as bad:
        remedy = bad.remedy
        if bad.code == "L309":
            inside = _NUMBERS.findall(cell.text)  # beside the sign of some money, mostly
            said = inside[0] if len(inside) == 1 else example
            remedy = f"write the number alone, such as `{said}`"
        sheet.fault(bad.code, cell, bad.found, remedy)
        return None


def _length(sheet: Sheet, row: Row, name: str, least_mm: float, most_mm: float) -> float | None:
    """A length above zero, in mm; None when empty, absent, at fault or in doubt."""
    value, cell = _number(sheet, row, name, "0.5"), sheet.cell(row, name)
    if value is None or cell is None:
        return None
    if value <= 0.0:
        found = f"a {name} of {quoted(cell.text)} is none"
        empty = "leave the cell empty" if name == "bore" else "delete the row"
        sheet.fault("L803", cell, found, f"write the {name} of one shim, or {empty}")
        return None
    unit = sheet.columns[name].unit
    if unit is None:
        return None
    length_mm = to_mm(value, unit)
    # An inch typed with few digits may stand a hair outside.
    if not least_mm <= round(length_mm, 4) <= most_mm:
        sheet.fault(
            "L313",
            cell,
            f"a {name} of {length_mm:.4g} mm is absurd",
            f"mend the number; or its unit, now `{unit}`, in the header or under [units]",
        )
        return None
    return length_mm


def _price(sheet: Sheet, row: Row) -> Decimal | None:
    """The price of a pack, to the last decimal typed; None when absent or at fault."""
    cell = sheet.cell(row, "price")
    if cell is None:
        return None
    either = _PERHAPS_THOUSANDS.fullmatch(cell.text)
    if either is not None:
        whole, part = either.groups()
        found = f"{quoted(cell.text)} can be {whole}.{part} or {whole}{part}"
        sheet.fault("L311", cell, found, f"write `{whole}.{part}0` or `{whole}{part}`")
        return None
    value = _number(sheet, row, "price", "2.50")
    if value is None:
        return None
    plain = cell.text.replace(",", ".")
    # Within these bounds a double keeps every digit.
    price = Decimal(plain if _PLAIN_PRICE.fullmatch(plain) else repr(value))
    if value < 0.0:
        found, remedy = f"a price of {quoted(cell.text)} is below zero", "write 0 or more"
    elif value > MOST_PRICE:
        found = f"a price of {quoted(cell.text)} is absurd"
        remedy = f"write the price of one pack, {MOST_PRICE} at the most"
    elif price != round(price, MOST_DECIMALS):
        found = f"{quoted(cell.text)} has more than {MOST_DECIMALS} decimals"
        remedy = f"write `{round(price, MOST_DECIMALS)}`"
    else:
        return abs(price)  # none of -0
    sheet.fault("L804", cell, found, remedy)
    return None


def _whole(sheet: Sheet, row: Row, name: str, least: int, most: int) -> int | None:
    """A count; None when empty, absent or at fault."""
    cell = sheet.cell(row, name)
    if cell is None or not cell.text:
        return None
    try:
        value = sheet.numbers.read(cell.text)
    except BadValueError:
        value = -1.0
    doubtful = _PERHAPS_THOUSANDS.fullmatch(cell.text)
    if not doubtful and value.is_integer() and least <= value <= most:
        return int(value)
    what = {"pack": "pieces in a pack", "most": "packs"}[name]
    remedy = f"write a whole number from {least} to {most}, or leave the cell empty"
    sheet.fault("L805", cell, f"{quoted(cell.text)} is no count of {what}", remedy)
    return None


def _check_doubled(sheet: Sheet, read: Iterable[tuple[Row, Offer]]) -> None:
    """The same shims from the same shop at the same price, twice: one of them is a slip."""
    lines: dict[tuple[object, ...], int] = {}
    for row, offer in read:
        bore = None if offer.bore_mm is None else round(offer.bore_mm, 4)
        key = (round(offer.thickness_mm, 4), bore, offer.pack, offer.price, offer.source)
        cell = sheet.cell(row, "thickness")
        if key in lines and cell is not None:
            found = f"this is the offer of line {lines[key]} once more"
            remedy = "delete one of the two rows, or tell them apart by their `source`"
            sheet.fault("L806", cell, found, remedy)
        lines.setdefault(key, offer.line)

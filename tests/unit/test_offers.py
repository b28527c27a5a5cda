"""What shims cost: a file of offers as editors and spreadsheets save it, and its template."""

from __future__ import annotations

import csv
import io
import re
import subprocess
import sys
import time
from decimal import Decimal
from pathlib import Path

import pytest

from optimizer.errors import CallError, LogbookError
from optimizer.logbook import read_logbook
from optimizer.logbook.offers import offers_template, read_offers
from optimizer.records import Offer
from optimizer.standards import shim_thicknesses_mm

TABLE = """\
thickness_mm,price,pack,most,bore,source
0.5,2.50,10,,12,"shop one, 4711"
# from the drawer
1,0,1,6,12,
1,0.125,,,,shop two
"""
READ = (
    Offer(
        thickness_mm=0.5,
        price=Decimal("2.50"),
        pack=10,
        bore_mm=12.0,
        source="shop one, 4711",
        line=2,
    ),
    Offer(thickness_mm=1.0, price=Decimal(0), most=6, bore_mm=12.0, line=4),
    Offer(thickness_mm=1.0, price=Decimal("0.125"), source="shop two", line=5),
)


def read(folder: Path, content: str | bytes, unit: str | None = "mm") -> tuple[Offer, ...]:
    path = folder / "offers.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_offers(path, unit)


def told(folder: Path, content: str, unit: str | None = "mm") -> list[tuple[str, int]]:
    with pytest.raises(LogbookError) as caught:
        read(folder, content, unit)
    return [(p.code, p.line) for p in caught.value.problems]


def parted(text: str, mark: str, *, comma: bool) -> str:
    """The table with other separators, as a spreadsheet of another country saves it."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=mark, lineterminator="\n")
    for row in csv.reader(io.StringIO(text)):
        writer.writerow([c.replace(".", ",") if comma and c[:1].isdigit() else c for c in row])
    return out.getvalue()


@pytest.mark.parametrize(
    "content",
    [
        TABLE,
        TABLE.replace("\n", "\r\n"),
        TABLE.replace("\n", "\r"),
        TABLE.encode("utf-8-sig"),
        TABLE.encode("utf-16"),
        TABLE + "\n \n,,,,,\n",
        TABLE.rstrip("\n"),
        parted(TABLE, ";", comma=True),
        parted(TABLE, ";", comma=False),
        parted(TABLE, "\t", comma=True),
        parted(TABLE, ",", comma=True).replace('"0,125"', "0.125"),
        re.sub(r"$", ",,", TABLE.rstrip("\n"), flags=re.MULTILINE),
        TABLE.replace("thickness_mm", "Thickness (mm)").replace("price", " PRICE "),
        TABLE.replace("thickness_mm", "thickness"),
    ],
)
def test_any_way_of_saving_reads_alike(tmp_path: Path, content: str | bytes) -> None:
    assert read(tmp_path, content) == READ


def test_columns_stand_in_any_order_and_others_are_passed_over(tmp_path: Path) -> None:
    text = 'source,weather,price,thickness_thou\n"a\nb",wet,3,20\n'
    (offer,) = read(tmp_path, text)
    assert offer == Offer(thickness_mm=pytest.approx(0.508), price=Decimal(3), source="a b", line=2)


@pytest.mark.parametrize(
    ("unit", "header", "typed"),
    [
        ("mm", "thickness", "0.508"),
        ("in", "thickness", "0.02"),
        ("in", "thickness_thou", "20"),
        ("in", "thickness_mm", "0.508"),
        (None, "thickness_cm", "0.0508"),
    ],
)
def test_the_header_s_unit_goes_before_the_logbook_s(
    tmp_path: Path, unit: str | None, header: str, typed: str
) -> None:
    (offer,) = read(tmp_path, f"{header},price\n{typed},1\n", unit)
    assert offer.thickness_mm == pytest.approx(0.508)


def test_a_unit_that_is_no_length_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="`deg` is not a length"):
        read(tmp_path, TABLE, "deg")
    with pytest.raises(CallError, match="`deg` is not a length"):
        offers_template("deg", [1.0])


@pytest.mark.parametrize(
    ("typed", "price"),
    [
        ("2.50", "2.50"),
        ("2,50", "2.50"),
        ("2", "2"),
        (".5", "0.5"),
        ("+2.5", "2.5"),
        ("1e2", "100"),
        ("\u00a02\u202f500,00", "2500"),
        ("1234.567", "1234.567"),
        ("0,1234", "0.1234"),
        ("100000000", "100000000"),
        ("99999999.9999", "99999999.9999"),
        ("0", "0"),
        ("-0", "0"),
    ],
)
def test_a_price_is_the_decimal_that_was_typed(tmp_path: Path, typed: str, price: str) -> None:
    (offer,) = read(tmp_path, f"thickness;price\n1;{typed}\n")
    assert offer.price == Decimal(price)
    assert not offer.price.is_signed()


def test_a_price_keeps_the_decimals_of_its_money(tmp_path: Path) -> None:
    (offer,) = read(tmp_path, "thickness;price\n1;2,50\n")
    assert str(offer.price) == "2.50"


def test_twenty_millimetres_in_inches_are_not_too_thick(tmp_path: Path) -> None:
    assert read(tmp_path, "thickness_in,price\n0.787402,1\n")
    assert told(tmp_path, "thickness_in,price\n0.7875,1\n") == [("L313", 2)]
    assert told(tmp_path, "thickness_in,price\n25.4,1\n") == [("L313", 2)]


def test_one_thickness_may_be_offered_in_several_ways(tmp_path: Path) -> None:
    rows = ["1,2,10,12,a", "1,2,10,12,b", "1,2,20,12,a", "1,2.5,10,12,a", "1,2,10,10,a"]
    text = "thickness,price,pack,bore,source\n" + "\n".join(rows)
    assert len(read(tmp_path, text)) == len(rows)
    with pytest.raises(LogbookError) as caught:
        read(tmp_path, f"{text}\n1.0,2.00,10,12.0,a\n1,2,10,12,a")
    assert [(p.code, p.line) for p in caught.value.problems] == [("L806", 7), ("L806", 8)]
    assert all("of line 2 " in p.found for p in caught.value.problems)


@pytest.mark.parametrize(
    ("typed", "said"),
    [("£3.75", "3.75"), ("3,75 €", "3,75"), ("free", "2.50"), ("1 200.75", "2.50")],
)
def test_a_price_beside_the_sign_of_its_money(tmp_path: Path, typed: str, said: str) -> None:
    with pytest.raises(LogbookError) as caught:
        read(tmp_path, f"thickness;price\n1;{typed}\n")
    (problem,) = caught.value.problems
    assert (problem.code, problem.remedy) == ("L309", f"write the number alone, such as `{said}`")


def test_empty_cells_beyond_the_header_do_no_harm_among_semicolons(tmp_path: Path) -> None:
    assert read(tmp_path, "thickness;price\n1;2,5;;\n")[0].price == Decimal("2.5")


def test_all_faults_come_at_once_from_the_top(tmp_path: Path) -> None:
    text = (
        "thickness;price;pack;most;bore_foot\n"
        "0;-1;0;-1;\n"
        "1;2;3;4;5\n"
        "30;1e9;;x;\n"
        ";;;;\n"
        "1;2;3\n"
        "2;;;;\n"
        "1;2;3;;5\n"
        '1;"2'
    )
    assert told(tmp_path, text) == [
        ("L305", 1),
        ("L803", 2),
        ("L804", 2),
        ("L805", 2),
        ("L805", 2),
        ("L313", 4),
        ("L804", 4),
        ("L805", 4),
        ("L306", 6),
        ("L308", 7),
        ("L806", 8),
        ("L307", 9),
    ]


@pytest.mark.parametrize("row", ["1,2,50,10,", "1,2,50,10,,", "0,5,2,10,", "0,5,2,50,10,"])
def test_a_decimal_comma_among_commas_never_makes_another_offer(tmp_path: Path, row: str) -> None:
    text = f"thickness_mm,price,pack,source\n2,3,1,\n{row}\n"
    assert told(tmp_path, text) == [("L306", 3)]


def test_a_last_row_torn_off_is_a_fault_wherever_a_cell_is_lost(tmp_path: Path) -> None:
    whole = TABLE.rstrip("\n")
    last = whole.rindex("\n") + 1
    seen = set()
    for end in range(last + 1, whole.rindex(",") + 1):
        seen |= set(told(tmp_path, whole[:end]))
    assert seen == {("L306", 5)}


def test_what_reaches_the_screen_holds_no_control_letters(tmp_path: Path) -> None:
    (offer,) = read(tmp_path, "thickness,price,source\n1,2,a\x1b[2J\u202eb\n")
    assert offer.source == "a\ufffd[2J\ufffdb"


def test_ten_thousand_rows_take_no_second(tmp_path: Path) -> None:
    rows = "".join(f'{0.1 + k % 90 / 10:.1f},{k}.5,10,,12,"shop, {k}"\n' for k in range(10_000))
    text = f"thickness_mm,price,pack,most,bore,source\n{rows}"
    started = time.process_time()
    assert len(read(tmp_path, text)) == 10_000
    assert time.process_time() - started < 1.0


UNITS = ("mm", "cm", "in", "thou")


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize(
    ("mark", "comma", "quoting"),
    [(",", False, csv.QUOTE_MINIMAL), (";", True, csv.QUOTE_MINIMAL), (";", True, csv.QUOTE_ALL)],
)
def test_the_template_filled_in_reads_back(
    tmp_path: Path, unit: str, mark: str, comma: bool, quoting: int
) -> None:
    """A spreadsheet gives every row, remarks included, as many cells as the widest has."""
    sizes = shim_thicknesses_mm()
    rows = [
        row + [""] * (4 - len(row))
        for row in csv.reader(offers_template(unit, sizes).split("\n"))
        if row
    ]
    assert all(len(row) == 4 for row in rows)
    out = io.StringIO()
    writer = csv.writer(out, delimiter=mark, quoting=quoting, lineterminator="\r\n")  # type: ignore[arg-type]
    count = 0
    for row in rows:
        if row[0][0].isdigit():
            count += 1
            row[1:] = [f"{count}.25", "10", "shop, no. 7; left"]
            row = [c.replace(".", ",") for c in row[:3]] + row[3:] if comma else row
        writer.writerow(row)
    offers = read(tmp_path, out.getvalue(), "mm")
    assert [o.thickness_mm for o in offers] == pytest.approx(sizes, abs=0.0005)
    assert [o.price for o in offers] == [k + Decimal("1.25") for k in range(len(sizes))]
    assert {(o.pack, o.source) for o in offers} == {(10, "shop, no. 7; left")}


@pytest.mark.parametrize("unit", UNITS)
def test_the_template_filled_in_by_hand_reads_back(tmp_path: Path, unit: str) -> None:
    sizes = (0.05, 0.1, 0.123, 1.0, 25.4 / 32.0)
    text = re.sub(r"(?m)^([\d.]+),,", r"\1,2.50,", offers_template(unit, sizes))
    offers = read(tmp_path, text, None)
    assert [o.thickness_mm for o in offers] == pytest.approx(sizes, abs=0.0005)
    assert {(o.price, o.pack, o.most, o.bore_mm, o.source) for o in offers} == {
        (Decimal("2.5"), 1, None, None, "")
    }


def test_the_template_as_its_remarks_say(tmp_path: Path) -> None:
    """Each column that they name is one that is read, and no remark would be quoted."""
    text = offers_template("in", [0.5])
    remarks = [line for line in text.split("\n") if line.startswith("#")]
    assert not re.search(r'[,;\t"]', "".join(remarks))
    assert max(map(len, remarks)) < 80
    header = "thickness_in,price,pack,source"
    assert text == "\n".join([*remarks, header, "0.0197,,1,", ""])
    wide = text.replace(header, f"{header},most,bore_in").replace(",,1,", ",3,1,,5,0.5")
    (offer,) = read(tmp_path, wide)
    assert (offer.most, offer.bore_mm) == (5, pytest.approx(12.7))
    assert re.findall(r"column (\w+)", "".join(remarks)) == ["most", "bore_in"]


def test_thicknesses_alike_once_written_stand_once_in_the_template() -> None:
    assert offers_template("mm", [0.1, 0.1004, 0.101]).split("\n")[-4:-1] == [
        "thickness_mm,price,pack,source",
        "0.1,,1,",
        "0.101,,1,",
    ]


def test_a_template_without_prices_is_one_fault(tmp_path: Path) -> None:
    text = offers_template("mm", shim_thicknesses_mm())
    line = text.count("\n#") + 2
    assert told(tmp_path, text) == [("L802", line)]
    assert told(tmp_path, text.replace("\n0.1,", "\n-0.1,")) == [("L802", line), ("L803", line + 1)]
    assert told(tmp_path, "thickness,price,source\n1,,\n") == [("L308", 2)]
    torn = "thickness,price,source\n1,,\n2,"
    assert told(tmp_path, torn) == [("L308", 2), ("L306", 3)]
    some = told(tmp_path, text.replace("\n0.1,,", "\n0.1,3,"))
    assert some == [("L308", line + k) for k in range(2, 17)]


def test_a_joint_keeps_the_bore_that_is_stated(demo_copy: Path) -> None:
    corner = "rear-left"
    assert read_logbook(demo_copy).corners[corner].joint.bore_mm is None
    with (demo_copy / "car.toml").open("a", encoding="utf-8") as file:
        file.write(f"\n[corner.{corner}.joint]\nbore = 12\n")
    assert read_logbook(demo_copy).corners[corner].joint.bore_mm == 12.0


def test_reading_offers_loads_no_heavy_library(tmp_path: Path) -> None:
    (tmp_path / "offers.csv").write_text(TABLE)
    code = (
        "import sys; from pathlib import Path; from optimizer.logbook.offers import read_offers\n"
        "print(len(read_offers(Path('offers.csv'), 'mm')), 'numpy' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["3", "False"]

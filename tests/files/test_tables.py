"""Tables out of CSV and XLSX as people send them, and what is refused with a reason."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Callable, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stockroom.files import tables, workbooks
from stockroom.files.cells import CellFault, plain, written
from stockroom.files.layouts import find_heading
from stockroom.files.numbers import DecimalMark, UnreadableNumber, WhichMark, decide_marks, read_number
from stockroom.files.reading import read_tables
from stockroom.files.tables import FileRow, FileTable, NotATable


def csv_table(text: str, encoding: str = "utf-8") -> FileTable:
    return read_tables(text.encode(encoding), "list.csv")[0]


def cells(table: FileTable) -> list[list[str]]:
    return [[written(cell) for cell in row.cells] for row in table.rows]


def workbook(*rows: Sequence[Any], change: Callable[[Any], None] | None = None) -> bytes:
    book: Any = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    if change:
        change(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def rezipped(data: bytes, **members: bytes) -> bytes:
    """The archive with members added or replaced; a name's dots and slashes are written as _dot_ and _in_."""
    named = {name.replace("_in_", "/").replace("_dot_", "."): content for name, content in members.items()}
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for member in old.namelist():
            new.writestr(member, named.pop(member) if member in named else old.read(member))
        for name, content in named.items():
            new.writestr(name, content)
    return out.getvalue()


# CSV


@pytest.mark.parametrize(("delimiter", "how"), [(";", "semicolons"), (",", "commas"), ("\t", "tabs"), ("|", "bars")])
def test_every_delimiter_is_found(delimiter: str, how: str) -> None:
    table = csv_table("\n".join(delimiter.join(row) for row in (("Type", "Qty"), ("12AX7", "5"), ("EL84", "7"))))
    assert cells(table) == [["Type", "Qty"], ["12AX7", "5"], ["EL84", "7"]] and how in table.how


def test_decimal_commas_do_not_pass_for_delimiters() -> None:
    assert cells(csv_table("Type;Price\n12AX7;4,50\nEL84;0,85\n6V6;12,00\n"))[1] == ["12AX7", "4,50"]


@pytest.mark.parametrize(
    ("encoding", "name"),
    [
        ("utf-8", "UTF-8"),
        ("utf-8-sig", "UTF-8"),
        ("utf-16", "UTF-16"),
        ("utf-16-le", "UTF-16"),
        ("cp1252", "Windows-1252"),
    ],
)
def test_every_encoding_is_read_and_the_byte_order_mark_is_no_text(encoding: str, name: str) -> None:
    table = csv_table("Röhre;Stück\nEL84;5\n", encoding)
    assert cells(table)[0] == ["Röhre", "Stück"] and table.how.startswith(name)


def test_rows_keep_the_number_a_spreadsheet_gives_them() -> None:
    table = csv_table('Type;Note\r\n\r\n12AX7;"two\nlines"\r\n;;\r\nEL84;x\r\n')
    assert [row.number for row in table.rows] == [1, 3, 5]
    assert cells(table)[1] == ["12AX7", "two\nlines"]


def test_a_told_delimiter_is_believed_and_a_number_kept_from_the_spreadsheet_is_bared() -> None:
    assert cells(csv_table('sep=|\nType|Qty\n="6E5"|3\n')) == [["Type", "Qty"], ["6E5", "3"]]


def test_a_stray_quotation_mark_is_refused_and_swallows_nothing() -> None:
    with pytest.raises(NotATable, match="stray quotation mark"):
        csv_table('Type;Qty\n"12AX7;5\nEL84;7\n6V6;9\n')


@given(st.lists(st.lists(st.text('ab 5;,"\n|é', max_size=6), min_size=2, max_size=4), min_size=1, max_size=6))
def test_what_is_written_as_csv_is_read_back_with_a_told_delimiter(rows: list[list[str]]) -> None:
    out = io.StringIO()
    csv.writer(out, delimiter=";", quoting=csv.QUOTE_ALL).writerows(rows)
    wanted = []
    for row in rows:
        kept = [cell.strip() for cell in row]
        while kept and not kept[-1]:
            kept.pop()
        if kept:
            wanted.append(kept)
    if not wanted:
        return
    assert cells(csv_table("sep=;\n" + out.getvalue())) == wanted


# XLSX


def test_a_workbooks_cells_keep_their_kind() -> None:
    data = workbook(["Type", "n", "each", "day", "new"], [6550, 3, 0.1 + 0.2, datetime(1953, 3, 1), True])
    assert read_tables(data, "list.xlsx")[0].rows[1].cells == (
        Decimal(6550),
        Decimal(3),
        Decimal("0.3"),
        date(1953, 3, 1),
        "yes",
    )


def test_merged_titles_blank_rows_and_several_sheets_are_read() -> None:
    def change(book: Any) -> None:
        book.active.merge_cells("A1:C1")
        book.create_sheet("More").append(["Type", "Qty"])
        book.create_sheet("Empty")
        hidden = book.create_sheet("Hidden")
        hidden.append(["secret"])
        hidden.sheet_state = "hidden"

    sheets = read_tables(workbook(["Stock of an invented shop"], [], [None, "Type", "Qty"], change=change), "list.xlsx")
    assert [sheet.name for sheet in sheets] == ["Sheet", "More"]
    assert [(row.number, row.cells) for row in sheets[0].rows] == [
        (1, ("Stock of an invented shop",)),
        (3, ("", "Type", "Qty")),
    ]


def test_a_formula_counts_by_its_stored_value_and_without_one_is_a_fault() -> None:
    data = workbook(["Type", "Qty"], ["12AX7", "=2+3"], ["EL84", "=1/0"])
    sheet = zipfile.ZipFile(io.BytesIO(data)).read("xl/worksheets/sheet1.xml")
    worked = re.sub(rb"<f>2\+3</f><v ?(?:/>|></v>)", b"<f>2+3</f><v>5</v>", sheet)
    assert worked != sheet
    rows = read_tables(rezipped(data, xl_in_worksheets_in_sheet1_dot_xml=worked), "list.xlsx")[0].rows
    assert rows[1].cells == ("12AX7", Decimal(5))
    assert isinstance(rows[2].cells[1], CellFault) and "never worked out" in rows[2].cells[1]


def test_a_formula_that_gives_an_empty_text_is_an_empty_cell() -> None:
    data = workbook(["Type", "Note", "Qty"], ["12AX7", '=IF(1,"","x")', 3])
    sheet = zipfile.ZipFile(io.BytesIO(data)).read("xl/worksheets/sheet1.xml")
    worked = re.sub(rb'<c r="B2">(<f>.*?</f>)<v ?(?:/>|></v>)', rb'<c r="B2" t="str">\1<v></v>', sheet)
    assert worked != sheet
    rows = read_tables(rezipped(data, xl_in_worksheets_in_sheet1_dot_xml=worked), "list.xlsx")[0].rows
    assert rows[1].cells == ("12AX7", "", Decimal(3))


def test_an_error_in_a_cell_is_a_fault() -> None:
    def change(book: Any) -> None:
        cell = book.active["B2"]
        cell.value, cell.data_type = "#REF!", "e"

    cell = read_tables(workbook(["Type", "Qty"], ["12AX7", None], change=change), "list.xlsx")[0].rows[1].cells[1]
    assert isinstance(cell, CellFault) and cell == "the error #REF!"


def test_a_dimension_that_a_careless_program_wrote_is_not_believed() -> None:
    data = workbook(["Type", "Qty"], ["12AX7", 5])
    sheet = zipfile.ZipFile(io.BytesIO(data)).read("xl/worksheets/sheet1.xml").replace(b'ref="A1:B2"', b'ref="A1"')
    assert len(read_tables(rezipped(data, xl_in_worksheets_in_sheet1_dot_xml=sheet), "list.xlsx")[0].rows) == 2


def test_a_merged_cell_is_known_by_the_rows_it_covers() -> None:
    def change(book: Any) -> None:
        for area in ("A2:B4", "C1:D1", "C3:C4"):
            book.active.merge_cells(area)

    rows: list[list[Any]] = [["Type", "", "Qty"], ["12AX7", "", 1], ["", "", 2], ["", "", "", 5]]
    table = read_tables(workbook(*rows, change=change), "list.xlsx")[0]
    assert dict(table.merged) == {(3, 0): 2, (4, 0): 2, (4, 2): 3}
    assert table.rows[2].cells[0] == ""


def sheet_of(*changes: tuple[bytes, bytes]) -> bytes:
    """The plain workbook, its sheet's XML changed as no spreadsheet would write it."""
    xml = zipfile.ZipFile(io.BytesIO(PLAIN)).read("xl/worksheets/sheet1.xml")
    for old, new in changes:
        assert old in xml
        xml = xml.replace(old, new)
    return rezipped(PLAIN, xl_in_worksheets_in_sheet1_dot_xml=xml)


def test_merged_cells_without_end_or_over_each_other_cost_nothing() -> None:
    merges = b"<mergeCells>" + b'<mergeCell ref="A1:A1048576"/>' * 50_000 + b"</mergeCells>"
    table = read_tables(sheet_of((b"</sheetData>", b"</sheetData>" + merges)), "list.xlsx")[0]
    assert dict(table.merged) == {(2, 0): 1}


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ((b'<row r="2"', b'<row r="999999999"'), "more than 1048576 rows"),
        ((b'r="B2"', b'r="XFD2"'), "16384 columns"),
        ((b'r="B2"', b'r="ZZZZZZZ2"'), "damaged"),
        ((b'<row r="2"', b'<row r="two"'), "damaged"),
    ],
)
def test_a_sheet_that_claims_to_be_endless_is_refused(change: tuple[bytes, bytes], reason: str) -> None:
    with pytest.raises(NotATable, match=reason):
        read_tables(sheet_of(change), "list.xlsx")


@pytest.mark.parametrize(
    "doctype",
    [
        b'<!ENTITY a "aaaaaaaaaa">'
        + b"".join(b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(10))
        + b'<!ENTITY x "&k;">',
        b'<!ENTITY x SYSTEM "file:///etc/hostname">',
    ],
)
def test_entities_are_neither_multiplied_nor_fetched(doctype: bytes) -> None:
    head = b'<?xml version="1.0"?><!DOCTYPE l [' + doctype + b"]>"
    data = sheet_of((b"<worksheet", head + b"<worksheet"), (b"<v>5</v>", b"<v>&x;</v>"))
    with pytest.raises(NotATable, match="damaged"):
        read_tables(data, "list.xlsx")


def test_a_number_without_bounds_is_a_fault() -> None:
    cell = read_tables(sheet_of((b"<v>5</v>", b"<v>1e999</v>")), "list.xlsx")[0].rows[1].cells[1]
    assert isinstance(cell, CellFault)


# Refused


PLAIN = workbook(["Type", "Qty"], ["12AX7", 5])


def encrypted_archive() -> bytes:
    """The workbook with the bit set that says that its members are encrypted, in both of the archive's headers."""
    data = bytearray(PLAIN)
    for signature, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.find(signature)
        while at >= 0:
            data[at + offset] |= 1
            at = data.find(signature, at + 4)
    return bytes(data)


def zipped(**members: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "data", "reason"),
    [
        ("list.csv", b"", "empty"),
        ("list.csv", b" \n;;\n", "nothing in the file"),
        ("list.csv", b"x" * (tables.MAX_BYTES + 1), "at most 8 MB"),
        ("list.csv", b"\x89PNG\r\n\x1a\n", "a picture"),
        ("list.csv", b"MZ\x90\x00", "a program"),
        ("list.csv", bytes(range(256)), "not text"),
        ("list.csv", b"Type,Qty\n12AX\x007,5\n", "not text"),
        ("list.csv", PLAIN, "ends in .csv, but the file is a workbook"),
        ("list.xlsx", b"Type;Qty\n12AX7;5\n", "ends in .xlsx, but the file is plain text"),
        ("list.xls", b"<html><table><tr><td>12AX7</td></tr></table>", "a web page"),
        ("list.xls", b"\xd0\xcf\x11\xe0" + b"\0" * 600, "old binary workbook"),
        ("list.xlsx", b"\xd0\xcf\x11\xe0" + "EncryptedPackage".encode("utf-16-le"), "is encrypted"),
        ("list.xlsx", encrypted_archive(), "encrypted"),
        ("list.xlsx", PLAIN[:300], "damaged"),
        ("list.xlsx", zipped(mimetype=b"application/vnd.oasis.opendocument.spreadsheet"), "OpenDocument"),
        ("list.xlsx", zipped(readme=b"hello"), "no workbook"),
        ("list.xlsx", rezipped(PLAIN, xl_in_vbaProject_dot_bin=b"x"), "macros"),
        ("list.xlsx", rezipped(PLAIN, xl_in_worksheets_in_sheet1_dot_xml=b"<worksheet"), "damaged"),
        ("list.xlsx", rezipped(PLAIN, bomb=b"\0" * (workbooks.MAX_UNPACKED_BYTES + 1)), "unpacks to more than"),
    ],
)
def test_what_is_no_plain_table_is_refused_with_the_reason(name: str, data: bytes, reason: str) -> None:
    with pytest.raises(NotATable, match=reason):
        read_tables(data, name)


def test_a_renamed_content_type_for_macros_is_refused() -> None:
    kinds = zipfile.ZipFile(io.BytesIO(PLAIN)).read("[Content_Types].xml")
    kinds = kinds.replace(b"spreadsheetml.sheet.main", b"ms-excel.sheet.macroEnabled.main")
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(PLAIN)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            new.writestr(name, kinds if name == "[Content_Types].xml" else old.read(name))
    with pytest.raises(NotATable, match="macros"):
        read_tables(out.getvalue(), "list.xlsx")


def test_too_many_rows_or_columns_are_refused() -> None:
    with pytest.raises(NotATable, match="more than 20000 rows"):
        csv_table("12AX7;5\n" * (tables.MAX_ROWS + 1))
    with pytest.raises(NotATable, match="201 columns"):
        csv_table(";".join(["a"] * 201) + "\n")


# Headings


def rows(*given: Sequence[str]) -> list[FileRow]:
    return [FileRow(number, tuple(row)) for number, row in enumerate(given, 1)]


def known(cell: str) -> bool:
    return plain(cell) in ("type", "qty", "brand")


def test_the_heading_is_the_row_with_the_most_known_words() -> None:
    given_rows = rows(["Type of list: stock"], ["", "Type", "Brand", "Qty"], ["", "12AX7", "Dunvarrow", "5"])
    assert find_heading(given_rows, known) == 1


def test_without_known_words_the_first_full_row_of_words_is_the_heading() -> None:
    given_rows = rows(["Our list"], ["Lampe", "Stücke", "Wo"], ["12AX7", "5", "A1"], ["EL84", "7", "B1"])
    assert find_heading(given_rows, known) == 1


def test_rows_of_data_alone_have_no_heading() -> None:
    assert find_heading(rows(["12AX7", "5"], ["EL84", "7"]), known) is None


# Numbers


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("5", "5"),
        ("4,50", "4.50"),
        ("4.50", "4.50"),
        ("1.234,5", "1234.5"),
        ("1,234.5", "1234.5"),
        ("1 234,50", "1234.50"),
        ("1'234.50", "1234.50"),
        ("1.234.567", "1234567"),
        ("€ 3,20", "3.20"),
        ("3.20 EUR", "3.20"),
        ("£0.85", "0.85"),
        ("-1", "-1"),
        ("\N{MINUS SIGN}1", "-1"),
        ("12 pcs", "12"),
        ("12 Stück", "12"),
        ("0,125", "0.125"),
        ("1234,567", "1234.567"),
        (",5", "0.5"),
    ],
)
def test_a_number_is_read_as_people_write_it(text: str, number: str) -> None:
    assert read_number(text) == Decimal(number)


@pytest.mark.parametrize("text", ["", "six", "12AX7", "1-2", "1,2,3.4", "1.23.45", "1,23,4", "--1", "1e3", "."])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(UnreadableNumber):
        read_number(text)


def test_a_day_is_no_number() -> None:
    with pytest.raises(UnreadableNumber, match="a day"):
        read_number(date(1953, 3, 1))


def mark_of(*cells: str) -> DecimalMark | None:
    return decide_marks({0: list(enumerate(cells))}).marks[0]


def test_a_number_of_two_meanings_asks_for_the_mark_unless_the_column_shows_it() -> None:
    with pytest.raises(WhichMark):
        read_number("1.234")
    assert (read_number("1.234", DecimalMark.COMMA), read_number("1.234", DecimalMark.POINT)) == (
        Decimal(1234),
        Decimal("1.234"),
    )
    assert mark_of("1.234", "0,85", "") == DecimalMark.COMMA
    assert mark_of("1.234", "5") is None and mark_of("0,85", "0.85") is None


@given(
    st.decimals(min_value=0, max_value=10**9, places=2, allow_nan=False, allow_infinity=False),
    st.sampled_from([(",", "."), (".", ","), (" ", ","), ("'", "."), ("", ","), ("", ".")]),
)
def test_every_way_of_writing_an_amount_is_read_back(amount: Decimal, marks: tuple[str, str]) -> None:
    thousands, decimal = marks
    text = f"{amount:,.2f}".replace(",", "\0").replace(".", decimal).replace("\0", thousands)
    assert read_number(text) == amount

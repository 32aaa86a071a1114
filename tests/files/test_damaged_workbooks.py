"""No workbook, however damaged or malicious, does more than be refused with a reason."""

from __future__ import annotations

import io
import random
import re
import struct
import tracemalloc
import zipfile
import zlib
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pytest

from stockroom.files import tables, workbooks
from stockroom.files.cells import CellFault
from stockroom.files.reading import read_tables
from stockroom.files.tables import FileTable, NotATable
from tests.files.test_tables import PLAIN, rezipped, sheet_of, workbook


def with_shared_strings(data: bytes) -> bytes:
    """The workbook with its texts in one part, as spreadsheets write them; the writer used here puts them in place."""
    texts: list[bytes] = []

    def shared(found: re.Match[bytes]) -> bytes:
        texts.append(found.group(1))
        return b't="s"><v>%d</v>' % (len(texts) - 1)

    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        sheet = re.sub(rb't="inlineStr"><is><t>(.*?)</t></is>', shared, archive.read("xl/worksheets/sheet1.xml"))
        links = archive.read("xl/_rels/workbook.xml.rels")
    assert texts and b"sharedStrings" not in links
    link = b'<Relationship Id="rId99" Type="http://x/relationships/sharedStrings" Target="sharedStrings.xml"/>'
    strings = b"".join(b"<si><t>%s</t></si>" % text for text in texts)
    return rezipped(
        data,
        xl_in_worksheets_in_sheet1_dot_xml=sheet,
        xl_in__rels_in_workbook_dot_xml_dot_rels=links.replace(b"</Relationships>", link + b"</Relationships>"),
        xl_in_sharedStrings_dot_xml=b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        + strings
        + b"</sst>",
    )


def _merged_and_with_another_sheet(book: Any) -> None:
    book.active.merge_cells("B2:B3")
    book.create_sheet("More").append(["Type", "Qty"])


WRITTEN = workbook(
    ["Type", "Maker", "Qty", "Price", "Day", "New"],
    ["12AX7", "Dunvarrow", 12, 4.5, "=TODAY()", True],
    ["EL84", "Brindlemoor", 5, "3,25", "=1/0", False],
    change=_merged_and_with_another_sheet,
)
RICH = with_shared_strings(WRITTEN)
PARTS = [name for name in zipfile.ZipFile(io.BytesIO(RICH)).namelist() if name.endswith((".xml", ".rels"))]


def with_part(name: str, content: bytes) -> bytes:
    return rezipped(RICH, **{name.replace("/", "_in_").replace(".", "_dot_"): content})


def read(data: bytes) -> list[FileTable] | None:
    """None when it was refused; anything but `NotATable` fails the test."""
    try:
        return read_tables(data, "list.xlsx")
    except NotATable as refused:
        assert str(refused)
        return None


def damaged(seed: int) -> Iterator[bytes]:
    """The workbook with one of its parts changed: bytes, attributes, numbers, elements that do not belong there."""
    chance = random.Random(seed)
    name = chance.choice(PARTS)
    with zipfile.ZipFile(io.BytesIO(RICH)) as archive:
        xml = archive.read(name)
    flipped = bytearray(xml)
    for _ in range(chance.randint(1, 6)):
        flipped[chance.randrange(len(flipped))] = chance.randrange(256)
    yield with_part(name, bytes(flipped))
    values = list(re.finditer(rb'="([^"]*)"|>([^<]+)<', xml))
    if values:
        found = chance.choice(values)
        at = 1 if found.group(1) is not None else 2
        strange = chance.choice(
            [b"", b"-1", b"99999999999", b"1e999", b"nan", b"x", b"\xd1\x8f", b"A0", b"0", b"1_0", b"#"]
        )
        yield with_part(name, xml[: found.start(at)] + strange + xml[found.end(at) :])
    named = list(re.finditer(rb' [\w:]+="[^"]*"', xml))
    found = chance.choice(named)
    yield with_part(name, xml[: found.start()] + xml[found.end() :])
    tags = list(re.finditer(rb"<(\w+)[^<>]*?/?>", xml))
    found = chance.choice(tags)
    stray = chance.choice(
        [b"<stray/>", b"<c/>", b'<row r="3"/>', b"<v>1</v>", b'<c r="B9" t="s"><v>77</v></c>', b"<is/>"]
    )
    yield with_part(name, xml[: found.end()] + stray + xml[found.end() :])
    yield with_part(name, xml[: found.end() - 1] + b' unheard="of">' + xml[found.end() :])
    yield with_part(name, xml[: found.start()] + xml[found.end() :])
    cut = bytearray(RICH)
    del cut[chance.randrange(len(cut)) :][: chance.randint(1, 50)]
    cut[chance.randrange(len(cut))] = chance.randrange(256)
    yield bytes(cut)


@pytest.mark.parametrize("seed", range(8))
def test_a_damaged_workbook_is_read_or_refused_and_never_breaks(seed: int) -> None:
    outcomes = [read(data) is None for part in range(60) for data in damaged(1000 * seed + part)]
    assert len(outcomes) > 250 and set(outcomes) == {True, False}


def test_texts_in_one_part_are_read_like_texts_in_place() -> None:
    assert read(RICH) == read(WRITTEN)


def test_a_text_in_runs_is_one_text_and_how_it_is_pronounced_is_left_out() -> None:
    runs = b"<si><r><rPr><b/></rPr><t>12</t></r><r><t>AX7</t></r><rPh><t>say</t></rPh></si>"
    with zipfile.ZipFile(io.BytesIO(RICH)) as archive:
        strings = archive.read("xl/sharedStrings.xml")
    changed = strings.replace(b"<si><t>12AX7</t></si>", runs)
    assert changed != strings
    assert read(with_part("xl/sharedStrings.xml", changed)) == read(RICH)


@pytest.mark.parametrize(
    ("part", "old", "new", "column"),
    [
        ("xl/worksheets/sheet1.xml", b't="s"><v>0</v>', b't="s"><v>4000</v>', "damaged"),
        ("xl/worksheets/sheet1.xml", b't="s"><v>0</v>', b't="s"><v>-1</v>', "damaged"),
        ("xl/_rels/workbook.xml.rels", b"worksheets/sheet1.xml", b"worksheets/gone.xml", "gone.xml is missing"),
        ("xl/workbook.xml", b"</workbook", b"</workbooks", "damaged"),
    ],
)
def test_what_a_workbook_names_and_does_not_hold_is_a_message(part: str, old: bytes, new: bytes, column: str) -> None:
    with zipfile.ZipFile(io.BytesIO(RICH)) as archive:
        xml = archive.read(part)
    assert old in xml
    with pytest.raises(NotATable, match=column):
        read_tables(with_part(part, xml.replace(old, new, 1)), "list.xlsx")


def test_an_attribute_of_another_programs_export_is_passed_over() -> None:
    with zipfile.ZipFile(io.BytesIO(RICH)) as archive:
        book = archive.read("xl/workbook.xml")
    changed = book.replace(b"<workbookView ", b'<workbookView unheard="of" ')
    assert changed != book and read(with_part("xl/workbook.xml", changed)) == read(RICH)


def test_a_day_that_no_calendar_has_is_a_fault_of_its_cell() -> None:
    styles = zipfile.ZipFile(io.BytesIO(PLAIN)).read("xl/styles.xml")
    dated = re.sub(rb'(<cellXfs.*?numFmtId=")0', rb"\g<1>14", styles, count=1, flags=re.DOTALL)
    assert dated != styles
    data = rezipped(sheet_of((b"<v>5</v>", b"<v>99999999</v>")), xl_in_styles_dot_xml=dated)
    cell = read_tables(data, "list.xlsx")[0].rows[1].cells[1]
    assert isinstance(cell, CellFault) and "where a day should be" in cell


# Bombs


def most_memory(data: bytes) -> tuple[str, float]:
    """What it was refused with, and the most that was held meanwhile, in MB."""
    tracemalloc.start()
    try:
        with pytest.raises(NotATable) as refused:
            read_tables(data, "list.xlsx")
        return str(refused.value), tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    "part", ["[Content_Types].xml", "xl/styles.xml", "xl/worksheets/sheet1.xml", "xl/workbook.xml"]
)
def test_a_part_that_unpacks_without_end_is_refused_before_anything_is_unpacked(part: str) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(PLAIN)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            padding = b" " * (workbooks.MAX_UNPACKED_BYTES + 1) if name == part else b""
            new.writestr(name, old.read(name) + padding)
    message, held = most_memory(out.getvalue())
    assert "unpacks to more than 120 MB" in message and held < 5


def test_a_part_that_lies_about_its_size_is_unpacked_no_further_than_it_said() -> None:
    """The archive says 400 bytes; the stream behind it goes on for 200 MB, which a plain read would unpack first."""
    part = b"xl/styles.xml"
    honest = zipfile.ZipFile(io.BytesIO(PLAIN)).read(part.decode())[:400]
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(PLAIN)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, honest + b" " * 200_000_000 if name.encode() == part else old.read(name))
    data = bytearray(out.getvalue())
    for signature, crc_at, name_at in ((b"PK\x03\x04", 14, 30), (b"PK\x01\x02", 16, 46)):
        at = data.find(signature)
        while at >= 0:
            if data[at + name_at : at + name_at + len(part)] == part:
                struct.pack_into("<I", data, at + crc_at, zlib.crc32(honest))
                struct.pack_into("<I", data, at + crc_at + 8, len(honest))
            at = data.find(signature, at + 4)
    message, held = most_memory(bytes(data))
    assert "damaged" in message and held < 5


def test_a_text_named_a_million_times_is_refused() -> None:
    rows = b"".join(
        b'<row r="%d">' % number + b'<c t="inlineStr"><is><t>' + b"x" * 3000 + b"</t></is></c>" * 1 + b"</row>"
        for number in range(3, 12_000)
    )
    with pytest.raises(NotATable, match="letters in the file"):
        read_tables(sheet_of((b"</sheetData>", rows + b"</sheetData>")), "list.xlsx")


def test_what_several_sheets_hold_together_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    def change(book: Any) -> None:
        for name in ("B", "C"):
            for _ in range(100):
                book[name].append(["x" * 10] * 5) if name in book.sheetnames else book.create_sheet(name)

    data = workbook(*([["x" * 10] * 5] * 100), change=change)
    assert len(read_tables(data, "list.xlsx")) == 3
    for limit, held, what in (("letters", 12_000, "letters"), ("cells", 1_200, "cells")):
        with monkeypatch.context() as patch:
            patch.setattr(workbooks, "Allowance", lambda limit=limit, held=held: tables.Allowance(**{limit: held}))
            with pytest.raises(NotATable, match=f"{what} in the file"):
                read_tables(data, "list.xlsx")


def test_merged_cells_without_end_behind_empty_rows_take_no_time() -> None:
    """What stands behind the rows is not parsed when they end early, so it may be no XML at all."""
    empty = b"".join(b'<row r="%d"/>' % number for number in range(3, 3_000))
    (table,) = read_tables(sheet_of((b"</sheetData>", empty + b"<mergeCell " * 300_000)), "list.xlsx")
    assert len(table.rows) == 2 and not table.merged


# Sheets with formats down to the last row


def test_empty_rows_that_bear_only_formats_end_the_reading_and_it_is_said() -> None:
    empty = b"".join(b'<row r="%d" s="1" customFormat="1"/>' % number for number in range(3, 300_000))
    (table,) = read_tables(sheet_of((b"</sheetData>", empty + b"</sheetData>")), "list.xlsx")
    assert [row.number for row in table.rows] == [1, 2]
    assert table.remarks == ("Read as far as row 2003: 2000 empty rows end there.",)


def test_a_few_empty_rows_or_a_gap_of_any_length_lose_nothing() -> None:
    empty = b"".join(b'<row r="%d"><c s="1"/></row>' % number for number in range(3, 1_500))
    far = b'<row r="900000"><c r="A900000"><v>7</v></c></row>'
    (table,) = read_tables(sheet_of((b"</sheetData>", empty + far + b"</sheetData>")), "list.xlsx")
    assert table.rows[-1] == (900_000, (Decimal(7),)) and table.remarks == ()


# Hidden


def test_hidden_rows_columns_and_sheets_are_told() -> None:
    def change(book: Any) -> None:
        book.active.row_dimensions[2].hidden = True
        book.active.column_dimensions["B"].hidden = True
        book.create_sheet("Secret").sheet_state = "hidden"

    (table,) = read_tables(workbook(["Type", "Qty"], ["12AX7", 5], ["EL84", 3], change=change), "list.xlsx")
    assert (table.hidden_rows, table.hidden_columns) == ((2,), (1,))
    assert table.remarks == ("Not read, being hidden in the workbook: the sheet “Secret”.",)
    assert len(table.rows) == 3, "what is hidden is read all the same"

"""XLSX workbooks (ECMA-376, “Office Open XML”, part 1), read for their values alone, in one pass over each sheet.

A formula counts by the value stored with it, never by being worked out. What a merged cell holds stands in its topmost
row; `FileTable.merged` says which rows it covers. Hidden rows and columns are read, and told of.

The library that writes workbooks also reads them, into objects that refuse what they do not know: a stray attribute of
another program's export, a date out of range. It unpacks before it can be told how much, and in its frugal way of
reading says nothing of hidden rows or of formulas without a value. So its helpers for days, escapes and column letters
are used here, and the XML is read directly: whatever is not asked for is passed over, every member is unpacked only as
far as it said it goes, and whatever is wrong is one `NotATable`.
"""

import io
import re
import struct
import xml.etree.ElementTree as ET
import zipfile
import zlib
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping
from datetime import date, datetime
from decimal import Decimal
from math import isfinite
from pathlib import PurePosixPath
from typing import NamedTuple

from openpyxl.styles.numbers import BUILTIN_FORMATS, is_date_format
from openpyxl.utils import column_index_from_string
from openpyxl.utils.datetime import MAC_EPOCH, WINDOWS_EPOCH, from_excel
from openpyxl.utils.escape import unescape

from stockroom.files.cells import Cell, CellFault
from stockroom.files.tables import MAX_COLUMNS, Allowance, FileRow, FileTable, NotATable, kept_rows, row_of

MAX_UNPACKED_BYTES = 120_000_000
LAST_ROW = 1_048_576  # of any sheet; from memory
LAST_COLUMN = 16_384  # likewise
EMPTY_ROWS = 2_000  # one after the other, written down as rows and empty: only formats follow
_DAMAGE = (
    ArithmeticError,
    EOFError,
    LookupError,
    NotImplementedError,
    OSError,
    RuntimeError,
    SyntaxError,
    ValueError,
    struct.error,
    zipfile.BadZipFile,
    zlib.error,
)


def read_workbook(data: bytes, suffix: str) -> list[FileTable]:
    """Every sheet that can be seen.

    Raises:
        NotATable: it is no plain workbook, or damaged.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _check_archive(archive, suffix)
            book = _Workbook(archive)
            return [book.table(sheet) for sheet in book.sheets if not sheet.hidden]
    except NotATable:
        raise
    except _DAMAGE as error:
        raise NotATable(f"The workbook is damaged and cannot be read ({error}).") from error


def _check_archive(archive: zipfile.ZipFile, suffix: str) -> None:
    """Refuse what is zipped but no plain workbook, before anything in it is unpacked."""
    members = archive.infolist()
    names = {member.filename.casefold() for member in members}
    if any(member.flag_bits & 1 for member in members):
        raise NotATable("The archive is encrypted. Send the list without a password.")
    if sum(member.file_size for member in members) > MAX_UNPACKED_BYTES:
        raise NotATable(f"The workbook unpacks to more than {MAX_UNPACKED_BYTES / 1e6:g} MB. Send the list alone.")
    if "mimetype" in names:
        raise NotATable("This is an OpenDocument file. Open it and save it as .xlsx or CSV.")
    if "[content_types].xml" not in names or not any(name.startswith("xl/workbook") for name in names):
        raise NotATable("This is a zipped file, but no workbook. Send the list itself as CSV or .xlsx.")
    kinds = _unpacked(archive, "[Content_Types].xml")
    if any(name.endswith("vbaproject.bin") for name in names) or b"macroenabled" in kinds.lower():
        raise NotATable("The workbook holds macros, which a list has no need of. Save it as plain .xlsx or CSV.")
    if "xl/workbook.xml" not in names:
        raise NotATable("This is a binary workbook (.xlsb). Open it and save it as .xlsx or CSV.")
    if suffix not in ("xlsx", ""):
        raise NotATable(f"The name ends in .{suffix}, but the file is a workbook. Call it .xlsx.")


def _unpacked(archive: zipfile.ZipFile, name: str) -> bytes:
    """A member, unpacked no further than the size it gave: `ZipFile.read` would first unpack whatever is there."""
    wanted = name.casefold()
    member = next((one for one in archive.infolist() if one.filename.casefold() == wanted), None)
    if member is None:
        raise NotATable(f"The workbook is damaged: {name} is missing.")
    with archive.open(member) as opened:
        return opened.read(member.file_size)


class _Sheet(NamedTuple):
    name: str
    path: str
    hidden: bool


class _Workbook:
    """What all sheets share: the names of sheets, the strings, which formats are of days."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self.archive, self.allowance = archive, Allowance()
        book = self._xml("xl/workbook.xml")
        links = {link.get("Id"): link for link in self._xml("xl/_rels/workbook.xml.rels")}
        kinds = {(link.get("Type") or "").rpartition("/")[2]: _target(link) for link in links.values()}
        properties = book.find("{*}workbookPr")
        counts_from_1904 = properties is not None and properties.get("date1904") in ("1", "true")
        self.epoch = MAC_EPOCH if counts_from_1904 else WINDOWS_EPOCH
        self.strings = list(self._strings(kinds["sharedStrings"])) if "sharedStrings" in kinds else []
        self.day_formats = self._day_formats(kinds["styles"]) if "styles" in kinds else frozenset()
        self.sheets = []
        for sheet in book.iterfind("{*}sheets/{*}sheet"):
            link = links[next((value for name, value in sheet.attrib.items() if name.endswith("}id")), "")]
            if (link.get("Type") or "").endswith("/worksheet"):
                hidden = sheet.get("state", "visible") != "visible"
                self.sheets.append(_Sheet(sheet.get("name") or "", _target(link), hidden))

    def _xml(self, path: str) -> ET.Element:
        return ET.fromstring(_unpacked(self.archive, path))

    def _strings(self, path: str) -> Iterator[str]:
        root = None
        for event, element in ET.iterparse(io.BytesIO(_unpacked(self.archive, path)), ("start", "end")):
            root = element if root is None else root
            if event == "end" and _tag(element) == "si":
                yield _text(element)
                root.clear()

    def _day_formats(self, path: str) -> frozenset[int]:
        """The numbers of the cell formats that show a day or a time."""
        styles = self._xml(path)
        formats = {number: str(code) for number, code in BUILTIN_FORMATS.items()}
        formats |= {
            int(one.get("numFmtId", "")): one.get("formatCode", "") for one in styles.iterfind("{*}numFmts/{*}numFmt")
        }
        shown = [formats.get(int(one.get("numFmtId", 0)), "") for one in styles.iterfind("{*}cellXfs/{*}xf")]
        return frozenset(number for number, code in enumerate(shown) if is_date_format(code))

    def table(self, sheet: _Sheet) -> FileTable:
        xml = _unpacked(self.archive, sheet.path)
        reading = _SheetReading(self)
        rows = kept_rows(reading.rows(xml), self.allowance)
        last = max((row.number for row in rows), default=0)
        width = max((len(row.cells) for row in rows), default=0)
        return FileTable(
            sheet.name,
            rows,
            merged=_merged(xml, [row.number for row in rows]),
            hidden_rows=tuple(number for number in reading.hidden_rows if number <= last),
            hidden_columns=tuple(column for column in sorted(reading.hidden_columns) if column < width),
            remarks=tuple(self._remarks(reading)),
        )

    def _remarks(self, reading: "_SheetReading") -> Iterator[str]:
        hidden = [f"“{sheet.name}”" for sheet in self.sheets if sheet.hidden]
        if hidden:
            yield f"Not read, being hidden in the workbook: the {_sheets(len(hidden))} {', '.join(hidden)}."
        if reading.stopped_at:
            yield f"Read as far as row {reading.stopped_at}: {EMPTY_ROWS} empty rows end there."


def _sheets(count: int) -> str:
    return "sheet" if count == 1 else "sheets"


class _SheetReading:
    """One pass over a sheet's XML; what is hidden in it is known when the rows have been read."""

    def __init__(self, book: _Workbook) -> None:
        self.book = book
        self.hidden_rows: list[int] = []
        self.hidden_columns: set[int] = set()
        self.stopped_at = 0

    def rows(self, xml: bytes) -> Iterator[FileRow]:
        data = row = None
        number = empty = following = 0
        cells: dict[int, Cell] = {}
        for event, element in ET.iterparse(io.BytesIO(xml), ("start", "end")):
            tag = _tag(element)
            if event == "start":
                if tag == "sheetData":
                    data = element
                elif tag == "row":
                    row, cells, following = element, {}, 0
                    number = _row_number(element.get("r"), number)
                    if _is_true(element.get("hidden")):
                        self.hidden_rows.append(number)
            elif tag == "col" and _is_true(element.get("hidden")):
                first, last = int(element.get("min", "")), int(element.get("max", ""))
                self.hidden_columns.update(range(first - 1, min(last, MAX_COLUMNS)))
            elif tag == "c" and row is not None:
                column = _column(element.get("r"), following)
                cells[column], following = self._cell(element), column + 1
                row.clear()  # one cell at a time, however many there are
            elif tag == "row" and row is not None and data is not None:
                data.clear()
                row = None
                found = row_of(number, (cells.get(at, "") for at in range(max(cells, default=-1) + 1)))
                empty = 0 if found.cells else empty + 1
                if empty > EMPTY_ROWS:
                    self.stopped_at = number
                    return
                yield found

    def _cell(self, element: ET.Element) -> Cell:
        kind = element.get("t", "n")
        if kind == "inlineStr":
            inline = element.find("{*}is")
            return "" if inline is None else _text(inline).strip()
        stored = element.findtext("{*}v")
        if not stored:
            worked_out = element.find("{*}f") is None or kind == "str"  # a formula may give an empty text
            return "" if worked_out else CellFault("a formula whose value was never worked out")
        if kind == "s":
            index = int(stored)
            if index < 0:
                raise IndexError(f"no string has the number {index}")
            return self.book.strings[index].strip()
        if kind == "b":
            return "yes" if int(stored) else "no"
        if kind == "e":
            return CellFault(f"the error {stored}")
        if kind == "d":
            return datetime.fromisoformat(stored).date()
        if kind != "n":
            return unescape(stored).strip()
        value = float(stored)
        if not isfinite(value):
            return CellFault("a number beyond all bounds")
        if int(element.get("s", 0)) in self.book.day_formats:
            try:
                return _day(from_excel(value, self.book.epoch))
            except (OverflowError, ValueError):
                return CellFault(f"the number {stored} where a day should be")
        return Decimal(f"{value:.15g}")  # what a spreadsheet shows at most: 0.1 + 0.2 is 0.3 to it


def _day(value: object) -> Cell:
    if isinstance(value, datetime):
        return value.date()
    return value if isinstance(value, date) else str(value)  # a time of day


def _row_number(said: str | None, before: int) -> int:
    number = before + 1 if said is None else int(said)
    if number > LAST_ROW:
        raise NotATable(f"The workbook says that a sheet has more than {LAST_ROW} rows, which none can have.")
    if number <= before:
        raise ValueError(f"row {number} follows row {before}")
    return number


def _column(reference: str | None, following: int) -> int:
    """From 0; a cell that does not say where it stands follows the one before."""
    if reference is None:
        return following
    column = column_index_from_string(reference.rstrip("0123456789"))
    if column > LAST_COLUMN:
        raise ValueError(f"no sheet has a column {reference}")
    return column - 1


_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\s[^<>]*?ref=[\"']([A-Z]{1,3})([0-9]{1,7}):[A-Z]{1,3}([0-9]{1,7})[\"']")


def _merged(xml: bytes, numbers: list[int]) -> Mapping[tuple[int, int], int]:
    """See `FileTable.merged`; only for these rows. They stand behind all rows, where reading may have stopped."""
    spans = sorted(
        (column_index_from_string(column.decode()) - 1, int(top), int(bottom))
        for column, top, bottom in _MERGED.findall(xml)
    )
    found: dict[tuple[int, int], int] = {}
    reached: dict[int, int] = {}  # by column; merged cells cannot overlap, whatever a file says
    for column, top, bottom in spans:
        if column < MAX_COLUMNS and top > reached.get(column, 0):
            covered = numbers[bisect_right(numbers, top) : bisect_right(numbers, bottom)]
            found |= {(number, column): top for number in covered}
            reached[column] = bottom
    return found


def _target(link: ET.Element) -> str:
    """The member that a link of the workbook names, from the archive's root."""
    target = link.get("Target") or ""
    return target.lstrip("/") if target.startswith("/") else str(PurePosixPath("xl") / target)


def _text(element: ET.Element) -> str:
    """The text of a string, its runs joined; how it is pronounced (rPh) is left out."""
    runs: Iterable[ET.Element] = [*element.iterfind("{*}t"), *element.iterfind("{*}r/{*}t")]
    return unescape("".join(run.text or "" for run in runs))


def _tag(element: ET.Element) -> str:
    return element.tag.rpartition("}")[2]


def _is_true(text: str | None) -> bool:
    return text in ("1", "true")

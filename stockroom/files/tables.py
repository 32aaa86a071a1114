"""Tables out of the files that people send: CSV in its many dialects, and XLSX workbooks.

    read_tables     the tables of a file, or NotATable saying what the file is and what to do
    Table, Row      rows that hold anything, each with the number a spreadsheet gives it
    Cell            text, a number, a day, or a Fault where the workbook holds an error
    find_heading    which row names the columns: not always the first
    read_number     a number as people write it, with a decimal comma or a decimal point
    settle_mark     which of the two a column uses, where its own cells show it
    plain           text for comparing: one space between words, small letters

CSV is RFC 4180's, widened: semicolons, tabs or bars; a byte-order mark; UTF-8, UTF-16 or Windows-1252; and our own
export's marks (`stockroom.files.cells`). XLSX is read for its values alone: a formula counts by the value stored with
it,
never by being worked out. What a merged cell holds stands in its topmost row; `FileTable.merged` says which rows it
covers.

Refused, each with its reason: files too large or with too much in them, workbooks with macros, encrypted files, old
binary workbooks, and files that are not what their name says.
"""

import csv
import io
import re
import zipfile
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, time
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from itertools import islice
from math import isfinite
from types import MappingProxyType
from typing import Any, NamedTuple

import openpyxl
from openpyxl.utils import column_index_from_string
from openpyxl.utils.exceptions import InvalidFileException

from stockroom.files.cells import restored
from stockroom.pure.refused import Refused

MAX_BYTES = 8_000_000
MAX_UNPACKED_BYTES = 120_000_000
MAX_ROWS = 20_000
MAX_COLUMNS = 200
LAST_ROW = 1_048_576  # of any sheet; from memory
NO_VALUE = "\\N"  # in our own export
HEADING_WITHIN = 30  # rows that hold anything
DELIMITERS = {";": "semicolons", "\t": "tabs", ",": "commas", "|": "bars"}


class NotATable(Refused):
    """No table can be read from the file. The message says why and what to do."""


class CellFault(str):
    """What stands in a cell that holds no value: an error, or a formula that was never worked out."""

    __slots__ = ()


Cell = str | Decimal | date


class FileRow(NamedTuple):
    number: int
    cells: tuple[Cell, ...]


class FileTable(NamedTuple):
    """`name` is the sheet's; `how` says how a CSV file was understood.

    `merged` gives, for the row number and the column (from 0) of a cell that lies in a merged one beneath its topmost
    row, the number of that row. Only the leftmost column of a merged cell counts.
    """

    name: str
    rows: tuple[FileRow, ...]
    how: str = ""
    merged: Mapping[tuple[int, int], int] = MappingProxyType({})

    @property
    def width(self) -> int:
        return max((len(row.cells) for row in self.rows), default=0)


def read_tables(data: bytes, file_name: str) -> list[FileTable]:
    """Every table of the file that holds anything: one of a CSV file, one a sheet of a workbook.

    Raises:
        NotATable: the file cannot be read as one.
    """
    if not data:
        raise NotATable("The file is empty.")
    if len(data) > MAX_BYTES:
        raise NotATable(f"The file has {len(data) / 1e6:.1f} MB; at most {MAX_BYTES / 1e6:g} MB is read. Split it.")
    suffix = file_name.rpartition(".")[2].casefold() if "." in file_name else ""
    read = _read_workbook(data, suffix) if data.startswith(b"PK\x03\x04") else [_read_csv(data, suffix)]
    tables = [table for table in read if table.rows]
    if not tables:
        raise NotATable("There is nothing in the file but empty cells.")
    return tables


def plain(cell: Cell) -> str:
    """
    >>> plain("  Marked  Maker ")
    'marked maker'
    """
    return " ".join(written(cell).split()).casefold()


def written(cell: Cell) -> str:
    """The cell as text.

    >>> written(Decimal("6550.0")), written(date(1953, 3, 1))
    ('6550', '1953-03-01')
    """
    if isinstance(cell, Decimal):
        return f"{cell.normalize():f}"
    return cell.isoformat() if isinstance(cell, date) else cell


def is_blank(cell: Cell) -> bool:
    return isinstance(cell, str) and not isinstance(cell, CellFault) and not cell.strip()


# Headings


def find_heading(rows: Sequence[FileRow], known: Callable[[str], bool]) -> int | None:
    """The index of the row that names the columns; None when no row looks like it.

    It is the row near the top with the most words that are `known` for headings, two at least; failing that, the
    first row as wide as the rows beneath it that holds words alone.
    """
    near = rows[:HEADING_WITHIN]
    scores = [sum(1 for cell in row.cells if isinstance(cell, str) and known(cell)) for row in near]
    if scores and max(scores) >= 2:
        return scores.index(max(scores))
    widths = Counter(_filled(row) for row in rows[: 10 * HEADING_WITHIN])
    usual = max(widths, key=lambda width: (widths[width], width), default=0)
    for index, row in enumerate(near[:-1]):
        filled = [cell for cell in row.cells if not is_blank(cell)]
        words = all(isinstance(cell, str) and not re.search(r"\d", cell) for cell in filled)
        if words and len(filled) >= max(2, usual - 1):
            return index
    return None


def _filled(row: FileRow) -> int:
    return sum(1 for cell in row.cells if not is_blank(cell))


# Numbers


class DecimalMark(StrEnum):
    POINT = "."
    COMMA = ","


class UnreadableNumber(Refused):
    """Not a number as people write one."""


class WhichMark(UnreadableNumber):
    """A number that reads differently with a decimal comma and with a decimal point."""


_CURRENCY = r"(?:[$€£¥₽₴]|zł|Kč|kr\.?|[A-Z]{3})"
_SPACES = str.maketrans("", "", " \N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}'’")


def settle_mark(cells: Iterable[Cell]) -> DecimalMark | None:
    """The decimal mark that the column's own cells show; None when none does, or when they differ."""
    shown = {mark for cell in cells if isinstance(cell, str) and (mark := _mark_shown(_bare(cell)))}
    return shown.pop() if len(shown) == 1 else None


def read_number(cell: Cell, mark: DecimalMark | None = None) -> Decimal:
    """The number in a cell. A number of a workbook is what it is; text is read as people write it.

    >>> read_number("€ 1.234,50"), read_number("0,85"), read_number("1 200 pcs")
    (Decimal('1234.50'), Decimal('0.85'), Decimal('1200'))

    Raises:
        WhichMark: "1.234" is 1234 or 1.234, and nobody has said which mark is used.
        UnreadableNumber: no number.
    """
    if isinstance(cell, Decimal):
        return cell
    if isinstance(cell, date):
        raise UnreadableNumber(f"{cell.isoformat()} is a day, not a number. A spreadsheet may have made it one.")
    text = _bare(cell)
    if not re.fullmatch(r"[-+\N{MINUS SIGN}]?[\d.,]*\d[\d.,]*", text):
        raise UnreadableNumber(f"“{cell.strip()}” is no number.")
    used = _mark_shown(text) or mark
    if used is None and re.search(r"[.,]", text):
        raise WhichMark(f"“{cell.strip()}” can be read with a decimal comma or a decimal point.")
    whole, _, fraction = text.replace("\N{MINUS SIGN}", "-").partition(used or ".")
    groups = re.split(r"[.,]", whole)
    if not all(len(group) == 3 for group in groups[1:]) or re.search(r"[.,]", fraction):
        raise UnreadableNumber(f"“{cell.strip()}” is no number with a decimal {'comma' if used == ',' else 'point'}.")
    try:
        return Decimal("".join(groups) + (f".{fraction}" if fraction else ""))
    except InvalidOperation:
        raise UnreadableNumber(f"“{cell.strip()}” is no number.") from None


def _bare(text: str) -> str:
    """Without a currency, a unit of pieces or the spaces between thousands."""
    text = re.sub(rf"^{_CURRENCY}\s*|\s*{_CURRENCY}$", "", text.strip())
    text = re.sub(r"\s*(?:pcs?|pieces|st(?:k|ück)?|шт)\.?$", "", text, flags=re.IGNORECASE)
    return text.translate(_SPACES)


def _mark_shown(text: str) -> DecimalMark | None:
    """The mark that the number's own form settles: 1.234,5 and 0,85 and 1,2345 can be read in one way only."""
    last = max(text.rfind(mark) for mark in DecimalMark)
    if last < 0:
        return None
    mark, other = (
        (DecimalMark.POINT, DecimalMark.COMMA) if text[last] == "." else (DecimalMark.COMMA, DecimalMark.POINT)
    )
    if text.count(mark) > 1:
        return None if other in text else other  # 1.234.567 has points between thousands
    if other in text:
        return mark
    whole, after = text[:last].lstrip("+-\N{MINUS SIGN}"), text[last + 1 :]
    thousands = len(after) == 3 and 1 <= len(whole) <= 3 and not whole.startswith("0")
    return None if thousands else mark


# CSV

_SIGNATURES = {
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"GIF8": "a picture",
    b"%PDF": "a PDF",
    b"\x1f\x8b": "a compressed file",
    b"7z\xbc\xaf": "a compressed file",
    b"Rar!": "a compressed file",
    b"{\\rtf": "a word processor's document",
    b"SQLite format": "a database",
    b"MZ": "a program",
    b"\x7fELF": "a program",
}


def _read_csv(data: bytes, suffix: str) -> FileTable:
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise NotATable("The workbook is encrypted. Open it with its password and save it without one.")
        raise NotATable("This is an old binary workbook (.xls). Open it and save it as .xlsx or CSV.")
    for signature, what in _SIGNATURES.items():
        if data.startswith(signature):
            raise NotATable(f"This is {what}, not a table. Send the list as CSV or .xlsx.")
    text, encoding = _decode(data)
    if re.match(r"\s*<(?:!doctype|html|table|\?xml|head|body|meta)", text, re.IGNORECASE):
        raise NotATable("This is a web page or XML under another name. Open it and save it as .xlsx or CSV.")
    if suffix in ("xlsx", "xlsm", "xls", "ods"):
        raise NotATable(f"The name ends in .{suffix}, but the file is plain text. If it is CSV, call it .csv.")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    told = re.match(r"sep=(.)\n", text)
    delimiter, records = _records(text, told.group(1) if told and told.group(1) in DELIMITERS else None)
    rows = [
        _row(number, [_unquoted(cell) for cell in record])
        for number, record in enumerate(records, 1)
        if not (told and number == 1)
    ]
    return FileTable("", _checked(rows), f"{encoding}, separated by {DELIMITERS[delimiter]}")


def _decode(data: bytes) -> tuple[str, str]:
    """The text and the name of its encoding."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = {"utf-16": "UTF-16"}
    elif b"\0" in data[:200]:
        encodings = {"utf-16-le" if data[1:2] == b"\0" else "utf-16-be": "UTF-16"}
    else:
        encodings = {"utf-8-sig": "UTF-8", "cp1252": "Windows-1252"}
    for encoding, name in encodings.items():
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if re.search(r"[\x00-\x08\x0e-\x1b]", text) or (name == "UTF-16" and not re.search(r"[\n\r;,\t|]", text)):
            break
        return text, name
    raise NotATable("The file is not text and not a workbook. Send the list as CSV or .xlsx.")


def _records(text: str, told: str | None) -> tuple[str, list[list[str]]]:
    """The delimiter under which the most rows agree on how many columns there are, and the records."""
    best: tuple[int, str, list[list[str]]] | None = None
    broken = ""
    for delimiter in [told] if told else DELIMITERS:
        try:
            lines = io.StringIO(text, newline="")
            reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=delimiter != "\t", strict=True)
            records = list(islice(reader, 4 * MAX_ROWS))
        except csv.Error as error:
            broken = str(error)
            continue
        widths = Counter(len(record) for record in records if any(cell.strip() for cell in record))
        width, agreeing = max(widths.items(), key=lambda item: (item[0] > 1, item[1], item[0]), default=(0, 0))
        score = agreeing * (width - 1)
        if best is None or score > best[0]:
            best = (score, delimiter, records)
    if best is None or (not best[0] and broken):
        raise NotATable(f"A cell does not end where it should ({broken}). Look for a stray quotation mark.")
    return best[1:]


def _unquoted(cell: str) -> str:
    """Without the ="…" that keeps a spreadsheet from rewriting a number, and without the marks of our own export."""
    text = cell.strip()
    found = re.fullmatch(r"=\"(.*)\"", text)
    if found:
        return found.group(1)
    return "" if text == NO_VALUE else restored(cell).strip()


# XLSX


def _read_workbook(data: bytes, suffix: str) -> list[FileTable]:
    _check_archive(data, suffix)
    try:
        workbook = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    except (InvalidFileException, KeyError, ValueError, OSError, zipfile.BadZipFile, SyntaxError) as error:
        raise NotATable(f"The workbook is damaged and cannot be opened ({error}).") from error
    try:
        tables = []
        for sheet in workbook.worksheets:
            if sheet.sheet_state != "visible":
                continue
            sheet.reset_dimensions()
            rows = _checked(_row(number, map(_cell, cells)) for number, cells in _numbered(sheet))
            tables.append(FileTable(sheet.title, rows, merged=_merged(data, sheet, rows)))
    except (KeyError, ValueError, OSError, zipfile.BadZipFile, SyntaxError) as error:
        if isinstance(error, NotATable):
            raise
        raise NotATable(f"The workbook is damaged and cannot be read ({error}).") from error
    finally:
        workbook.close()
    return _with_faults(data, tables)


def _numbered(sheet: Any) -> Iterator[tuple[int, Sequence[Any]]]:
    """The rows with their numbers. The reader fills every gap with empty rows, so a row far out would take for ever."""
    for number, cells in enumerate(sheet.iter_rows(), 1):
        if number > LAST_ROW:
            raise NotATable(f"The workbook says that a sheet has more than {LAST_ROW} rows, which none can have.")
        yield number, cells


_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\s[^>]*?ref=[\"']([A-Z]{1,3})([0-9]{1,7}):[A-Z]{1,3}([0-9]{1,7})[\"']")


def _merged(data: bytes, sheet: Any, rows: Sequence[FileRow]) -> dict[tuple[int, int], int]:
    """See `FileTable.merged`; only for rows that hold anything. The reader of values alone passes over merges."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        xml = archive.read(sheet._worksheet_path)
    spans = sorted(
        (column_index_from_string(column.decode()) - 1, int(top), int(bottom))
        for column, top, bottom in _MERGED.findall(xml)
    )
    numbers = [row.number for row in rows]
    found: dict[tuple[int, int], int] = {}
    reached: dict[int, int] = {}  # by column; merged cells cannot overlap, whatever a file says
    for column, top, bottom in spans:
        if column < MAX_COLUMNS and top > reached.get(column, 0):
            covered = numbers[bisect_right(numbers, top) : bisect_right(numbers, bottom)]
            found |= {(number, column): top for number in covered}
            reached[column] = bottom
    return found


def _check_archive(data: bytes, suffix: str) -> None:
    """Refuse what is zipped but no plain workbook, before anything in it is unpacked."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            kinds = archive.read("[Content_Types].xml") if "[Content_Types].xml" in archive.namelist() else b""
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, OSError) as error:
        raise NotATable(f"The file is a damaged or encrypted archive ({error}).") from error
    names = {member.filename.casefold() for member in members}
    if any(member.flag_bits & 1 for member in members):
        raise NotATable("The archive is encrypted. Send the list without a password.")
    if sum(member.file_size for member in members) > MAX_UNPACKED_BYTES:
        raise NotATable(f"The workbook unpacks to more than {MAX_UNPACKED_BYTES / 1e6:g} MB. Send the list alone.")
    if "mimetype" in names:
        raise NotATable("This is an OpenDocument file. Open it and save it as .xlsx or CSV.")
    if not kinds or not any(name.startswith("xl/workbook") for name in names):
        raise NotATable("This is a zipped file, but no workbook. Send the list itself as CSV or .xlsx.")
    if any(name.endswith("vbaproject.bin") for name in names) or b"macroenabled" in kinds.lower():
        raise NotATable("The workbook holds macros, which a list has no need of. Save it as plain .xlsx or CSV.")
    if "xl/workbook.xml" not in names:
        raise NotATable("This is a binary workbook (.xlsb). Open it and save it as .xlsx or CSV.")
    if suffix not in ("xlsx", ""):
        raise NotATable(f"The name ends in .{suffix}, but the file is a workbook. Call it .xlsx.")


def _with_faults(data: bytes, tables: list[FileTable]) -> list[FileTable]:
    """Mark the formulas whose value was never stored, which else would pass for empty cells."""
    if not _has_formulas(data):
        return tables
    told, worked_out = (
        openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=values, keep_links=False)
        for values in (False, True)
    )
    try:
        return [
            table._replace(rows=_checked(_marked(table.rows, _without_value(told[table.name], worked_out[table.name]))))
            for table in tables
        ]
    finally:
        told.close()
        worked_out.close()


def _without_value(told: Any, worked_out: Any) -> set[tuple[int, int]]:
    """Row and column of the formulas that have no value. One that gives an empty text has that for its value."""
    for sheet in (told, worked_out):
        sheet.reset_dimensions()
    return {
        (number, column)
        for (number, formulas), (_, values) in zip(_numbered(told), _numbered(worked_out), strict=True)
        for column, (formula, value) in enumerate(zip(formulas, values, strict=True))
        if formula.data_type == "f" and value.value is None and value.data_type != "str"
    }


def _has_formulas(data: bytes) -> bool:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return any(
            re.search(rb"<(?:\w+:)?f[ >/]", archive.read(name))
            for name in archive.namelist()
            if name.startswith("xl/worksheets/")
        )


def _marked(rows: Sequence[FileRow], formulas: set[tuple[int, int]]) -> Iterator[FileRow]:
    by_number = {row.number: list(row.cells) for row in rows}
    for number, column in formulas:
        cells = by_number.setdefault(number, [])
        cells += [""] * (column + 1 - len(cells))
        if is_blank(cells[column]):
            cells[column] = CellFault("a formula whose value was never worked out")
    return (_row(number, by_number[number]) for number in sorted(by_number))


def _cell(cell: object) -> Cell:
    value = getattr(cell, "value", None)
    if value is None:
        return ""
    if getattr(cell, "data_type", "") == "e":
        return CellFault(f"the error {value}")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return Decimal(value)
    if isinstance(value, float):
        if not isfinite(value):
            return CellFault("a number beyond all bounds")
        return Decimal(f"{value:.15g}")  # what a spreadsheet shows at most: 0.1 + 0.2 is 0.3 to it
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, time):
        return value.isoformat()
    return value if isinstance(value, date) else str(value).strip()


# Rows


def _row(number: int, cells: Iterable[Cell]) -> FileRow:
    found = list(cells)
    while found and is_blank(found[-1]):
        found.pop()
    return FileRow(number, tuple(found))


def _checked(rows: Iterable[FileRow]) -> tuple[FileRow, ...]:
    """The rows that hold anything, if they are not too many or too wide."""
    kept = []
    for row in rows:
        if not row.cells:
            continue
        if len(row.cells) > MAX_COLUMNS:
            raise NotATable(f"Row {row.number} has {len(row.cells)} columns; at most {MAX_COLUMNS} are read.")
        kept.append(row)
        if len(kept) > MAX_ROWS:
            raise NotATable(f"There are more than {MAX_ROWS} rows with something in them. Split the file.")
    return tuple(kept)

"""A table as it came: rows that hold anything, each with the number a spreadsheet gives it."""

import json
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from types import MappingProxyType
from typing import Any, NamedTuple

from stockroom.files.cells import Cell, CellFault, is_blank
from stockroom.pure.refused import Refused

MAX_BYTES = 8_000_000
MAX_ROWS = 20_000
MAX_COLUMNS = 200
MAX_LETTERS = 30_000_000  # in a whole file; a workbook can name one long text a million times
MAX_CELLS = 2_000_000  # likewise
DELIMITERS = {";": "semicolons", "\t": "tabs", ",": "commas", "|": "bars"}
ENCODINGS = {
    "utf-8": "UTF-8",
    "utf-16": "UTF-16",
    "cp1252": "Windows-1252, western European",
    "cp1250": "Windows-1250, central European",
    "cp1251": "Windows-1251, Cyrillic",
    "cp1253": "Windows-1253, Greek",
    "cp1254": "Windows-1254, Turkish",
    "cp1257": "Windows-1257, Baltic",
    "iso8859-1": "ISO 8859-1, western European",
    "iso8859-2": "ISO 8859-2, central European",
    "iso8859-5": "ISO 8859-5, Cyrillic",
    "iso8859-7": "ISO 8859-7, Greek",
    "iso8859-15": "ISO 8859-15, western European",
    "koi8-r": "KOI8-R, Russian",
    "koi8-u": "KOI8-U, Ukrainian",
    "cp850": "Code page 850, western European",
    "cp852": "Code page 852, central European",
    "cp866": "Code page 866, Cyrillic",
    "mac-roman": "Macintosh, western European",
    "shift-jis": "Shift JIS, Japanese",
    "gb18030": "GB 18030, Chinese",
}


class NotATable(Refused):
    """No table can be read from the file. The message says why and what to do."""


class FileRow(NamedTuple):
    number: int
    cells: tuple[Cell, ...]


class FileTable(NamedTuple):
    """`name` is the sheet's; `encoding` and `delimiter` say how a file of text was understood.

    `merged` gives, for the row number and the column (from 0) of a cell that lies in a merged one beneath its topmost
    row, the number of that row. Only the leftmost column of a merged cell counts.
    """

    name: str
    rows: tuple[FileRow, ...]
    encoding: str = ""
    delimiter: str = ""
    merged: Mapping[tuple[int, int], int] = MappingProxyType({})
    hidden_rows: tuple[int, ...] = ()
    hidden_columns: tuple[int, ...] = ()  # from 0
    remarks: tuple[str, ...] = ()  # what else somebody should know of how it was read

    @property
    def width(self) -> int:
        return max((len(row.cells) for row in self.rows), default=0)

    @property
    def how(self) -> str:
        return f"{ENCODINGS[self.encoding]}, separated by {DELIMITERS[self.delimiter]}" if self.encoding else ""


def row_of(number: int, cells: Iterable[Cell]) -> FileRow:
    found = list(cells)
    while found and is_blank(found[-1]):
        found.pop()
    return FileRow(number, tuple(found))


@dataclass
class Allowance:
    """How much more a file may hold, over all its sheets."""

    letters: int = MAX_LETTERS
    cells: int = MAX_CELLS

    def take(self, row: FileRow) -> None:
        self.cells -= len(row.cells)
        self.letters -= sum(len(cell) for cell in row.cells if isinstance(cell, str))
        if self.cells < 0:
            raise NotATable(f"There are more than {MAX_CELLS} cells in the file. Send the list alone.")
        if self.letters < 0:
            raise NotATable(f"There are more than {MAX_LETTERS} letters in the file. Send the list alone.")


def kept_rows(rows: Iterable[FileRow], allowance: Allowance) -> tuple[FileRow, ...]:
    """
    Raises:
        NotATable: too many rows, too many columns, more than is allowed.
    """
    kept: list[FileRow] = []
    for row in rows:
        if not row.cells:
            continue
        if len(row.cells) > MAX_COLUMNS:
            raise NotATable(f"Row {row.number} has {len(row.cells)} columns; at most {MAX_COLUMNS} are read.")
        kept.append(row)
        allowance.take(row)
        if len(kept) > MAX_ROWS:
            raise NotATable(f"There are more than {MAX_ROWS} rows with something in them. Split the file.")
    return tuple(kept)


# Kept

_FORM = 1  # raise it when what is read or how it is packed changes: files are then read once more


def packed(tables: Sequence[FileTable]) -> bytes:
    whole = [
        [
            table.name,
            [[row.number, *map(_packed_cell, row.cells)] for row in table.rows],
            table.encoding,
            table.delimiter,
            [[*cell, top] for cell, top in table.merged.items()],
            table.hidden_rows,
            table.hidden_columns,
            table.remarks,
        ]
        for table in tables
    ]
    return zlib.compress(json.dumps([_FORM, whole], ensure_ascii=False, separators=(",", ":")).encode())


def unpacked(data: bytes) -> list[FileTable] | None:
    """None when they were packed in another form."""
    form, whole = json.loads(zlib.decompress(data))
    if form != _FORM:
        return None
    return [
        FileTable(
            name,
            tuple(FileRow(number, tuple(map(_unpacked_cell, cells))) for number, *cells in rows),
            encoding,
            delimiter,
            {(row, column): top for row, column, top in merged},
            tuple(hidden_rows),
            tuple(hidden_columns),
            tuple(remarks),
        )
        for name, rows, encoding, delimiter, merged, hidden_rows, hidden_columns, remarks in whole
    ]


def _packed_cell(cell: Cell) -> str | list[str]:
    if isinstance(cell, Decimal):
        return ["n", str(cell)]
    if isinstance(cell, date):
        return ["d", cell.isoformat()]
    return ["f", str(cell)] if isinstance(cell, CellFault) else cell


def _unpacked_cell(cell: Any) -> Cell:
    if isinstance(cell, str):
        return cell
    kind, text = cell
    return Decimal(text) if kind == "n" else date.fromisoformat(text) if kind == "d" else CellFault(text)

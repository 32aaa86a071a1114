"""A file of readings as people have it, turned into rows; what cannot be read is named by row and column.

- `parse(data, …)`: a `Parsed`: rows, problems, and notes on how the file was understood
- `decode(data)`: its text, whatever the encoding; `NotReadings` when it is no text at all
- `ReadingRow`: one section of one valve; `ReadingsProblem`: "row 7, column gm: …"

Understood: semicolons, commas, tabs or bars; decimal commas or points; a byte-order mark, UTF-8, UTF-16 or
Windows-1252; blank lines; a few lines above the heading; units in the heading, in a row beneath it or in the cells;
one row a section, or one row a valve with numbered columns (Ia1, gm1, Ia2, gm2). The form of CSV is RFC 4180's,
widened by the above. A row's number is its line in the file, as a spreadsheet counts it.
"""

from __future__ import annotations

import csv
import io
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from grading.bench.pure.readings_header import (
    QUANTITIES,
    QUANTITY_OF,
    Heading,
    ReadingColumn,
    read_heading,
    read_section,
)
from grading.metrology.quantities import ReadNumbers
from grading.metrology.shorts import read_short
from grading.metrology.units import (
    MA_PER_V,
    OWN,
    TypedMark,
    Unit,
    UnitKind,
    UnreadableReading,
    is_blank,
    is_doubtful,
    read_cell,
    settles,
    split_unit,
    unit,
)
from stockroom.pure.refused import Refused
from stockroom.pure.serials import BadSerial, read_serial
from stockroom.pure.written import noun

MAX_BYTES = 1_000_000
MAX_ROWS = 5_000
HEADING_WITHIN = 20  # lines from the top
DELIMITERS = {";": "semicolons", "\t": "tabs", ",": "commas", "|": "bars"}
SIGNATURES = {
    b"PK\x03\x04": "a zipped file such as a spreadsheet's workbook (.xlsx, .ods)",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet's workbook (.xls)",
    b"\x89PNG": "a picture (PNG)",
    b"\xff\xd8\xff": "a picture (JPEG)",
    b"GIF8": "a picture (GIF)",
    b"%PDF": "a PDF",
    b"\x1f\x8b": "a compressed file (gzip)",
    b"7z\xbc\xaf": "a compressed file (7z)",
    b"{\\rtf": "a word processor's document (RTF)",
    b"SQLite format": "a database",
}
NOISE = {
    "quiet": "quiet",
    "none": "quiet",
    "q": "quiet",
    "slight": "slight",
    "some": "slight",
    "s": "slight",
    "noisy": "noisy",
    "loud": "noisy",
}


class NotReadings(Refused):
    """The file as a whole cannot be a file of readings. The message says what it is and what to do."""


class ReadingsProblem(NamedTuple):
    row: int
    column: str  # as its heading is written; empty when the whole row is meant
    message: str

    def __str__(self) -> str:
        where = f"row {self.row}, column {self.column}" if self.column else f"row {self.row}"
        return f"{where}: {self.message}"


@dataclass(frozen=True)
class ReadingRow(ReadNumbers):
    """One section of one valve. `section` is None where the file does not say it."""

    row: int
    serial: str
    section: int | None = None
    point: str = ""
    columns: Mapping[ReadingColumn, str] = field(default_factory=dict, compare=False)  # headings, to name what is wrong
    units: Mapping[ReadingColumn, Unit] = field(default_factory=dict, compare=False)  # as each value was written


VALUES = {column: quantity.value for column, quantity in QUANTITY_OF.items()}


class Parsed(NamedTuple):
    rows: tuple[ReadingRow, ...]
    problems: tuple[ReadingsProblem, ...]
    notes: tuple[str, ...]


class Column(NamedTuple):
    at: int  # counted from 0
    title: str
    field: ReadingColumn
    section: int | None
    unit: Unit | None


def decode(data: bytes) -> tuple[str, str]:
    """The text and the name of its encoding.

    Raises:
        NotReadings: too large, empty, or no text.
    """
    if len(data) > MAX_BYTES:
        raise NotReadings(
            f"The file has {len(data) / 1e6:.1f} MB; at most {MAX_BYTES / 1e6:g} MB is taken at a time. Split it."
        )
    for signature, what in SIGNATURES.items():
        if data.startswith(signature):
            raise NotReadings(f"This is {what}, not CSV. Open it where it was made and save it as CSV.")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif b"\0" in data[:200]:
        encodings = ["utf-16-le" if data[1:2] == b"\0" else "utf-16-be"]
    else:
        encodings = ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if re.search(r"[\x00-\x08\x0e-\x1b]", text):
            break
        if not text.strip():
            raise NotReadings("The file is empty.")
        return text, encoding
    raise NotReadings("The file is not text. Save the readings as CSV and try again.")


def parse(data: bytes, *, mark: TypedMark | None = None, gm_unit: Unit = MA_PER_V) -> Parsed:
    """Rows and problems; nothing is left out without a note.

    Args:
        mark: the decimal mark, where the person said it; otherwise the columns settle it.
        gm_unit: what gm is in where neither heading nor cell says it.

    Raises:
        NotReadings: no table of readings can be found in it.
    """
    text, encoding = decode(data)
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    delimiter, records, at = _find_heading(text)
    notes = [f"Read as {_called(encoding)}, separated by {DELIMITERS[delimiter]}, heading in row {at + 1}."]
    columns, problems = _read_columns(records[at], at + 1, gm_unit, notes)
    body = list(enumerate(records[at + 1 :], start=at + 2))
    if body and (beneath := _units_beneath(columns, body[0][1])):
        columns, body = beneath, body[1:]
    body = [(number, record) for number, record in body if any(cell.strip() for cell in record)]
    if len(body) > MAX_ROWS:
        raise NotReadings(f"The file has {len(body)} rows; at most {MAX_ROWS} are taken at a time. Split it.")
    marks, unsettled = _settle_marks(columns, body, mark, delimiter, notes)
    problems += unsettled
    skipped = {(problem.row, problem.column) for problem in unsettled}
    reader = _ReadingsReader(columns, marks, {column for _, column in skipped}, len(records[at]), delimiter)
    for number, record in body:
        reader.read(number, record)
    if reader.left_out:
        notes.append(f"Left out, having a serial and nothing else: {_rows(reader.left_out)}.")
    if reader.without_serial:
        notes.append(f"Taken for the valve above, having a section and no serial: {_rows(reader.without_serial)}.")
    problems += reader.problems
    if not reader.rows and not problems:
        raise NotReadings("There is a heading and no readings beneath it.")
    return Parsed(tuple(reader.rows), tuple(sorted(problems)), tuple(notes))


def _rows(numbers: Sequence[int]) -> str:
    first = ", ".join(map(str, numbers[:12]))
    more = f" and {len(numbers) - 12} more" if len(numbers) > 12 else ""
    return f"{noun(len(numbers), 'row')} {first}{more}"


def _called(encoding: str) -> str:
    return {"utf-8-sig": "UTF-8", "cp1252": "Windows-1252"}.get(encoding, encoding.upper())


def _records(text: str, delimiter: str) -> list[list[str]]:
    records = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=delimiter != "\t"))
    return [[_bare(cell) for cell in record] for record in records]


def _bare(cell: str) -> str:
    """Without the ="…" that keeps a spreadsheet from rewriting a number."""
    found = re.fullmatch(r"=\"(.*)\"", cell.strip())
    return found.group(1) if found else cell


def _find_heading(text: str) -> tuple[str, list[list[str]], int]:
    """The delimiter with which most columns of a heading are known, the records, and the heading's index."""
    told = re.match(r"sep=(.)\n", text)
    best: tuple[int, str, list[list[str]], int] | None = None
    for delimiter in [told.group(1)] if told and told.group(1) in DELIMITERS else DELIMITERS:
        try:
            records = _records(text, delimiter)
        except csv.Error as error:
            told_why = f"The file breaks off inside a cell ({error}). Look for a stray quotation mark."
            raise NotReadings(told_why) from None
        for index, record in enumerate(records[:HEADING_WITHIN]):
            known = [heading.field for cell in record if (heading := _heading(cell))]
            if ReadingColumn.SERIAL in known and set(known) - {
                ReadingColumn.SERIAL,
                ReadingColumn.SECTION,
                ReadingColumn.POINT,
            }:
                if best is None or len(known) > best[0]:
                    best = (len(known), delimiter, records, index)
                break
    if best is None:
        raise NotReadings(
            "No heading was found. The first row should name its columns, such as: serial; section; Ia (mA); gm (mA/V)."
        )
    return best[1:]


def _heading(title: str) -> Heading | None:
    """As `read_heading`, taking a column whose unit is unknown for one that we know."""
    try:
        return read_heading(title)
    except UnreadableReading:
        return Heading(ReadingColumn.REMARK, None, None)


def _read_columns(
    titles: Sequence[str], row: int, gm_unit: Unit, notes: list[str]
) -> tuple[list[Column], list[ReadingsProblem]]:
    columns: list[Column] = []
    problems: list[ReadingsProblem] = []
    numbered = any(
        heading and heading.section and heading.field in (ReadingColumn.ANODE_CURRENT, ReadingColumn.GM)
        for heading in map(_heading, titles)
    )
    for at, written in enumerate(titles):
        title = " ".join(written.split())
        try:
            heading = read_heading(title, numbered=numbered)
        except UnreadableReading as error:
            problems.append(ReadingsProblem(row, title, str(error)))
            continue
        if heading is None:
            if title:
                notes.append(f"Column “{title}” is not used.")
            continue
        clash = next((c for c in columns if (c.field, c.section) == heading[:2]), None)
        if clash and heading.field is ReadingColumn.REMARK:
            notes.append(f"Column “{title}” is not used; remarks are taken from “{clash.title}”.")
            continue
        if clash:
            problems.append(ReadingsProblem(row, title, f"is {heading.field} once more, after column “{clash.title}”."))
            continue
        if heading.field is ReadingColumn.GM and heading.unit is None:
            notes.append(f"Column “{title}” does not say its unit; {gm_unit.name} is assumed.")
        column_unit = heading.unit or _own(heading.field, gm_unit)
        columns.append(Column(at, title, heading.field, heading.section, column_unit))
    by_section = any(column.field is ReadingColumn.SECTION for column in columns)
    for column in columns:
        if column.section and by_section:
            problems.append(
                ReadingsProblem(row, column.title, "is numbered, and there is a column for the section as well.")
            )
        elif numbered and column.section is None and column.field in (ReadingColumn.ANODE_CURRENT, ReadingColumn.GM):
            problems.append(ReadingsProblem(row, column.title, "does not say which section it is; others do."))
        elif numbered and column.section is None and column.field not in (ReadingColumn.SERIAL, ReadingColumn.POINT):
            notes.append(f"Column “{column.title}” has no number; it is written to every section.")
    return columns, problems


def _own(of: ReadingColumn, gm_unit: Unit) -> Unit | None:
    quantity = QUANTITIES.get(of)
    if quantity is None:
        return None
    return gm_unit if quantity is UnitKind.GM else OWN[quantity]


def _units_beneath(columns: list[Column], record: Sequence[str]) -> list[Column] | None:
    """The columns with the units that a row under the heading gives, if it is such a row."""
    found: list[Column] = []
    some = False
    for column in columns:
        cell = record[column.at].strip(" ()[]") if column.at < len(record) else ""
        quantity = QUANTITIES.get(column.field)
        if cell and not quantity:
            return None
        if cell and quantity:
            try:
                column = column._replace(unit=unit(cell, quantity))
                some = True
            except UnreadableReading:
                return None
        found.append(column)
    return found if some else None


def _settle_marks(
    columns: list[Column], body: list[tuple[int, list[str]]], said: TypedMark | None, delimiter: str, notes: list[str]
) -> tuple[dict[int, TypedMark | None], list[ReadingsProblem]]:
    """The decimal mark of each column's doubtful numbers, and the columns where nothing tells it.

    A column is settled by its own other numbers, then by the rest of the file; in a file separated by commas, a
    point that is not between thousands elsewhere is the decimal one.
    """
    proofs: dict[int, set[TypedMark]] = defaultdict(set)
    doubtful: dict[int, tuple[int, str]] = {}
    for number, record in body:
        for column in columns:
            if column.field not in QUANTITIES or column.at >= len(record):
                continue
            digits, _ = split_unit(record[column.at])
            proof = settles(digits)
            if proof:
                proofs[column.at].add(proof)
            elif is_doubtful(digits):
                doubtful.setdefault(column.at, (number, digits))
    everywhere = set().union(*proofs.values())
    marks: dict[int, TypedMark | None] = {}
    problems = []
    for column in columns:
        own = proofs[column.at]
        mark = said or (next(iter(own)) if len(own) == 1 else None)
        if mark is None and column.at in doubtful:
            row, digits = doubtful[column.at]
            if not own and len(everywhere) == 1:
                mark = next(iter(everywhere))
                seen = f"the decimal {mark.name.lower()} of the others"
                notes.append(f"Column “{column.title}”: numbers like “{digits}” are read by {seen}.")
            elif not everywhere and delimiter == "," and "," not in digits:
                mark = TypedMark.POINT
            else:
                why = "the column has decimal commas and decimal points" if len(own) > 1 else "nothing else settles it"
                message = f"“{digits}” can be thousands or decimals, and {why}. Say below which decimal mark it is."
                problems.append(ReadingsProblem(row, column.title, message))
        marks[column.at] = mark
    return marks, problems


class _ReadingsReader:
    """Reads the rows beneath the heading, one after another."""

    def __init__(
        self, columns: list[Column], marks: Mapping[int, TypedMark | None], skip: set[str], width: int, delimiter: str
    ) -> None:
        self.columns = columns
        self.marks = marks
        self.skip = skip  # headings of columns already refused as a whole
        self.width = width
        self.delimiter = delimiter
        self.sections = sorted({column.section for column in columns if column.section})
        self.rows: list[ReadingRow] = []
        self.problems: list[ReadingsProblem] = []
        self.left_out: list[int] = []
        self.without_serial: list[int] = []
        self.valve_above: str | None = None
        self.seen: dict[tuple[str, int | None], int] = {}

    def wrong(self, row: int, column: str, message: str) -> None:
        self.problems.append(ReadingsProblem(row, column, message))

    def read(self, number: int, record: list[str]) -> None:
        if any(cell.strip() for cell in record[self.width :]):
            hint = ""
            if self.delimiter == ",":
                hint = " Decimal commas cannot stand in a file separated by commas: save it with semicolons."
            self.wrong(number, "", f"has {len(record)} cells where the heading has {self.width}.{hint}")
            return
        if any("\n" in cell for cell in record):
            self.wrong(number, "", "has a cell that runs over several lines. Look for a stray quotation mark.")
            return
        cells = {column: record[column.at].strip() if column.at < len(record) else "" for column in self.columns}
        serial = self.valve_above = self._serial(number, cells)
        if self.sections:
            self._read_numbered(number, serial, cells)
        else:
            self._read_one(number, serial, cells)

    def _serial(self, number: int, cells: Mapping[Column, str]) -> str | None:
        column, text = next((c, t) for c, t in cells.items() if c.field is ReadingColumn.SERIAL)
        has_section = any(t for c, t in cells.items() if c.field is ReadingColumn.SECTION)
        if not text and has_section and self.valve_above:
            self.without_serial.append(number)  # only the first section's row bears the serial
            return self.valve_above
        if re.fullmatch(r"[0-9][.,]?[0-9]*e\+?[0-9]+", text, re.IGNORECASE):
            self.wrong(number, column.title, f"“{text}” is a serial that a spreadsheet rewrote; format it as text.")
            return None
        try:
            return read_serial(re.sub(r"^'|[.,]0$", "", text))
        except BadSerial as error:
            self.wrong(number, column.title, str(error) if text else "there is no serial.")
            return None

    def _read_one(self, number: int, serial: str | None, cells: Mapping[Column, str]) -> None:
        section, sound = None, True
        for column, text in cells.items():
            if column.field is ReadingColumn.SECTION and text:
                section = read_section(text)
                if section is None:
                    self.wrong(number, column.title, f"“{text}” is no section. Write 1 or 2.")
                    sound = False
        if any(text for column, text in cells.items() if column.field in _READINGS and not is_blank(text)):
            self._keep(number, serial, section, cells, sound=sound)
        elif serial and sound:
            self.left_out.append(number)

    def _read_numbered(self, number: int, serial: str | None, cells: Mapping[Column, str]) -> None:
        read = False
        for section in self.sections:
            own = {c: t for c, t in cells.items() if c.section in (None, section)}
            if any(c.section and c.field in _READINGS and not is_blank(t) for c, t in own.items()):
                self._keep(number, serial, section, own, first=not read)
                read = True
        if serial and not read:
            self.left_out.append(number)

    def _keep(
        self,
        number: int,
        serial: str | None,
        section: int | None,
        cells: Mapping[Column, str],
        *,
        sound: bool = True,
        first: bool = True,
    ) -> None:
        """Add the row, or say everything that is wrong with it.

        Args:
            serial, sound: None and false where the serial or the section has been complained of.
            first: false for the later sections of a row, whose shared cells have been complained of.
        """
        if serial and sound:
            before = self.seen.setdefault((serial, section), number)
            if before != number:
                of = f"section {section} of {serial}" if section else serial
                self.wrong(number, "", f"{of} is in row {before} already.")
                sound = False
        values: dict[str, Any] = {}
        units: dict[ReadingColumn, Unit] = {}
        for column, text in cells.items():
            if column.title in self.skip:
                continue
            try:
                values.update(self._value(column, text, units))
            except ValueError as error:
                sound = False
                if first or column.section:
                    self.wrong(number, column.title, str(error))
        if serial and sound:
            titles = {column.field: column.title for column in cells}
            self.rows.append(ReadingRow(number, serial, section, **values, columns=titles, units=units))

    def _value(self, column: Column, text: str, units: dict[ReadingColumn, Unit]) -> Mapping[str, Any]:
        """The fields of a `ReadingRow` that this cell fills; `ValueError` saying why it cannot be read."""
        match column.field:
            case ReadingColumn.SHORTS:
                short = read_short(text)
                if len(short.between) > 80:
                    raise ValueError("is too long; name the electrodes, such as h-k.")
                return {"shorted": short.shorted, "short_between": short.between}
            case ReadingColumn.NOISE:
                if is_blank(text):
                    return {}
                if text.casefold() not in NOISE:
                    raise ValueError(f"“{text}” is none of quiet, slight, noisy.")
                return {"noise": NOISE[text.casefold()]}
            case ReadingColumn.REMARK:
                if len(text) > 200:
                    raise ValueError(f"is {len(text)} letters long; at most 200 are kept.")
                return {"remark": text}
            case ReadingColumn.POINT:
                return {"point": text}
            case ReadingColumn.SERIAL | ReadingColumn.SECTION:
                return {}
        if is_blank(text):
            return {}
        assert column.unit is not None
        measured = read_cell(text, column.unit, self.marks[column.at])
        units[column.field] = measured.unit
        return {VALUES[column.field]: measured.value}


_READINGS = frozenset({*VALUES, ReadingColumn.SHORTS, ReadingColumn.NOISE, ReadingColumn.REMARK})

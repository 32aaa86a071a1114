"""A file of readings as people have it, turned into rows; what cannot be read is named by row and column.

`stockroom.files` has read the file and `readings_header` says what its columns hold. Understood here: decimal commas or
points; units in the heading, in a row beneath it or in the cells; one row a section, or one row a valve with numbered
columns (Ia1, gm1, Ia2, gm2).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple

from grading.bench.pure.readings_header import (
    QUANTITIES,
    QUANTITY_OF,
    READINGS,
    ReadingColumn,
    bears_numbers,
    field_named,
    heading_field,
    read_section,
    unit_of,
)
from grading.metrology.quantities import ReadNumbers
from grading.metrology.shorts import read_short
from grading.metrology.units import MA_PER_V, OWN, Unit, UnitKind, UnknownUnit, is_blank, read_cell, unit
from stockroom.files.cells import Cell, CellFault, written
from stockroom.files.layouts import FileProblem, Layout, letter, rows_in_words
from stockroom.files.numbers import DecimalMark, decide_marks, read_number
from stockroom.files.tables import FileRow
from stockroom.pure.serials import BadSerial, read_serial

MAX_ROWS = 5_000
NOISE = {
    **dict.fromkeys(["quiet", "none", "q", "ruhig", "silencieux", "silencioso", "тихо"], "quiet"),
    **dict.fromkeys(["slight", "some", "s", "leicht", "léger", "leve", "слабый"], "slight"),
    **dict.fromkeys(["noisy", "loud", "laut", "bruyant", "ruidoso", "шумит"], "noisy"),
}


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
    problems: tuple[FileProblem, ...]
    notes: tuple[str, ...]


class Column(NamedTuple):
    at: int  # counted from 0
    title: str
    field: ReadingColumn
    section: int | None
    unit: Unit | None


def parse(layout: Layout, *, gm_unit: Unit = MA_PER_V) -> Parsed:
    """Rows and problems; nothing is left out without a note.

    Args:
        gm_unit: what gm is in where neither heading nor cell says it.
    """
    if ReadingColumn.SERIAL not in layout.choices.columns:
        return Parsed((), (layout.missing(READINGS.fields[ReadingColumn.SERIAL]),), tuple(layout.notes()))
    notes: list[str] = []
    columns, problems = _read_columns(layout, gm_unit, notes)
    body = []
    for row in layout.body:
        if why := layout.why_left_out(row):
            layout.left_out[why].append(row.number)
        else:
            body.append(row)
    if body and (beneath := _units_beneath(columns, body[0])):
        columns, body = beneath, body[1:]
    if len(body) > MAX_ROWS:
        message = f"the file has {len(body)} rows; at most {MAX_ROWS} are taken at a time. Split it."
        return Parsed((), (FileProblem(0, "", message),), tuple(layout.notes()))
    marks, unsettled = _decide_marks(layout, columns, body, notes)
    problems += unsettled
    reader = _ReadingsReader(layout, columns, marks, {problem.column for problem in unsettled})
    counted = {row.number for row in body}
    for row in layout.body:
        if row.number in counted:
            reader.read(row)
        else:
            reader.pass_over(row)
    if reader.left_out:
        notes.append(f"Left out, having a serial and nothing else: {rows_in_words(reader.left_out)}.")
    if reader.without_serial:
        rows = rows_in_words(reader.without_serial)
        notes.append(f"Taken for the valve above, having a section and no serial: {rows}.")
    problems += reader.problems
    if not reader.rows and not problems:
        problems.append(FileProblem(0, "", "there is a heading and no readings beneath it."))
    return Parsed(tuple(reader.rows), tuple(sorted(problems)), (*layout.notes(), *notes))


def _read_columns(layout: Layout, gm_unit: Unit, notes: list[str]) -> tuple[list[Column], list[FileProblem]]:
    columns: list[Column] = []
    problems: list[FileProblem] = []
    names = {at: name for name, at in layout.choices.columns.items()}
    titles = [layout.title(at) for at in range(layout.table.width)]
    numbered = bears_numbers(titles)
    headings = [heading_field(title, numbered=numbered) for title in titles]

    def wrong(title: str, message: str) -> None:
        problems.append(FileProblem(layout.choices.heading, title, message))

    for at, title in enumerate(titles):
        if at not in names:
            twin = headings.index(headings[at])
            if headings[at] and twin < at and headings[at] not in names.values():
                before = f"after column “{titles[twin]}”"
                wrong(title, f"is {headings[at]} once more, {before}. Say on the page of columns which it is.")
            elif title != letter(at):
                notes.append(f"Column “{title}” is not used.")
            continue
        of, section = field_named(names[at])
        try:
            said = unit_of(title, of, numbered=numbered)
        except UnknownUnit as error:
            wrong(title, str(error))
            continue
        own = _own(of, gm_unit)
        if own and said is None and (of is ReadingColumn.GM or headings[at] is None):
            notes.append(f"Column “{title}” does not say its unit; {own.name} is assumed.")
        columns.append(Column(at, title, of, section, said or own))
    measured = (ReadingColumn.ANODE_CURRENT, ReadingColumn.GM, ReadingColumn.ANODE_VOLTAGE)
    by_section = any(column.field is ReadingColumn.SECTION for column in columns)
    numbered = any(column.section for column in columns if column.field in measured)
    for column in columns:
        if column.section and by_section:
            wrong(column.title, "is numbered, and there is a column for the section as well.")
        elif numbered and column.section is None and column.field in measured:
            wrong(column.title, "does not say which section it is; others do.")
        elif numbered and column.section is None and column.field not in (ReadingColumn.SERIAL, ReadingColumn.POINT):
            notes.append(f"Column “{column.title}” has no number; it is written to every section.")
    return columns, problems


def _own(of: ReadingColumn, gm_unit: Unit) -> Unit | None:
    quantity = QUANTITIES.get(of)
    if quantity is None:
        return None
    return gm_unit if quantity is UnitKind.GM else OWN[quantity]


def _units_beneath(columns: list[Column], row: FileRow) -> list[Column] | None:
    """The columns with the units that a row under the heading gives, if it is such a row."""
    found: list[Column] = []
    some = False
    for column in columns:
        cell = written(_at(row, column)).strip(" ()[]")
        quantity = QUANTITIES.get(column.field)
        if cell and not quantity:
            return None
        if cell and quantity:
            try:
                column = column._replace(unit=unit(cell, quantity))
                some = True
            except UnknownUnit:
                return None
        found.append(column)
    return found if some else None


def _at(row: FileRow, column: Column) -> Cell:
    return row.cells[column.at] if column.at < len(row.cells) else ""


def _decide_marks(
    layout: Layout, columns: list[Column], body: list[FileRow], notes: list[str]
) -> tuple[Mapping[int, DecimalMark | None], list[FileProblem]]:
    """The decimal mark of each column's doubtful numbers, and the columns where nothing tells it."""
    measured = {column.at: column for column in columns if column.field in QUANTITIES}
    settled = decide_marks(
        {at: [(row.number, _at(row, column)) for row in body] for at, column in measured.items()},
        layout.choices.decimal_mark,
        between_commas=layout.table.delimiter == ",",
    )
    for at, digits in settled.by_others.items():
        mark = settled.marks[at]
        assert mark is not None
        by = f"the decimal {mark.name.lower()} of the others"
        notes.append(f"Column “{measured[at].title}”: numbers like “{digits}” are read by {by}.")
    return settled.marks, [
        FileProblem(
            doubt.row,
            measured[at].title,
            f"“{doubt.number}” can be thousands or decimals, and {doubt.why}. Say on the page of columns which decimal "
            "mark it is.",
        )
        for at, doubt in settled.in_doubt.items()
    ]


class _ReadingsReader:
    """Reads the rows beneath the heading, one after another."""

    def __init__(
        self, layout: Layout, columns: list[Column], marks: Mapping[int, DecimalMark | None], skip: set[str]
    ) -> None:
        self.columns = columns
        self.marks = marks
        self.skip = skip  # headings of columns already refused as a whole
        self.width = len(layout.heading.cells) if layout.heading else layout.table.width
        self.delimiter = layout.table.delimiter
        self.sections = sorted({column.section for column in columns if column.section})
        self.rows: list[ReadingRow] = []
        self.problems: list[FileProblem] = []
        self.left_out: list[int] = []
        self.without_serial: list[int] = []
        self.valve_above: str | None = None
        self.seen: dict[tuple[str, int | None], int] = {}

    def wrong(self, row: int, column: str, message: str) -> None:
        self.problems.append(FileProblem(row, column, message))

    def pass_over(self, row: FileRow) -> None:
        """A row that does not count: one beneath it without a serial is not of the valve above it either."""
        serial = next(column for column in self.columns if column.field is ReadingColumn.SERIAL)
        if _at(row, serial) != "":
            self.valve_above = None

    def read(self, row: FileRow) -> None:
        if self.delimiter and len(row.cells) > self.width:
            hint = ""
            if self.delimiter == ",":
                hint = " Decimal commas cannot stand in a file separated by commas: save it with semicolons."
            self.wrong(row.number, "", f"has {len(row.cells)} cells where the heading has {self.width}.{hint}")
            return
        if self.delimiter and any("\n" in written(cell) for cell in row.cells):
            self.wrong(row.number, "", "has a cell that runs over several lines. Look for a stray quotation mark.")
            return
        cells = {column: _at(row, column) for column in self.columns}
        serial = self.valve_above = self._serial(row.number, cells)
        if self.sections:
            self._read_numbered(row.number, serial, cells)
        else:
            self._read_one(row.number, serial, cells)

    def _serial(self, number: int, cells: Mapping[Column, Cell]) -> str | None:
        column, cell = next((c, t) for c, t in cells.items() if c.field is ReadingColumn.SERIAL)
        text = written(cell)
        has_section = any(t for c, t in cells.items() if c.field is ReadingColumn.SECTION)
        if isinstance(cell, CellFault):
            self.wrong(number, column.title, _at_fault(cell))
            return None
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

    def _read_one(self, number: int, serial: str | None, cells: Mapping[Column, Cell]) -> None:
        section, sound = None, True
        for column, cell in cells.items():
            if column.field is ReadingColumn.SECTION and cell != "":
                section = read_section(written(cell))
                if section is None:
                    text = f"“{written(cell)}” is no section. Write 1 or 2."
                    self.wrong(number, column.title, _at_fault(cell) if isinstance(cell, CellFault) else text)
                    sound = False
        if any(column.field in _READINGS and not is_blank(written(cell)) for column, cell in cells.items()):
            self._keep(number, serial, section, cells, sound=sound)
        elif serial and sound:
            self.left_out.append(number)

    def _read_numbered(self, number: int, serial: str | None, cells: Mapping[Column, Cell]) -> None:
        read = False
        for section in self.sections:
            own = {c: t for c, t in cells.items() if c.section in (None, section)}
            if any(c.section and c.field in _READINGS and not is_blank(written(t)) for c, t in own.items()):
                self._keep(number, serial, section, own, first=not read)
                read = True
        if serial and not read:
            self.left_out.append(number)

    def _keep(
        self,
        number: int,
        serial: str | None,
        section: int | None,
        cells: Mapping[Column, Cell],
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
        for column, cell in cells.items():
            if column.title in self.skip:
                continue
            try:
                values.update(self._value(column, cell, units))
            except ValueError as error:
                sound = False
                if first or column.section:
                    self.wrong(number, column.title, str(error))
        if serial and sound:
            titles = {column.field: column.title for column in cells}
            self.rows.append(ReadingRow(number, serial, section, **values, columns=titles, units=units))

    def _value(self, column: Column, cell: Cell, units: dict[ReadingColumn, Unit]) -> Mapping[str, Any]:
        """The fields of a `ReadingRow` that this cell fills; `ValueError` saying why it cannot be read."""
        if column.field in (ReadingColumn.SERIAL, ReadingColumn.SECTION):
            return {}  # read before
        if isinstance(cell, CellFault):
            raise ValueError(_at_fault(cell))
        text = written(cell)
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
        if is_blank(text):
            return {}
        assert column.unit is not None
        if isinstance(cell, Decimal | date):  # of a workbook: a number is what it is
            units[column.field] = column.unit
            return {VALUES[column.field]: float(read_number(cell) * column.unit.factor)}
        measured = read_cell(text, column.unit, self.marks[column.at])
        units[column.field] = measured.unit
        return {VALUES[column.field]: measured.value}


_READINGS = frozenset({*VALUES, ReadingColumn.SHORTS, ReadingColumn.NOISE, ReadingColumn.REMARK})


def _at_fault(cell: CellFault) -> str:
    return f"there is {cell}. Open the workbook, put it right and save it."

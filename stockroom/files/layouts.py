"""How a table is laid out: which row names the columns, which column holds what, which rows do not count."""

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

from stockroom.files.cells import Cell, is_blank, plain, written
from stockroom.files.numbers import DecimalMark
from stockroom.files.tables import FileRow, FileTable

HEADING_WITHIN = 30  # rows that hold anything
SHOWN_ROWS = 12
NO_HEADINGS = "no headings were found"


class FileProblem(NamedTuple):
    row: int  # 0 when no row is meant
    column: str  # as its heading is written; empty when the whole row is meant
    message: str

    def __str__(self) -> str:
        where = [f"row {self.row}"] if self.row else []
        where += [f"column {self.column}"] if self.column else []
        return f"{', '.join(where)}: {self.message}" if where else f"{self.message[0].upper()}{self.message[1:]}"


class FileField(NamedTuple):
    """`headings` in plain small letters, the surest first."""

    label: str
    headings: tuple[str, ...] = ()
    required: bool = False
    none: str = "none"  # what it means that no column is chosen
    group: str = "Columns"  # the legend that it stands under
    aside: bool = False  # the group is folded away where none of it is chosen
    shown: bool = True  # else only where a heading has chosen it


class Headings:
    """The fields of a kind of file, found by exactly their headings."""

    def __init__(self, fields: Mapping[str, FileField]) -> None:
        self.fields = fields

    def key(self, title: str) -> str:
        """A heading as it is remembered: in plain small letters, without brackets and marks at its end.

        >>> Headings({}).key("Qty. (pcs)"), Headings({}).key(" Unit  price: ")
        ('qty', 'unit price')
        """
        return re.sub(r"\s*[\[(].*", "", plain(title)).strip(" .:*№#")

    def knows(self, title: str) -> bool:
        return any(self.key(title) in one.headings for one in self.fields.values())

    def columns(self, titles: Sequence[str], remembered: Mapping[str, str]) -> dict[str, int]:
        """The column of each field that a heading names."""
        keys = [self.key(title) for title in titles]
        chosen = self.remembered_columns(keys, remembered)
        for name, one in self.fields.items():
            free = [column for column in range(len(keys)) if column not in chosen.values()]
            ranked = [(one.headings.index(keys[column]), column) for column in free if keys[column] in one.headings]
            if name not in chosen and ranked and keys[min(ranked)[1]] not in remembered:
                chosen[name] = min(ranked)[1]
        return chosen

    def remembered_columns(self, keys: Sequence[str], remembered: Mapping[str, str]) -> dict[str, int]:
        chosen: dict[str, int] = {}
        for column, key in enumerate(keys):
            if key and remembered.get(key) in self.fields:
                chosen.setdefault(remembered[key], column)
        return chosen


@dataclass(frozen=True)
class FileChoices:
    """What somebody chose on the page of columns.

    `heading` is the number of the row that names the columns, 0 for none. `columns` is by field, counted from 0.
    `leave_out` names rows, as "7, 12-14", and `why_out` says why.
    """

    sheet: str = ""
    heading: int = 0
    columns: Mapping[str, int] = field(default_factory=dict)
    mark: str = ""
    leave_out: str = ""
    why_out: str = ""

    def kept(self) -> dict[str, Any]:
        """As it is stored."""
        return asdict(self)

    @property
    def decimal_mark(self) -> DecimalMark | None:
        return DecimalMark(self.mark) if self.mark else None

    @cached_property
    def rows_left_out(self) -> frozenset[int]:
        return frozenset(read_rows(self.leave_out))


def first_choices(
    tables: Sequence[FileTable],
    headings: Headings,
    remembered: Mapping[str, str],
    sheet: str = "",
    heading: int | None = None,
) -> FileChoices:
    """Sheet, heading row and columns as the headings suggest them, the remembered ones first."""

    def known(title: str) -> bool:
        return headings.key(title) in remembered or headings.knows(title)

    tables = [table for table in tables if table.name == sheet] or tables
    found = {table.name: find_heading(table.rows, known) for table in tables}
    table = next((table for table in tables if found[table.name] is not None), tables[0])
    at = found[table.name]
    if heading is None:
        heading = 0 if at is None else table.rows[at].number
    row = next((row for row in table.rows if row.number == heading), None)
    titles = [written(cell) for cell in row.cells] if row else []
    return FileChoices(sheet=table.name, heading=heading, columns=headings.columns(titles, remembered))


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


class Layout:
    """A file's tables, and how the chosen one is laid out. `left_out` gathers why rows were passed over."""

    def __init__(self, tables: Sequence[FileTable], choices: FileChoices) -> None:
        self.tables, self.choices = tables, choices
        self.table = next((table for table in tables if table.name == choices.sheet), tables[0])
        self.heading = next((row for row in self.table.rows if row.number == choices.heading), None)
        self.left_out: dict[str, list[int]] = defaultdict(list)
        self._by_number = {row.number: row for row in self.table.rows}

    @property
    def body(self) -> list[FileRow]:
        """The rows beneath the heading."""
        return [row for row in self.table.rows if row.number > self.choices.heading]

    def title(self, column: int) -> str:
        """The column as its heading calls it, else by its letter."""
        heading = self.heading
        if heading and column < len(heading.cells) and not is_blank(heading.cells[column]):
            return " ".join(written(heading.cells[column]).split())
        return letter(column)

    @property
    def titles(self) -> list[str]:
        """Each column's letter and heading."""
        letters = (letter(column) for column in range(self.table.width))
        return [
            one if self.title(column) == one else f"{one}: {self.title(column)}" for column, one in enumerate(letters)
        ]

    def why_left_out(self, row: FileRow) -> str:
        if row.number in self.choices.rows_left_out:
            return self.choices.why_out or "as you said"
        if self.heading and [plain(cell) for cell in row.cells] == [plain(cell) for cell in self.heading.cells]:
            return "the headings once more"
        return ""

    def problem(self, row: FileRow, name: str, message: str) -> FileProblem:
        column = self.choices.columns.get(name)
        return FileProblem(row.number, "" if column is None else self.title(column), message)

    def missing(self, field: FileField) -> FileProblem:
        """No column is chosen for what must be there."""
        what = f"no column is chosen for the {field.label.lower()}."
        return FileProblem(self.choices.heading, "", what if self.heading else f"{NO_HEADINGS}, and {what}")

    def own_cell(self, row: FileRow, name: str) -> Cell:
        column = self.choices.columns.get(name)
        return row.cells[column] if column is not None and column < len(row.cells) else ""

    def cell(self, row: FileRow, name: str) -> Cell:
        """What the row gives, or the merged cell that covers it gives from above."""
        above = self.covered_from(row, name)
        return self.own_cell(row if above is None else above, name)

    def covered_from(self, row: FileRow, name: str) -> FileRow | None:
        """The row beneath the headings whose cell is merged over this row's."""
        top = self.table.merged.get((row.number, self.choices.columns.get(name, -1)), 0)
        covered = top > self.choices.heading and is_blank(self.own_cell(row, name))
        return self._by_number.get(top) if covered else None

    def notes(self) -> Iterator[str]:
        """How the file was read, what is hidden in it, and what was left out so far, with its reason."""
        if self.table.how:
            yield f"Read as {self.table.how}."
        yield from self.table.remarks
        hidden = [number for number in self.table.hidden_rows if number in self._by_number]
        if hidden:
            yield f"Hidden in the workbook and read all the same: {rows_in_words(hidden)}."
        if self.table.hidden_columns:
            named = [self.title(column) for column in self.table.hidden_columns]
            yield f"Hidden in the workbook and read all the same: column {', '.join(named)}."
        yield from self.left_out_notes()

    def left_out_notes(self) -> Iterator[str]:
        for why, rows in self.left_out.items():
            yield f"Left out, {why}: {rows_in_words(rows)}."


def columns_to_remember(layout: Layout, headings: Headings, remembered: Mapping[str, str]) -> dict[str, str]:
    """The field by heading: as remembered, and as this file's columns were chosen; "" where none was on purpose."""
    if layout.heading is None:
        return dict(remembered)
    titles = [layout.title(column) for column in range(layout.table.width)]
    chosen = {headings.key(titles[column]): name for name, column in layout.choices.columns.items()}
    passed_over = {headings.key(title): "" for title in titles if headings.knows(title)}
    forgotten = {headings.key(title) for title in titles}
    return {key: name for key, name in remembered.items() if key not in forgotten} | passed_over | chosen


def letter(column: int) -> str:
    """
    >>> letter(0), letter(25), letter(26)
    ('A', 'Z', 'AA')
    """
    name = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(ord("A") + rest) + name
    return name


def read_rows(text: str) -> list[int]:
    """
    >>> read_rows("7, 12-14")
    [7, 12, 13, 14]

    Raises:
        ValueError: it names no rows.
    """
    rows: list[int] = []
    for part in filter(None, re.split(r"[\s,;]+", re.sub(r"\s*[-–]\s*", "-", text.strip()))):
        match = re.fullmatch(r"([0-9]{1,7})(?:-([0-9]{1,7}))?", part)
        if not match:
            raise ValueError(f"“{part}” names no rows. Write them as: 7, 12-14.")
        first, last = int(match[1]), int(match[2] or match[1])
        if not 0 <= last - first < 100_000:
            raise ValueError(f"“{part}” names no rows: give the smaller number first.")
        rows += range(first, last + 1)
    return rows


def rows_in_words(numbers: Iterable[int]) -> str:
    """
    >>> rows_in_words([7]), rows_in_words(range(14))
    ('row 7', 'rows 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11 and 2 more')
    """
    rows = list(numbers)
    first = ", ".join(map(str, rows[:SHOWN_ROWS]))
    more = f" and {len(rows) - SHOWN_ROWS} more" if len(rows) > SHOWN_ROWS else ""
    return f"{'row' if len(rows) == 1 else 'rows'} {first}{more}"

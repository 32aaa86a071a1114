"""A file of lines that a supplier sent: kept from upload to import, and how its columns are laid out.

- `receive(lot, name, data, by)`: keep the file; `NotATable` when it cannot be read as one
- `Layout(file)`: its sheets, the row that names the columns, and the columns
- `ColumnChoices`: which column holds what, and what the supplier's words mean; `first_choices(layout)` guesses them
- `FIELDS`: what a column can hold
- `remember(layout)`: keep what the columns and words meant for the supplier's next file
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import timedelta
from functools import cached_property
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from stockroom.files.tables import FileRow, FileTable, find_heading, is_blank, plain, read_tables, written
from stockroom.models import Lot, LotFile, SupplierMapping

KEPT_FOR = timedelta(days=7)  # a file that nobody imported


class ListColumn(NamedTuple):
    """What a column can hold, and the headings that say so in plain small letters, the surest first."""

    label: str
    headings: tuple[str, ...]


FIELDS: Mapping[str, ListColumn] = {
    "type": ListColumn(
        "Type",
        (
            "type",
            "valve type",
            "tube type",
            "valve",
            "tube",
            "designation",
            "part number",
            "part no",
            "part",
            "model",
            "item",
            "article",
            "description",
            "typ",
            "röhre",
            "röhrentyp",
            "bezeichnung",
            "tipo",
            "référence",
            "тип",
            "наименование",
        ),
    ),
    "maker": ListColumn(
        "Marked maker",
        (
            "maker",
            "marked maker",
            "brand",
            "make",
            "manufacturer",
            "mfr",
            "mfg",
            "mark",
            "marke",
            "hersteller",
            "fabricant",
            "marque",
            "marca",
            "производитель",
            "завод",
        ),
    ),
    "condition": ListColumn(
        "Condition claimed",
        (
            "condition",
            "condition claimed",
            "cond",
            "state",
            "zustand",
            "état",
            "estado",
            "состояние",
        ),
    ),
    "expected": ListColumn(
        "Pieces",
        (
            "pieces",
            "quantity",
            "qty",
            "pcs",
            "expected",
            "quantity shipped",
            "count",
            "number",
            "stück",
            "stk",
            "menge",
            "anzahl",
            "quantité",
            "qté",
            "cantidad",
            "количество",
            "кол-во",
            "шт",
        ),
    ),
    "counted": ListColumn("Counted", ("counted", "received", "actual", "gezählt", "reçu")),
    "weight": ListColumn(
        "Price or cost weight of one",
        (
            "unit price",
            "price each",
            "price per piece",
            "each",
            "price",
            "cost weight",
            "weight",
            "cost",
            "einzelpreis",
            "stückpreis",
            "preis",
            "prix unitaire",
            "prix",
            "precio",
            "цена",
        ),
    ),
    "place": ListColumn(
        "Place", ("place", "shelf", "location", "bin", "drawer", "lagerort", "lagerplatz", "emplacement")
    ),
    "note": ListColumn(
        "Note",
        (
            "note",
            "notes",
            "remark",
            "remarks",
            "comment",
            "comments",
            "bemerkung",
            "bemerkungen",
            "anmerkung",
            "remarque",
            "примечание",
        ),
    ),
    "code": ListColumn(
        "Code as stamped",
        (
            "date code",
            "stamped code",
            "code as stamped",
            "stamp",
            "factory code",
            "datecode",
            "stempel",
            "datumscode",
        ),
    ),
    "serial": ListColumn(
        "Serial or mark of one valve",
        (
            "serial",
            "serial number",
            "serial no",
            "serial nr",
            "s/n",
            "sn",
            "valve no",
            "tube no",
            "valve number",
            "tube number",
            "seriennummer",
            "numéro de série",
            "número de serie",
            "серийный номер",
        ),
    ),
}


def receive(lot: Lot, name: str, data: bytes, by: User | None) -> LotFile:
    """Keep the file for mapping. The same file for the same lot, not yet imported, is taken up again.

    Raises:
        NotATable: it cannot be read as a table.
    """
    read_tables(data, name)
    digest = hashlib.sha256(data).hexdigest()
    with transaction.atomic():
        LotFile.objects.filter(imported_at=None, uploaded_at__lt=timezone.now() - KEPT_FOR).delete()
        waiting = LotFile.objects.filter(lot=lot, sha256=digest, imported_at=None).first()
        if waiting:
            return waiting
        file = LotFile(lot=lot, name=name[-200:], sha256=digest, data=data, uploaded_by=by)
        file.choices = asdict(first_choices(Layout(file)))
        file.save()
    return file


@dataclass(frozen=True)
class ColumnChoices:
    """What somebody chose on the mapping page.

    `heading` is the number of the row that names the columns, 0 for none. `columns` is by field, counted from
    0. `leave_out` names rows, as "7, 12-14". `words` is by "type", "maker" and "condition", then by the file's
    word in plain small letters: the designation, name or condition it stands for; an empty type leaves its
    rows out, an empty maker is no maker.
    """

    sheet: str = ""
    heading: int = 0
    columns: Mapping[str, int] = field(default_factory=dict)
    mark: str = ""
    condition: str = ""
    leave_out: str = ""
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def word(self, kind: str, said: str) -> str | None:
        return self.words.get(kind, {}).get(said)

    @property
    def rows_left_out(self) -> frozenset[int]:
        return frozenset(read_rows(self.leave_out))


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


class Layout:
    """A file's sheets, and how the chosen one is laid out."""

    def __init__(self, file: LotFile) -> None:
        self.file = file
        self.tables = read_tables(bytes(file.data), file.name)
        self.choices = ColumnChoices(**file.choices)
        self.mapping = SupplierMapping.objects.filter(supplier=file.lot.supplier_id).first()

    @cached_property
    def table(self) -> FileTable:
        return next((table for table in self.tables if table.name == self.choices.sheet), self.tables[0])

    @property
    def heading(self) -> FileRow | None:
        return next((row for row in self.table.rows if row.number == self.choices.heading), None)

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


def first_choices(layout: Layout, sheet: str = "", heading: int | None = None) -> ColumnChoices:
    """Sheet, heading row and columns as the headings suggest them, the supplier's own way first."""
    remembered: Mapping[str, str] = layout.mapping.columns if layout.mapping else {}

    def known(cell: str) -> bool:
        return _heading(cell) in remembered or any(_heading(cell) in one.headings for one in FIELDS.values())

    tables = [table for table in layout.tables if table.name == sheet] or layout.tables
    found = {table.name: find_heading(table.rows, known) for table in tables}
    table = next((table for table in tables if found[table.name] is not None), tables[0])
    at = found[table.name]
    if heading is None:
        heading = 0 if at is None else table.rows[at].number
    row = next((row for row in table.rows if row.number == heading), None)
    titles = [_heading(written(cell)) for cell in row.cells] if row else []
    words = layout.mapping.words if layout.mapping else {}
    return replace(
        ColumnChoices(words=words),
        sheet=table.name,
        heading=heading,
        columns=_columns(titles, remembered),
        mark=layout.mapping.decimal_mark if layout.mapping else "",
        condition=layout.mapping.condition if layout.mapping else "",
    )


def _heading(text: str) -> str:
    """A heading in plain small letters, without brackets and marks at its end.

    >>> _heading("Qty. (pcs)"), _heading(" Unit  price: ")
    ('qty', 'unit price')
    """
    return re.sub(r"\s*[\[(].*", "", plain(text)).strip(" .:*№#")


def _columns(titles: Sequence[str], remembered: Mapping[str, str]) -> dict[str, int]:
    chosen: dict[str, int] = {}
    for column, title in enumerate(titles):
        if title and title in remembered and remembered[title] in FIELDS:
            chosen.setdefault(remembered[title], column)
    for name, one in FIELDS.items():
        free = [column for column in range(len(titles)) if column not in chosen.values()]
        ranked = [(one.headings.index(titles[column]), column) for column in free if titles[column] in one.headings]
        if name not in chosen and ranked and titles[min(ranked)[1]] not in remembered:
            chosen[name] = min(ranked)[1]
    return chosen


def remember(layout: Layout) -> None:
    """What the columns and words of this file meant, for the supplier's next."""
    mapping = layout.mapping or SupplierMapping(supplier_id=layout.file.lot.supplier_id)
    choices = layout.choices
    fields = {column: name for name, column in choices.columns.items()}
    for column in range(layout.table.width):
        title = _heading(layout.title(column)) if layout.heading else ""
        if not title:
            continue
        if column in fields:
            mapping.columns[title] = fields[column]
        else:
            mapping.columns.pop(title, None)
    for kind, words in choices.words.items():
        kept = {said: ours for said, ours in words.items() if ours}
        mapping.words[kind] = {**mapping.words.get(kind, {}), **kept}
    mapping.decimal_mark, mapping.condition = choices.mark, choices.condition
    mapping.save()

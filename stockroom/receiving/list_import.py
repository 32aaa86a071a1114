"""Lines for a lot out of a file that its supplier sent: all of them, or none.

`stockroom.receiving.list_layout` says what its columns hold; here its rows meet the types, makers and places.

A row that gives a serial or mark is one valve: rows that say the same of theirs make one line, whose valves get
serials of ours at once, and the supplier's own goes into each valve's history. A stamped code becomes the code of such
a valve, with every reading it can have and none chosen; pieces in bulk have no marks of their own yet, so there it
stands in the line's note. A cell merged downwards counts in every row that it covers, but not for a number of pieces.
"""

from __future__ import annotations

import difflib
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import NamedTuple, cast

from django import forms
from django.contrib.auth.models import User
from django.db import transaction
from openpyxl.utils.datetime import from_excel

from catalog.models import ValveType
from catalog.reference.scripts import normal
from stockroom.files.cells import Cell, CellFault, is_blank, plain, written
from stockroom.files.layouts import FileProblem, Layout, rows_in_words
from stockroom.files.numbers import DecimalMark, UnreadableNumber, WhichMark, decide_marks, read_number
from stockroom.files.tables import FileRow
from stockroom.imports.keeping import ImportedBefore, NotReady, when_and_who
from stockroom.marks import identity
from stockroom.models import Entry, Line, Lot, LotFile, Maker, Place, Valve
from stockroom.pure.written import plural
from stockroom.receiving.booking import MOST_PIECES, add_lines, allot_whole
from stockroom.receiving.list_layout import FIELDS, LISTS, ListChoices
from stockroom.site.names import LONGEST, refuse_serial
from stockroom.site.web import marked_as

NEAREST = 4
SHOWN_MARKS = 12
MOST_MARK = 80
MOST_CODE = Valve._meta.get_field("date_code").max_length or 40
MOST_NOTE, MOST_WEIGHT, WEIGHT_STEP = 300, Decimal(999_999), Decimal("0.001")


_OF_CONDITIONS = {
    Line.Condition.SEALED: "sealed, nos sealed, sealed pack, new sealed, nos in sealed pack",
    Line.Condition.BOXED: "boxed, nos boxed, new boxed, new in box, nos in box",
    Line.Condition.BULK: "bulk, nos bulk, new bulk, new unboxed, nos unboxed",
    Line.Condition.USED: "used, pulled, second hand, gebraucht, occasion, б/у",
}
CONDITION_WORDS: Mapping[str, str] = {
    **{word: condition.value for condition, words in _OF_CONDITIONS.items() for word in words.split(", ")},
    **{choice.value: choice.value for choice in Line.Condition},
    **{plain(choice.label): choice.value for choice in Line.Condition},
}
NEW = "+"  # what was chosen for a word that is to become a new type
NOT_READ = frozenset({"?", "unknown", "various", "mixed", "assorted", "not identified", "unidentified"})
NOTHING = frozenset({"", "-", "–", "—", "?", "n/a", "na", "none", "unknown", "various"})
TOTALS = re.compile(
    r"(?:grand |sub-?)?total(?:e|es)?\b|sum\b|(?:zwischen|gesamt)?summe\b|gesamt|somme\b|suma\b|razem\b|"
    r"итого|всего|сумма",
    re.IGNORECASE,
)
# What a spreadsheet makes of "3-62" or "1/58", as a number: days from 1930 to 2035 in its own counting, which begins
# with 1900 (from memory).
DAYS_OF_A_SPREADSHEET = range(10_959, 49_675)


# Looking


class Listed(NamedTuple):
    """One valve that the file lists by itself, under the supplier's serial or mark."""

    row: int
    mark: str
    note: str
    code: str


class PlannedLine(NamedTuple):
    """One line that would be booked. `valves` are those that its rows list one by one; `filled` says what a merged cell
    gave."""

    row: int
    type: ValveType
    maker: str
    condition: str
    expected: int
    counted: int | None
    weight: Decimal
    place: str
    note: str
    valves: tuple[Listed, ...] = ()
    filled: str = ""
    as_marked: str = ""

    @property
    def condition_words(self) -> str:
        return Line.Condition(self.condition).label

    @property
    def valves_in_words(self) -> str:
        """The supplier's serials; nothing for a line of pieces in bulk."""
        marks = ", ".join(
            f"{one.mark} stamped {one.code}" if one.code else one.mark for one in self.valves[:SHOWN_MARKS]
        )
        more = len(self.valves) - SHOWN_MARKS
        return f"{marks} and {more} more" if more > 0 else marks

    @property
    def alike(self) -> tuple[object, ...]:
        """Valves listed one by one that agree in this make one line."""
        return self.type.designation, self.as_marked, plain(self.maker), self.condition, self.weight, plain(self.place)


class Word(NamedTuple):
    """A word of the file that is not ours: as written, plain, in which rows, and what it may stand for."""

    said: str
    plain: str
    rows: list[int]
    nearest: list[str]


class ListPreview(NamedTuple):
    """Any of `problems`, `types` or `conditions`, and nothing is taken in."""

    planned: list[PlannedLine]
    problems: list[FileProblem]
    types: list[Word]
    conditions: list[Word]
    makers: list[Word]  # not in the register: they would be added
    places: list[str]  # likewise
    notes: list[str]

    @property
    def ready(self) -> bool:
        return bool(self.planned) and not (self.problems or self.types or self.conditions)

    @property
    def pieces(self) -> int:
        return sum(one.expected for one in self.planned)


def look(file: LotFile) -> ListPreview:
    """What taking the file in would do. Nothing is stored."""
    return look_at(LISTS.layout(file))


def look_at(layout: Layout) -> ListPreview:
    """The lines of a supplier's list, for a lot or for an offer of one."""
    return _ListReader(layout).preview()


class _Names:
    """Every name there is, asked of the database once."""

    def __init__(self) -> None:
        self.types = {one.pk: one for one in ValveType.objects.all()}
        self.register = ValveType.objects.name_register()
        self._marked: dict[str, str] = {}
        self.new: dict[str, ValveType] = {}  # not stored yet, by normal name
        self.makers = {plain(name): name for name in Maker.objects.values_list("name", flat=True)}
        self.places = {plain(code): code for code in Place.objects.values_list("code", flat=True)}

    def type(self, said: str) -> tuple[ValveType | None, str]:
        """By any name that is certain, and how it was read where it is not on file as written."""
        found = None if "?" in said else self.register.find(said)  # the supplier is not sure either
        return (self.types[found.key], found.why) if found else (None, "")

    def new_type(self, said: str) -> ValveType:
        """A type of this name that is stored with the first line of it."""
        return self.new.setdefault(normal(said), ValveType(designation=said))

    def marked(self, said: str, type_: ValveType) -> str:
        if said not in self._marked:
            self._marked[said] = marked_as(said, type_)
        return self._marked[said]

    def nearest_types(self, said: str) -> list[str]:
        """Types named within the words first, then those of the same stem, each with what differs."""
        words = [found for word in said.split() if (found := self.register.find(word))] if " " in said else []
        offers = {self.types[found.key].designation: "named in these words" for found in words}
        for one in self.register.near(said, NEAREST):
            offers.setdefault(one.designation, one.why)
        return [f"{name} ({why})" for name, why in offers.items()][:NEAREST]

    def nearest_makers(self, said: str) -> list[str]:
        return [self.makers[key] for key in difflib.get_close_matches(plain(said), self.makers, n=NEAREST, cutoff=0.7)]


class _ListReader:
    """Reads one row after the other, gathering what is wrong."""

    def __init__(self, layout: Layout) -> None:
        self.layout, self.choices = layout, cast(ListChoices, layout.choices)
        self.names = _Names()
        self.planned: list[PlannedLine] = []
        self.problems: list[FileProblem] = []
        self.unknown: dict[str, dict[str, Word]] = {"type": {}, "condition": {}, "maker": {}}
        self.new_places: dict[str, str] = {}
        self.read_as: dict[str, str] = {}
        self.rounded = 0
        self.row_of_mark: dict[str, int] = {}
        self.rows_filled: list[int] = []
        self.days: dict[str, list[int]] = defaultdict(list)
        self.weight_mark = self._decide_mark()
        self._types: dict[str, ValveType | None] = {}

    def preview(self) -> ListPreview:
        if "type" not in self.choices.columns:
            self.problems.append(self.layout.missing(FIELDS["type"]))
        else:
            for row in self.layout.body:
                self._read(row)
        if not self.planned and not self.problems and not any(self.unknown.values()):
            self.problems.append(FileProblem(self.choices.heading, "", "there are no lines beneath the headings."))
        return ListPreview(
            planned=_together(self.planned),
            problems=sorted(self.problems),
            types=self._words("type"),
            conditions=self._words("condition"),
            makers=self._words("maker"),
            places=list(self.new_places.values()),
            notes=list(self._notes()),
        )

    def _words(self, kind: str) -> list[Word]:
        words = sorted(self.unknown[kind].values(), key=lambda word: word.rows[0])
        near = {"type": self.names.nearest_types, "maker": self.names.nearest_makers}.get(kind)
        return [word._replace(nearest=near(word.said)) for word in words] if near else words

    def _notes(self) -> Iterator[str]:
        yield from self.layout.notes()
        for said, type_ in self.read_as.items():
            yield f"“{said}” is read as {type_}."
        if self.rows_filled:
            yield f"What merged cells hold is filled down from their top cell: {rows_in_words(self.rows_filled)}."
        if self.row_of_mark:
            yield (
                f"{len(self.row_of_mark)} rows name one valve each by a serial or mark: each gets a serial of ours at "
                "once, and the supplier’s stays in its history."
            )
        for code, rows in self.days.items():
            yield f"The code {code} in {rows_in_words(rows)} may be a day that a spreadsheet made out of a code."
        if self.rounded:
            yield f"{self.rounded} prices are rounded to three decimals."
        if "expected" not in self.choices.columns:
            yield "No column says how many: each row is taken for one piece."

    # Cells

    def _wrong(self, row: FileRow, name: str, message: str) -> None:
        self.problems.append(self.layout.problem(row, name, message))

    def _text(self, row: FileRow, name: str) -> str:
        cell = self.layout.cell(row, name)
        if isinstance(cell, CellFault):
            self._wrong(row, name, f"there is {cell}. Open the workbook, put it right and save it.")
            return ""
        return " ".join(written(cell).split())

    def _unknown(self, kind: str, said: str, row: FileRow) -> None:
        self.unknown[kind].setdefault(plain(said), Word(said, plain(said), [], [])).rows.append(row.number)

    # A row

    def _read(self, row: FileRow) -> None:
        why = self._why_left_out(row)
        if why:
            self.layout.left_out[why].append(row.number)
            return
        before = len(self.problems)
        type_ = self._type(row)
        condition = self._condition(row)
        mark = self._mark(row)
        each_is_one = bool(mark) or "expected" not in self.choices.columns
        expected = self._pieces(row, "expected", least=1, missing=1 if each_is_one else None)
        counted = self._pieces(row, "counted", least=0, missing=None)
        if mark and (expected, counted) not in ((1, 1), (1, None)) and len(self.problems) == before:
            self._wrong(
                row,
                "serial",
                f"“{mark}” names one valve, but the row says {counted if expected == 1 else expected} "
                "pieces. Give each valve its own row, or choose no column for serials.",
            )
        weight = self._weight(row)
        maker, place, note = self._maker(row), self._place(row), self._note(row)
        if len(self.problems) > before or type_ is None or condition is None or expected is None:
            return
        code = self._code(row)
        if code and not mark:
            note = self._fitting(row, f"stamped {code}{f'; {note}' if note else ''}")
        if len(self.problems) > before:
            return
        valves = (Listed(row.number, mark, note, code),) if mark else ()
        self.planned.append(
            PlannedLine(
                row.number,
                type_,
                maker,
                condition,
                expected,
                counted,
                weight,
                place,
                "" if mark else note,
                valves,
                self._filled(row),
                self._as_marked(row, type_),
            )
        )

    def _as_marked(self, row: FileRow, type_: ValveType) -> str:
        """The file's own name for the type, unless somebody had to say what it means."""
        said = self._text(row, "type")
        chosen = self.choices.word("type", plain(said))
        return "" if chosen not in (None, NEW) or plain(said) in NOT_READ else self.names.marked(said, type_)

    def _filled(self, row: FileRow) -> str:
        names = [name for name in self.choices.columns if self.layout.covered_from(row, name)]
        if not names:
            return ""
        self.rows_filled.append(row.number)
        tops = sorted({above.number for name in names if (above := self.layout.covered_from(row, name))})
        what = ", ".join(FIELDS[name].label.lower() for name in names)
        return f"{what} from the merged cell of {rows_in_words(tops)}"

    def _mark(self, row: FileRow) -> str:
        said = self._text(row, "serial")
        if plain(said) in NOTHING:
            return ""
        earlier = self.row_of_mark.setdefault(plain(said), row.number)
        if self.layout.covered_from(row, "serial"):
            self._wrong(row, "serial", f"“{said[:40]}” is merged over several rows, but names one valve.")
        elif earlier != row.number:
            self._wrong(row, "serial", f"“{said[:40]}” stands in row {earlier} already. Each valve has its own.")
        elif len(said) > MOST_MARK:
            self._wrong(row, "serial", f"“{said[:40]}…” has {len(said)} characters; at most {MOST_MARK} are kept.")
        return said

    def _why_left_out(self, row: FileRow) -> str:
        if why := self.layout.why_left_out(row):
            return why
        said = self.layout.own_cell(row, "type")
        chosen = self.choices.word("type", plain(self.layout.cell(row, "type")))
        if not chosen and self._is_total(row, said):
            return "a total"
        if chosen == "":
            return f"“{written(self.layout.cell(row, 'type'))}” being no valve, as you said"
        return ""

    def _is_total(self, row: FileRow, said: Cell) -> bool:
        """The type cell says so; or another cell, where the type cell is blank or names no valve."""
        if isinstance(said, str) and TOTALS.match(said.strip()):
            return True
        others = [cell.strip() for cell in row.cells if isinstance(cell, str)]
        if is_blank(said):
            return any(TOTALS.match(cell) for cell in others)
        alone = any(re.fullmatch(rf"(?:{TOTALS.pattern})\W*", cell, re.IGNORECASE) for cell in others)
        return alone and self.names.type(written(said))[0] is None

    def _type(self, row: FileRow) -> ValveType | None:
        said = self._text(row, "type")
        if plain(said) in NOT_READ:
            return ValveType.objects.not_identified()
        if plain(said) in NOTHING:
            if not isinstance(self.layout.cell(row, "type"), CellFault):
                self._wrong(row, "type", "no type is given. Give one, or leave the row out.")
            return None
        if said not in self._types:
            chosen = self.choices.word("type", plain(said))
            found, why = self.names.type(said if chosen in (None, NEW) else chosen)
            if found is None and chosen == NEW:
                found = self.names.new_type(said)
            if found and not chosen and why:
                self.read_as[said] = f"{found.designation}: {why}"
            self._types[said] = found
        if self._types[said] is None:
            self._unknown("type", said, row)
        return self._types[said]

    def _condition(self, row: FileRow) -> str | None:
        said = self._text(row, "condition")
        if plain(said) in NOTHING:
            if not self.choices.condition:
                self._wrong(row, "condition", "no condition is given. Choose one for the rows that give none.")
                return None
            return self.choices.condition
        code = self.choices.word("condition", plain(said)) or CONDITION_WORDS.get(plain(said))
        if code is None:
            self._unknown("condition", said, row)
        return code

    def _maker(self, row: FileRow) -> str:
        said = self._text(row, "maker")
        chosen = self.choices.word("maker", plain(said))
        if plain(said) in NOTHING or chosen == "":
            return ""
        name = self.names.makers.get(plain(chosen or said), chosen or said)
        if plain(name) not in self.names.makers:
            if len(name) > LONGEST[Maker]:
                self._wrong(row, "maker", f"“{name[:40]}…” is too long for a name.")
            self._unknown("maker", said, row)
        return name

    def _place(self, row: FileRow) -> str:
        said = self._text(row, "place")
        if plain(said) in NOTHING:
            return ""
        if plain(said) in self.names.places:
            return self.names.places[plain(said)]
        if len(said) > LONGEST[Place]:
            self._wrong(row, "place", f"“{said[:40]}” is longer than a place’s {LONGEST[Place]} characters.")
        try:
            refuse_serial(said)
        except forms.ValidationError as refusal:
            self._wrong(row, "place", refusal.messages[0])
        return self.new_places.setdefault(plain(said), said)

    def _note(self, row: FileRow) -> str:
        said = self._text(row, "note")
        if len(said) > MOST_NOTE:
            self._wrong(row, "note", f"the note has {len(said)} characters; at most {MOST_NOTE} are kept.")
        return said

    def _code(self, row: FileRow) -> str:
        said = self._text(row, "code")
        if plain(said) in NOTHING:
            return ""
        if day := _day_of_a_spreadsheet(self.layout.cell(row, "code")):
            self.days[day].append(row.number)
        if len(said) > MOST_CODE:
            self._wrong(
                row, "code", f"“{said[:40]}…” has {len(said)} characters; a stamped code has {MOST_CODE} at most."
            )
        return said

    def _fitting(self, row: FileRow, note: str) -> str:
        if len(note) > MOST_NOTE:
            self._wrong(
                row, "note", f"with the stamped code the note has {len(note)} characters; {MOST_NOTE} are kept."
            )
        return note

    def _pieces(self, row: FileRow, name: str, *, least: int, missing: int | None) -> int | None:
        above = self.layout.covered_from(row, name)
        if above is not None:
            message = f"the cell of row {above.number} is merged over this row, so it does not say how many of each."
            self._wrong(row, name, f"{message} Give each row its own number.")
            return None
        if is_blank(self.layout.cell(row, name)):
            if missing is None and name == "expected":
                self._wrong(row, name, "it does not say how many.")
            return missing
        number = self._number(row, name, None)
        if number is None:
            return None
        if number != number.to_integral_value():
            self._wrong(row, name, f"{number} is not a whole number of pieces.")
        elif not least <= number <= MOST_PIECES:
            self._wrong(row, name, f"{number} pieces cannot be right: from {least} to {MOST_PIECES}.")
        else:
            return int(number)
        return None

    def _weight(self, row: FileRow) -> Decimal:
        if is_blank(self.layout.cell(row, "weight")):
            if "weight" in self.choices.columns:
                self._wrong(row, "weight", "no price is given. Write 0 for what is to carry no cost.")
            return Decimal(1)
        number = self._number(row, "weight", self.weight_mark)
        if number is None:
            return Decimal(1)
        if not 0 <= number <= MOST_WEIGHT:
            self._wrong(row, "weight", f"{number} cannot be a price: from 0 to {MOST_WEIGHT}.")
            return Decimal(1)
        saved = number.quantize(WEIGHT_STEP)
        self.rounded += saved != number
        return saved

    def _number(self, row: FileRow, name: str, mark: DecimalMark | None) -> Decimal | None:
        cell = self.layout.cell(row, name)
        if isinstance(cell, CellFault):
            self._text(row, name)
            return None
        try:
            return read_number(cell, mark)
        except WhichMark as doubt:
            if name != "weight":  # pieces are whole, so the mark stands between thousands
                return Decimal(re.sub(r"\D", "", written(cell)))
            self._wrong(row, name, f"{doubt} Or say on the page of columns which decimal mark the file uses.")
        except UnreadableNumber as problem:
            self._wrong(row, name, str(problem))
        return None

    def _decide_mark(self) -> DecimalMark | None:
        cells = [(row.number, self.layout.own_cell(row, "weight")) for row in self.layout.body]
        return decide_marks({0: cells}, self.choices.decimal_mark).marks[0]


def _day_of_a_spreadsheet(cell: Cell) -> str:
    """The code and the day that it may be; empty for every other."""
    if isinstance(cell, date):
        return cell.isoformat()
    text = written(cell).strip()
    if not re.fullmatch("[0-9]{5}", text) or int(text) not in DAYS_OF_A_SPREADSHEET:
        return ""
    return f"{text} ({from_excel(int(text)):%Y-%m-%d})"


def _together(planned: Sequence[PlannedLine]) -> list[PlannedLine]:
    """The lines, valves that are listed one by one and alike made one, where the first of them stands."""
    lines: dict[object, PlannedLine] = {}
    for one in planned:
        key = one.alike if one.valves else one.row
        before = lines.get(key)
        lines[key] = (
            one
            if before is None
            else before._replace(
                expected=before.expected + 1,
                valves=before.valves + one.valves,
                filled=before.filled or one.filled,
                counted=None if before.counted is None or one.counted is None else before.counted + one.counted,
            )
        )
    return list(lines.values())


# Taking in


def imported_before(file: LotFile) -> LotFile | None:
    return (
        LotFile.objects.filter(sha256=file.sha256)
        .exclude(imported_at=None)
        .exclude(pk=file.pk)
        .select_related("lot", "imported_by")
        .first()
    )


def take_in(file: LotFile, by: User | None, *, sure: bool = False) -> list[Line]:
    """Book every line of the file, or none.

    Raises:
        NotReady: it has faults, or words that are not known.
        ImportedBefore: it was imported already; for its very like elsewhere, `sure` imports it again.
        ReceivingError: the lot cannot take the lines.
    """
    layout = LISTS.layout(file)  # read before anything is locked: others go on meanwhile
    preview = look_at(layout)
    if not preview.ready:
        raise NotReady("The file still has faults or unknown words; nothing was imported.")
    with transaction.atomic():
        file = LISTS.locked_as_read(file)
        before = imported_before(file)
        if before and not sure:
            raise ImportedBefore(f"{before_in_words(before)} Tick that you mean to import it once more.")
        lines = add_lines(file.lot, _lines(preview.planned), by)
        _serial_listed(file.lot, lines, preview.planned, by)
        LISTS.imported(file, by)
        file.line_count = len(lines)
        file.save(update_fields=["imported_at", "imported_by", "line_count"])
        LISTS.remember(file, layout)
        counted = f"{plural(len(lines), 'line')}, {plural(preview.pieces, 'piece')}"
        text = f"{counted}, imported from {file.name}."
        Entry.write(by, "lines-imported", " ".join([text, *layout.left_out_notes()]), lot=file.lot)
    return lines


def before_in_words(before: LotFile) -> str:
    return (
        f"This very file was imported {when_and_who(before)} into lot {before.lot}, as {before.name}: "
        f"{plural(before.line_count or 0, 'line')}."
    )


def _lines(planned: Sequence[PlannedLine]) -> list[Line]:
    """Lines not stored yet; those with the same new maker or place share the object."""
    makers = {plain(one.name): one for one in Maker.objects.all()}
    places = {plain(one.code): one for one in Place.objects.all()}
    return [
        Line(
            type=one.type,
            as_marked=one.as_marked,
            maker=makers.setdefault(plain(one.maker), Maker(name=one.maker)) if one.maker else None,
            condition=one.condition,
            expected=one.expected,
            counted=one.counted,
            weight=one.weight,
            place=places.setdefault(plain(one.place), Place(code=one.place)) if one.place else None,
            note=one.note,
        )
        for one in planned
    ]


def _serial_listed(lot: Lot, lines: Sequence[Line], planned: Sequence[PlannedLine], by: User | None) -> None:
    """Valves for what the file lists one by one, each with what the file says of it."""
    listed = [(line, one.valves) for line, one in zip(lines, planned, strict=True) if one.valves]
    if not listed:
        return
    entries, stamped = [], []
    for (line, rows), valves in zip(listed, allot_whole(lot, [line for line, _ in listed], by), strict=True):
        for row, valve in zip(rows, valves, strict=True):
            text = f"The supplier’s list names it {row.mark}{f': {row.note}' if row.note else ''}."
            entries.append(Entry(by=by, action="listed", text=text, valve=valve, line=line, lot=lot))
            if row.code:
                stamped.append((valve, row.code))
    Entry.objects.bulk_create(entries)
    identity.stamp(stamped, by)

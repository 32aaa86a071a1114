"""What a column of a readings file holds, from its heading as people write it.

>>> heading = read_heading("Ia2 [mA]")
>>> heading.field.value, heading.section, heading.unit.name
('anode current', 2, 'mA')
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from typing import NamedTuple

from grading.metrology.quantities import Quantity
from grading.metrology.units import Unit, UnitKind, UnknownUnit, unit
from stockroom.files.cells import plain
from stockroom.files.layouts import FileField, Headings


class ReadingColumn(StrEnum):
    SERIAL = "serial"
    SECTION = "section"
    POINT = "test point"
    # Quantities bear the names that they have in the register.
    ANODE_CURRENT = Quantity.ANODE_CURRENT.short
    GM = Quantity.GM.short
    LEAKAGE = Quantity.LEAKAGE.short
    GRID_CURRENT = Quantity.GRID_CURRENT.short
    ANODE_VOLTAGE = Quantity.ANODE_VOLTAGE.short
    SHORTS = "shorts"
    NOISE = "noise"
    REMARK = "remark"


# The quantity that a column holds, and the kind of its unit.
QUANTITY_OF = {ReadingColumn[quantity.name]: quantity for quantity in Quantity if quantity.facts.headings}
QUANTITIES = {
    column: quantity.facts.typed_in.quantity for column, quantity in QUANTITY_OF.items() if quantity.facts.typed_in
}

# Headings with everything but letters taken out: English, German, French, Spanish, Russian. From memory.
_NAMES = {
    ReadingColumn.SERIAL: (
        "serial serialno serialnumber sn serialnr valveserial tubeserial barcode seriennummer seriennr numérodesérie "
        "nodesérie numerodeserie númerodeserie nodeserie серийныйномер серийныйno заводскойномер"
    ),
    ReadingColumn.SECTION: (
        "section sect sec system half triode sectionno sectionnumber hälfte sección секция система половина триод"
    ),
    ReadingColumn.POINT: (
        "testpoint point conditions testconditions arbeitspunkt messpunkt pointdemesure puntodeprueba puntodemedida "
        "точка режим"
    ),
    ReadingColumn.SHORTS: (
        "short shorts shorted shorttest kurzschluss schluss courtcircuit cortocircuito замыкание замыкания кз"
    ),
    ReadingColumn.NOISE: "noise noisetest rauschen geräusch bruit ruido шум",
    ReadingColumn.REMARK: (
        "remark remarks note notes comment comments bemerkung bemerkungen anmerkung remarque remarques observación "
        "observaciones nota notas примечание примечания"
    ),
    **{column: quantity.facts.headings for column, quantity in QUANTITY_OF.items()},
}
_MEANS = {name: field for field, names in _NAMES.items() for name in names.split()}
_SECTIONS = {"1": 1, "2": 2, "3": 3, "4": 4, "a": 1, "b": 2, "c": 3, "d": 4, "i": 1, "ii": 2, "iii": 3, "iv": 4}
_SECTION_NAMES = r"section|sect|sec|system|half|triode|hälfte|sección|секция|система|половина|триод"
_SECTION_WORD = re.compile(rf"\b(?:{_SECTION_NAMES}|s(?=\s*[1-4]\s+[a-z]))[\s.#]*([1-4]|i{{1,3}}|iv|[a-d])\b")
_BARE_NUMBER = re.compile(r"(?<![a-z0-9/])#?([1-4])(?![a-z0-9/])")
_NUMBERED = re.compile(r"\b(s|[^\W\d_]{2,}?)([1-4])(?![^\W_])")


class Heading(NamedTuple):
    field: ReadingColumn
    section: int | None
    unit: Unit | None


def read_section(text: str) -> int | None:
    """The section a cell names, or None."""
    bare = re.sub(rf"^(?:{_SECTION_NAMES}|s)?[\s.#]*", "", text.strip().casefold())
    return _SECTIONS.get(bare.removesuffix(".0").removesuffix(",0"))


def read_heading(title: str, *, numbered: bool = False) -> Heading | None:
    """None for a column that holds nothing we keep.

    Args:
        numbered: other columns bear section numbers (Ia1, Ia2), so Ig1 is the grid current of section 1;
            without, it is the current of grid 1.

    Raises:
        UnknownUnit: the column is one of ours and its unit is not.
    """
    named = _named(title, numbered)
    if named is None:
        return None
    quantity = QUANTITIES.get(named.field)
    return Heading(named.field, named.section, unit(named.said, quantity) if named.said and quantity else None)


class _Named(NamedTuple):
    field: ReadingColumn
    section: int | None
    said: str  # of the unit


def _named(title: str, numbered: bool) -> _Named | None:
    bracketed, rest = _bracketed(title)
    section = None
    for pattern in (_SECTION_WORD, _BARE_NUMBER):
        for place, text in enumerate([rest, *bracketed]):
            found = pattern.search(text.casefold())
            if found and section is None:
                section = _SECTIONS[found[1].casefold()]
                left = (text[: found.start()] + " " + text[found.end() :]).strip()
                if place == 0:
                    rest = left
                else:
                    bracketed[place - 1] = left
    if section is None and (found := _NUMBERED.search(rest)) and (found[1] != "ig" or numbered):
        section = int(found[2])
        rest = rest[: found.start(2)] + rest[found.end(2) :]
    units_said = [text for text in bracketed if text.strip()]
    named = _name_and_unit(rest, bool(units_said))
    if named is None:
        return None
    field, trailing = named
    if field is ReadingColumn.SECTION and section is not None:
        return None
    return _Named(field, section, units_said[0] if units_said else trailing)


def _bracketed(title: str) -> tuple[list[str], str]:
    """What stands in brackets, and the rest in small letters."""
    whole = unicodedata.normalize("NFKC", title).replace("_", " ").strip()
    return re.findall(r"[(\[{]([^)\]}]*)[)\]}]", whole), re.sub(r"[(\[{][^)\]}]*[)\]}]?", " ", whole).strip().casefold()


def _name_and_unit(text: str, has_unit: bool) -> tuple[ReadingColumn, str] | None:
    """The field, and the unit that follows its name without brackets."""
    key = _key(text)
    if key in _MEANS:
        return _MEANS[key], ""
    if key == "s" and has_unit:  # S for slope, as data sheets of the continent write it
        return ReadingColumn.GM, ""
    words = [word for word in re.split(r"[\s,;]+|(?<=\s)/(?=\s)|\bin\b", text) if word]
    for count in range(1, min(4, len(words))):
        name, said = _key("".join(words[:-count])), " ".join(words[-count:])
        field = ReadingColumn.GM if name == "s" else _MEANS.get(name)
        quantity = QUANTITIES.get(field) if field else None
        if field and quantity and _is_unit(said, quantity):
            return field, said
    return None


def _is_unit(text: str, quantity: UnitKind) -> bool:
    try:
        unit(text, quantity)
    except UnknownUnit:
        return False
    return True


def _key(text: str) -> str:
    return re.sub(r"[\W_]", "", text)


# As fields that somebody chooses a column for

_SHARED = (ReadingColumn.SERIAL, ReadingColumn.SECTION, ReadingColumn.POINT)
SECTIONS_SHOWN = 2
OF_ONE_SECTION = "Columns of one section, where a row is a whole valve"


def field_name(column: ReadingColumn, section: int | None) -> str:
    """
    >>> field_name(ReadingColumn.GM, 2), field_name(ReadingColumn.SERIAL, None)
    ('gm 2', 'serial')
    """
    return f"{column} {section}" if section else column.value


def field_named(name: str) -> tuple[ReadingColumn, int | None]:
    """
    >>> field_named("gm 2")
    (<ReadingColumn.GM: 'gm'>, 2)
    """
    column, _, section = name.rpartition(" ")
    return (ReadingColumn(column), int(section)) if section.isdigit() else (ReadingColumn(name), None)


def _fields() -> dict[str, FileField]:
    fields = {}
    for column in ReadingColumn:
        label = column if column is ReadingColumn.GM else column.capitalize()
        fields[column.value] = FileField(label, required=column is ReadingColumn.SERIAL)
    for section in sorted(set(_SECTIONS.values())):
        for column in ReadingColumn:
            if column not in _SHARED:
                label = f"{fields[column.value].label}, section {section}"
                shown = section <= SECTIONS_SHOWN
                fields[field_name(column, section)] = FileField(label, group=OF_ONE_SECTION, aside=True, shown=shown)
    return fields


class ReadingHeadings(Headings):
    """Headings of readings say more than the field: a section, a unit."""

    def key(self, title: str) -> str:
        return plain(title)

    def knows(self, title: str) -> bool:
        return heading_field(title) is not None

    def columns(self, titles: Sequence[str], remembered: Mapping[str, str]) -> dict[str, int]:
        """Of what two headings name, neither is chosen, but of remarks the first."""
        chosen = self.remembered_columns([self.key(title) for title in titles], remembered)
        found: dict[str, list[int]] = {}
        numbered = bears_numbers(titles)
        for column, title in enumerate(titles):
            name = heading_field(title, numbered=numbered)
            if name and column not in chosen.values() and self.key(title) not in remembered:
                found.setdefault(name, []).append(column)
        for name, columns in found.items():
            if len(columns) == 1 or field_named(name)[0] is ReadingColumn.REMARK:
                chosen.setdefault(name, columns[0])
        return chosen


READINGS = ReadingHeadings(_fields())


def heading_field(title: str, *, numbered: bool = False) -> str | None:
    """The name of the field that a heading names, whatever its unit."""
    named = _named(title, numbered)
    return field_name(named.field, named.section) if named else None


def bears_numbers(titles: Iterable[str]) -> bool:
    """Whether the columns of currents or gm are those of one section each."""
    measured = (ReadingColumn.ANODE_CURRENT, ReadingColumn.GM)
    return any(named.section and named.field in measured for title in titles if (named := _named(title, False)))


def unit_of(title: str, column: ReadingColumn, *, numbered: bool = False) -> Unit | None:
    """The unit that a heading gives for a column of this kind; None where it gives none.

    Raises:
        UnknownUnit: the heading names this quantity and a unit that nobody knows.
    """
    quantity = QUANTITIES.get(column)
    if quantity is None:
        return None
    named = _named(title, numbered)
    if named and named.field is column:
        return unit(named.said, quantity) if named.said else None
    return next((unit(text, quantity) for text in _bracketed(title)[0] if _is_unit(text, quantity)), None)

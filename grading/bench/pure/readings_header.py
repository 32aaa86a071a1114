"""What a column of a readings file holds, from its heading as people write it.

- `read_heading(title)`: a `Heading`: the field, the section it is for, and the unit, where the heading says them
- `read_section(text)`: 2 for "2", "B", "II", "section 2"
- `ReadingColumn`: what a column can hold; `QUANTITIES`: which of them are measured, and in what

>>> heading = read_heading("Ia2 [mA]")
>>> heading.field.value, heading.section, heading.unit.name
('anode current', 2, 'mA')
"""

from __future__ import annotations

import re
import unicodedata
from enum import StrEnum
from typing import NamedTuple

from grading.metrology.quantities import Quantity
from grading.metrology.units import Unit, UnitKind, UnknownUnit, unit


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

# Headings with everything but letters taken out.
_NAMES = {
    ReadingColumn.SERIAL: "serial serialno serialnumber sn serialnr valveserial tubeserial barcode",
    ReadingColumn.SECTION: "section sect sec system half triode sectionno sectionnumber",
    ReadingColumn.POINT: "testpoint point conditions testconditions",
    ReadingColumn.SHORTS: "short shorts shorted shorttest",
    ReadingColumn.NOISE: "noise noisetest",
    ReadingColumn.REMARK: "remark remarks note notes comment comments",
    **{column: quantity.facts.headings for column, quantity in QUANTITY_OF.items()},
}
_MEANS = {name: field for field, names in _NAMES.items() for name in names.split()}
_SECTIONS = {"1": 1, "2": 2, "3": 3, "4": 4, "a": 1, "b": 2, "c": 3, "d": 4, "i": 1, "ii": 2, "iii": 3, "iv": 4}
_SECTION_WORD = re.compile(
    r"\b(?:section|sect|sec|system|half|triode|s(?=\s*[1-4]\s+[a-z]))[\s.#]*([1-4]|i{1,3}|iv|[a-d])\b"
)
_BARE_NUMBER = re.compile(r"(?<![a-z0-9/])#?([1-4])(?![a-z0-9/])")
_NUMBERED = re.compile(r"\b(s|[a-z]{2,}?)([1-4])(?![a-z0-9])")


class Heading(NamedTuple):
    field: ReadingColumn
    section: int | None
    unit: Unit | None


def read_section(text: str) -> int | None:
    """The section a cell names, or None."""
    plain = re.sub(r"^(?:section|sect|sec|system|half|triode|s)?[\s.#]*", "", text.strip().casefold())
    return _SECTIONS.get(plain.removesuffix(".0").removesuffix(",0"))


def read_heading(title: str, *, numbered: bool = False) -> Heading | None:
    """None for a column that holds nothing we keep.

    Args:
        numbered: other columns bear section numbers (Ia1, Ia2), so Ig1 is the grid current of section 1;
            without, it is the current of grid 1.

    Raises:
        UnknownUnit: the column is one of ours and its unit is not.
    """
    plain = unicodedata.normalize("NFKC", title).replace("_", " ").strip()
    bracketed = re.findall(r"[(\[{]([^)\]}]*)[)\]}]", plain)
    rest = re.sub(r"[(\[{][^)\]}]*[)\]}]?", " ", plain).strip().casefold()
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
    said = units_said[0] if units_said else trailing
    quantity = QUANTITIES.get(field)
    return Heading(field, section, unit(said, quantity) if said and quantity else None)


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
    return re.sub(r"[^a-z0-9]", "", text)

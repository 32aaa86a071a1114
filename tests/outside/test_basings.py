"""Our basings against drawings made by other people for another purpose.

Source: the valve symbols of Debian's package kicad-symbols (file Valve.kicad_sym; written against 6.0.10-1).
Every symbol of a type we have is compared pin by pin, the electrode and the section, in both directions. The
library numbers sections after the European sheets and we after the American ones, so the sections may be
numbered another way, but consistently through the whole symbol; nothing else is forgiven that is not listed here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from itertools import combinations, product
from pathlib import Path
from typing import NamedTuple

import pytest

from catalog.reference.rows import BasingRow, PinRow, Reference
from tests.reference import the_reference
from tests.schematic_symbols import Pins, find_library, read_symbols

FIXTURES = Path(__file__).parents[2] / "fixtures"
LIBRARY = find_library("Valve.kicad_sym")
FEWEST_COMPARED = 15

Leads = dict[int, set[tuple[int | None, str]]]  # by pin: (unit or section, electrode)

ENDS = frozenset({"h", "hct", "f", "fct"})
UNDRAWN = frozenset({"s", "ic", "nc"})  # pins a symbol may leave out: nothing is connected to them in a circuit
NAMES = {"A": "a", "P": "a", "G": "g1", "K": "k", "S": "s", "L": "t", "ST": "d"}


class Slip(NamedTuple):
    """A pin on which we hold the library to be wrong: what it says there, what should stand there, and why."""

    says: set[tuple[int, str]]
    should: set[tuple[int, str]]
    why: str


SLIPS: dict[tuple[str, int], Slip] = {
    ("EL34", 8): Slip(
        {(1, "F1")},
        {(1, "K")},
        "the symbol has three heater ends and no cathode; data sheet “EL34EH, EL34WXT” (file TUBEEH-60146, undated), "
        "lead table: 2, 7 heater, 8 cathode",
    ),
    **{
        (name, pin): Slip(
            says,
            {(1, "K")},
            "the symbol has three heater ends and no cathode; the cathode has two leads, pins 1 and 3 (from memory)",
        )
        for name in ("EF80", "EF85")
        for pin, says in ((1, set[tuple[int, str]]()), (3, {(1, "F1")}))
    },
    **{
        ("CK6418", pin): Slip(
            {(unit, "F+,G3")},
            {(1, end)},
            "both ends of the filament are drawn as the positive one and as grid 3; grid 3 is left out",
        )
        for pin, unit, end in ((3, 0, "F1"), (5, 2, "F2"))
    },
}
# ECH81 joins the cathode of the heptode to grid 5 and to the cathode of the triode, and draws that lead without a
# number; the number of a lead of EM84 is left out too. Such a lead may stand on any one pin of the base.
UNNUMBERED = "~"


@cache
def reference() -> Reference:
    return the_reference()


@cache
def symbols() -> dict[str, Pins]:
    assert LIBRARY is not None
    return read_symbols(LIBRARY)


def compared() -> list[str]:
    return [name for name in symbols() if reference().find(name)] if LIBRARY else []


needs_library = pytest.mark.skipif(LIBRARY is None, reason="Debian's package kicad-symbols is not installed")


def electrodes(name: str) -> Iterator[str]:
    """ "K_G3" is a cathode joined to grid 3, "F1" an end of the heater, "A2" the anode of some section."""
    for part in re.split("[_,]", name):
        if part.startswith("F"):
            yield "heater"
        elif re.fullmatch(r"A\d", part):
            yield "a"
        else:
            yield NAMES.get(part) or part.lower()


def drawn(name: str) -> tuple[Leads, set[tuple[int | None, str]]]:
    """The leads of a symbol by pin, its slips put right, and the leads it draws without a number."""
    pins = {number: set(leads) for number, leads in symbols()[name].items()}
    for (slip_name, pin), slip in SLIPS.items():
        if slip_name == name:
            pins[str(pin)] = set(slip.should)
    leads = {
        number: {(None if code in ("heater", "s") else unit, code) for unit, text in found for code in electrodes(text)}
        for number, found in pins.items()
    }
    unnumbered = leads.pop(UNNUMBERED, set())
    return {int(number): found for number, found in leads.items()}, unnumbered


def ours(basing: BasingRow) -> Leads:
    """Our leads by pin; a shield that shares its pin is left out, as the library leaves it out."""
    return {
        pin.number: {
            (electrode.section, "heater" if electrode.code in ENDS else electrode.code)
            for electrode in pin.electrodes
            if electrode.code != "s" or len(pin.electrodes) == 1
        }
        for pin in basing.pins
    }


def agree(basing: BasingRow, name: str) -> bool:
    """Is there a way to number the sections, ours after theirs or theirs after ours, that makes every pin the same?"""
    theirs, unnumbered = drawn(name)
    mine = ours(basing)
    sections, units = numbers(mine), numbers({**theirs, 0: unnumbered})
    if len(sections) >= len(units):
        return any(same(renumber(mine, way), theirs, unnumbered) for way in ways(sections, units))
    return any(same(mine, renumber(theirs, way), renumber({0: unnumbered}, way)[0]) for way in ways(units, sections))


def numbers(leads: Leads) -> list[int]:
    return sorted({unit for found in leads.values() for unit, _ in found if unit})


def ways(of: list[int], onto: list[int]) -> Iterator[dict[int, int]]:
    """Every way to give each number of the first list one of the second, none of the second left without."""
    for choice in product(onto, repeat=len(of)):
        if set(choice) == set(onto):
            yield dict(zip(of, choice, strict=True))


def renumber(leads: Leads, way: dict[int, int]) -> Leads:
    return {pin: {(way[unit] if unit else None, code) for unit, code in found} for pin, found in leads.items()}


def same(mine: Leads, theirs: Leads, unnumbered: set[tuple[int | None, str]]) -> bool:
    for pin, leads in mine.items():
        if pin not in theirs and {code for _, code in leads} <= UNDRAWN:
            continue
        more = leads - theirs.get(pin, set())
        if theirs.get(pin, set()) - leads or more - unnumbered:
            return False
    return theirs.keys() <= mine.keys() and all(any(lead in leads for leads in mine.values()) for lead in unnumbered)


@needs_library
@pytest.mark.parametrize("name", compared())
def test_the_basing_is_the_one_the_library_draws(name: str) -> None:
    valve = reference().find(name)
    assert valve is not None
    basing = reference().basings[valve.basing]
    assert agree(basing, name), f"{name}: ours {ours(basing)}, the library's {drawn(name)}"


@needs_library
def test_enough_types_were_compared() -> None:
    assert len(compared()) >= FEWEST_COMPARED, compared()


@needs_library
@pytest.mark.parametrize(("name", "pin"), SLIPS)
def test_the_library_still_has_the_slip_we_list(name: str, pin: int) -> None:
    assert symbols()[name].get(str(pin), set()) == SLIPS[name, pin].says


@needs_library
@pytest.mark.parametrize("name", compared())
def test_two_pins_exchanged_would_be_noticed(name: str) -> None:
    valve = reference().find(name)
    assert valve is not None
    basing = reference().basings[valve.basing]
    mine = ours(basing)
    theirs, _ = drawn(name)
    for one, other in combinations(sorted(theirs), 2):
        if {code for _, code in mine[one]} != {code for _, code in mine[other]}:
            pins = {pin.number: pin.electrodes for pin in basing.pins}
            pins[one], pins[other] = pins[other], pins[one]
            changed = replace(basing, pins=tuple(PinRow(number, pins[number]) for number in sorted(pins)))
            assert not agree(changed, name), f"pins {one} and {other}"

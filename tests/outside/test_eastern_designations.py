"""An eastern designation says what the valve is; ours must be what they say.

Source: the letters of GOST 13393-76, read in an English summary of the standard on the web ("System of a designation
of the Russian radio tubes ... made under the standard GOST 13393-76"), not in the standard itself. There the second
element is the kind of the valve and the fourth its bulb: P, glass, 19 or 22.5 mm across; S, glass, wider than 22.5 mm.
The summary transliterates otherwise than we do (its J is our Zh, its C our Ts).
"""

from __future__ import annotations

import re

import pytest

from catalog.reference.rows import TypeRow
from tests.reference import the_reference

REFERENCE = the_reference()
RECEIVING = ("types/eastern.toml", "types/eastern_signal.toml", "types/eastern_power.toml", "types/eastern_grades.toml")
# Named before the standard, or told apart from a western valve of the same letters.
OLDER = {"6F6S", "6A7 octal"}
EASTERN = [valve for valve in REFERENCE.types.values() if valve.file in RECEIVING and valve.designation not in OLDER]

KINDS = {
    "A": {"heptode"},  # "frequency-changing valves with two control grids"
    "B": {"diode-pentode", "double diode-pentode"},
    "D": {"diode", "rectifier"},  # "diodes, damper diodes among them"
    "E": {"tetrode", "indicator", "double indicator"},  # two Cyrillic letters: tetrodes and indicators
    "F": {"triode-pentode"},
    "G": {"diode-triode", "double diode-triode", "triple diode-triode"},
    "I": {"triode-heptode"},
    "K": {"signal pentode"},  # "... with long characteristic"
    "Kh": {"double diode"},
    "N": {"double triode"},
    "P": {"power pentode", "beam tetrode"},  # "output pentode and beam tetrode"
    "R": {"double pentode"},
    "S": {"triode"},
    "Ts": {"rectifier"},  # "low-power kenotron"
    "V": {"signal pentode"},  # "valves with secondary emission"
    "Zh": {"signal pentode"},  # "high-frequency pentode with short characteristic"
}
BASES = {  # of the fourth element; none is a metal bulb, D and K have disc seals
    "P": {"B7G", "B9A"},
    "S": {"octal", "loctal", "septar", "B9D", "B9A", "own", "terminals"},
    "M": {"octal"},
    "": {"octal"},
    "A": {"leads", "B8D"},
    "B": {"leads", "B8D"},
    "G": {"leads"},
    "N": {"nuvistor"},
    "L": {"loctal"},
    "D": {"terminals"},
    "K": {"terminals"},
}


def parts(valve: TypeRow) -> tuple[str, str, str]:
    match = re.match(r"(\d+)(Kh|Ts|Zh|[ABDEFGIKNPRSV])\d+([PSMABGNLDK]?)(-|$)", valve.designation)
    assert match, f"{valve.designation} is not made as the standard says"
    return match[1], match[2], match[3]


def volts(written: str) -> float:
    """ "6" is 6 V, "06" is 0.6 V."""
    return float(f"0.{written[1:]}" if written.startswith("0") else written)


@pytest.mark.parametrize("valve", EASTERN, ids=lambda valve: valve.designation)
def test_the_designation_says_what_the_row_says(valve: TypeRow) -> None:
    voltage, kind, bulb = parts(valve)
    assert valve.tradition == "eastern"
    assert valve.kind in KINDS[kind]
    assert REFERENCE.basings[valve.basing].base in BASES[bulb]
    assert any(abs(float(heater.voltage_v) - volts(voltage)) < 0.7 for heater in valve.heaters)


@pytest.mark.parametrize("valve", EASTERN, ids=lambda valve: valve.designation)
def test_a_grade_in_the_designation_is_special_quality(valve: TypeRow) -> None:
    """A letter after the hyphen is a grade; a figure there tells two versions apart and says nothing of quality."""
    _, _, grade = valve.designation.partition("-")
    assert valve.special_quality == bool(re.match("[VEIRD]", grade))


def test_there_are_eastern_types_to_look_at() -> None:
    assert len(EASTERN) >= 250

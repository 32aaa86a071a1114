"""An eastern designation says what the valve is; ours must be what they say.

Source: the letters of GOST 13393-76, read in an English summary of the standard on the web ("System of a designation
of the Russian radio tubes ... made under the standard GOST 13393-76"), not in the standard itself. There the second
element is the kind of the valve and the fourth its bulb: P, glass, 19 or 22.5 mm across; S, glass, wider than 22.5 mm.
The summary transliterates otherwise than we do (its J is our Zh, its C our Ts).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from catalog.reference.files import TypeRow, read_reference

REFERENCE = read_reference(Path(__file__).parents[2] / "fixtures")
EASTERN = [valve for valve in REFERENCE.types.values() if valve.tradition == "eastern"]

KINDS = {
    "D": {"diode"},
    "Ts": {"rectifier"},  # "low-power kenotron"
    "S": {"triode"},
    "N": {"double triode"},
    "P": {"power pentode", "beam tetrode"},  # "output pentode and beam tetrode"
    "Zh": {"signal pentode"},  # "high-frequency pentode with short characteristic"
    "K": {"signal pentode"},  # "... with long characteristic"
    "F": {"triode-pentode"},
    "I": {"triode-heptode"},
    "G": {"diode-triode", "double diode-triode"},
}
MINIATURE = {"B7G", "B9A"}


def parts(valve: TypeRow) -> tuple[str, str, str]:
    match = re.match(r"(\d+)(D|Ts|S|N|P|Zh|K|F|I|G)\d+([PS])", valve.designation)
    assert match, f"{valve.designation} is not made as the standard says"
    volts, kind, bulb = match.groups()
    return volts, kind, bulb


@pytest.mark.parametrize("valve", EASTERN, ids=lambda valve: valve.designation)
def test_the_designation_says_what_the_row_says(valve: TypeRow) -> None:
    volts, kind, bulb = parts(valve)
    assert valve.kind in KINDS[kind]
    assert (REFERENCE.basings[valve.basing].base in MINIATURE) == (bulb == "P")
    assert any(round(heater.voltage_v) == int(volts) for heater in valve.heaters)


def test_there_are_eastern_types_to_look_at() -> None:
    assert len(EASTERN) >= 15

"""Typical operation and resistance-coupled tables of data sheets beside the curves, which were fitted to test points.

The rows below are from memory of the sheets of each type, as `source` says; what the reference files hold of typical
operation is checked with them. Power and current come near; a sheet's power is what a bogey valve gave at a distortion
that was judged then, so single rows differ by more. Distortion is of the right size and no more. Only the knee's prior,
one number for all pentodes and one for all beam tetrodes, was set with such powers in view.

`python manage.py check_positions` prints the whole table.
"""

from __future__ import annotations

from dataclasses import fields
from functools import cache
from statistics import median

import pytest

from catalog.physics.typical import Compared, compare, position_of
from catalog.reference.rows import ApplicationRow
from tests.catalog.known import named, sheets
from tests.reference import the_reference

SE, PP = "single-ended class A", "push-pull class AB"

# Type, role, Va or None, Vb or None, Vg2, Vg1, Rk in ohm, load and next grid in kilohm, Ia in mA, gain, W, %
FROM_MEMORY = (
    ("2A3", SE, 250, None, None, -45, None, 2.5, None, 60, None, 3.5, 5),
    ("45", SE, 250, None, None, -50, None, 3.9, None, 34, None, 1.6, 5),
    ("45", SE, 275, None, None, -56, None, 4.6, None, 36, None, 2.0, 5),
    ("50", SE, 450, None, None, -84, None, 4.35, None, 55, None, 4.6, 5),
    ("50", SE, 400, None, None, -70, None, 3.67, None, 55, None, 3.4, 5),
    ("71A", SE, 180, None, None, -40.5, None, 4.8, None, 20, None, 0.79, 5),
    ("10", SE, 425, None, None, -39, None, 10.2, None, 18, None, 1.6, 5),
    ("10", SE, 350, None, None, -31, None, 11, None, 16, None, 0.9, 5),
    ("6V6GT", SE, 250, None, 250, -12.5, None, 5, None, 45, None, 4.5, 8),
    ("6V6GT", SE, 180, None, 180, -8.5, None, 5.5, None, 29, None, 2.0, 8),
    ("6V6GT", SE, 315, None, 225, -13, None, 8.5, None, 34, None, 5.5, 12),
    ("6AQ5", SE, 250, None, 250, -12.5, None, 5, None, 45, None, 4.5, 8),
    ("6L6GC", SE, 250, None, 250, -14, None, 2.5, None, 72, None, 6.5, 10),
    ("6L6GC", SE, 350, None, 250, -18, None, 4.2, None, 54, None, 10.8, 15),
    ("5881", SE, 250, None, 250, -14, None, 2.5, None, 75, None, 6.7, 10),
    ("6F6G", SE, 250, None, 250, -16.5, None, 7, None, 34, None, 3.2, 8),
    ("6F6G", SE, 285, None, 285, -20, None, 7, None, 38, None, 4.8, 9),
    ("42", SE, 250, None, 250, -16.5, None, 7, None, 34, None, 3.2, 8),
    ("47", SE, 250, None, 250, -16.5, None, 7, None, 31, None, 2.7, 6),
    ("6K6GT", SE, 250, None, 250, -18, None, 7.6, None, 32, None, 3.4, 11),
    ("6K6GT", SE, 315, None, 250, -21, None, 9, None, 25.5, None, 4.5, 15),
    ("EL84", SE, 250, None, 250, -7.3, None, 5.2, None, 48, None, 5.7, 10),
    ("EL34", SE, 250, None, 250, -12.2, None, 2, None, 100, None, 11, 10),
    ("KT66", SE, 250, None, 250, -15, None, 2.2, None, 85, None, 7.25, 9),
    ("6550", SE, 250, None, 250, -14, None, 1.5, None, 140, None, 12.5, 7),
    ("50C5", SE, 110, None, 110, -7.5, None, 2.5, None, 49, None, 1.9, 9),
    ("50L6GT", SE, 110, None, 110, -7.5, None, 2, None, 49, None, 2.1, 10),
    ("35L6GT", SE, 110, None, 110, -7.5, None, 2.5, None, 40, None, 1.5, 10),
    ("6Y6G", SE, 135, None, 135, -13.5, None, 2, None, 58, None, 3.6, 9),
    ("6Y6G", SE, 200, None, 135, -14, None, 2.6, None, 61, None, 6.0, 10),
    ("ECL86", SE, 250, None, 250, -7, None, 7, None, 36, None, 4.0, 10),
    ("ECL82", SE, 200, None, 200, -16, None, 5.6, None, 35, None, 3.5, 10),
    ("EL86", SE, 170, None, 170, -12.5, None, 2.4, None, 70, None, 5.6, 10),
    ("7591", SE, 300, None, 300, -10, None, 3, None, 60, None, 11, 13),
    ("6L6GC", PP, 450, None, 400, -37, None, 5.6, None, 58, None, 55, None),
    ("6V6GT", PP, 250, None, 250, -15, None, 10, None, 35, None, 10, None),
    ("12AX7", "common cathode", None, 200, None, None, 1800, 100, 330, 0.65, 50, None, None),
    ("12AX7", "common cathode", None, 250, None, None, 1500, 100, 330, 0.86, 54.5, None, None),
    ("12AX7", "common cathode", None, 300, None, None, 1200, 100, 330, 1.11, 57, None, None),
    ("12AX7", "common cathode", None, 250, None, None, 2700, 220, 680, 0.48, 66.5, None, None),
    ("12AX7", "common cathode", None, 300, None, None, 2200, 220, 680, 0.63, 72, None, None),
    ("12AU7", "common cathode", None, 250, None, None, 2200, 100, 330, 1.63, 14, None, None),
    ("6SN7GT", "common cathode", None, 300, None, None, 3000, 100, 250, None, 14, None, None),
    ("6SL7GT", "common cathode", None, 300, None, None, 2500, 250, 500, None, 50, None, None),
)


def from_memory(row: tuple[object, ...]) -> ApplicationRow:
    names = "name role anode_voltage_v supply_voltage_v screen_voltage_v grid_voltage_v cathode_resistor_ohm "
    names += "anode_load_kohm next_grid_kohm anode_current_ma gain output_power_w distortion_percent"
    told = dict(zip(names.split(), row, strict=True))
    blank: dict[str, object] = dict.fromkeys(field.name for field in fields(ApplicationRow))
    told["screen"] = "pentode" if told["screen_voltage_v"] else ""
    told["section"] = 2 if told["name"] in ("ECL82", "ECL86") else 1
    return ApplicationRow(**{**blank, **told})  # type: ignore[arg-type]


@cache
def compared() -> tuple[Compared, ...]:
    found = []
    for row in FROM_MEMORY:
        found += compare(named(str(row[0])), f"{row[2] or row[3]} V", from_memory(row), "from memory")
    for valve in the_reference().types.values():
        for application in valve.applications:
            found += compare(sheets()[valve.designation], application.name, application, application.source)
    return tuple(found)


def off(quantity: str) -> list[float]:
    return [abs(one.off_percent) for one in compared() if one.quantity == quantity]


def within(quantity: str, percent: float) -> float:
    found = off(quantity)
    return sum(value <= percent for value in found) / len(found)


def test_at_least_twenty_five_types_are_compared() -> None:
    assert len({one.designation for one in compared()}) >= 25


def test_the_current_of_typical_operation_is_met() -> None:
    assert median(off("anode current, mA")) < 3
    assert within("anode current, mA", 15) > 0.9


def test_the_gain_of_resistance_coupled_tables_is_met() -> None:
    assert median(off("gain")) < 6
    assert within("gain", 15) > 0.85


def test_the_power_of_typical_operation_is_met() -> None:
    assert median(off("power, W")) < 10
    assert within("power, W", 35) > 0.9


def test_the_distortion_is_of_the_right_size() -> None:
    assert within("distortion, %", 60) > 0.7


@pytest.mark.parametrize("designation", ["6V6GT", "EL84"])
def test_a_row_that_prints_a_resistor_is_biased_by_it(designation: str) -> None:
    row = from_memory((designation, SE, None, 262, 262, None, 250, 5, None, 45, None, 4.5, 8))
    position = position_of(designation, row)
    assert (position.cathode_resistor_ohm, position.grid_v) == (250, 0)

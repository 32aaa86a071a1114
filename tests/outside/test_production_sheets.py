"""Our old types against the sheets of valves of the same designations that are made today.

Source: undated two-page data sheets of one present-day maker, each headed with the designation given below and kept
under the file name beside it; read as text. Each has a table "lead designation, name of electrode" and, at a stated
test point, the least and the greatest value a piece may leave the works with. Old and new are meant to be
interchangeable, so the leads must be the same and our nominals must lie between those limits.
"""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

import pytest

from catalog.reference.rows import TestPointRow
from tests.reference import the_reference

REFERENCE = the_reference()

Leads = dict[int, str]  # electrode by pin, as "section:code"; a heater or filament end is "h"


class Sheet(NamedTuple):
    headed: str
    file: str
    type: str  # ours
    leads: Leads


SN7 = {1: "2:g1", 2: "2:a", 3: "2:k", 4: "1:g1", 5: "1:a", 6: "1:k", 7: "h", 8: "h"}
NOVAL = {1: "2:a", 2: "2:g1", 3: "2:k", 4: "h", 5: "h", 6: "1:a", 7: "1:g1", 8: "1:k"}
SHEETS = [
    Sheet("6SN7EH", "TUBEEH-72382", "6SN7GT", SN7),
    # Pin 9 of this one is "free": it has no shield, as the 6FQ7 has none and the 6CG7 of old has one.
    Sheet("6CG7EH", "TUBEEH-66052", "6FQ7", NOVAL | {9: "nc"}),
    Sheet("6AQ8EH", "TUBEEH-75984", "6AQ8", NOVAL | {9: "s"}),
    # "Pentode cathode, screen, beam-forming screen" on pin 2: the cathode is what we look for there.
    Sheet(
        "6BM8EH",
        "TUBEEH-75985",
        "ECL82",
        {1: "1:g1", 2: "2:k", 3: "2:g1", 4: "h", 5: "h", 6: "2:a", 7: "2:g2", 8: "1:k", 9: "1:a"},
    ),
    Sheet("6V6GT/6V6EH", "TUBEEH-62413", "6V6GT", {2: "h", 3: "1:a", 4: "1:g2", 5: "1:g1", 7: "h", 8: "1:k"}),
    Sheet(
        "EL34EH, EL34WXT",
        "TUBEEH-60146",
        "EL34",
        {1: "1:g3", 2: "h", 3: "1:a", 4: "1:g2", 5: "1:g1", 7: "h", 8: "1:k"},
    ),
    Sheet("300BEH", "TUBEEH-60258", "300B", {1: "h", 2: "1:a", 3: "1:g1", 4: "h"}),  # "1, 4 cathode"
]


class Limits(NamedTuple):
    headed: str
    type: str
    anode_voltage_v: int
    grid_voltage_v: str
    quantity: str
    least: str
    most: str | None


LIMITS = [
    Limits("6SN7EH", "6SN7GT", 250, "-8.0", "anode_current_ma", "7.0", "13.0"),
    Limits("6SN7EH", "6SN7GT", 250, "-8.0", "gm_ma_per_v", "2.0", None),
    Limits("6SN7EH", "6SN7GT", 250, "-8.0", "mu", "16.5", None),
    Limits("6CG7EH", "6CG7", 250, "-8.0", "anode_current_ma", "7", "14"),
    Limits("6CG7EH", "6CG7", 250, "-8.0", "gm_ma_per_v", "2.0", None),
    Limits("6CG7EH", "6CG7", 250, "-8.0", "mu", "16.5", None),
    Limits("6AQ8EH", "6AQ8", 250, "-2.3", "anode_current_ma", "7", None),
    Limits("6AQ8EH", "6AQ8", 250, "-2.3", "gm_ma_per_v", "4.5", None),
    Limits("6AQ8EH", "6AQ8", 250, "-2.3", "mu", "44", None),
    Limits("6V6GT/6V6EH", "6V6GT", 250, "-12.5", "anode_current_ma", "33", "59"),
]


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: sheet.headed)
def test_every_lead_is_on_the_pin_the_sheet_gives(sheet: Sheet) -> None:
    basing = REFERENCE.basings[REFERENCE.types[sheet.type].basing]
    ours = {
        pin.number: {"h" if electrode.code == "f" else str(electrode) for electrode in pin.electrodes}
        for pin in basing.pins
    }
    for pin, electrode in sheet.leads.items():
        assert electrode in ours[pin], f"pin {pin}: {electrode} on the sheet, {ours[pin]} in ours"


@pytest.mark.parametrize("limits", LIMITS, ids=lambda limits: f"{limits.headed} {limits.quantity}")
def test_the_nominal_lies_between_the_limits_of_the_sheet(limits: Limits) -> None:
    nominal = getattr(point_at(limits), limits.quantity)
    assert nominal is not None
    assert Decimal(limits.least) <= nominal
    assert limits.most is None or nominal <= Decimal(limits.most)


def point_at(limits: Limits) -> TestPointRow:
    (point,) = (
        point
        for point in REFERENCE.types[limits.type].sections[0].test_points
        if point.anode_voltage_v == limits.anode_voltage_v and point.grid_voltage_v == Decimal(limits.grid_voltage_v)
    )
    return point

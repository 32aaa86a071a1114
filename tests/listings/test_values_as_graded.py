"""The public page and the certificate print every value as it was graded, the same figures from one place."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.test import Client
from django.utils import timezone

from grading.listings import publishing
from grading.metrology.quantities import Quantity
from grading.models import Grade, MatchedSet, Shift, TesterCondition
from grading.papers.certificates import certificate_data
from grading.papers.pure.certificate import certificate_pdf
from grading.sets import making
from grading.testers import conditions, studies
from grading.testers.readings_table import ReadingsTable
from grading.verdicts.graded import sections_as_graded
from grading.verdicts.values import Value
from stockroom.models import Valve
from stockroom.site.people import Role
from tests.factories import graded, graded_all, make_policy, make_type, make_user, make_valve, make_valves
from tests.instruments import (
    GM,
    IA,
    READINGS,
    calibrated,
    described,
    filled,
    owner,
    planned,
    point,
    scale,
    shift_at,
)
from tests.pdfs import read_pdf

pytestmark = pytest.mark.django_db


def well_known_shift() -> Shift:
    """On a tester of which nothing is wanting."""
    tester = calibrated(described())
    for quantity in (IA, GM):
        studies.finish(filled(planned(tester, quantity=quantity), READINGS), owner())
    make_policy()
    return shift_at(tester)


def page_of(valves: list[Valve]) -> ReadingsTable:
    seller = make_user("sal", Role.SALES)
    listing = publishing.publish(valves, "A fine thing", "As found.", Decimal("48.00"), "GBP", seller)
    laid: ReadingsTable = Client().get(listing.get_absolute_url()).context["readings"]
    return laid


def column(laid: ReadingsTable, head: str) -> list[str]:
    place = laid.heads.index(head)
    return [str(row.cells[place].text) for row in laid.rows]


def value_of(grade: Grade, section: int, quantity: Quantity) -> Value:
    found = {(value.section, value.quantity): value for value in map(Value.read, grade.measured)}
    return found[section, quantity]


def test_repeats_are_shown_once_as_their_mean_with_its_uncertainty_and_their_number() -> None:
    shift, valve = well_known_shift(), make_valve(make_type())
    for ia in (1.19, 1.20, 1.22):
        grade = graded(valve, ia=ia, gm=1.6, shift=shift)
    laid = page_of([valve])
    assert column(laid, "n:Section") == ["1", "2"] and column(laid, "n:Readings") == ["3", "3"]
    value = value_of(grade, 1, IA)
    assert value.value == pytest.approx(1.2033, abs=1e-4) and value.expanded_uncertainty
    assert column(laid, "n:Ia, mA")[0] == f"{value.value:.3f} ± {value.expanded_uncertainty:.3f}"
    assert column(laid, "n:of nominal")[0] == "100\N{NO-BREAK SPACE}% of 1.2"


def test_a_converted_reading_is_shown_as_converted_beside_the_nominal_it_was_graded_by() -> None:
    shift = well_known_shift()
    own = TesterCondition(
        tester=shift.tester, test_point=point(), anode_voltage_v=200, grid_voltage_v=-1.5, judged_by="converted"
    )
    conditions.set_conditions([own], owner())
    valve = make_valve(make_type())
    value = value_of(graded(valve, ia=1.0, gm=1.5, shift=shift), 1, IA)
    assert value.kind == "converted" and value.value > 1.05
    laid = page_of([valve])
    assert column(laid, "n:Ia, mA")[0].startswith(f"{value.value:.2f} ± ")
    assert column(laid, "n:of nominal")[0] == f"{100 * value.value / 1.2:.0f}\N{NO-BREAK SPACE}% of 1.2"


def test_page_and_certificate_print_the_same_figures() -> None:
    shift, valves = well_known_shift(), make_valves(make_type(), 2)
    for valve, gm in zip(valves, (1.60, 1.61), strict=True):
        for ia in (1.19, 1.21):
            graded(valve, ia=ia, gm=gm, shift=shift, grid_current_ua=-0.25)
    making.make_set(valves, 20, make_user())
    data = certificate_data(MatchedSet.objects.get(), timezone.localdate())
    text = " ".join(" ".join(read_pdf(certificate_pdf(data))).split())
    laid = page_of(list(Valve.objects.filter(memberships__live=True).order_by("serial")))
    for head in ("n:Ia, mA", "n:gm, mA/V"):
        printed = column(laid, head)
        assert all(" ± " in cell and cell in text for cell in printed)
    assert [str(v) for m in data.members for s in m.results for v in s.values.values()] == [
        cell for pair in zip(column(laid, "n:Ia, mA"), column(laid, "n:gm, mA/V"), strict=True) for cell in pair
    ]
    assert column(laid, "n:Readings") == ["2"] * 4
    assert column(laid, "n:Grid, µA") == ["−0.25"] * 4 and text.count("−0.25") == 4
    assert column(laid, "n:Heater-cathode, µA") == ["not tested"] * 4
    assert text.count("not tested −0.25 not tested") == 4  # leakage, grid current and noise of each section


def test_what_was_not_read_is_said_in_its_place_and_what_cannot_be_is_not() -> None:
    triode, stabiliser = make_valve(make_type()), make_valve(make_type("0A2", kind="voltage stabiliser", sections=1))
    graded(triode, ia=[1.2, 1.2], gm=1.6)
    laid = page_of([triode])
    assert column(laid, "n:Grid, µA") == column(laid, "Noise") == ["not tested"] * 2
    graded(stabiliser, ia=None, gm=None, anode_voltage_v=150.0)
    laid = page_of([stabiliser])
    assert column(laid, "n:V held, V") == ["150"]
    assert not {"n:Ia, mA", "n:Grid, µA"} & set(laid.heads) and column(laid, "Noise") == ["–"]


def test_a_valve_passed_on_a_scale_is_not_said_to_have_been_read_in_milliamperes() -> None:
    shift, valve = shift_at(scale()), make_valve(make_type())
    graded_all([(valve, None, None)], shift=shift, emission_scale=80.0)
    laid = page_of([valve])
    assert column(laid, "n:Emission, divisions") == ["80", "80"]
    assert column(laid, "n:Ia, mA") == column(laid, "n:gm, mA/V") == ["not tested"] * 2


def test_the_worst_of_repeats_stands_for_a_fault_with_its_sign() -> None:
    valve = make_valve(make_type("6J5", kind="triode", sections=1))
    for grid_current in (0.1, -0.4, 0.2):
        grade = graded(valve, grid_current_ua=grid_current, noise="quiet")
    (section,) = sections_as_graded(grade)
    assert section.faults == {Quantity.GRID_CURRENT: -0.4}
    assert section.untested == (Quantity.LEAKAGE.short,) and section.heard == "quiet"

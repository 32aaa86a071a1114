"""A valve's page and the public's: every reading stands beside the settings that it was really taken at."""

from __future__ import annotations

import re
from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from grading.listings import publishing
from grading.models import TesterCondition
from grading.testers import conditions, house_nominals
from stockroom.models import Valve
from tests.factories import graded, make_line, make_lot, make_shift, make_type, make_valve, make_valves, read
from tests.instruments import described, kept_aside, owner, point, scale, shift_at

pytestmark = pytest.mark.django_db

SHEET, OWN = "Va 250 V, Vg1 −2 V", "Va 180 V, Vg1 −1 V"


def at_its_own(**fields: object) -> TesterCondition:
    """From two hours ago on the bench sets section 1 of a 12AX7 up in its own way."""
    row = TesterCondition(
        tester=described(),
        test_point=point(),
        since=timezone.now() - timedelta(hours=2),
        **{"anode_voltage_v": 180, "grid_voltage_v": -1, "judged_by": "converted", **fields},
    )
    return conditions.set_conditions([row], owner())[0]


def shown(client: Client, valve: Valve) -> str:
    client.force_login(owner())
    return client.get(f"/valves/{valve}/").content.decode()


def row_of(page: str, section: int) -> str:
    rows = re.findall(r"<tr>.*?</tr>", page.split("<h2>Readings</h2>")[1], re.S)
    return next(row for row in rows if f'<td class="n">{section}</td>' in row)


def test_a_reading_at_the_testers_own_settings_says_so_and_the_one_beside_it_does_not(client: Client) -> None:
    condition = at_its_own()
    valve = make_valve(make_type("12AX7"))
    read(valve, 0.9, 1.5, shift=shift_at(condition.tester))
    page = shown(client, valve)
    assert OWN in row_of(page, 1) and f"the sheet has {SHEET}" in row_of(page, 1)
    assert SHEET in row_of(page, 2) and "own" not in row_of(page, 2)


def test_a_reading_from_before_the_tester_was_set_so_keeps_the_sheets_settings(client: Client) -> None:
    condition = at_its_own()
    valve = make_valve(make_type("12AX7"))
    read(valve, 1.2, 1.6, shift=shift_at(condition.tester), taken_at=timezone.now() - timedelta(hours=3))
    assert OWN not in shown(client, valve)


def test_a_reading_on_a_scale_has_its_column_and_claims_no_settings_of_the_sheet(client: Client) -> None:
    valve = make_valve(make_type("12AX7"))
    read(valve, shift=shift_at(scale()), emission_scale=72.5)
    page = shown(client, valve)
    assert "Emission, divisions" in page and "72.5" in page
    assert SHEET not in row_of(page, 1) and "on the tester's own scale" in row_of(page, 1).replace("&#x27;", "'")


def test_without_a_reading_on_a_scale_there_is_no_such_column(client: Client) -> None:
    valve = make_valve(make_type("12AX7"))
    read(valve, 1.2, 1.6)
    assert "Emission, divisions" not in shown(client, valve)


def test_decimals_of_a_column_align(client: Client) -> None:
    valve = make_valve(make_type("12AX7"))
    read(valve, [1.2, 1.25], [1.6, 2.0])
    page = shown(client, valve)
    assert ">1.20<" in row_of(page, 1) and ">1.25<" in row_of(page, 2)
    assert ">1.6<" in row_of(page, 1) and ">2.0<" in row_of(page, 2)


def test_the_page_asks_as_often_for_many_readings_as_for_one(client: Client) -> None:
    shift = shift_at(at_its_own().tester)
    valve = make_valve(make_type("12AX7"))
    counts = []
    for times in (1, 12):
        for _ in range(times):
            read(valve, 0.9, 1.5, shift=shift)
        with CaptureQueriesContext(connection) as queries:
            shown(client, valve)
        counts.append(len(queries))
    assert counts[1] <= counts[0]


def test_the_public_reads_the_settings_the_nominal_and_the_basis_that_the_grade_rests_on(client: Client) -> None:
    condition = at_its_own(judged_by="house nominal")
    shift = shift_at(condition.tester)
    line = make_line(make_type("12AX7"), 10, lot=make_lot())
    for each in make_valves(line.type, 10, line=line):
        read(each, [0.77, 1.2], 1.55, shift=shift)
    house_nominals.learn(condition.tester, point(), owner())
    valve = Valve.objects.order_by("serial")[0]
    graded(valve, [0.77, 1.2], 1.55, shift=shift)
    made = publishing.publish([valve], "One", "As found.", Decimal(20), "GBP", owner())
    page = client.get(made.get_absolute_url()).content.decode()
    assert f"Read at {OWN}" in page and "Beside a house nominal" in page
    first = row_of(page, 1)
    assert ">0.77<" in first and "of 0.77<" in first and ">1.2<" not in first


def test_a_check_of_a_reference_valve_is_asked_for_at_the_testers_own_settings(client: Client) -> None:
    tester = at_its_own().tester
    kept_aside(tester)
    client.force_login(owner())
    make_shift(owner(), tester)
    page = client.get("/checks/").content.decode()
    assert OWN in page and SHEET not in page


def test_the_bench_says_what_this_tester_sets_and_what_was_set_before(client: Client) -> None:
    tester = at_its_own().tester
    valve = make_valve(make_type("12AX7"))
    client.force_login(owner())
    shift = make_shift(owner(), tester)
    read(valve, 0.9, 1.5, shift=shift)
    page = client.get(f"/bench/?serial={valve}").content.decode()
    first, second = re.findall(r"<legend>.*?</legend>", page, re.S)[:2]
    assert OWN in first and "this tester" in first and SHEET in second
    assert f"{OWN}, its own settings" in page.split("<h3>Read before</h3>")[1]


def test_a_correction_is_asked_for_at_the_settings_of_the_time_of_the_reading(client: Client) -> None:
    tester = at_its_own().tester
    shift = shift_at(tester)
    valve = make_valve(make_type("12AX7"))
    old = read(valve, 1.2, 1.6, shift=shift, taken_at=timezone.now() - timedelta(hours=3))[0]
    new = read(valve, 0.9, 1.5, shift=shift)[0]
    client.force_login(owner())
    for reading, settings in ((old, SHEET), (new, OWN)):
        page = client.get(reverse("reading-correct", args=[reading.pk])).content.decode()
        assert settings in page.split("<legend>")[1].split("</legend>")[0]

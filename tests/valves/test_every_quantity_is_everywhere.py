"""A valve of which every quantity of the register was read: each of them is asked for, taken in, shown and printed."""

from __future__ import annotations

import io
import zipfile
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from catalog.models import ValveType
from grading.bench.entered import EnteredReading
from grading.bench.forms import BenchChoices, ValveForms
from grading.bench.readings import in_words
from grading.bench.readings_import import look, receive
from grading.listings import publishing
from grading.metrology.quantities import FAULTS, Quantity, capitalised, claimed_of
from grading.models import Capability, MatchedSet, Reading, Tester
from grading.papers.certificates import certificate_data
from grading.papers.labels import labels_for
from grading.papers.pure.certificate import certificate_pdf
from grading.sets import making
from grading.testers.readings_table import OwnColumn, readings_table
from stockroom.export.writing import export
from stockroom.models import Shop, Valve
from stockroom.site.people import Role
from tests.factories import graded, make_tester, make_type, make_user, make_valve, make_valves
from tests.pdfs import read_pdf

pytestmark = pytest.mark.django_db

# Every quantity has digits of its own, so that a page shows it or does not.
READ = {
    Quantity.ANODE_CURRENT: 1.21,
    Quantity.GM: 1.63,
    Quantity.EMISSION: 77.25,
    Quantity.LEAKAGE: 4.37,
    Quantity.GRID_CURRENT: 0.153,
}
OF_A_TRIODE = [quantity for quantity in Quantity if not quantity.facts.only_of]  # a stabiliser's voltage is not read
ALL = {quantity.value: value for quantity, value in READ.items()}
PLACES = [quantity.amount(value) for quantity, value in READ.items()]


def a_triode() -> ValveType:
    return make_type("6J5", kind="triode", sections=1)


def well_read() -> Valve:
    valve = make_valve(a_triode())
    graded(valve, ALL["anode_current_ma"], ALL["gm_ma_per_v"], noise="slight", **_besides())
    return valve


def _besides() -> dict[str, Any]:
    return {name: value for name, value in ALL.items() if name not in ("anode_current_ma", "gm_ma_per_v")}


def reads_all() -> Tester:
    tester = make_tester()
    for quantity in Quantity:
        passes = 50.0 if quantity is Quantity.EMISSION else None
        Capability.objects.create(tester=tester, quantity=quantity, resolution=0.01, scale_pass_at=passes)
    return tester


def page(address: str, *roles: Role) -> str:
    client = Client()
    client.force_login(make_user("amy", *(roles or (Role.OWNER,))))
    return client.get(address).content.decode()


def test_the_values_of_this_test_cover_the_register() -> None:
    assert set(READ) == set(OF_A_TRIODE)


def test_the_bench_asks_for_each_takes_it_and_shows_it_again_to_be_corrected() -> None:
    valve = make_valve(a_triode())
    typed = {f"s1-{quantity.key}": str(value) for quantity, value in READ.items()}
    sheet = ValveForms(valve.type.test_sections, BenchChoices(), reads_all(), data={**typed, "s1-noise": "slight"})
    assert sheet.is_valid(), [form.errors for form in sheet.forms]
    taken = sheet.entered[1]
    assert {quantity: getattr(taken, quantity) for quantity in OF_A_TRIODE} == READ and taken.noise == "slight"
    assert all(quantity.unit in str(sheet.forms[0].fields[quantity.key].label) for quantity in OF_A_TRIODE)
    reading = well_read().readings.get()
    assert EnteredReading.of(reading).as_fields() == taken.as_fields()
    wrong = page(reverse("reading-correct", args=[reading.pk]))
    assert all(text in wrong for text in PLACES)


def test_a_file_brings_each_that_has_a_heading() -> None:
    valve = make_valve(a_triode())
    brought = [quantity for quantity in OF_A_TRIODE if quantity.facts.headings]
    heading = ";".join(f"{quantity.facts.headings.split()[0]} ({quantity.unit})" for quantity in brought)
    data = f"serial;{heading}\n{valve};{';'.join(str(READ[one]) for one in brought)}\n".encode()
    preview = look(receive(make_tester(), timezone.localdate(), "a.csv", data, make_user("bo", Role.BENCH)))
    assert not preview.problems
    (planned,) = preview.planned
    assert {quantity: getattr(planned.reading(), quantity) for quantity in brought} == {q: READ[q] for q in brought}


def test_the_valves_page_and_the_publics_show_each() -> None:
    valve = well_read()
    listing = publishing.publish([valve], "A triode", "As found.", Decimal("20"), "GBP", make_user("sal", Role.SALES))
    for shown in (page(valve.get_absolute_url()), Client().get(listing.get_absolute_url()).content.decode()):
        table = shown.split("<h2>Readings</h2>")[1]
        for quantity, text in zip(READ, PLACES, strict=True):
            assert f'<th scope="col" class="n">{quantity.column}</th>' in table and text in table
        assert "slight" in table and "<td>none</td>" in table, "noise and shorts"
    assert "Not tested" not in shown


def test_the_public_is_told_what_nobody_tested() -> None:
    valve = make_valve(a_triode())
    graded(valve, 1.2, 1.6)
    listing = publishing.publish([valve], "A triode", "As found.", Decimal("20"), "GBP", make_user("sal", Role.SALES))
    shown = Client().get(listing.get_absolute_url()).content.decode()
    assert f"Not tested on {valve}: heater-cathode leakage, grid current, noise." in shown
    assert shown.count('<td class="n">not tested</td>') == 2 and "<td>not tested</td>" in shown


def test_a_remark_is_the_shops_own() -> None:
    valve = make_valve(a_triode())
    graded(valve, 1.2, 1.6, remark="rattles in the crate")
    listing = publishing.publish([valve], "A triode", "As found.", Decimal("20"), "GBP", make_user("sal", Role.SALES))
    assert "rattles" in page(valve.get_absolute_url())
    assert "rattles" not in Client().get(listing.get_absolute_url()).content.decode()


def a_pair() -> MatchedSet:
    valves = make_valves(a_triode(), 2)
    for valve in valves:
        graded(valve, 1.21, 1.63, heater_cathode_leakage_ua=4.37, grid_current_ua=0.153, noise="quiet")
    return making.make_set(valves, 5, make_user())


def test_a_certificate_prints_each_that_was_read_and_a_sets_page_shows_it() -> None:
    matched = a_pair()
    text = " ".join(" ".join(read_pdf(certificate_pdf(certificate_data(matched, timezone.localdate())))).split())
    for quantity in claimed_of("triode"):
        assert quantity.column in text and quantity.full_name in text
    for quantity in FAULTS:
        assert capitalised(quantity.short) in text and quantity.amount(READ[quantity]) in text
    assert "quiet" in text
    shown = page(matched.get_absolute_url())
    assert all(quantity.column in shown for quantity in (*claimed_of("triode"), *FAULTS)) and "quiet" in shown


def test_a_label_has_a_line_for_each_that_claims_a_grade() -> None:
    (label,) = labels_for([well_read()], Shop.own())
    assert [line.split()[0] for line in label.lines] == [quantity.symbol for quantity in claimed_of("triode")]


def test_the_export_has_a_column_for_each() -> None:
    well_read()
    out = io.BytesIO()
    export(out)
    heads = zipfile.ZipFile(out).read("grading_reading.csv").decode().splitlines()[0].split(",")
    assert {quantity.value for quantity in Quantity} <= set(heads)


def test_the_daybook_says_each() -> None:
    said = in_words(list(Reading.objects.filter(valve=well_read())))
    assert all(quantity.shown(value) in said for quantity, value in READ.items())


def test_a_reading_that_reads_any_one_of_them_is_not_withdrawn() -> None:
    """A correction that reads nothing takes a reading away; one that reads anything at all stands."""
    valve = well_read()
    for quantity in Quantity:
        wrong = valve.readings.filter(superseded_by=None).get()
        Reading.objects.create(
            valve=valve,
            section=1,
            test_point=wrong.test_point,
            shift=wrong.shift,
            supersedes=wrong,
            reason="read again",
            **{quantity.value: 1.0},
        )
        assert Reading.objects.current().filter(valve=valve).count() == 1, quantity


def test_rows_of_a_group_bear_what_is_common_once_and_a_column_has_one_number_of_decimals() -> None:
    laid = readings_table(
        [("A", Reading(gm_ma_per_v=1.5)), ("A", Reading(gm_ma_per_v=1.625)), ("B", None)],
        "Readings",
        reading_of=lambda row: row[1],
        before=[OwnColumn("Valve", lambda row: row[0], once=True)],
        group=lambda row: row[0],
    )
    assert laid.heads == ("Valve", "n:gm, mA/V")
    assert [[cell.text for cell in row.cells] for row in laid.rows] == [["A", "1.500"], ["", "1.625"], ["B", ""]]

"""The certificate of a matched set: it prints what was claimed when the set was made, and says so."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from random import Random

import pypdfium2  # type: ignore[import-untyped]
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from catalog.models import TestPoint
from grading.drawing.plot import NUMBER_IN_SET, Point, SetChart, outside, ticks
from grading.metrology.quantities import Quantity
from grading.models import MatchedSet, Policy, Reading
from grading.papers.certificates import CannotCertify, certificate_data, valve_certificate_data
from grading.papers.pure.certificate import CLAIMED, NOT_CLAIMED, certificate_pdf
from grading.sets import making
from grading.verdicts import judging
from stockroom.models import Customer, Order, Return, Shop, Valve
from stockroom.site.people import Role
from tests.factories import graded, make_shift, make_tester, make_type, make_user, make_valve, make_valves
from tests.pdfs import CERTIFICATE, read_pdf

ISSUED = date(2026, 3, 5)
DAY = datetime(2026, 3, 1, 12, tzinfo=UTC)
IA = [(1.18, 1.22), (1.2, 1.24), (1.205, 1.21), (1.19, 1.23)]
GM = [(1.58, 1.61), (1.6, 1.63), (1.575, 1.6), (1.62, 1.66)]


def a_quad(**valve: object) -> MatchedSet:
    valves = make_valves(make_type("12AX7", **valve), 4)  # type: ignore[arg-type]
    shift = make_shift(make_user("rosa"), make_tester("Bench tester 1"))
    for index, one in enumerate(valves):
        graded(one, ia=IA[index], gm=GM[index], shift=shift, taken_at=DAY - timedelta(days=index))
    return making.make_set(valves, 5, make_user())


def words(pdf: bytes) -> str:
    """All text with runs of space made one."""
    return " ".join(" ".join(read_pdf(pdf)).split())


# Gathered from the records


@pytest.mark.django_db
def test_the_readings_are_those_the_set_was_made_on_whatever_is_read_later() -> None:
    made = a_quad()
    before = certificate_data(made, ISSUED)
    for member in made.members.all():
        graded(member.valve, ia=1.19, gm=1.66)
    after = certificate_data(made, ISSUED)
    assert [[tuple(v.value for v in r.values.values()) for r in m.results] for m in after.members] == [
        list(zip(ia, gm, strict=True)) for ia, gm in zip(IA, GM, strict=True)
    ]
    bare = [replace(data, charts=(), siblings="", notes=()) for data in (before, after)]
    assert bare[0] == bare[1]
    assert ["was read again on" in note for note in after.notes] == [True] * 4 + [False]
    [untested] = before.notes
    assert untested == after.notes[-1] and untested.startswith("Not tested on ")
    assert untested.endswith(": heater-cathode leakage, grid current, noise.")


@pytest.mark.django_db
def test_the_spread_is_the_highest_over_the_lowest_less_one_of_each_quantity_and_section() -> None:
    rows = certificate_data(a_quad(), ISSUED).spreads
    assert [(row.quantity.symbol, row.section) for row in rows] == [("Ia", 1), ("gm", 1), ("Ia", 2), ("gm", 2)]
    assert [row.spread for row in rows] == pytest.approx(
        [1.205 / 1.18 - 1, 1.62 / 1.575 - 1, 1.24 / 1.21 - 1, 1.66 / 1.6 - 1]
    )
    assert [(row.lowest, row.highest, row.nominal) for row in rows[:2]] == [(1.18, 1.205, 1.2), (1.575, 1.62, 1.6)]


@pytest.mark.django_db
def test_tester_operator_days_and_policy_are_named() -> None:
    data = certificate_data(a_quad(), ISSUED)
    (measured,) = data.measured
    assert measured == ("Bench tester 1", "rosa", date(2026, 2, 26), date(2026, 3, 1))
    assert data.policy == "policy 1, First policy"


@pytest.mark.django_db
def test_nominals_name_their_settings_and_their_source() -> None:
    first, second = certificate_data(a_quad(), ISSUED).nominals
    assert tuple(first) == (1, "Va 250 V, Vg1 −2 V", {Quantity.ANODE_CURRENT: 1.2, Quantity.GM: 1.6}, "Memory")
    assert second == first._replace(section=2)


@pytest.mark.django_db
def test_the_chart_shows_the_set_the_nominal_and_the_other_graded_valves_of_the_type() -> None:
    made = a_quad()
    for ia, gm in ((1.0, 1.4), (1.3, 1.7)):
        graded(make_valve(made.type), ia=ia, gm=gm)
    graded(make_valve(make_type("6SN7GT")), ia=9, gm=2.6)  # another type is no sibling
    data = certificate_data(made, ISSUED)
    first, second = data.charts
    assert first.members == tuple(Point(gm[0], ia[0]) for ia, gm in zip(IA, GM, strict=True))
    assert second.members == tuple(Point(gm[1], ia[1]) for ia, gm in zip(IA, GM, strict=True))
    assert first.nominal == Point(1.6, 1.2)
    assert set(first.siblings) == {Point(1.4, 1.0), Point(1.7, 1.3)}
    assert data.siblings == "2 other graded valves of this type"


@pytest.mark.django_db
def test_siblings_are_thinned_evenly_when_there_are_very_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("grading.papers.certificates.MOST_SIBLINGS", 3)
    made = a_quad()
    for index in range(7):
        graded(make_valve(made.type), ia=1 + index / 100)
    data = certificate_data(made, ISSUED)
    assert data.siblings == "3 of 7 other graded valves of this type"
    assert [point.y for point in data.charts[0].siblings] == [1.0, 1.03, 1.06]


@pytest.mark.django_db
def test_a_correction_before_the_set_was_made_is_noted() -> None:
    valves = make_valves(count=2)
    graded(valves[1])
    graded(valves[0], ia=[12, 1.2])
    wrong = Reading.objects.get(valve=valves[0], section=1)
    Reading.objects.create(
        valve=valves[0],
        section=1,
        test_point=wrong.test_point,
        shift=wrong.shift,
        supersedes=wrong,
        taken_at=DAY,
        anode_current_ma=1.2,
        gm_ma_per_v=1.6,
        reason="a slip of ten",
    )
    judging.grade([valves[0]], Policy.current(), None)
    valves[0].refresh_from_db()
    data = certificate_data(making.make_set(valves, 5, make_user()), ISSUED)
    assert data.notes[:-1] == (f"{valves[0].serial}, section 1: corrected on 1 Mar 2026: a slip of ten",)


@pytest.mark.django_db
def test_a_correction_after_the_set_was_made_is_noted_with_what_it_says_now() -> None:
    made = a_quad()
    valve = made.members.all()[1].valve
    wrong = Reading.objects.get(valve=valve, section=2)
    Reading.objects.create(
        valve=valve,
        section=2,
        test_point=wrong.test_point,
        shift=wrong.shift,
        supersedes=wrong,
        taken_at=DAY,
        anode_current_ma=1.1,
        gm_ma_per_v=1.5,
        reason="probe on the wrong pin",
    )
    data = certificate_data(made, ISSUED)
    assert data.notes[:-1] == (
        f"{valve.serial}, section 2: since this set was made the reading has been corrected, on 1 Mar 2026, "
        "to Ia 1.1 mA, gm 1.5 mA/V: probe on the wrong pin",
    )
    assert data.members[1].results[1].values[Quantity.ANODE_CURRENT].value == 1.24


@pytest.mark.django_db
def test_a_broken_sets_certificate_says_that_it_no_longer_stands() -> None:
    made = a_quad()
    making.break_set(made, "a valve was dropped", make_user())
    made.refresh_from_db()
    data = certificate_data(made, ISSUED)
    assert "broken up" in data.void and "a valve was dropped" in data.void and "no longer stands" in data.void
    assert data.void in words(certificate_pdf(data))


@pytest.mark.django_db
def test_readings_at_different_test_points_are_not_certified_as_alike() -> None:
    made = a_quad()
    member = made.members.all()[2]
    reading = member.grade.readings.get(section=1)
    other = TestPoint.objects.create(
        section=reading.test_point.section,
        name="100 V",
        position=1,
        anode_voltage_v=100,
        grid_voltage_v=-1,
        anode_current_ma=0.5,
        source=reading.test_point.source,
    )
    elsewhere = Reading.objects.create(
        valve=member.valve, section=1, test_point=other, shift=reading.shift, anode_current_ma=1.2, gm_ma_per_v=1.6
    )
    member.grade.readings.set([elsewhere, member.grade.readings.get(section=2)])
    with pytest.raises(CannotCertify, match="Section 1 was read at Va 250 V, Vg1 −2 V on one valve and at Va 100 V"):
        certificate_data(made, ISSUED)


@pytest.mark.django_db
def test_a_rectifier_pair_is_plotted_by_its_number_in_the_set_and_claims_no_gm() -> None:
    valves = make_valves(make_type("5U4G", kind="rectifier"), 2)
    for valve, ia in zip(valves, (121, 122), strict=True):
        graded(valve, ia=ia, gm=None)
    data = certificate_data(making.make_set(valves, 5, make_user()), ISSUED)
    assert [(row.quantity.symbol, row.section) for row in data.spreads] == [("Ia", 1), ("Ia", 2)]
    assert data.charts[0].x_name == NUMBER_IN_SET
    assert data.charts[0].members == (Point(1, 121.0), Point(2, 122.0))
    assert data.charts[0].nominal == Point(None, 125.0)
    text = words(certificate_pdf(data))
    assert "gm" not in text.replace(CLAIMED, "").replace(NOT_CLAIMED, "")


@pytest.mark.django_db
def test_the_queries_do_not_grow_with_the_set() -> None:
    counts = []
    for count in (2, 12):
        valves = make_valves(count=count)
        for valve in valves:
            graded(valve)
        made = making.make_set(list(Valve.objects.filter(pk__in=[v.pk for v in valves])), 5, make_user())
        made = MatchedSet.objects.select_related("type").get(pk=made.pk)
        Shop.own()
        with CaptureQueriesContext(connection) as queries:
            certificate_data(made, ISSUED)
        counts.append(len(queries))
    assert counts[0] == counts[1]


# Of a single valve


@pytest.mark.django_db
def test_a_single_valve_has_a_certificate_of_its_readings_its_grade_and_what_that_rests_on() -> None:
    valve = make_valve(make_type("12AX7"))
    graded(valve, ia=[1.18, 1.22], gm=[1.58, 1.3], taken_at=DAY, noise="slight")
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    Return.objects.create(valve=valve, order=order, complaint="weak", reason="?", at=DAY - timedelta(days=9))
    data = valve_certificate_data(valve, ISSUED)
    text = words(certificate_pdf(data))
    assert "MATCHING" not in text and "Spread" not in text
    for part in (
        f"{valve.serial[:4]} {valve.serial[4:]} Good 1",
        "section 2: gm 1.3 mA/V is 81 % of 1.6; Excellent wants 90 %",
        "Decision rule A limit is met when the risk is 5 % at most",
        "Policy 1, First policy",
        "Good: anode current 65 to 140 % of nominal",
        "Traceability Bench tester 1: no calibration",
        f"{valve}: sold before, and came back on 20 Feb 2026: weak, or it reads low.",
        f"Not tested on {valve}: heater-cathode leakage, grid current.",
        NOT_CLAIMED,
    ):
        assert part in text, part


@pytest.mark.django_db
def test_a_policy_on_a_certificate_is_linked_where_the_shop_has_an_address() -> None:
    Shop.objects.update_or_create(pk=1, defaults={"web_address": "https://shop.example/"})
    pdf = certificate_pdf(certificate_data(a_quad(), ISSUED))
    assert "https://shop.example/policy/1/" in words(pdf)


@pytest.mark.django_db
def test_a_certificate_is_refused_to_a_valve_that_is_unfit_or_speaks_through_its_set() -> None:
    with pytest.raises(CannotCertify, match="no grade that may be sold"):
        valve_certificate_data(make_valve(make_type("12AX7")), ISSUED)
    made = a_quad()
    with pytest.raises(CannotCertify, match=f"in the set {made.number}"):
        valve_certificate_data(made.members.first().valve, ISSUED)


def test_the_certificate_of_a_valve_opens_from_its_page(logged_in) -> None:
    valve = make_valve(make_type("12AX7"))
    graded(valve)
    client, address = logged_in(Role.SALES), reverse("valve-certificate", args=[valve.serial])
    assert address in client.get(valve.get_absolute_url()).content.decode()
    assert client.get(address)["Content-Type"] == "application/pdf"


@pytest.mark.django_db
def test_what_the_certificate_says_is_a_short_table_that_repeats_nothing_a_section() -> None:
    said = certificate_data(a_quad(), ISSUED).said
    assert [row.label for row in said][:3] == ["Decision rule", "Limits", "Risk"]
    assert all(len(row.text.split()) <= 60 for row in said), "no paragraph"
    compared = next(row.text for row in said if row.label == "Compared with")
    assert compared.count("nominal") == 1


# On the pages


def test_anybody_with_a_login_gets_the_pdf(logged_in) -> None:
    made = a_quad(cautions=["high voltage"])
    Shop.objects.update_or_create(pk=1, defaults={"name": "The Amber Filament", "notice": "All of this is invented."})
    answer = logged_in(Role.RECEIVING).get(reverse("certificate", args=[made.number]))
    assert answer["Content-Type"] == "application/pdf"
    assert f"certificate-{made.number}.pdf" in answer["Content-Disposition"]
    text = words(answer.content)
    for part in (
        "The Amber Filament",
        "All of this is invented.",
        made.number,
        "Matched quad 12AX7",
        "double triode",
        "policy 1, First policy",
        "Bench tester 1, by rosa, 26 Feb 2026 to 1 Mar 2026",
        "Settings Va 250 V, Vg1 −2 V. Nominal Ia 1.2 mA, gm 1.6 mA/V; source Memory.",
        "lethal voltages",
        "qualified",
        "This type works at very high voltage.",
        CLAIMED,
        NOT_CLAIMED,
    ):
        assert part in text, part


def test_a_set_without_valves_sends_the_asker_back_with_the_reason(logged_in) -> None:
    made = a_quad()
    empty = MatchedSet.objects.create(number="S99999", type=made.type, size=2, tolerance_percent=5, policy=made.policy)
    answer = logged_in(Role.RECEIVING).get(reverse("certificate", args=[empty.number]), follow=True)
    assert answer.redirect_chain[-1][0] == empty.get_absolute_url()
    assert "S99999 has no valves" in answer.content.decode()


def test_an_unknown_set_is_not_found(logged_in) -> None:
    client: Client = logged_in(Role.RECEIVING)
    assert client.get(reverse("certificate", args=["S31337"])).status_code == 404


# As paper, from plain data


def test_every_reading_stands_on_the_certificate_with_its_share_of_the_nominal() -> None:
    text = words(certificate_pdf(CERTIFICATE))
    for ia, gm, ia_share, gm_share in (
        ("1.18", "1.58", "98 %", "99 %"),
        ("1.205", "1.575", "100 %", "98 %"),
        ("1.23", "1.66", "103 %", "104 %"),
    ):
        assert f"{ia} {ia_share} {gm} {gm_share}" in text
    assert "1000 0457 Excellent 1 1.2 100 % 1.6 100 %" in text


def test_every_spread_stands_beside_what_was_asked() -> None:
    text = words(certificate_pdf(CERTIFICATE))
    assert "Anode current Ia, mA 1 1.2 1.18 1.205 2.12 % within 5 %" in text
    assert "Mutual conductance gm, mA/V 2 1.6 1.6 1.66 3.75 % within 5 %" in text


def test_a_spread_beyond_what_was_asked_is_said_to_be() -> None:
    first, *rest = CERTIFICATE.spreads
    text = words(certificate_pdf(replace(CERTIFICATE, spreads=(first._replace(spread=0.0501), *rest))))
    assert "5.01 % BEYOND 5 %" in text
    assert text.count("BEYOND") == 1


def test_sections_with_nominals_of_their_own_are_told_apart() -> None:
    first, second = CERTIFICATE.nominals
    other = second._replace(conditions="Va 170 V, Vg2 170 V, Vg1 −11.5 V", source="A handbook, page 3")
    text = words(certificate_pdf(replace(CERTIFICATE, nominals=(first, other))))
    assert "Section 1: Settings Va 250 V, Vg1 −2 V." in text
    assert "Section 2: Settings Va 170 V, Vg2 170 V, Vg1 −11.5 V." in text
    assert "source A handbook, page 3." in text


def test_a_quad_of_double_triodes_fits_one_page_and_a_dozen_goes_on_to_the_next() -> None:
    assert len(read_pdf(certificate_pdf(CERTIFICATE))) == 1
    dozen = replace(CERTIFICATE, members=CERTIFICATE.members * 3)
    pages = read_pdf(certificate_pdf(dozen))
    assert len(pages) == 2
    for number, text in enumerate(pages, start=1):
        assert f"page {number} of 2" in text
    assert " ".join(pages).count("1000 0457") == 3


def test_the_same_data_are_the_same_bytes_and_another_day_is_not() -> None:
    assert certificate_pdf(CERTIFICATE) == certificate_pdf(CERTIFICATE)
    assert certificate_pdf(CERTIFICATE) != certificate_pdf(replace(CERTIFICATE, issued_on=date(2026, 3, 6)))


def test_the_pdf_names_its_subject_and_carries_its_fonts() -> None:
    pdf = certificate_pdf(CERTIFICATE)
    told = pypdfium2.PdfDocument(pdf).get_metadata_dict()
    assert told["Title"] == "Certificate S00001: matched quad 12AX7"
    assert told["Author"] == "The Amber Filament"
    assert told["CreationDate"] == "D:20260305"
    assert set(re.findall(rb"/BaseFont /(?:[A-Z]{6}\+)?([\w-]+)", pdf)) == {b"LiberationSans", b"LiberationSans-Bold"}
    assert pdf.count(b"/FontFile2") == 2


def test_signs_that_old_fonts_lack_are_drawn() -> None:
    """Ohm, micro, minus and times come out as themselves, not as an empty box."""
    first, second = CERTIFICATE.nominals
    odd = first._replace(conditions="Rk 820 Ω, 3 µA × 2 − 1, Żółw, Шар")
    assert "Rk 820 Ω, 3 µA × 2 − 1, Żółw, Шар" in words(certificate_pdf(replace(CERTIFICATE, nominals=(odd, second))))


def test_marks_in_names_are_text_and_not_markup() -> None:
    text = words(certificate_pdf(replace(CERTIFICATE, notes=("<b>5 & 6 < 7</b>",), type="A<B&C")))
    assert "<b>5 & 6 < 7</b>" in text and "A<B&C" in text


# The chart


def chart(siblings: list[Point]) -> SetChart:
    return replace(CERTIFICATE.charts[0], siblings=tuple(siblings))


def test_ordinary_siblings_are_all_within_the_frame() -> None:
    draw = Random(5)
    assert outside(chart([Point(draw.gauss(1.6, 0.1), draw.gauss(1.2, 0.1)) for _ in range(300)])) == 0


def test_a_dead_sibling_lies_beyond_the_frame_and_is_counted() -> None:
    draw = Random(5)
    alive = [Point(draw.gauss(1.6, 0.1), draw.gauss(1.2, 0.1)) for _ in range(60)]
    beyond = chart([*alive, Point(0.0, 0.02), Point(0.1, 0.0)])
    assert outside(beyond) == 2
    text = words(certificate_pdf(replace(CERTIFICATE, charts=(beyond,))))
    assert "2 marks lie beyond the frame" in text


def test_a_set_far_from_its_kind_is_still_within_the_frame() -> None:
    far = replace(chart([Point(1.6, 1.2)] * 50), members=(Point(0.5, 0.3), Point(0.51, 0.31)))
    pdf = certificate_pdf(replace(CERTIFICATE, charts=(far,)))
    page = pypdfium2.PdfDocument(pdf)[0]
    teal = page.render(scale=2).to_numpy()[800:, :, ::-1].astype(int)  # below the tables
    assert (abs(teal - (0x14, 0x53, 0x5A)).max(axis=2) < 8).sum() > 20


@pytest.mark.parametrize(("low", "high"), [(0, 1), (0.93, 1.48), (97, 131), (1e-3, 2e-3), (0, 7), (119.9, 120.1)])
def test_ticks_are_round_and_a_handful(low: float, high: float) -> None:
    found = ticks(low, high)
    assert 3 <= len(found) <= 10
    assert all(low - 1e-9 <= tick <= high + 1e-9 for tick in found)
    steps = {round(b - a, 9) for a, b in pairwise(found)}
    assert len(steps) == 1
    lead = float(f"{steps.pop():e}".split("e")[0])
    assert lead in (1, 2, 5)

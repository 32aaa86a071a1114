"""Listing a valve or a set, and what the public sees of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.utils import timezone
from django.utils.html import escape

from grading.listings import publishing
from grading.metrology.quantities import Quantity
from grading.models import Calibration, MatchedSet, Policy, Shift, Tester
from grading.papers.certificates import certificate_data, valve_certificate_data
from grading.sets import making
from grading.testers import studies
from stockroom.models import Allocation, Customer, Listing, Order, Return, Valve
from stockroom.pure.written import day
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded, graded_all, make_policy, make_type, make_user, make_valve, make_valves
from tests.instruments import READINGS, calibrated, described, filled, owner, planned, shift_at

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("sal", Role.SALES)


@pytest.fixture
def pair(by: User) -> list[Valve]:
    valves = make_valves(make_type(), 2)
    graded_all([(valve, 1.2, gm) for valve, gm in zip(valves, (1.60, 1.62), strict=True)])
    making.make_set(valves, 5, by)
    return list(Valve.objects.all())


def a_known_tester() -> Shift:
    """On a tester of which everything is known that a ± needs, calibrated with a certificate."""
    tester = calibrated(described())
    Calibration.objects.update(by="Gauge House", certificate_number="GH/77")
    for quantity in (Quantity.ANODE_CURRENT, Quantity.GM):
        studies.finish(filled(planned(tester, quantity=quantity), READINGS), owner())
    return shift_at(Tester.objects.get(pk=tester.pk))


def publish(valves: list[Valve], by: User) -> Listing:
    return publishing.publish(valves, "A fine thing", "As found.", Decimal("48.00"), "GBP", by)


def test_a_listed_valve_moves_to_listed_and_back_when_it_ends(by: User) -> None:
    valve = make_valve(make_type())
    graded(valve)
    made = publish([valve], by)
    valve.refresh_from_db()
    assert valve.state == State.LISTED
    publishing.end(made, by)
    valve.refresh_from_db()
    assert valve.state == State.GRADED
    with pytest.raises(publishing.CannotList, match="ended already"):
        publishing.end(made, by)


def test_the_public_reads_price_readings_and_spread_without_a_login(pair: list[Valve], by: User) -> None:
    made = publish(pair, by)
    page = Client().get(made.get_absolute_url()).content.decode()
    assert "48.00" in page and "1.62" in page and "How closely they match" in page and "Caution" in page
    assert made.title in Client().get("/for-sale/").content.decode()


def test_the_sections_of_a_valve_stand_in_their_order_whichever_was_read_first(by: User) -> None:
    valve = make_valve(make_type())
    graded(valve)
    laid = Client().get(publish([valve], by).get_absolute_url()).context["readings"]
    section = laid.heads.index("n:Section")
    assert [(row.cells[0].text, row.cells[section].text) for row in laid.rows] == [(valve.serial, 1), ("", 2)]


def test_readings_and_spread_of_a_set_are_those_of_its_certificate_whatever_has_been_read_since(
    pair: list[Valve], by: User
) -> None:
    made = publish(pair, by)
    graded(pair[1], ia=1.2, gm=1.58, taken_at=timezone.now() + timedelta(days=1))
    page = Client().get(made.get_absolute_url())
    data = certificate_data(MatchedSet.objects.get(), timezone.localdate())
    certified = [str(one.values[Quantity.GM]) for member in data.members for one in member.results]
    laid = page.context["readings"]
    gm = laid.heads.index(f"n:{Quantity.GM.column}")
    assert [row.cells[gm].text for row in laid.rows] == certified and set(certified) == {"1.6", "1.62"}
    assert [one.spread for one in page.context["spreads"]] == [one.spread for one in data.spreads]
    note = f"{pair[1]} was read again on"
    assert note in page.content.decode() and any(said.startswith(note) for said in data.notes)


def test_the_public_reads_what_was_found_besides_emission_why_it_is_graded_so_and_what_was_not_tested(
    by: User,
) -> None:
    valve = make_valve(make_type())
    graded(valve, noise="noisy", grid_current_ua=-0.2)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    Return.objects.create(
        valve=valve, order=order, complaint="noise", reason="ask for Ada", by=by, at=timezone.now() - timedelta(days=9)
    )
    page = Client().get(publish([valve], by).get_absolute_url()).content.decode()
    assert Quantity.GRID_CURRENT.column in page and "−0.2" in page and "<td>noisy</td>" in page
    assert "section 1: noise is noisy; Good allows slight" in page
    assert f"Not tested on {valve}: heater-cathode leakage." in page
    back = valve.returns.get()
    told = f"{valve}: sold before, and came back on {day(timezone.localdate(back.at))}: noise, hum or microphony."
    assert told in page and told in publishing.describe([valve]) and back.reason not in page


def test_the_public_reads_the_decision_rule_its_limits_the_risk_and_whose_certificate_it_traces_to(by: User) -> None:
    shift = a_known_tester()
    valve = make_valve(make_type())
    graded(valve, shift=shift, taken_at=timezone.now())
    page = Client().get(publish([valve], by).get_absolute_url())
    said = {row.label: row.text for row in page.context["stated"]}
    assert said["Decision rule"].startswith("A limit is met when the risk is 5 % at most")
    assert said["Limits"].startswith("Excellent: anode current 80 to 125 % of nominal,")
    assert "gm 90 % of nominal or more" in said["Limits"] and "noise quiet" in said["Limits"]
    assert said["Risk"].startswith("For each limit the risk is 5 % at most that it is not truly met. By these readings")
    assert "coverage factor" in said["The ± rests on"] and "Ia: a display that moves in" in said["The ± rests on"]
    assert "by Gauge House, certificate GH/77" in said["Traceability"]
    text = page.content.decode()
    assert all(escape(text_of) in text for text_of in said.values())
    assert f'href="{Policy.current().get_absolute_url()}"' in text
    assert "Gauge House" in " ".join(row.text for row in valve_certificate_data(valve, timezone.localdate()).said)


def test_a_tester_that_nobody_calibrated_is_said_to_trace_to_no_standard(by: User) -> None:
    valve = make_valve(make_type())
    graded(valve)
    said = {row.label: row.text for row in Client().get(publish([valve], by).get_absolute_url()).context["stated"]}
    assert "traces to no standard" in said["Traceability"].replace("trace to", "traces to")
    assert "The ± rests on" not in said and said["Not stated"].startswith("No ± is stated where something is wanting")
    assert f"No probability is stated for {valve}." in said["Risk"]


def test_every_version_of_the_policy_has_a_public_page(by: User) -> None:
    make_valve(make_type())
    policy = make_policy()
    page = Client().get(policy.get_absolute_url())
    assert page.status_code == 200 and "is met when the risk is 5 % at most" in page.content.decode()
    assert Client().get("/policy/").status_code == 302, "the list of versions is the shop's own"


def test_a_listed_valve_that_reads_unfit_leaves_the_public_list_at_once(by: User) -> None:
    valve = make_valve(make_type())
    graded(valve)
    made = publish([valve], by)
    graded(valve, gm=0.2, taken_at=timezone.now() + timedelta(days=1))
    made.refresh_from_db()
    assert made.ended_because == f"{valve} has no grade now that may be sold"
    assert made.title not in Client().get("/for-sale/").content.decode()


def test_what_is_set_aside_is_no_longer_offered_but_its_page_stays(pair: list[Valve], by: User) -> None:
    made = publish(pair, by)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    line = order.lines.create(type=make_type(), set_size=2)
    Allocation.objects.create(order_line=line, item=1, valve=pair[0])
    assert made.title not in Client().get("/for-sale/").content.decode()
    assert "no longer available" in Client().get(made.get_absolute_url()).content.decode()


def test_an_untested_valve_and_half_a_set_cannot_be_listed(pair: list[Valve], by: User) -> None:
    with pytest.raises(publishing.CannotList, match="only graded or matched"):
        publish([make_valve(make_type())], by)
    with pytest.raises(publishing.CannotList, match="one whole set"):
        publish(pair[:1], by)


def test_an_unfit_valve_cannot_be_listed(by: User) -> None:
    valve = make_valve(make_type())
    graded(valve, gm=0.2)
    with pytest.raises(publishing.CannotList, match="no grade that may be sold"):
        publish([valve], by)


def test_the_description_starts_from_the_records_and_no_more(pair: list[Valve]) -> None:
    assert publishing.describe(pair).startswith("Bought in as: NOS boxed. Graded Excellent on our own bench.")
    assert publishing.title(pair) == "12AX7 matched pair"


def test_listing_through_the_page_keeps_what_was_typed_when_the_price_is_missing(
    pair: list[Valve], logged_in: Callable[..., Client]
) -> None:
    client = logged_in(Role.SALES)
    address = f"/listings/new/?set={pair[0].memberships.get().set.number}"
    page = client.post(address, {"title": "Kept", "text": "Kept too", "price": "", "currency": "GBP"}).content.decode()
    assert "Kept too" in page and not Listing.objects.exists()
    assert client.post(address, {"title": "T", "text": "", "price": "-1", "currency": "GBP"}).status_code == 200
    assert client.post(address, {"title": "T", "text": "", "price": "50", "currency": "GBP"}).status_code == 302
    assert Listing.objects.get().listed.count() == 2


def test_an_unknown_currency_is_refused(pair: list[Valve], logged_in: Callable[..., Client]) -> None:
    address = f"/listings/new/?set={pair[0].memberships.get().set.number}"
    page = logged_in(Role.SALES).post(address, {"title": "T", "text": "", "price": "5", "currency": "QQQ"})
    assert "is not a currency code" in page.content.decode()

"""What the glass says goes on every paper, with the type beside it where that is another name."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from decimal import Decimal

import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.urls import reverse

from grading.listings import publishing
from grading.papers.certificates import certificate_data, valve_certificate_data
from grading.papers.labels import labels_for
from grading.sets import making
from stockroom.models import Line, Shop, Valve
from stockroom.money import invoicing
from stockroom.site.people import Role
from tests.factories import graded_all, make_line, make_type, make_user, make_valves
from tests.orders.test_filling_an_order import fill, order_for
from tests.pdfs import read_pdf

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("ola", Role.OWNER)


@pytest.fixture
def pair() -> list[Valve]:
    line: Line = make_line(make_type("12AX7"), 2, as_marked="ECC83")
    valves = make_valves(line=line, count=2, as_marked="ECC83")
    graded_all([(valve, 1.2, 1.6) for valve in valves])
    return list(Valve.objects.filter(line=line).order_by("serial"))


def test_the_certificate_of_a_valve_and_of_a_set_says_what_the_glass_says(by: User, pair: list[Valve]) -> None:
    assert valve_certificate_data(pair[0], date(2026, 3, 2)).type == "ECC83 (12AX7)"
    made = making.make_set(pair, 5, by)
    assert certificate_data(made, date(2026, 3, 2)).type == "ECC83 (12AX7)"


def test_a_set_of_several_names_is_called_by_its_type_and_each_name_is_told(by: User, pair: list[Valve]) -> None:
    Valve.objects.filter(pk=pair[1].pk).update(as_marked="CV4004")
    data = certificate_data(making.make_set(pair, 5, by), date(2026, 3, 2))
    said = f"Marked on the glass: {pair[0].serial} ECC83, {pair[1].serial} CV4004."
    assert data.type == "12AX7" and data.notes[0] == said
    assert publishing.title(list(Valve.objects.filter(pk__in=[one.pk for one in pair]))) == "12AX7 matched pair"


def test_label_listing_order_packing_slip_and_invoice_say_it_too(
    by: User, pair: list[Valve], logged_in: Callable[..., Client]
) -> None:
    assert {one.type for one in labels_for(pair, Shop.own())} == {"ECC83"}
    assert publishing.title(pair) == "ECC83 (12AX7) matched pair"
    line = order_for(set_size=1, max_spread_percent=None, quantity=2, unit_price=Decimal("30"))
    order = fill(line, by)
    client = logged_in(Role.SALES)
    assert "ECC83" in client.get(order.get_absolute_url()).content.decode()
    slip = " ".join(read_pdf(client.get(reverse("packing-slip-pdf", args=[order.number])).content))
    assert f"{pair[0].serial} (ECC83)" in " ".join(slip.split())
    assert [one.what for one in invoicing.sums_of(order).lines] == [f"{line.asked}, marked ECC83"]

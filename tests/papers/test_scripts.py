"""Names in any script: on every paper they print, or the paper is refused with the reason; never an empty box."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from grading.sealed import deciding
from grading.sets import making
from stockroom.claims import claiming
from stockroom.models import (
    Allocation,
    Charge,
    Customer,
    Line,
    Lot,
    Order,
    Packing,
    SamplingPlan,
    SealedDecision,
    Shop,
    Supplier,
    Valve,
)
from stockroom.receiving import booking
from stockroom.sealed import plans
from stockroom.sealed.plans import Iso, Terms
from stockroom.sealed.pure.sampling import InspectionLevel
from stockroom.site.people import Role
from tests.factories import graded, graded_all, make_line, make_type, make_user, make_valve, make_valves
from tests.pdfs import read_pdf

pytestmark = pytest.mark.django_db

STRANGE = ("北京电子管厂", "真空管の店", "서울진공관", "شركة الصمامات", "חברת השפופרות")


def the_certificate_of_a_set(client: Client, name: str) -> str:
    shop(name)
    valves = make_valves(make_type(), 2)
    graded_all([(valve, 1.2, 1.6) for valve in valves])
    made = making.make_set(list(Valve.objects.filter(pk__in=[valve.pk for valve in valves])), 5, make_user())
    return reverse("certificate", args=[made.number])


def the_certificate_of_a_valve(client: Client, name: str) -> str:
    shop(name)
    valve = make_valve(make_type())
    graded(valve)
    return reverse("valve-certificate", args=[valve.serial])


def the_labels(client: Client, name: str) -> str:
    shop(name)
    return f"{reverse('labels')}?stock=57x32&serials={make_valve(make_type()).serial}"


def the_pick_list(client: Client, name: str) -> str:
    valve = make_valve(make_type())
    graded(valve)
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name=name))
    line = order.lines.create(type=valve.type)
    Allocation.objects.create(order_line=line, item=1, valve=valve)
    return reverse("pick-list-pdf", args=[order.number])


def the_claim(client: Client, name: str) -> str:
    charge = Charge(kind="goods", amount=Decimal(100), currency="GBP", rate=Decimal(1))
    lot = booking.book_in(Lot(supplier=Supplier(name=name)), [charge], None)
    booking.add_lines(lot, [Line(type=make_type(), condition="nos-boxed", expected=10, counted=4)], None)
    return reverse("claim-pdf", args=[claiming.make_claim(lot, "", "", None).number])


def a_sealed_plan(name: str) -> SamplingPlan:
    line = make_line(make_type(), 50, condition=Line.Condition.SEALED)
    plans.describe(line, Packing(carton_size=10, contract_marks=name), None)
    plans.label_packs(line, None)
    return plans.make_plan(line, Iso(InspectionLevel.II, Decimal("4.0")), Terms(), None)


def the_draw_list(client: Client, name: str) -> str:
    line = a_sealed_plan(name).line
    return reverse("sealed-draw-list", args=[line.lot.number, line.number])


def the_statement(client: Client, name: str) -> str:
    plan = a_sealed_plan(name)
    graded_all([(pack.valve, 1.2, 1.6) for pack in plans.open_packs(plan, plan.sample_size, None)])
    deciding.decide(plan, SealedDecision.Action.ACCEPT, "", None)
    return reverse("sealed-statement", args=[plan.line.lot.number, plan.line.number])


def shop(name: str) -> None:
    Shop.objects.update_or_create(pk=1, defaults={"name": name})


PAPERS = (
    the_certificate_of_a_set,
    the_certificate_of_a_valve,
    the_labels,
    the_pick_list,
    the_claim,
    the_draw_list,
    the_statement,
)


@pytest.mark.parametrize("paper", PAPERS, ids=lambda paper: paper.__name__)
def test_no_paper_shows_an_empty_box_for_a_name(paper: Callable[[Client, str], str], logged_in: Any) -> None:
    client = logged_in(Role.OWNER)
    answer = client.get(paper(client, "真空管の店 <Ωmega> 6П1П-ЕВ"))
    assert answer.status_code == 422 and "cannot be printed" in answer.content.decode()
    assert "Nothing was changed" in answer.content.decode()


@pytest.mark.parametrize("name", STRANGE)
def test_a_name_that_the_papers_cannot_write_is_refused_by_its_letters(name: str, logged_in: Any) -> None:
    client = logged_in(Role.OWNER)
    answer = client.get(the_pick_list(client, name))
    assert answer.status_code == 422 and name[0] in answer.content.decode()


def test_spaces_and_hyphens_of_every_kind_and_other_alphabets_print(logged_in: Any) -> None:
    client = logged_in(Role.OWNER)
    answer = client.get(the_pick_list(client, "Ünïcödé\u2009Ωmega 6П1П\u2011ЕВ soft\u00adhyphen\ttab"))
    (text,) = read_pdf(answer.content)
    assert "Ünïcödé Ωmega 6П1П" in text and "softhyphen tab" in text

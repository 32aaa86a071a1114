"""What the page of an order says of its lines, options and despatch."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from django.test import Client

from catalog.models import ValveType
from grading.models import Grade, Policy
from grading.orders import wishes
from grading.orders.candidates import OrderOption
from stockroom.models import Customer, Despatch, Order, OrderLine, Place, Valve
from stockroom.money import invoicing
from stockroom.site.people import Role


def line(**asked: object) -> OrderLine:
    return OrderLine(**{"type": ValveType(designation="EL84"), "set_size": 4, "max_spread_percent": 5.0, **asked})


@pytest.mark.django_db
def test_a_line_asks_for_grades_by_name(policy: Policy) -> None:
    assert wishes.asked(line(best_grades=2)) == "1 × matched quad EL84, Good or better, within 5 %"
    assert wishes.asked(line(best_grades=1)) == "1 × matched quad EL84, Excellent only, within 5 %"


@pytest.mark.django_db
def test_sealed_packs_are_asked_for_without_a_grade(policy: Policy) -> None:
    assert "or better" not in wishes.asked(line(sealed=True, max_spread_percent=None))


def test_an_option_names_each_place_once() -> None:
    shelf = Place(code="A1")
    valves = (Valve(place=shelf), Valve(place=shelf), Valve())
    assert OrderOption(valves, (), None, None).places == "A1, –"


def test_a_despatch_says_when_by_whom_and_under_which_number() -> None:
    at = datetime(2024, 4, 5, 12, 7, tzinfo=UTC)
    assert Despatch(at=at).in_words == "Sent 5 Apr 2024, 13:07."
    assert Despatch(at=at, carrier="Post", tracking="X1").in_words == "Sent 5 Apr 2024, 13:07 by Post, X1."


def test_a_grade_says_how_often_to_read_again_and_never_claims_certainty() -> None:
    again = Grade(more_readings=1, measured=[{"readings": 2}]).read_again
    assert again.endswith("read it again, 1 more time in the same shift, or 3 times in a later one.")
    assert Grade(more_readings=None).read_again.endswith("and reading it again would not settle it.")
    assert "99.2" in Grade(assurance=0.992).how_well_known
    assert "100" not in Grade(assurance=0.99999).how_well_known


@pytest.mark.django_db
def test_a_line_says_the_name_it_was_asked_for_by_beside_the_type(
    logged_in: Callable[..., Client], reference: None
) -> None:
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    client, address = logged_in(Role.SALES), order.get_absolute_url()
    entered = {"set_size": "1", "quantity": "2", "sealed": "", "best_grades": "2", "unit_price": "5"}
    for name in ("ecc83", "12AX7"):
        client.post(address, {**entered, "type": name})
    said = ["2 × single ECC83 (12AX7)", "2 × single 12AX7"]
    assert [str(one) for one in order.lines.order_by("id")] == said
    assert f"{said[0]}, Good or better" in client.get(address).content.decode()
    assert [one.what.partition(",")[0] for one in invoicing.sums_of(order).lines] == said

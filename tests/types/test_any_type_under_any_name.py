"""A carton of a type that the shop has never heard of: from the spreadsheet to the shelf, and sold untested."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from catalog.models import Ratings, ValveType
from grading.listings import publishing
from grading.listings.untested import never_graded
from grading.models import Grade, Reading
from grading.verdicts import judging
from stockroom.models import Allocation, Customer, Entry, Line, Order, Valve
from stockroom.site.people import Role
from tests.factories import (
    graded,
    make_lot,
    make_policy,
    make_shift,
    make_tester,
    make_type,
    make_user,
    make_valve,
    read_all,
    source,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner(logged_in: Callable[..., Client]) -> Client:
    return logged_in(Role.OWNER)


def test_a_type_without_a_nominal_is_read_and_kept_ungraded(owner: Client, logged_in: Callable[..., Client]) -> None:
    source()
    make_policy()
    owner.post(reverse("type-new"), {"designation": "PCC88", "heater": "7 V 0.3 A", "base": "B9A"})
    valve = _valve("PCC88")
    bench = logged_in(Role.BENCH)
    shift = make_shift(bench.get("/").wsgi_request.user, make_tester())
    page = bench.get(f"{reverse('bench')}?serial={valve.serial}").content.decode()
    assert "no test point is on file" in page and reverse("type-settings", args=["PCC88"]) in page
    settings = {"kind": "triode", "sections": 2, "anode_voltage_v": 90, "grid_voltage_v": "-1.3"}
    bench.post(reverse("type-settings", args=["PCC88"]), settings)
    typed = {"serial": valve.serial, "s1-anode_current": "14", "s2-anode_current": "15"}
    saved = bench.post(reverse("bench"), typed)
    assert saved.status_code == 302, saved.content.decode()[-3000:]
    assert Reading.objects.filter(valve=valve, shift=shift).count() == 2
    assert not Grade.objects.exists()
    assert "no nominal" in bench.get(valve.get_absolute_url()).content.decode()


def test_a_mixers_figures_under_its_oscillator_are_shown_and_grade_nothing(owner: Client) -> None:
    mixing = {"name": "mixing", "anode_voltage_v": 250, "grid_voltage_v": -2, "anode_current_ma": 3.0}
    type_ = make_type("X1", kind="heptode", sections=1, points=[{**mixing, "conversion_conductance_ma_per_v": 0.45}])
    Ratings.objects.create(section=type_.sections.get(), source=source())
    valve = make_valve(type_)
    read_all([(valve, 3.0, None)])
    assert not judging.grade([valve], make_policy(), None)
    page = owner.get(reverse("type", args=["X1"])).content.decode()
    assert "Conversion conductance gc" in page and "No nominal that a bench could read" in page
    assert "no nominal" in owner.get(valve.get_absolute_url()).content.decode()
    assert valve in never_graded()


def _valve(name: str) -> Valve:
    return make_valve(ValveType.objects.named(name).get())


def test_whoever_receives_enters_a_type_on_the_line_without_losing_what_was_typed(
    logged_in: Callable[..., Client],
) -> None:
    source()
    receiver, lot = logged_in(Role.RECEIVING), make_lot()
    typed = {"type": "UCL83", "condition": "used", "expected": "4", "weight": "1"}
    refused = receiver.post(reverse("line-new", args=[lot.number]), typed).content.decode()
    assert (
        "No valve type is called “UCL83”" in refused and "enter it as a new type" in refused and 'value="4"' in refused
    )
    receiver.post(reverse("line-new", args=[lot.number]), {**typed, "new_type": "on"})
    assert str(lot.lines.get().type) == "UCL83"
    assert Entry.objects.filter(action="type-entered").exists()


def test_a_name_that_is_none_makes_no_type(owner: Client) -> None:
    source()
    page = owner.post(reverse("type-new"), {"designation": "---"}).content.decode()
    assert "is no name of a type" in page and not ValveType.objects.exists()


def test_selling_untested_ends_with_a_grade(owner: Client) -> None:
    valve = make_valve(make_type())
    made = publishing.publish([valve], "12AX7", "", 5, "GBP", make_user("sal", Role.SALES))
    assert made.text.startswith("Sold untested")
    graded(valve)
    made.refresh_from_db()
    assert made.ended_at and "has been graded" in made.ended_because


def test_a_graded_valve_is_not_sent_as_untested(owner: Client) -> None:
    valve = make_valve(make_type())
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"), state="pulled")
    line = order.lines.create(type=valve.type, untested=True)
    Allocation.objects.create(order_line=line, item=1, valve=valve)
    graded(valve)
    owner.post(reverse("order-despatch", args=[order.number]), {"unchecked": "no scanner today"})
    valve.refresh_from_db()
    assert valve.state == "graded"


def test_an_untested_line_asks_for_singles(owner: Client) -> None:
    make_type()
    make_policy()
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    typed = {"type": "12AX7", "set_size": 2, "quantity": 1, "sealed": "untested", "best_grades": 2}
    page = owner.post(order.get_absolute_url(), typed).content.decode()
    assert "one by one" in page and not order.lines.exists()


def test_lines_that_are_not_identified_say_so(logged_in: Callable[..., Client]) -> None:
    receiver, lot = logged_in(Role.RECEIVING), make_lot()
    receiver.post(
        reverse("line-new", args=[lot.number]), {"type": "?", "condition": "used", "expected": "40", "weight": "1"}
    )
    line = Line.objects.get()
    assert not line.type.is_identified
    assert "not identified" in receiver.get(lot.get_absolute_url()).content.decode()

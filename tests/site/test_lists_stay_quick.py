"""However many rows there are, a list asks the database as often as for a few."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest
from django.contrib.auth.models import User
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from catalog.models import ValveType
from grading.models import Grade, MatchedSet, Member, Reading, Shift
from stockroom.models import (
    Allocation,
    Charge,
    Customer,
    Entry,
    ListedValve,
    Listing,
    Lot,
    Maker,
    Movement,
    Order,
    Place,
    Supplier,
    Valve,
)
from stockroom.site.people import Role
from stockroom.site.web import ROWS
from stockroom.states import State
from tests import factories

pytestmark = pytest.mark.django_db

LISTS = [
    "lots",
    "valves",
    "sets",
    "orders",
    "listings",
    "for-sale",
    "types",
    "daybook",
    "suppliers",
    "customers",
    "places",
    "makers",
    "people",
    "testers",
    "home",
]


class World:
    """One of everything; `grow` adds so many more of everything, each with its own neighbours."""

    def __init__(self) -> None:
        self.policy = factories.make_policy()
        self.by = factories.make_user("olive", Role.OWNER)
        self.supplier = Supplier.objects.create(name="Harrowmere Surplus")
        self.maker = Maker.objects.create(name="Marrowby")
        self.place = Place.objects.create(code="Z9")
        self.customer = Customer.objects.create(name="Ada Quill")
        self.lot = Lot.objects.create(number="L9000", supplier=self.supplier)
        self.size = 0
        self.grow(2)

    def grow(self, count: int) -> None:
        for number in range(self.size, self.size + count):
            self._one_more_of_everything(number)
        self.size += count

    def _one_more_of_everything(self, number: int) -> None:
        type = factories.make_type(f"6X{number}")
        supplier = Supplier.objects.create(name=f"Supplier {number}")
        maker = Maker.objects.create(name=f"Maker {number}")
        place = Place.objects.create(code=f"P{number}")
        customer = Customer.objects.create(name=f"Customer {number}")
        User.objects.create_user(f"person{number}")
        shift = factories.make_shift(self.by, factories.make_tester(f"Tester {number}"))
        lot = Lot.objects.create(number=f"L{number:04}", supplier=supplier)
        Charge.objects.create(lot=lot, kind=Charge.Kind.GOODS, amount=Decimal(100), currency="GBP")
        valves = self._line(lot, type, maker, place)
        for valve in valves:
            self._graded(valve, type, shift)
        first, second, third, fourth = valves
        self._set(type, number, first, second)
        listing = Listing.objects.create(number=f"A{number:05}", title="One", price=Decimal(20), currency="GBP")
        ListedValve.objects.create(listing=listing, valve=third)
        order = Order.objects.create(number=f"R{number:04}", customer=customer)
        line = order.lines.create(type=type, set_size=1)
        Allocation.objects.create(order_line=line, item=1, valve=fourth)
        Order.objects.create(number=f"R9{number:03}", customer=self.customer)
        Movement.objects.create(valve=first, from_place=self.place, to_place=place, by=self.by)
        Entry.objects.create(by=self.by, action="noted", text="Noted", lot=lot, valve=first, order=order)
        self._line(self.lot, type, self.maker, self.place)
        Lot.objects.create(number=f"L8{number:03}", supplier=self.supplier)

    def _line(self, lot: Lot, type: ValveType, maker: Maker, place: Place) -> list[Valve]:
        line = factories.make_line(type, 6, lot=lot, maker=maker, place=place)
        return factories.make_valves(type, 4, line=line, maker=maker, place=place, state=State.GRADED)

    def _graded(self, valve: Valve, type: ValveType, shift: Shift) -> None:
        readings = Reading.objects.bulk_create(
            [
                Reading(
                    valve=valve,
                    section=section.number,
                    test_point=section.test_point,
                    shift=shift,
                    anode_current_ma=1.2,
                    gm_ma_per_v=1.6,
                )
                for section in type.test_sections
            ]
        )
        grade = Grade.objects.create(valve=valve, policy=self.policy, name="Good", rank=2, saleable=True)
        grade.readings.set(readings)

    def _set(self, type: ValveType, number: int, *valves: Valve) -> None:
        made = MatchedSet.objects.create(
            number=f"S{number:05}",
            type=type,
            size=len(valves),
            tolerance_percent=5,
            policy=self.policy,
            made_at=timezone.now(),
        )
        for position, valve in enumerate(valves, 1):
            Member.objects.create(set=made, valve=valve, grade=valve.grades.get(), position=position)


@pytest.fixture
def world() -> World:
    return World()


Asked = Callable[[str], list[str]]


@pytest.fixture
def asked(world: World) -> Asked:
    """The statements that answering an address takes."""
    client = Client()
    client.force_login(world.by)

    def answer(address: str) -> list[str]:
        with CaptureQueriesContext(connection) as queries:
            assert client.get(address).status_code == 200, address
        return [query["sql"] for query in queries]

    return answer


def refuse_growth(world: World, asked: Asked, addresses: list[str]) -> None:
    before = {address: asked(address) for address in addresses}
    world.grow(ROWS + 10)
    for address, few in before.items():
        many = asked(address)
        more = [statement for statement in many if many.count(statement) > few.count(statement)]
        assert len(many) <= len(few), f"{address} asks {len(many)} times instead of {len(few)}:\n" + "\n".join(more[:5])


def test_no_list_asks_more_often_for_more_rows(world: World, asked: Asked) -> None:
    refuse_growth(world, asked, [reverse(name) for name in LISTS])


def test_no_filtered_list_asks_more_often_for_more_rows(world: World, asked: Asked) -> None:
    refuse_growth(
        world,
        asked,
        [
            reverse("lots") + "?state=graded&type=6X1",
            reverse("valves") + "?state=graded&grade=Good",
            reverse("sets") + "?status=live",
            reverse("orders") + "?state=open",
            reverse("listings") + "?status=live",
            reverse("types") + "?name=6X",
            reverse("daybook") + "?text=noted",
        ],
    )


def test_no_page_of_one_thing_asks_more_often_when_it_has_more_rows(world: World, asked: Asked) -> None:
    refuse_growth(
        world,
        asked,
        [
            reverse("lot", args=[world.lot.number]),
            reverse("supplier", args=[world.supplier.pk]),
            reverse("maker", args=[world.maker.pk]),
            reverse("place", args=[world.place.pk]),
            reverse("customer", args=[world.customer.pk]),
        ],
    )


def test_a_list_shows_one_page_of_its_rows_and_the_way_to_the_others(world: World) -> None:
    world.grow(ROWS + 10)
    client = Client()
    client.force_login(world.by)
    for name in ("lots", "valves", "sets", "orders", "listings", "types", "suppliers", "customers", "places", "makers"):
        first, last = client.get(reverse(name)), client.get(reverse(name) + "?page=999")
        assert len(first.context["page"].object_list) == ROWS, name
        assert 'rel="next"' in first.content.decode() and 'rel="prev"' in last.content.decode(), name


@pytest.mark.parametrize("name", ["lots", "valves", "sets", "orders", "listings", "types", "daybook", "for-sale"])
def test_a_page_number_that_is_none_shows_the_nearest_page(world: World, asked: Asked, name: str) -> None:
    for number in ("0", "-3", "999", "two"):
        asked(f"{reverse(name)}?page={number}")

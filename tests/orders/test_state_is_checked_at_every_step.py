"""A page was open before somebody else changed the goods: what it sends is judged by the goods as they are now."""

from __future__ import annotations

from decimal import Decimal
from io import StringIO

import pytest
from django.contrib.auth.models import User
from django.core.management import CommandError, call_command
from django.db import IntegrityError, transaction

from grading.listings import publishing
from grading.models import MatchedSet
from grading.orders import candidates, fulfilment, taking
from grading.orders.fulfilment import CannotPull
from grading.sets import accepting, making
from grading.valves.rules import broken_rules
from stockroom.models import Allocation, Customer, ListedValve, Listing, Order, OrderLine, Valve
from stockroom.places import moving, write_offs
from stockroom.site.people import Role
from tests.factories import graded, graded_all, make_place, make_type, make_user, make_valve, make_valves

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("sal", Role.SALES)


def an_order(**line: object) -> OrderLine:
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    return order.lines.create(type=make_type(), **{"set_size": 1, "best_grades": 3, **line})


def a_graded_valve() -> Valve:
    valve = make_valve()
    graded(valve)
    return valve


def list_it(valve: Valve, by: User) -> Listing:
    return publishing.publish([valve], "One", "", Decimal(5), "GBP", by)


def write_off_behind_its_back(valve: Valve) -> None:
    """As a program would that knows none of our services, on rows of a time before the database refused it."""
    from grading.valves import guards

    guards.take_down()
    if guards.connections["default"].vendor == "postgresql":
        with guards.connections["default"].cursor() as cursor:
            cursor.execute("DROP TRIGGER valve_is_not_promised ON stockroom_valve")
    Valve.objects.filter(pk=valve.pk).update(written_off="Broken", state="written off")
    guards.put_up()


# Set aside, pull, send, list, match


def test_a_valve_written_off_since_the_page_was_opened_is_not_set_aside(by: User) -> None:
    valve, line = a_graded_valve(), an_order()
    offered = candidates.options(line)[0].valves
    write_offs.write_off(valve, "Broken", by)
    with pytest.raises(CannotPull, match="is written off: only a graded valve can be set aside"):
        fulfilment.accept(line, offered, by)
    assert not Allocation.objects.exists()


def test_what_is_set_aside_and_broken_nevertheless_is_neither_pulled_nor_sent(by: User) -> None:
    first, second = a_graded_valve(), a_graded_valve()
    line = an_order(quantity=2)
    for valve in (first, second):
        fulfilment.accept(line, [valve], by)
    order = line.order
    fulfilment.pull(order, first, by)
    write_off_behind_its_back(second)
    with pytest.raises(CannotPull, match="is written off: it is not here to be sent"):
        fulfilment.pull(order, second, by)
    Valve.objects.filter(pk=second.pk).update(written_off="", state="graded")
    fulfilment.pull(order, second, by)
    write_off_behind_its_back(first)
    with pytest.raises(CannotPull, match="is written off: it is not here to be sent"):
        fulfilment.despatch(order, "", "", by)


def test_a_valve_that_has_left_is_neither_set_aside_nor_listed_nor_matched_nor_moved(by: User) -> None:
    valve, other = make_valves(make_type(), 2)
    graded_all([(valve, 1.2, 1.6), (other, 1.2, 1.6)])
    stale = Valve.objects.get(pk=valve.pk)
    write_offs.write_off(valve, "Broken", by)
    with pytest.raises(publishing.CannotList, match="is written off"):
        list_it(stale, by)
    with pytest.raises(making.CannotMatch, match="is written off"):
        making.make_set([stale, other], 20, by)
    with pytest.raises(moving.BadScans, match="is written off"):
        moving.move([stale], make_place("Z1"), by)
    with pytest.raises(write_offs.CannotWriteOff, match="is written off already"):
        write_offs.write_off(stale, "Again", by)


def test_a_valve_put_in_a_set_since_the_page_was_opened_is_not_listed_alone(by: User) -> None:
    valves = make_valves(make_type(), 2)
    graded_all([(valve, 1.2, 1.6) for valve in valves])
    stale = Valve.objects.get(pk=valves[0].pk)
    making.make_set(valves, 20, by)
    with pytest.raises(publishing.CannotList, match="one whole set"):
        list_it(stale, by)


def test_an_order_read_before_it_left_is_not_opened_again_by_a_line_or_a_return(by: User) -> None:
    valve, line = a_graded_valve(), an_order()
    fulfilment.accept(line, [valve], by)
    stale = Order.objects.get(pk=line.order_id)
    fulfilment.pull(stale, valve, by)
    fulfilment.despatch(stale, "", "", by)
    assert stale.state == Order.State.RESERVED  # the row in hand knows nothing of it
    with pytest.raises(CannotPull, match="despatched: no line can be added"):
        taking.add_line(stale, OrderLine(type=make_type()), by)
    with pytest.raises(CannotPull, match="despatched already"):
        fulfilment.cancel(stale, by)
    fulfilment.take_back(stale, valve, "noisy", by)
    assert Order.objects.get().state == Order.State.DESPATCHED
    with pytest.raises(CannotPull, match="did not go out"):
        fulfilment.take_back(stale, valve, "noisy again", by)


# What the database refuses by itself


@pytest.mark.parametrize("promise", ["order", "listing", "set"])
def test_the_database_promises_no_valve_that_is_written_off(promise: str, by: User) -> None:
    valve = a_graded_valve()
    line = an_order()
    write_offs.write_off(valve, "Broken", by)
    with pytest.raises(IntegrityError, match="written off is promised to nobody"), transaction.atomic():
        _promise(promise, valve, line)


@pytest.mark.parametrize("promise", ["order", "listing", "set"])
def test_the_database_writes_off_no_valve_that_is_promised(promise: str) -> None:
    valve = a_graded_valve()
    _promise(promise, valve, an_order())
    with pytest.raises(IntegrityError, match="that is promised is not written off"), transaction.atomic():
        Valve.objects.filter(pk=valve.pk).update(written_off="Broken")


def _promise(promise: str, valve: Valve, line: OrderLine) -> None:
    if promise == "order":
        Allocation.objects.create(order_line=line, item=1, valve=valve)
    elif promise == "listing":
        listing = Listing.objects.create(number="A00001", title="One", price=5, currency="GBP")
        ListedValve.objects.create(listing=listing, valve=valve)
    else:
        grade = valve.grades.get()
        made = MatchedSet.objects.create(number="S1", type=valve.type, size=1, tolerance_percent=5, policy=grade.policy)
        made.members.create(valve=valve, grade=grade, position=1)


# What check_states finds


def a_listed_pair(by: User) -> MatchedSet:
    valves = make_valves(make_type(), 2)
    graded_all([(valve, 1.2, 1.6) for valve in valves])
    made = making.make_set(valves, 20, by)
    publishing.publish(valves, "A pair", "", Decimal(5), "GBP", by)
    return made


def test_a_sound_shop_breaks_no_rule(by: User) -> None:
    a_listed_pair(by)
    valve, line = a_graded_valve(), an_order()
    fulfilment.accept(line, [valve], by)
    order = line.order
    fulfilment.pull(order, valve, by)
    fulfilment.despatch(order, "", "", by)
    assert list(broken_rules()) == []


def test_check_states_names_each_record_that_breaks_a_rule(by: User) -> None:
    made = a_listed_pair(by)
    alone = made.members.first()
    ListedValve.objects.exclude(valve=alone.valve).update(live=False)  # listed alone while in a live set
    assert any("offers part of a live set by itself" in said for said in broken_rules())
    out = StringIO()
    with pytest.raises(CommandError, match=r"rule|states"):
        call_command("check_states", stdout=out)
    assert "offers part of a live set by itself" in out.getvalue()
    ListedValve.objects.filter(valve=alone.valve).delete()
    ListedValve.objects.update(live=True)
    assert any("offers part of a live set by itself" in said for said in broken_rules())


def test_check_states_finds_what_is_written_off_and_promised(by: User) -> None:
    valve, line = a_graded_valve(), an_order()
    fulfilment.accept(line, [valve], by)
    write_off_behind_its_back(valve)
    (said,) = broken_rules()
    assert said == f"valve {valve} is written off and set aside for an order: release it there"


def test_check_states_finds_half_a_set_on_an_order(by: User) -> None:
    made = a_listed_pair(by)
    line = an_order(set_size=2)
    fulfilment.accept(line, [member.valve for member in made.members.all()], by)
    assert list(broken_rules()) == []
    Allocation.objects.order_by("pk").first().delete()
    assert list(broken_rules()) == [
        f"set {made.number} is partly on an order: put it back there, or set aside all of it"
    ]


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ("cancelled", "is cancelled, yet valves are set aside for it"),
        ("despatched", "is despatched, and what is written of its despatch says otherwise"),
        ("pulled", "is pulled, yet a valve of it was never pulled"),
    ],
)
def test_check_states_finds_an_order_whose_records_say_otherwise(state: str, said: str, by: User) -> None:
    valve, line = a_graded_valve(), an_order()
    fulfilment.accept(line, [valve], by)
    Order.objects.update(state=state)
    assert any(said in broken for broken in broken_rules())


def test_check_states_finds_members_and_listings_that_ended_and_count_still(by: User) -> None:
    made = a_listed_pair(by)
    MatchedSet.objects.update(broken_at=made.made_at)
    Listing.objects.update(ended_at=made.made_at)
    said = " ".join(broken_rules())
    assert "is broken up, yet a valve counts as its member" in said
    assert "has ended, yet a valve counts as listed on it" in said


def test_a_valve_set_aside_since_the_page_was_opened_joins_no_set(by: User) -> None:
    valves = make_valves(make_type(), 2)
    graded_all([(valve, 1.2, 1.6) for valve in valves])
    fulfilment.accept(an_order(), valves[:1], by)
    with pytest.raises(making.CannotMatch, match="is set aside for order R0001: it cannot join a set"):
        making.make_set(valves, 20, by)
    made = accepting.make_sets([([valve.pk for valve in valves], 20)], by)
    assert not made.made and "is set aside for order R0001" in made.troubles[0]

"""Taking an order, filling it from stock, pulling, sending, and taking back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.test import Client

from grading.models import MatchedSet
from grading.orders import candidates, fulfilment
from grading.sets import making
from stockroom.models import Allocation, Customer, Order, OrderLine, Place, Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import graded, graded_all, make_policy, make_type, make_user, make_valve, make_valves, read

pytestmark = pytest.mark.django_db


@pytest.fixture
def by() -> User:
    return make_user("sal", Role.SALES)


@pytest.fixture
def stock() -> list[Valve]:
    """Eight graded valves: two close quads."""
    valves = make_valves(make_type(), 8, place=Place.objects.create(code="B2"))
    gms = (1.60, 1.61, 1.62, 1.63, 1.75, 1.76, 1.77, 1.78)
    graded_all([(valve, 1.2, gm) for valve, gm in zip(valves, gms, strict=True)])
    return valves


def order_for(**line: Any) -> OrderLine:
    customer = Customer.objects.create(name="Ada Quill")
    order = Order.objects.create(number=f"R{Order.objects.count() + 1:04d}", customer=customer)
    return order.lines.create(type=make_type(), **{"set_size": 4, "max_spread_percent": 5, **line})


def fill(line: OrderLine, by: User) -> Order:
    for _ in range(line.quantity):
        fulfilment.accept(line, candidates.options(line)[0].valves, by)
    return Order.objects.get(pk=line.order_id)


def send(order: Order, by: User) -> Order:
    for valve in Valve.objects.filter(allocations__order_line__order=order, allocations__live=True):
        fulfilment.pull(order, valve, by)
    fulfilment.despatch(order, "Post", "AB1", by)
    return Order.objects.get(pk=order.pk)


def test_the_line_reads_as_a_person_would_say_it() -> None:
    assert order_for().asked == "1 × matched quad 12AX7, best 2 grades, within 5 %"
    assert order_for(set_size=1, max_spread_percent=None, best_grades=1).asked == "1 × single 12AX7, top grade"


def test_sets_that_stand_are_proposed_before_ones_that_would_be_made(stock: list[Valve], by: User) -> None:
    made = making.make_set(stock[4:], 5, by)
    options = candidates.options(order_for())
    assert [option.set for option in options] == [made, None]


def ready(line: OrderLine) -> list[tuple[MatchedSet, str]]:
    """The sets that stand already, as they are offered, each with the reason."""
    return [(option.set, option.why) for option in candidates.options(line) if option.set]


def test_of_sets_that_meet_a_loose_line_the_one_made_within_the_widest_goes_first(stock: list[Valve], by: User) -> None:
    tight = making.make_set(stock[:2], 1, by)
    loose = making.make_set([stock[2], stock[4]], 10, by)
    middle = making.make_set([stock[5], stock[7]], 5, by)
    line = order_for(set_size=2, max_spread_percent=10)
    assert ready(line) == [
        (loose, "Made within 10 %, the widest that meets the line."),
        (middle, "Made within 5 %."),
        (tight, "Made within 1 %."),
    ]
    assert ready(order_for(set_size=2, max_spread_percent=5))[0] == (
        middle,
        "Made within 5 %, the widest that meets the line.",
    )
    assert ready(order_for(set_size=2, max_spread_percent=None))[0] == (loose, "Made within 10 %, the widest there is.")


def test_of_sets_made_alike_the_one_of_the_lower_grade_goes_first(stock: list[Valve], by: User) -> None:
    better = making.make_set(stock[:2], 5, by)
    worn = make_valves(make_type(), 2)
    assert {graded(valve, ia=1.0, gm=1.3).rank for valve in worn} == {2}
    lower = making.make_set(worn, 5, by)
    assert better.members.exclude(grade__rank=1).count() == 0
    assert ready(order_for(set_size=2, best_grades=2)) == [
        (lower, "Made within 5 %, the widest that meets the line, and of the lower grade."),
        (better, "Made within 5 %."),
    ]
    assert [made for made, _ in ready(order_for(set_size=2, best_grades=1))] == [better]


def test_a_set_made_within_more_than_is_asked_but_reading_within_it_goes_last(stock: list[Valve], by: User) -> None:
    wide = making.make_set(stock[:2], 20, by)
    tight = making.make_set(stock[2:4], 1, by)
    assert ready(order_for(set_size=2, max_spread_percent=5)) == [
        (tight, "Made within 1 %, the widest that meets the line."),
        (wide, "Made within 20 %, yet it reads within 5 %."),
    ]


def candidates_of(line: OrderLine) -> str:
    return f"/orders/{line.order}/lines/{line.pk}/candidates/"


def test_the_candidates_page_says_why_the_first_set_is_first(
    stock: list[Valve], by: User, logged_in: Callable[..., Client]
) -> None:
    making.make_set(stock[:4], 5, by)
    page = logged_in(Role.SALES).get(candidates_of(order_for())).content.decode()
    assert "Made within 5 %, the widest that meets the line." in page


def test_accepting_sets_aside_and_the_order_is_reserved_when_all_is_there(stock: list[Valve], by: User) -> None:
    line = order_for(quantity=2)
    fulfilment.accept(line, candidates.options(line)[0].valves, by)
    line.order.refresh_from_db()
    assert line.order.state == Order.State.OPEN and fulfilment.missing(line) == 1
    fulfilment.accept(line, candidates.options(line)[0].valves, by)
    line.order.refresh_from_db()
    assert line.order.state == Order.State.RESERVED
    assert MatchedSet.objects.count() == 2 and Allocation.objects.filter(live=True).count() == 8


def test_a_set_made_wider_than_the_line_allows_is_not_proposed(stock: list[Valve], by: User) -> None:
    making.make_set([stock[0], stock[1], stock[4], stock[5]], 15, by)
    assert all(option.set is None for option in candidates.options(order_for(max_spread_percent=2)))


def test_what_is_set_aside_is_offered_to_nobody_else(stock: list[Valve], by: User) -> None:
    line, other = order_for(), order_for()
    taken = candidates.options(line)[0].valves
    fulfilment.accept(line, taken, by)
    offered = {valve.pk for option in candidates.options(other) for valve in option.valves}
    assert not offered & {valve.pk for valve in taken}
    with pytest.raises(fulfilment.CannotPull):
        fulfilment.accept(other, taken, by)


def test_a_valve_of_a_lower_grade_than_asked_is_refused(stock: list[Valve], by: User) -> None:
    weak = make_valve(make_type())
    graded(weak, ia=1.2, gm=1.3)
    with pytest.raises(fulfilment.CannotPull, match="not of the best 1 grades"):
        fulfilment.accept(order_for(set_size=1, best_grades=1), [weak], by)


def test_half_a_set_cannot_be_sold(stock: list[Valve], by: User) -> None:
    making.make_set(stock[:4], 5, by)
    with pytest.raises(fulfilment.CannotPull, match="not one whole set"):
        fulfilment.accept(order_for(set_size=2), stock[:2], by)
    with pytest.raises(fulfilment.CannotPull, match="break the set up before selling it alone"):
        fulfilment.accept(order_for(set_size=1), stock[:1], by)


def test_putting_an_item_back_opens_the_order_again(stock: list[Valve], by: User) -> None:
    line = order_for()
    order = fill(line, by)
    fulfilment.release(line, 1, by)
    order.refresh_from_db()
    assert order.state == Order.State.OPEN and not Allocation.objects.filter(live=True).exists()


def test_each_valve_is_scanned_off_its_shelf_before_the_parcel_can_leave(stock: list[Valve], by: User) -> None:
    order = fill(order_for(), by)
    with pytest.raises(fulfilment.CannotPull, match="scan every valve"):
        fulfilment.despatch(order, "", "", by)
    valves = list(Valve.objects.filter(allocations__live=True))
    assert [fulfilment.pull(order, valve, by) for valve in valves] == [3, 2, 1, 0]
    fulfilment.despatch(order, "Post", "AB1", by)
    assert set(Valve.objects.filter(pk__in=[v.pk for v in valves]).values_list("state", flat=True)) == {
        State.DESPATCHED
    }


def test_the_wrong_valve_is_caught_at_the_shelf(stock: list[Valve], by: User) -> None:
    order = fill(order_for(), by)
    stranger = next(valve for valve in stock if not valve.allocations.exists())
    with pytest.raises(fulfilment.CannotPull, match="Put it back on B2"):
        fulfilment.pull(order, stranger, by)
    right = Valve.objects.filter(allocations__live=True).first()
    assert right
    fulfilment.pull(order, right, by)
    with pytest.raises(fulfilment.CannotPull, match="has been pulled already"):
        fulfilment.pull(order, right, by)


def test_cancelling_frees_everything(stock: list[Valve], by: User) -> None:
    order = fill(order_for(), by)
    fulfilment.cancel(order, by)
    order.refresh_from_db()
    assert order.state == Order.State.CANCELLED and not Allocation.objects.filter(live=True).exists()
    with pytest.raises(fulfilment.CannotPull, match="cancelled already"):
        fulfilment.cancel(order, by)


def test_what_comes_back_waits_for_the_bench_and_its_set_is_no_more(stock: list[Valve], by: User) -> None:
    order = send(fill(order_for(), by), by)
    valve = Valve.objects.filter(allocations__order_line__order=order).first()
    assert valve
    fulfilment.take_back(order, valve, "hums", by)
    valve.refresh_from_db()
    assert valve.state == State.RECEIVED
    assert not valve.grades.filter(current=True).exists()
    broken = MatchedSet.objects.get(members__valve=valve)
    assert "came back" in broken.broken_because
    graded(valve, ia=1.1, gm=1.5)  # tested again
    assert valve.state == State.GRADED
    others = Valve.objects.filter(memberships__set=broken).exclude(pk=valve.pk)
    assert set(others.values_list("state", flat=True)) == {State.DESPATCHED}


def test_a_valve_that_never_went_out_cannot_come_back(stock: list[Valve], by: User) -> None:
    order = send(fill(order_for(), by), by)
    stranger = next(valve for valve in stock if not valve.allocations.exists())
    with pytest.raises(fulfilment.CannotPull, match="did not go out"):
        fulfilment.take_back(order, stranger, "?", by)


# Through the pages


def test_an_order_goes_from_the_first_page_to_the_parcel(stock: list[Valve], logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.SALES)
    client.post("/orders/new/", {"new_name": "Ada Quill", "currency": "GBP"})
    order = Order.objects.get()
    client.post(
        f"/orders/{order}/",
        {
            "type": "12AX7",
            "set_size": "4",
            "quantity": "1",
            "best_grades": "2",
            "max_spread_percent": "5",
            "unit_price": "120.00",
        },
    )
    line = order.lines.get()
    page = client.get(f"/orders/{order}/").content.decode()
    assert "1 × matched quad 12AX7, Good or better, within 5 %" in page and "new set" not in page
    page = client.post(f"/orders/{order}/lines/{line.pk}/propose/", follow=True).content.decode()
    assert "new set" in page
    option = candidates.options(line)[0]
    client.post(f"/orders/{order}/lines/{line.pk}/accept/", {"valves": option.key})
    for valve in option.valves:
        client.post(f"/orders/{order}/pull/", {"serial": valve.serial})
    for valve in option.valves:
        client.post(f"/orders/{order}/pack/", {"serial": valve.serial})
    client.post(f"/orders/{order}/despatch/", {"carrier": "Post"})
    order.refresh_from_db()
    assert order.state == Order.State.DESPATCHED and order.despatches.get().carrier == "Post"
    back = {"serial": option.valves[0].serial, "reason": "hums"}
    client.post(f"/orders/{order}/take-back/", back)
    assert not option.valves[0].returns.exists(), "the next buyer is told what was complained of"
    client.post(f"/orders/{order}/take-back/", {**back, "complaint": "noise"})
    assert option.valves[0].returns.get().reason == "hums"


def test_a_scan_that_is_no_serial_is_said_beside_the_field_and_kept(
    stock: list[Valve], by: User, logged_in: Callable[..., Client]
) -> None:
    order = fill(order_for(), by)
    page = logged_in(Role.SALES).post(f"/orders/{order}/pull/", {"serial": "1000x"}).content.decode()
    assert "is not a serial" in page and 'value="1000x"' in page


def test_an_order_needs_one_customer_known_or_new(logged_in: Callable[..., Client]) -> None:
    client = logged_in(Role.SALES)
    page = client.post("/orders/new/", {"currency": "GBP", "note": "keep me"}).content.decode()
    assert "one of the two" in page and "keep me" in page and not Order.objects.exists()


def test_an_unknown_type_on_a_line_keeps_the_rest_of_the_line(logged_in: Callable[..., Client]) -> None:
    make_policy()
    order = order_for().order
    page = (
        logged_in(Role.SALES)
        .post(
            f"/orders/{order}/",
            {
                "type": "12ZZ9",
                "set_size": "4",
                "quantity": "3",
                "best_grades": "2",
                "max_spread_percent": "7.5",
            },
        )
        .content.decode()
    )
    assert "No valve type is called “12ZZ9”" in page and 'value="7.5"' in page


def test_only_sales_adds_a_line(logged_in: Callable[..., Client]) -> None:
    order = order_for().order
    assert logged_in(Role.BENCH).post(f"/orders/{order}/", {"type": "12AX7"}).status_code == 403


def test_when_nothing_meets_the_line_the_page_says_what_to_do(logged_in: Callable[..., Client]) -> None:
    make_policy()
    read(make_valve(make_type()), ia=1.2, gm=1.6)
    page = logged_in(Role.SALES).get(candidates_of(order_for())).content.decode()
    assert "Nothing in stock meets this line" in page

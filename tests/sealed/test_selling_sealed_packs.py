"""Sealed packs on orders and listings: set aside, pulled, sent, returned; opened, overturned, sent back."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from html import unescape
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from grading.bench import readings
from grading.bench.entered import EnteredReading
from grading.listings import publishing
from grading.models import Quantity
from grading.orders import fulfilment, taking
from grading.orders.fulfilment import CannotPull
from grading.returns import deciding as deciding_on_returns
from grading.returns.deciding import VerdictWanted
from grading.sealed import deciding, listing, orders, results
from grading.sealed.results import PieceVerdict
from grading.testers import studies
from grading.valves import supplier_record
from stockroom.models import (
    Allocation,
    BrokenSeal,
    Charge,
    Counter,
    Customer,
    Entry,
    Line,
    Listing,
    Lot,
    Order,
    OrderLine,
    Pack,
    Packing,
    Place,
    Return,
    ReturnCase,
    SamplingPlan,
    SealedDecision,
    Valve,
)
from stockroom.receiving import booking
from stockroom.sealed import plans, seals
from stockroom.sealed.plans import Iso, Terms
from stockroom.sealed.pure.sampling import InspectionLevel, LotOutcome
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import (
    graded,
    graded_all,
    make_line,
    make_lot,
    make_policy,
    make_shift,
    make_supplier,
    make_type,
    make_user,
    make_valves,
)
from tests.pdfs import read_pdf

pytestmark = pytest.mark.django_db

Action = SealedDecision.Action
WORDS = "sealed and sample-tested, not tested"


@pytest.fixture
def by() -> User:
    return make_user("sal", Role.SALES)


def accepted_lot(
    by: User, count: int = 50, *, seal: str = "pack", carton_size: int = 10, **fields: Any
) -> SamplingPlan:
    """A lot whose sample was opened, found good and accepted."""
    line = make_line(make_type(), count, condition=Line.Condition.SEALED, **fields)
    plans.describe(line, Packing(seal=seal, carton_size=carton_size, pack_date="3/53"), None)
    plans.label_packs(line, None)
    level = InspectionLevel.S1 if seal == "carton" else InspectionLevel.II  # so that some cartons stay shut
    plan = plans.make_plan(line, Iso(level, Decimal("4.0")), Terms(), by, seed="a seed")
    sample(plan, by)
    deciding.decide(plan, Action.ACCEPT, "", by)
    return plan


def sample(plan: SamplingPlan, by: User | None, bad: int = 0) -> list[Valve]:
    packs = plans.open_packs(plan, plan.drawn.count(), by)
    valves = [pack.valve for pack in packs]
    graded_all([(valve, 1.2, 0.2 if index < bad else 1.6) for index, valve in enumerate(valves)])
    return valves


def spoil(plan: SamplingPlan) -> None:
    """Enough of the sample turns out bad."""
    opened = Valve.objects.filter(pack__plan=plan, pack__opened=True)
    graded_all([(valve, 1.2, 0.2) for valve in opened[: plan.rejection_number]])


def ask(quantity: int = 1, pieces: int = 1, **fields: Any) -> OrderLine:
    order = Order.objects.create(
        number=f"R{Order.objects.count() + 1:04d}", customer=Customer.objects.get_or_create(name="Ada Quill")[0]
    )
    return order.lines.create(type=make_type(), set_size=pieces, quantity=quantity, sealed=True, **fields)


def fill(line: OrderLine, by: User) -> Order:
    for _ in range(line.quantity):
        orders.set_aside(line, orders.options(line)[0].key, by)
    return Order.objects.get(pk=line.order_id)


def held(order: Order) -> list[Valve]:
    allocated = Valve.objects.filter(allocations__order_line__order=order, allocations__live=True)
    return list(allocated.order_by("serial"))


def send(order: Order, by: User) -> Order:
    for valve in held(order):
        if not valve.allocations.get(live=True).pulled_at:
            fulfilment.pull(order, valve, by)
    fulfilment.despatch(order, "Post", "", by)
    return Order.objects.get(pk=order.pk)


def publish(plan: SamplingPlan, count: int, by: User, price: str = "9.50") -> Listing:
    title, text = listing.title(plan, count), listing.describe(plan)
    return listing.publish(plan, count, title, text, Decimal(price), "GBP", by)


def read_at_the_bench(valve: Valve) -> None:
    shift = make_shift()
    points = {section.number: section.test_point for section in valve.type.test_sections}
    taken = {
        number: EnteredReading(point, anode_current_ma=1.2, gm_ma_per_v=1.6)
        for number, point in points.items()
        if point
    }
    readings.record_readings(shift, valve, taken, shift.operator)


# On an order


def test_a_line_asks_for_sealed_packs_and_says_that_nobody_tested_them() -> None:
    assert ask(2).asked == f"2 × sealed pack 12AX7, {WORDS}"
    assert ask(1, 10).asked == f"1 × 10 pieces sealed 12AX7, {WORDS}"


def test_only_accepted_lots_are_proposed_and_only_packs_that_were_not_drawn(by: User) -> None:
    waiting = make_line(make_type(), 50, condition=Line.Condition.SEALED)
    plans.describe(waiting, Packing(), None)
    plans.label_packs(waiting, None)
    plans.make_plan(waiting, Iso(InspectionLevel.II, Decimal("4.0")), Terms(), by)
    line = ask()
    assert orders.options(line) == []
    plan = accepted_lot(by)
    (option,) = orders.options(line)
    assert option.plan == plan and option.serials == []
    assert set(option.numbers).isdisjoint(plan.drawn.values_list("number", flat=True))
    spoil(plan)
    assert orders.options(line) == []


def test_packs_set_aside_get_serials_and_stay_under_their_seals(by: User) -> None:
    plan = accepted_lot(by)
    order = fill(ask(3), by)
    assert order.state == Order.State.RESERVED
    valves = held(order)
    assert len(valves) == 3 and all(seals.lies_sealed(valve) for valve in valves)
    assert not any(valve.readings.exists() or valve.grades.exists() for valve in valves)
    assert len(plans.units_for_sale(plan)) == 50 - plan.sample_size - 3


def test_more_packs_than_there_are_cannot_be_set_aside(by: User) -> None:
    plan = accepted_lot(by)
    left = 50 - plan.sample_size
    line = ask(1, left + 1)
    assert orders.options(line) == []
    with pytest.raises(CannotPull, match="No whole packs"):
        orders.set_aside(line, f"plan {plan.pk}", by)
    fill(ask(1, left), by)
    with pytest.raises(CannotPull, match="No whole packs"):
        orders.set_aside(ask(), f"plan {plan.pk}", by)


def test_a_piece_taken_up_outside_the_draw_is_not_sold_as_a_pack(by: User) -> None:
    plan = accepted_lot(by)
    booking.allot_serials(plan.line, 2, None)
    assert len(plans.units_for_sale(plan)) == 50 - plan.sample_size - 2


def test_the_database_refuses_to_sell_a_pack_twice(by: User) -> None:
    accepted_lot(by)
    (valve,) = held(fill(ask(), by))
    with pytest.raises(IntegrityError), transaction.atomic():
        Allocation.objects.create(order_line=ask(), item=1, valve=valve)


def test_a_sealed_line_takes_no_tested_valve_and_a_tested_line_no_sealed_pack(by: User) -> None:
    plan = accepted_lot(by)
    tested = Valve.objects.filter(pack__plan=plan, pack__opened=True)[:1]
    with pytest.raises(CannotPull, match="asks for sealed packs"):
        fulfilment.accept(ask(), list(tested), by)
    ordinary = ask()
    OrderLine.objects.filter(pk=ordinary.pk).update(sealed=False)
    ordinary.refresh_from_db()
    with pytest.raises(CannotPull, match="asks for tested valves"):
        orders.set_aside(ordinary, f"plan {plan.pk}", by)
    (pack,) = plans.take_for_sale(plan, 1, by)
    with pytest.raises(CannotPull, match="not of the best"):
        fulfilment.accept(ordinary, [pack.valve], by)


@pytest.mark.parametrize("key", ["plan 999999", "plan x", "", "listing A99999", "nonsense"])
def test_a_choice_that_is_not_there_is_refused(by: User, key: str) -> None:
    accepted_lot(by)
    with pytest.raises(CannotPull):
        orders.set_aside(ask(), key, by)


def test_price_and_cost_of_a_sealed_pack_go_the_way_of_every_other_valve(by: User) -> None:
    lot = booking.book_in(
        Lot(supplier=make_supplier()),
        [Charge(kind="goods", amount=Decimal("100.00"), currency="GBP", rate=Decimal(1))],
        None,
    )
    accepted_lot(by, lot=lot)
    booking.share_cost(lot, None)
    order = fill(ask(2, unit_price=Decimal("7.25")), by)
    costs = [valve.line.cost_of(valve.position, "GBP") for valve in held(order)]
    assert costs == [Decimal("2.00"), Decimal("2.00")]
    page = Client()
    page.force_login(by)
    assert "14.50" in page.get(order.get_absolute_url()).content.decode()


def test_cancelling_and_putting_back_free_the_packs(by: User) -> None:
    plan = accepted_lot(by)
    before = len(plans.units_for_sale(plan))
    line = ask(2)
    order = fill(line, by)
    fulfilment.release(line, 1, by)
    assert len(plans.units_for_sale(plan)) == before - 1
    fulfilment.cancel(order, by)
    assert len(plans.units_for_sale(plan)) == before
    again = fill(ask(1), by)
    assert plan.packs.under_seal().count() == 2  # those that have serials go first
    assert seals.lies_sealed(held(again)[0])


def test_each_pack_is_scanned_and_leaves_as_sealed(by: User) -> None:
    plan = accepted_lot(by)
    order = send(fill(ask(2), by), by)
    assert order.state == Order.State.DESPATCHED
    assert {valve.state for valve in held(order)} == {State.DESPATCHED}
    texts = Entry.objects.filter(action="despatched").values_list("text", flat=True)
    assert len(texts) == 2 and all(WORDS in text for text in texts)
    assert results.results(plan).still_sealed == 50 - plan.sample_size - 2


def test_one_scan_takes_a_whole_sealed_carton(by: User) -> None:
    plan = accepted_lot(by, 100, seal="carton")
    order = fill(ask(2, 10), by)
    valves = held(order)
    assert len(valves) == 20
    assert fulfilment.pull(order, valves[3], by) == 10
    with pytest.raises(CannotPull, match="pulled already"):
        fulfilment.pull(order, valves[4], by)
    other = next(valve for valve in valves if valve.allocations.get().pulled_at is None)
    assert fulfilment.pull(order, other, by) == 0
    assert plan.line.valves.count() == plan.sample_size + 20


def test_half_a_sealed_carton_is_not_sold(by: User) -> None:
    accepted_lot(by, 100, seal="carton")
    assert orders.options(ask(1, 5)) == []


# From a listing


def test_what_is_listed_goes_on_an_order_whole_and_leaves_the_public_list(by: User) -> None:
    plan = accepted_lot(by)
    made = publish(plan, 3, by)
    line = ask(1, 3)
    option = orders.options(line)[0]
    assert option.listing == made and len(option.serials) == 3
    orders.set_aside(line, option.key, by)
    assert set(held(line.order)) == set(Valve.objects.filter(listings__listing=made))
    assert not Listing.objects.for_public_display().exists()
    with pytest.raises(CannotPull, match="not for sale any more"):
        orders.set_aside(ask(1, 3), option.key, by)
    order = Order.objects.get(pk=line.order_id)
    send(order, by)
    made.refresh_from_db()
    assert made.ended_at and made.ended_because == f"sold with {order}"


def test_a_listing_of_another_size_does_not_fill_the_line(by: User) -> None:
    made = publish(accepted_lot(by), 3, by)
    with pytest.raises(CannotPull, match="not what the line asks for"):
        orders.set_aside(ask(1, 2), f"listing {made.number}", by)


def test_a_listing_is_put_on_an_order_by_its_number(by: User, logged_in: Callable[..., Client]) -> None:
    made = publish(accepted_lot(by), 2, by, price="18.00")
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    client = logged_in(Role.SALES)
    url = reverse("order-listing", args=[order])
    wrong = client.post(url, {"number": "a77777"}).content.decode()
    assert "No listing has the number A77777" in wrong and 'value="a77777"' in wrong
    assert client.post(url, {"number": made.number.lower()}).status_code == 302
    line = order.lines.get()
    assert (line.sealed, line.set_size, line.unit_price) == (True, 2, Decimal("18.00"))
    page = client.get(order.get_absolute_url()).content.decode()
    assert WORDS in page and "opened packs failed" in page and f"?order={order}" in page
    again = client.post(url, {"number": made.number}).content.decode()
    assert "not for sale any more" in again and order.lines.count() == 1


def test_a_listed_valve_goes_on_an_order_the_same_way_and_another_currency_is_refused(by: User) -> None:
    plan = accepted_lot(by)
    valve = Valve.objects.filter(pack__plan=plan, pack__opened=True)[0]
    made = publishing.publish([valve], "12AX7", "", Decimal("9.00"), "GBP", by)
    abroad = Order.objects.create(number="R0009", customer=Customer.objects.create(name="Bo"), currency="EUR")
    with pytest.raises(CannotPull, match="priced in GBP"):
        taking.add_listing(abroad, made, by)
    order = ask().order
    line = taking.add_listing(order, made, by)
    assert not line.sealed and held(order) == [valve]


# Opened, and on an order


def test_a_pack_on_an_order_is_not_opened_at_the_bench(by: User) -> None:
    accepted_lot(by)
    order = fill(ask(), by)
    (valve,) = held(order)
    with pytest.raises(readings.NotTestable, match=f"set aside for order {order}"):
        readings.fetch(valve.serial)
    with pytest.raises(readings.NotTestable, match="it stays shut"):
        read_at_the_bench(valve)
    with pytest.raises(seals.PromisedSealed, match="Return it to stock"):
        seals.open_pack(valve, "curiosity", by)
    assert not BrokenSeal.objects.exists()


def test_a_listed_pack_is_not_opened_either(by: User) -> None:
    made = publish(accepted_lot(by), 1, by)
    valve = Valve.objects.get(listings__listing=made)
    with pytest.raises(readings.NotTestable, match=f"listed as {made.number}"):
        readings.fetch(valve.serial)


def test_a_pack_that_was_opened_at_the_bench_is_no_more_sold_as_sealed(by: User) -> None:
    plan = accepted_lot(by)
    line = ask()
    order = fill(line, by)
    (valve,) = held(order)
    fulfilment.cancel(order, by)
    read_at_the_bench(valve)
    assert BrokenSeal.objects.get().pack.valve == valve
    assert "Seal broken" in Entry.objects.get(action="seal-broken").text
    assert valve.pack.number not in [number for unit in plans.units_for_sale(plan) for number in unit]
    found = results.results(plan)
    assert [one.valve for one in found.outside] == [valve] and found.tested == plan.sample_size
    valve.refresh_from_db()
    assert valve.state == State.GRADED  # an ordinary valve, sold by its grade


def test_opening_one_piece_of_a_sealed_carton_breaks_the_seal_of_all(by: User) -> None:
    plan = accepted_lot(by, 100, seal="carton")
    order = fill(ask(1, 10), by)
    valves = held(order)
    fulfilment.cancel(order, by)
    before = len(plans.units_for_sale(plan))
    read_at_the_bench(valves[0])
    assert BrokenSeal.objects.count() == 10 and len(plans.units_for_sale(plan)) == before - 1


def test_a_pack_whose_seal_broke_on_the_order_does_not_leave_as_sealed(by: User) -> None:
    accepted_lot(by)
    order = fill(ask(2), by)
    first, second = held(order)
    seals.break_seal(first.pack, "dropped", by)
    with pytest.raises(CannotPull, match=r"seal of .* is broken"):
        fulfilment.pull(order, first, by)
    fulfilment.pull(order, second, by)
    Allocation.objects.update(pulled_at=timezone.now())
    Order.objects.update(state=Order.State.PULLED)
    with pytest.raises(CannotPull, match="cannot leave as sealed"):
        fulfilment.despatch(order, "", "", by)


def off_its_shelves(order: Order, by: User) -> Order:
    for valve in held(order):
        fulfilment.pull(order, valve, by)
    return Order.objects.get(pk=order.pk)


def test_of_a_pulled_order_only_the_packs_of_a_lot_turned_bad_go_back_and_others_take_their_place(by: User) -> None:
    bad = accepted_lot(by)
    line = ask(2)
    order = fill(line, by)
    tested = line.order.lines.create(type=make_type("EL84"), set_size=1, best_grades=2)
    whole = make_valves(make_type("EL84"), 1)
    graded(whole[0])
    fulfilment.accept(tested, whole, by)
    order = off_its_shelves(order, by)
    assert order.state == Order.State.PULLED
    spoil(bad)
    with pytest.raises(CannotPull, match="set another aside, or send the order without it"):
        fulfilment.despatch(order, "", "", by)
    for item in (1, 2):
        fulfilment.release(line, item, by)
    order.refresh_from_db()
    assert order.state == Order.State.OPEN and held(order) == whole
    assert Entry.objects.filter(action="released", text__contains="it goes back to").count() == 2
    other = accepted_lot(by)
    fill(line, by)
    order.refresh_from_db()
    assert order.state == Order.State.RESERVED
    assert {valve.pack.plan for valve in held(order) if valve not in whole} == {other}
    send(order, by)


def test_what_cannot_be_had_is_left_out_and_the_rest_goes(by: User) -> None:
    bad = accepted_lot(by)
    line, other = ask(2), make_type("EL84")
    order = fill(line, by)
    tested = line.order.lines.create(type=other, set_size=1, best_grades=2)
    whole = make_valves(other, 1)
    graded(whole[0])
    fulfilment.accept(tested, whole, by)
    order = off_its_shelves(order, by)
    spoil(bad)
    fulfilment.release(line, 1, by)
    fulfilment.release(line, 2, by)
    assert fulfilment.leave_out(line, by) == 2
    order.refresh_from_db()
    assert order.state == Order.State.PULLED  # what is left was off the shelves already
    assert Entry.objects.filter(order=order, text__contains="sent without 2 of 2 ×").exists()
    assert [valve.pk for valve in held(send(order, by))] == [whole[0].pk]


def test_a_part_of_a_line_is_left_out_and_the_rest_of_it_stays(by: User) -> None:
    accepted_lot(by)
    line = ask(3)
    order = fill(line, by)
    fulfilment.release(line, 2, by)
    fulfilment.leave_out(line, by)
    line.refresh_from_db()
    order.refresh_from_db()
    assert (line.quantity, order.state, len(held(order))) == (2, Order.State.RESERVED, 2)
    with pytest.raises(CannotPull, match="nothing is missing"):
        fulfilment.leave_out(line, by)


def test_not_everything_is_left_out_of_an_order(by: User) -> None:
    accepted_lot(by)
    line = ask()
    with pytest.raises(CannotPull, match="Cancel it instead"):
        fulfilment.leave_out(line, by)
    line.refresh_from_db()
    assert line.quantity == 1


def test_the_pulled_orders_page_offers_to_put_back_and_then_to_leave_out(
    by: User, logged_in: Callable[..., Client]
) -> None:
    bad = accepted_lot(by)
    line = ask(2)
    order = off_its_shelves(fill(line, by), by)
    client = logged_in(Role.SALES)
    spoil(bad)
    page = client.get(order.get_absolute_url()).content.decode()
    assert (
        "These may not leave as sealed" in page and "Put them back on the shelf and return them to stock here." in page
    )
    client.post(reverse("order-release", args=[order, line.pk, 1]))
    page = client.get(order.get_absolute_url()).content.decode()
    assert "Send without the missing 1" in page
    client.post(reverse("order-leave-out", args=[order, line.pk]))
    line.refresh_from_db()
    order.refresh_from_db()
    assert (line.quantity, order.state) == (1, Order.State.PULLED)


def test_what_has_left_the_house_is_not_put_back(by: User) -> None:
    accepted_lot(by)
    line = ask()
    order = send(fill(line, by), by)
    with pytest.raises(CannotPull, match="despatched: take the valves back"):
        fulfilment.release(line, 1, by)
    assert len(held(order)) == 1


def test_the_database_never_undoes_a_broken_seal(by: User) -> None:
    accepted_lot(by)
    (valve,) = held(fill(ask(), by))
    seals.break_seal(valve.pack, "dropped", by)
    for statement in ("UPDATE stockroom_brokenseal SET because = ''", "DELETE FROM stockroom_brokenseal"):
        refused = pytest.raises(DatabaseError, match="never edited or deleted")
        with refused, transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)


def test_a_sealed_pack_takes_no_part_in_a_study(by: User) -> None:
    plan = accepted_lot(by)
    (valve,) = held(fill(ask(), by))
    open_one = Valve.objects.filter(pack__plan=plan, pack__opened=True)[0]
    point = valve.type.test_sections[0].test_point
    tester = make_shift().tester
    assert point is not None
    people = [by, make_user("bo")]
    with pytest.raises(studies.PlanProblem, match="lies in a sealed pack"):
        studies.plan(tester, Quantity.GM, point, [valve, open_one], people, 2, by)


# Come back


def test_a_pack_that_comes_back_with_its_seal_intact_can_be_sold_sealed_again(by: User) -> None:
    plan = accepted_lot(by)
    order = send(fill(ask(), by), by)
    (valve,) = held(order)
    with pytest.raises(fulfilment.SealNotSaid, match="intact or broken"):
        fulfilment.take_back(order, valve, "changed her mind", by)
    back = fulfilment.take_back(order, valve, "changed her mind", by, Return.Seal.INTACT)
    valve.refresh_from_db()
    assert back.seal == "intact" and valve.state == State.RECEIVED
    assert valve.pack.number not in [number for unit in plans.units_for_sale(plan) for number in unit], "undecided"
    Counter.take("order", 500)  # `ask` numbers its orders by itself
    deciding_on_returns.decide(ReturnCase.objects.get(), VerdictWanted("replacement", "ours"), by)
    assert valve.pack.number in [number for unit in plans.units_for_sale(plan) for number in unit]
    with pytest.raises(CannotPull, match="did not go out"):
        fulfilment.take_back(order, valve, "again", by, Return.Seal.INTACT)


def test_a_pack_that_comes_back_broken_is_an_ordinary_valve_that_waits_for_its_test(by: User) -> None:
    plan = accepted_lot(by)
    order = send(fill(ask(), by), by)
    (valve,) = held(order)
    fulfilment.take_back(order, valve, "rattles", by, Return.Seal.BROKEN)
    valve.refresh_from_db()
    assert valve.state == State.RECEIVED and BrokenSeal.objects.get().pack.valve == valve
    assert valve.pack.number not in [number for unit in plans.units_for_sale(plan) for number in unit]
    assert readings.fetch(valve.serial) == valve
    assert "seal broken" in Entry.objects.get(action="returned").text


def test_a_carton_comes_back_whole_while_its_seal_is_intact_and_piece_by_piece_after(by: User) -> None:
    accepted_lot(by, 100, seal="carton")
    order = send(fill(ask(2, 10), by), by)
    one, *_, other = held(order)
    fulfilment.take_back(order, one, "too many", by, Return.Seal.INTACT)
    assert Return.objects.count() == 10 and len(held(order)) == 10
    fulfilment.take_back(order, other, "rattles", by, Return.Seal.BROKEN)
    assert len(held(order)) == 9
    with pytest.raises(fulfilment.SealNotSaid, match="broken already"):
        fulfilment.take_back(order, held(order)[0], "so does this", by, Return.Seal.INTACT)
    fulfilment.take_back(order, held(order)[0], "so does this", by, Return.Seal.BROKEN)
    assert len(held(order)) == 8 and BrokenSeal.objects.count() == 10


# Overturned


def test_a_decision_to_test_all_takes_the_listings_off_the_public_list_at_once(
    by: User, logged_in: Callable[..., Client]
) -> None:
    plan = accepted_lot(by)
    made = publish(plan, 2, by)
    url = reverse("sealed-decide", args=[plan.line.lot.number, plan.line.number])
    answer = logged_in(Role.RECEIVING).post(url, {"action": "test all", "note": "a customer complained"}, follow=True)
    page = answer.content.decode()
    assert f"No longer before the public, since the lot is not accepted any more: {made.number}." in page
    assert "overturned: test every piece" in page
    assert made.title not in Client().get(reverse("for-sale")).content.decode()
    public = Client().get(made.get_absolute_url()).content.decode()
    assert "no longer available" in public and "not accepted on its sample any more" in public
    entry = Entry.objects.filter(action="listing-ended", line=plan.line, valve=None).get()
    assert made.number in entry.text and "overturned" in entry.text
    assert set(Valve.objects.filter(listings__listing=made).values_list("state", flat=True)) == {State.RECEIVED}


def test_a_sample_that_turns_bad_takes_them_off_too(by: User) -> None:
    plan = accepted_lot(by)
    made = publish(plan, 1, by)
    spoil(plan)
    made.refresh_from_db()
    assert made.ended_at and "no longer accepts it" in made.ended_because
    assert not Listing.objects.for_public_display().exists()


def test_a_lot_is_not_decided_anew_while_an_order_holds_its_packs_sealed(by: User) -> None:
    plan = accepted_lot(by)
    made = publish(plan, 1, by)
    order = fill(ask(1), by)
    with pytest.raises(plans.AlreadyDecided, match=f"set aside as sealed for {order}"):
        deciding.decide(plan, Action.TEST_ALL, "complaints", by)
    made.refresh_from_db()
    assert made.ended_at is None  # nothing half done
    send(order, by)
    deciding.decide(plan, Action.TEST_ALL, "complaints", by)  # what was sold is sold


def test_packs_of_a_lot_that_turned_bad_do_not_leave_the_house(by: User) -> None:
    plan = accepted_lot(by)
    order = fill(ask(2), by)
    fulfilment.pull(order, held(order)[0], by)
    spoil(plan)
    with pytest.raises(CannotPull, match="no longer accepts it"):
        fulfilment.pull(order, held(order)[1], by)
    with pytest.raises(CannotPull, match="not sold as sealed"):
        orders.set_aside(ask(), f"plan {plan.pk}", by)


# Outside the draw


def test_results_outside_the_draw_never_enter_the_sums(by: User, logged_in: Callable[..., Client]) -> None:
    line = make_line(make_type(), 50, condition=Line.Condition.SEALED)
    plans.describe(line, Packing(carton_size=10), None)
    plans.label_packs(line, None)
    plan = plans.make_plan(line, Iso(InspectionLevel.II, Decimal("4.0")), Terms(), None, seed="a seed")
    for valve in booking.allot_serials(line, 4, None):
        graded(valve, gm=0.2)
    assert results.results(plan).tested == 0
    sample(plan, by)
    found = results.results(plan)
    assert (found.tested, found.failed, found.decision.outcome) == (plan.sample_size, 0, LotOutcome.ACCEPT)
    assert [one.verdict for one in found.outside] == [PieceVerdict.FAILED] * 4
    assert sum(count for _, count in found.by_grade) == plan.sample_size
    done = deciding.decide(plan, Action.ACCEPT, "", by)
    assert (done.decision.tested, done.decision.failed) == (plan.sample_size, 0)
    page = logged_in(Role.BENCH).get(reverse("sealed", args=[line.lot.number, line.number])).content.decode()
    assert "4 pieces were opened or given a serial without being drawn; 4 judged, 4 failed" in page
    assert "random draw" in page and "taken off what is said" in page


def test_good_pieces_outside_the_draw_do_not_make_up_for_the_sample(by: User) -> None:
    line = make_line(make_type(), 50, condition=Line.Condition.SEALED)
    plans.describe(line, Packing(), None)
    plans.label_packs(line, None)
    plan = plans.make_plan(line, Iso(InspectionLevel.II, Decimal("4.0")), Terms(), None, seed="a seed")
    graded_all([(valve, 1.2, 1.6) for valve in booking.allot_serials(line, plan.sample_size, None)])
    assert results.results(plan).decision.outcome == LotOutcome.GO_ON
    sample(plan, by, bad=plan.rejection_number)
    assert results.results(plan).failed == plan.rejection_number


# Back to the supplier


def lot_going_back(cost: str, *, alone: bool = False) -> tuple[SamplingPlan, Line | None]:
    charges = [Charge(kind="goods", amount=Decimal(cost), currency="GBP", rate=Decimal(1))]
    lot = booking.book_in(Lot(supplier=make_lot().supplier), charges, None)
    wanted = [Line(type=make_type(), condition=Line.Condition.SEALED, expected=50, counted=50)]
    if not alone:
        wanted.append(Line(type=make_type(), condition=Line.Condition.USED, expected=50, counted=50))
    gone, *others = booking.add_lines(lot, wanted, None)
    plans.describe(gone, Packing(carton_size=10), None)
    plans.label_packs(gone, None)
    terms = Terms(returnable_until=timezone.localdate() + timedelta(days=9))
    plan = plans.make_plan(gone, Iso(InspectionLevel.II, Decimal("4.0")), terms, None, seed="a seed")
    return plan, others[0] if others else None


def costs_of(line: Line) -> list[Decimal]:
    line.refresh_from_db()
    return [line.cost_of(position, "GBP") for position in range(line.pieces)]


def test_opened_pieces_go_back_with_the_lot_and_their_cost_with_them(by: User) -> None:
    plan, other = lot_going_back("100.00")
    assert other is not None
    opened = sample(plan, by, bad=plan.rejection_number)
    done = deciding.decide(plan, Action.RETURN, "", by)
    assert set(done.went_back) == set(opened)
    assert {valve.state for valve in Valve.objects.filter(pk__in=[one.pk for one in opened])} == {State.WRITTEN_OFF}
    assert set(costs_of(plan.line)) == {Decimal(0)} and sum(costs_of(other)) == Decimal("100.00")
    line = Line.objects.get(pk=plan.line_id)
    assert line.gone_back == 50 and line.bearing_cost == 0
    texts = Entry.objects.filter(line=line, action="sent-back").values_list("text", flat=True)
    assert any(f"{len(opened)} pieces with serials sent back" in text for text in texts)
    assert all(valve.entries.filter(action="written-off").exists() for valve in opened)
    assert results.results(plan).failed == plan.rejection_number


def test_opened_pieces_that_are_kept_stay_and_carry_the_cost(by: User) -> None:
    plan, other = lot_going_back("100.00")
    assert other is not None
    opened = sample(plan, by, bad=plan.rejection_number)
    done = deciding.decide(plan, Action.RETURN, "", by, keep_opened=True)
    assert list(done.went_back) == [] and Entry.objects.filter(action="opened-kept").exists()
    assert Valve.objects.in_house().filter(pack__opened=True).count() == len(opened)
    assert sum(costs_of(plan.line)) + sum(costs_of(other)) == Decimal("100.00")
    assert sum(costs_of(plan.line)) > 0


def test_a_lot_that_goes_back_whole_keeps_its_cost_in_sight(by: User) -> None:
    plan, _ = lot_going_back("100.00", alone=True)
    sample(plan, by, bad=plan.rejection_number)
    deciding.decide(plan, Action.RETURN, "", by)
    line = Line.objects.get(pk=plan.line_id)
    assert line.cost == Decimal("100.00") and set(costs_of(line)) == {Decimal(0)}
    charge = line.lot.charges.get()
    charge.amount = Decimal("20.00")
    booking.change_lot(line.lot, [charge], by)
    assert "pieces all went back" in Entry.objects.filter(action="cost-shared").order_by("-pk")[0].text


def test_a_sample_cut_short_by_a_refusal_is_not_counted_worse_when_it_goes_back(by: User) -> None:
    plan, _ = lot_going_back("100.00")
    packs = plans.open_packs(plan, plan.sample_size, by)
    for pack in packs[: plan.rejection_number]:
        graded(pack.valve, gm=0.2)
    deciding.decide(plan, Action.RETURN, "", by)
    found = results.results(plan)
    assert (found.tested, found.failed) == (plan.rejection_number, plan.rejection_number)
    assert "went back to the supplier unjudged" in {drawn.why for drawn in found.drawn}


def test_what_was_opened_outside_the_draw_goes_back_or_is_kept_like_the_sample(by: User) -> None:
    for keep in (False, True):
        plan, _ = lot_going_back("100.00")
        sample(plan, by, bad=plan.rejection_number)
        outside = booking.give_serial(plan.line, None)
        done = deciding.decide(plan, Action.RETURN, "", by, keep_opened=keep)
        assert (outside in done.went_back) != keep


def test_a_pack_that_went_back_unopened_is_no_failure_of_the_suppliers(by: User) -> None:
    plan = accepted_lot(by)
    order = fill(ask(2), by)
    fulfilment.cancel(order, by)
    deciding.decide(plan, Action.RETURN, "the supplier takes them after all", by)
    (found,) = supplier_record.records_of([Line.objects.get(pk=plan.line_id)])
    assert (found.record.known, found.record.usable, found.record.written_off) == (plan.sample_size,) * 2 + (0,)
    assert found.record.not_tested == 0 and found.record.sent_back == 50 - plan.sample_size


def test_the_bench_says_that_reading_a_sealed_pack_opens_it(by: User, logged_in: Callable[..., Client]) -> None:
    accepted_lot(by)
    order = fill(ask(), by)
    (valve,) = held(order)
    fulfilment.cancel(order, by)
    client = logged_in(Role.BENCH)
    make_shift(User.objects.get(username="bench"))
    page = client.get(reverse("bench"), {"serial": valve.serial}).content.decode()
    assert "In a sealed pack." in page


def test_an_opened_piece_that_is_promised_does_not_go_back_and_says_so(
    by: User, logged_in: Callable[..., Client]
) -> None:
    plan, _ = lot_going_back("100.00")
    good = sample(plan, by, bad=plan.rejection_number)[-1]
    order = ask().order
    line = order.lines.create(type=good.type, best_grades=3)
    fulfilment.accept(line, [good], by)
    url = reverse("sealed-decide", args=[plan.line.lot.number, plan.line.number])
    client = logged_in(Role.RECEIVING)
    refused = client.post(url, {"action": "return", "note": ""}).content.decode()
    assert "set aside for an order" in refused and not plan.decisions.exists()
    assert client.post(url, {"action": "return", "note": "", "keep_opened": "on"}).status_code == 302


# Through the pages, and on paper


def test_from_the_line_to_the_parcel_by_keyboard_and_scanner(by: User, logged_in: Callable[..., Client]) -> None:
    plan = accepted_lot(by, place=Place.objects.create(code="S2"))
    order = Order.objects.create(number="R0001", customer=Customer.objects.create(name="Ada Quill"))
    client = logged_in(Role.SALES)
    asked = {
        "type": "12AX7",
        "set_size": "1",
        "quantity": "2",
        "sealed": "sealed",
        "best_grades": "2",
        "max_spread_percent": "5",
        "unit_price": "12.00",
    }
    assert client.post(order.get_absolute_url(), asked).status_code == 302
    line = order.lines.get()
    assert line.sealed and line.max_spread_percent is None
    page = client.get(reverse("order-candidates", args=[order, line.pk])).content.decode()
    assert unescape(page).count(plan.basis) == 1 and "0 of 13 failed" in page
    accept = reverse("order-accept", args=[order, line.pk])
    for _ in range(2):
        client.post(accept, {"valves": f"plan {plan.pk}"})
    page = client.get(reverse("order-pull", args=[order])).content.decode()
    assert f"of {plan.line}" in page and "stay shut" in page and "S2" in page
    text = " ".join("".join(read_pdf(client.get(reverse("pick-list-pdf", args=[order])).content)).split())
    assert "Keep these shut." in text and WORDS in text and plan.basis in text
    for valve in held(order):
        client.post(reverse("order-pull", args=[order]), {"serial": valve.serial})
        client.post(reverse("order-pack", args=[order]), {"serial": valve.serial})
    client.post(reverse("order-despatch", args=[order]), {"carrier": "Post"})
    order.refresh_from_db()
    assert order.state == Order.State.DESPATCHED
    url = reverse("sealed-statement", args=[plan.line.lot.number, plan.line.number])
    paper = " ".join("".join(read_pdf(client.get(url, {"order": "R0001"}).content)).split())
    assert "SEALED AND SAMPLE-TESTED, NOT TESTED" in paper and "R0001" in paper
    assert all(valve.serial in paper for valve in held(order))
    back = reverse("order-take-back", args=[order])
    first = held(order)[0]
    said = {"serial": first.serial, "complaint": "unwanted", "reason": "not needed after all"}
    asked_again = client.post(back, {**said, "seal": ""}).content.decode()
    assert "intact or broken" in asked_again and 'value="not needed after all"' in asked_again
    client.post(back, {**said, "seal": "intact"})
    assert Return.objects.get().seal == "intact"


def test_there_is_no_statement_for_an_order_without_packs_of_the_lot(
    by: User, logged_in: Callable[..., Client]
) -> None:
    plan = accepted_lot(by)
    url = reverse("sealed-statement", args=[plan.line.lot.number, plan.line.number])
    answer = logged_in(Role.BENCH).get(url, {"order": "R0404"}, follow=True).content.decode()
    assert "order R0404 has no pack of this lot" in answer


def test_more_than_a_dozen_tested_valves_are_no_set_but_sealed_pieces_may_be_many(
    logged_in: Callable[..., Client],
) -> None:
    make_policy()
    order = ask().order
    asked = {"type": "12AX7", "set_size": "20", "quantity": "1", "best_grades": "2"}
    client = logged_in(Role.SALES)
    page = client.post(order.get_absolute_url(), asked).content.decode()
    assert "At most 12 valves" in page
    assert client.post(order.get_absolute_url(), {**asked, "sealed": "sealed"}).status_code == 302


def test_the_pack_of_every_number_is_one(by: User) -> None:
    """A pack has one serial: the database refuses a second for the same number."""
    plan = accepted_lot(by)
    (valve,) = held(fill(ask(), by))
    other = booking.give_serial(plan.line, None)
    with pytest.raises(IntegrityError), transaction.atomic():
        Pack.objects.create(plan=plan, number=valve.pack.number, valve=other, opened=False)

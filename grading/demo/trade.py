"""What the demonstration shop has sold: sets, listings, orders, a parcel, and a valve that came back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from django.contrib.auth.models import User

from catalog.models import ValveType
from grading.demo.clock import at, moment
from grading.enquiries import asking
from grading.issued import issuing
from grading.listings import publishing
from grading.models import MatchedSet
from grading.orders import candidates, fulfilment, packing, wishes
from grading.returns import warranty
from grading.sets import making
from grading.verdicts import states
from stockroom.models import (
    Allocation,
    Counter,
    Customer,
    CustomsRule,
    Enquiry,
    Entry,
    Listing,
    Order,
    OrderLine,
    Place,
    Return,
    Shop,
    Valve,
    WarrantyRule,
)
from stockroom.places import moving
from stockroom.states import State


def trade(people: dict[str, User], day: date) -> None:
    """Sets are made, items listed, orders taken, one sent, one valve back."""
    tester, sales = people["bench"], people["sales"]
    with at(moment(day, 25, 9)):
        _promise(people["owner"])
    repairs, private, studio = Customer.objects.order_by("pk")

    with at(moment(day, 14, 15, 10)):
        quads = _match("EL84", 4, 2, 5, tester)
        pairs = _match("6SN7GT", 2, 3, 8, tester)
        _box([*quads, *pairs], tester)
    with at(moment(day, 8, 10, 5)):
        _box(_match("6550", 2, 1, 10, tester), tester)
    with at(moment(day, 13, 11)):
        broken = Valve.objects.filter(type__designation="12AX7", state=State.RECEIVED).order_by("serial")[0]
        _write_off(broken, "dropped while unpacking; glass in the bin for sharps", people["receiving"])

    CustomsRule.objects.create(what="Electron valves (vacuum tubes)", material="glass, metal", hs_code="8540")
    sent = moment(day, 10, 14, 30)
    with at(moment(day, 11, 16)):
        order = take_order(repairs, sales, "four for two amplifiers; quiet ones please")
        line = ask(order, sales, "12AX7", 1, 4, price="24.00")
        for _ in range(4):
            fulfilment.accept(line, candidates.options(line)[0].valves, sales)
    with at(sent):
        valves = list(Valve.objects.filter(allocations__order_line=line).order_by("serial"))
        for valve in valves:
            fulfilment.pull(order, valve, sales)
        Allocation.objects.filter(order_line=line).update(pulled_at=sent)
        order.refresh_from_db()
        fulfilment.despatch(order, "Tallowmere Carriers", "TC 4417 093", sales)
    with at(moment(day, 3, 10, 45)):
        order.refresh_from_db()
        fulfilment.take_back(
            order, valves[1], "hums in one channel, the customer says", sales, complaint=Return.Complaint.NOISE
        )

    with at(moment(day, 9, 12)):
        _publish(quads[1], "168.00", sales)
        _publish(pairs[0], "58.00", sales)
    with at(moment(day, 8, 12)):
        _publish(_best_single("6SN7GT"), "27.50", sales)

    with at(moment(day, 1, 9, 40)):
        asked = Listing.objects.exclude(listed__valve__memberships__set=quads[1]).order_by("pk")[0]
        message = "Do these two balance in a phono stage? I would take them, and another pair if there is one."
        enquiry = Enquiry(listing=asked, name="Orla Penhale", email="orla@penhale.example", message=message, quantity=2)
        asking.ask(enquiry, "192.0.2.7")

    with at(moment(day, 2, 11, 20)):
        order = take_order(private, sales, "")
        line = ask(order, sales, "EL84", 4, 1, within=5, price="160.00")
        ready = [option for option in candidates.options(line) if option.set == quads[0]]
        fulfilment.accept(line, ready[0].valves, sales)
    with at(moment(day, 1, 17, 5)):
        order = take_order(studio, sales, "no hurry")
        ask(order, sales, "6SN7GT", 2, 2, within=10, price="55.00")
        fifties: dict[str, Any] = {"made_from": 1950, "made_to": 1959, "balanced_percent": 10.0}
        ask(order, sales, "12AX7", 1, 1, price="32.00", **fifties)
        line = ask(order, sales, "12AX7", 1, 6, price="24.00")
    with at(moment(day, 1, 17, 40)):  # the first of the six leaves in a parcel of its own
        (valve,) = candidates.options(line)[0].valves
        fulfilment.accept(line, [valve], sales)
        fulfilment.pull(order, valve, sales)
        packing.scan(order, valve, sales)
        packing.send(order, "Tallowmere Carriers", "TC 4417 155", sales, only_scanned=True)
    issuing.issue(quads[1], sales)  # today: a certificate bears the day on which it is signed


def _promise(by: User) -> None:
    """What the shop stands for: three months against faults of what it has tested, less for what it has not."""
    faults = [one.value for one in (Return.Complaint.NOISE, Return.Complaint.WEAK, Return.Complaint.DEAD)]
    for sold_as, days, covers in (("tested", 90, [*faults, "shorted"]), ("sealed", 30, ["dead"]), ("untested", 0, [])):
        words = f"{days} days against faults" if days else "no warranty"
        warranty.write_rule(WarrantyRule(sold_as=sold_as, days=days, covers=covers, unwanted_days=14, words=words), by)


def _match(designation: str, size: int, count: int, within: float, by: User) -> list[MatchedSet]:
    """The first `count` sets that the page would propose."""
    type = ValveType.objects.get(designation=designation)
    proposals = making.propose(type, size, within, best_grades=3, same_maker=True, time_limit_s=5)
    return [making.make_set(proposal.valves, within, by) for proposal in proposals[:count]]


def _box(made: Sequence[MatchedSet], by: User) -> None:
    valves = [member.valve for matched in made for member in matched.members.select_related("valve")]
    moving.move(valves, Place.objects.get(code="M1"), by)


def _write_off(valve: Valve, reason: str, by: User) -> None:
    valve.written_off = reason
    valve.save()
    Entry.write(by, "written-off", f"Written off: {reason}", valve=valve, lot=valve.line.lot)
    states.refresh([valve.pk])


def take_order(customer: Customer, by: User, note: str) -> Order:
    order = Order.objects.create(number=f"R{Counter.take('order')[0]:04d}", customer=customer, note=note, placed_by=by)
    Entry.write(by, "order-taken", f"Took {order} from {customer}", order=order)
    return order


def ask(
    order: Order,
    by: User,
    designation: str,
    size: int,
    quantity: int,
    *,
    price: str,
    within: float | None = None,
    sealed: bool = False,
    **wished: Any,
) -> OrderLine:
    line = OrderLine.objects.create(
        order=order,
        type=ValveType.objects.get(designation=designation),
        set_size=size,
        quantity=quantity,
        sealed=sealed,
        max_spread_percent=within,
        unit_price=Decimal(price),
        **wished,
    )
    Entry.write(by, "order-line", f"{order}: {wishes.asked(line)}", order=order)
    return line


def _best_single(designation: str) -> Sequence[Valve]:
    """A valve of the best grade that is free and in no set."""
    found = making.available(ValveType.objects.get(designation=designation), best_grades=1)
    return [found[0].valve]


def _publish(item: MatchedSet | Sequence[Valve], price: str, by: User) -> Listing:
    if isinstance(item, MatchedSet):
        wanted = Valve.objects.filter(memberships__set=item).order_by("memberships__position")
    else:
        wanted = Valve.objects.filter(pk__in=[valve.pk for valve in item])
    valves = list(wanted.select_related("type", "maker", "line__lot"))
    return publishing.publish(
        valves, publishing.title(valves), publishing.describe(valves), Decimal(price), Shop.own().currency, by
    )

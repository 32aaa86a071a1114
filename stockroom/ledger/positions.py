"""Where the books should stand for a lot or an order, from its records.

A lot's charges are owed and stand as stock on its lines. A piece takes its share of the line's cost with it when it
leaves: to the cost of sales, fixed as it was on the day that it left, or to what is written off. What a later bill or
credit changes of a piece that was sold goes to an account of its own, so that a closed sale never changes. (IAS 2
Inventories asks the same of goods that are not interchangeable: their own cost, an expense when they are sold.)
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping
from decimal import Decimal
from typing import NamedTuple

from stockroom.ledger.pure.double_entry import Account, Key
from stockroom.models import Allocation, Charge, Invoice, Lot, Order, Shop, Valve
from stockroom.pure.money import minor_places, to_minor
from stockroom.receiving.booking import in_home
from stockroom.receiving.pure.costing import share

CHARGED = {
    Charge.Kind.GOODS: Account.GOODS,
    Charge.Kind.FREIGHT: Account.FREIGHT,
    Charge.Kind.DUTY: Account.DUTY,
    Charge.Kind.IMPORT_TAX: Account.IMPORT_TAX_CHARGED,
    Charge.Kind.OTHER: Account.OTHER,
}
Position = dict[Key, Decimal]


class Left(NamedTuple):
    """A piece with a serial that is here no longer: sold with an order, or written off."""

    valve: int
    line: int
    position: int
    order: int | None

    def key(self, lot: int) -> Key:
        account = Account.WRITE_OFFS if self.order is None else Account.COST_OF_SALES
        return Key(account, lot, self.line, self.valve, self.order)


def left(lot: Lot) -> list[Left]:
    """In the order of their serials; a piece that went back to the supplier costs nothing."""
    sold = {
        valve: Left(valve, line, position, order)
        for valve, line, position, order in Allocation.objects.sent()
        .filter(valve__line__lot=lot, live=True)
        .values_list("valve", "valve__line", "valve__position", "order_line__order")
    }
    lost = {
        valve: Left(valve, line, position, None)
        for valve, line, position in Valve.objects.filter(line__lot=lot)
        .exclude(written_off="")
        .values_list("pk", "line", "position")
    }
    return [one for _, one in sorted({**lost, **sold}.items())]


def of_lot(lot: Lot, booked: Mapping[Key, Decimal], leaving: Collection[int]) -> Position:
    """What was sold keeps the cost that is `booked`, but those that are `leaving` now go at what they cost now."""
    currency = Shop.own().currency
    found: defaultdict[Key, Decimal] = defaultdict(Decimal)
    for charge in lot.charges.all():
        found[Key(CHARGED[Charge.Kind(charge.kind)], lot.pk)] -= in_home(charge, currency)
        if not charge.is_cost:
            found[Key(Account.IMPORT_TAX, lot.pk)] += in_home(charge, currency)
    for credit in lot.credits.all():
        if credit.stands:
            found[Key(Account.SUPPLIER_CREDITS, lot.pk)] += in_home(credit, currency)
    total = -sum(found.values(), Decimal(0))
    lines = {line.pk: line for line in lot.lines.all()}
    found[Key(Account.UNSHARED, lot.pk)] = total - sum((line.cost for line in lines.values()), Decimal(0))
    for line in lines.values():
        all_back = line.cost and not line.bearing_cost  # a loss, until the supplier's credit
        found[Key(Account.WRITE_OFFS if all_back else Account.STOCK, lot.pk, line.pk)] += line.cost
    for one in left(lot):
        now = lines[one.line].cost_of(one.position, currency)
        key = one.key(lot.pk)
        fixed = booked.get(key, Decimal(0)) if one.order and one.valve not in leaving else now
        found[Key(Account.STOCK, lot.pk, one.line)] -= now
        found[key] += fixed
        found[Key(Account.LATER_COSTS, lot.pk, one.line)] += now - fixed
    return dict(found)


def pieces_of_lot(lot: Lot) -> dict[Key, int]:
    """The pieces of each line that are here and carry its cost, and each that has left, where its cost stands."""
    lines = {line.pk: line for line in lot.lines.all()}
    gone = left(lot)
    out = Counter(one.line for one in gone if one.position not in lines[one.line].returned_positions)
    here = {Key(Account.STOCK, lot.pk, pk): line.bearing_cost - out[pk] for pk, line in lines.items()}
    return here | {one.key(lot.pk): 1 for one in gone}


def waits_for_a_rate(order: Order) -> bool:
    """The order is in another currency, and nobody has said what that is worth at home."""
    return order.currency != Shop.own().currency and not hasattr(order, "home_rate")


def sent_with(order: Order) -> list[Allocation]:
    """What left with the order, parcel by parcel, whether or not it came back since."""
    rows = (
        Allocation.objects.sent()
        .filter(order_line__order=order)
        .select_related("order_line", "valve__line")
        .order_by("despatch", "id")
    )
    return list({row.valve_id: row for row in rows}.values())


def of_order(order: Order) -> Position:
    """What was charged for the items that were sent, and what was paid, in the home currency.

    An invoice says it, tax apart and credit notes taken off; until there is one the prices of the lines do. What a line
    brought is shared evenly over its valves. A line without a price charges nothing. The invoice is of the whole order:
    of one that leaves in parcels, what is still to be sent is not charged yet, but shipping and tax are.
    """
    if waits_for_a_rate(order):
        return {}
    found: defaultdict[Key, Decimal] = defaultdict(Decimal)
    if order.despatches.not_undone().exists():
        _charged(order, found)
    for one in order.payments.all():
        found[Key(Account.PAID, order=order.pk)] += _at_home(one.amount, order)
    found[Key(Account.CUSTOMERS, order=order.pk)] = -sum(found.values(), Decimal(0))
    return dict(found)


def _at_home(amount: Decimal, order: Order) -> Decimal:
    rate = order.home_rate.rate if hasattr(order, "home_rate") else Decimal(1)
    return to_minor(amount * rate, Shop.own().currency)


def _charged(order: Order, found: defaultdict[Key, Decimal]) -> None:
    valves: defaultdict[int, list[Valve]] = defaultdict(list)
    asked: dict[int, Decimal] = {}
    for row in sent_with(order):
        line = row.order_line
        valves[line.pk].append(row.valve)
        asked[line.pk] = (line.unit_price or Decimal(0)) * len(valves[line.pk]) / line.set_size
    papers = list(order.invoices.all())
    if not papers:
        for line_id, price in asked.items():
            _share(Account.SALES, price, valves[line_id], order, found)
    back = set(order.returns.values_list("valve", flat=True))
    waiting = _to_come(order, valves)
    for paper in papers:
        credit = paper.kind == Invoice.Kind.CREDIT
        sign = -1 if credit else 1
        for line in paper.content["lines"]:
            sent = valves.get(line["key"], [])
            of = ([valve for valve in sent if valve.pk in back] if credit else []) or sent
            to_come = 0 if credit else waiting.get(line["key"], 0)
            amount = sign * Decimal(line["net"])
            _share(Account.REFUNDS if credit else Account.SALES, amount, of, order, found, to_come)
        found[Key(Account.SHIPPING, order=order.pk)] -= sign * _at_home(
            Decimal(paper.content["shipping"]["net"]), order
        )
        found[Key(Account.TAX, order=order.pk)] -= sign * _at_home(Decimal(paper.content["tax"]), order)


def _to_come(order: Order, sent: Mapping[int, Collection[Valve]]) -> dict[int, int]:
    """How many pieces of each line another parcel is to bring; none once the order is despatched."""
    if order.state == Order.State.DESPATCHED:
        return {}
    lines = order.lines.values_list("pk", "quantity", "set_size")
    return {key: max(quantity * size - len(sent.get(key, ())), 0) for key, quantity, size in lines}


def _share(
    account: Account,
    amount: Decimal,
    valves: list[Valve],
    order: Order,
    found: defaultdict[Key, Decimal],
    to_come: int = 0,
) -> None:
    """Evenly over the valves, the share of those that are `to_come` left out; on the order alone where none of them
    left with it or will."""
    whole = _at_home(amount, order)
    if not valves:
        if not to_come:
            found[Key(account, order=order.pk)] -= whole
        return
    parts = share(whole, [1] * (len(valves) + to_come), minor_places(Shop.own().currency))
    for valve, part in zip(valves, parts, strict=False):
        found[Key(account, valve.line.lot_id, valve.line_id, valve.pk, order.pk)] -= part

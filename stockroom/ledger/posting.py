"""Writing entries: what happened is posted as the difference between the books and the records.

Whatever is done to a lot, the same function brings the books after it, so that a correction needs no rule of its own.
Each entry is written in the transaction of the change that it tells of, with the lot locked.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date
from decimal import Decimal

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Sum
from django.utils import timezone

from stockroom.ledger import positions
from stockroom.ledger.pure import double_entry
from stockroom.ledger.pure.double_entry import Account, Key, Leg
from stockroom.models import Despatch, Entry, LedgerEntry, Lot, Order, OrderRate, Posting, Shop, Valve
from stockroom.models.ledger import from_thousandths, in_thousandths
from stockroom.pure.refused import Refused
from stockroom.pure.written import fitted
from stockroom.receiving.booking import locked

OF_A_SALE = (
    Account.SALES,
    Account.SHIPPING,
    Account.REFUNDS,
    Account.TAX,
    Account.CUSTOMERS,
    Account.PAID,
)  # entered by order; everything else by lot

_day: ContextVar[date | None] = ContextVar("the day of what is entered", default=None)


class CannotEnter(Refused):
    """The message says why and what to do."""


@contextmanager
def on_day(day: date) -> Iterator[None]:
    """What is entered inside happened on this day: when books are opened from records, and in the demonstration."""
    before = _day.set(day)
    try:
        yield
    finally:
        _day.reset(before)


def balances(**about: int) -> dict[Key, Decimal]:
    """By account and what it is about: `balances(lot=lot.pk)`. A key whose amounts cancel stands at nothing."""
    rows = Posting.objects.filter(**about).order_by().values_list("account", "lot", "line", "valve", "order")
    summed = rows.annotate(units=Sum("thousandths"))
    return {Key(Account(account), *rest): from_thousandths(units) for account, *rest, units in summed}


def enter(text: str, legs: Sequence[Leg], by: User | None) -> LedgerEntry | None:
    """Write an entry; nothing where nothing changes.

    Raises:
        Unbalanced: a fault of the program.
    """
    if not legs:
        return None
    double_entry.check(legs)
    entry = LedgerEntry.objects.create(on=_day.get() or timezone.localdate(), text=fitted(text, 200), by=by)
    Posting.objects.bulk_create(
        [
            Posting(
                entry=entry,
                account=key.account.value,
                thousandths=in_thousandths(amount),
                lot_id=key.lot,
                line_id=key.line,
                valve_id=key.valve,
                order_id=key.order,
            )
            for key, amount in legs
        ],
        batch_size=500,
    )
    return entry


@transaction.atomic
def bring_lot(
    lot: Lot, text: str, by: User | None, leaving: Collection[int] = (), as_before: Collection[int] = ()
) -> None:
    """The books follow the lot's records. A lot that is not in them yet is opened.

    Valves that are `leaving` go at what they cost now, and those `as_before` at what was fixed when they left first.
    """
    locked(lot.pk)
    booked = balances(lot=lot.pk)
    of_goods = {key: amount for key, amount in booked.items() if key.account not in OF_A_SALE}
    if not of_goods:
        open_lot(lot, by)
        return
    fixed = {**of_goods, **_as_before(lot, as_before)}
    legs = double_entry.to_reach(positions.of_lot(lot, fixed, leaving), of_goods)
    enter(text, [*legs, *_at_no_cost(lot, leaving, legs)], by)


def _as_before(lot: Lot, valves: Collection[int]) -> dict[Key, Decimal]:
    """What each of these cost when it left with its order."""
    keys = [one.key(lot.pk) for one in positions.left(lot) if one.order and one.valve in valves] if valves else []
    left = {}
    for key in keys:
        about = {"account": key.account.value, "lot": key.lot, "valve": key.valve, "order": key.order}
        last = Posting.objects.filter(**about, thousandths__gt=0).order_by("pk").last()
        left[key] = last.amount if last else Decimal(0)
    return left


def _at_no_cost(lot: Lot, leaving: Collection[int], legs: Sequence[Leg]) -> list[Leg]:
    """A piece that leaves at no cost is posted all the same: that it left is on record."""
    posted = {leg.key for leg in legs}
    keys = (one.key(lot.pk) for one in positions.left(lot) if one.valve in leaving) if leaving else ()
    return [Leg(key, Decimal(0)) for key in keys if key not in posted]


@transaction.atomic
def forget_lot(lot: Lot, by: User | None) -> None:
    """The lot is taken off the books: what was entered for it is put back."""
    enter(f"Lot {lot} taken off the books", double_entry.to_reach({}, balances(lot=lot.pk)), by)


@transaction.atomic
def bring_order(order: Order, text: str, by: User | None) -> None:
    """The books follow what was charged for the order."""
    order = Order.objects.select_for_update(no_key=True, of=("self",)).get(pk=order.pk)
    booked = {key: amount for key, amount in balances(order=order.pk).items() if key.account in OF_A_SALE}
    enter(text, double_entry.to_reach(positions.of_order(order), booked), by)


@transaction.atomic
def say_rate(order: Order, rate: Decimal, by: User | None) -> None:
    """What the currency of an order is worth at home; its sale is entered at that, or entered anew.

    Raises:
        CannotEnter: the order is in the home currency.
    """
    if order.currency == Shop.own().currency:
        raise CannotEnter(f"{order} is in the home currency: it needs no rate.")
    OrderRate.objects.update_or_create(order=order, defaults={"rate": rate, "by": by, "at": timezone.now()})
    Entry.write(by, "order-rate", f"{order}: one {order.currency} is {rate.normalize():f} at home", order=order)
    bring_order(order, f"{order}: at the rate {rate.normalize():f}", by)


@transaction.atomic
def open_lot(lot: Lot, by: User | None) -> None:
    """Enter a lot from its records, each piece that has left on the day that it left, at what it costs now."""
    gone = positions.left(lot)
    target = positions.of_lot(lot, {}, {one.valve for one in gone})
    days = _days_left(lot)
    by_day: dict[date, list[Leg]] = {}
    for one in gone:
        stock = Key(Account.STOCK, lot.pk, one.line)
        amount = target.pop(one.key(lot.pk))
        target[stock] += amount
        day = max(days.get(one.valve, timezone.localdate()), lot.received_on)
        by_day.setdefault(day, []).extend([Leg(stock, -amount), Leg(one.key(lot.pk), amount)])
    legs = double_entry.to_reach(target, {})
    with on_day(_day.get() or lot.received_on):
        enter(f"Lot {lot} from {lot.supplier}", legs, by)
    for day, moved in sorted(by_day.items()):
        with on_day(_day.get() or day):
            enter(f"Lot {lot}: pieces that left", moved, by)


def _days_left(lot: Lot) -> Mapping[int, date]:
    """When each valve of the lot was sent, or else written off."""
    days = {
        valve: timezone.localdate(at)
        for valve, at in Entry.objects.filter(action="written-off", valve__line__lot=lot)
        .order_by("at")
        .values_list("valve", "at")
    }
    sent = Despatch.objects.filter(order__lines__allocations__valve__line__lot=lot)
    rows = sent.order_by("at").values_list("order__lines__allocations__valve", "at")
    return {**days, **{valve: timezone.localdate(at) for valve, at in rows}}


def not_in_the_books() -> tuple[list[Lot], list[Order]]:
    """Lots of which nothing is entered, and orders that were sent and have no sale entered."""
    goods = Posting.objects.exclude(account__in=[account.value for account in OF_A_SALE])
    lots = Lot.objects.exclude(pk__in=goods.filter(lot__isnull=False).values("lot")).select_related("supplier")
    lots = lots.filter(pk__in=Lot.objects.filter(charges__amount__gt=0).values("pk"))
    sold = Posting.objects.filter(account=Account.SALES.value).values("order")
    orders = Order.objects.filter(despatch__isnull=False).exclude(pk__in=sold).select_related("customer")
    return list(lots.order_by("received_on", "number")), list(orders.order_by("number"))


def open_books(by: User | None) -> tuple[int, int]:
    """Enter what is on record and not in the books, each on its own day: lots, then orders."""
    lots, orders = not_in_the_books()
    for lot in lots:
        open_lot(lot, by)
    entered = 0
    for order in orders:
        if any(positions.of_order(order).values()):
            with on_day(timezone.localdate(order.despatch.at)):
                bring_order(order, f"{order} sent to {order.customer}", by)
            entered += 1
    return len(lots), entered


def leaving_by_lot(valves: Sequence[Valve]) -> list[tuple[Lot, set[int]]]:
    """The valves by their lots, the lots in the one order in which everybody locks them."""
    lots = {valve.line.lot_id: valve.line.lot for valve in valves}
    return [(lots[pk], {valve.pk for valve in valves if valve.line.lot_id == pk}) for pk in sorted(lots)]

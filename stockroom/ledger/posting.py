"""Writing entries: what happened is posted as the difference between the books and the records.

Whatever is done to a lot, the same function brings the books after it, so that a correction needs no rule of its own.
Each entry is written in the transaction of the change that it tells of, with the lot locked.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date
from decimal import Decimal

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Q, Sum
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


def pieces_booked(lot: Lot) -> dict[Key, int]:
    """The pieces that the books have on each line of the lot, and those that have left it."""
    rows = Posting.objects.filter(lot=lot.pk, pieces__isnull=False).order_by()
    summed = rows.values_list("account", "lot", "line", "valve", "order").annotate(there=Sum("pieces"))
    return {Key(Account(account), *rest): there for account, *rest, there in summed}


def _moved(lot: Lot, to: Mapping[Key, int]) -> dict[Key, int]:
    booked = pieces_booked(lot)
    return {key: to.get(key, 0) - booked.get(key, 0) for key in dict.fromkeys([*to, *booked])}


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
                pieces=pieces or None,
                lot_id=key.lot,
                line_id=key.line,
                valve_id=key.valve,
                order_id=key.order,
            )
            for key, amount, pieces in legs
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
    if any(key.line for key in of_goods) and not pieces_booked(lot):
        count_lot(lot, by)
    fixed = {**of_goods, **_as_before(lot, as_before)}
    legs = double_entry.to_reach(positions.of_lot(lot, fixed, leaving), of_goods)
    enter(text, double_entry.with_pieces(legs, _moved(lot, positions.pieces_of_lot(lot))), by)


def _as_before(lot: Lot, valves: Collection[int]) -> dict[Key, Decimal]:
    """What each of these cost when it left with its order."""
    keys = [one.key(lot.pk) for one in positions.left(lot) if one.order and one.valve in valves] if valves else []
    left = {}
    for key in keys:
        about = {"account": key.account.value, "lot": key.lot, "valve": key.valve, "order": key.order}
        last = Posting.objects.filter(**about, thousandths__gt=0).order_by("pk").last()
        left[key] = last.amount if last else Decimal(0)
    return left


@transaction.atomic
def forget_lot(lot: Lot, by: User | None) -> None:
    """The lot is taken off the books: what was entered for it is put back."""
    legs = double_entry.with_pieces(double_entry.to_reach({}, balances(lot=lot.pk)), _moved(lot, {}))
    enter(f"Lot {lot} taken off the books", legs, by)


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
    pieces = positions.pieces_of_lot(lot)
    by_day: dict[date, list[Leg]] = {}
    for day, stock, one, was_here in _leaving(lot, gone):
        amount = target.pop(one.key(lot.pk))
        target[stock] += amount
        pieces[stock] += was_here
        by_day.setdefault(day, []).extend([Leg(stock, -amount, -was_here), Leg(one.key(lot.pk), amount, 1)])
        del pieces[one.key(lot.pk)]
    legs = double_entry.with_pieces(double_entry.to_reach(target, {}), pieces)
    with on_day(_day.get() or lot.received_on):
        enter(f"Lot {lot} from {lot.supplier}", legs, by)
    for day, moved in sorted(by_day.items()):
        with on_day(_day.get() or day):
            enter(f"Lot {lot}: pieces that left", moved, by)


def count_lot(lot: Lot, by: User | None) -> None:
    """Of a lot that was entered before the books counted pieces: each is counted on the day that it came or left."""
    came = positions.pieces_of_lot(lot)
    by_day: dict[date, Counter[Key]] = {}
    for day, stock, one, was_here in _leaving(lot, positions.left(lot)):
        came[stock] += was_here
        del came[one.key(lot.pk)]
        by_day.setdefault(day, Counter()).update({stock: -was_here, one.key(lot.pk): 1})
    for day, moved in ((lot.received_on, came), *sorted(by_day.items())):
        with on_day(_day.get() or day):
            enter(f"Lot {lot}: its pieces counted", double_entry.with_pieces([], moved), by)


def _leaving(lot: Lot, gone: Sequence[positions.Left]) -> Iterator[tuple[date, Key, positions.Left, int]]:
    """When each left, the stock that it left, and how many pieces that took out of it: none where it had gone back to
    the supplier before."""
    returned = {line.pk: line.returned_positions for line in lot.lines.all()}
    days = _days_left(lot)
    for one in gone:
        day = max(days.get(one.valve, timezone.localdate()), lot.received_on)
        yield day, Key(Account.STOCK, lot.pk, one.line), one, int(one.position not in returned[one.line])


def _days_left(lot: Lot) -> Mapping[int, date]:
    """When each valve of the lot was sent, or else written off."""
    days = {
        valve: timezone.localdate(at)
        for valve, at in Entry.objects.filter(action="written-off", valve__line__lot=lot)
        .order_by("at")
        .values_list("valve", "at")
    }
    sent = Despatch.objects.filter(allocations__valve__line__lot=lot)
    rows = sent.order_by("at").values_list("allocations__valve", "at")
    return {**days, **{valve: timezone.localdate(at) for valve, at in rows}}


def not_in_the_books() -> tuple[list[Lot], list[Order]]:
    """Lots of which nothing is entered, and orders that were sent and have no sale entered."""
    goods = Posting.objects.exclude(account__in=[account.value for account in OF_A_SALE])
    lots = Lot.objects.exclude(pk__in=goods.filter(lot__isnull=False).values("lot")).select_related("supplier")
    something = Q(charges__amount__gt=0) | Q(lines__isnull=False)
    lots = lots.filter(pk__in=Lot.objects.filter(something).values("pk")).order_by("received_on", "number")
    sold = Posting.objects.filter(account=Account.SALES.value).values("order")
    orders = Order.objects.sent().exclude(pk__in=sold).select_related("customer")
    found = [lot for lot in lots if _says_something(lot)]
    return found, list(orders.order_by("number"))


def _says_something(lot: Lot) -> bool:
    """Rebates may undo all that was charged for it."""
    return any(positions.pieces_of_lot(lot).values()) or any(positions.of_lot(lot, {}, ()).values())


def not_counted() -> list[Lot]:
    """Lots that were entered before the books counted pieces, and have not changed since."""
    goods = Posting.objects.filter(account=Account.STOCK.value, lot__isnull=False)
    counted = goods.filter(pieces__isnull=False).values("lot")
    lots = Lot.objects.filter(pk__in=goods.values("lot")).exclude(pk__in=counted)
    return [lot for lot in lots.order_by("received_on", "number") if any(positions.pieces_of_lot(lot).values())]


def open_books(by: User | None) -> tuple[int, int]:
    """Enter what is on record and not in the books, each on its own day: lots, then orders."""
    lots, orders = not_in_the_books()
    for lot in lots:
        open_lot(lot, by)
    for lot in not_counted():
        with transaction.atomic():
            count_lot(locked(lot.pk), by)
    entered = 0
    for order in orders:
        if any(positions.of_order(order).values()):
            with on_day(timezone.localdate(order.despatches.not_undone().latest("at").at)):
                bring_order(order, f"{order} sent to {order.customer}", by)
            entered += 1
    return len(lots), entered


def leaving_by_lot(valves: Sequence[Valve]) -> list[tuple[Lot, set[int]]]:
    """The valves by their lots, the lots in the one order in which everybody locks them."""
    lots = {valve.line.lot_id: valve.line.lot for valve in valves}
    return [(lots[pk], {valve.pk for valve in valves if valve.line.lot_id == pk}) for pk in sorted(lots)]

"""What was written of an order by mistake is put right; the daybook keeps what stood there."""

from __future__ import annotations

from decimal import Decimal

from django.contrib.auth.models import User
from django.db import transaction

from grading.orders import fulfilment
from grading.orders.fulfilment import CannotPull
from grading.verdicts import states
from stockroom.models import Allocation, Despatch, Entry, Order, OrderLine, Valve
from stockroom.pure.money import shown
from stockroom.pure.written import plural
from stockroom.signals import despatch_undone


@transaction.atomic
def change_line(line: OrderLine, quantity: int, unit_price: Decimal | None, note: str, by: User) -> OrderLine:
    """Another number of items, price or note. What is asked for stays: remove the line and write another for that.

    Raises:
        CannotPull: the order cannot change, or more is set aside than would be asked for.
    """
    order = Order.objects.select_for_update(no_key=True).get(pk=line.order_id)
    line = order.lines.select_related("type").get(pk=line.pk)
    if not order.is_changeable:
        raise CannotPull(f"{order} is {order.state}: its lines stay as they are.")
    aside = line.quantity - fulfilment.missing(line)
    if quantity < aside:
        raise CannotPull(f"{aside} of this line are set aside: return {aside - quantity} to stock first.")
    was = _in_words(order, line)
    line.quantity, line.unit_price, line.note = quantity, unit_price, note
    line.save(update_fields=["quantity", "unit_price", "note"])
    if (now := _in_words(order, line)) != was:
        Entry.write(by, "order-line", f"{order}: {was} → {now}", order=order)
    fulfilment.refresh_state(order)
    return line


@transaction.atomic
def correct_despatch(order: Order, carrier: str, tracking: str, by: User) -> None:
    """
    Raises:
        CannotPull: it was not sent.
    """
    sent = _sent(order)
    was = sent.in_words
    sent.carrier, sent.tracking = carrier, tracking
    sent.save(update_fields=["carrier", "tracking"])
    Entry.write(by, "despatch-corrected", f"{order}: {was} → {sent.in_words}", order=order)


@transaction.atomic
def undo_despatch(order: Order, why: str, by: User) -> None:
    """The parcel has not left after all: what is in it is here, pulled. Listings that ended with it stay ended.

    Raises:
        CannotPull: it was not sent, or something came back from it.
    """
    sent = _sent(order)
    order = sent.order
    if order.returns.exists():
        raise CannotPull(f"Valves came back from {order}, so it was sent.")
    sent.delete()
    order.state = Order.State.PULLED
    order.save(update_fields=["state"])
    here = Allocation.objects.filter(order_line__order=order, live=True)
    valves = list(Valve.objects.filter(pk__in=here.values("valve")).select_related("line__lot"))
    for valve in valves:
        text = f"Not sent with {order} after all: {why}"
        Entry.write(by, "despatch-undone", text, valve=valve, lot=valve.line.lot, order=order)
    Entry.write(by, "despatch-undone", f"{order} was not sent after all: {why}. {sent.in_words}", order=order)
    states.refresh([valve.pk for valve in valves])
    despatch_undone.send(Order, order=order, valves=valves, by=by)


def _sent(order: Order) -> Despatch:
    locked = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    found = Despatch.objects.select_related("order").filter(order=locked).first()
    if found is None:
        raise CannotPull(f"{locked} was not sent.")
    return found


def _in_words(order: Order, line: OrderLine) -> str:
    price = "no price" if line.unit_price is None else shown(line.unit_price, order.currency)
    return f"{plural(line.quantity, 'item')} of {line.type} at {price}{f', {line.note}' if line.note else ''}"

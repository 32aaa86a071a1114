"""What was written of an order by mistake, or is wanted otherwise, is put right; the daybook keeps what stood there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from grading.models import Grade
from grading.orders import allocations, fulfilment, wishes
from grading.orders.fulfilment import CannotPull
from grading.sets import making
from grading.verdicts import states
from stockroom.models import Allocation, Despatch, Entry, Invoice, Order, OrderLine, Return, Valve
from stockroom.pure.money import shown
from stockroom.pure.written import plural
from stockroom.signals import despatch_undone, order_money_changed
from stockroom.site.locks import hold_valves

# What may be asked for otherwise on a line of tested valves; its type and the pieces in each stay.
WISHED = ("best_grades", "max_spread_percent", *OrderLine.WISHES)


@transaction.atomic
def change_line(
    line: OrderLine,
    quantity: int,
    unit_price: Decimal | None,
    note: str,
    by: User,
    *,
    wished: Mapping[str, Any] | None = None,
    why: str = "",
) -> OrderLine:
    """Another number of items, price, note, or other wishes (of WISHED). Its type and the pieces in each stay: remove
    the line and write another for that. The price of what was sent changes only for a reason.

    Raises:
        CannotPull: the order cannot change, its invoice is written, more is set aside than would be asked for, or what
            is set aside or sent is not as wished then.
    """
    order = Order.objects.select_for_update(no_key=True).get(pk=line.order_id)
    line = order.lines.select_related("type", "maker").get(pk=line.pk)
    if not order.is_changeable:
        raise CannotPull(f"{order} is {order.state}: its lines stay as they are.")
    others = {name: value for name, value in (wished or {}).items() if getattr(line, name) != value}
    if not set(others) <= set(WISHED):
        raise ValueError(f"A line keeps its {', '.join(sorted(set(others) - set(WISHED)))}.")
    _check_invoice(order, line, (quantity, unit_price, others))
    _check_quantity(line, quantity)
    sent = line.allocations.sent().values("item").distinct().count()
    if sent and unit_price != line.unit_price and not why:
        raise CannotPull(f"{plural(sent, 'item')} of this line left at the old price: say why it is another.")
    if sent and others:
        raise CannotPull(f"{plural(sent, 'item')} of this line left as asked for. Write another line for other wishes.")
    was, asked = _in_words(order, line), wishes.asked(line)
    line.quantity, line.unit_price, line.note = quantity, unit_price, note
    for name, value in others.items():
        setattr(line, name, value)
    if others:
        _still_as_asked(line)
    line.save(update_fields=["quantity", "unit_price", "note", *others])
    changes = [f"{was} → {now}"] if (now := _in_words(order, line)) != was else []
    if others:
        changes.append(f"asked for {asked} → {wishes.asked(line)}")
    if changes:
        text = f"{order}: {'; '.join(changes)}{f'. {why}' if why else ''}"
        Entry.write(by, "order-line", text, order=order)
        fulfilment.refresh_state(order)
        if sent:
            order_money_changed.send(Order, order=order, text=text, by=by)
    return line


def _check_invoice(order: Order, line: OrderLine, new: tuple[int, Decimal | None, Mapping[str, Any]]) -> None:
    invoice = order.invoices.filter(kind=Invoice.Kind.INVOICE).first()
    if invoice and new != (line.quantity, line.unit_price, {}):
        raise CannotPull(f"Invoice {invoice} says what {order} comes to. A credit note takes back what is not owed.")


def _check_quantity(line: OrderLine, quantity: int) -> None:
    taken = len(allocations.items_taken(line))
    if quantity < taken:
        raise CannotPull(f"{taken} of this line are set aside: return {taken - quantity} to stock first.")


def _still_as_asked(line: OrderLine) -> None:
    """What is set aside for the line already is as it asks for now. Raises CannotPull."""
    here = line.allocations.here().select_related("valve__type", "valve__maker")
    by_item: dict[int, list[Valve]] = {}
    for row in here:
        by_item.setdefault(row.item, []).append(row.valve)
    for item, valves in sorted(by_item.items()):
        if why := _why_not(line, valves):
            raise CannotPull(
                f"Item {item} is set aside, and would not be as asked for. {why}. Return it to stock first."
            )


def _why_not(line: OrderLine, valves: Sequence[Valve]) -> str:
    lower = Grade.objects.filter(valve__in=valves, current=True, rank__gt=line.best_grades).select_related("valve")
    if grade := lower.first():
        return f"{grade.valve} is graded {grade}"
    if line.max_spread_percent is not None and line.set_size > 1:
        membership = valves[0].memberships.filter(live=True).select_related("set").first()
        members = list(membership.set.members.select_related("grade")) if membership else []
        worst = 100 * making.worst_spread(members)
        if worst > line.max_spread_percent:
            return f"The set differs by {worst:.2f} %"
    return "; ".join(filter(None, wishes.refusals(line, valves)))


@transaction.atomic
def correct_despatch(order: Order, carrier: str, tracking: str, by: User, despatch: Despatch | None = None) -> None:
    """Of this parcel, or of the last one.

    Raises:
        CannotPull: it was not sent.
    """
    sent = _sent(order, despatch)
    was = sent.in_words
    sent.carrier, sent.tracking = carrier, tracking
    sent.save(update_fields=["carrier", "tracking"])
    Entry.write(by, "despatch-corrected", f"{order}: {was} → {sent.in_words}", order=order)


@transaction.atomic
def undo_despatch(order: Order, why: str, by: User, despatch: Despatch | None = None) -> None:
    """This parcel, or the last one, has not left after all: what is in it is here, pulled. Its number is not given
    again. Listings that ended with it stay ended.

    Raises:
        CannotPull: it was not sent, or something came back from it.
    """
    sent = _sent(order, despatch)
    order = sent.order
    rows = Allocation.objects.filter(despatch=sent)
    if Return.objects.filter(order=order, valve__in=rows.filter(live=False).values("valve")).exists():
        raise CannotPull(f"Valves came back from {order}, so it was sent.")
    hold_valves(list(rows.values_list("valve", flat=True)))
    valves = list(Valve.objects.filter(pk__in=rows.values("valve")).select_related("line__lot"))
    rows.update(despatch=None, packed_at=None)
    sent.undone_at, sent.undone_because = timezone.now(), why
    sent.save(update_fields=["undone_at", "undone_because"])
    fulfilment.refresh_state(order)
    for valve in valves:
        text = f"Not sent with {order} after all: {why}"
        Entry.write(by, "despatch-undone", text, valve=valve, lot=valve.line.lot, order=order)
    Entry.write(by, "despatch-undone", f"{order} was not sent after all: {why}. {sent.in_words}", order=order)
    states.refresh([valve.pk for valve in valves])
    despatch_undone.send(Order, order=order, valves=valves, by=by)


def _sent(order: Order, despatch: Despatch | None) -> Despatch:
    """The order is held."""
    locked = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    sent = locked.despatches.not_undone()
    found = sent.filter(pk=despatch.pk).first() if despatch else sent.last()
    if found is None:
        raise CannotPull(f"{despatch or locked} was not sent.")
    found.order = locked
    return found


def _in_words(order: Order, line: OrderLine) -> str:
    price = "no price" if line.unit_price is None else shown(line.unit_price, order.currency)
    return f"{plural(line.quantity, 'item')} of {line.type} at {price}{f', {line.note}' if line.note else ''}"

"""What is set aside for an order: what is still missing of a line, letting go of some, and the state that follows."""

from __future__ import annotations

from django.contrib.auth.models import User
from django.db.models import Q, QuerySet

from stockroom.models import Allocation, Entry, Order, OrderLine

SET_ASIDE_OR_SENT = Q(live=True) | Q(despatch__isnull=False)  # what came back was sent, and is not missing


def missing(line: OrderLine) -> int:
    """How many of the line's items are neither set aside nor sent."""
    return line.quantity - len(items_taken(line))


def items_taken(line: OrderLine) -> set[int]:
    return set(line.allocations.filter(SET_ASIDE_OR_SENT).order_by().values_list("item", flat=True))


def let_go(order: Order, allocations: QuerySet[Allocation], by: User | None) -> None:
    """These are free again. Their valves are held, and whoever calls brings the order's state up to date."""
    for allocation in allocations.select_related("valve__line__lot", "valve__place"):
        valve = allocation.valve
        back = f"; it goes back to {valve.place or 'its shelf'}" if allocation.pulled_at else ""
        text = f"No longer set aside for {order}{back}"
        Entry.write(by, "released", text, valve=valve, lot=valve.line.lot, order=order)
    allocations.update(live=False)


def refresh_state(order: Order) -> None:
    """As the lines stand: open while something is missing; then reserved, pulled when all that is still here is off
    its shelf, despatched when nothing is."""
    here = Allocation.objects.here().filter(order_line__order=order)
    sent = order.despatches.not_undone().exists()
    order.state = Order.State.OPEN
    if order.lines.exists() and all(missing(line) == 0 for line in order.lines.all()):
        order.state = Order.State.RESERVED
        if not here.exists():
            order.state = Order.State.DESPATCHED if sent else Order.State.RESERVED
        elif not here.filter(pulled_at=None).exists():
            order.state = Order.State.PULLED
    order.save(update_fields=["state"])

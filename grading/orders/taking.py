"""Taking an order: from whom, and what is asked for."""

from __future__ import annotations

from django.contrib.auth.models import User
from django.db import transaction

from grading.models import Grade
from grading.orders import fulfilment, holds, wishes
from grading.orders.fulfilment import CannotPull
from grading.orders.ways import way_for
from stockroom.models import Counter, Customer, Entry, Listing, Order, OrderLine, Pack, Valve


@transaction.atomic
def take_order(order: Order, customer: Customer, by: User) -> Order:
    """Number and save a new order; a customer who is new is saved with it."""
    if customer.pk is None:
        customer.save()
    order.number, order.customer, order.placed_by = f"R{Counter.take('order')[0]:04d}", customer, by
    order.save()
    Entry.write(by, "order-taken", f"Took {order} from {customer}", order=order)
    return order


@transaction.atomic
def add_line(order: Order, line: OrderLine, by: User) -> OrderLine:
    """A reserved order is open again: it waits for what the line asks for.

    Raises:
        CannotPull: the order cannot change any more.
    """
    order = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    if not order.is_changeable:
        raise CannotPull(f"{order} is {order.state}: no line can be added.")
    line.order = order
    line.save()
    if order.state == Order.State.RESERVED:
        order.state = Order.State.OPEN
        order.save(update_fields=["state"])
    Entry.write(by, "order-line", f"{order}: {wishes.asked(line)}", order=order)
    return line


@transaction.atomic
def add_listing(order: Order, listing: Listing, by: User) -> OrderLine:
    """A line for what is listed, at its price, with it set aside: a valve, a matched set, or sealed packs.

    Raises:
        CannotPull: it is not for sale any more, the order cannot change, or it has another currency.
    """
    holds.release_expired(but=order)
    order = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    if not order.is_changeable:
        raise CannotPull(f"{order} is {order.state}: nothing can be added to it.")
    if not Listing.objects.for_public_display().filter(pk=listing.pk).exists():
        raise CannotPull(f"{listing.number} is not for sale any more.")
    if listing.currency != order.currency:
        raise CannotPull(f"{listing.number} is priced in {listing.currency}, the order in {order.currency}.")
    valves = list(
        Valve.objects.filter(listings__listing=listing).select_related("type", "line__lot").order_by("serial")
    )
    worst = max(Grade.objects.filter(valve__in=valves, current=True).values_list("rank", flat=True), default=1)
    line = OrderLine.objects.create(
        order=order,
        type=valves[0].type,
        set_size=len(valves),
        untested=listing.untested,
        sealed=Pack.objects.filter(valve__in=valves, opened=False).exists(),
        quantity=1,
        best_grades=worst,
        unit_price=listing.price,
        note=f"listed as {listing.number}",
    )
    Entry.write(by, "order-line", f"{order}: {wishes.asked(line)}, listed as {listing.number}", order=order)
    if way := way_for(line):
        way.set_aside(line, f"listing {listing.number}", by)
    else:
        fulfilment.accept(line, valves, by)
    return line

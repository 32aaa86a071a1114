"""How long what is set aside stays so: until a date and time, then it is free again.

What money has come for stays set aside, and so does what is off its shelf: somebody has it in hand. The worker frees
what has run out (`release_expired`, a chore of `stockroom.jobs.kinds`); whoever sets something aside does so first, so
that nobody is refused what is free by now. No page view writes.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet
from django.utils import timezone

from grading.orders import allocations
from stockroom.models import Allocation, Entry, Order, Shop
from stockroom.money import invoicing
from stockroom.pure.refused import Refused
from stockroom.pure.written import moment
from stockroom.site.locks import hold_valves

SOON = timedelta(days=2)


class CannotHold(Refused):
    """The order cannot be held until then. The message says why."""


def begin(order: Order) -> None:
    """The order's goods are set aside from now for as long as the shop does, unless a time is running. It is held."""
    if order.held_until is not None and order.held_until > timezone.now():
        return
    days = Shop.own().hold_days
    order.held_until = None if days is None else timezone.now() + timedelta(days=days)
    order.save(update_fields=["held_until"])


@transaction.atomic
def hold_until(order: Order, until: datetime | None, by: User) -> None:
    """Set aside until then; for ever without a time.

    Raises:
        CannotHold: the time has passed, or nothing of the order is here to be held.
    """
    order = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    if not order.is_here:
        raise CannotHold(f"{order} is {order.state}: nothing of it is set aside any more.")
    if until is not None and until <= timezone.now():
        raise CannotHold(f"{moment(timezone.localtime(until))} has passed. Say a time to come.")
    order.held_until = until
    order.save(update_fields=["held_until"])
    Entry.write(by, "held", f"{order}: set aside {in_words(order)}", order=order)


def in_words(order: Order) -> str:
    """ "until 24 Nov 2026, 18:00", or for how long else."""
    return (
        "for as long as it takes"
        if order.held_until is None
        else f"until {moment(timezone.localtime(order.held_until))}"
    )


def runs(order: Order) -> bool:
    """Whether there is something that its time can free: not for what is paid, nor for what is off its shelf."""
    return order.held_until is not None and not _stays(order)


def _stays(order: Order) -> bool:
    here = Allocation.objects.here().filter(order_line__order=order)
    return not here.exists() or here.exclude(pulled_at=None).exists() or invoicing.paid(order) > 0


def has_run_out(order: Order) -> bool:
    return order.held_until is not None and order.held_until <= timezone.now() and not _stays(order)


def running_out(before: datetime) -> QuerySet[Order]:
    """Orders whose time is over by then, and of which nothing is off its shelf; some of them may be paid."""
    here = Allocation.objects.here().filter(order_line__order=OuterRef("pk"))
    found = Order.objects.filter(Exists(here), ~Exists(here.exclude(pulled_at=None)), held_until__lte=before)
    return found.order_by("held_until", "pk")


def soon_over(most: int) -> list[Order]:
    """Orders that are not paid and whose goods are free again within SOON, the first to be so first."""
    found = running_out(timezone.now() + SOON).select_related("customer").prefetch_related("payments")
    return [order for order in found[: 4 * most] if invoicing.paid(order) <= 0][:most]


def release_expired(but: Order | None = None) -> list[Order]:
    """Free what has run out, each order in a transaction of its own; which orders. Not those of the order in hand."""
    found = running_out(timezone.now()).values_list("pk", flat=True)
    others = sorted(key for key in found if but is None or key != but.pk)
    return [order for key in others if (order := _release_if_over(key))]


@transaction.atomic
def _release_if_over(key: int) -> Order | None:
    order = Order.objects.select_for_update(no_key=True).get(pk=key)
    if not has_run_out(order):
        return None
    here = Allocation.objects.here().filter(order_line__order=order)
    hold_valves(list(here.values_list("valve", flat=True)))
    until = in_words(order)
    allocations.let_go(order, here, None)
    order.held_until = None
    order.save(update_fields=["held_until"])
    Entry.write(None, "hold-over", f"{order} was set aside {until}: its goods are free again", order=order)
    allocations.refresh_state(order)
    return order

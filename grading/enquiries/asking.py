"""An enquiry about a listing: taken in from anybody, then taken as an order by the shop, or declined."""

from __future__ import annotations

from datetime import timedelta

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone
from django.utils.crypto import salted_hmac

from grading.listings import shown
from grading.orders import taking
from stockroom.models import Customer, Enquiry, Entry, Listing, Order, OrderLine
from stockroom.pure.refused import Refused

FROM_ONE_AN_HOUR = 5
FROM_ALL_AN_HOUR = 60  # more is no crowd of buyers


class CannotAsk(Refused):
    """The enquiry is not taken. The message says why, to the person who asks."""


class CannotAnswer(Refused):
    """The enquiry has been answered."""


def sender_of(address: str) -> str:
    """Tells one machine from another; what its address was cannot be told from it without the shop's secret."""
    return salted_hmac("grading.enquiries", address, algorithm="sha256").hexdigest()[:32]


@transaction.atomic
def ask(enquiry: Enquiry, address: str) -> Enquiry:
    """Keep what somebody asks from the machine at `address`.

    Raises:
        CannotAsk: the item is gone, or too much was asked within the last hour.
    """
    if not shown.is_available(enquiry.listing):
        raise CannotAsk("This item is no longer available.")
    enquiry.sender = sender_of(address)
    lately = Enquiry.objects.filter(sent_at__gt=timezone.now() - timedelta(hours=1))
    if lately.filter(sender=enquiry.sender).count() >= FROM_ONE_AN_HOUR or lately.count() >= FROM_ALL_AN_HOUR:
        raise CannotAsk("Many enquiries have come in within the last hour. Try again later, or write to us directly.")
    enquiry.save()
    about = enquiry.listing.listed.select_related("valve__line__lot").first()
    thing = {"valve": about.valve, "lot": about.valve.line.lot} if about else {}
    Entry.write(None, "enquiry", f"Asked about {enquiry.listing.number}", **thing)
    return enquiry


@transaction.atomic
def take(enquiry: Enquiry, customer: Customer, by: User) -> Order:
    """An order of it: the item set aside at its price and, where more were asked for, a line for the rest like it.

    Raises:
        CannotAnswer: it has been answered.
        CannotPull: the item is gone, or set aside for somebody else.
    """
    enquiry = _held(enquiry)
    listing = enquiry.listing
    order = Order(currency=listing.currency, note=enquiry.message)
    order = taking.take_order(order, customer, by)
    line = taking.add_listing(order, listing, by)
    if enquiry.quantity > 1:
        taking.add_line(order, _rest(line, enquiry.quantity - 1, listing), by)
    _answered(enquiry, by, order=order)
    return order


def _rest(line: OrderLine, quantity: int, listing: Listing) -> OrderLine:
    return OrderLine(
        type=line.type,
        set_size=line.set_size,
        sealed=line.sealed,
        untested=line.untested,
        quantity=quantity,
        best_grades=line.best_grades,
        unit_price=line.unit_price,
        note=f"like {listing.number}",
    )


@transaction.atomic
def decline(enquiry: Enquiry, because: str, by: User) -> None:
    """Raises CannotAnswer: it has been answered."""
    enquiry = _held(enquiry)
    _answered(enquiry, by, declined_because=because)
    Entry.write(by, "enquiry-declined", f"Declined the enquiry of {enquiry}: {because}")


def _held(enquiry: Enquiry) -> Enquiry:
    held = Enquiry.objects.select_for_update(no_key=True, of=("self",)).select_related("listing").get(pk=enquiry.pk)
    if held.answered_at:
        answer = f"taken as {held.order}" if held.order else f"declined: {held.declined_because}"
        raise CannotAnswer(f"It was answered before, {answer}.")
    return held


def _answered(enquiry: Enquiry, by: User, **how: object) -> None:
    enquiry.answered_at, enquiry.answered_by = timezone.now(), by
    for name, value in how.items():
        setattr(enquiry, name, value)
    enquiry.save(update_fields=["answered_at", "answered_by", *how])

"""What goes into a parcel is scanned into it, and a parcel leaves checked or for a reason that somebody gives.

A parcel is all that is here of an order, or those of its items that were scanned: then the rest stays for another.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from grading.orders import fulfilment
from grading.orders.fulfilment import CannotPull
from stockroom.models import Allocation, Despatch, Entry, Order, Valve
from stockroom.pure.written import plural
from stockroom.sealed import seals

NAMED = 12  # serials in a message


class CannotPack(CannotPull):
    """It does not belong into the parcel, or the parcel is not as it should be. The message says what to do."""


class ParcelItem(NamedTuple):
    """One item of a line that is still here."""

    key: tuple[int, int]
    allocations: Sequence[Allocation]

    @property
    def lacking(self) -> list[str]:
        return [one.valve.serial for one in self.allocations if one.packed_at is None]

    @property
    def is_begun(self) -> bool:
        return len(self.lacking) < len(self.allocations)

    @property
    def is_whole(self) -> bool:
        return not self.lacking


def items_here(order: Order) -> list[ParcelItem]:
    rows = (
        Allocation.objects.here()
        .filter(order_line__order=order)
        .select_related("order_line__type", "valve__type", "valve__place", "valve__pack")
        .order_by("order_line", "item", "valve__serial")
    )
    items: dict[tuple[int, int], list[Allocation]] = {}
    for row in rows:
        items.setdefault((row.order_line_id, row.item), []).append(row)
    return [ParcelItem(key, found) for key, found in items.items()]


@transaction.atomic
def scan(order: Order, valve: Valve, by: User) -> int:
    """The valve is in the parcel, and what shares its sealed carton with it. Returns how many of the order are not.

    Raises:
        CannotPack: it is not of this order, or is in the parcel already, or was never scanned off its shelf.
    """
    order = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    here = Allocation.objects.here().filter(order_line__order=order)
    found = here.filter(valve=valve).select_related("order_line").first()
    if found is None:
        raise CannotPack(f"Wrong valve. {valve} {_where_it_belongs(order, valve)}")
    if found.packed_at:
        raise CannotPack(f"Scanned twice. {valve} is in the parcel already: count it once.")
    if found.pulled_at is None:
        raise CannotPack(f"Not pulled. {valve} is of {order} and was never scanned off its shelf: pull it first.")
    same = [valve.pk]
    if found.order_line.sealed and (pack := seals.shut_pack(valve)):
        same += seals.together(pack).values_list("valve", flat=True)
    here.filter(valve__in=same, packed_at=None).update(packed_at=timezone.now())
    return here.filter(packed_at=None).count()


def _where_it_belongs(order: Order, valve: Valve) -> str:
    other = Allocation.objects.filter(valve=valve, live=True).select_related("order_line__order", "despatch").first()
    if other and other.despatch:
        return f"left with {other.order_line.order}, {other.despatch}. Put it aside and ask."
    if other:
        return f"is set aside for {other.order_line.order}, not for {order}. Take it out of the parcel."
    return f"is not on {order}. Take it out of the parcel and put it back on {valve.place or 'its shelf'}."


@transaction.atomic
def begin_again(order: Order, by: User) -> None:
    """Nothing is in the parcel: every valve is to be scanned anew."""
    order = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    Allocation.objects.here().filter(order_line__order=order).update(packed_at=None)
    Entry.write(by, "packed-anew", f"The check of {order}'s parcel was begun anew", order=order)


@transaction.atomic
def send(
    order: Order, carrier: str, tracking: str, by: User, *, only_scanned: bool = False, unchecked: str = ""
) -> Despatch:
    """The parcel leaves: with all that is still here, or with the items that are whole in it.

    Raises:
        CannotPack: a valve that goes was not scanned and no reason is given, or half an item would go.
        CannotPull: as `fulfilment.despatch`.
    """
    order = Order.objects.select_for_update(no_key=True).get(pk=order.pk)
    items = items_here(order)
    going = [item for item in items if item.is_begun] if only_scanned else items
    lacking = [serial for item in going for serial in item.lacking]
    if only_scanned and not going:
        raise CannotPack("Nothing is scanned into the parcel yet.")
    if only_scanned and lacking:
        raise CannotPack(f"Missing: {_named(lacking)}. Half an item does not go: scan what belongs to it.")
    if lacking and not unchecked:
        raise CannotPack(f"Missing: {_named(lacking)}. Scan each into the parcel, or say why it goes unchecked.")
    if going == items:
        return fulfilment.despatch(order, carrier, tracking, by, _all_of(order, items), unchecked if lacking else "")
    return fulfilment.despatch(order, carrier, tracking, by, [item.key for item in going])


def _all_of(order: Order, items: Sequence[ParcelItem]) -> list[tuple[int, int]] | None:
    """None for an order of which this is all there is to come: it has to be pulled as a whole then."""
    return [item.key for item in items] if order.state == Order.State.OPEN else None


def _named(serials: Sequence[str]) -> str:
    more = f" and {plural(len(serials) - NAMED, 'more valve')}" if len(serials) > NAMED else ""
    return f"{', '.join(serials[:NAMED])}{more}"

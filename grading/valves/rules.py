"""Rules between records that the shop keeps, as questions to the database: which rows break one.

The services keep them, each under its locks, and the database itself keeps those that it can (`guards`, and the
constraints of the models). `manage.py check_states` asks all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from django.db.models import Count, Exists, F, OuterRef, Q, QuerySet, Subquery

from grading.models import MatchedSet, Member
from stockroom.models import Allocation, Despatch, ListedValve, Listing, Order, Pack, Return, Valve

SHOWN = 20  # of each rule

Rows = QuerySet[Any]


class ShopRule(NamedTuple):
    """`broken` finds the rows that break it; `says` tells of one of them, and what to do."""

    broken: Callable[[], Rows]
    says: str


def _of(records: type[Allocation] | type[ListedValve] | type[Member]) -> Exists:
    return Exists(records._default_manager.filter(valve=OuterRef("pk"), live=True))


def _written_off_and(records: type[Allocation] | type[ListedValve] | type[Member]) -> Callable[[], Rows]:
    return lambda: Valve.objects.filter(_of(records)).exclude(written_off="")


def _sent_and_listed() -> Rows:
    sent = Allocation.objects.sent().filter(valve=OuterRef("pk"), live=True)
    return Valve.objects.filter(Exists(sent), _of(ListedValve))


def _of_a_set_listed_apart() -> Rows:
    """Live listings that hold a valve of a live set without all of the set's."""
    mates = Member.objects.filter(set=OuterRef("valve__memberships__set"), live=True).order_by().values("set")
    in_set = (
        ListedValve.objects.filter(live=True, valve__memberships__live=True)
        .annotate(of=F("valve__memberships__set"), mates=Subquery(mates.annotate(n=Count("pk")).values("n")))
        .order_by()
        .values("listing", "of", "mates")
        .annotate(here=Count("pk"))
    )
    return Listing.objects.filter(pk__in=in_set.exclude(here=F("mates")).values("listing"))


def _several_that_are_no_set() -> Rows:
    sealed = Pack.objects.filter(valve__listings__listing=OuterRef("pk"), opened=False)
    listed = Listing.objects.live().annotate(
        valves=Count("listed", distinct=True),
        sets=Count("listed__valve__memberships__set", filter=Q(listed__valve__memberships__live=True), distinct=True),
    )
    return listed.filter(valves__gt=1).exclude(sets=1).exclude(Exists(sealed))


def _ended_and_live() -> Rows:
    return Listing.objects.exclude(ended_at=None).filter(listed__live=True).distinct()


def _broken_and_live() -> Rows:
    return MatchedSet.objects.exclude(broken_at=None).filter(members__live=True).distinct()


def _whole_and_not_live() -> Rows:
    return MatchedSet.objects.live().filter(members__live=False).distinct()


def _part_of_a_set_on_an_order() -> Rows:
    """Live sets of which some valves are on an order as one item, and others not."""
    on_order = Count("members", filter=Q(members__live=True, members__valve__allocations__live=True), distinct=True)
    items = Count(
        "members__valve__allocations__order_line", filter=Q(members__valve__allocations__live=True), distinct=True
    )
    counted = MatchedSet.objects.live().annotate(on_order=on_order, items=items)
    return counted.filter(on_order__gt=0).exclude(on_order=F("size"), items=1)


def _of_another_type() -> Rows:
    """Valves set aside for a line that asks for another type."""
    return Valve.objects.filter(
        Exists(Allocation.objects.filter(valve=OuterRef("pk"), live=True).exclude(order_line__type=OuterRef("type")))
    )


def _cancelled_with_goods() -> Rows:
    held = Allocation.objects.filter(order_line__order=OuterRef("pk"), live=True)
    return Order.objects.filter(Exists(held), state=Order.State.CANCELLED)


def _sent_without_despatch() -> Rows:
    despatch = Despatch.objects.not_undone().filter(order=OuterRef("pk"))
    here = Allocation.objects.here().filter(order_line__order=OuterRef("pk"))
    sent, cancelled = Q(state=Order.State.DESPATCHED), Q(state=Order.State.CANCELLED)
    return Order.objects.filter((sent & (~Exists(despatch) | Exists(here))) | (cancelled & Exists(despatch)))


def _sent_with_what_was_taken_back() -> Rows:
    return Allocation.objects.sent().exclude(despatch__undone_at=None).select_related("valve", "despatch")


def _sent_with_another_order() -> Rows:
    return Allocation.objects.sent().exclude(despatch__order=F("order_line__order")).select_related("valve", "despatch")


def _ready_and_not_pulled() -> Rows:
    waits = Allocation.objects.here().filter(order_line__order=OuterRef("pk"), pulled_at=None)
    return Order.objects.filter(Exists(waits), state__in=[Order.State.PULLED, Order.State.DESPATCHED])


def _undecided_and(records: type[Allocation] | type[ListedValve] | type[Member]) -> Callable[[], Rows]:
    """Valves that came back, on which nobody has decided, and that are promised all the same."""
    back = Return.objects.undecided().filter(valve=OuterRef("pk"))
    return lambda: Valve.objects.filter(Exists(back), _of(records))


RULES = (
    ShopRule(_written_off_and(Allocation), "valve {} is written off and set aside for an order: release it there"),
    ShopRule(_written_off_and(ListedValve), "valve {} is written off and listed: end the listing"),
    ShopRule(_written_off_and(Member), "valve {} is written off and in a live set: break the set up"),
    ShopRule(_undecided_and(Allocation), "valve {} came back undecided and is set aside for an order: decide first"),
    ShopRule(_undecided_and(ListedValve), "valve {} came back undecided and is listed: end the listing"),
    ShopRule(_undecided_and(Member), "valve {} came back undecided and is in a live set: break the set up"),
    ShopRule(_sent_and_listed, "valve {} has left the house and is listed: end the listing"),
    ShopRule(
        _of_a_set_listed_apart, "listing {0.number} offers part of a live set by itself: end it, and list the whole set"
    ),
    ShopRule(_several_that_are_no_set, "listing {0.number} offers several valves that are no set: end it"),
    ShopRule(_ended_and_live, "listing {0.number} has ended, yet a valve counts as listed on it"),
    ShopRule(_broken_and_live, "set {0.number} is broken up, yet a valve counts as its member"),
    ShopRule(_whole_and_not_live, "set {0.number} stands, yet a valve of it does not count as its member"),
    ShopRule(
        _part_of_a_set_on_an_order, "set {0.number} is partly on an order: put it back there, or set aside all of it"
    ),
    ShopRule(_of_another_type, "valve {} is set aside for a line that asks for another type: release it there"),
    ShopRule(_cancelled_with_goods, "order {} is cancelled, yet valves are set aside for it"),
    ShopRule(_sent_without_despatch, "order {0} is {0.state}, and what is written of its despatch says otherwise"),
    ShopRule(
        _sent_with_what_was_taken_back,
        "valve {0.valve} counts as sent with {0.despatch}, which did not leave after all",
    ),
    ShopRule(_sent_with_another_order, "valve {0.valve} counts as sent with {0.despatch}, a parcel of another order"),
    ShopRule(_ready_and_not_pulled, "order {0} is {0.state}, yet a valve of it was never pulled"),
)


def broken_rules() -> Iterator[str]:
    """A sentence for each row that breaks a rule, SHOWN of each at most."""
    for rule in RULES:
        for row in rule.broken().order_by("pk")[:SHOWN]:
            yield rule.says.format(row)

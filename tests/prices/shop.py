"""A small shop with graded goods and a price book, for the tests of this room."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from grading.listings import publishing
from grading.models import MatchedSet, PriceDraft, PriceRule
from grading.prices import book, changing, effects
from grading.sets import making
from stockroom.jobs import worker
from stockroom.models import Allocation, Customer, Despatch, Listing, Order, OrderLine, Valve
from stockroom.site.people import Role
from tests.factories import graded_all, make_type, make_user, make_valves


def olive() -> Any:
    return make_user("olive", Role.OWNER)


def draft(effect: str = "price", replaces: PriceRule | None = None, **said: Any) -> PriceDraft:
    """A drafted rule whose effect has been reckoned."""
    made = PriceDraft.objects.create(effect=effect, replaces=replaces, made_by=olive(), **{"reason": "a test", **said})
    effects.start_effect(made, olive())
    worker.work_off()
    made.refresh_from_db()
    return made


def in_force(effect: str = "price", replaces: PriceRule | None = None, **said: Any) -> PriceRule:
    """In force at once, by somebody who did not wait to see the effect."""
    made = PriceDraft.objects.create(
        effect=effect, replaces=replaces, book=book.version(), **{"reason": "a test", **said}
    )
    return changing.put_in_force(made, olive())


def ended(rule: PriceRule) -> PriceRule:
    ending = changing.draft_end(rule, "no more", olive())
    PriceDraft.objects.filter(pk=ending.pk).update(book=book.version())
    return changing.put_in_force(ending, olive())


def goods(count: int = 4, designation: str = "12AX7") -> list[Valve]:
    """Graded Excellent, alike, so that any of them match."""
    valves = make_valves(make_type(designation), count)
    graded_all([(valve, 1.2, 1.6) for valve in valves])
    return list(Valve.objects.filter(pk__in=[valve.pk for valve in valves]).order_by("serial"))


def pair_of(valves: Sequence[Valve]) -> MatchedSet:
    return making.make_set(list(valves), 5, olive())


def listed(valves: Sequence[Valve], price: str) -> Listing:
    return publishing.publish(list(valves), "A fine thing", "As found.", Decimal(price), "GBP", olive())


def sold(valves: Sequence[Valve], price: str, **line: Any) -> OrderLine:
    """An order of one line, sent; the rows alone, as a past sale leaves them."""
    order = Order.objects.create(
        number=f"R9{Order.objects.count():04}",
        customer=Customer.objects.get_or_create(name="Ada Quill")[0],
        state=Order.State.DESPATCHED,
    )
    despatch = Despatch.objects.create(number=f"D{order.number}", order=order)
    made = order.lines.create(
        type=valves[0].type, **{"set_size": 1, "quantity": len(valves), "unit_price": Decimal(price), **line}
    )
    Allocation.objects.bulk_create(
        Allocation(order_line=made, item=1 + place // made.set_size, valve=valve, despatch=despatch)
        for place, valve in enumerate(valves)
    )
    return made

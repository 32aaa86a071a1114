"""What the shop itself sold alike goods for, and the price that these sales suggest.

A sale is an order line that was sent and did not all come back. Its price is the one on the line, in the home currency,
before any discount of the order. The latest of the type are looked at, `LOOKED_BACK` at most.
"""

from __future__ import annotations

from collections import defaultdict

from django.db.models import Max

from catalog.models import ValveType
from grading.models import Grade
from grading.prices.pure.book import How, PieceFacts
from grading.prices.pure.suggesting import Alike, AlikeSale, Suggestion, TooFewSales, suggested
from stockroom.models import Allocation, Maker, Order, OrderLine, Shop

LOOKED_BACK = 200


def sales_of(type_: ValveType) -> list[AlikeSale]:
    """The latest sales of the type; three questions."""
    lines = list(
        OrderLine.objects.filter(
            type=type_,
            unit_price__gt=0,
            order__state=Order.State.DESPATCHED,
            order__currency=Shop.own().currency,
            allocations__live=True,
        )
        .annotate(sent_at=Max("allocations__despatch__at"))
        .order_by("-sent_at", "-pk")[:LOOKED_BACK]
    )
    sent = list(
        Allocation.objects.filter(order_line__in=[line.pk for line in lines], live=True)
        .order_by()
        .values_list("order_line", "valve", "valve__maker")
    )
    grades = dict(
        Grade.objects.filter(valve__allocations__order_line__in=[line.pk for line in lines], current=True)
        .order_by()
        .values_list("valve", "name")
    )
    names: defaultdict[int, set[str]] = defaultdict(set)
    makers: defaultdict[int, set[int | None]] = defaultdict(set)
    for line, valve, maker in sent:
        names[line].add(grades.get(valve, ""))
        makers[line].add(maker)
    return [_sale(line, names[line.pk], makers[line.pk]) for line in lines]


def _sale(line: OrderLine, names: set[str], makers: set[int | None]) -> AlikeSale:
    """Sealed packs are priced by the piece: how many lie in a pack makes no set of them."""
    assert line.unit_price is not None
    how = How.SEALED if line.sealed else How.UNTESTED if line.untested else How.TESTED
    price = line.unit_price / line.set_size if line.sealed else line.unit_price
    return AlikeSale(
        price,
        how.value,
        1 if line.sealed else line.set_size,
        next(iter(names)) if len(names) == 1 and how is How.TESTED else "",
        next(iter(makers)) if len(makers) == 1 else None,
    )


def suggest(type_: ValveType, facts: PieceFacts, maker: Maker | None = None) -> Suggestion | TooFewSales:
    """For an item whose pieces are all like this one; never a price without its count of sales and its interval."""
    wanted = Alike(
        str(type_),
        facts.how.value,
        facts.set_size,
        facts.grade,
        maker.pk if maker else None,
        str(maker) if maker else "",
    )
    return suggested(wanted, sales_of(type_))

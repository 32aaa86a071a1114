"""The price book as it stands, or stood: what it asks for goods. This is what other rooms call.

    book = current_book()                      # or book_at(moment), book_of_version(version)
    price_of(valves)                           # one item: a valve, or all valves of a set
    price_items({key: valves, …})              # many items; the same few questions for 500 valves
    price_lines(lines)                         # a piece of each line that is still in bulk
    book.price([ToPrice(PieceFacts(…), cost)]) # goods that are not here yet

Each answers with a `BookPrice`: the amount (None where no rule gives a base), the shares of the pieces, and the steps
in words. Amounts are in the shop's home currency.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from decimal import Decimal

from django.db.models import Max, Q, QuerySet

from catalog.reference.scripts import normal
from grading.models import PriceRule
from grading.models.prices import HOWS, RuleText
from grading.prices import facts
from grading.prices.pure.book import Book, BookPrice, How, Rule, RuleConditions, RuleEffect
from grading.prices.pure.rounding import Direction, Grid
from stockroom.models import Line, Shop, Valve
from stockroom.models.orders import set_name
from stockroom.pure.written import plain


def version() -> int:
    """The state of the book now: another one after every change."""
    return PriceRule.objects.aggregate(last=Max("pk"))["last"] or 0


def rules_of_version(number: int) -> QuerySet[PriceRule]:
    later = Q(replaced_by=None) | Q(replaced_by__pk__gt=number)
    return PriceRule.objects.filter(later, pk__lte=number, withdrawn=False)


def current_book() -> Book:
    return _book(PriceRule.objects.in_force())


def book_at(moment: datetime) -> Book:
    """The book that was in force then."""
    return _book(PriceRule.objects.in_force(moment))


def book_of_version(number: int) -> Book:
    return _book(rules_of_version(number))


def _book(rows: QuerySet[PriceRule]) -> Book:
    """Those in the home currency: one written in another says nothing until it is written anew."""
    currency = Shop.own().currency
    found = [row for row in rows.select_related("type", "maker") if row.currency == currency]
    return Book([read_rule(row, row.number) for row in found], currency)


def read_rule(row: RuleText, number: int) -> Rule:
    """What a version, or a draft, of a rule says, for reckoning."""
    effect = RuleEffect(row.effect)
    grid = None
    if effect is RuleEffect.ROUNDING and row.step is not None:
        grid = Grid(row.step, row.ending or Decimal(0), Direction(row.direction))
    asked = RuleConditions(
        row.type_id,
        normal(row.as_marked) if row.as_marked else None,
        row.maker_id,
        row.grade or None,
        row.condition or None,
        row.construction or None,
        row.set_size,
        row.within_percent,
        How(row.how) if row.how else None,
    )
    return Rule(
        number,
        effect,
        asked,
        row.heading,
        amount=row.amount or Decimal(0),
        of_set=row.of_set,
        factor=Decimal(1) if row.factor is None else row.factor,
        grid=grid,
        place=row.place,
        words=conditions_in_words(row),
    )


def conditions_in_words(row: RuleText) -> str:
    """ "EL84, Excellent, matched pair, within 5 %"; nothing for a rule that asks nothing."""
    words = [
        str(row.type) if row.type_id else "",
        f"called {row.as_marked}" if row.as_marked else "",
        f"marked {row.maker}" if row.maker_id else "",
        row.grade,
        row.get_condition_display() if row.condition else "",
        row.construction,
        set_name(row.set_size) if row.set_size else "",
        f"within {plain(row.within_percent)}\N{NO-BREAK SPACE}%" if row.within_percent is not None else "",
        dict(HOWS)[row.how] if row.how else "",
    ]
    return ", ".join(filter(None, words))


# Prices


def price_of(valves: Sequence[Valve], at: datetime | None = None) -> BookPrice:
    """Of one item: these valves together."""
    return price_items({0: valves}, at)[0]


def price_items(items: Mapping[int, Sequence[Valve]], at: datetime | None = None) -> dict[int, BookPrice]:
    """By the book in force now, or at a past moment with the grades, sets and seals of then.

    Fetch `facts.FETCHED` with the valves.
    """
    return price_by([book_at(at) if at else current_book()], items, at)[0]


def price_by(
    books: Sequence[Book], items: Mapping[int, Sequence[Valve]], at: datetime | None = None
) -> list[dict[int, BookPrice]]:
    """The same items by each of several books; the goods are looked up once."""
    valves = [valve for some in items.values() for valve in some]
    pieces = facts.pieces_of(valves, books[0].currency, at)
    return [
        {key: book.price([pieces[valve.pk] for valve in some]) for key, some in items.items() if some} for book in books
    ]


def price_lines(lines: Collection[Line], book: Book | None = None) -> dict[int, BookPrice]:
    """What the book asks for one piece, by line, of those that bear a cost. Fetch `type` and `maker`."""
    book = book or current_book()
    return {line.pk: book.price([facts.in_bulk(line, book.currency)]) for line in lines if line.bearing_cost > 0}

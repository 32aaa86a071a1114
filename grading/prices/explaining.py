"""One item and what to ask for it: by the book, with its steps, and by the shop's own sales, with what they rest on."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from django.urls import reverse

from grading.listings.asking import PriceHint
from grading.models import MatchedSet
from grading.prices import book, facts, sales
from grading.prices.pure.book import BookPrice, PieceFacts
from grading.prices.pure.suggesting import Suggestion, TooFewSales
from stockroom.models import Listing, Shop, Valve
from stockroom.pure.money import shown
from stockroom.pure.written import percent


def suggestion_for(valves: Sequence[Valve]) -> Suggestion | TooFewSales:
    """By the shop's own sales of what these have in common."""
    pieces = [piece.facts for piece in facts.pieces_of(valves, Shop.own().currency).values()]
    grades = {piece.grade for piece in pieces}
    makers = {valve.maker for valve in valves}
    alike: PieceFacts = pieces[0]._replace(grade=grades.pop() if len(grades) == 1 else "")
    return sales.suggest(valves[0].type, alike, makers.pop() if len(makers) == 1 else None)


def suggestion_in_words(found: Suggestion | TooFewSales, currency: str) -> str:
    """Always with the count of sales and the interval, or with why there is none."""
    if isinstance(found, TooFewSales):
        return found.in_words
    price = found.price
    wider = f" {found.wider}" if found.wider else ""
    return (
        f"Our own sales suggest {shown(price.median, currency)}: the median of {price.n} sales of {found.among}. The "
        f"median of such sales lies between {shown(price.low, currency)} and {shown(price.high, currency)} "
        f"({percent(price.confidence)} sure).{wider}"
    )


def hint(valves: Sequence[Valve]) -> PriceHint:
    """For the page that lists one item (`grading.listings.asking`)."""
    found, currency = book.price_of(valves), Shop.own().currency
    by_book = (
        f"The price book asks {shown(found.amount, currency)}."
        if found.amount is not None
        else f"The price book has no price: {found.in_words.rstrip('.').lower()}."
    )
    return PriceHint(
        found.amount, (by_book, suggestion_in_words(suggestion_for(valves), currency)), address_of(valves[0])
    )


def address_of(valve: Valve) -> str:
    return f"{reverse('price-why')}?item={valve.serial}"


class Item(NamedTuple):
    """What is priced together, and how it is called."""

    name: str
    valves: list[Valve]
    listing: Listing | None


def item_named(text: str) -> Item | None:
    """A listing or a set by its number, a valve by its serial; with a valve goes the set that it is in."""
    text = text.strip().upper()
    fetched = Valve.objects.select_related(*facts.FETCHED, "line__lot")
    listing = Listing.objects.filter(number=text).first()
    if listing is not None:
        valves = list(fetched.filter(listings__listing=listing).order_by("serial"))
        return Item(f"{listing.number}, {listing.title}", valves, listing) if valves else None
    matched = MatchedSet.objects.filter(number=text).select_related("type").first()
    if matched is None:
        matched = MatchedSet.objects.live().filter(members__valve__serial=text, members__live=True).first()
    if matched is not None:
        valves = list(fetched.filter(memberships__set=matched).order_by("memberships__position"))
        return Item(str(matched), valves, _live_listing(valves)) if valves else None
    valves = list(fetched.filter(serial=text))
    return Item(f"{valves[0]}, {valves[0].type_and_mark}", valves, _live_listing(valves)) if valves else None


def _live_listing(valves: Sequence[Valve]) -> Listing | None:
    return Listing.objects.live().filter(listed__valve=valves[0], listed__live=True).first()


def price_then(item: Item, moment: datetime) -> BookPrice:
    """By the book that was in force then, with the grades and sets of then."""
    return book.price_of(item.valves, moment)

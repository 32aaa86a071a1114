"""What the public is shown of listings, gathered once for the page, for search engines and for the feeds."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from django.db.models import Q

from grading.listings.parts import part_of
from grading.listings.pure.product import Product, Property, Seller
from grading.metrology import uncertainty
from grading.models import Grade, MatchedSet, Member
from grading.sets import doubts
from grading.verdicts.graded import PREFETCHED, sections_as_graded
from grading.verdicts.pure.graded import GradedValue
from grading.verdicts.values import Bench
from stockroom.models import Line, Listing, Return, Shop, Valve
from stockroom.models.orders import set_name
from stockroom.pure.money import to_minor
from stockroom.pure.written import MINUS, plain

ON_THE_PAGE = (*PREFETCHED, "readings__test_point__source", "readings__shift__tester__conditions")


class ShownValue(NamedTuple):
    """One value of one section, as it is printed; `expanded_uncertainty` is nothing where none is stated."""

    serial: str
    section: int
    quantity: str
    unit: str
    value: str
    expanded_uncertainty: str


def valves_of(listing: Listing) -> list[Valve]:
    return [row.valve for row in listing.listed.all()]


def set_of(valves: Sequence[Valve]) -> MatchedSet | None:
    """The live set that these valves are."""
    if len(valves) < 2:
        return None
    return MatchedSet.objects.live().filter(members__valve__in=valves, members__live=True).first()


def is_available(listing: Listing) -> bool:
    """Whether it can be bought now."""
    if not Listing.objects.for_public_display().filter(pk=listing.pk).exists():
        return False
    valves = list(Valve.objects.filter(listings__listing=listing))
    matched, part = set_of(valves), part_of(valves)
    return not (matched and doubts.why_doubtful(matched)) and not (part and part.why_not)


def speaking_grades(listings: Sequence[Listing], prefetched: Sequence[str] = PREFETCHED) -> dict[int, list[Grade]]:
    """The grades that speak for each listing, by serial: a set is sold by the readings that it was made on, here as on
    its certificate; a valve by its current ones. Needs the listings' `listed__valve` at hand."""
    of_valve = {valve.pk: listing.pk for listing in listings for valve in valves_of(listing)}
    alone = {valves[0].pk for listing in listings if len(valves := valves_of(listing)) == 1}
    members = Member.objects.filter(valve__in=set(of_valve) - alone, live=True).values_list("pk", flat=True)
    rows = Grade.objects.filter(Q(memberships__in=members) | Q(valve__in=alone, current=True)).distinct()
    rows = rows.select_related("policy", "valve__maker", "valve__type").prefetch_related(*prefetched)
    found: dict[int, list[Grade]] = defaultdict(list)
    for grade in rows.order_by("valve__serial"):
        found[of_valve[grade.valve_id]].append(grade)
    return found


def values_shown(grades: Sequence[Grade], bench: Bench | None = None) -> Iterator[ShownValue]:
    bench = bench or Bench()
    for grade in grades:
        for section in sections_as_graded(grade, bench):
            for quantity, value in section.values.items():
                number, expanded = _stated(value)
                yield ShownValue(grade.valve.serial, section.section, quantity.symbol, quantity.unit, number, expanded)


def _stated(value: GradedValue) -> tuple[str, str]:
    if value.expanded_uncertainty:
        return uncertainty.state(value.value, value.expanded_uncertainty)
    return plain(value.value, 4).replace(MINUS, "-"), ""


def kind_in_words(valves: Sequence[Valve], grades: Sequence[Grade]) -> str:
    """ "matched quad": what one buys. Several that nobody graded are sealed packs, and no set."""
    return set_name(len(valves)) if len(valves) == 1 or grades else f"{len(valves)} pieces"


def seller(shop: Shop) -> Seller:
    return Seller(shop.name, shop.address, shop.email, shop.phone, shop.web_address)


def product(
    listing: Listing,
    valves: Sequence[Valve],
    grades: Sequence[Grade],
    *,
    available: bool,
    url: str,
    images: Sequence[str],
    kind: str,
) -> Product:
    """Needs the valves' `line`, `maker` and `type` at hand."""
    makers = {valve.maker.name for valve in valves if valve.maker}
    type_ = valves[0].type if valves else None
    sold_before = Return.objects.filter(valve__in=valves).exists()
    return Product(
        sku=listing.number,
        name=listing.title,
        description=listing.text or listing.title,
        url=url,
        category=f"Electron valve, {type_.kind}" if type_ and type_.kind else "Electron valve",
        price=to_minor(listing.price, listing.currency),
        currency=listing.currency,
        available=available,
        used=sold_before or any(valve.line.condition == Line.Condition.USED for valve in valves),
        seller=seller(Shop.own()),
        marked=makers.pop() if len(makers) == 1 and all(valve.maker for valve in valves) else "",
        images=tuple(images),
        properties=tuple(_properties(valves, grades, kind)),
    )


def _properties(valves: Sequence[Valve], grades: Sequence[Grade], kind: str) -> Iterator[Property]:
    if valves:
        yield Property("Type", valves[0].type.designation)
        yield Property("Sold as", kind)
    for grade in grades:
        yield Property(f"Grade of {grade.valve.serial}", grade.name)
    for one in values_shown(grades):
        note = f"± {one.expanded_uncertainty} {one.unit}, about 95 %" if one.expanded_uncertainty else ""
        yield Property(f"{one.quantity}, section {one.section} of {one.serial}", one.value, one.unit, note)

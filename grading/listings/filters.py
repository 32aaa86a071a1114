"""What the public may look for among the listings."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import django_filters
from django.db.models import Count, Exists, OuterRef, Q, QuerySet

from catalog.models import Basing, ValveType
from grading.models import Grade, Policy
from stockroom.models import ListedValve, Listing, Maker, Pack, Shop
from stockroom.models.orders import SEALED_WORDS, UNTESTED_WORDS, set_name
from stockroom.site.numbers import DecimalTyped

UNTESTED, SEALED, MORE = "untested", "sealed", "more"
SIZES = (1, 2, 4)
Listings = QuerySet[Listing]


class PriceFilter(django_filters.NumberFilter):
    field_class = DecimalTyped


def with_valve(*conditions: Q, **where: Any) -> Exists:
    """Listings with a valve of which this holds; asked apart, so that no listing comes twice."""
    return Exists(ListedValve.objects.filter(*conditions, listing=OuterRef("pk"), **where))


def _bases(_: object = None) -> list[tuple[str, str]]:
    found = Basing.objects.filter(types__valves__listings__live=True).distinct().order_by("base")
    return list({basing.base: (basing.base, basing.base_name) for basing in found}.values())


def _grades(_: object = None) -> list[tuple[str, str]]:
    policy = Policy.objects.filter(in_force=True).first()
    names = policy.parsed.names if policy else ()
    return [*((name, name) for name in names), (UNTESTED, UNTESTED_WORDS), (SEALED, SEALED_WORDS)]


class SaleFilter(django_filters.FilterSet):
    """A price is asked for in the shop's own currency, and so finds what is priced in it."""

    name = django_filters.CharFilter(label="Type, by any name", method="by_name")
    maker = django_filters.ModelChoiceFilter(
        label="Marked maker", method="by_maker", queryset=Maker.objects.filter(valves__listings__live=True).distinct()
    )
    grade = django_filters.ChoiceFilter(label="Grade", method="by_grade", choices=_grades)
    base = django_filters.ChoiceFilter(label="Base", method="by_base", choices=_bases)
    size = django_filters.ChoiceFilter(
        label="Sold as",
        method="by_size",
        choices=[*((str(size), set_name(size)) for size in SIZES), (MORE, "more together")],
    )
    least = PriceFilter(label="Price from", method="from_price")
    most = PriceFilter(label="Price to", method="to_price")

    class Meta:
        model = Listing
        fields: list[str] = []

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        currency = Shop.own().currency
        for name in ("least", "most"):
            self.filters[name].label = f"{self.filters[name].label.partition(',')[0]}, {currency}"

    def by_name(self, listings: Listings, _: str, text: str) -> Listings:
        """The type by its own name or an alias, what stands on the glass, or any words of the title."""
        types = ValveType.objects.named(text)
        on_glass = Q(valve__type__in=types) | Q(valve__as_marked__iexact=text.strip())
        return listings.filter(with_valve(on_glass) | Q(title__icontains=text))

    def by_maker(self, listings: Listings, _: str, maker: Maker) -> Listings:
        return listings.filter(with_valve(valve__maker=maker))

    def by_grade(self, listings: Listings, _: str, name: str) -> Listings:
        """Each of its valves has this grade."""
        if name == UNTESTED:
            return listings.filter(untested=True)
        if name == SEALED:
            return listings.filter(with_valve(valve__in=Pack.objects.under_seal().values("valve")))
        graded = Grade.objects.filter(current=True)
        return listings.filter(
            with_valve(valve__in=graded.filter(name=name).values("valve")),
            ~with_valve(valve__in=graded.exclude(name=name).values("valve")),
        )

    def by_base(self, listings: Listings, _: str, base: str) -> Listings:
        return listings.filter(with_valve(valve__type__basing__base=base))

    def by_size(self, listings: Listings, _: str, size: str) -> Listings:
        counted = listings.annotate(pieces=Count("listed")).order_by("-listed_at", "-number")  # grouped rows forget it
        if size == MORE:
            return counted.exclude(pieces__in=SIZES)
        return counted.filter(pieces=int(size))

    def from_price(self, listings: Listings, _: str, least: Decimal) -> Listings:
        return listings.filter(currency=Shop.own().currency, price__gte=least)

    def to_price(self, listings: Listings, _: str, most: Decimal) -> Listings:
        return listings.filter(currency=Shop.own().currency, price__lte=most)

"""What was asked on a past day: for what was before the public its listing's price of then, for the rest the book's."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, datetime, time
from decimal import Decimal
from typing import NamedTuple

from django.db.models import Q, QuerySet
from django.utils import timezone

from stockroom.models import Listing, Repricing
from stockroom.site.chunks import chunked


class AskedFor(NamedTuple):
    listing: int
    price: Decimal
    currency: str


def end_of(day: date) -> datetime:
    """The last moment of the day in the shop's own time, where it is not today; now where it is."""
    if day >= timezone.localdate():
        return timezone.now()
    return timezone.make_aware(datetime.combine(day, time.max))


def live_at(moment: datetime) -> QuerySet[Listing]:
    """The listings that were before the public then."""
    return Listing.objects.filter(Q(ended_at=None) | Q(ended_at__gt=moment), listed_at__lte=moment)


def asked_at(listings: Collection[Listing], moment: datetime) -> dict[int, AskedFor]:
    """What each was asked for then, by key: the price before the first change after the moment, or the one it has."""
    found = {one.pk: AskedFor(one.pk, one.price, one.currency) for one in listings}
    for keys in chunked(list(found)):
        later = Repricing.objects.filter(listing__in=keys, at__gt=moment).order_by("-at", "-id")
        for listing, before in later.values_list("listing", "before"):
            found[listing] = found[listing]._replace(price=before)
    return found

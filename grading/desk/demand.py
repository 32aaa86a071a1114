"""What was sold, and what was asked for and not had."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from typing import NamedTuple

from django.db import transaction
from django.db.models import Count, F, Min, Q, Sum
from django.db.models.functions import TruncMonth

from grading.models import LeftOut, SearchWithoutResult
from stockroom.ledger.pure.double_entry import Account
from stockroom.models import LedgerEntry, Order, OrderLine, Posting
from stockroom.site import searches

LOOKED_BACK_DAYS = 365
MOST_WORDS = 200  # kept of a day's searches, the most frequent ones; a robot types many
SHOWN_WORDS = 50
OTHER = "(other words)"


def looked_back_to(today: date) -> date:
    """The first day of a year that ends today, or of the books."""
    first = LedgerEntry.objects.aggregate(first=Min("on"))["first"] or today
    return max(first, today - timedelta(days=LOOKED_BACK_DAYS - 1))


def _left(since: date, today: date):
    """The books' record of what left with orders in these days; what came back counts against it."""
    return Posting.objects.filter(
        account=Account.COST_OF_SALES.value, pieces__isnull=False, entry__on__gte=since, entry__on__lte=today
    ).order_by()


def sold_by_type(since: date, today: date) -> dict[int, int]:
    rows = _left(since, today).values_list("valve__type").annotate(sold=Sum("pieces"))
    return {type_: max(sold, 0) for type_, sold in rows}


def sold_by_month(today: date, months: int = 24) -> list[tuple[date, int]]:
    """Month by month, the oldest first; the month that has begun is the last."""
    starts = [date(today.year, today.month, 1)]
    while len(starts) < months:
        last = starts[-1] - timedelta(days=1)
        starts.append(date(last.year, last.month, 1))
    starts.reverse()
    rows = _left(starts[0], today).annotate(month=TruncMonth("entry__on"))
    sold = dict(rows.values_list("month").annotate(sold=Sum("pieces")))
    return [(start, sold.get(start, 0)) for start in starts]


class NotHad(NamedTuple):
    """Pieces of each type."""

    waiting: dict[int, int]  # on orders that are open, with nothing set aside for them
    left_out: dict[int, int]  # the customer went without
    cancelled: dict[int, int]  # on orders that were cancelled with nothing ever set aside


def not_had(since: date) -> NotHad:
    lines = OrderLine.objects.order_by()
    open_ = lines.filter(order__state__in=[Order.State.OPEN, Order.State.RESERVED])
    asked = Counter(dict(open_.values_list("type").annotate(pieces=Sum(F("quantity") * F("set_size")))))
    there = Count("allocations", filter=Q(allocations__live=True))
    asked.subtract(dict(open_.values_list("type").annotate(pieces=there)))
    left_out = LeftOut.objects.filter(at__date__gte=since).order_by().values_list("type")
    never = lines.filter(order__state=Order.State.CANCELLED, order__placed_at__date__gte=since, allocations=None)
    return NotHad(
        {type_: pieces for type_, pieces in asked.items() if pieces > 0},
        dict(left_out.annotate(pieces_=Sum("pieces"))),
        dict(never.values_list("type").annotate(pieces=Sum(F("quantity") * F("set_size")))),
    )


class SearchedFor(NamedTuple):
    words: str
    times: int


def take_in_searches() -> bool:
    """Count what the public pages noted, day by day. Returns whether there was more than could be noted."""
    noted, was_full = searches.take()
    by_day: dict[date, Counter[str]] = {}
    for looked, times in noted.items():
        by_day.setdefault(looked.on, Counter())[looked.words.casefold()] += times
    with transaction.atomic():
        for on, words in by_day.items():
            kept = dict(words.most_common(MOST_WORDS))
            if len(words) > len(kept):
                kept[OTHER] = words.total() - sum(kept.values())
            for one, times in kept.items():
                row, made = SearchWithoutResult.objects.get_or_create(on=on, words=one, defaults={"times": times})
                if not made:
                    SearchWithoutResult.objects.filter(pk=row.pk).update(times=F("times") + times)
    searches.done()
    return was_full


def searched_for(since: date) -> list[SearchedFor]:
    """The words that were looked for most and found nothing."""
    rows = SearchWithoutResult.objects.filter(on__gte=since).order_by().values_list("words")
    return [SearchedFor(*row) for row in rows.annotate(sum=Sum("times")).order_by("-sum", "words")[:SHOWN_WORDS]]

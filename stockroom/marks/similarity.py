"""What the valves of a set may be asked to share besides their readings: when they were made, how they are built.

A valve of which nothing is known is not in the answer.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import date

from catalog.models import ValveType
from stockroom.marks.pure.construction import FEATURES
from stockroom.models import DateReading, SeenFeature

#: Print and flash differ between valves of one batch, so they are no part of how a valve is built.
BUILT = tuple(feature for feature in FEATURES if feature not in ("print colour", "top flash"))

#: A code that names a week spans up to this many days in the three ways of counting weeks
# (`stockroom.marks.pure.datecodes`).
ONE_WEEK_DAYS = 13


def weeks_made(type_: ValveType) -> dict[int, tuple[int, int]]:
    """First and last week by valve, as running numbers."""
    rows = DateReading.objects.filter(current=True, valve__type=type_, earliest__isnull=False, latest__isnull=False)
    return {
        valve: weeks_between(earliest, latest)
        for valve, earliest, latest in rows.values_list("valve", "earliest", "latest").order_by()
        if earliest and latest
    }


def weeks_between(earliest: date, latest: date) -> tuple[int, int]:
    """The running numbers of the first and the last week, Monday to Sunday. A code that names one week counts as
    the week of its middle day: two like codes are then of one week, however the factory counted.

    >>> weeks_between(date(1955, 3, 1), date(1955, 3, 31))[1] - weeks_between(date(1955, 3, 1), date(1955, 3, 31))[0]
    4
    """
    if (latest - earliest).days <= ONE_WEEK_DAYS:
        middle = earliest + (latest - earliest) // 2
        earliest = latest = middle
    # Day 1 is a Monday in the calendar that Python extends backwards.
    return (earliest.toordinal() - 1) // 7, (latest.toordinal() - 1) // 7


def how_built(type_: ValveType) -> dict[int, str]:
    """By valve, such as "plate shape box, getter shape halo": two valves are built alike where the words are."""
    seen: dict[int, dict[str, str]] = defaultdict(dict)
    rows = SeenFeature.objects.filter(valve__type=type_, feature__in=BUILT)
    for valve, feature, word in rows.values_list("valve", "feature", "word").order_by():
        seen[valve][feature] = word
    return {
        valve: ", ".join(f"{feature} {words[feature]}" for feature in BUILT if feature in words)
        for valve, words in seen.items()
    }

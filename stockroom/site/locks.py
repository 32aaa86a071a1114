"""Rows that nobody else changes until our transaction ends, always taken in one order, so that no two wait for each
other:

    an order, a file, a run, a shift or a tester; lots; valves; sets and listings; counters

Lots and valves are taken by primary key. A lock leaves the row's key alone (`no_key`): on PostgreSQL whoever writes a
row that refers to it, such as the daybook, need not wait. On SQLite a transaction has the database to itself.
What deadlocks nevertheless is tried again (`stockroom.site.attempts`).
"""

from __future__ import annotations

from collections.abc import Collection

from stockroom.models import Lot, Valve
from stockroom.site.chunks import chunked


def hold_valves(keys: Collection[int], *related: str) -> list[Valve]:
    """These valves as they stand now, by primary key, fetched with these relations; their lots are held with them.

    What was read of them before is stale: states are asked of the rows returned.
    """
    wanted = sorted(set(keys))
    lots = {
        lot
        for some in chunked(wanted)
        for lot in Valve.objects.filter(pk__in=some).order_by().values_list("line__lot", flat=True).distinct()
    }
    for some in chunked(sorted(lots)):
        list(Lot.objects.select_for_update(no_key=True).filter(pk__in=some).order_by("pk"))
    held: list[Valve] = []
    for some in chunked(wanted):
        rows = Valve.objects.select_for_update(no_key=True, of=("self",)).filter(pk__in=some)
        held += rows.select_related("type", "line__lot", *related).order_by("pk")
    return held

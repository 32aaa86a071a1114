"""How far lots and their lines have come.

Whatever changes the pieces of a lot or the state of its valves calls `refresh_lots` in the same transaction.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from typing import NamedTuple

from django.db import transaction
from django.db.models import Count, Sum

from stockroom.models import Line, Lot, Valve
from stockroom.models.goods import pieces_of_line
from stockroom.site.chunks import chunked
from stockroom.states import LADDER, State, lot_state

FURTHEST_FIRST = (State.DESPATCHED, *reversed(LADDER), State.WRITTEN_OFF)


class ProgressPart(NamedTuple):
    """One stretch of a progress bar."""

    state: State
    pieces: int
    percent: float


class LotTally(NamedTuple):
    """Valves by state, and the pieces in bulk that have no serial yet."""

    counts: Mapping[State, int]
    in_bulk: int

    @property
    def serialised(self) -> int:
        return sum(self.counts.values())

    @property
    def pieces(self) -> int:
        return self.serialised + self.in_bulk

    @property
    def state(self) -> State:
        return lot_state(self.counts, self.in_bulk)

    @property
    def parts(self) -> list[ProgressPart]:
        """Furthest along first, without the states that nothing is in; pieces in bulk are received."""
        found = []
        for state in FURTHEST_FIRST:
            here = self.counts.get(state, 0) + (self.in_bulk if state == State.RECEIVED else 0)
            if here:
                found.append(ProgressPart(state, here, 100 * here / self.pieces))
        return found

    @property
    def in_words(self) -> str:
        return ", ".join(f"{part.pieces} {part.state}" for part in self.parts)


def tally_lots(lot_ids: Collection[int]) -> dict[int, LotTally]:
    """The tally of each lot, by primary key."""
    return {key: tally for keys in chunked(lot_ids) for key, tally in _tally("lot", "line__lot", keys).items()}


def tally_lines(line_ids: Collection[int]) -> dict[int, LotTally]:
    """The tally of each line, by primary key."""
    return {key: tally for keys in chunked(line_ids) for key, tally in _tally("pk", "line", keys).items()}


def refresh_lots(lot_ids: Collection[int]) -> None:
    """Store the true state of these lots. The rows are locked first, so that of two people who finish the
    last two valves of a lot at once the second sees both."""
    with transaction.atomic():
        for keys in chunked(lot_ids):
            lots = list(Lot.objects.select_for_update(no_key=True).filter(pk__in=keys).order_by("pk"))
            tallies = tally_lots([lot.pk for lot in lots])
            for lot in lots:
                if lot.state != tallies[lot.pk].state:
                    Lot.objects.filter(pk=lot.pk).update(state=tallies[lot.pk].state)


def _tally(group: str, valve_group: str, keys: list[int]) -> dict[int, LotTally]:
    """Tallies of lines grouped by `group`, and of their valves grouped by `valve_group`."""
    there = dict(
        Line.objects.filter(**{f"{group}__in": keys})
        .values_list(group)
        .annotate(there=Sum(pieces_of_line()))
        .order_by()
    )
    counts: dict[int, dict[State, int]] = defaultdict(dict)
    for key, state, here in (
        Valve.objects.filter(**{f"{valve_group}__in": keys})
        .values_list(valve_group, "state")
        .annotate(n=Count("pk"))
        .order_by()
    ):
        counts[key][State(state)] = here
    return {key: LotTally(counts[key], there.get(key, 0) - sum(counts[key].values())) for key in keys}

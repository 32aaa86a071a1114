"""Why no set can be made, by number: for every page that proposes sets, runs, plans or fills an order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import NamedTuple

from django.db.models import Exists, OuterRef

from catalog.models import ValveType
from grading import matching
from grading.models import Grade, Policy
from grading.sets.making import Pool, guard_of_value, pool
from stockroom.models import Allocation, Valve
from stockroom.pure.written import noun, plural
from stockroom.states import State

MORE_READINGS = (2, 8)  # what is reckoned through when there are no sets
WAITED_COUNT_S = 0.3  # a count may take so long while somebody waits for the page, of some ten


class AskedSets(NamedTuple):
    """Sets of one type as somebody asks for them, of its best so many grades."""

    type: ValveType
    size: int
    tiers: Sequence[matching.Tier]
    best_grades: int
    rules: matching.Rules = matching.Rules()
    dated: bool = False
    built: bool = False

    def pool(self, best_grades: int, probability: float) -> Pool:
        return pool(self.type, best_grades, self.size, probability, dated=self.dated, built=self.built)


def asked_within(type_: ValveType, size: int, tolerance_percent: float, best_grades: int) -> AskedSets:
    return AskedSets(type_, size, [matching.Tier("asked", tolerance_percent / 100, 1.0)], best_grades)


class WhyNone(NamedTuple):
    """`words` are sentences, what tells most first; `sure_enough` is how many sets could be made after all."""

    sure_enough: int
    words: tuple[str, ...]


def why_none(asked: AskedSets, stock: Pool | None = None, *, count_time_s: float = WAITED_COUNT_S) -> WhyNone:
    """How many sets there are as read and how many sure enough, what takes the rest, which change would bring most,
    and which valves of the type were not in the pool at all."""
    probability = Policy.current().parsed.match_probability
    stock = stock or asked.pool(asked.best_grades, probability)
    changes = _changes(asked, stock, probability)
    found = matching.why_few(stock.pieces, asked.size, asked.tiers, asked.rules, changes, count_time_s=count_time_s)
    return WhyNone(found.sure_enough, (*found.words, *not_in_pool(asked.type, asked.best_grades, len(stock.pieces))))


def _changes(asked: AskedSets, stock: Pool, probability: float) -> list[matching.Remedy]:
    """What a shop can do about it: read on, or take lower grades in."""
    changes = []
    if any(any(piece.guard or ()) for piece in stock.pieces):
        for more in MORE_READINGS:
            after = [read_again(piece, stock, asked.size, probability, more) for piece in stock.pieces]
            changes.append(matching.Remedy(f"read each valve {more} more times", after, asked.tiers, asked.rules))
    lower = asked.pool(asked.best_grades + 1, probability)
    if len(lower.pieces) > len(stock.pieces):
        words = f"take in the best {asked.best_grades + 1} grades"
        changes.append(matching.Remedy(words, lower.pieces, asked.tiers, asked.rules))
    return changes


def read_again(piece: matching.Piece, stock: Pool, size: int, probability: float, more: int) -> matching.Piece:
    """The piece as it would be after more readings: of its doubt only what averages out gets less."""
    row = stock.rows[int(str(piece.key))]
    guard = tuple(guard_of_value(value, stock.apart, size, probability, len(row), more) for value in row)
    return replace(piece, guard=guard)


def not_in_pool(type_: ValveType, best_grades: int, in_pool: int | None = None) -> tuple[str, ...]:
    """The valves of this type in the house that nothing can be made of, by number and reason.

    `in_pool` is how many of the free ones of these grades can be compared; all, where it is not given.
    """
    counts = Counter(_where_it_is(*row, best_grades) for row in _graded(type_))
    counts["no grade"] = Valve.objects.in_house().filter(type=type_, state__in=(State.RECEIVED, State.TESTED)).count()
    counts["lacking"] = 0 if in_pool is None else counts["free"] - in_pool
    parts = [
        f"{counts[why]} {noun(counts[why], one, many)}" for why, (one, many) in NOT_IN_POOL.items() if counts[why] > 0
    ]
    if not parts:
        return ()
    others = sum(counts[why] for why in NOT_IN_POOL if counts[why] > 0)
    return (f"{plural(others, 'valve')} of this type could not be asked: {'; '.join(parts)}.",)


NOT_IN_POOL = {
    "taken": ("is in a set, listed or set aside", "are in sets, listed or set aside"),
    "lower": ("is of a lower grade", "are of lower grades"),
    "lacking": (
        "cannot be compared: it lacks a reading, its readings contradict each other, or its tester is not known",
        "cannot be compared: they lack a reading, their readings contradict each other, or their tester is not known",
    ),
    "not for sale": ("has a grade that is not for sale", "have a grade that is not for sale"),
    "no grade": ("has no grade yet", "have no grade yet"),
}


def _graded(type_: ValveType) -> Iterable[tuple[bool, int, str, bool]]:
    """Of each graded valve in the house: whether it may be sold, its rank, its state, whether it is set aside."""
    reserved = Exists(Allocation.objects.filter(valve=OuterRef("valve"), live=True))
    current = Grade.objects.filter(current=True, valve__in=Valve.objects.in_house().filter(type=type_))
    return current.annotate(reserved=reserved).values_list("saleable", "rank", "valve__state", "reserved")


def _where_it_is(saleable: bool, rank: int, state: str, reserved: bool, best_grades: int) -> str:
    if not saleable:
        return "not for sale"
    if rank > best_grades:
        return "lower"
    return "taken" if reserved or state != State.GRADED else "free"

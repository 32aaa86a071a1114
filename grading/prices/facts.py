"""What the price rules may ask of goods, gathered from the records: as they are, or as they were at a past moment.

Grades, sets and seals have their days. Type, name on the glass, maker, construction and cost are taken as they are
known now: what was put right since was wrong then too.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from django.db.models import Q, QuerySet

from catalog.reference.scripts import normal
from grading.models import Grade, Member
from grading.prices.pure.book import How, PieceFacts, ToPrice
from stockroom.models import Line, Pack, SeenFeature, Valve
from stockroom.site.chunks import chunked

FETCHED = ("type", "maker", "line")  # for `select_related` of valves


class _Known(NamedTuple):
    """Of some valves, by key: grade, size and tolerance of the set, construction; and which lie sealed."""

    grades: Mapping[int, str]
    sets: Mapping[int, tuple[int, float]]
    features: Mapping[int, frozenset[str]]
    sealed: Collection[int]


def pieces_of(valves: Collection[Valve], currency: str, at: datetime | None = None) -> dict[int, ToPrice]:
    """Of each valve, by key, what prices it; four questions for every 500 of them, where `FETCHED` was fetched."""
    known = _known([valve.pk for valve in valves], at)
    return {valve.pk: ToPrice(_facts(valve, known), valve.line.cost_of(valve.position, currency)) for valve in valves}


def in_bulk(line: Line, currency: str) -> ToPrice:
    """A piece of the line that has no serial yet, at the least that one costs. Fetch `type` and `maker`."""
    how = How.SEALED if line.condition == Line.Condition.SEALED else How.UNTESTED
    facts = PieceFacts(line.type_id, normal(line.called), line.maker_id, condition=line.condition, how=how)
    return ToPrice(facts, line.cost_each(currency)[0])


def _facts(valve: Valve, known: _Known) -> PieceFacts:
    size, within = known.sets.get(valve.pk, (1, None))
    grade = known.grades.get(valve.pk, "")
    return PieceFacts(
        valve.type_id,
        normal(valve.called),
        valve.maker_id,
        grade,
        valve.line.condition,
        known.features.get(valve.pk, frozenset()),
        size,
        within,
        How.SEALED if valve.pk in known.sealed else How.TESTED if grade else How.UNTESTED,
    )


def _known(keys: Sequence[int], at: datetime | None) -> _Known:
    grades: dict[int, str] = {}
    sets: dict[int, tuple[int, float]] = {}
    features: defaultdict[int, set[str]] = defaultdict(set)
    sealed: set[int] = set()
    for some in chunked(keys):
        grades |= dict(_grades(some, at))
        members = Member.objects.filter(valve__in=some)
        if at is None:
            members = members.filter(live=True)
        else:
            unbroken = Q(set__broken_at=None) | Q(set__broken_at__gt=at)
            members = members.filter(unbroken, set__made_at__lte=at)
        for valve, size, within in members.order_by().values_list("valve", "set__size", "set__tolerance_percent"):
            sets[valve] = (size, within)
        for valve, feature, word in SeenFeature.objects.filter(valve__in=some).values_list("valve", "feature", "word"):
            features[valve].add(f"{feature}: {word}")
        packs = Pack.objects.filter(valve__in=some, opened=False)
        whole = Q(broken_seal=None) if at is None else Q(broken_seal=None) | Q(broken_seal__at__gt=at)
        sealed.update(packs.filter(whole).values_list("valve", flat=True))
    return _Known(grades, sets, {key: frozenset(found) for key, found in features.items()}, sealed)


def _grades(keys: Collection[int], at: datetime | None) -> Iterable[tuple[int, str]]:
    """The current ones; of a past moment the last that was given by then."""
    rows: QuerySet[Grade] = Grade.objects.filter(valve__in=keys)
    if at is None:
        return rows.filter(current=True).order_by().values_list("valve", "name")
    return rows.filter(given_at__lte=at).order_by("given_at", "id").values_list("valve", "name")

"""What in the house can fill an item of a line, the least loss first: sets that stand, sets to make, and singles."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

from django.db.models import Exists, OuterRef

from grading.models import Grade, MatchedSet, Member
from grading.orders import wishes
from grading.orders.pure.wishes import WishAnswer, overall
from grading.sets import doubts, making
from grading.sets.plans import LeastLoss, least_loss
from stockroom.models import OrderLine, Return, Valve
from stockroom.states import State

LOOKED_AT = 60  # sets: a page shows eight of them
SINGLES_LOOKED_AT = 200


class OrderOption(NamedTuple):
    """One way to fill one item of a line."""

    valves: tuple[Valve, ...]
    grades: tuple[Grade, ...]
    spread: float | None  # the worst quantity's; None for a single
    set: MatchedSet | None  # a set that stands already; None when it would be made
    why: str = ""  # why it comes where it does
    weighed: str = ""  # how that was reckoned, for who asks
    unsure: str = ""  # which of the line's wishes nobody can judge of it

    @property
    def places(self) -> str:
        """Where to fetch them, each place once."""
        return ", ".join(dict.fromkeys(str(valve.place or "–") for valve in self.valves))

    @property
    def key(self) -> str:
        return " ".join(valve.serial for valve in self.valves)

    @property
    def grade_names(self) -> str:
        return ", ".join(sorted({grade.name for grade in self.grades}))


def options(line: OrderLine, limit: int = 8, without: Collection[int] = ()) -> list[OrderOption]:
    """What meets the line: singles by grade, the best first; sets, those first whose sale costs the shop least, in
    money, whether they stand already or would be made. Of those that cost as much the ones that stand come first.

    Of what is wished of the valves, nothing that is known to be otherwise; what nobody can judge comes last. None of
    the valves left out by key is among them.
    """
    if line.set_size == 1:
        return _singles(line, limit, without)
    ready = [one for one in _ready_sets(line) if not any(valve.pk in without for valve in one.valves)]
    found = least_loss(line, wishes.fitting(line, without) if line.wishes or without else None)
    every = ready if found is None else _by_loss(line, ready, found)
    return sorted(every, key=lambda option: bool(option.unsure))[:limit]


def _by_loss(line: OrderLine, ready: Sequence[OrderOption], found: LeastLoss) -> list[OrderOption]:
    """Sets that stand beside those that could be made. Sets made within more than is asked for stay last."""
    sure, unsure = [], []
    for option in ready:
        assert option.set is not None
        within = option.set.tolerance_percent
        if line.max_spread_percent is not None and within > line.max_spread_percent:
            unsure.append(option)
        elif within in found.made_already:
            loss = found.made_already[within]
            sure.append((loss.amount, option._replace(why=f"{option.why} {loss.told}".strip())))
        else:  # made a moment ago
            sure.append((0.0, option))
    new = [(loss.amount, option) for loss, option in zip(found.losses, _new_sets(found), strict=True)]
    return [option for _, option in sorted(sure + new, key=lambda pair: round(pair[0], 2))] + unsure


def _new_sets(found: LeastLoss) -> list[OrderOption]:
    """The set of free stock that costs the rest of the stock least, and the next best."""
    keys = [valve.pk for valves, _ in found.choices for valve in valves]
    grades = {grade.valve_id: grade for grade in Grade.objects.filter(current=True, valve__in=keys)}
    next_best = " ".join(
        ["The next best of those that were compared.", *(loss.told for loss in found.losses[1:])]
    ).strip()
    reasons = ((found.why, found.detail), (next_best, ""))
    return [
        OrderOption(valves, tuple(grades[valve.pk] for valve in valves), worst, None, *reason)
        for (valves, worst), reason in zip(found.choices, reasons, strict=False)
    ]


def _singles(line: OrderLine, limit: int, without: Collection[int]) -> list[OrderOption]:
    """The best grade first, of one grade the nearest to nominal."""
    free = (
        Grade.objects.filter(
            current=True,
            saleable=True,
            rank__lte=line.best_grades,
            valve__type=line.type,
            valve__state__in=[State.GRADED, State.LISTED],
        )
        .exclude(valve__allocations__live=True)
        .exclude(valve__memberships__live=True)
        .exclude(valve__in=Return.objects.undecided().values("valve"))
        .exclude(valve__in=without)
        .select_related("valve__place", "valve__type", "valve__maker")
        .order_by("rank", "valve__serial")
    )
    if not line.wishes:
        grades = sorted(free[: max(SINGLES_LOOKED_AT, limit)], key=_from_nominal)[:limit]
        return [OrderOption((grade.valve,), (grade,), None, None) for grade in grades]
    first = list(free.filter(valve__in=wishes.known_to_be(line))[:SINGLES_LOOKED_AT])
    rest = free.exclude(pk__in=[grade.pk for grade in first]).exclude(valve__in=wishes.known_to_differ(line))
    looked_at = [*first, *rest[:SINGLES_LOOKED_AT]]
    found = wishes.findings(line, looked_at)
    judged = [(overall(found[grade.valve_id]), grade) for grade in looked_at]
    meets = [(answer is WishAnswer.UNKNOWN, grade) for answer, grade in judged if answer is not WishAnswer.NO]
    meets.sort(key=lambda row: (row[0], *_from_nominal(row[1])))
    return [
        OrderOption(
            (grade.valve,), (grade,), None, None, unsure=wishes.in_short(found[grade.valve_id], WishAnswer.UNKNOWN)
        )
        for _, grade in meets[:limit]
    ]


def _from_nominal(grade: Grade) -> tuple[int, float, str]:
    """Its rank, and the furthest that one of its values lies from nominal."""
    away = [abs(row["value"] / row["nominal"] - 1) for row in grade.measured if row["nominal"]]
    return grade.rank, round(max(away, default=0.0), 4), grade.valve.serial


def _ready_sets(line: OrderLine) -> list[OrderOption]:
    """Free sets that meet the line, those first whose sale costs the shop least.

    A set made within less, or of a better grade, than is asked for would meet a stricter order as well, so it is kept.
    Sets that meet the line by their readings only, made within more than is asked for, come last: nobody has judged
    how sure they are to be within that.
    """
    found: list[OrderOption] = []
    rows = _sets_to_look_at(line)
    doubtful = doubts.doubtful(rows)
    for matched in rows:
        if matched.pk in doubtful:
            continue
        members = list(matched.members.all())
        worst = making.worst_spread(members)
        if any(member.grade.rank > line.best_grades for member in members):
            continue
        if line.max_spread_percent is not None and worst > line.max_spread_percent / 100:
            continue
        valves, grades = tuple(m.valve for m in members), tuple(m.grade for m in members)
        found.append(OrderOption(valves, grades, worst, matched))
    if line.wishes:
        found = _as_wished(line, found)
    found.sort(key=lambda option: (bool(option.unsure), *_cost_of_selling(line, option)))
    return [_reasoned(line, option, found[place + 1 :], first=not place) for place, option in enumerate(found)]


def _as_wished(line: OrderLine, sets: Sequence[OrderOption]) -> list[OrderOption]:
    """Those of which no valve is other than the line wishes, each with what nobody can judge of it."""
    found = wishes.findings(line, [grade for option in sets for grade in option.grades])
    kept = []
    for option in sets:
        judged = {valve.serial: found[valve.pk] for valve in option.valves}
        if all(overall(each) is not WishAnswer.NO for each in judged.values()):
            said = ((serial, wishes.in_short(each, WishAnswer.UNKNOWN)) for serial, each in judged.items())
            kept.append(option._replace(unsure="; ".join(f"{serial}: {words}" for serial, words in said if words)))
    return kept


def _sets_to_look_at(line: OrderLine) -> list[MatchedSet]:
    """Free sets good enough, LOOKED_AT at most of those made within what is asked for, the widest first, and of those
    made within more, the tightest first."""
    worse = Member.objects.filter(set=OuterRef("pk"), live=True, grade__rank__gt=line.best_grades)
    free = MatchedSet.objects.free().filter(~Exists(worse), type=line.type, size=line.set_size)
    if line.wishes:
        free = free.exclude(
            pk__in=Member.objects.filter(live=True, valve__in=wishes.known_to_differ(line)).values("set")
        )
    free = free.select_related("policy").prefetch_related("members__valve__place", "members__grade__valve__maker")
    asked = line.max_spread_percent
    if asked is None:
        return list(free.order_by("-tolerance_percent", "pk")[:LOOKED_AT])
    within = free.filter(tolerance_percent__lte=asked).order_by("-tolerance_percent", "pk")
    beyond = free.filter(tolerance_percent__gt=asked).order_by("tolerance_percent", "pk")
    return [*within[:LOOKED_AT], *beyond[:LOOKED_AT]]


def _cost_of_selling(line: OrderLine, option: OrderOption) -> tuple[bool, float, int, float, str]:
    """What is given up with a set, the least first."""
    assert option.set is not None
    within, asked = option.set.tolerance_percent, line.max_spread_percent
    too_wide = asked is not None and within > asked
    ranks = sum(grade.rank for grade in option.grades)
    return too_wide, within if too_wide else -within, -ranks, -(option.spread or 0.0), option.set.number


def _reasoned(line: OrderLine, option: OrderOption, later: Sequence[OrderOption], first: bool) -> OrderOption:
    assert option.set is not None
    within, asked = option.set.tolerance_percent, line.max_spread_percent
    why = f"Made within {within:g} %"
    if asked is not None and within > asked:
        why += f", yet it reads within {asked:g} %"
    elif first:
        why += ", the widest that meets the line" if asked is not None else ", the widest there is"
        alike = [other for other in later if other.set and other.set.tolerance_percent == within]
        ranks = sum(grade.rank for grade in option.grades)
        if any(sum(grade.rank for grade in other.grades) < ranks for other in alike):
            why += ", and of the lower grade"
    return option._replace(why=f"{why}.")

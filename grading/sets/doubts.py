"""Whether a matched set still is what its papers say.

`grading.listings.publishing.follow` takes what no longer holds off the public list.

A set's papers print the readings that it was made on, so it holds only while later ones do not gainsay them: every
member has a grade that may be sold, no lower by the same policy than the one it was taken in with, and by the
readings that stand now the set could be made again as it was. A set that does not hold is neither listed, certified,
offered nor sent; the way out is to break it up and match its valves again.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence

from django.contrib.auth.models import User
from django.db.models import Exists, Max, OuterRef, QuerySet
from django.utils import timezone

from grading.models import Grade, MatchedSet, Member, Reading
from grading.sets import making
from grading.verdicts.values import Bench
from stockroom.models import Entry, Valve
from stockroom.pure.written import day
from stockroom.site.chunks import chunked


def read_again(live: QuerySet[MatchedSet]) -> QuerySet[MatchedSet]:
    """Those of them with a member whose grade is not the one that it was taken in with: the rest need no look."""
    return live.filter(Exists(Member.objects.filter(set=OuterRef("pk"), live=True, grade__current=False)))


def why_doubtful(matched: MatchedSet) -> str:
    return doubtful([matched]).get(matched.pk, "")


def doubtful(found: Iterable[MatchedSet]) -> dict[int, str]:
    """Why they no longer hold, by set; a set that holds, or is broken up, is not among them."""
    return {
        matched.pk: why
        for matched, members, current in _as_they_stand(list(found))
        if (why := _why(matched, members, current))
    }


def _as_they_stand(
    found: Sequence[MatchedSet],
) -> Iterator[tuple[MatchedSet, Sequence[Member], dict[int, Grade]]]:
    """Each live set with its members and their current grades, by valve."""
    members: dict[int, list[Member]] = defaultdict(list)
    current: dict[int, Grade] = {}
    for keys in chunked([matched.pk for matched in found if not matched.broken_at]):
        rows = Member.objects.filter(set__in=keys, live=True).select_related("valve", "grade").order_by("position")
        for member in rows:
            members[member.set_id].append(member)
        grades = Grade.objects.filter(current=True, valve__memberships__set__in=keys, valve__memberships__live=True)
        current |= {grade.valve_id: grade for grade in grades.select_related("valve")}
    for matched in found:
        if matched.pk in members:
            yield matched, members[matched.pk], current


def _why(matched: MatchedSet, members: Sequence[Member], current: dict[int, Grade]) -> str:
    for member in members:
        then, now = member.grade, current.get(member.valve_id)
        if now is None:
            return f"{member.valve} has no grade now"
        if not now.saleable:
            return f"{member.valve} is graded {now} now and is not for sale"
        if now.policy_id == then.policy_id and now.rank > then.rank:
            return f"{member.valve} is graded {now} now, and was {then} when the set was made"
    if not any(_differs(member, current) for member in members):
        return ""
    grades = [current[member.valve_id] for member in members]
    rules = matched.policy.parsed
    return making.why_no_set(grades, matched.tolerance_percent, rules.match_probability, Bench(rules)).rstrip(".")


def _differs(member: Member, current: dict[int, Grade]) -> bool:
    """The valve was read again, or its readings are known less or better than they were."""
    return current[member.valve_id].measured != member.grade.measured


def read_since(matched: MatchedSet) -> list[str]:
    later = (
        Reading.objects.filter(valve__memberships__in=matched.members.filter(live=True), grades__current=True)
        .exclude(grades__memberships__set=matched)
        .order_by("valve__serial")
        .values_list("valve__serial")
        .annotate(last=Max("taken_at"))
    )
    return [
        f"{serial} was read again on {day(timezone.localtime(last))}, after this set was made; "
        "by those readings the set holds as well."
        for serial, last in later
    ]


def not_tested(grades: Iterable[Grade]) -> list[str]:
    """What nobody looked for on these valves, each said once."""
    serials: dict[str, list[str]] = {}
    for grade in grades:
        serials.setdefault("; ".join(grade.not_tested), []).append(grade.valve.serial)
    return [f"Not tested on {', '.join(of)}: {faults}." for faults, of in serials.items() if faults]


def sets_of(valve_ids: Collection[int]) -> list[MatchedSet]:
    """The live sets of these valves that need a look."""
    mine = MatchedSet.objects.live().filter(members__valve__in=valve_ids, members__live=True)
    return list(read_again(mine).select_related("policy").distinct())


def note_doubtful(valve_ids: Collection[int], by: User | None) -> None:
    for keys in chunked(set(valve_ids)):
        found = sets_of(keys)
        why = doubtful(found)
        for matched in found:
            if matched.pk not in why:
                continue
            said = f"{matched.number} no longer holds: {why[matched.pk]}. Break it up and match its valves again."
            for valve in Valve.objects.filter(pk__in=keys, memberships__set=matched).select_related("line__lot"):
                Entry.write(by, "set-doubtful", said, valve=valve, lot=valve.line.lot)

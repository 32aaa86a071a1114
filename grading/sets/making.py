"""Matched sets from graded stock: propose, make, break."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Mapping, Sequence
from enum import Enum
from math import inf
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.utils import timezone

from catalog.models import ValveType
from grading import matching
from grading.matching.words import LARGEST_SET, SMALLEST_SET
from grading.metrology import comparison
from grading.metrology.comparison import DAY, OPERATOR
from grading.metrology.conformity import Outcome, SetDecision
from grading.models import Grade, MatchedSet, Member, Policy
from grading.verdicts import states
from grading.verdicts.values import SUPPOSED, Bench, JudgedSpread, Value, claim, claim_whole
from grading.verdicts.values import spread_of as spread_of_values
from stockroom.marks.similarity import how_built, weeks_made
from stockroom.models import Allocation, Counter, Entry, Return, Valve
from stockroom.pure.refused import Refused
from stockroom.site.locks import hold_valves
from stockroom.states import State

ROUNDING = 1e-12  # a set exactly at its tolerance is within it
IN_ANOTHER = "One of these valves has just been put in another set. Look again."
NAMED = 8  # sets named one by one in a message
NEAR_ENOUGH = 0.005  # somebody waits for the proposals: a run over the pool looks for the last half per cent


class CannotMatch(Refused):
    """The set cannot be made as asked. The message says which valve and why."""


class Proposal(NamedTuple):
    valves: tuple[Valve, ...]
    spread: tuple[float, ...]
    worst: float


# A quantity of a section, such as gm of section 2: what a set is matched in.
Column = tuple[int, str]


class Figures(NamedTuple):
    """What is matched of each valve: its values in the order of `columns`."""

    columns: tuple[Column, ...]
    rows: dict[int, tuple[Value, ...]]  # by valve


def figures(grades: Sequence[Grade], bench: Bench | None = None) -> Figures:
    """Anode current and gm of every section, as the grades keep them, by what `bench` knows of the testers now.

    With the rules of a policy the values are as a set is decided on, which supposes something where it is not known;
    without, they are as pages and papers print them.

    A valve that lacks a quantity which another has, whose value is nought or whose repeats contradict each other
    cannot be compared and is left out; so is every valve when none has been measured in mA or mA/V.
    """
    bench = bench or Bench()
    measured = {
        grade.valve_id: [Value.read(row).looked_up(bench).supposed(bench.unknown) for row in grade.measured]
        for grade in grades
    }
    columns = sorted({(v.section, v.quantity) for values in measured.values() for v in values if v.nominal is not None})
    rows = {}
    for valve_id, values in measured.items():
        usable = [value for value in values if value.value > 0 and not value.contradiction]
        if bench.unknown.sets == "none":
            usable = [value for value in usable if value.scatter_is_known]
        by_column = {(value.section, value.quantity): value for value in usable}
        if columns and all(column in by_column for column in columns):
            rows[valve_id] = tuple(by_column[column] for column in columns)
    return Figures(tuple(columns), rows)


def available(type_: ValveType, best_grades: int, newest: int | None = None) -> list[Grade]:
    """The current grades of valves that are graded, free, and good enough for a set; of so many newest serials, where
    a page waits that must not take longer for a larger stock."""
    found = (
        Grade.objects.filter(
            current=True, saleable=True, rank__lte=best_grades, valve__type=type_, valve__state=State.GRADED
        )
        .exclude(valve__allocations__live=True)
        .exclude(valve__in=Return.objects.undecided().values("valve"))
        .select_related("valve__place", "valve__maker")
    )
    if newest is None:
        return list(found.order_by("valve__serial"))
    return list(found.order_by("-valve__serial")[:newest])[::-1]


def propose(
    type_: ValveType,
    size: int,
    tolerance_percent: float,
    best_grades: int,
    *,
    same_maker: bool = False,
    same_grade: bool = False,
    time_limit_s: float = 5,
) -> list[Proposal]:
    """Disjoint sets from free graded stock, tightest first.

    Only valves read on one tester at one test point, while the tester stayed as it was, are put together: what they
    share then cancels. Where their
    uncertainty is known the tolerance narrows by a guard band, so that the claim holds with the policy's probability.
    """
    probability = Policy.current().parsed.match_probability
    stock = pool(type_, best_grades, size, probability)
    tier = matching.Tier("asked", tolerance_percent / 100, 1.0)
    rules = matching.Rules(same_maker=same_maker, same_grade=same_grade)
    proposals = []
    found = matching.find_sets(stock.pieces, size, [tier], rules, time_limit_s=time_limit_s, near_enough=NEAR_ENOUGH)
    for made in found.sets:
        valves = tuple(stock.valves[key] for key in made.keys)
        if not _unsure([stock.rows[valve.pk] for valve in valves], tolerance_percent, probability):
            proposals.append(Proposal(valves, made.spread, max(made.spread)))
    return sorted(proposals, key=lambda proposal: (proposal.worst, proposal.valves[0].serial))


class Pool(NamedTuple):
    """Free graded valves of a type as pieces to match, and the way back from a piece's key to its valve."""

    pieces: list[matching.Piece]
    valves: dict[Hashable, Valve]
    rows: dict[int, tuple[Value, ...]]
    columns: tuple[Column, ...]
    apart: frozenset[str]  # the errors that not all of it shares, which are in every guard band

    @property
    def sections(self) -> int:
        return len({section for section, _ in self.columns}) or 1


def pool(
    type_: ValveType,
    best_grades: int,
    size: int,
    probability: float,
    *,
    dated: bool = False,
    built: bool = False,
    newest: int | None = None,
) -> Pool:
    """What sets of `size` can be made of; `dated` and `built` look up when and how each valve was made.

    Pieces of one `settings` were read on one tester at one test point, between two changes of the tester, and by one
    person where it matters who read.
    """
    grades = available(type_, best_grades, newest)
    weeks = weeks_made(type_) if dated else {}
    construction = how_built(type_) if built else {}
    found = figures(grades, Bench(Policy.current().parsed))
    usable = [grade for grade in grades if grade.valve_id in found.rows]
    people = _people(found, size, probability)
    apart = _apart(found, people)
    pieces = [
        matching.Piece(
            key=grade.valve_id,
            quantities=tuple(value.value for value in found.rows[grade.valve_id]),
            maker=str(grade.valve.maker) if grade.valve.maker else None,
            grade=grade.name,
            weeks=weeks.get(grade.valve_id),
            construction=construction.get(grade.valve_id),
            settings=tuple(_settings(value, people) for value in found.rows[grade.valve_id]),
            guard=tuple(
                guard_of_value(value, apart, size, probability, len(found.columns))
                for value in found.rows[grade.valve_id]
            ),
        )
        for grade in usable
    ]
    return Pool(pieces, {grade.valve_id: grade.valve for grade in usable}, found.rows, found.columns, apart)


class People(Enum):
    """How a pool that was read by several people is matched."""

    ONE = "one person read it all"
    TOGETHER = "what people differ by is in every guard band"
    APART = "sets are sought among each person's readings"


# Where what people differ by widens a guard band by more than this factor, mixing their readings costs more sets than
# it opens (a rule of ours, no source).
WORTH_MIXING = 1.5


def _people(found: Figures, size: int, probability: float) -> People:
    values = [value for row in found.rows.values() for value in row]
    if len({value.operator for value in values}) < 2:
        return People.ONE
    for value in values:
        alone = guard_of_value(value, frozenset(), size, probability)
        if guard_of_value(value, frozenset({OPERATOR}), size, probability) > WORTH_MIXING * alone:
            return People.APART
    return People.TOGETHER


def _apart(found: Figures, people: People) -> frozenset[str]:
    days = {value.day for row in found.rows.values() for value in row}
    names = {OPERATOR: people is People.TOGETHER, DAY: len(days) > 1}
    return frozenset(name for name, is_apart in names.items() if is_apart)


def _settings(value: Value, people: People) -> Hashable:
    """Only valves alike in this are put together: what they share then cancels."""
    return value.tester, value.session, value.stands_at, value.operator if people is People.APART else ""


def guard_of_value(
    value: Value, apart: frozenset[str], size: int, probability: float, quantities: int = 1, more: float = 0
) -> float:
    """What the value must keep clear of the tolerance; every pair across the set, in every quantity, holds at once.
    `more` readings of it are yet to come."""
    if value.compared is None:
        return 0.0
    u, degrees = comparison.own_u(value.compared, apart=apart, more=more)
    return matching.guard_for(u, size, probability, quantities, degrees)


def _unsure(rows: Sequence[Sequence[Value]], tolerance_percent: float, probability: float) -> str:
    """Why the set is not sure enough to be within its tolerance; nothing when it is, or when nobody can say.

    What is decided on is the whole set, all its quantities at once, and so is what would settle it. Of several
    quantities that are in doubt alone it names the one that is worst off.
    """
    if probability <= 0.5:
        return ""
    tolerance = tolerance_percent / 100
    together = claim_whole(rows, tolerance, probability)
    if together is None or together.outcome is Outcome.ACCEPT:
        return ""
    if any(value.study == SUPPOSED for row in rows for value in row):
        return (
            "Not enough is known of the tester that they were read on: with the errors that the policy then supposes, "
            "they need not be."
        )
    doubts = []
    for values in zip(*rows, strict=True):
        decision = claim(values, tolerance, probability)
        if decision is not None and decision.outcome is not Outcome.ACCEPT:
            doubts.append((decision, spread_of_values(values)))
    said = "Each quantity alone is sure enough"
    if doubts:
        worst, spread = max(doubts, key=lambda doubt: _how_bad(doubt[0]))
        said = (
            f"{spread.label}: a spread of {100 * spread.spread:.2f} % is within {tolerance_percent:g} % with a "
            f"probability of {100 * worst.conformance_probability:.0f} %"
        )
    return (
        f"{said}; all at once they are within it with a probability of {100 * together.conformance_probability:.0f} %, "
        f"and the policy wants {100 * probability:g} %. {together.outcome.value.capitalize()}: {together.reason}."
    )


def _how_bad(decision: SetDecision) -> tuple[bool, float]:
    return decision.outcome is Outcome.REJECT, inf if decision.more_readings is None else decision.more_readings


def spread_of(members: Sequence[Member]) -> list[JudgedSpread]:
    """How far the set spreads in each quantity, by the grades that its members were taken in with."""
    rows = figures([member.grade for member in members]).rows.values()
    return [spread_of_values(values) for values in zip(*rows, strict=True)]


def why_no_interval(members: Sequence[Member]) -> str:
    """Why a spread of the set is shown without its ±; nothing where each has one."""
    rows = list(figures([member.grade for member in members]).rows.values())
    if all(spread_of_values(values).expanded_uncertainty is not None for values in zip(*rows, strict=True)):
        return ""
    values = [value for row in rows for value in row]
    wanting = {words for value in values for words in (value.comparison_wanting or value.wanting)}
    wanting |= {f"nobody has written down how well {v.tester} reads" for v in values if v.standard_uncertainty is None}
    return f"Not every spread has a ±, for something is wanting: {'; '.join(sorted(wanting))}."


def worst_spread(members: Sequence[Member]) -> float:
    """The largest of its spreads; infinite for a set with nothing to compare."""
    return max((spread.spread for spread in spread_of(members)), default=inf)


def locked(valves: Sequence[Valve]) -> list[Valve]:
    """The same valves in the same order as they stand now, held until the transaction ends."""
    by_key = {valve.pk: valve for valve in hold_valves([valve.pk for valve in valves])}
    return [by_key[valve.pk] for valve in valves]


def why_no_set(
    grades: Sequence[Grade], tolerance_percent: float, probability: float, bench: Bench | None = None
) -> str:
    """Why valves with these grades are no set within the tolerance, by what the grades rest on; nothing when they are.

    The sentence begins small and ends with a stop.
    """
    found = figures(grades, bench)
    for grade in grades:
        if grade.valve_id not in found.rows:
            fault = (
                "lacks a reading that matching needs, has readings that contradict each other, or was read on a tester "
                "that the policy makes no sets by"
            )
            return f"{grade.valve} {fault}: test it again."
    rows = [found.rows[grade.valve_id] for grade in grades]
    if len({tuple(value.stands_at for value in row) for row in rows}) > 1:
        return "these valves were read at other settings, one than the next: read them alike first."
    worst = max(spread_of_values(values).spread for values in zip(*rows, strict=True))
    if worst > tolerance_percent / 100 + ROUNDING:
        return f"these valves differ by {100 * worst:.2f} %, more than {tolerance_percent:g} %."
    unsure = _unsure(rows, tolerance_percent, probability)
    return f"these valves are not surely within {tolerance_percent:g} %. {unsure}" if unsure else ""


class ReadySet(NamedTuple):
    """Valves that may be a set, each with the grade it was judged by."""

    valves: Sequence[Valve]
    grades: Mapping[int, Grade]
    tolerance_percent: float


def current_grades(valves: Collection[Valve]) -> dict[int, Grade]:
    current = Grade.objects.filter(current=True, valve__in=valves).select_related("valve")
    return {grade.valve_id: grade for grade in current}


def check_set(
    valves: Sequence[Valve],
    grades: Mapping[int, Grade],
    tolerance_percent: float,
    probability: float,
    bench: Bench | None = None,
) -> ReadySet:
    """These valves as a set within the tolerance, by their current grades' readings. Asks the database of
    nothing but testers that `bench` does not know yet.

    Raises:
        CannotMatch: a valve is of another type, is not free, has no current grade that may be sold, or the
            set's spread is beyond the tolerance.
    """
    if not SMALLEST_SET <= len(valves) <= LARGEST_SET:
        raise CannotMatch(f"A set has {SMALLEST_SET} to {LARGEST_SET} valves, not {len(valves)}.")
    if len({valve.pk for valve in valves}) != len(valves):
        raise CannotMatch("The same valve is named twice.")
    for valve in valves:
        if valve.type_id != valves[0].type_id:
            raise CannotMatch(f"{valve} is a {valve.type}, {valves[0]} is a {valves[0].type}: a set is of one type.")
        if valve.pk not in grades:
            raise CannotMatch(f"{valve} has no grade: test it first.")
        if not grades[valve.pk].saleable:
            raise CannotMatch(f"{valve} is graded {grades[valve.pk]} and is not for sale.")
        if valve.state != State.GRADED:
            raise CannotMatch(f"{valve} is {valve.state}: only a graded valve that is free can join a set.")
    if fault := why_no_set([grades[valve.pk] for valve in valves], tolerance_percent, probability, bench):
        raise CannotMatch(f"{fault[0].upper()}{fault[1:]}")
    return ReadySet(valves, {valve.pk: grades[valve.pk] for valve in valves}, tolerance_percent)


def allocated(keys: Collection[int]) -> dict[int, str]:
    """Of these valves those that no set may take, set aside for an order or back and undecided, each with the sentence
    that says so."""
    found = Allocation.objects.filter(valve__in=keys, live=True).select_related("valve", "order_line__order")
    back = Return.objects.undecided().filter(valve__in=keys).select_related("valve", "case")
    return {
        one.valve_id: f"{one.valve} is set aside for order {one.order_line.order}: it cannot join a set."
        for one in found
    } | {one.valve_id: one.why_promised_to_nobody for one in back}


@transaction.atomic
def make_set(valves: Sequence[Valve], tolerance_percent: float, by: User) -> MatchedSet:
    """Record a set of these valves, judged within the tolerance by their current grades' readings.

    Raises:
        CannotMatch: as `check_set`, or a valve is in another set. Nothing is recorded then.
    """
    policy = Policy.current()
    valves = locked(valves)
    if promised := allocated([valve.pk for valve in valves]):
        raise CannotMatch(next(iter(promised.values())))
    rules = policy.parsed
    ready = check_set(valves, current_grades(valves), tolerance_percent, rules.match_probability, Bench(rules))
    try:
        with transaction.atomic():
            (matched,) = record([ready], policy, by)
    except IntegrityError as clash:
        raise CannotMatch(IN_ANOTHER) from clash
    states.refresh([valve.pk for valve in valves])
    return matched


def record(sets: Sequence[ReadySet], policy: Policy, by: User | None) -> list[MatchedSet]:
    """Write these sets in a handful of queries, whatever their number. The valves are locked, and whoever calls
    brings their states up to date afterwards.

    Raises:
        IntegrityError: a valve is in another set.
    """
    made = MatchedSet.objects.bulk_create(
        MatchedSet(
            number=f"S{number:05d}",
            type=ready.valves[0].type,
            size=len(ready.valves),
            tolerance_percent=ready.tolerance_percent,
            policy=policy,
            made_by=by,
        )
        for number, ready in zip(Counter.take("set", len(sets)), sets, strict=True)
    )
    Member.objects.bulk_create(
        Member(set=matched, valve=valve, grade=ready.grades[valve.pk], position=place)
        for matched, ready in zip(made, sets, strict=True)
        for place, valve in enumerate(ready.valves, start=1)
    )
    Entry.objects.bulk_create(
        Entry(
            by=by,
            action="set-made",
            text=f"Put in {matched.name} {matched.number}",
            valve=valve,
            lot=valve.line.lot,
        )
        for matched, ready in zip(made, sets, strict=True)
        for valve in ready.valves
    )
    return made


def numbers_of(made: Sequence[MatchedSet]) -> str:
    """As a message names sets made in one go, whose numbers follow each other: "12: S00004 to S00015"."""
    numbers = [matched.number for matched in made]
    named = ", ".join(numbers) if len(numbers) <= NAMED else f"{numbers[0]} to {numbers[-1]}"
    return f"{len(numbers)}: {named}"


@transaction.atomic
def break_set(matched: MatchedSet, reason: str, by: User) -> None:
    """The set is no more; its valves are free to be matched again.

    Raises:
        CannotMatch: it is broken already, is listed, or is set aside for an order.
    """
    hold_valves(list(matched.members.values_list("valve", flat=True)))
    matched = MatchedSet.objects.select_for_update(no_key=True).get(pk=matched.pk)
    members = list(matched.members.select_related("valve__line__lot"))
    if matched.broken_at:
        raise CannotMatch(f"{matched.number} is broken already.")
    valve_ids = [member.valve_id for member in members]
    if Valve.objects.filter(pk__in=valve_ids, allocations__live=True).exists():
        raise CannotMatch(f"{matched.number} is set aside for an order: take it off the order first.")
    if Valve.objects.filter(pk__in=valve_ids, listings__live=True).exists():
        raise CannotMatch(f"{matched.number} is listed for sale: end the listing first.")
    matched.broken_at, matched.broken_by, matched.broken_because = timezone.now(), by, reason
    matched.save(update_fields=["broken_at", "broken_by", "broken_because"])
    matched.members.update(live=False)
    for member in members:
        text = f"Taken out of {matched.number}: {reason}"
        Entry.write(by, "set-broken", text, valve=member.valve, lot=member.valve.line.lot)
    states.refresh(valve_ids)

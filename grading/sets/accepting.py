"""Make the sets that a run or a plan offers: a few at once, many by a job of the queue.

Sets are judged before anything is locked. A piece of PIECE sets is then written in one short transaction, which first
looks whether each valve is still as it was judged, and marks the sets in the run: what was written before a worker
was killed is not made twice.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.urls import reverse

from catalog.models import ValveType
from grading.models import Grade, MatchedSet, MatchRun, Policy
from grading.sets.making import (
    IN_ANOTHER,
    CannotMatch,
    ReadySet,
    allocated,
    check_set,
    current_grades,
    locked,
    record,
)
from grading.sets.runs import Ask, Found, found_sets, save_sets
from grading.verdicts import states
from grading.verdicts.values import Bench
from stockroom.jobs import kinds
from stockroom.jobs.kinds import Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Entry, Job, Valve
from stockroom.pure.written import plural
from stockroom.site.people import Role

KIND = "make sets"
PLAN_KIND = "make planned sets"
FEW = 8  # so many are made while the page waits, in well under a second
PIECE = 20  # sets in one transaction: some tens of milliseconds during which nobody else can write on SQLite
CHANGED = "{valve} has changed since it was looked at: it was graded again, or is no longer free."


@dataclass(frozen=True)
class SetsOfRun:
    """Sets of a run by their valves; all that are not made yet where `sets` is None."""

    run: int
    sets: tuple[tuple[int, ...], ...] | None = None


class Accepted(NamedTuple):
    made: list[MatchedSet]
    troubles: list[str]  # why the others could not be made


def key_of(run: MatchRun) -> str:
    """One job at a time makes sets of a run."""
    return f"make sets of run {run.pk}"


def accept(run: MatchRun, places: Collection[int], by: User | None) -> Accepted:
    """Make these sets of a run now."""
    chosen = _chosen(run, places)
    made: list[MatchedSet] = []
    troubles: list[str] = []
    for start in range(0, len(chosen), PIECE):
        piece = _make_piece(run.pk, chosen[start : start + PIECE], by, None)
        made += piece.made
        troubles += piece.troubles
    return Accepted(made, troubles)


def start_making(run: MatchRun, places: Collection[int], by: User) -> Job:
    chosen = _chosen(run, places)
    asked = SetsOfRun(run.pk, tuple(one.valve_ids for one in chosen))
    return kinds.start(KIND, asked, f"Make {plural(len(chosen), 'set')} of {run}", by, key=key_of(run))


def latest(run: MatchRun) -> Job | None:
    """The job that makes sets of this run, or did so last."""
    return Job.objects.keyed(key_of(run)).select_related("made_by").first()


def _chosen(run: MatchRun, places: Collection[int]) -> list[Found]:
    found = found_sets(MatchRun.objects.get(pk=run.pk))  # as it is now
    return [found[place] for place in sorted(places) if 0 <= place < len(found) and not found[place].taken]


@kinds.kind(
    KIND,
    "Make sets",
    Lane.RECORDS,
    SetsOfRun,
    Role.BENCH,
    Role.SALES,
    address=lambda job: reverse("run", args=[job.question["run"]]),
)
def make_of_run(asked: SetsOfRun, hand: Hand) -> dict[str, Any]:
    run = MatchRun.objects.select_related("job").get(pk=asked.run)
    wanted = None if asked.sets is None else {frozenset(keys) for keys in asked.sets}
    left = [one for one in found_sets(run) if not one.taken and (wanted is None or frozenset(one.valve_ids) in wanted)]
    gone_before = len(hand.saved.get("made", [])) + len(hand.saved.get("troubles", []))
    tried = {frozenset(keys) for keys in hand.saved.get("refused", [])}
    left = [one for one in left if frozenset(one.valve_ids) not in tried]
    of = gone_before + len(left)
    for start in range(0, len(left), PIECE):
        _make_piece(run.pk, left[start : start + PIECE], hand.by, hand)
        done = min(of, gone_before + start + PIECE)
        hand.go_on(f"{done} of {of} sets", done, of)
    return {"made": [], "troubles": [], **hand.saved}


def _make_piece(run_pk: int, sets: Sequence[Found], by: User | None, hand: Hand | None) -> Accepted:
    policy = Policy.current()
    within = {name: percent for name, percent, _ in Ask.read(MatchRun.objects.get(pk=run_pk).ask).tiers}
    judged = judge_sets([(one.valve_ids, within[one.tier]) for one in sets], policy)
    with transaction.atomic():
        run = MatchRun.objects.select_for_update(no_key=True, of=("self",)).select_related("type").get(pk=run_pk)
        answers = write_sets(judged, policy, by)
        made = {
            frozenset(one.valve_ids): answer
            for one, answer in zip(sets, answers, strict=True)
            if isinstance(answer, MatchedSet)
        }
        refused = [one for one, answer in zip(sets, answers, strict=True) if isinstance(answer, CannotMatch)]
        if made:
            save_sets(
                run,
                [
                    one._replace(taken=made[key].number) if (key := frozenset(one.valve_ids)) in made else one
                    for one in found_sets(run)
                ],
            )
            count = "1 set" if len(made) == 1 else f"{len(made)} sets"
            Entry.write(by, "run-accepted", f"Made {count} of {run.type} from {run}")
        accepted = _accepted(answers)
        if hand is not None:
            refused_before = hand.saved.get("refused", [])
            hand.save(**_with(hand.saved, accepted), refused=[*refused_before, *(one.valve_ids for one in refused)])
    return accepted


# The sets of a plan


@dataclass(frozen=True)
class SetsOfPlan:
    """Sets by their valves, each with its tolerance in per cent; `type` is the designation that they are of."""

    type: str
    sets: tuple[tuple[tuple[int, ...], float], ...]


def make_sets(wanted: Sequence[tuple[Sequence[int], float]], by: User | None) -> Accepted:
    """Make a piece of these sets now."""
    policy = Policy.current()
    judged = judge_sets(wanted, policy)
    with transaction.atomic():
        return _accepted(write_sets(judged, policy, by))


def start_making_planned(type_: ValveType, sets: Sequence[tuple[Sequence[int], float]], by: User) -> Job:
    asked = SetsOfPlan(type_.designation, tuple((tuple(keys), within) for keys, within in sets))
    return kinds.start(PLAN_KIND, asked, f"Make {len(sets)} planned sets of {type_}", by, key=planned_key(type_))


def planned_key(type_: ValveType) -> str:
    return f"make planned sets of {type_.pk}"


@kinds.kind(
    PLAN_KIND,
    "Make planned sets",
    Lane.RECORDS,
    SetsOfPlan,
    Role.BENCH,
    Role.SALES,
    address=lambda job: reverse("demand", args=[job.question["type"]]),
)
def make_planned(asked: SetsOfPlan, hand: Hand) -> dict[str, Any]:
    of, policy = len(asked.sets), Policy.current()
    for start in range(hand.saved.get("done", 0), of, PIECE):
        judged = judge_sets(asked.sets[start : start + PIECE], policy)
        done = min(of, start + PIECE)
        with transaction.atomic():
            accepted = _accepted(write_sets(judged, policy, hand.by))
            hand.save(**_with(hand.saved, accepted), done=done)
        hand.go_on(f"{done} of {of} sets", done, of)
    return {"made": [], "troubles": [], **hand.saved}


def _accepted(answers: Sequence[MatchedSet | CannotMatch]) -> Accepted:
    return Accepted(
        [answer for answer in answers if isinstance(answer, MatchedSet)],
        [str(answer) for answer in answers if isinstance(answer, CannotMatch)],
    )


def _with(saved: dict[str, Any], accepted: Accepted) -> dict[str, Any]:
    """What a job has made so far, and what it could not make."""
    return {
        "made": [*saved.get("made", []), *(matched.number for matched in accepted.made)],
        "troubles": [*saved.get("troubles", []), *accepted.troubles],
    }


# Many sets at once


def judge_sets(wanted: Sequence[tuple[Sequence[int], float]], policy: Policy) -> list[ReadySet | CannotMatch]:
    """Sets of valves, by key, each with its tolerance in per cent; locks nothing. A few queries for all of them."""
    keys = {key for valve_ids, _ in wanted for key in valve_ids}
    valves = Valve.objects.select_related("type", "line__lot").in_bulk(keys)
    grades = current_grades(list(valves.values()))
    rules = policy.parsed
    probability, bench = rules.match_probability, Bench(rules)
    judged: list[ReadySet | CannotMatch] = []
    for valve_ids, within in wanted:
        try:
            judged.append(check_set([valves[key] for key in valve_ids], grades, within, probability, bench))
        except CannotMatch as problem:
            judged.append(problem)
    return judged


def write_sets(
    judged: Sequence[ReadySet | CannotMatch], policy: Policy, by: User | None
) -> list[MatchedSet | CannotMatch]:
    """Write those that were found ready, if each valve is still free and has the grade it was judged by. Belongs in
    the caller's transaction."""
    ready = [one for one in judged if isinstance(one, ReadySet)]
    held = {valve.pk: valve for valve in locked([valve for one in ready for valve in one.valves])}
    current = dict(Grade.objects.filter(current=True, valve__in=held).values_list("valve", "pk"))
    promised = allocated(held)
    taken: set[int] = set()
    answers: dict[int, MatchedSet | CannotMatch] = {}
    writable: list[tuple[int, ReadySet]] = []
    for place, one in enumerate(judged):
        if isinstance(one, CannotMatch):
            answers[place] = one
        elif problem := _changed(one, held, current, taken) or _promised(one, promised):
            answers[place] = CannotMatch(problem)
        else:
            taken |= set(one.grades)
            writable.append((place, one))
    for (place, _), answer in zip(writable, _recorded([one for _, one in writable], policy, by), strict=True):
        answers[place] = answer
    states.refresh(taken)
    return [answers[place] for place in range(len(judged))]


def _changed(ready: ReadySet, held: dict[int, Valve], current: dict[int, int], taken: set[int]) -> str:
    for valve in ready.valves:
        now = held[valve.pk]
        if now.pk in taken:
            return IN_ANOTHER
        if current.get(valve.pk) != ready.grades[valve.pk].pk or (now.state, now.type_id) != (
            valve.state,
            valve.type_id,
        ):
            return CHANGED.format(valve=valve)
    return ""


def _promised(ready: ReadySet, promised: dict[int, str]) -> str:
    return next((promised[valve.pk] for valve in ready.valves if valve.pk in promised), "")


def _recorded(ready: Sequence[ReadySet], policy: Policy, by: User | None) -> list[MatchedSet | CannotMatch]:
    """All together; one by one where a valve turns out to be in another set."""
    if not ready:
        return []
    try:
        with transaction.atomic():
            return list(record(ready, policy, by))
    except IntegrityError as clash:
        if len(ready) > 1:
            return [answer for one in ready for answer in _recorded([one], policy, by)]
        problem = CannotMatch(IN_ANOTHER)
        problem.__cause__ = clash
        return [problem]

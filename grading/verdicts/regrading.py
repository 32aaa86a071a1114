"""The whole stock by a policy: what it would change, and then the change itself; both are jobs of the queue.

Valves are judged a piece at a time outside any transaction. A piece is then written in a short one, which first looks
whether anything it rests on has changed meanwhile: readings, grades, types, and all that is known of the testers.
What has changed is judged again.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from django.apps import apps
from django.contrib.auth.models import User
from django.db import IntegrityError, models, transaction
from django.urls import reverse

from catalog.models import TypeVersion, ValveType
from grading.models import Grade, Policy, Reading, Tester
from grading.models.append_only import AppendOnly
from grading.verdicts import judging
from stockroom.jobs import kinds
from stockroom.jobs.kinds import JobRefused, Lane
from stockroom.jobs.worker import Hand
from stockroom.models import Entry, Job, Valve
from stockroom.pure.written import plural
from stockroom.site.chunks import chunked
from stockroom.site.locks import hold_valves

PIECE = 100  # valves judged and written together: about half a second of reckoning, a tenth of writing
SHOWN = 200  # changes named one by one
ROUNDS = 5  # how often a piece is judged anew because something changed under it
NOT_GRADED = "not graded"


@dataclass(frozen=True)
class ByPolicy:
    """By this version of the policy, all valves in house or those of one type."""

    version: int
    type: int | None = None


# What it would change


class StockChange(NamedTuple):
    valve: Valve
    before: str
    after: str
    reasons: list[str]


class StockEffect(NamedTuple):
    """`moves` are (from, to, how many), `changes` the first SHOWN, best grades first."""

    stock: int
    changed: int
    moves: list[tuple[str, str, int]]
    changes: list[StockChange]


def start_effect(policy: Policy, by: User, type_: ValveType | None = None) -> Job:
    title = f"What {policy} would change{f' of {type_}' if type_ else ''}"
    asked = ByPolicy(policy.version, type_.pk if type_ else None)
    return kinds.start("policy effect", asked, title, by, key=_key("effect", policy, type_))


def latest_effect(policy: Policy, type_: ValveType | None = None) -> Job | None:
    return Job.objects.keyed(_key("effect", policy, type_)).select_related("made_by").first()


def effect_of(job: Job) -> StockEffect | None:
    if not job.is_done:
        return None
    result = job.result
    valves = Valve.objects.select_related("type").in_bulk([pk for pk, *_ in result["changes"]])
    changes = [StockChange(valves[pk], *rest) for pk, *rest in result["changes"]]
    return StockEffect(result["stock"], result["count"], [(a, b, n) for a, b, n in result["moves"]], changes)


def _effect_page(job: Job) -> str:
    of_type = ValveType.objects.filter(pk=job.question.get("type")).first()
    return (
        reverse("type-regrade", args=[of_type.designation])
        if of_type
        else reverse("policy-effect", args=[job.question["version"]])
    )


@kinds.kind("policy effect", "Effect of a policy", Lane.RECORDS, ByPolicy, address=_effect_page)
def effect(asked: ByPolicy, hand: Hand) -> dict[str, Any]:
    """Reads only, so an interrupted one begins anew."""
    policy = _policy(asked)
    keys = _in_house(asked)
    moves: Counter[tuple[str, str]] = Counter()
    found: list[tuple[int, str, int, str, str, list[str]]] = []
    for done, piece in _pieces(keys):
        hand.go_on(f"{done} of {len(keys)} valves judged", done, len(keys))
        for change in judging.changes(policy, _valves(piece)):
            before = change.before.name if change.before else NOT_GRADED
            moves[before, change.after.name] += 1
            row = (change.valve.pk, before, change.after.name, list(change.after.reasons))
            found.append((change.after.rank, change.valve.serial, *row))
    found.sort(key=lambda row: row[:2])
    return {
        "stock": len(keys),
        "count": len(found),
        "moves": [[*move, count] for move, count in sorted(moves.items())],
        "changes": [row[2:] for row in found[:SHOWN]],
    }


# The change


def put_in_force(policy: Policy, by: User, *, regrade: bool) -> Job | None:
    """New readings are graded by it from now on. The job that grades the stock by it, where that is wanted."""
    with transaction.atomic():
        Policy.objects.filter(in_force=True).update(in_force=False)
        Policy.objects.filter(pk=policy.pk).update(in_force=True)
        Entry.write(by, "policy-in-force", f"Put {policy} in force")
        if not regrade:
            return None
        asked = ByPolicy(policy.version)
        return kinds.start("regrade", asked, f"Re-grade the stock by {policy}", by, key=_key("regrade", policy))


def start_regrade(policy: Policy, type_: ValveType, by: User) -> Job:
    """After its nominals changed: old grades stay as history, with the nominals that they were given with."""
    title = f"Re-grade the {type_} by {policy}"
    asked = ByPolicy(policy.version, type_.pk)
    return kinds.start("regrade", asked, title, by, key=_key("regrade", policy, type_))


def latest_regrade(policy: Policy, type_: ValveType | None = None) -> Job | None:
    return Job.objects.keyed(_key("regrade", policy, type_)).select_related("made_by").first()


@kinds.kind("regrade", "Re-grade the stock", Lane.RECORDS, ByPolicy, address=_effect_page)
def regrade(asked: ByPolicy, hand: Hand) -> dict[str, int]:
    """A piece at a time, each written once: an interrupted re-grade goes on behind the last."""
    policy = _policy(asked)
    graded = regrade_all(_in_house(asked), policy, hand)
    with transaction.atomic():
        hand.save(**hand.saved)  # the entry is written once, by whoever has the job
        Entry.write(hand.by, "regraded", f"Re-graded {plural(graded, 'valve')} by {policy}")
    return {"graded": graded}


def regrade_all(keys: Sequence[int], policy: Policy, hand: Hand) -> int:
    """Grades these valves, in the order of their keys, from where an earlier attempt left off; how many have one."""
    after, graded = hand.saved.get("after", 0), hand.saved.get("graded", 0)
    left = [key for key in keys if key > after]
    for done, piece in _pieces(left):
        hand.go_on(f"{len(keys) - len(left) + done} of {len(keys)} valves", len(keys) - len(left) + done, len(keys))
        graded = regrade_piece(piece, policy, hand, graded)
    return graded


def regrade_piece(keys: Collection[int], policy: Policy, hand: Hand, graded: int) -> int:
    """Judge these valves, write their grades, and save that it is done; how many are graded with these."""
    left = set(keys)
    for _ in range(ROUNDS):
        grounds = Grounds.of(left)
        judged = judging.judge_all(_valves(left), policy)
        try:
            with transaction.atomic():
                changed = grounds.changed()
                if not Policy.objects.filter(pk=policy.pk, in_force=True).exists():
                    raise JobRefused(f"{policy} is no longer in force. What it has graded stays so.")
                given = len(judging.store(judged, left - changed, policy, hand.by))
                hand.save(**(hand.saved if changed else {"after": max(keys), "graded": graded + given}))
        except IntegrityError:  # somebody graded one of them at this very moment
            continue
        graded += given
        if not changed:
            return graded
        left = changed
    raise JobRefused("The valves change faster than they can be judged. Try again when less is going on.")


class Grounds(NamedTuple):
    """What the judgement of some valves rests on."""

    testers: int
    by_valve: dict[int, tuple[Any, ...]]

    @classmethod
    def of(cls, keys: Collection[int]) -> Grounds:
        readings: dict[int, list[int]] = defaultdict(list)
        for valve, reading in (
            Reading.objects.current().filter(valve__in=keys).order_by("pk").values_list("valve", "pk")
        ):
            readings[valve].append(reading)
        grades = dict(Grade.objects.filter(valve__in=keys, current=True).values_list("valve", "pk"))
        types = dict(Valve.objects.in_house().filter(pk__in=keys).values_list("pk", "type"))
        return cls(
            _testers_as_known(),
            {key: (types.get(key), tuple(readings[key]), grades.get(key)) for key in keys},
        )

    def changed(self) -> set[int]:
        """The valves that would be judged on other grounds now; they are locked until the transaction ends."""
        hold_valves(self.by_valve)
        now = Grounds.of(self.by_valve)
        if now.testers != self.testers:
            return set(self.by_valve)
        return {key for key, rests_on in self.by_valve.items() if now.by_valve[key] != rests_on}


def _testers_as_known() -> int:
    """Another number when anything is recorded of any tester. There are few testers, and so few rows; of what is
    only ever added to, the last row says enough."""
    known: list[Any] = []
    instruments = [
        model
        for model in apps.get_app_config("grading").get_models()
        if model.__module__ == "grading.models.instruments"
    ]
    known.append(TypeVersion.objects.aggregate(last=models.Max("pk"))["last"])
    models_read: list[type[models.Model]] = [Tester, *instruments]
    for model in models_read:
        if issubclass(model, AppendOnly):
            known.append(model._base_manager.aggregate(last=models.Max("pk"))["last"])
        else:
            known.append(tuple(model._base_manager.order_by("pk").values_list()))
    return hash(repr(known))


# The stock


def _key(what: str, policy: Policy, type_: ValveType | None = None) -> str:
    return f"{what} of policy {policy.version}{f', type {type_.pk}' if type_ else ''}"


def _policy(asked: ByPolicy) -> Policy:
    policy = Policy.objects.filter(version=asked.version).first()
    if policy is None:
        raise JobRefused(f"There is no version {asked.version} of the policy.")
    return policy


def _in_house(asked: ByPolicy) -> list[int]:
    valves = Valve.objects.in_house() if asked.type is None else Valve.objects.in_house().filter(type=asked.type)
    return list(valves.order_by("pk").values_list("pk", flat=True))


def _pieces(keys: list[int]) -> list[tuple[int, list[int]]]:
    """Each piece with the number of valves before it."""
    return [(start, keys[start : start + PIECE]) for start in range(0, len(keys), PIECE)]


def _valves(keys: Collection[int]) -> list[Valve]:
    return [
        valve
        for some in chunked(keys)
        for valve in Valve.objects.in_house().filter(pk__in=some).select_related("type").order_by("serial")
    ]

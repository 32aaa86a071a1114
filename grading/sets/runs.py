"""Match a whole pool: ask, work behind the pages, look, change by hand.

`grading.sets.accepting` makes the sets.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.urls import reverse

from catalog.models import ValveType
from grading import matching
from grading.matching.shortfall import COUNT_TIME_S
from grading.models import MatchRun, Policy
from grading.sets import making
from grading.sets.shortfalls import AskedSets, why_none
from stockroom.jobs import kinds
from stockroom.jobs.kinds import JobRefused, Lane, read_question
from stockroom.jobs.worker import Hand, Interrupted
from stockroom.models import Job
from stockroom.models.orders import set_name
from stockroom.site.people import Role

KIND = "match"
MOST_TIME_S = 600
SAVE_EVERY_S = 5.0  # how much of a search is lost at most when its worker is killed
LEAST_TIME_S = 1.0  # what an interrupted run gets at least when it goes on, to look at its sets again


@dataclass(frozen=True)
class Ask:
    """Tiers are (name, within per cent, price of a set), tightest first."""

    size: int
    tiers: tuple[tuple[str, float, float], ...]
    best_grades: int
    same_maker: bool = False
    same_grade: bool = False
    same_construction: bool = False
    weeks_apart: int | None = None
    section_balance_percent: float | None = None
    time_limit_s: float = 60.0
    start: tuple[tuple[int, ...], ...] = ()  # sets of an earlier run, by valve
    near_enough: float = 0.0  # the gap at which it may leave off

    def __post_init__(self) -> None:
        """Tuples, also where it comes from JSON, which knows lists alone."""
        tiers = tuple((str(name), float(percent), float(price)) for name, percent, price in self.tiers)
        object.__setattr__(self, "tiers", tiers)
        object.__setattr__(self, "start", tuple(tuple(keys) for keys in self.start))

    @classmethod
    def read(cls, row: dict[str, Any]) -> Ask:
        """As it was stored. Raises JobRefused where another version stored it."""
        return read_question(cls, row)

    def as_tiers(self) -> list[matching.Tier]:
        return [matching.Tier(name, percent / 100, price) for name, percent, price in self.tiers]

    def as_rules(self, sections: int) -> matching.Rules:
        balance = self.section_balance_percent
        return matching.Rules(
            same_maker=self.same_maker,
            same_grade=self.same_grade,
            same_construction=self.same_construction,
            weeks_apart=self.weeks_apart,
            section_balance=None if balance is None else balance / 100,
            sections=sections,
        )

    def pool(self, type_: ValveType) -> making.Pool:
        """The stock as it is now, as a run would see it."""
        return making.pool(
            type_,
            self.best_grades,
            self.size,
            Policy.current().parsed.match_probability,
            dated=self.weeks_apart is not None,
            built=self.same_construction,
        )


def start(type_: ValveType, ask: Ask, by: User | None) -> MatchRun:
    with transaction.atomic():
        job = kinds.start(KIND, ask, f"Match {type_}: {set_name(ask.size)}", by)
        return MatchRun.objects.create(type=type_, job=job, made_by=by)


def again(run: MatchRun, by: User) -> MatchRun:
    """The same question of the stock as it is now, starting from the sets that were found.

    It leaves off at the gap the first run was left with, which it reaches soon: to close that gap took all the
    first run's time and will do so again. A run that was proven or stopped is searched to the end.
    """
    ask = Ask.read(run.ask)
    saved = tuple(tuple(found.valve_ids) for found in found_sets(run))
    gap = run.outcome["gap"] if run.outcome.get("timed_out") else 0.0
    return start(run.type, replace(ask, start=saved, near_enough=gap), by)


# Behind the pages


def _run_page(job: Job) -> str:
    return reverse("run", args=[job.match_run.pk])


@kinds.kind(KIND, "Match a pool", Lane.SEARCH, Ask, Role.BENCH, Role.SALES, address=_run_page)
def match(asked: Ask, hand: Hand) -> dict[str, Any]:
    """Look for the sets. Somebody who asks it to stop gets the best so far. A worker that leaves saves the best so
    far, and one that is killed has saved it a moment before: the next goes on from there for what is left of the
    time."""
    run = MatchRun.objects.select_related("type").get(job=hand.job)
    before_s = float(hand.saved.get("seconds", 0.0))
    limit_s = min(asked.time_limit_s, MOST_TIME_S)
    stock = asked.pool(run.type)
    saved_at = before_s

    def tell(progress: matching.Progress) -> None:
        nonlocal saved_at
        seconds = before_s + progress.seconds
        if seconds - saved_at >= SAVE_EVERY_S:
            saved_at = seconds
            hand.save(start=progress.best(), seconds=seconds)
        bound = progress.bound if isfinite(progress.bound) else None  # JSON has no infinity
        hand.tell(progress.stage, seconds, limit_s, sets=progress.sets, value=progress.value, bound=bound)

    try:
        outcome = matching.find_sets(
            stock.pieces,
            asked.size,
            asked.as_tiers(),
            asked.as_rules(stock.sections),
            time_limit_s=max(LEAST_TIME_S, limit_s - before_s),
            progress=tell,
            should_stop=lambda: hand.asked_to_stop() or hand.leaving,
            start=hand.saved.get("start", asked.start),
            near_enough=asked.near_enough,
        )
        stopped = hand.asked_to_stop() or hand.leaving
        why = () if outcome.sets or stopped else _why_none(run, asked, stock)
    except ValueError as meaningless:
        raise JobRefused(str(meaningless)) from meaningless
    found = [Found.of(made) for made in outcome.sets]
    seconds = before_s + outcome.seconds
    if outcome.stopped and not hand.asked_to_stop():
        hand.save(start=[one.valve_ids for one in found], seconds=seconds)
        raise Interrupted
    with transaction.atomic():
        hand.save()
        MatchRun.objects.filter(pk=run.pk).update(
            outcome={
                "sets": [one.stored() for one in found],
                "value": outcome.value,
                "bound": outcome.bound,
                "gap": outcome.gap,
                "proven": outcome.proven,
                "seconds": seconds,
                "stopped": outcome.stopped,
                "timed_out": outcome.timed_out,
                "method": outcome.method,
                "pool": len(stock.pieces),
                "why": list(why),
                "prices": {str(key): price for key, price in outcome.prices.items()},
                "left_out": [[str(stock.valves[key]), reason] for key, reason in outcome.left_out],
            }
        )
    return {"sets": len(found), "value": outcome.value}


def _why_none(run: MatchRun, ask: Ask, stock: making.Pool) -> tuple[str, ...]:
    asked = AskedSets(
        run.type,
        ask.size,
        ask.as_tiers(),
        ask.best_grades,
        ask.as_rules(stock.sections),
        dated=ask.weeks_apart is not None,
        built=ask.same_construction,
    )
    return why_none(asked, stock, count_time_s=COUNT_TIME_S).words


# What it found


class Found(NamedTuple):
    """One set of a run. `taken` is its number once it has been made."""

    valve_ids: tuple[int, ...]
    spread: tuple[float, ...]
    tier: str
    value: float
    taken: str = ""

    @classmethod
    def of(cls, made: matching.FoundSet) -> Found:
        return cls(tuple(int(str(key)) for key in made.keys), made.spread, made.tier, made.value)

    def stored(self) -> list[Any]:
        return list(self)

    @property
    def worst(self) -> float:
        return max(self.spread)


def found_sets(run: MatchRun) -> list[Found]:
    return [
        Found(tuple(keys), tuple(spread), tier, value, taken)
        for keys, spread, tier, value, taken in run.outcome.get("sets", [])
    ]


def save_sets(run: MatchRun, found: Sequence[Found]) -> None:
    """These are the run's sets now."""
    value, bound = sum(one.value for one in found), run.outcome["bound"]
    run.outcome = {
        **run.outcome,
        "sets": [one.stored() for one in found],
        "value": value,
        "gap": (bound - value) / bound if bound else 0.0,
        "proven": run.outcome["proven"] and value >= run.outcome["value"],
    }
    run.save(update_fields=["outcome"])

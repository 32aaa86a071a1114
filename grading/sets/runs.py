"""Match a whole pool: ask, work behind the pages, look, change by hand, accept.

- `Ask`: what a run is asked for; `start(type, ask, by)`, `again(run, by)` from where another left off
- `work_forever(stop)`: does waiting runs one after the other, in a thread of its own; `work_waiting()` does one
- `Found`: one set of a run; `found_sets(run)`; `keep(run, found)`
- `accept(run, places, by)`: make the sets; those that no longer can be made are told

A run writes its progress into its row, and reads from it whether somebody asked it to stop.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from math import isfinite
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.db import DatabaseError, close_old_connections, connections, transaction
from django.db.models import Q
from django.utils import timezone

from catalog.models import ValveType
from grading import matching
from grading.models import MatchedSet, MatchRun, Policy
from grading.sets import making
from stockroom.models import Entry, Valve

log = logging.getLogger(__name__)

PAUSE_S = 0.5
TELL_EVERY_S = 0.5
LOST_AFTER = timedelta(seconds=30)  # without a sign of life, a working run was cut off
MOST_TIME_S = 600


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

    @classmethod
    def read(cls, row: dict[str, Any]) -> Ask:
        tiers = tuple((str(name), float(percent), float(price)) for name, percent, price in row["tiers"])
        start = tuple(tuple(keys) for keys in row["start"])
        return cls(**{**row, "tiers": tiers, "start": start})

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


def start(type_: ValveType, ask: Ask, by: User) -> MatchRun:
    return MatchRun.objects.create(type=type_, ask=asdict(ask), made_by=by)


def again(run: MatchRun, by: User) -> MatchRun:
    """The same question of the stock as it is now, starting from the sets that were found.

    It leaves off at the gap the first run was left with, which it reaches soon: to close that gap took all the
    first run's time and will do so again. A run that was proven or stopped is searched to the end.
    """
    ask = Ask.read(run.ask)
    kept = tuple(tuple(found.valve_ids) for found in found_sets(run))
    gap = run.outcome["gap"] if run.outcome.get("timed_out") else 0.0
    return start(run.type, replace(ask, start=kept, near_enough=gap), by)


def ask_to_stop(run: MatchRun) -> None:
    """It comes to an end within a second or so, with the best it has."""
    MatchRun.objects.filter(pk=run.pk).update(stop_asked=True)


# Behind the pages


def work_forever(stop: threading.Event) -> None:
    """Do runs as they come until `stop` is set. Trouble with the database is logged and waited out."""
    while not stop.is_set():
        close_old_connections()
        try:
            worked = work_waiting(stop)
        except DatabaseError:
            log.exception("The runs of the matcher cannot be read")
            worked = False
        if not worked:
            stop.wait(PAUSE_S)
    connections.close_all()


def work_waiting(stop: threading.Event | None = None) -> bool:
    """Do the oldest waiting run, or one that was cut off; False when there is none."""
    lost = Q(state=MatchRun.State.WORKING, alive_at__lt=timezone.now() - LOST_AFTER)
    ready = MatchRun.objects.filter(Q(state=MatchRun.State.WAITING) | lost)
    run = ready.select_related("type").order_by("made_at", "pk").first()
    if run is None:
        return False
    claimed = ready.filter(pk=run.pk).update(state=MatchRun.State.WORKING, alive_at=timezone.now())
    if claimed:
        _work(run, stop or threading.Event())
    return True


def _work(run: MatchRun, stop: threading.Event) -> None:
    rows = MatchRun.objects.filter(pk=run.pk)
    ask = Ask.read(run.ask)
    told = timezone.now()
    asked = False

    def tell(progress: matching.Progress) -> None:
        nonlocal told
        now = timezone.now()
        if (now - told).total_seconds() >= TELL_EVERY_S:
            told = now
            rows.update(progress=_told(progress), alive_at=now)

    def stopped() -> bool:
        nonlocal asked, told
        now = timezone.now()
        if (now - told).total_seconds() >= TELL_EVERY_S:
            told = now
            rows.update(alive_at=now)
            asked = rows.filter(stop_asked=True).exists()
        return asked or stop.is_set()

    try:
        stock = ask.pool(run.type)
        outcome = matching.find_sets(
            stock.pieces,
            ask.size,
            ask.as_tiers(),
            ask.as_rules(stock.sections),
            time_limit_s=min(ask.time_limit_s, MOST_TIME_S),
            progress=tell,
            should_stop=stopped,
            start=ask.start,
            near_enough=ask.near_enough,
        )
        why = () if outcome.sets or stopped() else _why_none(run, ask, stock)
    except ValueError as trouble:
        rows.update(state=MatchRun.State.FAILED, trouble=str(trouble)[:300])
        return
    except Exception:
        # Nobody waits for this thread: the page must hear of it, and the log must keep it.
        log.exception("Run %s of the matcher failed", run.pk)
        rows.update(state=MatchRun.State.FAILED, trouble="The matcher failed; the fault is in the server's log.")
        return
    rows.update(
        state=MatchRun.State.DONE,
        outcome={
            "sets": [Found.of(made).stored() for made in outcome.sets],
            "value": outcome.value,
            "bound": outcome.bound,
            "gap": outcome.gap,
            "proven": outcome.proven,
            "seconds": outcome.seconds,
            "stopped": outcome.stopped,
            "timed_out": outcome.timed_out,
            "method": outcome.method,
            "pool": len(stock.pieces),
            "why": list(why),
            "prices": {str(key): price for key, price in outcome.prices.items()},
            "left_out": [[str(stock.valves[key]), reason] for key, reason in outcome.left_out],
        },
    )


def _why_none(run: MatchRun, ask: Ask, stock: making.Pool) -> tuple[str, ...]:
    rules = ask.as_rules(stock.sections)
    found = making.shortfall(
        stock,
        run.type,
        ask.size,
        ask.as_tiers(),
        rules,
        ask.best_grades,
        dated=ask.weeks_apart is not None,
        built=ask.same_construction,
    )
    return found.words


def _told(progress: matching.Progress) -> dict[str, Any]:
    """As JSON can hold it: a bound that is not known yet is none."""
    return {**progress._asdict(), "bound": progress.bound if isfinite(progress.bound) else None}


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


def keep(run: MatchRun, found: Sequence[Found]) -> None:
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


@transaction.atomic
def accept(run: MatchRun, places: Collection[int], by: User) -> tuple[list[MatchedSet], list[str]]:
    """Make these sets. Returns them, and what kept the others from being made."""
    run = MatchRun.objects.select_for_update().get(pk=run.pk)
    found = found_sets(run)
    within = {name: percent for name, percent, _ in Ask.read(run.ask).tiers}
    valves = Valve.objects.select_related("type", "line__lot").in_bulk(
        [key for place in places if place < len(found) for key in found[place].valve_ids]
    )
    made, troubles = [], []
    for place in sorted(places):
        if not 0 <= place < len(found) or found[place].taken:
            continue
        one = found[place]
        try:
            matched = making.make_set([valves[key] for key in one.valve_ids], within[one.tier], by)
        except making.CannotMatch as problem:
            troubles.append(str(problem))
            continue
        made.append(matched)
        found[place] = one._replace(taken=matched.number)
    if made:
        keep(run, found)
        Entry.write(by, "run-accepted", f"Made {len(made)} sets of {run.type} from {run}")
    return made, troubles

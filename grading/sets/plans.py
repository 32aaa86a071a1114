"""What to make of a pool for the demand there is, and which set an order costs it least."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import Any, NamedTuple

from django.contrib.auth.models import User
from django.db.models import Count, Exists, OuterRef
from django.urls import reverse

from catalog.models import ValveType
from grading.matching import Piece, Rules, planning
from grading.matching.market import MadeAlready, PlanDemand
from grading.matching.pulling import Candidate, cheapest_for_order
from grading.matching.shortfall import COUNT_TIME_S
from grading.matching.words import StopCall
from grading.models import Demand, MatchedSet, Member, Policy
from grading.sets import making
from grading.sets.shortfalls import asked_within, not_in_pool, why_none
from stockroom.jobs import kinds
from stockroom.jobs.kinds import JobRefused, Lane
from stockroom.jobs.worker import Hand, Interrupted
from stockroom.models import Job, OrderLine, Valve
from stockroom.pure.refused import Refused
from stockroom.pure.written import plural
from stockroom.site.chunks import chunked
from stockroom.site.people import Role
from stockroom.states import State

KIND = "plan"
PLAN_TIME_S = 30.0
ORDER_TIME_S = 4.0
# An order is answered while somebody waits: no more pieces are compared than can be within that time.
COMPARED = 600
READ_FOR_A_PAGE = 2000  # valves: more are in no order's reach while somebody waits
WIDEST_PERCENT = 100.0
BY_NUMBER = (
    "Of what could be made it leaves the most sets like it. Nobody has written down what {} is wanted for, and the "
    "line has no price, so money was not compared."
)


class PlannedSets(NamedTuple):
    """One set, or one single, of a plan."""

    demand: str
    valves: tuple[Valve, ...]
    spread: float | None
    price: float

    @property
    def is_free(self) -> bool:
        """Whether its valves can still be put together."""
        return all(valve.state == State.GRADED for valve in self.valves)


class NoDemand(Refused):
    """There is nothing to plan for."""


class PoolPlan(NamedTuple):
    """`short` is how many of each demand stay unmet, `pool` how many free valves there were, `bound` what no plan
    can earn more than and `gap` how far the plan is from that; `why` says of sets that are wanted and of which none
    is made why not, by demand."""

    made: list[PlannedSets]
    value: float
    bound: float
    gap: float
    short: dict[str, int]
    pool: int
    why: Mapping[str, Sequence[str]]
    stopped: bool = False


class Loss(NamedTuple):
    """What the sale of a set takes from what the rest of the stock can be sold for, in home currency and in words."""

    amount: float
    told: str


class LeastLoss(NamedTuple):
    """Sets that meet an order, the cheapest to the rest of the stock first, with the reason in words and how it was
    reckoned; what each takes, and what one of those that stand already takes, by the tolerance it was made within."""

    choices: list[tuple[tuple[Valve, ...], float]]  # valves and worst spread
    why: str
    detail: str
    losses: tuple[Loss, ...]
    made_already: Mapping[float, Loss]


def mix_of(type_: ValveType) -> list[PlanDemand]:
    return [
        PlanDemand(str(row), row.size, float(row.price), row.wanted, row.within_percent / 100)
        for row in Demand.objects.filter(type=type_)
    ]


def _pool(type_: ValveType, best_grades: int, size: int, newest: int | None = None) -> making.Pool:
    return making.pool(type_, best_grades, size, Policy.current().parsed.match_probability, newest=newest)


def plan_for(type_: ValveType, best_grades: int, should_stop: StopCall | None = None) -> PoolPlan:
    """Raises NoDemand where nobody has written any down."""
    mix = mix_of(type_)
    if not mix:
        raise NoDemand(f"Nobody has written down what {type_} is wanted for.")
    stock = _pool(type_, best_grades, max(demand.size for demand in mix))
    plan = planning.plan(stock.pieces, mix, time_limit_s=PLAN_TIME_S, should_stop=should_stop)
    made = [
        PlannedSets(
            one.demand,
            tuple(stock.valves[key] for key in one.keys),
            max(one.spread) if len(one.keys) > 1 else None,
            one.price,
        )
        for one in plan.made
    ]
    some = {one.demand for one in plan.made}
    why: dict[str, Sequence[str]] = {
        demand.name: _why_none_made(type_, best_grades, demand)
        for demand in mix
        if demand.size > 1 and demand.wanted and demand.name not in some
    }
    return PoolPlan(made, plan.value, plan.bound, plan.gap, dict(plan.short), len(stock.pieces), why)


def _why_none_made(type_: ValveType, best_grades: int, demand: PlanDemand) -> tuple[str, ...]:
    found = why_none(asked_within(type_, demand.size, 100 * demand.spread, best_grades), count_time_s=COUNT_TIME_S)
    if found.sure_enough:
        could = plural(found.sure_enough, "such set")
        return (f"{could} could be made; their valves earn more in what the plan makes of them.",)
    return found.words


# Behind the pages


@dataclass(frozen=True)
class PlanFor:
    """The type with this key, of its best so many grades."""

    type: int
    best_grades: int


def start_planning(type_: ValveType, best_grades: int, by: User) -> Job:
    return kinds.start(KIND, PlanFor(type_.pk, best_grades), f"Plan the pool of {type_}", by, key=_key(type_.pk))


def latest(type_: ValveType) -> Job | None:
    """The job that plans this type's pool, or did so last."""
    return Job.objects.keyed(_key(type_.pk)).select_related("made_by").first()


def _key(type_pk: int) -> str:
    return f"plan {type_pk}"


def _demand_page(job: Job) -> str:
    return reverse("demand", args=[ValveType.objects.get(pk=job.question["type"]).designation])


@kinds.kind(KIND, "Plan for the demand", Lane.SEARCH, PlanFor, Role.BENCH, Role.SALES, address=_demand_page)
def plan(asked: PlanFor, hand: Hand) -> dict[str, Any]:
    """Somebody who asks it to stop gets the best so far; a worker that leaves gives the question back."""
    type_ = ValveType.objects.get(pk=asked.type)
    hand.tell(f"looking for the best plan, for at most {PLAN_TIME_S:g} s")
    stopped = False

    def should_stop() -> bool:
        nonlocal stopped
        stopped = hand.asked_to_stop() or hand.leaving
        return stopped

    try:
        found = plan_for(type_, asked.best_grades, should_stop)
    except ValueError as meaningless:
        raise JobRefused(str(meaningless)) from meaningless
    if stopped and not hand.asked_to_stop():
        raise Interrupted
    made = [[one.demand, [valve.pk for valve in one.valves], one.spread, one.price] for one in found.made]
    return {**found._asdict(), "made": made, "stopped": stopped}


def planned(job: Job) -> PoolPlan | None:
    """What a job planned, with its valves as they are now; None when it planned nothing."""
    if not job.is_done:
        return None
    result = job.result
    keys = [key for _, valves, _, _ in result["made"] for key in valves]
    found = {key: valve for some in chunked(keys) for key, valve in Valve.objects.in_bulk(some).items()}
    made = [
        PlannedSets(demand, tuple(found[key] for key in valves), spread, price)
        for demand, valves, spread, price in result["made"]
    ]
    return PoolPlan(
        made,
        result["value"],
        result["bound"],
        result["gap"],
        result["short"],
        result["pool"],
        result.get("why", {}),  # plans of an earlier version did not say
        result["stopped"],
    )


def least_loss(line: OrderLine, only: Collection[int] | None = None) -> LeastLoss | None:
    """None when no set of free stock meets the line; `only` are the valves, by key, that it may be made of.

    The rest of the stock is kept for the type's demand mix; where nobody has written one down, for as many more sets
    like this one as it holds. Sets that stand already belong to that stock, as they are.
    """
    stock = _pool(line.type, line.best_grades, line.set_size, READ_FOR_A_PAGE)
    within = (line.max_spread_percent or WIDEST_PERCENT) / 100
    may_be = [piece for piece in stock.pieces if only is None or piece.key in only]
    pieces = [_by_serial(piece, stock) for piece in outermost(may_be, COMPARED)]
    share = len(pieces) / len(stock.pieces) if pieces else 1.0
    tolerances, made_already = _made_already(line, share)
    mix = [replace(demand, wanted=ceil(demand.wanted * share)) for demand in mix_of(line.type)]
    unpriced = not mix and not line.unit_price
    mix = mix or [_as_this(line, within, len(pieces) // line.set_size + sum(kind.count for kind in made_already))]
    valves = {valve.serial: valve for valve in stock.valves.values()}
    found = cheapest_for_order(pieces, line.set_size, within, Rules(), mix, made_already, time_limit_s=ORDER_TIME_S)
    if found.made is None:
        return None
    offered = [candidate for candidate in (found.made.best, found.made.second) if candidate is not None]
    few = (
        f" Of {len(may_be)} of the newest free valves the {COMPARED} with the least and the most were compared."
        if len(may_be) > COMPARED
        else ""
    )
    return LeastLoss(
        [(tuple(valves[str(key)] for key in candidate.keys), max(candidate.spread)) for candidate in offered],
        BY_NUMBER.format(line.type) if unpriced else found.made.why,
        found.made.detail + few,
        tuple(_loss(candidate, unpriced) for candidate in offered),
        {
            within: _loss(candidate, unpriced)
            for within, kind, candidate in zip(tolerances, made_already, found.made_already, strict=True)
            if kind.size == line.set_size
        },
    )


def _loss(candidate: Candidate, unpriced: bool) -> Loss:
    return Loss(candidate.loss, "" if unpriced else candidate.told)


def _made_already(line: OrderLine, share: float) -> tuple[list[float], list[MadeAlready]]:
    """The free sets of the line's type, as good as it asks for, that stand already: within how many per cent each kind
    was made, and how many of them there are to this share of the pool."""
    worse = Member.objects.filter(set=OuterRef("pk"), live=True, grade__rank__gt=line.best_grades)
    free = MatchedSet.objects.free().filter(~Exists(worse), type=line.type).order_by()
    kinds = free.values_list("size", "tolerance_percent").annotate(count=Count("pk"))
    kinds = kinds.order_by("size", "tolerance_percent")
    return (
        [within for _, within, _ in kinds],
        [MadeAlready(size, within / 100, ceil(count * share)) for size, within, count in kinds],
    )


def why_nothing(line: OrderLine) -> tuple[str, ...]:
    """Why no free stock meets the line."""
    if line.set_size == 1:
        return not_in_pool(line.type, line.best_grades)
    within = line.max_spread_percent or WIDEST_PERCENT
    return why_none(asked_within(line.type, line.set_size, within, line.best_grades)).words


def outermost(pieces: Sequence[Piece], most: int) -> list[Piece]:
    """The pieces at both ends of the first quantity, where a piece has the fewest partners and is missed the least.

    >>> [piece.key for piece in outermost([Piece(n, (float(n),)) for n in (5, 1, 4, 2, 3)], 2)]
    [1, 5]
    """
    if len(pieces) <= most:
        return list(pieces)
    ordered = sorted(pieces, key=lambda piece: piece.quantities[0])
    return ordered[: most // 2] + ordered[len(ordered) - (most - most // 2) :]


def _by_serial(piece: Piece, stock: making.Pool) -> Piece:
    """The reason names pieces by their key, and people know a valve by its serial."""
    return replace(piece, key=stock.valves[piece.key].serial)


def _as_this(line: OrderLine, within: float, wanted: int) -> PlanDemand:
    price = float(line.unit_price) if line.unit_price else 1.0
    return PlanDemand(str(line), line.set_size, price, wanted, within)

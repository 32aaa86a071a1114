"""Pool planning: which sets to make now for a mix of demand, so many pairs, quads and singles, each with its price.

A plan begins from the best of what the linear programme suggests (``market``), the integer solver (in smaller pools),
diving (in large ones) and matching tier by tier, and is bettered by chains of exchanges over all the demand at once
(``chains``).

plan(pieces, demands, rules)                              -> DemandPlan
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from grading.matching import Piece, Rules, Tier, find_sets, spread
from grading.matching.chains import Box, Exchanges, kick
from grading.matching.chains import better as exchange
from grading.matching.diving import dive
from grading.matching.exact import round_down, unit_of
from grading.matching.field import Ints, lay_out
from grading.matching.market import CLOSE, Choices, Linear, Market, PlanDemand, check_demands
from grading.matching.solver import Ended
from grading.matching.watch import Watch
from grading.matching.words import StopCall

NEAR_PLAN = 1e-4  # a plan for a large pool has better things to do with its time than the bound's last digits
#: Of the time left: for the linear programme of a large pool, whole sets of it (by the integer solver in a smaller
#: one, else by diving), and each time for matching tier by tier.
LINEAR_SHARE = 0.3
WHOLE_SHARE = 0.4
DIVE_SHARE = 0.4
TIERS_SHARE = 0.4
NEAR_ENOUGH = 0.002  # chains of exchanges over all the demand at once find the rest
KICKS = 40


class Made(NamedTuple):
    """One set to make: the demand it meets, its keys, the spread of each quantity, its price."""

    demand: str
    keys: tuple[Hashable, ...]
    spread: tuple[float, ...]
    price: float


class DemandPlan(NamedTuple):
    """made    the sets to make and the singles to set aside
    value   their income; bound: proven, no plan earns more; gap: (bound - value) / bound
    short   how many of each demand stay unmet, where any do
    prices  shadow price of each piece; demand_prices: what one more order of each demand would bring
    ended   in words, how the work came to its end
    """

    made: tuple[Made, ...]
    value: float
    bound: float
    gap: float
    short: Mapping[str, int]
    prices: Mapping[Hashable, float]
    demand_prices: Mapping[str, float]
    ended: str


def plan(
    pieces: Sequence[Piece],
    demands: Sequence[PlanDemand],
    rules: Rules = Rules(),  # noqa: B008
    *,
    time_limit_s: float = 60.0,
    seed: int = 0,
    should_stop: StopCall | None = None,
) -> DemandPlan:
    """The sets to make now for the greatest income from this demand. ValueError for a demand without meaning.

    The rules hold for sets; a single need only be in the pool. When ``should_stop`` returns true the best so far
    comes back.
    """
    check_demands(demands)
    watch = Watch(time_limit_s, None, should_stop)
    market = Market(pieces, demands, rules, watch, seed)
    linear = market.solve(seconds=LINEAR_SHARE * watch.left(), near=NEAR_PLAN) if market.large else market.solve()
    unit = unit_of(np.array([demand.price for demand in demands]))
    bound = round_down(linear.bound, unit)
    floor = Floor(pieces, demands, rules)
    shares = np.zeros(len(market.worth))
    if linear.relaxed is not None:
        shares[: len(linear.relaxed.shares)] = linear.relaxed.shares
    chosen = market.sets(in_order(market, np.lexsort((-market.worth, -np.round(shares, 6)))))
    as_relaxed = market.as_many(shares)
    if not market.large:
        complete = market.know_all()
        whole = market.whole((), WHOLE_SHARE * watch.left())
        if complete:
            bound = min(bound, round_down(whole.bound, unit))
        if whole.chosen is not None:
            chosen = max(chosen, market.sets(whole.chosen), key=floor.income)
    elif linear.relaxed is not None and floor.income(chosen) < bound:
        prices = np.append(linear.relaxed.prices[:-1], 0.0)
        whole_sets = dive(market, prices, seed, watch, watch.gone() + DIVE_SHARE * watch.left())
        chosen = max(chosen, market.sets(whole_sets), key=floor.income)
    if floor.income(chosen) < bound:
        for some in (demands, as_relaxed):
            by_hand = tier_by_tier(pieces, some, rules, TIERS_SHARE * watch.left(), seed)
            chosen = max(chosen, by_hand, key=floor.income)
        chosen = floor.better(chosen, bound, watch, seed)
    made = floor.made(chosen)
    value = sum(one.price for one in made)
    bound = max(value, bound)
    short = {demand.name: demand.wanted - sum(one.demand == demand.name for one in made) for demand in demands}
    prices = linear.relaxed.prices if linear.relaxed is not None else np.zeros(len(market.limits))
    return DemandPlan(
        tuple(made),
        value,
        bound,
        (bound - value) / bound if bound else 0.0,
        {name: number for name, number in short.items() if number},
        {piece.key: float(price) for piece, price in zip(pieces, prices, strict=False)},
        {demand.name: float(prices[market.count + at]) for at, demand in enumerate(demands)},
        ended(value, bound, watch, linear),
    )


def ended(value: float, bound: float, watch: Watch, linear: Linear) -> str:
    """In words, what left the gap open."""
    if value >= bound * (1 - CLOSE):
        return "No plan earns more."
    if watch.over():
        return "The time ran out."
    if linear.ended is not Ended.OPTIMAL:
        return f"Every step was taken; the linear programme {linear.ended.value}."
    return "Every step was taken."


def tier_by_tier(
    pieces: Sequence[Piece], demands: Sequence[PlanDemand], rules: Rules, seconds: float, seed: int
) -> Choices:
    """What a careful person does: match for the demand that pays best for each piece, then for the next among the
    pieces that are left, and so on."""
    watch = Watch(seconds, None, None)
    free = dict(enumerate(pieces))
    places = {piece.key: place for place, piece in enumerate(pieces)}
    chosen: Choices = []
    order = sorted(range(len(demands)), key=lambda at: -demands[at].price / demands[at].size)
    for turn, at in enumerate(order):
        demand = demands[at]
        if demand.size == 1 or not demand.wanted or demand.price <= 0:
            continue
        found = find_sets(
            list(free.values()),
            demand.size,
            [Tier(demand.name, demand.spread, demand.price)],
            rules,
            time_limit_s=watch.left() / (len(order) - turn),
            seed=seed,
            near_enough=NEAR_ENOUGH,
        )
        # Where there are more than are wanted, those are made whose pieces are of the least use to others.
        sets = sorted(found.sets, key=lambda one: sum(found.prices[key] for key in one.keys))[: demand.wanted]
        for one in sets:
            members = tuple(places[key] for key in one.keys)
            chosen.append((members, at))
            for place in members:
                del free[place]
    return chosen


class Floor:
    """The pool laid out for exchanges: one more axis keeps apart the pieces that may not meet."""

    def __init__(self, pieces: Sequence[Piece], demands: Sequence[PlanDemand], rules: Rules) -> None:
        self.pieces, self.demands = pieces, demands
        self.singles = sorted(
            (at for at, demand in enumerate(demands) if demand.size == 1), key=lambda at: -demands[at].price
        )
        self.sold = [at for at, demand in enumerate(demands) if demand.size > 1]
        fields = [
            lay_out(pieces, demands[at].size, [Tier("order", demands[at].spread, demands[at].price or 1.0)], rules)
            for at in self.sold
        ]
        self.rows: Ints = fields[0].rows if fields else np.empty(0, dtype=np.int64)
        self.bands: list[Box] = []
        self.low = self.high = np.empty((0, 1))
        if fields:
            group = np.zeros((len(self.rows), 1))
            for number, own in enumerate(fields[0].groups):
                group[own] = number
            self.low, self.high = np.hstack([fields[0].low, group]), np.hstack([fields[0].high, group])
            self.bands = [
                Box(demands[at].size, np.append(field.reach[0], 0.5), demands[at].price, float(demands[at].wanted))
                for at, field in zip(self.sold, fields, strict=True)
            ]

    def spare(self, left: int) -> float:
        """What so many pieces bring as singles, the best paid first."""
        income = 0.0
        for at in self.singles:
            demand = self.demands[at]
            income += demand.price * min(left, demand.wanted)
            left -= min(left, demand.wanted)
        return income

    def income(self, chosen: Choices) -> float:
        sets = [pair for pair in chosen if len(pair[0]) > 1]
        used = sum(len(members) for members, _ in sets)
        return sum(self.demands[at].price for _, at in sets) + self.spare(len(self.pieces) - used)

    def better(self, chosen: Choices, enough: float, watch: Watch, seed: int) -> Choices:
        """The same by chains of exchanges, until the time is up or nothing is gained any more."""
        beyond = len(self.pieces) - len(self.rows)
        place = {int(row): at for at, row in enumerate(self.rows)}
        band_of = {at: band for band, at in enumerate(self.sold)}
        sets = [(tuple(place[piece] for piece in members), band_of[at]) for members, at in chosen if len(members) > 1]
        best = self.income(chosen)
        for turn in range(KICKS + 1):
            if watch.over() or best >= enough * (1 - CLOSE):
                break
            table = Exchanges(self.low, self.high, self.bands, lambda left: self.spare(left + beyond))
            for members, band in sets:
                table.add(members, band)
            if turn:
                kick(table, np.random.default_rng(seed + turn))
            exchange(table, seed + turn, enough, watch.over)
            if table.value >= best:
                sets, best = table.sets(), table.value
        return [(tuple(self.rows[list(members)].tolist()), self.sold[band]) for members, band in sets]

    def made(self, chosen: Choices) -> list[Made]:
        """In the order of the demands, singles from what is left."""
        made = []
        free = [True] * len(self.pieces)
        for members, at in chosen:
            if len(members) > 1:
                own = [self.pieces[place] for place in sorted(members)]
                made.append(
                    (at, Made(self.demands[at].name, tuple(p.key for p in own), spread(own), self.demands[at].price))
                )
                for place in members:
                    free[place] = False
        left = [piece for piece, there in zip(self.pieces, free, strict=True) if there]
        for at in self.singles:
            demand = self.demands[at]
            taken, left = left[: demand.wanted], left[demand.wanted :]
            made += [(at, Made(demand.name, (piece.key,), spread([piece]), demand.price)) for piece in taken]
        return [one for _, one in sorted(made, key=lambda pair: pair[0])]


def in_order(market: Market, order: Ints) -> Ints:
    """Take sets in this order as long as limits allow."""
    left = market.limits.copy()
    taken = []
    for at in order.tolist():
        row = market.members[at]
        if (left[row] >= 1).all():
            left[row] -= 1
            taken.append(at)
    return np.array(taken, dtype=np.int64)

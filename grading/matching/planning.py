"""Pool planning: which sets to make now for a mix of demand, and which set to give an order.

The pool and the demand mix (so many pairs, quads, singles, each with its price) make one linear programme: each
piece in one set, each demand met as often as it is wanted, the greatest income. Its shadow prices say what the pool
loses, at the margin, when a piece leaves it.

A set pulled for an order should cost the rest of the pool least. Its loss is the income the pool could make less the
income the rest can, both in whole sets. By concavity of the linear programme in its limits its loss there is at least
the sum of the shadow prices of the set's pieces (linear-programming duality), so the sets are tried in the order of
that sum, the loss of each worked out by solving for the rest, until no untried set can be better: the choice is then
proven. In a pool too large for the integer solver the loss is the linear programme's, and is called so.

A plan begins from the best of what the linear programme suggests, the integer solver (in smaller pools), diving (in
large ones) and matching tier by tier, and is bettered by chains of exchanges over all the demand at once (``chains``).

Sets that stand already belong to the stock as well: each may be sold whole, for whatever demand of its size is as wide.
What the sale of one costs is reckoned in the same programme, so it can be held beside a set that would be made.

plan(pieces, demands, rules)                              -> DemandPlan
cheapest_set(pieces, size, widest, rules, demands)        -> SetChoice, or None when no set meets the order
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import NamedTuple

import numpy as np

from grading.matching import Piece, Rules, Tier, find_sets, spread
from grading.matching.catalogue import Catalogue, Members, write_out
from grading.matching.chains import Box, Exchanges, kick
from grading.matching.chains import better as exchange
from grading.matching.dense import sample_sets
from grading.matching.diving import dive
from grading.matching.exact import round_down, unit_of
from grading.matching.field import Floats, Ints, PoolField, lay_out
from grading.matching.pricing import Pricer
from grading.matching.solver import INFINITY, Ended, Relaxed, SetPacking, Whole, best_whole
from grading.matching.watch import Watch
from grading.matching.words import StopCall

MOST_WRITTEN = 400_000
SAMPLED = 10  # sets to begin with for every piece, fewer in a pool where these would be more than MOST_SAMPLED
MOST_SAMPLED = 8_000
BATCH = 2_000
ROUNDS = 80
NODES = 2_000
CROWD = 600
CLOSE = 1e-7
SMOOTHING = 0.5
NEAR_PLAN = 1e-4  # a plan for a large pool has better things to do with its time than the bound's last digits
NEAR = 1e-8  # a bound this close to the programme's value will not come closer
MOST_KNOWN = 20_000  # sets that are all handed to the integer solver, so that its bound holds for the whole pool
TRIED = 12  # sets compared for an order at least, where there are so many and the next best is still open
FIRST_SHARE = 0.4  # of an order's time, for the pool as it is
LEAST_TIME_S = 0.05
#: Of the time left: for the linear programme of a large pool, whole sets of it (by the integer solver in a smaller
#: one, else by diving), and each time for matching tier by tier.
LINEAR_SHARE = 0.3
WHOLE_SHARE = 0.4
DIVE_SHARE = 0.4
TIERS_SHARE = 0.4
NEAR_ENOUGH = 0.002  # chains of exchanges over all the demand at once find the rest
KICKS = 40
SAME_SPREAD = 1e-12
LEAST_TOLD = 0.005  # less than this is nothing in words with two decimals


@dataclass(frozen=True)
class PlanDemand:
    """``wanted`` sets of ``size`` (1 for singles) within ``spread`` (a fraction; no matter for singles), each sold
    for ``price``, in any one currency."""

    name: str
    size: int
    price: float
    wanted: int
    spread: float = 0.0


@dataclass(frozen=True)
class MadeAlready:
    """So many sets of ``size`` that are made already, within ``spread`` (a fraction)."""

    size: int
    spread: float
    count: int

    def meets(self, demand: PlanDemand) -> bool:
        return demand.size == self.size and demand.spread >= self.spread - SAME_SPREAD


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


class Candidate(NamedTuple):
    """A set that meets an order.

    price   the sum of its pieces' shadow prices
    loss    what it costs the pool: the income with all pieces less the income with the rest, in whole sets where
            that is ``sure``, and otherwise as the linear programme has it
    most, least   what the loss in whole sets is not above and not below
    """

    keys: tuple[Hashable, ...]
    spread: tuple[float, ...]
    price: float
    loss: float
    most: float
    least: float
    piece_prices: tuple[float, ...]

    @property
    def sure(self) -> bool:
        return self.most - self.least < LEAST_TOLD

    @property
    def told(self) -> str:
        """In words, what its sale costs."""
        if self.loss < LEAST_TOLD:
            takes = "nothing" if self.sure else "little or nothing"
        else:
            takes = f"{self.loss:.2f}" if self.sure else f"about {self.loss:.2f}"
        return f"Selling it takes {takes} from what the rest of the stock can be sold for."


class SetChoice(NamedTuple):
    """best and second best; whether the best is proven; the reason in words, and more of it for who asks."""

    best: Candidate
    second: Candidate | None
    proven: bool
    why: str
    detail: str


class OrderChoice(NamedTuple):
    """``made`` of pieces, None where no set meets the order; ``made_already`` what the sale of one costs, for each kind
    of sets that are there, in the order given."""

    made: SetChoice | None
    made_already: tuple[Candidate, ...]


class Linear(NamedTuple):
    """A bound on the income, by weak duality: what the pieces cost at some prices, and for each demand, as often as
    it is wanted, what its best set brings beyond its pieces. The last answer of the solver's, whose prices gave the
    bound or nearly, and how it ended: OPTIMAL when no set undercuts those prices."""

    bound: float
    relaxed: Relaxed | None
    ended: Ended


class Market:
    """The linear programme of a pool and a demand mix. Row of a piece: its place in the pool; then a row for each
    demand, and one for each kind of sets that stand already; then one without limit that fills short sets up to a
    common width."""

    def __init__(
        self,
        pieces: Sequence[Piece],
        demands: Sequence[PlanDemand],
        rules: Rules,
        watch: Watch,
        seed: int,
        made_already: Sequence[MadeAlready] = (),
    ) -> None:
        self.pieces, self.demands, self.watch, self.seed = pieces, demands, watch, seed
        self.made_already = made_already
        self.count = len(pieces)
        self.width = max((demand.size for demand in demands), default=1) + 1
        # No more sets than there can be: what bounds a demand without end, if nothing else does.
        wanted = [
            float(
                min(
                    demand.wanted,
                    self.count // demand.size + sum(kind.count for kind in made_already if kind.meets(demand)),
                )
            )
            for demand in demands
        ]
        self.limits = np.concatenate(
            [np.ones(self.count), wanted, [float(kind.count) for kind in made_already], [INFINITY]]
        )
        self.packing = SetPacking(len(self.limits), seed, interior=self.count > CROWD, limits=self.limits)
        self.members: Members = np.empty((0, self.width), dtype=np.int32)
        self.worth: Floats = np.empty(0)
        self.often: Floats = np.empty(0)  # how often each set may be sold
        self.known: set[tuple[int, ...]] = set()
        self.shops = [PlanOrder(pieces, demand.size, demand.spread, demand.price, rules, seed) for demand in demands]
        for number, shop in enumerate(self.shops):
            self.add(number, shop.first())
        for at, kind in enumerate(made_already):
            for number, demand in enumerate(demands):
                if kind.meets(demand) and kind.count:
                    self.add(number, np.full((1, 1), self.row_of_made(at), dtype=np.int32), float(kind.count))

    def row_of_made(self, at: int) -> int:
        return self.count + len(self.demands) + at

    def left(self, without: Sequence[int]) -> Floats:
        """The limits when one is taken from each of these rows."""
        limits = self.limits.copy()
        np.subtract.at(limits, np.asarray(without, dtype=np.int64), 1.0)
        return limits

    @property
    def exact(self) -> bool:
        return all(shop.exact for shop in self.shops)

    def know_all(self) -> bool:
        """Offer every set there is; False, and nothing done, where they are too many."""
        written = [(number, shop.all()) for number, shop in enumerate(self.shops)]
        if sum(MOST_KNOWN + 1 if sets is None else len(sets) for _, sets in written) > MOST_KNOWN:
            return False
        for number, sets in written:
            if sets is not None:
                self.add(number, sets)
        return True

    def add(self, number: int, sets: Members, often: float = 1.0) -> int:
        """Offer sets (places in the pool) to one demand; how many were new."""
        fill = np.full((len(sets), self.width), len(self.limits) - 1, dtype=np.int32)
        fill[:, : sets.shape[1]] = sets
        fill[:, -1] = self.count + number
        fresh = np.array([tuple(row) not in self.known for row in fill.tolist()], dtype=bool)
        fill = fill[fresh] if len(fill) else fill
        self.known.update(map(tuple, fill.tolist()))
        price = np.full(len(fill), self.demands[number].price)
        self.packing.add_sets(fill, price)
        self.members = np.concatenate([self.members, fill])
        self.worth = np.concatenate([self.worth, price])
        self.often = np.concatenate([self.often, np.full(len(fill), often)])
        return len(fill)

    def solve(self, without: Sequence[int] = (), seconds: float = np.inf, near: float = NEAR) -> Linear:
        """The optimum over all sets, one taken from each of some rows, or as near as time and the solver allow."""
        until = self.watch.gone() + min(seconds, self.watch.left())
        there = self.left(without)
        for row in without:
            self.packing.limit(row, float(there[row]))
        bound, relaxed, ended = self.at_most(), None, Ended.TIME
        steady: Floats | None = None  # the prices that gave the best bound
        try:
            for _ in range(ROUNDS):
                relaxed = self.packing.solve(until - self.watch.gone())
                ended = relaxed.ended
                if ended is Ended.TIME or self.watch.over():
                    break
                if ended is Ended.OPTIMAL and bound - relaxed.value <= near * bound:
                    break
                # Prices leap about from round to round; halfway to the best so far they make the better bound.
                added = 0
                for weight in (0.0,) if steady is None else (SMOOTHING, 0.0):
                    trial = relaxed.prices if steady is None else weight * steady + (1 - weight) * relaxed.prices
                    total, fresh = self.price(trial, there)
                    added += fresh
                    if steady is None or total < bound:
                        steady = trial
                    bound = min(bound, total)
                if not added:
                    break
            else:
                ended = Ended.NODES
        finally:
            for row in without:
                self.packing.limit(row, float(self.limits[row]))
        return Linear(bound, relaxed, ended)

    def price(self, prices: Floats, limits: Floats) -> tuple[float, int]:
        """The bound that these prices give under these limits, and how many sets that undercut them were new.

        Where sets undercut the prices there are two ways to make them good, and the better counts. A demand may be
        charged more, by what its best set lacks, as often as it is wanted. Or the pieces: every set has a first piece,
        and each piece is charged what the cheapest of the sets that it comes first in lacks. Sets that stand already
        are charged what the best paid demand that they meet pays beyond its own charge.
        """
        own, there = prices[: self.count], limits[: self.count]
        charged = float(own @ there)
        raised = np.zeros(self.count)
        fees, made_good = prices[self.count : self.count + len(self.demands)], np.zeros(len(self.demands))
        added, whole = 0, True
        for number, (shop, demand) in enumerate(zip(self.shops, self.demands, strict=True)):
            fee = float(fees[number])
            offer = shop.below(own, (demand.price - fee) * (1 - CLOSE), there)
            added += self.add(number, offer.sets)
            made_good[number] = max(demand.price - offer.least, 0.0)
            whole = whole and offer.whole
            np.maximum.at(raised, offer.first, np.maximum(demand.price - fee - offer.cost, 0.0))
            # A price undercut by less than CLOSE is not looked for, by a single that is not there not at all.
            raised += max(demand.price - fee, 0.0) * CLOSE
        by_demand = charged + self.fees_and_standing(made_good, limits)
        by_piece = charged + self.fees_and_standing(fees, limits) + float(raised.sum()) if whole else np.inf
        return min(by_demand, by_piece), added

    def fees_and_standing(self, fees: Floats, limits: Floats) -> float:
        """What the demands are charged, and the sets that stand already with them."""
        charged = float(fees @ limits[self.count : self.count + len(self.demands)])
        for at, kind in enumerate(self.made_already):
            beyond = [demand.price - fee for demand, fee in zip(self.demands, fees, strict=True) if kind.meets(demand)]
            charged += float(limits[self.row_of_made(at)]) * max([0.0, *beyond])
        return charged

    def sets(self, chosen: Ints) -> Choices:
        """These of the sets known, as places in the pool with their demand."""
        found = []
        for row in self.members[chosen].tolist():
            at = row[-1] - self.count
            found.append((tuple(sorted(row[: self.demands[at].size])), at))
        return found

    def as_many(self, shares: Floats) -> list[PlanDemand]:
        """The demand cut down to what the linear programme makes of it, whole sets and a part."""
        each = np.bincount(self.members[:, -1] - self.count, weights=shares, minlength=len(self.demands))
        return [
            replace(demand, wanted=min(demand.wanted, ceil(number - 1e-6)))
            for demand, number in zip(self.demands, each.tolist(), strict=True)
        ]

    def at_most(self) -> float:
        """What the demand can bring at most, every piece fitting every other: the best paid for each piece first,
        and a part of a set for the last pieces."""
        left, income = float(self.count), 0.0
        for demand in sorted(self.demands, key=lambda demand: -demand.price / demand.size):
            sets = min(float(demand.wanted), left / demand.size)
            income += demand.price * sets
            left -= demand.size * sets
        for kind in self.made_already:
            income += kind.count * max((demand.price for demand in self.demands if kind.meets(demand)), default=0.0)
        return income

    def whole(self, without: Sequence[int], seconds: float) -> Whole:
        """The best choice among the sets known, one taken from each of some rows, and a bound on any among them."""
        return best_whole(
            self.members,
            self.worth,
            nodes=NODES,
            seconds=seconds,
            seed=self.seed,
            interrupted=self.watch.over,
            limits=self.left(without),
            often=self.often,
        )


class Offer(NamedTuple):
    """sets (m, size) that cost less than was asked, the cheapest first; least: a cost that no set goes below, infinite
    where there is no set and nought where the search was given up before its end; of every first piece whose
    cheapest set costs less than was asked, ``first`` (f,), what that costs, ``cost`` (f,), a piece more than once
    perhaps; whole: the search came to its end."""

    sets: Members
    least: float
    first: Ints
    cost: Floats
    whole: bool


class PlanOrder:
    """All the sets that meet one kind of order, by whichever exact way the pool allows."""

    def __init__(
        self, pieces: Sequence[Piece], size: int, widest: float, price: float, rules: Rules, seed: int
    ) -> None:
        self.size, self.seed = size, seed
        self.single = size == 1
        self.count = len(pieces)
        self.exact = True  # until a search is given up
        self.field: PoolField | None = None
        self.groups: list[tuple[Ints, Catalogue | Pricer]] = []
        if self.single:
            return
        field = lay_out(pieces, size, [Tier("order", widest, price if price > 0 else 1.0)], rules)
        self.field = field
        for group in field.groups:
            low, high = field.low[group], field.high[group]
            written = write_out(low, high, field.reach, field.values, size, MOST_WRITTEN // size)
            self.groups.append((group, written if written is not None else Pricer(low, high)))

    def first(self) -> Members:
        """Sets to begin with."""
        if self.single:
            return np.arange(self.count, dtype=np.int32).reshape(-1, 1)
        field = self.field
        assert field is not None
        random = np.random.default_rng(self.seed)
        each = min(SAMPLED, max(1, MOST_SAMPLED // max(self.count, 1)))
        found: list[Members] = [np.empty((0, self.size), dtype=np.int32)]
        for group, known in self.groups:
            if isinstance(known, Catalogue):
                members = known.members
            else:
                members = sample_sets(
                    field.low[group],
                    field.high[group],
                    field.reach,
                    field.values,
                    self.size,
                    np.zeros(len(group), dtype=np.int64),
                    [],
                    each,
                    random,
                ).members
            if len(members) > each * len(group):
                members = members[np.sort(random.choice(len(members), each * len(group), replace=False))]
            found.append(field.rows[group[members]].astype(np.int32))
        return np.concatenate(found)

    def all(self) -> Members | None:
        """Every set, or None where they are not written out."""
        if self.single:
            return np.arange(self.count, dtype=np.int32).reshape(-1, 1)
        field = self.field
        assert field is not None
        found: list[Members] = [np.empty((0, self.size), dtype=np.int32)]
        for group, known in self.groups:
            if not isinstance(known, Catalogue):
                return None
            found.append(field.rows[group[known.members]].astype(np.int32))
        return np.concatenate(found)

    def below(self, prices: Floats, ceiling: float, there: Floats | None = None) -> Offer:
        """Sets that cost less than the ceiling at these prices, the cheapest first, ``BATCH`` at most; at least one
        if there is one and the shop is exact."""
        none = np.empty((0, self.size), dtype=np.int32)
        if self.single:  # every single was offered at the first
            rows = np.flatnonzero(np.ones(self.count) if there is None else there)
            return Offer(none, float(prices[rows].min(initial=np.inf)), rows, prices[rows], True)
        field = self.field
        assert field is not None
        found: list[Members] = [none]
        firsts: list[Ints] = [np.empty(0, dtype=np.int64)]
        costs: list[Floats] = [np.empty(0)]
        least, whole = np.inf, True
        for group, known in self.groups:
            price = prices[field.rows[group]]
            if isinstance(known, Catalogue):
                cost = price[known.members].sum(axis=1)
                under = cost < ceiling
                members, first, cost_under = known.members[under], known.members[under][:, 0], cost[under]
                least = min(least, float(cost.min(initial=np.inf)))
            elif ceiling > 0:
                priced = known.cheapest(price, field.reach[0], self.size, ceiling)
                members, first, cost_under = priced.members, priced.first, priced.cost
                whole = whole and priced.least > 0
                least = min(least, priced.least)
            else:
                members, first, cost_under = none, np.empty(0, dtype=np.int64), np.empty(0)
                least = min(least, 0.0)
            found.append(field.rows[group[members]].astype(np.int32))
            firsts.append(field.rows[group[first]])
            costs.append(cost_under)
        self.exact = self.exact and whole
        sets = np.concatenate(found)
        cost = prices[sets].sum(axis=1)
        cheapest = sets[np.argsort(cost, kind="stable")[:BATCH]]
        return Offer(cheapest, least, np.concatenate(firsts), np.concatenate(costs), whole)


def check_demands(demands: Sequence[PlanDemand]) -> None:
    if len({demand.name for demand in demands}) != len(demands):
        raise ValueError("two demands share a name")
    for demand in demands:
        if not 1 <= demand.size <= 12:
            raise ValueError(f"demand {demand.name}: a set has 1 to 12 valves, not {demand.size}")
        if demand.wanted < 0 or demand.price < 0 or demand.spread < 0:
            raise ValueError(f"demand {demand.name}: number wanted, price and spread must be zero or more")


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
    large = market.count > CROWD
    linear = market.solve(seconds=LINEAR_SHARE * watch.left(), near=NEAR_PLAN) if large else market.solve()
    unit = unit_of(np.array([demand.price for demand in demands]))
    bound = round_down(linear.bound, unit)
    floor = Floor(pieces, demands, rules)
    shares = np.zeros(len(market.worth))
    if linear.relaxed is not None:
        shares[: len(linear.relaxed.shares)] = linear.relaxed.shares
    chosen = market.sets(in_order(market, np.lexsort((-market.worth, -np.round(shares, 6)))))
    as_relaxed = market.as_many(shares)
    if not large:
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


#: Sets as places in the pool, each with the number of the demand it meets; singles are what is left over.
Choices = list[tuple[tuple[int, ...], int]]


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


def cheapest_set(
    pieces: Sequence[Piece],
    size: int,
    widest: float,
    rules: Rules,
    demands: Sequence[PlanDemand],
    *,
    time_limit_s: float = 30.0,
    seed: int = 0,
) -> SetChoice | None:
    """The set of ``size`` within spread ``widest`` (a fraction) that costs the rest of the pool least.

    ``demands`` is what the rest of the pool is kept for: the same order is not counted again. None when no set
    meets the order. ValueError for a question without meaning.
    """
    return cheapest_for_order(pieces, size, widest, rules, demands, time_limit_s=time_limit_s, seed=seed).made


def cheapest_for_order(
    pieces: Sequence[Piece],
    size: int,
    widest: float,
    rules: Rules,
    demands: Sequence[PlanDemand],
    made_already: Sequence[MadeAlready] = (),
    *,
    time_limit_s: float = 30.0,
    seed: int = 0,
) -> OrderChoice:
    """The same where sets stand already, with what the sale of one of those costs."""
    check_demands(demands)
    watch = Watch(time_limit_s, None, None)
    scales = Scales(Market(pieces, demands, rules, watch, seed, made_already))
    ready = tuple(scales.weigh_made(at) for at in range(len(made_already)))
    return OrderChoice(_least_of(scales, PlanOrder(pieces, size, widest, 1.0, rules, seed)), ready)


def _least_of(scales: Scales, order: PlanOrder) -> SetChoice | None:
    """Of the sets that meet the order the one that costs the pool least."""
    pieces, watch = scales.market.pieces, scales.watch
    offers = candidates(order, pieces, scales.prices)
    if not len(offers):
        return None
    tried: list[Candidate] = []
    least_unseen = np.inf
    for rows in offers:
        first, next_ = ([*sorted(one.loss for one in tried), np.inf, np.inf])[:2]
        floor = scales.no_less_than(float(scales.prices[rows].sum()))
        best_found, next_found = first <= floor + CLOSE, next_ <= floor + CLOSE
        if next_found or (len(tried) >= 2 and (watch.over() or (best_found and len(tried) >= TRIED))):
            least_unseen = floor
            break
        tried.append(scales.weigh(rows, next_))
    ranked = sorted(tried, key=lambda one: (round(one.loss, 6), round(one.price, 6), max(one.spread)))
    best, second = ranked[0], ranked[1] if len(ranked) > 1 else None
    if len(offers) >= BATCH:
        least_unseen = min(least_unseen, scales.no_less_than(float(scales.prices[offers[-1]].sum())))
    exact = order.exact and scales.complete
    proven = exact and best.most <= min([least_unseen, *(one.least for one in ranked[1:])]) + CLOSE
    next_proven = (
        exact and second is not None and second.most <= min([least_unseen, *(one.least for one in ranked[2:])])
    )
    reason = why(best, second if next_proven else None, proven, len(tried))
    return SetChoice(best, second, proven, reason, detail(best, len(tried), len(offers)))


class Scales:
    """What the income of a pool is with all its pieces and without some."""

    def __init__(self, market: Market) -> None:
        self.market, self.watch = market, market.watch
        self.unit = unit_of(np.array([demand.price for demand in market.demands]))
        self.linear = market.solve(seconds=FIRST_SHARE * self.watch.left())
        prices = np.zeros(market.count) if self.linear.relaxed is None else self.linear.relaxed.prices[: market.count]
        self.prices: Floats = prices
        #: Every set is known, and the integer solver's bound then holds for the whole pool.
        self.complete = market.count <= CROWD and market.know_all()
        self.least, self.most = self.income((), FIRST_SHARE * self.watch.left())

    def income(self, without: Sequence[int], seconds: float) -> tuple[float, float]:
        """The least and the most that the pool without these pieces brings in whole sets; equal when that is known
        exactly. Where not every set is known, the linear programme's word for both, which counts parts of sets."""
        if not self.complete:
            linear = self.market.solve(without, seconds) if without else self.linear
            return linear.bound, linear.bound
        whole = self.market.whole(without, seconds)
        income = 0.0 if whole.chosen is None else float(self.market.worth[whole.chosen].sum())
        return income, max(income, round_down(whole.bound, self.unit))

    def no_less_than(self, price: float) -> float:
        """What a set whose pieces' shadow prices come to this loses at least: in parts of sets its pieces' prices
        (the income is concave in what there is of each piece), in whole sets less by what the two differ in."""
        return max(price - (self.linear.bound - self.least), 0.0)

    def weigh(self, rows: Ints, best: float) -> Candidate:
        """A set of pieces with what it loses; no closer than shows that it loses more than ``best``."""
        pieces = [self.market.pieces[row] for row in rows]
        own = tuple(float(self.prices[row]) for row in rows)
        loss, most, least = self.loss(rows.tolist(), float(self.prices[rows].sum()), best)
        keys = tuple(piece.key for piece in pieces)
        return Candidate(keys, spread(pieces), float(self.prices[rows].sum()), loss, most, least, own)

    def weigh_made(self, at: int) -> Candidate:
        """A set of this kind, of those that stand already."""
        loss, most, least = self.loss([self.market.row_of_made(at)], 0.0, np.inf)
        return Candidate((), (self.market.made_already[at].spread,), 0.0, loss, most, least, ())

    def loss(self, rows: list[int], price: float, best: float) -> tuple[float, float, float]:
        """What it costs to take one from each of these rows, whose shadow prices come to ``price``: that, and in whole
        sets the most and the least that it may be."""
        if self.complete and np.isfinite(best):
            linear = self.market.solve(rows, self.watch.left())
            least = self.least - round_down(linear.bound, self.unit)
            if least > best + CLOSE:
                return least, max(self.most, least), least
        rest_least, rest_most = self.income(rows, max(self.watch.left(), LEAST_TIME_S))
        if not self.complete:
            return max(self.most - rest_least, price), self.most, 0.0
        most = max(self.most - rest_least, 0.0)
        return most, most, max(self.least - rest_most, 0.0)


def candidates(order: PlanOrder, pieces: Sequence[Piece], prices: Floats) -> Ints:
    """Sets that meet the order, cheapest first, of two as cheap the tighter. The cheapest is among them, and so is
    the second cheapest: it lacks some piece of the cheapest, so it is the cheapest of the pool without that piece."""
    far = float(prices.sum()) * 2 + 1.0
    found = order.below(prices, far).sets
    if not len(found):
        found = order.first()
    if len(found):
        for piece in found[np.argsort(prices[found].sum(axis=1), kind="stable")[0]].tolist():
            without = prices.copy()
            without[piece] = far
            others = order.below(without, far).sets
            found = np.concatenate([found, others]) if len(others) else found
    if not len(found):
        return found.astype(np.int64)
    found = np.unique(np.sort(found, axis=1), axis=0)
    logs = np.log([piece.quantities for piece in pieces])
    width = np.ptp(logs[found], axis=1).max(axis=1)
    result: Ints = found[np.lexsort((width, prices[found].sum(axis=1).round(6)))].astype(np.int64)
    return result


def why(best: Candidate, second: Candidate | None, proven: bool, compared: int) -> str:
    """The reason as a sales clerk wants it."""
    text = best.told
    if proven:
        text += " No other set that could be made takes less."
    elif compared > 1 and best.sure:
        text += f" Of the {compared} that were compared none takes less."
    elif compared > 1:
        text += f" Of the {compared} that were compared none seems to take less."
    if second is not None and second.sure and best.sure:
        more = second.loss - best.loss
        text += f" The next best takes {more:.2f} more." if more >= LEAST_TOLD else " The next best takes as much."
    return text


def detail(best: Candidate, compared: int, offered: int) -> str:
    """How that was reckoned, for who asks."""
    dearest = max(zip(best.piece_prices, best.keys, strict=True), key=lambda pair: pair[0])
    text = f"{compared} of {offered} sets that meet the order were compared."
    if best.sure:
        text += " What the stock brings with the set and without it was worked out in whole sets, exactly."
    else:
        text += f" In whole sets the loss lies between {best.least:.2f} and {best.most:.2f}."
    text += (
        f" By the linear programme, which counts parts of sets too, its pieces are worth {best.price:.2f} to the rest"
    )
    return text + (f", the dearest {dearest[1]}: {dearest[0]:.2f}." if best.price >= LEAST_TOLD else ".")

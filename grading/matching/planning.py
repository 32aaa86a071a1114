"""Pool planning: which sets to make now for a mix of demand, and which set to give an order.

The pool and the demand mix (so many pairs, quads, singles, each with its price) make one linear programme: each
piece in one set, each demand met as often as it is wanted, the greatest income. Its shadow prices say what the pool
loses, at the margin, when a piece leaves it.

A set pulled for an order should cost the rest of the pool least. Its loss is the income the pool could make less the
income the rest can. By concavity of the programme in its limits that loss is at least the sum of the shadow prices
of the set's pieces (linear-programming duality), so the sets are tried in order of that sum, the loss of each worked
out by solving for the rest, until no untried set can be better: the choice is then proven.

Demand, plan(pieces, demands, rules)                           -> Plan
cheapest_set(pieces, size, tier_spread, rules, demands)        -> Choice, or None when no set meets the order
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from grading.matching import Piece, Rules, Tier, spread
from grading.matching.catalogue import Catalogue, Members, write_out
from grading.matching.dense import sample_sets
from grading.matching.exact import round_down, unit_of
from grading.matching.field import Floats, Ints, PoolField, lay_out
from grading.matching.pricing import Pricer
from grading.matching.solver import INFINITY, Relaxed, SetPacking, choose_whole
from grading.matching.watch import Watch
from grading.matching.words import StopCall

MOST_WRITTEN = 400_000
SAMPLED = 10  # sets to begin with for every piece, fewer in a pool where these would be more than MOST_SAMPLED
MOST_SAMPLED = 20_000
BATCH = 2_000
ROUNDS = 80
NODES = 2_000
TRIED = 12
CROWD = 600
CLOSE = 1e-7
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
    """

    made: tuple[Made, ...]
    value: float
    bound: float
    gap: float
    short: Mapping[str, int]
    prices: Mapping[Hashable, float]
    demand_prices: Mapping[str, float]


class Candidate(NamedTuple):
    """A set that meets an order. price: the sum of its pieces' shadow prices, the least it can cost the pool;
    loss: what it costs the pool, the income with all pieces less the income with the rest."""

    keys: tuple[Hashable, ...]
    spread: tuple[float, ...]
    price: float
    loss: float
    piece_prices: tuple[float, ...]


class SetChoice(NamedTuple):
    """best and second best; whether the best is proven; the reason in words."""

    best: Candidate
    second: Candidate | None
    proven: bool
    why: str


class Market:
    """The linear programme of a pool and a demand mix. Row of a piece: its place in the pool; then a row for each
    demand; then one without limit that fills short sets up to a common width."""

    def __init__(
        self, pieces: Sequence[Piece], demands: Sequence[PlanDemand], rules: Rules, watch: Watch, seed: int
    ) -> None:
        self.pieces, self.demands, self.watch = pieces, demands, watch
        self.count = len(pieces)
        self.width = max((demand.size for demand in demands), default=1) + 1
        self.limits = np.concatenate([np.ones(self.count), [float(demand.wanted) for demand in demands], [INFINITY]])
        self.packing = SetPacking(len(self.limits), seed, interior=self.count > CROWD, limits=self.limits)
        self.members: Members = np.empty((0, self.width), dtype=np.int32)
        self.worth: Floats = np.empty(0)
        self.known: set[tuple[int, ...]] = set()
        self.shops = [PlanOrder(pieces, demand.size, demand.spread, demand.price, rules, seed) for demand in demands]
        for number, shop in enumerate(self.shops):
            self.add(number, shop.first())

    @property
    def exact(self) -> bool:
        return all(shop.exact for shop in self.shops)

    def add(self, number: int, sets: Members) -> int:
        """Offer sets (rows of places in the pool) to one demand; how many were new."""
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
        return len(fill)

    def solve(self, without: Sequence[int] = ()) -> Relaxed | None:
        """The optimum over all sets, some pieces put aside; None when time ran out."""
        for row in without:
            self.packing.limit(row, 0.0)
        try:
            for _ in range(ROUNDS):
                relaxed = self.packing.solve(self.watch.left())
                if relaxed is None or self.watch.over():
                    return None
                added = 0
                for number, shop in enumerate(self.shops):
                    ceiling = self.demands[number].price - float(relaxed.prices[self.count + number])
                    added += self.add(number, shop.below(relaxed.prices[: self.count], ceiling - CLOSE * ceiling))
                if not added:
                    return relaxed
            return None
        finally:
            for row in without:
                self.packing.limit(row, 1.0)


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

    def below(self, prices: Floats, ceiling: float, most: int = BATCH) -> Members:
        """Sets that cost less than the ceiling at these prices, the cheapest first, at most ``most``; at least one
        if there is one and the shop is exact."""
        if self.single or ceiling <= 0:
            return np.empty((0, self.size), dtype=np.int32)
        field = self.field
        assert field is not None
        found: list[Members] = [np.empty((0, self.size), dtype=np.int32)]
        for group, known in self.groups:
            price = prices[field.rows[group]]
            if isinstance(known, Catalogue):
                members = known.members[price[known.members].sum(axis=1) < ceiling]
            else:
                priced = known.cheapest(price, field.reach[0], self.size, ceiling)
                members = priced.members
                self.exact = self.exact and priced.least > 0
            found.append(field.rows[group[members]].astype(np.int32))
        sets = np.concatenate(found)
        cost = prices[sets].sum(axis=1)
        return sets[np.argsort(cost, kind="stable")[:most]]


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
    relaxed = market.solve()
    trivial = sum(demand.price * min(demand.wanted, len(pieces) // demand.size) for demand in demands)
    bound = min(trivial, relaxed.value) if relaxed is not None and market.exact else trivial
    chosen = choose_whole(
        market.members,
        market.worth,
        nodes=NODES,
        seconds=watch.left(),
        seed=seed,
        interrupted=watch.over,
        limits=market.limits,
    )
    shares = relaxed.shares if relaxed is not None else np.zeros(len(market.worth))
    shares = np.append(shares, np.zeros(len(market.worth) - len(shares)))
    rounded = in_order(market, np.lexsort((-market.worth, -np.round(shares, 6))))
    if market.worth[rounded].sum() > market.worth[chosen].sum():
        chosen = rounded
    made = []
    for at in chosen:
        row = market.members[at]
        demand = demands[row[-1] - market.count]
        own = [pieces[place] for place in sorted(row[: demand.size].tolist())]
        made.append(Made(demand.name, tuple(piece.key for piece in own), spread(own), demand.price))
    made.sort(key=lambda one: [demand.name for demand in demands].index(one.demand))
    value = sum(one.price for one in made)
    bound = max(value, round_down(bound, unit_of(np.array([demand.price for demand in demands]))))
    short = {demand.name: demand.wanted - sum(one.demand == demand.name for one in made) for demand in demands}
    prices = relaxed.prices if relaxed is not None else np.zeros(len(market.limits))
    return DemandPlan(
        tuple(made),
        value,
        bound,
        (bound - value) / bound if bound else 0.0,
        {name: number for name, number in short.items() if number},
        {piece.key: float(price) for piece, price in zip(pieces, prices, strict=False)},
        {demand.name: float(prices[market.count + at]) for at, demand in enumerate(demands)},
    )


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
    check_demands(demands)
    watch = Watch(time_limit_s, None, None)
    market = Market(pieces, demands, rules, watch, seed)
    relaxed = market.solve()
    prices = relaxed.prices[: len(pieces)] if relaxed is not None else np.zeros(len(pieces))
    order = PlanOrder(pieces, size, widest, 1.0, rules, seed)
    offers = candidates(order, pieces, prices)
    if not len(offers):
        return None
    tried: list[Candidate] = []
    proven = relaxed is not None and market.exact and order.exact
    for rows in offers[:TRIED]:
        price = float(prices[rows].sum())
        if len(tried) >= 2 and sorted(one.loss for one in tried)[1] <= price + CLOSE:
            break
        rest = market.solve(rows.tolist()) if relaxed is not None else None
        loss = max(price, relaxed.value - rest.value) if relaxed is not None and rest is not None else price
        proven = proven and rest is not None
        own = [pieces[row] for row in rows]
        tried.append(
            Candidate(
                tuple(piece.key for piece in own), spread(own), price, loss, tuple(float(prices[row]) for row in rows)
            )
        )
    else:
        unseen = float(prices[offers[TRIED]].sum()) if len(offers) > TRIED else np.inf
        proven = proven and min(one.loss for one in tried) <= unseen + CLOSE
    ranked = sorted(tried, key=lambda one: (round(one.loss, 6), max(one.spread)))
    best, second = ranked[0], ranked[1] if len(ranked) > 1 else None
    if relaxed is None:
        return SetChoice(best, second, False, "What it costs the rest of the pool could not be worked out in time.")
    return SetChoice(best, second, proven, why(best, second, proven))


def candidates(order: PlanOrder, pieces: Sequence[Piece], prices: Floats) -> Ints:
    """Sets that meet the order, cheapest first, of two as cheap the tighter. The cheapest is among them, and so is
    the second cheapest: it lacks some piece of the cheapest, so it is the cheapest of the pool without that piece."""
    far = float(prices.sum()) * 2 + 1.0
    found = order.below(prices, far)
    if not len(found):
        found = order.first()
    if len(found):
        for piece in found[np.argsort(prices[found].sum(axis=1), kind="stable")[0]].tolist():
            without = prices.copy()
            without[piece] = far
            others = order.below(without, far, most=BATCH)
            found = np.concatenate([found, others]) if len(others) else found
    if not len(found):
        return found.astype(np.int64)
    found = np.unique(np.sort(found, axis=1), axis=0)
    logs = np.log([piece.quantities for piece in pieces])
    width = np.ptp(logs[found], axis=1).max(axis=1)
    result: Ints = found[np.lexsort((width, prices[found].sum(axis=1).round(6)))].astype(np.int64)
    return result


def why(best: Candidate, second: Candidate | None, proven: bool) -> str:
    """The reason, in words and numbers."""
    text = f"It costs the rest of the pool {best.loss:.2f}"
    dearest = max(zip(best.piece_prices, best.keys, strict=True), key=lambda pair: pair[0])
    text += (
        f"; its pieces' shadow prices add up to {best.price:.2f}, the dearest {dearest[1]} at {dearest[0]:.2f}"
        if best.price >= LEAST_TOLD
        else "; no other set needs its pieces"
    )
    text += "."
    if second is not None:
        more = second.loss - best.loss
        text += (
            f" The next best costs {second.loss:.2f}, {more:.2f} more."
            if more >= LEAST_TOLD
            else f" The next best costs the same, {second.loss:.2f}."
        )
    return text if proven else text + " Not every set was compared."

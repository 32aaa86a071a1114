"""The stock as a market: one linear programme of all sets that can be made and every demand for them.

Each piece is in one set, each demand is met as often as it is wanted, the income is the greatest. The programme's
shadow prices say what the pool loses, at the margin, when a piece leaves it. Sets that stand already belong to the
stock as well: each may be sold whole, for whatever demand of its size is as wide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import NamedTuple

import numpy as np

from grading.matching import Piece, Rules, Tier
from grading.matching.catalogue import Catalogue, Members, write_out
from grading.matching.dense import sample_sets
from grading.matching.field import Floats, Ints, PoolField, lay_out
from grading.matching.pricing import Pricer
from grading.matching.solver import INFINITY, Ended, Relaxed, SetPacking, Whole, best_whole
from grading.matching.watch import Watch

MOST_WRITTEN = 400_000
SAMPLED = 10  # sets to begin with for every piece, fewer in a pool where these would be more than MOST_SAMPLED
MOST_SAMPLED = 8_000
BATCH = 2_000
ROUNDS = 80
NODES = 2_000
CROWD = 600
CLOSE = 1e-7
SMOOTHING = 0.5
NEAR = 1e-8  # a bound this close to the programme's value will not come closer
MOST_KNOWN = 20_000  # sets that are all handed to the integer solver, so that its bound holds for the whole pool
SAME_SPREAD = 1e-12

#: Sets as places in the pool, each with the number of the demand it meets; singles are what is left over.
Choices = list[tuple[tuple[int, ...], int]]


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
        self.large = self.count > CROWD  # too many for the integer solver over all sets
        self.packing = SetPacking(len(self.limits), seed, interior=self.large, limits=self.limits)
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

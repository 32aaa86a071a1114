"""One part of a pool whose sets are all written out: the best choice, with proof.

In turn, each step only if the one before left a gap:
1. local search for a good choice;
2. the linear programme, strengthened by subset-row cuts, for the bound; the bound is rounded down to what whole
   sets can be worth;
3. sets whose reduced cost shows that no better choice can use them are struck out;
4. branch and bound, first with only the sets of scarce pieces held to whole numbers (the loss sits at the rim of
   the pool, where a piece has few partners; in its crowded middle fractions cost nothing), then with all of them.
Every limit is a count of steps, rounds or nodes, so the answer does not depend on the clock unless time runs out.
"""

from __future__ import annotations

from fractions import Fraction
from math import gcd, lcm
from typing import NamedTuple

import numpy as np

from .catalogue import Catalogue
from .cuts import odd_groups, spread_out, triples
from .field import Floats, Ints
from .local import improve
from .solver import Packing, Relaxed, pack_whole
from .watch import Watch

FIRST_STEPS = 4_000
MIDDLE_STEPS = 40_000
LONG_STEPS = 120_000
FEW = 4_000
SEARCHED = 40_000
ROUNDS = 25
WIDE_ROUNDS = 6
SCARCE = 20
SCARCE_NODES = 600
NODES = 3_000
TOLERANCE = 1e-6


class Settled(NamedTuple):
    """chosen sets of the catalogue, their value, a proven bound, the shadow price of each piece."""

    chosen: Ints
    value: float
    bound: float
    prices: Floats


def unit_of(values: Floats) -> float:
    """The largest amount every total of these values is a multiple of, 0 when there is none to speak of.

    >>> unit_of(np.array([100.0, 80.0, 50.0]))
    10.0
    """
    parts = [Fraction(float(value)).limit_denominator(10**6) for value in set(values.tolist())]
    if any(abs(float(part) - value) > 1e-12 * value for part, value in zip(parts, set(values.tolist()), strict=True)):
        return 0.0
    if not parts:
        return 0.0
    return gcd(*(part.numerator * (lcm(*(p.denominator for p in parts)) // part.denominator) for part in parts)) / lcm(
        *(part.denominator for part in parts))


def round_down(bound: float, unit: float) -> float:
    """The largest total of whole sets not above the bound."""
    return float(np.floor(bound / unit + TOLERANCE) * unit) if unit else bound


class Standing:
    """What is known of one part so far."""

    def __init__(self, catalogue: Catalogue, chosen: Ints, part: int, watch: Watch, unit: float) -> None:
        self.catalogue, self.part, self.watch, self.unit = catalogue, part, watch, unit
        self.chosen = chosen
        self.value = float(catalogue.worth[chosen].sum())
        self.prices = fair_shares(catalogue)
        self.bound = round_down(float(self.prices.sum()), unit)
        self.note("counting")

    @property
    def target(self) -> float:
        """What a better choice would be worth at least."""
        return self.value + (self.unit or 1e-6 * max(self.value, 1.0))

    @property
    def done(self) -> bool:
        return self.target > self.bound + TOLERANCE or self.watch.over()

    def note(self, stage: str) -> None:
        self.watch.settle(self.part, self.value, self.bound, len(self.chosen), stage)

    def found(self, chosen: Ints, stage: str) -> None:
        value = float(self.catalogue.worth[chosen].sum())
        if value > self.value + TOLERANCE:
            self.chosen, self.value = chosen, value
            self.note(stage)

    def bounded(self, bound: float, stage: str) -> None:
        bound = max(round_down(bound, self.unit), self.value)
        if bound < self.bound - TOLERANCE:
            self.bound = bound
            self.note(stage)

    def search(self, among: Ints, steps: int, seed: int) -> None:
        """Local search among some of the sets; the present choice is always among them."""
        among = np.union1d(among, self.chosen)
        catalogue = self.catalogue if len(among) == len(self.catalogue.worth) else self.catalogue.pick(among)

        def interrupted(value: float) -> bool:
            return self.watch.over()

        chosen, _ = improve(catalogue, np.searchsorted(among, self.chosen), steps, seed, self.bound, interrupted)
        self.found(among[chosen], "local search")


def fair_shares(catalogue: Catalogue) -> Floats:
    """A price for each piece that no set undercuts: the worth of the best set it can enter, over the size. Every
    set is worth at most the sum of its pieces' prices, so the prices' total bounds any choice of sets."""
    best = np.zeros(catalogue.pieces)
    np.maximum.at(best, catalogue.members.ravel(), np.repeat(catalogue.worth, catalogue.members.shape[1]))
    share: Floats = best / max(catalogue.members.shape[1], 1)
    return share


def settle(catalogue: Catalogue, chosen: Ints, part: int, watch: Watch, unit: float, seed: int) -> Settled:
    """The best choice of disjoint sets of the catalogue, starting from ``chosen``."""
    known = Standing(catalogue, chosen, part, watch, unit)
    total = len(catalogue.worth)
    random = np.random.default_rng(seed)
    everything = np.arange(total)
    sample = everything if total <= SEARCHED else np.sort(random.choice(total, SEARCHED, replace=False))
    if not known.done:
        known.search(sample, FIRST_STEPS, seed)
    if known.done:
        return Settled(known.chosen, known.value, known.bound, known.prices)
    packing = Packing(catalogue.pieces, seed)
    packing.add_sets(catalogue.members, catalogue.worth)
    relaxed = packing.solve(watch.left())
    if relaxed is None:
        watch.over()
        return Settled(known.chosen, known.value, known.bound, known.prices)
    known.prices = relaxed.prices
    known.bounded(relaxed.value, "linear bound")
    relaxed = tighten(packing, relaxed, known, wide=False)
    if total > FEW:
        explore(packing, relaxed, known, MIDDLE_STEPS, seed + 1)
        relaxed = tighten(packing, relaxed, known, wide=True)
        branch(packing, relaxed, known, SCARCE, SCARCE_NODES, seed)
        explore(packing, relaxed, known, LONG_STEPS, seed + 2)
    branch(packing, relaxed, known, total, NODES, seed)
    return Settled(known.chosen, known.value, known.bound, known.prices)


def explore(packing: Packing, relaxed: Relaxed, known: Standing, steps: int, seed: int) -> None:
    """Local search among the sets a better choice may use, those nearest to paying their way first."""
    if not known.done:
        alive, cost = strike_out(packing, relaxed, known)
        known.search(np.sort(alive[np.argsort(-cost, kind="stable")[:SEARCHED]]), steps, seed)


def branch(packing: Packing, relaxed: Relaxed, known: Standing, scarce: int, nodes: int, seed: int) -> None:
    """Branch and bound over the sets that use a piece of ``scarce`` sets or fewer."""
    while not known.done:
        alive, _ = strike_out(packing, relaxed, known)
        members = packing.members[alive]
        whole = known.catalogue.uses[members].min(axis=1, initial=scarce + 1) <= scarce
        if not whole.any():
            return
        result = pack_whole(members, packing.worth[alive], packing.pieces, packing.cuts, whole, known.target,
                            known.bound, nodes=nodes, seconds=known.watch.left(), seed=seed,
                            interrupted=known.watch.over)
        known.bounded(known.value if result.nothing and known.unit else result.bound, "branch and bound")
        if result.chosen is None:
            return
        known.found(alive[result.chosen], "branch and bound")


def tighten(packing: Packing, relaxed: Relaxed, known: Standing, wide: bool) -> Relaxed:
    """Rounds of cuts until the bound meets the value or no round helps."""
    most = max(150, packing.pieces // 4)
    rounds = WIDE_ROUNDS if wide else ROUNDS
    seen = set(packing.cuts)
    for turn in range(rounds):
        if known.done:
            break
        found = triples(packing.members, relaxed.shares)
        if wide:
            found += odd_groups(packing.members, relaxed.shares)
        fresh = spread_out([pair for pair in found if pair[1] not in seen], most)
        if not fresh:
            break
        seen.update(fresh)
        packing.add_cuts(fresh)
        tighter = packing.solve(known.watch.left())
        if tighter is None:
            break
        relaxed = tighter
        known.bounded(relaxed.value, "subset-row cuts")
        if turn % 5 == 4:
            packing.drop_idle_cuts()
            relaxed = packing.solve(known.watch.left()) or relaxed
    return relaxed


def strike_out(packing: Packing, relaxed: Relaxed, known: Standing) -> tuple[Ints, Floats]:
    """The sets a better choice may still use, with their reduced costs (worth less prices; zero or below)."""
    cost = packing.worth - relaxed.prices[packing.members].sum(axis=1)
    for cut, price in zip(packing.cuts, relaxed.cut_prices, strict=False):
        if price > 0:
            cost -= price * cut.coefficients(packing.members, packing.pieces)
    alive = np.flatnonzero(relaxed.value + np.minimum(cost, 0.0) >= known.target - 1e-5 * max(known.target, 1.0))
    return alive, cost[alive]

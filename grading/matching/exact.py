"""One part of a pool whose sets are all written out: the best choice, with proof.

In turn, each step only if the one before left a gap:
1. chains of exchanges and local search for a good choice;
2. the linear programme, strengthened by subset-row cuts, for the bound; the bound is rounded down to what whole
   sets can be worth;
3. sets whose reduced cost shows that no better choice can use them are struck out, and among the rest the solver's
   own searches (where tiers differ in value) and a longer local search look for a better choice;
4. branch and bound, first with only the sets of scarce pieces held to whole numbers (the loss sits at the rim of
   the pool, where a piece has few partners; in its crowded middle fractions cost nothing), then with all of them.
Every limit is a count of steps, rounds or nodes, so the answer does not depend on the clock unless time runs out.
"""

from __future__ import annotations

from fractions import Fraction
from math import gcd, lcm
from typing import NamedTuple

import numpy as np

from grading.matching.solver import Ended, Relaxed, SetPacking, choose_whole, pack_whole

from .catalogue import Catalogue, Members
from .chains import Ground, by_chains
from .cuts import odd_groups, spread_out, triples
from .field import Floats, Ints
from .greedy import Found
from .local import improve
from .watch import Watch

FIRST_STEPS = 4_000
MIDDLE_STEPS = 40_000
LONG_STEPS = 120_000
FEW = 4_000
BATCH = 5_000
PICKED = 8_000
PICK_NODES = 20
PICK_SHARE = 0.4  # of the time left, at most
BRANCHED = 100_000
CROWD = 1_200
SEARCHED = 40_000
ROUNDS = 25
WIDE_ROUNDS = 6
SMALL = 150
SMALL_SETS = 20_000
SMALL_ROUNDS = 60
SMALL_STEPS = 12_000
KICKS = 20  # fewer in a part of fewer than this many pieces for each
PIECES_A_KICK = 25
SCARCE = 20
SCARCE_NODES = 600
NODES = 3_000
TOLERANCE = 1e-6
ALIVE = 1e-9  # a set is struck out only when it misses the target by more than rounding can
ROUNDING = 1e-10  # a thousand times what adding up ten thousand numbers in double precision can be out by


class ProvenPart(NamedTuple):
    """chosen sets of the catalogue, their value, a proven bound, the shadow price of each piece; in words what left
    the gap open, nothing when it is closed."""

    chosen: Ints
    value: float
    bound: float
    prices: Floats
    open: str


def unit_of(values: Floats) -> float:
    """The largest amount every total of these values is a multiple of, 0 when there is none to speak of.

    >>> unit_of(np.array([100.0, 80.0, 50.0]))
    10.0
    """
    amounts = sorted(set(values.tolist()))
    parts = [Fraction(amount).limit_denominator(10**6) for amount in amounts]
    if not parts or any(abs(float(p) - amount) > 1e-12 * amount for p, amount in zip(parts, amounts, strict=True)):
        return 0.0
    common = lcm(*(part.denominator for part in parts))
    return gcd(*(part.numerator * (common // part.denominator) for part in parts)) / common


def round_down(bound: float, unit: float) -> float:
    """The largest total of whole sets not above the bound, which may itself be out by rounding: by one part in
    ``ROUNDING`` of the total, since a sum's error grows with the sum, and by ``TOLERANCE`` of a unit."""
    return float(np.floor(bound / unit * (1 + ROUNDING) + TOLERANCE) * unit) if unit else bound


def weak_dual(prices: float, members: Members, undercut: Floats, pieces: int) -> float:
    """A bound on any choice of disjoint sets from prices that some sets undercut.

    ``prices`` is the sum of the prices over all pieces, each cut's price times its limit with it; ``undercut`` (m,)
    what each set is worth beyond what its pieces and the cuts charge for it, the other sets' being nought or less.
    Every set's excess is shared out among its pieces, each of which pays the most that any of its sets asks of it:
    at the prices so raised no set is worth more than it costs, and then their sum is a bound (weak duality). No word
    of the solver's enters into it.

    >>> weak_dual(3.0, np.array([[0, 1], [1, 2]]), np.array([0.5, -1.0]), 3)
    3.5
    """
    raised = np.zeros(pieces)
    over = undercut > 0
    size = members.shape[1]
    np.maximum.at(raised, members[over].ravel(), np.repeat(undercut[over] / max(size, 1), size))
    return prices + float(raised.sum())


class SearchState:
    """What is known of one part so far."""

    def __init__(
        self, catalogue: Catalogue, chosen: Ints, part: int, watch: Watch, unit: float, pool: Ground | None = None
    ) -> None:
        self.catalogue, self.part, self.watch, self.unit, self.pool = catalogue, part, watch, unit, pool
        self.chosen = chosen
        self.value = float(catalogue.worth[chosen].sum())
        self.prices = fair_shares(catalogue)
        self.bound = round_down(float(self.prices.sum()), unit)
        self.ended = Ended.OPTIMAL  # how the last solver came to its end, and which it was
        self.solver = ""
        self.note("counting")

    def result(self) -> ProvenPart:
        if self.closed:
            why = ""
        elif self.watch.over():
            why = self.watch.why_over()
        elif self.watch.near(self.value, self.bound):
            why = "near enough"
        elif self.ended is not Ended.OPTIMAL:
            why = f"{self.solver} {self.ended.value}"
        else:
            why = "every step was taken"
        return ProvenPart(self.chosen, self.value, self.bound, self.prices, why)

    @property
    def target(self) -> float:
        """What a better choice would be worth at least."""
        return self.value + (self.unit or TOLERANCE * max(self.value, self.bound))

    @property
    def closed(self) -> bool:
        """No choice can be better."""
        return self.target > self.bound + TOLERANCE * (self.unit or self.bound)

    @property
    def done(self) -> bool:
        return self.closed or self.watch.near(self.value, self.bound) or self.watch.over()

    def note(self, stage: str) -> None:
        members = self.catalogue.members[self.chosen].tolist()
        self.watch.reached(self.part, self.value, self.bound, len(self.chosen), stage, members)

    def found(self, chosen: Ints, stage: str) -> None:
        value = float(self.catalogue.worth[chosen].sum())
        if value > self.value * (1 + TOLERANCE / 1_000):
            self.chosen, self.value = chosen, value
            self.note(stage)

    def bounded(self, bound: float, stage: str) -> None:
        bound = max(round_down(bound, self.unit), self.value)
        if bound < self.bound * (1 - ROUNDING):
            self.bound = bound
            self.note(stage)

    def chains(self, kicks: int, seed: int) -> None:
        """Chains of exchanges, and begun again after so many kicks."""
        if self.pool is None or self.done:
            return

        def keep(found: list[Found]) -> None:
            self.found(self.catalogue.places([members for members, _ in found]), "chains of exchanges")

        now = zip(self.catalogue.members[self.chosen].tolist(), self.catalogue.tier[self.chosen].tolist(), strict=True)
        start = [(tuple(members), tier) for members, tier in now]
        by_chains(self.pool, start, seed, kicks, self.bound, lambda: self.done, keep)

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


def prove(
    catalogue: Catalogue, chosen: Ints, part: int, watch: Watch, unit: float, seed: int, pool: Ground | None = None
) -> ProvenPart:
    """The best choice of disjoint sets of the catalogue, starting from ``chosen``. Where the sets are boxes, ``pool``
    is what they are boxes of."""
    known = SearchState(catalogue, chosen, part, watch, unit, pool)
    total = len(catalogue.worth)
    random = np.random.default_rng(seed)
    everything = np.arange(total)
    sample = everything if total <= SEARCHED else np.sort(random.choice(total, SEARCHED, replace=False))
    known.chains(0, seed)
    if not known.done:
        known.search(sample, FIRST_STEPS, seed)
    if known.done:
        return known.result()
    programme = Programme(catalogue, np.union1d(sample, known.chosen), seed)
    solved = programme.solve(watch)
    known.bounded(programme.bound, "linear bound")
    known.ended, known.solver = programme.ended, "the linear programme"
    if not solved:
        return known.result()
    known.prices = programme.relaxed.prices
    tighten(programme, known, wide=False)
    small = catalogue.pieces <= SMALL
    if small:
        tighten(programme, known, wide=True)
    if small and total <= SMALL_SETS:
        explore(programme, known, SMALL_STEPS, seed + 1)
    elif len(np.unique(catalogue.worth)) > 1:
        pick_out(programme, known, seed)
    if total > FEW:
        known.chains(min(KICKS, catalogue.pieces // PIECES_A_KICK), seed)
        explore(programme, known, MIDDLE_STEPS, seed + 1)
        tighten(programme, known, wide=True)
        branch(programme, known, SCARCE, SCARCE_NODES, seed)
        explore(programme, known, LONG_STEPS, seed + 2)
    branch(programme, known, total, NODES, seed)
    return known.result()


def proven_pairs(catalogue: Catalogue, chosen: Ints, part: int, watch: Watch, seed: int) -> ProvenPart:
    """Pairs that are known to be the best, with the prices of the linear programme."""
    programme = Programme(catalogue, np.arange(min(len(catalogue.worth), SEARCHED)), seed)
    prices = programme.relaxed.prices if programme.solve(watch) else fair_shares(catalogue)
    value = float(catalogue.worth[chosen].sum())
    watch.reached(part, value, value, len(chosen), "blossom matching")
    return ProvenPart(chosen, value, value, prices, "")


class Programme:
    """The linear programme over a catalogue, given only the sets its prices ask for."""

    def __init__(self, catalogue: Catalogue, first: Ints, seed: int) -> None:
        self.catalogue = catalogue
        self.packing = SetPacking(catalogue.pieces, seed, interior=catalogue.pieces > CROWD)
        self.inside = np.zeros(len(catalogue.worth), dtype=bool)
        self.relaxed = Relaxed(0.0, np.empty(0), np.zeros(catalogue.pieces), np.empty(0))
        self.cost = np.zeros(len(catalogue.worth))
        self.bound = np.inf  # the best so far; no choice is worth more
        self.level = np.inf  # the bound that ``relaxed`` and ``cost`` give
        self.ended = Ended.OPTIMAL
        self.add(first)

    def add(self, sets: Ints) -> None:
        self.packing.add_sets(self.catalogue.members[sets], self.catalogue.worth[sets])
        self.inside[sets] = True

    def solve(self, watch: Watch) -> bool:
        """The optimum over the whole catalogue; False, and the last optimum kept, when ``ended`` says why not."""
        while not watch.over():
            relaxed = self.packing.solve(watch.left())
            cost = self.reduced_costs(relaxed)
            self.bound = min(self.bound, self.dual(relaxed, cost))
            self.ended = relaxed.ended
            if relaxed.ended is not Ended.OPTIMAL:
                if relaxed.ended is Ended.TIME:
                    watch.end()
                return False
            missing = np.flatnonzero((cost > TOLERANCE * float(self.catalogue.worth.max())) & ~self.inside)
            if not len(missing):
                self.relaxed, self.cost, self.level = relaxed, cost, self.dual(relaxed, cost)
                return True
            self.add(missing[np.argsort(-cost[missing], kind="stable")[:BATCH]])
        self.ended = Ended.TIME
        return False

    def dual(self, relaxed: Relaxed, cost: Floats) -> float:
        """The bound that these prices give."""
        charged = float(relaxed.prices.sum())
        charged += sum(
            cut.limit * float(price) for cut, price in zip(self.packing.cuts, relaxed.cut_prices, strict=True)
        )
        return weak_dual(charged, self.catalogue.members, cost, self.catalogue.pieces)

    def reduced_costs(self, relaxed: Relaxed) -> Floats:
        """Worth of every set of the catalogue less what its pieces and the cuts charge for it."""
        members = self.catalogue.members
        cost = self.catalogue.worth.copy()
        for place in range(members.shape[1]):
            cost -= relaxed.prices[members[:, place]]
        for cut, price in zip(self.packing.cuts, relaxed.cut_prices, strict=True):
            if price > 0:
                sets, weight = self.catalogue.weighed(cut.pieces, cut.weights)
                cost[sets] -= price * (weight // cut.divisor)
        return cost

    def alive(self, target: float) -> Ints:
        """The sets that a choice worth the target may still use: the others cost more than the gap."""
        return np.flatnonzero(self.level + np.minimum(self.cost, 0.0) >= target * (1 - ALIVE))


def explore(programme: Programme, known: SearchState, steps: int, seed: int) -> None:
    """Local search among the sets a better choice may use, those nearest to paying their way first."""
    if not known.done:
        alive = programme.alive(known.target)
        nearest = alive[np.argsort(-programme.cost[alive], kind="stable")[:SEARCHED]]
        known.search(nearest, steps, seed)


def pick_out(programme: Programme, known: SearchState, seed: int) -> None:
    """The solver's own searches for whole sets, among those nearest to paying their way. Where sets differ in worth
    the prices tell good sets from bad and this finds more than exchanges do; where all are worth the same, less."""
    if not known.done:
        alive = programme.alive(known.target)
        nearest = np.sort(alive[np.argsort(-programme.cost[alive], kind="stable")[:PICKED]])
        with known.watch.share(PICK_SHARE) as seconds:
            chosen = choose_whole(
                known.catalogue.members[nearest],
                known.catalogue.worth[nearest],
                nodes=PICK_NODES,
                seconds=seconds,
                seed=seed,
                interrupted=known.watch.over,
            )
        known.found(nearest[chosen], "solver's search")


def branch(programme: Programme, known: SearchState, scarce: int, nodes: int, seed: int) -> None:
    """Branch and bound over the sets that use a piece of ``scarce`` sets or fewer."""
    catalogue, cuts = known.catalogue, programme.packing.cuts
    while not known.done:
        alive = programme.alive(known.target)
        members = catalogue.members[alive]
        whole = catalogue.uses[members].min(axis=1, initial=scarce + 1) <= scarce
        if not whole.any() or len(alive) > BRANCHED:
            return
        start = None
        if whole.all():
            alive = np.union1d(alive, known.chosen)
            members, whole = catalogue.members[alive], np.ones(len(alive), dtype=bool)
            start = np.searchsorted(alive, known.chosen)
        result = pack_whole(
            members,
            catalogue.worth[alive],
            catalogue.pieces,
            cuts,
            whole,
            known.target,
            known.bound,
            start,
            nodes=nodes,
            seconds=known.watch.left(),
            seed=seed,
            interrupted=known.watch.over,
        )
        known.ended, known.solver = result.ended, "branch and bound"
        known.bounded(known.value if result.nothing and known.unit else result.bound, "branch and bound")
        before = known.value
        if result.chosen is not None:
            known.found(alive[result.chosen], "branch and bound")
        if known.value == before:
            return


def tighten(programme: Programme, known: SearchState, wide: bool) -> None:
    """Rounds of cuts until the bound meets the value or no round helps."""
    packing = programme.packing
    if packing.pieces > CROWD:
        return
    most = max(150, packing.pieces // 4)
    seen = set(packing.cuts)
    rounds = ROUNDS if not wide else SMALL_ROUNDS if packing.pieces <= SMALL else WIDE_ROUNDS
    for turn in range(rounds):
        if known.done:
            return
        found = triples(packing.members, programme.relaxed.shares, known.watch.over)
        if wide:
            found += odd_groups(packing.members, programme.relaxed.shares, known.watch.over)
        fresh = spread_out([pair for pair in found if pair[1] not in seen], most)
        if not fresh:
            return
        seen.update(fresh)
        packing.add_cuts(fresh)
        if not programme.solve(known.watch):
            return
        known.bounded(programme.bound, "subset-row cuts")
        if turn % 5 == 4:
            packing.drop_idle_cuts()
            if not programme.solve(known.watch):
                return

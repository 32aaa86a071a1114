"""A crowded part of a pool, where the sets are too many to write out.

The bound: a piece is worth at most its share of the best set it can enter at all, so the sum of these shares bounds
every choice. In a crowd almost every piece can enter the best tier and almost all are used, so this is close.

Column generation with exact pricing gives the linear bound, which is closer, and sets worth having; in a part of
moderate size the solver chooses among these.

The sets: a sample of the possible ones, drawn so that every piece appears in many (boxes laid at random over it, half
the companions taken at random and half the scarcest first), searched by exchange; large parts tile by tile.

The choice: chains of exchanges first (``chains``), which do best where exchanges are many, then local search.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from grading.matching.field import Floats, Ints, PoolField

from .catalogue import Catalogue, Members
from .chains import Ground, by_chains
from .cuts import never
from .exact import round_down
from .generate import Generated, linear_bound
from .greedy import Found, companions, greedy_pass
from .local import improve
from .pricing import Pricer
from .solver import choose_whole
from .watch import Watch

SETS_PER_PIECE = 30
TILE = 1_200
STEPS_PER_PIECE = 20
STEPS = 30_000
STEPS_PER_SET = 10  # in a small part fewer will do: it has not so many choices
PASSES = 3
SETS_TO_BEGIN = 6
LARGE = 3_000
MODERATE = 1_000
KEPT = 4_000
CHOICE_NODES = 5
CHOICE_SHARE = 0.25  # of the time left, at most
CROWDED = 40
KICKS = 8  # for each pass, fewer in a part of fewer than this many pieces each
PIECES_A_KICK = 25
CHAINS_SHARE = 0.3  # of the time left, each time
CLOSER = 1e-9  # a relative difference smaller than this is rounding


class SolvedCrowd(NamedTuple):
    """Sets, their value, a proven bound, a price for each piece; in words what left the gap open, if anything."""

    found: list[Found]
    value: float
    bound: float
    prices: Floats
    open: str


def best_tiers(low: Floats, high: Floats, reach: Floats, size: int, known: list[Found]) -> Ints:
    """(n,) index of the best tier each piece can enter, len(reach) when it can enter none. Exact.

    ``known`` sets spare most of the work: their pieces need only be asked about better tiers.
    """
    best = np.full(len(low), len(reach))
    for members, tier in known:
        best[list(members)] = np.minimum(best[list(members)], tier)
    order = np.argsort(low[:, 0], kind="stable")
    sorted_low = low[order, 0]
    for tier in range(len(reach) - 1, -1, -1):
        box = reach[tier]
        deepest = float((high[:, 0] - low[:, 0]).max(initial=0.0))
        for piece in np.flatnonzero(best > tier):
            if (high[piece] - low[piece] > box).any():
                continue
            left = np.searchsorted(sorted_low, high[piece, 0] - box[0] - deepest, "left")
            right = np.searchsorted(sorted_low, low[piece, 0] + box[0], "right")
            near = order[left:right]
            width = np.maximum(high[near], high[piece]) - np.minimum(low[near], low[piece])
            near = near[(width <= box).all(axis=1) & (near != piece)]
            if len(near) < size - 1:
                continue
            near = near[np.argsort(np.abs(low[near] - low[piece]).max(axis=1), kind="stable")]
            others = companions(low, high, box, int(piece), near, size - 1)
            if others is not None:
                together = [int(piece), *others.tolist()]
                best[together] = np.minimum(best[together], tier)
    return best


def sample_sets(
    low: Floats,
    high: Floats,
    reach: Floats,
    values: Floats,
    size: int,
    best: Ints,
    known: list[Found],
    each: int,
    random: np.random.Generator,
    over: Callable[[], bool] = never,
) -> Catalogue:
    """A sample of the possible sets: the known ones and up to ``each`` through every piece, as far as time goes."""
    rows = np.flatnonzero(best < len(reach))
    order = rows[np.argsort(low[rows, 0], kind="stable")]
    sorted_low = low[order, 0]
    scarcity = -best.astype(float) * 10.0
    ends = np.searchsorted(sorted_low, sorted_low + reach[0, 0], "right")
    crowd = np.zeros(len(low))
    crowd[order] = ends - np.arange(len(order))
    scarcity += crowd / max(float(crowd.max(initial=1.0)), 1.0)
    drawn: list[Ints] = []
    for piece in rows:
        if over():
            break
        for turn in range(each):
            tier = int(best[piece]) if turn % 3 < 2 else min(int(best[piece]) + 1, len(reach) - 1)
            box = reach[tier]
            spare = box - (high[piece] - low[piece])
            corner = low[piece] - random.random(low.shape[1]) * spare
            left = np.searchsorted(sorted_low, corner[0], "left")
            right = np.searchsorted(sorted_low, corner[0] + box[0], "right")
            near = order[left:right]
            inside = near[((low[near] >= corner) & (high[near] <= corner + box)).all(axis=1) & (near != piece)]
            if len(inside) < size - 1:
                continue
            if turn % 2:
                noise = random.random(len(inside)) * (0.5 if turn % 4 == 1 else 0.05)
                picked = inside[np.argsort(scarcity[inside] + noise, kind="stable")[: size - 1]]
            else:
                picked = random.choice(inside, size - 1, replace=False)
            drawn.append(np.sort(np.append(picked, piece)))
    drawn += [np.sort(np.array(members)) for members, _ in known]
    members: Members = np.unique(np.array(drawn, dtype=np.int32).reshape(-1, size), axis=0)
    tier_of = tiers_of(low, high, reach, members)
    kept = tier_of < len(reach)
    return Catalogue(members[kept], values[tier_of[kept]], tier_of[kept], len(low))


def tiers_of(low: Floats, high: Floats, reach: Floats, members: Members) -> Ints:
    """(m,) the best tier of each set, len(reach) for none."""
    width = high[members].max(axis=1) - low[members].min(axis=1)
    tier_of = np.full(len(members), len(reach))
    for tier in range(len(reach) - 1, -1, -1):
        tier_of[(width <= reach[tier]).all(axis=1)] = tier
    return tier_of


def tiered(low: Floats, high: Floats, reach: Floats, members: Members) -> list[Found]:
    """Sets with the tier each earns."""
    tier_of = tiers_of(low, high, reach, members)
    return [(tuple(row), int(tier)) for row, tier in zip(members.tolist(), tier_of, strict=True)]


def tiles(low: Floats, rows: Ints, most: int, axis: int) -> list[Ints]:
    """The rows cut at the median, along one axis after another, until no tile holds more than ``most``."""
    if len(rows) <= most:
        return [rows]
    order = rows[np.argsort(low[rows, axis], kind="stable")]
    turn = (axis + 1) % low.shape[1]
    cut = len(order) // 2
    return tiles(low, order[:cut], most, turn) + tiles(low, order[cut:], most, turn)


def thick_of_it(low: Floats, high: Floats, box: Floats, best: Ints) -> NDArray[np.bool_]:
    """In a large part, the pieces with so many partners in the best tier that their price is not in doubt."""
    if len(low) <= LARGE:
        return np.zeros(len(low), dtype=bool)
    centre = (low + high) / 2 / np.maximum(box, 1e-12)
    partners = np.asarray(cKDTree(centre).query_ball_point(centre, 1.0, p=np.inf, return_length=True))
    thick: NDArray[np.bool_] = np.logical_and(partners >= CROWDED, best == 0)
    return thick


class Crowd:
    """What is known of a crowded part so far."""

    def __init__(
        self,
        low: Floats,
        high: Floats,
        reach: Floats,
        values: Floats,
        size: int,
        known: list[Found],
        part: int,
        watch: Watch,
        unit: float,
    ) -> None:
        self.low, self.high, self.reach, self.values, self.size = low, high, reach, values, size
        self.part, self.watch, self.unit = part, watch, unit
        self.best = best_tiers(low, high, reach, size, known)
        self.found, self.value = list(known), self.worth(known)
        self.prices: Floats = np.append(values, 0.0)[self.best] / size
        self.bound = max(round_down(float(self.prices.sum()), unit), self.value)
        self.open = ""  # what left the gap open, when a step of its own did
        self.note("counting")

    def worth(self, found: list[Found]) -> float:
        return float(sum(self.values[tier] for _, tier in found))

    def note(self, stage: str) -> None:
        members = [rows for rows, _ in self.found]
        self.watch.reached(self.part, self.value, self.bound, len(self.found), stage, members)

    @property
    def done(self) -> bool:
        return self.watch.near(self.value, self.bound) or self.watch.over()

    def better(self, found: list[Found], stage: str) -> bool:
        """Keep this choice if it is worth more."""
        value = self.worth(found)
        if value <= self.value * (1 + CLOSER):
            return False
        self.found, self.value = found, value
        self.bound = max(self.bound, value)
        self.note(stage)
        return True

    def bounded(self, generated: Generated) -> None:
        self.prices, self.open = generated.prices, generated.why
        self.bound = max(min(self.bound, round_down(generated.bound, self.unit)), self.value)
        self.note("column generation")

    def result(self) -> SolvedCrowd:
        if self.bound <= self.value * (1 + CLOSER):
            why = ""
        elif self.watch.over():
            why = self.watch.why_over()
        elif self.watch.near(self.value, self.bound):
            why = "near enough"
        else:
            why = f"every step was taken; {self.open}" if self.open else "every step was taken"
        return SolvedCrowd(self.found, self.value, self.bound, self.prices, why)

    def chains(self, seed: int, kicks: int) -> None:
        usable = np.flatnonzero(self.best < len(self.reach))
        pool = Ground(self.low, self.high, usable, self.reach, self.values, self.size)

        def keep(found: list[Found]) -> None:
            self.better(found, "chains of exchanges")

        # A large part must not spend all its time here before it has a bound.
        with self.watch.share(CHAINS_SHARE if len(self.low) > LARGE else 1.0) as seconds:
            until = self.watch.gone() + seconds

            def over() -> bool:
                return self.done or self.watch.gone() >= until

            by_chains(pool, self.found, seed, min(kicks, len(usable) // PIECES_A_KICK), self.bound, over, keep)


def build_on(crowd: Crowd, generated: Generated, seed: int) -> list[Found]:
    """A choice of whole sets from those that column generation asked for, filled up from left to right."""
    low, high, reach, values, size, watch = crowd.low, crowd.high, crowd.reach, crowd.values, crowd.size, crowd.watch
    cost = generated.worth - generated.prices[generated.members].sum(axis=1)
    near = generated.members[np.sort(np.argsort(-cost, kind="stable")[:KEPT])]
    worth = np.append(values, 0.0)[tiers_of(low, high, reach, near)]
    with watch.share(CHOICE_SHARE) as seconds:
        chosen = choose_whole(near, worth, nodes=CHOICE_NODES, seconds=seconds, seed=seed, interrupted=watch.over)
    members = near[chosen]
    free = np.setdiff1d(np.arange(len(low)), members.ravel())
    everyone = (np.arange(len(low)),)
    rest = greedy_pass(PoolField(low, high, reach, values, (), everyone, everyone[0], ()), size, free)
    return tiered(low, high, reach, members) + rest


def solve_dense(
    low: Floats,
    high: Floats,
    reach: Floats,
    values: Floats,
    size: int,
    known: list[Found],
    part: int,
    watch: Watch,
    unit: float,
    seed: int,
) -> SolvedCrowd:
    """The best choice found for a crowded part, and a bound on any."""
    crowd = Crowd(low, high, reach, values, size, known, part, watch, unit)
    crowd.chains(seed, 0)
    if crowd.done:
        return crowd.result()
    random = np.random.default_rng(seed)
    start = sample_sets(low, high, reach, values, size, crowd.best, crowd.found, SETS_TO_BEGIN, random, watch.over)
    fixed = thick_of_it(low, high, reach[0], crowd.best)
    generated = linear_bound(Pricer(low, high), reach, values, start, crowd.prices, fixed, watch, seed)
    crowd.bounded(generated)
    if len(low) <= MODERATE and not crowd.done:
        crowd.better(build_on(crowd, generated, seed), "sets the prices ask for")
    crowd.chains(seed + 1, KICKS)
    for turn in range(PASSES):
        for tile in tiles(low, np.flatnonzero(crowd.best < len(reach)), TILE, turn % low.shape[1]):
            if crowd.done:
                return crowd.result()
            search_tile(crowd, tile, generated.members, random, seed + turn)
        crowd.chains(seed + KICKS + turn, KICKS)
    return crowd.result()


def search_tile(crowd: Crowd, tile: Ints, asked: Members, random: np.random.Generator, seed: int) -> None:
    """Local search on a sample of the sets of one tile, those that column generation asked for among them."""
    low, high, reach, values = crowd.low, crowd.high, crowd.reach, crowd.values
    inside = np.zeros(len(low), dtype=bool)
    inside[tile] = True
    for members, _ in crowd.found:
        if not inside[list(members)].all():
            inside[list(members)] = False
    here = np.flatnonzero(inside)
    place = np.full(len(low), -1, dtype=np.int32)
    place[here] = np.arange(len(here))
    mine = [pair for pair in crowd.found if inside[pair[0][0]]]
    others = [pair for pair in crowd.found if not inside[pair[0][0]]]
    local = [(tuple(int(place[row]) for row in members), tier) for members, tier in mine]
    mine_asked = tiered(low[here], high[here], reach, place[asked[inside[asked].all(axis=1)]])
    catalogue = sample_sets(
        low[here],
        high[here],
        reach,
        values,
        crowd.size,
        crowd.best[here],
        local + mine_asked,
        SETS_PER_PIECE,
        random,
        crowd.watch.over,
    )
    index = {tuple(members): at for at, members in enumerate(catalogue.members.tolist())}
    chosen = np.array(sorted(index[tuple(sorted(members))] for members, _ in local), dtype=np.int64)
    steps = STEPS_PER_PIECE * len(here)
    if len(low) <= LARGE:
        steps = max(steps, min(STEPS, STEPS_PER_SET * len(catalogue.worth)))
    ceiling = min(float(crowd.prices[here].sum()), crowd.worth(mine) + crowd.bound - crowd.value)
    chosen, _ = improve(catalogue, chosen, steps, seed, ceiling, lambda _value: crowd.watch.over())
    mine = [(tuple(int(here[row]) for row in catalogue.members[at]), int(catalogue.tier[at])) for at in chosen]
    crowd.better(others + mine, "local search")

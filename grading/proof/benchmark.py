"""The benchmark of matching: pools, floors, and the rival methods on the same model."""

from __future__ import annotations

import csv
import os
import resource
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import networkx as nx
import numpy as np
from scipy import optimize, sparse

from grading.matching import MatchOutcome, Piece, Rules, Tier, find_sets
from grading.matching.catalogue import Catalogue, write_out
from grading.matching.field import lay_out
from grading.matching.greedy import greedy_pass
from grading.matching.market import PlanDemand
from grading.matching.planning import Floor, plan, tier_by_tier

#: The values of the tiers are invented; only their order and rough ratio matter.
THREE_TIERS = (Tier("2 %", 0.02, 100.0), Tier("5 %", 0.05, 80.0), Tier("10 %", 0.10, 60.0))
#: More sets than this are not handed to the general solver.
MOST_HANDED_OVER = 400_000
#: More pairs than this are not handed to the graph library.
MOST_EDGES = 40_000
#: The time limit is kept within this: the solver looks at the clock now and then only.
LATE = 1.05


@dataclass(frozen=True)
class BenchmarkCase:
    """``least`` the value to reach on the pool's own file; ``gap`` the largest gap; ``seconds`` the time allowed.
    ``sections`` of each valve, the same two quantities in each; ``guard`` the half-width of every guard band."""

    count: int
    size: int
    tiers: tuple[Tier, ...]
    seconds: float
    gap: float
    least: float | None = None
    guard: float = 0.0
    sections: int = 1

    @property
    def name(self) -> str:
        what = {2: "pairs", 4: "quads"}.get(self.size, f"sets of {self.size}")
        more = f", {self.sections} sections, guard {self.guard:.1%}" if self.sections > 1 else ""
        return f"{self.count} valves, {what}, {' '.join(tier.name for tier in self.tiers)}{more}"


CASES = (
    BenchmarkCase(300, 4, (Tier("2 %", 0.02, 1.0),), 5.0, 0.0, 50.0),
    BenchmarkCase(300, 2, (Tier("2 %", 0.02, 1.0),), 5.0, 0.0),
    BenchmarkCase(300, 2, THREE_TIERS, 30.0, 0.0),
    BenchmarkCase(600, 4, (Tier("2 %", 0.02, 1.0),), 60.0, 0.0, 117.0),
    BenchmarkCase(1000, 2, (Tier("1.5 %", 0.015, 1.0),), 30.0, 0.0),
    BenchmarkCase(1000, 4, (Tier("1.5 %", 0.015, 1.0),), 60.0, 0.0055, 191.0),
    BenchmarkCase(2000, 2, (Tier("1 %", 0.01, 1.0),), 10.0, 0.0),
    BenchmarkCase(2000, 4, (Tier("2 %", 0.02, 1.0),), 60.0, 0.0025),
    BenchmarkCase(2000, 4, THREE_TIERS, 60.0, 0.003),
    BenchmarkCase(2000, 2, (Tier("5 %", 0.05, 1.0),), 60.0, 0.0, guard=0.005, sections=2),
    BenchmarkCase(20000, 4, THREE_TIERS, 150.0, 0.002),
)


@dataclass(frozen=True)
class PlanCase:
    """A pool planned for a demand: ``gap`` the largest gap, ``seconds`` the time allowed."""

    name: str
    count: int
    demands: tuple[PlanDemand, ...]
    seconds: float
    gap: float


#: More than any pool holds.
WITHOUT_END = 1_000_000

PLAN_CASES = (
    PlanCase(
        "all of it in quads, pairs and singles",
        2000,
        (
            PlanDemand("quad", 4, 100.0, 250, 0.02),
            PlanDemand("pair", 2, 40.0, 250, 0.01),
            PlanDemand("single", 1, 12.0, 500),
        ),
        60.0,
        0.0,
    ),
    PlanCase(
        "three tiers of quads, two of pairs, singles",
        2000,
        (
            PlanDemand("quad 2 %", 4, 100.0, 200, 0.02),
            PlanDemand("quad 5 %", 4, 80.0, 200, 0.05),
            PlanDemand("quad 10 %", 4, 60.0, 200, 0.10),
            PlanDemand("pair 1 %", 2, 40.0, 250, 0.01),
            PlanDemand("pair 5 %", 2, 30.0, 250, 0.05),
            PlanDemand("single", 1, 12.0, 500),
        ),
        60.0,
        0.01,
    ),
    PlanCase(
        "three tiers of quads and of pairs, singles, all without end",
        2000,
        (
            PlanDemand("quad 1 %", 4, 120.0, WITHOUT_END, 0.01),
            PlanDemand("quad 2 %", 4, 100.0, WITHOUT_END, 0.02),
            PlanDemand("quad 5 %", 4, 70.0, WITHOUT_END, 0.05),
            PlanDemand("pair 0.5 %", 2, 56.0, WITHOUT_END, 0.005),
            PlanDemand("pair 1 %", 2, 48.0, WITHOUT_END, 0.01),
            PlanDemand("pair 2 %", 2, 38.0, WITHOUT_END, 0.02),
            PlanDemand("single", 1, 15.0, WITHOUT_END),
        ),
        60.0,
        0.01,
    ),
)


class PlanRow(NamedTuple):
    case: PlanCase
    value: float
    bound: float
    by_hand: float
    seconds: float
    cpu_seconds: float

    @property
    def failures(self) -> list[str]:
        missed = []
        gap = (self.bound - self.value) / self.bound
        if gap > self.case.gap + 1e-9:
            missed.append(f"gap {gap:.2%} over {self.case.gap:.2%}")
        if self.value < self.by_hand - 1e-9:
            missed.append(f"by hand {self.by_hand:g}")
        if self.seconds >= self.case.seconds * LATE:
            missed.append(f"{self.seconds:.0f} s over {self.case.seconds:.0f} s")
        return missed


def measure_plan(case: PlanCase, folder: Path | None, seed: int) -> PlanRow:
    """One plan beside matching demand by demand, each with as much time."""
    pieces, _ = pool(folder, case.count)
    began, spent = time.monotonic(), time.process_time()
    made = plan(pieces, case.demands, Rules(), time_limit_s=case.seconds, seed=seed)
    seconds, cpu_seconds = time.monotonic() - began, time.process_time() - spent
    by_hand = Floor(pieces, case.demands, Rules()).income(
        tier_by_tier(pieces, case.demands, Rules(), case.seconds, seed)
    )
    return PlanRow(case, made.value, made.bound, by_hand, seconds, cpu_seconds)


class Rival(NamedTuple):
    """What another method made of it; bound NaN when it proves none; None throughout when it was not asked."""

    value: float
    bound: float
    seconds: float


class BenchmarkRow(NamedTuple):
    case: BenchmarkCase
    ours: MatchOutcome
    cpu_seconds: float
    megabytes: float
    greedy: Rival
    general: Rival | None
    blossom: Rival | None
    same_on_one: bool | None
    from_file: bool

    @property
    def failures(self) -> list[str]:
        """Which floors are missed."""
        missed = []
        if self.ours.gap > self.case.gap + 1e-9:
            missed.append(f"gap {self.ours.gap:.2%} over {self.case.gap:.2%}")
        if self.from_file and self.case.least is not None and self.ours.value < self.case.least - 1e-9:
            missed.append(f"value {self.ours.value:g} under {self.case.least:g}")
        if self.ours.seconds >= self.case.seconds * LATE:
            missed.append(f"{self.ours.seconds:.0f} s over {self.case.seconds:.0f} s")
        if self.blossom is not None and abs(self.blossom.value - self.ours.value) > 1e-6:
            missed.append(f"blossom makes {self.blossom.value:g}")
        if self.general is not None and self.general.bound < self.ours.value - 1e-6:
            missed.append(f"the solver's bound {self.general.bound:g} is below our value")
        if self.same_on_one is False:
            missed.append("another answer on one processor")
        if self.case.count >= 20000 and self.megabytes > 2048:
            missed.append(f"{self.megabytes:.0f} MB")
        return missed


def pool(folder: Path | None, count: int) -> tuple[list[Piece], bool]:
    """The pool, and whether it came from the folder. Otherwise simulated: anode current log-normal about 70 mA with
    10 % spread, mutual conductance about 11 mA/V with 8 %, correlation 0.6. Invented either way."""
    path = folder / f"pool-{count}.csv" if folder is not None else None
    if path is not None and path.exists():
        with path.open(newline="") as file:
            return [
                Piece(int(row["valve"]), (float(row["anode_current_ma"]), float(row["gm_ma_per_v"])))
                for row in csv.DictReader(file)
            ], True
    return simulated(count, 1, 0.0), False


def simulated(count: int, sections: int, guard: float) -> list[Piece]:
    """As ``pool`` says; a second section differs from the first by 1.5 % in each quantity."""
    random = np.random.default_rng(count)
    first, second = random.normal(size=(2, count))
    second = 0.6 * first + 0.8 * second
    values = np.column_stack([70 * np.exp(0.10 * first), 11 * np.exp(0.08 * second)])
    all_of_it = np.hstack(
        [values, *(values * np.exp(0.015 * random.normal(size=values.shape)) for _ in range(1, sections))]
    )
    rows = all_of_it.round(4).tolist()
    return [Piece(number, tuple(row), guard=(guard,) if guard else None) for number, row in enumerate(rows, start=1)]


def left_to_right(pieces: Sequence[Piece], case: BenchmarkCase) -> Rival:
    began = time.monotonic()
    field = lay_out(pieces, case.size, case.tiers, Rules())
    value = float(sum(field.values[tier] for _, tier in greedy_pass(field, case.size)))
    return Rival(value, float("nan"), time.monotonic() - began)


def general_solver(catalogue: Catalogue, seconds: float) -> Rival:
    """The set-packing model, every set a column, handed whole to SciPy's integer solver with its own settings."""
    began = time.monotonic()
    total, size = catalogue.members.shape
    uses: sparse.csc_array = sparse.csc_array(
        (np.ones(total * size), catalogue.members.ravel(), np.arange(0, total * size + 1, size)),
        shape=(catalogue.pieces, total),
    )
    answer = optimize.milp(
        -catalogue.worth,
        integrality=np.ones(total, dtype=np.int64),
        bounds=optimize.Bounds(0, 1),
        constraints=optimize.LinearConstraint(uses, ub=np.ones(catalogue.pieces)),
        options={"time_limit": seconds, "mip_rel_gap": 0.0},
    )
    value = -float(answer.fun) if answer.fun is not None else 0.0
    bound = -float(answer.mip_dual_bound) if answer.mip_dual_bound is not None else float("inf")
    return Rival(value, bound, time.monotonic() - began)


def blossom_matching(catalogue: Catalogue) -> Rival:
    """Maximum weight matching of the whole pool by the graph library, on the weights as they are."""
    began = time.monotonic()
    graph: nx.Graph[int] = nx.Graph()
    for (one, other), worth in zip(catalogue.members.tolist(), catalogue.worth.tolist(), strict=True):
        graph.add_edge(one, other, weight=worth)
    value = float(sum(graph.edges[edge]["weight"] for edge in nx.max_weight_matching(graph)))
    return Rival(value, value, time.monotonic() - began)


def on_one_processor(pieces: Sequence[Piece], case: BenchmarkCase, ours: MatchOutcome, seed: int) -> bool | None:
    """Whether a single processor gives the same answer; None where there is no second one or no way to choose."""
    if not hasattr(os, "sched_setaffinity") or len(os.sched_getaffinity(0)) < 2 or ours.timed_out:
        return None
    everything = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(everything)})
    try:
        alone = find_sets(pieces, case.size, case.tiers, time_limit_s=case.seconds * 4, seed=seed)
    finally:
        os.sched_setaffinity(0, everything)
    return (alone.sets, alone.bound) == (ours.sets, ours.bound)


def measure(
    case: BenchmarkCase, folder: Path | None, *, solver_seconds: float, one_processor: bool, seed: int
) -> BenchmarkRow:
    """One line of the table."""
    pieces, from_file = pool(folder, case.count)
    if case.sections > 1:
        pieces, from_file = simulated(case.count, case.sections, case.guard), False
    began = time.process_time()
    ours = find_sets(pieces, case.size, case.tiers, time_limit_s=case.seconds, seed=seed)
    spent = time.process_time() - began
    megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    field = lay_out(pieces, case.size, case.tiers, Rules())
    catalogue = write_out(field.low, field.high, field.reach, field.values, case.size, MOST_HANDED_OVER)
    general = blossom = None
    if catalogue is not None:
        if solver_seconds > 0:
            general = general_solver(catalogue, solver_seconds)
        if case.size == 2 and len(catalogue.worth) <= MOST_EDGES:
            blossom = blossom_matching(catalogue)
    same = on_one_processor(pieces, case, ours, seed) if one_processor else None
    return BenchmarkRow(case, ours, spent, megabytes, left_to_right(pieces, case), general, blossom, same, from_file)

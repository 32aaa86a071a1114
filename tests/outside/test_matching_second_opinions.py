"""Matching against two independent programs.

Pairs: ``networkx.max_weight_matching``, maximum weight matching in a general graph (Edmonds' blossom and primal-dual
methods, after Z. Galil, "Efficient Algorithms for Finding Maximum Matching in Graphs", ACM Computing Surveys, 1986, as
its docstring says), on the whole pool; ours uses it part by part where it is quick. Pairs, triples and quads: the
set-packing model handed whole to ``scipy.optimize.milp``, whose dual
bound is proven
by that solver. The pools are simulated.
"""

import math
from itertools import combinations

import networkx as nx
import numpy as np
import pytest
from scipy import optimize, sparse

from grading.matching import Piece, Tier, find_sets, judge_set
from grading.matching.catalogue import write_out
from grading.matching.field import lay_out
from grading.matching.words import Rules

TIERS = (Tier("2 %", 0.02, 100.0), Tier("5 %", 0.05, 80.0), Tier("10 %", 0.10, 60.0))


def simulated(count: int, seed: int) -> list[Piece]:
    """Anode current log-normal about 70 mA with 10 % spread, mutual conductance about 11 mA/V with 8 %, correlated."""
    random = np.random.default_rng(seed)
    first, second = random.normal(size=(2, count))
    second = 0.6 * first + 0.8 * second
    return [
        Piece(number, (70 * math.exp(0.10 * a), 11 * math.exp(0.08 * b)))
        for number, (a, b) in enumerate(zip(first, second, strict=True))
    ]


@pytest.mark.parametrize("how_many_tiers", [1, 3])
@pytest.mark.parametrize("seed", range(4))
def test_pairs_are_worth_what_blossom_matching_makes_of_them(seed: int, how_many_tiers: int) -> None:
    pieces, tiers = simulated(80, seed), TIERS[:how_many_tiers]
    graph: nx.Graph[int] = nx.Graph()
    for one, other in combinations(range(len(pieces)), 2):
        verdict = judge_set([pieces[one], pieces[other]], tiers)
        if verdict.tier is not None:
            graph.add_edge(one, other, weight=verdict.value)
    matching = nx.max_weight_matching(graph)
    best = sum(graph.edges[edge]["weight"] for edge in matching)
    outcome = find_sets(pieces, 2, tiers)
    assert outcome.proven
    assert outcome.value == pytest.approx(best)


@pytest.mark.parametrize(
    ("count", "size", "how_many_tiers", "seed"),
    [
        (80, 2, 3, 6),
        (120, 2, 1, 7),
        (80, 3, 1, 0),
        (120, 4, 1, 1),
        (160, 4, 1, 2),
        (35, 3, 3, 3),
        (30, 4, 3, 4),
        (150, 5, 1, 5),
    ],
)
def test_the_value_lies_between_the_general_solver_s_value_and_its_dual_bound(
    count: int, size: int, how_many_tiers: int, seed: int
) -> None:
    pieces, tiers = simulated(count, seed), TIERS[:how_many_tiers]
    field = lay_out(pieces, size, tiers, Rules())
    catalogue = write_out(field.low, field.high, field.reach, field.values, size, 100_000)
    assert catalogue is not None
    total = len(catalogue.worth)
    uses: sparse.csc_array = sparse.csc_array(
        (np.ones(total * size), catalogue.members.ravel(), np.arange(0, total * size + 1, size)), shape=(count, total)
    )
    answer = optimize.milp(
        -catalogue.worth,
        integrality=np.ones(total, dtype=np.int64),
        bounds=optimize.Bounds(0, 1),
        constraints=optimize.LinearConstraint(uses, ub=np.ones(count)),
        options={"time_limit": 60.0},
    )
    assert answer.success
    outcome = find_sets(pieces, size, tiers)
    assert outcome.proven
    assert -answer.fun - 1e-6 <= outcome.value <= -answer.mip_dual_bound + 1e-6
    assert outcome.bound >= -answer.fun - 1e-6

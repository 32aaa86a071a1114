"""Pairs: maximum weight matching in a general graph, which is exact and quick.

The pieces are the points of a graph, the pairs that fit its edges, weighted by what they are worth. Edmonds' blossom
method finds the best matching in polynomial time; ``networkx`` has it (its docstring follows Z. Galil, "Efficient
Algorithms for Finding Maximum Matching in Graphs", ACM Computing Surveys, 1986). With whole-numbered weights it
reckons in whole numbers and checks its own optimum by its duals.
"""

from __future__ import annotations

import numpy as np

from .catalogue import Catalogue
from .field import Ints

#: Points times edges that are done with in a second, measured; the worst case is the cube of the points.
A_SECOND = 1e7
#: It cannot be interrupted, so it is not begun where it would take longer than this.
MOST_SECONDS = 6.0


def effort(catalogue: Catalogue) -> float:
    """Seconds the matching takes, roughly."""
    return len(catalogue.worth) * catalogue.pieces / A_SECOND


def best_pairs(catalogue: Catalogue, unit: float) -> Ints:
    """The most valuable choice of disjoint pairs; every worth is a multiple of ``unit``.

    >>> chain = np.array([[0, 1], [1, 2], [2, 3]], dtype=np.int32)
    >>> best_pairs(Catalogue(chain, np.array([2.0, 3.0, 2.0]), np.zeros(3, dtype=np.int64), 4), 1.0).tolist()
    [0, 2]
    """
    import networkx as nx  # here: it takes long to load, and most of what starts never matches a pool

    weights = np.rint(catalogue.worth / unit).astype(np.int64)
    graph: nx.Graph[int] = nx.Graph()
    for number, ((one, other), weight) in enumerate(zip(catalogue.members.tolist(), weights.tolist(), strict=True)):
        graph.add_edge(one, other, weight=weight, number=number)
    matched = nx.max_weight_matching(graph)
    return np.array(sorted(graph.edges[pair]["number"] for pair in matched), dtype=np.int64)

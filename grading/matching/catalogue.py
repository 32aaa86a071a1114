"""Every set a group of pieces allows, written out.

Fitting a box is pairwise, so the sets of a tier are the cliques of its graph of fitting pairs. They are grown one
piece at a time, each by a later piece than its last, so every set appears once; the count before each step says
whether the list stays within what can be held.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .field import Floats, Ints

Members = NDArray[np.int32]


@dataclass(frozen=True)
class Catalogue:
    """members (m, size) piece numbers, each row ascending; worth (m,); tier (m,); pieces: how many there are."""

    members: Members
    worth: Floats
    tier: Ints
    pieces: int

    @cached_property
    def _by_piece(self) -> tuple[Ints, Ints]:
        flat = self.members.ravel()
        order = np.argsort(flat, kind="stable")
        starts = np.searchsorted(flat[order], np.arange(self.pieces + 1))
        return order // max(self.members.shape[1], 1), starts.astype(np.int64)

    def through(self, piece: int) -> Ints:
        """The sets that use a piece."""
        sets, starts = self._by_piece
        return sets[starts[piece] : starts[piece + 1]]

    @cached_property
    def uses(self) -> Ints:
        """How many sets use each piece."""
        return np.diff(self._by_piece[1])

    def places(self, sets: Sequence[Sequence[int]]) -> Ints:
        """Where these sets stand in the catalogue, which holds them all."""
        found = []
        for members in sets:
            row = np.sort(np.asarray(members))
            among = self.through(int(row[self.uses[row].argmin()]))
            found.append(int(among[(self.members[among] == row).all(axis=1).argmax()]))
        return np.array(sorted(found), dtype=np.int64)

    def weighed(self, pieces: Sequence[int], weights: Sequence[int]) -> tuple[Ints, Ints]:
        """The sets that use any of these pieces, and the sum of the weights of those they use."""
        through = [self.through(piece) for piece in pieces]
        sets, where = np.unique(np.concatenate(through), return_inverse=True)
        heavy = np.repeat(np.array(weights), [len(part) for part in through])
        return sets, np.bincount(where, weights=heavy, minlength=len(sets)).astype(np.int64)

    def pick(self, chosen: Ints | NDArray[np.bool_]) -> Catalogue:
        """The same pieces, only some of the sets."""
        return Catalogue(self.members[chosen], self.worth[chosen], self.tier[chosen], self.pieces)


def fitting_pairs(low: Floats, high: Floats, reach: Floats, most: int) -> sparse.csr_array | None:
    """Upper triangle of the graph of pieces that fit one box of side ``reach``; None past ``most`` pairs.

    Pieces that do not fit alone (a guard wider than the tier) fit nothing.
    """
    order = np.argsort(low[:, 0], kind="stable")
    sorted_low, sorted_high = low[order], high[order]
    ends = np.searchsorted(sorted_low[:, 0], sorted_low[:, 0] + reach[0], "right")
    alone: NDArray[np.bool_] = np.logical_and.reduce(sorted_high - sorted_low <= reach, axis=1)
    near = np.maximum(ends - np.arange(len(order)) - 1, 0)
    firsts: list[Ints] = []
    seconds: list[Ints] = []
    count = 0
    block = 0
    while block < len(order):
        stop = max(block + 1, int(np.searchsorted(np.cumsum(near[block:]), 2_000_000, "right")) + block)
        first = np.repeat(np.arange(block, stop), near[block:stop])
        run = np.arange(len(first)) - np.repeat(np.cumsum(near[block:stop]) - near[block:stop], near[block:stop])
        second = first + 1 + run
        fits = alone[first] & alone[second]
        first, second = first[fits], second[fits]
        for axis in range(low.shape[1]):
            width = np.maximum(sorted_high[first, axis], sorted_high[second, axis])
            width -= np.minimum(sorted_low[first, axis], sorted_low[second, axis])
            first, second = first[width <= reach[axis]], second[width <= reach[axis]]
        first, second = order[first], order[second]
        firsts.append(np.minimum(first, second))
        seconds.append(np.maximum(first, second))
        count += len(first)
        if count > most:
            return None
        block = stop
    ones = np.ones(count, dtype=np.int8)
    rows, columns = np.concatenate(firsts or [order]), np.concatenate(seconds or [order])
    graph = sparse.csr_array((ones, (rows, columns)), shape=(len(low), len(low)))
    graph.sort_indices()
    return graph


def grow(cliques: Members, graph: sparse.csr_array, dense: NDArray[np.bool_], most: int) -> Members | None:
    """Each clique extended by every later piece that fits all of it; None past ``most``."""
    last = cliques[:, -1]
    near = np.diff(graph.indptr)[last]
    grown: list[Members] = []
    count = 0
    block = 0
    while block < len(cliques):
        stop = max(block + 1, int(np.searchsorted(np.cumsum(near[block:]), 2_000_000, "right")) + block)
        width = near[block:stop]
        owner = np.repeat(np.arange(block, stop), width)
        run = np.arange(len(owner)) - np.repeat(np.cumsum(width) - width, width)
        piece = graph.indices[graph.indptr[last[owner]] + run]
        for place in range(cliques.shape[1] - 1):
            fits = dense[cliques[owner, place], piece]
            owner, piece = owner[fits], piece[fits]
        grown.append(np.column_stack([cliques[owner], piece]).astype(np.int32))
        count += len(piece)
        if count > most:
            return None
        block = stop
    return np.concatenate(grown) if grown else np.empty((0, cliques.shape[1] + 1), dtype=np.int32)


def write_out(low: Floats, high: Floats, reach: Floats, values: Floats, size: int, most: int) -> Catalogue | None:
    """Every set of ``size`` pieces with the tier it earns, or None when any step passes ``most`` rows."""
    pieces = len(low)
    widest = reach.max(axis=0) if len(reach) else np.zeros(low.shape[1])
    graph = fitting_pairs(low, high, widest, most) if pieces and len(reach) else None
    if graph is None:
        if pieces and len(reach):
            return None
        return Catalogue(np.empty((0, size), dtype=np.int32), np.empty(0), np.empty(0, dtype=np.int64), pieces)
    if pieces > 6_000:
        return None
    dense = np.asarray(graph.toarray(), dtype=np.bool_)
    cliques: Members | None = np.arange(pieces, dtype=np.int32).reshape(-1, 1)
    for _ in range(size - 1):
        assert cliques is not None
        cliques = grow(cliques, graph, dense, most)
        if cliques is None:
            return None
    assert cliques is not None
    width = high[cliques].max(axis=1) - low[cliques].min(axis=1)
    tier = np.full(len(cliques), -1)
    for index in range(len(reach) - 1, -1, -1):
        tier[(width <= reach[index]).all(axis=1)] = index
    kept = tier >= 0
    return Catalogue(cliques[kept], values[tier[kept]], tier[kept], pieces)

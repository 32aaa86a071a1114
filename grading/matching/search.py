"""find_sets: the question a page asks, answered by the method that suits each part of the pool.

The pool falls into groups that may not mix (settings, maker, grade, construction) and each group into parts that
share no set.

- one quantity: in order of value (``ordered``), exact;
- pairs that can be written out: the best matching of a graph (``pairs``), exact;
- a part whose sets can be written out: local search, subset-row cuts, branch and bound (``exact``);
- a crowded part: column generation with exact pricing, local search on a sample of the sets (``dense``).
The bounds of the parts add up. Every part starts from the left-to-right pass or, if better, from the sets of an
earlier run that still stand; stopping early returns the best so far, with the bound proven so far.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from typing import NamedTuple

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from grading.matching.field import Floats, Ints, PoolField, best_tier, lay_out, spread
from grading.matching.words import FoundSet, MatchOutcome, Piece, ProgressCall, Rules, StopCall, Tier

from . import pairs
from .catalogue import Catalogue, fitting_pairs, write_out
from .chains import Ground
from .dense import solve_dense
from .exact import TOLERANCE, prove, proven_pairs, round_down, unit_of
from .greedy import Found, greedy_pass
from .ordered import effort, nested, runs
from .watch import Watch

#: Sets are written out while they hold no more piece numbers than this.
MOST_WRITTEN = 2_400_000
MOST_PAIRS = 3_000_000
#: One quantity with several tiers is answered in order of value up to this size and this many steps.
MOST_ORDERED = 3_000
MOST_EFFORT = 3e9

#: In words, what the answer for a part of the pool rests on.
WRITTEN_OUT = "all sets written out, chains of exchanges, cuts, branch and bound"
BLOSSOM = "exact by blossom matching"
CROWDED = "column generation, chains of exchanges, local search"


class PoolPart(NamedTuple):
    """rows of the field; their sets written out, or None in a crowd."""

    rows: Ints
    catalogue: Catalogue | None


def find_sets(
    pieces: Sequence[Piece],
    size: int,
    tiers: Sequence[Tier],
    rules: Rules = Rules(),  # noqa: B008
    *,
    time_limit_s: float = 60.0,
    seed: int = 0,
    progress: ProgressCall | None = None,
    should_stop: StopCall | None = None,
    start: Iterable[Iterable[Hashable]] = (),
    near_enough: float = 0.0,
) -> MatchOutcome:
    """Disjoint sets of ``size`` pieces of the greatest total value, with a proven bound.

    ``start`` gives sets of an earlier run, as keys: those that still stand are built upon. A part of the pool is
    left alone once its gap is ``near_enough`` (0.01 is 1 %). ``progress`` is called now and then; when
    ``should_stop`` returns true the best so far comes back. ValueError for a question without meaning (a size
    outside 2 to 12, a quantity that is not positive, two tiers of one name).
    """
    watch = Watch(time_limit_s, progress, should_stop, near_enough)
    field = lay_out(pieces, size, tiers, rules)
    unit = unit_of(field.values)
    first = first_choice(field, pieces, size, start)
    share = float(field.values[0]) / size if len(field.values) else 0.0
    watch.reached(-1, worth(field, first), share * len(field.rows), len(first), "left-to-right pass")
    prices = np.zeros(len(field.rows))
    found: list[Found] = []
    bound = 0.0
    methods: set[str] = set()
    parts = [part for group in field.groups for part in split(field, group, size)]
    mine = share_out(first, parts, len(field.rows))
    answered: dict[int, list[Found]] = {}

    def best() -> list[tuple[Hashable, ...]]:
        """Of the parts that are answered, the one at work, and those still to come."""
        sets: list[Sequence[int]] = []
        for place, (part, known) in enumerate(zip(parts, mine, strict=True)):
            if place in watch.members and place not in answered:
                sets += [part.rows[np.asarray(members)].tolist() for members in watch.members[place]]
            else:
                sets += [members for members, _ in answered.get(place, known)]
        return [tuple(pieces[field.rows[row]].key for row in sorted(members)) for members in sets]

    watch.best = best
    del watch.values[-1], watch.bounds[-1], watch.counts[-1]
    for number, (part, known) in enumerate(zip(parts, mine, strict=True)):
        watch.note(number, worth(field, known), share * len(part.rows), len(known))
    watch.report("parts of the pool")
    for number in sorted(range(len(parts)), key=lambda number: len(parts[number].rows)):
        answer = answer_part(field, parts[number], mine[number], size, number, watch, unit, seed)
        answered[number] = answer.found
        found += answer.found
        bound += answer.bound
        prices[parts[number].rows] = answer.prices
        methods.add(answer.method + (f" ({answer.open})" if answer.open else ""))
    return outcome(pieces, field, found, round_down(bound, unit), prices, watch, sorted(methods))


class SearchAnswer(NamedTuple):
    """``open`` says what left the gap open, nothing when it is closed."""

    found: list[Found]
    bound: float
    prices: Floats
    method: str
    open: str = ""


def worth(field: PoolField, found: Iterable[Found]) -> float:
    return float(sum(field.values[tier] for _, tier in found))


def first_choice(
    field: PoolField, pieces: Sequence[Piece], size: int, start: Iterable[Iterable[Hashable]]
) -> list[Found]:
    """The better of the left-to-right pass and the sets of ``start`` that still stand, filled up by that pass."""
    fresh = greedy_pass(field, size)
    row_of = {pieces[index].key: row for row, index in enumerate(field.rows.tolist())}
    group_of = np.zeros(len(field.rows), dtype=np.int64)
    for number, group in enumerate(field.groups):
        group_of[group] = number
    used = np.zeros(len(field.rows), dtype=bool)
    kept: list[Found] = []
    for keys in start:
        rows = [row_of.get(key, -1) for key in keys]
        if len(set(rows)) != size or -1 in rows or used[rows].any() or len(set(group_of[rows].tolist())) > 1:
            continue
        tier = best_tier(field, rows)
        if tier is not None:
            used[rows] = True
            kept.append((tuple(rows), tier))
    if not kept:
        return fresh
    kept += greedy_pass(field, size, np.flatnonzero(~used))
    return kept if worth(field, kept) >= worth(field, fresh) else fresh


def split(field: PoolField, group: Ints, size: int) -> list[PoolPart]:
    """A group's parts: pieces that no chain of shared sets connects never compete."""
    low, high = field.low[group], field.high[group]
    most = MOST_WRITTEN // size
    catalogue = write_out(low, high, field.reach, field.values, size, most)
    if catalogue is None and len(field.reach):
        graph = fitting_pairs(low, high, field.reach.max(axis=0), MOST_PAIRS)
        if graph is None:
            return [PoolPart(group, None)]
        count, label = connected_components(graph, directed=False)
        if count > 1:
            return [part for which in range(count) for part in split(field, group[label == which], size)]
        return [PoolPart(group, None)]
    assert catalogue is not None
    return [PoolPart(group[rows], part) for rows, part in components(catalogue)]


def components(catalogue: Catalogue) -> list[tuple[Ints, Catalogue]]:
    """The catalogue cut where no set crosses; pieces in no set are dropped."""
    members = catalogue.members
    if not len(members):
        return []
    size = members.shape[1]
    ends = np.repeat(members[:, 0], size - 1), members[:, 1:].ravel()
    links: sparse.coo_array = sparse.coo_array(
        (np.ones(len(ends[0]), dtype=np.int8), ends), shape=(catalogue.pieces, catalogue.pieces)
    )
    _, label = connected_components(links.tocsr(), directed=False)
    of_set = label[members[:, 0]]
    order = np.argsort(of_set, kind="stable")
    cuts = np.flatnonzero(np.diff(of_set[order])) + 1
    result = []
    place = np.full(catalogue.pieces, -1, dtype=np.int32)
    for sets in np.split(order, cuts):
        rows = np.unique(members[sets]).astype(np.int64)
        place[rows] = np.arange(len(rows))
        result.append((rows, Catalogue(place[members[sets]], catalogue.worth[sets], catalogue.tier[sets], len(rows))))
    return result


def share_out(found: list[Found], parts: list[PoolPart], rows: int) -> list[list[Found]]:
    """The sets of a choice, part by part."""
    part_of = np.full(rows, -1)
    for number, part in enumerate(parts):
        part_of[part.rows] = number
    mine: list[list[Found]] = [[] for _ in parts]
    for pair in found:
        mine[part_of[pair[0][0]]].append(pair)
    return mine


def answer_part(
    field: PoolField, part: PoolPart, known: list[Found], size: int, number: int, watch: Watch, unit: float, seed: int
) -> SearchAnswer:
    """The best choice for one part, by the method that suits it."""
    rows = part.rows
    low, high = field.low[rows], field.high[rows]
    place = {row: at for at, row in enumerate(rows.tolist())}
    local = [(tuple(place[row] for row in members), tier) for members, tier in known]
    if low.shape[1] == 1 and len(field.reach) == 1 and float(np.ptp(high - low)) < 1e-12:
        chosen = runs(low[:, 0], high[:, 0], float(field.reach[0, 0]), size)
        value = len(chosen) * float(field.values[0])
        watch.reached(number, value, value, len(chosen), "in order of value")
        price = np.zeros(len(rows))
        for run in chosen:
            price[run] = float(field.values[0]) / size
        return SearchAnswer([(tuple(rows[run].tolist()), 0) for run in chosen], value, price, "exact in order of value")
    if (
        low.shape[1] == 1
        and float(np.ptp(high - low)) < 1e-12
        and len(rows) <= MOST_ORDERED
        and effort(low[:, 0], field.reach[:, 0], size) <= MOST_EFFORT
    ):
        inside = nested(low[:, 0], field.reach[:, 0] - float(high[0, 0] - low[0, 0]), field.values, size)
        value = worth(field, inside)
        watch.reached(number, value, value, len(inside), "in order of value")
        price = np.zeros(len(rows))
        for members, tier in inside:
            price[list(members)] = float(field.values[tier]) / size
        back = [(tuple(rows[list(members)].tolist()), tier) for members, tier in inside]
        return SearchAnswer(back, value, price, "exact in order of value")
    if part.catalogue is not None and size == 2 and unit and not watch.over():
        seconds = pairs.effort(part.catalogue)
        if seconds <= min(pairs.MOST_SECONDS, watch.left()):
            best = pairs.best_pairs(part.catalogue, unit)
            proven = proven_pairs(part.catalogue, best, number, watch, seed)
            found = [(tuple(rows[part.catalogue.members[at]].tolist()), int(part.catalogue.tier[at])) for at in best]
            return SearchAnswer(found, proven.value, proven.prices, BLOSSOM)
    if part.catalogue is not None:
        index = {tuple(members): at for at, members in enumerate(part.catalogue.members.tolist())}
        start = np.array(sorted(index[tuple(sorted(members))] for members, _ in local), dtype=np.int64)
        usable = np.flatnonzero(part.catalogue.uses)
        pool = Ground(low, high, usable, field.reach, field.values, size)
        done = prove(part.catalogue, start, number, watch, unit, seed, pool)
        found = [(tuple(rows[part.catalogue.members[at]].tolist()), int(part.catalogue.tier[at])) for at in done.chosen]
        return SearchAnswer(found, done.bound, done.prices, WRITTEN_OUT, done.open)
    crowd = solve_dense(low, high, field.reach, field.values, size, local, number, watch, unit, seed)
    back = [(tuple(rows[list(members)].tolist()), tier) for members, tier in crowd.found]
    return SearchAnswer(back, crowd.bound, crowd.prices, CROWDED, crowd.open)


def outcome(
    pieces: Sequence[Piece],
    field: PoolField,
    found: list[Found],
    bound: float,
    prices: Floats,
    watch: Watch,
    methods: list[str],
) -> MatchOutcome:
    """The answer in the words of the page."""
    sets = []
    for members, tier in sorted(found, key=lambda pair: (pair[1], sorted(pair[0]))):
        chosen = [pieces[field.rows[row]] for row in sorted(members)]
        named = field.tiers[tier]
        sets.append(FoundSet(tuple(piece.key for piece in chosen), spread(chosen), named.name, named.value))
    value = float(sum(one.value for one in sets))
    bound = max(bound, value)
    gap = (bound - value) / bound if bound else 0.0
    proven = bound - value <= TOLERANCE * bound
    by_key = {pieces[index].key: float(price) for index, price in zip(field.rows.tolist(), prices, strict=True)}
    return MatchOutcome(
        tuple(sets),
        value,
        bound,
        gap,
        proven,
        watch.gone(),
        watch.stopped,
        (watch.timed_out or watch.hurried) and not proven,
        by_key,
        field.left_out,
        "; ".join(methods) or "no set fits",
    )

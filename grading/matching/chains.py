"""Better a choice of sets by chains of exchanges.

A piece left over may take the place of another in a set without doing it harm; that one may take the place of a
third in another set; and so on. In the crowded middle of a pool nearly every place can be reached from nearly every
other in a few steps, so the pieces left over here and there can be walked together until they make a set of their
own, and the piece that would lift a set into a better band can be had by walking another into the place it leaves.
Chains of this kind are the augmenting paths of matching, without the guarantee that they suffice; for sets of more
than two they are known as cyclic transfers (P. M. Thompson and H. N. Psaraftis, "Cyclic transfer algorithms for
multivehicle routing and scheduling problems", Operations Research 41(5), 1993; from memory). They are found here
breadth first, a whole level at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .field import Floats, Ints
from .greedy import Found

Bools = NDArray[np.bool_]
Goal = Callable[[Ints], Bools]

#: Numbers held at once while a level of a search is compared with every place of every set.
AT_ONCE = 2_000_000
#: Pieces looked into by one search. What has not been reached by then is far away, and the chain would be long.
LOOKED_INTO = 600
#: Ways to lift one set into a better band that are tried, the ones with the most room first.
LIFTS = 12
#: Places tried for pieces left over to come together at, and pieces that fail to come before a place is given up.
PLACES = 30
FAILED = 4
#: Sets taken apart, one at a time, for the sake of one scarce piece.
OPENED = 12
#: Pieces looked into by a walk that is one of many that would do.
NEARBY = 120
#: Sets a kick takes apart, of so many neighbours.
KICKED = 3
NEIGHBOURS = 8
SAME = 1e-12  # totals that differ by less, relatively, are the same
NOBODY = -1


class Box(NamedTuple):
    """Sets of ``size`` within ``reach`` (d,) are worth ``value`` each, up to ``wanted`` of them."""

    size: int
    reach: Floats
    value: float
    wanted: float = np.inf


class Replaced(NamedTuple):
    """One place of one set as it was before."""

    set: int
    place: int
    piece: int


class Exchanges:
    """A choice of disjoint sets beside the pool.

    low, high   (n, d) the pieces as intervals; pieces that may not meet differ by more than any box on some axis
    members     (m, width) pieces of each set, NOBODY beyond its size; a set that is no more has NOBODY throughout
    band        (m,) what each set is sold as; owner (n,) the set of each piece, or NOBODY
    spare       what the pieces left over are worth, by their number: a function that rises ever more slowly
    """

    def __init__(
        self, low: Floats, high: Floats, bands: Sequence[Box], spare: Callable[[int], float] = lambda _count: 0.0
    ) -> None:
        self.low, self.high, self.bands, self.spare = low, high, bands, spare
        self.sizes = np.array([band.size for band in bands], dtype=np.int64)
        self.reach = np.array([band.reach for band in bands], dtype=float).reshape(len(bands), low.shape[1])
        self.values = np.array([band.value for band in bands], dtype=float)
        self.wanted = np.array([band.wanted for band in bands], dtype=float)
        self.width = int(self.sizes.max(initial=1))
        self.owner = np.full(len(low), NOBODY)
        self.members = np.empty((0, self.width), dtype=np.int64)
        self.band = np.empty(0, dtype=np.int64)
        self.count = np.zeros(len(bands), dtype=np.int64)
        self.others_low = np.empty((0, self.width, low.shape[1]))
        self.others_high = np.empty((0, self.width, low.shape[1]))
        self.changes: list[Replaced] = []
        self.partners = self._partners()

    def _partners(self) -> Ints:
        """(n,) how many others each piece fits a box with, nearly: boxes round the middles of the intervals."""
        if not len(self.bands) or not len(self.low):
            return np.zeros(len(self.low), dtype=np.int64)
        middle = (self.low + self.high) / 2 / np.maximum(self.reach.max(axis=0), 1e-12)
        return np.asarray(cKDTree(middle).query_ball_point(middle, 1.0, p=np.inf, return_length=True)) - 1

    @property
    def value(self) -> float:
        return float(self.count @ self.values) + self.spare(self.left)

    @property
    def left(self) -> int:
        """How many pieces are in no set."""
        return int((self.owner == NOBODY).sum())

    def sets(self) -> list[tuple[tuple[int, ...], int]]:
        """The pieces and the band of every set."""
        return [
            (tuple(piece for piece in row if piece != NOBODY), band)
            for row, band in zip(self.members.tolist(), self.band.tolist(), strict=True)
            if row[0] != NOBODY
        ]

    def add(self, members: Iterable[int], band: int) -> None:
        """Put in a set of free pieces."""
        chosen = list(members)
        gone = np.flatnonzero(self.members[:, 0] == NOBODY)
        if len(gone):
            number = int(gone[0])
        else:
            number = len(self.members)
            more = max(16, number // 4)
            room = ((0, more), (0, 0))
            self.members = np.pad(self.members, room, constant_values=NOBODY)
            self.band = np.pad(self.band, (0, more))
            self.others_low = np.pad(self.others_low, (*room, (0, 0)))
            self.others_high = np.pad(self.others_high, (*room, (0, 0)))
        self.members[number, : len(chosen)] = chosen
        self.band[number] = band
        self.count[band] += 1
        self.owner[chosen] = number
        self._measure(number)

    def remove(self, number: int) -> None:
        """Take a set apart."""
        own = self.members[number]
        self.owner[own[own != NOBODY]] = NOBODY
        self.count[self.band[number]] -= 1
        self.members[number] = NOBODY
        self._measure(number)

    def _measure(self, number: int) -> None:
        """The box of a set without each of its members."""
        own = self.members[number]
        there = (own != NOBODY)[:, None]
        low = np.where(there, self.low[own], np.inf)
        high = np.where(there, self.high[own], -np.inf)
        for place in range(self.width):
            rest = np.arange(self.width) != place
            self.others_low[number, place] = low[rest].min(axis=0, initial=np.inf)
            self.others_high[number, place] = high[rest].max(axis=0, initial=-np.inf)

    def put(self, number: int, place: int, piece: int) -> None:
        self.changes.append(Replaced(number, place, int(self.members[number, place])))
        self.members[number, place] = piece
        self._measure(number)

    def fits(self, number: int, place: int, piece: int, band: int) -> bool:
        """Whether the set with this piece in that place lies within the band."""
        width = np.maximum(self.others_high[number, place], self.high[piece])
        width -= np.minimum(self.others_low[number, place], self.low[piece])
        return bool((width <= self.reach[band]).all())

    def welcome(self, pieces: Ints, reach: Floats, rows: Ints | slice = slice(None)) -> Bools:
        """(f, m, width) in which places of which sets each piece would leave the set within ``reach`` (m, d)."""
        shape = self.members[rows].shape
        fits = np.broadcast_to(self.members[rows] != NOBODY, (len(pieces), *shape)).copy()
        for axis in range(self.low.shape[1]):
            width = np.maximum(self.others_high[rows][None, :, :, axis], self.high[pieces, axis][:, None, None])
            width -= np.minimum(self.others_low[rows][None, :, :, axis], self.low[pieces, axis][:, None, None])
            fits &= width <= reach[None, :, None, axis]
        return fits

    def walk(
        self, start: int, goal: Goal, looked_into: int = LOOKED_INTO, known: Ints | None = None
    ) -> list[int] | None:
        """The shortest chain of exchanges that begins with this free piece and sets free one that the goal accepts:
        each piece of the chain takes the place of the next. None when the search ends without one. Pieces that are
        ``known`` (not NOBODY) when they are come to are not gone on from."""
        before = {start: NOBODY}
        seen = np.zeros(len(self.owner), dtype=bool)
        seen[start] = True
        level = np.array([start], dtype=np.int64)
        reach = self.reach[self.band]
        each = max(1, AT_ONCE // max(self.members.size, 1))
        while len(level) and len(before) <= looked_into + len(level):
            fresh_here = known is None or known[level] == NOBODY
            good = goal(level)
            if good.any():
                chain = [int(level[int(good.argmax())])]
                while before[chain[-1]] != NOBODY:
                    chain.append(before[chain[-1]])
                return chain[::-1]
            if known is not None:
                level = level[fresh_here]
            reached: list[Ints] = [np.empty(0, dtype=np.int64)]
            for part in np.split(level, range(each, len(level), each)) if len(level) else ():
                fits = self.welcome(part, reach)
                sets, places = np.nonzero(fits.any(axis=0))
                pieces = self.members[sets, places]
                fresh = ~seen[pieces]
                sets, places, pieces = sets[fresh], places[fresh], pieces[fresh]
                seen[pieces] = True
                first = fits[:, sets, places].argmax(axis=0)
                before.update(zip(pieces.tolist(), part[first].tolist(), strict=True))
                reached.append(pieces)
            level = np.concatenate(reached)
        return None

    def within_reach(self, starts: Ints) -> Bools:
        """(f, n) the pieces that a walk from each of these free pieces can set free, itself among them; now and then
        a few more, since where one walk has been another takes its word for what lies beyond."""
        reached = np.zeros((len(starts), len(self.owner)), dtype=bool)
        first = np.full(len(self.owner), NOBODY)  # which walk came here first
        for row, start in enumerate(starts.tolist()):
            beyond: set[int] = set()

            def never(pieces: Ints, row: int = row, beyond: set[int] = beyond) -> Bools:
                reached[row, pieces] = True
                beyond.update(first[pieces].tolist())
                first[pieces] = np.where(first[pieces] == NOBODY, row, first[pieces])
                return np.zeros(len(pieces), dtype=bool)

            self.walk(start, never, known=first)
            for other in beyond - {NOBODY, row}:
                reached[row] |= reached[other]
        return reached

    def follow(self, chain: Sequence[int]) -> bool:
        """Carry out the exchanges; False, and nothing done, when two of them meet in one set and do not agree."""
        mark = len(self.changes)
        for taker, leaver in zip(chain[-2::-1], chain[:0:-1], strict=True):
            number = int(self.owner[leaver])
            place = int(np.flatnonzero(self.members[number] == leaver)[0])
            if not self.fits(number, place, taker, int(self.band[number])):
                self.undo(mark)
                return False
            self.put(number, place, taker)
        self.own(mark)
        return True

    def own(self, mark: int) -> None:
        """Say anew whose each piece is, after the changes since the mark."""
        for change in self.changes[mark:]:
            if change.piece != NOBODY:
                self.owner[change.piece] = NOBODY
        for change in self.changes[mark:]:
            row = self.members[change.set]
            self.owner[row[row != NOBODY]] = change.set

    def mark(self) -> int:
        return len(self.changes)

    def undo(self, mark: int) -> None:
        """Back to how the sets were at the mark."""
        touched: set[int] = set()
        back: list[Replaced] = []
        while len(self.changes) > mark:
            change = self.changes.pop()
            back.append(change)
            touched.add(change.set)
        for number in touched:
            row = self.members[number]
            self.owner[row[row != NOBODY]] = NOBODY
        for change in back:
            self.members[change.set, change.place] = change.piece
        for number in touched:
            row = self.members[number]
            self.owner[row[row != NOBODY]] = number
            self._measure(number)

    def rename(self, number: int, band: int) -> None:
        """Sell a set as something else."""
        self.count[self.band[number]] -= 1
        self.count[band] += 1
        self.band[number] = band


class Ground(NamedTuple):
    """Pieces as intervals ``low``, ``high`` (n, d), those of them that can be in a set at all, and what a set of
    ``size`` may be sold as: ``reach`` (k, d), ``values`` (k,)."""

    low: Floats
    high: Floats
    usable: Ints
    reach: Floats
    values: Floats
    size: int

    def table(self, found: list[Found]) -> Exchanges:
        place = np.full(len(self.low), NOBODY)
        place[self.usable] = np.arange(len(self.usable))
        bands = [Box(self.size, box, float(value)) for box, value in zip(self.reach, self.values, strict=True)]
        table = Exchanges(self.low[self.usable], self.high[self.usable], bands)
        for members, tier in found:
            table.add(place[list(members)].tolist(), tier)
        return table

    def found(self, table: Exchanges) -> list[Found]:
        return [(tuple(sorted(self.usable[list(members)].tolist())), band) for members, band in table.sets()]


def by_chains(
    pool: Ground,
    found: list[Found],
    seed: int,
    kicks: int,
    enough: float,
    over: Callable[[], bool],
    keep: Callable[[list[Found]], object],
) -> None:
    """Chains of exchanges from the choice ``found``; then, ``kicks`` times, some sets are taken apart where pieces are
    left over and the chains begin again. Every choice that is better than those before goes to ``keep``. It ends when
    one is worth ``enough``, or it is ``over``."""
    best = float(sum(pool.values[tier] for _, tier in found))
    for turn in range(kicks + 1):
        if over() or best >= enough * (1 - SAME):
            return
        table = pool.table(found)
        if turn:
            kick(table, np.random.default_rng(seed + turn))
        better(table, seed + turn, enough, over)
        if table.value >= best * (1 - SAME):  # as good will do: the next kick then begins elsewhere
            found = pool.found(table)
            if table.value > best * (1 + SAME):
                best = table.value
                keep(found)


def better(table: Exchanges, seed: int, enough: float, over: Callable[[], bool]) -> None:
    """Every kind of chain in turn, until none gains, the value is ``enough``, or it is ``over``."""
    random = np.random.default_rng(seed)
    while table.value < enough and not over():
        before = table.value
        rise(table)
        shed(table)
        brought = False
        for kind in (gather, lift, bring_in):
            brought = kind(table, random, enough, over) and kind is bring_in
        if table.value <= before * (1 + SAME) and not brought:
            return


def kick(table: Exchanges, random: np.random.Generator) -> None:
    """Take apart some sets that lie together, round a piece left over or a set of a lesser band."""
    held = np.flatnonzero(table.members[:, 0] != NOBODY)
    if not len(held):
        return
    centre = ((table.low + table.high) / 2)[table.members[held, 0]] / np.maximum(table.reach.max(axis=0), 1e-12)
    free = np.flatnonzero((table.owner == NOBODY) & (table.partners > 0))
    lesser = table.members[held[table.values[table.band[held]] < table.values.max()], 0]
    about = np.concatenate([free, lesser])
    at = int(random.choice(about)) if len(about) else int(table.members[random.choice(held), 0])
    away = np.abs(centre - (table.low[at] + table.high[at]) / 2 / np.maximum(table.reach.max(axis=0), 1e-12)).max(
        axis=1
    )
    near = held[np.argsort(away, kind="stable")[:NEIGHBOURS]]
    for number in random.permutation(near)[:KICKED].tolist():
        table.remove(number)


def rise(table: Exchanges) -> None:
    """Sell every set as the best that it is and that is still wanted."""
    order = np.argsort(-table.values, kind="stable")
    for number, (row, band) in enumerate(zip(table.members, table.band, strict=True)):
        own = row[row != NOBODY]
        if not len(own):
            continue
        width = table.high[own].max(axis=0) - table.low[own].min(axis=0)
        for best in order.tolist():
            if table.values[best] <= table.values[band]:
                break
            wanted = table.sizes[best] == len(own) and table.count[best] < table.wanted[best]
            if wanted and (width <= table.reach[best]).all():
                table.rename(number, best)
                break


def shed(table: Exchanges) -> None:
    """Take apart the sets that are worth less than their pieces by themselves."""
    for number in np.argsort(table.values[table.band] / table.sizes[table.band], kind="stable").tolist():
        size, left = int((table.members[number] != NOBODY).sum()), table.left
        if size and table.spare(left + size) - table.spare(left) > table.values[table.band[number]]:
            table.remove(number)


def gather(table: Exchanges, random: np.random.Generator, enough: float, over: Callable[[], bool]) -> bool:
    """Walk pieces left over together until they make sets of their own; whether any was made.

    The bands are taken by their worth for each piece. A band for which fewer are left over than it takes, or whose
    worth is not more than that of the pieces as they lie, is passed by.
    """
    made = False
    for band in np.argsort(-table.values / table.sizes, kind="stable").tolist():
        while table.count[band] < table.wanted[band] and table.value < enough and not over():
            left, size = table.left, int(table.sizes[band])
            if left < size or table.spare(left) - table.spare(left - size) >= table.values[band]:
                break
            if not _gather_once(table, band, random, over):
                break
            made = True
    return made


def _gather_once(table: Exchanges, band: int, random: np.random.Generator, over: Callable[[], bool]) -> bool:
    """Make one set of the band where enough of the pieces left over can come to."""
    free = random.permutation(np.flatnonzero(table.owner == NOBODY))
    size, reach = int(table.sizes[band]), table.reach[band]
    free = free[(table.high[free] - table.low[free] <= reach).all(axis=1)]
    if len(free) < size:
        return False
    reached = table.within_reach(free)
    tried = 0
    for place in random.permutation(np.flatnonzero(reached.any(axis=0))).tolist():
        width = np.maximum(table.high, table.high[place]) - np.minimum(table.low, table.low[place])
        can_come = free[(reached & (width <= reach).all(axis=1)[None, :]).any(axis=1)]
        if len(can_come) < size:
            continue
        tried += 1
        if tried > PLACES or over():
            return False
        mark = table.mark()
        together = come_together(table, place, size, reach, can_come, over)
        if together is not None:
            table.add(together, band)
            return True
        table.undo(mark)
    return False


def come_together(
    table: Exchanges,
    place: int,
    size: int,
    reach: Floats,
    free: Ints,
    over: Callable[[], bool],
    looked_into: int = LOOKED_INTO,
) -> list[int] | None:
    """Free ``size`` pieces that fit a box round ``place``, one of them free at the beginning, by walking others there.
    The exchanges stand when None comes back, too."""
    low, high = table.low[place].copy(), table.high[place].copy()
    centre = (table.low + table.high) / 2
    near = (np.abs(centre[free] - centre[place]) / np.maximum(reach, 1e-12)).max(axis=1)
    coming = free[np.argsort(near, kind="stable")].tolist()
    together: list[int] = []
    if table.owner[place] == NOBODY:
        together, coming = [place], [piece for piece in coming if piece != place]

    def joins(pieces: Ints) -> Bools:
        width = np.maximum(table.high[pieces], high) - np.minimum(table.low[pieces], low)
        fits: Bools = (width <= reach).all(axis=1)
        return fits

    failed = 0
    for tried, piece in enumerate(coming):
        if len(coming) - tried < size - len(together) or failed == FAILED or over():
            return None
        chain = table.walk(piece, joins, looked_into)
        if chain is None or not table.follow(chain):
            failed += 1
            continue
        together.append(chain[-1])
        low, high = np.minimum(low, table.low[chain[-1]]), np.maximum(high, table.high[chain[-1]])
        if len(together) == size:
            return together
    return None


def bring_in(table: Exchanges, random: np.random.Generator, enough: float, over: Callable[[], bool]) -> bool:
    """Put pieces with few partners in the place of pieces with many; whether any was.

    Nothing is gained at once, but a piece with many partners that is left over can go anywhere, and one with few
    lies where it is for good. A set near the scarce piece is taken apart, and as many as are needed of its pieces
    are walked to the scarce one; the set they make takes the other's place, and one of its pieces is left over.
    """
    changed = False
    for piece in sorted(np.flatnonzero(table.owner == NOBODY).tolist(), key=lambda one: (table.partners[one], one)):
        if over():
            break
        if table.partners[piece] and table.owner[piece] == NOBODY:
            changed = _bring_in_one(table, piece, random, over) or changed
    return changed


def _bring_in_one(table: Exchanges, piece: int, random: np.random.Generator, over: Callable[[], bool]) -> bool:
    width = np.maximum(table.high, table.high[piece]) - np.minimum(table.low, table.low[piece])
    own = table.owner[(width <= table.reach.max(axis=0)).all(axis=1)]
    for number in random.permutation(np.unique(own[own != NOBODY]))[:OPENED].tolist():
        if over():
            return False
        band, mark = int(table.band[number]), table.mark()
        members = table.members[number][table.members[number] != NOBODY]
        for place in range(len(members)):
            table.put(number, place, NOBODY)
        table.own(mark)
        free = np.append(members, piece)
        together = come_together(table, piece, len(members), table.reach[band], free, over, NEARBY)
        if together is not None:
            for place, one in enumerate(together):
                table.put(number, place, one)
            table.own(mark)
            if _left_behind(table, mark) > table.partners[piece]:
                return True
        table.undo(mark)
    return False


def _left_behind(table: Exchanges, mark: int) -> int:
    """How many partners the piece has which the changes since the mark have left over."""
    out = {change.piece for change in table.changes[mark:] if change.piece != NOBODY}
    return min((int(table.partners[one]) for one in out if table.owner[one] == NOBODY), default=0)


def lift(table: Exchanges, random: np.random.Generator, enough: float, over: Callable[[], bool]) -> bool:
    """Give sets the piece that lifts them into a better band; whether any was lifted."""
    lifted = False
    for number in random.permutation(len(table.members)).tolist():
        if table.value >= enough or over():
            break
        while _lift_one(table, number, random, over):
            lifted = True
    return lifted


def _lift_one(table: Exchanges, number: int, random: np.random.Generator, over: Callable[[], bool]) -> bool:
    """Exchange one member of a set for the piece that lifts it, and walk the member into the place which that piece
    leaves. The set that gives the piece may go down a band if that costs less than is gained."""
    if table.members[number, 0] == NOBODY:
        return False
    old = int(table.band[number])
    size = int((table.members[number] != NOBODY).sum())
    ways: list[tuple[float, int, int, int]] = []
    for band in np.flatnonzero((table.values > table.values[old]) & (table.sizes == size)).tolist():
        if table.count[band] >= table.wanted[band]:
            continue
        for place in range(size):
            width = np.maximum(table.others_high[number, place], table.high)
            width -= np.minimum(table.others_low[number, place], table.low)
            for piece in np.flatnonzero((width <= table.reach[band]).all(axis=1) & (table.owner != number)).tolist():
                ways.append((float(random.random()) - (table.owner[piece] == NOBODY), band, place, piece))
    for _, band, place, piece in sorted(ways)[:LIFTS]:
        if over():
            return False
        if _lift_by(table, number, band, place, piece):
            return True
    return False


def _lift_by(table: Exchanges, number: int, band: int, place: int, piece: int) -> bool:
    """One such exchange, carried out if it gains."""
    giver, member, mark = int(table.owner[piece]), int(table.members[number, place]), table.mark()
    old = int(table.band[number])
    gain = float(table.values[band] - table.values[old])
    if giver == NOBODY:
        table.put(number, place, piece)
        table.own(mark)
        table.rename(number, band)
        return True
    gap, before = int(np.flatnonzero(table.members[giver] == piece)[0]), int(table.band[giver])
    alike = table.sizes == (table.members[giver] != NOBODY).sum()
    lower = np.flatnonzero(alike & (table.values > table.values[before] - gain))
    lower = lower[np.argsort(-table.values[lower], kind="stable")]

    def fills(pieces: Ints) -> Bools:
        width = np.maximum(table.others_high[giver, gap], table.high[pieces])
        width -= np.minimum(table.others_low[giver, gap], table.low[pieces])
        within = (width[:, None, :] <= table.reach[lower][None, :, :]).all(axis=2).any(axis=1)
        fitting: Bools = within & (table.owner[pieces] != giver)
        return fitting

    table.put(giver, gap, NOBODY)
    table.put(number, place, piece)
    table.own(mark)
    table.rename(number, band)
    chain = table.walk(member, fills, NEARBY)
    if chain is not None and table.follow(chain):
        for down in lower.tolist():
            if (down == before or table.count[down] < table.wanted[down]) and table.fits(giver, gap, chain[-1], down):
                table.put(giver, gap, chain[-1])
                table.own(mark)
                table.rename(giver, down)
                return True
    table.rename(number, old)
    table.undo(mark)
    return False

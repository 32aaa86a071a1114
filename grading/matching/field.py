"""The pool as intervals in log space.

Taking logarithms turns a ratio into a distance: a set lies within a tier of spread t when, in every
quantity, its values fit an interval of length log(1 + t), that is, when the set fits a box of that side. A
guard band of half-width g turns a value x into the interval [x - g, x + g], and the set fits when all its
intervals do. The weeks a piece may be of are an interval on one more axis, of length ``weeks_apart`` in every
tier. Fitting a box is a pairwise matter (an axis-parallel box has Helly number 2): a set fits when every two of
its pieces do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from grading.metrology.spreads import relative_spread

from .words import LARGEST_SET, LOG_TOLERANCE, SMALLEST_SET, Piece, Rules, Tier

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class SetVerdict(NamedTuple):
    """spread of each quantity; the best tier's name or None; its value (0 without one); faults in words."""

    spread: tuple[float, ...]
    tier: str | None
    value: float
    faults: tuple[str, ...]


@dataclass(frozen=True)
class PoolField:
    """low, high  (n, d) interval ends of the usable pieces; rows keep the pool's order
    reach      (k, d) longest interval each tier allows, the tiers in order of falling value
    values     (k,) value of a set in each tier
    groups     arrays of rows that may meet in a set at all
    rows       (n,) index of each row in the pool given
    """

    low: Floats
    high: Floats
    reach: Floats
    values: Floats
    tiers: tuple[Tier, ...]
    groups: tuple[Ints, ...]
    rows: Ints
    left_out: tuple[tuple[Hashable, str], ...]


def spread(pieces: Sequence[Piece]) -> tuple[float, ...]:
    """Largest value over smallest, less one, of each quantity.

    >>> [round(s, 4) for s in spread([Piece(1, (70.0, 11.0)), Piece(2, (71.4, 10.89))])]
    [0.02, 0.0101]
    """
    columns = zip(*(piece.quantities for piece in pieces), strict=True)
    return tuple(relative_spread(column) for column in columns)


def worthwhile(tiers: Sequence[Tier]) -> tuple[Tier, ...]:
    """The tiers in order of falling value, without those a wider tier matches or beats.

    >>> [t.name for t in worthwhile([Tier("wide", .1, 5), Tier("tight", .02, 9), Tier("odd", .01, 4)])]
    ['tight', 'wide']
    """
    kept: list[Tier] = []
    for tier in sorted(tiers, key=lambda tier: (-tier.value, -tier.spread)):
        if tier.value > 0 and all(tier.spread > better.spread for better in kept):
            kept.append(tier)
    return tuple(kept)


def guard_of(piece: Piece) -> tuple[float, ...]:
    """The guard's half-width for each quantity of the piece."""
    if piece.guard is None:
        return (0.0,) * len(piece.quantities)
    if len(piece.guard) == 1:
        return piece.guard * len(piece.quantities)
    return piece.guard


def imbalance(piece: Piece, sections: int) -> float:
    """The largest spread between the sections of one valve, over its quantities.

    >>> round(imbalance(Piece(1, (1.2, 2.0, 1.23, 2.1)), 2), 3)
    0.05
    """
    each = len(piece.quantities) // sections
    return max(relative_spread(piece.quantities[q::each]) for q in range(each))


def check(pieces: Sequence[Piece], size: int, tiers: Sequence[Tier], rules: Rules) -> None:
    """Raise ValueError for a question that has no meaning."""
    if not SMALLEST_SET <= size <= LARGEST_SET:
        raise ValueError(f"a set has {SMALLEST_SET} to {LARGEST_SET} valves, not {size}")
    if not tiers:
        raise ValueError("matching needs at least one tier")
    if len({tier.name for tier in tiers}) != len(tiers):
        raise ValueError("two tiers share a name")
    for tier in tiers:
        if not (math.isfinite(tier.spread) and tier.spread >= 0):
            raise ValueError(f"tier {tier.name}: the spread must be zero or more, not {tier.spread}")
        if not math.isfinite(tier.value) or tier.value < 0:
            raise ValueError(f"tier {tier.name}: the value must be zero or more, not {tier.value}")
    if rules.weeks_apart is not None and rules.weeks_apart < 0:
        raise ValueError("weeks apart must be zero or more")
    if rules.sections < 1:
        raise ValueError("a valve has at least one section")
    if rules.section_balance is not None and rules.section_balance < 0:
        raise ValueError("section balance must be zero or more")
    if len({piece.key for piece in pieces}) != len(pieces):
        raise ValueError("a piece stands twice in the pool")
    width = len(pieces[0].quantities) if pieces else 0
    for piece in pieces:
        if not piece.quantities or len(piece.quantities) != width:
            raise ValueError(f"piece {piece.key!r}: every piece needs the same quantities, at least one")
        if len(piece.quantities) % rules.sections:
            raise ValueError(f"piece {piece.key!r}: quantities do not divide into {rules.sections} sections")
        if not all(math.isfinite(q) and q > 0 for q in piece.quantities):
            raise ValueError(f"piece {piece.key!r}: quantities must be positive")
        if len(guard_of(piece)) != width or not all(math.isfinite(g) and g >= 0 for g in guard_of(piece)):
            raise ValueError(f"piece {piece.key!r}: one guard of zero or more, or one for each quantity")


def why_left_out(piece: Piece, rules: Rules) -> str | None:
    """Why the rules keep this piece out of every set, or None."""
    if rules.same_maker and piece.maker is None:
        return "maker not known"
    if rules.same_grade and piece.grade is None:
        return "grade not known"
    if rules.same_construction and piece.construction is None:
        return "construction not known"
    if rules.weeks_apart is not None:
        if piece.weeks is None:
            return "week of manufacture not known"
        first, last = piece.weeks
        if last - first > rules.weeks_apart:
            return f"made in any of {last - first + 1} weeks, which may be more than {rules.weeks_apart} apart"
    if rules.section_balance is not None:
        balance = imbalance(piece, rules.sections)
        if math.log1p(balance) > math.log1p(rules.section_balance) + LOG_TOLERANCE:
            return f"sections differ by {balance:.1%}, more than {rules.section_balance:.1%}"
    return None


def kind(piece: Piece, rules: Rules) -> tuple[Hashable, ...]:
    """What two pieces must have in common to meet in a set."""
    return (
        piece.settings,
        piece.maker if rules.same_maker else None,
        piece.grade if rules.same_grade else None,
        piece.construction if rules.same_construction else None,
    )


def lay_out(pieces: Sequence[Piece], size: int, tiers: Sequence[Tier], rules: Rules) -> PoolField:
    """The usable pieces as intervals, the tiers as box sides. ValueError for a question without meaning."""
    check(pieces, size, tiers, rules)
    kept_tiers = worthwhile(tiers)
    rows: list[int] = []
    left_out: list[tuple[Hashable, str]] = []
    kinds: dict[tuple[Hashable, ...], list[int]] = {}
    for index, piece in enumerate(pieces):
        reason = why_left_out(piece, rules)
        if reason is not None:
            left_out.append((piece.key, reason))
            continue
        kinds.setdefault(kind(piece, rules), []).append(len(rows))
        rows.append(index)
    used = [pieces[row] for row in rows]
    axes = len(pieces[0].quantities) if pieces else 1
    centre = np.log(np.array([piece.quantities for piece in used], dtype=float).reshape(len(used), axes))
    guard = np.array([guard_of(piece) for piece in used], dtype=float).reshape(len(used), axes)
    low, high = centre - guard, centre + guard
    reach = np.repeat(np.log1p([[tier.spread] for tier in kept_tiers]).reshape(-1, 1), axes, axis=1)
    if rules.weeks_apart is not None:
        weeks = np.array([piece.weeks for piece in used], dtype=float).reshape(len(used), 2)
        low, high = np.hstack([low, weeks[:, :1]]), np.hstack([high, weeks[:, 1:]])
        reach = np.hstack([reach, np.full((len(kept_tiers), 1), float(rules.weeks_apart))])
    return PoolField(
        low=low,
        high=high,
        reach=reach + LOG_TOLERANCE,
        values=np.array([tier.value for tier in kept_tiers], dtype=float),
        tiers=kept_tiers,
        groups=tuple(np.array(group, dtype=np.int64) for group in kinds.values()),
        rows=np.array(rows, dtype=np.int64),
        left_out=tuple(left_out),
    )


def best_tier(field: PoolField, members: Sequence[int] | Ints) -> int | None:
    """The most valuable tier whose box holds these rows, as an index of ``field.tiers``, or None."""
    chosen = np.asarray(members, dtype=np.int64)
    width = field.high[chosen].max(axis=0) - field.low[chosen].min(axis=0)
    fits = np.flatnonzero((width <= field.reach).all(axis=1))
    return int(fits[0]) if len(fits) else None


def judge_set(
    pieces: Sequence[Piece],
    tiers: Sequence[Tier],
    rules: Rules = Rules(),  # noqa: B008
    sure: Callable[[float], bool] | None = None,
) -> SetVerdict:
    """What these pieces are worth as one set, and in words what keeps them from being one.

    ``sure`` says whether the set as a whole lies within a spread with the probability that is wanted; it then has the
    word in place of the guards, which are for any set and reckon with the worst.
    """
    check(pieces, len(pieces), tiers, rules)
    faults = [f"{piece.key}: {reason}" for piece in pieces if (reason := why_left_out(piece, rules))]
    for name, wanted in (
        ("settings", True),
        ("maker", rules.same_maker),
        ("grade", rules.same_grade),
        ("construction", rules.same_construction),
    ):
        if wanted and len({getattr(piece, name) for piece in pieces}) > 1:
            faults.append(f"not all of the same {name}")
    if rules.weeks_apart is not None:
        weeks = [week for piece in pieces for week in piece.weeks or ()]
        if weeks and max(weeks) - min(weeks) > rules.weeks_apart:
            faults.append(f"made up to {max(weeks) - min(weeks)} weeks apart, more than {rules.weeks_apart}")
    if not faults and sure is not None:
        pieces = [replace(piece, guard=None) for piece in pieces]
    if not faults:
        field = lay_out(pieces, len(pieces), tiers, rules)
        index = best_tier(field, range(len(pieces)))
        if index is not None and sure is not None:
            within = [at for at in range(index, len(field.tiers)) if sure(field.tiers[at].spread)]
            if not within:
                return SetVerdict(
                    spread(pieces),
                    None,
                    0.0,
                    (f"within {field.tiers[-1].name} as read, but not sure enough to be within it in every quantity",),
                )
            index = within[0]
        if index is not None:
            return SetVerdict(spread(pieces), field.tiers[index].name, field.tiers[index].value, ())
        guarded = " with its guard band" if any(any(guard_of(piece)) for piece in pieces) else ""
        widest = max(tier.spread for tier in tiers)
        width = max(spread(pieces))
        faults.append(f"spread {width:.2%}{guarded} is wider than the widest tier, {widest:.2%}")
    return SetVerdict(spread(pieces), None, 0.0, tuple(faults))

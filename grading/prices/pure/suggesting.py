"""What alike goods brought: the median of the shop's own sales, and between which of them it lies.

The interval is the one between two of the sales themselves, the same number of them from either end. That it holds the
median of what such goods bring rests on nothing but that the sales are independent and of one kind: the number of them
below the median is binomial with one half, whatever the prices' distribution.

Source of the method: W. R. Thompson, "On Confidence Ranges for the Median and Other Expectation Distributions for
Populations of Unknown Distribution Form", The Annals of Mathematical Statistics 7 (1936), no. 3, pages 122 to 128.
Checked in tests/outside/test_median_intervals.py against tables and SciPy.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from math import comb
from typing import NamedTuple

CONFIDENCE = Fraction(95, 100)


def covered(count: int, rank: int) -> Fraction:
    """The probability that the `rank`-th smallest and the `rank`-th largest of `count` have the median between them.

    >>> float(covered(6, 1)), float(covered(9, 2))
    (0.96875, 0.9609375)
    """
    outside = sum(comb(count, below) for below in range(rank))
    return 1 - Fraction(2 * outside, 2**count)


def rank_for(count: int, confidence: Fraction = CONFIDENCE) -> int:
    """The largest rank whose interval is still that sure; 0 where not even all of them are.

    >>> [rank_for(count) for count in (5, 6, 8, 9, 20)]
    [0, 1, 1, 2, 6]
    """
    rank = 0
    while 2 * (rank + 1) <= count and covered(count, rank + 1) >= confidence:
        rank += 1
    return rank


def least_count(confidence: Fraction = CONFIDENCE) -> int:
    """The fewest sales that support an interval at all.

    >>> least_count()
    6
    """
    count = 2
    while not rank_for(count, confidence):
        count += 1
    return count


LEAST = least_count()


class MedianBetween(NamedTuple):
    """The median of `n` prices, and an interval that holds the median of all such with `confidence` or more."""

    median: Decimal
    low: Decimal
    high: Decimal
    n: int
    confidence: Fraction  # as reached, at least as asked


def median_between(prices: Sequence[Decimal], confidence: Fraction = CONFIDENCE) -> MedianBetween | None:
    """None where they are too few to say.

    >>> median_between([Decimal(p) for p in (20, 24, 24, 25, 27, 31)])[:4]
    (Decimal('24.5'), Decimal('20'), Decimal('31'), 6)
    """
    count = len(prices)
    rank = rank_for(count, confidence)
    if not rank:
        return None
    ordered = sorted(prices)
    median = (ordered[(count - 1) // 2] + ordered[count // 2]) / 2
    return MedianBetween(median, ordered[rank - 1], ordered[count - rank], count, covered(count, rank))


class AlikeSale(NamedTuple):
    """What one order line asked for an item of `set_size` pieces; a grade or maker is empty where its pieces differed.
    Lines are counted, not pieces: six sold together at one price are one price."""

    price: Decimal
    how: str
    set_size: int
    grade: str = ""
    maker: int | None = None


class Suggestion(NamedTuple):
    """A price for an item of so many pieces. `among` says what the sales had in common; `wider` says why not more."""

    price: MedianBetween
    among: str
    wider: str


class TooFewSales(NamedTuple):
    n: int
    among: str

    @property
    def in_words(self) -> str:
        many = "none" if not self.n else str(self.n)
        return f"No suggestion: of {self.among} we have sold {many}, and fewer than {LEAST} sales say nothing sure."


class Alike(NamedTuple):
    """What is to be priced."""

    type: str
    how: str
    set_size: int
    grade: str = ""
    maker: int | None = None
    maker_name: str = ""


def _size(size: int) -> str:
    return {1: "singles", 2: "pairs", 4: "quads"}.get(size, f"sets of {size}")


def suggested(wanted: Alike, sales: Sequence[AlikeSale]) -> Suggestion | TooFewSales:
    """By the sales that are most like it; where those are too few, by those that are less so, down to all of its type.

    `sales` are of the type. Whether tested, untested or sealed always counts.
    """
    same = [sale for sale in sales if sale.how == wanted.how]
    sized = [sale for sale in same if sale.set_size == wanted.set_size]
    graded = [sale for sale in sized if wanted.grade and sale.grade == wanted.grade]
    marked = [sale for sale in graded if wanted.maker is not None and sale.maker == wanted.maker]
    kind = f"{wanted.how} {wanted.type} {_size(wanted.set_size)}"
    graded_kind = f"{kind}, {wanted.grade}"
    levels: list[tuple[str, list[AlikeSale]]] = []
    if wanted.grade and wanted.maker is not None:
        levels.append((f"{graded_kind}, marked {wanted.maker_name}", marked))
    if wanted.grade:
        levels.append((graded_kind, graded))
    levels += [(kind, sized), (f"{wanted.how} {wanted.type} in any number, by the piece", same)]
    narrower: list[str] = []
    for among, found in levels:
        each = [sale.price * wanted.set_size / sale.set_size for sale in found]
        price = median_between(each)
        if price is not None:
            wider = "; ".join(narrower)
            return Suggestion(price, among, f"Looked wider, for there are only {wider}." if wider else "")
        narrower.append(f"{len(found)} of {among}")
    return TooFewSales(len(same), f"{wanted.how} {wanted.type}")

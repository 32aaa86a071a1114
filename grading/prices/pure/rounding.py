"""To which amounts a price is rounded: whole pounds, half pounds, x.90 and the like.

Exact: amounts are fractions until they are minor units of their currency. What is rounded never comes out below its
floor, nor at nothing.
"""

from __future__ import annotations

from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple

from stockroom.pure.money import minor_places


class Direction(StrEnum):
    NEAREST = "nearest"  # halves go up
    UP = "up"
    DOWN = "down"


class Grid(NamedTuple):
    """Every `step` from `ending` on: 1 and 0.90 for 0.90, 1.90, 2.90 …"""

    step: Decimal
    ending: Decimal = Decimal(0)
    direction: Direction = Direction.NEAREST

    @property
    def in_words(self) -> str:
        """
        >>> Grid(Decimal("0.50")).in_words, Grid(Decimal(5), Decimal("4.95"), Direction.UP).in_words
        ('to the nearest 0.50', 'up to the next of 4.95, 9.95, 14.95 …')
        """
        if not self.ending:
            return {
                Direction.NEAREST: f"to the nearest {_coin(self.step)}",
                Direction.UP: f"up to a whole {_coin(self.step)}",
                Direction.DOWN: f"down to a whole {_coin(self.step)}",
            }[self.direction]
        some = ", ".join(f"{_coin(self.ending + times * self.step)}" for times in range(3))
        way = {Direction.NEAREST: "to the nearest", Direction.UP: "up to the next", Direction.DOWN: "down to the next"}
        return f"{way[self.direction]} of {some} …"


def _coin(amount: Decimal) -> str:
    """
    >>> [_coin(Decimal(text)) for text in ("1.000", "0.500", "0.005", "10")]
    ['1', '0.50', '0.005', '10']
    """
    exact = amount.normalize()
    places = -min(int(exact.as_tuple().exponent), 0)
    return f"{exact:.{max(places, 2) if places else 0}f}"


def minor_grid(currency: str) -> Grid:
    """Where no rule rounds: to the minor unit."""
    return Grid(Decimal(1).scaleb(-minor_places(currency)))


def why_not(grid: Grid, currency: str) -> str:
    """Why prices in this currency cannot be rounded so; nothing where they can.

    >>> why_not(Grid(Decimal(1), Decimal("0.90")), "GBP"), why_not(Grid(Decimal("0.50")), "JPY")
    ('', 'JPY has no part as small as 0.50.')
    """
    if grid.step <= 0:
        return "The step must be above nothing."
    if not 0 <= grid.ending < grid.step:
        return f"The ending must be from nothing up to, and not with, the step of {_coin(grid.step)}."
    for amount in (grid.step, grid.ending):
        if amount.scaleb(minor_places(currency)) % 1:
            return f"{currency} has no part as small as {_coin(amount)}."
    return ""


def rounded(amount: Fraction, grid: Grid, currency: str, floor: Fraction = Fraction(0)) -> Decimal:
    """`amount` on the grid: the nearest, next or last point of it, and from there up until it is neither below `floor`
    nor nothing.

    >>> [str(rounded(Fraction(value), Grid(Decimal(1), Decimal("0.90")), "GBP")) for value in ("1.39", "1.40", "0.2")]
    ['0.90', '1.90', '0.90']
    >>> str(rounded(Fraction("10.20"), Grid(Decimal("0.50")), "GBP", floor=Fraction("10.01")))
    '10.50'
    """
    step, ending = Fraction(grid.step), Fraction(grid.ending)
    steps = (amount - ending) / step
    if grid.direction is Direction.UP:
        at = -(-steps.numerator // steps.denominator)
    elif grid.direction is Direction.DOWN:
        at = steps.numerator // steps.denominator
    else:
        half_up = steps + Fraction(1, 2)
        at = half_up.numerator // half_up.denominator
    least = (floor - ending) / step
    at = max(at, -(-least.numerator // least.denominator))
    if ending + at * step <= 0:
        lowest = -ending / step
        at = lowest.numerator // lowest.denominator + 1
    places = minor_places(currency)
    units = (ending + at * step) * 10**places
    return Decimal(units.numerator // units.denominator).scaleb(-places)

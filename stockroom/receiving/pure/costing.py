"""Sharing a cost to the minor unit.

The method is the largest remainder (Hamilton's method of apportionment): every part is first rounded
towards zero to the minor unit; the units left over go one each to the parts that lost most in the rounding.
Parts that lost the same are served in the order they stand in, so the same call always gives the same answer.

All arithmetic is exact (integers and fractions); no binary floating point touches money.
"""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction


class CostingError(ValueError):
    """A cost that cannot be shared as asked."""


class NothingToShareAmong(CostingError):
    """There are no parts, or every weight is zero while the amount is not."""


class BadWeight(CostingError):
    """A weight is negative or is not a finite number."""


class NotMinorUnits(CostingError):
    """The amount is not a whole number of minor units of its currency."""


def share(total: Decimal, weights: Sequence[Decimal | int], exponent: int = 2) -> list[Decimal]:
    """Split `total` in proportion to `weights`.

    Args:
        total: the amount, in major units, a whole number of minor units; may be negative (a credit) or zero.
        weights: one non-negative number for each part; a part with weight zero receives nothing.
        exponent: decimal places of the currency's minor unit (2 for pence, 0 for a currency without one).

    Returns:
        One amount for each weight, in order, each with `exponent` decimal places. They add up to `total`
        exactly, each lies less than one minor unit from its exact part, and a credit is split as the cost of
        the same size would be, with the sign turned.

    Raises:
        NothingToShareAmong, BadWeight, NotMinorUnits.
    """
    units = _minor_units(total, exponent)
    if not weights:
        raise NothingToShareAmong("There is nothing to share the cost among: no parts were given.")
    parts = [_weight(weight, place) for place, weight in enumerate(weights)]
    whole = sum(parts, Fraction(0))
    if units == 0:
        return [_amount(0, exponent) for _ in parts]
    if whole == 0:
        raise NothingToShareAmong("Every weight is zero, so no part can carry the cost.")

    exact = [abs(units) * part / whole for part in parts]
    shares = [amount.numerator // amount.denominator for amount in exact]
    left_over = abs(units) - sum(shares)
    lost_most_first = sorted(range(len(parts)), key=lambda place: (shares[place] - exact[place], place))
    for place in lost_most_first[:left_over]:
        shares[place] += 1
    sign = 1 if units > 0 else -1
    return [_amount(sign * amount, exponent) for amount in shares]


def piece_cost(line_total: Decimal, count: int, position: int, exponent: int = 2) -> Decimal:
    """The part of piece `position` (counted from 0) when `line_total` is shared equally among `count` pieces.

    Equal to `share(line_total, [1] * count, exponent)[position]`: the first pieces carry the odd minor units.

    Raises:
        NothingToShareAmong: `count` is below one.
        CostingError: `position` is not one of the pieces.
        NotMinorUnits: as in `share`.
    """
    units = _minor_units(line_total, exponent)
    if count < 1:
        raise NothingToShareAmong(f"A cost needs at least one piece to carry it; the count is {count}.")
    if not 0 <= position < count:
        raise CostingError(f"There is no piece {position}: pieces are counted from 0 to {count - 1}.")
    each, odd = divmod(abs(units), count)
    amount = each + (1 if position < odd else 0)
    return _amount(amount if units >= 0 else -amount, exponent)


def _minor_units(total: Decimal, exponent: int) -> int:
    if exponent < 0:
        raise CostingError(f"A currency cannot have {exponent} decimal places.")
    if not total.is_finite():
        raise NotMinorUnits(f"{total} is not an amount of money.")
    units = Fraction(total) * int(10**exponent)
    if units.denominator != 1:
        raise NotMinorUnits(f"{total} has more than {exponent} decimal places; round it before sharing it.")
    return units.numerator


def _weight(weight: Decimal | int, place: int) -> Fraction:
    if isinstance(weight, Decimal) and not weight.is_finite():
        raise BadWeight(f"Weight {place} ({weight}) is not a number.")
    if weight < 0:
        raise BadWeight(f"Weight {place} ({weight}) is negative; a part cannot carry less than nothing.")
    return Fraction(weight)


def _amount(units: int, exponent: int) -> Decimal:
    # Built from its digits: arithmetic would round a very long amount to the decimal context.
    sign, digits, _ = Decimal(units).as_tuple()
    return Decimal((sign, digits, -exponent))

"""What an invoice comes to, to the minor unit, with parts that add up.

The rule, printed on every invoice:

1. A line is its quantity times its price. Prices are in minor units, so this is exact.
2. A discount is taken off the goods: a percentage is rounded half up once; it is shared over the lines in proportion,
   by the largest remainder, so that the shares make it up (`stockroom.receiving.pure.costing`).
3. Shipping goes by the goods after the discount.
4. Tax is reckoned once for each rate, on the sum of what bears it, without rounding the lines, and rounded half up
   once. This is the first of the two ways of A New Tax System (Goods and Services Tax) Act 1999 (Cth), section
   9-90(2)(a). Where a price includes its tax, the tax is rate / (100 + rate) of it; where it does not, it is added.
5. Under a margin scheme the tax is that part of what the goods brought above their cost, and nothing where they brought
   less (Council Directive 2006/112/EC, Article 315); it is in the price and is not shown apart.

Which rate, which scheme, and whether the shop may use it at all are for the shop and the law where it is.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from stockroom.pure.money import minor_places
from stockroom.receiving.pure.costing import share


class Tax(NamedTuple):
    """A rate and how it is borne; `margin` says that only what was earned on the goods bears it."""

    name: str
    percent: Decimal
    inclusive: bool = True
    margin: bool = False


NO_TAX = Tax("no tax", Decimal(0))


@dataclass(frozen=True)
class Charged:
    """So many at a price each, what discount they take, and what they cost the shop (for a margin scheme)."""

    what: str
    quantity: int
    each: Decimal
    tax: Tax = NO_TAX
    discount: Decimal = Decimal(0)
    cost: Decimal = Decimal(0)
    key: int = 0  # whose line it is

    @property
    def amount(self) -> Decimal:
        return self.quantity * self.each

    @property
    def after(self) -> Decimal:
        """What is asked for it once the discount is off."""
        return self.amount - self.discount


class TaxSum(NamedTuple):
    """All that bears one rate. `net` and `tax` make up `gross`, which is paid."""

    tax: Tax
    net: Decimal
    amount: Decimal
    gross: Decimal


@dataclass(frozen=True)
class Sums:
    lines: tuple[Charged, ...]
    shipping: Charged
    taxes: tuple[TaxSum, ...]

    @property
    def goods(self) -> Decimal:
        return sum((line.amount for line in self.lines), Decimal(0))

    @property
    def discount(self) -> Decimal:
        return sum((line.discount for line in self.lines), Decimal(0))

    @property
    def tax(self) -> Decimal:
        return sum((one.amount for one in self.taxes), Decimal(0))

    @property
    def total(self) -> Decimal:
        return sum((one.gross for one in self.taxes), Decimal(0))

    @property
    def added_tax(self) -> Decimal:
        """The tax that stands on top of what the lines say."""
        return self.total - self.goods + self.discount - self.shipping.after

    def nets(self, currency: str) -> list[Decimal]:
        """What each line, then the shipping, brings without its tax; together `total` less `tax`."""
        every = [*self.lines, self.shipping]
        taxes = [Decimal(0)] * len(every)
        for one in self.taxes:
            members = [place for place, line in enumerate(every) if line.tax == one.tax]
            weights = [_bearing(every[place]) for place in members]
            if any(weights):
                for place, part in zip(members, share(one.amount, weights, minor_places(currency)), strict=True):
                    taxes[place] = part if line_includes(every[place]) else Decimal(0)
        return [line.after - tax for line, tax in zip(every, taxes, strict=True)]


def line_includes(line: Charged) -> bool:
    return line.tax.inclusive or line.tax.margin


def rounded(amount: Fraction, currency: str) -> Decimal:
    """Half up, away from nothing, to the minor unit; exact until then."""
    places = minor_places(currency)
    units = abs(amount) * int(10**places)
    whole = (2 * units.numerator + units.denominator) // (2 * units.denominator)
    return Decimal(whole if amount >= 0 else -whole).scaleb(-places)


def discounted(
    lines: Sequence[Charged], currency: str, percent: Decimal | None = None, amount: Decimal | None = None
) -> list[Charged]:
    """The lines with their shares of a discount; one of an amount is at most what the goods come to."""
    goods = sum((line.amount for line in lines), Decimal(0))
    whole = min(amount or Decimal(0), goods)
    if percent is not None:
        whole = rounded(Fraction(goods) * Fraction(percent) / 100, currency)
    if not whole:
        return list(lines)
    parts = share(whole, [line.amount for line in lines], minor_places(currency))
    return [replace(line, discount=part) for line, part in zip(lines, parts, strict=True)]


def reckon(lines: Sequence[Charged], shipping: Charged, currency: str) -> Sums:
    """The tax of each rate, and the whole."""
    groups: defaultdict[Tax, list[Charged]] = defaultdict(list)
    for line in [*lines, shipping]:
        groups[line.tax].append(line)
    taxes = [_taxed(tax, members, currency) for tax, members in groups.items()]
    return Sums(tuple(lines), shipping, tuple(taxes))


def _taxed(tax: Tax, lines: Sequence[Charged], currency: str) -> TaxSum:
    asked = sum((line.after for line in lines), Decimal(0))
    bearing = sum((Fraction(_bearing(line)) for line in lines), Fraction(0))
    rate = Fraction(tax.percent) / 100
    if tax.inclusive or tax.margin:
        amount = rounded(bearing * rate / (1 + rate), currency)
        return TaxSum(tax, asked - amount, amount, asked)
    amount = rounded(bearing * rate, currency)
    return TaxSum(tax, asked, amount, asked + amount)


def _bearing(line: Charged) -> Decimal:
    return max(line.after - line.cost, Decimal(0)) if line.tax.margin else line.after


def remaining(line: Charged, left: int, currency: str) -> Charged:
    """The line when only `left` of it are kept, at the same price; discount and cost go in proportion."""
    if not line.quantity:
        return line
    part = Fraction(left, line.quantity)
    return replace(
        line,
        quantity=left,
        discount=rounded(Fraction(line.discount) * part, currency),
        cost=rounded(Fraction(line.cost) * part, currency),
    )


def taken_off(line: Charged, amount: Decimal) -> Charged:
    """The line at so much less: at most all that is left to ask for it.

    >>> taken_off(Charged("12AX7", 2, Decimal(24)), Decimal(5)).after
    Decimal('43')
    """
    return replace(line, discount=line.discount + min(amount, line.after)) if amount else line

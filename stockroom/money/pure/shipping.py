"""What sending a parcel costs: the shop's own rules, by region and weight, free above an amount after discount."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import NamedTuple


class Rate(NamedTuple):
    """`region` is empty where the rule serves every region without one of its own; weights are in grams."""

    name: str
    price: Decimal
    region: str = ""
    up_to_g: int | None = None
    free_above: Decimal | None = None


def rate_for(rates: Iterable[Rate], region: str, weight_g: int | None) -> Rate | None:
    """The region's own rules before those for everywhere; of these the one for the least weight that will do.

    A parcel that nobody has weighed takes only a rule without a weight.

    >>> rates = [Rate("letter", Decimal(3), up_to_g=250), Rate("parcel", Decimal(6)), Rate("air", Decimal(14), "US")]
    >>> [rate_for(rates, *parcel).name for parcel in (("", 200), ("", 251), ("", None), ("US", 100))]
    ['letter', 'parcel', 'parcel', 'air']
    """
    every = list(rates)
    own = [rate for rate in every if region and rate.region.casefold() == region.casefold()]
    fits = [rate for rate in own or [rate for rate in every if not rate.region] if _carries(rate, weight_g)]
    return min(fits, key=lambda rate: (rate.up_to_g is None, rate.up_to_g or 0, rate.price), default=None)


def _carries(rate: Rate, weight_g: int | None) -> bool:
    return rate.up_to_g is None or (weight_g is not None and weight_g <= rate.up_to_g)


def price(rate: Rate, goods_after_discount: Decimal) -> Decimal:
    """Nothing from the amount on at which it is free."""
    free = rate.free_above is not None and goods_after_discount >= rate.free_above
    return Decimal(0) if free else rate.price

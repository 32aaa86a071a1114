"""The sums of an invoice: its parts add up whatever they are, and published examples come out as published."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stockroom.money.pure.shipping import Rate, price, rate_for
from stockroom.money.pure.sums import NO_TAX, Charged, Tax, discounted, reckon, remaining

NO_SHIPPING = Charged("shipping", 1, Decimal(0))


def one(each: str, tax: Tax, quantity: int = 1, cost: str = "0") -> Charged:
    return Charged("goods", quantity, Decimal(each), tax, cost=Decimal(cost))


# A New Zealand ministry's table of rates without and with goods and services tax at 15 %, rounded half up: ACC,
# "Invoicing - GST Rounding", developer.acc.co.nz/invoicing-gst-rounding, its table by minutes.
ACC_TABLE = [
    ("4.84", "5.57"), ("9.67", "11.12"), ("14.51", "16.69"), ("19.34", "22.24"), ("24.18", "27.81"),
    ("29.01", "33.36"), ("33.85", "38.93"), ("38.68", "44.48"), ("43.52", "50.05"), ("48.35", "55.60"),
    ("53.19", "61.17"), ("58.02", "66.72"),
]  # fmt: skip


@pytest.mark.parametrize(("net", "gross"), ACC_TABLE)
def test_tax_that_is_added_comes_out_as_published(net: str, gross: str) -> None:
    sums = reckon([one(net, Tax("GST", Decimal(15), inclusive=False))], NO_SHIPPING, "NZD")
    assert sums.total == Decimal(gross)


def test_tax_is_rounded_once_for_a_rate_not_line_by_line() -> None:
    """6 % of 5.31 is 0.32; of three lines of 1.77 it would be 3 × 0.11. No source: it is the rule that we state."""
    tax = Tax("GST", Decimal(6), inclusive=False)
    sums = reckon([one("1.77", tax), one("1.77", tax), one("1.77", tax)], NO_SHIPPING, "MYR")
    assert (sums.tax, sums.total) == (Decimal("0.32"), Decimal("5.63"))


def test_tax_that_a_price_includes_comes_out_as_published() -> None:
    """ "Australian GST calculator illustrates…" (justlocal.blogspot.com, November 2016): 1.04 with 10 % in it is 0.95
    and 0.09; but 0.95 with 10 % added is 1.05, for half a cent rounds up."""
    included = reckon([one("1.04", Tax("GST", Decimal(10)))], NO_SHIPPING, "AUD")
    assert (included.taxes[0].net, included.tax, included.total) == (Decimal("0.95"), Decimal("0.09"), Decimal("1.04"))
    added = reckon([one("0.95", Tax("GST", Decimal(10), inclusive=False))], NO_SHIPPING, "AUD")
    assert (added.tax, added.total) == (Decimal("0.10"), Decimal("1.05"))


def test_a_margin_bears_tax_not_the_price() -> None:
    """Bought for 30, sold for 100: "output tax using the VAT fraction is due on 70 rather than the 100 sale price"
    (Croner-i, Business VAT Reporter 48-625); at 20 % the fraction is 1/6, so 11.67. Sold for less, nothing is due."""
    tax = Tax("margin", Decimal(20), margin=True)
    sums = reckon([one("100", tax, cost="30")], NO_SHIPPING, "GBP")
    assert (sums.tax, sums.total) == (Decimal("11.67"), Decimal(100))
    assert reckon([one("20", tax, cost="30")], NO_SHIPPING, "GBP").tax == 0
    both = reckon([one("100", tax, cost="30"), one("20", tax, cost="30")], NO_SHIPPING, "GBP")
    assert both.tax == Decimal("11.67"), "a loss on one piece does not lower the margin on another"


AMOUNTS = st.integers(0, 10**7).map(lambda units: Decimal(units).scaleb(-2))
RATES = st.decimals(0, 30, places=1)
TAXES = st.just(NO_TAX) | st.builds(Tax, st.sampled_from("ab"), RATES, st.booleans(), st.booleans())
LINES = st.lists(
    st.builds(Charged, st.just("x"), st.integers(1, 9), AMOUNTS, TAXES, cost=AMOUNTS), min_size=1, max_size=5
)


@settings(max_examples=75)
@given(LINES, AMOUNTS, TAXES.filter(lambda tax: not tax.margin), st.none() | RATES, AMOUNTS)
def test_the_parts_always_add_up(
    lines: list[Charged], shipping: Decimal, tax: Tax, percent: Decimal | None, amount: Decimal
) -> None:
    sent = Charged("shipping", 1, shipping, tax)
    sums = reckon(discounted(lines, "GBP", percent, None if percent else amount), sent, "GBP")
    assert all(one.net + one.amount == one.gross for one in sums.taxes)
    assert sums.goods - sums.discount + sums.shipping.after + sums.added_tax == sums.total
    assert sum(sums.nets("GBP")) + sums.tax == sums.total
    assert all(0 <= line.discount <= line.amount for line in sums.lines)
    assert all(one.amount >= 0 and one.amount.as_tuple().exponent >= -2 for one in sums.taxes)  # type: ignore[operator]
    for one_rate in sums.taxes:
        exact = sum((max(x.after - x.cost, Decimal(0)) if x.tax.margin else x.after) for x in [*sums.lines, sent]
                    if x.tax == one_rate.tax) * one_rate.tax.percent  # fmt: skip
        exact /= 100 + one_rate.tax.percent if one_rate.tax.inclusive or one_rate.tax.margin else 100
        assert abs(one_rate.amount - exact) <= Decimal("0.005"), "rounded once"


@settings(max_examples=40)
@given(LINES, st.data())
def test_what_is_credited_in_parts_makes_up_the_invoice(lines: list[Charged], data: st.DataObject) -> None:
    lines = discounted(lines, "GBP", Decimal(7))
    whole = reckon(lines, NO_SHIPPING, "GBP")
    before, credited = whole, Decimal(0)
    left = [line.quantity for line in lines]
    for last in (False, True):
        left = [0 if last else data.draw(st.integers(0, many)) for many in left]
        after = reckon(
            [remaining(line, many, "GBP") for line, many in zip(lines, left, strict=True)], NO_SHIPPING, "GBP"
        )
        credited += before.total - after.total
        before = after
    assert credited == whole.total


def test_shipping_is_free_from_an_amount_after_the_discount() -> None:
    rate = rate_for([Rate("parcel", Decimal(5), free_above=Decimal(100))], "", None)
    assert rate is not None
    assert [price(rate, Decimal(goods)) for goods in ("99.99", "100.00")] == [5, 0]


def test_a_region_has_its_own_rules_and_a_weight_that_none_carries_has_none() -> None:
    rates = [Rate("near", Decimal(3), up_to_g=2000), Rate("far", Decimal(20), "us", up_to_g=1000)]
    assert rate_for(rates, "US", 900) == rates[1]
    assert rate_for(rates, "US", 1500) is None
    assert rate_for(rates, "", None) is None, "nobody has weighed it"

"""Rates of sale from few counts, and what they advise."""

from __future__ import annotations

from math import inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from grading.desk.pure.selling import BuyingCall, poisson_limits, sells


@pytest.mark.parametrize(("count", "low", "high"), [(0, 0, 3.689), (1, 0.0253, 5.572), (3, 0.619, 8.767)])
def test_the_limits_are_the_exact_ones(count: int, low: float, high: float) -> None:
    """At 95 %. The tails that define them, by scipy's Poisson distribution; the figures are from memory of the tables
    that are printed after Garwood (1936)."""
    (found,) = poisson_limits([count], 0.95)
    assert found == pytest.approx((low, high), rel=2e-3)
    assert poisson.cdf(count, found.high) == pytest.approx(0.025)
    if count:
        assert poisson.sf(count - 1, found.low) == pytest.approx(0.025)


@settings(max_examples=30)
@given(st.floats(0.05, 60))
def test_they_hold_the_true_rate_as_often_as_they_say(mean: float) -> None:
    """Exactly reckoned: every count with its probability. Not much more often either, once there are some sales."""
    counts = range(int(poisson.ppf(1 - 1e-9, mean)) + 2)
    holding = sum(
        poisson.pmf(count, mean)
        for count, (low, high) in zip(counts, poisson_limits(list(counts)), strict=True)
        if low <= mean <= high
    )
    assert holding >= 0.8 - 1e-9
    assert mean < 10 or holding < 0.9


def test_more_is_bought_only_where_it_would_not_last() -> None:
    """12 a year: 7.8 to 17.8 (80 %), in 60 days 1.3 to 2.9."""
    here = sells([(12, 0), (12, 1), (12, 2), (12, 3), (12, 200), (0, 0), (0, 1), (0, 40)], 365)
    called = [one.call(60, 730) for one in here]
    assert called == [
        BuyingCall.BUY,
        BuyingCall.BUY,
        BuyingCall.MAY_RUN_OUT,
        BuyingCall.ENOUGH,
        BuyingCall.SLOW,
        BuyingCall.ENOUGH,
        BuyingCall.ENOUGH,
        BuyingCall.SLOW,
    ]
    assert here[1].to_buy(60, 180) == (5, 11)  # 240 days at 7.8 and at 17.8 a year, less the one that is here
    assert here[7].lasts_days.high == inf and here[7].lasts_days.low == pytest.approx(40 * 365 / 2.303, rel=1e-3)

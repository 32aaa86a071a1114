"""Yield by supplier and line: the share, and how sure the count makes us."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from stockroom.pure.yields import YieldError, by_grade, cost_per_usable, usable_yield, wilson

counts = st.integers(1, 5000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of)))


@given(counts, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_the_interval_agrees_with_two_statistics_libraries(count_of, confidence):
    count, of = count_of
    low, high = wilson(count, of, confidence)
    assert (low, high) == pytest.approx(proportion_confint(count, of, alpha=1 - confidence, method="wilson"), abs=1e-9)
    scipys = stats.binomtest(count, of).proportion_ci(confidence_level=confidence, method="wilson")
    assert (low, high) == pytest.approx((scipys.low, scipys.high), abs=1e-9)


@given(counts)
def test_the_interval_holds_the_share_and_stays_within_nothing_and_everything(count_of):
    count, of = count_of
    result = usable_yield(count, of)
    assert 0 <= result.low <= result.share <= result.high <= 1
    assert result.agrees_with(count / of)


@given(counts)
def test_the_same_share_of_four_times_as_many_is_surer(count_of):
    count, of = count_of
    low, high = wilson(count, of)
    surer_low, surer_high = wilson(4 * count, 4 * of)
    assert surer_high - surer_low < high - low


def test_a_small_count_cannot_contradict_what_a_large_one_does():
    assert usable_yield(3, 5).agrees_with(0.8)
    assert not usable_yield(300, 500).agrees_with(0.8)


def test_nothing_received_says_nothing():
    result = usable_yield(0, 0)
    assert result.share is None
    assert (result.low, result.high) == (0.0, 1.0)


def test_nothing_usable_still_leaves_room_above():
    result = usable_yield(0, 10)
    assert result.low == 0.0
    assert 0.2 < result.high < 0.35


def test_counts_that_cannot_be_are_refused():
    for usable, received in [(-1, 5), (6, 5)]:
        with pytest.raises(YieldError, match="cannot be"):
            usable_yield(usable, received)
    with pytest.raises(YieldError, match="confidence"):
        wilson(1, 2, 1.0)


def test_each_grade_has_its_share_of_what_was_received():
    shares = by_grade({"A": 5, "B": 3}, received=10)
    assert list(shares) == ["A", "B"]
    assert (shares["A"].share, shares["B"].share) == (0.5, 0.3)
    with pytest.raises(YieldError, match="more than the 7 received"):
        by_grade({"A": 5, "B": 3}, received=7)


def test_the_cost_per_usable_piece_carries_the_range_of_the_yield():
    cost = cost_per_usable(Decimal("100.00"), usable_yield(8, 10))
    assert cost.each == Decimal("12.50")
    assert cost.low < cost.each < cost.high
    # 8 of 10: Wilson 0.4902 to 0.9433 (agrees with the libraries above), so 100 / 9.433 and 100 / 4.902.
    assert (cost.low, cost.high) == (Decimal("10.60"), Decimal("20.40"))


def test_no_usable_piece_has_no_cost_and_no_upper_limit():
    cost = cost_per_usable(Decimal("100.00"), usable_yield(0, 10))
    assert cost.each is None
    assert cost.high is None
    assert cost.low is not None
    assert cost_per_usable(Decimal("100.00"), usable_yield(0, 0)) == (None, None, None)


def test_the_cost_is_rounded_to_the_minor_unit_of_the_currency():
    assert cost_per_usable(Decimal("1000"), usable_yield(3, 3), exponent=0).each == Decimal("333")


def test_a_negative_cost_is_refused():
    with pytest.raises(YieldError, match="negative"):
        cost_per_usable(Decimal("-1"), usable_yield(1, 1))

"""The control chart of a start-of-shift check."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grading.metrology import control
from grading.metrology.control import ALL_RULES, EWMA_OUT, RANGE_OUT, ZONE_RULES

BASELINE = [10.0, 10.1, 9.9, 10.05, 9.95, 10.1, 9.9, 10.0, 10.1, 9.95]
CHART = control.individuals_chart(BASELINE)

# In units of sigma, one series for each rule that breaks it at its last point, and one that just does not.
BREAKS = {
    "1": ([0, 0, 3.1], [0, 0, 3.0]),
    "2": ([2.1, 0, 2.1], [2.1, 0, -2.1]),
    "3": ([1.1, 1.1, 0, 1.1, 1.1], [1.1, 1.1, 0, 0, 1.1]),
    "4": ([0.1] * 8, [0.1] * 7),
    "5": ([0, 0.1, 0.2, 0.3, 0.4, 0.5], [0, 0.1, 0.2, 0.3, 0.3, 0.5]),
    "6": ([0.5, -0.5] * 7, [0.5, -0.5] * 6 + [0.5, 0.5]),
    "7": ([0.4, -0.4, 0.1] * 5, [0.4, -0.4, 0.1] * 4 + [0.4, -0.4, 1.0]),
    "8": ([1.1, -1.1, 1.5, -1.2] * 2, [1.1, -1.1, 1.5, -1.2, 1.1, -1.1, 1.5, 0.9]),
}


@pytest.mark.parametrize("rule", ALL_RULES, ids=lambda rule: rule.statement)
def test_each_run_rule_signals_where_it_is_broken_and_not_before(rule: control.ChartRule) -> None:
    broken, unbroken = BREAKS[rule.key]
    signals = control.run_rules(broken, 0, 1, [rule])
    assert [signal.last for signal in signals] == [len(broken) - 1]
    assert control.run_rules(unbroken, 0, 1, [rule]) == ()


@given(st.lists(st.floats(-4, 4), max_size=30))
def test_the_rules_do_not_care_which_side_is_up(z: list[float]) -> None:
    up = control.run_rules(z, 0, 1, ALL_RULES)
    down = control.run_rules([-point for point in z], 0, 1, ALL_RULES)
    assert up == down


@given(st.lists(st.floats(-4, 4).map(lambda z: round(z, 2)), max_size=30), st.sampled_from([0.5, 2.0, 8.0]))
def test_the_rules_do_not_care_for_the_unit(z: list[float], sigma: float) -> None:
    assert control.run_rules(z, 0, 1, ALL_RULES) == control.run_rules([sigma * x for x in z], 0, sigma, ALL_RULES)


def test_the_chart_of_readings_that_never_differ_is_refused() -> None:
    with pytest.raises(ValueError, match="too coarse"):
        control.individuals_chart([1.0, 1.0, 1.0])
    with pytest.raises(ValueError, match="two readings"):
        control.individuals_chart([1.0])


def test_the_average_starts_at_the_centre_and_its_limits_open_out() -> None:
    points = control.ewma([10.0, 10.0, 10.0], 10.0, 0.1, weight=0.2)
    widths = [point.upper_control_limit - point.value for point in points]
    assert widths[0] == pytest.approx(3 * 0.1 * 0.2)
    assert widths == sorted(widths) and not any(point.out for point in points)


def test_a_weight_of_one_is_the_individuals_chart() -> None:
    points = control.ewma([10.2, 9.7], 10.0, 0.1, weight=1.0)
    assert [point.value for point in points] == [10.2, 9.7]
    assert points[0].upper_control_limit == pytest.approx(10.3)


def test_a_weight_or_a_scatter_of_nought_is_refused() -> None:
    with pytest.raises(ValueError, match="weight"):
        control.ewma([1.0], 1, 1, weight=0)
    with pytest.raises(ValueError, match="positive"):
        control.ewma([1.0], 1, 0)
    with pytest.raises(ValueError, match="positive"):
        control.run_rules([1.0], 1, 0)


def test_a_steady_tester_is_in_control_and_its_last_check_is_good() -> None:
    found = control.assess([10.05, 9.95, 10.0, 10.1], CHART)
    assert found.in_control and found.signals == () and found.last_good == 3


def test_no_checks_yet_is_in_control_without_a_good_check() -> None:
    found = control.assess([], CHART)
    assert found.in_control and found.last_good is None


def test_a_jump_is_out_of_control_and_the_check_before_it_was_the_last_good_one() -> None:
    found = control.assess([10.0, 10.05, 9.95, 11.0], CHART)
    assert not found.in_control
    assert {signal.rule.key for signal in found.signals} >= {"1", RANGE_OUT.key, EWMA_OUT.key}
    # The range signal takes in the check before the jump.
    assert found.last_good == 1


def test_a_slow_drift_is_found_by_the_average_and_reaches_back_to_where_it_began() -> None:
    checks = [10.02, 9.98, 10.01, 9.99, *(10.0 + 0.03 * k for k in range(1, 12))]
    found = control.assess(checks, CHART, rules=[control.BEYOND_3])
    first = found.signals[0]
    assert first.rule == EWMA_OUT
    assert first.first < first.last
    assert found.last_good is not None and found.last_good < first.first


def test_a_tester_out_from_its_first_check_has_no_good_one() -> None:
    assert control.assess([12.0], CHART).last_good is None


def test_false_alarms_of_the_zone_rules_are_rare() -> None:
    """In control, the four rules together signal about once in 92 points (e-Handbook 6.3.2, from memory);
    within a quarter, over 20,000 points."""
    z = np.random.default_rng(9).normal(size=20_000)
    starts, last = 0, -1
    gaps = []
    # Count runs to the first signal, starting afresh after each.
    while starts < len(z) - 2000:
        window = list(z[starts : starts + 2000])
        signals = control.run_rules(window, 0, 1, ZONE_RULES)
        last = signals[0].last
        gaps.append(last + 1)
        starts += last + 1
    assert 92 * 0.75 < float(np.mean(gaps)) < 92 * 1.25

"""Which reading of a warm-up series is used, and whether the valve drifts."""

from math import exp, isnan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from grading.metrology.settling import Stability, settle

TIMES = [30.0 * k for k in range(12)]


def test_a_valve_that_warms_up_and_stays_is_settled_at_its_last_readings() -> None:
    values = [10 * (1 - exp(-t / 40)) for t in TIMES]
    found = settle(TIMES, values, repeatability_sd=0.02)
    assert found.stability is Stability.SETTLED and not found.drifting
    assert found.value == pytest.approx(10, abs=0.03)
    assert 3 < found.used_from < 9 and found.settled_after_s == TIMES[found.used_from]


def test_a_steady_valve_uses_every_reading() -> None:
    values = [10.0, 10.02, 9.99, 10.01, 9.98, 10.01]
    found = settle(TIMES[:6], values, repeatability_sd=0.02)
    assert found.used_from == 0
    assert found.value == pytest.approx(sum(values) / 6)
    assert found.degrees_of_freedom == 5


def test_a_valve_still_rising_drifts() -> None:
    found = settle(TIMES, [10 + 0.05 * k for k in range(12)], repeatability_sd=0.02)
    assert found.drifting
    assert found.slope is not None and found.slope.per_minute == pytest.approx(0.1)


def test_a_slow_drift_hidden_in_one_window_is_found_over_two() -> None:
    wobble = [0.002, -0.002] * 6
    values = [10 - 0.012 * k + w for k, w in zip(range(12), wobble, strict=True)]
    found = settle(TIMES, values, repeatability_sd=0.02)
    assert abs(0.012 * 3) < found.tolerance
    assert found.drifting and found.change < 0


def test_a_valve_that_jumps_about_is_unsteady_not_drifting() -> None:
    found = settle(TIMES[:4], [10.0, 11.0, 10.2, 11.2], repeatability_sd=0.02)
    assert found.stability is Stability.UNSTEADY


def test_too_few_readings_cannot_tell() -> None:
    found = settle([0.0, 10.0], [10.0, 10.1], repeatability_sd=0.02)
    assert found.stability is Stability.TOO_SHORT
    assert found.value == pytest.approx(10.05)


def test_a_single_reading_has_no_scatter_of_its_own() -> None:
    found = settle([0.0], [10.0], repeatability_sd=0.02)
    assert (found.value, found.degrees_of_freedom) == (10.0, 0)
    assert isnan(found.standard_uncertainty)


def test_the_tolerance_can_be_set_outright() -> None:
    rising = [10 + 0.05 * k for k in range(6)]
    assert settle(TIMES[:6], rising, repeatability_sd=0, tolerance=0.5).stability is Stability.SETTLED


def test_the_rule_is_stated_with_the_result() -> None:
    assert "4 at least" in settle(TIMES[:4], [1.0] * 4, repeatability_sd=0.1).rule


@given(st.floats(0.1, 100), st.integers(0, 1000))
def test_another_unit_gives_the_same_verdict(factor: float, seed: int) -> None:
    values = 10 + 0.05 * np.random.default_rng(seed).normal(size=10)
    ours = settle(TIMES[:10], list(values), repeatability_sd=0.05)
    other = settle(TIMES[:10], list(values * factor), repeatability_sd=0.05 * factor)
    assert other.stability is ours.stability and other.used_from == ours.used_from
    assert other.value == pytest.approx(factor * ours.value)


def test_a_steady_valve_is_seldom_called_unsettled() -> None:
    """A window's fitted change has 1.34 times the scatter of a reading, so its 2.83 are passed in 96.5 %."""
    rng = np.random.default_rng(10)
    calls = [
        settle(TIMES[:4], list(10 + 0.05 * rng.normal(size=4)), repeatability_sd=0.05).stability for _ in range(2000)
    ]
    assert calls.count(Stability.SETTLED) / 2000 == pytest.approx(0.965, abs=0.015)


@given(st.integers(0, 1000))
def test_a_second_library_finds_the_same_slope_and_significance(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = list(10 + rng.normal(size=4))
    found = settle(TIMES[:4], values, repeatability_sd=0.02)
    theirs = stats.linregress(TIMES[:4], values)
    assert found.slope is not None
    assert found.slope.per_minute == pytest.approx(60 * theirs.slope)
    assert found.slope.standard_error == pytest.approx(60 * theirs.stderr)
    assert found.slope.p_value == pytest.approx(theirs.pvalue)


def test_a_series_that_makes_no_sense_is_refused() -> None:
    for times, values, why in (
        ([0.0, 0.0], [1.0, 1.0], "must rise"),
        ([0.0], [1.0, 2.0], "its time"),
        ([], [], "its time"),
        ([0.0, 1.0], [1.0, float("nan")], "not a number"),
    ):
        with pytest.raises(ValueError, match=why):
            settle(times, values, repeatability_sd=0.1)
    with pytest.raises(ValueError, match="tolerance"):
        settle([0.0], [1.0], repeatability_sd=0)
    with pytest.raises(ValueError, match="three readings"):
        settle([0.0], [1.0], repeatability_sd=0.1, window=2)

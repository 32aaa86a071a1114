"""The repeatability study of a tester."""

from math import isnan, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from grading.metrology import repeatability
from grading.metrology.repeatability import BetweenDays, between_days, one_way


def study_of(rng: np.random.Generator, shape: tuple[int, int, int] = (8, 2, 3)) -> np.ndarray:
    """Readings of an invented tester: valves 2.0, operators 0.6, interaction 0.5, repeatability 0.4."""
    p, o, _ = shape
    return (
        30
        + 2.0 * rng.normal(size=(p, 1, 1))
        + 0.6 * rng.normal(size=(1, o, 1))
        + 0.5 * rng.normal(size=(p, o, 1))
        + 0.4 * rng.normal(size=shape)
    )


# One series


def test_a_summary_gives_mean_scatter_and_autocorrelation() -> None:
    found = repeatability.summary([1.0, 2.0, 3.0, 4.0])
    assert (found.mean, found.standard_deviation) == (2.5, pytest.approx(sqrt(5 / 3)))
    assert found.lag_1_autocorrelation == pytest.approx(1.25 / 5)


def test_a_series_without_scatter_has_no_autocorrelation() -> None:
    assert isnan(repeatability.summary([2.0, 2.0, 2.0]).lag_1_autocorrelation)


@given(st.floats(-1e6, 1e6))
def test_a_shift_leaves_the_scatter_alone(shift: float) -> None:
    base = [1.0, 2.5, 2.0, 4.0]
    moved = repeatability.summary([x + shift for x in base])
    assert moved.standard_deviation == pytest.approx(repeatability.summary(base).standard_deviation, rel=1e-8)


# One factor


def test_pooled_repeatability_ignores_the_valves_own_levels() -> None:
    found = repeatability.pooled_repeatability([[1.0, 1.2], [50.0, 50.4, 50.2], [7.0]])
    assert found.degrees_of_freedom == 3
    assert found.standard_deviation == pytest.approx(sqrt((0.02 + 0.08) / 3))
    assert found.interval.lower < found.standard_deviation < found.interval.upper


def test_repeatability_needs_a_repeat() -> None:
    with pytest.raises(ValueError, match="two readings"):
        repeatability.pooled_repeatability([[1.0], [2.0]])


def test_groups_that_agree_show_no_variance_between_them() -> None:
    assert repeatability.one_way([[1.0, 3.0], [1.5, 2.5]]).between_variance == 0


def test_a_summarised_table_agrees_with_the_readings_behind_it() -> None:
    groups = [[1.2, 1.4, 1.1], [2.0, 2.2], [1.7, 1.6, 1.9, 1.8]]
    summaries = [repeatability.summary(group) for group in groups]
    ours = repeatability.summarised_groups(
        [s.mean for s in summaries], [s.standard_deviation for s in summaries], [s.size for s in summaries]
    )
    assert ours.between.f_ratio == pytest.approx(repeatability.one_way(groups).between.f_ratio)


def test_an_analysis_without_repeats_or_with_one_group_is_refused() -> None:
    for groups in ([[1.0], [2.0]], [[1.0, 2.0]], [[1.0, 2.0], []]):
        with pytest.raises(ValueError, match="analysis of variance"):
            repeatability.one_way(groups)


# Crossed


@given(st.integers(0, 10_000))
def test_the_sums_of_squares_make_up_the_total(seed: int) -> None:
    y = study_of(np.random.default_rng(seed))
    total = float(((y - y.mean()) ** 2).sum())
    assert sum(row.sum_of_squares for row in repeatability.crossed_study(y).anova) == pytest.approx(total)


@given(st.integers(0, 10_000))
def test_the_contributions_make_up_one_hundred_percent(seed: int) -> None:
    study = repeatability.crossed_study(study_of(np.random.default_rng(seed)))
    parts = (study.repeatability, study.reproducibility, study.part_to_part)
    assert sum(part.contribution_percent for part in parts) == pytest.approx(100)
    assert study.gauge.variance == pytest.approx(study.repeatability.variance + study.reproducibility.variance)
    assert study.total.contribution_percent == pytest.approx(100)


@given(st.integers(0, 10_000), st.floats(0.1, 100))
def test_another_unit_changes_no_share(seed: int, factor: float) -> None:
    y = study_of(np.random.default_rng(seed))
    ours, other = repeatability.crossed_study(y), repeatability.crossed_study(y * factor)
    assert other.gauge.contribution_percent == pytest.approx(ours.gauge.contribution_percent)
    assert other.gauge.standard_deviation == pytest.approx(factor * ours.gauge.standard_deviation)
    assert other.distinct_categories == ours.distinct_categories


def test_an_interaction_that_is_not_significant_is_pooled() -> None:
    rng = np.random.default_rng(3)
    y = rng.normal(size=(10, 1, 1)) * 5 + rng.normal(size=(10, 2, 3)) * 0.1
    study = repeatability.crossed_study(y)
    assert study.interaction_pooled and study.interaction is None
    assert study.repeatability_degrees_of_freedom == 10 * 2 * 2 + 9
    assert len(study.anova) == 4


def test_a_strong_interaction_is_kept_and_counted_as_reproducibility() -> None:
    rng = np.random.default_rng(6)
    y = rng.normal(size=(10, 1, 1)) + rng.normal(size=(10, 2, 1)) * 3 + rng.normal(size=(10, 2, 3)) * 0.1
    study = repeatability.crossed_study(y)
    assert not study.interaction_pooled and study.interaction is not None
    assert study.interaction.variance > 1
    assert study.reproducibility.variance == pytest.approx(study.operator.variance + study.interaction.variance)
    assert study.repeatability_degrees_of_freedom == 40


def test_the_pooling_level_can_be_chosen() -> None:
    y = study_of(np.random.default_rng(12))
    p_value = repeatability.crossed_study(y).anova[2].p_value
    assert p_value is not None
    assert repeatability.crossed_study(y, pooling_significance=p_value / 2).interaction_pooled
    assert not repeatability.crossed_study(y, pooling_significance=min(1.0, 2 * p_value)).interaction_pooled


def test_a_missing_reading_is_refused() -> None:
    y = study_of(np.random.default_rng(0))
    y[0, 0, 0] = np.nan
    with pytest.raises(ValueError, match="a reading is missing"):
        repeatability.crossed_study(y)


@pytest.mark.parametrize("shape", [(1, 2, 2), (2, 1, 2), (2, 2, 1)])
def test_a_study_too_small_is_refused(shape: tuple[int, int, int]) -> None:
    with pytest.raises(ValueError, match="two valves, two operators and two repeats"):
        repeatability.crossed_study(np.ones(shape))


def test_repeats_that_all_agree_are_refused_as_too_coarse() -> None:
    y = np.broadcast_to(np.arange(5.0)[:, None, None], (5, 2, 3))
    with pytest.raises(ValueError, match="too coarse"):
        repeatability.crossed_study(y)


def test_categories_are_cut_down_and_at_least_one() -> None:
    assert repeatability.distinct_categories(3.5, 1.0) == 4
    assert repeatability.distinct_categories(0.1, 1.0) == 1


@pytest.mark.parametrize("pooling", [1.0, 0.0])
def test_the_confidence_intervals_hold_the_true_components(pooling: float) -> None:
    """Of 400 studies of 8 valves, 2 operators and 3 repeats, 95 % hold: 92 to 99 % allows for 400 draws, and
    for intervals that err on the wide side. Without an interaction the pooled model is tried too."""
    rng = np.random.default_rng(7)
    interaction = 0.5 if pooling else 0.0
    truth = {
        "repeatability": 0.4**2,
        "reproducibility": 0.6**2 + interaction**2,
        "gauge": 0.4**2 + 0.6**2 + interaction**2,
        "part_to_part": 2.0**2,
        "total": 2.0**2 + 0.4**2 + 0.6**2 + interaction**2,
    }
    held = dict.fromkeys(truth, 0)
    for _ in range(400):
        y = (
            2.0 * rng.normal(size=(8, 1, 1))
            + 0.6 * rng.normal(size=(1, 2, 1))
            + interaction * rng.normal(size=(8, 2, 1))
            + 0.4 * rng.normal(size=(8, 2, 3))
        )
        # A significance of 1 never pools; one of 0 always does.
        study = repeatability.crossed_study(y, pooling_significance=pooling)
        for name, variance in truth.items():
            lower, upper = getattr(study, name).interval
            held[name] += lower <= sqrt(variance) <= upper
    for name, count in held.items():
        assert 0.92 <= count / 400 <= 0.99, name


def test_the_interval_of_one_mean_square_is_the_exact_one() -> None:
    found = repeatability.modified_large_sample([(1.0, (2.5, 12))])
    assert found.lower == pytest.approx(2.5 * 12 / stats.chi2.ppf(0.975, 12))
    assert found.upper == pytest.approx(2.5 * 12 / stats.chi2.ppf(0.025, 12))


@given(st.integers(2, 40), st.integers(2, 40), st.floats(0.1, 10))
def test_the_interval_of_a_difference_meets_nought_where_the_f_test_does(v1: int, v2: int, ms: float) -> None:
    """The interval was built so: its lower end is nought at the upper critical ratio, its upper at the lower."""
    upper = float(stats.f.ppf(0.975, v1, v2))
    lower = float(stats.f.ppf(0.025, v1, v2))
    at_upper = repeatability.modified_large_sample([(1, (upper * ms, v1)), (-1, (ms, v2))])
    at_lower = repeatability.modified_large_sample([(1, (lower * ms, v1)), (-1, (ms, v2))])
    assert at_upper.lower == pytest.approx(0, abs=1e-6 * upper * ms)
    assert at_lower.upper == pytest.approx(0, abs=1e-6 * ms)
    above = repeatability.modified_large_sample([(1, (1.01 * upper * ms, v1)), (-1, (ms, v2))])
    assert above.lower > 0


def test_a_subtracted_mean_square_known_exactly_only_shifts_the_interval() -> None:
    exact = repeatability.modified_large_sample([(1, (3.0, 10))])
    shifted = repeatability.modified_large_sample([(1, (3.0, 10)), (-1, (0.5, 10**8))])
    assert shifted.lower == pytest.approx(exact.lower - 0.5, abs=1e-3)
    assert shifted.upper == pytest.approx(exact.upper - 0.5, abs=1e-3)


@pytest.mark.parametrize("pooling", [1.0, 0.0])
def test_the_intervals_rest_on_the_expected_mean_squares(pooling: float) -> None:
    """Each component as the expected mean squares give it, written out by hand for 8 x 2 x 3."""
    study = repeatability.crossed_study(study_of(np.random.default_rng(21)), pooling_significance=pooling)
    part, operator, cross, error = ((row.mean_square, row.degrees_of_freedom) for row in study.anova)
    if study.interaction_pooled:
        ms = (cross[0] * cross[1] + error[0] * error[1]) / (cross[1] + error[1])
        error = (ms, cross[1] + error[1])
        by_hand = {
            "reproducibility": [(1 / 24, operator), (-1 / 24, error)],
            "gauge": [(1 / 24, operator), (23 / 24, error)],
            "part_to_part": [(1 / 6, part), (-1 / 6, error)],
            "total": [(1 / 6, part), (1 / 24, operator), (1 - 1 / 6 - 1 / 24, error)],
        }
    else:
        by_hand = {
            "reproducibility": [(1 / 24, operator), (7 / 24, cross), (-1 / 3, error)],
            "gauge": [(1 / 24, operator), (7 / 24, cross), (2 / 3, error)],
            "part_to_part": [(1 / 6, part), (-1 / 6, cross)],
            "total": [(1 / 6, part), (1 / 24, operator), (6 / 48, cross), (2 / 3, error)],
        }
    for name, terms in by_hand.items():
        component = getattr(study, name)
        lower, upper = repeatability.modified_large_sample(terms)
        assert component.interval == (pytest.approx(sqrt(lower)), pytest.approx(sqrt(upper))), name
        assert component.variance == pytest.approx(sum(c * ms for c, (ms, _) in terms)), name


def test_an_interval_with_two_negative_terms_is_refused() -> None:
    with pytest.raises(ValueError, match="one negative term"):
        repeatability.modified_large_sample([(1, (1, 5)), (-1, (1, 5)), (-1, (2, 5))])


# Repeats that contradict each other


@pytest.mark.parametrize(("repeats", "degrees"), [(2, 4), (2, 20), (3, 4), (4, 9)])
def test_honest_repeats_contradict_each_other_one_time_in_twenty(repeats: int, degrees: int) -> None:
    rng = np.random.default_rng(repeats * degrees)
    drawn = 40_000
    ranges = np.ptp(rng.normal(size=(drawn, repeats)), axis=1)
    estimated = np.sqrt(rng.chisquare(degrees, size=drawn) / degrees)  # each study finds another deviation
    found = float(np.mean(ranges > repeatability.critical_range(repeats, 1.0, degrees) * estimated))
    assert 0.044 < found < 0.056  # five standard deviations either way
    known = float(np.mean(ranges > repeatability.critical_range(repeats, 1.0)))
    assert 0.044 < known < 0.056


def test_one_reading_contradicts_nothing() -> None:
    with pytest.raises(ValueError, match="no range"):
        repeatability.critical_range(1, 1.0)


# Between days


def simulated_days(rng: np.random.Generator, cells: int, days: int, each: int, day_sd: float) -> BetweenDays:
    """So many cells, each read so often on every day; the scatter within a day is one."""
    shown = rng.normal(0, day_sd, days)
    of_cell, of_day = np.repeat(np.arange(cells), days * each), np.tile(np.repeat(np.arange(days), each), cells)
    values = 100 + 10 * of_cell + shown[of_day] + rng.normal(0, 1, len(of_day))
    found = between_days(values, of_cell.tolist(), of_day.tolist())
    assert found is not None
    return found


def test_what_days_differ_by_is_found_beside_valves_and_people_without_bias() -> None:
    rng = np.random.default_rng(4)
    found = [simulated_days(rng, 6, 5, 1, 2.0) for _ in range(1500)]
    assert np.mean([one.standard_deviation**2 for one in found]) == pytest.approx(4.0, rel=0.12)
    assert np.mean([one.within_standard_deviation**2 for one in found]) == pytest.approx(1.0, rel=0.03)
    assert (found[0].degrees_of_freedom, found[0].within_degrees_of_freedom) == (4, 20)


def test_balanced_days_are_as_one_way_analysis_has_them() -> None:
    """A single cell: Henderson's method is then the one-way analysis of variance."""
    rng = np.random.default_rng(5)
    y = rng.normal(50, 1, (4, 6)) + rng.normal(0, 2, (4, 1))
    found = between_days(y.ravel(), [0] * 24, np.repeat(range(4), 6).tolist())
    known = one_way(y.tolist())
    assert found is not None
    assert found.within_standard_deviation == pytest.approx(known.within_standard_deviation)
    assert known.between_variance > 0
    assert found.standard_deviation**2 == pytest.approx(known.between_variance)


def test_days_that_go_with_people_are_not_told_from_them() -> None:
    assert between_days([1.0, 1.1, 2.0, 2.1], [0, 0, 1, 1], [0, 0, 1, 1]) is None

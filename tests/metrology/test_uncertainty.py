"""The uncertainty of a reading, and of one valve against another."""

from itertools import combinations
from math import inf, sqrt
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from grading.metrology import comparison, distributions, uncertainty
from grading.metrology.comparison import ComparedValue
from grading.metrology.uncertainty import ReadingTerms

TERMS = ReadingTerms(
    resolution=0.05,
    repeatability_sd=0.10,
    repeatability_degrees_of_freedom=20,
    accuracy_percent=2.0,
    accuracy_absolute=0.05,
    calibration_u=0.04,
)

uncertain = st.floats(0, 1e3)
positive = st.floats(0.01, 1e3)


# Evaluating


def test_repeated_readings_give_their_mean_and_its_standard_uncertainty() -> None:
    x = uncertainty.type_a("x", [1.0, 2.0, 3.0])
    assert (x.estimate, x.degrees_of_freedom) == (2.0, 2)
    assert x.standard_uncertainty == pytest.approx(1 / sqrt(3))


def test_one_reading_has_no_type_a_uncertainty() -> None:
    with pytest.raises(ValueError, match="two readings"):
        uncertainty.type_a("x", [1.0])


def test_a_limit_is_divided_by_the_root_of_three_and_a_triangle_by_that_of_six() -> None:
    assert uncertainty.rectangular("x", 0, 3).standard_uncertainty == pytest.approx(sqrt(3))
    assert uncertainty.triangular("x", 0, 6).standard_uncertainty == pytest.approx(sqrt(6))


def test_a_display_step_is_divided_by_the_root_of_twelve() -> None:
    assert uncertainty.resolution("x", 0, 0.1).standard_uncertainty == pytest.approx(0.1 / sqrt(12))


def test_a_certificate_is_divided_by_its_coverage_factor() -> None:
    assert uncertainty.certificate("x", 0, 75, coverage_factor=3).standard_uncertainty == 25
    by_level = uncertainty.certificate("x", 0, 10, coverage_probability=0.95, degrees_of_freedom=5)
    assert by_level.standard_uncertainty == pytest.approx(10 / 2.571, rel=1e-3)


def test_a_negative_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        uncertainty.normal("x", 0, -1)
    with pytest.raises(ValueError, match="negative"):
        uncertainty.normal("x", 0, float("nan"))


# Combining


@given(st.lists(uncertain, min_size=1, max_size=6))
def test_independent_contributions_add_as_squares(us: list[float]) -> None:
    inputs = [uncertainty.normal("x", 0, u) for u in us]
    combined = uncertainty.combine(inputs, [1.0] * len(us), estimate=0)
    assert combined.combined_standard_uncertainty == pytest.approx(sqrt(sum(u * u for u in us)))


@given(positive, positive)
def test_fully_correlated_contributions_add_or_cancel(a: float, b: float) -> None:
    inputs = [uncertainty.normal("a", 0, a), uncertainty.normal("b", 0, b)]
    together = [[1, 1], [1, 1]]
    added = uncertainty.combine(inputs, [1, 1], estimate=0, correlation=together)
    taken = uncertainty.combine(inputs, [1, -1], estimate=0, correlation=together)
    assert added.combined_standard_uncertainty == pytest.approx(a + b)
    assert taken.combined_standard_uncertainty == pytest.approx(abs(a - b), abs=1e-5 * (a + b))


@given(st.lists(st.tuples(positive, st.integers(1, 100)), min_size=1, max_size=6))
def test_effective_degrees_lie_between_the_fewest_and_the_sum(inputs: list[tuple[float, int]]) -> None:
    quantities = [uncertainty.normal("x", 0, u, v) for u, v in inputs]
    combined = uncertainty.combine(quantities, [1.0] * len(inputs), estimate=0)
    degrees = combined.effective_degrees_of_freedom
    assert min(v for _, v in inputs) * (1 - 1e-9) <= degrees <= sum(v for _, v in inputs) * (1 + 1e-9)


def test_correlated_inputs_count_as_one_with_the_fewest_degrees_of_freedom() -> None:
    inputs = [uncertainty.normal("a", 0, 1, 4), uncertainty.normal("b", 0, 1, 9)]
    combined = uncertainty.combine(inputs, [1, 1], estimate=0, correlation=[[1, 0.5], [0.5, 1]])
    assert combined.effective_degrees_of_freedom == pytest.approx(4)


def test_a_matrix_that_is_no_correlation_matrix_is_refused() -> None:
    inputs = [uncertainty.normal("x", 0, 1) for _ in range(3)]
    for matrix, why in (
        ([[1, 0], [0, 1]], "3 by 3"),
        ([[1, 0.5, 0], [0.4, 1, 0], [0, 0, 1]], "symmetric"),
        ([[1, 0.9, -0.9], [0.9, 1, 0.9], [-0.9, 0.9, 1]], "contradict"),
    ):
        with pytest.raises(ValueError, match=why):
            uncertainty.combine(inputs, [1, 1, 1], estimate=0, correlation=matrix)


def test_a_sensitivity_coefficient_for_each_input_is_required() -> None:
    with pytest.raises(ValueError, match="each input"):
        uncertainty.combine([uncertainty.normal("x", 0, 1)], [], estimate=0)


def test_sensitivities_come_from_the_model() -> None:
    inputs = [uncertainty.normal("a", 3, 0.01), uncertainty.normal("b", 4, 0.01), uncertainty.normal("c", 1, 0)]
    a, b, c = uncertainty.sensitivity_coefficients(lambda x: x[0] * x[1] + x[2], inputs)
    assert (a, b, c) == (pytest.approx(4), pytest.approx(3), 0)


def test_the_budget_shows_the_largest_first_and_shares_of_one_hundred_percent() -> None:
    rows = uncertainty.budget(uncertainty.reading(10.0, TERMS))
    assert [row.contribution for row in rows] == sorted((row.contribution for row in rows), reverse=True)
    assert sum(row.share_percent for row in rows) == pytest.approx(100)


# Expanding


def test_few_degrees_of_freedom_widen_the_interval() -> None:
    assert uncertainty.coverage_factor(inf) == pytest.approx(1.95996, abs=1e-5)
    assert uncertainty.coverage_factor(3) == pytest.approx(3.182, abs=1e-3)


def test_degrees_of_freedom_are_cut_down_not_rounded() -> None:
    assert uncertainty.coverage_factor(16.9) == uncertainty.coverage_factor(16)
    assert uncertainty.coverage_factor(16 - 1e-12) == uncertainty.coverage_factor(16)


def test_less_than_one_degree_of_freedom_is_refused() -> None:
    with pytest.raises(ValueError, match="one degree"):
        uncertainty.coverage_factor(0.9)


def test_a_statement_has_two_digits_of_uncertainty_and_the_estimate_follows() -> None:
    assert uncertainty.state(9.83642, 0.4578) == ("9.84", "0.46")
    assert uncertainty.state(1234.5, 67.8) == ("1235", "68")
    assert uncertainty.state(5.0, 0.0996) == ("5.00", "0.10")
    assert uncertainty.state(1234.5, 996.0) == ("1200", "1000")


def test_a_statement_without_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        uncertainty.state(1, 0)


# Readings of one tester


def test_a_single_reading_carries_every_term() -> None:
    combined = uncertainty.reading(10.0, TERMS)
    expected = 0.1**2 + 0.05**2 / 12 + 0.2**2 / 3 + 0.05**2 / 3 + 0.04**2
    assert combined.combined_standard_uncertainty == pytest.approx(sqrt(expected))
    assert combined.estimate == 10.0


def test_more_readings_shrink_the_repeatability_only() -> None:
    one, many = uncertainty.reading(10.0, TERMS), uncertainty.reading(10.0, TERMS, readings=10**8)
    assert uncertainty.not_averaging(one) == pytest.approx(uncertainty.not_averaging(many))
    assert many.combined_standard_uncertainty == pytest.approx(uncertainty.not_averaging(one), rel=1e-6)


def test_a_percentage_of_scatter_grows_with_the_reading() -> None:
    terms = ReadingTerms(resolution=0, repeatability_percent=1.0)
    assert uncertainty.reading(50.0, terms).combined_standard_uncertainty == pytest.approx(0.5)


def test_a_model_that_converted_the_reading_adds_its_own_uncertainty() -> None:
    plain, converted = uncertainty.reading(10.0, TERMS), uncertainty.reading(10.0, TERMS, conversion_u=0.3)
    squares = converted.combined_standard_uncertainty**2 - plain.combined_standard_uncertainty**2
    assert squares == pytest.approx(0.09)


# Comparing them


def reading(value: float, terms: ReadingTerms = TERMS, n: int = 1, *, who: str = "ada", session: str = "1") -> Any:
    parts = comparison.components_of(value, terms, session=session, operator=who, source="study 1")
    return ComparedValue(value, n, parts)


def relative_u(a: Any, b: Any) -> float:
    return comparison.ratio(a, b).combined_standard_uncertainty / (a.value / b.value)


def test_a_ratio_counts_the_scatter_and_the_step_of_both_and_what_is_left_of_a_shared_offset() -> None:
    found = comparison.ratio(reading(10.2), reading(9.8))
    apart = [0.1 / 10.2, 0.1 / 9.8, 0.05 / sqrt(12) / 10.2, 0.05 / sqrt(12) / 9.8]
    left = [0.05 / sqrt(3) * (1 / 9.8 - 1 / 10.2), 0.04 * (1 / 9.8 - 1 / 10.2)]
    by_hand = 10.2 / 9.8 * sqrt(sum(u * u for u in [*apart, *left]))
    assert found.combined_standard_uncertainty == pytest.approx(by_hand)
    assert {row.name for row in found.budget if row.note.startswith("common")} == {
        "accuracy, gain",
        "accuracy, offset",
        "calibration, offset",
    }


def test_an_error_of_gain_cancels_in_a_ratio_and_one_of_offset_does_not_quite() -> None:
    gain = ReadingTerms(resolution=0, accuracy_percent=5, calibration_percent=1)
    assert relative_u(reading(12.0, gain), reading(9.0, gain)) == pytest.approx(0, abs=1e-12)
    offset = ReadingTerms(resolution=0, accuracy_absolute=0.1)
    left = relative_u(reading(1.05, offset), reading(1.0, offset))
    assert left == pytest.approx(0.1 / sqrt(3) * (1 - 1 / 1.05))


def test_nothing_is_shared_across_two_sessions() -> None:
    a, b = reading(10.2), reading(9.8, session="2")
    levels = [uncertainty.reading(m.value, TERMS).combined_standard_uncertainty / m.value for m in (a, b)]
    assert relative_u(a, b) == pytest.approx(sqrt(levels[0] ** 2 + levels[1] ** 2))


@given(st.floats(1, 100), st.floats(1, 100))
@settings(deadline=None)
def test_a_match_is_better_known_than_two_levels(a: float, b: float) -> None:
    levels = [uncertainty.reading(value, TERMS).combined_standard_uncertainty / value for value in (a, b)]
    assert relative_u(reading(a), reading(b)) < sqrt(levels[0] ** 2 + levels[1] ** 2)


def test_one_study_of_repeatability_lends_its_degrees_of_freedom_once() -> None:
    terms = ReadingTerms(resolution=0, repeatability_sd=0.1, repeatability_degrees_of_freedom=12, accuracy_percent=9)
    found = comparison.ratio(reading(10, terms), reading(9, terms))
    assert found.effective_degrees_of_freedom == pytest.approx(12)


def test_the_degrees_of_freedom_are_those_of_what_is_in_u_and_not_of_the_level() -> None:
    terms = TERMS._replace(repeatability_degrees_of_freedom=4, accuracy_percent=5)
    level = uncertainty.reading(10, terms).effective_degrees_of_freedom
    pair = comparison.spread([reading(10, terms), reading(10.2, terms)])
    assert level > 100
    assert pair.coverage_factor == pytest.approx(stats.t.ppf(0.975, 4.2), rel=0.02)


def test_two_operators_add_their_difference_and_one_does_not() -> None:
    terms = ReadingTerms(resolution=0, reproducibility_sd=0.1, reproducibility_degrees_of_freedom=2)
    two = comparison.ratio(reading(10, terms), reading(10, terms, who="bo"))
    assert two.combined_standard_uncertainty == pytest.approx(0.01 * sqrt(2))
    assert two.effective_degrees_of_freedom == pytest.approx(2)
    assert relative_u(reading(10, terms), reading(10, terms)) == 0


def test_a_persons_error_is_not_taken_to_last_beyond_the_session() -> None:
    terms = ReadingTerms(resolution=0, reproducibility_sd=0.1)
    assert relative_u(reading(10, terms), reading(10, terms, session="2")) == pytest.approx(0.01 * sqrt(2))


def test_what_one_model_does_to_both_cancels_whenever_they_were_read_and_two_models_share_nothing() -> None:
    def converted(model: str, session: str) -> Any:
        parts = comparison.components_of(
            10.0, ReadingTerms(resolution=0), session=session, operator="ada", conversion_u=0.2, model=model
        )
        return ComparedValue(10.0, 1, parts)

    assert relative_u(converted("7/150 V", "1"), converted("7/150 V", "2")) == 0
    assert relative_u(converted("7/150 V", "1"), converted("8/150 V", "1")) == pytest.approx(0.02 * sqrt(2))


def test_what_a_person_does_on_one_valve_only_stays_when_one_person_reads_both() -> None:
    terms = ReadingTerms(resolution=0, interaction_percent=1)
    assert relative_u(reading(10, terms, 9), reading(10, terms, 9)) == pytest.approx(0.01 * sqrt(2))


def test_the_mean_of_more_readings_is_compared_with_less_scatter() -> None:
    terms = ReadingTerms(resolution=0, repeatability_percent=1)
    assert relative_u(reading(10, terms, 4), reading(10, terms, 1)) == pytest.approx(0.01 * sqrt(1 / 4 + 1))
    assert comparison.relative_u(reading(10, terms), reading(10, terms), more=3)[0] == pytest.approx(0.01 * sqrt(1 / 2))


def test_the_spread_of_a_pair_is_their_ratio_less_one() -> None:
    found = comparison.spread([reading(10.0), reading(10.5)])
    assert found.spread == pytest.approx(0.05)
    k = uncertainty.set_coverage_factor(2, comparison.ratio(reading(10.5), reading(10.0)).effective_degrees_of_freedom)
    assert found.expanded_uncertainty == pytest.approx(k * 1.05 * relative_u(reading(10.5), reading(10.0)))


def test_a_set_whose_extremes_may_be_others_needs_a_wider_interval() -> None:
    pair = comparison.spread([reading(10.0), reading(10.5)])
    crowded = comparison.spread([reading(10.0), reading(10.1), reading(10.4), reading(10.5)])
    assert crowded.spread == pair.spread
    assert crowded.coverage_factor > pair.coverage_factor
    fine = ReadingTerms(resolution=0, repeatability_sd=0.001, repeatability_degrees_of_freedom=20)
    apart = comparison.spread([reading(value, fine) for value in (10.0, 10.2, 10.3, 10.5)])
    assert apart.coverage_factor == uncertainty.set_coverage_factor(2, 20), "nothing between can be an extreme"


def test_the_factor_of_a_spread_counts_every_valve_that_may_be_an_extreme_and_each_once() -> None:
    terms = ReadingTerms(resolution=0, repeatability_sd=0.05, repeatability_degrees_of_freedom=20)

    def factor(*values: float) -> float:
        return comparison.spread([reading(value, terms) for value in values]).coverage_factor

    for number, values in ((4, (10.0, 10.0, 10.0, 10.0)), (3, (10.0, 10.01, 11.0)), (3, (10.0, 10.99, 11.0))):
        assert factor(*values) == pytest.approx(uncertainty.set_coverage_factor(number, 20), rel=1e-6), values
    assert factor(10.0, 10.01, 10.99, 11.0) == pytest.approx(uncertainty.set_coverage_factor(4, 20), rel=1e-6)
    assert factor(10.0, 10.5, 11.0) == pytest.approx(uncertainty.set_coverage_factor(2, 20), rel=1e-6)


def test_a_set_is_known_from_as_few_degrees_of_freedom_as_its_worst_pair() -> None:
    terms = ReadingTerms(
        resolution=0,
        repeatability_sd=0.01,
        repeatability_degrees_of_freedom=20,
        reproducibility_sd=0.1,
        reproducibility_degrees_of_freedom=2,
    )
    three = [reading(10.0, terms), reading(10.0, terms), reading(10.0, terms, who="bo")]
    pairs = [comparison.relative_u(one, other)[1] for one, other in combinations(three, 2)]
    assert max(pairs) == pytest.approx(20) and min(pairs) < 2.1
    assert comparison.separate(three)[1] == min(pairs)


def test_two_readings_of_a_session_are_compared_with_what_each_brings_to_it() -> None:
    value = reading(10.0, TERMS._replace(reproducibility_sd=0.2))
    own, degrees = comparison.own_u(value)
    pair, of_pair = comparison.relative_u(value, value)
    assert 2 * own**2 == pytest.approx(pair**2) and degrees == of_pair
    other = reading(10.0, TERMS._replace(reproducibility_sd=0.2), who="bo")
    apart, _ = comparison.own_u(value, apart={comparison.OPERATOR})
    assert 2 * apart**2 == pytest.approx(comparison.relative_u(value, other)[0] ** 2)


def test_a_set_taken_apart_for_its_probability_keeps_every_pair_as_it_is() -> None:
    pair = [reading(10.0), reading(10.5, n=4)]
    us, degrees = comparison.separate(pair)
    u, of_ratio = comparison.relative_u(*pair)
    assert sqrt((us[0] / 10.0) ** 2 + (us[1] / 10.5) ** 2) == pytest.approx(u)
    assert degrees == pytest.approx(of_ratio)


@given(st.lists(st.tuples(st.floats(9, 11), st.sampled_from("ab"), st.sampled_from("12")), min_size=2, max_size=4))
@settings(deadline=None)
def test_a_set_taken_apart_knows_no_pair_better_than_it_is(read: list[tuple[float, str, str]]) -> None:
    terms = TERMS._replace(reproducibility_sd=0.2, reproducibility_degrees_of_freedom=2)
    values = [reading(value, terms, who=who, session=session) for value, who, session in read]
    us, _ = comparison.separate(values)
    for (u, one), (v, other) in combinations(zip(us, values, strict=True), 2):
        assert (u / one.value) ** 2 + (v / other.value) ** 2 >= comparison.relative_u(one, other)[0] ** 2 * (1 - 1e-9)


def test_the_set_factor_of_two_is_students() -> None:
    assert uncertainty.set_coverage_factor(2, 10) == uncertainty.coverage_factor(10)
    assert uncertainty.set_coverage_factor(2, 1.5) == pytest.approx(stats.t.ppf(0.975, 1.5))
    # The studentised range's own route agrees with it.
    assert distributions.studentised_range_quantile(0.95, 2, 10.0) / sqrt(2) == pytest.approx(
        uncertainty.coverage_factor(10), rel=1e-6
    )


def test_the_set_factor_meets_the_tabled_studentised_range() -> None:
    # q(0.95; 4, 20) = 3.96 and q(0.95; 4, infinity) = 3.63: tables of the studentised range, from memory.
    assert uncertainty.set_coverage_factor(4, 20) * sqrt(2) == pytest.approx(3.96, abs=0.005)
    assert uncertainty.set_coverage_factor(4, inf) * sqrt(2) == pytest.approx(3.63, abs=0.005)


def test_a_spread_of_one_valve_or_of_a_dead_one_is_refused() -> None:
    with pytest.raises(ValueError, match="two values"):
        comparison.spread([reading(1.0)])
    with pytest.raises(ValueError, match="above nought"):
        comparison.spread([reading(1.0), reading(1.0)._replace(value=0.0)])


def test_a_spreads_interval_does_not_go_below_nought() -> None:
    assert comparison.spread([reading(10.0), reading(10.01)]).interval[0] == 0


def test_no_readings_and_negative_terms_are_refused() -> None:
    with pytest.raises(ValueError, match="one reading"):
        uncertainty.reading(1.0, TERMS, readings=0)
    with pytest.raises(ValueError, match="resolution"):
        uncertainty.reading(1.0, TERMS._replace(resolution=-1))

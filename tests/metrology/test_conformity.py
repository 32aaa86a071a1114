"""Decisions near a limit."""

from math import hypot, inf, sqrt

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import integrate, stats
from scipy.special import ndtr

from grading.metrology import conformity
from grading.metrology.conformity import (
    AcceptanceLimits,
    GuardedAcceptance,
    Limits,
    MaximumFalseAcceptance,
    Outcome,
    Rule,
    SetClaim,
    SimpleAcceptance,
    decide,
    decide_whole_set,
    set_conformance_probability,
    whole_set_probability,
)

AT_LEAST_8 = Limits(lower=8.0)
BETWEEN = Limits(8.0, 12.0)
FIVE = MaximumFalseAcceptance(0.05)
RULES = st.sampled_from([SimpleAcceptance(), GuardedAcceptance(), FIVE, MaximumFalseAcceptance(0.01)])

readings = st.floats(5, 15)
uncertain = st.floats(0.001, 2)


# Probability


def test_a_reading_on_the_limit_conforms_with_one_half() -> None:
    assert conformity.conformance_probability(8.0, 0.1, AT_LEAST_8) == pytest.approx(0.5)


def test_without_uncertainty_it_is_certain() -> None:
    assert conformity.conformance_probability(8.0, 0, AT_LEAST_8) == 1
    assert conformity.conformance_probability(7.99, 0, AT_LEAST_8) == 0


def test_a_tiny_probability_keeps_its_digits() -> None:
    p_c = conformity.conformance_probability(7.0, 0.1, AT_LEAST_8)
    assert p_c == pytest.approx(float(stats.norm.sf(10)), rel=1e-9)


@given(readings, uncertain)
def test_a_second_limit_can_only_lower_the_probability(y: float, u: float) -> None:
    two = conformity.conformance_probability(y, u, BETWEEN)
    assert 0 <= two <= conformity.conformance_probability(y, u, AT_LEAST_8) + 1e-15


@given(st.floats(8.001, 15), uncertain)
def test_few_degrees_of_freedom_make_a_pass_less_sure(y: float, u: float) -> None:
    few = conformity.conformance_probability(y, u, AT_LEAST_8, degrees_of_freedom=3)
    assert few <= conformity.conformance_probability(y, u, AT_LEAST_8) + 1e-12


def test_limits_that_are_empty_or_absent_are_refused() -> None:
    with pytest.raises(ValueError, match="below the upper"):
        conformity.conformance_probability(1, 1, Limits(2, 1))
    with pytest.raises(ValueError, match="no limit"):
        conformity.conformance_probability(1, 1, Limits())


# Acceptance limits


def test_simple_acceptance_has_no_guard_band() -> None:
    assert conformity.acceptance_limits(BETWEEN, 0.3, SimpleAcceptance()) == AcceptanceLimits(8, 12, 0)


def test_a_guard_band_of_the_expanded_uncertainty_draws_the_limits_in() -> None:
    found = conformity.acceptance_limits(BETWEEN, 0.3, GuardedAcceptance(r=1, coverage_factor=2))
    assert found == (pytest.approx(8.6), pytest.approx(11.4), pytest.approx(0.6))


def test_at_the_acceptance_limit_the_probability_is_what_was_asked() -> None:
    for limits in (AT_LEAST_8, BETWEEN, Limits(8.0, 8.9)):
        found = conformity.acceptance_limits(limits, 0.2, FIVE)
        assert found.lower is not None
        assert conformity.conformance_probability(found.lower, 0.2, limits) == pytest.approx(0.95)


def test_a_tolerance_too_narrow_for_the_uncertainty_leaves_no_room() -> None:
    for rule in (FIVE, GuardedAcceptance()):
        found = conformity.acceptance_limits(Limits(8.0, 8.1), 0.2, rule)
        assert (found.lower, found.upper) == (None, None)


def test_a_probability_of_false_acceptance_above_one_half_is_refused() -> None:
    for probability in (0.0, 0.6):
        with pytest.raises(ValueError, match="one half"):
            conformity.acceptance_limits(AT_LEAST_8, 0.2, MaximumFalseAcceptance(probability))


@given(uncertain, st.floats(0.001, 0.5))
def test_a_valve_at_the_limit_is_accepted_no_oftener_than_promised(u: float, p: float) -> None:
    found = conformity.acceptance_limits(AT_LEAST_8, u, MaximumFalseAcceptance(p))
    assert found.lower is not None
    assert float(stats.norm.sf(found.lower, 8.0, u)) <= p * (1 + 1e-9)


# Risks


def test_the_risks_of_one_valve_are_the_two_sides_of_its_probability() -> None:
    risks = conformity.specific_risks(8.2, 0.2, AT_LEAST_8)
    assert risks.consumer == pytest.approx(1 - risks.producer)


def test_the_global_risks_agree_with_a_simulated_population() -> None:
    population = stats.norm(9.0, 0.6)
    acceptance = conformity.acceptance_limits(AT_LEAST_8, 0.3, FIVE)
    found = conformity.global_risks(population, 0.3, AT_LEAST_8, acceptance)
    rng = np.random.default_rng(11)
    n = 400_000
    true = rng.normal(9.0, 0.6, n)
    assert acceptance.lower is not None
    accepted = true + rng.normal(0, 0.3, n) >= acceptance.lower
    conform = true >= 8.0
    for ours, share in (
        (found.consumer, (accepted & ~conform).mean()),
        (found.producer, (~accepted & conform).mean()),
        (found.accepted, accepted.mean()),
        (found.nonconforming, (~conform).mean()),
    ):
        assert ours == pytest.approx(share, abs=4 * sqrt(0.25 / n))


def test_a_guard_band_trades_the_consumers_risk_for_the_producers() -> None:
    population = stats.norm(9.0, 0.6)
    plain = conformity.global_risks(population, 0.3, AT_LEAST_8)
    guarded = conformity.global_risks(population, 0.3, AT_LEAST_8, conformity.acceptance_limits(AT_LEAST_8, 0.3, FIVE))
    assert guarded.consumer < plain.consumer and guarded.producer > plain.producer


def test_when_nothing_can_be_accepted_every_good_valve_is_lost() -> None:
    found = conformity.global_risks(stats.norm(9.0, 0.6), 0.3, BETWEEN, AcceptanceLimits(None, None, inf))
    assert (found.consumer, found.accepted) == (0, 0)
    assert found.producer == pytest.approx(1 - found.nonconforming)


# Deciding


def test_well_inside_is_accepted_and_well_outside_rejected() -> None:
    assert decide(10.0, BETWEEN, FIVE, repeatability_sd=0.2, systematic_u=0.1).outcome is Outcome.ACCEPT
    assert decide(5.0, BETWEEN, FIVE, repeatability_sd=0.2, systematic_u=0.1).outcome is Outcome.REJECT
    assert decide(15.0, BETWEEN, FIVE, repeatability_sd=0.2, systematic_u=0.1).outcome is Outcome.REJECT


def test_near_the_limit_it_is_too_close_and_says_how_many_more_readings() -> None:
    decision = decide(8.2, AT_LEAST_8, FIVE, repeatability_sd=0.2, systematic_u=0.02)
    assert decision.outcome is Outcome.TOO_CLOSE
    # (0.2 / 1.645)^2 = 0.02^2 + 0.2^2 / n gives n = 2.78: three in all.
    assert (decision.readings_needed, decision.more_readings) == (3, 2)
    again = decide(8.2, AT_LEAST_8, FIVE, repeatability_sd=0.2, systematic_u=0.02, readings=3)
    assert again.outcome is Outcome.ACCEPT


def test_no_number_of_readings_settles_what_the_tester_itself_does_not_know() -> None:
    decision = decide(8.1, AT_LEAST_8, FIVE, repeatability_sd=0.2, systematic_u=0.1)
    assert decision.readings_needed is None
    assert "no number of readings" in decision.reason


def test_a_mean_on_the_limit_is_never_settled() -> None:
    decision = decide(8.0, AT_LEAST_8, FIVE, repeatability_sd=0.2, systematic_u=0)
    assert decision.readings_needed is None
    assert "lies on the limit" in decision.reason


def test_more_readings_than_practical_are_not_promised() -> None:
    decision = decide(8.0001, AT_LEAST_8, FIVE, repeatability_sd=1, systematic_u=0)
    assert decision.readings_needed is None
    assert "more than 10000" in decision.reason


def test_simple_acceptance_always_decides() -> None:
    for y, outcome in ((8.0, Outcome.ACCEPT), (7.999, Outcome.REJECT)):
        decision = decide(y, AT_LEAST_8, SimpleAcceptance(), repeatability_sd=1, systematic_u=1)
        assert decision.outcome is outcome


def test_a_coarse_display_widens_the_guard_band_by_half_its_step() -> None:
    plain = decide(9.0, AT_LEAST_8, FIVE, repeatability_sd=0.2, systematic_u=0)
    coarse = decide(9.0, AT_LEAST_8, FIVE, repeatability_sd=0.2, systematic_u=0, display_step=0.1)
    assert coarse.acceptance.guard_band == pytest.approx(plain.acceptance.guard_band + 0.05)
    mean = decide(9.0, AT_LEAST_8, FIVE, repeatability_sd=0.2, systematic_u=0, readings=4, display_step=0.1)
    assert mean.acceptance.guard_band == pytest.approx(1.6449 * 0.1 + 0.0125, abs=1e-4)


def test_a_coarse_display_makes_a_rejection_harder_too() -> None:
    just_out = 8.0 - 1.6449 * 0.2 - 0.01

    def outcome(step: float) -> Outcome:
        return decide(just_out, AT_LEAST_8, FIVE, repeatability_sd=0.2, systematic_u=0, display_step=step).outcome

    assert outcome(0) is Outcome.REJECT
    assert outcome(0.1) is Outcome.TOO_CLOSE


def test_a_guard_band_of_the_expanded_uncertainty_rejects_only_beyond_the_step_as_well() -> None:
    def outcome(y: float) -> Outcome:
        return decide(
            y, AT_LEAST_8, GuardedAcceptance(), repeatability_sd=0.2, systematic_u=0, display_step=0.1
        ).outcome

    assert outcome(8.0 - 0.4 - 0.049) is Outcome.TOO_CLOSE
    assert outcome(8.0 - 0.4 - 0.051) is Outcome.REJECT
    assert outcome(8.0 + 0.4 + 0.049) is Outcome.TOO_CLOSE
    assert outcome(8.0 + 0.4 + 0.051) is Outcome.ACCEPT


@given(readings, st.floats(0, 1), st.floats(0, 1), RULES)
def test_the_readings_asked_for_do_settle_it_and_one_fewer_does_not(y: float, sd: float, u: float, rule: Rule) -> None:
    decision = decide(y, BETWEEN, rule, repeatability_sd=sd, systematic_u=u)
    if decision.readings_needed is None:
        return
    assert decision.outcome is Outcome.TOO_CLOSE

    def outcome(n: int) -> Outcome:
        return decide(y, BETWEEN, rule, repeatability_sd=sd, systematic_u=u, readings=n).outcome

    assert outcome(decision.readings_needed) is not Outcome.TOO_CLOSE
    assert outcome(decision.readings_needed - 1) is Outcome.TOO_CLOSE


@given(readings, uncertain, st.sampled_from([0.01, 0.05, 0.2]))
def test_an_accepted_valve_conforms_as_surely_as_the_rule_asks(y: float, u: float, p: float) -> None:
    decision = decide(y, BETWEEN, MaximumFalseAcceptance(p), repeatability_sd=u, systematic_u=0)
    if decision.outcome is Outcome.ACCEPT:
        assert decision.conformance_probability >= 1 - p - 1e-9
    if decision.outcome is Outcome.REJECT:
        assert decision.conformance_probability <= p + 1e-9


def test_bad_readings_are_refused() -> None:
    with pytest.raises(ValueError, match="one reading"):
        decide(9, AT_LEAST_8, FIVE, repeatability_sd=1, systematic_u=0, readings=0)
    with pytest.raises(ValueError, match="negative"):
        decide(9, AT_LEAST_8, FIVE, repeatability_sd=-1, systematic_u=0)


# Sets


def pair_probability(a: float, b: float, ua: float, ub: float, t: float) -> float:
    """A pair's own formula: one minus the two ways of being too far apart, each a normal's tail."""
    too_large = ndtr((a - (1 + t) * b) / np.hypot(ua, (1 + t) * ub))
    too_small = ndtr((b - (1 + t) * a) / np.hypot(ub, (1 + t) * ua))
    return float(1 - too_large - too_small)


@given(st.floats(9, 11), st.floats(0.01, 0.3), st.floats(0.01, 0.3), st.floats(0, 0.2))
@example(10.0, 0.28125, 0.01, 0.015625)  # one well known, one not: a narrow step in a broad density
def test_the_probability_of_a_pair_is_that_of_its_own_formula(a: float, ua: float, ub: float, t: float) -> None:
    found = conformity.set_conformance_probability([a, 10.0], [ua, ub], t)
    assert found == pytest.approx(pair_probability(a, 10.0, ua, ub, t), abs=1e-8)


def test_the_probability_of_a_quad_agrees_with_simulation() -> None:
    x, u = np.array([10.0, 10.2, 10.3, 9.9]), np.array([0.1, 0.05, 0.1, 0.15])
    rng = np.random.default_rng(8)
    n = 400_000
    true = x + u * rng.normal(size=(n, 4))
    share = (true.max(axis=1) / true.min(axis=1) - 1 <= 0.05).mean()
    found = conformity.set_conformance_probability(list(x), list(u), 0.05)
    assert found == pytest.approx(share, abs=4 * sqrt(0.25 / n))


def test_a_set_without_uncertainty_is_certain() -> None:
    assert conformity.set_conformance_probability([10, 10.5], [0, 0], 0.05) == 1
    assert conformity.set_conformance_probability([10, 10.6], [0, 0], 0.05) == 0


def test_a_set_is_accepted_rejected_or_too_close() -> None:
    def outcome(values: list[float]) -> Outcome:
        claim = SetClaim(values, [hypot(0.1, 0.02)] * len(values), 0.05)
        return decide_whole_set(lambda readings: [claim]).outcome

    assert outcome([10.0, 10.05, 10.02, 10.01]) is Outcome.ACCEPT
    assert outcome([10.0, 10.05, 10.02, 11.5]) is Outcome.REJECT
    assert outcome([10.0, 10.3, 10.2, 9.9]) is Outcome.TOO_CLOSE


@pytest.mark.parametrize("taken", [1, 3, 4])
def test_a_set_too_close_to_call_says_how_many_more_readings_of_each_would_settle_it(taken: int) -> None:
    values = [10.0, 10.2, 10.3, 9.9]

    def after(readings: float) -> list[SetClaim]:
        return [SetClaim(values, [hypot(0.1 / sqrt(readings), 0.01)] * 4, 0.05)]

    found = decide_whole_set(after, readings=taken)
    assert found.more_readings is not None

    def outcome(more: int) -> Outcome:
        return decide_whole_set(lambda _readings: after(taken + more)).outcome

    assert outcome(found.more_readings) is Outcome.ACCEPT
    assert outcome(found.more_readings - 1) is Outcome.TOO_CLOSE
    assert found.reason.startswith(f"{found.more_readings} more reading")


@pytest.mark.parametrize("degrees", [1, 3, 8])
def test_a_set_known_from_few_degrees_of_freedom_agrees_with_a_million_draws_of_its_scale(degrees: int) -> None:
    rng = np.random.default_rng(11)
    x, u = np.array([10.0, 10.1, 10.2, 10.25]), np.array([0.08, 0.1, 0.1, 0.12])
    n = 250_000
    scale = np.sqrt(degrees / rng.chisquare(degrees, n))[:, None]
    # A shift in the few samples far out that lie below nought changes nothing: they are outside the tolerance.
    true = x + u * scale * rng.normal(size=(n, 4))
    share = ((true.min(axis=1) > 0) & (true.max(axis=1) <= 1.05 * true.min(axis=1))).mean()
    found = conformity.set_conformance_probability(list(x), list(u), 0.05, degrees)
    assert found == pytest.approx(share, abs=4 * sqrt(0.25 / n))
    assert found < conformity.set_conformance_probability(list(x), list(u), 0.05)


@pytest.mark.parametrize("degrees", [2.0, 3.0, 5.0, 12.0])
@pytest.mark.parametrize("apart", [0.01, 0.03, 0.045])
def test_a_set_of_few_degrees_of_freedom_is_out_by_less_than_is_promised(degrees: float, apart: float) -> None:
    """Beside the same average over the scale by the library's own adaptive integration."""
    x, us = [10.0, 10.0 * (1 + apart / 2), 10.0 * (1 + apart)], [0.05, 0.06, 0.07]

    def at(quantile: float) -> float:
        scale = sqrt(degrees / stats.chi2.ppf(quantile, degrees))
        return set_conformance_probability(x, [scale * u for u in us], 0.05)

    expected = integrate.quad(at, 0, 1, epsabs=1e-6, points=[0.001, 0.05, 0.5])[0]
    assert set_conformance_probability(x, us, 0.05, degrees) == pytest.approx(expected, abs=1e-4)


def test_a_pair_of_few_degrees_of_freedom_is_two_tails_of_students_t() -> None:
    found = conformity.set_conformance_probability([10.0, 10.2], [0.1, 0.1], 0.05, 4)
    too_large = stats.t.cdf((10.0 - 1.05 * 10.2) / np.hypot(0.1, 0.105), 4)
    too_small = stats.t.cdf((10.2 - 1.05 * 10.0) / np.hypot(0.1, 0.105), 4)
    assert found == pytest.approx(1 - too_large - too_small, abs=1e-12)


def test_impossible_sets_are_refused() -> None:
    for values, us, tolerance in (([10.0], [0.1], 0.05), ([10.0, 0.0], [0.1, 0.1], 0.05), ([1.0, 1.0], [0.1, 0.1], -1)):
        with pytest.raises(ValueError):
            conformity.set_conformance_probability(values, us, tolerance)
    with pytest.raises(ValueError, match="one half"):
        decide_whole_set(lambda readings: [SetClaim([1, 1], [0.1, 0.1], 0.05)], required_probability=0.4)
    with pytest.raises(ValueError, match="Degrees of freedom"):
        conformity.set_conformance_probability([1, 1, 1], [0.1] * 3, 0.05, 0)


def simulated_share(claims: list[SetClaim], together: float, draws: int = 60_000) -> float:
    """How often the true values of a set keep all its claims: t on a scale of its own for each claim, the normal
    errors of two claims correlated by ``together`` valve by valve."""
    random = np.random.default_rng(5)
    shared = random.normal(size=(draws, len(claims[0].values)))
    kept = np.ones(draws, dtype=bool)
    for values, us, tolerance, degrees in claims:
        errors = together * shared + np.sqrt(1 - together**2) * random.normal(size=shared.shape)
        if np.isfinite(degrees):
            errors *= np.sqrt(degrees / random.chisquare(degrees, size=(draws, 1)))
        true = np.array(values) + errors * np.array(us)
        kept &= true.max(axis=1) <= (1 + tolerance) * true.min(axis=1)
    return float(kept.mean())


@pytest.mark.parametrize("degrees", [3.0, 8.0, inf])
@pytest.mark.parametrize("size", [2, 4])
def test_one_claim_with_few_degrees_of_freedom_holds_as_often_as_in_a_simulation(degrees: float, size: int) -> None:
    claim = SetClaim([10.0, 10.15, 10.02, 10.1][:size], [0.06] * size, 0.03, degrees)
    assert set_conformance_probability(*claim) == pytest.approx(simulated_share([claim], 0.0), abs=0.006)


def test_the_whole_set_is_less_sure_than_any_of_its_quantities() -> None:
    """Four quantities at 96 % each do not make a set at 95 %."""
    claim = SetClaim([10.0, 10.1], [0.05, 0.05], 0.0225, 20.0)
    alone = set_conformance_probability(*claim)
    assert alone > 0.95
    found = whole_set_probability([claim] * 4)
    assert found.at_least == pytest.approx(1 - 4 * (1 - alone))
    assert found.at_most == alone
    assert found.at_least < 0.95
    decision = decide_whole_set(lambda n: [claim._replace(standard_uncertainties=[0.05 / n**0.5] * 2)] * 4)
    assert decision.outcome is Outcome.TOO_CLOSE
    assert decision.more_readings is not None
    assert decision.conformance_probability == found.at_least


@pytest.mark.parametrize("together", [0.0, 0.6, 1.0])
@pytest.mark.parametrize("degrees", [5.0, inf])
def test_the_truth_lies_between_what_is_said_of_the_whole_set_however_errors_go_together(
    together: float, degrees: float
) -> None:
    claims = [
        SetClaim([10.0, 10.08, 10.03, 10.0], [0.05] * 4, 0.03, degrees),
        SetClaim([2.0, 2.02, 2.01, 2.015], [0.012] * 4, 0.04, degrees),
    ]
    found = whole_set_probability(claims)
    truth = simulated_share(claims, together)
    assert found.at_least - 0.006 <= truth <= found.at_most + 0.006


def test_a_set_well_inside_in_every_quantity_is_accepted_and_one_well_outside_is_rejected() -> None:
    inside = SetClaim([10.0, 10.02], [0.02, 0.02], 0.03, 6.0)
    outside = SetClaim([10.0, 10.6], [0.02, 0.02], 0.03, 6.0)
    assert decide_whole_set(lambda _n: [inside] * 4).outcome is Outcome.ACCEPT
    assert decide_whole_set(lambda _n: [inside, outside]).outcome is Outcome.REJECT

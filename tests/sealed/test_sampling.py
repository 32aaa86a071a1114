"""Sealed stock: the plan, the draw, the decision as results come in, and what is said of the rest."""

import hashlib
from collections import Counter
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stockroom.sealed.pure.sampling import (
    AQLS,
    AQLS_FOR_ITEMS,
    AttributesPlan,
    InspectionLevel,
    LotOutcome,
    LotTooSmall,
    NoPlan,
    NotInTheTables,
    SamplingError,
    Severity,
    acceptance_probability,
    binomial_cdf,
    carton_and_place,
    code_letter,
    decide,
    draw,
    exact_plan,
    hypergeometric_cdf,
    limiting_quality,
    operating_characteristic,
    single_plan,
    table_plan,
    unopened,
)
from stockroom.sealed.pure.switching import (
    InspectionDiscontinued,
    LotResult,
    SwitchingState,
    accepted_one_step_tighter,
    after,
    resume,
    return_to_normal,
)

PLAN = AttributesPlan(lot_size=100, sample_size=20, acceptance_number=1, basis="test")


# The tables


@given(st.integers(2, 10**6), st.sampled_from(InspectionLevel), st.sampled_from(AQLS), st.sampled_from(Severity))
@settings(max_examples=300)
def test_every_lot_has_a_plan_at_every_level_aql_and_severity(lot, level, aql, severity):
    plan = single_plan(lot, level, aql, severity)
    assert 1 <= plan.sample_size <= lot
    assert plan.rejection_number == plan.acceptance_number + 1
    assert plan.opens_everything == (plan.sample_size == lot)


@given(st.integers(2, 10**6), st.sampled_from(InspectionLevel), st.sampled_from(AQLS_FOR_ITEMS))
@settings(max_examples=100, deadline=None)
def test_tightened_inspection_is_never_kinder_to_the_same_bad_lot(lot, level, aql):
    normal = single_plan(lot, level, aql)
    tightened = single_plan(lot, level, aql, Severity.TIGHTENED)
    # Judged on a process, twice the AQL; lots that are opened wholly are left out, as they are not sampled.
    if not (normal.opens_everything or tightened.opens_everything):
        share = aql / 50
        kinder = binomial_cdf(normal.acceptance_number, normal.sample_size, share)
        assert binomial_cdf(tightened.acceptance_number, tightened.sample_size, share) <= kinder


def test_the_basis_names_the_letter_and_the_arrow():
    plan = single_plan(100, InspectionLevel.II, Decimal("0.65"))
    assert plan.basis == "ISO 2859-1, level II, normal inspection, AQL 0.65, code letter F"
    plan = single_plan(100, InspectionLevel.II, Decimal("1.5"))
    assert plan.basis.endswith("code letter F, by the table's arrow G")


def test_a_lot_of_one_is_refused():
    with pytest.raises(LotTooSmall, match="cannot be sampled"):
        code_letter(1, InspectionLevel.II)
    with pytest.raises(LotTooSmall):
        exact_plan(1, Decimal("0.1"), Decimal("0.2"), Decimal("0.05"), Decimal("0.1"))


def test_an_aql_between_the_steps_is_refused_with_the_steps_named():
    with pytest.raises(NotInTheTables, match=r"2\.5, 4\.0"):
        single_plan(100, InspectionLevel.II, Decimal("3.0"))


def test_a_letter_or_place_without_plan_is_refused():
    with pytest.raises(NotInTheTables, match="not a code letter"):
        table_plan("I", Decimal("1.0"), Severity.NORMAL)
    with pytest.raises(NotInTheTables, match="no plan"):
        table_plan("S", Decimal("1.0"), Severity.TIGHTENED)


# Probabilities


def test_counts_that_cannot_be_are_refused():
    for wrong in [(0, 10, 11, 5), (0, 10, 5, 11), (0, 10, -1, 5)]:
        with pytest.raises(SamplingError):
            hypergeometric_cdf(*wrong)
    with pytest.raises(SamplingError):
        binomial_cdf(0, 10, Decimal("1.1"))


@given(st.integers(2, 120), st.data())
@settings(max_examples=100)
def test_a_worse_lot_is_never_accepted_more_often(lot, data):
    sample = data.draw(st.integers(1, lot))
    plan = AttributesPlan(lot, sample, data.draw(st.integers(0, sample)), "test")
    chances = [acceptance_probability(plan, content) for content in range(lot + 1)]
    assert chances[0] == 1
    assert chances == sorted(chances, reverse=True)


def test_the_curve_begins_with_certain_acceptance_and_falls_to_half_a_per_cent():
    curve = operating_characteristic(PLAN, points=11)
    assert curve[0] == (0, 0.0, 1.0)
    assert curve[-1].probability <= 0.005
    assert len(curve) <= 11
    with pytest.raises(SamplingError):
        operating_characteristic(PLAN, points=1)


def test_the_limiting_quality_is_the_first_lot_accepted_one_time_in_ten_or_less():
    limit = limiting_quality(PLAN)
    assert limit.probability <= 0.1 < float(acceptance_probability(PLAN, limit.defective - 1))
    assert limit.share == limit.defective / 100


# The exact plan


@given(
    st.integers(2, 150),
    st.sampled_from(["0", "0.01", "0.05"]),
    st.sampled_from(["0.06", "0.15", "0.4"]),
    st.sampled_from(["0.05", "0.1"]),
    st.sampled_from(["0.05", "0.1"]),
)
@settings(max_examples=80, deadline=None)
def test_the_exact_plan_keeps_both_risks_and_no_smaller_sample_does(lot, good, bad, alpha, beta):
    good, bad, alpha, beta = map(Fraction, (good, bad, alpha, beta))
    plan = exact_plan(lot, good, bad, alpha, beta)

    def keeps(sample, number):
        worst_good = int(good * lot)
        best_bad = -int(-bad * lot // 1)
        return (
            hypergeometric_cdf(number, lot, worst_good, sample) >= 1 - alpha
            and hypergeometric_cdf(number, lot, best_bad, sample) <= beta
        )

    assert keeps(plan.sample_size, plan.acceptance_number)
    if plan.sample_size > 1:
        smaller = plan.sample_size - 1
        assert not any(keeps(smaller, number) for number in range(smaller + 1))


def test_qualities_that_contradict_each_other_are_refused():
    for good, bad in [("0.1", "0.1"), ("0.2", "0.1"), ("-0.1", "0.1"), ("0.1", "1.1")]:
        with pytest.raises(NoPlan, match="below the rejectable"):
            exact_plan(100, Decimal(good), Decimal(bad), Decimal("0.05"), Decimal("0.1"))
    for risk in ("0", "1"):
        with pytest.raises(NoPlan, match="risks"):
            exact_plan(100, Decimal("0.01"), Decimal("0.1"), Decimal(risk), Decimal("0.1"))


# The draw


def test_the_draw_can_be_repeated_with_any_sha256():
    order = sorted(range(1, 51), key=lambda n: hashlib.sha256(f"lot 7 line 2:{n}".encode()).hexdigest())
    assert draw(50, 8, "lot 7 line 2") == order[:8]


def test_the_draw_is_the_same_on_every_machine():
    # Written down once from `printf "example:%d" N | sha256sum`, sorted.
    assert draw(12, 5, "example") == [2, 9, 1, 3, 7]


@given(st.integers(0, 300), st.data(), st.text(min_size=1))
@settings(max_examples=40)
def test_a_draw_holds_different_packs_of_the_lot_and_drawing_more_continues_it(lot, data, seed):
    size = data.draw(st.integers(0, lot))
    drawn = draw(lot, size, seed)
    assert len(set(drawn)) == size
    assert set(drawn) <= set(range(1, lot + 1))
    assert draw(lot, lot, seed)[:size] == drawn


def test_every_pack_is_drawn_about_equally_often():
    times = Counter(pack for seed in range(2000) for pack in draw(20, 5, str(seed)))
    # 500 expected, standard deviation 19.4; five of those either way.
    assert len(times) == 20
    assert all(400 < count < 600 for count in times.values())


def test_a_draw_without_seed_or_beyond_the_lot_is_refused():
    with pytest.raises(SamplingError, match="seed"):
        draw(10, 2, "")
    with pytest.raises(SamplingError, match="cannot be drawn"):
        draw(10, 11, "seed")


def test_packs_are_counted_through_the_cartons():
    assert carton_and_place(1, 10) == (1, 1)
    assert carton_and_place(10, 10) == (1, 10)
    assert carton_and_place(11, 10) == (2, 1)
    with pytest.raises(SamplingError):
        carton_and_place(0, 10)


# The decision


def test_the_sample_is_opened_to_its_end_even_when_acceptance_is_certain():
    assert decide(PLAN, 0, 0, returnable=True).outcome is LotOutcome.GO_ON
    nearly = decide(PLAN, 19, 0, returnable=True)
    assert nearly.outcome is LotOutcome.GO_ON
    assert "1 of the sample" in nearly.reason


def test_the_lot_is_accepted_at_the_acceptance_number():
    decision = decide(PLAN, 20, 1, returnable=True)
    assert decision.outcome is LotOutcome.ACCEPT
    assert "other 80 may be sold sealed" in decision.reason


def test_the_rejection_number_decides_at_once():
    assert decide(PLAN, 2, 2, returnable=True).outcome is LotOutcome.RETURN
    assert decide(PLAN, 2, 2, returnable=False).outcome is LotOutcome.TEST_ALL


def test_a_refused_lot_that_cannot_go_back_is_tested_to_the_last_pack():
    assert decide(PLAN, 99, 7, returnable=False).outcome is LotOutcome.TEST_ALL
    assert decide(PLAN, 100, 7, returnable=False).outcome is LotOutcome.ALL_TESTED


def test_a_plan_that_opens_everything_ends_with_nothing_sealed():
    plan = AttributesPlan(10, 10, 1, "test")
    assert decide(plan, 10, 1, returnable=True).outcome is LotOutcome.ALL_TESTED


def test_counts_that_contradict_each_other_are_refused():
    for tested, failed in [(1, 2), (-1, 0), (101, 0), (5, -1)]:
        with pytest.raises(SamplingError):
            decide(PLAN, tested, failed, returnable=True)
        with pytest.raises(SamplingError):
            unopened(100, tested, failed)


# What stays sealed


def test_more_failures_leave_more_doubt_and_a_larger_sample_less():
    assert unopened(100, 20, 0).at_most < unopened(100, 20, 1).at_most
    assert unopened(100, 40, 0).at_most < unopened(100, 20, 0).at_most
    assert unopened(100, 20, 0, Fraction(99, 100)).at_most > unopened(100, 20, 0).at_most


def test_the_sentence_says_sealed_and_sample_tested_with_counts_and_limit():
    said = unopened(100, 20, 1).sentence()
    assert said.startswith("Sealed and sample-tested, not tested: 20 of 100 packs")
    assert "1 failed" in said
    assert "With 95\N{NO-BREAK SPACE}% confidence at most" in said


def test_a_fully_opened_lot_leaves_nothing_to_say_of_the_rest():
    rest = unopened(10, 10, 2)
    assert (rest.at_most, rest.share) == (0, 0.0)
    assert rest.sentence() == "All 10 packs were opened and tested; 2 failed."


def test_without_a_test_every_pack_may_be_bad():
    assert unopened(10, 0, 0).at_most == 10


def test_a_nearly_opened_lot_can_exclude_every_bad_pack():
    rest = unopened(100, 99, 0, Fraction(90, 100))
    assert rest.at_most == 0
    assert "none of the 1 unopened packs is bad" in rest.sentence()


def test_a_confidence_of_one_is_refused():
    with pytest.raises(SamplingError, match="confidence"):
        unopened(10, 5, 0, Fraction(1))


# Switching (the rules themselves are checked in tests/outside/test_iso2859.py)


def test_no_lot_is_judged_while_sampling_is_discontinued_and_it_resumes_tightened():
    stopped = SwitchingState(Severity.TIGHTENED, refused_on_tightened=5, discontinued=True)
    with pytest.raises(InspectionDiscontinued):
        after(stopped, LotResult(True, 0))
    again = resume(stopped)
    assert (again.severity, again.discontinued, again.refused_on_tightened) == (Severity.TIGHTENED, False, 0)


def test_only_a_discontinued_series_resumes():
    with pytest.raises(SamplingError, match="not discontinued"):
        resume(SwitchingState())


def test_reduced_inspection_can_be_left_for_another_reason_and_only_from_there():
    back = return_to_normal(SwitchingState(Severity.REDUCED, 33), "deliveries became irregular")
    assert (back.severity, back.score) == (Severity.NORMAL, 0)
    assert back.reason == "deliveries became irregular: back to normal"
    with pytest.raises(SamplingError, match="not on reduced"):
        return_to_normal(SwitchingState(), "no reason")


def test_reduced_inspection_ends_when_supply_is_no_longer_steady():
    now = after(SwitchingState(Severity.REDUCED, 30), LotResult(True, 0), steady=False, reduced_wanted=True)
    assert now.severity is Severity.NORMAL
    kept = after(SwitchingState(Severity.REDUCED, 30), LotResult(True, 0), steady=True, reduced_wanted=True)
    assert kept.severity is Severity.REDUCED


def test_one_step_tighter_cannot_be_claimed_from_another_sample_size_or_below_the_smallest_aql():
    # Letter K at AQL 0.40 stands at 125/1; one step tighter the arrow leads to 200/1.
    assert not accepted_one_step_tighter("K", Decimal("0.40"), 125, 0)
    assert not accepted_one_step_tighter("Q", Decimal("0.010"), 1250, 0)


# Exactly on the edge: one bad pack of ten is missed by a sample of five with a probability of exactly one half.


def test_a_risk_met_exactly_is_kept():
    plan = exact_plan(10, Decimal(0), Decimal("0.1"), Decimal("0.05"), Decimal("0.5"))
    assert (plan.sample_size, plan.acceptance_number) == (5, 0)


def test_a_lot_exactly_as_unlikely_as_allowed_is_excluded():
    assert unopened(10, 5, 0, Fraction(1, 2)).at_most == 0
    assert unopened(10, 4, 0, Fraction(1, 2)).at_most == 1

"""Judging readings by a policy: the grade, and the reasons in words."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grading.verdicts.pure.grades import ReadingUncertainty, SectionReading, judge
from grading.verdicts.pure.rules import MaximumFalseAcceptance, PolicyProblem, PolicyRules, read_policy

RULES: dict[str, Any] = json.loads((Path(__file__).parents[2] / "fixtures" / "policy.json").read_text())["rules"]


@pytest.fixture
def policy() -> PolicyRules:
    return read_policy({key: RULES[key] for key in ("levels", "otherwise")})


def section(number: int = 1, ia: float | None = 1.2, gm: float | None = 1.6, **more: Any) -> SectionReading:
    return SectionReading(number, ia, gm, nominal_anode_current_ma=1.2, nominal_gm_ma_per_v=1.6, **more)


def test_a_valve_at_nominal_is_of_the_best_grade_and_says_what_that_rests_on(policy: PolicyRules) -> None:
    found = judge(policy, [section(1), section(2)])
    assert (found.name, found.rank, found.saleable) == ("Excellent", 1, True)
    assert found.reasons[0] == "section 1: anode current 1.2 mA is 100 % of 1.2, gm 1.6 mA/V is 100 % of 1.6"


def test_a_weak_section_is_named_with_what_the_grade_above_wants(policy: PolicyRules) -> None:
    found = judge(policy, [section(1), section(2, gm=1.31)])
    assert found.name == "Good"
    assert "section 2: gm 1.31 mA/V is 82 % of 1.6; Excellent wants 90 %" in found.reasons


def test_sections_are_judged_against_each_other(policy: PolicyRules) -> None:
    found = judge(policy, [section(1, gm=1.9), section(2, gm=1.5)])
    assert found.name == "Usable"  # each section alone is Excellent; they differ by 27 %
    assert found.reasons == ("the sections' gm differ by 27 %; Good allows 25 %",)


def test_a_reading_just_under_its_limit_does_not_look_as_if_it_met_it(policy: PolicyRules) -> None:
    reasons = judge(policy, [section(gm=1.4399)]).reasons
    assert reasons == ("section 1: gm 1.4399 mA/V is 89.99 % of 1.6; Excellent wants 90 %",)


def test_a_reading_exactly_at_its_limit_meets_it(policy: PolicyRules) -> None:
    just = SectionReading(1, 1.69, 9, nominal_anode_current_ma=2.6, nominal_gm_ma_per_v=10)  # 65 % of 2.6 is 1.69
    assert judge(policy, [just]).name == "Good"


@pytest.mark.parametrize(
    ("fault", "name", "reason"),
    [
        ({"shorted": True, "short_between": "grid 1 and cathode"}, "Unfit", "shorted between grid 1 and cathode"),
        ({"shorted": True}, "Unfit", "shorted"),
        ({"heater_cathode_leakage_ua": 12.0}, "Good", "heater-cathode leakage 12 µA; Excellent allows 10"),
        ({"grid_current_ua": -1.5}, "Good", "grid current 1.5 µA; Excellent allows 1"),
        ({"noise": "noisy"}, "Usable", "noise is noisy; Good allows slight"),
        ({"gm_min_ma_per_v": 1.65}, "Usable", "gm 1.6 mA/V is below the sheet's limit of 1.65"),
        ({"anode_current_max_ma": 1.1}, "Usable", "anode current 1.2 mA is above the sheet's limit of 1.1"),
    ],
)
def test_each_fault_is_named(policy: PolicyRules, fault: dict[str, Any], name: str, reason: str) -> None:
    found = judge(policy, [section(**fault)])
    assert (found.name, found.reasons) == (name, (f"section 1: {reason}",))


def test_what_was_not_read_is_not_taken_as_met(policy: PolicyRules) -> None:
    found = judge(policy, [section(gm=None)])
    assert found.name == "Unfit"
    assert "section 1: gm was not read; Usable wants it" in found.reasons


def test_a_rectifier_is_judged_by_its_current_alone(policy: PolicyRules) -> None:
    found = judge(policy, [SectionReading(1, 120, None, nominal_anode_current_ma=125)])
    assert found.name == "Excellent"


def test_a_level_may_demand_that_leakage_is_read(policy: PolicyRules) -> None:
    strict = replace(policy, levels=(replace(policy.levels[0], unread_allowed=False), *policy.levels[1:]))
    reasons = judge(strict, [section()]).reasons
    assert "section 1: heater-cathode leakage was not read; Excellent wants it" in reasons
    assert "section 1: noise was not listened for; Excellent wants it" in reasons


# Near a limit


def doubtful(gm: float, u: float = 0.03) -> SectionReading:
    return section(gm=gm, gm_known=ReadingUncertainty(repeatability_sd=u, systematic_u=0.0))


def guarded(policy: PolicyRules) -> PolicyRules:
    return replace(policy, acceptance=MaximumFalseAcceptance(0.05))


def test_a_reading_too_near_its_limit_gets_the_grade_below_and_asks_to_be_read_again(policy: PolicyRules) -> None:
    found = judge(guarded(policy), [doubtful(1.46)])  # 90 % of 1.6 is 1.44
    assert found.name == "Good" and found.too_close
    assert "too close to call" in found.reasons[0]
    # Accepted when 1.6449 u / sqrt(n) <= 0.02, so n = (1.6449 * 0.03 / 0.02)^2 = 6.09: seven in all, six more.
    assert found.more_readings == 6


def test_a_reading_far_enough_from_its_limit_is_accepted_with_its_probability(policy: PolicyRules) -> None:
    found = judge(guarded(policy), [doubtful(1.50)])
    assert found.name == "Excellent" and not found.too_close
    assert found.assurance == pytest.approx(0.97725, abs=1e-5)  # the normal distribution at two standard deviations


def test_a_reading_well_below_its_limit_is_no_longer_close(policy: PolicyRules) -> None:
    found = judge(guarded(policy), [doubtful(1.36)])
    assert found.name == "Good" and not found.too_close and found.more_readings is None


def test_what_does_not_average_out_cannot_be_settled_by_reading_again(policy: PolicyRules) -> None:
    stuck = section(gm=1.46, gm_known=ReadingUncertainty(repeatability_sd=0.001, systematic_u=0.03))
    found = judge(guarded(policy), [stuck])
    assert found.too_close and found.more_readings is None
    assert "more readings would not settle it" in found.reasons[0]


def test_simple_acceptance_takes_readings_as_they_stand(policy: PolicyRules) -> None:
    assert judge(policy, [doubtful(1.4401)]).name == "Excellent"
    assert judge(policy, [doubtful(1.4399)]).name == "Good"


# A tester with a scale only


def test_a_scale_can_pass_or_fail_and_claims_nothing_more(policy: PolicyRules) -> None:
    passed = judge(policy, [SectionReading(1, scale=72, scale_pass_at=60)])
    assert (passed.name, passed.rank, passed.saleable) == ("Passed on scale", 4, True)
    assert passed.reasons == ("section 1: scale 72, passes from 60; nothing is claimed in mA or mA/V",)
    assert judge(policy, [SectionReading(1, scale=40, scale_pass_at=60)]).name == "Unfit"
    assert judge(policy, [SectionReading(1, scale=72)]).name == "Unfit"
    assert judge(policy, [SectionReading(1, scale=72, scale_pass_at=60, shorted=True)]).name == "Unfit"


# Rules that hold for any reading

positive = st.floats(0.01, 10, allow_nan=False)


@given(ia=positive, gm=positive, better=st.floats(1, 3))
def test_more_gm_never_makes_a_single_section_worse(ia: float, gm: float, better: float) -> None:
    policy = read_policy(RULES)
    assert judge(policy, [section(ia=ia, gm=gm * better)]).rank <= judge(policy, [section(ia=ia, gm=gm)]).rank


@given(a=st.tuples(positive, positive), b=st.tuples(positive, positive))
def test_the_order_of_the_sections_does_not_matter(a: tuple[float, float], b: tuple[float, float]) -> None:
    policy = read_policy(RULES)
    one = judge(policy, [section(1, *a), section(2, *b)])
    other = judge(policy, [section(1, *b), section(2, *a)])
    assert one.name == other.name


@given(ia=positive, gm=positive)
def test_every_judgement_gives_a_reason(ia: float, gm: float) -> None:
    found = judge(read_policy(RULES), [section(ia=ia, gm=gm)])
    assert found.reasons and all(reason.strip() for reason in found.reasons)


# Policies that cannot be


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"levels": []}, "no levels"),
        ({"otherwise": ""}, "what a valve is called"),
        ({"colour": 1}, "nobody knows: colour"),
        ({"levels": [{"name": "A", "gm_mim_percent": 3}]}, "“A” has a rule that nobody knows: gm_mim_percent"),
        ({"levels": [{"gm_min_percent": 3}]}, "no name"),
        ({"levels": [{"name": "A", "gm_min_percent": "high"}]}, "gm_min_percent must be a number"),
        ({"levels": [{"name": "A", "saleable": 1}]}, "true or false"),
        ({"levels": [{"name": "A", "noise_at_most": "loud"}]}, "noise_at_most"),
        ({"levels": [{"name": "A"}, {"name": "A"}]}, "same name"),
        ({"levels": [{"name": "A", "anode_current_min_percent": 9, "anode_current_max_percent": 8}]}, "not below"),
        ({"acceptance": {"rule": "hopeful"}}, "acceptance rule"),
        ({"acceptance": {"rule": "maximum false acceptance", "probability": 0}}, "probability of false acceptance"),
        ({"acceptance": {"rule": "guarded", "guard_factor": 9}}, "guard factor"),
        ({"match_probability": 1}, "match_probability"),
    ],
)
def test_a_policy_that_cannot_be_is_refused_with_its_reason(change: dict[str, Any], message: str) -> None:
    with pytest.raises(PolicyProblem, match=message):
        read_policy({**RULES, **change})

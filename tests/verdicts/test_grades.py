"""Judging readings by a policy: the grade, and the reasons in words."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import groupby, islice
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catalog.models import Section, ValveType
from grading.models import Policy as Policies
from grading.models import Reading
from grading.verdicts import judging
from grading.verdicts.pure.grades import Judgement, ReadingUncertainty, SectionReading, judge
from grading.verdicts.pure.rules import FAULTS, MaximumFalseAcceptance, PolicyProblem, PolicyRules, Unknown, read_policy
from tests.factories import make_line, make_shift, make_valve

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


def test_sections_that_are_not_meant_alike_are_not_compared(policy: PolicyRules) -> None:
    triode = section(1, ia=3.5, gm=2.5, alike="triode")
    pentode = SectionReading(2, 41, 7.5, nominal_anode_current_ma=41, nominal_gm_ma_per_v=7.5, alike="pentode")
    weak = replace(section(3, ia=3.5, gm=1.9), alike="triode")
    assert judge(policy, [replace(triode, nominal_anode_current_ma=3.5), pentode]).name == "Excellent"
    nominal: dict[str, Any] = {"nominal_anode_current_ma": 3.5, "nominal_gm_ma_per_v": 1.9}
    found = judge(policy, [replace(triode, **nominal), pentode, replace(weak, **nominal)])
    assert found.reasons == ("the sections' gm differ by 32 %; Good allows 25 %",)  # of those that are


@pytest.mark.django_db
def test_a_valve_of_every_kind_read_exactly_at_its_sheets_nominal_is_of_the_best_grade(reference: None) -> None:
    by_kind = groupby(ValveType.objects.with_all().order_by("kind", "designation"), attrgetter("kind"))
    tested = ((type_ for type_ in of_kind if can_be_graded(type_)) for _, of_kind in by_kind)
    types = [type_ for of_kind in tested for type_ in islice(of_kind, 10)]
    line, shift = make_line(types[0]), make_shift()
    valves = [make_valve(type_, line=line) for type_ in types]
    Reading.objects.bulk_create(
        Reading(
            valve=valve,
            section=section.number,
            test_point=section.test_point,
            shift=shift,
            **{name: getattr(section.test_point, name) for name in read_of(section)},
        )
        for valve in valves
        for section in valve.type.test_sections
    )
    grades = judging.grade(valves, Policies.current(), None)
    assert len(grades) == len(valves) > 100
    kinds = {type_.kind for type_ in types}
    assert {"triode-pentode", "triode-heptode", "rectifier", "voltage stabiliser"} <= kinds
    # A sheet whose nominal is its least lets nobody be sure of that least on a tester that nobody has described.
    on_its_limit = {
        valve.type_id
        for valve in valves
        for section in valve.type.test_sections
        if section.test_point.anode_current_min_ma == section.test_point.anode_current_ma is not None
    }
    below = {valve: grades[valve.pk] for valve in valves if grades[valve.pk].rank > 1}
    assert {str(valve.type): grade.reasons for valve, grade in below.items() if valve.type_id not in on_its_limit} == {}
    assert all("near the sheet's limit" in grade.reasons[0] for grade in below.values())


def can_be_graded(type_: ValveType) -> bool:
    """Where a section's sheet speaks of it as a mixer only, nothing says what it should read at rest."""
    points = [section.test_point for section in type_.test_sections]
    return bool(points) and all(point is not None and point.has_nominal for point in points)


def read_of(section: Section) -> tuple[str, ...]:
    """The fields of a reading that a section of this kind is judged by."""
    return ("anode_voltage_v",) if section.kind == "stabiliser" else ("anode_current_ma", "gm_ma_per_v")


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


def test_a_rectifier_above_nominal_at_the_sheets_drop_is_not_worse_for_it(policy: PolicyRules) -> None:
    strong = SectionReading(1, 181, None, nominal_anode_current_ma=125, anode_current_max_ma=150, kind="diode")
    assert judge(policy, [strong]).name == "Excellent"
    assert judge(policy, [replace(strong, anode_current_ma=60)]).name == "Unfit"
    assert judge(policy, [replace(strong, kind="triode")]).name == "Usable", "a triode may pass too much"


@pytest.mark.parametrize(
    ("held", "name", "reason"),
    [
        (150.0, "Excellent", "section 1: voltage held 150 V is 100 % of 150"),
        (143.0, "Excellent", "section 1: voltage held 143 V is 95 % of 150"),
        (160.0, "Good", "section 1: voltage held 160 V is 107 % of 150; Excellent allows 105 %"),
        (137.0, "Usable", "section 1: voltage held 137 V is 91 % of 150; Good wants 92 %"),
        (170.0, "Unfit", "section 1: voltage held 170 V is 113 % of 150; Usable allows 112 %"),
        (None, "Unfit", "section 1: voltage held was not read; Usable wants it"),
    ],
)
def test_a_stabiliser_is_judged_by_the_voltage_that_it_holds(
    policy: PolicyRules, held: float | None, name: str, reason: str
) -> None:
    found = judge(policy, [SectionReading(1, anode_voltage_v=held, nominal_anode_voltage_v=150, kind="stabiliser")])
    assert (found.name, found.reasons) == (name, (reason,))


def test_a_stabiliser_read_on_a_tester_that_little_is_known_of_is_judged_as_the_policy_supposes(
    policy: PolicyRules,
) -> None:
    def judged(unknown: Unknown, wanting: bool = False) -> Judgement:
        u = ReadingUncertainty(repeatability_sd=0.1, systematic_u=0.1, wanting=wanting)
        held = SectionReading(1, None, None, 156.0, nominal_anode_voltage_v=150, voltage_held_known=u)
        return judge(replace(guarded(policy), unknown=unknown), [replace(held, kind="stabiliser")])

    surely = judged(Unknown(accuracy_percent=3.0))
    assert surely.name == "Excellent" and surely.assurance is not None
    wanting = judged(Unknown(accuracy_percent=3.0), wanting=True)
    assert (wanting.name, wanting.too_close, wanting.assurance) == ("Good", True, None)
    assert judged(Unknown(), wanting=True).assurance is None
    assert judged(Unknown(best_grade=2), wanting=True).name == "Good"


def test_a_stored_policy_that_says_nothing_of_stabilisers_takes_one_within_a_tenth() -> None:
    levels = [{key: value for key, value in row.items() if "voltage" not in key} for row in RULES["levels"]]
    old = read_policy({"levels": levels, "otherwise": "Unfit"})
    read = SectionReading(1, anode_voltage_v=164, nominal_anode_voltage_v=150, kind="stabiliser")
    assert [judge(old, [replace(read, anode_voltage_v=held)]).name for held in (164, 166)] == ["Excellent", "Unfit"]


def test_what_was_not_read_is_said(policy: PolicyRules) -> None:
    assert judge(policy, [section()]).not_tested == ("heater-cathode leakage, grid current, noise",)
    read: dict[str, Any] = {"heater_cathode_leakage_ua": 1.0, "grid_current_ua": 0.1, "noise": "quiet"}
    assert judge(policy, [section(**read)]).not_tested == ()
    assert judge(policy, [section(1, **read), section(2, noise="quiet")]).not_tested == (
        "section 2: heater-cathode leakage, grid current",
    )


def test_what_a_section_cannot_have_is_not_missed(policy: PolicyRules) -> None:
    rectifier = SectionReading(1, 125, None, nominal_anode_current_ma=125, kind="diode", indirectly_heated=False)
    assert judge(policy, [rectifier]).not_tested == ()
    all_read = replace(policy.levels[0], must_be_read=FAULTS)
    assert judge(replace(policy, levels=(all_read, *policy.levels[1:])), [rectifier]).name == "Excellent"


def test_a_level_may_demand_that_leakage_is_read(policy: PolicyRules) -> None:
    strict = replace(policy, levels=(replace(policy.levels[0], must_be_read=FAULTS[::2]), *policy.levels[1:]))
    reasons = judge(strict, [section()]).reasons
    assert reasons == (
        "section 1: heater-cathode leakage was not read; Excellent wants it",
        "section 1: noise was not listened for; Excellent wants it",
    )
    assert judge(strict, [section(heater_cathode_leakage_ua=1.0, noise="quiet")]).name == "Excellent"


def test_a_stored_policy_that_let_nothing_go_unread_still_does(policy: PolicyRules) -> None:
    stored = {**RULES, "levels": [{**RULES["levels"][0], "unread_allowed": False}, *RULES["levels"][1:]]}
    assert [level.must_be_read for level in read_policy(stored).levels] == [FAULTS, (), ()]


def test_a_limit_can_be_another_for_one_kind_of_valve() -> None:
    own = {"beam tetrode": {"grid_current_max_ua": 3}, "signal pentode": {"must_be_read": ["noise"]}}
    rules = read_policy({**RULES, "levels": [{**RULES["levels"][0], "by_kind": own}, *RULES["levels"][1:]]})
    drawing = section(grid_current_ua=2.5)
    names = [judge(rules.for_kind(kind), [drawing]).name for kind in ("beam tetrode", "triode", "signal pentode")]
    assert names == ["Excellent", "Usable", "Usable"]
    assert "noise was not listened for" in judge(rules.for_kind("signal pentode"), [section()]).reasons[0]


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


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ({"heater_cathode_leakage_ua": 900.0}, "heater-cathode leakage 900 µA; Usable allows 50"),
        ({"grid_current_ua": -90.0}, "grid current 90 µA; Usable allows 4"),
        ({"shorted": True}, "shorted"),
    ],
)
def test_what_condemns_a_valve_does_so_whatever_its_emission_was_read_with(
    policy: PolicyRules, fault: dict[str, Any], reason: str
) -> None:
    found = judge(policy, [SectionReading(1, scale=80, scale_pass_at=60, **fault)])
    assert (found.name, found.saleable, found.reasons) == ("Unfit", False, (f"section 1: {reason}",))


def test_a_noisy_valve_passes_on_a_scale_only_where_noise_may_be_sold(policy: PolicyRules) -> None:
    noisy = SectionReading(1, scale=80, scale_pass_at=60, noise="noisy")
    assert judge(policy, [noisy]).name == "Passed on scale"  # Usable allows it
    quiet = replace(policy.levels[-1], noise_at_most="slight")
    parts = replace(policy.levels[-1], name="For parts", saleable=False)
    found = judge(replace(policy, levels=(*policy.levels[:-1], quiet, parts)), [noisy])
    assert (found.name, found.reasons) == ("Unfit", ("section 1: noise is noisy; Usable allows slight",))


def test_a_scale_is_read_by_the_rule_of_the_policy(policy: PolicyRules) -> None:
    known = ReadingUncertainty(repeatability_sd=2.0, systematic_u=0.29, display_step=1.0)
    just = SectionReading(1, scale=60, scale_pass_at=60, scale_known=known)
    assert judge(policy, [just]).name == "Passed on scale"  # simple acceptance
    found = judge(guarded(policy), [just])
    assert (found.name, found.too_close) == ("Unfit", True) and "too close to call" in found.reasons[0]
    clear = judge(guarded(policy), [replace(just, scale=64)])
    assert clear.name == "Passed on scale" and clear.assurance is not None and clear.assurance > 0.95


def test_a_scale_wrongly_passes_at_most_one_valve_in_twenty_and_passes_those_well_above(policy: PolicyRules) -> None:
    rng = np.random.default_rng(7)
    known = ReadingUncertainty(repeatability_sd=2.0, systematic_u=1 / 12**0.5, display_step=1.0)

    def passed(true: float) -> float:
        read = np.rint(true + rng.normal(scale=2.0, size=4000))
        names = [
            judge(guarded(policy), [SectionReading(1, scale=float(r), scale_pass_at=60, scale_known=known)]).name
            for r in read
        ]
        return names.count("Passed on scale") / len(names)

    assert passed(60) < 0.05 + 0.011  # exactly on the mark, and three standard deviations of 4000 draws
    assert passed(70) > 0.95


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
        ({"levels": [{"name": "A", "must_be_read": ["colour"]}]}, "must_be_read must be of"),
        ({"levels": [{"name": "A", "unread_allowed": 1}]}, "unread_allowed must be true or false"),
        ({"levels": [{"name": "A", "by_kind": {"lamp": {}}}]}, "kind of valve that nobody knows: lamp"),
        ({"levels": [{"name": "A", "by_kind": {"triode": {"gm_min_percent": "x"}}}]}, "“A, triode”: gm_min_percent"),
        ({"levels": [{"name": "A", "by_kind": {"triode": {"saleable": False}}}]}, "saleable cannot be another one"),
        ({"acceptance": {"rule": "hopeful"}}, "acceptance rule"),
        ({"acceptance": {"rule": "maximum false acceptance", "probability": 0}}, "probability of false acceptance"),
        ({"acceptance": {"rule": "guarded", "guard_factor": 9}}, "guard factor"),
        ({"match_probability": 1}, "match_probability"),
    ],
)
def test_a_policy_that_cannot_be_is_refused_with_its_reason(change: dict[str, Any], message: str) -> None:
    with pytest.raises(PolicyProblem, match=message):
        read_policy({**RULES, **change})

"""How well a reading is known, from the tester's record to the grade, the set and the certificate."""

from __future__ import annotations

from collections.abc import Callable
from math import hypot, sqrt

import pypdfium2
import pytest
from django.contrib.auth.models import User
from django.test import Client

from grading.bench import readings
from grading.bench.readings import Taken
from grading.models import Grade, Policy, Quantity, Shift, Tester
from grading.sets import making
from grading.testers import records, studies
from grading.testers.records import Described
from grading.verdicts import judging
from grading.verdicts.values import Value, claim, spread_of
from stockroom.models import Valve
from stockroom.site.people import Role
from tests.factories import make_policy, make_shift, make_tester, make_type, make_user, make_valves
from tests.instruments import GM, IA, READINGS, described, filled, owner, planned, scale

pytestmark = pytest.mark.django_db


@pytest.fixture
def policy() -> Policy:
    """False acceptance at 5 % at most, and sets claimed at 95 %."""
    made = make_policy()
    made.rules = {
        **made.rules,
        "acceptance": {"rule": "maximum false acceptance", "probability": 0.05},
        "match_probability": 0.95,
    }
    made.save()
    return made


@pytest.fixture
def tester() -> Tester:
    """Described, and studied in both anode current and gm."""
    tester = described()
    for quantity in (IA, GM):
        studies.finish(filled(planned(tester, quantity=quantity), READINGS), owner())
    return Tester.objects.get(pk=tester.pk)


@pytest.fixture
def shift(tester: Tester) -> Shift:
    return make_shift(make_user("bo", Role.BENCH), tester)


def test_a_valve(shift: Shift, ia: float = 1.2, gm: float = 1.6, valve: Valve | None = None) -> Grade:
    valve = valve or make_valves(make_type(), 1)[0]
    taken = {
        section.number: Taken(section.test_point, anode_current_ma=ia, gm_ma_per_v=gm)  # type: ignore[arg-type]
        for section in valve.type.test_sections
    }
    grade = readings.take(shift, valve, taken, shift.operator)
    assert grade is not None
    return grade


test_a_valve.__test__ = False  # type: ignore[attr-defined]  # it tests a valve, not the program


def values_of(grade: Grade) -> dict[tuple[int, str], Value]:
    values = [Value.read(row) for row in grade.measured]
    return {(value.section, value.quantity): value for value in values}


def test_a_reading_keeps_its_uncertainty_with_what_it_rests_on(policy: Policy, shift: Shift) -> None:
    value = values_of(test_a_valve(shift, ia=1.2))[1, IA]
    record = records.record_of(shift.tester)
    terms = record.known(Quantity.ANODE_CURRENT, 1.2).terms
    # JCGM 100, 4.3.7 and 5.1.2: limits of ±1 % and ±0.01 mA and a step of 0.01 mA are rectangular.
    by_hand = hypot(
        terms.repeatability_at(1.2), terms.reproducibility_at(1.2), 0.012 / sqrt(3), 0.01 / sqrt(3), 0.01 / sqrt(12)
    )
    assert value.standard_uncertainty == pytest.approx(by_hand)
    assert value.expanded_uncertainty and value.coverage_factor
    assert value.expanded_uncertainty == pytest.approx(value.coverage_factor * by_hand)
    assert any("study" in words for words in value.resting_on)
    assert any("not been calibrated" in words for words in value.wanting)


def test_more_readings_in_a_shift_shrink_the_part_that_repeats_only(policy: Policy, shift: Shift) -> None:
    valve = make_valves(make_type(), 1)[0]
    one = values_of(test_a_valve(shift, valve=valve))[1, IA]
    four = [values_of(test_a_valve(shift, valve=valve))[1, IA] for _ in range(3)][-1]
    assert four.readings == 4
    assert four.standard_uncertainty and one.standard_uncertainty
    assert one.systematic_u == pytest.approx(four.systematic_u)
    assert four.standard_uncertainty < one.standard_uncertainty


def test_near_a_limit_the_verdict_is_too_close_to_call(policy: Policy, shift: Shift) -> None:
    grade = test_a_valve(shift, gm=1.45)  # 90 % of 1.6 is 1.44
    assert grade.name == "Good" and grade.too_close
    assert "too close to call" in grade.reasons[0]
    assert test_a_valve(shift, gm=1.6).assurance


def test_a_tester_that_nobody_described_leaves_readings_as_they_stand(policy: Policy) -> None:
    shift = make_shift(make_user("bo", Role.BENCH), make_tester("Unknown bench"))
    grade = test_a_valve(shift, gm=1.45)
    assert grade.name == "Excellent" and not grade.too_close
    assert values_of(grade)[1, GM].expanded_uncertainty is None


def test_comparing_two_valves_on_one_tester_is_surer_than_knowing_either(policy: Policy, shift: Shift) -> None:
    a = values_of(test_a_valve(shift, gm=1.60))[1, GM]
    b = values_of(test_a_valve(shift, gm=1.64))[1, GM]
    spread = spread_of([a, b])
    assert spread.common and spread.spread == pytest.approx(0.025)
    assert spread.expanded_uncertainty and a.expanded_uncertainty
    of_levels = hypot(*(value.expanded_uncertainty / value.value for value in (a, b) if value.expanded_uncertainty))
    assert spread.expanded_uncertainty < of_levels


def test_a_set_that_is_not_surely_within_its_tolerance_is_refused_with_the_probability(
    policy: Policy, shift: Shift
) -> None:
    for gm in (1.60, 1.66):
        test_a_valve(shift, gm=gm)
    with pytest.raises(making.CannotMatch, match=r"is within 4 % with a probability of \d+ %; the policy wants 95 %"):
        making.make_set(list(Valve.objects.filter(grades__standing=True)), 4, owner())
    assert making.make_set(list(Valve.objects.filter(grades__standing=True)), 12, owner()).size == 2


def test_what_is_proposed_may_also_be_made(policy: Policy, shift: Shift) -> None:
    for gm in (1.60, 1.61, 1.64, 1.66, 1.70):
        test_a_valve(shift, gm=gm)
    proposals = making.propose(make_type(), 2, 8, best_grades=2)
    assert proposals
    for proposal in proposals:
        making.make_set(proposal.valves, 8, owner())


def test_valves_read_on_two_testers_are_not_proposed_as_a_set(policy: Policy, shift: Shift) -> None:
    test_a_valve(shift)
    other = make_shift(make_user("cy", Role.BENCH), make_tester("Second bench"))
    test_a_valve(other)
    assert making.propose(make_type(), 2, 10, best_grades=1) == []


def certificate(logged_in: Callable[..., Client], number: str) -> str:
    answer = logged_in().get(f"/sets/{number}/certificate.pdf")
    document = pypdfium2.PdfDocument(answer.content)
    return "\n".join(page.get_textpage().get_text_bounded() for page in document)


def test_the_certificate_states_the_spread_with_its_expanded_uncertainty(
    policy: Policy, shift: Shift, logged_in: Callable[..., Client]
) -> None:
    for gm in (1.60, 1.62):
        test_a_valve(shift, gm=gm)
    made = making.make_set(list(Valve.objects.filter(grades__standing=True)), 15, owner())
    text = " ".join(certificate(logged_in, made.number).split())
    [spread] = [
        row for row in making.spread_of(list(made.members.select_related("grade"))) if row.label == "gm, section 1"
    ]
    assert spread.expanded_uncertainty
    assert f"{100 * spread.spread:.2f} ± {100 * spread.expanded_uncertainty:.2f} %" in text
    assert "JCGM 100" in text and "coverage factor" in text and "not been calibrated" in text
    assert "beside the data sheet's nominal" in text


def test_without_a_record_the_certificate_says_that_no_uncertainty_is_stated(
    policy: Policy, logged_in: Callable[..., Client]
) -> None:
    shift = make_shift(make_user("bo", Role.BENCH), make_tester("Unknown bench"))
    for _ in range(2):
        test_a_valve(shift)
    made = making.make_set(list(Valve.objects.filter(grades__standing=True)), 5, owner())
    assert "No uncertainty of measurement is stated" in " ".join(certificate(logged_in, made.number).split())


def test_a_reading_without_uncertainty_makes_no_claim(policy: Policy) -> None:
    shift = make_shift(make_user("bo", Role.BENCH), make_tester("Unknown bench"))
    values = [values_of(test_a_valve(shift))[1, GM] for _ in range(2)]
    assert claim(values, 0.05, 0.95) is None


# A scale


@pytest.fixture
def at_scale(policy: Policy, person: Callable[..., User]) -> Client:
    user = person(Role.BENCH, name="sam")
    readings.start_shift(scale(), user)
    client = Client()
    client.force_login(user)
    return client


def test_at_a_scale_the_bench_asks_for_its_divisions_and_claims_nothing_more(at_scale: Client) -> None:
    valve = make_valves(make_type(), 1)[0]
    page = at_scale.get(f"/bench/?serial={valve.serial}").content.decode()
    assert "s1-scale" in page and "s1-anode_current" not in page
    at_scale.post("/bench/", {"serial": valve.serial, "s1-scale": "72", "s2-scale": "70"})
    grade = valve.grades.get()
    assert grade.name == "Passed on scale" and grade.measured == []
    assert "nothing is claimed in mA or mA/V" in grade.reasons[0]


def test_a_valve_that_a_scale_failed_is_unfit_and_no_scale_makes_a_set(at_scale: Client) -> None:
    passed, other, failed = make_valves(make_type(), 3)
    for valve, reading in ((passed, "72"), (other, "75"), (failed, "30")):
        at_scale.post("/bench/", {"serial": valve.serial, "s1-scale": reading, "s2-scale": "70"})
    assert failed.grades.get().name == "Unfit"
    with pytest.raises(making.CannotMatch, match="lacks a reading that matching needs"):
        making.make_set([passed, other], 50, owner())


# A series while it warms up


@pytest.fixture
def at_work(policy: Policy, shift: Shift) -> Client:
    client = Client()
    client.force_login(shift.operator)
    return client


def test_the_settled_value_of_a_series_is_used_and_the_series_is_kept(at_work: Client) -> None:
    valve = make_valves(make_type(), 1)[0]
    series = "0.90/1.05/1.15/1.20/1.20/1.20/1.20"
    at_work.post(
        "/bench/",
        {"serial": valve.serial, "s1-anode_current": series, "s1-gm": "1.6", "s2-anode_current": "1.2", "s2-gm": "1.6"},
    )
    reading = valve.readings.get(section=1)
    assert reading.anode_current_ma == pytest.approx(1.20)
    assert reading.stability == "settled"
    assert reading.series["anode_current_ma"] == [0.90, 1.05, 1.15, 1.20, 1.20, 1.20, 1.20]
    assert reading.series["interval_s"] == 10


def test_a_drifting_valve_is_flagged_on_the_bench(at_work: Client) -> None:
    valve = make_valves(make_type(), 1)[0]
    at_work.post(
        "/bench/",
        {
            "serial": valve.serial,
            "s1-anode_current": "1.00/1.06/1.12/1.18/1.24",
            "s1-gm": "1.6",
            "s2-anode_current": "1.2",
            "s2-gm": "1.6",
        },
    )
    assert valve.readings.get(section=1).stability == "drifting"
    assert "Section 1 is drifting" in at_work.get("/bench/").content.decode()


def test_a_unit_with_a_stroke_is_no_series(at_work: Client) -> None:
    valve = make_valves(make_type(), 1)[0]
    at_work.post(
        "/bench/",
        {
            "serial": valve.serial,
            "s1-anode_current": "1.2",
            "s1-gm": "1.6 mA/V",
            "s2-anode_current": "1.2",
            "s2-gm": "1.58/1.60/1.60/1.60 mA/V",
        },
    )
    assert valve.readings.get(section=1).gm_ma_per_v == 1.6 and valve.readings.get(section=1).series == {}
    assert valve.readings.get(section=2).series["gm_ma_per_v"] == [1.58, 1.6, 1.6, 1.6]


# Conditions that are not the sheet's


def test_a_grade_beside_a_house_nominal_says_so(policy: Policy) -> None:
    from grading.models import TesterCondition
    from grading.testers import conditions, house_nominals

    tester = make_tester("Odd bench")
    records.describe(tester, {IA: Described(0.01, 1.0), GM: Described(0.01, 1.0)}, owner())
    type_ = make_type()
    points = [section.test_point for section in type_.test_sections]
    conditions.set_conditions(
        [
            TesterCondition(
                tester=tester,
                test_point=point,
                anode_voltage_v=150,
                grid_voltage_v=-1,
                judged_by=TesterCondition.JudgedBy.HOUSE,
            )
            for point in points
        ],
        owner(),
    )
    shift = make_shift(make_user("bo", Role.BENCH), Tester.objects.get(pk=tester.pk))
    for valve, place in zip(make_valves(type_, 12), range(12), strict=True):
        ia, gm = 0.60 + 0.01 * (place % 3), 1.2 + 0.01 * (place % 4)
        taken = {
            s.number: Taken(s.test_point, anode_current_ma=ia, gm_ma_per_v=gm)
            for s in type_.test_sections
            if s.test_point
        }
        assert readings.take(shift, valve, taken, shift.operator) is None, "there is nothing to compare it with yet"
    assert "no house nominal has been learnt" in judging.why_ungraded(valve)
    for point in points:
        assert point is not None
        house_nominals.learn(tester, point, owner())
    grade = test_a_valve(shift, ia=0.61, gm=1.21)
    assert grade.name == "Excellent"
    value = values_of(grade)[1, IA]
    assert value.kind == "house nominal" and value.nominal == pytest.approx(0.61)
    assert "of 12 known-good NOS valves" in value.basis and not value.sheet_limits


def test_a_certificate_states_the_settings_that_were_used_and_no_set_mixes_them(
    policy: Policy, shift: Shift, logged_in: Callable[..., Client]
) -> None:
    from grading.models import TesterCondition
    from grading.testers import conditions, house_nominals

    type_ = make_type()
    points = [section.test_point for section in type_.test_sections if section.test_point]
    at_sheet = test_a_valve(shift, ia=0.61, gm=1.6).valve
    conditions.set_conditions(
        [
            TesterCondition(
                tester=shift.tester,
                test_point=point,
                anode_voltage_v=150,
                grid_voltage_v=-1,
                judged_by=TesterCondition.JudgedBy.HOUSE,
            )
            for point in points
        ],
        owner(),
    )
    for valve in make_valves(type_, 12):
        readings.take(
            shift,
            valve,
            {point.section.number: Taken(point, anode_current_ma=0.61, gm_ma_per_v=1.6) for point in points},
            shift.operator,
        )
    for point in points:
        house_nominals.learn(shift.tester, point, owner())
    one, two = (test_a_valve(shift, ia=0.61, gm=1.6).valve for _ in range(2))
    Grade.objects.filter(valve=at_sheet, standing=True).update(saleable=True)
    at_sheet.refresh_from_db()
    with pytest.raises(making.CannotMatch, match="other settings"):
        making.make_set([at_sheet, one], 20, owner())
    made = making.make_set([one, two], 20, owner())
    text = " ".join(certificate(logged_in, made.number).split())
    assert "Settings Va 150 V, Vg1 −1 V" in text and "Settings Va 250 V" not in text

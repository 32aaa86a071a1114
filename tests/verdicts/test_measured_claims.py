"""How well a reading is known, from the tester's record to the grade, the set and the certificate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from math import hypot, sqrt
from typing import Any

import pypdfium2
import pytest
from django.contrib.auth.models import User
from django.test import Client
from django.utils import timezone
from scipy import stats

from grading.bench import readings as bench
from grading.bench.readings import EnteredReading
from grading.listings import publishing
from grading.metrology.conformity import MaximumFalseAcceptance, Outcome
from grading.metrology.repeatability import critical_range
from grading.models import Calibration, Capability, Grade, Policy, Quantity, ReferenceCheck, Shift, Stop, Tester
from grading.sets import making, shortfalls
from grading.testers import records, reference_checks, studies
from grading.testers.records import Described
from grading.verdicts import judging
from grading.verdicts import values as measured
from grading.verdicts.graded import sections_as_graded
from grading.verdicts.pure.grades import Judgement, SectionReading, judge
from grading.verdicts.pure.rules import GradeLevel, PolicyProblem, Unknown, read_policy
from grading.verdicts.pure.rules import PolicyRules as Rules
from grading.verdicts.values import Value, claim, claim_whole, spread_of
from stockroom.models import Valve
from stockroom.site.people import Role
from stockroom.states import State
from tests.factories import make_policy, make_shift, make_tester, make_type, make_user, make_valves, read
from tests.instruments import GM, IA, READINGS, calibrated, described, filled, kept_aside, owner, planned, scale

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
    """Described, calibrated, and studied in both anode current and gm: nothing is wanting."""
    tester = calibrated(described())
    for quantity in (IA, GM):
        studies.finish(filled(planned(tester, quantity=quantity), READINGS), owner())
    return Tester.objects.get(pk=tester.pk)


@pytest.fixture
def shift(tester: Tester) -> Shift:
    return make_shift(make_user("bo", Role.BENCH), tester)


def test_a_valve(shift: Shift, ia: float = 1.2, gm: float = 1.6, valve: Valve | None = None) -> Grade:
    valve = valve or make_valves(make_type(), 1)[0]
    taken = {
        section.number: EnteredReading(section.test_point, anode_current_ma=ia, gm_ma_per_v=gm)  # type: ignore[arg-type]
        for section in valve.type.test_sections
    }
    grade = bench.record_readings(shift, valve, taken, shift.operator)
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
        terms.repeatability_at(1.2),
        terms.reproducibility_at(1.2),
        terms.interaction_at(1.2),
        0.012 / sqrt(3),
        0.01 / sqrt(3),
        0.01 / sqrt(12),
        0.006,
    )
    assert value.standard_uncertainty == pytest.approx(by_hand)
    assert value.expanded_uncertainty and value.coverage_factor
    assert value.expanded_uncertainty == pytest.approx(value.coverage_factor * by_hand)
    assert any("study" in words for words in value.resting_on)
    assert any("calibration" in words for words in value.resting_on)
    assert value.wanting == ()


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


def test_a_tester_that_nobody_described_states_no_uncertainty_and_no_probability(policy: Policy) -> None:
    shift = make_shift(make_user("bo", Role.BENCH), make_tester("Unknown bench"))
    grade = test_a_valve(shift, gm=1.55)
    assert grade.name == "Excellent" and grade.assurance is None
    assert values_of(grade)[1, GM].expanded_uncertainty is None


def judged_by(record: records.TesterRecord, gm: float, rules: Rules) -> Judgement:
    """The grade of a valve that reads so on a tester of that record, found by the functions that the bench calls."""
    basis = records.Basis(records.BasisKind.SHEET, 1.6, 0.0, 1.0, 0.0, True, "")
    plain = Value(1, str(GM), gm, 1, "T", 1, "", 1.6, "data sheet", "", True, 1, "1", session="1.0")
    value = measured._with_uncertainty(plain, gm, GM, basis, record, measured.Bench(rules))
    return judge(
        rules,
        [
            SectionReading(
                section=1,
                anode_current_ma=1.2,
                nominal_anode_current_ma=1.2,
                gm_ma_per_v=gm,
                nominal_gm_ma_per_v=1.6,
                anode_current_known=value.known,
                gm_known=value.known,
            )
        ],
    )


def test_knowing_less_of_a_tester_never_gives_a_better_grade(policy: Policy, tester: Tester) -> None:
    whole = records.record_of(tester)
    assert not whole.known(GM, 1.5).wanting
    bare = Capability(tester=tester, quantity=GM, resolution=0.01)
    calibration = Calibration.objects.get()
    calibration.due_on = calibration.done_on
    poorer = {
        "overdue": whole._replace(calibration=calibration, on=timezone.localdate()),
        "not calibrated": whole._replace(calibration=None, calibration_values={}),
        "not studied": whole._replace(repeatability={}),
        "no accuracy": whole._replace(capabilities={GM: bare}),
        "a display only": whole._replace(
            capabilities={GM: bare}, calibration=None, calibration_values={}, repeatability={}
        ),
        "nothing": whole._replace(capabilities={}),
    }
    rules = policy.parsed
    best: dict[str, float] = {}
    for gm in [round(1.10 + 0.01 * step, 2) for step in range(50)]:
        known = judged_by(whole, gm, rules)
        for name, record in poorer.items():
            found = judged_by(record, gm, rules)
            assert found.rank >= known.rank, f"{name}: {gm} mA/V is {found.name} where it was {known.name}"
            assert found.assurance is None
            if found.rank == 1:
                best.setdefault(name, gm)
    assert set(best) == set(poorer), "the policy lets such a tester give the best grade"


def test_the_policy_says_the_best_grade_of_a_tester_that_not_enough_is_known_of(policy: Policy) -> None:
    policy.rules = {**policy.rules, "unknown": {"best_grade": 2}}
    policy.save()
    shift = make_shift(make_user("bo", Role.BENCH), make_tester("Unknown bench"))
    grade = test_a_valve(shift)
    assert grade.name == "Good" and not grade.too_close
    assert "not enough is known of the tester for Excellent" in grade.reasons[0]


def test_a_policy_stored_before_it_could_say_so_takes_readings_as_they_stand() -> None:
    assert Rules((GradeLevel("A"),), "B").unknown == Unknown(0.0, 0.0, 1, "allowed", "supposed")
    assert read_policy({"levels": [{"name": "A"}], "otherwise": "B"}).unknown == Unknown()
    for wrong in ({"best_grade": 2}, {"overdue": "maybe"}, {"accuracy_percent": -1}, {"colour": "red"}):
        with pytest.raises(PolicyProblem):
            read_policy({"levels": [{"name": "A"}], "otherwise": "B", "unknown": wrong})


@pytest.mark.parametrize(("overdue", "stated"), [("allowed", True), ("unknown", False)])
def test_an_overdue_calibration_has_the_effect_that_the_policy_gives_it_and_the_paper_says_so(
    policy: Policy, shift: Shift, logged_in: Callable[..., Client], overdue: str, stated: bool
) -> None:
    policy.rules = {**policy.rules, "unknown": {"overdue": overdue}}
    policy.save()
    Calibration.objects.update(due_on=timezone.localdate() - timedelta(days=2))
    for gm in (1.60, 1.62):
        grade = test_a_valve(shift, gm=gm)
    value = values_of(grade)[1, GM]
    assert (value.expanded_uncertainty is not None) is stated and (grade.assurance is not None) is stated
    made = making.make_set(list(Valve.objects.filter(grades__current=True)), 15, owner())
    text = " ".join(certificate(logged_in, made.number).split())
    assert "has been overdue since" in text
    assert ("Counted as it was, though late" in text) is stated
    assert ("No ± is stated where something is wanting" in text) is not stated
    assert "± " in text, "that of the spreads rests on no calibration"


def test_with_something_wanting_no_reading_has_its_uncertainty_on_the_certificate(
    policy: Policy, shift: Shift, logged_in: Callable[..., Client]
) -> None:
    Calibration.objects.all().delete()
    for gm in (1.60, 1.62):
        test_a_valve(shift, gm=gm)
    made = making.make_set(list(Valve.objects.filter(grades__current=True)), 15, owner())
    text = " ".join(certificate(logged_in, made.number).split())
    assert "No ± is stated where something is wanting" in text and "has not been calibrated" in text
    assert "1.600 ±" not in text and "1.60 ±" not in text


def test_comparing_two_valves_on_one_tester_is_surer_than_knowing_either(policy: Policy, shift: Shift) -> None:
    a = values_of(test_a_valve(shift, gm=1.60))[1, GM]
    b = values_of(test_a_valve(shift, gm=1.64))[1, GM]
    spread = spread_of([a, b])
    assert spread.common and spread.spread == pytest.approx(0.025)
    assert spread.expanded_uncertainty and a.expanded_uncertainty
    of_levels = hypot(*(value.expanded_uncertainty / value.value for value in (a, b) if value.expanded_uncertainty))
    assert spread.expanded_uncertainty < of_levels


def test_a_spread_is_the_comparison_of_the_library_and_not_of_the_levels(policy: Policy, shift: Shift) -> None:
    """By hand, from the tester's record: two readings' scatter and steps, and what is left of a shared offset."""
    a = values_of(test_a_valve(shift, ia=1.20))[1, IA]
    b = values_of(test_a_valve(shift, ia=1.26))[1, IA]
    record = records.record_of(shift.tester)
    terms = record.known(IA, 1.2).terms
    at = {value: record.known(IA, value).terms for value in (1.20, 1.26)}
    own = [
        hypot(at[value].repeatability_at(value), at[value].interaction_at(value), 0.01 / sqrt(12)) / value
        for value in at
    ]
    offset = 0.01 / sqrt(3) * (1 / 1.20 - 1 / 1.26)
    u = 1.05 * hypot(*own, offset)
    # JCGM 100, G.4.1, over the parts in u: the study lends its degrees of freedom, the rest has infinitely many.
    scatter = hypot(*(at[value].repeatability_at(value) / value for value in at))
    cross = hypot(*(at[value].interaction_at(value) / value for value in at))
    degrees = (u / 1.05) ** 4 / (
        scatter**4 / terms.repeatability_degrees_of_freedom + cross**4 / terms.interaction_degrees_of_freedom
    )
    found = spread_of([a, b])
    assert found.coverage_factor == pytest.approx(stats.t.ppf(0.975, degrees), rel=1e-6)
    assert found.expanded_uncertainty == pytest.approx(stats.t.ppf(0.975, degrees) * u, rel=1e-6)
    decision = claim([a, b], 0.08, 0.95)
    assert decision is not None
    # On the probability's side the same, but for the ratio's own curvature.
    by_t = stats.t.cdf((0.08 - 0.05) / u, degrees) - stats.t.cdf((1 / 1.08 - 1.05) / u, degrees)
    assert decision.conformance_probability == pytest.approx(by_t, abs=0.01)


def test_two_people_on_one_tester_differ_by_more_than_one_person_does(policy: Policy, shift: Shift) -> None:
    a, b = (values_of(test_a_valve(shift, gm=gm))[1, GM] for gm in (1.60, 1.62))
    other = make_shift(make_user("cy", Role.BENCH), shift.tester)
    by_another = values_of(test_a_valve(other, gm=1.62))[1, GM]
    one, two = spread_of([a, b]), spread_of([a, by_another])
    assert one.common and two.common
    assert one.expanded_uncertainty and two.expanded_uncertainty
    assert two.expanded_uncertainty > one.expanded_uncertainty
    sure, unsure = claim([a, b], 0.05, 0.95), claim([a, by_another], 0.05, 0.95)
    assert sure and unsure and unsure.conformance_probability < sure.conformance_probability


def changed_by_a_stop(tester: Tester, at: datetime) -> None:
    reference = kept_aside(tester)
    shift = Shift.objects.filter(tester=tester).latest("pk")
    check = ReferenceCheck.objects.create(reference=reference, shift=shift, value=1.2, by=shift.operator)
    Stop.objects.create(
        tester=tester,
        why="R1 is out of control",
        check_made=check,
        suspect_since=at,
        opened_at=at,
        cleared_at=at + timedelta(minutes=1),
        action="adjusted the meter by 10 %",
        cleared_by=owner(),
    )


def changed_by_a_calibration(tester: Tester, at: datetime) -> None:
    calibrated(tester, done_days_ago=1)


def changed_by_new_lines(tester: Tester, at: datetime) -> None:
    reference = kept_aside(tester)
    for why in ("the first 20 checks", "a new meter"):
        reference_checks.choose_baseline(reference, tester, at, 20, why, owner())


def changed_by_nothing(tester: Tester, at: datetime) -> None:
    reference_checks.choose_baseline(kept_aside(tester), tester, at, 20, "the first 20 checks", owner())


@pytest.mark.parametrize(
    ("change", "shared"),
    [
        (changed_by_a_stop, False),
        (changed_by_a_calibration, False),
        (changed_by_new_lines, False),
        (changed_by_nothing, True),
    ],
)
def test_nothing_is_shared_across_a_change_of_the_tester(
    policy: Policy, shift: Shift, change: Callable[[Tester, datetime], None], shared: bool
) -> None:
    now = timezone.now()
    early, late = now - timedelta(days=3), now - timedelta(minutes=5)
    valves = make_valves(make_type(), 2)
    for valve, when, gm in zip(valves, (early, late), (1.60, 1.62), strict=True):
        read(valve, 1.2, gm, shift=shift, taken_at=when)
    judging.grade(valves, policy, None)
    change(shift.tester, now - timedelta(days=2))
    rows = making.figures(list(Grade.objects.filter(current=True))).rows.values()
    spread = spread_of([values[1] for values in rows])
    assert spread.common is shared
    limit = 0.02 / sqrt(3) * sqrt(2)  # gm is stated within 2 %
    assert spread.expanded_uncertainty is not None
    assert (spread.expanded_uncertainty > 1.6 * limit) is not shared
    for valve in valves:
        valve.refresh_from_db()
    assert bool(making.propose(make_type(), 2, 8, best_grades=2)) is shared
    if not shared:
        with pytest.raises(making.CannotMatch, match="not surely within"):
            making.make_set(valves, 4, owner())


def test_a_reading_made_before_a_change_of_the_tester_is_no_repeat_of_one_made_after_it(
    policy: Policy, shift: Shift
) -> None:
    """Half of their mean would have the errors of the tester as it was, which no other valve read since shares."""
    now = timezone.now()
    early, late = now - timedelta(seconds=3), now - timedelta(seconds=1)
    (valve,) = make_valves(make_type(), 1)
    read(valve, 1.2, 1.60, shift=shift, taken_at=early)
    read(valve, 1.2, 1.62, shift=shift, taken_at=late)
    mean = values_of(judging.grade([valve], policy, None)[valve.pk])[1, GM]
    assert (mean.value, mean.readings) == (pytest.approx(1.61), 2)
    changed_by_a_stop(shift.tester, now - timedelta(seconds=2))
    Stop.objects.update(cleared_at=late - timedelta(milliseconds=500))
    since = values_of(judging.grade([valve], policy, None)[valve.pk])[1, GM]
    assert (since.value, since.readings) == (1.62, 1)
    assert since.standard_uncertainty and mean.standard_uncertainty
    assert since.standard_uncertainty > mean.standard_uncertainty


def test_where_people_differ_sets_are_sought_among_each_persons_readings(policy: Policy) -> None:
    tester = calibrated(described())
    apart = [[[value + 0.03 * (person == 1) for value in cell] for person, cell in enumerate(row)] for row in READINGS]
    for quantity in (IA, GM):
        studies.finish(filled(planned(tester, quantity=quantity), apart), owner())
    for name in ("bo", "cy"):
        for _ in range(3):
            test_a_valve(make_shift(make_user(name, Role.BENCH), tester))
    proposals = making.propose(make_type(), 2, 8, best_grades=2)
    assert len(proposals) == 2
    for proposal in proposals:
        assert len({valve.readings.first().shift.operator_id for valve in proposal.valves}) == 1  # type: ignore[union-attr]


@pytest.mark.parametrize("taken", [1, 3, 4])
def test_the_readings_a_set_asks_for_settle_it_and_one_fewer_does_not(policy: Policy, shift: Shift, taken: int) -> None:
    a, b = (replace(values_of(test_a_valve(shift, gm=gm))[1, GM], readings=taken) for gm in (1.60, 1.683))
    decision = claim([a, b], 0.06, 0.95)
    assert decision is not None and decision.more_readings

    def outcome(more: int) -> Outcome:
        again = claim([replace(value, readings=taken + more) for value in (a, b)], 0.06, 0.95)
        assert again is not None
        return again.outcome

    assert outcome(decision.more_readings) is Outcome.ACCEPT
    assert outcome(decision.more_readings - 1) is Outcome.TOO_CLOSE
    assert f"{decision.more_readings} more reading" in decision.reason


def test_a_set_is_claimed_for_all_its_quantities_at_once(policy: Policy, shift: Shift) -> None:
    """A tolerance at which one quantity is just sure enough: four such quantities together are not."""
    a, b = (values_of(test_a_valve(shift, gm=gm))[1, GM] for gm in (1.60, 1.63))

    def alone(tolerance: float) -> float:
        decision = claim([a, b], tolerance, 0.95)
        assert decision is not None
        return decision.conformance_probability

    tolerance = next(percent / 1000 for percent in range(20, 400) if alone(percent / 1000) >= 0.95)
    one = claim_whole([[a], [b]], tolerance, 0.95)
    four = claim_whole([[a] * 4, [b] * 4], tolerance, 0.95)
    assert one is not None and one.outcome is Outcome.ACCEPT
    assert one.conformance_probability == pytest.approx(alone(tolerance), abs=1e-4)
    assert four is not None and four.outcome is not Outcome.ACCEPT
    assert four.conformance_probability == pytest.approx(1 - 4 * (1 - alone(tolerance)), abs=4e-4)
    wide = claim_whole([[a] * 4, [b] * 4], 3 * tolerance, 0.95)
    assert wide is not None and wide.outcome is Outcome.ACCEPT


@pytest.mark.parametrize("taken", [1, 4])
def test_the_readings_that_sections_ask_for_settle_it_and_one_fewer_does_not(
    policy: Policy, shift: Shift, taken: int
) -> None:
    grade = test_a_valve(shift, gm=1.6)
    one, other = (values_of(grade)[section, GM] for section in (1, 2))

    def judged(readings: int) -> Judgement:
        level = GradeLevel("Alike", within_sheet_limits=False, gm_section_spread_percent=15)
        rules = Rules((level,), "Unlike", acceptance=MaximumFalseAcceptance(0.05))
        sections = [
            SectionReading(section=place, gm_ma_per_v=value.value, gm_known=value.known)
            for place, value in enumerate(
                (replace(one, readings=readings), replace(other, value=1.827, readings=readings))
            )
        ]
        return judge(rules, sections)

    found = judged(taken)
    assert found.too_close and found.more_readings
    assert judged(taken + found.more_readings).name == "Alike"
    assert judged(taken + found.more_readings - 1).too_close
    assert f"{found.more_readings} more reading" in found.reasons[0]


def test_what_the_display_cannot_show_no_number_of_readings_settles(policy: Policy, shift: Shift) -> None:
    a, b = (values_of(test_a_valve(shift, gm=gm))[1, GM] for gm in (1.60, 1.675))
    decision = claim([a, b], 0.05, 0.95)  # 4.7 %: a step of 0.01 alone leaves 0.26 % of standard uncertainty
    assert decision is not None and decision.outcome is Outcome.TOO_CLOSE
    assert decision.more_readings is None and "no practical number" in decision.reason


def test_a_set_names_the_quantity_that_asks_for_most(policy: Policy, shift: Shift) -> None:
    valves = [test_a_valve(shift, ia=ia, gm=gm).valve for ia, gm in ((1.20, 1.60), (1.21, 1.677))]
    with pytest.raises(making.CannotMatch, match=r"gm, section \d: .*no practical number of readings"):
        making.make_set(valves, 5, owner())


def test_a_set_that_is_not_surely_within_its_tolerance_is_refused_with_the_probability(
    policy: Policy, shift: Shift
) -> None:
    for gm in (1.60, 1.66):
        test_a_valve(shift, gm=gm)
    with pytest.raises(
        making.CannotMatch, match=r"4 % with a probability of \d+ %; all at once .* the policy wants 95 %"
    ):
        making.make_set(list(Valve.objects.filter(grades__current=True)), 4, owner())
    assert making.make_set(list(Valve.objects.filter(grades__current=True)), 12, owner()).size == 2


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
    answer = logged_in(Role.SALES).get(f"/sets/{number}/certificate.pdf")
    document = pypdfium2.PdfDocument(answer.content)
    return "\n".join(page.get_textpage().get_text_bounded() for page in document)


def test_the_certificate_states_the_spread_with_its_expanded_uncertainty(
    policy: Policy, shift: Shift, logged_in: Callable[..., Client]
) -> None:
    for gm in (1.60, 1.62):
        test_a_valve(shift, gm=gm)
    made = making.make_set(list(Valve.objects.filter(grades__current=True)), 15, owner())
    text = " ".join(certificate(logged_in, made.number).split())
    [spread] = [
        row for row in making.spread_of(list(made.members.select_related("grade"))) if row.label == "gm, section 1"
    ]
    assert spread.expanded_uncertainty
    assert f"{100 * spread.spread:.2f} ± {100 * spread.expanded_uncertainty:.2f} %" in text
    assert "JCGM 100" in text and "coverage factor" in text and "the calibration of" in text
    assert "Beside the data sheet's nominal" in text


def test_without_a_record_the_certificate_says_that_no_uncertainty_is_stated(
    policy: Policy, logged_in: Callable[..., Client]
) -> None:
    shift = make_shift(make_user("bo", Role.BENCH), make_tester("Unknown bench"))
    for _ in range(2):
        test_a_valve(shift)
    made = making.make_set(list(Valve.objects.filter(grades__current=True)), 5, owner())
    assert "No uncertainty of measurement is stated" in " ".join(certificate(logged_in, made.number).split())


def test_a_reading_without_uncertainty_makes_no_claim(policy: Policy) -> None:
    shift = make_shift(make_user("bo", Role.BENCH), make_tester("Unknown bench"))
    values = [values_of(test_a_valve(shift))[1, GM] for _ in range(2)]
    assert claim(values, 0.05, 0.95) is None


# A scale


@pytest.fixture
def at_scale(policy: Policy, person: Callable[..., User]) -> Client:
    user = person(Role.BENCH, name="sam")
    bench.start_shift(scale(), user)
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


def test_a_scale_read_at_its_very_mark_is_too_close_to_call(at_scale: Client) -> None:
    valve = make_valves(make_type(), 1)[0]
    at_scale.post("/bench/", {"serial": valve.serial, "s1-scale": "60", "s2-scale": "70"})
    grade = Grade.objects.get(valve=valve, current=True)
    assert (grade.name, grade.too_close) == ("Unfit", True)
    assert grade.reasons[0].startswith("section 1: scale 60, passes from 60 (too close to call on a tester that not")
    at_scale.post("/bench/", {"serial": make_valves(make_type(), 1)[0].serial, "s1-scale": "72", "s2-scale": "70"})
    passed = Grade.objects.get(name="Passed on scale")
    assert passed.assurance is None, "no accuracy of this scale is stated"


def test_the_less_is_known_of_a_scale_the_more_it_must_read(policy: Policy) -> None:
    policy.rules = {**policy.rules, "unknown": {"accuracy_percent": 12}}
    policy.save()
    stated = {"a display step": Described(1, scale_pass_at=60), "a tenth": Described(1, 10.0, scale_pass_at=60)}
    least = {}
    for name, row in stated.items():
        tester = make_tester(f"Drawer tester, {name}")
        records.describe(tester, {Quantity.EMISSION: row}, owner())
        shift = make_shift(make_user(name, Role.BENCH), Tester.objects.get(pk=tester.pk))
        valves = make_valves(make_type(), 12)
        for reading, valve in enumerate(valves, start=60):
            read(valve, shift=shift, emission_scale=reading)
        judged = judging.judge_all(valves, policy).judged
        least[name] = 60 + [one.after.saleable for one in judged].index(True)
    assert least["a display step"] >= least["a tenth"] > 62


def test_a_leaky_valve_does_not_pass_on_a_scale(policy: Policy) -> None:
    tester = scale()
    described_so = {Quantity.EMISSION: Described(1, scale_pass_at=60), Quantity.LEAKAGE: Described(1.0)}
    records.describe(tester, described_so, owner())
    shift = make_shift(make_user("cy", Role.BENCH), Tester.objects.get(pk=tester.pk))
    valve = make_valves(make_type(), 1)[0]
    points = {section.number: section.test_point for section in make_type().test_sections}
    leaky = {n: EnteredReading(at, emission_scale=80, heater_cathode_leakage_ua=900) for n, at in points.items() if at}
    grade = bench.record_readings(shift, valve, leaky, shift.operator)
    assert grade is not None and not grade.saleable
    assert grade.reasons[0] == "section 1: heater-cathode leakage 900 µA; Usable allows 50"


# Repeats that contradict each other


def test_repeats_that_lie_further_apart_than_the_study_allows_are_not_averaged(policy: Policy, shift: Shift) -> None:
    valve = make_valves(make_type(), 1)[0]
    study = studies.repeatability_of(shift.tester, IA)
    assert study is not None
    # Student's range for two is t sqrt(2): JCGM 100, table G.2, and the study's degrees of freedom.
    relative = study.standard_deviation / study.at  # it grows with the value
    allowed = sqrt(2) * stats.t.ppf(0.975, study.degrees_of_freedom) * relative
    assert 0.01 < allowed < 0.04, "some per cent"
    near, far = 1.2 * (1 + 0.9 * allowed), 1.2 * (1 + 1.2 * allowed)
    test_a_valve(shift, valve=valve)
    agreed = values_of(test_a_valve(shift, ia=near, valve=valve))[1, IA]
    assert (agreed.value, agreed.readings) == (pytest.approx((1.2 + near) / 2), 2)
    other = make_valves(make_type(), 1)[0]
    test_a_valve(shift, valve=other)
    grade = test_a_valve(shift, ia=far, valve=other)
    value = values_of(grade)[1, IA]
    assert (value.value, value.readings) == (far, 1) and f"study {study.study.pk}, ISO 5725-6" in value.contradiction
    assert grade.reasons[0] == f"section 1: {value.contradiction}"


def test_a_third_reading_may_show_that_two_only_seemed_to_contradict_each_other(policy: Policy, shift: Shift) -> None:
    valve = make_valves(make_type(), 1)[0]
    study = studies.repeatability_of(shift.tester, IA)
    assert study is not None
    relative = study.standard_deviation / study.at  # it grows with the value
    two = critical_range(2, relative, study.degrees_of_freedom)
    three = critical_range(3, relative, study.degrees_of_freedom)
    far = 1.2 * (1 + (two + three) / 2)
    test_a_valve(shift, valve=valve)
    assert values_of(test_a_valve(shift, ia=far, valve=valve))[1, IA].contradiction
    value = values_of(test_a_valve(shift, ia=(1.2 + far) / 2, valve=valve))[1, IA]
    assert (value.value, value.readings, value.contradiction) == (pytest.approx((1.2 + far) / 2), 3, "")


def test_a_display_that_moves_by_one_step_contradicts_nothing(policy: Policy) -> None:
    coarse = make_tester("Coarse bench")
    records.describe(coarse, {IA: Described(0.5), GM: Described(0.5)}, owner())
    shift = make_shift(make_user("cy", Role.BENCH), coarse)
    valve = make_valves(make_type(), 1)[0]
    test_a_valve(shift, ia=1.0, gm=1.5, valve=valve)
    value = values_of(test_a_valve(shift, ia=1.5, gm=1.5, valve=valve))[1, IA]
    assert (value.value, value.contradiction) == (1.25, "")


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
    page = at_work.get(f"/bench/?read={valve.serial}").content.decode()
    assert "cannot be graded: the last series of section 1 is drifting" in page
    assert "the last series of section 1 is drifting" in at_work.get(valve.get_absolute_url()).content.decode()


def series(*values: float) -> dict[str, Any]:
    return {"anode_current_ma": list(values), "interval_s": 10}


def warmed_up(shift: Shift, valve: Valve, *values: float, **more: Any) -> Grade | None:
    """Section 1 as a series, section 2 at nominal."""
    one, two = (section.test_point for section in valve.type.test_sections)
    assert one and two
    first = EnteredReading(one, gm_ma_per_v=1.6, series=series(*values), **more)
    taken = {1: first, 2: EnteredReading(two, anode_current_ma=1.2, gm_ma_per_v=1.6)}
    return bench.record_readings(shift, valve, taken, shift.operator)


COLD, WARM = (0.70, 0.78, 0.86, 0.93, 0.99), (1.19, 1.20, 1.20, 1.20, 1.20)


def test_what_had_not_settled_is_never_averaged_with_what_has(policy: Policy, shift: Shift) -> None:
    valve = make_valves(make_type(), 1)[0]
    assert warmed_up(shift, valve, *COLD) is None
    grade = warmed_up(shift, valve, *WARM)
    assert grade is not None
    value = values_of(grade)[1, IA]
    assert (value.value, value.readings) == (pytest.approx(1.20, abs=0.003), 1)
    assert grade.readings.filter(section=1).count() == 2, "the cold reading is kept beside it"


def test_a_leak_that_showed_before_the_valve_settled_still_counts(policy: Policy, shift: Shift) -> None:
    Capability.objects.create(tester=shift.tester, quantity=Quantity.LEAKAGE, resolution=1)
    valve = make_valves(make_type(), 1)[0]
    assert warmed_up(shift, valve, *COLD, heater_cathode_leakage_ua=300.0) is None
    grade = warmed_up(shift, valve, *WARM)
    assert grade is not None and grade.name == "Unfit"
    assert grade.reasons[0].startswith("section 1: heater-cathode leakage 300 µA")
    first, second = sections_as_graded(grade)
    assert first.faults == {Quantity.LEAKAGE: 300.0} and Quantity.LEAKAGE.short not in first.untested
    assert Quantity.LEAKAGE.short in second.untested


def test_a_valve_whose_last_series_has_not_settled_has_no_grade_and_goes_nowhere(
    policy: Policy, shift: Shift, logged_in: Callable[..., Client]
) -> None:
    valve, other = make_valves(make_type(), 2)
    test_a_valve(shift, valve=valve)
    test_a_valve(shift, valve=other)
    assert warmed_up(shift, valve, *COLD) is None
    valve.refresh_from_db()
    assert valve.state == State.TESTED and not valve.grades.filter(current=True).exists()
    assert making.available(make_type(), 2) == [other.grades.get(current=True)]
    with pytest.raises(making.CannotMatch, match="has no grade"):
        making.make_set([valve, other], 5, shift.operator)
    with pytest.raises(publishing.CannotList, match="only graded or matched"):
        publishing.publish([valve], "One", "", Decimal("9.00"), "GBP", shift.operator)
    points = {section.number: section.test_point for section in make_type().test_sections}
    single = {
        number: EnteredReading(point, anode_current_ma=1.2, gm_ma_per_v=1.6)
        for number, point in points.items()
        if point
    }
    assert bench.record_readings(shift, valve, single, shift.operator) is None, (
        "one reading does not show that it is steady"
    )
    assert warmed_up(shift, valve, *WARM) is not None


def test_two_values_are_too_short_a_series_to_tell(policy: Policy, shift: Shift) -> None:
    valve = make_valves(make_type(), 1)[0]
    assert warmed_up(shift, valve, 1.15, 1.20) is None
    assert "section 1 is too short to tell" in judging.why_ungraded(valve)


def test_a_short_fails_a_valve_that_has_not_settled(policy: Policy, shift: Shift) -> None:
    valve = make_valves(make_type(), 1)[0]
    grade = warmed_up(shift, valve, *COLD, shorted=True, short_between="grid 1 and cathode")
    assert grade is not None and grade.name == "Unfit"
    assert grade.reasons == ["section 1: shorted between grid 1 and cathode"]


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
            s.number: EnteredReading(s.test_point, anode_current_ma=ia, gm_ma_per_v=gm)
            for s in type_.test_sections
            if s.test_point
        }
        assert bench.record_readings(shift, valve, taken, shift.operator) is None, (
            "there is nothing to compare it with yet"
        )
    assert "no house nominal has been learnt" in judging.why_ungraded(valve)
    for point in points:
        assert point is not None
        house_nominals.learn(tester, point, owner())
    grade = test_a_valve(shift, ia=0.61, gm=1.21)
    assert grade.name == "Excellent"
    value = values_of(grade)[1, IA]
    assert value.kind == "house nominal" and value.nominal == pytest.approx(0.61)
    assert "of 12 valves" in value.basis and "known-good NOS valves" in value.basis and not value.sheet_limits


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
        taken = {
            s.number: EnteredReading(s.test_point, anode_current_ma=0.61, gm_ma_per_v=1.6)
            for s in type_.test_sections
            if s.test_point
        }
        bench.record_readings(shift, valve, taken, shift.operator)
    for point in points:
        house_nominals.learn(shift.tester, point, owner())
    one, two = (test_a_valve(shift, ia=0.61, gm=1.6).valve for _ in range(2))
    Grade.objects.filter(valve=at_sheet, current=True).update(saleable=True)
    at_sheet.refresh_from_db()
    with pytest.raises(making.CannotMatch, match="other settings"):
        making.make_set([at_sheet, one], 20, owner())
    made = making.make_set([one, two], 20, owner())
    text = " ".join(certificate(logged_in, made.number).split())
    assert "Settings Va 150 V, Vg1 −1 V" in text and "Settings Va 250 V" not in text


# A house nominal


def beside_house(shift: Shift, learnt_at: float, value: float) -> Value:
    """A value judged beside a house nominal that was learnt so many days ago."""
    when = timezone.now() - timedelta(days=learnt_at)
    basis = records.Basis(records.BasisKind.HOUSE, 1.6, 0.008, 1.0, 0.0, False, "", (when, when))
    bench = measured.Bench()
    plain = Value(
        1,
        str(GM),
        value,
        1,
        str(shift.tester),
        1,
        "",
        1.6,
        "house nominal",
        "",
        False,
        shift.tester_id,
        "1",
        timezone.now().isoformat(),
        bench.session(shift.tester_id, timezone.now()),
    )
    return measured._with_uncertainty(plain, value, GM, basis, records.record_of(shift.tester), bench)


def test_beside_a_house_nominal_what_both_share_cancels_and_the_printed_uncertainty_is_of_the_reading(
    policy: Policy, shift: Shift
) -> None:
    learnt = beside_house(shift, 1, 1.5)
    terms = records.record_of(shift.tester).known(GM, 1.5).terms
    own = hypot(terms.reproducibility_at(1.5), terms.interaction_at(1.5), 0.01 / sqrt(12))
    assert learnt.systematic_u == pytest.approx(hypot(own, 0.008 * 1.5 / 1.6))
    level = hypot(terms.repeatability_at(1.5), own, 1.5 * 0.02 / sqrt(3), 1.5 * 0.005)
    assert learnt.standard_uncertainty == pytest.approx(level), "neither more nor less for the nominal"


def test_a_house_nominal_learnt_before_the_tester_changed_shares_nothing(policy: Policy, shift: Shift) -> None:
    before, since = beside_house(shift, 60, 1.5), beside_house(shift, 1, 1.5)  # calibrated 30 days ago
    shared = 1.5 * hypot(0.02 / sqrt(3), 0.005)
    assert before.systematic_u and since.systematic_u
    assert before.systematic_u == pytest.approx(hypot(since.systematic_u, shared, shared), rel=1e-3)


def test_a_good_valve_on_an_old_tester_is_not_graded_down_for_what_the_nominal_shares(
    policy: Policy, shift: Shift
) -> None:
    Capability.objects.filter(tester=shift.tester).update(accuracy_percent=5)
    Calibration.objects.all().delete()
    value = beside_house(shift, 1, 1.504)  # 94 % of nominal; Excellent wants 90 %
    found = judge(
        policy.parsed,
        [
            SectionReading(
                section=1,
                anode_current_ma=1.2,
                nominal_anode_current_ma=1.2,
                gm_ma_per_v=value.value,
                nominal_gm_ma_per_v=1.6,
                anode_current_known=value.known,
                gm_known=value.known,
            )
        ],
    )
    assert found.name == "Excellent" and found.assurance is not None
    assert value.expanded_uncertainty is None, "the reading itself wants a calibration"


def test_why_there_is_no_set_is_told_of_valves_whose_uncertainty_is_known(policy: Policy, shift: Shift) -> None:
    for step, valve in enumerate(make_valves(make_type(), 2)):
        test_a_valve(shift, ia=1.2 + 0.02 * step, valve=valve)
    stock = making.pool(make_type(), 9, 2, 0.95)
    assert all(piece.guard and min(piece.guard) > 0 for piece in stock.pieces)
    again = shortfalls.read_again(stock.pieces[0], stock, 2, 0.95, 8)
    assert again.guard and all(
        0 < later < now for later, now in zip(again.guard, stock.pieces[0].guard or (), strict=True)
    ), "more readings leave less doubt"
    assert shortfalls.why_none(shortfalls.asked_within(make_type(), 2, 2.0, 9)).words

"""Readings as values: what each rests on, how long two share an error, and which of contradicting ones counts."""

from __future__ import annotations

from datetime import date, timedelta
from math import hypot, inf, sqrt

import pytest
from django.utils import timezone

from catalog.models import ValveType
from grading.models import (
    Calibration,
    Capability,
    Grade,
    Quantity,
    ReferenceCheck,
    Shift,
    Stop,
    Tester,
    TesterCondition,
)
from grading.testers import conditions, records, studies
from grading.testers.records import Basis, BasisKind, Calibrated, Described
from grading.verdicts import judging
from grading.verdicts import values as measured
from grading.verdicts.pure.grades import SectionReading
from grading.verdicts.pure.rules import Unknown
from grading.verdicts.values import Bench, Value, claim, comparable, spread_of
from stockroom.models import Valve
from tests.factories import graded, make_tester, make_type, make_valve, make_valves, read
from tests.instruments import (
    GM,
    IA,
    READINGS,
    calibrated,
    described,
    filled,
    kept_aside,
    owner,
    planned,
    point,
    shift_at,
)

pytestmark = pytest.mark.django_db


def value_of(grade: Grade, quantity: Quantity, section: int = 1) -> Value:
    found = {(value.section, value.quantity): value for value in map(Value.read, grade.measured)}
    return found[section, quantity]


def well_known() -> Tester:
    tester = calibrated(described())
    for quantity in (IA, GM):
        studies.finish(filled(planned(tester, quantity=quantity), READINGS), owner())
    return Tester.objects.get(pk=tester.pk)


def of_session(session: str, value: float = 1.6, **fields: object) -> Value:
    plain = Value(1, str(GM), value, 1, "T", 1, "", 1.6, "data sheet", "", True, 1, "1", session=session)
    terms = {"resolution": 0.01, "repeatability_percent": 0.5, "accuracy_percent": 3.0}
    known = {"standard_uncertainty": 0.03, "repeatability_sd": 0.008, "systematic_u": 0.028, "terms": terms}
    return measured.replace(plain, **{**known, **fields})  # type: ignore[arg-type]


def test_what_is_known_of_a_poor_tester_is_not_bettered_by_what_the_policy_supposes() -> None:
    uncalibrated = of_session("1.0", wanting=("its gm has not been calibrated",))
    assert uncalibrated.supposed(Unknown(accuracy_percent=2.0)).terms["accuracy_percent"] == 3.0
    assert uncalibrated.supposed(Unknown(accuracy_percent=5.0)).terms["accuracy_percent"] == 5.0


def test_across_two_sessions_nothing_is_stated_of_testers_that_something_is_wanting_of() -> None:
    here, there = (of_session(session, wanting=("no accuracy is stated",)) for session in ("1.0", "1.1"))
    assert comparable([here, here]) and spread_of([here, here]).expanded_uncertainty
    assert comparable([here, there]) is None and claim([here, there], 0.05, 0.95) is None
    assert spread_of([here, there]).expanded_uncertainty is None


def test_a_stop_parts_what_was_read_before_it_while_it_was_suspect_and_since() -> None:
    tester, now = described(), timezone.now()
    shift = shift_at(tester)
    check = ReferenceCheck.objects.create(reference=kept_aside(tester), shift=shift, value=1.2, by=shift.operator)
    Stop.objects.create(
        tester=tester,
        why="R1 is out of control",
        check_made=check,
        suspect_since=now - timedelta(days=2),
        opened_at=now - timedelta(days=1, hours=1),
        cleared_at=now - timedelta(days=1),
        action="a new meter",
        cleared_by=owner(),
    )
    bench = Bench()
    before, suspect, opened, since = (
        bench.session(tester.pk, now - timedelta(days=days)) for days in (3, 1.5, 1.01, 0.5)
    )
    assert suspect == opened and len({before, suspect, since}) == 3


def house_basis(*read_at: float) -> Basis:
    now = timezone.now()
    when = tuple(now - timedelta(days=days) for days in read_at)
    return Basis(BasisKind.HOUSE, 1.6, 0.0, 1.0, 0.0, False, "", when)


def test_a_house_nominal_read_on_both_sides_of_a_calibration_shares_nothing() -> None:
    tester = well_known()  # calibrated 30 days ago
    bench, now = Bench(), timezone.now()
    plain = measured.replace(
        of_session(bench.session(tester.pk, now)), tester_id=tester.pk, taken_at=now.isoformat(), terms={}
    )
    record = records.record_of(tester)

    def beside(basis: Basis) -> float:
        found = measured._with_uncertainty(plain, 1.5, GM, basis, record, bench).systematic_u
        assert found is not None
        return found

    assert beside(house_basis(60, 1)) == pytest.approx(beside(house_basis(60, 60)))
    assert beside(house_basis(60, 1)) > 1.5 * beside(house_basis(2, 1))


def test_beside_a_house_nominal_a_reading_is_as_shown_and_no_interval_hides_a_known_error(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A calibration found the tester 5 % low. Its house nominal was read so, and what is read beside it too."""
    tester = well_known()
    row = Calibration(tester=tester, done_on=date(2026, 1, 1), due_on=date(2099, 1, 1), by="Halden Metrology")
    Calibration.objects.all().delete()
    found = Calibrated(0.5, correction_percent=5.0)
    records.calibrate(row, {IA: found, GM: found}, owner())
    shift = shift_at(Tester.objects.get(pk=tester.pk))
    as_read = value_of(graded(make_valve(make_type()), 1.2, 1.5, shift=shift), GM)
    assert as_read.value == pytest.approx(1.575) and as_read.expanded_uncertainty
    monkeypatch.setattr(measured, "basis_for", lambda *_: house_basis(1))
    valves = make_valves(make_type(), 2)
    one, two = (value_of(graded(valve, 1.2, 1.5, shift=shift), GM) for valve in valves)
    assert one.value == 1.5, "as the nominal was read"
    assert one.expanded_uncertainty is None and "not corrected by +5 %" in one.wanting[-1]
    assert spread_of([one, two]).expanded_uncertainty, "between two valves the same error cancels"
    assert not one.known.wanting, "and beside the nominal, which has it too"


def test_a_tester_that_repeats_better_than_its_display_moves_is_not_contradicted_by_one_step() -> None:
    tester = well_known()  # repeats of 1.2 mA within 0.03 mA
    Capability.objects.filter(tester=tester, quantity=IA).update(resolution=0.1)
    valve, shift = make_valve(make_type()), shift_at(tester)
    graded(valve, 1.2, 1.6, shift=shift)
    value = value_of(graded(valve, 1.3, 1.6, shift=shift), IA)
    assert (value.value, value.readings, value.contradiction) == (pytest.approx(1.25), 2, "")
    assert value_of(graded(valve, 1.4, 1.6, shift=shift), IA).contradiction


def test_of_a_rectifiers_contradicting_readings_the_lower_counts_however_high_the_other_is() -> None:
    """Of a triode's the one further from nominal."""
    rectifier, triode = make_valve(make_type("EZ81", kind="rectifier", sections=1)), make_valve(make_type())
    for ia in (130.0, 260.0):
        of_rectifier = graded(rectifier, ia, None)
    for ia in (1.3, 2.6):
        of_triode = graded(triode, ia, 1.6)
    assert value_of(of_rectifier, IA).contradiction and value_of(of_rectifier, IA).value == 130
    assert value_of(of_triode, IA).contradiction and value_of(of_triode, IA).value == 2.6


def test_a_converted_reading_has_the_readings_uncertainty_as_converted_and_the_models() -> None:
    tester = well_known()
    for section in make_type().test_sections:
        own = TesterCondition(
            tester=tester,
            test_point=section.test_point,
            anode_voltage_v=200,
            grid_voltage_v=-1.5,
            judged_by="converted",
        )
        conditions.set_conditions([own], owner())
    shift: Shift = shift_at(Tester.objects.get(pk=tester.pk))
    grade = graded(make_valve(make_type()), 1.0, 1.5, shift=shift)
    value = value_of(grade, IA)
    basis = records.basis_for(shift.tester, point(), IA)
    assert basis.factor != 1 and value.value == pytest.approx(basis.factor * 1.0)
    terms = records.record_of(shift.tester).known(IA, 1.0).terms
    as_read = hypot(
        terms.repeatability_at(1.0),
        terms.reproducibility_at(1.0),
        terms.interaction_at(1.0),
        0.01 / sqrt(3),
        0.01 / sqrt(3),
        0.01 / sqrt(12),
        0.005,
    )
    of_model = value.value * basis.relative_model_u
    assert basis.sheet_limits and value.sheet_limits, "as converted it is what the sheet speaks of"
    assert value.standard_uncertainty == pytest.approx(hypot(as_read * basis.factor, of_model))
    (part,) = [one for one in value.components if one.name == "conversion of conditions"]
    assert part.standard_uncertainty == pytest.approx(of_model)


def test_beside_a_house_nominal_of_another_session_a_reading_wants_what_its_level_wants() -> None:
    tester = well_known()
    Capability.objects.filter(tester=tester, quantity=GM).update(accuracy_percent=None)  # calibrated 30 days ago
    record, bench, now = records.record_of(Tester.objects.get(pk=tester.pk)), Bench(), timezone.now()
    plain = measured.replace(of_session(bench.session(tester.pk, now)), tester_id=tester.pk, taken_at=now.isoformat())
    since, before = (
        measured._with_uncertainty(plain, 1.5, GM, house_basis(days), record, bench) for days in (1.0, 60.0)
    )
    assert since.wanting and not since.known.wanting and before.known.wanting


def test_more_readings_are_judged_as_so_many() -> None:
    value = of_session("1.0", readings=4, resolution=0.01)
    assert (value.known.readings, value.known.display_step) == (4, 0.01)
    assert value.known.compared is not None and value.known.compared.readings == 4


def test_a_value_stored_before_its_terms_were_kept_shares_nothing_with_another() -> None:
    old = [of_session("1.0", gm, terms={}, standard_uncertainty=0.016) for gm in (1.6, 1.6)]
    assert spread_of(old).expanded_uncertainty == pytest.approx(1.96 * sqrt(2) * 0.01, rel=1e-3)


def test_the_day_of_a_reading_is_the_shops() -> None:
    with timezone.override("Europe/Berlin"):
        assert of_session("1.0", taken_at="2026-07-01T23:30:00+00:00").day == "2026-07-02"


def sections_of(grade_of: Valve) -> list[SectionReading]:
    bench = Bench()
    found = []
    for repeats in judging.evidence_for([grade_of], bench)[grade_of.pk].repeats.values():
        found.append(measured.as_section(repeats, measured.values_of(repeats, bench), bench))
    return found


def test_sections_read_at_other_settings_or_of_another_kind_are_not_alike() -> None:
    tester, (first, second) = described(), make_type().test_sections
    shift, valve = shift_at(tester), make_valve(make_type())
    graded(valve, 1.2, 1.6, shift=shift)
    one, other = sections_of(valve)
    assert one.alike == other.alike
    own = TesterCondition(
        tester=tester, test_point=second.test_point, anode_voltage_v=200, grid_voltage_v=-1.5, judged_by="converted"
    )
    conditions.set_conditions([own], owner())
    read(valve, 1.0, 1.5, shift=shift)
    one, other = sections_of(valve)
    assert one.alike != other.alike and one.nominal_gm_ma_per_v == other.nominal_gm_ma_per_v
    conditions.back_to_sheet(tester, second.test_point, owner())
    type(first).objects.filter(pk=first.pk).update(kind="pentode")
    graded(valve := make_valve(ValveType.objects.get()), 1.2, 1.6)
    one, other = sections_of(valve)
    assert one.alike != other.alike


def test_the_sheets_limits_hold_at_the_sheets_settings_and_not_beside_a_house_nominal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    type_ = make_type(gm_min_ma_per_v=1.3, anode_current_max_ma=1.9)
    valve = make_valve(type_)
    graded(valve, 1.2, 1.6, shift=shift_at(described()))
    assert [one.gm_min_ma_per_v for one in sections_of(valve)] == [1.3, 1.3]
    monkeypatch.setattr(measured, "basis_for", lambda *_: house_basis(1))
    assert {(one.gm_min_ma_per_v, one.anode_current_max_ma) for one in sections_of(valve)} == {(None, None)}


def test_readings_of_a_scale_are_known_by_their_number_and_its_step_and_may_contradict_each_other() -> None:
    tester = make_tester("Drawer tester")
    records.describe(tester, {Quantity.EMISSION: Described(1, scale_pass_at=60)}, owner())
    shift, valve = shift_at(Tester.objects.get(pk=tester.pk)), make_valve(make_type())
    for reading in (80, 82):
        graded(valve, None, None, shift=shift, emission_scale=reading)
    known = sections_of(valve)[0].scale_known
    assert known is not None and (known.readings, known.display_step, known.wanting) == (2, 1.0, True)
    grade = graded(valve, None, None, shift=shift, emission_scale=40)
    assert "section 1: emission on a scale was read as 80, 82 and 40" in grade.reasons[0] and not grade.saleable


def test_a_calibration_is_overdue_for_what_was_read_after_it_was_due_and_for_nothing_before() -> None:
    tester = calibrated(described(), done_days_ago=400, due_in_days=-30)
    today = timezone.localdate()
    late = {
        days: bool(records.record_of(tester, today - timedelta(days=days)).known(IA, 1.2).overdue)
        for days in (0, 29, 30, 31)
    }
    assert late == {0: True, 29: True, 30: False, 31: False}, "on the day that it is due it still counts"


def test_a_calibration_known_from_few_readings_lends_its_degrees_of_freedom() -> None:
    tester = described()
    row = Calibration(tester=tester, done_on=date(2026, 1, 1), due_on=date(2099, 1, 1), by="Halden Metrology")
    records.calibrate(row, {IA: Calibrated(2.0, 3.0), GM: Calibrated(2.0)}, owner())
    record = records.record_of(Tester.objects.get(pk=tester.pk))
    assert record.known(IA, 1.2).terms.calibration_degrees_of_freedom == 3
    assert record.known(GM, 1.6).terms.calibration_degrees_of_freedom == inf
    few = measured._with_uncertainty(of_session("1.0"), 1.2, IA, house_basis()._replace(kind=BasisKind.SHEET), record)
    assert few.degrees_of_freedom is not None and few.degrees_of_freedom < 6

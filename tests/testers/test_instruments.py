"""Testers: what they measure and how well, calibrations, and conditions that are not the data sheet's."""

from __future__ import annotations

from datetime import date, timedelta
from math import inf, isclose, sqrt
from typing import Any

import pytest
from django.contrib.auth.models import User
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import timezone

from catalog.physics import electrics
from catalog.physics.electrics import ConversionRefused
from grading.bench.readings import EnteredReading, UnfitTester, record_readings
from grading.metrology import uncertainty
from grading.models import Calibration, Capability, Quantity, Reading, Tester, TesterCondition
from grading.testers import conditions, records
from grading.testers.records import BasisKind, Calibrated, CalibrationState, Described, Unmeasured
from grading.verdicts.values import Value
from stockroom.models import Entry
from stockroom.site.people import Role
from tests.factories import graded, make_tester, make_type, make_user, make_valve, make_valves
from tests.instruments import GM, IA, SCALE, described, owner, point, scale, shift_at, studied

pytestmark = pytest.mark.django_db

TODAY = date(2026, 6, 1)


def calibrated(
    tester: Tester, done: date, due: date, percent: float = 0.5, degrees: float | None = None
) -> Calibration:
    row = Calibration(tester=tester, done_on=done, due_on=due, by="Halden Metrology")
    records.calibrate(row, {IA: (percent, degrees)}, owner())
    return row


def fresh(tester: Tester) -> Tester:
    return Tester.objects.get(pk=tester.pk)


# What it measures


def test_a_tester_measures_what_is_written_down_and_nothing_else() -> None:
    tester = described()
    assert tester.measures(IA) and tester.measures(GM) and not tester.measures(SCALE)
    assert not tester.is_scale_only


def test_describing_it_again_replaces_what_was_written() -> None:
    tester = described()
    records.describe(tester, {GM: Described(0.05)}, owner())
    assert [row.quantity for row in fresh(tester).capabilities.all()] == [GM]
    assert fresh(tester).capabilities.get().resolution == 0.05


def test_a_tester_with_an_emission_scale_and_nothing_more_is_scale_only() -> None:
    tester = scale()
    assert tester.is_scale_only
    records.describe(tester, {SCALE: Described(1, scale_pass_at=60), Quantity.LEAKAGE: Described(1)}, owner())
    assert fresh(tester).is_scale_only, "leakage is no claim of strength"
    records.describe(tester, {SCALE: Described(1, scale_pass_at=60), IA: Described(0.1)}, owner())
    assert not fresh(tester).is_scale_only


def test_a_scale_passes_from_its_good_mark_on() -> None:
    mark = scale().capabilities.get()
    assert mark.passes(60) and mark.passes(75) and not mark.passes(59.9)


def test_only_a_scale_has_a_good_mark_and_it_must_have_one() -> None:
    tester = make_tester()
    for fields in ({"quantity": SCALE}, {"quantity": GM, "scale_pass_at": 60.0}):
        with pytest.raises(IntegrityError), transaction.atomic():
            Capability.objects.create(tester=tester, resolution=1, **fields)


def test_a_scale_only_tester_never_supports_a_claim_in_milliamperes() -> None:
    tester = scale()
    for quantity in (IA, GM):
        possible, why = records.may_record(tester, quantity)
        assert not possible and "no claim in" in why
        with pytest.raises(Unmeasured):
            records.basis_for(tester, point(), quantity)
        with pytest.raises(Unmeasured):
            records.record_of(tester).known(quantity, 1.0)


def test_the_bench_refuses_milliamperes_from_a_scale_only_tester() -> None:
    shift, valve = shift_at(scale()), make_valve(make_type("12AX7"))
    taken = {number: EnteredReading(point(), anode_current_ma=1.2) for number in (1, 2)}
    with pytest.raises(UnfitTester, match="emission on a scale"):
        record_readings(shift, valve, taken, shift.operator)
    assert not Reading.objects.exists()


def test_the_bench_refuses_a_quantity_that_the_tester_is_not_known_to_measure() -> None:
    shift, valve = shift_at(described()), make_valve(make_type("12AX7"))
    taken = {number: EnteredReading(point(), anode_current_ma=1.2, grid_current_ua=0.1) for number in (1, 2)}
    with pytest.raises(UnfitTester, match="does not measure grid current"):
        record_readings(shift, valve, taken, shift.operator)


def test_a_tester_not_yet_described_may_read_anything() -> None:
    shift, valve = shift_at(make_tester()), make_valve(make_type("12AX7"))
    record_readings(
        shift, valve, {number: EnteredReading(point(), anode_current_ma=1.2) for number in (1, 2)}, shift.operator
    )
    assert Reading.objects.count() == 2


# Calibration


@pytest.mark.parametrize(
    ("on", "state"),
    [
        (date(2025, 12, 31), CalibrationState.NONE),
        (date(2026, 1, 1), CalibrationState.CURRENT),
        (date(2026, 12, 1), CalibrationState.CURRENT),
        (date(2026, 12, 2), CalibrationState.DUE_SOON),
        (date(2027, 1, 1), CalibrationState.DUE_SOON),
        (date(2027, 1, 2), CalibrationState.OVERDUE),
    ],
)
def test_a_calibration_is_current_then_due_soon_then_overdue(on: date, state: CalibrationState) -> None:
    tester = described()
    calibrated(tester, date(2026, 1, 1), date(2027, 1, 1))
    assert records.calibration_state(tester, on) == state


def test_the_calibration_of_a_day_is_the_last_one_done_by_then() -> None:
    tester = described()
    first = calibrated(tester, date(2026, 1, 1), date(2027, 1, 1))
    second = calibrated(tester, date(2026, 5, 1), date(2027, 5, 1))
    assert records.calibration_of(tester, date(2026, 4, 30)) == first
    assert records.calibration_of(tester, date(2026, 5, 1)) == second


def test_an_overdue_calibration_is_loud_on_the_pages(client: Client) -> None:
    tester = described()
    today = timezone.localdate()
    calibrated(tester, today - timedelta(days=400), today - timedelta(days=1))
    client.force_login(make_user("vi", Role.SALES))
    for address in ("/testers/", f"/testers/{tester.pk}/"):
        assert "calibration overdue since" in client.get(address).content.decode()


# How well it reads


def test_every_term_of_a_readings_uncertainty_comes_from_the_record() -> None:
    tester = described()
    calibrated(tester, date(2026, 1, 1), date(2027, 1, 1), percent=0.5, degrees=8)
    study = studied(tester)
    known = records.record_of(fresh(tester), TODAY).known(IA, 1.2)
    terms = known.terms
    assert (terms.resolution, terms.accuracy_percent, terms.accuracy_absolute) == (0.01, 1.0, 0.01)
    assert terms.calibration_percent == 0.5 and terms.calibration_degrees_of_freedom == 8
    assert terms.repeatability_at(1.2) > 0 and terms.repeatability_degrees_of_freedom >= 6
    assert not known.wanting
    assert any(f"study {study.pk}" in text for text in known.resting_on)


def test_the_terms_combine_as_jcgm_100_says() -> None:
    """By hand: rectangular limits over sqrt(3), a step over sqrt(12), the others as they are (4.3.7, F.2.2.1)."""
    tester = described()
    calibrated(tester, date(2026, 1, 1), date(2027, 1, 1), percent=0.5)
    terms = records.record_of(fresh(tester), TODAY).known(IA, 2.0).terms
    by_hand = sqrt(0.01**2 / 12 + (2.0 * 0.01) ** 2 / 3 + 0.01**2 / 3 + (2.0 * 0.005) ** 2)
    assert isclose(uncertainty.reading(2.0, terms).combined_standard_uncertainty, by_hand, rel_tol=1e-12)


def test_what_is_not_known_is_said_and_not_taken_as_perfect() -> None:
    tester = make_tester()
    records.describe(tester, {IA: Described(0.01)}, owner())
    wanting = " ".join(records.record_of(fresh(tester), TODAY).known(IA, 1.0).wanting)
    for missing in ("no accuracy is stated", "not been calibrated", "no repeatability study"):
        assert missing in wanting


def test_an_overdue_calibration_still_counts_and_is_said() -> None:
    tester = described()
    calibrated(tester, date(2025, 1, 1), date(2026, 1, 1))
    known = records.record_of(fresh(tester), TODAY).known(IA, 1.0)
    assert known.terms.calibration_percent > 0
    assert "overdue since 1 Jan 2026" in known.overdue
    assert not any("overdue" in text for text in known.wanting), "it is known: the policy says what that does"


def test_a_calibration_corrects_what_it_found_and_leaves_an_uncertainty_of_two_parts() -> None:
    tester = described()
    row = Calibration(tester=tester, done_on=date(2026, 1, 1), due_on=date(2027, 1, 1), by="Halden Metrology")
    found = Calibrated(0.5, None, 0.004, correction_percent=-2.0, correction_absolute=0.01)
    records.calibrate(row, {IA: found}, owner())
    record = records.record_of(fresh(tester), TODAY)
    value, words = record.corrected(IA, 2.0)
    assert isclose(value, 2.0 * 0.98 + 0.01) and "−2 % of the reading and +0.01 mA" in words
    assert record.corrected(GM, 2.0) == (2.0, "")
    terms = record.known(IA, 2.0).terms
    u = {row.name: row.standard_uncertainty for row in uncertainty.reading(2.0, terms).budget}["calibration"]
    assert isclose(u, sqrt((2.0 * 0.005) ** 2 + 0.004**2))


def test_a_reading_is_graded_as_corrected_and_the_basis_says_so() -> None:
    tester = described()
    row = Calibration(tester=tester, done_on=date(2026, 1, 1), due_on=date(2099, 1, 1), by="Halden Metrology")
    records.calibrate(row, {GM: Calibrated(0.5, correction_percent=5.0)}, owner())
    valve = make_valves(make_type("12AX7"), 1)[0]
    grade = graded(valve, ia=1.2, gm=1.5, shift=shift_at(fresh(tester)))
    [gm, _] = [Value.read(row) for row in grade.measured if row["quantity"] == GM]
    assert isclose(gm.value, 1.575) and "corrected by +5 % of the reading" in gm.basis
    assert valve.readings.first().gm_ma_per_v == 1.5, "what was read stays as it was read"  # type: ignore[union-attr]


def test_another_heater_voltage_is_a_condition_of_its_own_and_no_model_converts_it() -> None:
    tester = described()
    point_ = point()
    same = {"anode_voltage_v": point_.anode_voltage_v, "grid_voltage_v": point_.grid_voltage_v}
    cold = TesterCondition(tester=tester, test_point=point_, heater_voltage_v=6.0, judged_by="house nominal", **same)
    [kept] = conditions.set_conditions([cold], owner())
    assert kept.in_words.endswith("heater 6 V")
    converted = TesterCondition(tester=tester, test_point=point_, heater_voltage_v=6.0, judged_by="converted", **same)
    with pytest.raises(ConversionRefused, match="another heater voltage"):
        conditions.set_conditions([converted], owner())


def test_a_tester_nobody_has_described_has_no_uncertainty_to_give() -> None:
    with pytest.raises(Unmeasured, match="Nobody has written down"):
        records.record_of(make_tester()).known(IA, 1.0)


# Its own conditions


def differing(tester: Tester, judged_by: str = "converted", **fields: float | None) -> TesterCondition:
    given = {"anode_voltage_v": 200.0, "grid_voltage_v": -1.5, **fields}
    row = TesterCondition(tester=tester, test_point=point(), judged_by=judged_by, **given)
    return conditions.set_conditions([row], owner())[0]


def test_without_a_difference_a_reading_is_compared_with_the_sheet() -> None:
    basis = records.basis_for(described(), point(), IA)
    assert (basis.kind, basis.nominal, basis.brought(1.1)) == (BasisKind.SHEET, 1.2, (1.1, 0.0))
    assert basis.sheet_limits and "Va 250 V" in basis.words


def test_a_reading_at_other_conditions_is_converted_with_the_models_uncertainty() -> None:
    tester = described()
    differing(tester)
    basis = records.basis_for(fresh(tester), point(), IA)
    reading = 1.05
    here, sheet = electrics.Conditions(200, -1.5), electrics.Conditions(250, -2)
    there = electrics.convert(electrics.TRIODES["12AX7"], here, sheet, anode_current_ma=reading).anode_current_ma
    value, u = basis.brought(reading)
    assert basis.kind == BasisKind.CONVERTED and basis.nominal == 1.2
    assert isclose(value, there.value) and isclose(u, there.model_u) and u > 0
    assert "converted from Va 200 V" in basis.words


def test_a_model_is_found_under_the_types_other_names(reference: None) -> None:
    from catalog.models import ValveType

    found = conditions.model_of(ValveType.objects.named("ECC83").get())
    assert found is not None and found.designation == "12AX7"


def test_a_conversion_that_no_model_allows_is_refused_when_it_is_written_down() -> None:
    self_biased: dict[str, float | None] = {"grid_voltage_v": None, "cathode_resistor_ohm": 1500.0}
    far_away: dict[str, float | None] = {"anode_voltage_v": 30.0, "grid_voltage_v": -0.2}
    for fields in (self_biased, far_away):
        with pytest.raises(electrics.ConversionRefused):
            differing(described(), "converted", **fields)
    assert not TesterCondition.objects.exists()


def test_a_type_without_a_model_cannot_be_converted() -> None:
    other = make_type("XK71").test_sections[0].test_point
    row = TesterCondition(
        tester=described(), test_point=other, anode_voltage_v=200, grid_voltage_v=-1.5, judged_by="converted"
    )
    with pytest.raises(electrics.ConversionRefused, match="no model of the XK71"):
        conditions.set_conditions([row], owner())


def test_the_sheets_own_conditions_are_no_difference() -> None:
    with pytest.raises(conditions.SameAsSheet):
        differing(described(), anode_voltage_v=250.0, grid_voltage_v=-2.0)


def test_without_a_house_nominal_such_a_reading_is_compared_with_nothing() -> None:
    tester = described()
    differing(tester, judged_by="house nominal", grid_voltage_v=None, cathode_resistor_ohm=1500.0)
    basis = records.basis_for(fresh(tester), point(), IA)
    assert (basis.kind, basis.nominal, basis.sheet_limits) == (BasisKind.NONE, None, False)
    assert "no house nominal" in basis.words


def test_a_reading_is_understood_by_the_conditions_of_its_time() -> None:
    tester = described()
    before = timezone.now()
    differing(tester)
    between = timezone.now()
    conditions.back_to_sheet(tester, point(), owner())
    kinds = [records.basis_for(fresh(tester), point(), IA, at).kind for at in (before, between, timezone.now())]
    assert kinds == [BasisKind.SHEET, BasisKind.CONVERTED, BasisKind.SHEET]
    assert conditions.current_conditions(tester) == []


def test_a_scale_is_judged_by_its_good_mark_and_claims_nothing() -> None:
    basis = records.basis_for(scale(), point(), SCALE)
    assert basis.kind == BasisKind.SCALE and basis.nominal is None
    assert "good from 60" in basis.words and "claims nothing in mA" in basis.words


# The pages


@pytest.fixture
def olive(client: Client) -> Client:
    client.force_login(owner())
    return client


def test_the_owner_writes_down_a_tester_and_what_it_measures(olive: Client) -> None:
    olive.post("/testers/new/", {"name": "Long bench", "serial_number": "7", "note": "", "in_use": "on"})
    tester = Tester.objects.get(name="Long bench")
    form = {"anode_current_ma-resolution": "0.01", "anode_current_ma-accuracy_percent": "1"}
    assert olive.post(f"/testers/{tester.pk}/measures/", form).status_code == 302
    row = tester.capabilities.get()
    assert (row.quantity, row.resolution, row.accuracy_percent, row.accuracy_absolute) == (IA, 0.01, 1.0, None)
    assert Entry.objects.filter(action="tester-described").exists()


def test_an_accuracy_without_a_step_keeps_the_form_and_what_was_typed(olive: Client) -> None:
    tester = make_tester()
    answer = olive.post(f"/testers/{tester.pk}/measures/", {"gm_ma_per_v-accuracy_percent": "3.7"}).content.decode()
    assert "smallest step" in answer and "3.7" in answer
    assert not Capability.objects.exists()


def test_a_scale_without_a_good_mark_is_refused(olive: Client) -> None:
    tester = make_tester()
    answer = olive.post(f"/testers/{tester.pk}/measures/", {"emission_scale-resolution": "1"}).content.decode()
    assert "mark from which" in answer
    assert not Capability.objects.exists()


def test_the_owner_writes_down_a_calibration(olive: Client) -> None:
    tester = described()
    form = {
        "done_on": "2026-05-04",
        "due_on": "2027-05-04",
        "by": "Halden Metrology",
        "certificate_number": "H1",
        "anode_current_ma-percent": "0.4",
        "anode_current_ma-degrees": "",
        "gm_ma_per_v-percent": "",
    }
    assert olive.post(f"/testers/{tester.pk}/calibrations/new/", form).status_code == 302
    value = tester.calibrations.get().values.get()
    assert (value.quantity, value.standard_uncertainty_percent, value.degrees_of_freedom) == (IA, 0.4, None)
    assert uncertainty_of_calibration(tester) == inf


def uncertainty_of_calibration(tester: Tester) -> float:
    return records.record_of(fresh(tester), TODAY).known(IA, 1.0).terms.calibration_degrees_of_freedom


def test_a_calibration_due_before_it_was_done_is_refused(olive: Client) -> None:
    tester = described()
    form = {"done_on": "2026-05-04", "due_on": "2026-05-04", "by": "Halden Metrology"}
    assert "due after" in olive.post(f"/testers/{tester.pk}/calibrations/new/", form).content.decode()
    assert not Calibration.objects.exists()


def test_a_difference_written_without_a_section_holds_for_every_section(olive: Client) -> None:
    tester, _ = described(), point()
    form = {"type": "12AX7", "anode_voltage_v": "200", "grid_voltage_v": "-1.5", "judged_by": "converted"}
    assert olive.post(f"/testers/{tester.pk}/conditions/new/", {**form, "section": ""}).status_code == 302
    assert sorted(row.test_point.section.number for row in tester.conditions.all()) == [1, 2]
    page = olive.get(f"/testers/{tester.pk}/").content.decode()
    assert "converted from Va 200 V" in page and "standard uncertainty of the model" in page


def test_a_conversion_refused_is_said_beside_the_choice_and_nothing_is_lost(olive: Client) -> None:
    tester, _ = described(), point()
    form = {"type": "12AX7", "anode_voltage_v": "217", "cathode_resistor_ohm": "1500", "judged_by": "converted"}
    answer = olive.post(f"/testers/{tester.pk}/conditions/new/", form).content.decode()
    assert "Judge beside a house nominal" in answer and "217" in answer
    assert not TesterCondition.objects.exists()


def test_two_kinds_of_bias_at_once_are_refused(olive: Client) -> None:
    tester, _ = described(), point()
    form = {
        "type": "12AX7",
        "anode_voltage_v": "200",
        "grid_voltage_v": "-1",
        "cathode_resistor_ohm": "1500",
        "judged_by": "house nominal",
    }
    assert "not both" in olive.post(f"/testers/{tester.pk}/conditions/new/", form).content.decode()


def test_the_owner_ends_a_difference(olive: Client) -> None:
    tester = described()
    row = differing(tester)
    olive.post(f"/conditions/{row.pk}/end/")
    assert not conditions.conditions_for(fresh(tester), point()).differs


def test_the_bench_looks_at_testers_and_changes_none(client: Client) -> None:
    tester: Tester = described()
    bo: User = make_user("bo", Role.BENCH)
    client.force_login(bo)
    assert client.get(f"/testers/{tester.pk}/").status_code == 200
    for address in ("edit/", "measures/", "calibrations/new/", "conditions/new/", "house-nominals/"):
        assert client.post(f"/testers/{tester.pk}/{address}").status_code == 403


def test_the_list_of_testers_asks_no_more_for_many(olive: Client, django_assert_max_num_queries: Any) -> None:
    described("First")
    with django_assert_max_num_queries(30) as few:
        olive.get("/testers/")
    for name in ("Second", "Third", "Fourth"):
        calibrated(described(name), date(2026, 1, 1), date(2027, 1, 1))
    with django_assert_max_num_queries(len(few.captured_queries)):
        olive.get("/testers/")

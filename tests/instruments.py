"""Small makers of instruments for tests, beside tests/factories.py.

- `owner()`: somebody with the owner's role
- `described()`: a tester that reads anode current and gm in steps of 0.01; `scale()`: one with an emission scale
- `calibrated(tester)`: the same tester after a calibration of both
- `studied(tester, sds)`: a finished study of its anode current
- `kept_aside(tester)`, `checked(reference, values)`: a reference valve, and checks of it a day apart
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from django.contrib.auth.models import User
from django.utils import timezone

from catalog.models import TestPoint
from grading.models import Calibration, Quantity, ReferenceValve, Shift, Study, Tester
from grading.testers import records, reference_checks, studies
from grading.testers.records import Calibrated, Described
from grading.testers.reference_checks import CheckOutcome
from stockroom.site.people import Role
from tests.factories import make_shift, make_tester, make_type, make_user, make_valves

IA, GM, SCALE = Quantity.ANODE_CURRENT, Quantity.GM, Quantity.EMISSION

# Twenty checks of a steady tester, in mA.
STEADY = [
    1.20,
    1.21,
    1.19,
    1.20,
    1.22,
    1.20,
    1.19,
    1.21,
    1.20,
    1.18,
    1.20,
    1.21,
    1.20,
    1.19,
    1.20,
    1.21,
    1.19,
    1.20,
    1.21,
    1.19,
]


def owner() -> User:
    return make_user("olive", Role.OWNER)


def described(name: str = "Long bench") -> Tester:
    """Anode current within 1 % and 0.01 mA, gm within 2 %, both in steps of 0.01."""
    tester = make_tester(name)
    records.describe(tester, {IA: Described(0.01, 1.0, 0.01), GM: Described(0.01, 2.0)}, owner())
    return Tester.objects.get(pk=tester.pk)


def calibrated(tester: Tester, done_days_ago: int = 30, due_in_days: int = 335) -> Tester:
    """Anode current and gm calibrated with a standard uncertainty of half a per cent."""
    today = timezone.localdate()
    calibration = Calibration(
        tester=tester,
        done_on=today - timedelta(done_days_ago),
        due_on=today + timedelta(due_in_days),
        by="a laboratory",
    )
    records.calibrate(calibration, {IA: Calibrated(0.5), GM: Calibrated(0.5)}, owner())
    return Tester.objects.get(pk=tester.pk)


def scale(name: str = "Drawer tester") -> Tester:
    tester = make_tester(name)
    records.describe(tester, {SCALE: Described(1, scale_pass_at=60)}, owner())
    return Tester.objects.get(pk=tester.pk)


def point() -> TestPoint:
    """Of section 1 of a 12AX7: 250 V, −2 V, 1.2 mA, 1.6 mA/V."""
    found = make_type("12AX7").test_sections[0].test_point
    assert found is not None
    return found


def people(count: int = 2) -> list[User]:
    return [make_user(name, Role.BENCH) for name in ("ada", "bo", "cy")[:count]]


def planned(tester: Tester, valves: int = 3, operators: int = 2, repeats: int = 2, quantity: Quantity = IA) -> Study:
    return studies.plan(
        tester, quantity, point(), make_valves(make_type("12AX7"), valves), people(operators), repeats, owner()
    )


def filled(study: Study, readings: Sequence[Sequence[Sequence[float]]]) -> Study:
    """Every reading made in the order drawn; `readings[valve][operator][repeat]`."""
    operators = list(study.study_operators.values_list("operator", flat=True))
    users = User.objects.in_bulk(operators)
    for cell in studies.order(study):
        value = readings[cell.position - 1][operators.index(cell.operator_id)][cell.repeat - 1]
        studies.record(study, cell, value, users[cell.operator_id])
    return study


# Three valves, two operators, two repeats: mean 1.2; the same person reads alike within 0.01 or 0.02.
READINGS = [[[1.00, 1.02], [1.01, 1.02]], [[1.20, 1.19], [1.21, 1.20]], [[1.38, 1.40], [1.39, 1.40]]]


def studied(tester: Tester) -> Study:
    study = filled(planned(tester), READINGS)
    studies.finish(study, owner())
    return Study.objects.get(pk=study.pk)


def kept_aside(tester: Tester | None = None, name: str = "R1", quantity: Quantity = IA) -> ReferenceValve:
    return reference_checks.add_reference(
        ReferenceValve(tester=tester, name=name, test_point=point(), quantity=quantity), owner()
    )


def checked(reference: ReferenceValve, shift: Shift, values: Sequence[float], days_ago: int = 100) -> CheckOutcome:
    """A check a day, the first `days_ago`; the outcome of the last."""
    start = timezone.now() - timedelta(days=days_ago)
    for day, value in enumerate(values):
        outcome = reference_checks.record(reference, shift, value, shift.operator, taken_at=start + timedelta(days=day))
    return outcome


def shift_at(tester: Tester, name: str = "bo") -> Shift:
    return make_shift(make_user(name, Role.BENCH), tester)

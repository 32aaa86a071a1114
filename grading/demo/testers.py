"""The demonstration's testers: what is written down of them, and how they truly read."""

from __future__ import annotations

from collections import defaultdict
from datetime import date, timedelta
from typing import Any

from django.contrib.auth.models import User

from catalog.models import TestPoint, ValveType
from grading.demo.clock import at, moment
from grading.demo.readings import Meter
from grading.models import Calibration, Quantity, ReferenceValve, Tester, TesterCondition
from grading.testers import conditions, records, reference_checks
from grading.testers.conditions import CONDITION_FIELDS


def write_down(plan: dict[str, Any], people: dict[str, User], day: date) -> None:
    """Before the first shift, by the owner."""
    owner = people["owner"]
    with at(moment(day, plan["first_shift"] + 1, 10)):
        for row in plan["tester"]:
            tester = Tester(name=row["name"], serial_number=row["serial_number"], note=row["note"])
            records.save_tester(tester, owner)
            measures = {Quantity(key): records.Described(**value) for key, value in row["measures"].items()}
            records.describe(tester, measures, owner)
            if "calibration" in row:
                _calibrated(tester, row["calibration"], owner, day)
        for row in plan["condition"]:
            found = [
                TesterCondition(
                    tester=Tester.objects.get(name=row["tester"]),
                    test_point=point,
                    judged_by=row["judged_by"],
                    note=row["note"],
                    **{name: row.get(name) for name in CONDITION_FIELDS},
                )
                for point in points_of(row["type"])
            ]
            conditions.set_conditions(found, owner)
        for row in plan["reference"]:
            saved = ReferenceValve(
                tester=Tester.objects.get(name=row["tester"]),
                name=row["name"],
                note=row["note"],
                test_point=points_of(row["type"])[0],
                quantity=row["quantity"],
            )
            reference_checks.add_reference(saved, owner)


def _calibrated(tester: Tester, row: dict[str, Any], owner: User, day: date) -> None:
    done = day - timedelta(days=row["days_ago"])
    calibration = Calibration(
        tester=tester,
        done_on=done,
        due_on=done + timedelta(days=row["good_for_days"]),
        by=row["by"],
        certificate_number=row["certificate_number"],
    )
    values = {Quantity(key): (percent, degrees) for key, (percent, degrees) in row["values"].items()}
    records.calibrate(calibration, values, owner)


def points_of(designation: str) -> list[TestPoint]:
    """The bench's own test point of each section."""
    sections = ValveType.objects.get(designation=designation).test_sections
    return [section.test_point for section in sections if section.test_point]


def meter(row: dict[str, Any], plan: dict[str, Any], ago: int) -> Meter:
    truly = row["truly"]
    drift = truly.get("drift", {"since": 0, "percent_a_day": 0})
    drifted = drift["percent_a_day"] / 100 * max(0, drift["since"] - ago)
    elsewhere: dict[int, dict[str, float]] = defaultdict(dict)
    for condition in plan["condition"]:
        if condition["tester"] == row["name"]:
            for point in points_of(condition["type"]):
                elsewhere[point.pk] = condition["reads"]
    steps = {key: value["resolution"] for key, value in row["measures"].items()}
    return Meter(steps, truly["gain"] * (1 + drifted), truly["scatter"], dict(elsewhere))

"""The conditions that a tester really sets, where they are not the data sheet's.

Differences are kept as history, so that a reading is always understood by the conditions it was taken at.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.utils import timezone

from catalog.models import TestPoint, ValveType
from catalog.physics import electrics
from catalog.reference.scripts import normal
from grading.metrology.quantities import claimed_at
from grading.models import Quantity, Reading, Tester, TesterCondition
from stockroom.models import Entry
from stockroom.pure.refused import Refused

CONDITION_FIELDS = ("anode_voltage_v", "screen_voltage_v", "grid_voltage_v", "cathode_resistor_ohm")


class SameAsSheet(Refused):
    """These conditions are the data sheet's own: there is no difference to write down."""


class Setting(NamedTuple):
    """What the tester sets for a test point. `condition` is None where it does as the sheet does."""

    test_point: TestPoint
    condition: TesterCondition | None

    @property
    def differs(self) -> bool:
        return self.condition is not None

    @property
    def in_words(self) -> str:
        return self.condition.in_words if self.condition else self.test_point.conditions


def conditions_for(tester: Tester, test_point: TestPoint, at: datetime | None = None) -> Setting:
    """The conditions at a time, now if none is given. Needs no query where the tester's `conditions` are prefetched."""
    when = at or timezone.now()
    rows = (row for row in tester.conditions.all() if row.test_point_id == test_point.pk and row.since <= when)
    latest = next(rows, None)
    if latest is None or latest.judged_by == TesterCondition.JudgedBy.AS_SHEET:
        return Setting(test_point, None)
    return Setting(test_point, latest)


def read_at(reading: Reading) -> Setting:
    """The setting of its tester when it was taken. Prefetch `shift__tester__conditions` where there are many."""
    return conditions_for(reading.shift.tester, reading.test_point, reading.taken_at)


def conversion(condition: TesterCondition, quantity: Quantity) -> tuple[float, float, str]:
    """The factor from the tester's conditions to the sheet's, the model's relative standard uncertainty, and words.

    Raises electrics.ConversionRefused where the model cannot say, or not well enough.
    """
    type_ = condition.test_point.section.type
    if condition.heater_voltage_v is not None:
        raise electrics.ConversionRefused(
            "The model knows nothing of another heater voltage. Judge beside a house nominal."
        )
    model = model_of(type_)
    if model is None:
        raise electrics.ConversionRefused(
            f"There is no model of the {type_} to convert by. Judge beside a house nominal."
        )
    read_at, wanted = _conditions(condition), _conditions(condition.test_point)
    try:
        # The factor does not depend on the reading, so a reading of one tells it.
        gm = 1.0 if quantity == Quantity.GM else None
        both = electrics.convert(model, read_at, wanted, anode_current_ma=1.0, gm_ma_per_v=gm)
    except electrics.ConversionRefused:
        raise
    except ValueError as cause:
        raise electrics.ConversionRefused(str(cause)) from cause
    converted = both.gm_ma_per_v if quantity == Quantity.GM else both.anode_current_ma
    assert converted is not None
    return converted.factor, converted.model_u / converted.value, converted.statement


def model_of(type_: ValveType) -> electrics.Model | None:
    """The model of this type under any of its names."""
    names = {type_.normal, *type_.aliases.values_list("normal", flat=True)}
    models: dict[str, electrics.Model] = {**electrics.TRIODES, **electrics.PENTODES}
    return next((model for name, model in models.items() if normal(name) in names), None)


def _conditions(at: TestPoint | TesterCondition) -> electrics.Conditions:
    if at.grid_voltage_v is None or at.anode_voltage_v is None:
        raise electrics.ConversionRefused(
            "The model converts between fixed grid voltages only, and a cathode resistor sets the bias here. "
            "Judge beside a house nominal."
        )
    return electrics.Conditions(at.anode_voltage_v, at.grid_voltage_v, at.screen_voltage_v)


def set_conditions(rows: Sequence[TesterCondition], by: User) -> Sequence[TesterCondition]:
    """From now on the tester sets these sections up so: all of them, or none when one is refused.

    Raises:
        SameAsSheet: nothing differs.
        electrics.ConversionRefused: the readings cannot be converted to the sheet's conditions.
    """
    for condition in rows:
        _refuse_idle(condition)
    with transaction.atomic():
        for condition in rows:
            condition.by = by
            condition.save()
            judged = condition.get_judged_by_display()
            said = f"{condition.tester} tests the {condition.test_point.section} at {condition.in_words}, {judged}."
            Entry.write(by, "tester-conditions", said)
    return rows


def _refuse_idle(condition: TesterCondition) -> None:
    point = condition.test_point
    alike = all(getattr(condition, name) == getattr(point, name) for name in CONDITION_FIELDS)
    if alike and condition.heater_voltage_v is None:
        raise SameAsSheet(f"{point.conditions} is what the data sheet says: there is no difference to write down.")
    if condition.judged_by == TesterCondition.JudgedBy.CONVERTED:
        for quantity in claimed_at(point):
            if getattr(point, quantity) is not None:
                conversion(condition, quantity)


def back_to_sheet(tester: Tester, test_point: TestPoint, by: User) -> None:
    """From now on the tester sets this section up as the data sheet does."""
    with transaction.atomic():
        TesterCondition.objects.create(
            tester=tester, test_point=test_point, judged_by=TesterCondition.JudgedBy.AS_SHEET, by=by
        )
        said = f"{tester} tests the {test_point.section} at the data sheet's conditions, {test_point.conditions}."
        Entry.write(by, "tester-conditions", said)


def current_conditions(tester: Tester) -> list[TesterCondition]:
    """Where the tester differs from the sheet now."""
    latest: dict[int, TesterCondition] = {}
    for row in tester.conditions.select_related("test_point__section__type", "by"):
        latest.setdefault(row.test_point_id, row)
    return [row for row in latest.values() if row.judged_by != TesterCondition.JudgedBy.AS_SHEET]

"""A tester as an instrument: how well it reads, when it was calibrated, and what its readings are compared with.

How well
- `record_of(tester, on)`: a `TesterRecord`; its `known(quantity, value)` gives the terms of a reading's uncertainty
  (`grading.metrology.uncertainty`), what they rest on, and what nobody has written down
- `calibration_of(tester, on)`, `calibration_state(tester, on)`: the calibration of a day, and whether it is overdue
- `may_record(tester, quantity)`: whether a reading of this quantity can be kept, and why not

Compared with what
- `basis_for(tester, test_point, quantity, at)`: a `Basis`: the data sheet's nominal at its own conditions, the same
  after a conversion, a house nominal, a scale's good mark, or nothing; its `words` stand on every paper

Writing it down
- `save_tester`, `describe`, `calibrate`; where a tester differs from the sheet is in `grading.testers.conditions`
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from enum import StrEnum
from math import inf
from typing import NamedTuple

from django.contrib.auth.models import User
from django.db import transaction
from django.db.models import Max, Min
from django.utils import timezone

from catalog.models import TestPoint
from catalog.physics.electrics import ConversionRefused
from grading.metrology.quantities import CLAIMING
from grading.metrology.uncertainty import ReadingTerms
from grading.models import Calibration, CalibrationValue, Capability, Quantity, Tester, TesterCondition
from grading.testers import house_nominals, studies
from grading.testers.conditions import conditions_for, conversion
from grading.testers.signals import corrected
from grading.testers.studies import StudiedRepeatability
from stockroom.models import Entry
from stockroom.pure.refused import Refused
from stockroom.pure.written import day, figures, plain
from stockroom.site.changes import differences, told

# How long before it is due a calibration is called due soon (common practice, no source).
SOON = timedelta(days=30)


class Unmeasured(Refused):
    """The tester does not measure this quantity, so no claim in it can rest on the tester."""


# Calibration


class CalibrationState(StrEnum):
    CURRENT = "current"
    DUE_SOON = "due soon"
    OVERDUE = "overdue"
    NONE = "none"


def calibration_of(tester: Tester, on: date | None = None) -> Calibration | None:
    """The last one done by that day."""
    day = on or timezone.localdate()
    return next((row for row in tester.calibrations.all() if row.done_on <= day), None)


def calibration_state(tester: Tester, on: date | None = None) -> CalibrationState:
    day = on or timezone.localdate()
    last = calibration_of(tester, day)
    if last is None:
        return CalibrationState.NONE
    if last.due_on < day:
        return CalibrationState.OVERDUE
    return CalibrationState.DUE_SOON if last.due_on - day <= SOON else CalibrationState.CURRENT


# How well it reads


class KnownTerms(NamedTuple):
    """The terms of a reading's uncertainty near one value, in the quantity's unit.

    `resting_on` says where each comes from; `wanting` says what is not known and therefore not in it, so that it
    supports no statement of a level. `comparison_wanting` is that part of it which two readings of one session want as
    well. `overdue` says since when the calibration is, if it is: what that does is the policy's to say.
    """

    terms: ReadingTerms
    resting_on: tuple[str, ...]
    wanting: tuple[str, ...]
    comparison_wanting: tuple[str, ...]
    overdue: str = ""


class TesterRecord(NamedTuple):
    """All that is written down of a tester on a day, read from the database once."""

    tester: Tester
    on: date
    capabilities: Mapping[str, Capability]
    calibration: Calibration | None
    calibration_values: Mapping[str, CalibrationValue]
    repeatability: Mapping[str, tuple[StudiedRepeatability, ...]]  # of every finished study, the latest first

    def repeats(self, quantity: Quantity, value: float) -> StudiedRepeatability | None:
        """By the study that speaks for readings near `value`."""
        return studies.that_speaks(self.repeatability.get(quantity, ()), value)

    def corrected(self, quantity: Quantity, value: float) -> tuple[float, str]:
        """The reading with the calibration's correction, and words for it; as it is where there is none."""
        calibrated = self.calibration_values.get(quantity)
        if calibrated is None or self.calibration is None or not calibrated.correction_in_words:
            return value, ""
        words = f"corrected by {calibrated.correction_in_words}, as calibrated on {day(self.calibration.done_on)}"
        return calibrated.corrected(value), words

    def known(self, quantity: Quantity, value: float) -> KnownTerms:
        """The terms for `grading.metrology.uncertainty.reading` and `grading.metrology.comparison` near `value`. Raises
        Unmeasured."""
        capability = self.capabilities.get(quantity)
        if capability is None:
            raise Unmeasured(_cannot(self.tester, quantity, bool(self.capabilities)))
        resting_on = [f"a display that moves in steps of {quantity.shown(capability.resolution)}"]
        wanting, comparison_wanting, overdue = [], [], ""
        if capability.accuracy_stated:
            resting_on.append(f"a stated accuracy within {capability.accuracy_in_words}")
        else:
            wanting.append(f"no accuracy is stated for its {quantity.label}")
        calibrated = self.calibration_values.get(quantity)
        if calibrated and self.calibration:
            done = f"the calibration of {day(self.calibration.done_on)}"
            resting_on.append(f"{done}, standard uncertainty {calibrated.u_in_words}")
            if self.calibration.due_on < self.on:
                overdue = f"{done} has been overdue since {day(self.calibration.due_on)}"
        else:
            wanting.append(f"its {quantity.label} has not been calibrated")
        repeats = self.repeats(quantity, value)
        if repeats:
            resting_on.append(f"study {repeats.study.pk}, repeatability {repeats.in_words}")
        else:
            comparison_wanting.append(f"no repeatability study of its {quantity.label} is finished")
        terms = _terms(capability, calibrated, repeats, value)
        return KnownTerms(terms, tuple(resting_on), (*wanting, *comparison_wanting), tuple(comparison_wanting), overdue)


def _terms(
    capability: Capability, calibrated: CalibrationValue | None, repeats: StudiedRepeatability | None, value: float
) -> ReadingTerms:
    terms = ReadingTerms(
        resolution=capability.resolution,
        accuracy_percent=capability.accuracy_percent or 0.0,
        accuracy_absolute=capability.accuracy_absolute or 0.0,
    )
    if calibrated:
        terms = terms._replace(
            calibration_percent=calibrated.standard_uncertainty_percent,
            calibration_u=calibrated.standard_uncertainty_absolute,
            calibration_degrees_of_freedom=calibrated.degrees_of_freedom or inf,
        )
    return repeats.added_to(terms, value) if repeats else terms


def record_of(tester: Tester, on: date | None = None) -> TesterRecord:
    """Studies count from the day they are finished, whatever `on` is: they say how the tester repeats."""
    day = on or timezone.localdate()
    capabilities = {row.quantity: row for row in tester.capabilities.all()}
    calibration = calibration_of(tester, day)
    found = {quantity: studies.repeatabilities_of(tester, Quantity(quantity)) for quantity in capabilities}
    return TesterRecord(
        tester,
        day,
        capabilities,
        calibration,
        {row.quantity: row for row in calibration.values.all()} if calibration else {},
        {quantity: said for quantity, said in found.items() if said},
    )


def may_record(tester: Tester, quantity: Quantity) -> tuple[bool, str]:
    """Whether a reading of this quantity on this tester can be kept. A tester not yet described may read anything."""
    measured = {row.quantity for row in tester.capabilities.all()}
    if not measured or quantity in measured:
        return True, ""
    return False, _cannot(tester, quantity, described=True)


def _cannot(tester: Tester, quantity: Quantity, described: bool) -> str:
    if not described:
        return f"Nobody has written down what {tester} measures, so how well it reads is not known."
    if tester.is_scale_only and quantity in CLAIMING:
        return (
            f"{tester} reads emission on a scale: it passes or fails a valve, and supports no claim in {quantity.unit}."
        )
    return f"By its record {tester} does not measure {quantity.label}. If it does, add that under Testers."


# What a reading is compared with


class BasisKind(StrEnum):
    SHEET = "data sheet"
    CONVERTED = "converted"
    HOUSE = "house nominal"
    SCALE = "scale"
    NONE = "nothing"


class Basis(NamedTuple):
    """What a reading of one quantity is compared with, and how it is brought there.

    `nominal` and its standard uncertainty are in the quantity's unit: None where there is nothing to compare with,
    and where the judgement is a scale's good mark. The sheet's own limits apply to the brought reading when
    `sheet_limits`. `words` are for the papers. A house nominal was itself read on the tester, from the first to the
    last of `nominal_read`: what the tester did wrong then it does still, if it has not changed since.
    """

    kind: BasisKind
    nominal: float | None
    nominal_u: float
    factor: float
    relative_model_u: float
    sheet_limits: bool
    words: str
    nominal_read: tuple[datetime, ...] = ()

    def brought(self, value: float) -> tuple[float, float]:
        """The reading at the conditions of the nominal, and the standard uncertainty that bringing it there adds."""
        there = value * self.factor
        return there, abs(there) * self.relative_model_u


HOUSE = TesterCondition.JudgedBy.HOUSE


def basis_for(tester: Tester, test_point: TestPoint, quantity: Quantity, at: datetime | None = None) -> Basis:
    """Anode current and gm beside a nominal, emission beside the scale's good mark.

    Raises:
        Unmeasured: the tester's record says that it does not measure this.
        ValueError: leakage and grid current have no nominal.
    """
    possible, why = may_record(tester, quantity)
    if not possible:
        raise Unmeasured(why)
    if quantity == Quantity.EMISSION:
        return _scale(tester)
    if quantity not in CLAIMING:
        raise ValueError(f"{quantity.label} has a limit and no nominal.")
    nominal = getattr(test_point, quantity)
    setting = conditions_for(tester, test_point, at)
    if not test_point.has_nominal and (setting.condition is None or setting.condition.judged_by != HOUSE):
        words = f"compared with nothing: no nominal of the {test_point.section.type} is on file for {test_point.name}"
        return Basis(BasisKind.NONE, None, 0.0, 1.0, 0.0, False, words)
    if setting.condition is None:
        words = f"beside the data sheet's nominal, at the data sheet's conditions ({test_point.conditions})"
        return Basis(BasisKind.SHEET, nominal, 0.0, 1.0, 0.0, True, words)
    if setting.condition.judged_by == HOUSE:
        return _beside_house(setting.condition, quantity)
    try:
        factor, relative_u, words = conversion(setting.condition, quantity)
    except ConversionRefused as refusal:
        return Basis(BasisKind.NONE, None, 0.0, 1.0, 0.0, False, f"compared with nothing: {refusal}")
    return Basis(
        BasisKind.CONVERTED,
        nominal,
        0.0,
        factor,
        relative_u,
        True,
        f"{words} (factor {figures(factor)}, standard uncertainty of the model {figures(100 * relative_u, 2)} %), "
        "then beside the data sheet's nominal",
    )


def _scale(tester: Tester) -> Basis:
    capability = next((row for row in tester.capabilities.all() if row.quantity == Quantity.EMISSION), None)
    if capability is None or capability.scale_pass_at is None:
        return Basis(
            BasisKind.NONE, None, 0.0, 1.0, 0.0, False, "compared with nothing: the scale's good mark is not known"
        )
    words = f"passed or failed on a scale, good from {plain(capability.scale_pass_at)}; it claims nothing in mA or mA/V"
    return Basis(BasisKind.SCALE, None, 0.0, 1.0, 0.0, False, words)


def _beside_house(condition: TesterCondition, quantity: Quantity) -> Basis:
    learnt = house_nominals.nominal_for(condition.tester, condition.test_point, quantity, condition)
    where = f"at {condition.in_words} on {condition.tester}"
    if learnt is None:
        words = f"compared with nothing: no house nominal has been learnt {where}"
        return Basis(BasisKind.NONE, None, 0.0, 1.0, 0.0, False, words)
    words = (
        f"beside a house nominal {where}, the median of known-good NOS valves of ours, learnt "
        f"{day(timezone.localtime(learnt.learnt_at))}: {quantity.shown(learnt.median)} of {learnt.count} valves, "
        f"robust standard deviation {quantity.shown(learnt.spread, 2)}"
    )
    read = learnt.readings.aggregate(first=Min("taken_at"), last=Max("taken_at"))
    between = tuple(when for when in (read["first"], read["last"]) if when is not None)
    return Basis(BasisKind.HOUSE, learnt.median, learnt.standard_uncertainty, 1.0, 0.0, False, words, between)


# Writing it down


def save_tester(changed: Tester, by: User) -> Tester:
    """Store a new tester, or what has changed of one."""
    with transaction.atomic():
        before = Tester.objects.filter(pk=changed.pk).first()
        changed.save()
        if before is None:
            Entry.write(by, "tester-added", f"Tester {changed} added.")
        elif said := differences(before, changed, ("name", "serial_number", "note", "in_use")):
            Entry.write(by, "tester-changed", told(f"Tester {before}: ", said))
    return changed


class Described(NamedTuple):
    """What is to be written of one quantity; the fields are those of `Capability`."""

    resolution: float
    accuracy_percent: float | None = None
    accuracy_absolute: float | None = None
    scale_pass_at: float | None = None


def describe(tester: Tester, rows: Mapping[Quantity, Described], by: User) -> list[str]:
    """What the tester measures, in full: a quantity left out is one that it does not measure.

    Returns sentences that say what follows from a change.
    """
    with transaction.atomic():
        before = set(tester.capabilities.values_list("quantity", *Described._fields))
        tester.capabilities.exclude(quantity__in=rows).delete()
        for quantity, row in rows.items():
            Capability.objects.update_or_create(tester=tester, quantity=quantity, defaults=row._asdict())
        said = ", ".join(
            f"{quantity.label} in steps of {quantity.shown(row.resolution)}" for quantity, row in rows.items()
        )
        Entry.write(by, "tester-described", f"{tester} measures {said or 'nothing'}.")
        changed = before != {(str(quantity), *row) for quantity, row in rows.items()}
        return corrected(tester, by) if changed else []


class Calibrated(NamedTuple):
    """What a calibration says of one quantity, in per cent of the reading and in its unit (`CalibrationValue`)."""

    standard_uncertainty_percent: float
    degrees_of_freedom: float | None = None
    standard_uncertainty_absolute: float = 0.0
    correction_percent: float = 0.0
    correction_absolute: float = 0.0


def calibrate(
    calibration: Calibration, values: Mapping[Quantity, Calibrated | tuple[float, float | None]], by: User
) -> list[str]:
    """Keep a calibration with what it says of each quantity; a plain pair is an uncertainty in per cent and its
    degrees of freedom. Returns sentences that say what follows from it."""
    with transaction.atomic():
        calibration.save()
        CalibrationValue.objects.bulk_create(
            CalibrationValue(calibration=calibration, quantity=quantity, **Calibrated(*said)._asdict())
            for quantity, said in values.items()
        )
        said = f"{calibration.tester} was calibrated by {calibration.by} on {day(calibration.done_on)}"
        Entry.write(by, "tester-calibrated", f"{said}, next due on {day(calibration.due_on)}.")
        return corrected(calibration.tester, by, since=calibration.done_on)

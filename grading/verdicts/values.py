"""Readings as measurements: each value with what it is compared with and how well it is known.

- `Bench`: what is written down of the testers, read once for many valves
- `Value`: one quantity of one section, with its uncertainty and its basis; a grade keeps them
- `values_of(repeats, bench)`, `as_section(repeats, values)`: for judging
- `JudgedSpread`, `spread_of(values)`: how far a set spreads, with the uncertainty of the comparison
- `claim(values, tolerance, probability)`: whether a set is sure enough to be within its tolerance

Repeats that lie further apart than repeats on this tester do contradict each other: the valve is intermittent, was
cold, or another one was read. They are not averaged, and not outvoted either: the worse counts until they agree
again, because further ones bring them within the range of so many, because the wrong one was corrected, or because a
later shift starts afresh. Such a valve is graded, and matched with none.

A level counts every term of the tester's uncertainty; a comparison of valves read on one tester counts only what is
not common to them (`grading.metrology.uncertainty`). A tester that nobody has described leaves its readings without an
uncertainty, and every page then says so.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from math import fsum, hypot, inf, isfinite, log, sqrt
from typing import Any, NamedTuple

from django.utils import timezone

from catalog.models import TestPoint
from grading.metrology import uncertainty
from grading.metrology.conformity import SetDecision, decide_set
from grading.metrology.repeatability import critical_range
from grading.models import Quantity, Tester
from grading.models.instruments import claimed_of
from grading.testers.conditions import conditions_for
from grading.testers.records import Basis, BasisKind, TesterRecord, Unmeasured, basis_for, record_of
from grading.verdicts.pure.grades import ReadingUncertainty, SectionReading
from grading.verdicts.repeats import Repeats

SQRT_12 = sqrt(12)
ROUNDING = 1e-9  # repeats exactly as far apart as they may be do not contradict each other

# How far repeats may differ on a tester without a study: of their mean, and in steps of its display at the least
# (common practice, no source).
WITHOUT_STUDY = 0.10
WITHOUT_STUDY_STEPS = 2


class Bench:
    """The testers' records and bases, each looked up once."""

    def __init__(self) -> None:
        self._testers: dict[int, Tester] = {}
        self._records: dict[tuple[int, date], TesterRecord] = {}
        self._bases: dict[tuple[int, int, str, int | None], Basis | None] = {}

    def tester(self, pk: int) -> Tester:
        if pk not in self._testers:
            rows = Tester.objects.prefetch_related("capabilities", "conditions", "calibrations__values")
            self._testers[pk] = rows.get(pk=pk)
        return self._testers[pk]

    def record(self, tester_id: int, at: datetime) -> TesterRecord:
        day = timezone.localdate(at)
        if (tester_id, day) not in self._records:
            self._records[tester_id, day] = record_of(self.tester(tester_id), day)
        return self._records[tester_id, day]

    def conditions(self, tester_id: int, point: TestPoint, basis: Basis, at: datetime) -> str:
        """The tester's own settings beside a house nominal; the sheet's where it was read or brought there."""
        setting = conditions_for(self.tester(tester_id), point, at)
        return setting.in_words if basis.kind in (BasisKind.HOUSE, BasisKind.NONE) else point.conditions

    def basis(self, tester_id: int, point: TestPoint, quantity: Quantity, at: datetime) -> Basis | None:
        """None where the tester's record says that it does not measure this."""
        tester = self.tester(tester_id)
        condition = conditions_for(tester, point, at).condition
        key = (tester_id, point.pk, str(quantity), condition.pk if condition else None)
        if key not in self._bases:
            try:
                self._bases[key] = basis_for(tester, point, quantity, at)
            except Unmeasured:
                self._bases[key] = None
        return self._bases[key]


@dataclass(frozen=True)
class Value:
    """One quantity of one section, in its unit, brought to the conditions of its nominal.

    `standard_uncertainty` is of the level, `ratio_u` the relative part that is not common to two readings on
    the tester; both are None where the tester's record does not give them. `wanting` says what they leave out.
    `contradiction` says that repeats contradict each other, and which of them this is.
    """

    section: int
    quantity: str
    value: float
    readings: int
    tester: str
    point_id: int  # of catalog.models.TestPoint
    conditions: str  # the settings that the value stands for, after any conversion
    nominal: float | None
    kind: str
    basis: str
    sheet_limits: bool
    repeatability_sd: float | None = None
    systematic_u: float | None = None
    degrees_of_freedom: float | None = None  # None stands for infinitely many, which JSON cannot write
    resolution: float = 0.0
    standard_uncertainty: float | None = None
    coverage_factor: float | None = None
    expanded_uncertainty: float | None = None
    ratio_u: float | None = None
    resting_on: tuple[str, ...] = ()
    wanting: tuple[str, ...] = ()
    contradiction: str = ""

    @property
    def stands_at(self) -> tuple[int, str, str]:
        """Values that differ in this cannot be set side by side: other settings, or only one converted."""
        return self.point_id, self.conditions, self.kind

    def stored(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def read(cls, row: Mapping[str, Any]) -> Value:
        return cls(**{**row, "resting_on": tuple(row["resting_on"]), "wanting": tuple(row["wanting"])})

    def compared_u(self, common: bool) -> float | None:
        """The relative standard uncertainty that counts beside another value, on the same tester or on another."""
        if common:
            return self.ratio_u
        return None if self.standard_uncertainty is None else self.standard_uncertainty / self.value

    @property
    def known(self) -> ReadingUncertainty | None:
        if self.repeatability_sd is None or self.systematic_u is None:
            return None
        degrees = inf if self.degrees_of_freedom is None else self.degrees_of_freedom
        return ReadingUncertainty(
            self.repeatability_sd, self.systematic_u, degrees, self.resolution, self.readings, self.ratio_u or 0.0
        )


def values_of(repeats: Repeats, bench: Bench) -> list[Value]:
    """Anode current and gm, or the voltage held: those that were read and that the tester can claim."""
    latest = repeats.latest
    tester_id = latest.shift.tester_id
    values = []
    for quantity in claimed_of(latest.test_point.section.kind):
        if not repeats.values(quantity):
            continue
        basis = bench.basis(tester_id, latest.test_point, quantity, latest.taken_at)
        if basis is None:
            continue
        record = bench.record(tester_id, latest.taken_at)
        spoken = spoken_by(repeats, quantity, record, basis.nominal and basis.nominal / basis.factor)
        plain = Value(
            section=latest.section,
            quantity=str(quantity),
            value=spoken.value * basis.factor,
            readings=spoken.readings,
            tester=str(record.tester),
            point_id=latest.test_point_id,
            conditions=bench.conditions(tester_id, latest.test_point, basis, latest.taken_at),
            nominal=basis.nominal,
            kind=str(basis.kind),
            basis=basis.words,
            sheet_limits=basis.sheet_limits,
            contradiction=spoken.contradiction,
        )
        values.append(_with_uncertainty(plain, spoken.value, quantity, basis, record))
    return values


class Spoken(NamedTuple):
    """What repeats say together, as it was read: of how many it is the mean, and whether they contradict each other."""

    value: float
    readings: int
    contradiction: str = ""


def spoken_by(repeats: Repeats, quantity: Quantity, record: TesterRecord, nominal: float | None) -> Spoken:
    """The mean of the repeats, or the worse where they contradict each other. At least one was read."""
    values = repeats.values(quantity)
    mean = fsum(values) / len(values)
    if len(values) < 2:
        return Spoken(mean, 1)
    allowed, known_from = _range_allowed(values, mean, quantity, record)
    if max(values) - min(values) <= allowed * (1 + ROUNDING):
        return Spoken(mean, len(values))
    worse = _worst(values, quantity, nominal, repeats.latest.test_point)
    read = f"{', '.join(f'{value:g}' for value in values[:-1])} and {quantity.shown(values[-1])}"
    return Spoken(
        worse,
        1,
        f"{quantity.label} was read as {read}, and {len(values)} repeats may differ by {quantity.shown(allowed)} "
        f"({known_from}): they contradict each other and are not averaged; the worse, {quantity.shown(worse)}, counts "
        "until they agree. Read it again, or correct the wrong one",
    )


def _range_allowed(values: Sequence[float], mean: float, quantity: Quantity, record: TesterRecord) -> tuple[float, str]:
    """How far repeats may lie apart, and where that is known from."""
    capability = record.capabilities.get(quantity)
    step = capability.resolution if capability else 0.0
    if quantity in record.repeatability:
        terms = record.known(quantity, mean).terms
        degrees = terms.repeatability_degrees_of_freedom
        allowed = critical_range(len(values), terms.repeatability_at(mean), degrees)
        return max(allowed, step), f"study {record.repeatability[quantity].study.pk}, ISO 5725-6"
    return max(WITHOUT_STUDY * mean, WITHOUT_STUDY_STEPS * step), "common practice, for want of a repeatability study"


def _worst(values: Sequence[float], quantity: Quantity, nominal: float | None, point: TestPoint) -> float:
    """The least, and of what can be too much as well, anode current and voltage held, the furthest from nominal."""
    both_ways = quantity == Quantity.ANODE_VOLTAGE or (
        quantity == Quantity.ANODE_CURRENT and point.section.kind != "diode"
    )
    if not both_ways or not nominal:
        return min(values)
    return max(values, key=lambda value: abs(log(value / nominal)) if value > 0 else inf)


def _with_uncertainty(plain: Value, mean: float, quantity: Quantity, basis: Basis, record: TesterRecord) -> Value:
    if quantity not in record.capabilities:
        return plain
    known = record.known(quantity, mean)
    terms, n, factor = known.terms, plain.readings, basis.factor
    _, model_u = basis.brought(mean)
    # A house nominal is itself an estimate: its uncertainty moves the limit, which is the same as moving the value.
    nominal_u = basis.nominal_u * plain.value / basis.nominal if basis.nominal else 0.0
    combined = uncertainty.reading(mean, terms, readings=n, conversion_u=hypot(model_u, nominal_u) / factor)
    expanded = uncertainty.expand(combined)
    degrees = combined.effective_degrees_of_freedom
    alone = hypot(terms.repeatability_at(mean) / sqrt(n), terms.resolution / SQRT_12)
    return replace(
        plain,
        repeatability_sd=terms.repeatability_at(mean) * factor,
        systematic_u=uncertainty.not_averaging(combined) * factor,
        degrees_of_freedom=degrees if isfinite(degrees) else None,
        resolution=terms.resolution * factor,
        standard_uncertainty=combined.combined_standard_uncertainty * factor,
        coverage_factor=expanded.coverage_factor,
        expanded_uncertainty=expanded.expanded_uncertainty * factor,
        ratio_u=alone / mean if mean else None,
        resting_on=known.resting_on,
        wanting=known.wanting,
    )


def as_section(repeats: Repeats, values: Sequence[Value], bench: Bench) -> SectionReading:
    """One section as the policy judges it; while its last series has not settled, by its faults alone."""
    latest, point = repeats.latest, repeats.latest.test_point
    found = {value.quantity: value for value in values}
    ia, gm, held = (found.get(one) for one in (Quantity.ANODE_CURRENT, Quantity.GM, Quantity.ANODE_VOLTAGE))
    claimed = () if repeats.unsettled else claimed_of(point.section.kind)
    nominals = {one: found[one].nominal if one in found else getattr(point, one) for one in claimed}
    record = bench.record(latest.shift.tester_id, latest.taken_at)
    scale = spoken_by(repeats, Quantity.EMISSION, record, None) if repeats.values(Quantity.EMISSION) else None
    said = [*(value.contradiction for value in values), scale.contradiction if scale else ""]
    sheet = bool(ia and ia.sheet_limits) or bool(gm and gm.sheet_limits)
    return SectionReading(
        section=latest.section,
        anode_current_ma=ia.value if ia else None,
        gm_ma_per_v=gm.value if gm else None,
        voltage_held_v=held.value if held else None,
        nominal_anode_current_ma=nominals.get(Quantity.ANODE_CURRENT),
        nominal_gm_ma_per_v=nominals.get(Quantity.GM),
        nominal_voltage_held_v=nominals.get(Quantity.ANODE_VOLTAGE),
        anode_current_min_ma=point.anode_current_min_ma if sheet else None,
        anode_current_max_ma=point.anode_current_max_ma if sheet else None,
        gm_min_ma_per_v=point.gm_min_ma_per_v if sheet else None,
        gm_max_ma_per_v=point.gm_max_ma_per_v if sheet else None,
        shorted=repeats.short is not None,
        short_between=repeats.short.short_between if repeats.short else "",
        heater_cathode_leakage_ua=repeats.worst(Quantity.LEAKAGE),
        grid_current_ua=repeats.worst(Quantity.GRID_CURRENT),
        noise=repeats.noise,
        scale=scale.value if scale else None,
        scale_pass_at=_scale_pass_at(bench, latest.shift.tester_id),
        anode_current_known=ia.known if ia else None,
        gm_known=gm.known if gm else None,
        voltage_held_known=held.known if held else None,
        scale_known=_scale_known(scale, record) if scale else None,
        alike=_meant(point, values),
        contradictions=tuple(filter(None, said)),
        kind=point.section.kind,
        indirectly_heated=point.section.type.cathode == "indirect",
    )


def _meant(point: TestPoint, values: Sequence[Value]) -> Hashable:
    """What the section should be by its sheet, and the settings that its values stand for."""
    settings = frozenset((value.conditions, value.kind) for value in values)
    return point.section.kind, point.anode_current_ma, point.gm_ma_per_v, settings


def _scale_known(scale: Spoken, record: TesterRecord) -> ReadingUncertainty | None:
    """How well a reading of an emission scale is known, in its divisions."""
    if Quantity.EMISSION not in record.capabilities:
        return None
    terms = record.known(Quantity.EMISSION, scale.value).terms
    combined = uncertainty.reading(scale.value, terms, readings=scale.readings)
    return ReadingUncertainty(
        terms.repeatability_at(scale.value),
        uncertainty.not_averaging(combined),
        combined.effective_degrees_of_freedom,
        terms.resolution,
        scale.readings,
    )


def _scale_pass_at(bench: Bench, tester_id: int) -> float | None:
    for capability in bench.tester(tester_id).capabilities.all():
        if capability.quantity == Quantity.EMISSION:
            return capability.scale_pass_at
    return None


# Comparing valves


@dataclass(frozen=True)
class JudgedSpread:
    """Largest over smallest, less one, of one quantity in a set.

    `expanded_uncertainty` is of the comparison (95 %), None where a reading has none. `common` says whether the
    valves were read on one tester, so that what they share cancels.
    """

    section: int
    quantity: Quantity
    smallest: float
    largest: float
    nominal: float | None
    spread: float
    expanded_uncertainty: float | None
    coverage_factor: float | None
    common: bool

    @property
    def label(self) -> str:
        return short_name(self.section, self.quantity)


SHORT_NAMES = {Quantity.ANODE_CURRENT: "Ia", Quantity.GM: "gm", Quantity.ANODE_VOLTAGE: "V held"}


def short_name(section: int, quantity: Quantity) -> str:
    """As the trade calls it: "gm, section 2"."""
    return f"{SHORT_NAMES[quantity]}, section {section}"


def spread_of(values: Sequence[Value]) -> JudgedSpread:
    """The spread of one quantity over a set; all values are of the same section and quantity."""
    low, high = min(values, key=lambda v: v.value), max(values, key=lambda v: v.value)
    common = read_together(values)
    relative = [value.compared_u(common) for value in (low, high)]
    spread = high.value / low.value - 1
    k = expanded = None
    if None not in relative:
        degrees = [inf if v.degrees_of_freedom is None else v.degrees_of_freedom for v in (low, high)]
        k = uncertainty.set_coverage_factor(len(values), max(1.0, min(degrees)))
        expanded = k * (1 + spread) * hypot(*(u for u in relative if u is not None))
    return JudgedSpread(
        low.section, Quantity(low.quantity), low.value, high.value, low.nominal, spread, expanded, k, common
    )


def read_together(values: Sequence[Value]) -> bool:
    """All on one tester, so that its own errors cancel in a comparison."""
    return len({value.tester for value in values}) == 1


def claim(values: Sequence[Value], tolerance: float, probability: float) -> SetDecision | None:
    """Whether one quantity of a set lies within `tolerance` (a fraction) with this probability.

    None where a reading has no uncertainty: the set is then taken as it reads.
    """
    common = read_together(values)
    relative = [value.compared_u(common) for value in values]
    if not all(relative):
        return None
    return decide_set(
        [value.value for value in values],
        tolerance,
        repeatability_sds=[(v.repeatability_sd or 0.0) / sqrt(v.readings) for v in values],
        other_us=[v.resolution / SQRT_12 if common else v.systematic_u or 0.0 for v in values],
        required_probability=probability,
    )

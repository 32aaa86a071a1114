"""Readings as measurements: each value with what it is compared with and how well it is known.

- `Bench`: what is written down of the testers, read once for many valves
- `Value`: one quantity of one section, with its uncertainty and its basis; a grade keeps them
- `values_of(repeats, bench)`, `as_section(repeats, values)`: for judging
- `JudgedSpread`, `spread_of(values)`: how far a set spreads, with the uncertainty of the comparison
- `claim(values, tolerance, probability)`: whether a set is sure enough to be within its tolerance

A level counts every term of the tester's uncertainty; a comparison of valves read on one tester counts only what is
not common to them (`grading.metrology.uncertainty`). A tester that nobody has described leaves its readings without an
uncertainty, and every page then says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from math import hypot, inf, isfinite, sqrt
from typing import Any

from django.utils import timezone

from catalog.models import TestPoint
from grading.metrology import uncertainty
from grading.metrology.conformity import SetDecision, decide_set
from grading.metrology.quantities import CLAIMING, FAULTS
from grading.metrology.spreads import relative_spread
from grading.models import Quantity, Tester
from grading.testers.conditions import conditions_for
from grading.testers.records import Basis, BasisKind, TesterRecord, Unmeasured, basis_for, record_of
from grading.verdicts.pure.grades import ReadingUncertainty, SectionReading
from grading.verdicts.repeats import Repeats

SQRT_12 = sqrt(12)


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
    """Anode current and gm, those that were read and that the tester can claim."""
    latest = repeats.latest
    tester_id = latest.shift.tester_id
    values = []
    for quantity in CLAIMING:
        mean = repeats.mean(quantity)
        basis = bench.basis(tester_id, latest.test_point, quantity, latest.taken_at) if mean is not None else None
        if mean is None or basis is None:
            continue
        record = bench.record(tester_id, latest.taken_at)
        plain = Value(
            section=latest.section,
            quantity=str(quantity),
            value=mean * basis.factor,
            readings=len(repeats.values(quantity)),
            tester=str(record.tester),
            point_id=latest.test_point_id,
            conditions=bench.conditions(tester_id, latest.test_point, basis, latest.taken_at),
            nominal=basis.nominal,
            kind=str(basis.kind),
            basis=basis.words,
            sheet_limits=basis.sheet_limits,
        )
        values.append(_with_uncertainty(plain, mean, quantity, basis, record))
    return values


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
    """One section as the policy judges it."""
    latest, point = repeats.latest, repeats.latest.test_point
    ia = next((value for value in values if value.quantity == Quantity.ANODE_CURRENT), None)
    gm = next((value for value in values if value.quantity == Quantity.GM), None)
    sheet = bool(ia and ia.sheet_limits) or bool(gm and gm.sheet_limits)
    return SectionReading(
        section=latest.section,
        anode_current_ma=ia.value if ia else None,
        gm_ma_per_v=gm.value if gm else None,
        nominal_anode_current_ma=ia.nominal if ia else point.anode_current_ma,
        nominal_gm_ma_per_v=gm.nominal if gm else point.gm_ma_per_v,
        anode_current_min_ma=point.anode_current_min_ma if sheet else None,
        anode_current_max_ma=point.anode_current_max_ma if sheet else None,
        gm_min_ma_per_v=point.gm_min_ma_per_v if sheet else None,
        gm_max_ma_per_v=point.gm_max_ma_per_v if sheet else None,
        shorted=repeats.short is not None,
        short_between=repeats.short.short_between if repeats.short else "",
        **{quantity.value: repeats.worst(quantity) for quantity in FAULTS},
        noise=repeats.noise,
        scale=repeats.mean(Quantity.EMISSION),
        scale_pass_at=_scale_pass_at(bench, latest.shift.tester_id),
        anode_current_known=ia.known if ia else None,
        gm_known=gm.known if gm else None,
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


def short_name(section: int, quantity: Quantity) -> str:
    """As the trade calls it: "gm, section 2"."""
    return f"{quantity.symbol}, section {section}"


def spread_of(values: Sequence[Value]) -> JudgedSpread:
    """The spread of one quantity over a set; all values are of the same section and quantity."""
    low, high = min(values, key=lambda v: v.value), max(values, key=lambda v: v.value)
    common = read_together(values)
    relative = [value.compared_u(common) for value in (low, high)]
    spread = relative_spread([value.value for value in values])
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

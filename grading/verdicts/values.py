"""Readings as measurements: each value with what it is compared with and how well it is known.

Repeats that lie further apart than repeats on this tester do contradict each other: the valve is intermittent, was
cold, or another one was read. They are not averaged, and not outvoted either: the worse counts until they agree
again, because further ones bring them within the range of so many, because the wrong one was corrected, or because a
later shift starts afresh. Such a valve is graded, and matched with none.

A level counts every term of the tester's uncertainty; a comparison of valves counts only what is not common to them
(`grading.metrology.comparison`). What two readings have in common lasts no longer than the tester stays as it is:
nothing is shared across a stop, a calibration, or an adjustment after which a chart's lines were drawn anew.

Where something is not known of a tester, its readings carry no ± and no probability, and every page says what is
wanting. A comparison within one session wants a repeatability study only.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import date, datetime, time
from math import fsum, inf, isfinite, log, sqrt
from typing import Any, NamedTuple

from django.utils import timezone

from catalog.models import TestPoint
from grading.metrology import comparison, uncertainty
from grading.metrology.comparison import ComparedValue, ErrorComponent
from grading.metrology.conformity import SetClaim, SetDecision, decide_whole_set
from grading.metrology.quantities import FAULTS, claimed_at
from grading.metrology.repeatability import critical_range
from grading.metrology.spreads import relative_spread
from grading.metrology.uncertainty import ReadingTerms
from grading.models import Baseline, Quantity, Reading, Stop, Tester
from grading.testers.conditions import conditions_for
from grading.testers.records import Basis, BasisKind, KnownTerms, TesterRecord, Unmeasured, basis_for, record_of
from grading.verdicts.pure.grades import ReadingUncertainty, SectionReading
from grading.verdicts.pure.rules import PolicyRules as Rules
from grading.verdicts.pure.rules import Unknown
from grading.verdicts.repeats import Repeats

ROUNDING = 1e-9  # repeats exactly as far apart as they may be do not contradict each other

# How far repeats may differ on a tester without a study: of their mean, and in steps of its display at the least
# (common practice, no source).
WITHOUT_STUDY = 0.10
WITHOUT_STUDY_STEPS = 2
SUPPOSED = "supposed"  # in place of the study of a value whose scatter the policy supposes


class Bench:
    """The testers' records and bases, each looked up once. What an overdue calibration does is for `rules` to say."""

    def __init__(self, rules: Rules | None = None) -> None:
        self.unknown = rules.unknown if rules else Unknown()
        self.overdue_is_wanting = self.unknown.overdue == "unknown"
        self._changes: dict[int, list[datetime]] = {}
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

    def session(self, tester_id: int, at: datetime) -> str:
        """Names the stretch between two changes of the tester in which something was read."""
        if tester_id not in self._changes:
            self._changes[tester_id] = changes_of(self.tester(tester_id))
        return f"{tester_id}.{bisect_right(self._changes[tester_id], at)}"

    def session_of(self, reading: Reading) -> str:
        return self.session(reading.shift.tester_id, reading.taken_at)

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


def changes_of(tester: Tester) -> list[datetime]:
    """When it may have begun to read otherwise: stops and their clearing, calibrations, charts drawn anew.

    A chart's first lines change nothing; drawing them again says that the tester no longer reads as it did.
    """
    changes = [
        timezone.make_aware(datetime.combine(calibration.done_on, time.min))
        for calibration in tester.calibrations.all()
    ]
    for suspect_since, cleared_at in Stop.objects.filter(tester=tester).values_list("suspect_since", "cleared_at"):
        changes += [when for when in (suspect_since, cleared_at) if when is not None]
    drawn: set[int] = set()
    for reference, starts_at in (
        Baseline.objects.filter(tester=tester).order_by("set_at", "pk").values_list("reference", "starts_at")
    ):
        if reference in drawn:
            changes.append(starts_at)
        drawn.add(reference)
    return sorted(changes)


@dataclass(frozen=True)
class Value:
    """One quantity of one section, in its unit, brought to the conditions of its nominal.

    `standard_uncertainty` and what is expanded from it are of the reading; they are None where the tester's record
    does not give them, and the expanded ones also where something is `wanting`. `repeatability_sd`, `systematic_u` and
    `judged_degrees_of_freedom` are for judging it beside its nominal: the same, save beside a house nominal, which
    shares errors with it. `terms` are those of `ReadingTerms` that are not nought, for comparing it with other valves
    read by `operator` in `session`; the session holds as of when it was judged or last looked up.
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
    tester_id: int = 0
    operator: str = ""
    taken_at: str = ""  # ISO 8601, of the latest of its readings
    session: str = ""
    repeatability_sd: float | None = None
    systematic_u: float | None = None
    judged_degrees_of_freedom: float | None = None  # None stands for infinitely many, which JSON cannot write
    degrees_of_freedom: float | None = None  # the same
    resolution: float = 0.0
    standard_uncertainty: float | None = None
    coverage_factor: float | None = None
    expanded_uncertainty: float | None = None
    terms: Mapping[str, float] = field(default_factory=dict)
    study: str = ""  # what its scatter is known from
    conversion_u: float = 0.0
    resting_on: tuple[str, ...] = ()
    wanting: tuple[str, ...] = ()
    comparison_wanting: tuple[str, ...] = ()
    judging_wanting: tuple[str, ...] = ()
    overdue: str = ""
    contradiction: str = ""

    @property
    def stands_at(self) -> tuple[int, str, str]:
        """Values that differ in this cannot be set side by side: other settings, or only one converted."""
        return self.point_id, self.conditions, self.kind

    def stored(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def read(cls, row: Mapping[str, Any]) -> Value:
        """From its stored form. One stored by an earlier version lacks what it did not keep, and is less well known."""
        known = {one.name: row[one.name] for one in fields(cls) if one.name in row}
        for name in ("resting_on", "wanting", "comparison_wanting", "judging_wanting"):
            known[name] = tuple(known.get(name, ()))
        return cls(**known)

    def looked_up(self, bench: Bench) -> Value:
        """With the session that it belongs to by what is known of the tester now."""
        if not self.tester_id:
            return self
        return replace(self, session=bench.session(self.tester_id, datetime.fromisoformat(self.taken_at)))

    @property
    def scatter_is_known(self) -> bool:
        """Well enough to set it beside another of its session."""
        return self.standard_uncertainty is not None and not self.comparison_wanting

    def supposed(self, unknown: Unknown) -> Value:
        """As a set is decided on where something is wanting: with what the policy supposes in its place.

        So knowing less makes no more sets. For the decision alone: no ± and no probability of it is ever shown. What is
        supposed does not average, for nobody knows that it would.
        """
        if unknown.sets != "supposed" or (self.scatter_is_known and not self.wanting):
            return self
        terms = {"resolution": 0.0, **self.terms}
        at_least = {"accuracy_percent": unknown.accuracy_percent}
        if not self.scatter_is_known:
            at_least["interaction_percent"] = unknown.repeatability_percent
        for name, percent in at_least.items():
            terms[name] = max(terms.get(name, 0.0), percent)
        if not any(at_least.values()):
            return self
        u = self.standard_uncertainty or 0.0
        return replace(self, terms=terms, study=SUPPOSED, standard_uncertainty=u, wanting=(), comparison_wanting=())

    @property
    def compared(self) -> ComparedValue | None:
        """As it is set beside another valve, where its uncertainty is known well enough for that."""
        if self.standard_uncertainty is None or not self.scatter_is_known:
            return None
        if not self.terms:  # stored before the terms were kept: nothing can be said to be shared
            degrees = inf if self.degrees_of_freedom is None else self.degrees_of_freedom
            return ComparedValue(self.value, 1, (ErrorComponent("level", self.standard_uncertainty, degrees),))
        return ComparedValue(self.value, self.readings, self.components)

    @property
    def day(self) -> str:
        """The day that it was read on, in the shop's zone."""
        return timezone.localdate(datetime.fromisoformat(self.taken_at)).isoformat() if self.taken_at else ""

    @property
    def components(self) -> tuple[ErrorComponent, ...]:
        return comparison.components_of(
            self.value,
            ReadingTerms(**self.terms),
            session=self.session,
            operator=self.operator,
            day=self.day,
            source=self.study,
            conversion_u=self.conversion_u,
            model=f"{self.point_id}/{self.conditions}",
        )

    @property
    def known(self) -> ReadingUncertainty:
        """As the policy's levels judge it: beside its nominal, and one section beside another."""
        if self.repeatability_sd is None or self.systematic_u is None:
            return ReadingUncertainty(0.0, 0.0, readings=self.readings, wanting=True, comparison_wanting=True)
        degrees = inf if self.judged_degrees_of_freedom is None else self.judged_degrees_of_freedom
        return ReadingUncertainty(
            self.repeatability_sd,
            self.systematic_u,
            degrees,
            self.resolution,
            self.readings,
            self.compared,
            bool(self.judging_wanting),
            bool(self.comparison_wanting),
        )


def values_of(repeats: Repeats, bench: Bench) -> list[Value]:
    """Anode current and gm, or the voltage held: those that were read and that the tester can claim."""
    latest = repeats.latest
    tester_id = latest.shift.tester_id
    values = []
    for quantity in claimed_at(latest.test_point):
        if not repeats.values(quantity):
            continue
        basis = bench.basis(tester_id, latest.test_point, quantity, latest.taken_at)
        if basis is None:
            continue
        record = bench.record(tester_id, latest.taken_at)
        spoken = spoken_by(repeats, quantity, record, basis.nominal and basis.nominal / basis.factor)
        mean, corrected = record.corrected(quantity, spoken.value)
        words, left_out = f"{corrected}, {basis.words}" if corrected else basis.words, ""
        if basis.kind == BasisKind.HOUSE and corrected:
            # A house nominal is what the tester showed, errors and all: beside it a reading stays as shown too, and
            # what is then known to be wrong with it is in no ±.
            mean, words, left_out = spoken.value, basis.words, f"beside a house nominal it is not {corrected}"
        plain = Value(
            section=latest.section,
            quantity=str(quantity),
            value=mean * basis.factor,
            readings=spoken.readings,
            tester=str(record.tester),
            point_id=latest.test_point_id,
            conditions=bench.conditions(tester_id, latest.test_point, basis, latest.taken_at),
            nominal=basis.nominal,
            kind=str(basis.kind),
            basis=words,
            sheet_limits=basis.sheet_limits,
            tester_id=tester_id,
            operator=str(latest.shift.operator_id),
            taken_at=latest.taken_at.isoformat(),
            session=bench.session(tester_id, latest.taken_at),
            wanting=(left_out,) if left_out else (),
            contradiction=spoken.contradiction,
        )
        values.append(_with_uncertainty(plain, mean, quantity, basis, record, bench))
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
    if studied := record.repeats(quantity, mean):
        terms = record.known(quantity, mean).terms
        degrees = terms.repeatability_degrees_of_freedom
        allowed = critical_range(len(values), terms.repeatability_at(mean), degrees)
        return max(allowed, step), f"study {studied.study.pk}, ISO 5725-6"
    return max(WITHOUT_STUDY * mean, WITHOUT_STUDY_STEPS * step), "common practice, for want of a repeatability study"


def _worst(values: Sequence[float], quantity: Quantity, nominal: float | None, point: TestPoint) -> float:
    """The least, and of what can be too much as well, anode current and voltage held, the furthest from nominal."""
    both_ways = quantity == Quantity.ANODE_VOLTAGE or (
        quantity == Quantity.ANODE_CURRENT and point.section.kind != "diode"
    )
    if not both_ways or not nominal:
        return min(values)
    return max(values, key=lambda value: abs(log(value / nominal)) if value > 0 else inf)


def _with_uncertainty(
    plain: Value, mean: float, quantity: Quantity, basis: Basis, record: TesterRecord, bench: Bench | None = None
) -> Value:
    if quantity not in record.capabilities:
        return plain
    known, repeats = record.known(quantity, mean), record.repeats(quantity, mean)
    wanting = (*plain.wanting, *_wanting(known, bench))
    terms, n, factor = known.terms, plain.readings, basis.factor
    _, model_u = basis.brought(mean)
    combined = uncertainty.reading(mean, terms, readings=n, conversion_u=model_u / factor)
    expanded = uncertainty.expand(combined)
    degrees = combined.effective_degrees_of_freedom
    there = terms.scaled(factor)
    found = replace(
        plain,
        repeatability_sd=terms.repeatability_at(mean) * factor,
        systematic_u=uncertainty.not_averaging(combined) * factor,
        judged_degrees_of_freedom=degrees if isfinite(degrees) else None,
        degrees_of_freedom=degrees if isfinite(degrees) else None,
        resolution=there.resolution,
        standard_uncertainty=combined.combined_standard_uncertainty * factor,
        coverage_factor=None if wanting else expanded.coverage_factor,
        expanded_uncertainty=None if wanting else expanded.expanded_uncertainty * factor,
        terms={name: term for name, term in there._asdict().items() if term and isfinite(term)},
        study=f"study {repeats.study.pk}" if repeats else "",
        conversion_u=model_u,
        resting_on=known.resting_on,
        wanting=wanting,
        comparison_wanting=known.comparison_wanting,
        judging_wanting=wanting,
        overdue=known.overdue,
    )
    return _beside_house(found, basis, terms, bench) if basis.kind == BasisKind.HOUSE and bench else found


def _wanting(known: KnownTerms, bench: Bench | None) -> tuple[str, ...]:
    """With an overdue calibration, where the policy counts that as none."""
    late = bench is not None and bench.overdue_is_wanting and known.overdue
    return (*known.wanting, known.overdue) if late else known.wanting


def _beside_house(value: Value, basis: Basis, terms: ReadingTerms, bench: Bench) -> Value:
    """Judged beside a nominal read on the same tester, what reading and nominal share cancels, if it has not changed.

    The nominal has errors of its own: it is a median of so many valves, and somebody read them. That person's habit is
    not taken to be shared, for several may have read them.
    """
    assert basis.nominal is not None and value.systematic_u is not None and value.repeatability_sd is not None
    sessions = {bench.session(value.tester_id, when) for when in basis.nominal_read}
    session = sessions.pop() if len(sessions) == 1 else "another"
    parts = comparison.components_of(basis.nominal, terms, session=session, operator="several", source=value.study)
    lasting = [part for part in parts if part.shared and part.name != "operator"]
    of_nominal = ErrorComponent("house nominal", basis.nominal_u)
    nominal = ComparedValue(basis.nominal, 1, (*lasting, of_nominal))
    u, degrees = comparison.relative_u(ComparedValue(value.value, value.readings, value.components), nominal)
    scatter = value.repeatability_sd / sqrt(value.readings)
    return replace(
        value,
        systematic_u=sqrt(max((u * value.value) ** 2 - scatter**2, 0.0)),
        judged_degrees_of_freedom=degrees if isfinite(degrees) else None,
        judging_wanting=value.comparison_wanting if session == value.session else value.wanting,
    )


def as_section(repeats: Repeats, values: Sequence[Value], bench: Bench) -> SectionReading:
    """One section as the policy judges it; while its last series has not settled, by its faults alone."""
    latest, point = repeats.latest, repeats.latest.test_point
    found = {value.quantity: value for value in values}
    ia, gm, held = (found.get(one) for one in (Quantity.ANODE_CURRENT, Quantity.GM, Quantity.ANODE_VOLTAGE))
    claimed = () if repeats.unsettled else claimed_at(point)
    nominals = {one: found[one].nominal if one in found else getattr(point, one) for one in claimed}
    record = bench.record(latest.shift.tester_id, latest.taken_at)
    scale = spoken_by(repeats, Quantity.EMISSION, record, None) if repeats.values(Quantity.EMISSION) else None
    said = [*(value.contradiction for value in values), scale.contradiction if scale else ""]
    sheet = bool(ia and ia.sheet_limits) or bool(gm and gm.sheet_limits)
    return SectionReading(
        section=latest.section,
        anode_current_ma=ia.value if ia else None,
        gm_ma_per_v=gm.value if gm else None,
        anode_voltage_v=held.value if held else None,
        nominal_anode_current_ma=nominals.get(Quantity.ANODE_CURRENT),
        nominal_gm_ma_per_v=nominals.get(Quantity.GM),
        nominal_anode_voltage_v=nominals.get(Quantity.ANODE_VOLTAGE),
        anode_current_min_ma=point.anode_current_min_ma if sheet else None,
        anode_current_max_ma=point.anode_current_max_ma if sheet else None,
        gm_min_ma_per_v=point.gm_min_ma_per_v if sheet else None,
        gm_max_ma_per_v=point.gm_max_ma_per_v if sheet else None,
        shorted=repeats.short is not None,
        short_between=repeats.short.short_between if repeats.short else "",
        **{quantity.value: repeats.worst(quantity) for quantity in FAULTS},
        noise=repeats.noise,
        scale=scale.value if scale else None,
        scale_pass_at=_scale_pass_at(bench, latest.shift.tester_id),
        anode_current_known=ia.known if ia else None,
        gm_known=gm.known if gm else None,
        voltage_held_known=held.known if held else None,
        scale_known=_scale_known(scale, record, bench) if scale else None,
        alike=_meant(point, values),
        contradictions=tuple(filter(None, said)),
        kind=point.section.kind,
        indirectly_heated=point.section.type.cathode == "indirect",
    )


def _meant(point: TestPoint, values: Sequence[Value]) -> Hashable:
    """What the section should be by its sheet, and the settings that its values stand for."""
    settings = frozenset((value.conditions, value.kind) for value in values)
    return point.section.kind, point.anode_current_ma, point.gm_ma_per_v, settings


def _scale_known(scale: Spoken, record: TesterRecord, bench: Bench) -> ReadingUncertainty | None:
    """How well a reading of an emission scale is known, in its divisions."""
    if Quantity.EMISSION not in record.capabilities:
        return None
    known = record.known(Quantity.EMISSION, scale.value)
    terms = known.terms
    combined = uncertainty.reading(scale.value, terms, readings=scale.readings)
    return ReadingUncertainty(
        terms.repeatability_at(scale.value),
        uncertainty.not_averaging(combined),
        combined.effective_degrees_of_freedom,
        terms.resolution,
        scale.readings,
        wanting=bool(_wanting(known, bench)),
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

    `expanded_uncertainty` is of the comparison (95 %), None where it is not known. `common` says whether the valves
    were read on one tester while it stayed as it was, so that what they share cancels.
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
    compared = comparable(values)
    found = comparison.spread(compared) if compared else None
    return JudgedSpread(
        low.section,
        Quantity(low.quantity),
        low.value,
        high.value,
        low.nominal,
        relative_spread([low.value, high.value]),
        found.expanded_uncertainty if found else None,
        found.coverage_factor if found else None,
        read_together(values),
    )


def read_together(values: Sequence[Value]) -> bool:
    """All on one tester while it stayed as it was, so that its own errors cancel in a comparison."""
    return len({(value.tester, value.session) for value in values}) == 1


def comparable(values: Sequence[Value]) -> list[ComparedValue] | None:
    """Taken apart into their errors; None where something that the comparison rests on is not known.

    What one tester shares with itself in one session need not be known; across two it counts in full.
    """
    if not read_together(values) and any(value.wanting for value in values):
        return None
    compared = [value.compared for value in values]
    return None if None in compared else [one for one in compared if one is not None]


def claim_whole(rows: Sequence[Sequence[Value]], tolerance: float, probability: float) -> SetDecision | None:
    """Whether a set lies within `tolerance` (a fraction) in all its quantities at once with this probability.

    `rows` has a row of values for each valve. A quantity whose uncertainty is not known is taken as it reads; None
    where that is so of all.
    """
    known = [
        compared
        for values in zip(*rows, strict=True)
        if (compared := comparable(values)) is not None and all(value.components for value in compared)
    ]
    if not known:
        return None

    def after(readings: float) -> list[SetClaim]:
        claims = []
        for compared in known:
            us, degrees = comparison.separate(compared, readings - 1)
            claims.append(SetClaim([value.value for value in compared], us, tolerance, degrees))
        return claims

    return decide_whole_set(after, required_probability=probability)


def claim(values: Sequence[Value], tolerance: float, probability: float) -> SetDecision | None:
    """Whether one quantity of a set lies within `tolerance` (a fraction) with this probability.

    None where a reading's uncertainty is not known: the set is then taken as it reads.
    """
    return claim_whole([(value,) for value in values], tolerance, probability)

"""From readings to a grade, with the reasons in words.

The valve gets the first of the policy's levels whose demands all hold. Sections are judged apart against the
nominal and the sheet's own limits, and those that are meant alike (`SectionReading.alike`) against each other by
their spread: the largest over the smallest, less one. A demand on a quantity that was not measured is not met,
save for leakage, grid current and noise, which count where they were read and must be only where the level says so;
what was not read of them is said (`Judgement.not_tested`). A rectifier that passes more than nominal at the sheet's
drop is no worse for it: no most is demanded of a diode.

Where a reading's uncertainty is known, a limit on it is decided by the policy's acceptance rule (JCGM 106, through
`grading.metrology.conformity`): a demand holds only when the reading is accepted. One that is neither accepted nor
rejected is too close to call; the valve then gets the grade below, and the judgement says how many more readings would
settle it. A reading of a tester that not enough is known of is judged as the policy supposes (`rules.Unknown`), and
no probability is given.

A tester with nothing but an emission scale can pass a valve or fail it, by the same rule: such a valve gets the
policy's `scale_pass`, which claims nothing in mA or mA/V. What the last grade that may be sold demands of shorts,
leakage, grid current and noise it must meet like any other.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, log1p, sqrt
from typing import NamedTuple

from catalog.reference.vocabulary import WITHOUT_GAIN
from grading.metrology import comparison, conformity
from grading.metrology.comparison import ComparedValue, ErrorComponent
from grading.metrology.conformity import Limits, Outcome, Rule
from grading.metrology.quantities import FAULTS as METERED
from grading.metrology.quantities import NOISE, Quantity
from grading.metrology.spreads import relative_spread
from grading.verdicts.pure.rules import FAULTS, GradeLevel, PolicyRules, Unknown

ROUNDING = 1e-12
GRIDLESS = WITHOUT_GAIN  # the kinds of section that have no grid to draw current or to make noise


class ReadingUncertainty(NamedTuple):
    """How well one reading is known, in the reading's own unit.

    `repeatability_sd` is that of one reading and shrinks with their number; `systematic_u` does not. `compared` is the
    reading taken apart for comparing it with another section. `wanting` says that something is left out because
    nobody knows it, and `comparison_wanting` that a comparison leaves something out: no probability is then given.
    """

    repeatability_sd: float
    systematic_u: float
    degrees_of_freedom: float = inf
    display_step: float = 0.0
    readings: int = 1
    compared: ComparedValue | None = None
    wanting: bool = False
    comparison_wanting: bool = False


@dataclass(frozen=True)
class SectionReading:
    """One section at its test point. Currents in mA, gm in mA/V, leakage and grid current in microamperes; of a
    stabiliser the voltage that it holds, in V, and neither current nor gm.

    `scale` is the reading of an emission scale and `scale_pass_at` the least that passes, both in the
    scale's own divisions. `alike` says what the section is meant to be and at which settings it was read: sections
    of which it is the same are compared with each other, and no others. `contradictions` says of which quantities
    the repeats contradict each other; what stands here is the worse. `kind` is the section's: "triode", "diode".
    """

    section: int
    anode_current_ma: float | None = None
    gm_ma_per_v: float | None = None
    anode_voltage_v: float | None = None
    nominal_anode_current_ma: float | None = None
    nominal_gm_ma_per_v: float | None = None
    nominal_anode_voltage_v: float | None = None
    anode_current_min_ma: float | None = None
    anode_current_max_ma: float | None = None
    gm_min_ma_per_v: float | None = None
    gm_max_ma_per_v: float | None = None
    shorted: bool = False
    short_between: str = ""
    heater_cathode_leakage_ua: float | None = None
    grid_current_ua: float | None = None
    noise: str = ""
    scale: float | None = None
    scale_pass_at: float | None = None
    anode_current_known: ReadingUncertainty | None = None
    gm_known: ReadingUncertainty | None = None
    voltage_held_known: ReadingUncertainty | None = None
    scale_known: ReadingUncertainty | None = None
    alike: Hashable = None
    contradictions: tuple[str, ...] = ()
    kind: str = ""
    indirectly_heated: bool = True

    def not_tested(self) -> tuple[str, ...]:
        """Those of `faults_of` that were not looked for."""
        found = {quantity.short for quantity in METERED if getattr(self, quantity) is not None}
        looked_for = found | ({"noise"} if self.noise else set())
        return tuple(fault for fault in faults_of(self.kind, self.indirectly_heated) if fault not in looked_for)


def faults_of(kind: str, indirectly_heated: bool) -> tuple[str, ...]:
    """Those of `grading.verdicts.pure.rules.FAULTS` that a section of this kind can have."""
    has_grid = kind not in GRIDLESS
    possible = {
        Quantity.LEAKAGE.short: indirectly_heated,
        Quantity.GRID_CURRENT.short: has_grid,
        "noise": has_grid,
    }
    return tuple(fault for fault in FAULTS if possible[fault])


class Judgement(NamedTuple):
    """`assurance` is the least probable of the conformances that the grade rests on, where they are known.

    `not_tested` says what nobody looked for: "grid current, noise", or section by section where they differ.
    """

    name: str
    rank: int  # 1 is the best
    saleable: bool
    reasons: tuple[str, ...]
    too_close: bool = False
    more_readings: int | None = None
    assurance: float | None = None
    not_tested: tuple[str, ...] = ()


class Finding(NamedTuple):
    """A demand that does not hold, or one that does with a known probability."""

    text: str
    outcome: Outcome
    probability: float | None = None
    more_readings: int | None = None


def judge(policy: PolicyRules, sections: Sequence[SectionReading]) -> Judgement:
    """The first level whose demands all hold.

    The reasons say why the level above was missed ("section 2: gm 1.31 mA/V is 82 % of 1.6; Excellent wants
    90 %"), or for the best grade, what was met. Before them stands which readings contradict each other.
    """
    contradictory = [f"section {s.section}: {said}" for s in sections for said in s.contradictions]
    found = _judge(policy, sections)
    return found._replace(reasons=(*contradictory, *found.reasons), not_tested=_not_tested(sections))


def _not_tested(sections: Sequence[SectionReading]) -> tuple[str, ...]:
    said = {s.section: ", ".join(s.not_tested()) for s in sections}
    if len(set(said.values())) == 1:
        return tuple(filter(None, set(said.values())))
    return tuple(f"section {section}: {faults}" for section, faults in said.items() if faults)


def _judge(policy: PolicyRules, sections: Sequence[SectionReading]) -> Judgement:
    if sections and all(_by_scale_only(section) for section in sections):
        return _judge_by_scale(policy, sections)
    missed: list[Finding] = []
    wanting = _something_wanting(sections)
    sections = [_supposed(section, policy.unknown) for section in sections]
    for rank, level in enumerate(policy.levels, start=1):
        findings = list(_findings(level, sections, policy.acceptance))
        if rank < policy.unknown.best_grade:
            findings += _unknown_findings(level, sections)
        faults = [finding for finding in findings if finding.outcome is not Outcome.ACCEPT]
        if not faults:
            reasons = [fault.text for fault in missed] or list(_merits(sections))
            known = [finding.probability for finding in findings if finding.probability is not None]
            assurance = None if wanting else min(known, default=None)
            return Judgement(level.name, rank, level.saleable, tuple(reasons), *_doubt(missed), assurance=assurance)
        missed = faults
    return Judgement(policy.otherwise, len(policy.names), False, tuple(fault.text for fault in missed), *_doubt(missed))


def _doubt(missed: Sequence[Finding]) -> tuple[bool, int | None]:
    """Whether the level above was missed only because it is too close to call, and how many readings settle it."""
    if not missed or any(fault.outcome is Outcome.REJECT for fault in missed):
        return False, None
    more = [fault.more_readings for fault in missed]
    return True, None if None in more else max(number for number in more if number is not None)


def _by_scale_only(s: SectionReading) -> bool:
    return s.scale is not None and s.anode_current_ma is None and s.gm_ma_per_v is None


def _judge_by_scale(policy: PolicyRules, sections: Sequence[SectionReading]) -> Judgement:
    passed: list[str] = []
    findings: list[Finding] = []
    wanting = any(s.scale_known and s.scale_known.wanting for s in sections)
    for s in (_supposed(section, policy.unknown) for section in sections):
        where = f"section {s.section}: "
        found = [_scale_finding(s, policy.acceptance), *_fault_findings(policy.least, s)]
        passed += [where + finding.text for finding in found if finding.outcome is Outcome.ACCEPT]
        findings += [finding._replace(text=where + finding.text) for finding in found]
    faults = [finding for finding in findings if finding.outcome is not Outcome.ACCEPT]
    rank = policy.names.index(policy.scale_pass) + 1
    if faults:
        return Judgement(policy.otherwise, rank + 1, False, tuple(fault.text for fault in faults), *_doubt(faults))
    known = [finding.probability for finding in findings if finding.probability is not None]
    assurance = None if wanting else min(known, default=None)
    return Judgement(policy.scale_pass, rank, True, tuple(passed), assurance=assurance)


def _scale_finding(s: SectionReading, rule: Rule) -> Finding:
    assert s.scale is not None
    if s.scale_pass_at is None:
        return Finding(f"scale {s.scale:g}, no pass mark is known", Outcome.REJECT)
    outcome, probability, more = _decide(s.scale, Limits(lower=s.scale_pass_at), s.scale_known, rule)
    text = f"scale {s.scale:g}, passes from {s.scale_pass_at:g}"
    if outcome is Outcome.ACCEPT:
        text += "; nothing is claimed in mA or mA/V"
    return Finding(text + _closeness(outcome, probability, more), outcome, probability, more)


def _findings(level: GradeLevel, sections: Sequence[SectionReading], rule: Rule) -> Iterator[Finding]:
    """Every demand of `level` that does not hold, and those that hold with a known probability."""
    if not sections:
        yield Finding("nothing has been read", Outcome.REJECT)
    for s in sections:
        where = f"section {s.section}: "
        for finding in _section_findings(level, s, rule):
            yield finding._replace(text=where + finding.text)
    for meant in dict.fromkeys(s.alike for s in sections):
        twins = [s for s in sections if s.alike == meant]
        yield from _spread_findings(
            "gm", level.gm_section_spread_percent, level, [(s.gm_ma_per_v, s.gm_known) for s in twins], rule
        )
        yield from _spread_findings(
            "anode current",
            level.anode_current_section_spread_percent,
            level,
            [(s.anode_current_ma, s.anode_current_known) for s in twins],
            rule,
        )


def _section_findings(level: GradeLevel, s: SectionReading, rule: Rule) -> Iterator[Finding]:
    yield from _fault_findings(level, s)
    yield from _share_findings(
        "gm", s.gm_ma_per_v, "mA/V", s.nominal_gm_ma_per_v, s.gm_known, level.gm_min_percent, None, level, rule
    )
    too_much = s.kind != "diode"
    most_percent = level.anode_current_max_percent if too_much else None
    yield from _share_findings(
        "anode current",
        s.anode_current_ma,
        "mA",
        s.nominal_anode_current_ma,
        s.anode_current_known,
        level.anode_current_min_percent,
        most_percent,
        level,
        rule,
    )
    within = level.voltage_held_within_percent
    yield from _share_findings(
        "voltage held",
        s.anode_voltage_v,
        "V",
        s.nominal_anode_voltage_v,
        s.voltage_held_known,
        None if within is None else 100 - within,
        None if within is None else 100 + within,
        level,
        rule,
    )
    if level.within_sheet_limits:
        yield from _sheet_findings(
            "anode current",
            s.anode_current_ma,
            "mA",
            s.anode_current_known,
            s.anode_current_min_ma,
            s.anode_current_max_ma if too_much else None,
            rule,
        )
        yield from _sheet_findings("gm", s.gm_ma_per_v, "mA/V", s.gm_known, s.gm_min_ma_per_v, s.gm_max_ma_per_v, rule)


def _fault_findings(level: GradeLevel, s: SectionReading) -> Iterator[Finding]:
    """Shorts, leakage, grid current and noise: what condemns a valve whatever its emission was read with."""
    if s.shorted:
        yield Finding(_short(s), Outcome.REJECT)
    for fault in s.not_tested():
        if fault in level.must_be_read:
            verb = "listened for" if fault == "noise" else "read"
            yield Finding(f"{fault} was not {verb}; {level.name} wants it", Outcome.REJECT)
    for quantity in METERED:
        value, limit = getattr(s, quantity), getattr(level, quantity.facts.demands.most)
        if value is not None and limit is not None and abs(value) > limit:
            said = f"{quantity.short} {quantity.shown(abs(value))}; {level.name} allows {quantity.amount(limit)}"
            yield Finding(said, Outcome.REJECT)
    if s.noise and level.noise_at_most and NOISE.index(s.noise) > NOISE.index(level.noise_at_most):
        yield Finding(f"noise is {s.noise}; {level.name} allows {level.noise_at_most}", Outcome.REJECT)


def _share_findings(
    label: str,
    value: float | None,
    unit: str,
    nominal: float | None,
    known: ReadingUncertainty | None,
    low: float | None,
    high: float | None,
    level: GradeLevel,
    rule: Rule,
) -> Iterator[Finding]:
    """Limits given as shares of the nominal. A type whose sheet has no nominal for the quantity makes none."""
    if nominal is None or (low is None and high is None):
        return
    if value is None:
        yield Finding(f"{label} was not read; {level.name} wants it", Outcome.REJECT)
        return
    # A reading that stands exactly at its share of nominal meets it, whatever the last binary digit says.
    least = -inf if low is None else low * nominal / 100 * (1 - ROUNDING)
    most = inf if high is None else high * nominal / 100 * (1 + ROUNDING)
    outcome, probability, more = _decide(value, Limits(least, most), known, rule)
    if outcome is Outcome.ACCEPT:
        yield Finding("", outcome, probability)
        return
    share = 100 * value / nominal
    nearer_low = high is None or (low is not None and abs(share - low) <= abs(share - high))
    limit, verb = (low, "wants") if nearer_low else (high, "allows")
    text = f"{label} {value:g} {unit} is {_percent(share, limit)} of {nominal:g}; {level.name} {verb} {limit:g} %"
    yield Finding(text + _closeness(outcome, probability, more), outcome, probability, more)


def _sheet_findings(
    label: str,
    value: float | None,
    unit: str,
    known: ReadingUncertainty | None,
    low: float | None,
    high: float | None,
    rule: Rule,
) -> Iterator[Finding]:
    if value is None or (low is None and high is None):
        return
    limits = Limits(-inf if low is None else low, inf if high is None else high)
    outcome, probability, more = _decide(value, limits, known, rule)
    if outcome is Outcome.ACCEPT:
        yield Finding("", outcome, probability)
        return
    nearer_low = high is None or (low is not None and abs(value - low) <= abs(value - high))
    limit, side = (low, "below") if nearer_low else (high, "above")
    where = f"is {side}" if outcome is Outcome.REJECT else "is near"
    text = f"{label} {value:g} {unit} {where} the sheet's limit of {limit:g}"
    yield Finding(text + _closeness(outcome, probability, more), outcome, probability, more)


def _spread_findings(
    label: str,
    limit: float | None,
    level: GradeLevel,
    read: Sequence[tuple[float | None, ReadingUncertainty | None]],
    rule: Rule,
) -> Iterator[Finding]:
    """The largest section beside the smallest, by `grading.metrology.comparison`: what is common to them cancels."""
    present = [(value, known) for value, known in read if value is not None]
    if limit is None or len(present) < 2:
        return
    spread = 100 * relative_spread([value for value, _ in present])
    outcome, probability, more = _decide_spread(spread, limit, [known for _, known in present if known], rule)
    if outcome is Outcome.ACCEPT:
        yield Finding("", outcome, probability)
        return
    text = f"the sections' {label} differ by {_percent(spread, limit)}; {level.name} allows {limit:g} %"
    yield Finding(text + _closeness(outcome, probability, more), outcome, probability, more)


def _decide_spread(
    spread: float, limit: float, read: Sequence[ReadingUncertainty], rule: Rule
) -> tuple[Outcome, float | None, int | None]:
    """On the logarithm of the ratio, which is known as well either way round."""
    sections = [known.compared for known in read if known.compared]
    if spread == inf or len(sections) < 2:
        return (Outcome.ACCEPT if spread <= limit else Outcome.REJECT), None, None
    low, high = min(sections, key=lambda one: one.value), max(sections, key=lambda one: one.value)
    taken = min(low.readings, high.readings)

    def known_from(readings: float) -> conformity.Knowledge:
        return conformity.Knowledge(*comparison.relative_u(high, low, readings - taken))

    most = log1p(limit / 100) * (1 + ROUNDING)
    decision = conformity.decide_when(log1p(spread / 100), Limits(-most, most), rule, known_from, taken)
    if any(known.comparison_wanting for known in read):
        return decision.outcome, None, None
    return decision.outcome, decision.conformance_probability, decision.more_readings


def _supposed(s: SectionReading, unknown: Unknown) -> SectionReading:
    """With what the policy supposes of a tester that not enough is known of."""
    return replace(
        s,
        anode_current_known=_supposing(s.anode_current_ma, s.anode_current_known, unknown),
        gm_known=_supposing(s.gm_ma_per_v, s.gm_known, unknown),
        voltage_held_known=_supposing(s.anode_voltage_v, s.voltage_held_known, unknown),
        scale_known=_supposing(s.scale, s.scale_known, unknown),
    )


def _supposing(value: float | None, known: ReadingUncertainty | None, unknown: Unknown) -> ReadingUncertainty | None:
    """A supposed limit of error is rectangular. A supposed repeatability is of the mean, for nobody knows better."""
    if value is None:
        return known
    known = known or ReadingUncertainty(0.0, 0.0, wanting=True, comparison_wanting=True)
    if known.wanting:
        supposed = value * unknown.accuracy_percent / 100 / sqrt(3)
        u = hypot(known.systematic_u, known.repeatability_sd / sqrt(known.readings))
        # What is known counts only where it is worse than what is supposed: a little known must not cost a grade.
        worse = conformity.one_sided_factor(0.05, known.degrees_of_freedom) * u + known.display_step / 2
        if worse <= conformity.one_sided_factor(0.05) * supposed:
            known = known._replace(
                repeatability_sd=0.0, systematic_u=supposed, degrees_of_freedom=inf, display_step=0.0
            )
    if known.comparison_wanting and value > 0:
        scatter = ErrorComponent("supposed scatter", value * unknown.repeatability_percent / 100)
        known = known._replace(compared=ComparedValue(value, known.readings, (scatter,)))
    return known


def _something_wanting(sections: Sequence[SectionReading]) -> bool:
    claimed = (known for s in sections for known in (s.anode_current_known, s.gm_known, s.voltage_held_known))
    return any(known and known.wanting for known in claimed)


def _unknown_findings(level: GradeLevel, sections: Sequence[SectionReading]) -> Iterator[Finding]:
    for s in sections:
        if _something_wanting([s]):
            text = f"section {s.section}: not enough is known of the tester for {level.name}"
            yield Finding(text, Outcome.REJECT)


def _decide(
    value: float, limits: Limits, known: ReadingUncertainty | None, rule: Rule
) -> tuple[Outcome, float | None, int | None]:
    if known is None:
        return (Outcome.ACCEPT if limits.contains(value) else Outcome.REJECT), None, None
    decision = conformity.decide(
        value,
        limits,
        rule,
        repeatability_sd=known.repeatability_sd,
        systematic_u=known.systematic_u,
        readings=known.readings,
        degrees_of_freedom=known.degrees_of_freedom,
        display_step=known.display_step,
    )
    if known.wanting:
        return decision.outcome, None, None
    return decision.outcome, decision.conformance_probability, decision.more_readings


def _closeness(outcome: Outcome, probability: float | None, more: int | None) -> str:
    if outcome is not Outcome.TOO_CLOSE:
        return ""
    if probability is None:
        return " (too close to call on a tester that not enough is known of)"
    readings = f"{more} more reading{'s' if more != 1 else ''} in the same shift" if more else "more readings"
    settle = f"{readings} would settle it" if more else f"{readings} would not settle it"
    return f" (probability of meeting it {100 * probability:.0f} %: too close to call, {settle})"


def _short(s: SectionReading) -> str:
    return f"shorted between {s.short_between}" if s.short_between else "shorted"


def _merits(sections: Sequence[SectionReading]) -> Iterator[str]:
    """What the best grade rests on: each section's shares of nominal."""
    for s in sections:
        parts = []
        if s.anode_current_ma is not None and s.nominal_anode_current_ma:
            share = _percent(100 * s.anode_current_ma / s.nominal_anode_current_ma)
            parts.append(f"anode current {s.anode_current_ma:g} mA is {share} of {s.nominal_anode_current_ma:g}")
        if s.gm_ma_per_v is not None and s.nominal_gm_ma_per_v:
            share = _percent(100 * s.gm_ma_per_v / s.nominal_gm_ma_per_v)
            parts.append(f"gm {s.gm_ma_per_v:g} mA/V is {share} of {s.nominal_gm_ma_per_v:g}")
        if s.anode_voltage_v is not None and s.nominal_anode_voltage_v:
            share = _percent(100 * s.anode_voltage_v / s.nominal_anode_voltage_v)
            parts.append(f"voltage held {s.anode_voltage_v:g} V is {share} of {s.nominal_anode_voltage_v:g}")
        if parts:
            yield f"section {s.section}: " + ", ".join(parts)


def _percent(value: float, limit: float | None = None) -> str:
    """Whole per cent, with as many places more as it takes not to look like the limit it misses.

    >>> _percent(81.9), _percent(89.9, limit=90)
    ('82 %', '89.9 %')
    """
    for places in range(4):
        text = f"{value:.{places}f}"
        if float(text) != limit:
            break
    return f"{text} %"

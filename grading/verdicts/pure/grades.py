"""From readings to a grade, with the reasons in words.

- `SectionReading`, `ReadingUncertainty`: what one section read, how well that is known, and what it is compared with
- `judge(policy, sections)`: a `Judgement`: the grade, its reasons, and whether the grade above is too close to call

The valve gets the first of the policy's levels whose demands all hold. Sections are judged apart against the
nominal and the sheet's own limits, and against each other by their spread: the largest over the smallest, less
one. A demand on a quantity that was not measured is not met, save for noise, leakage and grid current when
the level says they may go unread.

Where a reading's uncertainty is known, a limit on it is decided by the policy's acceptance rule (JCGM 106, through
`grading.metrology.conformity`): a demand holds only when the reading is accepted. One that is neither accepted nor
rejected is too close to call; the valve then gets the grade below, and the judgement says how many more readings would
settle it. A reading of unknown uncertainty is compared with the limit as it stands.

A tester with nothing but an emission scale can pass a valve or fail it: such a valve gets the policy's
`scale_pass`, which claims nothing in mA or mA/V.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf
from typing import NamedTuple

from grading.metrology import conformity
from grading.metrology.conformity import Limits, Outcome, Rule
from grading.metrology.quantities import FAULTS, NOISE
from grading.metrology.spreads import relative_spread
from grading.verdicts.pure.rules import GradeLevel, PolicyRules

ROUNDING = 1e-12


class ReadingUncertainty(NamedTuple):
    """How well one reading is known, in the reading's own unit.

    `repeatability_sd` is that of one reading and shrinks with their number; `systematic_u` does not.
    `ratio_u` is the relative standard uncertainty of what is not common to two readings on one tester.
    """

    repeatability_sd: float
    systematic_u: float
    degrees_of_freedom: float = inf
    display_step: float = 0.0
    readings: int = 1
    ratio_u: float = 0.0


@dataclass(frozen=True)
class SectionReading:
    """One section at its test point. Currents in mA, gm in mA/V, leakage and grid current in microamperes.

    `scale` is the reading of an emission scale and `scale_pass_at` the least that passes, both in the
    scale's own divisions.
    """

    section: int
    anode_current_ma: float | None = None
    gm_ma_per_v: float | None = None
    nominal_anode_current_ma: float | None = None
    nominal_gm_ma_per_v: float | None = None
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


class Judgement(NamedTuple):
    """`assurance` is the least probable of the conformances that the grade rests on, where they are known."""

    name: str
    rank: int  # 1 is the best
    saleable: bool
    reasons: tuple[str, ...]
    too_close: bool = False
    more_readings: int | None = None
    assurance: float | None = None


class Finding(NamedTuple):
    """A demand that does not hold, or one that does with a known probability."""

    text: str
    outcome: Outcome
    probability: float | None = None
    more_readings: int | None = None


def judge(policy: PolicyRules, sections: Sequence[SectionReading]) -> Judgement:
    """The first level whose demands all hold.

    The reasons say why the level above was missed ("section 2: gm 1.31 mA/V is 82 % of 1.6; Excellent wants
    90 %"), or for the best grade, what was met.
    """
    if sections and all(_by_scale_only(section) for section in sections):
        return _judge_by_scale(policy, sections)
    missed: list[Finding] = []
    for rank, level in enumerate(policy.levels, start=1):
        findings = list(_findings(level, sections, policy.acceptance))
        faults = [finding for finding in findings if finding.outcome is not Outcome.ACCEPT]
        if not faults:
            reasons = [fault.text for fault in missed] or list(_merits(sections))
            known = [finding.probability for finding in findings if finding.probability is not None]
            return Judgement(
                level.name, rank, level.saleable, tuple(reasons), *_doubt(missed), assurance=min(known, default=None)
            )
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
    reasons, passed = [], True
    for s in sections:
        if s.shorted:
            passed = False
            reasons.append(f"section {s.section}: {_short(s)}")
        good = s.scale_pass_at is not None and s.scale is not None and s.scale >= s.scale_pass_at
        passed = passed and good
        mark = "no pass mark is known" if s.scale_pass_at is None else f"passes from {s.scale_pass_at:g}"
        reasons.append(f"section {s.section}: scale {s.scale:g}, {mark}; nothing is claimed in mA or mA/V")
    rank = policy.names.index(policy.scale_pass) + 1
    if passed:
        return Judgement(policy.scale_pass, rank, True, tuple(reasons))
    return Judgement(policy.otherwise, rank + 1, False, tuple(reasons))


def _findings(level: GradeLevel, sections: Sequence[SectionReading], rule: Rule) -> Iterator[Finding]:
    """Every demand of `level` that does not hold, and those that hold with a known probability."""
    if not sections:
        yield Finding("nothing has been read", Outcome.REJECT)
    for s in sections:
        where = f"section {s.section}: "
        for finding in _section_findings(level, s, rule):
            yield finding._replace(text=where + finding.text)
    if len(sections) > 1:
        yield from _spread_findings(
            "gm", level.gm_section_spread_percent, level, [(s.gm_ma_per_v, s.gm_known) for s in sections], rule
        )
        yield from _spread_findings(
            "anode current",
            level.anode_current_section_spread_percent,
            level,
            [(s.anode_current_ma, s.anode_current_known) for s in sections],
            rule,
        )


def _section_findings(level: GradeLevel, s: SectionReading, rule: Rule) -> Iterator[Finding]:
    if s.shorted:
        yield Finding(_short(s), Outcome.REJECT)
    yield from _share_findings(
        "gm", s.gm_ma_per_v, "mA/V", s.nominal_gm_ma_per_v, s.gm_known, level.gm_min_percent, None, level, rule
    )
    yield from _share_findings(
        "anode current",
        s.anode_current_ma,
        "mA",
        s.nominal_anode_current_ma,
        s.anode_current_known,
        level.anode_current_min_percent,
        level.anode_current_max_percent,
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
            s.anode_current_max_ma,
            rule,
        )
        yield from _sheet_findings("gm", s.gm_ma_per_v, "mA/V", s.gm_known, s.gm_min_ma_per_v, s.gm_max_ma_per_v, rule)
    for quantity in FAULTS:
        value, limit = getattr(s, quantity), getattr(level, quantity.facts.demands.most)
        if limit is None:
            continue
        if value is None and not level.unread_allowed:
            yield Finding(f"{quantity.short} was not read; {level.name} wants it", Outcome.REJECT)
        elif value is not None and abs(value) > limit:
            yield Finding(
                f"{quantity.short} {quantity.shown(abs(value))}; {level.name} allows {quantity.amount(limit)}",
                Outcome.REJECT,
            )
    if level.noise_at_most is not None:
        if not s.noise and not level.unread_allowed:
            yield Finding(f"noise was not listened for; {level.name} wants it", Outcome.REJECT)
        elif s.noise and NOISE.index(s.noise) > NOISE.index(level.noise_at_most):
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
    """The sections of one valve are read on one tester: what is common to them cancels
    (`ReadingUncertainty.ratio_u`)."""
    present = [(value, known) for value, known in read if value is not None]
    if limit is None or len(present) < 2:
        return
    values = [value for value, _ in present]
    spread = 100 * relative_spread(values)
    ratio_us = [known.ratio_u if known else 0.0 for _, known in present]
    known = None
    if min(ratio_us) > 0 and spread != inf:
        u = 100 * max(values) / min(values) * (max(ratio_us) ** 2 * 2) ** 0.5
        known = ReadingUncertainty(u, 0.0, degrees_of_freedom=min(k.degrees_of_freedom for _, k in present if k))
    outcome, probability, more = _decide(spread, Limits(upper=limit), known, rule)
    if outcome is Outcome.ACCEPT:
        yield Finding("", outcome, probability)
        return
    text = f"the sections' {label} differ by {_percent(spread, limit)}; {level.name} allows {limit:g} %"
    yield Finding(text + _closeness(outcome, probability, more), outcome, probability, more)


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
    return decision.outcome, decision.conformance_probability, decision.more_readings


def _closeness(outcome: Outcome, probability: float | None, more: int | None) -> str:
    if outcome is not Outcome.TOO_CLOSE or probability is None:
        return ""
    readings = f"{more} more reading{'s' if more != 1 else ''}" if more else "more readings"
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

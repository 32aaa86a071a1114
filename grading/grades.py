"""From readings to a grade, with the reasons in words.

- `read_policy(data)`: a policy's rules from its stored form, or `PolicyProblem` saying what is wrong with them
- `SectionReading`: what one section read and what its sheet says of it
- `judge(policy, sections)`: a `Judgement`: the grade and its reasons

A policy is an ordered list of levels, best first, each a set of demands; the valve gets the first level
whose demands all hold, and the policy's `otherwise` when none does. Sections are judged apart against the
test point's nominal and the sheet's own limits, and against each other by their spread: the largest over the
smallest, less one. A demand on a quantity that was not measured is not met, save for the noise and the
leakages when the level says they may go unread.

The scheme is this shop's own; the percentages in its first policy are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

NOISE = ("quiet", "slight", "noisy")


class PolicyProblem(ValueError):
    """The stored rules cannot be a policy. The message names the level and the rule."""


@dataclass(frozen=True)
class Level:
    """One grade's demands. Percentages of nominal, spreads in per cent, leakages in microamperes."""

    name: str
    saleable: bool = True
    gm_min_percent: float | None = None
    anode_current_min_percent: float | None = None
    anode_current_max_percent: float | None = None
    within_sheet_limits: bool = True
    gm_section_spread_percent: float | None = None
    anode_current_section_spread_percent: float | None = None
    heater_cathode_leakage_max_ua: float | None = None
    grid_current_max_ua: float | None = None
    noise_at_most: str | None = None
    unread_allowed: bool = True  # leakage, grid current and noise may go unread


@dataclass(frozen=True)
class Policy:
    levels: tuple[Level, ...]
    otherwise: str  # the name given when no level's demands hold

    @property
    def names(self) -> tuple[str, ...]:
        return (*(level.name for level in self.levels), self.otherwise)


@dataclass(frozen=True)
class SectionReading:
    """One section at its test point. Currents in mA, gm in mA/V, leakage and grid current in microamperes."""

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


class Judgement(NamedTuple):
    name: str
    rank: int  # 1 is the best
    saleable: bool
    reasons: tuple[str, ...]


def read_policy(data: Mapping[str, Any]) -> Policy:
    """The rules from their stored (JSON) form.

    Raises:
        PolicyProblem: naming the level and the rule that cannot be.
    """
    unknown = set(data) - {"levels", "otherwise"}
    if unknown:
        raise PolicyProblem(f"The policy has rules that nobody knows: {', '.join(sorted(unknown))}.")
    levels = data.get("levels") or []
    if not levels or not isinstance(levels, list):
        raise PolicyProblem("The policy has no levels.")
    otherwise = data.get("otherwise")
    if not otherwise or not isinstance(otherwise, str):
        raise PolicyProblem("The policy does not say what a valve is called that no level takes.")
    policy = Policy(tuple(_read_level(row) for row in levels), otherwise)
    if len(set(policy.names)) != len(policy.names):
        raise PolicyProblem("Two grades have the same name.")
    return policy


def _read_level(row: Mapping[str, Any]) -> Level:
    name = row.get("name") if isinstance(row, Mapping) else None
    if not name or not isinstance(name, str):
        raise PolicyProblem("A level has no name.")
    known = {field.name for field in fields(Level)}
    for key, value in row.items():
        if key not in known:
            raise PolicyProblem(f"Level “{name}” has a rule that nobody knows: {key}.")
        if key.endswith(("_percent", "_ua")) and not (value is None or _is_limit(value)):
            raise PolicyProblem(f"Level “{name}”: {key} must be a number from 0 to 1000, not {value!r}.")
        if key in ("saleable", "within_sheet_limits", "unread_allowed") and not isinstance(value, bool):
            raise PolicyProblem(f"Level “{name}”: {key} must be true or false, not {value!r}.")
    if row.get("noise_at_most") not in (None, *NOISE):
        raise PolicyProblem(f"Level “{name}”: noise_at_most must be one of {', '.join(NOISE)}.")
    level = Level(**row)
    low, high = level.anode_current_min_percent, level.anode_current_max_percent
    if low is not None and high is not None and low > high:
        raise PolicyProblem(f"Level “{name}”: the least anode current is above the most.")
    return level


def _is_limit(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 1000


def judge(policy: Policy, sections: Sequence[SectionReading]) -> Judgement:
    """The first level whose demands all hold.

    The reasons say why the level above was missed ("section 2: gm 1.31 mA/V is 82 % of 1.60; Excellent
    wants 90 %"), or for the best grade, what was met.
    """
    missed: list[str] = []
    for rank, level in enumerate(policy.levels, start=1):
        faults = list(_faults(level, sections))
        if not faults:
            reasons = missed or list(_merits(level, sections))
            return Judgement(level.name, rank, level.saleable, tuple(reasons))
        missed = faults
    return Judgement(policy.otherwise, len(policy.levels) + 1, False, tuple(missed))


def _faults(level: Level, sections: Sequence[SectionReading]) -> Iterator[str]:
    """Every demand of `level` that the readings do not meet, in words."""
    if not sections:
        yield "nothing has been read"
    for reading in sections:
        where = f"section {reading.section}: "
        for fault in _section_faults(level, reading):
            yield where + fault
    if len(sections) > 1:
        for label, limit, values in (
            ("gm", level.gm_section_spread_percent, [s.gm_ma_per_v for s in sections]),
            ("anode current", level.anode_current_section_spread_percent, [s.anode_current_ma for s in sections]),
        ):
            present = [value for value in values if value is not None]
            if limit is None or len(present) < 2:
                continue
            spread = _spread_percent(present)
            if spread > limit:
                yield f"the sections' {label} differ by {_percent(spread, limit)}; {level.name} allows {limit:g} %"


def _section_faults(level: Level, s: SectionReading) -> Iterator[str]:
    if s.shorted:
        yield f"shorted between {s.short_between}" if s.short_between else "shorted"
    if level.gm_min_percent is not None and s.nominal_gm_ma_per_v is not None:
        if s.gm_ma_per_v is None:
            yield f"gm was not read; {level.name} wants {level.gm_min_percent:g} %"
        elif (share := 100 * s.gm_ma_per_v / s.nominal_gm_ma_per_v) < level.gm_min_percent:
            yield (
                f"gm {s.gm_ma_per_v:g} mA/V is {_percent(share, level.gm_min_percent)} of {s.nominal_gm_ma_per_v:g}; "
                f"{level.name} wants {level.gm_min_percent:g} %"
            )
    low, high = level.anode_current_min_percent, level.anode_current_max_percent
    if (low is not None or high is not None) and s.nominal_anode_current_ma is not None:
        if s.anode_current_ma is None:
            yield f"anode current was not read; {level.name} wants it"
        else:
            share = 100 * s.anode_current_ma / s.nominal_anode_current_ma
            for limit, missed, verb in ((low, low is not None and share < low, "wants"),
                                        (high, high is not None and share > high, "allows")):
                if missed:
                    yield (
                        f"anode current {s.anode_current_ma:g} mA is {_percent(share, limit)} of "
                        f"{s.nominal_anode_current_ma:g}; {level.name} {verb} {limit:g} %"
                    )
    if level.within_sheet_limits:
        yield from _outside("anode current", s.anode_current_ma, s.anode_current_min_ma, s.anode_current_max_ma, "mA")
        yield from _outside("gm", s.gm_ma_per_v, s.gm_min_ma_per_v, s.gm_max_ma_per_v, "mA/V")
    for label, value, limit in (
        ("heater-cathode leakage", s.heater_cathode_leakage_ua, level.heater_cathode_leakage_max_ua),
        ("grid current", None if s.grid_current_ua is None else abs(s.grid_current_ua), level.grid_current_max_ua),
    ):
        if limit is None:
            continue
        if value is None and not level.unread_allowed:
            yield f"{label} was not read; {level.name} wants it"
        elif value is not None and value > limit:
            yield f"{label} {value:g} µA; {level.name} allows {limit:g}"
    if level.noise_at_most is not None:
        if not s.noise and not level.unread_allowed:
            yield f"noise was not listened for; {level.name} wants it"
        elif s.noise and NOISE.index(s.noise) > NOISE.index(level.noise_at_most):
            yield f"noise is {s.noise}; {level.name} allows {level.noise_at_most}"


def _outside(label: str, value: float | None, low: float | None, high: float | None, unit: str) -> Iterator[str]:
    if value is not None and low is not None and value < low:
        yield f"{label} {value:g} {unit} is below the sheet's limit of {low:g}"
    if value is not None and high is not None and value > high:
        yield f"{label} {value:g} {unit} is above the sheet's limit of {high:g}"


def _merits(level: Level, sections: Sequence[SectionReading]) -> Iterator[str]:
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


def _spread_percent(values: Sequence[float]) -> float:
    """Largest over smallest, less one, in per cent; infinite when the smallest is zero and they differ."""
    low, high = min(values), max(values)
    if low == high:
        return 0.0
    return float("inf") if low <= 0 else 100 * (high / low - 1)


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

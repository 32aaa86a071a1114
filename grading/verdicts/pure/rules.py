"""A grading policy as data: what it may say, and reading it from its stored form.

The scheme is this shop's own. How a limit is decided follows JCGM 106 (`grading.metrology.conformity`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

from catalog.reference.vocabulary import TYPE_KINDS
from grading.metrology.conformity import GuardedAcceptance, MaximumFalseAcceptance, Rule, SimpleAcceptance
from grading.metrology.quantities import FAULTS as METERED
from grading.metrology.quantities import NOISE, Quantity
from stockroom.pure.refused import Refused

NUMBERS = frozenset(key for quantity in Quantity for key in quantity.facts.demands if key)  # demands that are numbers
FAULTS = (*(fault.short for fault in METERED), "noise")  # what a valve may be tested for besides its emission
ACCEPTANCE = ("simple", "guarded", "maximum false acceptance")
OVERDUE = ("allowed", "unknown")
UNKNOWN_SETS = ("supposed", "as read", "none")


class PolicyProblem(Refused):
    """The stored rules cannot be a policy. The message names the level and the rule."""


@dataclass(frozen=True)
class GradeLevel:
    """One grade's demands. Percentages of nominal, spreads in per cent, leakages in microamperes.

    `must_be_read` names those of `FAULTS` that the grade is not given without a reading of. `by_kind` holds demands
    that take the place of these for a kind of valve (`catalog.reference.files.TYPE_KINDS`), by their names.
    """

    name: str
    saleable: bool = True
    gm_min_percent: float | None = None
    anode_current_min_percent: float | None = None
    anode_current_max_percent: float | None = None
    voltage_held_within_percent: float | None = 10.0  # either way; policies of old did not say (common practice)
    within_sheet_limits: bool = True
    gm_section_spread_percent: float | None = None
    anode_current_section_spread_percent: float | None = None
    heater_cathode_leakage_max_ua: float | None = None
    grid_current_max_ua: float | None = None
    noise_at_most: str | None = None
    must_be_read: tuple[str, ...] = ()
    by_kind: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def for_kind(self, kind: str) -> GradeLevel:
        """The demands on a valve of this kind."""
        return replace(self, **self.by_kind.get(kind, {}), by_kind={})


@dataclass(frozen=True)
class Unknown:
    """What is made of a tester whose record leaves something out: no accuracy, calibration or repeatability study.

    Its readings carry no ± and no probability. They are judged as if it read within `accuracy_percent` of the reading
    and repeated with a standard deviation of `repeatability_percent`: chosen no better than the worst tester that the
    shop would describe, they see to it that knowing less never gives a better grade. `best_grade` is the best that such
    a tester may give, 1 being the policy's first. `overdue` says what an overdue calibration is: "allowed" counts it
    as it was, "unknown" as no calibration. `sets` says what is made of sets of such readings: "supposed" makes those
    only that would be surely within their tolerance if the tester were as supposed, "as read" takes the readings as
    they stand, "none" makes none.
    """

    accuracy_percent: float = 0.0
    repeatability_percent: float = 0.0
    best_grade: int = 1
    overdue: str = "allowed"
    sets: str = "supposed"


@dataclass(frozen=True)
class PolicyRules:
    """Levels best first.

    `otherwise` names what no level takes, `scale_pass` what a tester with only an emission scale passed.
    `match_probability` is how probable it must be that a set truly lies within its tolerance, every two of its valves
    in every quantity at once; one half takes the readings as they stand.
    """

    levels: tuple[GradeLevel, ...]
    otherwise: str
    scale_pass: str = "Passed on scale"
    acceptance: Rule = field(default_factory=SimpleAcceptance)
    match_probability: float = 0.5
    unknown: Unknown = field(default_factory=Unknown)

    def for_kind(self, kind: str) -> PolicyRules:
        """The rules as they hold for a valve of this kind."""
        return replace(self, levels=tuple(level.for_kind(kind) for level in self.levels))

    @property
    def least(self) -> GradeLevel:
        """The last grade that may be sold: its demands on faults hold for a valve that a scale passed as well."""
        return next((level for level in reversed(self.levels) if level.saleable), self.levels[-1])

    @property
    def names(self) -> tuple[str, ...]:
        """Every name a valve can be given, best first."""
        return (*(level.name for level in self.levels), self.scale_pass, self.otherwise)


def read_policy(data: Mapping[str, Any]) -> PolicyRules:
    """The rules from their stored (JSON) form.

    Raises:
        PolicyProblem: naming the level and the rule that cannot be.
    """
    unknown = set(data) - {"levels", "otherwise", "scale_pass", "acceptance", "match_probability", "unknown"}
    if unknown:
        raise PolicyProblem(f"The policy has rules that nobody knows: {', '.join(sorted(unknown))}.")
    levels = data.get("levels") or []
    if not levels or not isinstance(levels, list):
        raise PolicyProblem("The policy has no levels.")
    otherwise = data.get("otherwise")
    if not otherwise or not isinstance(otherwise, str):
        raise PolicyProblem("The policy does not say what a valve is called that no level takes.")
    match_probability = data.get("match_probability", 0.5)
    if not _is_number(match_probability) or not 0.5 <= match_probability < 1:
        raise PolicyProblem("match_probability must be a number from 0.5 to less than 1.")
    policy = PolicyRules(
        levels=tuple(_read_level(row) for row in levels),
        otherwise=otherwise,
        scale_pass=data.get("scale_pass", PolicyRules.scale_pass),
        acceptance=_read_acceptance(data.get("acceptance", {"rule": "simple"})),
        match_probability=match_probability,
        unknown=_read_unknown(data.get("unknown", {}), len(levels)),
    )
    if len(set(policy.names)) != len(policy.names):
        raise PolicyProblem("Two grades have the same name.")
    return policy


def _read_acceptance(row: Mapping[str, Any]) -> Rule:
    rule = row.get("rule") if isinstance(row, Mapping) else None
    if rule == "simple":
        return SimpleAcceptance()
    if rule == "guarded":
        r = row.get("guard_factor", 1.0)
        if not _is_number(r) or not 0 < r <= 3:
            raise PolicyProblem("The guard factor must be a number above 0, at most 3.")
        return GuardedAcceptance(r=r)
    if rule == "maximum false acceptance":
        probability = row.get("probability", 0.05)
        if not _is_number(probability) or not 0 < probability <= 0.5:
            raise PolicyProblem("The probability of false acceptance must be above 0, at most 0.5.")
        return MaximumFalseAcceptance(probability)
    raise PolicyProblem(f"The acceptance rule must be one of: {', '.join(ACCEPTANCE)}.")


def _read_unknown(row: Mapping[str, Any], levels: int) -> Unknown:
    if not isinstance(row, Mapping) or set(row) - {rule.name for rule in fields(Unknown)}:
        known = ", ".join(rule.name for rule in fields(Unknown))
        raise PolicyProblem(f"What is made of an unknown tester may say: {known}.")
    for key in ("accuracy_percent", "repeatability_percent"):
        if not _is_number(row.get(key, 0)) or not 0 <= row.get(key, 0) <= 50:
            raise PolicyProblem(f"Unknown testers: {key} must be a number from 0 to 50, not {row[key]!r}.")
    best = row.get("best_grade", 1)
    if not isinstance(best, int) or isinstance(best, bool) or not 1 <= best <= levels:
        raise PolicyProblem(f"Unknown testers: best_grade must be a whole number from 1 to {levels}, not {best!r}.")
    if row.get("overdue", "allowed") not in OVERDUE:
        raise PolicyProblem(f"Unknown testers: overdue must be one of {', '.join(OVERDUE)}, not {row['overdue']!r}.")
    if row.get("sets", "supposed") not in UNKNOWN_SETS:
        raise PolicyProblem(f"Unknown testers: sets must be one of {', '.join(UNKNOWN_SETS)}, not {row['sets']!r}.")
    return Unknown(**row)


def _read_level(row: Mapping[str, Any]) -> GradeLevel:
    name = row.get("name") if isinstance(row, Mapping) else None
    if not name or not isinstance(name, str):
        raise PolicyProblem("A level has no name.")
    rules = _up_to_date(row)
    by_kind = rules.pop("by_kind", {})
    _check_rules(name, rules)
    if not isinstance(by_kind, Mapping) or not all(isinstance(own, Mapping) for own in by_kind.values()):
        raise PolicyProblem(f"Level “{name}”: by_kind must give demands by kind of valve.")
    level = GradeLevel(**_frozen(rules), by_kind={kind: _frozen(own) for kind, own in by_kind.items()})
    _check_current(level)
    for kind, own in by_kind.items():
        if kind not in TYPE_KINDS:
            raise PolicyProblem(f"Level “{name}” has demands on a kind of valve that nobody knows: {kind}.")
        if fixed := {"name", "saleable", "by_kind"} & set(own):
            raise PolicyProblem(f"Level “{name}”: {min(fixed)} cannot be another one for a {kind}.")
        _check_rules(f"{name}, {kind}", own)
        _check_current(level.for_kind(kind))
    return level


def _up_to_date(row: Mapping[str, Any]) -> dict[str, Any]:
    """Policies of old said of all of `FAULTS` at once whether they may go unread."""
    rules = dict(row)
    allowed = rules.pop("unread_allowed", True)
    if not isinstance(allowed, bool):
        raise PolicyProblem(f"Level “{row['name']}”: unread_allowed must be true or false, not {allowed!r}.")
    return rules if allowed else {"must_be_read": list(FAULTS), **rules}


def _frozen(rules: Mapping[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if key == "must_be_read" else value for key, value in rules.items()}


def _check_rules(name: str, rules: Mapping[str, Any]) -> None:
    known = {rule.name for rule in fields(GradeLevel)}
    for key, value in rules.items():
        if key not in known:
            raise PolicyProblem(f"Level “{name}” has a rule that nobody knows: {key}.")
        if key in NUMBERS and not (value is None or (_is_number(value) and 0 <= value <= 1000)):
            raise PolicyProblem(f"Level “{name}”: {key} must be a number from 0 to 1000, not {value!r}.")
        if key in ("saleable", "within_sheet_limits") and not isinstance(value, bool):
            raise PolicyProblem(f"Level “{name}”: {key} must be true or false, not {value!r}.")
    if rules.get("noise_at_most") not in (None, *NOISE):
        raise PolicyProblem(f"Level “{name}”: noise_at_most must be one of {', '.join(NOISE)}.")
    wanted = rules.get("must_be_read", ())
    if not isinstance(wanted, list | tuple) or not set(wanted) <= set(FAULTS):
        raise PolicyProblem(f"Level “{name}”: must_be_read must be of: {', '.join(FAULTS)}.")


def _check_current(level: GradeLevel) -> None:
    low, high = level.anode_current_min_percent, level.anode_current_max_percent
    if low is not None and high is not None and low >= high:
        raise PolicyProblem(f"Level “{level.name}”: the least anode current is not below the most.")


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)

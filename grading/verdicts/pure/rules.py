"""A grading policy as data: what it may say, and reading it from its stored form.

- `GradeLevel`: one grade's demands; `PolicyRules`: levels best first, and how limits are decided
- `read_policy(data)`: from the stored (JSON) form, or `PolicyProblem` saying what is wrong with it

The scheme is this shop's own. How a limit is decided follows JCGM 106 (`grading.metrology.conformity`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from grading.metrology.conformity import GuardedAcceptance, MaximumFalseAcceptance, Rule, SimpleAcceptance
from grading.metrology.quantities import NOISE, Quantity

NUMBERS = frozenset(key for quantity in Quantity for key in quantity.facts.demands if key)  # demands that are numbers
ACCEPTANCE = ("simple", "guarded", "maximum false acceptance")


class PolicyProblem(ValueError):
    """The stored rules cannot be a policy. The message names the level and the rule."""


@dataclass(frozen=True)
class GradeLevel:
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
class PolicyRules:
    """Levels best first.

    `otherwise` names what no level takes, `scale_pass` what a tester with only an emission scale passed.
    `match_probability` is how probable it must be that a set truly lies within its tolerance; one half takes
    the readings as they stand.
    """

    levels: tuple[GradeLevel, ...]
    otherwise: str
    scale_pass: str = "Passed on scale"
    acceptance: Rule = field(default_factory=SimpleAcceptance)
    match_probability: float = 0.5

    @property
    def names(self) -> tuple[str, ...]:
        """Every name a valve can be given, best first."""
        return (*(level.name for level in self.levels), self.scale_pass, self.otherwise)


def read_policy(data: Mapping[str, Any]) -> PolicyRules:
    """The rules from their stored (JSON) form.

    Raises:
        PolicyProblem: naming the level and the rule that cannot be.
    """
    unknown = set(data) - {"levels", "otherwise", "scale_pass", "acceptance", "match_probability"}
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


def _read_level(row: Mapping[str, Any]) -> GradeLevel:
    name = row.get("name") if isinstance(row, Mapping) else None
    if not name or not isinstance(name, str):
        raise PolicyProblem("A level has no name.")
    known = {rule.name for rule in fields(GradeLevel)}
    for key, value in row.items():
        if key not in known:
            raise PolicyProblem(f"Level “{name}” has a rule that nobody knows: {key}.")
        if key in NUMBERS and not (value is None or (_is_number(value) and 0 <= value <= 1000)):
            raise PolicyProblem(f"Level “{name}”: {key} must be a number from 0 to 1000, not {value!r}.")
        if key in ("saleable", "within_sheet_limits", "unread_allowed") and not isinstance(value, bool):
            raise PolicyProblem(f"Level “{name}”: {key} must be true or false, not {value!r}.")
    if row.get("noise_at_most") not in (None, *NOISE):
        raise PolicyProblem(f"Level “{name}”: noise_at_most must be one of {', '.join(NOISE)}.")
    level = GradeLevel(**row)
    low, high = level.anode_current_min_percent, level.anode_current_max_percent
    if low is not None and high is not None and low >= high:
        raise PolicyProblem(f"Level “{name}”: the least anode current is not below the most.")
    return level


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)

"""A valve as it was sent beside the same valve as it came back, section by section and quantity by quantity.

The decision is `grading.metrology.change`; here stands what may be compared at all, and the words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from grading.metrology.change import RISK, ChangeOutcome, MeasuredChange, measured_change, overall
from grading.metrology.comparison import ComparedValue
from grading.metrology.quantities import Quantity
from grading.verdicts.pure.graded import GradedValue
from stockroom.pure.written import MINUS, percent


class SideOfPair(NamedTuple):
    """One quantity of one section as it was once known. `compared` is None where `why_not` says what is wanting."""

    section: int
    quantity: Quantity
    value: float
    expanded_uncertainty: float | None
    tester: str
    stands_at: Any  # what has to be the same for two to be set side by side
    compared: ComparedValue | None
    why_not: str = ""


class Pair(NamedTuple):
    """`before` or `after` is None where it was not read."""

    section: int
    quantity: Quantity
    before: SideOfPair | None
    after: SideOfPair | None
    found: MeasuredChange | None
    why: str  # why nothing can be told

    @property
    def outcome(self) -> ChangeOutcome:
        return self.found.outcome if self.found else ChangeOutcome.CANNOT_TELL


@dataclass(frozen=True)
class RetestFound:
    """All that was compared of a valve. `matters` is a fraction; `shorted` are sections in which a short was found now,
    `newly_shorted` those that had none when it was sent."""

    pairs: Sequence[Pair]
    matters: float
    shorted: frozenset[int] = frozenset()
    newly_shorted: frozenset[int] = frozenset()

    @property
    def outcome(self) -> ChangeOutcome:
        if self.newly_shorted:
            return ChangeOutcome.CHANGED
        return overall([pair.outcome for pair in self.pairs])

    @property
    def is_read(self) -> bool:
        """Everything that was read before it was sent has been read again; of a short nothing more need be read."""
        return bool(self.pairs) and all(
            pair.after or pair.section in self.shorted for pair in self.pairs if pair.before
        )

    @property
    def rule(self) -> str:
        """The decision rule with its risks, in words."""
        return decision_rule(sum(pair.before is not None for pair in self.pairs), self.matters)


def decision_rule(comparisons: int, matters: float) -> str:
    many = "" if comparisons == 1 else f" of all {comparisons} comparisons together"
    return (
        f"Changed: the {percent(1 - RISK, None)} interval{many} lies off “the same”; a valve that has not changed is "
        f"called changed in {percent(RISK, None)} of cases at most. Unchanged: the interval lies within "
        f"±{percent(matters, None)}; one that changed by more is called unchanged in {percent(RISK / 2)} at most. "
        "Cannot tell: anything else."
    )


def compare(
    before: Sequence[SideOfPair],
    after: Sequence[SideOfPair],
    matters: float,
    *,
    shorted: frozenset[int] = frozenset(),
    newly_shorted: frozenset[int] = frozenset(),
) -> RetestFound:
    """What was read before it was sent beside what was read since it came back. The values' components know with whom
    they share an error, so that what one tester shares with itself cancels.
    """
    was = {(one.section, one.quantity): one for one in before}
    now = {(one.section, one.quantity): one for one in after}
    keys = sorted({*was, *now}, key=lambda key: (key[0], list(Quantity).index(key[1])))
    comparisons = max(1, len(was))
    pairs = [_pair(key, was.get(key), now.get(key), matters, comparisons) for key in keys]
    return RetestFound(pairs, matters, shorted, newly_shorted)


def _pair(
    key: tuple[int, Quantity], before: SideOfPair | None, after: SideOfPair | None, matters: float, comparisons: int
) -> Pair:
    if before is None or after is None:
        why = "not read before it was sent" if before is None else "not read again yet"
        return Pair(*key, before, after, None, why)
    if before.stands_at != after.stands_at:
        return Pair(*key, before, after, None, "read at other settings than before")
    if before.compared is None or after.compared is None:
        return Pair(*key, before, after, None, before.why_not or after.why_not or "nobody knows how well it is known")
    try:
        found = measured_change(before.compared, after.compared, matters=matters, comparisons=comparisons)
    except ValueError:
        return Pair(*key, before, after, None, "a reading of nothing has no ratio to another: look at the figures")
    return Pair(*key, before, after, found, "")


def _by(found: MeasuredChange) -> str:
    """ "−12.1 % ± 4.0 %" """
    return f"{_signed(found.change)} ± {percent(found.expanded_uncertainty)}"


def _signed(share: float) -> str:
    return f"{MINUS if share < 0 else '+'}{percent(abs(share))}"


def p_in_words(p: float) -> str:
    """
    >>> p_in_words(0.00002), p_in_words(0.0123)
    ('p < 0.001', 'p = 0.012')
    """
    return "p < 0.001" if p < 0.0005 else f"p = {p:.3f}" if p < 0.1 else f"p = {p:.2f}"


def overall_in_words(found: RetestFound, faults: Sequence[str]) -> str:
    """What the page says first."""
    if not found.is_read:
        return "Not all of it has been read again yet."
    changed = [pair for pair in found.pairs if pair.outcome == ChangeOutcome.CHANGED]
    if found.newly_shorted and not changed:
        said = "It has changed since it was sent."
    elif changed:
        what = "; ".join(f"{_name(pair)} {_by(pair.found)}" for pair in changed if pair.found)
        said = f"It has changed since it was sent: {what}."
    elif found.outcome == ChangeOutcome.UNCHANGED:
        said = f"Its figures are unchanged, within ±{percent(found.matters, None)}."
    else:
        said = f"Nobody can tell from the figures whether it has changed.{_too_wide(found)}"
    return " ".join([said, *faults])


def _too_wide(found: RetestFound) -> str:
    """What reading again may settle."""
    wide = [pair.found for pair in found.pairs if pair.found and pair.outcome == ChangeOutcome.CANNOT_TELL]
    if not wide:
        return ""
    worst = max(one.expanded_uncertainty for one in wide)
    return (
        f" A change of {percent(found.matters, None)} matters, and some is known to ± {percent(worst)} only: read it "
        "again, several times in one shift."
    )


def _name(pair: Pair) -> str:
    return f"{pair.quantity.symbol} of section {pair.section}"


def stored(found: RetestFound, faults: Sequence[str]) -> Mapping[str, Any]:
    """As a page shows it and a verdict keeps it: plain texts and numbers."""
    return {
        "sentence": overall_in_words(found, faults),
        "outcome": found.outcome.value if found.is_read else "",
        "rule": found.rule,
        "rows": [_row(pair) for pair in found.pairs],
        "faults": list(faults),
    }


def _row(pair: Pair) -> Mapping[str, Any]:
    return {
        "what": f"{pair.quantity.symbol}, section {pair.section}",
        "before": _value(pair.quantity, pair.before),
        "before_on": pair.before.tester if pair.before else "",
        "after": _value(pair.quantity, pair.after),
        "after_on": pair.after.tester if pair.after else "",
        "change": _by(pair.found) if pair.found else "",
        "p": p_in_words(pair.found.p) if pair.found else "",
        "outcome": pair.outcome.value,
        "why": pair.why,
    }


def _value(quantity: Quantity, shown: SideOfPair | None) -> str:
    if shown is None:
        return ""
    return f"{GradedValue(shown.value, shown.expanded_uncertainty)} {quantity.unit}"

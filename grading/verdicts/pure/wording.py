"""A policy in words: for its own page, and for every page and paper that shows a grade given by it."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from grading.metrology.conformity import GuardedAcceptance, MaximumFalseAcceptance, Rule
from grading.metrology.quantities import Quantity
from grading.verdicts.pure.rules import GradeLevel, Unknown
from stockroom.pure.written import plain


def demanded(value: object) -> object:
    """What a cell of the table of demands says.

    >>> demanded(True), demanded(False), demanded(None), demanded(70), demanded(("shorts", "noise"))
    ('yes', 'no', '–', 70, 'shorts, noise')
    """
    if isinstance(value, tuple):
        return ", ".join(value) or "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "–" if value is None else value


def acceptance_in_words(rule: Rule) -> str:
    """When a limit of the policy counts as met: the decision rule, by JCGM 106.

    >>> acceptance_in_words(GuardedAcceptance(r=1.0))
    'A limit is met when the reading meets it by a guard band of 1 × its expanded uncertainty (JCGM 106).'
    """
    if isinstance(rule, MaximumFalseAcceptance):
        return f"A limit is met when {_risk(rule)} that it is wrongly taken as met (JCGM 106)."
    if isinstance(rule, GuardedAcceptance):
        return (
            f"A limit is met when the reading meets it by a guard band of {plain(rule.r)} × its expanded uncertainty "
            "(JCGM 106)."
        )
    return "A limit is met when the reading meets it as it stands (simple acceptance, JCGM 106)."


def risk_in_words(rule: Rule) -> str:
    """What the decision rule lets through, where a reading's uncertainty is known."""
    if isinstance(rule, MaximumFalseAcceptance):
        return f"For each limit {_risk(rule)} that it is not truly met."
    if isinstance(rule, GuardedAcceptance):
        return f"The guard band of {plain(rule.r)} × U keeps that risk below what a reading at the limit itself has."
    return "A reading at a limit itself may be wrong one time in two: there is no guard band."


def _risk(rule: MaximumFalseAcceptance) -> str:
    return f"the risk is {plain(100 * rule.probability)} % at most"


def limits_in_words(level: GradeLevel, read: Collection[Quantity]) -> str:
    """All that a grade demands of a valve that is graded by the quantities `read`.

    >>> limits_in_words(GradeLevel("Good", gm_min_percent=75, within_sheet_limits=False), [Quantity.GM])
    'gm 75 % of nominal or more'
    """
    return ", ".join(_limits(level, read)) or "none"


def _limits(level: GradeLevel, read: Collection[Quantity]) -> Iterator[str]:
    for quantity in Quantity:
        if quantity in read or not quantity.claims:
            yield from _limits_on(level, quantity)
    if level.noise_at_most:
        yield f"noise {level.noise_at_most}{'' if level.noise_at_most == 'quiet' else ' at most'}"
    if level.within_sheet_limits:
        yield "within the data sheet’s own limits"
    if level.must_be_read:
        yield f"not given without a test for {', '.join(level.must_be_read)}"


def _limits_on(level: GradeLevel, quantity: Quantity) -> Iterator[str]:
    """What the level demands of one quantity."""
    demands = quantity.facts.demands
    least, most, spread, amount, within = (
        getattr(level, key) if key else None
        for key in (demands.least_share, demands.most_share, demands.spread, demands.most, demands.within)
    )
    if least is not None and most is not None:
        yield f"{quantity.short} {plain(least)} to {plain(most)} % of nominal"
    elif least is not None:
        yield f"{quantity.short} {plain(least)} % of nominal or more"
    elif most is not None:
        yield f"{quantity.short} {plain(most)} % of nominal or less"
    if within is not None:
        yield f"{quantity.short} within {plain(within)} % of nominal"
    if spread is not None:
        yield f"sections’ {quantity.short} within {plain(spread)} %"
    if amount is not None:
        yield f"{quantity.short} {quantity.amount(amount)} {quantity.unit} at most"


def unknown_in_words(unknown: Unknown) -> str:
    """How a reading counts whose tester's record leaves something out."""
    best = f", and gives nothing better than level {unknown.best_grade}" if unknown.best_grade > 1 else ""
    late = "none" if unknown.overdue == "unknown" else "it was"
    sets = {
        "supposed": "made where they would surely hold if it were so",
        "as read": "made by the readings as they stand",
        "none": "not made",
    }[unknown.sets]
    return (
        "A tester whose record leaves something out (accuracy, calibration or repeatability) states no ± and no "
        f"probability; it is judged as if it read within {unknown.accuracy_percent:g} % and repeated with a standard "
        f"deviation of {unknown.repeatability_percent:g} %{best}. Sets of its readings are {sets}. "
        f"An overdue calibration counts as {late}."
    )

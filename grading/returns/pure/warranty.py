"""What the shop promised for a valve on the day that it was sent, and whether a complaint falls under it.

The shop chooses its rules; nothing here is of one country's law, which may give a buyer more.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import NamedTuple

from stockroom.pure.written import day, plural

UNWANTED = "unwanted"  # the complaint that is none


class Sold(NamedTuple):
    """How a valve was sold, as a rule asks it."""

    sold_as: str
    condition: str
    grade: str


class Promise(NamedTuple):
    """One version of a rule. An empty condition or grade fits any; `ended` promises nothing from then on."""

    sold_as: str
    condition: str
    grade: str
    days: int
    unwanted_days: int
    covers: Sequence[str]
    words: str
    matters_percent: float
    ended: bool
    made_at: datetime

    @property
    def kind(self) -> tuple[str, str, str]:
        return self.sold_as, self.condition, self.grade

    def fits(self, sold: Sold) -> bool:
        return (
            self.sold_as == sold.sold_as and self.condition in ("", sold.condition) and self.grade in ("", sold.grade)
        )


def in_force(promises: Sequence[Promise], sold: Sold, at: datetime) -> Promise | None:
    """The version that spoke for such a valve at that moment: the latest of each kind, then the narrowest kind.

    One for the grade comes before one for the condition, and both together before either.
    """
    latest: dict[tuple[str, str, str], Promise] = {}
    for one in sorted(promises, key=lambda one: one.made_at):
        if one.made_at <= at and one.fits(sold):
            latest[one.kind] = one
    speaking = [one for one in latest.values() if not one.ended]
    return max(speaking, key=lambda one: (bool(one.grade), bool(one.condition)), default=None)


class Covered(NamedTuple):
    """Whether a complaint falls under the promise; None where the shop has no rule for it."""

    is_covered: bool | None
    sentence: str


def covered(promise: Promise | None, complaint: str, named: str, sent: date, back: date) -> Covered:
    """`named` is the complaint in words; `sent` and `back` are days in the shop's own zone."""
    if promise is None:
        return Covered(
            None, f"No rule of the shop spoke for it when it was sent on {day(sent)}: decide as you see fit."
        )
    passed = (back - sent).days
    came = f"It came back after {plural(passed, 'day')}"
    if complaint == UNWANTED:
        return _within(promise.unwanted_days, passed, came, "what is not wanted may be sent back")
    if complaint not in promise.covers:
        return Covered(False, f"The rule of {day(promise.made_at)} does not cover “{named}”.")
    return _within(promise.days, passed, came, "this fault is covered")


def _within(days: int, passed: int, came: str, what: str) -> Covered:
    if not days:
        return Covered(False, f"{came}; the rule then in force gives no days in which {what}.")
    within = passed <= days
    return Covered(within, f"{came}, {'within' if within else 'past'} the {plural(days, 'day')} in which {what}.")

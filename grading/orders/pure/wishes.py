"""Whether a valve is as an order line wishes it: yes, no, or that nobody can say, and then why.

What is not known satisfies nothing: a valve without a date is not "made in the 1950s". The rules are ours, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from enum import StrEnum
from typing import NamedTuple

from stockroom.pure.written import percent


class WishAnswer(StrEnum):
    YES = "yes"
    NO = "no"
    UNKNOWN = "cannot say"


class WishFinding(NamedTuple):
    """`words` say what is the case, for whoever chooses."""

    answer: WishAnswer
    words: str


Span = tuple[date, date]


def made_within(spans: Sequence[Span], first: int | None, last: int | None) -> WishFinding:
    """Of a valve made in one of these spans of days; none where no code was read.

    >>> fifties = (1950, 1959)
    >>> made_within([(date(1955, 3, 1), date(1955, 3, 31))], *fifties).answer
    <WishAnswer.YES: 'yes'>
    >>> made_within([(date(1955, 3, 1), date(1955, 3, 31)), (date(1965, 3, 1), date(1965, 3, 31))], *fifties).words
    'its code can mean 1955 or 1965'
    >>> made_within([], *fifties).words
    'no date was read on it'
    """
    if not spans:
        return WishFinding(WishAnswer.UNKNOWN, "no date was read on it")
    earliest, latest = date(first or 1, 1, 1), date(last or 9999, 12, 31)
    inside = [earliest <= begun and ended <= latest for begun, ended in spans]
    outside = [ended < earliest or latest < begun for begun, ended in spans]
    years = list(dict.fromkeys(_years(*span) for span in spans))
    if all(inside):
        return WishFinding(WishAnswer.YES, f"made {' or '.join(years)}")
    if all(outside):
        return WishFinding(WishAnswer.NO, f"made {' or '.join(years)}")
    return WishFinding(WishAnswer.UNKNOWN, f"its code can mean {' or '.join(years)}")


def _years(begun: date, ended: date) -> str:
    return f"{begun.year}" if begun.year == ended.year else f"{begun.year} to {ended.year}"


def is_the_one(asked: str, known: str, what: str) -> WishFinding:
    """
    >>> is_the_one("halo", "", "getter shape").words, is_the_one("halo", "disc", "getter shape").words
    ('nobody noted its getter shape', 'getter shape disc')
    """
    if not known:
        return WishFinding(WishAnswer.UNKNOWN, f"nobody noted its {what}")
    return WishFinding(WishAnswer.YES if known == asked else WishAnswer.NO, f"{what} {known}")


def balanced(ratios: Iterable[float], sections: int, within_percent: float, unsure: str = "") -> WishFinding:
    """`ratios` are the larger section over the smaller less one, for each quantity that was read in every section;
    `unsure` is why they cannot be relied on. By the readings, as they stand.

    >>> balanced([0.04, 0.08], 2, 10).words
    'sections differ by 8.0\\xa0%'
    >>> balanced([], 2, 10).words
    'not read in all of its sections'
    """
    found = list(ratios)
    if sections < 2:
        return WishFinding(WishAnswer.YES, "it has one section")
    if not found or unsure:
        return WishFinding(WishAnswer.UNKNOWN, unsure or "not read in all of its sections")
    answer = WishAnswer.YES if max(found) <= within_percent / 100 + 1e-12 else WishAnswer.NO
    return WishFinding(answer, f"sections differ by {percent(max(found))}")


def overall(findings: Iterable[WishFinding]) -> WishAnswer:
    """No where one says no; unknown where none does and one cannot say."""
    answers = {finding.answer for finding in findings}
    for answer in (WishAnswer.NO, WishAnswer.UNKNOWN):
        if answer in answers:
            return answer
    return WishAnswer.YES

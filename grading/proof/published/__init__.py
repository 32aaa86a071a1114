"""Published values, each beside what this house computes for it.

What it offers
--------------
    :data:`CASES`  every case, by topic: see :mod:`grading.proof.published.case` for what a case says
    :func:`run`    compute them and say whether they agree
"""

from collections.abc import Iterable, Iterator
from math import isnan

from grading.proof.published import gauge, gum, handbook, jcgm106, promises, strd, valve
from grading.proof.published.case import CaseResult, PublishedCase

CASES: tuple[PublishedCase, ...] = (
    *gum.CASES,
    *jcgm106.CASES,
    *strd.CASES,
    *handbook.CASES,
    *gauge.CASES,
    *valve.CASES,
    *promises.CASES,
)


def run(cases: Iterable[PublishedCase] | None = None) -> Iterator[CaseResult]:
    """Compute each case in turn, every one of :data:`CASES` by default."""
    for case in CASES if cases is None else cases:
        computed = case.compute()
        yield CaseResult(case, computed, not isnan(computed) and case.low <= computed <= case.high)

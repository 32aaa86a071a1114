"""Has something changed between two measurements of it? Unchanged, changed, or nobody can tell.

What is compared is the ratio of the later value to the earlier, with what both share cancelled
(`grading.metrology.comparison`), on a logarithmic scale, on which "half" and "twice" lie equally far from "the same".

The rule, for ``comparisons`` made of one thing at once:

- each has its interval of 1 - risk / comparisons (Bonferroni's inequality, from memory), by Student's t with the
  effective degrees of freedom of the comparison (JCGM 100:2008, G.4, from memory);
- *changed* where an interval lies wholly off "the same";
- *unchanged* where it holds "the same" and lies wholly within ``matters``, the least change that counts;
- *cannot tell* where it is wider than that.

So something that has not changed is called changed with a probability of ``risk`` at most, whatever the number of
comparisons, and something that has changed by as much as matters is called unchanged with half of that at most (two
one-sided tests, each at half the risk). Both are promises on the uncertainties given, and tried by simulation.
"""

from __future__ import annotations

from enum import StrEnum
from math import exp, log
from typing import NamedTuple

from grading.metrology import comparison
from grading.metrology.comparison import ComparedValue
from grading.metrology.distributions import t_cdf, t_quantile

RISK = 0.05


class ChangeOutcome(StrEnum):
    UNCHANGED = "unchanged"
    CHANGED = "changed"
    CANNOT_TELL = "cannot tell"


class MeasuredChange(NamedTuple):
    """``change`` is the later value over the earlier, less one; the true one lies from ``lower`` to ``upper``.

    ``p`` is how often something unchanged would read at least as far apart in one of all the comparisons.
    """

    change: float
    lower: float
    upper: float
    p: float
    degrees_of_freedom: float
    outcome: ChangeOutcome

    @property
    def expanded_uncertainty(self) -> float:
        """Half the interval: what stands behind the ±."""
        return (self.upper - self.lower) / 2


def measured_change(
    before: ComparedValue, after: ComparedValue, *, matters: float, comparisons: int = 1, risk: float = RISK
) -> MeasuredChange:
    """What became of a value. ``matters`` is a fraction of it, such as 0.1.

    Raises ValueError for a value that is not above nought, and where nothing is known of how well they are known.
    """
    if min(before.value, after.value) <= 0:
        raise ValueError("A change is told of values above nought only.")
    u, degrees = comparison.relative_u(after, before)
    if not u:
        raise ValueError("Values without any uncertainty cannot be told apart.")
    moved = log(after.value / before.value)
    half = t_quantile(1 - risk / (2 * comparisons), degrees) * u
    p = min(1.0, comparisons * 2 * t_cdf(-abs(moved) / u, degrees))
    lower, upper = exp(moved - half) - 1, exp(moved + half) - 1
    return MeasuredChange(exp(moved) - 1, lower, upper, p, degrees, _outcome(lower, upper, matters))


def _outcome(lower: float, upper: float, matters: float) -> ChangeOutcome:
    if lower > 0 or upper < 0:
        return ChangeOutcome.CHANGED
    return ChangeOutcome.UNCHANGED if -matters <= lower and upper <= matters else ChangeOutcome.CANNOT_TELL


def overall(outcomes: list[ChangeOutcome]) -> ChangeOutcome:
    """Of all that was compared: changed as soon as anything is, unchanged only where everything is.

    >>> overall([ChangeOutcome.UNCHANGED, ChangeOutcome.CANNOT_TELL])
    <ChangeOutcome.CANNOT_TELL: 'cannot tell'>
    >>> overall([])
    <ChangeOutcome.CANNOT_TELL: 'cannot tell'>
    """
    if ChangeOutcome.CHANGED in outcomes:
        return ChangeOutcome.CHANGED
    return ChangeOutcome.UNCHANGED if set(outcomes) == {ChangeOutcome.UNCHANGED} else ChangeOutcome.CANNOT_TELL

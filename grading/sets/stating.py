"""What stands beside a set's spreads: by which rule it is claimed to match, and what the ± of a spread is of."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from grading.models import MatchedSet
from grading.verdicts.stating import Stated, factors_in_words
from grading.verdicts.values import JudgedSpread
from stockroom.pure.written import percent, plain


def stated_of_set(matched: MatchedSet, spreads: Sequence[JudgedSpread], no_interval: str = "") -> Iterator[Stated]:
    """`no_interval` says why a spread has no ±, where the spreads themselves do not say so beside it."""
    probability = percent(matched.policy.parsed.match_probability, None)
    yield Stated(
        "Rule for the set",
        f"Every two of its valves lie within {plain(matched.tolerance_percent)} % in every quantity at once with a "
        f"probability of {probability} or more, where their uncertainty is known (JCGM 106).",
    )
    known = [spread for spread in spreads if spread.expanded_uncertainty is not None]
    if known:
        cancels = (
            "what the readings of one tester share cancels"
            if all(spread.common for spread in known)
            else "they were read on two testers, or before and after one was changed, so that nothing cancels"
        )
        yield Stated(
            "± of a spread",
            "Of the comparison, by JCGM 100, coverage factor "
            f"{factors_in_words(spread.coverage_factor for spread in known)}, about 95 %: {cancels}. "
            "p is the probability that the true spread lies within what was asked, by JCGM 106.",
        )
    if no_interval:
        yield Stated("Spreads without ±", no_interval)

"""One spread: the sets' own, the sections', the search's and the uncertainty's are the same number."""

from __future__ import annotations

from math import inf, isclose

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grading.matching.field import imbalance, spread
from grading.matching.words import Piece
from grading.metrology import comparison
from grading.metrology.comparison import ComparedValue, components_of
from grading.metrology.spreads import relative_spread
from grading.metrology.uncertainty import ReadingTerms
from grading.verdicts.pure.grades import SectionReading, judge
from grading.verdicts.pure.rules import GradeLevel, PolicyRules

VALUES = st.lists(st.floats(0.01, 500), min_size=2, max_size=8)


@settings(deadline=None)
@given(VALUES)
def test_every_reckoning_of_a_spread_agrees(values: list[float]) -> None:
    expected = max(values) / min(values) - 1
    assert isclose(relative_spread(values), expected, abs_tol=1e-12)
    assert spread([Piece(place, (value,)) for place, value in enumerate(values)]) == (relative_spread(values),)
    assert imbalance(Piece(1, tuple(values)), len(values)) == relative_spread(values)
    terms = ReadingTerms(resolution=0.01)
    compared = [ComparedValue(v, 1, components_of(v, terms, session="s", operator="ada")) for v in values]
    assert comparison.spread(compared).spread == relative_spread(values)


@pytest.mark.parametrize("gm", [(1.6, 1.68), (1.6, 1.7)])
def test_the_sections_of_a_valve_are_judged_by_it(gm: tuple[float, float]) -> None:
    policy = PolicyRules((GradeLevel("Alike", gm_section_spread_percent=5.5),), "Unlike")
    found = judge(policy, [SectionReading(place, gm_ma_per_v=value) for place, value in enumerate(gm, start=1)])
    assert (found.name == "Alike") == (100 * relative_spread(gm) <= 5.5)
    if found.name == "Unlike":
        assert f"differ by {100 * relative_spread(gm):.0f} %" in found.reasons[0]


def test_a_dead_one_among_live_ones_is_without_end() -> None:
    assert relative_spread([0.0, 1.2]) == inf and relative_spread([0.0, 0.0]) == 0.0

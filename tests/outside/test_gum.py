"""JCGM 100:2008 (GUM), with a general-purpose library as second opinion.

Source: JCGM 100:2008, "Evaluation of measurement data - Guide to the expression of uncertainty in measurement",
4.4.3, G.4, table G.2, H.1 and H.5. The values stand in grading/proof/published/gum.py, each with how it was read.
"""

from math import inf, sqrt
from typing import Any

import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import umath

from grading.metrology.comparison import ComparedValue, components_of, ratio
from grading.metrology.uncertainty import ReadingTerms, normal, propagate
from grading.proof.published.case import PublishedCase
from tests.outside.published import assert_agrees, cases


@cases("JCGM 100:2008")
def test_the_guides_worked_values_come_out(case: PublishedCase) -> None:
    assert_agrees(case)


@given(
    st.lists(st.tuples(st.floats(0.5, 50), st.floats(0.001, 0.5)), min_size=3, max_size=3),
    st.floats(-0.95, 0.95),
)
def test_a_second_library_finds_the_same_uncertainty_with_correlated_inputs(
    estimates: list[tuple[float, float]], r: float
) -> None:
    inputs = [normal(f"x{i}", x, u * 1e-4) for i, (x, u) in enumerate(estimates)]
    correlation = [[1, r, 0], [r, 1, 0], [0, 0, 1]]
    ours = propagate(lambda x: x[0] * x[1] / x[2] + x[0], inputs, correlation)

    a, b, c = uncertainties.correlated_values_norm([(x.estimate, x.standard_uncertainty) for x in inputs], correlation)
    theirs = a * b / c + a
    assert ours.estimate == pytest.approx(theirs.nominal_value)
    assert ours.combined_standard_uncertainty == pytest.approx(theirs.std_dev, rel=1e-5, abs=1e-12)


def test_a_second_library_finds_the_same_uncertainty_through_functions() -> None:
    from math import exp, log

    inputs = [normal("a", 2.0, 1e-4), normal("b", 0.5, 2e-4)]
    ours = propagate(lambda x: exp(x[1]) * log(x[0]), inputs)
    a, b = (uncertainties.ufloat(x.estimate, x.standard_uncertainty) for x in inputs)
    assert ours.combined_standard_uncertainty == pytest.approx((umath.exp(b) * umath.log(a)).std_dev, rel=1e-6)


def test_a_second_library_cancels_what_two_readings_share() -> None:
    terms = ReadingTerms(
        resolution=0.01, repeatability_sd=0.02, accuracy_percent=3, accuracy_absolute=0.05, calibration_u=0.04
    )
    gain = uncertainties.ufloat(1, 0.03 / sqrt(3))
    offset = uncertainties.ufloat(0, 0.05 / sqrt(3)) + uncertainties.ufloat(0, 0.04)

    def shown(value: float) -> Any:
        random = uncertainties.ufloat(0, 0.02) + uncertainties.ufloat(0, 0.01 / sqrt(12))
        return value * gain + offset + random

    theirs = shown(10.4) / shown(9.8)
    read = (ComparedValue(v, 1, components_of(v, terms, session="s", operator="ada")) for v in (10.4, 9.8))
    ours = ratio(*read)
    assert ours.combined_standard_uncertainty == pytest.approx(theirs.std_dev, rel=1e-9)
    assert ours.effective_degrees_of_freedom == inf

"""NIST/ITL Statistical Reference Datasets: univariate summary statistics and analysis of variance.

Source: NIST's certified values. The analysis-of-variance files ship with scipy's own tests, and the sets held
here are compared with them when they do; statsmodels is the second opinion.
"""

from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from statsmodels.formula.api import ols

from grading.metrology import repeatability
from grading.proof.published import data
from grading.proof.published.case import PublishedCase
from tests.outside.published import assert_agrees, cases


@cases("NIST StRD")
def test_the_certified_values_come_out(case: PublishedCase) -> None:
    assert_agrees(case)


HELD = {
    "SiRstv": data.SIRSTV,
    "AtmWtAg": data.ATMWTAG,
    **{
        f"SmLs0{3 * j + i + 1}": data.simon_lesage(leading, replicates)
        for j, leading in enumerate(("1", "1000000", "1000000000000"))
        for i, replicates in enumerate((21, 201, 2001))
    },
}


@pytest.mark.parametrize("name", HELD)
def test_the_sets_held_here_are_nists_own(name: str) -> None:
    file = files("scipy") / "stats" / "tests" / "data" / "nist_anova" / f"{name}.dat"
    if not file.is_file():
        pytest.skip("this scipy was installed without its test data")
    groups: dict[str, list[float]] = {}
    for line in file.read_text().splitlines()[60:]:
        if line.strip():
            treatment, response = line.split()
            groups.setdefault(treatment, []).append(float(response))
    assert tuple(tuple(group) for group in groups.values()) == HELD[name]


def test_the_univariate_sets_have_their_published_sizes() -> None:
    sizes = [len(x) for x in (data.LEW, data.LOTTERY, data.MAVRO, data.MICHELSO, data.numacc("1", "0", "2"))]
    assert sizes == [200, 218, 50, 100, 1001]


def test_statsmodels_finds_the_same_crossed_table() -> None:
    rng = np.random.default_rng(5)
    y = rng.normal(size=(6, 3, 4)) + rng.normal(size=(6, 1, 1)) * 3 + rng.normal(size=(6, 3, 1))
    study = repeatability.crossed_study(y)
    frame = pd.DataFrame(
        [{"part": f"p{i}", "operator": f"o{j}", "y": y[i, j, k]} for i in range(6) for j in range(3) for k in range(4)]
    )
    theirs = sm.stats.anova_lm(ols("y ~ C(part) * C(operator)", frame).fit(), typ=2)
    for row, term in zip(study.anova, ("C(part)", "C(operator)", "C(part):C(operator)", "Residual"), strict=True):
        assert row.sum_of_squares == pytest.approx(theirs.loc[term, "sum_sq"])
        assert row.degrees_of_freedom == theirs.loc[term, "df"]


def test_statsmodels_finds_the_same_one_way_table() -> None:
    groups = [[1.2, 1.4, 1.1], [2.0, 2.2], [1.7, 1.6, 1.9, 1.8]]
    ours = repeatability.one_way(groups)
    frame = pd.DataFrame([{"g": str(i), "y": y} for i, group in enumerate(groups) for y in group])
    theirs = sm.stats.anova_lm(ols("y ~ C(g)", frame).fit())
    assert ours.between.f_ratio == pytest.approx(theirs.loc["C(g)", "F"])
    assert ours.between.p_value == pytest.approx(theirs.loc["C(g)", "PR(>F)"])
    assert ours.within_standard_deviation**2 == pytest.approx(theirs.loc["Residual", "mean_sq"])

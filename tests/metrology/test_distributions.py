"""The quantiles that grading asks for say what `scipy.stats` says, to 1e-12, and no frozen distribution is left on the
hot path."""

from __future__ import annotations

from math import inf
from pathlib import Path

import numpy as np
import pytest
from django.conf import settings
from scipy import stats

from grading.metrology import distributions

PROBABILITIES = (1e-6, 0.001, 0.025, 0.1, 0.5, 0.9, 0.975, 0.999, 1 - 1e-6)
DEGREES = (1, 2, 3.5, 9, 30, 200, 1e4)
SAME = {"rel": 1e-12, "abs": 1e-12}


@pytest.mark.parametrize("degrees", DEGREES)
def test_quantiles_and_tails_are_those_of_the_statistics_package(degrees: float) -> None:
    for p in PROBABILITIES:
        assert distributions.t_quantile(p, degrees) == pytest.approx(stats.t.ppf(p, degrees), **SAME)
        assert distributions.chi_squared_quantile(p, degrees) == pytest.approx(stats.chi2.ppf(p, degrees), **SAME)
        for other in DEGREES[:-1]:
            assert distributions.f_quantile(p, degrees, other) == pytest.approx(stats.f.ppf(p, degrees, other), **SAME)
    for x in (-5.0, -0.3, 0.0, 0.1, 2.0, 9.0):
        assert distributions.t_cdf(x, degrees) == pytest.approx(stats.t.cdf(x, degrees), **SAME)
        assert distributions.f_tail(abs(x), degrees, 7) == pytest.approx(stats.f.sf(abs(x), degrees, 7), **SAME)


def test_with_infinite_degrees_of_freedom_t_is_normal() -> None:
    for p in PROBABILITIES:
        assert distributions.t_quantile(p, inf) == pytest.approx(stats.norm.ppf(p), **SAME)
    assert distributions.t_cdf(1.5, inf) == pytest.approx(stats.norm.cdf(1.5), **SAME)


def test_many_probabilities_are_taken_at_once() -> None:
    many = np.array(PROBABILITIES)
    assert distributions.chi_squared_quantile(many, 9) == pytest.approx(stats.chi2.ppf(many, 9), **SAME)


def test_grading_asks_the_statistics_package_for_nothing_but_the_studentised_range() -> None:
    """It has no equal in `scipy.special`, and is asked for once a study or a size of set."""
    root = Path(settings.BASE_DIR) / "grading"
    asked = [
        (path.name, line.strip())
        for room in ("metrology", "matching", "testers", "verdicts", "bench", "sets")
        for path in (root / room).rglob("*.py")
        for line in path.read_text().splitlines()
        if "stats." in line
        and "studentized_range" not in line
        and not line.strip().startswith(('"""', "`scipy.stats`"))
    ]
    assert asked == []

"""The interval for a median, against a printed table, a published example and SciPy.

- Table A.7, "Confidence Intervals for the Population Median", a textbook's page 656, read at
  https://www.coursehero.com/file/5646626/A7/ (which names no title).
- G. W. Snedecor and W. G. Cochran, Statistical Methods, 8th edition, Iowa State University Press 1989, the example as
  the documentation of the R package statpsych, `ci.median`, prints it with its 95 % interval.
- `scipy.stats.quantile_test`, which follows W. J. Conover, Practical Nonparametric Statistics, 3rd edition, 1999.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from scipy import stats

from grading.prices.pure.suggesting import LEAST, covered, median_between, rank_for

# n: (rank of the lower end, confidence in %), each row of the table that is nearest above 95 %.
TABLE_A7 = {
    6: (1, "96.9"),
    7: (1, "98.4"),
    8: (1, "99.2"),
    9: (2, "96.1"),
    10: (2, "97.9"),
    11: (2, "98.8"),
    12: (3, "96.1"),
    13: (3, "97.8"),
    14: (3, "98.7"),
    15: (4, "96.5"),
    16: (4, "97.9"),
    17: (5, "95.1"),
    18: (5, "96.9"),
    19: (5, "98.1"),
    20: (6, "95.9"),
}
OTHER_ROWS_OF_A7 = {(5, 1): "93.8", (8, 2): "93.0", (10, 3): "89.1", (14, 5): "82.0", (19, 6): "93.6", (20, 4): "99.7"}
SNEDECOR_COCHRAN = "30.2 20.4 15.1 10.2 10.5 60.8 20.8 25.0 20.7 30.9 10.8 5.1 50.9 40.0 20.9 10.8 0 20.5 50.8"


@pytest.mark.parametrize(("n", "row"), TABLE_A7.items())
def test_the_ranks_and_their_confidence_are_those_of_the_table(n: int, row: tuple[int, str]) -> None:
    rank, percent = row
    assert rank_for(n) == rank
    assert f"{float(100 * covered(n, rank)):.1f}" == percent


def test_rows_of_the_table_that_are_not_sure_enough_or_surer_than_need_be() -> None:
    for (n, rank), percent in OTHER_ROWS_OF_A7.items():
        # The table rounds 93.75 up and 98.7 of 98.71 as we do; halves may fall either way.
        assert abs(float(100 * covered(n, rank)) - float(percent)) <= 0.051, (n, rank)


def test_five_are_too_few_for_95_percent_as_the_table_has_it() -> None:
    assert LEAST == 6 and rank_for(5) == 0 and covered(5, 1) < Fraction(95, 100)


def test_the_published_example_has_its_published_interval() -> None:
    found = median_between([Decimal(text) for text in SNEDECOR_COCHRAN.split()])
    assert found is not None
    assert (found.median, found.low, found.high) == (Decimal("20.7"), Decimal("10.8"), Decimal("30.9"))


@pytest.mark.parametrize("n", range(6, 41))
def test_scipy_finds_the_same_interval_for_distinct_values(n: int) -> None:
    values = [Decimal(number * number) for number in range(1, n + 1)]
    found = median_between(values)
    theirs = stats.quantile_test([float(value) for value in values], p=0.5).confidence_interval(0.95)
    assert found is not None and (float(found.low), float(found.high)) == (theirs.low, theirs.high)

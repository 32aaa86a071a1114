"""Exact tails, curves and plans against a statistics library and published operating characteristics.

SciPy's own distributions (scipy.stats) are the second opinion on the tails; brute enumeration of every sample from
tiny lots is a third. The published curves are named beside each check.
"""

from decimal import Decimal
from fractions import Fraction
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from stockroom.sealed.pure.sampling import (
    AttributesPlan,
    binomial_cdf,
    exact_plan,
    hypergeometric_cdf,
    operating_characteristic,
    unopened,
)


@given(st.data())
@settings(max_examples=75, deadline=None)
def test_hypergeometric_tails_agree_with_the_statistics_library(data):
    lot = data.draw(st.integers(1, 5000))
    defective = data.draw(st.integers(0, lot))
    sample = data.draw(st.integers(0, min(lot, 400)))
    failed = data.draw(st.integers(0, max(sample, 1)))
    ours = float(hypergeometric_cdf(failed, lot, defective, sample))
    assert ours == pytest.approx(stats.hypergeom(lot, defective, sample).cdf(failed), rel=1e-8, abs=1e-12)


@given(st.integers(0, 60), st.integers(1, 800), st.decimals("0", "1", places=4))
@settings(max_examples=100, deadline=None)
def test_binomial_tails_agree_with_the_statistics_library(failed, sample, share):
    ours = float(binomial_cdf(failed, sample, share))
    assert ours == pytest.approx(stats.binom(sample, float(share)).cdf(failed), rel=1e-8, abs=1e-12)


def test_hypergeometric_tails_agree_with_counting_every_sample_of_a_tiny_lot():
    for lot in range(1, 9):
        for defective in range(lot + 1):
            for sample in range(lot + 1):
                draws = list(combinations(range(lot), sample))
                for failed in range(sample + 1):
                    few = sum(1 for drawn in draws if sum(pack < defective for pack in drawn) <= failed)
                    assert hypergeometric_cdf(failed, lot, defective, sample) == Fraction(few, len(draws))


# "selected values for the OC curve associated with the acceptance sampling plan n = 50, c = 1", a textbook exercise
# quoted at homeworkclinic.com, topic 810160; the population is much larger than the sample (binomial).
PUBLISHED_CURVE = {
    "0.005": 0.97387,
    "0.01": 0.91056,
    "0.02": 0.73577,
    "0.03": 0.55528,
    "0.04": 0.40048,
    "0.05": 0.27943,
    "0.06": 0.19000,
    "0.08": 0.08271,
}


@pytest.mark.parametrize(("share", "published"), PUBLISHED_CURVE.items())
def test_a_published_operating_characteristic_is_met_point_by_point(share, published):
    assert float(binomial_cdf(1, 50, Decimal(share))) == pytest.approx(published, abs=5e-6)


@pytest.mark.parametrize("share", PUBLISHED_CURVE)
def test_a_very_large_lot_has_the_curve_of_the_process(share):
    lot = 1_000_000
    defective = int(Decimal(share) * lot)
    assert float(hypergeometric_cdf(1, lot, defective, 50)) == pytest.approx(PUBLISHED_CURVE[share], abs=5e-5)


def test_the_federal_curve_6_is_met_where_its_text_reads_it():
    # 7 CFR 42.140(c): 500 containers, accepted at 3 or fewer; 26 percent of lots of 1.0 defects per hundred units
    # accepted, and about 99 percent of those of 0.10.
    assert round(float(binomial_cdf(3, 500, Decimal("0.01"))), 2) == 0.26
    assert float(binomial_cdf(3, 500, Decimal("0.001"))) > 0.99


def test_the_curve_of_a_finite_lot_agrees_with_the_statistics_library():
    plan = AttributesPlan(lot_size=200, sample_size=32, acceptance_number=2, basis="test")
    for point in operating_characteristic(plan):
        expected = stats.hypergeom(200, point.defective, 32).cdf(2)
        assert point.probability == pytest.approx(expected, rel=1e-9)
        assert point.share == point.defective / 200


@pytest.mark.parametrize(
    ("lot", "good", "bad", "alpha", "beta"),
    [
        (100, "0.01", "0.08", "0.05", "0.05"),
        (60, "0.02", "0.20", "0.05", "0.10"),
        (240, "0.025", "0.10", "0.05", "0.10"),
        (25, "0", "0.12", "0.05", "0.10"),
        (500, "0.01", "0.06", "0.10", "0.05"),
    ],
)
def test_the_exact_plan_is_the_one_a_search_of_every_plan_finds(lot, good, bad, alpha, beta):
    worst_good = int(Decimal(good) * lot)
    best_bad = -int(-(Decimal(bad) * lot) // 1)
    found = next(
        (n, c)
        for n in range(1, lot + 1)
        for c in range(n)
        if stats.hypergeom(lot, worst_good, n).cdf(c) >= 1 - float(alpha) - 1e-12
        and stats.hypergeom(lot, best_bad, n).cdf(c) <= float(beta) + 1e-12
    )
    plan = exact_plan(lot, Decimal(good), Decimal(bad), Decimal(alpha), Decimal(beta))
    assert (plan.sample_size, plan.acceptance_number) == found


@given(st.data())
@settings(max_examples=40, deadline=None)
def test_the_limit_for_the_unopened_packs_is_the_worst_lot_the_library_does_not_exclude(data):
    lot = data.draw(st.integers(1, 300))
    tested = data.draw(st.integers(0, lot))
    failed = data.draw(st.integers(0, tested))
    likely = [
        content
        for content in range(failed, lot - (tested - failed) + 1)
        if stats.hypergeom(lot, content, tested).cdf(failed) > 0.05 + 1e-12
    ]
    assert unopened(lot, tested, failed).at_most == max(likely) - failed

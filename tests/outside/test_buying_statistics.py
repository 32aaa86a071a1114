"""The statistics behind what may be paid for a lot, against published examples and a statistics library.

- B. Efron and C. Morris, "Data Analysis Using Stein's Estimator and Its Generalizations", Journal of the American
  Statistical Association 70 (1975) 311-319, and "Stein's Paradox in Statistics", Scientific American 236 (1977) no. 5:
  batting averages of 18 players after 45 at bats and over the season. The figures are those of the data set
  `EfronMorris` of the R package pscl (documented in vincentarelbundock/Rdatasets, doc/pscl); the shrinking factor 0.212
  towards the grand mean 0.265 is the 1977 article's, as quoted at r-bloggers.com, "Example 9.27: Baseball and
  shrinkage".
- SciPy's distributions (scipy.stats) for beta-binomial, negative binomial and multivariate normal.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from grading.buying.pure import demand, information, pooling
from grading.buying.pure.pooling import Beginning, Likeness, Observed, learn
from grading.buying.pure.yields import BEGINNING, BetaShare, angle, as_beta, share_of

# Hits in the first 45 at bats, and the average of the remainder of the season.
HITS = (18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7)
SEASON = (
    *(0.346, 0.298, 0.276, 0.222, 0.273, 0.270, 0.263, 0.210, 0.269),
    *(0.230, 0.264, 0.256, 0.303, 0.264, 0.226, 0.285, 0.316, 0.200),
)
AT_BATS = 45
PUBLISHED_FACTOR, PUBLISHED_MEAN = 0.212, 0.265


def _pooled_batters() -> pooling.Pooled:
    observed = [Observed(*angle(hits, AT_BATS), (place,)) for place, hits in enumerate(HITS)]
    return learn(observed, (Likeness("player", 0.2),), BEGINNING)


def test_batting_averages_are_pulled_together_as_in_the_published_example() -> None:
    pooled = _pooled_batters()
    means, _ = pooled.predict([(place,) for place in range(len(HITS))])
    ours = share_of(pooled.weights @ means)
    raw = np.array(HITS) / AT_BATS
    published = PUBLISHED_MEAN + PUBLISHED_FACTOR * (raw - PUBLISHED_MEAN)
    # Theirs is one factor from the spread of the averages, ours an average over all that could be; they agree to a
    # hundredth, where the averages themselves differ from theirs by up to 0.106.
    assert np.abs(ours - published).max() < 0.015
    assert np.abs(raw - published).max() > 0.1


def test_the_pulled_averages_foretell_the_season_better_by_the_published_margin() -> None:
    pooled = _pooled_batters()
    means, _ = pooled.predict([(place,) for place in range(len(HITS))])
    season = np.array(SEASON)
    raw = np.array(HITS) / AT_BATS
    ratio = ((raw - season) ** 2).sum() / ((share_of(pooled.weights @ means) - season) ** 2).sum()
    # The article's total squared errors are 0.077 and 0.022, a ratio of 3.5 (from memory).
    assert ratio == pytest.approx(3.5, abs=0.4)


def test_given_its_standard_deviations_the_history_has_the_normal_distribution_of_the_statistics_library() -> None:
    rng = np.random.default_rng(5)
    keys = [(f"s{rng.integers(3)}", f"t{rng.integers(4)}") for _ in range(12)]
    observed = [Observed(float(rng.normal(1, 0.3)), float(rng.uniform(0.01, 0.1)), key) for key in keys]
    groupings, beginning = (Likeness("supplier", 0.5), Likeness("type", 0.8)), Beginning(0.9, 0.4)
    pooled = learn(observed, groupings, beginning)
    values = np.array([one.value for one in observed])
    errors = np.array([one.variance for one in observed])
    solved = pooling.solve(pooled.sds, pooled.keys, values - 0.9, errors, beginning)
    for sds, found in zip(pooled.sds, solved.log_likelihood, strict=True):
        alike = [np.array([[one[g] == other[g] for other in keys] for one in keys]) for g in range(2)]
        covariance = 0.4**2 + sum(sd**2 * same for sd, same in zip(sds, alike, strict=True)) + np.diag(errors)
        assert found == pytest.approx(stats.multivariate_normal(np.full(12, 0.9), covariance).logpdf(values), rel=1e-9)
    # What is said of a new figure is the textbook's conditional normal, point by point.
    means, covariances = pooled.predict([("s0", "t0"), ("new", "t1")])
    for point, mean, covering in zip(pooled.sds, means, covariances, strict=True):
        everyone = [*keys, ("s0", "t0"), ("new", "t1")]
        joint = 0.4**2 + sum(
            sd**2 * np.array([[one[g] == other[g] for other in everyone] for one in everyone])
            for g, sd in enumerate(point)
        )
        joint = joint + np.diag([*[one.variance for one in observed], 0, 0])
        gain = joint[12:, :12] @ np.linalg.inv(joint[:12, :12])
        assert mean == pytest.approx(0.9 + gain @ (values - 0.9), rel=1e-8)
        assert covering == pytest.approx(joint[12:, 12:] - gain @ joint[:12, 12:], rel=1e-6, abs=1e-9)


def test_sales_of_a_type_have_the_negative_binomial_of_the_statistics_library() -> None:
    for shape, mean, years in ((0.5, 4.0, 2.0), (2.0, 10.0, 0.5), (7.0, 1.0, 3.0)):
        rate = shape / mean
        for sales in (0, 1, 7, 40):
            expected = stats.nbinom(shape, rate / (rate + years)).logpmf(sales)
            ours = demand.log_negative_binomial(np.array([sales]), np.array([years]), shape, mean)[0]
            assert ours == pytest.approx(expected, rel=1e-10)


def test_a_rate_drawn_after_sales_has_the_mean_and_variance_of_the_conjugate_gamma() -> None:
    sold = [demand.TypeSold("A", (1,) * 12, 2.0), demand.TypeSold("B", (1,) * 3, 2.0)]
    learned = demand.learn_demand(sold)
    assert learned is not None
    shapes = demand.SHAPES + 12
    gammas = stats.gamma(shapes, scale=1 / (demand.SHAPES / learned.mean + 2.0))
    mean = float(learned.weights @ gammas.mean())
    variance = float(learned.weights @ (gammas.var() + gammas.mean() ** 2) - mean**2)
    drawn = learned.draw(np.random.default_rng(3), 200_000, ["A"])[:, 0]
    assert drawn.mean() == pytest.approx(mean, rel=0.01)
    assert drawn.var() == pytest.approx(variance, rel=0.03)
    assert learned.pieces_a_year("A") == pytest.approx(mean, rel=1e-9)


def test_anscombes_angle_has_the_variance_it_states() -> None:
    for n, share in ((40, 0.5), (60, 0.85), (200, 0.95)):
        counts = np.arange(n + 1)
        weights = stats.binom(n, share).pmf(counts)
        angles = np.array([angle(int(count), n)[0] for count in counts])
        mean = weights @ angles
        assert weights @ (angles - mean) ** 2 == pytest.approx(angle(round(share * n), n)[1], rel=0.08)


def test_a_share_kept_as_a_beta_has_the_mean_and_variance_of_its_draws() -> None:
    draws = stats.beta(6, 2.5).rvs(400_000, random_state=2)
    assert as_beta(draws) == pytest.approx(BetaShare(6, 2.5), rel=0.02)


@pytest.mark.parametrize(("alpha", "beta", "lot", "sample"), [(2.0, 1.0, 30, 5), (5.0, 3.0, 80, 8), (1.0, 1.0, 12, 3)])
def test_what_a_look_is_worth_is_the_preposterior_sum_of_the_beta_binomial(
    alpha: float, beta: float, lot: int, sample: int
) -> None:
    # Each usable piece brings 10, the lot costs nearly what it brings at the mean: E[G | x] is linear in the posterior
    # mean (alpha + x) / (alpha + beta + sample) of the pieces not opened, and x is beta-binomial.
    cost = 9.8 * lot * alpha / (alpha + beta)
    x = np.arange(sample + 1)
    rest = (lot - sample) * (alpha + x) / (alpha + beta + sample)
    exact = float(stats.betabinom(sample, alpha, beta).pmf(x) @ np.maximum(10 * (x + rest) - cost, 0))
    exact -= 0.2 * lot * alpha / (alpha + beta)  # what it gains without a look
    # The draws of the forecast, here every count that the line can have, each as often as it is probable.
    counts = np.arange(lot + 1)
    times = np.round(stats.betabinom(lot, alpha, beta).pmf(counts) * 200_000).astype(int)
    usable = np.repeat(counts, times)
    worth, buy_from = information.value_of_looking(lot, usable, 10.0 * usable - cost, sample)
    assert worth == pytest.approx(exact, rel=0.01)
    assert buy_from == int(np.flatnonzero(10 * (x + rest) > cost)[0])


def test_what_a_sample_finds_has_the_hypergeometric_of_the_statistics_library() -> None:
    usable = np.array([0, 3, 17, 40])
    ours = information.found_probabilities(40, usable, 6)
    for column, good in enumerate(usable):
        assert ours[:, column] == pytest.approx(stats.hypergeom(40, int(good), 6).pmf(np.arange(7)), abs=1e-12)

"""Updating by a result against the conjugate normal posterior; turning points against the root of the two means."""

import numpy as np
import pytest

from labkit.core.updating import likelihoods, turning_points, updated

MEAN, COV, NOISE = np.array([6.0, 5.5]), np.array([[0.9, 0.3], [0.3, 0.6]]), 0.4


def drawn(n=200_000, seed=1):
    rng = np.random.default_rng(seed)
    y = rng.multivariate_normal(MEAN, COV, n)
    return y, y[:, 0] + np.sqrt(NOISE) * rng.standard_normal(n)


GAINS = COV[0] / (COV[0, 0] + NOISE)


def conjugate(result):
    """Mean and covariance of the two means once y_0 + e came out as `result` (normal prior and noise)."""
    return MEAN + GAINS * (result - MEAN[0]), COV - np.outer(GAINS, COV[0])


@pytest.mark.parametrize("result", [3.0, 6.2, 9.0])
def test_it_is_the_conjugate_posterior(result):
    after = updated(*drawn(), result, GAINS)
    mean, cov = conjugate(result)
    np.testing.assert_allclose(after.mean(axis=0), mean, atol=0.02)
    np.testing.assert_allclose(np.cov(after.T), cov, atol=0.01)


def test_several_results_at_once_are_each_alone():
    y, seen = drawn(500)
    np.testing.assert_allclose(updated(y, seen, [4.0, 7.0], GAINS),
                               [updated(y, seen, 4.0, GAINS), updated(y, seen, 7.0, GAINS)])


def test_where_the_other_choice_turns_out_better_is_the_root_of_the_conjugate_means():
    y, seen = drawn(20_000)
    results = np.linspace(0, 10, 101)
    means = updated(y, seen, results, GAINS).mean(axis=1)
    below, above = turning_points(results, means[:, [1]] - means[:, [0]], MEAN[0])
    root = MEAN[0] - (MEAN[0] - MEAN[1]) / (GAINS[0] - GAINS[1])
    assert conjugate(root)[0][0] == pytest.approx(conjugate(root)[0][1])
    assert below[0] == pytest.approx(root, abs=0.06) and below[1] == 0
    assert np.isnan(above[0]) and above[1] == -1


def test_nothing_turns_where_nobody_leads_and_at_once_where_somebody_does():
    results = np.linspace(0, 10, 11)
    never = turning_points(results, np.full((11, 2), -1.0), 5.0)
    assert [who for _, who in never] == [-1, -1]
    assert turning_points(results, np.full((11, 1), 0.2), 5.0) == ((5.0, 0), (5.0, 0))
    assert [who for _, who in turning_points(results, np.empty((11, 0)), 5.0)] == [-1, -1]


def test_of_two_the_one_that_leads_first_is_named():
    results = np.linspace(0, 10, 11)
    lead = np.stack([results * 0 - 1, results - 7.5], axis=1)
    assert turning_points(results, lead, 5.0)[1] == (pytest.approx(7.5), 1)


@pytest.mark.parametrize("result", [2.0, 5.0])
def test_a_mixture_of_noises_is_weighed_by_how_far_each_foretold_the_result(result):
    """y ~ N(5, 1), s = y + e, e ~ N(0, .1 or 4) with equal chance: E(y | s) against the integral over y."""
    from scipy.integrate import quad
    from scipy.stats import norm

    rng, n = np.random.default_rng(8), 400_000
    noise = np.where(rng.uniform(size=n) < 0.5, 0.1, 4.0)
    y = rng.normal(5, 1, n)
    seen, spread = y + np.sqrt(noise) * rng.standard_normal(n), np.sqrt(1 + noise)
    after = updated(y[:, None], seen, result, (1 / spread**2)[:, None])[:, 0]
    found = likelihoods(result, np.full(n, 5.0), spread) @ after

    def density(value):
        said = 0.5 * norm.pdf(result, value, np.sqrt(0.1)) + 0.5 * norm.pdf(result, value, 2)
        return norm.pdf(value, 5, 1) * said

    whole = quad(density, -3, 13, points=[result])[0]
    expected = quad(lambda value: value * density(value), -3, 13, points=[result])[0] / whole
    assert found == pytest.approx(expected, abs=0.01)
    np.testing.assert_allclose(likelihoods([result, result], np.array([5.0, 4.0]), np.ones(2)).sum(axis=1), 1)


def test_what_is_worth_the_same_does_not_lead():
    results = np.linspace(0, 10, 11)
    assert [who for _, who in turning_points(results, np.zeros((11, 2)), 5.0)] == [-1, -1]

"""Updating by a result against the conjugate normal posterior; turning points against the root of the two means."""

import numpy as np
import pytest

from labkit.core.updating import turning_points, updated

MEAN, COV, NOISE = np.array([6.0, 5.5]), np.array([[0.9, 0.3], [0.3, 0.6]]), 0.4


def drawn(n=200_000, seed=1):
    rng = np.random.default_rng(seed)
    y = rng.multivariate_normal(MEAN, COV, n)
    return y, y[:, 0] + np.sqrt(NOISE) * rng.standard_normal(n)


def conjugate(result):
    """Mean and covariance of the two means once y_0 + e came out as `result` (normal prior and noise)."""
    gain = COV[0] / (COV[0, 0] + NOISE)
    return MEAN + gain * (result - MEAN[0]), COV - np.outer(gain, COV[0])


@pytest.mark.parametrize("result", [3.0, 6.2, 9.0])
def test_it_is_the_conjugate_posterior(result):
    after = updated(*drawn(), result)
    mean, cov = conjugate(result)
    np.testing.assert_allclose(after.mean(axis=0), mean, atol=0.02)
    np.testing.assert_allclose(np.cov(after.T), cov, atol=0.01)


def test_several_results_at_once_are_each_alone():
    y, seen = drawn(500)
    np.testing.assert_allclose(updated(y, seen, [4.0, 7.0]), [updated(y, seen, 4.0), updated(y, seen, 7.0)])


def test_where_the_other_choice_turns_out_better_is_the_root_of_the_conjugate_means():
    y, seen = drawn()
    results = np.linspace(0, 10, 101)
    means = updated(y, seen, results).mean(axis=1)
    below, above = turning_points(results, means[:, [1]] - means[:, [0]], MEAN[0])
    gain = COV[0] / (COV[0, 0] + NOISE)
    root = MEAN[0] - (MEAN[0] - MEAN[1]) / (gain[0] - gain[1])
    assert conjugate(root)[0][0] == pytest.approx(conjugate(root)[0][1])
    assert below[0] == pytest.approx(root, abs=0.03) and below[1] == 0
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

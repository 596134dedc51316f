"""Importance sampling: integrals that are known in closed form."""
import numpy as np
import pytest
from numpy.testing import assert_allclose

from labkit.core import importance


def gaussian(middle, sd):
    """log N(middle; theta, sd^2) in each dimension, two equal choices."""
    def log_likelihoods(theta):
        logs = -0.5 * np.sum(((theta - middle) / sd) ** 2 + np.log(2 * np.pi * sd**2), axis=1)
        return np.column_stack([logs, logs]) - np.log(2)
    return log_likelihoods


class TestSampled:
    @pytest.mark.parametrize(("dimension", "middle", "sd"), [(1, 0.5, 1.0), (3, 1.0, 0.5), (5, 2.0, 0.3), (6, 0.0, 3.0),
                                                          (4, 3.0, 0.5)])
    def test_normal_likelihood_times_normal_prior(self, dimension, middle, sd):
        """Evidence N(middle; 0, 1 + sd^2), posterior mean middle / (1 + sd^2)."""
        found = importance.sampled(gaussian(middle, sd), dimension)
        exact = -0.5 * dimension * (middle**2 / (1 + sd**2) + np.log(2 * np.pi * (1 + sd**2)))
        assert_allclose(found.log_evidence, exact, atol=0.06)
        assert_allclose(found.weights.sum(axis=1) @ found.theta, middle / (1 + sd**2), atol=0.05)
        assert found.effective >= importance.ENOUGH
        assert_allclose(found.weights.sum(axis=0), [0.5, 0.5])

    def test_proposals_of_one_start_another(self):
        first = importance.sampled(gaussian(2.0, 0.2), 4)
        second = importance.sampled(gaussian(2.05, 0.2), 4, start=first.proposals)
        assert len(second.theta) < len(first.theta) and second.effective >= importance.ENOUGH
        exact = -0.5 * 4 * (2.05**2 / 1.04 + np.log(2 * np.pi * 1.04))
        assert_allclose(second.log_evidence, exact, atol=0.06)

    def test_two_proposals_share_three_quarters_of_the_first_pass(self):
        """The first quarter of the draws is of the prior, and so the normal points themselves."""
        apart = [importance.Proposal(middle=np.full(2, at), root=np.eye(2)) for at in (-50.0, 50.0)]
        theta = importance.sampled(gaussian(0.0, 1.0), 2, start=apart, draws=64, enough=0.0).theta
        assert len(theta) == 64 and (theta[:16] == importance.normal_points(512, 2)[:16]).all()
        assert (theta[16:40] < 0).all() and (theta[40:] > 0).all()

    def test_nothing_to_integrate_over(self):
        found = importance.sampled(lambda theta: np.full((len(theta), 1), -1.5), 0)
        assert_allclose(found.log_evidence, -1.5)


def test_points_are_normal_and_never_two_alike():
    points = importance.normal_points(2048, 6)
    assert_allclose(points.mean(axis=0), 0, atol=0.02)
    assert_allclose(np.cov(points.T), np.eye(6), atol=0.06)
    assert len(np.unique(points[:, 0])) == 2048
    assert not points.flags.writeable                       # they are kept for the next integral


def test_quantiles_of_equal_weights_are_those_of_numpy():
    """In a straight line between the middles of the steps: definition 5 of Hyndman & Fan (1996), in numpy `hazen`."""
    values, levels = np.random.default_rng(3).normal(size=7), np.linspace(0, 1, 41)
    assert_allclose(importance.weighted_quantiles(values, np.full(7, 0.2), levels),
                    np.quantile(values, levels, method="hazen"), rtol=1e-12)


def test_quantiles_of_unequal_weights():
    """Weights .2, .6, .2 of 1, 2, 4: the middles of their steps stand at .1, .5 and .9 of the whole."""
    found = importance.weighted_quantiles(np.array([4.0, 1.0, 2.0]), np.array([0.1, 0.1, 0.3]), [0.05, 0.1, 0.3, 0.5, 0.7, 0.95])
    assert_allclose(found, [1.0, 1.0, 1.5, 2.0, 3.0, 4.0], rtol=1e-12)


def test_systematic_picks_in_proportion():
    assert importance.systematic(np.array([0.5, 0.0, 0.25, 0.25]), 8).tolist() == [0, 0, 0, 0, 2, 2, 3, 3]
    assert importance.systematic(np.array([4.0, 0.0, 2.0, 2.0]), 8).tolist() == [0, 0, 0, 0, 2, 2, 3, 3]

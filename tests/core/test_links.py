"""Straighter scales: identities of each link; what leaves the scale, beside scipy's integrals."""
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm

from labkit.core.links import LINKS, Link, cut


@pytest.mark.parametrize("name", LINKS)
@pytest.mark.parametrize(("low", "high"), [(0.0, 10.0), (-3.0, 1.0)])
class TestLink:
    def test_back_undoes_height_between_the_ends(self, name, low, high):
        link = Link(name=name, low=low, high=high)
        y = np.linspace(low, high, 23)[1:-1]
        assert_allclose(link.height(link.back(y, margin=1e-6)), y, rtol=1e-10)

    def test_slope_is_the_derivative(self, name, low, high):
        link, step = Link(name=name, low=low, high=high), 1e-5
        eta = np.linspace(low, high, 9)
        numeric = (link.height(eta + step) - link.height(eta - step)) / (2 * step)
        assert_allclose(link.slope(eta), numeric, rtol=1e-6)

    def test_the_middle_stays_with_slope_one(self, name, low, high):
        link, middle = Link(name=name, low=low, high=high), np.array([(low + high) / 2])
        assert_allclose(link.height(middle), middle)
        assert_allclose(link.slope(middle), 1.0)

    def test_an_end_never_reached_stays_finite(self, name, low, high):
        link = Link(name=name, low=low, high=high)
        assert np.isfinite(link.back(np.array([low, high]))).all()
        assert np.isfinite(link.height(np.array([low - 1e6, high + 1e6]))).all()


class TestCut:
    @pytest.mark.parametrize(("mean", "sd"), [(5.0, 1.0), (9.7, 2.0), (14.0, 3.0), (-2.0, 0.5), (5.0, 40.0)])
    def test_moments_are_the_integrals_of_what_is_clipped(self, mean, sd):
        low, high, normal = 0.0, 10.0, norm(mean, sd)
        first = normal.expect(lambda y: y, lb=low, ub=high) + high * normal.sf(high)
        second = normal.expect(lambda y: (y - first) ** 2, lb=low, ub=high)
        second += (high - first) ** 2 * normal.sf(high) + (low - first) ** 2 * normal.cdf(low)
        found = cut(np.array([mean]), np.array([sd]), low, high)
        assert_allclose(np.ravel(found), [first, np.sqrt(second)], rtol=1e-7, atol=1e-7)

    def test_far_within_the_scale_nothing_changes(self):
        mean, sd = np.array([-0.2, 0.1]), np.array([1e-3, 0.1])
        assert_allclose(cut(mean, sd, -2.0, 2.0), [mean, sd], rtol=1e-9)

    def test_what_is_certain_is_clipped(self):
        mean, sd = cut(np.array([-1.0, 4.0, 12.0]), np.zeros(3), 0.0, 10.0)
        assert_allclose(mean, [0.0, 4.0, 10.0])
        assert_allclose(sd, 0.0, atol=1e-6)

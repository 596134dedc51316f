"""Straighter scales: identities of each link."""
import numpy as np
import pytest
from numpy.testing import assert_allclose

from labkit.core.links import LINKS, Link


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

"""Quantiles of a mixture of Gaussians: its own distribution function at them gives back the chance."""
import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from labkit.surfaces.posterior import _quantile

RNG = np.random.default_rng(5)
MIXTURES = {
    "one Gaussian": ([[2.0], [-3.0]], [[0.5], [1e-9]], [1.0]),
    "alike": (RNG.normal(5, 0.3, (40, 30)), RNG.uniform(0.2, 0.4, (40, 30)), RNG.uniform(size=30)),
    "far apart, with nothing between": ([[0.0, 100.0]], [[0.01, 0.02]], [0.5, 0.5]),
    "one a thousand times as wide": ([[0.0, 1.0, -4.0]], [[1e-3, 1.0, 3.0]], [0.90, 0.07, 0.03]),
    "a share of nothing": ([[0.0, 50.0]], [[1.0, 20.0]], [1 - 1e-13, 1e-13]),
}


@pytest.mark.parametrize("name", MIXTURES)
@pytest.mark.parametrize("p", [0.001, 0.05, 0.4999, 0.75, 0.995])
def test_the_chance_comes_back(name, p):
    """Beside Brent's method of scipy on the distribution function of scipy.stats."""
    means, spreads, shares = (np.array(part, dtype=float) for part in MIXTURES[name])
    found = _quantile(means, spreads, shares, p)
    for k, (mean, spread) in enumerate(zip(means, spreads, strict=True)):
        ends = norm.ppf(p, mean, spread)
        if np.ptp(ends) == 0:
            assert found[k] == pytest.approx(ends[0])
            continue
        expected = brentq(lambda x, m, s: norm.cdf(x, m, s) @ shares / shares.sum() - p, ends.min(), ends.max(),
                          args=(mean, spread), xtol=1e-12)
        assert found[k] == pytest.approx(expected, abs=3e-6 * spread.max())

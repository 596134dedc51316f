"""Steps of a fit on a curved scale, against densities of scipy."""
import numpy as np
from scipy.stats import multivariate_normal

from labkit.core.links import Link
from labkit.core.posterior import Functions, Model, Observed, Prior, Scales
from labkit.surfaces.fitting import _misfit


def test_a_misfit_is_minus_twice_the_log_of_the_joint_density():
    """Up to a constant: of scores about a curved surface and of its coefficients about their prior mean, by scipy."""
    rng, n, degrees = np.random.default_rng(2), 6, np.array([0, 1, 1, 2])
    up = np.array([[0.0, 2.0, 0.0, 0.0]])
    model = Model(
        observed=Observed(means=rng.uniform(2, 9, n), sampling=0.2 * np.eye(n) + 0.05, sources=np.array([np.ones((n, n)), np.eye(n)])),
        functions=Functions(columns=np.column_stack([np.ones(n), rng.normal(size=(n, 3))]), degrees=degrees, expected=up),
        prior=Prior(centre=5.0, constant=2.5, degrees=(2.0, 0.6), sources=(0.3, 0.4), trust=0.7))
    scales = Scales(degrees=np.array([[1.8, 0.7]]), sources=np.array([[0.2, 0.5]]), sampling=np.array([1.3]))
    link = Link(name="both", low=0.0, high=10.0)
    middle = np.array([5.0, 0.7 * 2.0 * 1.8 / np.sqrt(2), 0.0, 0.0])
    prior = multivariate_normal(middle, np.diag([2.5**2, 1.8**2 / 2, 1.8**2 / 2, 0.7**2]))
    noise = 1.3**2 * model.observed.sampling + 0.2**2 * np.ones((n, n)) + 0.5**2 * np.eye(n)
    found, expected = [], []
    for b in rng.normal(middle, 1.0, (5, 4)):
        found.append(_misfit(b, link, model, scales))
        scores = multivariate_normal(link.height(model.functions.columns @ b), noise)
        expected.append(-2 * (scores.logpdf(model.observed.means) + prior.logpdf(b)))
    np.testing.assert_allclose(np.diff(found), np.diff(expected), rtol=1e-9)

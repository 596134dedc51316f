"""The hierarchical posterior against conjugate formulas, another library, brute force, and its own calibration."""
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import multivariate_normal, norm
from scipy.stats import t as student

from labkit.core import adequacy, importance, posterior
from labkit.core.terms import degree_basis

BOX = np.random.default_rng(9).uniform(-1, 1, (3000, 2))
PRIOR = posterior.Prior(centre=5.0, constant=3.5, degrees=(1.5, 0.7), sources=(0.3,))


def functions_at(points, basis=None, expected=()):
    basis = basis or degree_basis(BOX)
    rows = np.array(expected, dtype=float).reshape(-1, basis.size)
    return posterior.Functions(columns=basis.evaluate(points), degrees=basis.degrees, expected=rows)


def observed(means, sd=0.3, sources=None):
    n = len(means)
    return posterior.Observed(means=np.asarray(means, dtype=float), sampling=sd**2 * np.eye(n),
                              sources=np.eye(n)[None] if sources is None else sources)


def model(seen, functions, prior=PRIOR):
    return posterior.Model(observed=seen, functions=functions, prior=prior)


def mixture(seen, functions, prior=PRIOR):
    return posterior.integrate(model(seen, functions, prior)).mixture()


def points(n, seed=0, d=2):
    return np.random.default_rng(seed).uniform(-1, 1, (n, d))


class TestGivenScales:
    """With all scales fixed the posterior is that of a Bayesian linear model."""

    x = points(7)
    y = 5 + x @ [2.0, -1.0] + 0.3 * np.sin(np.arange(7))
    scales = posterior.Scales(degrees=np.array([[1.7, 0.6]]), sources=np.array([[0.4]]), sampling=np.ones(1))

    def test_conjugate_formulas(self):
        """Lindley & Smith (1972): precision X'V^-1X + T^-1."""
        functions = functions_at(self.x)
        means, covariances = posterior.conditional(self.scales, model(observed(self.y), functions))
        prior = np.r_[3.5**2, [1.7**2 / 2] * 2, [0.6**2 / 3] * 3]
        weight = 1 / (0.3**2 + 0.4**2)
        precision = weight * functions.columns.T @ functions.columns + np.diag(1 / prior)
        right = weight * functions.columns.T @ self.y + np.r_[5 / 3.5**2, np.zeros(5)]
        assert_allclose(covariances[0], np.linalg.inv(precision), rtol=1e-8, atol=1e-12)
        assert_allclose(means[0, 0], np.linalg.solve(precision, right), rtol=1e-8)

    def test_scikit_learn_gaussian_process_with_the_equivalent_kernel(self):
        """Constant + dot product is the linear part over the box -1..1, whose functions are 1 and sqrt(3) u."""
        from sklearn.gaussian_process import GaussianProcessRegressor
        from sklearn.gaussian_process.kernels import ConstantKernel, DotProduct, WhiteKernel

        grid = (np.arange(60) + 0.5) / 30 - 1
        basis = degree_basis(np.array(np.meshgrid(grid, grid)).reshape(2, -1).T, degree=1)
        size = basis.evaluate([[1.0, 0.0]])[0, 1:]
        functions, prior = functions_at(self.x, basis), posterior.Prior(centre=5.0, constant=3.5, degrees=(1.7,), sources=(0.3,))
        slope = 1.7**2 / 2 * (size @ size)
        kernel = (ConstantKernel(3.5**2, "fixed") + ConstantKernel(slope, "fixed") * DotProduct(0.0, "fixed")
                  + WhiteKernel(0.25, "fixed"))
        other = GaussianProcessRegressor(kernel, alpha=0.0, optimizer=None).fit(self.x, self.y - 5)
        new = points(20, seed=1)
        mean, sd = other.predict(new, return_std=True)
        scales = posterior.Scales(degrees=np.array([[1.7]]), sources=np.array([[0.4]]), sampling=np.ones(1))
        found, covariance = posterior.conditional(scales, model(observed(self.y), functions, prior))
        columns = basis.evaluate(new)
        assert_allclose(columns @ found[0, 0], mean + 5, rtol=1e-6)
        assert_allclose(np.einsum("ij,jk,ik->i", columns, covariance[0], columns), sd**2 - 0.25, rtol=1e-5)

    def test_an_expected_direction_moves_the_prior_mean(self):
        up = np.r_[0, 1, 0, 0, 0, 0].astype(float)
        functions = functions_at(self.x, expected=[up])
        means, covariances = posterior.conditional(self.scales, model(observed(self.y), functions))
        weight = 1 / (0.3**2 + 0.4**2)
        prior = np.r_[3.5**2, [1.7**2 / 2] * 2, [0.6**2 / 3] * 3]
        right = weight * functions.columns.T @ self.y + (np.r_[5.0, np.zeros(5)] + 1.7 / np.sqrt(2) * up) / prior
        assert_allclose(means[0].sum(axis=0), covariances[0] @ right, rtol=1e-8)

    def test_what_is_expected_moves_by_the_scale_of_its_own_degree(self):
        """A slope by |u| t_1 / sqrt p_1, a hill by |u| t_2 / sqrt p_2: the evidence of each choice is a normal density."""
        up, hill = 2 * np.r_[0, 0.6, 0.8, 0, 0, 0], 1.5 * np.r_[0, 0, 0, 1, 0, -1] / np.sqrt(2)
        functions, seen = functions_at(self.x, expected=[up, hill]), observed(self.y)
        phi = functions.columns
        covariance = phi @ np.diag(np.r_[3.5**2, [1.7**2 / 2] * 2, [0.6**2 / 3] * 3]) @ phi.T + (0.3**2 + 0.4**2) * np.eye(7)
        prior = posterior.Prior(centre=5.0, constant=3.5, degrees=(1.5, 0.7), sources=(0.3,), trust=0.7)
        found = posterior.log_likelihoods_at(self.scales, model(seen, functions, prior))[0]
        moved = [np.zeros(6), 1.7 / np.sqrt(2) * up, 0.6 / np.sqrt(3) * hill]
        means = [moved[0], moved[1], moved[2], moved[1] + moved[2]]
        told = [multivariate_normal(5 * phi[:, 0] + phi @ mean, covariance).logpdf(self.y) for mean in means]
        assert_allclose(found, told + np.log([0.3 * 0.3, 0.7 * 0.3, 0.3 * 0.7, 0.7 * 0.7]), rtol=1e-9)


class TestExpectations:
    """What is summed over every z: Bernoulli moments, and the law of total variance."""

    x, up, hill = points(5, seed=14), 1.5 * np.r_[0, 0.6, 0.8, 0, 0, 0], np.r_[0, 0, 0, 1, 0, -1] / np.sqrt(2)
    prior = posterior.Prior(centre=5.0, constant=3.5, degrees=(1.5, 0.7), sources=(0.3,), trust=0.3)

    def moved(self, t, z):
        """Prior mean of b: 5 for the constant, and what is expected by the scale of its own degree."""
        return np.r_[5.0, np.zeros(5)] + z[0] * t[0] / np.sqrt(2) * self.up + z[1] * t[1] / np.sqrt(3) * self.hill

    def test_the_prior_mean_counts_each_by_its_trust(self):
        given = model(observed(np.zeros(5)), functions_at(self.x, expected=[self.up, self.hill]), self.prior)
        scales = posterior.Scales(degrees=np.array([[2.0, 0.5]]), sources=np.array([[0.4]]), sampling=np.ones(1))
        share = {z: np.prod([0.3 if one else 0.7 for one in z]) for z in [(0, 0), (0, 1), (1, 0), (1, 1)]}
        assert_allclose(given.prior_mean(scales), sum(p * self.moved((2.0, 0.5), z) for z, p in share.items()), rtol=1e-12)

    def test_each_gaussian_has_the_moments_of_the_mixture_over_every_expectation(self):
        """Each z by the conjugate formulas, its evidence by scipy; cov b = E cov(b | z) + cov E(b | z)."""
        functions, seen = functions_at(self.x, expected=[self.up, self.hill]), observed([4.0, 7.5, 5.0, 2.5, 6.0])
        found, phi = mixture(seen, functions, self.prior), functions.columns
        between = 0.0
        for k in range(len(found.weights)):
            t, v = found.scales.degrees[k], found.scales.sources[k, 0]
            prior = np.diag(np.r_[3.5**2, [t[0]**2 / 2] * 2, [t[1]**2 / 3] * 3])
            spread = phi @ prior @ phi.T + (0.09 + v**2) * np.eye(5)
            gain = prior @ phi.T @ np.linalg.inv(spread)
            every = [np.array(z) for z in np.ndindex(2, 2)]
            means = np.array([m + gain @ (seen.means - phi @ m) for m in (self.moved(t, z) for z in every)])
            share = np.array([multivariate_normal(phi @ self.moved(t, z), spread).pdf(seen.means)
                              * np.prod(np.where(z == 1, 0.3, 0.7)) for z in every])
            share = share / share.sum()
            off = means - share @ means
            total = prior - gain @ phi @ prior + off.T @ (share[:, None] * off)
            assert_allclose(found.means[k], share @ means, rtol=1e-6, atol=1e-8)
            assert_allclose(found.roots[k] @ found.roots[k].T, total, rtol=1e-6, atol=1e-8)
            assert_allclose(found.expected[k], share @ every, rtol=1e-6)
            between = max(between, (np.diag(off.T @ (share[:, None] * off)) / np.diag(total)).max())
        assert between > 0.1                                   # of the variance, in some Gaussian: enough to be missed


class TestIntegration:
    def test_evidence_and_mean_against_a_grid_over_the_scales(self):
        """Two scales, so that the integral can be done by brute force on 200 x 200 normal scores of the priors.

        Quantiles at equal steps will not do: such scores want more noise than is stated, out where those are few.
        """
        x, prior = points(6, d=2), posterior.Prior(centre=5.0, constant=3.5, degrees=(1.5,), sources=(0.3,))
        basis = degree_basis(BOX, degree=1)
        functions, seen = functions_at(x, basis), observed([4.0, 6.5, 5.0, 7.0, 3.0, 5.5])
        scores = np.linspace(-6, 6, 200)
        half_t = 1.5 * student.ppf(0.5 + 0.5 * norm.cdf(scores), 4) / student.ppf(0.75, 4)
        t, v = (a.ravel() for a in np.meshgrid(half_t, 0.3 * np.exp(prior.doubt * scores)))
        share = np.outer(norm.pdf(scores), norm.pdf(scores)).ravel() * (scores[1] - scores[0]) ** 2
        one, b = np.ones(6), functions.columns
        height = share * [multivariate_normal(5 * one, 3.5**2 + a**2 / 2 * b[:, 1:] @ b[:, 1:].T
                                              + (0.09 + c**2) * np.eye(6)).pdf(seen.means) for a, c in zip(t, v)]
        scales = posterior.Scales(degrees=t[:, None], sources=v[:, None], sampling=np.ones(len(t)))
        means = posterior.conditional(scales, model(seen, functions, prior))[0][:, 0]
        for draws, exact in (importance.DRAWS, 1.0), (16 * importance.DRAWS, 0.5):
            integral = posterior.integrate(model(seen, functions, prior), draws=draws)
            found = integral.mixture(most=draws)
            assert_allclose(integral.sampled.log_evidence, np.log(height.sum()), atol=0.08 * exact)
            assert_allclose(found.weights @ found.means, height @ means / height.sum(), atol=0.02 * exact)
            assert_allclose(found.weights @ found.scales.sources[:, 0], height @ v / height.sum(), rtol=0.03 * exact)

    def test_many_pours_still_have_enough_draws(self):
        rng = np.random.default_rng(3)
        x = points(60, seed=4)
        y = 5 + x @ [2.0, 0.0] + rng.normal(0, 1.5, 60)
        found = mixture(observed(y), functions_at(x))
        assert found.effective >= importance.ENOUGH
        assert 1.2 < found.weights @ found.scales.sources[:, 0] < 1.9

    def test_a_scale_has_an_end_however_far_a_draw_is_out(self):
        """Where a curved scale is flat at all pours t may want to be a million times what is usual; endless, it would
        make nothing of every other draw (0 x inf). Against the upper tail of scipy's t."""
        scores = np.array([[3.0, -3.0], [8.0, 8.0], [8.4, 9.0], [40.0, 40.0]])
        found = posterior.scales_at(np.column_stack([scores, np.zeros(4)]), PRIOR).degrees
        exact = student.isf(norm.sf(scores[:2]) / 2, 4) * [1.5, 0.7] / student.ppf(0.75, 4)
        assert_allclose(found[:2], exact, rtol=0.03)
        assert_allclose(found[2:], found[[1, 1]])

    def test_repeats_bit_for_bit(self):
        seen, functions = observed([4.0, 6.0, 5.0]), functions_at(points(3))
        one, two = (mixture(seen, functions) for _ in range(2))
        assert (one.means == two.means).all() and (one.weights == two.weights).all()
        rngs = [np.random.default_rng(1), np.random.default_rng(1)]
        assert (one.draws(50, rngs[0])[0] == two.draws(50, rngs[1])[0]).all()

    def test_units_do_not_matter(self):
        x, y = points(8), np.linspace(3, 7, 8)
        prior = posterior.Prior(centre=500.0, constant=350.0, degrees=(150.0, 70.0), sources=(30.0,))
        small = mixture(observed(y), functions_at(x))
        large = mixture(observed(100 * y, sd=30.0), functions_at(x), prior)
        assert_allclose(100 * small.weights @ small.means, large.weights @ large.means, rtol=1e-8)

    def test_coding_does_not_matter(self):
        """A turned and stretched coding only rotates the functions within a degree."""
        turn = np.array([[2.0, 0.7], [-0.3, 0.5]])
        x, new, y = points(8), points(5, seed=2), np.linspace(3, 7, 8)
        told = []
        for coding in (np.eye(2), turn):
            basis = degree_basis(BOX @ coding + 3)
            found = mixture(observed(y), functions_at(x @ coding + 3, basis))
            told.append(basis.evaluate(new @ coding + 3) @ (found.weights @ found.means))
        assert_allclose(told[0], told[1], rtol=1e-7)

    def test_draws_have_the_moments_of_the_mixture(self):
        found = mixture(observed([4.0, 6.0, 5.0, 7.0]), functions_at(points(4)))
        column = functions_at(points(1, seed=5)).columns
        middle, spread = found.moments(column)
        mean = (middle @ found.weights).item()
        sd = np.sqrt((spread**2 + middle**2) @ found.weights - mean**2).item()
        drawn = found.draws(20_000, np.random.default_rng(0))[0] @ column[0]
        assert abs(drawn.mean() - mean) < 5 * sd / np.sqrt(20_000)
        assert_allclose(drawn.std(), sd, rtol=0.03)

    @pytest.mark.parametrize("means", [[6.0], [5.0, 5.0, 5.0, 5.0], [10.0] * 12])
    def test_one_pour_or_equal_scores_leave_wide_finite_answers(self, means):
        found = mixture(observed(means), functions_at(points(len(means))))
        middle, spread = found.moments(functions_at(points(30, seed=8)).columns)
        assert np.isfinite(middle).all() and (spread > 0).all()
        assert found.effective >= importance.ENOUGH


class TestExpectation:
    up = np.r_[0, 1, 0, 0, 0, 0].astype(float)

    def trust(self, slope, n=8):
        x = points(n, seed=6)
        functions = functions_at(x, expected=[self.up])
        y = 5 + slope * functions.columns[:, 1] + 0.1 * np.sin(7 * np.arange(n))
        found = mixture(observed(y), functions)
        return (found.weights @ found.expected).item()

    def test_what_is_wrong_loses_and_what_is_right_wins(self):
        assert self.trust(1.5) > 0.6
        assert self.trust(-1.5) < 0.2

    def test_without_scores_that_tell_it_stays_near_what_it_was(self):
        seen, functions = observed([5.0]), functions_at(np.zeros((1, 2)), expected=[self.up])
        found = mixture(seen, functions)
        assert_allclose(found.weights @ found.expected, 0.5, atol=0.05)


class TestAgreement:
    def test_ten_composite_designs_with_known_noise_agree_with_least_squares(self):
        """Both readings within .02 standard errors over the region (the quadratic and its noise are invented)."""
        r = 1.414
        once = np.array([[-1, -1], [1, -1], [-1, 1], [1, 1], *[[0, 0]] * 5, [r, 0], [-r, 0], [0, r], [0, -r]])
        x, new, sd = np.tile(once, (10, 1)), points(300, seed=3), 0.05
        columns = lambda u: np.column_stack([np.ones(len(u)), u, u**2, u[:, 0] * u[:, 1]])  # noqa: E731
        y = columns(x) @ [5.5, 1.5, -1.0, -1.2, -0.8, 0.5] + np.random.default_rng(1).normal(0, sd, len(x))
        fit = adequacy.least_squares(columns(x), y, sd**2 * np.eye(len(x)))
        se = np.sqrt(np.einsum("ij,jk,ik->i", columns(new), fit.covariance, columns(new)))
        seen = observed(y, sd=sd, sources=np.zeros((0, len(x), len(x))))
        prior = posterior.Prior(centre=5.0, constant=3.5, degrees=(1.5, 0.7))
        found = mixture(seen, functions_at(x), prior)
        away = functions_at(new).columns @ (found.weights @ found.means) - columns(new) @ fit.coefficients
        assert np.abs(away / se).max() < 0.02


class TestCalibration:
    def test_intervals_cover_truths_drawn_from_the_prior(self):
        """90 % intervals over 150 invented developments of 6 pours in 2 rounds, at 20 formulas each."""
        basis, rng = degree_basis(BOX), np.random.default_rng(12)
        rounds = np.repeat([0, 1], 3)
        sources = np.stack([(rounds[:, None] == rounds).astype(float), np.eye(6)])
        prior = posterior.Prior(centre=5.0, constant=3.5, degrees=(1.5, 0.7), sources=(0.3, 0.3), unsure=0.5)
        new = basis.evaluate(points(20, seed=3))
        covered = []
        for k in range(150):
            scales = posterior.scales_at(rng.standard_normal((1, 5)), prior)
            functions = functions_at(points(6, seed=100 + k), basis)
            given = model(observed(np.zeros(6), sources=sources), functions, prior)
            b = rng.normal(0, np.sqrt(given.prior_variances(scales)[0])) + np.r_[5.0, np.zeros(5)]
            spread = given.noise_covariances(scales)[0]
            y = functions.columns @ b + np.linalg.cholesky(spread) @ rng.normal(size=6)
            found = mixture(observed(y, sources=sources), functions, prior)
            drawn = found.draws(400, np.random.default_rng(k))[0] @ new.T
            low, high = np.quantile(drawn, [0.05, 0.95], axis=0)
            covered.append(np.mean((low <= new @ b) & (new @ b <= high)))
        assert 0.87 < np.mean(covered) < 0.93

"""Means and pooled standard deviation of unequal repeats: closed forms, an analysis of variance, least squares, REML."""
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import digamma, polygamma

from labkit.core.adequacy import least_squares
from labkit.core.levels import SPREAD
from labkit.core.pooled import pooled


def unequal(seed, counts=(1, 2, 5, 1, 3, 2, 4), sd=0.7):
    rng = np.random.default_rng(seed)
    pour = np.repeat(np.arange(len(counts)), counts)
    return pour, 5 + rng.normal(size=len(counts))[pour] + sd * rng.normal(size=len(pour))


def log_posterior(s, pour, value, stated, spread):
    """Up to a constant; the closed form in the heading of the module, from sums over readings one by one."""
    means = np.array([value[pour == p].mean() for p in range(pour.max() + 1)])
    left = np.sum((value - means[pour]) ** 2)
    return -(len(value) - len(means)) * np.log(s) - left / (2 * s**2) - np.log(s / stated) ** 2 / (2 * spread**2)


class TestPooled:
    def test_one_way_analysis_of_variance(self):
        """NIST/SEMATECH e-Handbook, section 7.4.3.3: three levels, five repeats; data and error mean square 1.454 on 12
        degrees of freedom from memory, checked by their own arithmetic (error sum of squares 17.452)."""
        levels = [[6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3]]
        found = pooled(np.repeat([0, 1, 2], 5), np.ravel(levels), stated=1.2, spread=10.0)
        assert_allclose(found.means, [5.34, 7.72, 8.56], rtol=1e-12)
        assert found.df == 12
        # of a prior that says nothing: 12 x 1.454 / s^2 is chi-square with 12 degrees of freedom
        assert np.log(found.sd) == pytest.approx((np.log(12 * 1.454 / 2) - digamma(6)) / 2, abs=1e-3)
        assert found.unsure == pytest.approx(np.sqrt(polygamma(1, 6)) / 2, rel=1e-3)

    def test_means_and_their_variances_are_those_of_least_squares_with_the_pours_as_groups(self):
        """statsmodels' OLS on indicators: the same means; its covariance, were its variance ours."""
        from statsmodels.regression.linear_model import OLS

        pour, value = unequal(3)
        results = OLS(value, (pour[:, None] == np.arange(7)).astype(float)).fit()
        found = pooled(pour, value, stated=np.sqrt(results.mse_resid), spread=1e-6)
        assert_allclose(found.means, results.params, rtol=1e-12)
        assert_allclose(found.sd**2, results.mse_resid, rtol=1e-5)
        assert_allclose(found.covariance, results.cov_params(), rtol=1e-5, atol=1e-12)
        assert found.df == results.df_resid

    def test_with_many_repeats_the_stated_one_plays_no_part(self):
        pour, value = unequal(4, counts=(60,) * 20)
        rest = sum(np.sum((value[pour == p] - value[pour == p].mean()) ** 2) for p in range(20)) / (1200 - 20)
        for stated in (0.2, 0.7, 2.0):
            found = pooled(pour, value, stated=stated)
            assert_allclose(found.sd, np.sqrt(rest), rtol=3e-3)
            assert_allclose(found.unsure, 1 / np.sqrt(2 * 1180), rtol=0.01)

    @pytest.mark.parametrize("stated", [0.2, 1.0])
    def test_moments_of_the_closed_form_posterior(self, stated):
        from scipy.integrate import quad

        pour, value = unequal(5)
        found = pooled(pour, value, stated=stated)

        def moment(k):
            top = log_posterior(found.sd, pour, value, stated, SPREAD)
            return quad(lambda u: u**k * np.exp(log_posterior(stated * np.exp(u), pour, value, stated, SPREAD) - top),
                        -2.8, 2.8, epsabs=1e-12, limit=400)[0]

        middle = moment(1) / moment(0)
        assert_allclose(np.log(found.sd / stated), middle, atol=1e-6)
        assert_allclose(found.unsure, np.sqrt(moment(2) / moment(0) - middle**2), atol=1e-6)

    def test_without_repeats_all_is_as_stated(self):
        found = pooled(np.arange(5), np.array([1.0, 4, 2, 8, 5]), stated=0.6)
        assert found.df == 0
        assert_allclose([found.sd, found.unsure], [0.6, SPREAD], rtol=2e-3)
        assert_allclose(found.covariance, 0.36 * np.eye(5), rtol=5e-3)

    def test_equal_repeats_of_a_coarse_instrument_leave_some_noise(self):
        found = pooled(np.repeat(np.arange(6), 3), np.repeat([1.0, 4, 2, 8, 5, 3], 3), stated=0.6)
        assert 0.04 < found.sd < 0.2

    def test_order_of_the_readings_does_not_matter(self):
        pour, value = unequal(6)
        turn = np.random.default_rng(0).permutation(len(pour))
        one, other = pooled(pour, value, stated=1.0), pooled(pour[turn], value[turn], stated=1.0)
        assert_allclose(one.means, other.means, rtol=1e-12)
        assert_allclose([one.sd, one.unsure], [other.sd, other.unsure], rtol=1e-9)

    def test_it_finds_the_noise_it_was_made_with(self):
        found = [pooled(*unequal(seed), stated=1.0).sd for seed in range(200)]
        assert np.median(found) == pytest.approx(0.7, rel=0.12)


class TestMeansAreEnough:
    def test_a_straight_line_through_means_is_the_mixed_model_of_all_readings(self):
        """statsmodels' MixedLM by REML, pour as a random intercept, unequal repeats: at its variances generalised least
        squares of the means with v_pour + v / n on the diagonal has the same coefficients, and the standard errors of
        generalised least squares of all single readings."""
        from statsmodels.regression.linear_model import GLS
        from statsmodels.regression.mixed_linear_model import MixedLM

        rng = np.random.default_rng(8)
        pour = np.repeat(np.arange(14), rng.integers(1, 6, size=14))
        x = rng.uniform(-1, 1, size=14)
        value = (4 + 1.5 * x + 0.8 * rng.normal(size=14))[pour] + 0.5 * rng.normal(size=len(pour))
        columns = np.column_stack([np.ones(14), x])
        fit = MixedLM(value, columns[pour], groups=pour).fit(reml=True)
        found = pooled(pour, value, stated=float(np.sqrt(fit.scale)), spread=1e-6)
        between = float(np.squeeze(fit.cov_re))
        ours = least_squares(columns, found.means, found.covariance + between * np.eye(14))
        assert_allclose(ours.coefficients, fit.fe_params, rtol=1e-6)
        whole = fit.scale * np.eye(len(pour)) + between * np.equal.outer(pour, pour)
        single = GLS(value, columns[pour], sigma=whole).fit()
        assert_allclose(ours.covariance, single.normalized_cov_params, rtol=1e-6)
        assert_allclose(np.sqrt(np.diag(ours.covariance)), fit.bse_fe, rtol=0.01)      # its own rest on a numeric Hessian

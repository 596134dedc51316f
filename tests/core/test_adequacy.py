"""Least squares and its checks: certified values, printed tables, statsmodels, explicit deletion."""
import pathlib

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import null_space
from scipy.optimize import minimize
from scipy.stats import multivariate_normal

from labkit.core import adequacy

PUBLISHED = pathlib.Path(__file__).resolve().parent.parent / "published"


def table(name):
    return pd.read_csv(PUBLISHED / f"{name}.csv")


def certified(name):
    values = table("strd_certified").query("dataset == @name").set_index("quantity")
    b = values[values.index.str.match(r"b\d+$")]
    return values.certified_value, b.certified_value.to_numpy(), b.certified_sd.to_numpy()


def digits(found, true):
    return -np.log10(np.maximum(np.abs(np.asarray(found) / true - 1), 1e-16))


def assert_printed(found, printed, half_a_digit):
    assert (np.abs(np.subtract(found, printed)) <= half_a_digit).all(), (found, printed)


def quadratic(x1, x2):
    return np.column_stack([np.ones(len(x1)), x1, x2, x1**2, x2**2, x1 * x2])


def correlated(seed=0):
    rng = np.random.default_rng(seed)
    columns = np.column_stack([np.ones(11), rng.normal(size=(11, 3))])
    half = rng.normal(size=(11, 11))
    return columns, rng.normal(size=11) + columns @ [1, 2, 0, -1], half @ half.T + np.eye(11)


class TestCertified:
    """NIST Statistical Reference Datasets, linear regression: Norris, Longley, Filip, Wampler1 and Wampler4."""

    def test_longley_nine_digits(self):
        frame, (values, b, sd) = table("strd_longley"), certified("longley")
        x = frame.filter(like="x").to_numpy()
        middle, spread = x.mean(axis=0), x.std(axis=0)
        columns = np.column_stack([np.ones(len(x)), (x - middle) / spread])
        fit = adequacy.least_squares(columns, frame.y.to_numpy())
        slopes = fit.coefficients[1:] / spread
        assert digits(np.r_[fit.coefficients[0] - slopes @ middle, slopes], b).min() >= 9
        assert digits(np.sqrt(fit.scale * np.diag(fit.covariance))[1:] / spread, sd[1:]).min() >= 9
        assert digits(np.sqrt(fit.scale), values["residual_sd"]) >= 9
        assert digits(adequacy.r_squared(fit, frame.y.to_numpy()), values["r_squared"]) >= 9

    def test_norris_nine_digits(self):
        frame, (values, b, sd) = table("strd_norris"), certified("norris")
        middle = frame.x.mean()
        fit = adequacy.least_squares(np.column_stack([np.ones(len(frame)), frame.x - middle]), frame.y.to_numpy())
        assert digits([fit.coefficients @ [1, -middle], fit.coefficients[1]], b).min() >= 9
        assert digits(np.sqrt(fit.scale * np.diag(fit.covariance))[1], sd[1]) >= 9
        assert digits(np.sqrt(fit.scale), values["residual_sd"]) >= 9
        assert digits(adequacy.r_squared(fit, frame.y.to_numpy()), values["r_squared"]) >= 9
        assert digits(fit.sum_of_squares, values["ss_residual"]) >= 9

    def test_filip_seven_digits_after_centring_and_scaling(self):
        frame, (values, b, _) = table("strd_filip"), certified("filip")
        middle, half = (frame.x.max() + frame.x.min()) / 2, np.ptp(frame.x) / 2
        z = ((frame.x - middle) / half).to_numpy()
        fit = adequacy.least_squares(np.polynomial.chebyshev.chebvander(z, 10), frame.y.to_numpy())
        back = np.polynomial.Chebyshev(fit.coefficients, domain=[middle - half, middle + half])
        assert digits(back.convert(kind=np.polynomial.Polynomial, domain=[-1, 1]).coef, b).min() >= 7
        assert digits(np.sqrt(fit.scale), values["residual_sd"]) >= 7

    @pytest.mark.parametrize(("name", "enough"), [("wampler1", 9), ("wampler4", 9)])
    def test_wampler(self, name, enough):
        frame, (_, b, _) = table(f"strd_{name}"), certified(name)
        fit = adequacy.least_squares(np.vander((frame.x - 10) / 10, 6, increasing=True), frame.y.to_numpy())
        back = np.polynomial.Polynomial(fit.coefficients, domain=[0, 20], window=[-1, 1]).convert().coef
        assert digits(back, b).min() >= enough


class TestHandbook:
    """NIST/SEMATECH e-Handbook 5.5.3.1.4, Table of the second-order fit; the linear model beside it."""

    frame = table("nist_chem_ccd")
    y = frame.y.to_numpy()

    @pytest.mark.parametrize(("terms", "ss", "f", "p", "rmse", "r2", "adjusted", "predicted", "press"), [
        (3, 827.9, 3.19, 0.141, 10.01, 0.5266, 0.4319, 0.2425, 1602.02),
        (6, 59.9, 0.46, 0.725, 5.77, 0.8898, 0.8111, 0.6708, 696.25)])
    def test_lack_of_fit_and_press(self, terms, ss, f, p, rmse, r2, adjusted, predicted, press):
        columns = quadratic(self.frame.x1, self.frame.x2)[:, :terms]
        fit = adequacy.least_squares(columns, self.y)
        groups = adequacy.repeats(self.frame[["x1", "x2"]].to_numpy(), 1e-6)
        lack, pure = adequacy.lack_of_fit(fit, groups, self.y)
        total = adequacy.centred_total(self.y)
        assert_printed([lack.ss, lack.f, lack.p], [ss, f, p], [0.05, 0.005, 0.0005])
        assert (pure.df, lack.df) == (4, 12 - terms + 1 - 4)
        assert_printed([np.sqrt(fit.scale), adequacy.r_squared(fit, self.y)], [rmse, r2], [0.005, 5e-5])
        assert_printed(1 - fit.scale / (total / 12), adjusted, 5e-5)
        left_out = adequacy.press(fit)
        assert_printed([left_out, 1 - left_out / total], [press, predicted], [0.005, 5e-5])

    def test_yarn_has_a_centred_r_squared(self):
        """NIST/SEMATECH e-Handbook 5.5.4.2: R2 .951356. PRESS is not printed there; it is that of an explicit deletion.

        Misprint there: the analysis of variance shows sums about zero with 5 degrees of freedom for the model (6 is
        right) and a p-value that fits neither; about the mean SSR 128.296 (5), SSE 6.560 (9), F 35.2032, as here.
        """
        frame = table("yarn_elongation")
        x = frame[["x1", "x2", "x3"]].to_numpy()
        columns = np.column_stack([x, x[:, 0] * x[:, 1], x[:, 0] * x[:, 2], x[:, 1] * x[:, 2]])
        fit = adequacy.least_squares(columns, frame.y.to_numpy())
        assert_allclose(adequacy.r_squared(fit, frame.y.to_numpy()), 0.951356, atol=5e-7)
        model = adequacy.centred_total(frame.y.to_numpy()) - fit.scale * 9
        assert_allclose([model, fit.scale * 9, model / 5 / fit.scale], [128.296, 6.560, 35.2032], atol=5e-5)
        left_out = [y - columns[k] @ np.linalg.lstsq(np.delete(columns, k, 0), np.delete(frame.y, k), rcond=None)[0]
                    for k, y in enumerate(frame.y)]
        assert_allclose(adequacy.press(fit), np.square(left_out).sum(), rtol=1e-9)
        assert_allclose(adequacy.press(fit), 18.295, atol=5e-4)


class TestAgainstReferences:
    def test_statsmodels_gls(self):
        import statsmodels.api as sm

        columns, y, spread = correlated()
        fit = adequacy.least_squares(columns, y, spread)
        other = sm.GLS(y, columns, sigma=spread).fit(method="qr")
        assert_allclose(fit.coefficients, other.params, rtol=1e-9)
        assert_allclose(np.sqrt(np.diag(fit.covariance) * fit.scale), other.bse, rtol=1e-9)
        assert_allclose(adequacy.r_squared(fit, y, spread), other.rsquared, rtol=1e-9)

    def test_statsmodels_influence(self):
        import statsmodels.api as sm

        columns, y, _ = correlated()
        fit = adequacy.least_squares(columns, y)
        other = sm.OLS(y, columns).fit().get_influence()
        assert_allclose(adequacy.leverage(fit), other.hat_matrix_diag, rtol=1e-9)
        assert_allclose(adequacy.influence(fit, columns), other.cooks_distance[0], rtol=1e-8)
        assert_allclose(adequacy.left_out_residuals(fit), other.resid_press, rtol=1e-9)

    def test_leaving_one_out_explicitly_with_correlated_rows(self):
        columns, y, spread = correlated(1)
        fit = adequacy.least_squares(columns, y, spread)
        left, distance = np.empty(11), np.empty(11)
        for i in range(11):
            keep = np.arange(11) != i
            part = adequacy.least_squares(columns[keep], y[keep], spread[np.ix_(keep, keep)])
            kriged = spread[i, keep] @ np.linalg.solve(spread[np.ix_(keep, keep)], y[keep] - part.fitted)
            left[i] = y[i] - columns[i] @ part.coefficients - kriged
            moved = part.coefficients - fit.coefficients
            distance[i] = moved @ np.linalg.solve(fit.covariance, moved) / (4 * fit.scale)
        assert_allclose(adequacy.left_out_residuals(fit), left, rtol=1e-8)
        assert_allclose(adequacy.influence(fit, columns, spread), distance, rtol=1e-8)

    @pytest.mark.parametrize("unit", [1e-8, 1e6])
    def test_the_unit_of_the_response_changes_no_verdict(self, unit):
        columns, y, spread = correlated(3)
        groups = np.repeat(np.arange(7), [2, 2, 2, 2, 1, 1, 1])
        columns = columns[groups]
        one, other = (adequacy.least_squares(columns, k * y, spread) for k in (1.0, unit))
        assert_allclose(adequacy.r_squared(other, unit * y, spread), adequacy.r_squared(one, y, spread), rtol=1e-9)
        lacks = [adequacy.lack_of_fit(fit, groups, k * y, spread) for fit, k in ((one, 1.0), (other, unit))]
        assert lacks[0][0].p < 1 and lacks[0][0].df > 0
        assert_allclose([lacks[1][0].f, lacks[1][0].p], [lacks[0][0].f, lacks[0][0].p], rtol=1e-6)
        assert_allclose(adequacy.influence(other, columns, spread), adequacy.influence(one, columns, spread), rtol=1e-6)
        parts = np.array([spread, np.eye(11)])
        assert_allclose(adequacy.restricted_variances(columns, unit * y, parts),
                        unit**2 * adequacy.restricted_variances(columns, y, parts), rtol=1e-4)

    def test_a_common_factor_of_the_covariance_changes_no_answer(self):
        columns, y, _ = correlated(2)
        plain = adequacy.least_squares(columns, y)
        scaled = adequacy.least_squares(columns, y, 7.0 * np.eye(11))
        assert_allclose(plain.coefficients, scaled.coefficients)
        assert_allclose(adequacy.press(plain), adequacy.press(scaled))
        assert_allclose(plain.covariance * plain.scale, scaled.covariance * scaled.scale)
        assert_allclose(adequacy.leverage(plain), adequacy.leverage(scaled, 7.0 * np.eye(11)))


class TestRestrictedLikelihood:
    """The ceramic pipe, 12 whole plots of 4: data of Vining, Kowalski & Montgomery (2005) J. Quality Technology
    37:115-129. No print of the estimates was seen; they are recomputed here from the likelihood of the 33 contrasts.
    """

    frame = table("ceramic_pipe_splitplot")
    y = frame.y.to_numpy()

    def columns(self):
        a, b, p, q = (self.frame[c] for c in "abpq")
        return np.column_stack([np.ones(48), a, b, p, q, a * b, a * p, a * q, b * p, b * q, p * q, a**2, b**2, p**2, q**2])

    def test_variances_and_standard_errors(self):
        whole = (self.frame.wp.to_numpy()[:, None] == self.frame.wp.to_numpy()).astype(float)
        columns, parts = self.columns(), np.array([whole, np.eye(48)])
        found = adequacy.restricted_variances(columns, self.y, parts)
        assert_allclose(found, [1.4176461, 0.0756341], rtol=1e-4)
        spread = np.tensordot(found, parts, axes=1)
        assert_allclose(adequacy.restricted_deviance(columns, self.y, spread), 70.399884, atol=1e-4)
        fit = adequacy.least_squares(columns, self.y, spread)
        assert_allclose(np.sqrt(np.diag(fit.covariance))[[1, 3]], [0.489312, 0.064822], rtol=1e-4)

    def test_likelihood_of_the_residual_contrasts(self):
        """Patterson & Thompson (1971): A'y ~ N(0, A'VA) with A'X = 0, A'A = I, maximised by scipy; the restricted
        deviance of the kit counts log|X'X| more."""
        columns, whole = self.columns(), np.kron(np.eye(12), np.ones((4, 4)))
        contrasts = null_space(columns.T)
        left = contrasts.T @ self.y

        def deviance(logs):
            spread = contrasts.T @ (np.exp(logs[0]) * whole + np.exp(logs[1]) * np.eye(48)) @ contrasts
            return -2 * multivariate_normal(cov=spread).logpdf(left)

        best = minimize(deviance, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
        assert_allclose(np.exp(best.x), [1.4176461, 0.0756341], rtol=1e-5)
        assert_allclose(best.fun + np.linalg.slogdet(columns.T @ columns)[1], 70.399884, atol=1e-5)

    def test_statsmodels_mixed_model(self):
        """Its optimiser stops at three digits by default, so 1e-3 relative."""
        from statsmodels.regression.mixed_linear_model import MixedLM

        other = MixedLM(self.y, self.columns(), groups=self.frame.wp).fit(reml=True)
        whole = (self.frame.wp.to_numpy()[:, None] == self.frame.wp.to_numpy()).astype(float)
        found = adequacy.restricted_variances(self.columns(), self.y, np.array([whole, np.eye(48)]))
        assert_allclose(found, [np.asarray(other.cov_re).item(), other.scale], rtol=1e-3)

    def test_a_source_that_brings_nothing_is_nothing(self):
        rng = np.random.default_rng(2)
        groups = np.repeat(np.arange(4), 3)
        parts = np.array([(groups[:, None] == groups).astype(float), np.eye(12)])
        y = rng.normal(size=12)
        y -= np.array([y[groups == g].mean() for g in groups])
        found = adequacy.restricted_variances(np.ones((12, 1)), y, parts)
        assert found[0] == 0 and found[1] > 0

    def test_of_one_source_the_variance_is_that_of_least_squares_and_of_an_exact_fit_there_is_none(self):
        """v = y'Qy / (n - p), by statsmodels' scale."""
        import statsmodels.api as sm

        columns, y, spread = correlated()
        found = adequacy.restricted_variances(columns, y, spread[None])
        assert_allclose(found, [sm.GLS(y, columns, sigma=spread).fit().scale])
        parts = np.array([spread, np.eye(len(y))])
        assert adequacy.restricted_variances(columns, columns @ np.ones(columns.shape[1]), parts).tolist() == [0.0, 0.0]


class TestEdges:
    def test_a_row_that_decides_alone_cannot_be_left_out(self):
        columns = np.array([[1.0, 0.0], [1.0, 0.0], [1.0, 1.0]])
        fit = adequacy.least_squares(columns, np.array([1.0, 2.0, 5.0]))
        assert_allclose(adequacy.left_out_residuals(fit), [-1.0, 1.0, np.nan])
        assert np.isnan(adequacy.press(fit))

    @pytest.mark.parametrize("seed", range(10))
    def test_what_rounding_leaves_of_a_row_that_stands_alone_is_no_residual(self, seed):
        rng = np.random.default_rng(seed)
        columns = np.column_stack([rng.normal(size=(9, 3)), np.eye(9)[4]])
        fit = adequacy.least_squares(columns, rng.normal(size=9))
        assert np.flatnonzero(np.isnan(adequacy.left_out_residuals(fit))).tolist() == [4]
        assert np.isnan(adequacy.press(fit))

    def test_of_a_straight_line_nothing_bends_and_nothing_is_left(self):
        at = np.linspace(0.1, 0.7, 7)
        fit = adequacy.least_squares(np.vander(at, 3, increasing=True), 0.3 + 1.1 * at)
        assert_allclose(fit.coefficients[:2], [0.3, 1.1])
        assert fit.coefficients[2] == fit.sum_of_squares == 0.0
        assert adequacy.r_squared(fit, 0.3 + 1.1 * at) == 1.0

    def test_of_responses_all_alike_no_part_is_explained(self):
        fit = adequacy.least_squares(np.vander(np.linspace(0.1, 0.7, 7), 2), np.full(7, 0.3))
        assert np.isnan(adequacy.r_squared(fit, np.full(7, 0.3)))

    def test_no_repeats_no_lack_of_fit(self):
        columns, y, _ = correlated()
        fit = adequacy.least_squares(columns, y)
        lack, pure = adequacy.lack_of_fit(fit, np.arange(11), y)
        assert (pure.df, lack.df) == (0, 7) and np.isnan(lack.f)

    @pytest.mark.parametrize("terms", [3, 4])
    def test_a_fit_through_what_counts_as_repeats_leaves_no_more_pure_error_than_residual(self, terms):
        """Five pours, two pairs weighed nearly alike, so two degrees of freedom within; the fit that tells them apart
        leaves 2 or 1 of its own, and pure error cannot have more."""
        at, y = np.array([-1.0, -0.99, 0.2, 1.0, 0.99]), np.array([3.0, 3.4, 5.0, 4.0, 4.1])
        fit = adequacy.least_squares(np.vander(at, terms, increasing=True), y)
        groups = adequacy.repeats(at[:, None], 0.02)
        lack, pure = adequacy.lack_of_fit(fit, groups, y)
        assert (lack.df, pure.df) == (0, 5 - terms) and np.isnan(lack.f)
        assert (lack.ss, pure.ss) == (0.0, fit.sum_of_squares)
        alike = adequacy.least_squares(np.vander(at, terms, increasing=True), np.array([3.0, 3.0, 5.0, 4.0, 4.0]))
        lack, pure = adequacy.lack_of_fit(alike, groups, np.array([3.0, 3.0, 5.0, 4.0, 4.0]))
        assert lack.ss == 0 and pure.ss == alike.sum_of_squares > 0

    def test_no_degrees_of_freedom_no_scale(self):
        assert np.isnan(adequacy.least_squares(np.ones((1, 1)), np.array([3.0])).scale)

    def test_repeats_group_what_the_balance_cannot_tell_apart(self):
        points = np.array([[0.0, 0.0], [0.004, -0.003], [0.5, 0.0], [0.0, 0.0]])
        assert adequacy.repeats(points, 0.01).tolist() == [0, 0, 1, 0]
        assert adequacy.repeats(np.array([[0.0], [0.009], [0.018]]), 0.01).tolist() == [0, 0, 1]    # and no chains

    @pytest.mark.parametrize(("columns", "independent"), [
        (np.ones((4, 2)), 1), (np.column_stack([np.ones(4), np.arange(4) * 1e-12]), 2), (np.zeros((3, 2)), 0)])
    def test_rank_does_not_depend_on_units(self, columns, independent):
        assert adequacy.rank(columns) == independent


@pytest.mark.parametrize("ss_against, df_against", [(1e-30, 0), (1.0, 0), (0.0, 3), (1.0, -1)])
def test_beside_nothing_no_ratio_is_formed(ss_against, df_against):
    """What rounding leaves of a sum of squares without degrees of freedom is no yardstick."""
    found = adequacy.f_test(2.0, 1, ss_against, df_against)
    assert np.isnan(found.f) and np.isnan(found.p) and (found.ss, found.df) == (2.0, 1)

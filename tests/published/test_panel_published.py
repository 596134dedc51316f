"""The panel's numbers against printed ones; half a unit of the last printed digit unless said otherwise."""
import pathlib

import numpy as np
import pandas as pd
import pytest
from scipy.stats import friedmanchisquare

from labkit.core.agreement import (
    durbin,
    friedman,
    intraclass_correlations,
    is_balanced_incomplete,
    kendalls_w,
    skillings_mack,
)
from labkit.core.levels import adjusted_means, cells_of, noise_by_reml, noise_with_prior
from labkit.core.reliability import icc_with_gaps

HERE = pathlib.Path(__file__).resolve().parent


def read(name, **options):
    return pd.read_csv(HERE / f"{name}.csv", **options)


def judges():
    return read("icc_shrout_fleiss", index_col=0).to_numpy(float)


def cells(table):
    pour, tester = np.nonzero(~np.isnan(table))
    return cells_of(pour, tester, table[pour, tester])


class TestShroutFleiss:
    """Shrout & Fleiss (1979) Psychological Bulletin 86:420-428, 6 targets and 4 judges. They print two digits of the
    estimates (.17 .29 .71 .44 .62 .91; from memory). No print of seven can be named: the second test computes them.
    """

    @pytest.mark.parametrize("name, printed", [
        ("ICC(1,1)", (0.1657418, -0.13293232, 0.7225601)),
        ("ICC(2,1)", (0.2897638, 0.01878651, 0.7610844)),
        ("ICC(3,1)", (0.7148407, 0.34246477, 0.9458583)),
        ("ICC(1,k)", (0.4427971, -0.88444216, 0.9124154)),
        ("ICC(2,k)", (0.6200505, 0.07113682, 0.927232)),
        ("ICC(3,k)", (0.9093155, 0.67567471, 0.9858917)),
    ])
    def test_six_forms_with_95_percent_limits(self, name, printed):
        assert np.abs(np.subtract(intraclass_correlations(judges())[name], printed)).max() < 5.1e-8

    @pytest.mark.parametrize("form", ["1", "2", "3"])
    def test_the_same_from_statsmodels_and_scipy(self, form):
        """Mean squares of a fitted analysis of variance, quantiles of scipy, and the limits as in the paper, p. 424."""
        from scipy.stats import f
        from statsmodels.formula.api import ols
        from statsmodels.stats.anova import anova_lm

        table, (n, k) = judges(), (6, 4)
        long = pd.DataFrame(table).stack().rename_axis(["target", "judge"]).rename("score").reset_index()
        model = "score ~ C(target)" if form == "1" else "score ~ C(target) + C(judge)"
        squares = anova_lm(ols(model, long).fit())["mean_sq"]
        b, e = squares["C(target)"], squares["Residual"]
        df = n * (k - 1) if form == "1" else (n - 1) * (k - 1)
        high, low = b / e * f.ppf(0.975, df, n - 1), b / e / f.ppf(0.975, n - 1, df)
        single = [(ratio - 1) / (ratio + k - 1) for ratio in (b / e, low, high)]
        if form == "2":
            j = squares["C(judge)"]
            rho, a = (b - e) / (b + (k - 1) * e + k * (j - e) / n), j / e
            own = n * (1 + (k - 1) * rho) - k * rho
            v = (k - 1) * (n - 1) * (k * rho * a + own) ** 2 / ((n - 1) * (k * rho * a) ** 2 + own**2)
            upper, lower = f.ppf(0.975, n - 1, v), f.ppf(0.975, v, n - 1)
            whole = k * j + (k * n - k - n) * e
            single = [rho, n * (b - upper * e) / (upper * whole + n * b), n * (lower * b - e) / (whole + n * lower * b)]
        means = [k * r / (1 + (k - 1) * r) for r in single]
        found = intraclass_correlations(table)
        assert np.allclose(found[f"ICC({form},1)"], single, atol=1e-12)
        assert np.allclose(found[f"ICC({form},k)"], means, atol=1e-12)

    def test_reml_variances_are_the_mean_squares(self):
        """Balanced and inside the bounds, REML gives the analysis of variance: EMS 1.0194, (JMS-EMS)/n 5.2444."""
        found = noise_by_reml(cells(judges()))
        assert found.score**2 == pytest.approx(1.0194, abs=5e-5)
        assert found.tester**2 == pytest.approx((32.4861 - 1.0194) / 6, abs=5e-4)

    def test_reading_with_gaps_comes_near_on_the_complete_table(self):
        """Not a printed value: another method with a weak prior, for the same quantity, .29 with 90 % limits."""
        table = judges()
        stated = {"tester": 1.0, "score": 0.8}
        noise = noise_with_prior(cells(table), **stated)
        found = icc_with_gaps(cells(table), noise, pour=1.5, **stated)
        printed = intraclass_correlations(table, level=0.9)["ICC(2,1)"]
        assert np.abs(np.subtract(found, printed)).max() < 0.1


class TestRanks:
    def test_kendall_with_ties(self):
        """Zar (2010) Biostatistical Analysis, Example 20.5 (columns rebuilt; printed rank sums agree). No print of W in
        so many digits can be named: chi-square is scipy's, with the same correction for ties, and W = chi-square / 33.
        """
        frame = read("kendall_w_zar_ranks")
        ranks = frame[["rank_a", "rank_b", "rank_c"]].to_numpy()
        assert list(ranks.sum(axis=1)) == list(frame["printed_rank_sum"])
        w, test = kendalls_w(ranks)
        expected = friedmanchisquare(*ranks)
        assert (w, test.statistic, test.p) == pytest.approx((expected.statistic / 33, *expected), rel=1e-9)
        assert w == pytest.approx(0.924, abs=5e-4)
        assert friedman(ranks) == pytest.approx(test, nan_ok=True)

    def test_durbin(self):
        """Conover (1999) Practical Nonparametric Statistics, p. 391: T2 = 8, p below .005 (printed .005)."""
        table = read("durbin_icecream").pivot(index="variety", columns="person", values="rank").to_numpy(float)
        assert is_balanced_incomplete(table)
        found = durbin(table)
        assert found.statistic == pytest.approx(8, abs=1e-12)
        assert (found.df, found.df2) == (6, 8)
        assert found.p == pytest.approx(0.005, abs=5e-4)

    def test_skillings_mack(self):
        """Skillings & Mack (1981) Technometrics 23:171-177, assembly methods with missing values."""
        table = read("skillings_mack_assembly", index_col=0).T.to_numpy(float)
        found = skillings_mack(table)
        assert found.statistic == pytest.approx(15.493049, abs=5e-7)
        assert found.df == 3
        assert found.p == pytest.approx(0.001440296302, abs=5e-13)


def test_levels_of_the_judges_are_the_shrunken_deviations():
    """Balanced case by hand: a level is n v_T / (n v_T + v) times the judge's deviation from the grand mean."""
    table = judges()
    found = cells(table)
    noise = noise_by_reml(found)
    shrink = 6 * noise.tester**2 / (6 * noise.tester**2 + noise.score**2)
    expected = shrink * (table.mean(axis=0) - table.mean())
    assert np.abs(adjusted_means(found, noise).levels - expected).max() < 1e-10

"""Adjusted means and levels: against dense algebra, statsmodels' mixed model, and simulated panels."""
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from labkit.core import levels as lv

STATED = {"tester": 1.0, "score": 0.8}


def scores(seed, pours=8, testers=6, share=1.0, repeats=1, spread=1.5, level=1.0, noise=0.8, stays=0.5):
    """Codes, scores, and what was true: (pour, tester, score), means over the panel, levels about their mean."""
    rng = np.random.default_rng(seed)
    kept = rng.random((pours, testers)) < share
    kept[np.arange(pours), rng.integers(testers, size=pours)] = True
    kept[rng.integers(pours, size=testers), np.arange(testers)] = True
    pour, tester = np.nonzero(kept)
    mean, lean = rng.normal(5, spread, pours), rng.normal(0, level, testers)
    opinion = rng.normal(0, noise * np.sqrt(stays), len(pour))
    pour, tester, opinion = (np.tile(part, repeats) for part in (pour, tester, opinion))
    score = mean[pour] + lean[tester] + opinion + rng.normal(0, noise * np.sqrt(1 - stays), len(pour))
    return (pour, tester, score), mean + lean.mean(), lean - lean.mean()


def dense(pour, tester, score, noise):
    """The same model with one row a score: restricted log likelihood, adjusted means, covariance."""
    x, z = (np.eye(codes.max() + 1)[codes] for codes in (pour, tester))
    cell = ((pour[:, None] == pour) & (tester[:, None] == tester)).astype(float)
    v = noise.score**2 * (noise.stays * cell + (1 - noise.stays) * np.eye(len(score)))
    whole = v + noise.tester**2 * z @ z.T
    inverse = np.linalg.inv(whole)
    information = x.T @ inverse @ x
    fixed = np.linalg.solve(information, x.T @ inverse @ score)
    left = score - x @ fixed
    likelihood = -0.5 * (np.linalg.slogdet(whole)[1] + np.linalg.slogdet(information)[1] + left @ inverse @ left)
    lean = noise.tester**2 * z.T @ inverse @ left
    mixed = np.block([[x.T @ np.linalg.inv(v) @ x, x.T @ np.linalg.inv(v) @ z],
                      [z.T @ np.linalg.inv(v) @ x, z.T @ np.linalg.inv(v) @ z + np.eye(z.shape[1]) / noise.tester**2]])
    contrast = np.hstack([np.eye(x.shape[1]), np.full((x.shape[1], z.shape[1]), 1 / z.shape[1])])
    return likelihood, fixed + lean.mean(), contrast @ np.linalg.inv(mixed) @ contrast.T


class TestAgainstDenseAlgebra:
    """Henderson's mixed-model equations written out, one row a score."""

    @given(st.integers(0, 10_000), st.sampled_from([1, 2, 3]), st.floats(0.3, 1.0), st.floats(0.1, 0.9))
    def test_means_and_covariance(self, seed, repeats, share, stays):
        (pour, tester, score), _, _ = scores(seed, 5, 4, share=share, repeats=repeats)
        noise = lv.Noise(tester=0.7, score=1.1, stays=stays if repeats > 1 else 0.5)
        found = lv.adjusted_means(lv.cells_of(pour, tester, score), noise)
        _, means, covariance = dense(pour, tester, score, noise)
        assert np.abs(found.means - means).max() < 1e-8
        assert np.abs(found.covariance - covariance).max() < 1e-8

    @pytest.mark.parametrize("share", [1.0, 0.5])
    def test_levels_about_their_mean_and_their_covariance(self, share):
        """Henderson's equations again: of a_t less the mean of all, which no pour can take for its own."""
        (pour, tester, score), _, _ = scores(2, 6, 4, share=share)
        x, z = np.eye(6)[pour], np.eye(4)[tester]
        mixed = np.block([[x.T @ x, x.T @ z], [z.T @ x, z.T @ z + np.eye(4) * (1.1 / 0.7) ** 2]])
        contrast = np.hstack([np.zeros((4, 6)), np.eye(4) - 1 / 4])
        found = lv.adjusted_means(lv.cells_of(pour, tester, score), lv.Noise(tester=0.7, score=1.1, stays=0.5))
        right = np.r_[x.T @ score, z.T @ score]
        assert found.levels == pytest.approx(contrast @ np.linalg.solve(mixed, right), abs=1e-9)
        expected = 1.1**2 * contrast @ np.linalg.inv(mixed) @ contrast.T
        assert np.abs(found.level_covariance - expected).max() < 1e-9

    def test_forty_pours_and_twelve_testers(self):
        (pour, tester, score), _, _ = scores(1, 40, 12, share=0.9, repeats=2)
        cells = lv.cells_of(pour, tester, score)
        noise = lv.noise_with_prior(cells, **STATED)
        found = lv.adjusted_means(cells, noise)
        _, means, covariance = dense(pour, tester, score, noise)
        assert np.abs(found.means - means).max() < 1e-8
        assert np.abs(found.covariance - covariance).max() < 1e-8

    def test_likelihood_differs_by_a_constant(self):
        (pour, tester, score), _, _ = scores(3, 5, 4, share=0.8, repeats=2)
        cells, gaps = lv.cells_of(pour, tester, score), []
        for tester_sd, score_sd, stays in ((1.0, 0.8, 0.5), (0.2, 2.0, 0.1), (3.0, 0.5, 0.8)):
            noise = lv.Noise(tester=tester_sd, score=score_sd, stays=stays)
            ratio, v = np.array(tester_sd**2 / score_sd**2), np.array(score_sd**2)
            found = lv._log_likelihood(cells, lv._absorbed(cells, stays), stays, ratio, v)
            gaps.append(found - dense(pour, tester, score, noise)[0])
        assert np.ptp(gaps) < 1e-8

    def test_posterior_is_that_of_a_fine_fixed_grid(self):
        (pour, tester, score), _, _ = scores(5, 6, 4, share=0.8)
        cells = lv.cells_of(pour, tester, score)
        axes = [np.linspace(np.log(sd) - 2.8, np.log(sd) + 2.8, 601) for sd in (1.0, 0.8)]
        weight = lv._weights(cells, lv._absorbed(cells, 0.5), 0.5, axes, np.log([1.0, 0.8]), lv.SPREAD)
        centre, unsure = lv._moments(axes, weight)
        found = lv.noise_with_prior(cells, **STATED)
        assert np.log([found.tester, found.score]) == pytest.approx(centre, abs=2e-3)
        assert (found.unsure_tester, found.unsure_score) == pytest.approx(unsure, abs=2e-3)


class TestReml:
    """statsmodels MixedLM, REML; its optimiser stops at three to four digits."""

    def mixed(self, codes, **parts):
        import warnings

        import statsmodels.formula.api as smf

        frame = pd.DataFrame(dict(zip(["pour", "tester", "score"], codes))).assign(one=1)
        frame["cell"] = frame["pour"].astype(str) + "/" + frame["tester"].astype(str)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")              # its warnings about what it starts from
            return smf.mixedlm("score ~ 0 + C(pour)", frame, groups="one", re_formula="0",
                               vc_formula=parts).fit(reml=True, method="lbfgs")

    def test_balanced(self):
        (pour, tester, score), _, _ = scores(7)
        cells = lv.cells_of(pour, tester, score)
        found = lv.noise_by_reml(cells)
        expected = self.mixed((pour, tester, score), tester="0+C(tester)")
        assert found.tester**2 == pytest.approx(expected.vcomp[0], rel=1e-3)
        assert found.score**2 == pytest.approx(expected.scale, rel=1e-3)
        assert lv.adjusted_means(cells, found).means == pytest.approx(expected.fe_params.to_numpy(), abs=1e-8)

    def test_gaps_and_repeats(self):
        (pour, tester, score), _, _ = scores(8, share=0.8, repeats=2)
        found = lv.noise_by_reml(lv.cells_of(pour, tester, score))
        expected = self.mixed((pour, tester, score), cell="0+C(cell)", tester="0+C(tester)")
        assert found.score**2 * found.stays == pytest.approx(expected.vcomp[0], rel=1e-3)
        assert found.tester**2 == pytest.approx(expected.vcomp[1], rel=1e-3)
        assert found.score**2 * (1 - found.stays) == pytest.approx(expected.scale, rel=1e-3)

    def test_no_leaning_is_exactly_none(self):
        (pour, tester, score), _, _ = scores(2, level=0.0)
        lean = np.array([score[tester == t].mean() for t in range(6)])
        found = lv.noise_by_reml(lv.cells_of(pour, tester, score - 0.999 * lean[tester]))
        assert found.tester == 0 and found.score > 0

    def test_nothing_to_go_by(self):
        one = lv.cells_of(np.arange(4), np.zeros(4, int), np.arange(4.0))
        assert np.isnan(lv.noise_by_reml(one).score)


class TestWhatAMeanIs:
    def test_complete_table_gives_raw_means_whatever_the_noise(self):
        (pour, tester, score), _, _ = scores(1)
        cells = lv.cells_of(pour, tester, score)
        found = lv.adjusted_means(cells, lv.Noise(tester=2.0, score=0.9, stays=0.5))
        assert found.means == pytest.approx(cells.mean.mean(axis=1))
        assert found.covariance == pytest.approx(np.eye(8) * 0.81 / 6)

    def test_one_tester_gives_the_scores_and_the_stated_noise(self):
        cells = lv.cells_of(np.arange(4), np.zeros(4, int), np.array([1.0, 4.0, 2.0, 9.0]))
        noise = lv.noise_with_prior(cells, **STATED)
        assert (noise.tester, noise.score) == pytest.approx((1.0, 0.8))
        assert (noise.unsure_tester, noise.unsure_score) == pytest.approx((lv.SPREAD, lv.SPREAD), rel=1e-3)
        found = lv.adjusted_means(cells, noise)
        assert found.means == pytest.approx([1, 4, 2, 9])
        assert found.covariance == pytest.approx(0.64 * np.eye(4), abs=1e-9)
        assert list(found.levels) == [0]

    def test_who_missed_a_pour_is_filled_in_by_level(self):
        """T2 scores 2 above T1 wherever both did; with levels of any size the missing score is taken as 2 above."""
        pour, tester = np.array([0, 0, 1, 1, 2]), np.array([0, 1, 0, 1, 0])
        cells = lv.cells_of(pour, tester, np.array([3.0, 5.0, 4.0, 6.0, 7.0]))
        found = lv.adjusted_means(cells, lv.Noise(tester=1e4, score=1.0, stays=0.5))
        assert found.means == pytest.approx([4, 5, 8], abs=1e-6)
        assert found.covariance[2, 2] > found.covariance[0, 0]

    def test_all_scores_equal(self):
        pour, tester = (codes.ravel() for codes in np.indices((4, 5)))
        cells = lv.cells_of(pour, tester, np.full(20, 5.0))
        noise = lv.noise_with_prior(cells, **STATED)
        found = lv.adjusted_means(cells, noise)
        assert list(found.means) == [5] * 4 and (np.diag(found.covariance) > 0).all()
        assert noise.score > 0.8 * np.exp(-lv.REACH * lv.SPREAD)


class TestSimulated:
    @pytest.mark.parametrize("shape", [
        {"pours": 8, "testers": 8}, {"pours": 4, "testers": 6}, {"pours": 8, "testers": 8, "share": 0.6},
        {"pours": 12, "testers": 6, "share": 0.7, "level": 0.5}, {"pours": 12, "testers": 6, "share": 0.7, "level": 2.0},
    ], ids=str)
    def test_intervals_hold_and_levels_are_as_good_as_with_known_noise(self, shape):
        """150 panels: 90 % intervals hold 86 to 94 % of the time; levels within 10 % of the RMSE of the best linear
        unbiased predictor at the true variances."""
        held, ours, best = [], [], []
        true_noise = lv.Noise(tester=shape.get("level", 1.0), score=0.8, stays=0.5)
        for seed in range(150):
            codes, means, lean = scores(seed, **shape)
            cells = lv.cells_of(*codes)
            noise = lv.noise_with_prior(cells, **STATED)
            found = lv.adjusted_means(cells, noise)
            held.extend(np.abs(found.means - means) < 1.645 * np.sqrt(np.diag(found.covariance)))
            ours.extend((found.levels - lean) ** 2)
            best.extend((lv.adjusted_means(cells, true_noise).levels - lean) ** 2)
        assert 0.86 <= np.mean(held) <= 0.94
        assert np.sqrt(np.mean(ours) / np.mean(best)) < 1.10

    def test_share_that_stays_is_learnt_from_repeats(self):
        found = [lv.noise_with_prior(lv.cells_of(*scores(seed, 8, 8, repeats=2, stays=stays)[0]), **STATED).stays
                 for stays in (0.2, 0.8) for seed in range(20)]
        assert np.mean(found[:20]) == pytest.approx(0.2, abs=0.08)
        assert np.mean(found[20:]) == pytest.approx(0.8, abs=0.08)


@pytest.mark.parametrize("unsure", [0.0, 0.2, 0.7])
def test_unsure_multiple_is_the_integral(unsure):
    found = lv.unsure_multiple(unsure)
    held = quad(lambda u: (2 * norm.cdf(found * np.exp(-unsure * u)) - 1) * norm.pdf(u), -8, 8)[0]
    assert held == pytest.approx(0.9, abs=1e-4)


class TestWithThePrior:
    """By sums over a plain grid of log sd, the restricted likelihood from dense algebra and the stated ones not 1."""

    def grid(self, codes, stays, tester, score, points=41):
        logs = [np.log(sd) + lv.SPREAD * np.linspace(-4, 4, points) for sd in (tester, score)]
        found = np.array([[dense(*codes, lv.Noise(tester=np.exp(a), score=np.exp(b), stays=stays))[0] for b in logs[1]]
                          for a in logs[0]])
        away = [((log - np.log(sd)) / lv.SPREAD) ** 2 for log, sd in zip(logs, (tester, score))]
        return logs, found - 0.5 * (away[0][:, None] + away[1])

    @pytest.mark.parametrize("tester, score", [(0.3, 1.4), (2.5, 0.4)])
    def test_geometric_means_and_spreads(self, tester, score):
        codes, _, _ = scores(5, 4, 3, share=0.9)
        logs, posterior = self.grid(codes, 0.5, tester, score)
        weight = np.exp(posterior - posterior.max())
        found = lv.noise_with_prior(lv.cells_of(*codes), tester=tester, score=score)
        for k, (sd, unsure) in enumerate([(found.tester, found.unsure_tester), (found.score, found.unsure_score)]):
            margin = weight.sum(axis=1 - k) / weight.sum()
            mean = logs[k] @ margin
            assert np.log(sd) == pytest.approx(mean, abs=0.01)
            assert unsure == pytest.approx(np.sqrt((logs[k] - mean) ** 2 @ margin), abs=0.01)

    def test_what_stays_is_its_mean_over_nine_values(self):
        codes, _, _ = scores(9, 4, 2, repeats=2, stays=0.7)
        stays = np.linspace(0.1, 0.9, 9)
        each = np.array([np.logaddexp.reduce(self.grid(codes, r, 0.3, 1.4, points=17)[1], axis=None) for r in stays])
        weight = np.exp(each - each.max())
        found = lv.noise_with_prior(lv.cells_of(*codes), tester=0.3, score=1.4)
        assert found.stays == pytest.approx(stays @ weight / weight.sum(), abs=0.001)


def test_reml_of_two_testers_is_that_of_paired_differences():
    """Levels aside, v is half the variance of the differences; each tester's mean has v_T + v / n (balanced anova)."""
    (pour, tester, score), _, _ = scores(11, pours=9, testers=2, level=2.0)
    table = np.zeros((9, 2))
    table[pour, tester] = score
    apart = table[:, 0] - table[:, 1]
    found = lv.noise_by_reml(lv.cells_of(pour, tester, score))
    assert found.score**2 == pytest.approx(apart.var(ddof=1) / 2, rel=1e-4)
    assert found.tester**2 == pytest.approx((apart.mean() ** 2 - apart.var(ddof=1) / 9) / 2, rel=1e-3)


@pytest.mark.parametrize("repeats", [1, 3])
def test_degrees_of_freedom_are_what_pours_and_testers_leave(repeats):
    """By the rank of the dummies of pours and testers, one row a score."""
    (pour, tester, score), _, _ = scores(2, 5, 4, share=0.8, repeats=repeats)
    both = np.hstack([np.eye(5)[pour], np.eye(4)[tester]])
    assert lv.cells_of(pour, tester, score).df == len(score) - np.linalg.matrix_rank(both)


def test_a_table_in_two_parts_leaves_one_degree_of_freedom_more():
    """Three pours by two testers, and three others by two others: by the rank of the dummies, as above."""
    pour, tester = np.repeat(np.arange(6), 2), np.r_[np.tile([0, 1], 3), np.tile([2, 3], 3)]
    cells = lv.cells_of(pour, tester, np.arange(12.0) ** 2 % 7)
    both = np.hstack([np.eye(6)[pour], np.eye(4)[tester]])
    assert cells.df == 12 - np.linalg.matrix_rank(both) == 4

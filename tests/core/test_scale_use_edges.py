"""Use of the scale where little can be told, and each formula of it against algebra of another kind."""
import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from labkit.core import levels as lv
from labkit.core import scale_use as su

NOISE = lv.Noise(tester=1.0, score=0.8, stays=0.4)


def cells_of(table, again=()):
    """Cells of an array (pours, testers), NaN where nothing was scored; `again`: (pour, tester, score) more."""
    pour, tester = np.nonzero(~np.isnan(table))
    more = np.array(list(again)).reshape(-1, 3)
    return lv.cells_of(np.r_[pour, more[:, 0].astype(int)], np.r_[tester, more[:, 1].astype(int)],
                       np.r_[table[pour, tester], more[:, 2]])


def panel(seed, pours=6, testers=4, gaps=()):
    rng = np.random.default_rng(seed)
    table = 5 + rng.normal(0, 1.5, (pours, 1)) + rng.normal(0, 1, testers) + rng.normal(0, 0.8, (pours, testers))
    for place in gaps:
        table[place] = np.nan
    return table


@pytest.mark.parametrize("scatter", [0.1, 1.0, 4.0])
def test_the_spread_of_pours_is_the_prior_times_the_density_of_the_contrasts(scatter):
    """Over 2,000 points of the lognormal prior, with the density of the differences to the first mean by scipy."""
    rng = np.random.default_rng(2)
    root = rng.normal(size=(4, 4))
    covariance, means = 0.1 * root @ root.T + 0.05 * np.eye(4), 5 + scatter * rng.normal(size=4)
    found = su.spread_of_pours(lv.Adjusted(means=means, covariance=covariance, levels=None, level_covariance=None), stated=1.5)
    logs, less = np.log(1.5) + np.linspace(-5, 5, 2000), np.column_stack([-np.ones(3), np.eye(3)])
    weight = [norm.pdf(log, np.log(1.5), su.WIDE) * multivariate_normal.pdf(
        less @ means, cov=less @ (np.exp(2 * log) * np.eye(4) + covariance) @ less.T) for log in logs]
    assert found == pytest.approx(np.exp(np.average(logs, weights=weight)), rel=2e-3)


@pytest.mark.parametrize("tester", range(4))
def test_a_slope_is_the_regression_on_what_the_others_lead_one_to_expect(tester):
    """E(x | means) and var(x | means) in the form of precisions, x ~ N(m, spread^2), with gaps and scores given again."""
    table = panel(1, gaps=[(0, 1), (3, 2), (5, 3), (4, 3)])
    cells, spread = cells_of(table, [(1, 0, 4.0), (1, 0, 5.5), (2, 0, 6.0), (2, 1, 3.0)]), 1.3
    others, kept = su.without(cells, testers=[tester])
    adjusted = lv.adjusted_means(others, NOISE)
    common = np.flatnonzero(cells.count[kept, tester] > 0)
    precision = np.linalg.inv(adjusted.covariance[np.ix_(common, common)])
    left = np.linalg.inv(precision + np.eye(len(common)) / spread**2)
    weights = precision - precision @ left @ precision
    means = adjusted.means[common]
    middle = weights.sum(axis=0) @ means / weights.sum()
    x = middle + left @ precision @ (means - middle)
    x, own, n = x - x.mean(), cells.mean[kept[common], tester], cells.count[kept[common], tester]
    raw = x @ own / (x @ x)
    error = 0.64 * np.mean(0.4 + 0.6 / n) + np.mean(np.diag(left))
    raw_se = np.sqrt(error / (x @ x))
    share = su.USE**2 / (su.USE**2 + raw_se**2)
    assert su.slope_of(cells, NOISE, tester, spread=spread) == pytest.approx(
        (raw, raw_se, 1 + share * (raw - 1), np.sqrt(share) * raw_se, np.corrcoef(means, own)[0, 1]), rel=1e-9)


@pytest.mark.parametrize("raw, se", [(-1.2, 0.3), (0.1, 0.9), (2.0, 0.01)])
def test_odds_of_a_reversed_tester_are_those_of_two_normals(raw, se):
    spread = np.hypot(su.USE, se)
    assert su.reversal_odds(raw, se) == pytest.approx(norm.logpdf(raw, -1, spread) - norm.logpdf(raw, 1, spread))


def test_of_two_testers_who_are_opposed_neither_slope_runs_away():
    """Against a mean slope of next to nothing they would be 10 and more."""
    x = np.array([-2.0, -1.0, 0.0, 0.5, 2.5, -1.5, 1.5, 0.2])
    found = su.scale_use(cells_of(np.column_stack([5 + x, 5 - x])), lv.Noise(tester=1.0, score=0.1, stays=0.5), spread=1.5)
    assert np.abs(found.slope).max() < 2.5 and np.isnan(found.alone).all()


def test_slopes_alone_of_a_complete_table_leave_what_other_components_hold():
    """v: the squares beyond the first principal component over (P-2)(T-1), what a product of rows and columns leaves."""
    table = panel(3, pours=9, testers=5)
    centred = table - table.mean(axis=0)
    v = su._factor(table, np.ones(table.shape), table.mean(axis=1), 1.5)[2]
    assert v == pytest.approx(np.sum(np.linalg.svd(centred)[1][1:] ** 2) / (7 * 4), rel=1e-3)


def test_who_scored_two_pours_moves_no_other_slope():
    table = panel(4, pours=8, testers=5)
    table[2:, 4] = np.nan
    table[:2, 4] = 0.0, 10.0
    with_two, without = (su.slopes_alone(cells_of(part), NOISE, spread=1.5) for part in (table, table[:, :4]))
    np.testing.assert_allclose(with_two[:, :4], without, atol=2e-4)


def test_slopes_alone_that_cannot_be_told():
    """One score, also where all is exact; two pours that are nearly alike; no degree of freedom left."""
    x = np.array([-2.0, -1.0, 0.5, 2.5, 1.5, -1.2])
    table = np.column_stack([5 + 0.8 * x, 5 + x, 5 + 1.2 * x, np.full(6, np.nan)])
    table[2, 3] = 6.0
    alone, se = su.slopes_alone(cells_of(table), lv.Noise(tester=1.0, score=0.01, stays=0.5), spread=1.5)
    assert alone[:3] == pytest.approx([0.8, 1.0, 1.2], rel=1e-4) and np.isnan([alone[3], se[3]]).all()
    near = panel(5, pours=8, testers=5)
    one, two = np.argsort(near[:, :4].mean(axis=1))[3:5]
    near[[k for k in range(8) if k not in (one, two)], 4] = np.nan
    assert np.isnan(su.slopes_alone(cells_of(near), NOISE, spread=1.5)[0][4])
    apart = np.full((5, 2), np.nan)
    apart[:3, 0], apart[2:, 1] = [2, 4, 7], [6, 3, 8]
    assert np.isnan(su.slopes_alone(cells_of(apart), NOISE, spread=1.5)).all()


def test_pours_that_the_others_find_alike_tell_no_slope():
    """.1, .2 and .7 throughout: what rounding leaves of their means is no order of the pours."""
    table = np.column_stack([np.full(6, 0.1), np.full(6, 0.2), np.full(6, 0.7), [1.0, 3, 2, 5, 4, 6]])
    raw, raw_se, slope, slope_se, _ = su.slope_of(cells_of(table), NOISE, 3, spread=1.5)
    assert np.isnan([raw, raw_se]).all() and (slope, slope_se) == (1.0, su.USE)


@pytest.mark.parametrize("given", [5.0, 3.3, 0.7, 0.0])
def test_one_score_for_all_is_like_nobody_elses(given):
    """The mean of six times 3.3 is not 3.3 in binary; a correlation with what is left of that is none."""
    table = panel(6)
    table[:, 2] = given
    assert np.isnan(su.slope_of(cells_of(table), NOISE, 2, spread=1.5)[4])


def test_slopes_alone_are_right_on_average_for_who_scored_what_few_others_did():
    """All use the scale alike. Six testers score eight pours, two others two of these and eight that nobody else scores: of
    those x_p is hardly known, which must not be taken for a small slope. Within four standard errors of 150 panels (.03)."""
    rng, found = np.random.default_rng(1), []
    pour, tester = np.array([*((p, t) for t in range(6) for p in range(8)),
                             *((p, t) for t in (6, 7) for p in range(6, 16))]).T
    for _ in range(150):
        y = rng.normal(5, 1.5, 16)[pour] + rng.normal(0, 0.5, 8)[tester] + rng.normal(0, 0.8, len(pour))
        cells = lv.cells_of(pour, tester, y)
        found.append(su.slopes_alone(cells, lv.Noise(tester=0.5, score=0.8, stays=0.5), spread=1.5)[0])
    np.testing.assert_allclose(np.nanmean(found, axis=0), 1.0, atol=0.12)


@pytest.mark.parametrize("testers", [2, 5])
def test_a_slope_and_its_error_are_told_against_the_mean_of_all_testers(testers):
    """b against the rest is T b / (b + T - 1) against the mean of all T, and its standard error goes with it."""
    cells, spread = cells_of(panel(4, testers=testers)), 1.3
    noise = NOISE
    for _ in range(2):
        slope, se = np.array([su.slope_of(cells, noise, t, spread=spread)[2:4] for t in range(testers)]).T
        noise = lv.Noise(tester=1.0, stays=0.4, score=su._without_slopes(cells, noise, slope))
    found, whole = su.scale_use(cells, NOISE, spread=spread), testers / (slope + testers - 1)
    assert found.slope == pytest.approx(slope * whole) and found.slope_se == pytest.approx(se * whole)

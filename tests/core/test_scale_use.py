"""Use of the scale and surprises: identities, dense algebra, and simulated panels."""
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm
from scipy.stats import t as student

from labkit.core import levels as lv
from labkit.core import scale_use as su

STATED = {"tester": 1.0, "score": 0.8}


def panel(seed, pours=8, testers=8, spread=1.5, slope_sd=0.25, noise=0.8, slopes=None, share=1.0, exact=False):
    """Cells, the true slopes over their mean; `exact`: the pours as drawn have just this spread."""
    rng = np.random.default_rng(seed)
    mean, lean = rng.normal(0, spread, pours), rng.normal(0, 1, testers)
    mean = spread * mean / mean.std(ddof=1) if exact else mean
    slopes = rng.normal(1, slope_sd, testers) if slopes is None else np.asarray(slopes, dtype=float)
    kept = rng.random((pours, testers)) < share
    kept[np.arange(pours), rng.integers(testers, size=pours)] = True
    kept[rng.integers(pours, size=testers), np.arange(testers)] = True
    pour, tester = np.nonzero(kept)
    score = 5 + slopes[tester] * mean[pour] + lean[tester] + rng.normal(0, noise, len(pour))
    return lv.cells_of(pour, tester, score), slopes / slopes.mean()


def appraised(cells):
    noise = lv.noise_with_prior(cells, **STATED)
    spread = su.spread_of_pours(lv.adjusted_means(cells, noise), stated=1.5)
    return noise, su.scale_use(cells, noise, spread=spread)


@pytest.mark.parametrize("shape", [{}, {"pours": 4, "testers": 6}, {"share": 0.7}, {"spread": 1.0, "pours": 12}],
                         ids=str)
def test_slopes_are_not_biased_by_noisy_means(shape):
    """100 panels: mean error under .05; plain regression on the others' means is too small, most where they are noisy."""
    ours, plain = [], []
    for seed in range(100):
        cells, slopes = panel(seed, **shape)
        ours.extend(appraised(cells)[1].slope - slopes)
        if cells.count.all():
            for tester in range(len(slopes)):
                rest = np.delete(cells.mean, tester, axis=1).mean(axis=1)
                plain.append(np.polyfit(rest, cells.mean[:, tester], 1)[0] - slopes[tester])
    assert abs(np.mean(ours)) < 0.05
    assert not plain or np.mean(plain) < np.mean(ours) - 0.015


def test_slopes_of_given_testers_come_out_in_order_and_near():
    """Testers of use .5, 1 and 1.5 over 100 panels of 12 pours: shrunken, so less apart, by what they must."""
    slopes = [0.5, 0.5, 1.0, 1.0, 1.0, 1.0, 1.5, 1.5]
    found = np.mean([appraised(panel(seed, pours=12, slopes=slopes)[0])[1].slope for seed in range(100)], axis=0)
    assert found[:2] == pytest.approx(0.5, abs=0.15)
    assert found[2:6] == pytest.approx(1.0, abs=0.05)
    assert found[6:] == pytest.approx(1.5, abs=0.15)


EACH = np.array([0.5, 0.75, 1.0, 1.25, 1.5, 1.0, 1.0, 1.0])


@pytest.mark.parametrize("pours", [8, 12])
@pytest.mark.parametrize("share", [1.0, 0.75])
def test_slopes_alone_are_right_whatever_the_slope(pours, share):
    """400 panels of 8 testers, their slopes as in EACH: mean error under .05 for each, scatter as large as the standard
    errors. The shrunken slopes of .5 and 1.5 are off by more, in the first 50 panels."""
    alone, se, shrunken = [], [], []
    for seed in range(400):
        cells, _ = panel(seed, pours=pours, share=share, slopes=EACH, exact=True)
        noise = lv.noise_with_prior(cells, **STATED)
        spread = su.spread_of_pours(lv.adjusted_means(cells, noise), stated=1.5)
        for found, new in zip((alone, se), su.slopes_alone(cells, noise, spread=spread)):
            found.append(new)
        if seed < 50:
            shrunken.append(su.scale_use(cells, noise, spread=spread).slope - EACH)
    error = np.array(alone) - EACH
    assert np.isnan(error).mean() < 0.01
    assert np.abs(np.nanmean(error, axis=0)).max() < 0.05
    assert np.nanstd(error / se, axis=0) == pytest.approx(1.0, abs=0.15)
    assert np.mean(shrunken, axis=0)[0] > 0.05 and np.mean(shrunken, axis=0)[4] < -0.05


def test_slopes_alone_of_a_complete_table_are_the_first_principal_component():
    cells, _ = panel(3, pours=10, slopes=EACH)
    _, found = appraised(cells)
    first = np.linalg.svd(cells.mean - cells.mean.mean(axis=0))[2][0]
    assert found.alone == pytest.approx(first / first.mean(), abs=1e-4)


def test_slopes_alone_know_no_unit():
    cells, _ = panel(4, share=0.75)
    one, ten = (su.slopes_alone(replace(cells, mean=k * cells.mean), lv.Noise(tester=k, score=0.8 * k, stays=0.5),
                                spread=1.5 * k) for k in (1.0, 10.0))
    assert ten == pytest.approx(one, rel=1e-9)


def test_slopes_alone_cannot_be_told_without_a_common_order():
    x = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    odd = np.array([1.0, -1.0, 0.0, -1.0, 1.0])
    scores = np.c_[x + odd, -x - odd, x - odd, odd - x]
    cells = lv.cells_of(np.repeat(np.arange(5), 4), np.tile(np.arange(4), 5), scores.ravel())
    assert np.isnan(su.slopes_alone(cells, lv.Noise(tester=1.0, score=0.8, stays=0.5), spread=1.5)).all()


def test_noiseless_panel_returns_its_slopes():
    cells, slopes = panel(1, testers=3, noise=1e-9, slopes=[0.5, 1.0, 1.5])
    noise = lv.Noise(tester=1.0, score=1e-6, stays=0.5)
    found = su.scale_use(cells, noise, spread=1.5)
    others = np.array([1.25, 1.0, 0.75])                       # mean slope of the other two
    raw = [su.slope_of(cells, noise, tester, spread=1.5)[0] for tester in range(3)]
    assert raw == pytest.approx(np.array([0.5, 1.0, 1.5]) / others, rel=1e-6)
    assert found.alone == pytest.approx(slopes, rel=1e-6)
    assert found.alike == pytest.approx(1.0)


def rescaled(cells, by):
    """The same scores in another unit of measurement."""
    return replace(cells, mean=by * cells.mean, squares=by**2 * cells.squares)


@pytest.mark.parametrize("by", [1e-8, 1e-3, 1e6])
@pytest.mark.parametrize("noise", [0.8, 1e-9])
def test_the_unit_of_the_scale_changes_no_slope(by, noise):
    """A scale from 0 to 0.0000001 is a scale."""
    cells, _ = panel(3, share=0.8, noise=noise)
    found = []
    for unit in (1.0, by):
        score = lv.Noise(tester=unit, score=max(noise, 1e-6) * unit, stays=0.5)
        found.append(su.scale_use(rescaled(cells, unit), score, spread=1.5 * unit))
    for name in ("alone", "alone_se", "slope", "slope_se", "alike"):
        assert getattr(found[0], name) == pytest.approx(getattr(found[1], name), rel=1e-6, abs=1e-9, nan_ok=True)
    assert np.isfinite(found[0].alone).all()


@pytest.mark.parametrize("shape", [{"pours": 12, "testers": 3, "noise": 1.2, "spread": 1.0}, {"pours": 20, "testers": 2}],
                         ids=str)
def test_the_standard_error_of_a_slope_counts_what_the_others_leave_unknown(shape):
    """400 panels of the same use: misses are as large as their standard errors, of which the noise of the tester's own
    scores is but a part when there are few others."""
    away = []
    for seed in range(400):
        cells, _ = panel(seed, slopes=np.ones(shape["testers"]), **shape)
        noise, spread = lv.Noise(tester=1.0, score=shape.get("noise", 0.8), stays=0.5), shape.get("spread", 1.5)
        raw, se, slope, slope_se, _ = su.slope_of(cells, noise, 0, spread=spread)
        away.append((raw - 1) / se)
        assert slope_se == pytest.approx((se**-2 + 0.4**-2) ** -0.5)
        assert slope - 1 == pytest.approx((raw - 1) * (slope_se / se) ** 2)
    assert np.mean(away) == pytest.approx(0, abs=0.15) and np.std(away) == pytest.approx(1, abs=0.08)


@pytest.mark.parametrize("slopes", [[1, 1, -0.8, -0.8], [1, 0.9, -0.6, -0.7], [1, -0.9]])
@pytest.mark.parametrize("noise", [0.1, 0.4])
def test_testers_without_a_common_order_have_no_mean_slope_to_be_compared_with(slopes, noise):
    """Slopes over a mean of next to nothing would be 5 to 20; with a mean over .3 of their root mean square they are told."""
    known = lv.Noise(tester=1.0, score=noise, stays=0.5)
    cells, _ = panel(5, pours=12, testers=len(slopes), slopes=slopes, noise=noise)
    assert np.isnan(su.slopes_alone(cells, known, spread=1.5)).all()
    cells, true = panel(5, pours=12, testers=4, slopes=[1, 1, 0.9, -1], noise=0.1)
    alone, _ = su.slopes_alone(cells, replace(known, score=0.1), spread=1.5)
    assert alone == pytest.approx(true, rel=0.15)


def test_noise_about_the_testers_own_lines():
    """Complete, levels taken off: what slopes explain is mean (b_t - 1)^2 times the variance of the pours' means. No more
    than three quarters of the variance goes, so that what slopes explain by chance does not make scores exact."""
    cells, slopes = panel(6, testers=5, noise=1e-9, slopes=[0.6, 0.8, 1.0, 1.2, 1.4])
    explained = np.mean((slopes - 1) ** 2) * np.var(cells.mean.mean(axis=1))
    for score, left in ((1.5, np.sqrt(2.25 - explained)), (1.05 * np.sqrt(explained), 0.525 * np.sqrt(explained))):
        found = su._without_slopes(cells, lv.Noise(tester=1.0, score=score, stays=0.5), slopes)
        assert found == pytest.approx(left, rel=1e-6)


def test_one_score_tells_nothing_of_use():
    pour, tester = np.array([0, 1, 2, 0, 1, 2, 1]), np.array([0, 0, 0, 1, 1, 1, 2])
    cells = lv.cells_of(pour, tester, np.array([2.0, 5, 8, 3, 5, 9, 4]))
    _, found = appraised(cells)
    assert np.isnan(found.alone[2]) and np.isnan(found.alike[2])
    assert found.slope[2] == 1.0
    assert su.reversal_odds(np.nan, np.nan) == 0


def test_one_tester_has_nobody_to_be_compared_with():
    cells = lv.cells_of(np.arange(4), np.zeros(4, int), np.array([1.0, 3.0, 5.0, 7.0]))
    noise = lv.noise_with_prior(cells, **STATED)
    found = su.scale_use(cells, noise, spread=1.5)
    assert np.isnan(found.alone[0]) and found.slope[0] == 1.0
    assert np.isnan(su.surprises(cells, noise, stated=0.8)).all()


def test_spread_of_pours_is_learnt():
    found = [su.spread_of_pours(lv.adjusted_means(panel(seed, pours=12)[0], lv.Noise(tester=1, score=0.8, stays=0.5)),
                                stated=1.5) for seed in range(60)]
    assert np.exp(np.mean(np.log(found))) == pytest.approx(1.5, rel=0.08)


@pytest.mark.parametrize("seed,share,repeats", [(4, 0.8, 0), (5, 1.0, 0), (6, 0.6, 0), (7, 0.8, 4)])
def test_surprise_is_the_score_predicted_from_all_others(seed, share, repeats):
    """Dense: leave one cell out, predict it by the best linear unbiased predictor, with the noise of a score from the
    least squares fit of the others."""
    cells, _ = panel(seed, pours=5, testers=4, share=share)
    pour, tester = np.nonzero(cells.count)
    again = np.arange(repeats)
    cells = lv.cells_of(np.r_[pour, pour[again]], np.r_[tester, tester[again]],
                        np.r_[cells.mean[pour, tester], cells.mean[pour, tester][again] + 0.5])
    noise = lv.Noise(tester=1.0, score=0.8, stays=0.4)
    expected, away = su.surprises(cells, noise, stated=0.7, worth=2.0)
    y, own = cells.mean[pour, tester], 0.4 + 0.6 / cells.count[pour, tester]
    pours = np.eye(len(cells.count))[pour]
    whole = np.diag(own) + (tester[:, None] == tester) / 0.64
    for i, (p, t) in enumerate(zip(pour, tester)):
        rest = np.arange(len(y)) != i
        if p not in pour[rest]:
            assert np.isnan(away[p, t])
            continue
        inverse, cross = np.linalg.inv(whole[np.ix_(rest, rest)]), whole[i, rest]
        design = pours[rest][:, np.unique(pour[rest])]
        information = np.linalg.inv(design.T @ inverse @ design)
        mean = information @ design.T @ inverse @ y[rest]
        new = pours[i, np.unique(pour[rest])] - cross @ inverse @ design
        predicted = new @ mean + cross @ inverse @ y[rest]
        variance = whole[i, i] - cross @ inverse @ cross + new @ information @ new
        both = np.c_[pours, np.eye(4)[tester]][rest] / np.sqrt(own[rest])[:, None]
        scaled = y[rest] / np.sqrt(own[rest])
        left = scaled - both @ np.linalg.lstsq(both, scaled, rcond=None)[0]
        df = rest.sum() - np.linalg.matrix_rank(both) + repeats + 2.0
        squares = left @ left + cells.within / 0.6 + 2.0 * 0.49
        far = (y[i] - predicted) / np.sqrt(variance * squares / df)
        assert expected[p, t] == pytest.approx(predicted, abs=1e-9)
        assert away[p, t] == pytest.approx(-norm.ppf(student.sf(far, df)), abs=1e-6)


def test_surprises_of_clean_panels_are_standard_normal():
    """1,500 clean panels of 8 by 8: each cell is beyond +-2.576 in one of a hundred, and some cell beyond the limit that
    shares 5 % among 64 in one of twenty (.051 of 4,000)."""
    rng, largest, beyond = np.random.default_rng(11), [], []
    for _ in range(1500):
        y = rng.normal(0, 1.5, (8, 1)) + rng.normal(0, 1, 8) + rng.normal(0, 0.8, (8, 8))
        cells = lv.Cells(mean=y, count=np.ones((8, 8)), squares=np.zeros((8, 8)))
        away = np.abs(su.surprises(cells, lv.Noise(tester=1.0, score=0.8, stays=0.5), stated=0.8, worth=0.0)[1])
        largest.append(away.max())
        beyond.append(np.mean(away > norm.isf(0.005)))
    assert np.mean(beyond) == pytest.approx(0.01, abs=0.001)
    assert np.mean(np.array(largest) > norm.isf(0.05 / 128)) == pytest.approx(0.05, abs=0.012)


def test_chance_of_constant_is_that_of_a_simulation():
    """Scores rounded to 1, three pours with means 4.8, 5.0, 5.3, noise .8: how often all three are the same."""
    rng = np.random.default_rng(1)
    means = np.array([4.8, 5.0, 5.3])
    lean = rng.uniform(-0.5, 0.5, 200_000)                     # wherever the tester's level lies on the grid of steps
    drawn = np.round(means + lean[:, None] + 0.8 * rng.normal(size=(200_000, 3)))
    share = np.mean(np.ptp(drawn, axis=1) == 0)
    cells = lv.cells_of(np.tile(np.arange(3), 2), np.repeat([0, 1], 3), np.r_[means, means])
    noise = lv.Noise(tester=1, score=np.sqrt(0.64 + 1 / 12), stays=0.5)
    found = su.chance_of_constant(cells, noise, 0, means=means, step=1.0)
    assert found == pytest.approx(share, abs=0.02)


@pytest.mark.parametrize("noise, step", [(0.7, 0.5), (1.3, 1.0)])
def test_chance_of_constant_is_the_integral_over_the_level(noise, step):
    """step^(n-1) times the integral of the n normal densities about the means, wherever the tester's level lies."""
    means = np.array([4.1, 5.0, 5.6, 4.4])
    cells = lv.cells_of(np.tile(np.arange(4), 2), np.repeat([0, 1], 4), np.r_[means, means])
    found = su.chance_of_constant(cells, lv.Noise(tester=1, score=noise, stays=0.5), 0, means=means, step=step)
    expected = step**3 * quad(lambda level: np.prod(norm.pdf(level, means, noise)), -5, 15, epsabs=1e-12)[0]
    assert found == pytest.approx(expected, rel=1e-6)


def test_who_is_left_out_takes_own_repeats_along():
    """As if they had never scored: nothing of the scatter of their repeats stays with the others."""
    rng = np.random.default_rng(5)
    pour, tester = np.r_[np.repeat(np.arange(6), 4), np.tile(np.arange(6), 2), 0], np.r_[np.tile(np.arange(4), 6), [3] * 12, 1]
    score = rng.normal(5, 1, len(pour)) + 3 * (tester == 3) * rng.normal(size=len(pour))
    cells, kept = lv.cells_of(pour, tester, score), tester != 3
    rest, alone = su.without(cells, testers=[3])[0], lv.cells_of(pour[kept], tester[kept], score[kept])
    assert alone.df_within == rest.df_within == 1 and cells.df_within == 13
    assert rest.within == pytest.approx(alone.within) and rest.df == alone.df
    assert lv.noise_with_prior(rest, **STATED) == lv.noise_with_prior(alone, **STATED)

"""Use of the scale and surprises: identities, dense algebra, and simulated panels."""
import numpy as np
import pytest
from scipy.stats import norm
from scipy.stats import t as student

from labkit.core import levels as lv
from labkit.core import scale_use as su

STATED = {"tester": 1.0, "score": 0.8}


def panel(seed, pours=8, testers=8, spread=1.5, slope_sd=0.25, noise=0.8, slopes=None, share=1.0):
    """Cells, the true slopes over their mean."""
    rng = np.random.default_rng(seed)
    mean, lean = rng.normal(0, spread, pours), rng.normal(0, 1, testers)
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


def test_noiseless_panel_returns_its_slopes():
    cells, slopes = panel(1, testers=3, noise=1e-9, slopes=[0.5, 1.0, 1.5])
    noise = lv.Noise(tester=1.0, score=1e-6, stays=0.5)
    found = su.scale_use(cells, noise, spread=1.5)
    others = np.array([1.25, 1.0, 0.75])                       # mean slope of the other two
    assert found.raw == pytest.approx(np.array([0.5, 1.0, 1.5]) / others, rel=1e-6)
    assert found.alike == pytest.approx(1.0)


def test_one_score_tells_nothing_of_use():
    pour, tester = np.array([0, 1, 2, 0, 1, 2, 1]), np.array([0, 0, 0, 1, 1, 1, 2])
    cells = lv.cells_of(pour, tester, np.array([2.0, 5, 8, 3, 5, 9, 4]))
    _, found = appraised(cells)
    assert np.isnan(found.raw[2]) and np.isnan(found.alike[2])
    assert found.slope[2] == 1.0
    assert su.reversal_odds(found.raw[2], found.raw_se[2]) == 0


def test_one_tester_has_nobody_to_be_compared_with():
    cells = lv.cells_of(np.arange(4), np.zeros(4, int), np.array([1.0, 3.0, 5.0, 7.0]))
    noise = lv.noise_with_prior(cells, **STATED)
    found = su.scale_use(cells, noise, spread=1.5)
    assert np.isnan(found.raw[0]) and found.slope[0] == 1.0
    assert np.isnan(su.surprises(cells, noise, df=3)).all()


def test_spread_of_pours_is_learnt():
    found = [su.spread_of_pours(lv.adjusted_means(panel(seed, pours=12)[0], lv.Noise(tester=1, score=0.8, stays=0.5)),
                                stated=1.5) for seed in range(60)]
    assert np.exp(np.mean(np.log(found))) == pytest.approx(1.5, rel=0.08)


def test_surprise_is_the_score_predicted_from_all_others():
    """Dense: leave one cell out, predict it by the best linear unbiased predictor at the same noise."""
    cells, _ = panel(4, pours=5, testers=4, share=0.8)
    noise = lv.Noise(tester=1.0, score=0.8, stays=0.5)
    expected, away = su.surprises(cells, noise, df=1e9)
    pour, tester = np.nonzero(cells.count)
    for p, t in zip(pour, tester):
        rest = ~((pour == p) & (tester == t))
        if p not in pour[rest]:
            assert np.isnan(away[p, t])
            continue
        x = np.eye(len(cells.count))[pour]
        whole = 0.64 * np.eye(len(pour)) + 1.0 * (tester[:, None] == tester)
        inverse = np.linalg.inv(whole[np.ix_(rest, rest)])
        cross, used = whole[~rest][:, rest] @ inverse, np.unique(pour[rest])
        design = x[rest][:, used]
        information = design.T @ inverse @ design
        mean = np.linalg.solve(information, design.T @ inverse @ cells.mean[pour, tester][rest])
        new = x[~rest][:, used] - cross @ design
        predicted = x[~rest][:, used] @ mean + cross @ (cells.mean[pour, tester][rest] - design @ mean)
        variance = whole[~rest][:, ~rest] - cross @ whole[rest][:, ~rest] + new @ np.linalg.inv(information) @ new.T
        assert expected[p, t] == pytest.approx(predicted[0], abs=1e-9)
        assert away[p, t] == pytest.approx((cells.mean[p, t] - predicted[0]) / np.sqrt(variance[0, 0]), abs=1e-6)


def test_normal_score_of_a_t():
    assert su._normal_score(np.array([2.0]), 11.0)[0] == pytest.approx(
        norm.isf(student.sf(2.0 * np.sqrt(10 / 7), 10)), abs=1e-9)


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

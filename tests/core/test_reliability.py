"""The icc of tables with gaps: against the classical one where both exist, and simulated panels."""
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import null_space

from labkit.core import levels as lv
from labkit.core import reliability as rl
from labkit.core.agreement import intraclass_correlations

STATED = {"tester": 1.0, "score": 0.8}


def cells_and_noise(table, repeats=1):
    pour, tester = np.nonzero(~np.isnan(table))
    pour, tester = np.tile(pour, repeats), np.tile(tester, repeats)
    cells = lv.cells_of(pour, tester, table[pour, tester])
    return cells, lv.noise_with_prior(cells, **STATED)


def table(seed, pours=8, testers=8, share=0.0):
    rng = np.random.default_rng(seed)
    values = 5 + rng.normal(0, 1.5, (pours, 1)) + rng.normal(0, 1, testers) + rng.normal(0, 0.8, (pours, testers))
    values[rng.random(values.shape) < share] = np.nan
    return values


@given(st.integers(0, 10_000), st.floats(0.1, 4), st.floats(0.1, 2), st.floats(0.2, 2), st.integers(1, 2))
def test_likelihood_is_the_dense_one_but_for_a_constant(seed, pours_sd, tester_sd, score_sd, repeats):
    cells, _ = cells_and_noise(table(seed, 5, 4, share=0.2), repeats)
    cells = replace(cells, squares=3.0 * (repeats - 1) * (cells.count > 0) / (cells.count > 0).sum())    # repeats that differ
    pour, tester = np.nonzero(cells.count)
    stays = 0.4 if repeats > 1 else 0.5
    weight = cells.count[pour, tester] / (cells.count[pour, tester] * stays + 1 - stays)
    mean = cells.mean[pour, tester]

    def dense(p, t, s):
        whole = np.diag(s**2 / weight) + p**2 * (pour[:, None] == pour) + t**2 * (tester[:, None] == tester)
        inverse, one = np.linalg.inv(whole), np.ones(len(mean))
        left = mean - one @ inverse @ mean / (one @ inverse @ one)
        within = cells.df_within * np.log(s**2) + cells.within / ((1 - stays) * s**2)
        return -0.5 * (np.linalg.slogdet(whole)[1] + np.log(one @ inverse @ one) + left @ inverse @ left + within)

    def ours(p, t, s):
        return rl._log_likelihood(cells, stays, (p / s) ** 2, np.log([t]), np.log([s]))[0]

    found = ours(pours_sd, tester_sd, score_sd) - ours(1.0, 1.0, 1.0)
    assert found == pytest.approx(dense(pours_sd, tester_sd, score_sd) - dense(1.0, 1.0, 1.0), abs=1e-6)


def test_comes_near_icc_2_1_on_complete_tables_and_holds_with_gaps():
    """60 panels of 8 by 8; true icc 2.25 / (2.25 + 1 + .64) = .578; a fifth of the scores missing in the second."""
    gaps, held = [], []
    for seed in range(60):
        values = table(seed)
        full = rl.icc_with_gaps(*cells_and_noise(values), pour=1.5, **STATED)[0]
        gaps.append(full - intraclass_correlations(values)["ICC(2,1)"].estimate)
        _, low, high = rl.icc_with_gaps(*cells_and_noise(table(seed, share=0.2)), pour=1.5, **STATED)
        held.append(low < 2.25 / 3.89 < high)
    assert abs(np.mean(gaps)) < 0.02 and np.std(gaps) < 0.06
    assert 0.85 <= np.mean(held) <= 0.98


def test_repeats_do_not_count_as_other_testers():
    values = table(3)
    once = rl.icc_with_gaps(*cells_and_noise(values), pour=1.5, **STATED)
    twice = rl.icc_with_gaps(*cells_and_noise(values, repeats=2), pour=1.5, **STATED)
    assert twice[0] == pytest.approx(once[0], abs=0.05)


@pytest.mark.parametrize("seed", [1, 4])
def test_the_icc_is_that_of_the_stated_priors_times_the_likelihood(seed):
    """Brute force: 60,000 draws of the three standard deviations from their lognormal priors, each weighed by the density
    of the contrasts of nine scores of a table with gaps; a quantile of so many is off by .01 at most."""
    stated = {"pour": 2.5, "tester": 0.6, "score": 1.1}
    values = table(seed, 4, 3)
    values[0, 1] = values[2, 0] = values[3, 2] = np.nan
    pour, tester = np.nonzero(~np.isnan(values))
    cells = lv.cells_of(pour, tester, values[pour, tester])
    found = rl.icc_with_gaps(cells, lv.noise_with_prior(cells, tester=0.6, score=1.1), **stated, level=0.8)
    rng = np.random.default_rng(3)
    p, t, s = (stated[name] * np.exp(wide * rng.standard_normal(60_000))
               for name, wide in (("pour", rl.WIDE), ("tester", rl.SPREAD), ("score", rl.SPREAD)))
    parts = np.array([pour[:, None] == pour, tester[:, None] == tester, np.eye(9)], dtype=float)
    whole = np.tensordot(np.array([p, t, s]).T ** 2, parts, axes=1)
    contrasts = null_space(np.ones((1, 9)))
    spread, left = contrasts.T @ whole @ contrasts, contrasts.T @ values[pour, tester]
    logs = -0.5 * (np.linalg.slogdet(spread)[1] + left @ np.linalg.solve(spread, left[:, None])[..., 0].T)
    weights, icc = np.exp(logs - logs.max()), p**2 / (p**2 + t**2 + s**2)
    order = np.argsort(icc)
    risen = np.cumsum(weights[order]) / weights.sum()
    assert found == pytest.approx(np.interp([0.5, 0.1, 0.9], risen, icc[order]), abs=0.012)

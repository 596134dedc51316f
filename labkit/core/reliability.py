"""How alike are two testers' scores when the table has gaps or repeats? Variance components, all random.

    y_ptr = m + x_p + a_t + g_pt + e_ptr,   x ~ N(0, v_P),   the others as in `levels`
    icc = v_P / (v_P + v_T + v)

the population value that ICC(2,1) of a complete table estimates (Shrout & Fleiss 1979, case 2). Its
posterior is summed over a grid in (log v_P/v, log sd of testers, log sd of a score): lognormal priors
times the restricted likelihood (Patterson & Thompson 1971; Gelman 2006, Bayesian Analysis 1:515-533, on
weak priors for few groups).
"""

import numpy as np

from labkit.core.importance import weighted_quantiles
from labkit.core.levels import SPREAD

WIDE = 1.0          # sd of the log of the stated spread between pours: nobody knows how far apart they are


def icc_with_gaps(cells, noise, *, pour, tester, score, level=0.9):
    """Posterior median of the icc and its central interval of `level`: (icc, low, high).

    cells, noise: from `levels` (noise places the grid); pour, tester, score: stated standard deviations.
    """
    reach = np.linspace(-4.0, 4.0, 21)
    logs_t = np.log(noise.tester) + reach * noise.unsure_tester
    logs_s = np.log(noise.score) + reach * noise.unsure_score
    logs_p = np.linspace(np.log(pour / score) - 5 * WIDE, np.log(pour / score) + 5 * WIDE, 41)
    ratio, sd_t, sd_s = np.meshgrid(logs_p, logs_t, logs_s, indexing="ij")
    weight = -0.5 * (((ratio + sd_s - np.log(pour)) / WIDE) ** 2
                     + ((sd_t - np.log(tester)) / SPREAD) ** 2 + ((sd_s - np.log(score)) / SPREAD) ** 2)
    for place, log_ratio in enumerate(logs_p):
        weight[place] += _log_likelihood(cells, noise.stays, np.exp(2 * log_ratio), sd_t[place], sd_s[place])
    icc = 1 / (1 + np.exp(-2 * ratio) * (1 + np.exp(2 * (sd_t - sd_s))))
    levels = (0.5, (1 - level) / 2, (1 + level) / 2)
    found = weighted_quantiles(icc.ravel(), np.exp(weight - weight.max()).ravel(), levels)
    return tuple(float(value) for value in found)


def _log_likelihood(cells, stays, pours, log_tester, log_score):
    """Restricted log likelihood for one v_P/v = `pours` and a grid of log sd (testers, scores)."""
    weights = cells.weights(stays)
    by_pour = weights.sum(axis=1)
    shrink = 1 / (by_pour + 1 / pours)
    centred = np.where(weights > 0, cells.mean - np.average(cells.mean, weights=weights), 0.0)
    sides = np.stack([weights, weights * centred])                       # of 1 and of y
    sums = sides.sum(axis=2)
    values, vectors = np.linalg.eigh(np.diag(weights.sum(axis=0)) - weights.T @ (shrink[:, None] * weights))
    right = (sides.sum(axis=1) - (shrink * sums) @ weights) @ vectors
    square = np.array([[by_pour.sum(), sums[1].sum()], [sums[1].sum(), np.sum(weights * centred**2)]])
    square = square - (shrink * sums) @ sums.T
    ratio, v = np.exp(2 * (log_tester - log_score))[..., None], np.exp(2 * log_score)
    grown = 1 + ratio * np.maximum(values, 0.0)
    ones, cross, total = (square[i, j] - np.sum(ratio / grown * right[i] * right[j], axis=-1)
                          for i, j in ((0, 0), (0, 1), (1, 1)))
    rest = np.maximum(total - cross**2 / ones, 0.0)
    df = int((cells.count > 0).sum()) - 1 + cells.df_within
    value = (df * np.log(v) + np.sum(np.log1p(pours * by_pour)) + np.log(grown).sum(axis=-1) + np.log(ones)
             + (rest + (cells.within / (1 - stays) if cells.repeated else 0.0)) / v)
    return -0.5 * value



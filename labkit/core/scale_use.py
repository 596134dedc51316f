"""How much of the scale each tester uses, and which scores are far off: regression on the other testers.

    y_pt = c_t + b_t x_p + e,     x_p ~ N(m, v_P),     b_t ~ N(1, USE^2)

The other testers' means of the pours are noisy, and a slope on noisy means is too small. So x_p is put at
its best prediction from the others, E[x | others], which leaves the slope unbiased (regression
calibration: Carroll, Ruppert, Stefanski & Crainiceanu 2006, Measurement Error in Nonlinear Models, chapter
4), and the slope is then shrunken towards 1 by its own uncertainty.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri, stdtr

from labkit.core.levels import adjusted_means

USE = 0.4           # sd of slopes among honest testers, stated: two in three between .6 and 1.4
WIDE = 1.0          # sd of the log of the stated spread between pours


@dataclass(frozen=True, kw_only=True, eq=False)
class ScaleUse:
    """By tester (T,): slope against the rest before shrinking (NaN: cannot be told) with se, shrunken slope
    relative to the panel's mean slope with se, and correlation with the rest."""

    raw: np.ndarray
    raw_se: np.ndarray
    slope: np.ndarray
    slope_se: np.ndarray
    alike: np.ndarray


def spread_of_pours(adjusted, *, stated, wide=WIDE):
    """Standard deviation between pours: lognormal prior times the restricted likelihood of the adjusted
    means.

    means ~ N(m 1, v_P I + C), C their covariance; the geometric posterior mean over a grid, `stated` with
    one pour.
    """
    means, covariance = adjusted.means, adjusted.covariance
    logs = np.log(stated) + wide * np.linspace(-4, 4, 81)
    if len(means) < 2:
        return float(stated)
    basis = np.linalg.svd(np.ones((1, len(means))))[2][1:]
    values, vectors = np.linalg.eigh(basis @ covariance @ basis.T)
    total = np.exp(2 * logs)[:, None] + np.maximum(values, 0.0)
    weight = -0.5 * ((logs - np.log(stated)) / wide) ** 2
    weight = weight - 0.5 * np.sum(np.log(total) + (vectors.T @ basis @ means) ** 2 / total, axis=1)
    weight = np.exp(weight - weight.max())
    return float(np.exp(logs @ weight / weight.sum()))


def scale_use(cells, noise, *, spread, use=USE):
    """Slopes of the testers, each against the adjusted means of all others; `spread` is the sd between pours.

    A slope b against the rest is T b / (b+T-1) against the mean slope of all T. What slopes explain was counted as
    noise of single scores at first: it is taken off, and the slopes are found once more.
    """
    for _ in range(2):
        slopes = [slope_of(cells, noise, tester, spread=spread, use=use) for tester in range(cells.count.shape[1])]
        raw, raw_se, slope, se, alike = np.array(slopes).T
        noise = replace(noise, score=_without_slopes(cells, noise, slope))
    testers = len(slope)
    panel = np.maximum((slope + testers - 1) / testers, 0.5)
    return ScaleUse(raw=raw, raw_se=raw_se, slope=slope / panel, slope_se=se / panel, alike=alike)


def _without_slopes(cells, noise, slope):
    """Standard deviation of a score about its tester's own line, at least half of that about the common one."""
    means = adjusted_means(cells, noise).means
    pour, tester = np.nonzero(cells.count)
    explained = np.mean(((slope[tester] - 1) * (means[pour] - means.mean())) ** 2)
    return float(np.sqrt(max(noise.score**2 - explained, noise.score**2 / 4)))


def reversal_odds(raw, raw_se, *, use=USE):
    """Log odds that a raw slope gives to a reversed tester, b ~ N(-1, use^2), against an honest one, N(1, use^2).

    log odds = -2 raw / (use^2 + se^2); 0 where a slope cannot be told.
    """
    return 0.0 if np.isnan(raw) else float(-2 * raw / (use**2 + raw_se**2))


def chance_of_constant(cells, noise, tester, *, means, step):
    """Chance that an honest tester gives all of the pours that were scored the same score, rounded to `step`.

    step^(n-1) times the integral of the product of n normal densities about the pours' `means`:
    n^-1/2 (step / (s sqrt(2 pi)))^(n-1) exp(-SS / (2 s^2)), at most 1, with SS the spread of the means and s the
    noise of a score as found on rounded scores.
    """
    used = cells.count[:, tester] > 0
    n, ss = int(used.sum()), float(np.sum((means[used] - means[used].mean()) ** 2))
    if n < 2 or noise.score <= 0:
        return 1.0
    log_chance = (n - 1) * np.log(step / (noise.score * np.sqrt(2 * np.pi))) - 0.5 * np.log(n)
    return float(np.exp(min(0.0, log_chance - ss / (2 * noise.score**2))))


def surprises(cells, noise, *, df):
    """What pour and tester lead one to expect of each cell, and how far off it is in standard deviations (P, T).

    With Q the residual maker of all cells under the model, the residual of a cell left out of the fit is
    (Qy)_i / Q_ii with variance 1 / Q_ii (Dubrule 1983, Math. Geology 15:687-699). The cell is left out of the
    noise too, t = z sqrt((df-1) / (df-z^2)), and t is given as the normal score of a t with df-1 degrees of
    freedom (Cook & Weisberg 1982, section 2.2). NaN where nothing was scored or no other score bears on it.
    """
    pour, tester = np.nonzero(cells.count)
    own = noise.score**2 * (noise.stays + (1 - noise.stays) / cells.count[pour, tester])
    precision = np.linalg.inv(noise.tester**2 * (tester[:, None] == tester) + np.diag(own))
    columns = np.eye(len(cells.count))[pour]
    load = precision @ columns
    maker = precision - load @ np.linalg.solve(columns.T @ load, load.T)
    told = np.diag(maker) > 1e-9 * np.diag(precision)
    at, diagonal = (pour[told], tester[told]), np.diag(maker)[told]
    expected, away = np.full(cells.count.shape, np.nan), np.full(cells.count.shape, np.nan)
    left = (maker @ cells.mean[pour, tester])[told]
    expected[at] = cells.mean[at] - left / diagonal
    away[at] = _normal_score(left / np.sqrt(diagonal), max(df, 2.0))
    return expected, away


def _normal_score(away, df):
    outside = away * np.sqrt((df - 1) / np.maximum(df - away**2, 1e-3))
    return np.sign(away) * -ndtri(np.maximum(stdtr(df - 1, -np.abs(outside)), 1e-300))


def without(cells, *, testers=(), pours=()):
    """Cells without some testers and pours, and the pours (codes) that still have a score."""
    count = cells.count.copy()
    count[:, list(testers)] = 0
    count[list(pours)] = 0
    kept, kept_testers = np.flatnonzero(count.sum(axis=1) > 0), np.flatnonzero(count.sum(axis=0) > 0)
    block = np.ix_(kept, kept_testers)
    return replace(cells, mean=cells.mean[block], count=count[block]), kept


def slope_of(cells, noise, tester, *, spread, use=USE):
    """One tester against the rest: raw slope, its se, the slope shrunken towards 1, its se, correlation.

    With x_p = E[x_p | the others' means] about its mean, raw = sum x y / sum x^2, with error variance
    v + var(x_p | others) a score; the prior of a slope is N(1, use^2).
    """
    nothing = np.nan, np.nan, 1.0, use, np.nan
    rest, kept = without(cells, testers=[tester])
    common = np.flatnonzero(cells.count[kept, tester] > 0)
    if len(common) < 2 or noise.score <= 0:
        return nothing
    others = adjusted_means(rest, noise)
    own = cells.mean[kept[common], tester]
    means, covariance = others.means[common], others.covariance[np.ix_(common, common)]
    predicted, unknown = _predicted(means, covariance, spread)
    base = np.sum(predicted**2)
    if base <= 1e-12 * max(1.0, np.sum(means**2)):
        return nothing
    raw = float(predicted @ own / base)
    count = cells.count[kept[common], tester]
    error = noise.score**2 * np.mean(noise.stays + (1 - noise.stays) / count) + unknown
    precision = base / error
    slope = (raw * precision + 1 / use**2) / (precision + 1 / use**2)
    slope_se = (precision + 1 / use**2) ** -0.5
    return raw, float(precision**-0.5), float(slope), float(slope_se), _correlation(means, own)


def _predicted(means, covariance, spread):
    """E[x_p - mean | others] for x ~ N(m, spread^2), and the mean of the variances that it leaves."""
    n = len(means)
    total = spread**2 * np.eye(n) + covariance
    weights = np.linalg.solve(total, np.ones(n))
    centred = means - weights @ means / weights.sum()
    predicted = spread**2 * np.linalg.solve(total, centred)
    left = spread**2 - spread**4 * np.diag(np.linalg.inv(total))
    return predicted - predicted.mean(), float(np.mean(left))


def _correlation(first, second):
    first, second = first - first.mean(), second - second.mean()
    size = np.sqrt(np.sum(first**2) * np.sum(second**2))
    return float(first @ second / size) if size > 0 else np.nan

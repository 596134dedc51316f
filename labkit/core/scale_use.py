"""How much of the scale each tester uses, and which scores are far off: regression on the other testers.

    y_pt = c_t + b_t x_p + e,     x_p ~ N(m, v_P),     b_t ~ N(1, USE^2)

The other testers' means of the pours are noisy, and a slope on noisy means is too small. So x_p is put at
its best prediction from the others, E[x | others], which leaves the slope unbiased (regression
calibration: Carroll, Ruppert, Stefanski & Crainiceanu 2006, Measurement Error in Nonlinear Models, chapter
4), and the slope is then shrunken towards 1 by its own uncertainty. That is the slope to expect of the next pours: off
by least on average, but at 8 pours and a true slope of .5 it says .63. The slope of the scores in hand, right on
average whatever it is, comes from all testers at once (slopes_alone); in small tables it scatters much more.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri, stdtr

from labkit.core.levels import adjusted_means

ROUNDS = 40         # of the closing search for the slopes alone
COMMON = 0.3        # least mean slope, a part of the root mean square, at which testers have an order in common
UNSURE = 1.0        # standard error from which a slope alone says nothing
USE = 0.4           # sd of slopes among honest testers, stated: two in three between .6 and 1.4
WIDE = 1.0          # sd of the log of the stated spread between pours
WORTH = 1.0         # degrees of freedom that the stated noise is worth: 1 / (2 SPREAD^2), about


@dataclass(frozen=True, kw_only=True, eq=False)
class ScaleUse:
    """By tester (T,), slopes relative to the panel's mean slope: as scored, before any shrinking (NaN: cannot be
    told), and shrunken, each with se; and the correlation with the rest."""

    alone: np.ndarray
    alone_se: np.ndarray
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
    alone, alone_se = slopes_alone(cells, noise, spread=spread)
    for _ in range(2):
        slopes = [slope_of(cells, noise, tester, spread=spread, use=use) for tester in range(cells.count.shape[1])]
        _, _, slope, se, alike = np.array(slopes).T
        noise = replace(noise, score=_without_slopes(cells, noise, slope))
    testers = len(slope)
    panel = np.maximum((slope + testers - 1) / testers, 0.5)
    return ScaleUse(alone=alone, alone_se=alone_se, slope=slope / panel, slope_se=se / panel, alike=alike)


def slopes_alone(cells, noise, *, spread):
    """Slopes by maximum likelihood, all testers at once, over their mean; standard errors at the x_p so found.

    c_t and b_t fixed, x_p ~ N(0, spread^2): E x_p and its variance given all scores, then c_t and b_t by regression on
    both, round after round (one factor by EM: Rubin & Thayer 1982, Psychometrika 47:69-76). In a complete table the
    slopes are the first principal component, which noise of equal size turns to no side: a slope is right on average
    whatever it is. Who scored fewer than three pours bears on no x_p. NaN where a slope cannot be told: fewer than two
    pours, no degree of freedom left, testers without a common order, or a standard error of UNSURE and more.
    """
    pours = (cells.count > 0).sum(axis=0)
    weight = cells.weights(noise.stays)
    bearing, nothing = np.flatnonzero(pours >= 3), np.full((2, len(pours)), np.nan)
    if noise.score <= 0 or len(bearing) < 2:
        return nothing
    found = _factor(cells.mean[:, bearing], weight[:, bearing], adjusted_means(cells, noise).means, spread)
    if found is None:
        return nothing
    x, unsure, v = found
    slopes, base = _slopes_on(cells.mean, weight, x, unsure)
    mean = max(slopes[bearing].mean(), 1e-9)
    se = np.sqrt(v / np.maximum(base, 1e-9 * spread**2)) / mean
    return np.where((pours >= 2) & (se < UNSURE), [slopes / mean, se], np.nan)


def _factor(y, weight, means, spread):
    """x_p about their mean and its variance by pour, and the variance of a score; None where they cannot be told."""
    df = int((weight > 0).sum() - (weight.sum(axis=1) > 0).sum() - 2 * y.shape[1] + 2)
    x, unsure, v = means - means.mean(), np.zeros(len(means)), np.nan
    for _ in range(ROUNDS):
        slopes, base = _slopes_on(y, weight, x, unsure)
        mean, size = base @ slopes, base.sum() * (base @ slopes**2)
        if df < 1 or not mean > COMMON * np.sqrt(size):
            return None
        slopes = slopes * base.sum() / mean
        starts = ((weight * y).sum(axis=0) - slopes * (weight.T @ x)) / weight.sum(axis=0)
        told, away = weight @ slopes**2, y - starts
        best = (weight * away) @ slopes / np.maximum(told, 1e-12)
        v = max(np.sum(weight * (away - np.outer(best, slopes)) ** 2) / df, 1e-12 * spread**2)
        unsure = 1 / (1 / spread**2 + told / v)
        x = unsure * told / v * best
        x = x - x.mean()
    return x, unsure, v


def _slopes_on(y, weight, x, unsure):
    """Regression of each tester's scores on x_p known but for the variance `unsure`, and its sum of squares, which is 0
    where there is nothing to regress on."""
    total = weight.sum(axis=0)
    first, level = weight.T @ x / total, (weight * y).sum(axis=0) / total
    base = np.maximum(weight.T @ (x**2 + unsure) - total * first**2, 0.0)
    least = np.maximum(1e-12 * (weight.T @ x**2), 1e-300)
    return ((weight * y).T @ x - total * first * level) / np.maximum(base, least), base


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


def surprises(cells, noise, *, stated, worth=WORTH):
    """What all other scores lead one to expect of each cell, and how far off it is in standard deviations (P, T).

    With Q the residual maker of the cells, pours fixed and levels random, a cell left out of the fit misses by
    (Qy)_i / Q_ii with variance v / Q_ii (Dubrule 1983, Math. Geology 15:687-699). v is found without the cell too,
    from the residuals My with the levels fixed as well and from repeats: (y'My - (My)_i^2 / M_ii + S_w / (1-r)) / df
    (Cook & Weisberg 1982, section 2.2). My knows nothing of levels and pours, so both are independent and their ratio
    is a t; it is given as the normal score of the t. `stated` counts as `worth` degrees of freedom more. NaN where
    nothing was scored or no other score bears on it.
    """
    at = np.nonzero(cells.count)
    y, weight = cells.mean[at], 1 / (noise.stays + (1 - noise.stays) / cells.count[at])
    left, diagonal = _left_over(at, y, weight, (noise.score / noise.tester) ** 2)
    fixed, share = _left_over(at, y, weight, 0.0)
    bears, told = diagonal > 1e-9 * weight, share > 1e-9 * weight
    squares = fixed @ y + worth * stated**2 + (cells.within / (1 - noise.stays) if cells.repeated else 0.0)
    squares = squares - np.where(told, fixed**2 / np.where(told, share, 1.0), 0.0)
    df = np.sum(share / weight) + cells.df_within + worth - told
    diagonal = np.where(bears, diagonal, np.nan)
    error = np.sqrt(np.maximum(squares, 0.0) / df / diagonal)
    expected, away = np.full(cells.count.shape, np.nan), np.full(cells.count.shape, np.nan)
    expected[at] = y - left / diagonal
    away[at] = _normal_score(left / diagonal / error, df)
    return expected, away


def _left_over(at, y, weight, ratio):
    """Qy and the diagonal of Q = W - W B (B'WB + D)^-1 B'W by cell, B the pours and testers, D = `ratio` (v / v_T)
    for testers (Henderson 1975, Biometrics 31:423-447)."""
    pours, testers = (int(codes.max()) + 1 for codes in at)
    both = np.zeros((pours + testers, pours + testers))
    place = at[0], pours + at[1]
    np.add.at(both, (place[0], place[1]), weight)
    both += both.T
    both[np.diag_indices_from(both)] = np.bincount(np.r_[place], np.r_[weight, weight])
    both[range(pours, len(both)), range(pours, len(both))] += ratio
    inverse = np.linalg.pinv(both, hermitian=True)
    effects = inverse @ np.bincount(np.r_[place], np.r_[weight * y, weight * y])
    held = inverse[place[0], place[0]] + 2 * inverse[place] + inverse[place[1], place[1]]
    return weight * (y - effects[place[0]] - effects[place[1]]), weight * (1 - weight * held)


def _normal_score(t, df):
    return np.sign(t) * -ndtri(np.maximum(stdtr(df, -np.abs(t)), 1e-300))


def without(cells, *, testers=()):
    """Cells without some testers, and the pours (codes) that still have a score."""
    count = cells.count.copy()
    count[:, list(testers)] = 0
    kept, kept_testers = np.flatnonzero(count.sum(axis=1) > 0), np.flatnonzero(count.sum(axis=0) > 0)
    block = np.ix_(kept, kept_testers)
    return replace(cells, mean=cells.mean[block], count=count[block], squares=cells.squares[block]), kept


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
    if base <= 1e-12 * np.sum(means**2):
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
    """NaN where one of them is all alike, but for what rounding makes of it."""
    if min(np.ptp(first) - 1e-9 * np.abs(first).max(), np.ptp(second) - 1e-9 * np.abs(second).max()) <= 0:
        return np.nan
    first, second = first - first.mean(), second - second.mean()
    return float(first @ second / np.sqrt(np.sum(first**2) * np.sum(second**2)))

"""Means of pours adjusted for who scored them, and levels of testers, from an incomplete table with repeats.

    y_ptr = mu_p + a_t + g_pt + e_ptr,   a ~ N(0, v_T),   g ~ N(0, r v),   e ~ N(0, (1-r) v)

p pours (fixed), t testers (random), r repeats of one tester on one pour; v is the variance of a single
score about its pour and tester, r the share of it that stays when the same tester scores the same pour
again. The restricted likelihood is that of the cell means, weights w = n / (n r + 1 - r) for n scores, and
of the spread within cells:

    -2 log L = (C-P) log v + sum log(1 + L d_i) + Q(L)/v - sum log w + sum log w_p
               + n_w log(v(1-r)) + S_w/(v(1-r))

with C cells, L = v_T/v and d_i the eigenvalues of A, the testers' normal matrix after the pours are absorbed.
Sources: Patterson & Thompson (1971) Biometrika 58:545-554; Henderson (1975) Biometrics 31:423-447;
Searle, Casella & McCulloch (1992) Variance Components, chapter 7.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

SPREAD = 0.7        # sd of the logarithm of a stated standard deviation: two in three within a factor of two
REACH = 4.0         # the search ends this many spreads from what is stated (a factor of 16)
_POINTS = 33


@dataclass(frozen=True, kw_only=True, eq=False)
class Cells:
    """Scores gathered by pour and tester: mean, count and sum of squares about the mean, each (P, T)."""

    mean: np.ndarray
    count: np.ndarray
    squares: np.ndarray

    @property
    def within(self):
        """Sum of squares within cells, of those that count."""
        return float(self.squares[self.count > 0].sum())

    @property
    def df_within(self):
        """Its degrees of freedom."""
        return int(np.maximum(self.count - 1, 0).sum())

    def weights(self, stays):
        """n / (n r + 1 - r) of each cell, 0 where nothing was scored."""
        return np.where(self.count > 0, self.count / (self.count * stays + 1 - stays), 0.0)

    @property
    def repeated(self):
        """True where some tester scored some pour more than once."""
        return self.df_within > 0

    @property
    def df(self):
        """Degrees of freedom that are left for a single score about its pour and tester.

        Cells and repeats less the rank of pours and testers: one less than their number, two less where no tester
        links two groups of pours.
        """
        pour, tester = np.nonzero(self.count)
        design = np.hstack([np.eye(codes.max() + 1)[codes] for codes in (pour, tester)])
        return len(pour) - int(np.linalg.matrix_rank(design)) + self.df_within


@dataclass(frozen=True, kw_only=True)
class Noise:
    """Standard deviations of testers' levels and of a score, share `stays`, and how well the logs are
    known."""

    tester: float
    score: float
    stays: float
    unsure_tester: float = np.nan
    unsure_score: float = np.nan


@dataclass(frozen=True, kw_only=True, eq=False)
class Adjusted:
    """Means of pours over all testers (P,) with covariance, levels about their mean (T,) with covariance."""

    means: np.ndarray
    covariance: np.ndarray
    levels: np.ndarray
    level_covariance: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class _Absorbed:
    """The testers' equations after the pours are absorbed, in the eigenvectors of A."""

    pour_means: np.ndarray
    pour_weights: np.ndarray
    shares: np.ndarray
    values: np.ndarray
    vectors: np.ndarray
    right: np.ndarray
    total: float
    log_weights: float


def cells_of(pour, tester, score, *, shape=None):
    """Cells from three equally long arrays: codes 0..P-1, codes 0..T-1, scores. Every code must occur."""
    shape = shape or (int(np.max(pour)) + 1, int(np.max(tester)) + 1)
    count, total, squares = np.zeros((3, *shape))
    np.add.at(count, (pour, tester), 1.0)
    np.add.at(total, (pour, tester), score)
    mean = total / np.maximum(count, 1.0)
    np.add.at(squares, (pour, tester), (score - mean[pour, tester]) ** 2)
    return Cells(mean=mean, count=count, squares=squares)


def adjusted_means(cells, noise):
    """Best linear unbiased predictor of mu_p + mean of the testers' levels, and of each level less that mean.

    The mean of a pour is what would be seen had every tester of the panel scored it: in a complete table
    the raw mean, covariance v/T on the diagonal; testers who missed a pour bring in the uncertainty of
    their levels.
    Source: Henderson (1975); Robinson (1991) Statistical Science 6:15-32.
    """
    part = _absorbed(cells, noise.stays)
    ratio, v = _ratio(noise), noise.score**2
    shrink = ratio / (1 + ratio * part.values)
    effects = part.vectors @ (shrink * part.right)
    spread = v * (part.vectors * shrink) @ part.vectors.T
    missed = 1 / len(effects) - part.shares
    centre = np.eye(len(effects)) - 1 / len(effects)
    return Adjusted(
        means=part.pour_means + missed @ effects,
        covariance=np.diag(v / part.pour_weights) + missed @ spread @ missed.T,
        levels=centre @ effects,
        level_covariance=centre @ spread @ centre,
    )


def noise_with_prior(cells, *, tester, score, spread=SPREAD):
    """Posterior geometric means of the standard deviations: lognormal priors times the restricted likelihood.

    log sd ~ N(log stated, spread^2) within REACH spreads, r uniform; summed over a grid that closes in on
    the bulk of the posterior in three passes, so the same scores always give the same answer. Without
    repeats r is 1/2 and plays no part. `unsure_` are the posterior standard deviations of the logs; with
    nothing to learn they are the prior's.
    """
    stated = np.log([tester, score])
    stays, centre, reach = _stays_with_prior(cells, stated, spread), stated, np.full(2, REACH * spread)
    part = _absorbed(cells, stays)
    for _ in range(3):
        axes = [np.linspace(max(c - h, s - REACH * spread), min(c + h, s + REACH * spread), _POINTS)
                for c, h, s in zip(centre, reach, stated)]
        weight = _weights(cells, part, stays, axes, stated, spread)
        centre, unsure = _moments(axes, weight)
        reach = 4.5 * np.maximum(unsure, [0.5 * (axis[1] - axis[0]) for axis in axes])
    return Noise(tester=float(np.exp(centre[0])), score=float(np.exp(centre[1])), stays=stays,
                 unsure_tester=float(unsure[0]), unsure_score=float(unsure[1]))


def noise_by_reml(cells):
    """Restricted maximum likelihood alone: v is profiled out, L (and r with repeats) found by a closing grid.

    NaN where there are fewer than two testers, or fewer than two degrees of freedom beside the pours; a variance may
    come out as exactly 0.
    """
    df = int((cells.count > 0).sum()) - len(cells.count) + cells.df_within
    if cells.count.shape[1] < 2 or df < 2:
        return Noise(tester=np.nan, score=np.nan, stays=np.nan)
    best, centre, reach = (-np.inf,), np.array([0.0, 0.5]), np.array([14.0, 0.5])
    for _ in range(12):
        ratios = np.append(np.exp(np.linspace(centre[0] - reach[0], centre[0] + reach[0], 41)), 0.0)
        shares = np.clip(np.linspace(centre[1] - reach[1], centre[1] + reach[1], 21), 0, 1)
        for stays in shares if cells.repeated else [0.5]:
            best = max(best, _best_ratio(cells, ratios, float(stays), df))
        _, ratio, v, stays = best
        centre, reach = np.array([np.log(ratio) if ratio > 0 else -14.0, stays]), reach / 4
    return Noise(tester=float(np.sqrt(ratio * v)), score=float(np.sqrt(v)), stays=stays)


def unsure_multiple(unsure, *, level=0.9):
    """How many standard deviations hold `level` when the log of the standard deviation is itself unsure.

    c with P(|Z| exp(unsure U) < c) = level, Z and U standard normal, by Gauss-Hermite sums; at 0 it is 1.645.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(41)
    trial = np.linspace(1.0, 12.0, 2201)
    held = (2 * ndtr(trial[:, None] * np.exp(-unsure * nodes)) - 1) @ weights / weights.sum()
    return float(np.interp(level, held, trial))


def _ratio(noise):
    return (noise.tester / noise.score) ** 2 if noise.score > 0 else 0.0


def _absorbed(cells, stays):
    weights = cells.weights(stays)
    pour_weights = weights.sum(axis=1)
    pour_means = (weights * cells.mean).sum(axis=1) / pour_weights
    shares = weights / pour_weights[:, None]
    left = weights * (cells.mean - pour_means[:, None])
    matrix = np.diag(weights.sum(axis=0)) - weights.T @ shares
    values, vectors = np.linalg.eigh(matrix)
    used = weights[weights > 0]
    return _Absorbed(
        pour_means=pour_means, pour_weights=pour_weights, shares=shares, values=np.maximum(values, 0.0),
        vectors=vectors, right=vectors.T @ left.sum(axis=0),
        total=float(np.sum(left * (cells.mean - pour_means[:, None]))),
        log_weights=float(np.sum(np.log(pour_weights)) - np.sum(np.log(used))),
    )


def _left_over(part, ratio):
    """Q(L) and sum log(1 + L d_i) for an array of L."""
    grown = 1 + ratio[..., None] * part.values
    explained = np.sum(ratio[..., None] * part.right**2 / grown, axis=-1)
    return np.maximum(part.total - explained, 0.0), np.sum(np.log(grown), axis=-1)


def _log_likelihood(cells, part, stays, ratio, v):
    """The restricted log likelihood of the module's head, less its constant."""
    rest, logs = _left_over(part, ratio)
    df = int((cells.count > 0).sum()) - len(cells.count)
    value = df * np.log(v) + logs + rest / v + part.log_weights
    if cells.repeated:
        value = value + cells.df_within * np.log(v * (1 - stays)) + cells.within / (v * (1 - stays))
    return -0.5 * value


def _weights(cells, part, stays, axes, stated, spread):
    """Posterior weight, not yet scaled, as logarithms on the grid of log sd (testers, scores)."""
    tester, score = np.meshgrid(*axes, indexing="ij")
    prior = -0.5 * (((tester - stated[0]) / spread) ** 2 + ((score - stated[1]) / spread) ** 2)
    return prior + _log_likelihood(cells, part, stays, np.exp(2 * (tester - score)), np.exp(2 * score))


def _moments(axes, logs):
    weight = np.exp(logs - logs.max())
    weight = weight / weight.sum()
    margins = weight.sum(axis=1), weight.sum(axis=0)
    centre = np.array([axis @ margin for axis, margin in zip(axes, margins)])
    unsure = np.array([np.sqrt((axis - c) ** 2 @ margin) for axis, c, margin in zip(axes, centre, margins)])
    return centre, unsure


def _stays_with_prior(cells, stated, spread):
    """Posterior mean of r over nine values from .1 to .9; 1/2 without repeats."""
    if not cells.repeated:
        return 0.5
    axes = [np.linspace(s - REACH * spread, s + REACH * spread, _POINTS) for s in stated]
    stays = np.linspace(0.1, 0.9, 9)
    logs = np.array([_weights(cells, _absorbed(cells, r), r, axes, stated, spread) for r in stays])
    weight = np.exp(logs - logs.max()).sum(axis=(1, 2))
    return float(stays @ weight / weight.sum())


def _best_ratio(cells, ratios, stays, df):
    """The best of some L with v profiled out: (restricted log likelihood, L, v, r)."""
    if cells.repeated and stays >= 1:
        return (-np.inf,)
    part = _absorbed(cells, stays)
    rest, _ = _left_over(part, ratios)
    v = (rest + (cells.within / (1 - stays) if cells.repeated else 0.0)) / df
    values = _log_likelihood(cells, part, stays, ratios, np.maximum(v, 1e-300))
    at = int(np.argmax(values))
    return float(values[at]), float(ratios[at]), float(v[at]), stays

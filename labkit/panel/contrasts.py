"""Numbers behind the comparisons: all pairs at once, their letters, and effects of order."""

from typing import NamedTuple

import numpy as np
from scipy.special import fdtrc

DRAWS = 20_000                 # standard error of a family-wise p of .05: .0015
_CHUNK = 2_000_000             # numbers held at once


class PairwiseTests(NamedTuple):
    """All pairs (i < j): first, second, difference first - second, se, family-wise p, and the common multiple of se."""

    first: np.ndarray
    second: np.ndarray
    difference: np.ndarray
    se: np.ndarray
    p: np.ndarray
    multiple: float


class Effect(NamedTuple):
    """An F test of what some columns add to others, and the estimates of those columns (least norm)."""

    f: float
    df: int
    df2: int
    p: float
    estimates: np.ndarray


def all_pairs(means, covariance, *, df, level=0.95, seed=0):
    """Single-step tests of all pairs: p_ij = P(max |T| >= |t_ij|), T jointly t with `df` degrees of freedom.

    T = Z / sqrt(chi-square_df / df), Z normal with the correlation of the differences; by DRAWS draws from `seed`.
    A balanced table gives Tukey's studentised range. Source: Hothorn, Bretz & Westfall (2008) Biometrical Journal
    50:346-363, section 3.1.
    """
    first, second = np.triu_indices(len(means), 1)
    variance = np.diag(covariance)[first] + np.diag(covariance)[second] - 2 * covariance[first, second]
    difference, se = means[first] - means[second], np.sqrt(np.maximum(variance, 0.0))
    if not len(first) or not se.min() > 0:
        return PairwiseTests(first, second, difference, se, np.where(difference == 0, 1.0, 0.0), np.nan)
    largest = np.sort(_largest(covariance, first, second, se, df, seed))
    t = np.abs(difference) / se
    beyond = len(largest) - np.searchsorted(largest, t - 1e-12, side="left")
    p = (beyond + 1) / (len(largest) + 1)
    return PairwiseTests(first, second, difference, se, p, float(np.quantile(largest, level)))


def _largest(covariance, first, second, se, df, seed):
    """Draws of the largest |t| over all pairs when nothing differs."""
    rng = np.random.default_rng(seed)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    found = []
    for size in _sizes(max(1, _CHUNK // len(first))):
        drawn = rng.standard_normal((size, len(root))) @ root.T
        scale = np.sqrt(rng.chisquare(df, size) / df)
        found.append(np.max(np.abs(drawn[:, first] - drawn[:, second]) / se, axis=1) / scale)
    return np.concatenate(found)


def _sizes(most):
    return [min(most, DRAWS - start) for start in range(0, DRAWS, most)]


def letters(means, differs):
    """Letters such that two pours share one exactly when they are not told apart; the highest mean has an a.

    differs (n, n) bool. Insert and absorb: Piepho (2004) J. Computational and Graphical Statistics 13:456-466.
    Returns a list of n strings.
    """
    order = [int(i) for i in np.argsort(-np.asarray(means), kind="stable")]
    groups = [frozenset(order)]
    for i, j in ((i, j) for k, i in enumerate(order) for j in order[k + 1:] if differs[i, j]):
        split = [part for group in groups for part in ([group - {i}, group - {j}] if {i, j} <= group else [group])]
        unique = list(dict.fromkeys(split))
        groups = [group for group in unique if not any(group < other for other in unique)]
    groups.sort(key=lambda group: sorted(order.index(i) for i in group))
    return ["".join(_letter(k) for k, group in enumerate(groups) if i in group) for i in range(len(order))]


def _letter(k):
    """a .. z, then a', b' ..."""
    return chr(ord("a") + k % 26) + "'" * (k // 26)


def added_effect(response, base, extra):
    """F test of the columns of `extra` beside those of `base`: ((RSS0-RSS1)/d) / (RSS1/d2), ranks counted.

    NaN where `extra` adds nothing that can be told apart, or leaves no degrees of freedom.
    Source: Searle (1971) Linear Models, section 3.6.
    """
    both = np.hstack([base, extra])
    rank0, rank1 = (np.linalg.matrix_rank(columns) for columns in (base, both))
    df, df2 = int(rank1 - rank0), int(len(response) - rank1)
    rest, alone = (_left(response, columns) for columns in (base, both))
    estimates = np.linalg.lstsq(_left(extra, base), rest, rcond=1e-9)[0]
    if df < 1 or df2 < 1:
        return Effect(np.nan, df, df2, np.nan, estimates)
    explained, error = rest @ rest - alone @ alone, alone @ alone
    if error <= 1e-12 * (response @ response):
        return Effect(np.nan, df, df2, np.nan, estimates)
    f = max(explained, 0.0) / df / (error / df2)
    return Effect(float(f), df, df2, float(fdtrc(df, df2, f)), estimates)


def _left(response, columns):
    return response - columns @ np.linalg.lstsq(columns, response, rcond=1e-9)[0]

"""Numbers behind the comparisons: all pairs at once, effects of order, and how many testers a difference takes."""

from typing import NamedTuple

import numpy as np
from scipy.special import fdtrc, nctdtr, stdtrit

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


def power_of_pair(difference, *, noise, testers, df, size=0.05):
    """Chance that two pours that differ by `difference` are told apart by `testers` who score both.

    t with df degrees of freedom and noncentrality difference / (noise sqrt(2/testers)), two-sided at `size`; a
    tester's level falls out of the difference. Source: Cohen (1988) Statistical Power Analysis, chapter 2.
    """
    critical = stdtrit(df, 1 - size / 2)
    away = difference / (noise * np.sqrt(2 / testers))
    far_side = np.nan_to_num(nctdtr(df, away, -critical))        # next to nothing, and NaN where it underflows
    return float(1 - nctdtr(df, away, critical) + far_side)


def power_played(difference, *, noise, testers, pours, size=0.05, plays=4000, seed=0):
    """The same chance by simulation: tables (pours, testers) of scores, levels of testers taken out, one pair tested.

    t = difference of two pours' means / sqrt(2 s^2 / testers), s^2 the residual mean square of pour + tester with
    (pours - 1)(testers - 1) degrees of freedom. Standard error of the answer: at most .008 at 4000 plays.
    """
    rng = np.random.default_rng(seed)
    scores = rng.normal(0, noise, size=(plays, pours, testers)) + rng.normal(0, 1, size=(plays, 1, testers))
    scores[:, 0] += difference
    means = scores.mean(axis=2, keepdims=True)
    left = scores - means - scores.mean(axis=1, keepdims=True) + scores.mean(axis=(1, 2), keepdims=True)
    df = (pours - 1) * (testers - 1)
    away = (means[:, 0, 0] - means[:, 1, 0]) / np.sqrt(2 * (left**2).sum(axis=(1, 2)) / df / testers)
    return float(np.mean(np.abs(away) > stdtrit(df, 1 - size / 2)))


def least_seen(*, noise, testers, df, power=0.8, size=0.05):
    """The difference between two pours that is told apart with chance `power`, by bisection."""
    low, high = 0.0, noise * np.sqrt(2 / testers) * (2 * stdtrit(df, 1 - size / 2) + 5)
    for _ in range(60):
        middle = (low + high) / 2
        enough = power_of_pair(middle, noise=noise, testers=testers, df=df, size=size) >= power
        low, high = (low, middle) if enough else (middle, high)
    return high


def testers_needed(difference, *, noise, pours, power=0.8, size=0.05, most=999):
    """The fewest testers, each scoring all `pours`, who tell two apart; NaN for more than `most`."""
    for testers in range(2, most + 1):
        df = (testers - 1) * (max(pours, 2) - 1)
        if power_of_pair(difference, noise=noise, testers=testers, df=df, size=size) >= power:
            return testers
    return np.nan

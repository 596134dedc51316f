"""Do judges agree about a set of objects? Intraclass correlations and rank tests.

Everywhere `table` is an array (pours, testers); NaN marks a pour that a tester did not score.
"""

from typing import NamedTuple

import numpy as np
from scipy.special import chdtrc, fdtrc, fdtri


class Interval(NamedTuple):
    """An estimate with its lower and upper confidence limit."""

    estimate: float
    low: float
    high: float


class RankTest(NamedTuple):
    """A statistic, its degrees of freedom (df2 is NaN for a chi-square) and its p-value."""

    statistic: float
    df: float
    df2: float
    p: float


def mean_squares(table):
    """BMS, JMS, EMS, WMS of a complete table of n rows and k columns.

    BMS = k sum(row mean - m)^2 / (n-1)     JMS = n sum(column mean - m)^2 / (k-1)
    EMS = (total - rows - columns) / ((n-1)(k-1))      WMS = (total - rows) / (n(k-1))
    Source: Shrout & Fleiss (1979), Psychological Bulletin 86:420-428, Table 3.
    """
    n, k = table.shape
    centred = table - table.mean()
    rows = k * np.sum(centred.mean(axis=1) ** 2)
    columns = n * np.sum(centred.mean(axis=0) ** 2)
    total = np.sum(centred**2)
    squares = np.array([rows, columns, total - rows - columns, total - rows])
    squares[squares < 1e-14 * total] = 0.0                               # what rounding leaves of nothing
    return tuple(squares / [n - 1, k - 1, (n - 1) * (k - 1), n * (k - 1)])


def intraclass_correlations(table, *, level=0.95):
    """The six intraclass correlations of a complete table (n pours, k testers, both 2 or more), with limits.

    ICC(1,1) = (BMS-WMS) / (BMS+(k-1)WMS)
    ICC(2,1) = (BMS-EMS) / (BMS+(k-1)EMS+k(JMS-EMS)/n)
    ICC(3,1) = (BMS-EMS) / (BMS+(k-1)EMS)
    ICC(.,k): of the mean of k testers, k r / (1+(k-1) r) of each of the three.
    Returns a dict from "ICC(1,1)" .. "ICC(3,k)" to Interval; NaN where the table does not vary.
    Source: Shrout & Fleiss (1979), Psychological Bulletin 86:420-428.
    """
    n, k = table.shape
    between, judges, error, within = mean_squares(table)
    upper = 1 - (1 - level) / 2
    single = {
        "ICC(1,1)": _icc_from_f(between, within, n, k, n * (k - 1), upper),
        "ICC(2,1)": _icc_two_way_random(between, judges, error, n, k, upper),
        "ICC(3,1)": _icc_from_f(between, error, n, k, (n - 1) * (k - 1), upper),
    }
    means = {name.replace(",1)", ",k)"): _of_means(icc, k) for name, icc in single.items()}
    return single | means


def _icc_from_f(between, noise, n, k, df_noise, upper):
    """ICC(1,1) or ICC(3,1): r = (F-1)/(F+k-1); limits put F/F_u and F F_l in the place of F."""
    if noise <= 1e-12 * between or between + noise <= 0:
        return _interval((1.0,) * 3 if between > 0 else (np.nan,) * 3)
    ratio = between / noise
    ratios = ratio, ratio / fdtri(n - 1, df_noise, upper), ratio * fdtri(df_noise, n - 1, upper)
    return _interval((r - 1) / (r + k - 1) for r in ratios)


def _icc_two_way_random(between, judges, error, n, k, upper):
    """ICC(2,1) with Satterthwaite's degrees of freedom in the limits (Shrout & Fleiss 1979, p. 424).

    They are those of a sum of mean squares, from which a negative ICC would take one off: those at 0 are taken then.
    So the estimate lies within, and all of the interval below 0 where F is in its lowest (1 - level) / 2.
    """
    bottom = between + (k - 1) * error + k * (judges - error) / n
    if bottom <= 0:
        return _interval((np.nan,) * 3)
    if error + judges <= 1e-12 * between:
        return _interval((1.0,) * 3)
    rho = (between - error) / bottom
    part = max(rho, 0.0)
    of_judges, of_error = k * part * judges, (n * (1 + (k - 1) * part) - k * part) * error
    noise, spread = of_judges + of_error, of_judges**2 / (k - 1) + of_error**2 / ((n - 1) * (k - 1))
    if spread <= 0:
        return _interval((rho, np.nan, np.nan))
    df = noise**2 / spread
    f_low, f_high = fdtri(n - 1, df, upper), fdtri(df, n - 1, upper)
    wide = k * judges + (k * n - k - n) * error
    low = n * (between - f_low * error) / (f_low * wide + n * between)
    high = n * (f_high * between - error) / (wide + n * f_high * between)
    return _interval((rho, low, high))


def _of_means(icc, k):
    """Spearman-Brown: the reliability of the mean of k testers, k r / (1+(k-1) r)."""
    with np.errstate(divide="ignore"):
        single = np.array(icc)
        return _interval(k * single / np.maximum(1 + (k - 1) * single, 0.0))


def _interval(values):
    return Interval(*map(float, values))


def ranks_within(table):
    """Ranks of the pours within each tester, ties sharing the mean rank; NaN stays NaN."""
    below = np.sum(table[None, :, :] < table[:, None, :], axis=1)
    equal = np.sum(table[None, :, :] == table[:, None, :], axis=1)
    return np.where(np.isnan(table), np.nan, below + (equal + 1) / 2)


def friedman(table):
    """Friedman's chi-square with correction for ties, k pours ranked by n testers.

    T = (k-1) sum_i (R_i - n(k+1)/2)^2 / (sum of squared ranks - n k (k+1)^2 / 4)
    Source: Conover (1999), Practical Nonparametric Statistics, section 5.8. All ties: statistic 0, p 1. A panel is told
    it by way of `kendalls_w`, whose chi-square it is; by itself it is what the other rank tests are checked against.
    """
    k, n = table.shape
    ranks = ranks_within(table)
    spread = np.sum(ranks**2) - n * k * (k + 1) ** 2 / 4
    if spread <= 0:
        return _chi_square(0.0, k - 1)
    return _chi_square((k - 1) * np.sum((ranks.sum(axis=1) - n * (k + 1) / 2) ** 2) / spread, k - 1)


def kendalls_w(table):
    """Kendall's coefficient of concordance, corrected for ties, and its chi-square.

    W = 12 sum_i (R_i - mean R)^2 / (n^2 (k^3-k) - n sum over testers of sum(t^3-t)),
    chi-square = n (k-1) W with k-1 degrees of freedom; k pours, n testers, t ties in a group.
    Returns (W, RankTest); W is NaN when no tester tells any two pours apart.
    Source: Kendall & Babington Smith (1939); Zar (2010), Biostatistical Analysis, section 20.16.
    """
    k, n = table.shape
    ranks = ranks_within(table)
    ties = sum(np.sum(counts**3 - counts) for counts in (_tie_counts(column) for column in ranks.T))
    bottom = n**2 * (k**3 - k) - n * ties
    if bottom <= 0:
        return np.nan, _chi_square(0.0, k - 1)
    w = 12 * float(np.sum((ranks.sum(axis=1) - n * (k + 1) / 2) ** 2)) / bottom
    return w, _chi_square(n * (k - 1) * w, k - 1)


def is_balanced_incomplete(table):
    """True for k pours a tester, r testers a pour, and every pair of pours together equally often."""
    present = ~np.isnan(table)
    together = present.astype(int) @ present.T.astype(int)
    pairs = together[~np.eye(len(table), dtype=bool)]
    per_tester, per_pour = present.sum(axis=0), present.sum(axis=1)
    level = all(np.ptp(counts) == 0 for counts in (per_tester, per_pour, pairs))
    return bool(level and pairs[0] > 0 and per_tester[0] > 1)


def durbin(table):
    """Durbin's test in its F form for a balanced incomplete table (t pours, b testers, k each, r a pour).

    T1 = (t-1) (sum R_i^2 - r C) / (A - C) with A the sum of squared ranks, C = b k (k+1)^2 / 4;
    T2 = (T1/(t-1)) / ((b(k-1) - T1) / (bk-b-t+1)), F with t-1 and bk-b-t+1 degrees of freedom.
    Source: Conover (1999), Practical Nonparametric Statistics, section 5.9.
    """
    t, b = table.shape
    present = ~np.isnan(table)
    k, r = int(present[:, 0].sum()), int(present[0].sum())
    ranks = ranks_within(table)
    centre = b * k * (k + 1) ** 2 / 4
    spread = np.nansum(ranks**2) - centre
    df, df2 = t - 1, b * k - b - t + 1
    if spread <= 0:
        return RankTest(0.0, df, df2, 1.0)
    first = (t - 1) * (np.sum(np.nansum(ranks, axis=1) ** 2) - r * centre) / spread
    rest = b * (k - 1) - first
    statistic = np.inf if rest <= 1e-12 else (first / df) / (rest / df2)
    return RankTest(float(statistic), df, df2, float(fdtrc(df, df2, statistic)))


def p_by_shuffling(table, *, plays=9999, seed=0):
    """Chance of rank sums at least as far apart when each tester's ranks come in any order: Durbin's p, by draws.

    sum R_i^2 is all of T1, and so of T2, that depends on the orders. The F form calls 6 to 10 % of tables of 3 to 7
    pours different at 5 % that are not. Source: Conover (1999), section 5.9, for the statistic; Davison & Hinkley
    (1997), Bootstrap Methods, section 4.3, for p = (1 + how many are as far) / (1 + plays).
    """
    rng, ranks = np.random.default_rng(seed), ranks_within(table)
    sums = np.zeros((plays, len(table)))
    for own in ranks.T:
        there = ~np.isnan(own)
        sums[:, there] += rng.permuted(np.tile(own[there], (plays, 1)), axis=1)
    found = np.sum(np.nansum(ranks, axis=1) ** 2)
    return float((1 + np.sum(np.sum(sums**2, axis=1) >= found - 1e-9)) / (1 + plays))


def skillings_mack(table):
    """Skillings and Mack's test for any incomplete table: A' S^- A, chi-square with rank(S) df.

    A_i = sum over testers j of sqrt(12/(k_j+1)) (R_ij - (k_j+1)/2), k_j pours ranked by tester j;
    S is the covariance of A when every order of a tester's ranks is equally likely. Without ties it is the
    published one (minus the number of common testers off the diagonal); with ties the spread
    of the tied ranks is used, so that complete tables give Friedman's statistic corrected for ties.
    Source: Skillings & Mack (1981), Technometrics 23:171-177.
    """
    scaled, inverse, df = _weighted(table)
    if df == 0:
        return _chi_square(0.0, max(len(table) - 1, 0))
    total = scaled.sum(axis=1)
    return _chi_square(total @ inverse @ total, df)


def skillings_mack_by_shuffling(table, *, plays=9999, seed=0):
    """Chance of a statistic of `skillings_mack` at least as large when each tester's ranks come in any order.

    S stays as it is then. For few testers, of whom its chi-square calls too little an agreement.
    """
    rng, (scaled, inverse, _) = np.random.default_rng(seed), _weighted(table)
    totals, present = np.zeros((plays, len(scaled))), ~np.isnan(_of_several(table))
    for own, there in zip(scaled.T, present.T, strict=True):
        totals[:, there] += rng.permuted(np.tile(own[there], (plays, 1)), axis=1)
    found = scaled.sum(axis=1) @ inverse @ scaled.sum(axis=1)
    return float((1 + np.sum(np.einsum("pi,ij,pj->p", totals, inverse, totals) >= found - 1e-9)) / (1 + plays))


def _of_several(table):
    """The testers who scored more than one pour."""
    return table[:, (~np.isnan(table)).sum(axis=0) > 1]


def _weighted(table):
    """Weighted ranks about their middle (pours, testers), the inverse of S, and its rank."""
    table = _of_several(table)
    present = ~np.isnan(table)
    size = present.sum(axis=0)
    scaled = np.sqrt(12 / (size + 1)) * np.where(present, ranks_within(table) - (size + 1) / 2, 0.0)
    spread = np.sum(scaled**2, axis=0) / np.maximum(size - 1, 1)
    shared = (present * (spread / np.maximum(size, 1))) @ present.T
    covariance = np.diag(present @ spread) - shared
    df = int(np.linalg.matrix_rank(covariance, tol=1e-9 * max(1.0, np.abs(covariance).max(initial=0.0))))
    return scaled, np.linalg.pinv(covariance, rcond=1e-9, hermitian=True), df


def _tie_counts(ranks):
    return np.unique(ranks, return_counts=True)[1]


def _chi_square(statistic, df):
    return RankTest(float(statistic), df, np.nan, float(chdtrc(df, statistic)) if df > 0 else 1.0)

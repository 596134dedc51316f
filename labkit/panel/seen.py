"""Which differences the letters of a panel see, all pairs of pours compared together, and the testers it takes."""

import numpy as np
from scipy.special import nctdtr

POWER = 0.8


def tukey_multiple(pours, df, *, size=0.05):
    """How many standard errors a difference must reach among all pairs of `pours` means: q / sqrt(2).

    q is the upper point of the studentised range, here by Gleason's approximation, good to .002 and mostly to
    a ten-thousandth: scipy's own takes a third of a second each time, and `testers_needed` asks a dozen times.
    Source: Tukey (1953); Miller (1981) Simultaneous Statistical Inference, section 2.1.
    """
    from statsmodels.stats.libqsturng import qsturng

    return float(qsturng(1 - size, pours, df)) / np.sqrt(2)


def power_of_pair(difference, *, se, df, multiple):
    """Chance that two pours that differ by `difference` are told apart: |T| > multiple.

    T = estimate / se, noncentral t with df degrees of freedom and noncentrality difference / se; a tester's level falls
    out of the difference. Source: Cohen (1988) Statistical Power Analysis, chapter 2.
    """
    far, near = np.nan_to_num(nctdtr(df, difference / se, [-multiple, multiple]))       # NaN where nothing is left
    return float(1 - near + far)


def least_seen(*, se, df, multiple, power=POWER):
    """The difference between two pours that is told apart with chance `power`, by bisection."""
    low, high = 0.0, se * (2 * multiple + 5)
    for _ in range(60):
        middle = (low + high) / 2
        enough = power_of_pair(middle, se=se, df=df, multiple=multiple) >= power
        low, high = (low, middle) if enough else (middle, high)
    return high


def testers_needed(difference, *, noise, pours, worth=0.0, power=POWER, size=0.05, most=999):
    """The fewest testers, each scoring all `pours`, whose letters tell two apart; NaN for more than `most`.

    worth : degrees of freedom that the prior of the noise is worth, beside (testers - 1)(pours - 1).
    """
    def enough(testers):
        df = (testers - 1) * (pours - 1) + worth
        multiple = tukey_multiple(pours, df, size=size)
        return power_of_pair(difference, se=noise * np.sqrt(2 / testers), df=df, multiple=multiple) >= power

    low, high = 1, most
    if not enough(most):
        return np.nan
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def power_played(difference, *, pair, count, noise, worth, multiple, plays=4000, seed=0):
    """The chance of `power_of_pair` by simulated scores in the cells of `count` (pours, testers).

    Henderson's equations, pours fixed and testers random, at the variances of `noise` (levels.Noise): the estimate, its
    variance, and s^2 from what pours and testers leave of the scores and of repeats, and from the prior, which is
    `worth` so many degrees of freedom. Levels are in units of their own deviation, which may be 0. Standard error of
    the answer: at most .008 at 4000 plays.
    Source: Henderson (1975) Biometrics 31:423-447.
    """
    rng, (pour, tester) = np.random.default_rng(seed), np.nonzero(count)
    each = count[pour, tester]
    root = np.sqrt(each / (each * noise.stays + 1 - noise.stays))
    design = root[:, None] * np.hstack([np.eye(len(count))[pour], np.eye(count.shape[1])[tester]])
    levels = rng.normal(0, noise.tester, (plays, count.shape[1]))
    meant = root * (levels[:, tester] + difference * (pour == pair[0]))
    scores = meant + rng.normal(0, noise.score, (plays, len(pour)))
    weighed = design * np.repeat([1.0, noise.tester / noise.score], count.shape)
    ridge = np.repeat([0.0, 1.0], count.shape)
    contrast = np.linalg.solve(weighed.T @ weighed + np.diag(ridge), _sides(pair, design.shape[1]))
    left = scores - scores @ design @ np.linalg.pinv(design)
    repeats = int(np.sum(each - 1))
    df = len(pour) - np.linalg.matrix_rank(design) + repeats
    squares = (left**2).sum(axis=1) + noise.score**2 * _chi_square(rng, repeats + worth, plays)
    away = scores @ weighed @ contrast / np.sqrt((contrast[pair[0]] - contrast[pair[1]]) * squares / (df + worth))
    return float(np.mean(np.abs(away) > multiple))


def _sides(pair, size):
    return np.eye(size)[pair[0]] - np.eye(size)[pair[1]]


def _chi_square(rng, df, size):
    return rng.chisquare(df, size) if df > 0 else np.zeros(size)

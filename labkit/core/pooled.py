"""Means of pours from unequal repeats, and the standard deviation of a single reading pooled over pours.

    y_pk = mu_p + e_pk,   e ~ N(0, s^2),   log s ~ N(log stated, spread^2)

With the pours fixed the restricted likelihood of s is that of the spread within pours, S = sum (y_pk - mean_p)^2 with
df = N - P degrees of freedom:  -2 log L = df log s^2 + S / s^2,  highest at s^2 = S / df, the pooled variance.
Sources: Patterson & Thompson (1971) Biometrika 58:545-554; Searle, Casella & McCulloch (1992) Variance Components,
chapter 3.
"""

from dataclasses import dataclass

import numpy as np

from labkit.core.levels import REACH, SPREAD

POINTS = 4001


@dataclass(frozen=True, kw_only=True, eq=False)
class Pooled:
    """means and count by pour (P,), sd of a single reading, how well its log is known, df within pours."""

    means: np.ndarray
    count: np.ndarray
    sd: float
    unsure: float
    df: int

    @property
    def covariance(self) -> np.ndarray:
        """s^2 / n_p on the diagonal, (P, P)."""
        return np.diag(self.sd**2 / self.count)


def pooled(pour: np.ndarray, value: np.ndarray, *, stated: float, spread: float = SPREAD) -> Pooled:
    """From equally long arrays: codes 0..P-1, every one of which occurs, and readings.

    sd is the posterior geometric mean, `unsure` the posterior standard deviation of log s; with no repeats they are
    `stated` and `spread`.
    """
    count = np.bincount(pour).astype(float)
    means = np.bincount(pour, weights=value) / count
    squares, df = float(np.sum((value - means[pour]) ** 2)), int(len(value) - len(count))
    away = np.linspace(-REACH * spread, REACH * spread, POINTS)
    s = stated * np.exp(away)
    log = -df * np.log(s) - 0.5 * squares / s**2 - 0.5 * (away / spread) ** 2
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    middle = float(weight @ away)
    unsure = float(np.sqrt(weight @ (away - middle) ** 2))
    return Pooled(means=means, count=count, sd=stated * float(np.exp(middle)), unsure=unsure, df=df)

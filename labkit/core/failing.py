"""The chance of failing: logistic regression with a stated prior, integrated over and not fitted at a point.

    y_i ~ Bernoulli(p_i),   logit p = a + b'phi(x),   a ~ N(level, spread^2),   b ~ N(0, (slope^2 / P) I)

phi are P functions that are orthonormal over the region, so `slope` is the root mean square of the linear part there,
whichever way factors are coded. The likelihood is bounded also where the failures can be separated from the rest, but
has no maximum there (Albert & Anderson 1984, Biometrika 71:1-10); the prior holds it (Gelman, Jakulin, Pittau & Su
2008, Annals of Applied Statistics 2:1360-1383). The posterior is sampled by importance (`core.importance`).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, log_expit

from labkit.core.importance import Proposal, sampled, systematic

DRAWS, ENOUGH = 2048, 1000.0  # draws a pass, and effective draws at which no further pass is made
STEPS, WIDER = 30, 1.5  # of Newton towards the mode; of the covariance there
CHUNK = 2_000_000  # cells of a temporary array: 16 MB


@dataclass(frozen=True, kw_only=True, eq=False)
class FailingPrior:
    """Middle and standard deviation of the logit over the region, and root mean square of its linear part."""

    level: float
    spread: float
    slope: float


@dataclass(frozen=True, kw_only=True, eq=False)
class FailingPosterior:
    """Weighted draws of (a, b): coefficients (n, 1 + P), weights (n,) adding to one, log p(y), effective draws."""

    coefficients: np.ndarray
    weights: np.ndarray
    log_evidence: float
    effective: float

    def chance(self, functions: np.ndarray) -> np.ndarray:
        """E p(x): functions (m, P) -> (m,)."""
        step = max(1, CHUNK // len(self.weights))
        return np.concatenate([self.weights @ expit(self._logits(self.coefficients, functions[i:i + step]))
                               for i in range(0, len(functions), step)] or [np.zeros(0)])

    def draws(self, functions: np.ndarray, n: int, seed: int) -> np.ndarray:
        """n equally likely draws of p(x), (n, m); draw k of n is the same function wherever it is asked."""
        rng = np.random.default_rng(seed)
        picked = rng.permutation(systematic(self.weights, n, rng.uniform()))
        return expit(self._logits(self.coefficients[picked], functions))

    @staticmethod
    def _logits(coefficients: np.ndarray, functions: np.ndarray) -> np.ndarray:
        return coefficients[:, :1] + coefficients[:, 1:] @ functions.T


def failing_posterior(functions: np.ndarray, failed: np.ndarray, prior: FailingPrior) -> FailingPosterior:
    """The posterior after n trials: functions (n, P), failed (n,) true or false."""
    sign, size = np.where(failed, 1.0, -1.0), functions.shape[1]
    scales = np.append(prior.spread, np.full(size, prior.slope / np.sqrt(max(size, 1))))
    columns = np.column_stack([np.ones(len(functions)), functions]) * scales

    def log_likelihoods(theta: np.ndarray) -> np.ndarray:
        return log_expit(sign * (prior.level + theta @ columns.T)).sum(axis=1, keepdims=True)

    start = [_about_the_mode(columns, sign, prior.level)]
    found = sampled(log_likelihoods, 1 + size, start, draws=DRAWS, enough=ENOUGH)
    return FailingPosterior(coefficients=found.theta * scales + np.append(prior.level, np.zeros(size)),
                            weights=found.weights[:, 0], log_evidence=found.log_evidence, effective=found.effective)


def _about_the_mode(columns: np.ndarray, sign: np.ndarray, level: float) -> Proposal:
    """A normal density about the mode of the posterior of theta ~ N(0, I), a little wider than its curvature there.

    The logarithm of the posterior is concave, so Newton's steps lead to the mode when they are not too long.
    """
    theta = np.zeros(columns.shape[1])
    for _ in range(STEPS):
        chance = expit(level + columns @ theta)
        curvature = (columns * (chance * (1 - chance))[:, None]).T @ columns + np.eye(len(theta))
        step = np.linalg.solve(curvature, columns.T @ ((sign > 0) - chance) - theta)
        theta = theta + step / max(1.0, np.linalg.norm(step))
    return Proposal(middle=theta, root=np.linalg.cholesky(WIDER * np.linalg.inv(curvature)))

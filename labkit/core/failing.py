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

from labkit.core.importance import sampled, systematic

DRAWS, ENOUGH = 2048, 1000.0  # draws a pass, and effective draws at which no further pass is made
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
        """n equally likely draws of p(x), (n, m); draw k is the same function wherever it is asked."""
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

    def coefficients(theta: np.ndarray) -> np.ndarray:
        return theta * scales + np.append(prior.level, np.zeros(size))

    def log_likelihoods(theta: np.ndarray) -> np.ndarray:
        logits = FailingPosterior._logits(coefficients(theta), functions)
        return log_expit(sign * logits).sum(axis=1, keepdims=True)

    found = sampled(log_likelihoods, 1 + size, draws=DRAWS, enough=ENOUGH)
    return FailingPosterior(coefficients=coefficients(found.theta), weights=found.weights[:, 0],
                            log_evidence=found.log_evidence, effective=found.effective)

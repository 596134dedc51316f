"""Integrals over a few scales: importance sampling from a prior and from normal densities re-centred on it.

    p(y) = integral p(y | theta) N(theta; 0, I) dtheta  ~  mean over draws of  p(y | theta) N(theta; 0, I) / q(theta)

theta are normal scores of the scales. q is the mixture of all densities that were drawn from, the prior always among
them, so that no weight can run away (Owen & Zhou 2000, JASA 95:135-143). Draws are quasi-random, so everything
repeats bit for bit.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

DRAWS = 192  # a pass; half as many where a similar integral is known
ENOUGH = 48.0  # effective draws at which no further pass is made
PASSES = 8
PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83, 89, 97)


@dataclass(frozen=True, kw_only=True, eq=False)
class Proposal:
    """N(middle, root root') in d dimensions; `root` is lower triangular."""

    middle: np.ndarray
    root: np.ndarray

    def log_density(self, theta: np.ndarray) -> np.ndarray:
        """log N(theta; middle, root root') up to the constant that all of one dimension share."""
        if not len(self.middle):
            return np.zeros(len(theta))
        scores = np.linalg.solve(self.root, (theta - self.middle).T)
        return -0.5 * np.sum(scores**2, axis=0) - np.log(np.abs(np.diag(self.root))).sum()


@dataclass(frozen=True, kw_only=True, eq=False)
class Sampled:
    """Draws theta (n, d), weights (n, c) of draws and choices adding to one, log p(y), Kish's effective number.

    `proposals` may start another integral that is much like this one.
    """

    theta: np.ndarray
    weights: np.ndarray
    log_evidence: float
    effective: float
    proposals: tuple[Proposal, ...]


def weighted_quantiles(values: np.ndarray, weights: np.ndarray, levels: Sequence[float]) -> np.ndarray:
    """Quantiles of values (n,) with weights (n,), in a straight line between the middles of their steps."""
    order = np.argsort(values)
    risen = np.cumsum(weights[order])
    return np.interp(levels, (risen - weights[order] / 2) / risen[-1], values[order])


@lru_cache(maxsize=8)
def normal_points(n: int, dimension: int) -> np.ndarray:
    """n quasi-random points of N(0, I), (n, d): Richtmyer's fractional parts of (k + 1/2) sqrt(prime). Read only."""
    steps = np.sqrt(np.array(PRIMES[:dimension], dtype=float))
    points = ndtri(np.clip(((np.arange(n) + 0.5)[:, None] * steps) % 1.0, 1e-9, 1 - 1e-9))
    points.flags.writeable = False
    return points


def sampled(log_likelihoods: Callable, dimension: int, start: Sequence[Proposal] = (), *, draws: int = DRAWS,
            enough: float = ENOUGH) -> Sampled:
    """Passes of draws until enough of them carry weight.

    log_likelihoods : theta (n, d) -> log p(y, choice | theta), (n, c); choices are summed over exactly.
    start : proposals of a similar integral; they take three quarters of the first pass, the prior the rest.
    """
    proposals = [Proposal(middle=np.zeros(dimension), root=np.eye(dimension)), *start]
    points = normal_points(draws * PASSES, dimension)
    counts = [draws // 4] + [3 * draws // 4 // len(start)] * len(start) if start else [draws]
    theta = _drawn(points, proposals, counts)
    logs = log_likelihoods(theta)
    found = _weighed(theta, logs, proposals, counts)
    for _ in range(1, PASSES):
        if found.effective >= enough or dimension == 0:
            break
        proposals, counts = [*proposals, _recentred(found)], [*counts, draws]
        more = _drawn(points[len(theta):], proposals[-1:], counts[-1:])
        theta, logs = np.vstack([theta, more]), np.vstack([logs, log_likelihoods(more)])
        found = _weighed(theta, logs, proposals, counts)
    return found


def _drawn(points: np.ndarray, proposals: Sequence[Proposal], counts: Sequence[int]) -> np.ndarray:
    ends = np.cumsum(counts)
    blocks = [points[end - n:end] for end, n in zip(ends, counts, strict=True)]
    return np.vstack([p.middle + block @ p.root.T for p, block in zip(proposals, blocks, strict=True)])


def _weighed(theta: np.ndarray, logs: np.ndarray, proposals: Sequence[Proposal], counts: Sequence[int]) -> Sampled:
    densities = np.array([p.log_density(theta) for p in proposals])
    drawn = np.logaddexp.reduce(densities + np.log(np.array(counts) / np.sum(counts))[:, None], axis=0)
    logs = logs + (densities[0] - drawn)[:, None]
    total = np.logaddexp.reduce(logs, axis=None)
    weights = np.exp(logs - total)
    return Sampled(theta=theta, weights=weights, log_evidence=float(total - np.log(len(theta))),
                   effective=float(1.0 / np.sum(weights.sum(axis=1) ** 2)), proposals=tuple(proposals[1:]))


def _recentred(found: Sampled) -> Proposal:
    """A normal density at the weighted mean and spread of the draws, tempered until enough of them count."""
    theta, dimension = found.theta, found.theta.shape[1]
    logs, heat = np.log(np.maximum(found.weights.sum(axis=1), 1e-300)), 1.0
    while True:
        share = np.exp(heat * logs - np.logaddexp.reduce(heat * logs))
        if 1.0 / np.sum(share**2) >= 4 * dimension or heat < 1e-3:
            break
        heat *= 0.7
    middle = share @ theta
    spread = (theta - middle).T @ ((theta - middle) * share[:, None])
    return Proposal(middle=middle, root=np.linalg.cholesky(1.3 * spread + 0.02 * np.eye(dimension)))


def systematic(weights: np.ndarray, n: int, offset: float = 0.5) -> np.ndarray:
    """n places picked in proportion to the weights, at equal steps of their running sum."""
    running = np.cumsum(weights)
    at = np.searchsorted(running, (np.arange(n) + offset) / n * running[-1] * (1 - 1e-12))
    return np.minimum(at, len(weights) - 1)

"""The hierarchical reading of one surface: functions by degree, noise by source, scales integrated over.

    y = h(eta) + e,   eta = sum_j b_j phi_j(x),   e ~ N(0, r^2 S + sum_s v_s^2 C_s)
    b_0 ~ N(centre, constant^2);   b_j ~ N(m_j, t_g^2 / p_g)  for the p_g functions of degree g
    t_g ~ half-t, 4 df, of stated medians;   log v_s ~ N(log of a stated median, doubt^2);   log r ~ N(0, unsure^2)
    m = sum_k z_k (t_g / sqrt p_g) u_k,  z_k ~ Bernoulli(trust),  g the degree of u_k

phi are orthonormal over the region, so t_g is the root mean square of the part of degree g there. S (n, n) is the
covariance of the adjusted means, known up to r^2, C_s (n, n) tells which rows share a source (round, melt, pour).
u_k are what is expected, each of functions of one degree (a slope, a hill), as long as it is strong in prior standard
deviations: it stands as a candidate beside "no expectation" (z_k = 0), weighed by evidence.

Given scales and z all is Gaussian (Lindley & Smith 1972, JRSS B 34:1-41). The scales are integrated over by importance
sampling (`core.importance`). A curved h is taken straight at the fitted values (Gauss-Newton, Laplace).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, stdtrit

from labkit.core.importance import Proposal, Sampled, sampled, systematic

GAUSSIANS = 128
DOUBT = 0.5  # sd of log v_s: nine times in ten within 2.3 times of what is stated
BLOCK = 60_000  # numbers in a stack of covariances: it stays within the processor's cache


@dataclass(frozen=True, kw_only=True, eq=False)
class Prior:
    """centre and constant of b_0; medians of t_g by degree from 1, of v_s by source; doubt, unsure; trust."""

    centre: float
    constant: float
    degrees: tuple[float, ...]
    sources: tuple[float, ...] = ()
    doubt: float = DOUBT
    unsure: float = 0.0
    trust: float = 0.5

    @property
    def dimension(self) -> int:
        """How many scales are integrated over."""
        return len(self.degrees) + len(self.sources) + (self.unsure > 0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Observed:
    """What was found at n pours: means (n,), S (n, n), sources (s, n, n)."""

    means: np.ndarray
    sampling: np.ndarray
    sources: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class Functions:
    """phi at the n pours (n, p), the degree of each (p,), what is expected u (k, p), each of one degree."""

    columns: np.ndarray
    degrees: np.ndarray
    expected: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class Scales:
    """m choices of the scales: t by degree (m, g), v by source (m, s), r (m,)."""

    degrees: np.ndarray
    sources: np.ndarray
    sampling: np.ndarray

    def picked(self, at: np.ndarray) -> "Scales":
        return Scales(degrees=self.degrees[at], sources=self.sources[at], sampling=self.sampling[at])


@dataclass(frozen=True, kw_only=True, eq=False)
class Mixture:
    """A posterior as K weighted Gaussians over b: weights (K,), means (K, p), roots (K, p, q) with cov = R R'.

    `scales` holds t, v and r of each, expected (K, k) the probability of each z; log_evidence is log p(y);
    effective is Kish's effective number of the draws that the scales were integrated with.
    """

    weights: np.ndarray
    means: np.ndarray
    roots: np.ndarray
    scales: Scales
    expected: np.ndarray
    log_evidence: float
    effective: float
    proposals: tuple[Proposal, ...] = ()

    def moments(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard deviation of phi'b in each Gaussian, both (m, K), at columns (m, p)."""
        count, size, rank = self.roots.shape
        across = (columns @ np.moveaxis(self.roots, 0, 1).reshape(size, -1)).reshape(-1, count, rank)
        return columns @ self.means.T, np.sqrt(np.einsum("mkq,mkq->mk", across, across))

    def lifted(self, lift: np.ndarray) -> "Mixture":
        """The posterior over b where phi'b stands for (phi lift)'b: lift (p, q), for functions phi (n, p)."""
        return replace(self, means=self.means @ lift.T, roots=lift @ self.roots)

    def draws(self, n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """n draws of b, (n, p), and the Gaussian each came from (n,): picked by weight, then a normal vector."""
        at = rng.permutation(systematic(self.weights, n, rng.uniform()))
        normal = rng.standard_normal((n, self.roots.shape[2]))
        return self.means[at] + np.einsum("npq,nq->np", self.roots[at], normal), at


def half_t_quantile(u: np.ndarray, median: np.ndarray) -> np.ndarray:
    """Quantile of |T| scaled to a stated median, T of 4 degrees of freedom (Gelman 2006, Bayesian Analysis 1:515)."""
    return np.asarray(median) * stdtrit(4.0, 0.5 + 0.5 * u) / stdtrit(4.0, 0.75)


def scales_at(theta: np.ndarray, prior: Prior) -> Scales:
    """The scales at normal scores theta (m, dimension) of their priors."""
    g, s = len(prior.degrees), len(prior.sources)
    degrees = half_t_quantile(ndtr(theta[:, :g]), np.array(prior.degrees))
    sources = np.array(prior.sources) * np.exp(prior.doubt * theta[:, g:g + s])
    stretch = np.exp(prior.unsure * theta[:, g + s]) if prior.unsure > 0 else np.ones(len(theta))
    return Scales(degrees=degrees, sources=sources, sampling=stretch)


def prior_variances(functions: Functions, prior: Prior, scales: Scales) -> np.ndarray:
    """Prior variance of each b_j, (m, p)."""
    variances = np.full((len(scales.degrees), len(functions.degrees)), prior.constant**2)
    for k, size in enumerate(scales.degrees.T):
        at = functions.degrees == k + 1
        variances[:, at] = (size**2 / max(at.sum(), 1))[:, None]
    return variances


def prior_mean(functions: Functions, prior: Prior, scales: Scales) -> np.ndarray:
    """Prior mean of b at one choice of scales, each expectation by its trust, (p,)."""
    level = np.where(functions.degrees == 0, prior.centre, 0.0)
    return level + prior.trust * _shift_sizes(scales, functions)[0] @ functions.expected


def integrate(
    observed: Observed, functions: Functions, prior: Prior, start: Sequence[Proposal] = ()
) -> Mixture:
    """The posterior with its scales integrated over. `start`: proposals of another posterior of the same data."""

    def log_likelihoods(theta):
        """log p(y | scales, z) + log p(z), (n, 2^k), in blocks."""
        step = max(1, BLOCK // len(observed.means) ** 2)
        blocks = [theta[i:i + step] for i in range(0, len(theta), step)]
        return np.vstack([_log_likelihoods(block, observed, functions, prior) for block in blocks])

    found = sampled(log_likelihoods, prior.dimension, start)
    return _mixture(found, observed, functions, prior)


def choices(directions: int) -> np.ndarray:
    """Every z, (2^k, k)."""
    return ((np.arange(2**directions)[:, None] >> np.arange(directions)) & 1).astype(float)


def _log_likelihoods(theta, observed, functions, prior) -> np.ndarray:
    return log_likelihoods_at(scales_at(theta, prior), observed, functions, prior)


def log_likelihoods_at(scales: Scales, observed: Observed, functions: Functions, prior: Prior) -> np.ndarray:
    """log p(y | scales, z) + log p(z) for m choices of the scales and every z, (m, 2^k)."""
    roots, lines = _whitened(_covariances(scales, observed, functions, prior), _right(observed, functions, prior))
    gram = lines @ np.swapaxes(lines, 1, 2)
    pick = _picks(scales, functions)
    squares = np.einsum("kzi,kij,kzj->kz", pick, gram, pick)
    logdet = np.log(np.einsum("knn->kn", roots)).sum(axis=1)
    z = choices(len(functions.expected))
    believed = z @ np.full(z.shape[1], _log(prior.trust)) + (1 - z) @ np.full(z.shape[1], _log(1 - prior.trust))
    constant = 0.5 * len(observed.means) * np.log(2 * np.pi)
    return -0.5 * squares - (logdet + constant)[:, None] + believed


def _whitened(covariances: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """L (m, n, n) and (L^-1 right)' (m, q, n): the lower rows of the root of a matrix bordered by `right`."""
    (m, n, _), q = covariances.shape, right.shape[1]
    bordered = np.empty((m, n + q, n + q))
    bordered[:, :n, :n], bordered[:, n:, :n] = covariances, right.T
    bordered[:, :n, n:], bordered[:, n:, n:] = right, 1e100 * np.eye(q)
    roots = np.linalg.cholesky(bordered)
    return roots[:, :n, :n], roots[:, n:, :n]


def _log(x: float) -> float:
    return float(np.log(max(x, 1e-300)))


def _right(observed: Observed, functions: Functions, prior: Prior) -> np.ndarray:
    """y - centre and what is expected at the pours, (n, 1 + k)."""
    level = functions.columns @ np.where(functions.degrees == 0, prior.centre, 0.0)
    return np.column_stack([observed.means - level, functions.columns @ functions.expected.T])


def _picks(scales: Scales, functions: Functions) -> np.ndarray:
    """Factors (n, 2^k, 1 + k) that combine `_right` to y - centre - sum of the chosen shifts."""
    z = choices(len(functions.expected))
    sizes = _shift_sizes(scales, functions)
    ones = np.ones((len(sizes), len(z), 1))
    return np.concatenate([ones, -sizes[:, None, :] * z[None]], axis=2)


def _shift_sizes(scales: Scales, functions: Functions) -> np.ndarray:
    """How far each expectation moves the prior mean along u, (m, k): t_g / sqrt p_g for what is of degree g."""
    of = functions.degrees[np.argmax(np.abs(functions.expected), axis=1)] if len(functions.expected) else []
    sizes = np.zeros((len(scales.sampling), len(of)))
    for k, degree in enumerate(of):
        if degree > 0:                                  # a row of zeros says nothing: it plays no part
            count = (functions.degrees == degree).sum()
            sizes[:, k] = scales.degrees[:, degree - 1] / np.sqrt(count)
    return sizes


def _covariances(scales, observed, functions, prior) -> np.ndarray:
    """cov(y) for each choice of scales, (m, n, n): sum of squares times what each scale belongs to."""
    own = [functions.columns[:, functions.degrees == k] for k in range(1 + len(prior.degrees))]
    parts = [columns @ columns.T / max(columns.shape[1], 1) for columns in own]
    constant = np.full(len(scales.sampling), prior.constant)
    sizes = np.column_stack([constant, scales.degrees, scales.sampling, scales.sources])
    return _summed(sizes, [*parts, observed.sampling, *observed.sources])


def noise_covariances(scales: Scales, observed: Observed) -> np.ndarray:
    """r^2 S + sum_s v_s^2 C_s, (m, n, n)."""
    return _summed(np.column_stack([scales.sampling, scales.sources]), [observed.sampling, *observed.sources])


def _summed(sizes: np.ndarray, parts: Sequence[np.ndarray]) -> np.ndarray:
    stacked = np.array(parts)
    return (sizes**2 @ stacked.reshape(len(parts), -1)).reshape(-1, *stacked.shape[1:])


def _mixture(found: Sampled, observed, functions, prior) -> Mixture:
    """A Gaussian for each of GAUSSIANS draws picked by weight, z summed out by mean and covariance."""
    by_draw = found.weights.sum(axis=1)
    at, counts = _picked(found.theta, by_draw)
    scales = scales_at(found.theta[at], prior)
    parts, covariances = conditional(scales, observed, functions, prior)
    z = choices(len(functions.expected))
    share = found.weights[at] / by_draw[at, None]
    means = parts[:, :1] + np.einsum("zi,kip->kzp", z, parts[:, 1:])
    middle = np.einsum("kz,kzp->kp", share, means)
    off = means - middle[:, None]
    covariances = covariances + np.einsum("kz,kzp,kzq->kpq", share, off, off, optimize=True)
    roots = _roots(covariances, prior_variances(functions, prior, scales))
    return Mixture(weights=counts / counts.sum(), means=middle, roots=roots, scales=scales, expected=share @ z,
                   log_evidence=found.log_evidence, effective=found.effective, proposals=found.proposals)


def _picked(theta: np.ndarray, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """At most GAUSSIANS draws and their weights: picked at equal steps along the main axis of the draws."""
    alive = np.flatnonzero(weights > 1e-4)
    if len(alive) <= GAUSSIANS:
        return alive, weights[alive]
    off = theta[alive] - weights[alive] @ theta[alive] / weights[alive].sum()
    axis = np.linalg.eigh(off.T @ (off * weights[alive, None]))[1][:, -1]
    order = alive[np.argsort(off @ axis, kind="stable")]
    return np.unique(order[systematic(weights[order], GAUSSIANS)], return_counts=True)


def conditional(scales, observed, functions, prior) -> tuple[np.ndarray, np.ndarray]:
    """E(b | y) without expectation and what each of those adds, (m, 1 + k, p), and cov(b | y) (m, p, p).

    For each of m choices of the scales:  T phi' V^-1 (y - phi m) + m  and  T - T phi' V^-1 phi T.
    """
    variances, gain = _gain(scales, observed, functions, prior)
    found = _conditional_means(gain, scales, observed, functions, prior)
    taken = np.einsum("knp,nq,kq->kpq", gain, functions.columns, variances, optimize=True)
    return found, np.einsum("kp,pq->kpq", variances, np.eye(variances.shape[1])) - taken


def conditional_means(scales, observed, functions, prior) -> np.ndarray:
    """The first part of `conditional` alone, (m, 1 + k, p)."""
    return _conditional_means(_gain(scales, observed, functions, prior)[1], scales, observed, functions, prior)


def _gain(scales, observed, functions, prior) -> tuple[np.ndarray, np.ndarray]:
    """T (m, p) and V^-1 phi T (m, n, p)."""
    variances = prior_variances(functions, prior, scales)
    covariance = _covariances(scales, observed, functions, prior)
    return variances, np.linalg.solve(covariance, functions.columns * variances[:, None, :])


def _conditional_means(gain, scales, observed, functions, prior) -> np.ndarray:
    sizes = _shift_sizes(scales, functions)
    right = _right(observed, functions, prior)
    found = np.einsum("knp,ni->kip", gain, right)
    found[:, 0] += np.where(functions.degrees == 0, prior.centre, 0.0)
    found[:, 1:] = sizes[:, :, None] * (functions.expected[None] - found[:, 1:])
    return found


def _roots(covariances: np.ndarray, variances: np.ndarray) -> np.ndarray:
    """R with R R' = cov, found in units of the prior; what rounding made negative counts as nothing."""
    unit = np.sqrt(variances)
    scaled = covariances / (unit[:, :, None] * unit[:, None, :])
    try:
        return unit[:, :, None] * np.linalg.cholesky(scaled + 1e-13 * np.eye(unit.shape[1]))
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(0.5 * (scaled + np.swapaxes(scaled, 1, 2)))
        return unit[:, :, None] * vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]

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
from functools import cached_property

import numpy as np
from scipy.special import ndtr, stdtrit

from labkit.core.importance import DRAWS, Proposal, Sampled, sampled, systematic

GAUSSIANS = 128
DOUBT = 0.5  # sd of log v_s: nine times in ten within 2.3 times of what is stated
FURTHEST = 8.0  # t is 13 000 times its median there; the chance of less rounds to one soon after, and t has no end
BLOCK = 30_000  # numbers that are worked on together: they stay within the processor's cache


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

    `scales` holds t, v and r of each, expected (K, k) the probability of each z; effective is Kish's effective number
    of the draws that the scales were integrated with.
    """

    weights: np.ndarray
    means: np.ndarray
    roots: np.ndarray
    scales: Scales
    expected: np.ndarray
    effective: float

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
    """The scales at normal scores theta (m, dimension) of their priors; t past FURTHEST is that at FURTHEST."""
    g, s = len(prior.degrees), len(prior.sources)
    degrees = half_t_quantile(ndtr(np.minimum(theta[:, :g], FURTHEST)), np.array(prior.degrees))
    sources = np.array(prior.sources) * np.exp(prior.doubt * theta[:, g:g + s])
    stretch = np.exp(prior.unsure * theta[:, g + s]) if prior.unsure > 0 else np.ones(len(theta))
    return Scales(degrees=degrees, sources=sources, sampling=stretch)


@dataclass(frozen=True, kw_only=True, eq=False)
class Model:
    """What was found at n pours, in which functions, under which prior; and what all choices of the scales share."""

    observed: Observed
    functions: Functions
    prior: Prior

    @cached_property
    def parts(self) -> np.ndarray:
        """What the square of each scale stands before in cov(y): functions by degree, sampling, sources, (s, n, n)."""
        own = [self.functions.columns[:, self.functions.degrees == k] for k in range(1 + len(self.prior.degrees))]
        own = [columns @ columns.T / max(columns.shape[1], 1) for columns in own]
        return np.array([*own, self.observed.sampling, *self.observed.sources])

    @cached_property
    def middle(self) -> np.ndarray:
        """Prior mean of b without any expectation, (p,)."""
        return np.where(self.functions.degrees == 0, self.prior.centre, 0.0)

    @cached_property
    def right(self) -> np.ndarray:
        """y - centre and what is expected at the pours, (n, 1 + k)."""
        phi = self.functions.columns
        return np.column_stack([self.observed.means - phi @ self.middle, phi @ self.functions.expected.T])

    @cached_property
    def choices(self) -> np.ndarray:
        """Every z, (2^k, k)."""
        k = len(self.functions.expected)
        return ((np.arange(2**k)[:, None] >> np.arange(k)) & 1).astype(float)

    @cached_property
    def _to_evidence(self) -> np.ndarray:
        return self._bordered(self.right)

    @cached_property
    def _to_mean(self) -> np.ndarray:
        return self._bordered(np.hstack([self.right, self.functions.columns]))

    def _bordered(self, right: np.ndarray) -> np.ndarray:
        """The parts of cov(y), and last what borders their sum: lower triangles, (s + 1, n + q, n + q)."""
        n, q = right.shape
        bordered = np.zeros((len(self.parts) + 1, n + q, n + q))
        bordered[:-1, :n, :n], bordered[-1, n:, :n], bordered[-1, n:, n:] = self.parts, right.T, 1e100 * np.eye(q)
        return bordered

    def whitened(self, scales: Scales, *, functions: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """L (m, n, n), L L' = cov(y), and (L^-1 [right, and where asked phi])' (m, q, n).

        Both are rows of the root of one matrix: cov(y) bordered by what is to be whitened.
        """
        n, one = len(self.observed.means), np.ones(len(scales.sampling))
        sizes = [self.prior.constant * one, scales.degrees, scales.sampling, scales.sources, one]
        roots = np.linalg.cholesky(self._summed(sizes, self._to_mean if functions else self._to_evidence))
        return roots[:, :n, :n], roots[:, n:, :n]

    def noise_covariances(self, scales: Scales) -> np.ndarray:
        """r^2 S + sum_s v_s^2 C_s, (m, n, n)."""
        return self._summed([scales.sampling, scales.sources], self.parts[1 + len(self.prior.degrees):])

    @staticmethod
    def _summed(sizes: Sequence[np.ndarray], parts: np.ndarray) -> np.ndarray:
        squares = np.column_stack(sizes) ** 2
        return (squares @ parts.reshape(len(parts), -1)).reshape(-1, *parts.shape[1:])

    def shift_sizes(self, scales: Scales) -> np.ndarray:
        """How far each expectation moves the prior mean along u, (m, k): t_g / sqrt p_g for what is of degree g."""
        expected, degrees = self.functions.expected, self.functions.degrees
        sizes = np.zeros((len(scales.sampling), len(expected)))
        for k, degree in enumerate(degrees[np.argmax(np.abs(expected), axis=1)] if len(expected) else []):
            if degree > 0:                              # a row of zeros says nothing: it plays no part
                sizes[:, k] = scales.degrees[:, degree - 1] / np.sqrt((degrees == degree).sum())
        return sizes

    def prior_variances(self, scales: Scales) -> np.ndarray:
        """Prior variance of each b_j, (m, p)."""
        degrees = self.functions.degrees
        variances = np.full((len(scales.degrees), len(degrees)), self.prior.constant**2)
        for k, size in enumerate(scales.degrees.T):
            at = degrees == k + 1
            variances[:, at] = (size**2 / max(at.sum(), 1))[:, None]
        return variances

    def prior_mean(self, scales: Scales) -> np.ndarray:
        """Prior mean of b at one choice of scales, each expectation by its trust, (p,)."""
        return self.middle + self.prior.trust * self.shift_sizes(scales)[0] @ self.functions.expected


@dataclass(frozen=True, kw_only=True, eq=False)
class Integral:
    """The scales of a model, integrated over: log p(y), and draws of the scales by weight."""

    model: Model
    sampled: Sampled

    @cached_property
    def by_draw(self) -> np.ndarray:
        """Weights of the draws, adding to one, (n,)."""
        return self.sampled.weights.sum(axis=1)

    def scales(self, at: np.ndarray) -> Scales:
        """The scales of some draws."""
        return scales_at(self.sampled.theta[at], self.model.prior)

    def mixture(self, most: int = GAUSSIANS) -> Mixture:
        """A Gaussian for each of at most so many draws picked by weight, z summed out by mean and covariance."""
        model = self.model
        at, counts = _picked(self.sampled.theta, self.by_draw, most)
        scales = self.scales(at)
        parts, covariances = conditional(scales, model)
        share = self.sampled.weights[at] / self.by_draw[at, None]
        means = parts[:, :1] + np.einsum("zi,kip->kzp", model.choices, parts[:, 1:])
        middle = np.einsum("kz,kzp->kp", share, means)
        off = means - middle[:, None]
        covariances = covariances + np.swapaxes(share[:, :, None] * off, 1, 2) @ off
        roots = _roots(covariances, model.prior_variances(scales))
        return Mixture(weights=counts / counts.sum(), means=middle, roots=roots, scales=scales,
                       expected=share @ model.choices, effective=self.sampled.effective)


def integrate(model: Model, start: Sequence[Proposal] = (), draws: int = DRAWS) -> Integral:
    """The posterior with its scales integrated over. `start`: proposals of another posterior of the same data."""

    def log_likelihoods(theta):
        """log p(y | scales, z) + log p(z), (n, 2^k), in blocks."""
        step = max(1, BLOCK // len(model.observed.means) ** 2)
        blocks = [theta[i:i + step] for i in range(0, len(theta), step)]
        return np.vstack([log_likelihoods_at(scales_at(block, model.prior), model) for block in blocks])

    return Integral(model=model, sampled=sampled(log_likelihoods, model.prior.dimension, start,
                                                draws=draws // 2 if start else draws))


def log_likelihoods_at(scales: Scales, model: Model) -> np.ndarray:
    """log p(y | scales, z) + log p(z) for m choices of the scales and every z, (m, 2^k)."""
    roots, lines = model.whitened(scales)
    gram = lines @ np.swapaxes(lines, 1, 2)
    z, trust = model.choices, model.prior.trust
    sizes = -model.shift_sizes(scales)[:, None, :] * z[None]
    pick = np.concatenate([np.ones((*sizes.shape[:2], 1)), sizes], axis=2)         # y - centre less the chosen shifts
    squares = ((pick @ gram) * pick).sum(axis=2)
    logdet = np.log(np.einsum("knn->kn", roots)).sum(axis=1)
    believed = z.sum(axis=1) * _log(trust) + (1 - z).sum(axis=1) * _log(1 - trust)
    constant = 0.5 * len(model.observed.means) * np.log(2 * np.pi)
    return -0.5 * squares - (logdet + constant)[:, None] + believed


def _log(x: float) -> float:
    return float(np.log(max(x, 1e-300)))


def _picked(theta: np.ndarray, weights: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """At most so many draws and their weights: picked at equal steps along the main axis of the draws."""
    alive = np.flatnonzero(weights > 1e-4)
    if len(alive) <= most:
        return alive, weights[alive]
    off = theta[alive] - weights[alive] @ theta[alive] / weights[alive].sum()
    axis = np.linalg.eigh(off.T @ (off * weights[alive, None]))[1][:, -1]
    order = alive[np.argsort(off @ axis, kind="stable")]
    return np.unique(order[systematic(weights[order], most)], return_counts=True)


def conditional(scales: Scales, model: Model) -> tuple[np.ndarray, np.ndarray]:
    """E(b | y) without expectation and what each of those adds, (m, 1 + k, p), and cov(b | y) (m, p, p).

    For each of m choices of the scales:  T phi' V^-1 (y - phi m) + m  and  T - T phi' V^-1 phi T.
    """
    functions, variances = model.functions, model.prior_variances(scales)
    k, p = model.right.shape[1], len(functions.degrees)
    _, lines = model.whitened(scales, functions=True)
    gram = lines[:, k:] @ np.swapaxes(lines, 1, 2)                           # phi' V^-1 [y - phi m, phi u, phi]
    found = np.swapaxes(variances[:, :, None] * gram[:, :, :k], 1, 2)
    found[:, 0] += model.middle
    found[:, 1:] = model.shift_sizes(scales)[:, :, None] * (functions.expected[None] - found[:, 1:])
    covariances = -variances[:, :, None] * gram[:, :, k:] * variances[:, None, :]
    covariances[:, np.arange(p), np.arange(p)] += variances
    return found, covariances


def _roots(covariances: np.ndarray, variances: np.ndarray) -> np.ndarray:
    """R with R R' = cov, found in units of the prior; what rounding made negative counts as nothing."""
    unit = np.maximum(np.sqrt(variances), 1e-150)            # a scale may come out as nothing at all
    scaled = covariances / (unit[:, :, None] * unit[:, None, :])
    try:
        return unit[:, :, None] * np.linalg.cholesky(scaled + 1e-13 * np.eye(unit.shape[1]))
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(0.5 * (scaled + np.swapaxes(scaled, 1, 2)))
        return unit[:, :, None] * vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]

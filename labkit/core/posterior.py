"""The hierarchical reading of one surface: functions by degree, noise by source, scales integrated over.

    y = h(eta) + e,   eta = sum_j b_j phi_j(x),   e ~ N(0, r^2 S + sum_s v_s^2 C_s)
    b_0 ~ N(centre, constant^2);   b_j ~ N(m_j, t_g^2 / p_g)  for the p_g functions of degree g
    t_g, v_s ~ half-t, 4 df, of stated medians;   log r ~ N(0, unsure^2)
    m = sum_k z_k shift (t_1 / sqrt p_1) u_k,  z_k ~ Bernoulli(trust)

phi are orthonormal over the region, so t_g is the root mean square of the part of degree g there. S (n, n) is the
covariance of the adjusted means, known up to r^2, C_s (n, n) tells which rows share a source (round, melt, pour).
u_k are the expected directions: each stands as a candidate beside "no expectation" (z_k = 0), weighed by evidence.

Given scales and z all is Gaussian (Lindley & Smith 1972, JRSS B 34:1-41). The scales are integrated over by importance
sampling from their prior and, where few draws would carry the weight, from normal densities re-centred on the
draws found so far; all draws are weighed against the mixture they came from (Owen & Zhou 2000, JASA 95:135-143).
The draws are quasi-random (Richtmyer sequence), so a fit repeats bit for bit. A curved h is taken straight at the
fitted values (Gauss-Newton, Laplace).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp, ndtr, ndtri, stdtrit

DRAWS = 256
ENOUGH = 96.0  # effective draws at which no further pass is made
PASSES = 5
PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47)


@dataclass(frozen=True, kw_only=True, eq=False)
class Prior:
    """centre and constant of b_0; median of t_g by degree from 1; of v_s by source; unsure of r; shift and trust."""

    centre: float
    constant: float
    degrees: tuple[float, ...]
    sources: tuple[float, ...] = ()
    unsure: float = 0.0
    shift: float = 1.0
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
    """phi at the n pours (n, p), the degree of each (p,), expected directions u (k, p) of length one."""

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
    """A posterior as K weighted Gaussians over b: weights (K,), means (K, p), roots (K, p, p) with cov = R R'.

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

    def moments(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard deviation of phi'b in each Gaussian, both (m, K), at columns (m, p)."""
        spread = np.stack([np.sqrt(np.sum((columns @ root) ** 2, axis=1)) for root in self.roots], axis=1)
        return columns @ self.means.T, spread

    def draws(self, n: int, rng: np.random.Generator) -> np.ndarray:
        """n draws of b, (n, p): Gaussians picked by weight (systematic), then a normal vector each."""
        at = np.searchsorted(np.cumsum(self.weights), (np.arange(n) + rng.uniform()) / n * (1 - 1e-12))
        at = rng.permutation(np.minimum(at, len(self.weights) - 1))
        normal = rng.standard_normal((n, self.means.shape[1]))
        return self.means[at] + np.einsum("npq,nq->np", self.roots[at], normal)


def half_t_quantile(u: np.ndarray, median: np.ndarray) -> np.ndarray:
    """Quantile of |T| scaled to a stated median, T of 4 degrees of freedom (Gelman 2006, Bayesian Analysis 1:515)."""
    return np.asarray(median) * stdtrit(4.0, 0.5 + 0.5 * u) / stdtrit(4.0, 0.75)


def normal_points(n: int, dimension: int) -> np.ndarray:
    """n quasi-random points of N(0, I), (n, d): Richtmyer's fractional parts of (k + 1/2) sqrt(prime)."""
    steps = np.sqrt(np.array(PRIMES[:dimension], dtype=float))
    return ndtri(np.clip(((np.arange(n) + 0.5)[:, None] * steps) % 1.0, 1e-9, 1 - 1e-9))


def scales_at(theta: np.ndarray, prior: Prior) -> Scales:
    """The scales at normal scores theta (m, dimension) of their priors."""
    g, s = len(prior.degrees), len(prior.sources)
    values = half_t_quantile(ndtr(theta[:, :g + s]), np.array(prior.degrees + prior.sources))
    stretch = np.exp(prior.unsure * theta[:, g + s]) if prior.unsure > 0 else np.ones(len(theta))
    return Scales(degrees=values[:, :g], sources=values[:, g:], sampling=stretch)


def prior_variances(functions: Functions, prior: Prior, scales: Scales) -> np.ndarray:
    """Prior variance of each b_j, (m, p)."""
    variances = np.full((len(scales.degrees), len(functions.degrees)), prior.constant**2)
    for k, size in enumerate(scales.degrees.T):
        at = functions.degrees == k + 1
        variances[:, at] = (size**2 / max(at.sum(), 1))[:, None]
    return variances


@dataclass(frozen=True, kw_only=True, eq=False)
class _Weighed:
    """Draws of the scales with the log likelihood of each z: theta (n, d), logs (n, 2^k)."""

    theta: np.ndarray
    logs: np.ndarray


def integrate(observed: Observed, functions: Functions, prior: Prior) -> Mixture:
    """The posterior with its scales integrated over: passes of draws until enough of them carry weight."""
    dimension = prior.dimension
    points = normal_points(DRAWS * PASSES, dimension)
    proposals = [(np.zeros(dimension), np.eye(dimension))]
    weighed = _weighed(points[:DRAWS], observed, functions, prior)
    weights, log_evidence, effective = _importance(weighed, proposals)
    for k in range(1, PASSES):
        if effective >= ENOUGH or dimension == 0:
            break
        proposals.append(_recentred(weighed, proposals))
        middle, root = proposals[-1]
        more = _weighed(middle + points[DRAWS * k:DRAWS * (k + 1)] @ root.T, observed, functions, prior)
        weighed = _Weighed(theta=np.vstack([weighed.theta, more.theta]), logs=np.vstack([weighed.logs, more.logs]))
        weights, log_evidence, effective = _importance(weighed, proposals)
    return _mixture(weighed.theta, weights, log_evidence, effective, observed, functions, prior)


def _importance(weighed: _Weighed, proposals: list) -> tuple[np.ndarray, float, float]:
    """Weights (n, 2^k) of draws and z against the mixture of proposals; log evidence; effective number of draws."""
    theta = weighed.theta
    own = -0.5 * np.sum(theta**2, axis=1)
    drawn = logsumexp([_log_normal(theta, *proposal) for proposal in proposals], axis=0) - np.log(len(proposals))
    logs = weighed.logs + (own - drawn)[:, None]
    total = logsumexp(logs)
    weights = np.exp(logs - total)
    by_draw = weights.sum(axis=1)
    return weights, float(total - np.log(len(theta))), float(1.0 / np.sum(by_draw**2))


def _log_normal(theta: np.ndarray, middle: np.ndarray, root: np.ndarray) -> np.ndarray:
    """log N(theta; middle, R R') up to the constant that all share."""
    if not len(middle):
        return np.zeros(len(theta))
    scores = np.linalg.solve(root, (theta - middle).T)
    return -0.5 * np.sum(scores**2, axis=0) - np.log(np.abs(np.diag(root))).sum()


def _recentred(weighed: _Weighed, proposals: list) -> tuple[np.ndarray, np.ndarray]:
    """A normal density at the weighted mean and spread of the draws, tempered until enough of them count."""
    theta, dimension = weighed.theta, weighed.theta.shape[1]
    logs = np.log(np.maximum(_importance(weighed, proposals)[0].sum(axis=1), 1e-300))
    heat = 1.0
    while True:
        share = np.exp(heat * logs - logsumexp(heat * logs))
        if 1.0 / np.sum(share**2) >= 4 * dimension or heat < 1e-3:
            break
        heat *= 0.7
    middle = share @ theta
    spread = (theta - middle).T @ ((theta - middle) * share[:, None])
    return middle, np.linalg.cholesky(1.3 * spread + 0.02 * np.eye(dimension))


def _weighed(theta: np.ndarray, observed: Observed, functions: Functions, prior: Prior) -> _Weighed:
    """log p(y | scales, z) + log p(z) for each draw and each z, in blocks that fit into memory."""
    step = max(1, 2_000_000 // max(len(observed.means), 1) ** 2)
    logs = [_log_likelihoods(theta[i:i + step], observed, functions, prior) for i in range(0, len(theta), step)]
    return _Weighed(theta=theta, logs=np.vstack(logs))


def choices(directions: int) -> np.ndarray:
    """Every z, (2^k, k)."""
    return ((np.arange(2**directions)[:, None] >> np.arange(directions)) & 1).astype(float)


def _log_likelihoods(theta, observed, functions, prior) -> np.ndarray:
    scales = scales_at(theta, prior)
    roots = np.linalg.cholesky(_covariances(scales, observed, functions, prior))
    lines = np.linalg.solve(roots, np.broadcast_to(_right(observed, functions, prior),
                                                   (len(roots), len(observed.means), 1 + len(functions.expected))))
    gram = np.einsum("kni,knj->kij", lines, lines)
    pick = _picks(scales, functions, prior)
    squares = np.einsum("kzi,kij,kzj->kz", pick, gram, pick)
    logdet = np.log(np.einsum("knn->kn", roots)).sum(axis=1)
    z = choices(len(functions.expected))
    believed = z @ np.full(z.shape[1], _log(prior.trust)) + (1 - z) @ np.full(z.shape[1], _log(1 - prior.trust))
    constant = 0.5 * len(observed.means) * np.log(2 * np.pi)
    return -0.5 * squares - (logdet + constant)[:, None] + believed


def _log(x: float) -> float:
    return float(np.log(max(x, 1e-300)))


def _right(observed: Observed, functions: Functions, prior: Prior) -> np.ndarray:
    """y - centre and the expected directions at the pours, (n, 1 + k)."""
    level = functions.columns @ np.where(functions.degrees == 0, prior.centre, 0.0)
    return np.column_stack([observed.means - level, functions.columns @ functions.expected.T])


def _picks(scales: Scales, functions: Functions, prior: Prior) -> np.ndarray:
    """Factors (n, 2^k, 1 + k) that combine `_right` to y - centre - sum of the chosen shifts."""
    z = choices(len(functions.expected))
    size = _shift_size(scales, functions, prior)
    ones = np.ones((len(size), len(z), 1))
    return np.concatenate([ones, -size[:, None, None] * z[None]], axis=2)


def _shift_size(scales: Scales, functions: Functions, prior: Prior) -> np.ndarray:
    linear = max(int((functions.degrees == 1).sum()), 1)
    return prior.shift * scales.degrees[:, :1].sum(axis=1) / np.sqrt(linear)


def _covariances(scales, observed, functions, prior) -> np.ndarray:
    """cov(y) for each choice of scales, (m, n, n)."""
    variances = prior_variances(functions, prior, scales)
    surface = np.einsum("np,kp,mp->knm", functions.columns, variances, functions.columns, optimize=True)
    return surface + noise_covariances(scales, observed)


def noise_covariances(scales: Scales, observed: Observed) -> np.ndarray:
    """r^2 S + sum_s v_s^2 C_s, (m, n, n)."""
    made = np.einsum("ks,snm->knm", scales.sources**2, observed.sources, optimize=True)
    return made + scales.sampling[:, None, None] ** 2 * observed.sampling


def _mixture(theta, weights, log_evidence, effective, observed, functions, prior) -> Mixture:
    """A Gaussian for each draw that carries weight (all but a thousandth), z summed out by mean and covariance."""
    by_draw = weights.sum(axis=1)
    order = np.argsort(by_draw, kind="stable")[::-1]
    kept = np.sort(order[:int(np.searchsorted(np.cumsum(by_draw[order]), 0.999)) + 1])
    scales = scales_at(theta[kept], prior)
    found, covariances = conditional(scales, observed, functions, prior)
    z = choices(len(functions.expected))
    share = weights[kept] / by_draw[kept, None]
    means = found[:, :1] + np.einsum("zi,kip->kzp", z, found[:, 1:])
    middle = np.einsum("kz,kzp->kp", share, means)
    off = means - middle[:, None]
    covariances = covariances + np.einsum("kz,kzp,kzq->kpq", share, off, off, optimize=True)
    return Mixture(weights=by_draw[kept] / by_draw[kept].sum(), means=middle, roots=_roots(covariances),
                   scales=scales, expected=share @ z, log_evidence=log_evidence, effective=effective)


def conditional(scales, observed, functions, prior) -> tuple[np.ndarray, np.ndarray]:
    """E(b | y) without expectation and what each direction adds, (m, 1 + k, p), and cov(b | y) (m, p, p).

    For each of m choices of the scales:  T phi' V^-1 (y - phi m) + m  and  T - T phi' V^-1 phi T.
    """
    variances = prior_variances(functions, prior, scales)
    covariance = _covariances(scales, observed, functions, prior)
    gain = np.linalg.solve(covariance, functions.columns * variances[:, None, :])
    size = _shift_size(scales, functions, prior)
    right = _right(observed, functions, prior)
    found = np.einsum("knp,ni->kip", gain, right)
    found[:, 0] += np.where(functions.degrees == 0, prior.centre, 0.0)
    found[:, 1:] = size[:, None, None] * (functions.expected[None] - found[:, 1:])
    taken = np.einsum("knp,nq,kq->kpq", gain, functions.columns, variances, optimize=True)
    return found, np.einsum("kp,pq->kpq", variances, np.eye(variances.shape[1])) - taken


def _roots(covariances: np.ndarray) -> np.ndarray:
    """R with R R' = cov; eigenvalues that rounding made negative count as nothing."""
    symmetric = 0.5 * (covariances + np.swapaxes(covariances, 1, 2))
    values, vectors = np.linalg.eigh(symmetric)
    return vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]

"""How much a design teaches: information of pours in melts and rounds, the criteria, the continuous optimum."""

from dataclasses import dataclass

import numpy as np

from labkit.core.terms import frozen

GAP = 1e-4  # of the equivalence theorem: the design is within a factor 1 + GAP of the optimum
STEPS = 200_000


def information(rows, *, melts=None, ratio=0.0) -> np.ndarray:
    """F' V^-1 F with V = I + ratio Z Z', in units of one pour's variance.

    rows F (n, p), melts (n,) labels, ratio = variance of melts / variance of pours. Within one melt of m pours
    V^-1 = I - c 1 1', c = ratio / (1 + m ratio) (Goos & Vandebroek 2001, Journal of Quality
    Technology 33:436-450).
    """
    rows = np.asarray(rows, dtype=float)
    total = rows.T @ rows
    if melts is None or ratio == 0:
        return total
    for melt in np.unique(melts):
        inside = rows[np.asarray(melts) == melt]
        whole = inside.sum(axis=0)
        total = total - ratio / (1 + len(inside) * ratio) * np.outer(whole, whole)
    return total


def round_contrasts(rounds) -> np.ndarray:
    """Columns (n, R - 1) that carry the differences between R rounds: orthonormal contrasts of their labels.

    The last column sets the last label apart from the mean of all others, and the others are 0 on it.
    """
    labels, place = np.unique(np.asarray(rounds), return_inverse=True)
    count = len(labels)
    contrasts = np.zeros((count, max(count - 1, 0)))
    for k in range(1, count):
        contrasts[:k, k - 1], contrasts[k, k - 1] = -1 / np.sqrt(k * (k + 1)), np.sqrt(k / (k + 1))
    return contrasts[place]


@dataclass(frozen=True, kw_only=True, eq=False)
class Criterion:
    """What is asked of a precision A: I = tr(A^-1 moments), to be small, or D = log det A, to be large.

    kind "I" or "D"; moments (p, p), for I the integral of f f' over the uniform measure. `value` is a loss: I, or
    -log det A; infinite where A is singular.
    """

    kind: str
    moments: np.ndarray

    def __post_init__(self):
        object.__setattr__(self, "moments", frozen(self.moments))

    def value(self, precision) -> float:
        """The loss of a precision (p, p)."""
        if self.kind == "D":
            sign, logarithm = np.linalg.slogdet(precision)
            return -logarithm if sign > 0 else np.inf
        return float(np.sum(np.linalg.inv(precision) * self.moments)) if is_regular(precision) else np.inf


def is_regular(precision) -> bool:
    """Whether every function of the model is estimable: the precision scaled to a unit diagonal has full rank."""
    size = np.sqrt(np.diag(precision))
    if not (size > 0).all():
        return False
    return np.linalg.eigvalsh(precision / np.outer(size, size))[0] > 1e-11 * len(size)


@dataclass(frozen=True, kw_only=True, eq=False)
class ContinuousOptimum:
    """Weights (N,) on the candidates, log det of the precision they give, and the certified gap.

    gap: largest sensitivity over its bound, less one. |M|^(1/p) cannot be raised by more than a factor 1 + gap.
    """

    weights: np.ndarray
    log_det: float
    gap: float


def d_optimum(candidates, *, pours=1.0, prior=None, gap=GAP) -> ContinuousOptimum:
    """The weights w that maximise log det (pours sum_i w_i f_i f_i' + prior), certified by the equivalence theorem.

    With S = that precision, s_i = pours f_i' S^-1 f_i. At the optimum max s = sum w s (= p without a prior: Kiefer &
    Wolfowitz 1960; with one: Chaloner & Larntz 1989). Multiplicative algorithm w <- w s / sum w s (Titterington
    1976; Yu 2010, Ann. Stat. 38:1593), points that cannot carry weight dropped (`_without_idle`).
    """
    candidates = np.asarray(candidates, dtype=float)
    prior = np.zeros((candidates.shape[1],) * 2) if prior is None else np.asarray(prior, dtype=float)
    alive, weights = np.arange(len(candidates)), np.full(len(candidates), 1 / len(candidates))
    for step in range(STEPS):
        rows = candidates[alive]
        precision = pours * (rows.T * weights) @ rows + prior
        sensitivity = pours * np.sum(rows @ np.linalg.inv(precision) * rows, axis=1)
        bound = weights @ sensitivity
        excess = sensitivity.max() / bound - 1
        if excess <= gap:
            break
        weights = weights * sensitivity / bound
        if step % 20 == 19:
            alive, weights = _without_idle(alive, weights, sensitivity, bound, p=len(precision))
    return _certified(candidates, alive, weights, pours, prior)


def _without_idle(alive, weights, sensitivity, bound, *, p):
    """Leave out points that no optimum uses: s < p (h - 1) + sum w s, with e = max s - sum w s and
    h = 1 + e/2 - sqrt(e (4 + e - 4/p)) / 2.

    Without a prior sum w s = p and the bound is p h: Harman & Pronzato 2007, Stat. Prob. Letters 77:90-94. It is so
    with a prior B too. Let S* = M* + B be the precision at an optimum, s* what s is there, l the eigenvalues of
    S^-1 S*. Then sum l = tr S^-1 M* + tr S^-1 B <= max s + p - sum w s = p + e, and sum 1/l = tr S*^-1 S <= p by the
    equivalence theorem. As the other p - 1 have an arithmetic mean above their harmonic one, the least l has
    l + (p - 1)^2 / (p - 1/l) <= p + e, which is l >= h. A point in use has s* = p - tr S*^-1 B, hence
    s >= l s* >= l p - tr S^-1 B = p (l - 1) + sum w s.
    """
    excess = sensitivity.max() - bound
    least = 1 + excess / 2 - np.sqrt(excess * (4 + excess - 4 / p)) / 2
    kept = sensitivity >= bound - p * (1 - least)
    return alive[kept], weights[kept] / weights[kept].sum()


def _certified(candidates, alive, weights, pours, prior) -> ContinuousOptimum:
    """The optimum with its gap over every candidate."""
    whole = np.zeros(len(candidates))
    whole[alive] = weights
    precision = pours * (candidates.T * whole) @ candidates + prior
    sensitivity = pours * np.sum(candidates @ np.linalg.inv(precision) * candidates, axis=1)
    return ContinuousOptimum(weights=frozen(whole), log_det=float(np.linalg.slogdet(precision)[1]),
                             gap=float(sensitivity.max() / (whole @ sensitivity) - 1))

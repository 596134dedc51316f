"""The lie of a quadratic  y(x) = b0 + b'x + x'Bx  with symmetric B (Box & Draper 2007, chapters 6, 10, 11).

Stationary point  xs = -B^-1 b / 2;  canonical form  y = ys + sum lambda_i w_i^2,  w = M'(x - xs).
Ridge: the best point at each distance solves  (B - mu I) x = -b / 2  with mu above every eigenvalue (peak) or
below (valley).
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, kw_only=True, eq=False)
class Canonical:
    """point (d,) and level there; eigenvalues (d,) from the highest; axes (d, d), a column an eigenvector."""

    point: np.ndarray
    level: float
    eigenvalues: np.ndarray
    axes: np.ndarray

    @property
    def kind(self) -> str:
        """`peak`, `valley`, `saddle`, or `ridge` when an axis bends under a hundredth of the steepest."""
        steepest = np.abs(self.eigenvalues).max()
        if steepest == 0 or np.abs(self.eigenvalues).min() < 0.01 * steepest:
            return "ridge"
        if (self.eigenvalues < 0).all():
            return "peak"
        return "valley" if (self.eigenvalues > 0).all() else "saddle"


def height(b0: float, b: np.ndarray, curved: np.ndarray, x: np.ndarray) -> np.ndarray:
    """y at each row of x (m, d)."""
    x = np.atleast_2d(x)
    return b0 + x @ b + np.einsum("ij,jk,ik->i", x, curved, x)


def canonical(b0: float, b: np.ndarray, curved: np.ndarray) -> Canonical:
    """Stationary point and canonical form; along a flat axis the point nearest to the centre is taken."""
    values, vectors = np.linalg.eigh(curved)
    order = np.argsort(values)[::-1]
    values, vectors = values[order], _signed(vectors[:, order])
    tiny = np.abs(values) <= 1e-12 * max(np.abs(values).max(), 1e-300)
    inverse = np.where(tiny, 0.0, 1.0 / np.where(tiny, 1.0, values))
    point = -0.5 * vectors @ (inverse * (vectors.T @ b))
    return Canonical(point=point, level=float(b0 + 0.5 * b @ point), eigenvalues=values, axes=vectors)


def _signed(vectors: np.ndarray) -> np.ndarray:
    """Eigenvectors with their largest entry positive, so that they read the same everywhere."""
    largest = vectors[np.abs(vectors).argmax(axis=0), np.arange(vectors.shape[1])]
    return vectors * np.where(largest < 0, -1.0, 1.0)


def ridge_point(b: np.ndarray, curved: np.ndarray, mu: float) -> np.ndarray:
    """x with (B - mu I) x = -b / 2: the equation as printed, against which `ridge_path` is checked."""
    return np.linalg.solve(curved - mu * np.eye(len(b)), -0.5 * np.asarray(b, dtype=float))


def ridge_path(b: np.ndarray, curved: np.ndarray, radii: np.ndarray, *, upward: bool = True) -> np.ndarray:
    """The highest (or lowest) point at each distance from the centre, shape (len(radii), d).

    |x(mu)| falls from infinity to nothing as mu leaves the largest eigenvalue upwards, so one mu belongs to
    each radius (Draper 1963, Technometrics 5:469-479). Where b has no part along the steepest axis, the rest
    of the radius is walked along that axis.
    """
    sign = 1.0 if upward else -1.0
    slope, bend = sign * np.asarray(b, dtype=float), sign * np.asarray(curved, dtype=float)
    return np.array([_at_radius(slope, bend, float(radius)) for radius in radii])


def _at_radius(b: np.ndarray, curved: np.ndarray, radius: float) -> np.ndarray:
    values, vectors = np.linalg.eigh(curved)
    along = 0.5 * vectors.T @ b
    if radius <= 0 or np.abs(values).max() + np.abs(along).max() == 0:
        return np.zeros(len(b))
    return vectors @ _on_sphere(along, values[-1] - values, radius)


def _on_sphere(along: np.ndarray, gaps: np.ndarray, radius: float) -> np.ndarray:
    """w_i = along_i / (t + gap_i), |w| = radius: bisection on log t below |along| / radius."""
    size = max(np.linalg.norm(along) / radius, 1e-300)
    low, high = np.log(size * 1e-14), np.log(size) + 1e-9
    for _ in range(200):
        middle = 0.5 * (low + high)
        longer = np.linalg.norm(along / (np.exp(middle) + gaps)) > radius
        low, high = (middle, high) if longer else (low, middle)
    w = along / (np.exp(high) + gaps)
    short = radius**2 - w @ w
    if short > 1e-9 * radius**2:
        w[-1] = np.sqrt(short + w[-1] ** 2) * (1.0 if w[-1] >= 0 else -1.0)
    return w


def steepest_path(b: np.ndarray, steps: np.ndarray) -> np.ndarray:
    """Points along b / |b| at each distance in `steps`: steepest ascent (Box & Wilson 1951)."""
    length = np.linalg.norm(b)
    direction = np.zeros(len(b)) if length == 0 else np.asarray(b, dtype=float) / length
    return np.asarray(steps, dtype=float)[:, None] * direction

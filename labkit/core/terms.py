"""Model matrices: named polynomial terms in coded coordinates, and orthonormal functions by degree."""

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, combinations_with_replacement

import numpy as np

RANK_TOLERANCE = 1e-7  # of the largest singular value; sample coordinates carry about 1e-12


def frozen(array, dtype=float) -> np.ndarray:
    """A read-only copy of an array."""
    copy = np.array(array, dtype=dtype)
    copy.setflags(write=False)
    return copy


@dataclass(frozen=True, kw_only=True, eq=False)
class DegreeBasis:
    """Functions of the region, orthonormal in the mean square of a sample, by polynomial degree.

    phi(x) = m((x - centre) @ spread) @ weights, where m lists monomials with the given exponents. The first function
    is the constant 1; those of degree k are orthogonal to everything of lower degree. An affine recoding of the
    coordinates only rotates the functions within a degree, so a prior with one scale a degree means the same in any
    coding.

    centre (d,), spread (d, r), exponents (m, r) whole numbers, weights (m, p), degrees (p,) whole numbers.
    """

    centre: np.ndarray
    spread: np.ndarray
    exponents: np.ndarray
    weights: np.ndarray
    degrees: np.ndarray

    def __post_init__(self):
        for name in ("centre", "spread", "weights"):
            object.__setattr__(self, name, frozen(getattr(self, name)))
        for name in ("exponents", "degrees"):
            object.__setattr__(self, name, frozen(getattr(self, name), dtype=int))

    @property
    def size(self) -> int:
        """How many functions there are, p."""
        return len(self.degrees)

    def evaluate(self, coded) -> np.ndarray:
        """The functions at coded coordinates (n, d) -> (n, p)."""
        inner = (as_rows(coded) - self.centre) @ self.spread
        return monomials(inner, self.exponents) @ self.weights


def degree_basis(sample, degree=2) -> DegreeBasis:
    """Orthonormal functions up to a degree over a dense sample (n, d) of the region, in its coded coordinates.

    Constant; linear functions modulo constants; quadratic ones modulo linear ones; and so on. The coordinates are
    whitened first (singular values of the centred sample), so the result does not depend on how they were coded;
    directions in which the sample has no extent bring no function.
    """
    sample = as_rows(sample)
    centre = sample.mean(axis=0)
    spread = whitening(sample - centre)
    exponents = graded_exponents(spread.shape[1], degree)
    return _basis(sample, centre=centre, spread=spread, exponents=exponents)


def basis_of_terms(sample, exponents) -> DegreeBasis:
    """Orthonormal functions spanning given monomials (m, d) over a sample (n, d): as `degree_basis`, fewer functions.

    The constant always belongs to the span. Unlike `degree_basis` this depends on the coding of the coordinates, as
    the choice of monomials does.
    """
    sample = as_rows(sample)
    exponents = np.atleast_2d(np.asarray(exponents, dtype=int))
    constant = np.zeros((1, sample.shape[1]), dtype=int)
    exponents = np.vstack([constant, exponents[exponents.sum(axis=1) > 0]])
    return _basis(sample, centre=np.zeros(sample.shape[1]), spread=np.eye(sample.shape[1]), exponents=exponents)


def _basis(sample, *, centre, spread, exponents) -> DegreeBasis:
    """Orthonormalise monomials degree by degree; a degree's functions are those left after the lower ones."""
    columns = monomials((sample - centre) @ spread, exponents)
    of_degree = exponents.sum(axis=1)
    values, weights, degrees = np.empty((len(sample), 0)), np.empty((len(exponents), 0)), []
    for degree in range(of_degree.max() + 1):
        block = np.eye(len(exponents))[:, of_degree == degree]
        values, weights, found = _extend(columns, block, values, weights)
        degrees += [degree] * found
    return DegreeBasis(centre=centre, spread=spread, exponents=exponents, weights=weights, degrees=degrees)


def _extend(columns, block, values, weights):
    """Add to an orthonormal set what the functions `columns @ block` bring that it does not hold."""
    scale = root_mean_square(columns @ block)
    block = block / np.where(scale > 0, scale, 1)
    for _ in range(2):  # twice is enough for orthogonality to rounding error
        block = block - weights @ (values.T @ (columns @ block)) / len(columns)
    turn = whitening(columns @ block, floor=1)
    block = block @ turn
    block = block - weights @ (values.T @ (columns @ block)) / len(columns)
    return np.hstack([values, columns @ block]), np.hstack([weights, block]), block.shape[1]


def whitening(columns, floor=None) -> np.ndarray:
    """W (d, r) such that columns @ W is orthonormal in the mean square, r the numerical rank.

    floor: the size below which (times RANK_TOLERANCE) a direction counts as nothing; the largest singular value of
    the scaled columns where it is left out.
    """
    scale = np.ones(columns.shape[1]) if floor else root_mean_square(columns)
    scale = np.where(scale > 1e-12, scale, np.inf)
    _, size, turn = np.linalg.svd(columns / scale / np.sqrt(len(columns)), full_matrices=False)
    kept = size > RANK_TOLERANCE * max(floor or 0.0, size.max(initial=0.0))
    return (turn[kept].T / size[kept]) / scale[:, None]


def root_mean_square(columns) -> np.ndarray:
    """The root mean square of each column."""
    return np.sqrt(np.mean(np.square(columns), axis=0))


def as_rows(coded) -> np.ndarray:
    """Coordinates as a float array (n, d); a single row of d numbers is one row."""
    return np.atleast_2d(np.asarray(coded, dtype=float))


def graded_exponents(width, degree) -> np.ndarray:
    """Exponents (m, width) of all monomials up to a degree, lower degrees first."""
    rows = []
    for k in range(degree + 1):
        rows += [np.bincount(np.array(pick, dtype=int), minlength=width)
                 for pick in combinations_with_replacement(range(width), k)]
    return np.array(rows, dtype=int).reshape(len(rows), width)


def monomials(values, exponents) -> np.ndarray:
    """prod_j values[:, j] ** exponents[i, j] -> (n, m)."""
    result = np.ones((len(values), len(exponents)))
    for j in range(values.shape[1]):
        result *= values[:, j, None] ** exponents[:, j]
    return result

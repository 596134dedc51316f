"""Model matrices: named polynomial terms in coded coordinates, and orthonormal functions by degree."""

from dataclasses import dataclass
from itertools import combinations, combinations_with_replacement
from math import factorial, prod

import numpy as np

RANK_TOLERANCE = 1e-7  # of the largest singular value; sample coordinates carry about 1e-12
MODELS = ("linear", "interaction", "quadratic")


def frozen(array, dtype=float) -> np.ndarray:
    """A read-only copy of an array."""
    copy = np.array(array, dtype=dtype)
    copy.setflags(write=False)
    return copy


@dataclass(frozen=True, kw_only=True, eq=False)
class DegreeBasis:
    """Functions of the region, orthonormal in the mean square of a sample, by polynomial degree.

    phi(x) = m((x - centre) @ spread) @ weights, where m lists monomials with the given exponents. The first
    function is the constant 1; those of degree k are orthogonal to everything of lower degree. An affine
    recoding of the coordinates only rotates the functions within a degree, so a prior with one scale a degree
    means the same in any coding.

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
    """Orthonormal functions up to a degree over a dense sample (n, d) of the region, in coded coordinates.

    Constant; linear functions modulo constants; quadratic ones modulo linear ones; and so on. The coordinates
    are whitened first (singular values of the centred sample), so the result does not depend on how they were
    coded; directions in which the sample has no extent bring no function.
    """
    sample = as_rows(sample)
    centre = sample.mean(axis=0)
    spread = whitening(sample - centre)
    exponents = graded_exponents(spread.shape[1], degree)
    return _basis(sample, centre=centre, spread=spread, exponents=exponents)


def basis_of_terms(sample, exponents) -> DegreeBasis:
    """Orthonormal functions spanning given monomials (m, d) over a sample (n, d), by degree.

    The constant and the linear functions always belong to the span. Unlike `degree_basis` this depends on the
    coding of the coordinates, as the choice of monomials does.
    """
    sample, exponents = as_rows(sample), np.atleast_2d(np.asarray(exponents, dtype=int))
    width = sample.shape[1]
    exponents = np.vstack([graded_exponents(width, 1), exponents[exponents.sum(axis=1) > 1]])
    return _basis(sample, centre=np.zeros(width), spread=np.eye(width), exponents=exponents)


def narrowed_functions(phi, sample, degree=2):
    """Orthonormal functions up to a degree of some coordinates alone, as combinations of functions that span them.

    phi (n, p): orthonormal functions over a sample, up to that degree at least, of coordinates (n, d') that `sample`
    (n, d) has some of. Returns lift (p, q), orthonormal columns, and the degrees (q,): phi @ lift are the functions
    of `degree_basis(sample, degree)`, but for a turn within each degree.
    """
    sample = as_rows(sample)
    inner = (sample - sample.mean(axis=0)) @ whitening(sample - sample.mean(axis=0))
    exponents = graded_exponents(inner.shape[1], degree)
    size = phi.shape[1]
    values, _, degrees = _by_degree(phi.T @ monomials(inner, exponents) / len(phi) * np.sqrt(size), exponents)
    return values / np.sqrt(size), np.array(degrees, dtype=int)


def _basis(sample, *, centre, spread, exponents) -> DegreeBasis:
    columns = monomials((sample - centre) @ spread, exponents)
    _, weights, degrees = _by_degree(columns, exponents)
    return DegreeBasis(centre=centre, spread=spread, exponents=exponents, weights=weights, degrees=degrees)


def _by_degree(columns, exponents):
    """Orthonormalise monomials degree by degree; a degree's functions are those left after the lower ones."""
    of_degree = exponents.sum(axis=1)
    values, weights, degrees = np.empty((len(columns), 0)), np.empty((len(exponents), 0)), []
    for degree in range(of_degree.max() + 1):
        block = np.eye(len(exponents))[:, of_degree == degree]
        values, weights, found = _extend(columns, block, values, weights)
        degrees += [degree] * found
    return values, weights, degrees


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

    A direction counts as nothing below RANK_TOLERANCE times the largest singular value, or times `floor` where that is
    larger; without a floor the columns are scaled to one size first. With r = d it is the symmetric root (Lowdin 1950,
    Journal of Chemical Physics 18:365-375): singular vectors of what is orthonormal already turn with rounding, and
    draws with them.
    """
    scale = np.ones(columns.shape[1]) if floor else root_mean_square(columns)
    scale = np.where(scale > 1e-12, scale, np.inf)
    _, size, turn = np.linalg.svd(columns / scale / np.sqrt(len(columns)), full_matrices=False)
    kept = size > RANK_TOLERANCE * max(floor or 0.0, size.max(initial=0.0))
    found = turn[kept].T / size[kept]
    return (found @ turn if kept.sum() == columns.shape[1] else found) / scale[:, None]


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
    result = np.ones((len(exponents), len(values)))
    for column, powers in zip(np.transpose(values), np.transpose(exponents)):
        power = column
        for k in range(1, powers.max(initial=0) + 1):
            result[powers == k] *= power
            power = power * column
    return np.ascontiguousarray(result.T)


@dataclass(frozen=True, kw_only=True, eq=False)
class Terms:
    """The terms of a polynomial model: monomials in named columns, with their names.

    columns: what the model is written in; exponents (m, d); blends: for each blend the places of its parts
    among the columns. The parts of a blend are divided by their sum before a row is used, so shares that were
    rounded still add to one.
    """

    columns: tuple
    exponents: np.ndarray
    blends: tuple = ()

    def __post_init__(self):
        object.__setattr__(self, "exponents", frozen(self.exponents, dtype=int))

    @property
    def names(self) -> tuple:
        return tuple(term_name(self.columns, row) for row in self.exponents)

    @property
    def degrees(self) -> np.ndarray:
        return self.exponents.sum(axis=1)

    def evaluate(self, values) -> np.ndarray:
        """The model matrix (n, m) at values (n, d) of the columns."""
        return monomials(closed(as_rows(values), self.blends), self.exponents)

    def subset(self, names) -> "Terms":
        """The terms with these names, in this model's order."""
        kept = [name in set(names) for name in self.names]
        return Terms(columns=self.columns, exponents=self.exponents[kept], blends=self.blends)


def polynomial_terms(columns, *, model="quadratic", blends=()) -> Terms:
    """A linear, interaction or quadratic model in factors, and the Scheffe model of that degree in blends.

    Factors: constant, x, x y and, for "quadratic", x^2. One blend of parts p: p and p q take the place of the
    constant and of its own squares, and p x that of x (Scheffe 1958; Cornell, Experiments with Mixtures).
    Further blends: their parts but the last, and their products p q. The terms are linearly independent on a
    region with an inside. blends: tuples of places among the columns.
    """
    parts = [tuple(blend) for blend in blends]
    first = parts[0] if parts else ()
    in_blend = {place for blend in parts for place in blend}
    factors = [place for place in range(len(columns)) if place not in in_blend]
    free = sorted(factors + [place for blend in parts[1:] for place in blend[:-1]])
    rows = _linear_rows(first, free, keep=not first or model == "linear")
    if model != "linear":
        rows += [pair for blend in parts for pair in combinations(blend, 2)]
        rows += [(part, place) for place in free for part in first]
        within = {pair for blend in parts for pair in combinations(sorted(blend), 2)}
        rows += [pair for pair in combinations(free, 2) if pair not in within]
    if model == "quadratic":
        rows += [(place, place) for place in factors]
    exponents = [np.bincount(np.array(row, dtype=int), minlength=len(columns)) for row in rows]
    return Terms(columns=tuple(columns), exponents=np.array(exponents), blends=tuple(parts))


def _linear_rows(first, free, *, keep) -> list:
    start = [(part,) for part in first] or [()]
    return start + [(place,) for place in free if keep]


def term_name(columns, exponents) -> str:
    """'constant', 'wax', 'wax x load', 'wax^2': a term in words."""
    powers = [name if power == 1 else f"{name}^{power}" for name, power in zip(columns, exponents) if power]
    return " x ".join(powers) or "constant"


def closed(values, blends) -> np.ndarray:
    """Values with the parts of each blend divided by their sum."""
    values = np.array(values, dtype=float)
    for blend in blends:
        places = list(blend)
        values[:, places] /= values[:, places].sum(axis=1, keepdims=True)
    return values


def indistinct_terms(terms, sample) -> dict:
    """Terms that a sample (n, d) of the region cannot tell from earlier ones: name -> those it is made of."""
    return indistinct_columns(terms.evaluate(sample), terms.names)


def indistinct_columns(matrix, names) -> dict:
    """Columns (n, p) that depend on earlier ones: name -> names of those they are made of.

    Least squares of each column, in their order, on those kept so far: it depends on them where nothing of it is left.
    """
    size = root_mean_square(matrix)
    matrix = matrix / np.where(size > 0, size, 1)
    kept, found = [], {}
    for j, name in enumerate(names):
        weights = np.linalg.lstsq(matrix[:, kept], matrix[:, j], rcond=None)[0] if kept else np.zeros(0)
        if root_mean_square(matrix[:, j] - matrix[:, kept] @ weights) > RANK_TOLERANCE:
            kept.append(j)
        else:
            found[name] = tuple(names[i] for i, weight in zip(kept, weights) if abs(weight) > 1e-6)
    return found


def product_moments(terms) -> np.ndarray:
    """Exact moment matrix of the uniform measure on a box [-1, 1]^k times one whole simplex a blend.

    Box: E x^a = 1 / (a + 1) for even a, 0 for odd.
    Simplex of q parts: E prod p^a = (q-1)! prod a! / (q-1+sum a)!.
    """
    in_blend = {place for blend in terms.blends for place in blend}
    factors = [place for place in range(len(terms.columns)) if place not in in_blend]

    def moment(powers):
        box = prod(0.0 if powers[place] % 2 else 1 / (powers[place] + 1) for place in factors)
        return box * prod(_simplex_moment([powers[place] for place in blend]) for blend in terms.blends)

    rows = terms.exponents.tolist()
    return np.array([[moment([a + b for a, b in zip(one, other)]) for other in rows] for one in rows])


def _simplex_moment(powers) -> float:
    free = len(powers) - 1
    return factorial(free) * prod(factorial(power) for power in powers) / factorial(free + sum(powers))


def sample_moments(matrix) -> np.ndarray:
    """Moment matrix of a dense sample: F'F / n of its model matrix (n, p)."""
    return matrix.T @ matrix / len(matrix)

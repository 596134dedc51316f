"""Polytopes {x : E x = e, A x <= b}: charts, corners, extents, uniform points (Gruenbaum, Convex Polytopes, ch. 2).

An array of points has a row a point. scipy's HiGHS solves the linear programs and qhull lists the corners;
qhull wants at least two free dimensions and a point strictly inside, so one, none and hidden equalities are
treated here.
"""

from dataclasses import dataclass

import numpy as np

TOLERANCE = 1e-9


class EmptyPolytope(ValueError):
    """No point satisfies all rows."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Polytope:
    """{x : equal x = equal_to, below x <= below_to}; arrays (e, n), (e,), (i, n), (i,)."""

    equal: np.ndarray
    equal_to: np.ndarray
    below: np.ndarray
    below_to: np.ndarray

    def __post_init__(self):
        for name in ("equal", "equal_to", "below", "below_to"):
            array = np.array(getattr(self, name), dtype=float)
            array.setflags(write=False)
            object.__setattr__(self, name, array)


@dataclass(frozen=True, kw_only=True, eq=False)
class Chart:
    """Coordinates z of a polytope's own dimension: x = origin + z @ axes, with rows z @ below.T <= below_to.

    The origin lies strictly inside (z = 0), the axes (d, n) are scaled so that the body reaches about one in each.
    """

    origin: np.ndarray
    axes: np.ndarray
    below: np.ndarray
    below_to: np.ndarray

    @property
    def dimension(self) -> int:
        return len(self.axes)

    def points(self, z: np.ndarray) -> np.ndarray:
        return self.origin + z @ self.axes


def contains(polytope: Polytope, x: np.ndarray, tolerance: float = TOLERANCE) -> np.ndarray:
    """Whether each row of x (m, n) satisfies every row of the polytope within `tolerance`."""
    x = np.atleast_2d(x)
    level = np.abs(x @ polytope.equal.T - polytope.equal_to).max(axis=1, initial=0.0)
    over = (x @ polytope.below.T - polytope.below_to).max(axis=1, initial=-np.inf)
    return (level <= tolerance) & (over <= tolerance)


def extent(polytope: Polytope, direction: np.ndarray) -> tuple[float, float]:
    """The lowest and highest value of direction . x over the polytope (two linear programs)."""
    return _lowest(polytope, direction)[1], -_lowest(polytope, -np.asarray(direction))[1]


def lowest_point(polytope: Polytope, direction: np.ndarray) -> np.ndarray:
    """A point of the polytope where direction . x is lowest."""
    return _lowest(polytope, direction)[0]


def _lowest(polytope: Polytope, direction: np.ndarray) -> tuple[np.ndarray, float]:
    from scipy.optimize import linprog

    answer = linprog(
        direction,
        A_ub=polytope.below if len(polytope.below) else None,
        b_ub=polytope.below_to if len(polytope.below) else None,
        A_eq=polytope.equal if len(polytope.equal) else None,
        b_eq=polytope.equal_to if len(polytope.equal) else None,
        bounds=(None, None),
        method="highs",
    )
    if answer.status == 2 or answer.x is None:
        raise EmptyPolytope("no point satisfies all rows")
    return answer.x, float(answer.fun)


def chart(polytope: Polytope) -> Chart:
    """A chart about the centre of the largest ball inside; rows that cannot be slack become equalities first."""
    for _ in range(len(polytope.below) + 1):
        x, axes, below, room = _flat_chart(polytope)
        centre, radius = _inner_ball(below, room)
        if not len(axes) or radius > 10 * TOLERANCE:
            return _scaled(Chart(origin=x + centre @ axes, axes=axes, below=below, below_to=room - below @ centre))
        polytope = _tightened(polytope)
    raise EmptyPolytope("the rows leave no point")


def _flat_chart(polytope: Polytope) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """A solution of the equalities, an orthonormal basis of their null space, the other rows (length one) in it."""
    n = polytope.below.shape[1]
    if len(polytope.equal):
        u, s, vt = np.linalg.svd(polytope.equal)
        rank = int((s > 1e-12 * s[0]).sum())
        x = vt[:rank].T @ ((u.T @ polytope.equal_to)[:rank] / s[:rank])
        if np.abs(polytope.equal @ x - polytope.equal_to).max() > 1e-9:
            raise EmptyPolytope("the equalities contradict each other")
        axes = vt[rank:]
    else:
        x, axes = np.zeros(n), np.eye(n)
    below, room = polytope.below @ axes.T, polytope.below_to - polytope.below @ x
    length = np.linalg.norm(below, axis=1)
    flat = length <= 1e-12
    if (room[flat] < -TOLERANCE).any():
        raise EmptyPolytope("a row contradicts the equalities")
    return x, axes, below[~flat] / length[~flat, None], room[~flat] / length[~flat]


def _inner_ball(below: np.ndarray, room: np.ndarray) -> tuple[np.ndarray, float]:
    """Centre and radius of the largest ball inside (Boyd & Vandenberghe 2004, section 8.5.1): max r, a.z + r <= b."""
    from scipy.optimize import linprog

    d = below.shape[1]
    if not len(below) or d == 0:
        return np.zeros(d), np.inf
    answer = linprog(
        np.r_[np.zeros(d), -1.0],
        A_ub=np.c_[below, np.ones(len(below))],
        b_ub=room,
        bounds=[(None, None)] * d + [(None, 1e3)],
        method="highs",
    )
    if answer.x is None or answer.x[-1] < -TOLERANCE:
        raise EmptyPolytope("no point satisfies all rows")
    return answer.x[:-1], float(answer.x[-1])


def _tightened(polytope: Polytope) -> Polytope:
    """The same set with every row that cannot be slack written as an equality."""
    tight = np.array(
        [
            b - _lowest(polytope, a)[1] <= 100 * TOLERANCE * max(1.0, np.linalg.norm(a))
            for a, b in zip(polytope.below, polytope.below_to, strict=True)
        ]
    )
    if not tight.any():
        raise EmptyPolytope("the set is thinner than rounding can tell")
    return Polytope(
        equal=np.r_[polytope.equal.reshape(-1, polytope.below.shape[1]), polytope.below[tight]],
        equal_to=np.r_[polytope.equal_to, polytope.below_to[tight]],
        below=polytope.below[~tight],
        below_to=polytope.below_to[~tight],
    )


def _scaled(body: Chart) -> Chart:
    """Axes stretched to the body: by how far the rows let one go from the centre along each, both ways on average."""
    if body.dimension == 0 or not len(body.below):
        return body
    with np.errstate(divide="ignore"):
        ahead = np.where(body.below > 1e-12, body.below_to[:, None] / body.below, np.inf).min(axis=0)
        back = np.where(body.below < -1e-12, -body.below_to[:, None] / body.below, np.inf).min(axis=0)
    reach = np.where(np.isfinite(ahead + back), (ahead + back) / 2, 1.0)
    return Chart(origin=body.origin, axes=body.axes * reach[:, None], below=body.below * reach, below_to=body.below_to)


def vertices(polytope: Polytope) -> np.ndarray:
    """All corners, a row each, in lexical order of their coordinates; (1, n) for a single point."""
    body = chart(polytope)
    z = _corners(body)
    x = body.points(np.array([_polished(body, corner) for corner in z])) if body.dimension else body.points(z)
    return _distinct(x)


def _corners(body: Chart) -> np.ndarray:
    if body.dimension == 0:
        return np.zeros((1, 0))
    if body.dimension == 1:
        ends = body.below_to / body.below[:, 0]
        return np.array([[ends[body.below[:, 0] < 0].max()], [ends[body.below[:, 0] > 0].min()]])
    from scipy.spatial import HalfspaceIntersection

    rows = np.c_[body.below, -body.below_to]
    return HalfspaceIntersection(rows, np.zeros(body.dimension)).intersections


def _polished(body: Chart, corner: np.ndarray) -> np.ndarray:
    """The corner solved again from the rows that meet in it, so that its digits are those of the rows."""
    length = np.linalg.norm(body.below, axis=1)
    active = (body.below_to - body.below @ corner) / length < 1e-7
    return np.linalg.lstsq(
        body.below[active] / length[active, None], body.below_to[active] / length[active], rcond=None
    )[0]


def _distinct(x: np.ndarray, tolerance: float = 1e-8) -> np.ndarray:
    """Rows in lexical order, those that coincide within `tolerance` once."""
    x = np.where(np.abs(x) < 1e-15, 0.0, x)
    order = np.lexsort(np.round(x, 9).T[::-1])
    x = x[order]
    kept: list[np.ndarray] = []
    for row in x:
        if not kept or np.abs(np.array(kept) - row).max(axis=1).min() > tolerance:
            kept.append(row)
    return np.array(kept)


def uniform_points(polytope: Polytope, n: int, seed: int) -> np.ndarray:
    """n points, uniform by volume: exact up to three dimensions, by a random walk beyond."""
    rng = np.random.default_rng(seed)
    body = chart(polytope)
    if body.dimension == 0:
        return np.repeat(body.origin[None], n, axis=0)
    z = _by_triangles(body, n, rng) if body.dimension <= 3 else _by_walking(body, n, rng)
    return body.points(z)


def _by_triangles(body: Chart, n: int, rng: np.random.Generator) -> np.ndarray:
    """A simplex of a triangulation by its volume, then Dirichlet weights of its corners."""
    corners = _corners(body)
    if body.dimension == 1:
        return corners[0] + rng.uniform(size=(n, 1)) * (corners[1] - corners[0])
    from scipy.spatial import Delaunay

    simplices = Delaunay(corners).simplices
    volume = np.abs(np.linalg.det(corners[simplices[:, 1:]] - corners[simplices[:, :1]]))
    chosen = simplices[rng.choice(len(simplices), size=n, p=volume / volume.sum())]
    weights = rng.dirichlet(np.ones(body.dimension + 1), size=n)
    return np.einsum("nk,nkd->nd", weights, corners[chosen])


def _by_walking(body: Chart, n: int, rng: np.random.Generator) -> np.ndarray:
    """Hit and run (Smith 1984, Operations Research 32:1296-1308): n walkers from the centre, each 40 d steps.

    A step goes in a random direction to a uniform point of the chord. The chart is scaled to the body, so walks mix.
    """
    z = np.zeros((n, body.dimension))
    for _ in range(40 * body.dimension):
        way = rng.normal(size=z.shape)
        speed, room = way @ body.below.T, body.below_to - z @ body.below.T
        with np.errstate(divide="ignore", invalid="ignore"):
            time = room / speed
        ahead = np.where(speed > 1e-12, time, np.inf).min(axis=1)
        back = np.where(speed < -1e-12, time, -np.inf).max(axis=1)
        z += way * (back + rng.uniform(size=n) * (ahead - back))[:, None]
    return z


def meeting(polytope: Polytope, corners: np.ndarray, tolerance: float = 1e-7) -> np.ndarray:
    """Which rows hold with equality in which corner: booleans (corners, rows)."""
    length = np.linalg.norm(polytope.below, axis=1)
    return np.abs(corners @ polytope.below.T - polytope.below_to) <= tolerance * np.where(length > 0, length, 1.0)


def faces(polytope: Polytope, corners: np.ndarray) -> list[np.ndarray]:
    """The corners of each facet: row sets of full dimension less one, each facet once, in the order of the rows."""
    dimension = _affine_rank(corners)
    found: dict[tuple[int, ...], None] = {}
    for column in meeting(polytope, corners).T:
        members = np.flatnonzero(column)
        if 0 < len(members) < len(corners) and _affine_rank(corners[members]) == dimension - 1:
            found[tuple(members)] = None
    return [np.array(members) for members in found]


def edges(polytope: Polytope, corners: np.ndarray) -> np.ndarray:
    """Pairs of corners (k, 2) joined by an edge: no third corner meets all the rows that both meet."""
    met = meeting(polytope, corners)
    pairs = []
    for i in range(len(corners)):
        common = met[i] & met[i + 1 :]
        for k, rows in enumerate(common, start=i + 1):
            if met[:, rows].all(axis=1).sum() == 2:
                pairs.append((i, k))
    return np.array(pairs, dtype=int).reshape(-1, 2)


def _affine_rank(points: np.ndarray) -> int:
    """Dimension of the flat through the points."""
    away = points - points[0]
    size = np.abs(away).max(initial=0.0)
    return int(np.linalg.matrix_rank(away / size, tol=1e-7)) if size > 0 else 0

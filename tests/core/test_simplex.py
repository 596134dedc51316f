import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.core import simplex


def box_on_a_simplex(low, high, total=1.0):
    """{x : sum x = total, low <= x <= high}."""
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    n = len(low)
    return simplex.Polytope(
        equal=np.ones((1, n)), equal_to=[total], below=np.vstack([np.eye(n), -np.eye(n)]), below_to=np.r_[high, -low]
    )


def corners_by_brute_force(polytope):
    """Every n - e rows with equality, solved and kept when feasible: the definition of a corner."""
    n = polytope.below.shape[1]
    found = []
    for rows in itertools.combinations(range(len(polytope.below)), n - len(polytope.equal)):
        matrix = np.vstack([polytope.equal, polytope.below[list(rows)]])
        if np.linalg.matrix_rank(matrix, tol=1e-10) == n:
            x = np.linalg.solve(matrix, np.r_[polytope.equal_to, polytope.below_to[list(rows)]])
            if simplex.contains(polytope, x[None], 1e-9)[0]:
                found.append(x)
    return np.unique(np.round(found, 7) + 0.0, axis=0)


def test_a_point_an_edge_and_a_triangle():
    point = box_on_a_simplex([0.3, 0.4, 0.3], [0.3, 0.4, 0.3])
    edge = box_on_a_simplex([0.3, 0.2, 0.3], [0.3, 0.5, 0.4])
    triangle = box_on_a_simplex([0, 0, 0], [1, 1, 1])
    assert [simplex.chart(p).dimension for p in (point, edge, triangle)] == [0, 1, 2]
    assert simplex.vertices(point) == pytest.approx(np.array([[0.3, 0.4, 0.3]]), abs=1e-14)
    assert simplex.vertices(edge) == pytest.approx(np.array([[0.3, 0.3, 0.4], [0.3, 0.4, 0.3]]), abs=1e-14)
    assert simplex.vertices(triangle) == pytest.approx(np.eye(3)[::-1], abs=1e-14)


def test_rows_that_contradict_each_other_are_found():
    for polytope in (box_on_a_simplex([0.5, 0.6], [0.7, 0.8]), box_on_a_simplex([0.1, 0.1], [0.2, 0.2])):
        with pytest.raises(simplex.EmptyPolytope):
            simplex.vertices(polytope)


def test_two_rows_that_leave_one_value_are_an_equality():
    cube = simplex.Polytope(
        equal=np.zeros((0, 3)),
        equal_to=[],
        below=np.vstack([np.eye(3), -np.eye(3), [[1, 1, 0]], [[-1, -1, 0]]]),
        below_to=[1, 1, 1, 0, 0, 0, 1, -1],
    )
    assert simplex.chart(cube).dimension == 2
    assert len(simplex.vertices(cube)) == 4


@st.composite
def bounded_mixtures(draw):
    """2 to 6 parts on a 0.05 grid of bounds around a common point, with up to two further limits through it."""
    q = draw(st.integers(2, 6))
    centre = np.array(draw(st.lists(st.integers(1, 6), min_size=q, max_size=q)), dtype=float)
    centre /= centre.sum()
    below = np.array(draw(st.lists(st.integers(0, 3), min_size=q, max_size=q))) * 0.05
    above = np.array(draw(st.lists(st.integers(0, 3), min_size=q, max_size=q))) * 0.05
    polytope = box_on_a_simplex(np.clip(centre - below, 0, 1), np.clip(centre + above, 0, 1))
    rows = np.array(draw(st.lists(st.lists(st.integers(-2, 2), min_size=q, max_size=q), max_size=2))).reshape(-1, q)
    slack = np.array([draw(st.integers(0, 2)) for _ in rows]) * 0.05
    return simplex.Polytope(
        equal=polytope.equal,
        equal_to=polytope.equal_to,
        below=np.vstack([polytope.below, rows]),
        below_to=np.r_[polytope.below_to, rows @ centre + slack],
    )


@given(bounded_mixtures())
def test_corners_are_those_of_brute_force(polytope):
    found, expected = simplex.vertices(polytope), corners_by_brute_force(polytope)
    assert len(found) == len(expected)
    assert np.unique(np.round(found, 6) + 0.0, axis=0) == pytest.approx(
        np.unique(np.round(expected, 6) + 0.0, axis=0), abs=2e-6
    )


def test_uniform_points_have_the_moments_of_the_triangle():
    """Uniform on the standard simplex of 3 parts: mean 1/3, variance 1/18 each (a Dirichlet distribution of ones)."""
    points = simplex.uniform_points(box_on_a_simplex([0, 0, 0], [1, 1, 1]), 20_000, seed=1)
    assert points.mean(axis=0) == pytest.approx(np.full(3, 1 / 3), abs=0.005)
    assert points.var(axis=0) == pytest.approx(np.full(3, 1 / 18), abs=0.001)


def test_a_walk_in_four_dimensions_has_the_moments_of_the_simplex():
    """Uniform on the standard simplex of 5 parts: mean 1/5, variance 4/150 each, covariance -1/150 (Dirichlet of ones)."""
    points = simplex.uniform_points(box_on_a_simplex([0] * 5, [1] * 5), 20_000, seed=1)
    assert points.mean(axis=0) == pytest.approx(np.full(5, 0.2), abs=0.005)
    assert np.cov(points.T) == pytest.approx((np.eye(5) * 5 - 1) / 150, abs=0.001)

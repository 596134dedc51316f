"""Model matrices: identities, published moment values, trap 1 of the design."""

import numpy as np
import pytest

from labkit.core.terms import basis_of_terms, degree_basis, graded_exponents


def cube(n=400, d=3, seed=1):
    return np.random.default_rng(seed).uniform(-1, 1, (n, d))


def simplex(n=400, q=4, seed=2):
    return np.random.default_rng(seed).dirichlet(np.ones(q), n)


def prior_covariance(basis, coded, scale=(2.0, 1.0, 0.4)):
    values = basis.evaluate(coded) * np.array(scale)[basis.degrees]
    return values @ values.T


class TestDegreeBasis:
    def test_counts_by_degree(self):
        basis = degree_basis(cube())
        assert [(basis.degrees == k).sum() for k in range(3)] == [1, 3, 6]
        assert basis.size == 10

    def test_orthonormal_on_its_sample(self):
        sample = cube()
        values = degree_basis(sample).evaluate(sample)
        assert np.abs(values.T @ values / len(sample) - np.eye(10)).max() < 1e-12
        assert np.allclose(values[:, 0], 1, atol=1e-13)

    def test_degrees_are_nested_functions(self):
        """Functions of degree 1 are exactly linear: second differences vanish."""
        basis = degree_basis(cube())
        line = np.array([[0.1, 0.2, 0.3]]) + np.arange(4)[:, None] * np.array([[0.1, -0.2, 0.05]])
        second = np.diff(basis.evaluate(line), n=2, axis=0)
        assert np.abs(second[:, basis.degrees < 2]).max() < 1e-13
        assert np.abs(np.diff(basis.evaluate(line), n=3, axis=0)).max() < 1e-12

    def test_prior_covariance_is_independent_of_affine_recoding(self):
        rng = np.random.default_rng(3)
        sample, points = cube(), cube(20, seed=4)
        turn, shift = rng.normal(size=(3, 3)), rng.normal(size=3)
        here = prior_covariance(degree_basis(sample), points)
        there = prior_covariance(degree_basis(sample @ turn + shift), points @ turn + shift)
        assert np.abs(here - there).max() < 1e-10

    def test_badly_scaled_units_change_nothing(self):
        sample, points = cube(), cube(20, seed=4)
        scale, shift = np.array([1e-4, 1.0, 1e5]), np.array([0.3, 0.0, 7e5])
        here = prior_covariance(degree_basis(sample), points)
        there = prior_covariance(degree_basis(sample * scale + shift), points * scale + shift)
        assert np.abs(here - there).max() < 1e-7

    def test_shares_that_add_to_one_lose_a_direction(self):
        sample, points = simplex(), simplex(9, seed=5)
        shares, free = degree_basis(sample), degree_basis(sample[:, :3])
        assert [(shares.degrees == k).sum() for k in range(3)] == [1, 3, 6]
        assert np.allclose(prior_covariance(shares, points), prior_covariance(free, points[:, :3]), atol=1e-9)

    def test_a_pinned_coordinate_brings_no_function(self):
        sample = np.column_stack([cube(d=2), np.full(400, 0.25)])
        assert degree_basis(sample).size == 6

    def test_no_freedom_leaves_the_constant(self):
        basis = degree_basis(np.full((5, 2), 0.3))
        assert basis.size == 1
        assert np.allclose(basis.evaluate([[0.3, 0.3]]), 1)

    @pytest.mark.parametrize("degree, size", [(0, 1), (1, 4), (2, 10), (3, 20)])
    def test_other_degrees(self, degree, size):
        assert degree_basis(cube(), degree=degree).size == size

    def test_two_levels_cannot_carry_a_square(self):
        levels = np.array([[a, b] for a in (-1, 1) for b in (-1, 0, 1)] * 5)
        assert degree_basis(levels).size == 5  # 1, two slopes, one product, one square

    def test_read_only_and_repeatable(self):
        basis = degree_basis(cube())
        with pytest.raises(ValueError):
            basis.weights[0, 0] = 1
        assert np.array_equal(basis.weights, degree_basis(cube()).weights)


class TestBasisOfTerms:
    def test_same_functions_as_the_degree_basis_when_all_terms_are_given(self):
        sample, points = cube(), cube(20, seed=4)
        chosen = basis_of_terms(sample, graded_exponents(3, 2))
        assert np.allclose(prior_covariance(chosen, points), prior_covariance(degree_basis(sample), points))

"""Model matrices: identities, moments in closed form, and shares that were rounded."""

import numpy as np
import pytest

from labkit.core.terms import (
    basis_of_terms,
    degree_basis,
    graded_exponents,
    indistinct_terms,
    narrowed_functions,
    polynomial_terms,
    product_moments,
    sample_moments,
    whitening,
)


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

    def test_interactions_only(self):
        terms = polynomial_terms(["a", "b", "c"], model="interaction")
        basis = basis_of_terms(cube(), terms.exponents)
        assert [(basis.degrees == k).sum() for k in range(3)] == [1, 3, 3]

    def test_a_blend_keeps_its_dimension(self):
        shares = simplex()
        terms = polynomial_terms(["a", "b", "c", "d"], blends=[(0, 1, 2, 3)])
        points = simplex(9, seed=5)
        chosen = basis_of_terms(shares, terms.exponents)
        assert np.allclose(prior_covariance(chosen, points), prior_covariance(degree_basis(shares), points))


class TestPolynomialTerms:
    def test_names_in_factors(self):
        assert polynomial_terms(["wax", "load"], model="linear").names == ("constant", "wax", "load")
        assert polynomial_terms(["wax", "load"], model="interaction").names == (
            "constant", "wax", "load", "wax x load")
        assert polynomial_terms(["wax", "load"]).names == (
            "constant", "wax", "load", "wax x load", "wax^2", "load^2")

    def test_names_in_a_blend_with_a_load(self):
        columns, blends = ["base: wax", "base: oil", "load"], [(0, 1)]
        assert polynomial_terms(columns, model="linear", blends=blends).names == (
            "base: wax", "base: oil", "load")
        assert polynomial_terms(columns, blends=blends).names == (
            "base: wax", "base: oil", "base: wax x base: oil", "base: wax x load", "base: oil x load",
            "load^2")

    @pytest.mark.parametrize("q, size", [(2, 3), (3, 6), (4, 10), (5, 15)])
    def test_scheffe_quadratic_has_q_q_plus_1_over_2_terms(self, q, size):
        """Scheffe (1958) J. Royal Statistical Society B 20:344-360: q linear terms and q (q - 1) / 2 products."""
        terms = polynomial_terms([f"p{i}" for i in range(q)], blends=[tuple(range(q))])
        assert len(terms.names) == size

    @pytest.mark.parametrize("model, degree", [("linear", 1), ("quadratic", 2)])
    @pytest.mark.parametrize("q, factors", [((3,), 0), ((3,), 2), ((2, 3), 1), ((2, 2, 3), 1)])
    def test_spans_all_functions_of_its_degree_without_excess(self, model, degree, q, factors):
        rng = np.random.default_rng(7)
        shares = [rng.dirichlet(np.ones(k), 500) for k in q]
        values = np.column_stack([*shares, rng.uniform(-1, 1, (500, factors))])
        starts = np.cumsum((0,) + q)
        blends = [tuple(range(a, a + k)) for a, k in zip(starts, q)]
        terms = polynomial_terms([f"c{i}" for i in range(values.shape[1])], model=model, blends=blends)
        matrix = terms.evaluate(values)
        assert matrix.shape[1] == np.linalg.matrix_rank(matrix) == degree_basis(values, degree).size
        assert indistinct_terms(terms, values) == {}

    def test_rounded_shares_are_divided_by_their_sum(self):
        """A trap (DEVELOPERS.md): else the constant leaves the span and R squared becomes the uncentred one."""
        terms = polynomial_terms(["a", "b", "c"], blends=[(0, 1, 2)])
        rounded = np.array([[0.333, 0.333, 0.333], [0.5, 0.25, 0.26]])
        matrix = terms.evaluate(rounded)
        assert np.allclose(matrix[:, :3].sum(axis=1), 1, atol=1e-15)
        assert np.allclose(matrix[0], [1 / 3] * 3 + [1 / 9] * 3, atol=1e-15)


class TestIndistinctTerms:
    def test_levels_that_cannot_carry_a_square(self):
        levels = np.array([[a, b] for a in (-1, 1) for b in (-1, 0, 1)])
        assert indistinct_terms(polynomial_terms(["a", "b"]), levels) == {"a^2": ("constant",)}

    def test_a_factor_that_follows_from_another(self):
        a = np.linspace(-1, 1, 30)
        sample = np.column_stack([a, 0.5 - 2 * a])
        terms = polynomial_terms(["a", "b"], model="linear")
        assert indistinct_terms(terms, sample) == {"b": ("constant", "a")}


class TestMoments:
    def test_box_moments_of_the_quadratic(self):
        """Box & Draper (1959): E x^2 = 1/3, E x^4 = 1/5, E x^2 y^2 = 1/9 on [-1, 1]^2 (identities)."""
        terms = polynomial_terms(["x", "y"])
        moments = product_moments(terms)
        place = {name: i for i, name in enumerate(terms.names)}
        assert moments[place["x"], place["x"]] == pytest.approx(1 / 3, abs=1e-15)
        assert moments[place["x^2"], place["x^2"]] == pytest.approx(1 / 5, abs=1e-15)
        assert moments[place["x^2"], place["y^2"]] == pytest.approx(1 / 9, abs=1e-15)
        assert moments[place["x"], place["y"]] == 0

    def test_simplex_moments(self):
        """Dirichlet(1, 1, 1): E p = 1/3, E p^2 = 1/6, E p q = 1/12, E p^2 q^2 = 1/90 (identities)."""
        terms = polynomial_terms(["p", "q", "r"], blends=[(0, 1, 2)])
        moments = product_moments(terms)
        assert np.allclose(moments[0, :3], [1 / 6, 1 / 12, 1 / 12], atol=1e-15)
        assert moments[3, 3] == pytest.approx(1 / 90, abs=1e-15)

    def test_a_dense_sample_approaches_the_exact_moments(self):
        rng = np.random.default_rng(5)
        values = np.column_stack([rng.dirichlet(np.ones(3), 40000), rng.uniform(-1, 1, 40000)])
        terms = polynomial_terms(["p", "q", "r", "z"], blends=[(0, 1, 2)])
        assert np.abs(sample_moments(terms.evaluate(values)) - product_moments(terms)).max() < 0.01


class TestNarrowedFunctions:
    def test_the_functions_of_some_coordinates_alone(self):
        """As combinations of those of all they are `degree_basis` of these coordinates, but for turns in a degree."""
        sample = np.random.default_rng(4).dirichlet([2, 3, 4, 2], 600)  # a blend: three free coordinates of four
        sample[:, 3] *= 0.2
        phi = degree_basis(sample, degree=3).evaluate(sample)
        for kept in ([0, 1], [2], [1, 3]):
            lift, degrees = narrowed_functions(phi, sample[:, kept], degree=3)
            basis = degree_basis(sample[:, kept], degree=3)
            assert (degrees == basis.degrees).all()
            np.testing.assert_allclose(lift.T @ lift, np.eye(len(degrees)), atol=1e-9)
            mine, theirs = phi @ lift, basis.evaluate(sample[:, kept])
            for degree in range(4):
                at = degrees == degree
                np.testing.assert_allclose(mine[:, at] @ mine[:, at].T, theirs[:, at] @ theirs[:, at].T, atol=1e-6)


class TestWhitening:
    def test_columns_that_are_orthonormal_already_stay_as_they_are(self):
        """Else they, and all that is drawn in them, would turn with the last digit."""
        found = np.linalg.qr(np.random.default_rng(1).normal(size=(50, 4)))[0] * np.sqrt(50)
        for columns in (found, found * (1 + 1e-13 * np.arange(4))):
            np.testing.assert_allclose(whitening(columns, floor=1), np.eye(4), atol=1e-9)

    @pytest.mark.parametrize(("rows", "rank"), [(40, 5), (40, 3), (3, 3)])
    def test_as_many_orthonormal_columns_as_there_are_directions(self, rows, rank):
        rng = np.random.default_rng(2)
        columns = rng.normal(size=(rows, rank)) @ rng.normal(size=(rank, 5))
        white = columns @ whitening(columns)
        np.testing.assert_allclose(white.T @ white / rows, np.eye(rank), atol=1e-9)

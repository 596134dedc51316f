"""Criteria: handbook values, the equivalence theorem, and generalised least squares as the oracle for melts and rounds."""

import itertools
import pathlib

import numpy as np
import pytest

from labkit.core.optimal import Criterion, d_optimum, information, is_regular, round_contrasts
from labkit.core.terms import polynomial_terms, product_moments, sample_moments

PUBLISHED = pathlib.Path(__file__).resolve().parent.parent / "published"


def grid(levels, d):
    return np.array(list(itertools.product(levels, repeat=d)), dtype=float)


def lattice(q, m):
    """All points of the {q, m} lattice."""
    return np.array([c for c in itertools.product(range(m + 1), repeat=q) if sum(c) == m]) / m


def scattered(seed):
    """Some more candidates than terms, without any structure."""
    rng = np.random.default_rng(seed)
    terms = int(rng.integers(2, 13))
    return rng.normal(size=(int(rng.integers(terms + 2, 40)), terms))


class TestHandbookDesign:
    """NIST/SEMATECH e-Handbook 5.5.2.1, Table 5.2: 12 runs, model 1, x1, x2, x3, x1^2; printed D .6825575, A 2.2, G 1."""

    terms = polynomial_terms(["x1", "x2", "x3"]).subset(["constant", "x1", "x2", "x3", "x1^2"])
    runs = np.loadtxt(PUBLISHED / "nist_doptimal_12run.csv", delimiter=",", skiprows=1)
    candidates = np.array(list(itertools.product((-1, -0.5, 0, 0.5, 1), (-1, 1), (-1, 1))))

    def test_a_is_the_mean_variance_of_terms_that_count_alike(self):
        precision = information(self.terms.evaluate(self.runs))
        assert 12 / 5 * Criterion(kind="I", moments=np.eye(5)).value(precision) == pytest.approx(2.2, abs=1e-12)

    def test_over_the_candidates_the_mean_variance_is_exact(self):
        """4.6625: from the 20 candidates by hand (identity)."""
        measure, precision = self.terms.evaluate(self.candidates), information(self.terms.evaluate(self.runs))
        found = Criterion(kind="I", moments=sample_moments(measure)).value(precision)
        assert len(measure) == 20 and 12 * found == pytest.approx(4.6625, abs=1e-12)

    def test_as_g_is_one_no_weights_on_the_candidates_have_a_larger_d(self):
        """The equivalence theorem (Kiefer & Wolfowitz 1960)."""
        found = d_optimum(self.terms.evaluate(self.candidates), gap=1e-8)
        assert np.exp(found.log_det / 5) == pytest.approx(0.6825575, abs=5e-8)

    def test_over_the_box_the_mean_variance_is_exact(self):
        """n x .2556 = 3.067: recomputed from the moments of the box, 1/3 and 1/5 (identity)."""
        precision = information(self.terms.evaluate(self.runs))
        found = Criterion(kind="I", moments=product_moments(self.terms)).value(precision)
        assert found == pytest.approx(0.2556, abs=5e-5)
        assert 12 * found == pytest.approx(3.067, abs=5e-4)

    def test_d_is_minus_the_log_determinant(self):
        precision = information(self.terms.evaluate(self.runs))
        loss = Criterion(kind="D", moments=np.eye(5)).value(precision)
        assert np.exp(-loss / 5) / 12 == pytest.approx(0.6825575, abs=5e-8)


class TestInformation:
    rng = np.random.default_rng(4)
    rows = rng.normal(size=(9, 3))
    melts = np.array(["a", "b", "a", "c", "c", "c", "b", "a", "d"])

    def test_is_generalised_least_squares(self):
        covariance = np.eye(9) + 0.7 * (self.melts[:, None] == self.melts)
        oracle = self.rows.T @ np.linalg.solve(covariance, self.rows)
        assert np.allclose(information(self.rows, melts=self.melts, ratio=0.7), oracle, atol=1e-12)

    def test_own_pots_only_divide_by_one_plus_the_ratio(self):
        found = information(self.rows, melts=np.arange(9), ratio=0.7)
        assert np.allclose(found, information(self.rows) / 1.7, atol=1e-12)

    def test_shuffling_pours_changes_nothing(self):
        order = np.random.default_rng(5).permutation(9)
        here = information(self.rows, melts=self.melts, ratio=0.7)
        assert np.allclose(here, information(self.rows[order], melts=self.melts[order], ratio=0.7), atol=1e-12)

    def test_rounds_as_contrasts_are_rounds_as_random_blocks(self):
        """Block columns with precision 1 / v equal V = I + v C C' for the contrasts C, integrated out."""
        rounds = np.array([1, 1, 1, 2, 2, 2, 3, 3, 3])
        contrasts, v = round_contrasts(rounds), 0.4
        both = np.hstack([self.rows, contrasts])
        precision = both.T @ both
        precision[3:, 3:] += np.eye(2) / v
        left = precision[:3, :3] - precision[:3, 3:] @ np.linalg.solve(precision[3:, 3:], precision[3:, :3])
        covariance = np.eye(9) + v * contrasts @ contrasts.T
        assert np.allclose(left, self.rows.T @ np.linalg.solve(covariance, self.rows), atol=1e-12)

    def test_contrasts_are_orthonormal_by_label_and_one_round_has_none(self):
        by_label = round_contrasts([1, 2, 5, 9])
        assert np.allclose(by_label.T @ by_label, np.eye(3), atol=1e-15)
        assert np.allclose(by_label.sum(axis=0), 0, atol=1e-15)
        assert np.allclose(by_label[-1, :-1], 0)
        assert round_contrasts([4, 4, 4]).shape == (3, 0)


class TestContinuousOptimum:
    @pytest.mark.parametrize("q, terms", [(2, 3), (3, 6), (4, 10), (5, 15)])
    def test_the_lattice_is_optimal_for_the_scheffe_quadratic(self, q, terms):
        """Kiefer (1961): equal weights on {q, 2}; the largest standardised variance is the number of terms."""
        model = polynomial_terms([f"p{i}" for i in range(q)], blends=[tuple(range(q))])
        lattice_rows = model.evaluate(lattice(q, 2))
        fine = model.evaluate(lattice(q, 8))
        variance = np.sum(fine @ np.linalg.inv(sample_moments(lattice_rows)) * fine, axis=1)
        assert variance.max() == pytest.approx(terms, abs=1e-9)
        found = d_optimum(fine)
        assert found.gap <= 1e-4
        assert found.log_det == pytest.approx(np.linalg.slogdet(sample_moments(lattice_rows))[1], abs=terms * 1e-4)

    def test_the_cubic_lattice_is_a_trap(self):
        """{3, 3} is not D-optimal for the full cubic: its largest standardised variance is 11.78 (computed here), where
        that of a D-optimal design is the number of terms, 10 (Kiefer & Wolfowitz 1960, Canadian J. Math. 12:363)."""
        powers = np.array([c for c in itertools.product(range(4), repeat=3) if sum(c) == 3])

        def cubic(shares):
            return np.prod(shares[:, None, :] ** powers, axis=2)

        fine = cubic(lattice(3, 60))
        variance = np.sum(fine @ np.linalg.inv(sample_moments(cubic(lattice(3, 3)))) * fine, axis=1)
        assert variance.max() == pytest.approx(11.78, abs=0.01)
        found = d_optimum(fine)
        assert found.gap <= 1e-4
        assert found.log_det > np.linalg.slogdet(sample_moments(cubic(lattice(3, 3))))[1] + 0.01

    def test_quadratic_on_the_square(self):
        """Weights of the 3 x 3 grid .1458, .0802, .0962 (Fedorov 1972, Theory of Optimal Experiments; from memory)."""
        found = d_optimum(polynomial_terms(["x", "y"]).evaluate(grid((-1, 0, 1), 2)), gap=1e-7)
        assert found.weights == pytest.approx([0.1458, 0.0802, 0.1458, 0.0802, 0.0962, 0.0802, 0.1458, 0.0802, 0.1458],
                                              abs=1e-4)

    @pytest.mark.parametrize("seed", [0, 1, 36, 88, 357, 366, 374, 442, 532, 579, 594, 610])
    def test_no_point_is_left_out_that_the_optimum_needs(self, seed):
        """The certificate looks at every candidate (Kiefer & Wolfowitz 1960), also at those left out on the way."""
        assert d_optimum(scattered(seed)).gap <= 1e-4

    @pytest.mark.parametrize("seed", range(12))
    def test_with_a_prior_neither(self, seed):
        rows = scattered(seed)
        strength = 10 ** np.random.default_rng([seed, 1]).uniform(-3, 1, size=rows.shape[1])
        for pours in (1, 30):
            assert d_optimum(rows, pours=pours, prior=np.diag(strength)).gap <= 1e-4

    @pytest.mark.parametrize("pours", [4, 40])
    def test_with_a_prior_no_direction_raises_the_determinant(self, pours):
        """The Bayesian equivalence theorem: max s = sum w s, checked by moving weight to every single candidate."""
        rows = polynomial_terms(["x", "y"]).evaluate(grid((-1, -0.5, 0, 0.5, 1), 2))
        prior = np.diag([0.1, 1, 1, 3, 3, 3])
        found = d_optimum(rows, pours=pours, prior=prior)
        assert found.gap <= 1e-4
        for k in range(len(rows)):
            weights = 0.99 * found.weights + 0.01 * (np.arange(len(rows)) == k)
            assert np.linalg.slogdet(pours * (rows.T * weights) @ rows + prior)[1] <= found.log_det + 6e-6


def test_regular_or_not():
    rows = np.array([[1.0, 0, 0], [1, 1, 0], [1, 2, 0]])
    assert not is_regular(information(rows))
    assert is_regular(information(rows) + np.diag([0, 0, 1e-3]))
    assert Criterion(kind="I", moments=np.eye(3)).value(information(rows)) == np.inf

"""Canonical analysis, ridge path and steepest ascent on the published composite designs."""
import pathlib

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from labkit.core import adequacy, canonical

PUBLISHED = pathlib.Path(__file__).resolve().parent.parent / "published"


def quadratic_of(name, response):
    frame = pd.read_csv(PUBLISHED / f"{name}.csv")
    x1, x2 = frame.x1, frame.x2
    columns = np.column_stack([np.ones(len(x1)), x1, x2, x1**2, x2**2, x1 * x2])
    b0, b1, b2, b11, b22, b12 = adequacy.least_squares(columns, frame[response].to_numpy()).coefficients
    return b0, np.array([b1, b2]), np.array([[b11, b12 / 2], [b12 / 2, b22]])


class TestPublished:
    def test_handbook_composite_design(self):
        """e-Handbook 5.5.3.1.4: b0 72.0, xs (-.9278, .3468), y 77.59, eigenvalues -4.973187 and -9.827317."""
        form = canonical.canonical(*quadratic_of("nist_chem_ccd", "y"))
        assert_allclose(form.point, [-0.9278, 0.3468], atol=6e-5)
        assert_allclose(form.level, 77.59, atol=0.005)
        assert_allclose(form.eigenvalues, [-4.973187, -9.827317], atol=6e-7)
        assert form.kind == "peak"

    def test_three_responses_yield(self):
        """Montgomery, Design and Analysis of Experiments, the chemical CCD; printed values from memory."""
        b0, b, curved = quadratic_of("chemical_ccd_three_responses", "yield")
        assert_allclose(np.r_[b0, b, np.diag(curved), 2 * curved[0, 1]],
                        [79.94, 0.995, 0.515, -1.376, -1.001, 0.25], atol=6e-4)
        form = canonical.canonical(b0, b, curved)
        assert_allclose(form.point, [0.389, 0.306], atol=6e-4)
        assert_allclose(form.level, 80.21, atol=5e-3)
        assert_allclose(form.eigenvalues, [-0.9634, -1.4141], atol=2.1e-4)

    def test_steepest_ascent_of_the_first_phase(self):
        """e-Handbook 5.5.3.1.1: unit direction (-.1152, .9933)."""
        frame = pd.read_csv(PUBLISHED / "nist_chem_phase1.csv")
        columns = np.column_stack([np.ones(len(frame)), frame.x1, frame.x2])
        b = adequacy.least_squares(columns, frame.y.to_numpy()).coefficients[1:]
        path = canonical.steepest_path(b, np.array([0.0, 1.0, 2.0]))
        assert_allclose(path[:2], [[0, 0], [-0.1152, 0.9933]], atol=6e-5)
        assert_allclose(path[2], 2 * path[1])


class TestIdentities:
    b0, b = 3.0, np.array([1.0, -2.0, 0.5])
    curved = np.array([[-2.0, 0.3, 0.1], [0.3, 1.0, -0.4], [0.1, -0.4, -0.5]])

    def test_canonical_form_is_the_same_function(self):
        form = canonical.canonical(self.b0, self.b, self.curved)
        x = np.random.default_rng(0).normal(size=(20, 3))
        w = (x - form.point) @ form.axes
        heights = canonical.height(self.b0, self.b, self.curved, x)
        assert_allclose(form.level + w**2 @ form.eigenvalues, heights)
        assert form.kind == "saddle"

    @pytest.mark.parametrize("upward", [True, False])
    def test_ridge_points_solve_the_equation_and_beat_their_sphere(self, upward):
        radii, sign = np.array([0.3, 1.0, 2.5]), 1 if upward else -1
        path = canonical.ridge_path(self.b, self.curved, radii, upward=upward)
        assert_allclose(np.linalg.norm(path, axis=1), radii, rtol=1e-9)
        directions = np.random.default_rng(1).normal(size=(5000, 3))
        directions /= np.linalg.norm(directions, axis=1)[:, None]
        for point, radius in zip(path, radii):
            mu = (point @ self.curved @ point + 0.5 * self.b @ point) / radius**2
            assert_allclose(canonical.ridge_point(self.b, self.curved, mu), point, rtol=1e-7)
            best = sign * canonical.height(self.b0, self.b, self.curved, point)[0]
            rest = sign * canonical.height(self.b0, self.b, self.curved, radius * directions)
            assert best >= rest.max() - 1e-9

    def test_along_a_flat_axis_the_point_nearest_to_the_centre_is_taken(self):
        """A trough across the square, flat but for rounding: numpy's pseudo-inverse."""
        turn = np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))[0]
        curved = turn @ np.diag([-2.0, -0.5, 0.0]) @ turn.T
        form = canonical.canonical(self.b0, self.b, curved)
        assert_allclose(form.point, -0.5 * np.linalg.pinv(curved, rcond=1e-10) @ self.b, rtol=1e-9)
        assert form.kind == "ridge"

    @pytest.mark.parametrize("across", [0.0, 1e-16, -1e-15, 5e-15, -1e-14, 1e-10])
    def test_hardly_any_slope_along_the_steepest_axis_leaves_the_distance(self, across):
        """Far out the best lies along that axis, to the side of what slope there is."""
        path = canonical.ridge_path(np.array([1.0, across]), np.diag([-1.0, 1.0]), np.array([0.1, 2.0]))
        assert_allclose(np.linalg.norm(path, axis=1), [0.1, 2.0], rtol=1e-8)
        assert_allclose(path[1], [0.25, np.sqrt(4 - 0.0625) * (-1 if across < 0 else 1)], rtol=1e-6)

    def test_axes_read_the_same_everywhere(self):
        """The largest entry of each is positive; eigenvalues from the highest."""
        form = canonical.canonical(self.b0, self.b, self.curved)
        assert (np.diff(form.eigenvalues) <= 0).all()
        assert all(axis[np.abs(axis).argmax()] > 0 for axis in form.axes.T)

    def test_ridge_of_a_centred_quadratic_lies_on_the_steepest_axis(self):
        path = canonical.ridge_path(np.zeros(2), np.diag([1.0, -1.0]), np.array([2.0]))
        assert_allclose(path, [[2.0, 0.0]], atol=1e-9)

    def test_small_radius_follows_steepest_ascent(self):
        path = canonical.ridge_path(self.b, self.curved, np.array([1e-6]))
        assert_allclose(path, canonical.steepest_path(self.b, np.array([1e-6])), rtol=1e-4)

    @pytest.mark.parametrize(("curved", "kind"), [
        (np.diag([-1.0, -2.0]), "peak"), (np.diag([1.0, 2.0]), "valley"), (np.diag([1.0, -2.0]), "saddle"),
        (np.diag([-1.0, -0.001]), "ridge"), (np.diag([-1.0, -0.009]), "ridge"),
        (np.diag([-1.0, -0.011]), "peak"), (np.diag([100.0, 1.1]), "valley"), (np.diag([100.0, 0.9]), "ridge"), (np.zeros((2, 2)), "ridge")])
    def test_kinds(self, curved, kind):
        assert canonical.canonical(0.0, np.array([1.0, 0.0]), curved).kind == kind

    def test_flat_surface_has_no_path(self):
        assert_allclose(canonical.ridge_path(np.zeros(2), np.zeros((2, 2)), np.array([1.0])), [[0.0, 0.0]])
        assert_allclose(canonical.steepest_path(np.zeros(2), np.array([1.0])), [[0.0, 0.0]])

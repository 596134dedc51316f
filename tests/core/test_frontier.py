"""The best attainable set of two criteria against one that is known in closed form."""

import numpy as np
import pytest

from labkit.core.frontier import along, best_attainable, slopes


def test_two_distances_are_traded_along_the_straight_line_between_their_points():
    """min |x - p|^2 and |x - q|^2: the Pareto set is the segment from p to q; there, sqrt f1 + sqrt f2 = |p - q|.
    (Miettinen 1999 discusses the case; the identity is the triangle inequality with equality.)"""
    rng = np.random.default_rng(2)
    p, q = np.array([0.2, 0.3]), np.array([0.8, 0.7])
    x = rng.uniform(size=(60_000, 2))
    first, second = ((x - p) ** 2).sum(axis=1), ((x - q) ** 2).sum(axis=1)
    found = best_attainable(first, second)
    np.testing.assert_allclose(np.sqrt(first[found]) + np.sqrt(second[found]), np.hypot(*(q - p)), atol=0.01)
    assert (np.diff(first[found]) >= 0).all() and (np.diff(second[found]) < 0).all()


def test_it_is_what_comparing_every_pair_finds():
    rng = np.random.default_rng(3)
    first, second = np.round(rng.uniform(0, 3, (2, 200)), 1)
    better = ((first[None] <= first[:, None]) & (second[None] <= second[:, None])
              & ((first[None] < first[:, None]) | (second[None] < second[:, None])))
    alive = {(a, b) for a, b, dead in zip(first, second, better.any(axis=1), strict=True) if not dead}
    found = best_attainable(first, second)
    assert {(first[i], second[i]) for i in found} == alive and len(found) == len(alive)


def test_places_along_it_are_spread_and_hold_both_ends():
    first = np.array([0.0, 0.1, 0.15, 0.5, 0.9, 1.0])
    assert along(np.arange(6), first, 3).tolist() == [0, 3, 5]
    assert along(np.arange(1), first, 3).tolist() == [0]


def test_slopes_row_by_row():
    rng = np.random.default_rng(4)
    first, second = rng.normal(size=(2, 5, 7))
    expected = [np.polyfit(a, b, 1)[0] for a, b in zip(first, second, strict=True)]
    np.testing.assert_allclose(slopes(first, second), expected)
    assert np.isnan(slopes(np.ones((1, 3)), np.zeros((1, 3))))[0]
    np.testing.assert_allclose(slopes(1e-7 * first, 1e3 * second), 1e10 * np.array(expected))        # whatever the units
    np.testing.assert_allclose(slopes(5 + 1e-4 * first, second), 1e4 * np.array(expected), rtol=1e-6)
    assert np.isnan(slopes(np.full((1, 3), 0.1), np.array([[0.0, 1.0, 3.0]])))[0]
    assert np.isnan(slopes(np.zeros((1, 3)), np.array([[0.0, 1.0, 3.0]])))[0]
    assert slopes(np.array([[0.0, 1.0]]), np.array([[5.0, 4.2]]))[0] == pytest.approx(-0.8)

"""What bends as no function does, drawn in two ways, against its covariance; and the panel's part of the noise."""
import dataclasses

import numpy as np
import pytest

import labkit
from labkit.surfaces import posterior
from labkit.tweaks import foretold as foretold_module
from labkit.tweaks.foretold import foretold

AT = np.array([[0.0, 0.0], [0.8, 0.0], [0.0, 1.5], [2.0, -1.0]])          # in standard deviations of two linear functions


@pytest.mark.parametrize("size", [0.5, 2.0])
def test_waves_have_the_covariance_of_a_gaussian_of_length_one(size):
    """size^2 exp(-d^2 / 2), d the distance: Rahimi & Recht 2007, NeurIPS 20, for waves of random turns."""
    apart = ((AT[:, None] - AT[None]) ** 2).sum(axis=2)
    sizes, expected = np.full(200_000, size), size**2 * np.exp(-apart / 2)
    drawn, alike = foretold_module._waving(sizes, AT, np.random.default_rng(1))
    np.testing.assert_allclose(np.cov(drawn.T), expected, atol=0.015 * size**2)
    np.testing.assert_allclose(alike, expected / size**2, rtol=1e-12)
    waves = posterior._waves(posterior._waving(sizes, np.eye(2), np.random.default_rng(2)), AT)
    np.testing.assert_allclose(np.cov(waves.T), expected, atol=0.015 * size**2)
    assert abs(waves.mean()) < 0.01 * size and (waves**4).mean() == pytest.approx(3 * size**4, rel=0.03)      # a normal's


def test_the_panels_part_is_a_usual_pours_error_as_often_multiplied_as_the_surface_says(demo):
    """One pour that a single tester scored is not a usual one."""
    surface, points = labkit.fit_surfaces(demo)["payoff"], demo.made[list(demo.recipe.coordinates)].iloc[[3]]
    scores = surface.scores.copy()
    usual = scores["score_se"].median()
    scores.iloc[scores["score_se"].argmax(), scores.columns.get_loc("score_se")] = 5 * usual
    levels = (0.1, 0.5, 0.9)
    found = foretold(dataclasses.replace(surface, scores=scores), points, seed=3, n=20_000)
    expected = usual * surface.posterior.stretch_quantiles(levels)
    np.testing.assert_allclose(np.quantile(found.tasting, levels), expected, rtol=0.02)
    assert expected[2] > 1.1 * expected[0]                              # else this test shows little

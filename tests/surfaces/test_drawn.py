"""What is drawn beside the functions of a surface: waves, held against their covariance in closed form."""
from dataclasses import replace

import numpy as np

from labkit.surfaces.posterior import OWN, WAVE


def test_what_is_a_formulas_own_is_a_wave_of_its_variance_and_length(trial, payoff):
    """Its covariance is Gaussian in the linear functions of the trial's own coordinates (Rahimi & Recht 2007)."""
    ground, posterior = payoff.ground, payoff.posterior
    columns, drawn = ground.columns(trial.region.sample(5, seed=5)), posterior._functions(20_000, 3)
    own = drawn.at(columns) - replace(drawn, own=0 * drawn.own).at(columns)
    size = sum(c.weight * c.mixture.weights @ (OWN * c.depart("pour")) for c in posterior.candidates)
    gap = columns[:, None, ground.linear] - columns[None, :, ground.linear]
    assert size > 0
    np.testing.assert_allclose(own.T @ own / len(own), size * np.exp(-0.5 * (gap**2).sum(axis=2) / WAVE**2), atol=0.06 * size)


def test_another_thread_may_ask_for_other_draws_at_any_moment(trial, payoff):
    """Only the last draws are kept, and who drew first must not find them gone."""
    class Cleared(dict):
        """As if another thread cleared it as soon as something is kept."""

        def __setitem__(self, key, value):
            super().__setitem__(key, value)
            self.clear()

    posterior, points = replace(payoff.posterior), trial.region.sample(3, seed=1)
    vars(posterior)["_drawn"] = Cleared()
    shared = replace(payoff, posterior=posterior)
    assert (shared.draws(points, seed=5) == payoff.draws(points, seed=5)).all()


def test_a_level_may_be_any_number_of_numpy(trial, payoff):
    points = trial.region.sample(2, seed=1)
    assert payoff.predict(points, level=np.float32(0.5)).equals(payoff.predict(points, level=0.5))

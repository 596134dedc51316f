"""Mean and standard deviation of a formula's score against quantiles of every Gaussian, put through its link one by one."""
import types

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from labkit.surfaces.fitting import IDLE, WEIGHTS, read_nothing
from labkit.surfaces.posterior import LEFT, OWN, Posterior, normal_multiple

NORMAL = norm.ppf((np.arange(4000) + 0.5) / 4000)


def by_quantiles(posterior, at):
    """First two moments of min(max(h(eta), low), high) + own at one formula; where h is straight what is own is cut as well."""
    low, high, moments = posterior.attribute.low, posterior.attribute.high, np.zeros(2)
    for c in posterior.candidates:
        phi, scales = at[c.system.places], c.mixture.scales
        own = OWN * scales.sources[:, 2] ** 2
        left = (LEFT[scales.degrees.shape[1]] * scales.degrees[:, 1]) ** 2
        for k, weight in enumerate(c.weight * c.mixture.weights):
            variance = ((phi @ c.mixture.roots[k]) ** 2).sum() + left[k]
            straight = c.link.name == "straight"
            eta = phi @ c.mixture.means[k] + np.sqrt(variance + own[k] * straight) * NORMAL
            y = np.clip(c.link.height(eta), low, high)
            moments += weight * np.array([y.mean(), (y**2).mean() + own[k] * (not straight)])
    return moments[0], np.sqrt(moments[1] - moments[0] ** 2)


def end_by_root(posterior, at, level, noise):
    """Where the chances of all Gaussians, each with its mean and deviation on the scale of the scores, reach `level`."""
    parts = []
    for c in posterior.candidates:
        phi, scales = at[c.system.places], c.mixture.scales
        left = (LEFT[scales.degrees.shape[1]] * scales.degrees[:, 1]) ** 2
        eta = (c.mixture.means @ phi)[:, None] + np.sqrt(((phi @ c.mixture.roots) ** 2).sum(axis=1) + left)[:, None] * NORMAL
        y = eta if c.link.name == "straight" else np.clip(c.link.height(eta), c.link.low, c.link.high)
        parts.append([c.weight * c.mixture.weights, y.mean(axis=1), np.sqrt(y.var(axis=1) + scales.sources**2 @ noise)])
    weights, means, sds = np.hstack(parts)
    end = brentq(lambda q: weights @ norm.cdf((q - means) / sds) - level, -20, 30)
    return float(np.clip(end, posterior.attribute.low, posterior.attribute.high))


@pytest.mark.parametrize("noise, told", [((0, 0, OWN), "predict"), ((1, 1, 1), "predict_pour")])
def test_intervals_end_where_the_mixture_says(surfaces, noise, told):
    """Of a formula what is its own of the pour's variance counts, of a new pour all of round, melt and pour."""
    for surface in (surfaces["payoff"], surfaces["sheerness"]):
        frame = surface.ground.trial.region.sample(3, seed=4)
        found = getattr(surface, told)(frame, level=0.8)
        for at, row in zip(surface.ground.columns(frame), found.itertuples()):
            ends = [end_by_root(surface.posterior, at, level, noise) for level in (0.1, 0.9)]
            assert (row.low, row.high) == pytest.approx(ends, abs=0.004)


@pytest.mark.parametrize("name", ["payoff", "hardness", "sheerness", "shade"])
def test_the_moments_are_those_of_the_mixture(surfaces, name):
    surface = surfaces[name]
    region = surface.ground.trial.region
    frame = region.sample(4, seed=3)
    told = surface.predict(frame)
    for at, row in zip(surface.ground.columns(frame), told.itertuples()):
        mean, sd = by_quantiles(surface.posterior, at)
        assert (row.mean, row.se) == (pytest.approx(mean, abs=0.01), pytest.approx(sd, rel=0.01))
    parts = [(c.weight * c.mixture.weights) @ (c.mixture.scales.sources**2 @ [1, 1, 1 - OWN])      # round, melt, pour
             for c in surface.posterior.candidates]
    np.testing.assert_allclose(surface.predict_pour(frame)["se"] ** 2 - told["se"] ** 2, sum(parts), rtol=1e-9)


def test_who_plays_no_part_counts_those_that_were_passed_over():
    """By hand: of all systems .3 were passed over, .2 of them without the wax; of the .7 that count .6 are without it."""
    counted = [(("wax",), 0.6), ((), 0.3), (("load",), 0.1)]
    posterior = Posterior(attribute=None, ground=None, stated={}, passed_over={("wax", "load"): 0.2, ("red_share",): 0.1},
                      candidates=tuple(types.SimpleNamespace(system=types.SimpleNamespace(idle=idle), weight=weight)
                                       for idle, weight in counted))
    found = [posterior.idle(name) for name in ("wax", "load", "red_share")]
    assert found == pytest.approx([0.7 * 0.6 + 0.2, 0.7 * 0.1 + 0.2, 0.1])


def test_before_any_score_what_plays_no_part_is_as_likely_as_was_stated(payoff):
    """By counting all systems: a score that tells nothing leaves each its prior weight, counted or passed over."""
    ground = payoff.ground
    posterior, weights = read_nothing(ground, payoff.posterior.attribute), {}
    for system in (*ground.systems, *ground.narrowed):
        weight = WEIGHTS[system.name] * IDLE ** len(system.absent)
        weights[system.idle] = weights.get(system.idle, 0.0) + weight
    for name in ground.trial.recipe.coordinates:
        expected = sum(weight for idle, weight in weights.items() if name in idle) / sum(weights.values())
        assert posterior.idle(name) == pytest.approx(expected, abs=0.02), name


def test_a_hill_falls_off_on_all_sides(payoff):
    """As far as functions of degree two can, as minus the squared distance from the middle, whose variance they hold."""
    ground = payoff.ground
    columns = ground.columns(ground.sample)
    for system in (*ground.systems, *ground.narrowed):
        phi = system.of(columns)
        away = (phi[:, system.degrees == 1] ** 2).sum(axis=1)
        assert np.corrcoef(phi @ system.hill, -away)[0, 1] > 0.9 and np.linalg.norm(system.hill) == pytest.approx(1)
        assert not system.hill[system.degrees != 2].any()


def test_draws_in_single_precision_are_the_draws(payoff):
    """In whichever system of coordinates, on whichever scale a draw is: before any score all of them count."""
    ground = payoff.ground
    posterior, columns = read_nothing(ground, payoff.posterior.attribute), ground.columns(ground.trial.region.sample(20, seed=6))
    single, double = (posterior.draws(columns, 300, 5, double=double) for double in (False, True))
    np.testing.assert_allclose(single, double, atol=2e-4)
    assert len({c.system.first for c in posterior.candidates}) > 1        # else this test shows half of it


def test_ninety_in_a_hundred_lie_within_1645_standard_deviations():
    assert [normal_multiple(level) for level in (0.9, 0.5)] == pytest.approx([1.644854, 0.674490], abs=1e-6)

"""The search within the region: a narrow peak, values that are held, frames that stay as they were."""

import types

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA

import labkit
from labkit.tweaks import highest
from labkit.tweaks.looking import Bench
from labkit.tweaks.outlook import Outlook
from labkit.tweaks.search import poured, poured_well, starting_points
from labkit.tweaks.suggest import _repeats


class TestSearch:
    def test_it_finds_a_narrow_peak_that_a_sample_misses(self):
        region = labkit.Trial.from_toml(TERRACOTTA).region
        peak = pd.DataFrame([{"wax": 0.2137, "red_share": 0.21, "load": 0.0311, "pour_temperature": 70.0}])
        middle = region.coded(peak)

        def value_of(points):
            return np.exp(-((region.coded(points) - middle) ** 2).sum(axis=1) / 0.5)

        start = region.sample(500, seed=1)
        points, values = highest(region, value_of, start, seed=0, generations=10)
        assert values[0] > 0.995 > value_of(start).max() + 0.05
        np.testing.assert_allclose(points.iloc[0], peak.iloc[0], rtol=0.03)
        assert region.includes(points).all()

    def test_held_values_stay(self):
        trial = labkit.Trial.from_toml(HAZEL)
        hold = {"base: sunflower wax": 0.1}
        start = starting_points(trial, hold, size=300, seed=0)
        points, _ = highest(trial.region, lambda p: p["load"].to_numpy(), start, seed=0, hold=hold)
        np.testing.assert_allclose(points["base: sunflower wax"], 0.1)
        np.testing.assert_allclose(points.filter(like="base: ").sum(axis=1), 1.0)
        assert points["load"].iloc[0] == pytest.approx(0.05, abs=1e-3)

    def test_held_at_leaves_frames_alone(self):
        recipe = labkit.Trial.from_toml(HAZEL).recipe
        points = recipe.starting_factors
        before = points.copy()
        recipe.held_at(points, {"load": 0.02})
        pd.testing.assert_frame_equal(points, before)


def test_a_pour_that_is_set_aside_is_no_best_pour_and_is_not_made_again(demo):
    """It is looked at as any other formula: only what may be called the best pour, and be repeated, leaves it out."""
    without = demo.with_set_aside(pd.DataFrame([{"action": "set aside", "pour": "P10", "reason": "dropped"}]))
    assert set(poured(without).index) - set(poured_well(without).index) == {"P10", *without.failed}
    outlook = Outlook.of(without, labkit.fit_surfaces(without), seed=2)
    bench = Bench(trial=without, outlook=outlook, hold={})
    places = poured(without)
    looked = types.SimpleNamespace(points=places, draws=outlook.draws(places))
    again = _repeats(bench, looked, count=len(places))
    assert {places.index[j] for j in again} == set(places.index) - {"P10", *without.failed}

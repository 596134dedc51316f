"""Worlds that fit a trial: over many seeds their truths are what the surfaces say, and each is one function."""

import numpy as np
import pandas as pd
import pytest
from test_instruments import BOTH

import labkit
from labkit.rehearsal import play_round, worlds_of

NAMES = ["payoff", "hardness", "sheerness", "shade"]


@pytest.fixture(scope="module")
def worlds(demo):
    return worlds_of(demo)


@pytest.fixture(scope="module")
def points(demo):
    return demo.region.sample(20, seed=8)[list(demo.recipe.coordinates)]


def test_truths_lie_in_the_intervals_of_the_surfaces_as_often_as_these_say(demo, worlds, points):
    """300 truths at 20 formulas: the share in a 90 % interval is known to about .01, in a half as wide one to .02."""
    drawn = np.array([worlds(seed).truth_at(points, NAMES).to_numpy() for seed in range(300)])
    for k, (name, surface) in enumerate(labkit.fit_surfaces(demo).items()):
        for level, near in ((0.9, 0.03), (0.5, 0.06)):
            found = surface.predict(points, level=level)
            open_ = (found["low"] > 0) & (found["high"] < 10)         # an end of the scale is reached by many at once
            inside = (found["low"].to_numpy() <= drawn[:, :, k]) & (drawn[:, :, k] <= found["high"].to_numpy())
            assert open_.sum() >= 5
            assert inside[:, open_].mean() == pytest.approx(level, abs=near), name
    assert drawn.min() >= 0 and drawn.max() <= 10


def test_a_truth_is_one_function_wherever_and_whenever_it_is_asked(worlds, points):
    world = worlds(7)
    whole = world.truth_at(points, NAMES)
    worlds(8).truth_at(points, NAMES)
    np.testing.assert_allclose(world.truth_at(points.iloc[[4]], NAMES), whole.iloc[[4]], rtol=1e-9)
    np.testing.assert_allclose(worlds(7).truth_at(points, NAMES), whole, rtol=1e-12)


def test_scatter_is_what_the_surfaces_found(demo, worlds):
    world, surfaces = worlds(1), labkit.fit_surfaces(demo)
    for name, surface in surfaces.items():
        found = surface.noise["found"]
        assert (world.sd_round[name], world.sd_melt[name], world.sd_tester_pour[name]) == tuple(
            found[["round", "melt", "tester_pour"]])
        assert 0 < world.sd_pour[name] < found["pour"]          # the rest is the formula's own, and in the truth
    assert world.step == 0.5
    levels = np.concatenate([worlds(seed).levels["payoff"] for seed in range(20)])
    assert levels.std() == pytest.approx(surfaces["payoff"].noise.at["tester", "found"], rel=0.1)


def test_the_chance_of_failing_is_a_draw_too_once_a_pour_has_failed(demo, worlds, points):
    drawn = np.array([1 - worlds(seed).holds_at(points) for seed in range(300)])
    expected = labkit.fit_failing(demo).predict(points)["chance"]
    np.testing.assert_allclose(drawn.mean(axis=0), expected, atol=0.05)
    assert drawn.std(axis=0).min() > 0.01


def test_what_an_instrument_reads_is_played_as_readings():
    trial = labkit.Trial.from_toml(BOTH)
    round_ = labkit.plan_round(trial, pours=4, melts=2, seed=1)

    def truth(frame):
        wax, load = frame["wax"], frame["load"]
        return pd.DataFrame({"payoff": 100 * load, "softness": 20 - 80 * wax, "sheerness": 5.0, "shade": 6.0})

    world = labkit.World(truth=truth, sd_round=0.0, sd_melt=0.0, sd_pour=0.0, sd_reading=0.1)
    played = play_round(trial, round_, world, testers=3, seed=2, failed={"P03": "failed: split"})
    assert set(played.scores["attribute"]) == {"payoff", "sheerness", "shade"}
    trial = played.onto(trial, round_)
    found = trial.standing_readings.set_index("pour")
    assert list(found.index) == ["P01", "P02", "P04"] and set(found["attribute"]) == {"softness"}
    np.testing.assert_allclose(found["value"], 20 - 80 * trial.made.loc[found.index, "wax"], atol=0.45)
    drawn = worlds_of(trial)(0)
    assert drawn.sd_tester_pour["softness"] == 0 and drawn.sd_reading["softness"] > 0
    again = labkit.plan_round(trial, pours=2, melts=2, seed=1)
    assert len(play_round(trial, again, drawn, testers=3).readings) == 2

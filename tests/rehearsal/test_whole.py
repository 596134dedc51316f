"""A whole trial played: what each round cost, what it reached, and what could be reached at all."""

import numpy as np
import pandas as pd
import pytest
from definitions import TWO_THINGS
from rehearsal.worlds import NAMES, quiet, truth

import labkit
from labkit.rehearsal import best_possible, play_round
from labkit.tweaks import desirability_of


class TestWhole:
    def test_best_possible_finds_a_peak_that_is_known(self, terracotta):
        assert best_possible(terracotta, quiet()) == pytest.approx(1.0, abs=0.002)

    def test_best_possible_keeps_the_limits(self, terracotta):
        """Red iron oxide is limited to 5 % of the batch: with payoff wanting load .08, red_share cannot pass .625."""
        steep = labkit.World(truth=lambda p: truth(p).assign(
            payoff=4 + 4 * p["load"] / 0.08, shade=5 + 4 * p["red_share"] / 0.8, hardness=6.0, sheerness=5.0))
        load = np.linspace(0.02, 0.08, 60_001)
        red = np.minimum(0.8, 0.05 / load)
        expected = (np.minimum(load / 0.08, 1) * np.minimum(red / 0.8, 1)).max() ** 0.25
        assert best_possible(terracotta, steep) == pytest.approx(expected, abs=0.001)

    def test_a_rehearsal_says_what_each_round_cost_and_reached(self, terracotta):
        world = labkit.World(truth=truth, levels=[1, 0, 0, 0, 0, -1])
        found = labkit.rehearse(terracotta, world, rounds=2, pours=4, testers=6, seed=3)
        assert list(found.columns) == [
            "round", "pours", "melts", "cost", *terracotta.recipe.coordinates, *[f"truth: {n}" for n in NAMES],
            "desirability", "best possible", "ratio", "predicted", "low", "high", "expected gain", "stop"]
        assert list(found["cost"]) == [9, 18] and list(found["pours"]) == [4, 8]
        assert found["ratio"].between(0, 1.001).all() and found["ratio"].iloc[-1] > 0.7
        settled = truth(found)
        np.testing.assert_allclose(desirability_of(terracotta.attributes, settled), found["desirability"])
        assert found["stop"].map(type).eq(bool).all()
        again = labkit.rehearse(terracotta, world, rounds=1, pours=4, testers=6, seed=3)
        pd.testing.assert_frame_equal(found.iloc[:1], again)
        trial, names = terracotta, list(terracotta.recipe.coordinates)
        for asked in (3, 4):                                   # by hand: each evening asks with a seed of its own
            round_ = labkit.suggest_next(trial, pours=4, melts=2, seed=asked).round
            trial = play_round(trial, round_, world, testers=6, seed=3).onto(trial, round_)
        best = labkit.suggest_next(trial, pours=4, melts=2, seed=5).best
        np.testing.assert_array_equal(best[names], found.iloc[[1]][names])

    def test_it_goes_on_from_what_a_trial_has(self, demo):
        world = labkit.World(truth=truth, fails=lambda p: np.zeros(len(p)))
        found = labkit.rehearse(demo, world, rounds=1, testers=4)
        assert list(found["round"]) == [4] and list(found["cost"]) == [9]
        assert len(demo.failed) == 1 and list(found["failed"]) == [0]           # what failed before is not counted

    def test_one_pour_a_round_is_one_melt(self, terracotta):
        found = labkit.rehearse(terracotta, quiet(), rounds=1, pours=1, melts=2, testers=1)
        assert list(found["melts"]) == list(found["pours"]) == [1] and list(found["cost"]) == [6.5]


def with_more_wax(points):
    """The truth moved: the best is at wax .19."""
    return truth(points.assign(wax=points["wax"] - 0.03))


@pytest.fixture(scope="module")
def soft(terracotta):
    """Three rehearsals in a world where pours with wax under .165, half of the region, fail nine times in ten."""
    world = labkit.World(truth=with_more_wax, fails=lambda p: np.where(p["wax"] < 0.165, 0.9, 0.02))
    return pd.concat([labkit.rehearse(terracotta, world, rounds=3, seed=k).assign(seed=k) for k in range(3)])


class TestFailing:
    def test_what_fails_is_avoided_from_the_second_round_on(self, soft):
        each = soft.pivot(index="seed", columns="round", values="failed").diff(axis=1).fillna(
            soft.pivot(index="seed", columns="round", values="failed"))
        assert each[1].sum() >= 3 and each[[2, 3]].to_numpy().sum() <= 2

    def test_the_settled_formula_holds(self, soft):
        assert (soft.loc[soft["round"] == 3, "holds"] == 0.98).all()

    def test_what_is_reached_is_counted_by_the_chance_of_holding(self, terracotta, soft):
        desired = desirability_of(terracotta.attributes, with_more_wax(soft))
        np.testing.assert_allclose(soft["desirability"], desired * soft["holds"])
        np.testing.assert_allclose(soft["ratio"], soft["desirability"] / soft["best possible"])
        assert soft["best possible"].iloc[0] == pytest.approx(0.98, abs=0.002)
        assert list(soft.columns[-4:]) == ["holds", "predicted to hold", "failed", "seed"]
        said = soft.loc[soft["failed"] > 0, "predicted to hold"]
        assert said.between(0.5, 1).all() and soft.loc[soft["failed"] == 0, "predicted to hold"].isna().all()

    def test_where_everything_fails_it_goes_on_without_a_prediction(self, terracotta):
        world = labkit.World(truth=truth, fails=lambda p: np.full(len(p), 1.0))
        found = labkit.rehearse(terracotta, world, rounds=2, testers=2, seed=1)
        assert list(found["failed"]) == [4, 8] and found["predicted"].isna().all() and not found["stop"].any()
        assert (found["desirability"] == 0).all() and found["ratio"].isna().all()


@pytest.mark.parametrize("how, told", [
    ({"pours": None}, "pours is None. Give a whole number from 1 to 24."),
    ({"melts": None}, "melts is None. Give a whole number from 1 to 24."),
    ({"testers": []}, "testers names nobody. Give how many there are, or a list of their names."),
])
def test_what_no_evening_can_be_made_of_is_refused(terracotta, how, told):
    with pytest.raises(labkit.RehearsalError) as problem:
        labkit.rehearse(terracotta, labkit.World(truth=truth), **how)
    assert str(problem.value) == told


def test_without_a_world_it_is_refused(terracotta):
    with pytest.raises(labkit.RehearsalError) as problem:
        labkit.rehearse(terracotta, None)
    assert str(problem.value) == "world is of type NoneType. Give a labkit.World."


@pytest.mark.parametrize("call", [
    lambda trial, world: labkit.rehearse(trial, world, rounds=1),
    lambda trial, world: labkit.rehearse_many(trial, world, seeds=[1], rounds=1, workers=1),
    lambda trial, world: labkit.rehearse_many(trial, seeds=[1], rounds=1, workers=1)])
def test_where_nothing_is_wanted_there_is_nothing_to_come_near_to(call):
    """It was an IndexError, which rehearse_many told of the first seed."""
    with pytest.raises(labkit.RehearsalError) as problem:
        call(labkit.Trial.from_toml(TWO_THINGS), labkit.World(truth=lambda points: points.assign(hardness=5.0)))
    assert str(problem.value) == ("no attribute in trial.toml says what is wanted, so no formula is better than another. Give at "
                                  "least one a line such as wanted = { rising = [4, 8] }.")

"""A trial played against an invented truth: what is played is what the world says, and what comes out can be judged."""

import numpy as np
import pandas as pd
import pytest

import labkit
from labkit.errors import RehearsalError
from labkit.rehearsal import _scatter, best_possible, play_round
from labkit.tweaks import desirability_of

QUIET = {"sd_round": 0.0, "sd_melt": 0.0, "sd_pour": 0.0, "sd_tester_pour": 0.0}
NAMES = ["payoff", "hardness", "sheerness", "shade"]


def truth(points):
    """Smooth and saturating; overall desirability is 1 where wax is .16, load .05 and red_share .5."""
    wax, load, red = (points[c].to_numpy(float) for c in ("wax", "load", "red_share"))
    return pd.DataFrame({"payoff": 10 / (1 + np.exp(-(load - 0.05) / 0.02 - 1.5)),
                         "hardness": 10 / (1 + np.exp(-(wax - 0.16) / 0.03 - np.log(1.5))),
                         "sheerness": 10 * np.exp(-load * np.log(2) / 0.05),
                         "shade": 10 * np.exp(-(((red - 0.5) / 0.3) ** 2))}, index=points.index)


@pytest.fixture(scope="module")
def terracotta(demo):
    return labkit.Trial(definition=demo.definition)


@pytest.fixture(scope="module")
def round_(terracotta):
    return labkit.plan_round(terracotta, pours=4, melts=2, seed=1)


def quiet(**more):
    return labkit.World(truth=truth, **{**QUIET, **more})


def mild(**more):
    """No noise, and scores that stay off the ends of the scale."""
    return labkit.World(truth=lambda points: 5 + 0.4 * (truth(points) - 5), step=0.0, **{**QUIET, **more})


def pour_means(played):
    return played.scores.pivot_table(index="pour", columns="attribute", values="score")[NAMES]


class TestTable:
    def test_without_noise_scores_are_the_truth_at_the_weighed_formulas(self, terracotta, round_):
        played = play_round(terracotta, round_, quiet(step=0.0), testers=3, seed=5)
        made = played.onto(terracotta, round_).made
        pd.testing.assert_frame_equal(pour_means(played), truth(made)[NAMES], check_names=False, atol=1e-5)
        planned = round_.to_frame().set_index("pour")
        assert 0 < (made["load"] - planned["load"]).abs().max() < 0.005

    def test_scores_are_read_to_the_step_and_lie_on_the_scale(self, terracotta, round_):
        loud = labkit.World(truth=truth, sd_tester_pour=6.0, step=0.5)
        scores = play_round(terracotta, round_, loud, testers=6, seed=5).scores["score"]
        assert scores.between(0, 10).all() and (scores == 0).any() and (scores == 10).any()
        np.testing.assert_array_equal(scores * 2 % 1, 0)

    @pytest.mark.parametrize("levels", [[1.5, 0, 0, -0.3], {"T01": 1.5, "T04": -0.3},
                                        pd.DataFrame(1.2, index=["T01"], columns=NAMES)])
    def test_the_truth_is_the_mean_of_the_panel_whoever_leans(self, terracotta, round_, levels):
        leaning = play_round(terracotta, round_, mild(levels=levels, slopes=[1.2, 0.8, 1, 1]), testers=4, seed=5)
        plain = play_round(terracotta, round_, mild(), testers=4, seed=5)
        np.testing.assert_allclose(pour_means(leaning), pour_means(plain), atol=1e-5)
        by_tester = leaning.scores.groupby("tester")["score"].mean()
        assert by_tester.idxmax() == "T01"

    def test_slopes_are_the_use_of_the_scale(self, terracotta, round_):
        scores = play_round(terracotta, round_, mild(slopes={"T01": 1.5, "T02": 0.5}), testers=2, seed=5).scores
        wide = scores.pivot_table(index=["pour", "attribute"], columns="tester", values="score") - 5
        np.testing.assert_allclose(wide["T01"], 3 * wide["T02"], atol=1e-4)

    def test_every_tester_meets_every_pour_once_under_codes_of_their_own(self, terracotta, round_):
        servings = play_round(terracotta, round_, quiet(), testers=6, seed=5).servings
        assert servings["code"].is_unique and servings["code"].str.fullmatch("[1-9][0-9]{2}").all()
        assert (servings.groupby("tester")["pour"].nunique() == 4).all()
        assert servings.groupby("tester")["pour"].apply(tuple).nunique() > 1

    def test_codes_are_unique_over_the_trial(self, terracotta, round_):
        trial = play_round(terracotta, round_, quiet(), testers=9, seed=5).onto(terracotta, round_)
        again = labkit.plan_round(trial, pours=4, melts=2, seed=2)
        trial = play_round(trial, again, quiet(), testers=9, seed=5).onto(trial, again)
        assert len(trial.servings) == 72 and trial.servings["code"].is_unique


class TestBench:
    def test_weights_are_whole_steps_near_the_planned_ones(self, terracotta, round_):
        pours = play_round(terracotta, round_, quiet(), testers=1, seed=5).pours
        grams = [c for c in pours.columns if c.endswith(" [g]")]
        steps = pours[grams].to_numpy(float) / 0.01
        np.testing.assert_allclose(steps, np.round(steps), atol=1e-6)
        off = pours[grams].to_numpy(float) - round_.pour_sheet()[grams].to_numpy(float)
        assert 0 < np.abs(off).max() < 0.1 and np.abs(off).mean() > 0.005

    def test_a_pour_that_fails_is_recorded_and_not_served(self, terracotta, round_):
        played = play_round(terracotta, round_, quiet(), testers=2, seed=5, failed={"P02": "failed: sweated"})
        assert "P02" not in set(played.servings["pour"]) | set(played.scores["pour"])
        assert played.onto(terracotta, round_).failed == ("P02",)

    def test_melts_and_rounds_shift_together_what_they_share(self):
        made = pd.DataFrame({"melt": ["M01", "M01", "M02", "M02"]})
        rng = np.random.default_rng(0)
        found = np.array([_scatter(made, 0.5, 0.4, 0.3, rng) for _ in range(20_000)])
        round_, melt, pour = 0.25, 0.16, 0.09
        expected = np.array([[round_ + melt * (i // 2 == j // 2) + pour * (i == j) for j in range(4)] for i in range(4)])
        np.testing.assert_allclose(np.cov(found.T), expected, atol=0.02)


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

    def test_it_goes_on_from_what_a_trial_has(self, demo):
        found = labkit.rehearse(demo, labkit.World(truth=truth), rounds=1, testers=4)
        assert list(found["round"]) == [4] and list(found["cost"]) == [9]


class TestRefusals:
    @pytest.mark.parametrize("make, message", [
        (lambda: labkit.World(truth=3), "truth is a int. Give a function of a coordinates frame."),
        (lambda: quiet(sd_pour=-1), "sd_pour is -1. Give a standard deviation, 0 or more."),
        (lambda: quiet(step=-0.5), "step is -0.5. Give 0.5 for half points, 0 for scores that are not rounded."),
    ])
    def test_of_a_world(self, make, message):
        with pytest.raises(RehearsalError) as refused:
            make()
        assert str(refused.value) == message

    @pytest.mark.parametrize("world, testers, message", [
        (labkit.World(truth=lambda p: truth(p).drop(columns="shade")), 2,
         "truth gives no column 'shade'. Give payoff, hardness, sheerness and shade."),
        (labkit.World(truth=lambda p: truth(p) * np.nan), 2,
         "truth gives 4 rows, or values that are not numbers, for 4 formulas. Give a finite number for each."),
        (quiet(levels=[1.0, 0.0]), 3,
         "the world has levels for 2 testers, but 3 are asked for. Give a value for each of them."),
        (quiet(), 0, "testers is 0. Give a whole number from 1 to 99."),
    ])
    def test_of_a_round(self, terracotta, round_, world, testers, message):
        with pytest.raises(RehearsalError) as refused:
            play_round(terracotta, round_, world, testers, seed=1)
        assert str(refused.value) == message

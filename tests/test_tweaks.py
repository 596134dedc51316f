"""The next tweak: a round that can be poured, a formula that is the best known, and advice that follows from numbers."""

import functools

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA

import labkit
from labkit.core import desirability
from labkit.errors import TweakError
from labkit.rehearsal import play_round
from labkit.tweaks import desirability_of
from labkit.tweaks.outlook import Outlook
from labkit.tweaks.search import poured
from labkit.tweaks.untold import signal, stake
from labkit.tweaks.worth import Jury, gain_if_known

NAMES = ["wax", "red_share", "load", "pour_temperature"]


def truth(points):
    """Smooth and saturating; nothing depends on pour_temperature, and only shade on red_share."""
    wax, load, red = (points[c].to_numpy(float) for c in ("wax", "load", "red_share"))
    return pd.DataFrame({"payoff": 10 * (1 - np.exp(-load / 0.03)) * np.exp(-(wax - 0.10) / 0.25),
                         "hardness": 10 / (1 + np.exp(-(wax - 0.155) / 0.025)),
                         "sheerness": 10 * np.exp(-19 * load),
                         "shade": 9.5 * np.exp(-(((red - 0.55) / 0.22) ** 2))}, index=points.index)


WORLD = labkit.World(truth=truth, sd_round=0.15, sd_melt=0.15, sd_pour=0.15, sd_tester_pour=0.4)


@functools.cache
def developed(toml, rounds, world=WORLD):
    """A trial after some rounds of following the advice."""
    if rounds == 0:
        return labkit.Trial.from_toml(toml)
    trial = developed(toml, rounds - 1, world)
    melts = 2 if trial.recipe.pot else None
    round_ = labkit.suggest_next(trial).round if rounds > 1 else labkit.plan_round(trial, pours=4, melts=melts, seed=4)
    return play_round(trial, round_, world, testers=6, seed=4).onto(trial, round_)


def hazel_truth(points):
    wax, butter = points["base: sunflower wax"], points["base: cocoa butter"]
    return pd.DataFrame({"hardness": 10 / (1 + np.exp(-(wax - 0.06) / 0.02 - (butter - 0.15) / 0.1))})


@pytest.fixture(scope="module")
def trial():
    return developed(TERRACOTTA, 2)


@pytest.fixture(scope="module")
def tweak(trial):
    return labkit.suggest_next(trial, pours=4, melts=2, seed=2)


@pytest.fixture(scope="module")
def hazel():
    return developed(HAZEL, 2, world=labkit.World(truth=hazel_truth))


def no_shade():
    return TERRACOTTA.split("[attributes.shade]")[0]


class TestRound:
    def test_it_can_be_weighed_within_the_limits(self, trial, tweak):
        frame = tweak.round.to_frame()
        grams = frame[[f"{i} [g]" for i in trial.recipe.ingredients]].to_numpy()
        np.testing.assert_allclose(grams.sum(axis=1), 20.0, atol=1e-9)
        np.testing.assert_allclose(grams / 0.01, np.round(grams / 0.01), atol=1e-6)
        assert trial.region.includes(frame[NAMES]).all()

    def test_pours_of_a_melt_share_the_pot(self, tweak):
        frame = tweak.round.to_frame()
        assert list(frame["pour"]) == ["P09", "P10", "P11", "P12"] and list(frame["order"]) == [1, 2, 3, 4]
        assert list(frame["melt"]) == ["M05", "M05", "M06", "M06"] and (frame["round"] == 3).all()
        assert (frame.groupby("melt")["wax"].nunique() == 1).all()
        assert frame["wax"].nunique() == 2

    def test_it_can_be_planned_poured_and_scored(self, trial, tweak):
        played = play_round(trial, tweak.round, WORLD, testers=6, seed=4)
        assert len(played.onto(trial, tweak.round).made) == 12

    def test_it_repeats_bit_for_bit_with_its_seed(self, trial, tweak):
        again = labkit.suggest_next(trial, pours=4, melts=2, seed=2)
        pd.testing.assert_frame_equal(again.round.to_frame(), tweak.round.to_frame(), check_exact=True)
        pd.testing.assert_frame_equal(again.best, tweak.best, check_exact=True)
        pd.testing.assert_frame_equal(again.reasons, tweak.reasons, check_exact=True)
        assert str(again) == str(tweak)

    @pytest.mark.parametrize("pours, melts, expected", [(1, 2, 1), (3, 1, 1), (3, 3, 3), (6, 2, 2)])
    def test_it_has_the_size_that_was_asked_for(self, trial, pours, melts, expected):
        round_ = labkit.suggest_next(trial, pours=pours, melts=melts).round
        assert len(round_.pours) == pours and len(round_.melts) == expected

    def test_without_a_size_it_proposes_one(self, trial):
        round_ = labkit.suggest_next(trial, pours=None, melts=None).round
        assert 2 <= len(round_.pours) <= 8 and 1 <= len(round_.melts) <= 4

    def test_reasons_follow_from_numbers(self, tweak):
        reasons = tweak.reasons
        assert list(reasons.columns) == ["pour", "melt", "desirability", "low", "high", "sd before", "sd after",
                                         "chance of beating the best", "nearest pour", "distance", "why"]
        assert list(reasons["pour"]) == list(tweak.round.pours)
        assert (reasons["sd after"] <= reasons["sd before"] + 1e-12).all() and (reasons["sd after"] > 0).all()
        assert reasons["chance of beating the best"].between(0, 1).all()
        assert reasons["nearest pour"].isin([f"P{k:02d}" for k in range(1, 9)]).all()


class TestBest:
    def test_it_is_one_formula_in_coordinates_and_grams(self, trial, tweak):
        assert list(tweak.best.columns) == NAMES + [f"{i} [g]" for i in trial.recipe.ingredients]
        assert len(tweak.best) == 1 and tweak.best.filter(like="[g]").sum(axis=1).item() == pytest.approx(20.0)
        formula = tweak.best.filter(like="[g]").rename(columns=lambda c: c.removesuffix(" [g]")) / 20
        pd.testing.assert_frame_equal(trial.factors_of(formula), tweak.best[NAMES[:3]], atol=1e-9)

    def test_nothing_in_the_region_is_expected_to_be_better(self, trial, tweak):
        outlook = Outlook(attributes=trial.attributes, surfaces=labkit.fit_surfaces(trial), seed=11, n=2000)
        others = pd.concat([trial.region.corners(), trial.region.sample(3000, seed=5), poured(trial)], ignore_index=True)
        assert outlook.mean(tweak.best[NAMES])[0] > outlook.mean(others).max() - 0.01

    def test_after_enough_rounds_it_is_near_the_best_there_is(self):
        trial = developed(TERRACOTTA, 4)
        best = labkit.suggest_next(trial).best
        reached = desirability_of(trial.attributes, truth(best[NAMES]))[0]
        assert reached > 0.9 * labkit.rehearsal.best_possible(trial, WORLD)

    def test_predictions_are_those_of_the_surfaces(self, trial, tweak):
        table = tweak.predictions.set_index("attribute")
        assert list(table.index) == ["payoff", "hardness", "sheerness", "shade", "desirability"]
        expected = labkit.fit_surfaces(trial)["payoff"].predict(tweak.best[NAMES], level=0.9).iloc[0]
        np.testing.assert_allclose(table.loc["payoff"], expected[["mean", "low", "high"]])
        assert 0 <= table.loc["desirability", "low"] < table.loc["desirability", "mean"] < table.loc["desirability", "high"] <= 1


class TestHold:
    def test_what_is_held_stays_in_round_and_best(self, trial):
        tweak = labkit.suggest_next(trial, hold={"wax": 0.15, "pour_temperature": 70.0})
        for frame in (tweak.round.to_frame(), tweak.best):
            np.testing.assert_allclose(frame["wax"], 0.15, atol=0.0006)
            np.testing.assert_allclose(frame["pour_temperature"], 70.0)
        assert "held at" not in tweak.advice or "wax, and finding" not in tweak.advice

    def test_the_free_parts_of_a_blend_share_out_what_is_left(self, hazel):
        tweak = labkit.suggest_next(hazel, hold={"base: cocoa butter": 0.2})
        frame = tweak.round.to_frame()
        np.testing.assert_allclose(frame["base: cocoa butter"], 0.2, atol=0.001)
        np.testing.assert_allclose(frame.filter(like="base: ").sum(axis=1), 1.0)

    @pytest.mark.parametrize("hold, message", [
        ({"butter": 0.3}, "hold names 'butter', which does not vary. "
                          "Choose 'wax', 'red_share', 'load' or 'pour_temperature'."),
        ({"wax": 0.3}, "hold puts wax at 0.3, outside its limits 0.1 to 0.22. Hold a value within them, or widen them."),
        ({"wax": "0.15"}, "hold gives wax the value '0.15'. Give a number."),
        (["wax"], "hold is ['wax']. Give a dict of coordinates and values, such as {'wax': 0.15}."),
        ({"red_share": 0.8, "load": 0.08},
         "no formula within the limits has red_share 0.8 and load 0.08. Hold another value, or hold less."),
    ])
    def test_it_refuses_what_cannot_be_held(self, trial, hold, message):
        with pytest.raises(TweakError) as refused:
            labkit.suggest_next(trial, hold=hold)
        assert str(refused.value) == message


class TestTelling:
    def test_a_factor_without_effect_is_held_and_the_advice_says_so(self):
        trial = developed(no_shade(), 4)
        tweak = labkit.suggest_next(trial)
        held = [name for name in NAMES if f"told to depend on {name}, " in tweak.advice]
        assert "red_share" in held and "wax" not in held and "load" not in held
        value = tweak.best["red_share"].item()
        assert np.abs(trial.made["red_share"] - value).min() < 0.01
        np.testing.assert_allclose(tweak.round.to_frame()["red_share"], value, atol=0.01)
        sentence = next(s for s in tweak.advice.split("\n") if "red_share" in s)
        assert sentence.startswith("Nothing you score (payoff, hardness and sheerness) can be told to depend on red_share, "
                                   "and finding out would bring little: it is held at 0.")
        assert sentence.endswith(", as in the best pour. Choose it by eye, or score what it changes.")

    def test_a_factor_that_matters_is_not_held(self):
        tweak = labkit.suggest_next(developed(TERRACOTTA, 4))
        assert not any(f"told to depend on {name}" in tweak.advice for name in ("wax", "red_share", "load"))

    def test_nothing_is_held_while_everything_is_open(self):
        tweak = labkit.suggest_next(developed(TERRACOTTA, 1))
        assert "told to depend on" not in tweak.advice

    def test_signal_and_stake_of_what_is_known(self):
        rng = np.random.default_rng(0)
        flat = rng.normal(size=(4000, 1)) + np.zeros(5)
        assert signal(flat, 10.0) == 0 and stake(flat) == pytest.approx(0)
        sure = flat + np.array([0, 0, 0, 0, 2.0]) + rng.normal(0, 0.5, (4000, 5)) * np.array([0, 0, 0, 0, 1])
        assert signal(sure, 10.0) == pytest.approx(4, rel=0.05)
        two = np.stack([np.zeros(100_000), rng.normal(0, 1, 100_000)], axis=1)
        assert stake(two) == pytest.approx(0.3989, abs=0.01)        # E max(0, Z) = 1 / sqrt(2 pi)


class TestStop:
    def test_it_stops_when_a_round_brings_less_than_it_must(self, trial, tweak):
        dear = labkit.suggest_next(trial, seed=2, worth=0.5)
        free = labkit.suggest_next(trial, seed=2, worth=0)
        assert dear.stop is True and dear.advice.startswith("Stop here. This round would cost 9 and is expected to raise")
        assert free.stop is False and free.advice.startswith("Pour this round. This round would cost 9 and is expected ")
        assert dear.expected_gain == free.expected_gain == tweak.expected_gain > 0

    @pytest.mark.parametrize("pours, cost", [(4, 9.0), (1, 6.5)])
    def test_a_unit_must_bring_in_proportion_to_what_is_predicted_of_the_formula(self, trial, pours, cost):
        """worth D / .8, D the desirability foretold where it would settle; half of it where all that is to be known is
        worth three such rounds, as it is where a round is a single pour."""
        tweak = labkit.suggest_next(trial, pours=pours, seed=2)
        having = tweak.predictions.set_index("attribute").at["desirability", "mean"]
        gain, known, unit = tweak.expected_gain, tweak.gain_if_known, cost * having / 0.8
        more = known >= 3 * 1.05 * gain
        assert more or pours > 1                                # else this test shows nothing of half
        tried = [(0.99 * gain, False, f"a unit must bring {0.99 * gain / cost:.2g}."), (2.05 * gain, True, "could be gained")]
        tried += [(1.05 * gain, not more, "more than three such rounds must bring" if more else "could be gained")]
        tried += [(1.05 * known / 3, True, f"Were everything known, {known:.3f} could be gained.")] if more else []
        for due, stop, says in tried:
            found = labkit.suggest_next(trial, pours=pours, seed=2, worth=due / unit)
            assert found.stop is stop and says in found.advice and found.expected_gain == gain

    def test_what_knowing_would_gain_is_the_best_of_each_world_less_what_is_settled(self):
        """E max(0, Z) = 1 / sqrt(2 pi) where one other formula is better by a standard normal amount."""
        class Known:
            seed = 0

            def draws(self, points):
                amounts = np.random.default_rng(1).standard_normal(200_000)
                return np.outer(amounts, points["better"])

        at = pd.DataFrame({"better": [0.0, 1.0]})
        assert gain_if_known(Known(), at.iloc[[0]], at) == pytest.approx(0.3989, abs=0.003)

    def test_the_expected_gain_falls_as_more_becomes_known(self):
        tweaks = [labkit.suggest_next(developed(TERRACOTTA, k)) for k in (1, 4)]
        assert tweaks[0].expected_gain > 3 * tweaks[1].expected_gain
        assert tweaks[0].gain_if_known > 2 * tweaks[1].gain_if_known

    def test_noise_of_a_round_is_shared_as_its_melts_are(self):
        jury = Jury(noise={"payoff": {"round": 0.5, "melt": 0.4, "pour": 0.3, "panel": 0.2}})
        (seen,) = jury.seen({"payoff": np.zeros((40_000, 4))}, np.array([0, 0, 1, 1]), seed=0)
        expected = 0.25 + np.kron(np.eye(2), np.full((2, 2), 0.16)) + 0.13 * np.eye(4)
        np.testing.assert_allclose(np.cov(seen.T), expected, atol=0.02)


class TestFirst:
    def test_without_scores_it_plans_and_says_why(self):
        trial = labkit.Trial.from_toml(TERRACOTTA)
        tweak = labkit.suggest_next(trial, pours=4, melts=2, seed=1)
        planned = labkit.plan_round(trial, pours=4, melts=2, seed=1)
        pd.testing.assert_frame_equal(tweak.round.to_frame(), planned.to_frame())
        assert tweak.advice == (
            "No pour has been scored yet, so nothing is known about what to change. This round is planned to teach the most "
            "about all scores at once; the formula below is the starting formula. Pour the round, have it scored, and ask again.")
        assert tweak.stop is False and np.isnan(tweak.expected_gain) and tweak.predictions.empty
        start = trial.recipe.starting_factors[NAMES]
        np.testing.assert_allclose(tweak.best[NAMES], start, atol=0.03)
        assert "Why these pours" in str(tweak) and "P01: to teach the most about all scores." in str(tweak)

    def test_one_scored_pour_is_not_enough(self, trial):
        few = labkit.Trial(definition=trial.definition).with_tables({
            "plan": trial.plan, "melts": trial.melts, "pours": trial.pours,
            "scores": trial.scores[trial.scores["pour"] == "P01"]})
        advice = labkit.suggest_next(few).advice
        assert advice.startswith("Only 1 pour has been scored so far, so nothing is known about what to change. ")

    def test_an_attribute_without_scores_plays_no_part_and_the_advice_says_so(self, trial):
        fewer = labkit.Trial(definition=trial.definition).with_tables({
            "plan": trial.plan, "melts": trial.melts, "pours": trial.pours,
            "scores": trial.scores[trial.scores["attribute"] != "shade"]})
        tweak = labkit.suggest_next(fewer)
        assert "shade has too few scores yet and plays no part in this. Have it scored before you settle." in tweak.advice.split("\n")
        assert "shade" not in set(tweak.predictions["attribute"])

    def test_when_nothing_is_of_use_it_looks_elsewhere_and_says_what_is_furthest_off(self):
        useless = labkit.World(truth=lambda points: 0 * truth(points), sd_round=0, sd_melt=0, sd_pour=0, sd_tester_pour=0)
        tweak = labkit.suggest_next(developed(TERRACOTTA, 1, useless))
        assert tweak.advice.startswith(
            "No formula within the limits is expected to give what you want: the best known comes to a desirability of 0.00. ")
        assert tweak.advice.endswith(
            " This round is planned to teach the most instead. If its scores say the same, widen the limits, or what is wanted.")
        assert tweak.stop is False and tweak.round.to_frame()["wax"].nunique() == 2

    def test_nothing_wanted_is_refused(self):
        toml = "\n".join(line for line in TERRACOTTA.splitlines() if not line.startswith("wanted"))
        with pytest.raises(TweakError) as refused:
            labkit.suggest_next(labkit.Trial.from_toml(toml))
        assert str(refused.value) == (
            "no attribute in trial.toml says what is wanted, so no formula is better than another. "
            "Give at least one a line such as wanted = { rising = [4, 8] }.")


@pytest.mark.parametrize("asked, message", [
    ({"pours": 0}, "pours is 0. Give a whole number from 1 to 24."),
    ({"melts": 1.5}, "melts is 1.5. Give a whole number from 1 to 24."),
    ({"pours": 2, "melts": 3},
     "3 melts were asked for 2 pours, but a melt serves one pour at least. Plan 2 melts or fewer."),
    ({"worth": True}, "worth is True. Give the desirability that a unit of cost must bring, such as 0.0055."),
    ({"worth": -1}, "worth is -1. Give the desirability that a unit of cost must bring, such as 0.0055."),
    ({"seed": "x"}, "seed is 'x'. Give a whole number from 0 to 4294967295."),
])
def test_it_refuses_what_cannot_be_asked(trial, asked, message):
    with pytest.raises(TweakError) as refused:
        labkit.suggest_next(trial, **asked)
    assert str(refused.value) == message


def test_the_name_of_a_folder_is_no_trial():
    with pytest.raises(TweakError) as refused:
        labkit.suggest_next("my-stick")
    assert str(refused.value) == "the trial is of type str. Give what read_trial(folder) returned."


class TestReport:
    def test_text_fits_the_page_and_html_has_the_same_cells(self, tweak):
        text, page = str(tweak), tweak._repr_html_()
        assert max(map(len, text.splitlines())) <= 100
        for part in ("What to do next", "Why these pours", "What it would settle on today", "P09", "desirability"):
            assert part in text and part in page
        assert "\n" not in repr(tweak)

    def test_to_frame_is_the_round_with_its_reasons(self, tweak):
        frame = tweak.to_frame()
        assert len(frame) == 4 and {"candelilla wax [g]", "why", "sd before"} <= set(frame.columns)


class TestOtherRecipes:
    def test_a_blend_with_a_pot_for_every_pour(self, hazel):
        tweak = labkit.suggest_next(hazel, pours=3)
        frame = tweak.round.to_frame()
        assert frame["melt"].nunique() == 3
        np.testing.assert_allclose(frame.filter(like="base: ").sum(axis=1), 1.0)
        assert hazel.region.includes(frame[list(hazel.recipe.coordinates)]).all()


def test_overall_desirability_is_the_geometric_mean_of_what_is_wanted():
    attributes = labkit.Trial.from_toml(TERRACOTTA).attributes
    scores = {"payoff": np.array([6.0]), "hardness": np.array([5.0]), "sheerness": np.array([5.0]), "shade": np.array([7.0])}
    expected = desirability.overall([np.array([d]) for d in (0.5, 0.5, 1.0, 0.5)])
    np.testing.assert_allclose(desirability_of(attributes, scores), expected)
    np.testing.assert_allclose(desirability_of(attributes, {"payoff": np.array([6.0])}), [0.5])

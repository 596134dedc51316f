"""Factors that make no difference are held where some of the best formulas can be held there, and only there."""

import types
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from invented import poured, scored

import labkit
from labkit.surfaces import telling
from labkit.tweaks import looking, suggest, untold, words
from labkit.tweaks.outlook import Outlook
from labkit.tweaks.standing import standing_of


def held(monkeypatch, demo, **values):
    """What is suggested where these factors are said to make no difference."""
    monkeypatch.setattr(suggest, "_with_untold", lambda asked, outlook, points: replace(asked, fixed=values))
    return labkit.suggest_next(demo, pours=4, melts=2, seed=2)


def test_all_that_is_suggested_has_the_value(monkeypatch, demo):
    tweak = held(monkeypatch, demo, pour_temperature=74.0)
    assert (tweak.round.frame["pour_temperature"] == 74.0).all() and tweak.best["pour_temperature"].iloc[0] == 74.0


def test_where_no_formula_can_be_held_there_nothing_is(monkeypatch, demo):
    """80 % of 8 % is 6.4 % red oxide, over the 5 % of [[limits]]: the same as if every factor told."""
    tweak, free = held(monkeypatch, demo, red_share=0.8, load=0.08), held(monkeypatch, demo)
    pd.testing.assert_frame_equal(tweak.round.to_frame(), free.round.to_frame())
    assert np.array_equal(tweak.best, free.best) and tweak.expected_gain == pytest.approx(free.expected_gain, rel=1e-12)


def test_what_stands_today_is_searched_alike(monkeypatch, demo):
    tweak = held(monkeypatch, demo, red_share=0.8, load=0.08)
    standing = standing_of(demo, seed=2)
    assert np.array_equal(tweak.best[standing.names], standing.settled) and not standing.hold


@pytest.fixture(scope="module")
def flat():
    """Payoff rises with load, and hardness with wax while what is wanted of it is met anywhere."""
    text = TERRACOTTA.replace("peak = [4, 6, 8]", "peak = [0, 5, 10]").replace(
        'wanted = { peak = [2, 5, 8] }\n', "").replace("wanted = { rising = [5, 9] }\n", "")
    text = text.replace("[attributes.hardness]\nwanted = { peak = [0, 5, 10] }",
                        "[attributes.hardness]\nwanted = { rising = [1, 2] }")
    trial = scored(poured(text, rounds=4, seed=3), lambda c: np.column_stack(
        [5 + 3 * c[:, 2], 6.5 + 2.5 * c[:, 0], 5 - 2 * c[:, 2], 5 + 0 * c[:, 0]]), noise={"tester_pour": 0.3})
    return trial, {n: s for n, s in labkit.fit_surfaces(trial).items() if trial.attributes[n].wanted is not None}


class TestWhatIsHeld:
    def test_what_changes_a_score_and_not_what_is_wanted_is_told_as_such(self, flat):
        trial, surfaces = flat
        asked = replace(suggest.asked_of(trial, 4, 2, 0, None, None), fixed={"wax": 0.16, "red_share": 0.5})
        settled = trial.recipe.starting_factors.assign(wax=0.1606, red_share=0.51)
        wax, red = words._held(trial, asked, Outlook.of(trial, surfaces), settled)
        effect = surfaces["hardness"].effects.at["wax", "effect"]
        assert effect > 3 and wax == (
            "What you want can hardly be told to depend on wax where the best lies, though from its low to its high it "
            f"changes hardness by {effect:+.1f} on average, and finding out would bring little: it is held at 0.16, as "
            "in the best pour. Stay near that.")
        assert red.startswith("Nothing you score (payoff and hardness) can be told to depend on red_share, and ")
        assert red.endswith("it is held at 0.5 (0.51 as it can be weighed), as in the best pour. Choose it by eye, or "
                            "score what it changes.")

    def test_what_bends_a_score_in_the_middle_is_no_matter_of_the_eye(self):
        """Shade peaks at a red share in the middle and is the same at both ends; no straight line shows that."""
        trial = scored(poured(TERRACOTTA, rounds=4, seed=3), lambda c: np.column_stack(
            [5 + 3 * c[:, 2], 5 + 2.5 * c[:, 0], 5 - 2 * c[:, 2], 9 - 4 * c[:, 1] ** 2]), noise={"tester_pour": 0.3})
        surfaces = labkit.fit_surfaces(trial)
        asked = replace(suggest.asked_of(trial, 4, 2, 0, None, None), fixed={"red_share": 0.5})
        settled = trial.recipe.starting_factors.assign(red_share=0.5)
        told, = words._held(trial, asked, Outlook.of(trial, surfaces), settled)
        effect, bend = surfaces["shade"].effects.loc["red_share"], telling.told_bends(surfaces["shade"]).loc["red_share"]
        assert effect["low"] < 0 < effect["high"] and bend["effect"] > 2
        assert told == (
            "What you want can hardly be told to depend on red_share where the best lies, though the middle of its range "
            f"changes shade by {bend['effect']:+.1f} against its ends on average, and finding out would bring little: it is "
            "held at 0.5, as in the best pour. Stay near that.")

    @pytest.mark.parametrize("lost, says", [(0.09, "Choose it by eye, or score what it changes."), (
        0.41, "Stay near that: at 0.8 a desirability of only 0.31 is expected.")])
    def test_what_is_expected_to_cost_much_elsewhere_is_no_matter_of_the_eye(self, demo, lost, says):
        """Of nine pours nothing could be told of a setting, at whose end .31 of .72 was expected: `choose it by eye`."""
        outlook = types.SimpleNamespace(surfaces={}, mean=lambda points: (
            0.72 - lost * np.clip(points["red_share"] / 0.3 - 0.5 / 0.3, 0, 1).to_numpy()))
        asked = replace(suggest.asked_of(demo, 4, 2, 0, None, None), fixed={"red_share": 0.5})
        told, = words._held(demo, asked, outlook, demo.recipe.starting_factors.assign(red_share=0.5))
        assert told == ("Nothing you score (payoff, hardness, sheerness and shade) can be told to depend on red_share, and "
                        f"finding out would bring little: it is held at 0.5, as in the best pour. {says}")

    def test_nothing_is_held_where_it_is_expected_to_lose(self, flat):
        """The same formula with little load is expected to lose much, with another colour ratio nothing."""
        trial, surfaces = flat
        outlook = Outlook.of(trial, surfaces, seed=1)
        best = trial.region.sample(400, seed=5)
        best = best.iloc[[int(np.argmax(outlook.mean(best)))]].reset_index(drop=True)
        poor = pd.concat([best, best.assign(load=0.02)], ignore_index=True)
        alike = pd.concat([best, best.assign(red_share=0.5)], ignore_index=True)
        assert untold._given_up(outlook, poor, "load") > 0.2
        assert abs(untold._given_up(outlook, alike, "red_share")) < untold.GIVEN_UP

    @pytest.mark.parametrize("first, last, held", [(0.8, 0.2, []), (0.2, 0.8, ["a"])])
    def test_what_is_lost_where_the_best_may_lie_is_that_of_the_value_in_the_last_base(self, first, last, held):
        """D is .5, and .9 where both are over .5; along `a` through the bases, where b is .1, nothing changes."""
        def draws(points):
            return np.tile(np.where((points["a"] > 0.5) & (points["b"] > 0.5), 0.9, 0.5), (50, 1))

        recipe = types.SimpleNamespace(blends={}, coordinates=("a", "b"),
                                       bounds=pd.DataFrame({"low": 0.0, "high": 1.0}, index=["a", "b"]))
        region = types.SimpleNamespace(recipe=recipe, includes=lambda points: np.ones(len(points), dtype=bool))
        outlook = types.SimpleNamespace(draws=draws, mean=lambda points: draws(points).mean(axis=0), surfaces={},
                                        known=lambda points: [draws(points)], worth=lambda known: known[0])
        bases, points = pd.DataFrame({"a": [first, last], "b": 0.1}), pd.DataFrame({"a": [0.9, 0.1], "b": [0.9, 0.1]})
        assert untold.untold(region, outlook, bases, points, {"b": 0.1}) == held


@pytest.mark.parametrize("low", [0.0, 1e5])
@pytest.mark.parametrize("width", [1e-3, 10.0, 1e4])
def test_what_only_rounding_changes_is_no_signal(low, width):
    rng = np.random.default_rng(1)
    level = low + width * rng.uniform(0.2, 0.8, 300)[:, None]
    rounded = level + width * rng.uniform(1, 2, (300, 7)) * 1e-6             # each larger than the first, by next to nothing
    assert untold.signal(np.hstack([level, rounded]), width) == 0.0
    moved = level + width * (0.005 + rng.normal(0, 0.001, (300, 7)))
    assert untold.signal(np.hstack([level, moved]), width) == pytest.approx(5, rel=0.2)


def test_the_best_pours_are_found_among_what_is_looked_at_and_may_be_repeated(demo):
    """Shares are computed from the grams of a pot, so a pour made before comes back but for rounding."""
    standing = standing_of(demo, seed=2)
    bench = looking.Bench(trial=demo, outlook=standing.known, hold=standing.hold)
    looked = looking.candidates(bench, standing.points, seed=2)
    found = suggest._repeats(bench, looked)
    coded, made = demo.region.coded, demo.made[demo.made["ok"]]
    gap = np.abs(coded(looked.points.iloc[found])[:, None] - coded(made)[None]).max(axis=2)
    assert len(found) == 3 and gap.min(axis=1).max() < 1e-9
    worth = bench.outlook.mean(looked.points.iloc[found])
    assert (np.diff(worth) <= 0).all()

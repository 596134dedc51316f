"""The confirmation pour: intervals, chances and turning points against closed forms and against the surfaces."""
import dataclasses

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from scipy.stats import norm

import labkit
from labkit.attributes import Attribute, Wanted
from labkit.errors import TweakError
from labkit.surfaces.posterior import OWN
from labkit.tweaks import overturning
from labkit.tweaks.confirming import _misses_words, _turns_words, chance_to_tell, enough_pours
from labkit.tweaks.foretold import Foretold, foretold
from labkit.tweaks.overturning import overturns_of
from labkit.tweaks.words import percent

SEED = 2


@pytest.fixture(scope="module")
def confirmation(demo):
    return labkit.plan_confirmation(demo, seed=SEED)


@pytest.fixture(scope="module")
def surfaces(demo):
    return labkit.fit_surfaces(demo)


def normal(means, cov, *, together=0.3, alone=0.4, n=40_000, seed=1, width=100.0):
    """An attribute that is jointly normal at some formulas, on a scale so wide that it never ends anything."""
    rng = np.random.default_rng(seed)
    means, cov = np.array(means, dtype=float), np.array(cov, dtype=float)
    return Foretold(low=-width, high=width, long_run=rng.multivariate_normal(means, cov, n), middle=np.full(n, means[0]),
                    shared=np.tile(cov[0], (n, 1)), together=np.full(n, together), alone=np.full(n, alone),
                    normal=rng.standard_normal((2, n)))


class TestForetold:
    @pytest.mark.parametrize("pours", [1, 3])
    def test_of_a_normal_it_is_the_normal_interval(self, pours):
        told = normal([6.0], [[0.25]])
        half = 1.6449 * np.sqrt(0.25 + 0.09 + 0.16 / pours)
        assert told.interval(pours) == pytest.approx((6 - half, 6 + half), abs=0.02)
        assert told.expected(pours) == pytest.approx(6, abs=0.01)
        assert told.noise(pours) == pytest.approx(np.sqrt(0.09 + 0.16 / pours))

    def test_a_result_brings_the_conjugate_posterior(self):
        told = normal([6.0, 5.0], [[0.5, 0.2], [0.2, 0.4]])
        gain = np.array([0.5, 0.2]) / (0.5 + 0.09 + 0.08)
        drawn, weights = told.after(4.5, 2)
        np.testing.assert_allclose(weights @ drawn, np.array([6.0, 5.0]) + gain * (4.5 - 6.0), atol=0.02)

    def test_it_agrees_with_the_surface_on_the_mean_and_on_one_pour(self, demo, surfaces):
        points = demo.made[list(demo.recipe.coordinates)].iloc[[3, 0, 7]]
        for surface in surfaces.values():
            told = foretold(surface, points, seed=5, n=20_000)
            mean, se = surface.predict(points)[["mean", "se"]].to_numpy().T
            np.testing.assert_allclose(told.long_run.mean(axis=0), mean, atol=0.06)
            np.testing.assert_allclose(told.long_run.std(axis=0), se, atol=0.06)
            panel = surface.scores["score_se"].median() ** 2
            stretch = sum(c.weight * c.mixture.weights @ c.mixture.scales.sampling**2 for c in surface.posterior.candidates)
            pour = surface.predict_pour(points)["se"].iloc[0]
            assert told.seen(1).var() == pytest.approx(pour**2 + panel * stretch, rel=0.1)

    def test_its_gaussians_hold_all_of_the_variance_of_the_formula(self, demo, surfaces):
        """Total variance: that of the draws is that of the Gaussians' means and the mean of their own variances; what bends
        as no function does, and what is a formula's own, are a tenth and more of it."""
        points = demo.made[list(demo.recipe.coordinates)].iloc[[3, 0, 7]]
        for surface in surfaces.values():
            told = foretold(surface, points, seed=5, n=40_000)
            assert told.long_run[:, 0].var() == pytest.approx(told.middle.var() + told.shared[:, 0].mean(), rel=0.05)
            parts = [c.mixture.scales.sources**2 for c in surface.posterior.candidates]            # round, melt, pour
            shares = [c.weight * c.mixture.weights for c in surface.posterior.candidates]
            rounds, melts, pours = sum(share @ part for share, part in zip(shares, parts))
            assert np.mean(told.together**2) == pytest.approx(rounds, rel=0.05)
            assert np.mean(told.alone**2 - told.tasting**2) == pytest.approx(melts + (1 - OWN) * pours, rel=0.05)

    def test_bringing_up_to_date_is_weighing_the_draws_by_what_was_seen(self, demo, surfaces):
        """Against importance weights of the raw draws (no linear step): N(result; draw, noise of the draw)."""
        points = demo.made[list(demo.recipe.coordinates)].iloc[[3, 0]]
        told = foretold(surfaces["payoff"], points, seed=6, n=60_000)
        result = told.expected(2) - 1.0
        drawn, weights = told.after(result, 2)
        plain = norm.pdf(result, told.long_run[:, 0], np.hypot(told.together, told.alone / np.sqrt(2)))
        np.testing.assert_allclose(weights @ drawn, plain @ told.long_run / plain.sum(), atol=0.1)
        assert weights @ drawn[:, 0] < told.expected(2) - 0.3


class TestHowMany:
    def test_the_chance_to_tell_is_the_tail_of_a_normal(self):
        told, wanted = normal([6.0], [[0.25]]), Wanted(kind="rising", points=(4.0, 8.0))
        low = 6 - 1.6449 * np.sqrt(0.25 + 0.09 + 0.16)
        expected = norm.cdf((low - 4.0) / np.sqrt(0.09 + 0.16))
        assert chance_to_tell(told, wanted, 1) == (pytest.approx(expected, abs=0.01), 4.0)
        mirrored = chance_to_tell(normal([-6.0], [[0.25]]), Wanted(kind="falling", points=(-8.0, -4.0)), 1)
        assert mirrored == (pytest.approx(expected, abs=0.01), -4.0)
        two_sided = chance_to_tell(told, Wanted(kind="peak", points=(4.0, 6.0, 7.5)), 1)
        assert two_sided[1] == 7.5 and two_sided[0] < expected

    @pytest.mark.parametrize("mean, alone, count, why", [
        (9.0, 0.4, 1, "1 pour is enough: if payoff were useless in the long run (4), the mean of 1 pour would fall outside "
                      "what is expected with a chance of over 99 %."),
        (6.3, 1.0, 3, "3 pours: if payoff were useless in the long run (4), the mean of 3 pours would fall outside what is "
                      "expected with a chance of 95 %; of one less it would not be 90 %."),
        (4.5, 1.0, 2, "2 pours show whether the formula comes out alike. Not even 4 would tell for sure whether payoff misses "
                      "what is wanted: too little is known."),
    ])
    def test_the_smallest_number_that_tells(self, mean, alone, count, why):
        attributes = {"payoff": Attribute(name="payoff", wanted=Wanted(kind="rising", points=(4.0, 8.0)))}
        told = {"payoff": normal([mean], [[0.25]], together=0.2, alone=alone)}
        assert enough_pours(told, attributes) == (count, why)

    def test_what_no_number_can_tell_is_named_beside_what_can_be(self):
        wanted = Wanted(kind="rising", points=(4.0, 8.0))
        attributes = {name: Attribute(name=name, wanted=wanted) for name in ("payoff", "shade")}
        count, why = enough_pours({"payoff": normal([9.0], [[0.25]]), "shade": normal([4.5], [[0.25]])}, attributes)
        assert count == 1 and why.endswith(" That is not said of shade, for which not even 4 would do: too little is "
                                           "known, or too much changes from round to round.")

    def test_what_is_expected_to_miss_is_not_told_as_too_little_known(self):
        """The chance of a miss was told as over 99 % four lines on."""
        wanted = Wanted(kind="rising", points=(4.0, 8.0))
        attributes = {name: Attribute(name=name, wanted=wanted) for name in ("payoff", "shade")}
        miss = " shade is expected to miss what is wanted, so that pours that do are no surprise."
        lost, open_, sure = (normal([mean], [[0.25]]) for mean in (2.0, 4.5, 9.0))
        assert enough_pours({"payoff": sure, "shade": lost}, attributes)[1].endswith(f"over 99 %.{miss}")
        alike = "2 pours show whether the formula comes out alike."
        assert enough_pours({"payoff": open_, "shade": lost}, attributes) == (
            2, f"{alike} Not even 4 would tell for sure whether payoff misses what is wanted: too little is known.{miss}")
        assert enough_pours({"payoff": lost, "shade": lost}, attributes) == (
            2, f"{alike} payoff and shade are expected to miss what is wanted, so that pours that do are no surprise.")


def linear(*names):
    return {name: Attribute(name=name, low=-100, high=100, wanted=Wanted(kind="rising", points=(-100.0, 100.0)))
            for name in names}


class TestOverturns:
    """With desirability linear in one attribute the choice follows the posterior means, whose crossing is known."""

    MEANS, COV = [6.0, 5.5], [[0.9, 0.3], [0.3, 0.6]]

    def test_one_attribute_turns_where_the_conjugate_means_cross(self):
        told = {"payoff": normal(self.MEANS, self.COV)}
        row = overturns_of(linear("payoff"), told, ["P07"], 2).iloc[0]
        gain = np.array([0.9, 0.3]) / (0.9 + 0.09 + 0.08)
        assert row["below"] == pytest.approx(6 - 0.5 / (gain[0] - gain[1]), abs=0.1) and row["better below"] == "P07"
        assert np.isnan(row["above"]) and row["better above"] == ""

    def test_another_attribute_and_a_chance_of_failing_weigh_as_they_should(self):
        """sqrt(d1 d2): with little spread E sqrt(d) is sqrt(E d), so the means cross where c0 d1(x0) = c1 d1(x1)."""
        told = {"payoff": normal(self.MEANS, self.COV), "shade": normal([0.0, 1.0], np.eye(2) * 1e-4)}
        gain = np.array([0.9, 0.3]) / (0.9 + 0.09 + 0.08)
        rate = 101 / 100 * 0.995**2
        root = 6 + (rate * 105.5 - 106) / (gain[0] - rate * gain[1])
        row = overturns_of(linear("payoff", "shade"), told, ["P07"], 2, np.array([1.0, 0.995])).iloc[0]
        assert row["below" if root < 6 else "above"] == pytest.approx(root, abs=0.15)

    def test_what_is_three_times_as_important_counts_three_times(self):
        """d1^(3/4) d2^(1/4), with a chance of holding: the means cross where d1(x0) is 1.01^(1/3) .995^(4/3) of d1(x1)."""
        told = {"payoff": normal(self.MEANS, self.COV), "shade": normal([0.0, 1.0], np.eye(2) * 1e-4)}
        attributes = linear("payoff", "shade")
        attributes["payoff"] = dataclasses.replace(attributes["payoff"], importance=3.0)
        gain, rate = np.array([0.9, 0.3]) / (0.9 + 0.09 + 0.08), 1.01 ** (1 / 3) * 0.995 ** (4 / 3)
        row = overturns_of(attributes, told, ["P07"], 2, np.array([1.0, 0.995])).iloc[0]
        assert row["below"] == pytest.approx(6 + (rate * 105.5 - 106) / (gain[0] - rate * gain[1]), abs=0.15)

    @pytest.mark.parametrize("means, holds, at_once", [([6.0, 9.0], [1.0, 1.0], True), ([6.0, 9.0], [1.0, 0.9], False),
                                                       ([6.0, 5.0], [0.9, 1.0], True), ([6.0, 5.0], [1.0, 1.0], False)])
    def test_whether_another_is_better_already_counts_whether_they_hold(self, means, holds, at_once):
        """106 against 109 in 200, or against 105; where one of them holds nine times in ten it is the other."""
        row = overturns_of(linear("payoff"), {"payoff": normal(means, self.COV)}, ["P07"], 2, np.array(holds)).iloc[0]
        assert row["at once"] == at_once

    @pytest.mark.parametrize("below, above, there", [(-98.9, 99.1, [True, False]), (-99.1, 98.9, [False, True])])
    def test_the_very_end_of_the_scale_is_no_turning_point(self, monkeypatch, below, above, there):
        """On -100 to 100: what is within a two-hundredth of an end is in print that end, and nothing lies beyond it."""
        monkeypatch.setattr(overturning, "turning_points", lambda *_: ((below, 0), (above, 0)))
        row = overturns_of(linear("payoff"), {"payoff": normal(self.MEANS, self.COV)}, ["P07"], 2).iloc[0]
        assert [row["better below"] == "P07", row["better above"] == "P07"] == there
        assert list(row[["below", "above"]].notna()) == there

    def test_where_nothing_could_be_better_nothing_is_named(self):
        told = {"payoff": normal([60.0, 5.0], np.eye(2), width=100.0)}
        told["payoff"] = dataclasses.replace(told["payoff"], low=50.0, high=100.0)
        attributes = {"payoff": Attribute(name="payoff", low=50, high=100,
                                          wanted=Wanted(kind="rising", points=(50.0, 100.0)))}
        row = overturns_of(attributes, told, ["P07"], 1).iloc[0]
        assert row["better below"] == "" and np.isnan(row["below"])
        assert overturns_of(attributes, {"payoff": normal([60.0], [[1.0]])}, [], 1)["better above"].tolist() == [""]


class TestConfirmation:
    def test_it_is_the_formula_that_the_next_tweak_settles_on(self, demo, confirmation):
        best = labkit.suggest_next(demo, seed=SEED).best
        frame = confirmation.round.to_frame()
        for row in range(len(frame)):
            pd.testing.assert_frame_equal(frame.iloc[[row]][best.columns].reset_index(drop=True), best)
        assert frame["melt"].nunique() == len(frame) and frame["round"].unique().tolist() == [4]

    def test_it_can_be_poured_and_asked_for_more_pours(self, demo):
        three = labkit.plan_confirmation(demo, pours=3, seed=SEED)
        assert three.round.pours == ("P13", "P14", "P15") and three.round.melts == ("M07", "M08", "M09")
        assert three.why == "3 pours, as asked."
        assert three.advice.startswith("Pour it 3 times, each time in its own melt (P13, P14 and P15; cost 9.5). ")
        after = demo.with_round(three.round).with_pours(three.round.as_poured())
        assert after.made.loc[list(three.round.pours), "inside"].all()
        widths = three.expected["high"] - three.expected["low"]
        one = labkit.plan_confirmation(demo, pours=1, seed=SEED).expected
        assert (widths < one["high"] - one["low"]).all()

    def test_misses_are_those_of_the_surfaces(self, demo, surfaces, confirmation):
        table = confirmation.misses.set_index("attribute")
        assert list(table.index) == [*demo.attributes, "holds", "desirability"]
        point = confirmation.round.to_frame()[list(demo.recipe.coordinates)].iloc[[0]]
        for name, surface in surfaces.items():
            expected = surface.predict(point)[["mean", "low", "high"]].iloc[0]
            np.testing.assert_allclose(table.loc[name, ["mean", "low", "high"]].astype(float), expected)
        drawn = surfaces["payoff"].draws(point, n=20_000, seed=9)[:, 0]
        assert table.at["payoff", "chance under half"] == pytest.approx((drawn < 6).mean(), abs=0.03)
        assert table.at["payoff", "wanted"] == "rising 4 to 8"
        useless = table.loc[list(demo.attributes), "chance useless"]
        assert 1 - useless.sum() <= confirmation.all_met + 1e-9 <= 1 - useless.max() + 2e-9

    def test_expected_holds_what_is_predicted_and_is_wider(self, confirmation):
        told = confirmation.misses.set_index("attribute").loc[confirmation.expected["attribute"]]
        expected = confirmation.expected.set_index("attribute")
        assert (expected["low"] < told["low"]).all()
        assert ((expected["high"] > told["high"]) | (told["high"] == 10.0)).all()      # the end of the scale

    def test_a_formula_of_ones_own(self, demo):
        start = demo.recipe.starting_factors
        found = labkit.plan_confirmation(demo, formula=start, pours=1)
        np.testing.assert_allclose(found.round.to_frame()[list(demo.recipe.coordinates)], start[[*demo.recipe.coordinates]],
                                   rtol=0.02)

    def test_where_a_known_pour_is_better_already_it_turns_at_once(self, demo):
        other = pd.DataFrame([{"wax": 0.16, "red_share": 0.65, "load": 0.06, "pour_temperature": 76.0}])
        found = labkit.plan_confirmation(demo, formula=other, pours=1)
        assert found.overturns["at once"].all() and "would be the better choice" not in found.advice
        better, = set(found.overturns["better below"])
        assert str(found).count(f"already: {better}") == 2 * len(found.overturns)      # no turning points in the table either
        assert found.advice.split("\n")[1].startswith("As far as is known today P")
        assert " is the better choice already: desirability 0." in found.advice

    def test_no_chance_is_a_certainty(self, confirmation):
        sure = dataclasses.replace(confirmation, all_met=0.9996)
        assert repr(sure) == "<Confirmation: 2 pours, chance that all is of use over 99 %>"
        assert repr(dataclasses.replace(sure, all_met=0.994)) == "<Confirmation: 2 pours, chance that all is of use 99 %>"
        first = _misses_words(confirmation.misses, 0.9996).split("; ")[0]
        assert first == "The chance that every score is of use in the long run is over 99 %"
        assert [percent(chance) for chance in (0.0, 0.006, 0.5, 1.0)] == ["under 1 %", "1 %", "50 %", "over 99 %"]

    @pytest.mark.parametrize(("useless", "half", "words"), [
        ([0.0, 0.004], [0.51, 0.2], "payoff is the likeliest to stay under half of what is wanted (51 %)."),
        ([0.0, 0.04], [0.3, 0.2], "shade is the likeliest to miss (4 %)."),
        ([0.0, 0.04], [0.95, 0.2], "shade is the likeliest to miss (4 %).\n"
                                   "payoff is likely to stay under half of what is wanted (95 %)."),
    ])
    def test_what_may_miss_in_words(self, useless, half, words):
        misses = pd.DataFrame({"attribute": ["payoff", "shade"], "mean": 6.0, "chance useless": useless,
                               "chance under half": half})
        assert _misses_words(misses, 0.96) == (
            f"The chance that every score is of use in the long run is 96 %; {words}")

    def test_it_repeats_bit_for_bit(self, demo, confirmation):
        again = labkit.plan_confirmation(demo, seed=SEED)
        assert str(again) == str(confirmation) and again.to_frame().equals(confirmation.to_frame())

    def test_where_nothing_is_of_use_there_is_nothing_to_confirm(self, demo):
        zero = demo.scores.assign(score=0.0)
        trial = labkit.Trial(definition=demo.definition, tables={**demo.tables, "scores": zero})
        found = labkit.plan_confirmation(trial, pours=1)
        assert found.advice.split("\n")[1].startswith("It is expected to come to a desirability of 0.0")
        assert found.all_met < 0.05 and "shade" in str(found)

    def test_a_pot_for_every_pour(self):
        from played import hazel_rounds

        trial = hazel_rounds(2)[-1]
        found = labkit.plan_confirmation(trial, pours=2)
        assert "each time from the start" in found.advice and len(found.round.melts) == 2
        assert "the beaker" not in " ".join(found.slips["what slips"])

    def test_reports(self, confirmation):
        text, page = str(confirmation), confirmation._repr_html_()
        assert max(map(len, text.splitlines())) <= 100
        for part in ("How to confirm the choice", "Round 4", "What is known of this formula", "How far a slip may push it",
                     "none on the scale", "payoff"):
            assert part in text and part in page
        assert repr(confirmation).startswith("<Confirmation: ") and "\n" not in repr(confirmation)
        assert {"attribute", "result low", "below", "better above"} <= set(confirmation.to_frame().columns)

    def test_advice_says_how_many_what_to_expect_and_what_to_fear(self, confirmation):
        lines = confirmation.advice.split("\n")
        assert lines[0].startswith("Pour it ") and confirmation.why in lines[0]
        row = confirmation.expected.iloc[0]
        assert lines[1].startswith(f"payoff should come out between {row['low']:.1f} and {row['high']:.1f}; ")
        for name, turn in confirmation.overturns.set_index("attribute").iterrows():
            said = next(line for line in lines if line.startswith(f"{name} should"))
            assert (f"under {turn['below']:.1f}" in said) == bool(turn["better below"])
            assert ("no result of it alone" in said) == (not turn["better below"] and not turn["better above"])
        assert lines[-2].startswith("It holds (sets, unmoulds, does not break) with a chance of 9")
        worst = confirmation.slips.iloc[0]
        told = "The slip to guard against: " if worst["desirability"] <= -0.005 else "No slip of hand, balance or kettle costs"
        assert lines[-1].startswith(told) and worst["what slips"] in lines[-1]


@pytest.mark.parametrize(("below", "above", "at_once", "words"), [
    ("P07", "", False, "; under 1.4 P07 would be the better choice"),
    ("", "P07", False, "; over 8.3 P07 would be the better choice"),
    ("P07", "P07", False, "; under 1.4 or over 8.3 P07 would be the better choice"),
    ("P07", "P09", False, "; under 1.4 P07 and over 8.3 P09 would be the better choice"),
    ("", "", False, "; no result of it alone would make another known formula the better choice"),
    ("P07", "P07", True, ""),
])
def test_turning_points_in_words(below, above, at_once, words):
    assert _turns_words(pd.Series({"at once": at_once, "below": 1.4, "above": 8.3, "better below": below,
                                   "better above": above})) == words


@pytest.mark.parametrize("asked, message", [
    ({"pours": 0}, "pours is 0. Give a whole number from 1 to 48."),
    ({"pours": 49}, "pours is 49, and one round holds 48 at most. Plan several rounds, each from what the one before has "
     "shown."),
    ({"seed": "x"}, "seed is 'x'. Give a whole number from 0 to 4294967295."),
    ({"formula": {"wax": 0.16}}, "formula is of type dict. Give a frame of one row, such as suggest_next(trial).best."),
    ({"formula": pd.DataFrame({"wax": [0.1, 0.2]})},
     "formula is 2 rows. Give a frame of one row, such as suggest_next(trial).best."),
    ({"formula": pd.DataFrame([{"wax": 0.3, "red_share": 0.5, "load": 0.04, "pour_temperature": 70.0}])},
     "formula has wax 0.3, but it runs from 0.1 to 0.22. Give a formula within the limits."),
    ({"formula": pd.DataFrame([{"wax": 0.2, "red_share": 0.8, "load": 0.08, "pour_temperature": 70.0}])},
     "formula lies outside a limit of trial.toml. Give a formula within the limits."),
])
def test_it_refuses_what_cannot_be_confirmed(demo, asked, message):
    with pytest.raises(TweakError) as refused:
        labkit.plan_confirmation(demo, **asked)
    assert str(refused.value) == message


@pytest.mark.parametrize("toml, name", [(TERRACOTTA, "Terracotta stick"), (HAZEL, "Hazel pot")])
def test_without_scores_there_is_nothing_to_confirm(toml, name):
    with pytest.raises(TweakError) as refused:
        labkit.plan_confirmation(labkit.Trial.from_toml(toml))
    assert str(refused.value) == f"{name} has too few scores to settle on anything. Score two pours or more first."

"""What may be wished of a round: controls, repeats, what is held, its size; what is said of it, and what is refused."""

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from wishes import blend, coordinates, refusal, trial_of

import labkit
from labkit.rounds import round_from_factors


class TestControlRepeatsHold:
    def test_a_control_is_poured_again(self, twelve):
        round_ = labkit.plan_round(twelve, pours=4, melts=2, control="P03")
        named = next(note.split()[0] for note in round_.notes if note.endswith("is P03 made again, as a control."))
        again = round_.to_frame().set_index("pour").loc[named, list(twelve.recipe.coordinates)].astype(float)
        wanted = twelve.made.loc["P03", list(twelve.recipe.coordinates)].astype(float)
        assert np.allclose(again, wanted, rtol=5e-3)

    def test_a_control_without_pots(self, hazel):
        first = labkit.plan_round(hazel, pours=4)
        trial = hazel.with_round(first).with_pours(first.as_poured())
        frame = labkit.plan_round(trial, pours=3, control="P02").to_frame()
        wanted = trial.made.loc["P02", list(trial.recipe.coordinates)].astype(float).to_numpy()
        assert np.abs(frame[list(trial.recipe.coordinates)].to_numpy() - wanted).max(axis=1).min() < 1e-9

    @pytest.mark.parametrize("pours, melts, repeats", [(4, 2, 1), (6, 3, 2), (8, 4, 3), (4, 2, 3), (4, 4, 1)])
    def test_repeats_are_the_same_formula(self, terracotta, pours, melts, repeats):
        round_ = labkit.plan_round(terracotta, pours=pours, melts=melts, repeats=repeats)
        same = coordinates(terracotta, round_).round(6).duplicated().sum()
        assert same == repeats == sum(" repeats P" in note for note in round_.notes)

    def test_repeats_beside_a_control(self, twelve):
        round_ = labkit.plan_round(twelve, pours=6, melts=3, control="P03", repeats=1)
        assert coordinates(twelve, round_).round(6).duplicated().sum() == 1

    def test_hold_fixes_a_factor(self, terracotta):
        frame = labkit.plan_round(terracotta, pours=6, melts=3, hold={"load": 0.05}).to_frame()
        assert frame["load"].to_numpy() == pytest.approx(0.05, abs=3e-4)  # within half a step of each paste
        assert np.ptp(frame["wax"]) > 0.02

    def test_hold_fixes_a_setting_exactly(self, terracotta):
        frame = labkit.plan_round(terracotta, pours=4, melts=2, hold={"pour_temperature": 75}).to_frame()
        assert (frame["pour_temperature"] == 75).all()

    def test_hold_fixes_a_part_of_a_blend(self, hazel):
        frame = labkit.plan_round(hazel, pours=6, prior="flat", hold={"base: sunflower wax": 0.1}).to_frame()
        assert frame["base: sunflower wax"].to_numpy() == pytest.approx(0.1, abs=5e-4)
        assert np.ptp(frame["base: cocoa butter"]) > 0.2

    def test_what_is_held_in_the_pot_needs_one_melt(self, terracotta):
        round_ = labkit.plan_round(terracotta, pours=4, melts=2, hold={"wax": 0.15})
        assert "Nothing in the pot varies: a single melt would do." in round_.notes


class TestSize:
    def test_usual_costs(self, terracotta, hazel):
        round_ = labkit.plan_round(terracotta)
        assert (len(round_.pours), len(round_.melts)) == (4, 2)
        assert "Number of pours: 4, at 5 a round, 1 a melt and 0.5 a pour (4, one sitting, at the usual 5, 1 and 0.5)." in (
            round_.notes
        )
        assert "Number of melts: 2, for what they teach at 5 a round and 1 a melt." in round_.notes
        assert len(labkit.plan_round(hazel).pours) == 4

    @pytest.mark.parametrize("cost, fewer", [("pour = 5", True), ("round = 50", False), ("round = 0.5", True)])
    def test_dear_pours_make_rounds_small_and_dear_rounds_large(self, cost, fewer):
        pours = len(labkit.plan_round(trial_of(f"{TERRACOTTA}\n[cost]\n{cost}\n")).pours)
        assert pours < 4 if fewer else pours > 4

    def test_as_many_pours_as_melts_were_asked_for(self, terracotta):
        notes = labkit.plan_round(terracotta, melts=6).notes
        assert "Number of pours: 6, one for each of the 6 melts that were asked for." in notes
        assert not [note for note in labkit.plan_round(terracotta, melts=2).notes if "asked for" in note]

    def test_dear_melts_make_few(self):
        cheap = labkit.plan_round(trial_of(f"{TERRACOTTA}\n[cost]\nmelt = 0.01\n"), pours=4)
        dear = labkit.plan_round(trial_of(f"{TERRACOTTA}\n[cost]\nmelt = 30\n"), pours=4)
        assert len(dear.melts) == 1 < len(cheap.melts)

    def test_a_flat_prior_proposes_enough_for_its_terms(self, terracotta):
        round_ = labkit.plan_round(terracotta, prior="flat", model="linear")
        assert len(round_.pours) == 5
        assert "Number of pours: 5, the fewest for the 5 terms of the model with a flat prior." in round_.notes


class TestCaveats:
    def test_one_pour(self, terracotta):
        assert labkit.plan_round(terracotta, pours=1).notes[0] == (
            "A single pour has no other of its round beside it: what the round and the pot did stays in it."
        )

    def test_few_melts(self, terracotta):
        assert labkit.plan_round(terracotta, pours=4, melts=2).notes[0] == (
            "The quadratic model needs 3 different pots for wax; with 2 melts the plan rests on the prior there."
        )

    @pytest.mark.parametrize("wax, melts, said", [
        ([0.15, 0.15], ["M01", "M01"], "with 1 melt and 1 before"),
        ([0.15, 0.15], ["M01", "M02"], "with 1 melt and 2 before, 2 different pots in all,"),
        ([0.15, 0.1505, 0.1502], ["M01", "M02", "M03"], "with 1 melt and 3 before, 2 different pots in all,"),
        ([0.12, 0.2], ["M01", "M02"], ""),
    ])
    def test_melts_of_one_pot_count_once(self, terracotta, wax, melts, said):
        """What a balance and a hand make of one pot is one pot; a third different one is enough."""
        points = pd.DataFrame({"wax": wax, "red_share": 0.5, "load": 0.05, "pour_temperature": 74.0})
        round_ = round_from_factors(terracotta.recipe, terracotta.batch, number=1, melts=melts, coordinates=points,
                                    pours=[f"P{k:02d}" for k in range(1, len(wax) + 1)])
        trial = terracotta.with_round(round_).with_pours(round_.as_poured())
        notes = [note for note in labkit.plan_round(trial, pours=2, melts=1,
                                                    control="none").notes if "different pot" in note]
        assert notes == ([f"The quadratic model needs 3 different pots for wax; {said} the plan rests on the prior there."]
                         if said else [])

    def test_more_than_a_sitting(self, terracotta):
        assert labkit.plan_round(terracotta, pours=9, melts=3).notes[0] == (
            "9 pours are more than the 4 of one sitting: serve them in 3."
        )

    def test_small_portions_name_pour_ingredient_grams_and_what_would_do(self, terracotta):
        small = trial_of(TERRACOTTA.replace("low = 0.02\nhigh = 0.08", "low = 0.004\nhigh = 0.008"))
        round_ = labkit.plan_round(small, pours=4, melts=2)
        grams = round_.to_frame().set_index("pour")[["red paste [g]", "yellow paste [g]"]]
        least, where = grams.min(), grams.idxmin()
        red, yellow = (5 * np.floor(20 * part / 0.2 + 1e-9) for part in least)
        assert (
            f"{least.iloc[0]:.2f} g of red paste in {where.iloc[0]} and {least.iloc[1]:.2f} g of yellow paste in "
            f"{where.iloc[1]} are under 20 steps of the balance. Pour {np.ceil(20 * 0.2 / least.min() - 1e-9):.0f} g, or "
            f"weigh red paste in a premix of {red:.0f} % and yellow paste in a premix of {yellow:.0f} %."
        ) in round_.notes

    def test_how_it_was_judged(self, terracotta):
        assert labkit.plan_round(terracotta, pours=4, melts=2).notes[-2] == (
            "Planned by the I-criterion for the quadratic model, weak prior (root mean square of all linear functions "
            "together 0.29 of the scale, all curved ones 0.13). A melt's variance is 0.46 of that of a pour scored by "
            "6 testers ([noise])."
        )

    def test_the_melt_ratio_follows_noise(self):
        noisy = trial_of(f"{TERRACOTTA}\n[noise]\nmelt = 0.6\npour = 0.6\ntester_pour = 1e-6\n")
        assert labkit.plan_round(noisy, pours=4, melts=2).notes[-2].endswith(
            "A melt's variance is 1.00 of that of a pour scored by 6 testers ([noise])."
        )

    def test_d_efficiency_of_independent_pours(self):
        """{3, 2}: the lattice is the continuous optimum itself."""
        round_ = labkit.plan_round(blend([0.0] * 3, [1.0] * 3), pours=6, criterion="D", prior="flat")
        assert round_.notes[-1].startswith("D-efficiency 1.000 of the best that 6 pours could teach")


class TestBadWishes:
    def test_sizes(self, terracotta):
        assert refusal(terracotta, pours=3, melts=5) == (
            "5 melts were asked for 3 pours, but a melt serves one pour at least. Plan 3 melts or fewer."
        )
        assert refusal(terracotta, pours=60) == (
            "pours is 60, and one round holds 48 at most. Plan several rounds, each from what the one before has shown."
        )
        assert refusal(terracotta, pours=0) == "pours is 0. Give a whole number from 1 to 48."
        assert refusal(terracotta, pours=2.5) == "pours is 2.5. Give a whole number from 1 to 48."
        assert refusal(terracotta, pours=4, melts=True) == "melts is True. Give a whole number from 1 to 48."

    def test_choices(self, terracotta):
        assert refusal(terracotta, criterion="A") == "criterion is 'A'. Choose 'I' or 'D'."
        assert refusal(terracotta, prior="strong") == "prior is 'strong'. Choose 'weak' or 'flat'."
        assert refusal(terracotta, model="cubic") == "model is 'cubic'. Choose 'linear', 'interaction' or 'quadratic'."

    def test_melts_without_a_melt_table(self, hazel):
        assert refusal(hazel, pours=4, melts=2) == (
            "trial.toml has no [melt], so each of the 4 pours has its own pot, and there cannot be 2 melts. "
            "Leave melts out, or name the pot's ingredients in [melt]."
        )

    def test_controls(self, terracotta, twelve):
        assert refusal(terracotta, control="P01") == (
            "control 'P01' is not among the pours. Choose 'starting formula' or 'none'."
        )
        assert refusal(terracotta, control=["P01"]) == (
            "control is ['P01']. Give the name of one pour, 'starting formula' or 'none'."
        )
        assert refusal(twelve, control="P77") == (
            "control 'P77' is not among the pours. Choose P01, P02, P03, P04, P05, P06, P07, P08, P09, P10, P11, P12, "
            "'starting formula' or 'none'."
        )

    def test_a_control_outside_the_limits(self, twelve):
        """The limits were narrowed after the pour was made."""
        made = twelve.made.loc["P03", "wax"]
        narrow = trial_of(TERRACOTTA.replace("high = 0.22", f"high = {made - 0.01:.4f}"))
        frames = {"plan": twelve.plan, "pours": twelve.pours}
        assert refusal(narrow.with_tables(frames), control="P03") == (
            f"control P03 lies outside the limits: wax is {made:.4g}, its limits are 0.1 to {made - 0.01:.4f}. "
            "Choose another pour, or widen the limits."
        )

    def test_holds(self, terracotta):
        assert refusal(terracotta, hold={"wax": 0.3}) == (
            "hold puts wax at 0.3, outside its limits 0.1 to 0.22. Hold a value within them, or widen them."
        )
        assert refusal(terracotta, hold={"whacks": 0.3}) == (
            "hold names 'whacks', which does not vary. Choose 'wax', 'red_share', 'load' or 'pour_temperature'."
        )
        assert refusal(terracotta, hold={"wax": "much"}) == "hold gives wax the value 'much'. Give a number."
        assert refusal(terracotta, hold=["wax"]) == (
            "hold is ['wax']. Give a dict of coordinates and values, such as {'wax': 0.15}."
        )
        assert refusal(terracotta, hold={"red_share": 0.8, "load": 0.08}) == (
            "no formula within the limits has red_share = 0.8 and load = 0.08. Hold another value, or widen a limit."
        )
        everything = {"wax": 0.15, "red_share": 0.5, "load": 0.05, "pour_temperature": 70}
        assert refusal(terracotta, hold=everything) == (
            "what is held leaves one single formula, so there is nothing to plan. Let a factor vary."
        )
        assert refusal(blend([0.2, 0.8], [0.2, 0.8])) == (
            "the limits leave one single formula, so there is nothing to plan. Let a factor vary."
        )

    def test_repeats(self, terracotta):
        assert refusal(terracotta, pours=5, melts=2, repeats=4) == (
            "5 pours in 2 melts can repeat 3 formulas at most, not 4. "
            "Lower repeats, or plan other numbers of pours and melts."
        )

    def test_a_flat_prior_with_too_few_pours_or_pots(self, terracotta):
        assert refusal(terracotta, pours=4, melts=2, prior="flat") == (
            "with a flat prior the 15 terms of the quadratic model need 15 pours in this round, not 4. "
            "Plan more pours, choose a smaller model, or prior='weak'."
        )
        assert refusal(terracotta, pours=18, melts=2, prior="flat") == (
            "no round of 18 pours in 2 melts can tell the 15 terms of the quadratic model apart. "
            "Plan more melts, choose a smaller model, or prior='weak'."
        )

    @pytest.mark.parametrize("before, needed", [(1, "4 pours"), (3, "2 pours")])
    def test_a_flat_prior_counts_what_was_poured_before(self, terracotta, before, needed):
        """Five linear terms less one a pour; how rounds differ is not flat, but as [noise] has it."""
        first = labkit.plan_round(terracotta, pours=before, melts=before)
        trial = terracotta.with_round(first).with_pours(first.as_poured())
        assert refusal(trial, pours=1, prior="flat", model="linear") == (
            f"with a flat prior the 5 terms of the linear model need {needed} in this round, not 1. "
            "Plan more pours, choose a smaller model, or prior='weak'."
        )

    def test_a_model_richer_than_the_region(self):
        """A limit ties two factors together: the second follows from the first."""
        tied = trial_of(
            '[product]\nname = "Tied"\n[formula]\n"a" = 20\n"b" = 20\n"c" = 60\n'
            '[factors.first]\nof = ["a"]\nlow = 0.1\nhigh = 0.3\n[factors.second]\nof = ["b"]\nlow = 0.1\nhigh = 0.3\n'
            '[[limits]]\nof = ["c"]\nlow = 0.6\nhigh = 0.6\n[attributes.strength]\n'
        )
        assert refusal(tied, pours=8, prior="flat", model="linear") == (
            "the linear model is richer than the region: second cannot be told from first there. "
            "Choose a smaller model, or prior='weak'."
        )
        assert len(labkit.plan_round(tied, pours=4).pours) == 4

    def test_a_portion_below_one_step(self):
        coarse = TERRACOTTA.replace("balance_step_g = 0.01", "balance_step_g = 0.1").replace(
            '"vitamin E" = 1', '"vitamin E" = 0.2'
        )
        assert refusal(trial_of(coarse), pours=4, melts=2) == (
            "vitamin E would be 0.037 g of a 20 g pour, less than one step of the balance (0.1 g). "
            "Pour more, use a finer balance, or stir in a paste."
        )

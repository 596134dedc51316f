"""From formulas to grams on fine and coarse balances: limits, holds, melts that nothing helps, terms that run together."""
import pandas as pd
import pytest
from definitions import TERRACOTTA
from wishes import coordinates, refusal, trial_of

import labkit
from labkit.planning.points import Points
from labkit.planning.weigh import outside_limits, weighed
from labkit.rounds import round_from_factors
from labkit.tweaks.weighing import in_grams


def terracotta_on(step, **changes):
    """The trial on a balance that reads so much, with other lows and highs of factors."""
    text = TERRACOTTA.replace("balance_step_g = 0.01", f"balance_step_g = {step}")
    usual = {"wax": (0.10, 0.22), "load": (0.02, 0.08)}
    for name, (low, high) in changes.items():
        was = f"low = {usual[name][0]:.2f}\nhigh = {usual[name][1]:.2f}"
        assert text.count(was) == 1
        text = text.replace(was, f"low = {low}\nhigh = {high}")
    return trial_of(text)


def three_parts(low, high, step, more=""):
    """A blend of the whole batch, 20 g a pour."""
    return trial_of(
        f'[product]\nname = "Blend"\n[batch]\npour_g = 20\nbalance_step_g = {step}\n[formula]\n"a" = 32.5\n"b" = 25\n'
        f'"c" = 42.5\n[blends.base]\nparts = ["a", "b", "c"]\nlow = {low}\nhigh = {high}\n[attributes.strength]\n{more}'
    )


def steps_of(round_, step):
    grams = round_.to_frame().filter(like=" [g]")
    return (grams / step).round().astype(int).set_axis([c.removesuffix(" [g]") for c in grams], axis=1)


class TestLimits:
    @pytest.mark.parametrize("seed", [0, 1, 2])
    def test_a_round_that_keeps_the_limits_goes_before_one_that_teaches_more(self, seed):
        """Shares by hand, from the grams of pours and pots: wax .15 to .163 of the base and load .05 to .062, in tenths."""
        trial = terracotta_on(0.1, wax=(0.15, 0.163), load=(0.05, 0.062))
        round_ = labkit.plan_round(trial, pours=6, melts=3, seed=seed)
        frame = round_.to_frame()
        pots = frame.groupby("melt")[[f"{i} [g]" for i in ("candelilla wax", "mango butter", "jojoba oil")]].sum()
        wax = pots["candelilla wax [g]"] / pots.sum(axis=1)
        red, yellow = (frame[f"{colour} paste [g]"] / 2 / 20 for colour in ("red", "yellow"))
        assert wax.between(0.15 - 1e-9, 0.163 + 1e-9).all()
        assert (red + yellow).between(0.05 - 1e-9, 0.062 + 1e-9).all() and (red <= 0.05 + 1e-9).all()
        assert (red / (red + yellow)).between(0.2 - 1e-9, 0.8 + 1e-9).all()
        assert not [note for note in round_.notes if "over a limit" in note]

    def test_what_can_be_helped_moves_and_what_cannot_stands_nearest(self):
        """In steps of half a gram, 13 of 40 is all that .301 to .349 of a leaves. From 12.04 an eighth of the way to 13.96
        is not enough, whatever is rounded up; from 12.48 it is. Where it is not, b stays 4 steps, though it might be 24."""
        trial = three_parts([0.301, 0.1, 0.0], [0.349, 0.6, 1.0], 0.5)
        asked = pd.DataFrame({"base: a": [0.301, 0.312, 0.325], "base: b": [0.1, 0.1, 0.4]})
        asked["base: c"] = 1 - asked.sum(axis=1)
        found = weighed(trial, Points.at(trial.recipe, asked), ["M01", "M02", "M03"], ["P01", "P02", "P03"])
        assert outside_limits(trial, found).tolist() == [True, False, False]
        steps = steps_of(found, 0.5)
        assert steps.loc[0].tolist() == [12, 4, 24] and steps.loc[2].tolist() == [13, 16, 11]
        assert steps.loc[1, "a"] == 13 and 4 <= steps.loc[1, "b"] <= 6

    def test_a_pot_moves_by_as_little_as_it_takes_and_no_other_pot_moves(self):
        """Rounding takes the second pot beyond the high wax: a step in each of its pours brings it back."""
        trial = terracotta_on(0.01)
        asked = pd.DataFrame({"wax": [0.12, 0.12, 0.22, 0.22], "red_share": [0.5, 0.4, 0.7, 0.3],
                              "load": [0.05, 0.06, 0.03, 0.08], "pour_temperature": 74.0})
        points = Points.at(trial.recipe, asked)
        melts, pours = ["M01", "M01", "M02", "M02"], ["P01", "P02", "P03", "P04"]
        plain = round_from_factors(trial.recipe, trial.batch, number=1, melts=melts, pours=pours, coordinates=asked)
        assert outside_limits(trial, plain).tolist() == [False, False, True, True]
        found = weighed(trial, points, melts, pours)
        assert not outside_limits(trial, found).any()
        pd.testing.assert_frame_equal(found.to_frame().iloc[:2], plain.to_frame().iloc[:2])
        assert found.to_frame()["wax"].to_numpy() == pytest.approx([0.12, 0.12, 0.22, 0.22], abs=5e-4)
        assert (steps_of(found, 0.01) - steps_of(plain, 0.01)).abs().to_numpy().max() == 1

    def test_grams_that_leave_no_room_for_what_fills_up_are_outside(self):
        """14 g and 5.8 g of 20 with 1 % vitamin E leave no oil; in whole grams 14 and 6, and the oil would be negative."""
        trial = trial_of('[product]\nname = "Full"\n[batch]\npour_g = 20\nbalance_step_g = 1\n[formula]\n"a" = 50\n"b" = 20\n'
                         '"vitamin E" = 1\n"oil" = "to 100"\n[factors.one]\nof = ["a"]\nlow = 0.3\nhigh = 0.7\n'
                         '[factors.other]\nof = ["b"]\nlow = 0.1\nhigh = 0.29\n[attributes.strength]\n')
        asked = pd.DataFrame({"one": [0.7, 0.5, 0.65], "other": [0.29, 0.2, 0.25]})
        found = round_from_factors(trial.recipe, trial.batch, number=1, melts=["M01", "M02", "M03"],
                                   pours=["P01", "P02", "P03"], coordinates=asked)
        assert steps_of(found, 1)[["a", "b"]].to_numpy().tolist() == [[14, 6], [10, 4], [13, 5]]
        assert outside_limits(trial, found).tolist() == [True, False, False]


class TestHolds:
    """Both pastes hold half pigment, so red = share (red + yellow) also in grams of paste."""

    def off(self, frame, red):
        return frame["red paste [g]"] - red * (frame["red paste [g]"] + frame["yellow paste [g]"])

    @pytest.mark.parametrize("red, step, limits", [(0.25, 0.05, {}), (0.3, 0.1, {"wax": (0.15, 0.163), "load": (0.05, 0.062)})])
    def test_no_other_division_of_the_paste_is_nearer_to_what_is_held(self, red, step, limits):
        round_ = labkit.plan_round(terracotta_on(step, **limits), pours=6, melts=3, hold={"red_share": red}, seed=1)
        assert self.off(round_.to_frame(), red).abs().max() <= step / 2 + 1e-9

    @pytest.mark.parametrize("red, load", [(0.2, [0.062, 0.0563, 0.062, 0.0543]), (0.25, [0.062, 0.0517, 0.062, 0.059])])
    def test_melts_move_along_what_is_held(self, red, load):
        """Else red comes out two steps off; each paste is weighed to less than a step."""
        trial = terracotta_on(0.05, wax=(0.15, 0.163), load=(0.05, 0.062))
        asked = pd.DataFrame({"wax": [0.15, 0.15, 0.163, 0.163], "red_share": red, "load": load, "pour_temperature": 74.0})
        found = in_grams(trial, asked, ["M01", "M01", "M02", "M02"], ["P01", "P02", "P03", "P04"], {"red_share": red})
        assert not outside_limits(trial, found).any()
        assert self.off(found.to_frame(), red).abs().max() < 0.05

    def test_what_is_held_on_a_limit_keeps_the_limit(self):
        """Where the rounding of what is held breaks the limit nothing at the held value helps: it moves by a step."""
        trial = terracotta_on(0.01)
        round_ = labkit.plan_round(trial, pours=4, melts=2, hold={"wax": 0.1})
        assert not outside_limits(trial, round_).any()
        assert round_.to_frame()["wax"].between(0.1 - 1e-9, 0.1 + 0.01 / 18 + 1e-9).all()


class TestBlurred:
    def test_terms_that_run_together_in_whole_steps_are_refused(self):
        """Parts that may vary by .6 g, in steps of .5 g: three formulas are left of six."""
        trial = three_parts([0.3, 0.3, 0.37], [0.33, 0.33, 0.4], 0.5)
        assert refusal(trial, pours=6, prior="flat") == (
            "in whole steps of the balance (0.5 g), 6 pours cannot tell the 6 terms of the quadratic model apart. "
            "Pour more, use a finer balance, choose a smaller model, or prior='weak'."
        )
        assert len(coordinates(trial, labkit.plan_round(trial, pours=6, prior="flat", model="linear"))) == 6
        assert len(labkit.plan_round(trial, pours=6).pours) == 6

    def test_a_portion_a_little_below_a_step_is_told_in_digits_that_show_it(self):
        """Of 20 g with a load of .05, 18 g are no paste; of these 1/92 is vitamin E: 0.1957 g on a balance of 0.2 g."""
        assert refusal(terracotta_on(0.2), pours=4, melts=2, hold={"load": 0.05}) == (
            "vitamin E would be 0.196 g of a 20 g pour, less than one step of the balance (0.2 g). Pour more, use a finer "
            "balance, or stir in a paste."
        )

"""A world says what it cannot be."""

import numpy as np
import pandas as pd
import pytest
from rehearsal.worlds import quiet

import labkit
from labkit.errors import RehearsalError
from labkit.rehearsal.bench import _decimals, _hand
from labkit.rehearsal.table import _uses
from labkit.statements import Setting


class TestRefusals:
    @pytest.mark.parametrize("make, message", [
        (lambda: labkit.World(truth=3), "truth is of type int. Give a function of a coordinates frame."),
        (lambda: quiet(fails=0.1), "fails is of type float. Give a function of a coordinates frame."),
        (lambda: quiet(sd_pour=-1), "sd_pour is -1. Give a standard deviation, 0 or more."),
        (lambda: quiet(sd_pour=[]), "sd_pour is []. Give a standard deviation, 0 or more."),
        (lambda: quiet(sd_pour="a"), "sd_pour is 'a'. Give a standard deviation, 0 or more."),
        (lambda: quiet(step="half"), "step is 'half'. Give 0.5 for half points, 0 for scores that are not rounded."),
        (lambda: quiet(step=-0.5), "step is -0.5. Give 0.5 for half points, 0 for scores that are not rounded."),
        (lambda: quiet(levels="a"), "levels is 'a'. Give a value a tester, in order or by name, or a frame of testers by "
         "attributes."),
    ])
    def test_of_a_world(self, make, message):
        with pytest.raises(RehearsalError) as refused:
            make()
        assert str(refused.value) == message

    @pytest.mark.parametrize("found, message", [
        (lambda at: pd.DataFrame({"payoff": [5.0] * len(at)}), "truth gives no column 'hardness'. Give payoff and hardness."),
        (lambda at: pd.DataFrame({"payoff": 5.0, "hardness": [5.0, np.nan]}),
         "truth gives 2 rows, or values that are not numbers, for 2 formulas. Give a finite number for each."),
        (lambda at: pd.DataFrame({"payoff": [5.0, np.inf], "hardness": 5.0}),
         "truth gives 2 rows, or values that are not numbers, for 2 formulas. Give a finite number for each."),
        (lambda at: pd.DataFrame({"payoff": [5.0], "hardness": [5.0]}),
         "truth gives 1 rows, or values that are not numbers, for 2 formulas. Give a finite number for each."),
    ])
    def test_of_a_truth(self, found, message):
        with pytest.raises(RehearsalError) as refused:
            labkit.World(truth=found).truth_at(pd.DataFrame({"wax": [0.1, 0.2]}), ["payoff", "hardness"])
        assert str(refused.value) == message

    @pytest.mark.parametrize("said, message", [
        (dict(sd_pour={"payof": 0.3}), "sd_pour names 'payof', which the truth does not give. Did you mean 'payoff'?"),
        (dict(step={"shine": 1}), "step names 'shine', which the truth does not give. Name payoff or hardness."),
    ])
    def test_of_an_amount_of_an_attribute_that_the_truth_does_not_give(self, said, message):
        def truth(at):
            return pd.DataFrame({"payoff": [5.0] * len(at), "hardness": 5.0})

        at = pd.DataFrame({"wax": [0.1, 0.2]})
        with pytest.raises(RehearsalError) as refused:
            labkit.World(truth=truth, **said).truth_at(at, ["payoff"])
        assert str(refused.value) == message
        assert len(labkit.World(truth=truth, sd_pour={"hardness": 0.2}).truth_at(at, ["payoff"])) == 2

    @pytest.mark.parametrize("chance, shape", [([0.1, 1.1], "(2,)"), ([-0.1, 0.5], "(2,)"), ([np.nan, 0.5], "(2,)"),
                                               ([0.5], "(1,)"), (0.5, "()")])
    def test_of_chances_of_failing(self, chance, shape):
        with pytest.raises(RehearsalError) as refused:
            quiet(fails=lambda at: chance).holds_at(pd.DataFrame({"wax": [0.1, 0.2]}))
        assert str(refused.value) == (
            f"fails gives values of shape {shape}, or some outside 0 to 1, for 2 formulas. Give a chance for each.")

    def test_of_one_amount_among_several(self):
        assert quiet(sd_pour={"payoff": 0.2, "hardness": 0}).sd_pour["payoff"] == 0.2
        with pytest.raises(RehearsalError) as refused:
            quiet(sd_pour={"payoff": 0.2, "hardness": -1})
        assert str(refused.value) == "sd_pour is -1. Give a standard deviation, 0 or more."


def test_what_holds_is_what_does_not_fail():
    at = pd.DataFrame({"wax": [0.1, 0.2, 0.3]})
    np.testing.assert_allclose(quiet(fails=lambda points: [0.0, 0.25, 1.0]).holds_at(at), [1.0, 0.75, 0.0])
    np.testing.assert_allclose(quiet().holds_at(at), 1.0)


def test_of_nothing_a_hand_adds_nothing_and_of_a_trace_one_step():
    for seed in range(20):
        shown = _hand(np.array([0.0, 0.002, 5.0]), 0.01, np.random.default_rng(seed))
        assert shown[0] == 0 and shown[1] >= 0.01 and shown[2] == round(shown[2], 2)


@pytest.mark.parametrize("low, high, decimals", [(68, 80, 1), (0.2, 0.5, 3), (70, 70, 3), (0.0002, 0.0008, 6)])
def test_a_setting_is_read_to_what_can_be_told_of_its_range(low, high, decimals):
    assert _decimals(Setting(name="pour_temperature", low=low, high=high)) >= decimals
    assert (_decimals(Setting(name="pour_temperature", low=low, high=high)) == 1) == (decimals == 1)


def test_only_how_testers_use_the_scale_beside_each_other_counts():
    """Slopes over their mean, so that the truth is the long-run mean of the panel."""
    for slopes in ([3.0, 1.0], {"T01": 0.75, "T02": 0.25}, pd.Series({"T02": 1.0, "T01": 3.0})):
        assert _uses(quiet(slopes=slopes), ["T01", "T02"], "payoff").tolist() == [1.5, 0.5]

"""How many pours a round has for what they cost: 4 sqrt[(fixed / running) / (the same at 5, 1 and .5)], by hand."""
import pytest
from definitions import TERRACOTTA

from labkit import Trial
from labkit.planning.size import proposed_pours, wanted_pours
from labkit.planning.wish import Wish, usual_control
from labkit.rounds import Cost


@pytest.mark.parametrize("cost, melts, own_pots, wanted", [
    ({}, None, False, 4), ({}, 3, False, 4), ({}, None, True, 4),
    ({"round": 20}, None, False, 7),                  # 4 sqrt(22 / 7) = 7.1; two melts are usual, and paid for in any case
    ({"melt": 6}, None, False, 6),                    # 4 sqrt(17 / 7) = 6.2
    ({"melt": 6}, 1, False, 5),                       # 4 sqrt(11 / 6) = 5.4
    ({"pour": 2}, None, False, 2),                    # 4 sqrt(1 / 4) = 2
    ({"melt": 4}, None, True, 2),                     # its own pot is a part of what a pour costs: 4 sqrt(1.5 / 4.5) = 2.3
    ({"round": 20}, None, True, 8),                   # 4 sqrt(4) = 8
    ({"round": 500}, None, False, 34),                # 4 sqrt(502 / 7) = 33.9
    ({"round": 1e6}, None, False, 80)])
def test_the_rule_of_the_economic_lot(cost, melts, own_pots, wanted):
    asked = {"melts": melts, "own_pots": own_pots}
    assert wanted_pours(Cost(**cost), **asked) == wanted
    assert proposed_pours(Cost(**cost), **asked) == max(2, melts or 1, min(wanted, 8))


@pytest.mark.parametrize("melts, pours", [(6, 6), (12, 12), (1, 4)])
def test_a_melt_has_a_pour(melts, pours):
    assert proposed_pours(Cost(), melts=melts, own_pots=False) == pours


@pytest.mark.parametrize("pours, control", [(2, None), (3, "starting formula"), (4, "starting formula")])
def test_of_three_pours_on_the_starting_formula_is_one_with_a_single_factor(pours, control):
    """Two terms of a straight line, and a third pour beside them."""
    trial = Trial.from_toml('[formula]\n"castor oil" = "to 100"\n[settings.temp]\nlow = 60\nhigh = 80\n[attributes.hardness]\n')
    assert usual_control(trial, Wish(), pours) == control


@pytest.mark.parametrize("vitamin, control", [("1", "starting formula"), ("0.05", "starting formula"), ("0.02", None)])
def test_a_starting_formula_that_cannot_be_weighed_is_no_control(vitamin, control):
    """Of 20 g, .02 % are .004 g, and a step of the balance is .01 g."""
    trial = Trial.from_toml(TERRACOTTA.replace('"vitamin E" = 1', f'"vitamin E" = {vitamin}'))
    assert usual_control(trial, Wish(), 8) == control


def test_a_portion_of_one_step_stays_one_where_its_percent_was_rounded():
    """One step of .01 g in 12 g is a twelve-hundredth; .0833333333 % of 12 g are .009999999996 g."""
    text = TERRACOTTA.replace('"vitamin E" = 1', '"vitamin E" = 0.0833333333').replace("pour_g = 20.0", "pour_g = 12.0")
    assert usual_control(Trial.from_toml(text), Wish(), 8) == "starting formula"

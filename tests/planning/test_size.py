"""How many pours a round has for what they cost: 4 sqrt[(fixed / running) / (the same at 5, 1 and .5)], by hand."""
import pytest

from labkit.planning.size import proposed_pours, wanted_pours
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

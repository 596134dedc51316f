"""A starting formula that the limits forbid, as where a factor is held at a rounded value: no round has it, and it is said."""
import pandas as pd
import pytest
from definitions import TERRACOTTA

import labkit
from labkit.errors import PlanError
from labkit.planning.wish import outside_words, start_outside

WAX = "low = 0.10\nhigh = 0.22"                                          # of what starts at 14 / 91 = .153846...
PLAIN = ("This round is planned to teach the most about all scores at once; the formula below is the starting formula. "
         "Pour the round, have it scored, and ask again.")


def holding(value):
    assert WAX in TERRACOTTA
    return labkit.Trial.from_toml(TERRACOTTA.replace(WAX, f"low = {value}\nhigh = {value}"))


@pytest.mark.parametrize("value, told", [
    ("0.15", "wax is 0.1538, its limits are 0.15 to 0.15"), ("0.1538", "wax is 0.15385, its limits are 0.1538 to 0.1538")])
def test_the_first_advice_says_where_it_lies_outside(value, told):
    trial = holding(value)
    tweak = labkit.suggest_next(trial, pours=4, melts=2, seed=0)
    assert tweak.advice.endswith(
        f"the formula below is the starting formula. It lies outside the limits ({told}), so no round has it: mend [formula] "
        "or the limits if whatever is settled on is to be compared with it. Pour the round, have it scored, and ask again.")
    with pytest.raises(PlanError) as caught:
        labkit.plan_round(trial, pours=4, melts=2, seed=0, control="starting formula")
    assert str(caught.value) == (f"the starting formula lies outside the limits: {told}. Leave it out with control='none', or "
                                 "widen the limits.")


def test_one_within_them_is_no_matter():
    trial = labkit.Trial.from_toml(TERRACOTTA)
    assert start_outside(trial) == "" and labkit.suggest_next(trial, pours=4, melts=2, seed=0).advice.endswith(PLAIN)


def test_a_limit_that_is_no_range():
    trial = labkit.Trial.from_toml(TERRACOTTA + '[[limits]]\nof = ["yellow iron oxide"]\nhigh = 0.015\n')
    assert start_outside(trial) == "it breaks one of [[limits]]"
    inside = pd.Series({"wax": 0.15, "red_share": 0.5, "load": 0.04, "pour_temperature": 74.0})
    assert outside_words(trial, inside) == "it breaks one of [[limits]]"

"""Pots crossed with what is stirred in: what a pour has from its pot, and what it has for itself."""
import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA, TINT
from invented import poured, scored

import labkit
from labkit.tweaks.looking import Bench, in_pot_of

COOLING = """
[settings.cooling]
unit = "min"
low = 5
high = 60
per_melt = true
[[limits]]
"""


class Height:
    """An outlook that is asked nothing."""

    def draws(self, points):
        return np.zeros((1, len(points)))


@pytest.fixture(scope="module")
def trial():
    return labkit.Trial.from_toml(TERRACOTTA.replace("[[limits]]", COOLING, 1))


def test_a_pour_has_wax_and_what_is_set_once_a_melt_from_its_pot_and_the_rest_from_its_colours(trial):
    names, shared = list(trial.recipe.coordinates), ["wax", "cooling"]
    pots, colours = trial.region.sample(4, seed=1)[names], trial.region.sample(3, seed=2)[names]
    left, right = np.array([0, 3, 3, 1]), np.array([2, 0, 1, 2])
    found = in_pot_of(trial.recipe, pots, colours, left, right)
    own = [name for name in names if name not in shared]
    assert set(own) == {"red_share", "load", "pour_temperature"}
    assert found[shared].to_numpy() == pytest.approx(pots.iloc[left][shared].to_numpy(), abs=1e-9)
    assert found[own].to_numpy() == pytest.approx(colours.iloc[right][own].to_numpy(), abs=1e-9)


def test_every_pot_is_crossed_with_every_colour_that_keeps_the_limits(trial):
    """The one limit: red at most .05 of the batch, red being its share of the load."""
    names = list(trial.recipe.coordinates)
    pots = trial.region.sample(2, seed=3)[names]
    colours = pd.DataFrame({"wax": 0.15, "red_share": [0.2, 0.8, 0.8], "load": [0.08, 0.05, 0.08], "pour_temperature": 70.0,
                            "cooling": 20.0})[names]
    looked = Bench(trial=trial, outlook=Height(), hold={}).crossed(pots, colours)
    assert list(looked.pots) == [0, 0, 1, 1] and list(looked.points["load"]) == pytest.approx([0.08, 0.05] * 2)
    assert list(looked.points["wax"]) == pytest.approx(pots["wax"].repeat(2)) and looked.draws.shape == (1, 4)


def test_without_a_pot_each_formula_is_a_pot_of_its_own_and_none_stands_twice():
    trial = labkit.Trial.from_toml(HAZEL)
    points = trial.region.sample(5, seed=4)[list(trial.recipe.coordinates)]
    looked = Bench(trial=trial, outlook=Height(), hold={}).crossed(points.iloc[:4], points.iloc[2:])
    assert list(looked.pots) == [0, 1, 2, 3, 4] and looked.points.to_numpy() == pytest.approx(points.to_numpy())


def test_where_all_is_held_at_a_useless_formula_one_is_told_what_it_is_worth():
    """No round can look elsewhere then, so none is planned to teach: it ended in the refusal of plan_round."""
    trial = scored(poured(TINT, rounds=2), lambda coded: np.column_stack([1 + 0 * coded[:, 0], 2 + 0 * coded[:, 0]]))
    tweak = labkit.suggest_next(trial, pours=2, hold={"load": 0.02})
    assert tweak.stop and tweak.best["load"].item() == pytest.approx(0.02) and "is expected to give 0.0" in tweak.advice
    assert "suggest_next plans" not in labkit.compare_efforts(trial, pours=2, hold={"load": 0.02}).advice
    assert not labkit.suggest_next(trial, pours=2).stop
    assert "suggest_next plans" in labkit.compare_efforts(trial, pours=2).advice

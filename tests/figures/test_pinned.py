"""Figures where something has one value only: pours are weighed beside it by a little, and it stays where it is."""
import numpy as np
import pytest
from definitions import HAZEL, TERRACOTTA
from invented import poured, scored

import labkit
from labkit.errors import SurfaceError, TweakError
from labkit.figures.slices import given_row, held_words, moved

WAX = TERRACOTTA.replace("low = 0.10\nhigh = 0.22", "low = 0.15\nhigh = 0.15")
RANGES = "low = [0.06, 0.10, 0.50]\nhigh = [0.16, 0.40, 0.80]"
PART = HAZEL.replace(RANGES, "low = [0.10, 0.10, 0.50]\nhigh = [0.10, 0.40, 0.80]")
TWO = HAZEL.replace('["sunflower wax", "cocoa butter", "castor oil"]', '["sunflower wax", "castor oil"]').replace(
    RANGES, "low = [0.06, 0.50]\nhigh = [0.5, 0.94]")
BASE = ("base: sunflower wax", "base: cocoa butter", "base: castor oil")


def trial_of(text):
    return scored(poured(text, rounds=2, seed=3), lambda coded: 5 + coded[:, [1, 0, 1, 2]] if text == WAX else 5 + coded[:, :1])


@pytest.mark.parametrize("text, along", [(WAX, ("red_share", "load")), (PART, ("load", BASE[1]))], ids=["factor", "part"])
def test_what_is_pinned_stays_where_it_is(text, along):
    """They said that nothing may be poured at wax 0.15, which is all that may."""
    trial = trial_of(text)
    surface, made = labkit.fit_surfaces(trial)["hardness"], trial.made.index
    name = "wax" if text == WAX else BASE[0]
    assert (trial.made[name] != trial.recipe.bounds.at[name, "low"]).any()
    best = labkit.suggest_next(trial, pours=2, melts=1, seed=1).best
    for at in (None, best):
        assert given_row(trial, made, at)[name] == trial.recipe.bounds.at[name, "low"]
        labkit.draw_surface(surface, along, at)
        labkit.draw_along(surface, along[1], at)
        labkit.draw_outlook(trial, {"hardness": surface}, along, at)


def test_what_is_pinned_is_no_choice_where_something_has_to_vary():
    surface = labkit.fit_surfaces(trial_of(WAX))["hardness"]
    for call, along, words in (
            (labkit.draw_along, "wex", "'wex' does not vary. Choose 'red_share', 'load' or 'pour_temperature'."),
            (labkit.draw_surface, "wex", "along is ['wex']. Give one or two different ones of 'red_share', 'load' and "
                                         "'pour_temperature'.")):
        with pytest.raises(SurfaceError) as caught:
            call(surface, along)
        assert str(caught.value) == words


def test_the_other_parts_of_a_blend_share_what_it_leaves():
    recipe = labkit.Trial.from_toml(PART).recipe
    given = recipe.starting_factors.iloc[0].copy()
    given[list(BASE)] = 0.1, 0.3, 0.6
    points, excess = moved(recipe, given, {BASE[1]: np.array([0.2, 0.4])})
    np.testing.assert_allclose(points[list(BASE)], [[0.1, 0.2, 0.7], [0.1, 0.4, 0.5]])
    np.testing.assert_allclose(excess, [-0.7, -0.5])
    assert held_words(recipe, given, [BASE[1]]).startswith(f"load {given['load']:.3g} and sunflower wax 0.1")


@pytest.mark.parametrize("text, parts, words", [(PART, BASE[1:], "base: cocoa butter and base: castor oil"),
                                                (TWO, BASE[::2], "base: sunflower wax and base: castor oil")])
def test_two_parts_that_are_all_that_varies_of_a_blend_are_one_coordinate(text, parts, words):
    """The picture of the outlook showed shares that add to no whole; that of the surface refused them as such."""
    trial = trial_of(text)
    surfaces = labkit.fit_surfaces(trial)
    for error, call in ((SurfaceError, lambda: labkit.draw_surface(surfaces["hardness"], parts)),
                        (TweakError, lambda: labkit.draw_outlook(trial, surfaces, parts))):
        with pytest.raises(error) as refused:
            call()
        assert str(refused.value) == (f"{words} are all of base that varies, so that one goes as the other comes. Choose one "
                                      "of them.")

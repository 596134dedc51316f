import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA

from labkit import Trial, compare_settled, suggest_next
from labkit.errors import TweakError


def test_setting_a_tester_aside_is_shown_beside_what_it_was(demo):
    aside = demo.with_set_aside(pd.DataFrame([{"action": "set aside", "tester": "T03", "reason": "leans high"}]))
    table = compare_settled(demo, aside, seed=1)
    assert table.index.tolist() == ["before", "after", "difference"]
    assert table.columns.tolist() == [*demo.recipe.coordinates, *demo.attributes, "holds", "desirability"]
    assert table.loc["difference"].tolist() == pytest.approx((table.loc["after"] - table.loc["before"]).tolist())
    best = suggest_next(aside, pours=1, melts=1, seed=1).best
    assert table.loc["after", list(demo.recipe.coordinates)].tolist() == best[list(demo.recipe.coordinates)].iloc[0].tolist()


def test_no_change_makes_no_difference(demo):
    assert (compare_settled(demo, demo).loc["difference"] == 0).all()


def test_two_products_are_not_compared(demo):
    with pytest.raises(TweakError) as problem:
        compare_settled(demo, Trial.from_toml(HAZEL))
    assert str(problem.value) == (
        "the first trial varies wax, red_share, load, pour_temperature, the second load, base: sunflower wax, "
        "base: cocoa butter, base: castor oil. Compare two states of one trial.")


def test_nothing_scored_settles_on_nothing():
    trial = Trial.from_toml(TERRACOTTA)
    with pytest.raises(TweakError) as problem:
        compare_settled(trial, trial)
    assert str(problem.value) == "one of the trials has too few scores to settle on anything. Score two pours or more first."

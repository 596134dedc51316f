"""Where a trial stands: formulas that a balance step carried over a limit, those that are known, and the better one."""
import types

import numpy as np
import pandas as pd
import pytest

import labkit
from labkit.errors import TweakError
from labkit.tweaks.rivals import rivals_of
from labkit.tweaks.standing import checked_formula, known_formulas

STEP = 0.01 / 20                # of the balance, as a part of a pour of the demo
POINT = {"wax": 0.16, "red_share": 0.5, "load": 0.05, "pour_temperature": 74.0}


@pytest.mark.parametrize("name, over, kept", [("wax", 0.22, True), ("wax", 0.22 + 0.9 * STEP, True),
                                              ("wax", 0.22 + 1.1 * STEP, False),
                                              ("wax", 0.1 - 0.9 * STEP, True), ("wax", 0.1 - 1.1 * STEP, False)])
def test_a_bound_is_a_bound_to_within_a_balance_step(demo, name, over, kept):
    given = pd.DataFrame([POINT | {name: over}])
    if kept:
        assert checked_formula(demo, given)[name].item() == over
        return
    with pytest.raises(TweakError) as refused:
        checked_formula(demo, given)
    assert str(refused.value) == f"formula has wax {over:g}, but it runs from 0.1 to 0.22. Give a formula within the limits."


@pytest.mark.parametrize("beyond, kept", [(0.0, True), (0.8, True), (1.3, False)])
def test_so_is_a_limit(demo, beyond, kept):
    """Red is .05 of the batch at most: .8 of a load of .0625."""
    given = pd.DataFrame([POINT | {"red_share": 0.8, "load": (0.05 + beyond * STEP) / 0.8}])
    if kept:
        assert len(checked_formula(demo, given)) == 1
        return
    with pytest.raises(TweakError) as refused:
        checked_formula(demo, given)
    assert str(refused.value) == "formula lies outside a limit of trial.toml. Give a formula within the limits."


def test_surfaces_of_a_trial_before_a_factor_had_another_name(demo, demo_copy):
    path = demo_copy / "trial.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("[factors.red_share]", "[factors.red]"), encoding="utf-8")
    trial, surfaces = labkit.read_trial(demo_copy), labkit.fit_surfaces(demo)
    for call in (labkit.tell_tradeoffs, lambda trial, surfaces: labkit.draw_outlook(trial, surfaces, ("wax", "load"))):
        with pytest.raises(TweakError) as refused:
            call(trial, surfaces=surfaces)
        assert str(refused.value) == (
            "surfaces['payoff'] lies over wax, red_share, load and pour_temperature, but Terracotta stick varies wax, red, "
            "load and pour_temperature. Give what fit_surfaces(trial) returned.")


def test_what_is_set_aside_is_no_formula_to_turn_to(demo):
    """A pour that was dropped on the floor was told as the better choice, and to be poured again."""
    names = list(demo.recipe.coordinates)
    without = demo.with_set_aside(pd.DataFrame([{"action": "set aside", "pour": "P10", "reason": "dropped"}]))
    standing = types.SimpleNamespace(trial=without, settled=demo.made.loc[["P03"], names].reset_index(drop=True))
    there = set(known_formulas(standing, 0.0).index)
    assert "P10" not in there and {"P03", "P12"} <= there
    assert not any("P10" in line for line in labkit.plan_confirmation(without).advice.split("\n"))


def test_what_failed_and_what_is_near_are_no_formulas_to_turn_to(demo):
    made = demo.made
    settled = made.loc[["P03"], list(demo.recipe.coordinates)].reset_index(drop=True)
    standing = types.SimpleNamespace(trial=demo, settled=settled)
    everything, apart = known_formulas(standing, 0.0), known_formulas(standing, 0.05)
    assert demo.failed and not set(demo.failed) & set(everything.index) and "P03" in everything.index
    gaps = (np.abs(demo.recipe.over_ranges(apart) - demo.recipe.over_ranges(settled))).max(axis=1)
    assert "P03" not in apart.index and (gaps >= 0.05).all() and len(apart) < len(everything)


@pytest.mark.parametrize("means, better", [([0.5, 0.4, 0.3], None), ([0.5, 0.6, 0.3], ("P01", 0.6)),
                                           ([0.5, 0.6, 0.7], ("P02", 0.7))])
def test_the_better_one_is_named_where_there_is_one(means, better):
    drawn = np.linspace(-0.1, 0.1, 101)[:, None] + means
    standing = types.SimpleNamespace(settled=pd.DataFrame({"x": [0.0]}), names=["x"],
                                     outlook=lambda: types.SimpleNamespace(draws=lambda points: drawn[:, :len(points)]))
    found = rivals_of(standing, pd.DataFrame({"x": [1.0, 2.0]}, index=["P01", "P02"]))
    assert found.better == (better[0] if better else "") and found.chance == pytest.approx(1.0 if better else np.nan, nan_ok=True)
    assert not better or found.others[found.better] == pytest.approx(better[1])
    assert found.formula.to_list() == pytest.approx([0.5, 0.41, 0.59])


@pytest.mark.parametrize("call", [lambda trial, surfaces: labkit.tell_tradeoffs(trial, surfaces),
                                  lambda trial, surfaces: labkit.draw_outlook(trial, surfaces, ("wax", "load"))])
def test_surfaces_from_before_a_tester_was_set_aside_are_refused(demo, call):
    aside = demo.with_set_aside(pd.DataFrame([{"action": "set aside", "tester": "T03", "reason": "a cold"}]))
    with pytest.raises(TweakError) as refused:
        call(aside, labkit.fit_surfaces(demo))
    assert str(refused.value) == ("surfaces['payoff'] was fitted to other scores or readings than those that stand in "
                                  "Terracotta stick. Give what fit_surfaces(trial) returns now.")

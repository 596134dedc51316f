"""Pours far outside limits that were narrowed afterwards: what a surface makes of them, and where that ends."""
import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from invented import poured, scored

import labkit
from labkit.errors import SurfaceError
from labkit.surfaces.ground import _with_outside


def narrowed(half):
    """Two rounds poured with wax 0.10 to 0.22, and limits that leave it `half` on both sides of 0.17."""
    trial = scored(poured(TERRACOTTA, rounds=2, seed=5), lambda coded: 5 + 2 * coded[:, [0, 1, 0, 1]])
    low, high = f"low = {0.17 - half:.7f}", f"high = {0.17 + half:.7f}"
    text = TERRACOTTA.replace("low = 0.10\nhigh = 0.22", f"{low}\n{high}")
    assert low in text
    return labkit.Trial.from_toml(text).with_tables(dict(trial.tables), files=True)


@pytest.mark.parametrize("half", [0.03, 0.016])
def test_a_range_that_was_narrowed_changes_little_of_what_is_known(half):
    """Pours a range and two outside: means, their standard errors and the chance that the wax plays no part are about as
    with the limits under which they were poured."""
    here = narrowed(half)
    wide = labkit.Trial.from_toml(TERRACOTTA).with_tables(dict(here.tables), files=True)
    points = here.region.sample(60, seed=3)
    assert (~here.made["inside"]).sum() >= 4
    for name in ("payoff", "hardness", "shade"):
        then, now = (labkit.fit_surfaces(trial)[name] for trial in (wide, here))
        told = then.predict(points), now.predict(points)
        assert (np.abs(told[1]["mean"] - told[0]["mean"]) / told[0]["se"]).max() < 0.25
        assert np.abs(np.log(told[1]["se"] / told[0]["se"])).max() < 0.2
        assert now.effects.at["wax", "no part"] == pytest.approx(then.effects.at["wax", "no part"], abs=0.1)


def test_without_a_pour_outside_the_functions_are_those_of_the_region():
    trial = scored(poured(TERRACOTTA, rounds=2, seed=5), lambda coded: 5 + 2 * coded[:, [0, 1, 0, 1]])
    ground = labkit.fit_surfaces(trial)["payoff"].ground
    phi = ground.columns(ground.sample)[:, :ground.systems[0].basis.size]
    np.testing.assert_allclose(phi.T @ phi / len(phi), np.eye(phi.shape[1]), atol=1e-8)


@pytest.mark.parametrize("half, widens", [(0.055, False), (0.03, True), (0.0002, False)])
def test_what_is_hardly_outside_or_hopelessly_far_widens_nothing(half, widens):
    """From the wax as weighed: over a fifth of the range outside, and no more than twice that range."""
    trial = narrowed(half)
    out = (np.abs(trial.made["wax"] - 0.17) - half) / (2 * half)
    near = trial.made["wax"][(out > 0.2) & (out <= 2)]
    assert out.max() > 0 and (len(near) > 0) == widens
    bounds = _with_outside(trial).recipe.bounds.loc["wax"]
    assert list(bounds) == pytest.approx([min([0.17 - half, *near]), max([0.17 + half, *near])])


def test_a_pour_with_less_colour_than_a_balance_tells_is_fitted_where_the_load_was_narrowed():
    """0.01 g of a paste in 20 g: the limits are widened to half a step of colour, of which the ratio is a share."""
    trial = scored(poured(TERRACOTTA, rounds=2, seed=5), lambda coded: 5 + 2 * coded[:, [0, 1, 0, 1]])
    faint = pd.DataFrame([{"pour": "X-01", "melt": "", "pour_temperature": 74.0, "outcome": "ok", "note": "really so",
                           "candelilla wax [g]": 2.8, "mango butter [g]": 6.0, "vitamin E [g]": 0.2,
                           "jojoba oil [g]": 10.99, "red paste [g]": 0.01, "yellow paste [g]": 0.0}])
    judged = trial.scores[trial.scores["pour"] == trial.scores["pour"].iloc[0]].assign(pour="X-01")
    tables = trial.with_pours(faint).with_scores(judged).tables
    there = labkit.Trial.from_toml(TERRACOTTA.replace("low = 0.02\nhigh = 0.08", "low = 0.05\nhigh = 0.08"))
    trial = there.with_tables(dict(tables), files=True)
    load = trial.made.at["X-01", "load"]
    assert load == pytest.approx(0.00025) and load < trial.region.floor
    assert _with_outside(trial).recipe.bounds.at["load", "low"] == load
    surface = labkit.fit_surfaces(trial)["payoff"]
    assert np.isfinite(surface.to_frame()[["mean", "se"]]).all(axis=None)


def test_pours_hundreds_of_ranges_away_still_tell_of_what_is_left():
    wide, near = (labkit.fit_surfaces(narrowed(half))["payoff"] for half in (0.02, 0.0002))
    points = near.ground.trial.region.sample(50, seed=1).assign(wax=0.17)
    gap = near.predict(points)["mean"] - wide.predict(points)["mean"]
    assert np.abs(gap).max() < wide.predict(points)["se"].max()


def test_where_nothing_could_be_told_to_the_last_digit_it_is_refused():
    with pytest.raises(SurfaceError) as refused:
        labkit.fit_surfaces(narrowed(0.000001))
    assert str(refused.value) == (
        "pour P01 has wax 0.106453, 31773 times as far from 0.169999 to 0.170001 as that is wide. "
        "Widen low and high of wax in trial.toml, or give both one value.")

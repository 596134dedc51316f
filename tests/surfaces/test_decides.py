"""Which pour decides, which way leads up: against brute force, in trials of odd shapes."""
import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA, TWO_SETTINGS
from invented import poured, scored, terracotta_truth
from numpy.testing import assert_allclose

import labkit
from labkit.rounds import round_from_factors
from labkit.surfaces.polynomial import quadratic_of, way_up


def surface_at(text, points, scores):
    trial = labkit.Trial.from_toml(text)
    round_ = round_from_factors(trial.recipe, trial.batch, number=1, melts=trial.next_melts(len(scores)),
                                pours=trial.next_pours(len(scores)), coordinates=pd.DataFrame(points))
    rows = pd.DataFrame({"pour": round_.pours, "tester": "T01", "attribute": "hardness", "score": scores})
    return labkit.fit_surfaces(trial.with_round(round_).with_pours(round_.as_poured()).with_scores(rows))["hardness"]


def test_a_pour_that_decides_a_term_alone_is_named_and_nobody_says_that_no_pour_does():
    """One pour of five has another time, so the effect of time is its own."""
    found = surface_at(TWO_SETTINGS, {"temp": [160, 180, 200, 220, 190], "time": [300, 300, 300, 300, 400.0]},
                       [2.0, 3.5, 3.8, 5.9, 7.0])
    assert found.classical.pours["left_out"].isna().tolist() == [False] * 4 + [True]
    said = " ".join(str(found).split())
    assert "P05 decides a term of the classical reading alone; of the other pours P04 moves it most (Cook's" in said
    assert "no pour decides alone" not in said


def test_leverage_is_how_far_a_fitted_value_goes_along_also_beyond_one():
    """Generalised least squares written out; a score moved by one, and the fit made anew."""
    noise = {"round": 2.5, "melt": 0.1, "pour": 0.1, "tester_pour": 0.2}
    trial = scored(poured(TERRACOTTA, rounds=3, pours=5, seed=1), terracotta_truth, seed=1, testers=12, noise=noise)
    found = labkit.fit_surfaces(trial)["payoff"]
    classical, y = found.classical, found.classical.means.to_numpy()
    x, weight = classical.columns(classical.made).to_numpy(), np.linalg.inv(classical.ratios)

    def fitted(response):
        return x @ np.linalg.solve(x.T @ weight @ x, x.T @ weight @ response)

    moved = [fitted(y + one)[k] - fitted(y)[k] for k, one in enumerate(np.eye(len(y)))]
    assert_allclose(classical.pours["leverage"], moved, atol=1e-8)
    assert max(moved) > 1.05 and sum(moved) == pytest.approx(x.shape[1])
    assert "Leverage: how far a pour's fitted value goes along with its own score." in " ".join(str(found).split())


def test_the_way_up_past_a_peak_leads_on_in_what_varies():
    """Beside a pinned setting: the highest of 3600 points on each circle, one every tenth of a degree."""
    text = TWO_SETTINGS.replace("[settings.temp]", "[settings.fan]\nlow = 3\nhigh = 3\n[settings.temp]")
    temp, time = (side.ravel() for side in np.meshgrid([-1, -0.4, 0.3, 1], [-1, -0.4, 0.3, 1]))
    scores = np.round(6 - 1.5 * (temp - 0.25) ** 2 - (time + 0.1) ** 2 + 0.1 * np.cos(7 * np.arange(16)), 2)
    found = surface_at(text, {"fan": 3.0, "temp": 190 + 30 * temp, "time": 350 + 50 * time}, scores).classical
    path, turn = way_up(found, (0.1, 0.5, 1.0)), np.radians(np.arange(0, 360, 0.1))
    b0, slope, bend = quadratic_of(found)
    for radius, row in path.iterrows():
        ring = np.insert(radius * np.column_stack([np.cos(turn), np.sin(turn)]), found.recipe.coordinates.index("fan"), 0, 1)
        heights = b0 + ring @ slope + np.einsum("ij,jk,ik->i", ring, bend, ring)
        assert row["level"] == pytest.approx(heights.max(), abs=1e-4)
        assert np.hypot((row["temp"] - 190) / 30, (row["time"] - 350) / 50) == pytest.approx(radius)

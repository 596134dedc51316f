"""What the classical polynomial is said to be: inside which limits, past which end of a scale."""
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from definitions import WORKED
from invented import poured, scored

import labkit
from labkit.surfaces.polynomial import stationary_of, turning, way_up

HEAD, COLOUR = WORKED.split("[factors.wax]")[0], WORKED[WORKED.index("[factors.red_share]"):]
BOX = f'{HEAD}{COLOUR}[[limits]]\nof = ["red"]\nhigh = 0.03\n'        # colour alone varies
QUIET = dict.fromkeys(("round", "melt", "pour", "tester", "tester_pour"), 0.01)


def surface_of(truth):
    trial = scored(poured(BOX, rounds=3, pours=6), truth, noise=QUIET, step=0.01)
    return labkit.fit_surfaces(trial)["hardness"]


def peak(at, level=8.0):
    return lambda coded: level - 1.5 * (coded[:, 0] - at[0]) ** 2 - 2 * (coded[:, 1] - at[1]) ** 2


class TestWhatLiesWithinTheLimits:
    """red = red_share x load is .03 at most: .74 of .068, coded .8 and .6, has .05, though both are within their ranges."""

    def test_a_peak_that_breaks_a_limit_is_told_to_be_outside(self):
        found = surface_of(peak((0.8, 0.6)))
        place = stationary_of(found.classical).iloc[0]
        assert (place["kind"], place["inside"]) == ("peak", False)
        assert place[["red_share", "load"]].to_list() == pytest.approx([0.74, 0.068], abs=0.01)
        said = turning(found.classical, found.posterior.attribute)
        assert said[0].endswith(", outside the limits.") and len(said) == 2

    def test_one_that_keeps_them_is_within(self):
        found = surface_of(peak((-0.4, -0.2)))
        assert stationary_of(found.classical)["inside"].item()
        assert [words.endswith(", within the limits.") for words in turning(found.classical, found.posterior.attribute)] == [True]

    def test_the_way_up_says_where_it_leaves_them(self):
        found = surface_of(peak((0.8, 0.6)))
        path = way_up(found.classical, (0.05, 0.1, 0.5, 1.0, 1.5))
        mass = path["red_share"] * path["load"]
        box = path["red_share"].between(0.2, 0.8) & path["load"].between(0.02, 0.08)
        assert list(path["inside"]) == list((mass <= 0.03 + 1e-9) & box) and 0 < path["inside"].sum() < len(path)
        said = turning(found.classical, found.posterior.attribute)[1]
        assert said.startswith("One coded unit from the middle it is highest at red_share 0.7")
        assert ", outside the limits: " in said


def test_a_height_past_the_end_of_the_scale_is_told_as_that():
    steep = surface_of(lambda coded: np.clip(9.5 + 3 * coded[:, 0] + 2 * coded[:, 1], 0, None))
    attribute, classical = steep.posterior.attribute, steep.classical
    said = " ".join(turning(classical, attribute))
    level = way_up(classical, (1.0,))["level"].item()
    assert (level > 10) == said.endswith(f"{level:.2f} (past the end of the scale).")
    assert pd.Series(said).str.contains("past the end of the scale").item()


def test_adjusted_for_what_the_terms_cost_r_squared_is_that_of_statsmodels():
    """Of one formula a melt and one round: at equal variances ordinary least squares."""
    import statsmodels.api as sm

    classical = surface_of(peak((0.3, 0.2))).classical
    plain = replace(classical, ratios=np.eye(len(classical.means)))
    fitted = sm.OLS(plain.means.to_numpy(), plain.columns(plain.made).to_numpy()).fit()
    assert plain.shapes["adjusted"].iloc[0] == pytest.approx(fitted.rsquared_adj, rel=1e-9)

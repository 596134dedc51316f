"""What the scores say about noise, and how unsure a panel is of its own, against the lognormal that is stated."""
import types

import numpy as np
import pandas as pd
import pytest
from scipy.stats import lognorm, norm

from labkit.core.posterior import DOUBT
from labkit.surfaces.telling import _says, tasting_rows, told_bends, typical_half_width, unsure_of


@pytest.mark.parametrize("unsure", [0.1, 0.7])
def test_the_spread_of_a_lognormal_from_its_limits(unsure):
    low, high = lognorm(unsure, scale=0.6).ppf([0.05, 0.95])
    tasting = pd.DataFrame({"low": [0.1, low], "high": [9.0, high]}, index=["tester", "tester_pour"])
    assert unsure_of(tasting) == pytest.approx(unsure, rel=1e-12)
    assert unsure_of(tasting.rename(index={"tester_pour": "reading"})) == pytest.approx(unsure, rel=1e-12)


@pytest.mark.parametrize("part, found, nothing", [(1.0, 1.0, True), (0.76, 1.0, True), (0.74, 1.0, False), (1.0, 1.34, False),
                                                  (1.0, 0.74, False), (1.0, 1.3, True)])
def test_scores_say_nothing_where_interval_and_middle_are_those_that_were_stated(part, found, nothing):
    """part : of the 90 % interval of the lognormal prior of a stated 0.4; found : times that."""
    low, high = lognorm(DOUBT, scale=0.4).ppf([0.05, 0.95])
    says = _says(0.4, low, 0.4 * found, low + part * (high - low), "melt")
    assert (says == "the data say nothing yet about melts") == nothing


def test_the_noise_of_a_single_score_is_told_with_its_ninety_percent_limits():
    class Found:
        def stretch_quantiles(self, levels):
            return lognorm(0.3, scale=1.2).ppf(levels)

    tasting = pd.DataFrame({"stated": 0.6, "found": 0.5, "low": 0.4, "high": 0.7, "says": "as stated"},
                           index=["tester", "tester_pour"])
    row = tasting_rows(Found(), tasting)["tester_pour"]
    np.testing.assert_allclose([row["low"], row["found"], row["high"]], lognorm(0.3, scale=0.6).ppf([0.05, 0.5, 0.95]))


def test_the_usual_half_width_is_the_root_mean_square():
    """Standard deviations of 1, 2 and 4 at a third of the formulas each: sqrt(7) on the whole."""
    ground = types.SimpleNamespace(sample=pd.DataFrame({"wax": range(999)}), columns=lambda points: points["wax"].to_numpy())
    posterior = types.SimpleNamespace(ground=ground, moments=lambda at: (0.0 * at, 2.0 ** (at % 3)))
    assert typical_half_width(types.SimpleNamespace(posterior=posterior)) == pytest.approx(norm.ppf(0.95) * np.sqrt(7), rel=0.01)


def test_a_bend_is_told_of_what_seems_to_play_a_part():
    bends = pd.DataFrame({"effect": [1.0, 2.0, 3.0]}, index=["wax", "load", "oil"])
    effects = pd.DataFrame({"no part": [0.6, 0.4, np.nan]}, index=["wax", "load", "oil"])
    assert list(told_bends(types.SimpleNamespace(bends=bends, effects=effects)).index) == ["load", "oil"]

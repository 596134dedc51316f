"""Where a single factor varies, or a single formula was poured: nothing interacts, and the shape is told as it is."""

import numpy as np
import pytest
from definitions import HAZEL, TWO_THINGS
from invented import poured, scored

import labkit

STICK = TWO_THINGS + "wanted = { peak = [3, 5, 7] }\n"


@pytest.fixture(scope="module")
def classical():
    trial = scored(poured(STICK, rounds=1, pours=8), lambda coded: 5 + 2 * coded + coded**2, testers=1)
    return labkit.fit_surfaces(trial)["hardness"].classical


def test_a_line_is_called_linear(classical):
    assert list(classical.shapes.index) == ["quadratic", "linear", "constant"]
    assert classical.shapes["terms"].tolist() == [3, 2, 1]


def test_the_line_and_the_bend_share_the_sum_of_the_model(classical):
    """By numpy.polyfit: one tester, one round and own pots, so that all pours count alike."""
    wax, y = classical.made["wax"].to_numpy(), classical.means.to_numpy()
    left = [np.sum((y - np.polyval(np.polyfit(wax, y, degree), wax)) ** 2) for degree in (0, 1, 2)]
    table = classical.anova
    assert list(table.index[:3]) == ["linear", "curved", "model"]
    assert table["df"].iloc[:3].tolist() == [1, 1, 2]
    assert table["sum_of_squares"].iloc[:2].tolist() == pytest.approx([left[0] - left[1], left[1] - left[2]], rel=1e-8)


@pytest.mark.parametrize("text, models", [(STICK, ["linear", "quadratic"]), (
    HAZEL.split("[factors.load]")[0] + "[attributes.hardness]\nwanted = { falling = [3, 7] }\n", ["linear", "quadratic"]),
    (HAZEL, ["linear", "interaction", "quadratic"])])
def test_a_round_is_told_by_the_models_that_differ(text, models):
    trial = labkit.Trial.from_toml(text)
    prospect = labkit.appraise_round(trial, labkit.plan_round(trial, pours=3, seed=1))
    assert prospect.models["model"].tolist() == models
    assert ("Interaction model:" in str(prospect)) == ("interaction" in models)


def test_four_pours_of_one_formula_are_repeats():
    trial = labkit.Trial.from_toml(STICK)
    made = labkit.plan_round(trial, pours=4, seed=1).as_poured()
    made[["beeswax [g]", "castor oil [g]"]] = 4.0, 16.0
    trial = trial.with_pours(made.assign(pour=["X-01", "X-02", "X-03", "X-04"]))
    surface = labkit.fit_surfaces(scored(trial, lambda coded: 5 + 0 * coded, testers=2))["hardness"]
    assert surface.classical.anova.at["repeats", "df"] == 3
    text = " ".join(str(surface).split())
    assert "lack of fit cannot be told. More different formulas would tell." in text and "A repeat would" not in text

"""What one develops from is held to be of some use, as long as scores do not say otherwise."""
import dataclasses
import types

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from scipy.stats import norm, truncnorm

import labkit
from labkit.tweaks.confirmed import _rivals
from labkit.tweaks.outlook import DOUBTED, IN_USE, Outlook, desirability_of
from labkit.tweaks.path import as_of

LINEAR = "[attributes.payoff]\nwanted = { rising = [0, 10] }\n"           # desirability is a tenth of payoff
HERE, BOTH = pd.DataFrame({"at": [0]}), pd.DataFrame({"at": [0, 1]})


class Line:
    """Payoff at 0 is N(mean, sd^2); at 1 it is 4 - 0.25 of that, more or less .3."""

    ground = types.SimpleNamespace(columns=lambda points: points["at"].to_numpy())

    def __init__(self, mean, sd):
        self.mean, self.sd = mean, sd

    def draws_at(self, columns, n, seed):
        normal = np.random.default_rng(seed).standard_normal((n, 2))
        start = self.mean + self.sd * normal[:, :1]
        return np.where(columns == 0, start, 4 - 0.25 * start + 0.3 * normal[:, 1:])


def outlook(mean, sd, starting=HERE, n=60_000):
    trial = labkit.Trial.from_toml(TERRACOTTA.split("[attributes.payoff]")[0] + LINEAR)
    return Outlook(attributes=trial.attributes, surfaces={"payoff": Line(mean, sd)}, seed=5, n=n, starting=starting)


def believed(mean, sd):
    """By hand: the chance of a payoff under ten times IN_USE, and the mean payoff, once those count for DOUBTED.

    Means of the two truncated normals: Johnson, Kotz & Balakrishnan 1994, Continuous Univariate Distributions 1, 13.10.
    """
    edge = (10 * IN_USE - mean) / sd
    under = norm.cdf(edge)
    weights = np.array([DOUBTED * under, 1 - under]) / (DOUBTED * under + 1 - under)
    means = [truncnorm.mean(-np.inf, edge, mean, sd), truncnorm.mean(edge, np.inf, mean, sd)]
    return weights[0], weights @ means


@pytest.mark.parametrize("mean, sd", [(3.0, 0.8), (2.0, 0.5), (1.2, 0.4)])
def test_what_is_of_no_use_counts_for_a_tenth(mean, sd):
    under, expected = believed(mean, sd)
    drawn = outlook(mean, sd).draws(BOTH)
    assert (drawn[:, 0] < IN_USE).mean() == pytest.approx(under, abs=0.004)
    assert drawn[:, 0].mean() == pytest.approx(expected / 10, abs=0.0006)
    assert drawn[:, 1].mean() == pytest.approx((4 - 0.25 * expected) / 10, abs=0.0006)      # what hangs together with it
    assert np.cov(drawn.T)[0, 1] == pytest.approx(-0.25 * drawn[:, 0].var(), rel=0.03)


def test_scores_joint_draws_and_means_are_of_the_same_worlds():
    here = outlook(2.0, 0.5, n=500)
    np.testing.assert_array_equal(here.scores(BOTH)["payoff"], here.known(BOTH)[0])
    np.testing.assert_allclose(here.draws(BOTH), here.known(BOTH)[0] / 10, rtol=1e-12)
    np.testing.assert_array_equal(here.mean(BOTH), here.draws(BOTH).mean(axis=0))
    again = here.with_draws(500, 5)
    np.testing.assert_array_equal(again.draws(BOTH), here.draws(BOTH))
    assert (again.with_draws(500, 6).draws(BOTH) != here.draws(BOTH)).all()


@pytest.mark.parametrize("mean", [8.0, 0.5])
def test_where_scores_leave_no_doubt_it_changes_nothing(mean):
    np.testing.assert_array_equal(outlook(mean, 0.1, n=300).draws(BOTH), outlook(mean, 0.1, starting=None, n=300).draws(BOTH))


def test_failed_pours_count_as_well():
    """What holds one time in ten is of no use, however much is wanted of it."""
    class Failing:
        def draws(self, points, n, seed):
            often = np.random.default_rng(seed).uniform(size=(n, 1)) < 0.4
            return np.where(often, 0.9, 0.0) * np.ones(len(points))

    sure = dataclasses.replace(outlook(8.0, 0.1, n=20_000), failing=Failing())
    assert (sure.known(HERE)[1] < 0.5).mean() == pytest.approx(0.4 * DOUBTED / (0.4 * DOUBTED + 0.6), abs=0.01)


def test_it_is_the_starting_formula_where_the_limits_leave_it(demo, demo_copy):
    surfaces = labkit.fit_surfaces(demo)
    pd.testing.assert_frame_equal(Outlook.of(demo, surfaces).starting, demo.recipe.starting_factors[[*demo.recipe.coordinates]])
    text = (demo_copy / "trial.toml").read_text(encoding="utf-8")
    wax = demo.recipe.starting_factors["wax"].item()
    low = demo.recipe.bounds.at["wax", "low"]
    (demo_copy / "trial.toml").write_text(text.replace(f"low = {low:g}", f"low = {wax + 0.01:g}", 1), encoding="utf-8")
    narrow = labkit.read_trial(demo_copy)
    assert narrow.recipe.bounds.at["wax", "low"] > wax
    assert Outlook.of(narrow, labkit.fit_surfaces(narrow)).starting is None


def test_a_confirmation_asks_the_scores_alone(demo):
    """After four pours: of the starting formula itself, by draws of the surfaces, each by itself."""
    trial = as_of(demo, 1)
    surfaces, start = labkit.fit_surfaces(trial), trial.recipe.starting_factors[[*trial.recipe.coordinates]]
    planned = labkit.plan_confirmation(trial, formula=start, pours=1)
    drawn = {name: surface.draws(start, n=4000, seed=100 + k)[:, 0] for k, (name, surface) in enumerate(surfaces.items())}
    alone = desirability_of(trial.attributes, drawn).mean()
    assert Outlook.of(trial, surfaces).mean(start)[0] > 2 * alone                  # else this test shows nothing
    assert planned.misses.set_index("attribute").at["desirability", "mean"] == pytest.approx(alone, abs=0.03)
    assert _rivals(trial, planned, seed=0).formula["mean"] == pytest.approx(alone, abs=0.03)

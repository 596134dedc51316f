"""The chances of a miss, where two scores are uniform and one pour in ten fails: by hand."""
import types

import numpy as np
import pandas as pd
import pytest

from labkit.attributes import Attribute, Wanted
from labkit.tweaks.confirming import misses_at
from labkit.tweaks.outlook import Outlook


class Uniform:
    """A score that may be anything on the scale from 0 to 10, alike."""

    ground = types.SimpleNamespace(columns=lambda points: points)

    def draws_at(self, columns, n, seed):
        return np.random.default_rng(seed).uniform(0, 10, (n, 1))

    def predict(self, points, level):
        return pd.DataFrame({"mean": [5.0], "low": [5 - 5 * level], "high": [5 + 5 * level]})


class Failing:
    """In three worlds of ten it never holds, in the others always; of a single pour more is known."""

    def draws(self, points, n, seed):
        return (np.random.default_rng(seed).uniform(size=(n, 1)) < 0.3) * 1.0

    def predict(self, points):
        return pd.DataFrame({"chance": [0.10], "low": [0.05], "high": [0.30]})


def test_misses_of_scores_of_holding_and_of_all_together():
    """Wanted from 2 to 10: d is 0 in a fifth of the worlds, else uniform. sqrt(d1 d2) is under a half with a chance of
    (1 + log 4) / 4 there, the law of a product of two uniform numbers."""
    wanted = Wanted(kind="rising", points=(2.0, 10.0))
    scales = {name: Attribute(name=name, low=0, high=10, wanted=wanted) for name in ("payoff", "hardness")}
    surfaces = {name: Uniform() for name in scales}
    standing = types.SimpleNamespace(
        trial=types.SimpleNamespace(attributes=scales), surfaces=surfaces, settled=pd.DataFrame({"wax": [0.2]}),
        outlook=lambda n: Outlook(attributes=scales, surfaces=surfaces, seed=7, n=40 * n, failing=Failing()))
    found, all_met = misses_at(standing)
    found = found.set_index("attribute").drop(columns="wanted")
    over = 1 - (1 + np.log(4)) / 4
    assert all_met == pytest.approx(0.64, abs=0.01)                        # of scores: whether it holds is told beside it
    for name in scales:
        np.testing.assert_allclose(found.loc[name], [5.0, 0.5, 9.5, 0.2, 0.6], atol=0.01)
    np.testing.assert_allclose(found.loc["holds"], [0.90, 0.70, 0.95, 0.10, np.nan])
    np.testing.assert_allclose(found.loc["desirability", ["low", "chance useless", "chance under half"]],
                               [0.0, 1 - 0.64 * 0.7, 1 - 0.64 * 0.7 * over], atol=0.01)
    assert found.at["desirability", "mean"] == pytest.approx(0.64 * 0.7 * 4 / 9, abs=0.005)      # E sqrt(d) = 2 / 3

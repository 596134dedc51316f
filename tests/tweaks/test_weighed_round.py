"""From what was chosen to a round in grams: its order is drawn by lot, and by nothing else."""
from collections import Counter
from itertools import permutations
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from scipy.stats import chisquare

import labkit
from labkit.tweaks.looking import Looked
from labkit.tweaks.weighing import weighed_round

POTS = np.array([4, 4, 1, 4, 1, 7])


@pytest.fixture(scope="module")
def found():
    """Six pours in three pots, in the order in which a search might come upon them."""
    trial = labkit.Trial.from_toml(TERRACOTTA)
    points = trial.region.sample(len(POTS), seed=1)[list(trial.recipe.coordinates)].copy()
    points["wax"] = pd.Series(points["wax"].to_numpy()).groupby(POTS).transform("first").to_numpy()
    return trial, Looked(points=points, pots=POTS, draws=np.zeros((1, len(POTS))))


def asked_of(trial, seed):
    return SimpleNamespace(trial=trial, seed=seed, hold={})


@pytest.mark.parametrize("seed", range(4))
def test_the_order_in_which_formulas_were_found_plays_no_part(found, seed):
    """Nor do last digits, nor what the pots are called."""
    trial, looked = found
    expected = weighed_round(asked_of(trial, seed), looked).frame
    rng = np.random.default_rng(seed)
    for _ in range(5):
        other = looked.rows(list(rng.permutation(len(POTS))))
        points = other.points * (1 + rng.uniform(-1e-14, 1e-14, other.points.shape))
        other = Looked(points=points, pots=rng.permutation(8)[other.pots], draws=other.draws)
        pd.testing.assert_frame_equal(weighed_round(asked_of(trial, seed), other).frame, expected)


def test_melts_are_kept_together_and_every_order_of_them_is_as_likely(found):
    trial, looked = found
    seen, first = Counter(), Counter()
    for seed in range(300):
        frame = weighed_round(asked_of(trial, seed), looked).frame
        sizes = tuple(frame.groupby("melt", sort=False).size())
        assert frame["melt"].is_monotonic_increasing and sorted(sizes) == [1, 2, 3]
        seen[sizes] += 1
        first[round(frame["load"].iloc[0], 4)] += 1
    assert set(seen) == set(permutations((1, 2, 3)))
    assert chisquare(list(seen.values())).pvalue > 0.001
    assert len(first) == len(POTS)

"""Two attributes whose names were swapped go against all that is expected of them, and as it is expected of the other."""
import functools

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from invented import poured, scored, terracotta_truth

import labkit
from labkit.swapped import _towards, doubts_on_names

SWAP = (("payoff", "swapped"), ("hardness", "payoff"), ("swapped", "hardness"))
TOLD = ("scores.csv: payoff rises with wax and hardness falls with wax, and expected is the contrary; each does what is "
        "expected of the other. If their names were swapped, swap them back in trial.toml or in scores.csv, else mend "
        "`expect`.")


def swapped(path, before="{}"):
    text = path.read_text(encoding="utf-8")
    for old, new in SWAP:
        text = text.replace(before.format(old), before.format(new))
    path.write_text(text, encoding="utf-8")


def test_names_that_were_swapped_in_the_scores_of_the_demo_trial(demo_copy, demo):
    assert demo.doubts == ()
    swapped(demo_copy / "scores.csv")
    assert labkit.read_trial(demo_copy).doubts == (TOLD,)


def test_names_that_were_swapped_in_its_definition(demo_copy):
    swapped(demo_copy / "trial.toml", "[attributes.{}]")
    other = TOLD.replace("payoff rises", "hardness rises").replace("hardness falls", "payoff falls")
    assert labkit.read_trial(demo_copy).doubts == (other,)


def doubted(trial, attributes=None):
    return doubts_on_names(attributes or trial.attributes, trial.standing_scores, trial.made, per_melt=trial.recipe.per_melt)


@functools.cache
def trial_of(seed, rounds=4):
    return poured(TERRACOTTA, rounds=rounds, seed=seed)


def test_they_are_found_in_most_trials_of_sixteen_pours():
    """In .83 of 40."""
    other = TERRACOTTA
    for old, new in SWAP:
        other = other.replace(f"attributes.{old}]", f"attributes.{new}]")
    attributes = labkit.Trial.from_toml(other).attributes
    found = [bool(doubted(scored(trial_of(seed), terracotta_truth, seed=seed), attributes)) for seed in range(10)]
    assert np.mean(found) >= 0.6


@pytest.mark.parametrize("truth", [
    terracotta_truth,
    lambda coded: np.full((len(coded), 4), 5.0),                                            # nothing plays a part
    lambda coded: terracotta_truth(coded) * [1, -1, 1, 1] + [0, 10, 0, 0],                  # one expectation is false
], ids=["as expected", "nothing", "one false"])
def test_honest_trials_raise_no_doubt(truth):
    """Of 40 of each after 8, 12 and 16 pours one does: after 12, where nothing plays a part."""
    assert [doubted(scored(trial_of(seed), truth, seed=seed)) for seed in range(8)] == [[]] * 8


def test_how_clearly_means_rise_is_fishers_z():
    """r = .9 of 8 pours: atanh(.9) sqrt(5) = 3.292 (Fisher 1921), of pairs of pours in 4 melts nothing is said."""
    at, off = np.array([-3, -2, -1, 0, 0, 1, 2, 3.0]), np.array([1, -1, -1, 1, 1, -1, -1, 1.0])
    y = 0.9 * at / np.linalg.norm(at) + np.sqrt(1 - 0.81) * off / np.linalg.norm(off)
    made = pd.DataFrame({"wax": at, "melt": ["M1", "M1", "M2", "M2", "M3", "M3", "M4", "M4"]}, index=list("abcdefgh"))
    mean = pd.Series(y, index=made.index)
    assert _towards(mean, made, "wax", by_melt=False) == pytest.approx(np.arctanh(0.9) * np.sqrt(5))
    assert np.isnan(_towards(mean, made, "wax", by_melt=True))
    assert np.isnan(_towards(mean, made.assign(wax=1.0), "wax", by_melt=False))

"""Two attributes whose names were swapped go against all that is expected of them, and as it is expected of the other."""
import functools

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from invented import poured, scored, terracotta_truth

import labkit
from labkit.attributes import Attribute
from labkit.swapped import _means, _towards, doubts_on_names

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


AT = {4: [-3, -1, 1, 3.0], 5: [-2, -1, 0, 1, 2.0], 7: [-3, -2, -1, 0, 1, 2, 3.0]}
OFF = {4: [1, -1, -1, 1.0], 5: [2, -1, -2, -1, 2.0], 7: [5, 0, -3, -4, -3, 0, 5.0]}    # orthogonal to AT: quadratic contrasts (from memory)


def told_of(falls, rises, *, pours=7, per_melt=(), reading=""):
    """Doubts where wax is to raise `one` and to lower `other`, which do the contrary with these z of so many pours."""
    names = [f"P{k}" for k in range(pours)]
    at, off = (np.array(rows[pours]) / np.linalg.norm(rows[pours]) for rows in (AT, OFF))
    rows = []
    for name, z in (("one", -falls), ("other", rises)):
        r = np.tanh(z / np.sqrt(pours - 3))
        rows += [(p, "T01", name, score) for p, score in zip(names, 5 + r * at + np.sqrt(1 - r**2) * off)]
    made = pd.DataFrame({"wax": at, "melt": [f"M{k // 2}" for k in range(pours)]}, index=names)
    attributes = {"one": Attribute(name="one", expect={"wax": 1}, reading=reading),
                  "other": Attribute(name="other", expect={"wax": -1})}
    return doubts_on_names(attributes, pd.DataFrame(rows, columns=["pour", "tester", "attribute", "score"]), made,
                           per_melt=list(per_melt))


def test_two_directions_are_clear_together_from_two_and_a_half_deviations_of_their_sum():
    """The sum of two z has the deviation sqrt 2: 2.5 sqrt 2 = 3.536."""
    told, = told_of(1.78, 1.78)
    assert told.startswith("scores.csv: one falls with wax and other rises with wax, and expected is the contrary;")
    assert told_of(1.75, 1.75) == []
    assert told_of(4.0, -0.2) == [] == told_of(-0.2, 4.0)             # of one of the two nothing speaks for it
    assert told_of(1.78, 1.78, per_melt=["wax"]) == []                # four melts are too few
    assert told_of(1.78, 1.78, reading="needle depth") == []          # scores from before an instrument read it
    assert len(told_of(3.0, 3.0, pours=5)) == 1 and told_of(3.0, 3.0, pours=4) == []


def test_a_tester_s_level_is_taken_off_before_means_are_formed():
    """By hand: T1 says 2 on average, T2 7; so b is 1 and 2 above."""
    rows = [("a", "T1", 1.0), ("b", "T1", 3.0), ("b", "T2", 9.0), ("c", "T2", 5.0)]
    assert _means(pd.DataFrame(rows, columns=["pour", "tester", "score"])).to_dict() == {"a": -1.0, "b": 1.5, "c": -2.0}

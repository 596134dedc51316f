"""The starting formula is tasted: in the first round where that can spare a pour for it, else in the second."""
import types

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from invented import terracotta_truth

import labkit
from labkit.core import improvement
from labkit.rehearsal import play_round
from labkit.tweaks.looking import ALIKE, Looked, refined
from labkit.tweaks.suggest import _yardstick, asked_of

WHY = "the starting formula, of which no pour counts so far: whatever is settled on has to beat it"


SOUND = types.SimpleNamespace(failing=None)


def truth(points):
    trial = labkit.Trial.from_toml(TERRACOTTA)
    scores = np.clip(terracotta_truth(trial.region.coded(points)), 0, 10)
    return pd.DataFrame(scores, columns=list(trial.attributes), index=points.index)


WORLD = labkit.World(truth=truth, sd_round=0.2, sd_melt=0.2, sd_pour=0.3, sd_tester_pour=0.5)


def played(trial, round_):
    return play_round(trial, round_, WORLD, testers=5, seed=4).onto(trial, round_)


def at_start(trial, round_):
    """Which pours of a round are the starting formula."""
    names = list(trial.recipe.coordinates)
    return trial.recipe.apart(round_.frame[names], trial.recipe.starting_factors[names])[:, 0] < 0.02


@pytest.fixture(scope="module")
def once():
    """Four factors and a first round of four pours, which has none to spare."""
    trial = labkit.Trial.from_toml(TERRACOTTA)
    return played(trial, labkit.plan_round(trial, pours=4, melts=2, seed=1))


@pytest.fixture(scope="module")
def second(once):
    return labkit.suggest_next(once, pours=4, melts=2, seed=1)


def test_four_factors_and_four_pours_leave_it_to_the_second_round(once, second):
    assert len(once.made) == 4 and _yardstick(asked_of(once, 4, 2, 0, None, None), SOUND).to_numpy() == pytest.approx(
        once.recipe.starting_factors[list(once.recipe.coordinates)].to_numpy())
    there = at_start(once, second.round)
    assert there.sum() == 1 and second.reasons["why"].to_numpy()[there].tolist() == [WHY]
    assert (second.reasons["why"] == WHY).sum() == 1
    grams = second.round.frame[[f"{name} [g]" for name in once.recipe.ingredients]].to_numpy()[there]
    assert np.abs(grams / 20 - once.recipe.starting.to_numpy()).max() < 0.01 / 20 * 3


def test_it_is_poured_once(once, second):
    twice = played(once, second.round)
    assert not len(_yardstick(asked_of(twice, 4, 2, 0, None, None), SOUND))
    third = labkit.suggest_next(twice, pours=4, melts=2, seed=1)
    assert WHY not in set(third.reasons["why"])
    waiting = once.with_round(second.round)                                  # planned is as good as poured
    assert not len(_yardstick(asked_of(waiting, 4, 2, 0, None, None), SOUND))


def test_a_third_round_knows_whether_it_is_worth_a_pour(once):
    """A second round of two pours had none for it, and a later one is not made to have it."""
    few = labkit.suggest_next(once, pours=2, melts=1, seed=1)
    twice = played(once, few.round)
    assert not at_start(twice, few.round).any() and twice.next_round == 3
    assert not len(_yardstick(asked_of(twice, 4, 2, 0, None, None), SOUND))


def test_a_first_round_that_has_it_leaves_nothing_to_the_second():
    trial = labkit.Trial.from_toml(TERRACOTTA)
    round_ = labkit.plan_round(trial, pours=6, melts=2, seed=1)
    assert at_start(trial, round_).sum() == 1
    assert not len(_yardstick(asked_of(trial.with_round(round_), 4, 2, 0, None, None), SOUND))


def test_one_that_is_set_aside_as_a_whole_is_as_good_as_none():
    """The tube was dropped before anybody tasted it: the second round has it, and no reason names that pour."""
    trial = labkit.Trial.from_toml(TERRACOTTA)
    round_ = labkit.plan_round(trial, pours=6, melts=2, seed=1)
    pour = round_.frame.loc[at_start(trial, round_), "pour"].item()
    row = pd.DataFrame([{"action": "set aside", "pour": pour, "reason": "dropped"}])
    dropped = played(trial, round_).with_set_aside(row)
    assert len(_yardstick(asked_of(dropped, 4, 2, 0, None, None), SOUND))
    tweak = labkit.suggest_next(dropped, pours=4, melts=2, seed=1)
    assert tweak.reasons.loc[at_start(trial, tweak.round), "why"].tolist() == [WHY]
    assert pour not in set(tweak.reasons["nearest pour"])
    back = dropped.with_set_aside(row.assign(action="take back", reason="it was another"))
    back = labkit.suggest_next(back, pours=4, melts=2, seed=1)
    assert WHY not in set(back.reasons["why"])


@pytest.mark.parametrize("asked", [{"pours": 2}, {"pours": 1, "melts": 1}, {"hold": {"wax": 0.2}}])
def test_it_is_left_out_where_few_pours_or_something_else_is_asked_for(once, asked):
    asked = {"pours": 4, "melts": 2, "seed": 0, "hold": None, "worth": None} | asked
    assert not len(_yardstick(asked_of(once, **asked), SOUND))
    tweak = labkit.suggest_next(once, **{key: asked[key] for key in ("pours", "melts", "seed", "hold")})
    assert WHY not in set(tweak.reasons["why"])


@pytest.mark.parametrize("old, new", [
    ("low = 0.02\nhigh = 0.08", "low = 0.045\nhigh = 0.08"),                        # its load is .04
    ('"vitamin E" = 1', '"vitamin E" = 0.04')])                                     # .008 g on a balance of .01 g
def test_it_is_left_out_where_it_may_not_or_cannot_be_poured(old, new):
    trial = labkit.Trial.from_toml(TERRACOTTA.replace(old, new))
    assert not len(_yardstick(asked_of(trial, 4, 2, 0, None, None), SOUND))


@pytest.mark.parametrize("chance, kept", [(0.19, True), (0.2, False)])
def test_it_is_left_out_where_it_is_likely_to_fail(once, chance, kept):
    failing = types.SimpleNamespace(predict=lambda points: pd.DataFrame({"chance": [chance] * len(points)}))
    outlook = types.SimpleNamespace(failing=failing)
    assert bool(len(_yardstick(asked_of(once, 4, 2, 0, None, None), outlook))) == kept


def test_what_else_to_buy_is_beside_the_same_round(once, second):
    efforts = labkit.compare_efforts(once, pours=4, melts=2, seed=1)
    pd.testing.assert_frame_equal(efforts.rounds["round"].frame, second.round.frame)


def test_a_size_that_is_proposed_has_it_too(once):
    tweak = labkit.suggest_next(once, pours=None, melts=None, seed=1)
    assert at_start(once, tweak.round).sum() == (len(tweak.round.pours) >= 3)


class Line:
    """A region of one coordinate."""

    @staticmethod
    def coded(points):
        return points.to_numpy(dtype=float)


def test_a_point_is_found_but_for_rounding():
    looked = Looked(points=pd.DataFrame({"x": [0.1, 0.2, 0.3]}), pots=np.zeros(3, dtype=int), draws=np.zeros((2, 3)))
    assert looked.at(pd.DataFrame({"x": [0.3 + ALIKE / 10]}), Line) == (2,)
    assert looked.at(pd.DataFrame({"x": [0.25, 0.1]}), Line) == (0,) and looked.at(pd.DataFrame({"x": []}), Line) == ()


def test_while_a_round_is_refined_what_is_kept_stays(once):
    """The kept pour promises least of all, so that every search would move it."""
    from labkit.tweaks.looking import Bench

    names = list(once.recipe.coordinates)
    start = once.recipe.starting_factors[names]

    class Far:
        """Better the further from the starting formula."""

        @staticmethod
        def draws(points):
            gap = np.abs(once.region.coded(points) - once.region.coded(start)).max(axis=1)
            return np.tile(gap, (3, 1)) + np.array([[0.0], [0.01], [0.02]])

    bench = Bench(trial=once, outlook=Far(), hold={})
    looked = bench.crossed(pd.concat([start, once.region.sample(3, seed=1)[names]], ignore_index=True),
                           pd.concat([start, once.region.sample(6, seed=2)[names]], ignore_index=True))
    settled = Far.draws(start)[:, 0]
    keep = looked.at(start, once.region)
    chosen = looked.rows(improvement.choose_set(looked.draws, looked.pots, settled, pours=4, melts=2, keep=keep))
    for kept, stays in ((start, True), (None, False)):
        found = refined(bench, chosen, settled, size=(4, 2), seed=1, kept=kept)
        assert (len(found.at(start, once.region)) == 1) == stays
        assert improvement.joint_expected_improvement(found.draws, settled) > improvement.joint_expected_improvement(
            chosen.draws, settled)

"""Many rehearsals: each is one of its own, they are the same side by side, and what is said of them follows."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from played import hazel_rounds, hazel_truth
from rehearsal.worlds import quiet, truth

import labkit
from labkit.errors import RehearsalError
from labkit.rehearsal import Rehearsals, many, rehearse_many

TOLD = "Stick, 4 rehearsals of 3 evenings (4 pours in 2 melts, 6 testers), all in one world."


def by_hand(ratios, stops, before):
    """Rehearsals whose ratios and stops are given, a row a seed; an evening costs 9."""
    rows = [{"seed": seed, "evening": k + 1, "cost": 9.0 * (k + 1), "ratio": ratio, "stop": stop, "ratio before": start}
            for seed, (line, marks, start) in enumerate(zip(ratios, stops, before, strict=True))
            for k, (ratio, stop) in enumerate(zip(line, marks, strict=True))]
    return Rehearsals(frame=pd.DataFrame(rows), told=TOLD)


def text(found):
    """The report in one line."""
    return " ".join(str(found).split())


@pytest.fixture
def four():
    return by_hand(ratios=[[0.7, 0.92, 0.95], [0.6, 0.8, 0.91], [0.91, 0.89, 0.93], [0.5, 0.9, 0.7]],
                   stops=[[False, True, False], [False, False, False], [True, False, True], [False, False, True]],
                   before=[0.5, 0.6, 0.7, 0.4])


class TestTable:
    def test_by_evening(self, four):
        table = four.by_evening()
        assert list(table.index) == [0, 1, 2, 3] and list(table["cost"]) == [0, 9, 18, 27]
        np.testing.assert_allclose(table["ratio"], [0.55, 0.65, 0.895, 0.92])
        np.testing.assert_allclose(table["lower"], [0.43, 0.53, 0.827, 0.763])      # order statistics, linear between
        np.testing.assert_allclose(table["reached"], [0, 0.25, 0.5, 0.75])
        np.testing.assert_allclose(table["stopped"], [0, 0.25, 0.5, 0.75])          # who was told once has been told

    def test_as_told_is_the_first_stop_or_the_last_evening(self, four):
        ends = four.as_told()
        assert list(zip(ends["seed"], ends["evening"])) == [(0, 2), (1, 3), (2, 1), (3, 3)]
        assert list(ends["ratio"]) == [0.92, 0.91, 0.91, 0.7]

    def test_whole_report(self, four):
        assert str(four) == """How many evenings will this take?
---------------------------------
Stick, 4 rehearsals of 3 evenings (4 pours in 2 melts, 6 testers), all in one world.
After 2 evenings (cost 18) at least half of them are at 0.9 of the best possible or above: 2 of 4
are.
After 3 evenings fewer than nine in ten of them are at 0.9 of the best possible or above: 3 of 4
are.
Who goes on until told to stop, at most 3 evenings, spends 2.2 evenings and 20.2 on average and ends
at 0.91 of the best possible (lower decile 0.76); 3 rehearsals of 4 were told to.
By evening: cost so far, the settled formula's desirability as a part of the best possible (median
and lower decile), the shares that are at .9 of it or above, and that were told to stop:
  evening   cost  ratio  lower  reached  stopped
        0   0.00   0.55   0.43     0.00     0.00
        1   9.00   0.65   0.53     0.25     0.25
        2  18.00   0.90   0.83     0.50     0.50
        3  27.00   0.92   0.76     0.75     0.75"""
        assert repr(four) == "<Rehearsals: 4, after 3 evenings 0.92 of the best possible>"
        assert four._repr_html_().startswith("<h4>How many evenings will this take?</h4>")

    def test_what_is_there_from_the_start_or_never_is_said_so(self):
        done = by_hand([[0.95]], [[True]], before=[0.95])
        assert "At least half of them are at 0.9 of the best possible or above before the first evening: 1 of 1 is." in text(done)
        far = by_hand([[0.3]], [[False]], before=[0.2])
        assert "After 1 evening fewer than half of them are at 0.9 of the best possible or above: 0 of 1 are." in text(far)
        assert "nine in ten" not in str(far)

    def test_all_of_them_is_at_least_half_and_what_is_lost_again_does_not_count(self):
        found = by_hand([[0.95, 0.8, 0.95], [0.92, 0.93, 0.91]], [[False] * 3] * 2, before=[0.5, 0.5])
        assert found.by_evening()["reached"].tolist() == [0, 1, 0.5, 1]
        assert ("After 1 evening (cost 9) at least half of them are at 0.9 of the best possible or above: 2 of 2 are. After "
                "3 evenings (cost 27) at least nine in ten of them are at 0.9 of the best possible or above: 2 of 2 are."
                ) in text(found)

    def test_who_stops_early_might_have_gone_on_to_the_last(self):
        found = by_hand([[0.95, 0.96], [0.92, 0.93]], [[True, True]] * 2, before=[0.5, 0.5])
        assert "Who goes on until told to stop, at most 2 evenings, spends 1.0 evenings and 9.0 on average" in text(found)

    def test_who_is_told_to_stop_today_may_go_on_all_the_same(self, four):
        found = dataclasses.replace(four, stops_today=True)
        assert found.by_evening()["stopped"].tolist() == [1, 1, 1, 1]
        assert ("It says stop today: who stops is at 0.55 of the best possible (lower decile 0.43). Who goes on all the "
                "same until told again, at most 3 evenings, spends 2.2 evenings and 20.2 on average") in text(found)

    def test_worlds_where_nothing_is_any_good_are_named_and_left_out(self):
        found = by_hand([[np.nan], [0.8]], [[False], [False]], before=[np.nan, 0.7])
        assert found.by_evening()["ratio"].tolist() == [0.7, 0.8]
        good = by_hand([[np.nan], [0.95], [0.97]], [[True], [False], [True]], before=[np.nan, 0.7, 0.7])
        assert good.by_evening()["reached"].tolist() == [0, 1] and good.by_evening()["stopped"].tolist() == [0, 0.5]
        assert "1 rehearsal of 2 was told to." in " ".join(str(good).split())
        none = by_hand([[np.nan]], [[False]], before=[np.nan])
        assert repr(none) == "<Rehearsals: 1, none of which counts>" and "they are not counted." in str(none)
        assert ("In 1 world no formula within the limits gives anything of what is wanted; they are not counted."
                in " ".join(str(found).split()))


class TestPlaying:
    @pytest.fixture(scope="class")
    @staticmethod
    def played(terracotta):
        return rehearse_many(terracotta, labkit.World(truth=truth), seeds=[5, 2], rounds=1, testers=4, workers=1)

    def test_each_is_a_rehearsal_with_its_seed(self, terracotta, played):
        for seed in (5, 2):
            alone = labkit.rehearse(terracotta, labkit.World(truth=truth), rounds=1, testers=4, seed=seed)
            rows = played.to_frame().query("seed == @seed").reset_index(drop=True)
            pd.testing.assert_frame_equal(rows[alone.columns], alone, check_exact=True)
        assert list(played.to_frame()["seed"]) == [5, 2] and list(played.to_frame()["evening"]) == [1, 1]

    @pytest.mark.parametrize("evening, stops", [(0.001, False), (9000, True)])
    def test_whether_it_says_stop_today_is_asked_before_the_first_evening(self, demo_copy, evening, stops):
        with open(demo_copy / "trial.toml", "a", encoding="utf-8") as file:
            file.write(f"\n[cost]\nround = {evening}\nmelt = 0.001\npour = 0.001\n")
        trial = labkit.read_trial(demo_copy)
        found = rehearse_many(trial, labkit.World(truth=truth), seeds=[5], rounds=1, testers=4, workers=1)
        assert found.stops_today == labkit.suggest_next(trial, pours=4, melts=2).stop == stops

    def test_side_by_side_it_is_the_same_bit_for_bit(self, terracotta, played):
        told = []
        again = rehearse_many(terracotta, lambda seed: labkit.World(truth=truth), seeds=[5, 2], rounds=1, testers=4,
                              workers=2, progress=lambda *count: told.append(count))
        pd.testing.assert_frame_equal(again.to_frame(), played.to_frame(), check_exact=True)
        assert told == [(1, 2), (2, 2)]
        assert played.told == "Terracotta stick, 2 rehearsals of 1 evening (4 pours in 2 melts, 4 testers), all in one world."
        assert again.told.endswith("each in a world that was given for it.")

    def test_before_the_first_evening_stands_the_starting_formula(self, terracotta, played):
        start = terracotta.recipe.starting_factors
        desired = labkit.tweaks.desirability_of(terracotta.attributes, truth(start))[0]
        np.testing.assert_allclose(played.frame["ratio before"], desired / played.frame["best possible"])

    def test_beforehand_it_may_fail_too(self, terracotta, monkeypatch):
        monkeypatch.setattr(many, "rehearse", lambda trial, world, seed: pd.DataFrame({"best possible": [0.4, 0.4]}))
        start = terracotta.recipe.starting_factors
        found = many._played(terracotta, quiet(fails=lambda p: np.full(len(p), 0.25)), start, 3)
        desired = labkit.tweaks.desirability_of(terracotta.attributes, truth(start))[0]
        assert 0 < desired and found["ratio before"].to_list() == pytest.approx([0.75 * desired / 0.4] * 2)
        assert found["seed"].to_list() == [3, 3] and found["evening"].to_list() == [1, 2]

    def test_a_trial_with_scores_needs_no_world(self, demo):
        found = rehearse_many(demo, seeds=[3], rounds=1, workers=1)
        assert found.told == ("Terracotta stick, 1 rehearsal of 1 more evening (4 pours in 2 melts, 6 testers), each in a "
                              "world that fits the scores so far.")
        assert list(found.frame["round"]) == [4] and 0.3 < found.frame["ratio before"].item() <= 1.001


class TestRefusals:
    @pytest.mark.parametrize("how, message", [
        ({"seeds": []}, "seeds are []. Give at least one, and each once."),
        ({"seeds": [1, 1]}, "seeds are [1, 1]. Give at least one, and each once."),
        ({"seeds": [-1]}, "a seed is -1. Give a whole number from 0 to 2147483647."),
        ({"workers": 0}, "workers is 0. Give a whole number from 1 to 64."),
        ({"rounds": 0}, "rounds is 0. Give a whole number from 1 to 99."),
        ({"world": lambda seed: 3, "seeds": [4], "workers": 1},
         "the rehearsal of seed 4 failed: what world gives for seed 4 is of type int. Give a World, or a function "
         "of a seed that returns one."),
        ({"world": "x"}, "world is 'x'. Give a World, or a function of a seed that returns one."),
        ({"progress": 5}, "progress is 5. Give a function of how many are done and how many there are."),
        ({"testers": "Ada"}, "testers is 'Ada'. Give how many there are, or a list of their names."),
        ({"testers": []}, "testers names nobody. Give how many there are, or a list of their names."),
        ({"pours": None}, "pours is None. Give a whole number from 1 to 24."),
        ({"melts": "2"}, "melts is '2'. Give a whole number from 1 to 24."),
        ({"testers": 2.5}, "testers is 2.5. Give how many there are, or a list of their names."),
    ])
    def test_of_what_is_asked(self, terracotta, how, message):
        with pytest.raises(RehearsalError) as refused:
            rehearse_many(terracotta, **{"world": quiet(), **how})
        assert str(refused.value) == message

    def test_of_what_is_no_trial(self):
        with pytest.raises(RehearsalError, match="the trial is of type str. Give what read_trial"):
            rehearse_many("trials/mine")


def test_a_seed_leaves_room_for_the_rounds(terracotta):
    with pytest.raises(RehearsalError, match="seed is 4294967295"):
        labkit.rehearse(terracotta, labkit.World(truth=truth), rounds=1, testers=4, seed=2**32 - 1)


def test_of_testers_between_two_and_three_there_are_three():
    """Two pours scored by two testers, two by three."""
    trial = hazel_rounds(1)[-1]
    scores = trial.standing_scores
    pours, testers = sorted(set(scores["pour"])), sorted(set(scores["tester"]))
    kept = scores["tester"].isin(testers[:2]) | (scores["tester"].eq(testers[2]) & scores["pour"].isin(pours[:2]))
    fewer = labkit.Trial(definition=trial.definition, tables={**trial.tables, "scores": trial.scores[:0]}).with_scores(scores[kept])
    found = rehearse_many(fewer, labkit.World(truth=hazel_truth), seeds=[1], rounds=1, pours=1, workers=1)
    assert found.told == "Hazel pot, 1 rehearsal of 1 more evening (1 pour, 3 testers), all in one world."


def test_worlds_in_which_nothing_is_of_use_are_counted_once_each_and_not_by_evening():
    frame = pd.DataFrame({"seed": [1, 1, 2, 2, 3, 3], "ratio": [np.nan, np.nan, 0.5, 0.9, np.nan, np.nan]})
    assert many._nowhere(frame) == [
        "In 2 worlds no formula within the limits gives anything of what is wanted; they are not counted."]

"""A round played: what is recorded is what the world says."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from definitions import NEEDLE, TERRACOTTA
from rehearsal.worlds import NAMES, QUIET, mild, pour_means, quiet, truth

import labkit
from labkit.errors import RehearsalError
from labkit.rehearsal import play_round
from labkit.rehearsal.table import scatter

SETTINGS = """
[settings.cooling]
unit = "min"
low = 5
high = 60
per_melt = true
[settings.acid]
low = 0.001
high = 0.005
[[limits]]
"""


class TestTable:
    def test_without_noise_scores_are_the_truth_at_the_weighed_formulas(self, terracotta, round_):
        played = play_round(terracotta, round_, quiet(step=0.0), testers=3, seed=5)
        made = played.onto(terracotta, round_).made
        pd.testing.assert_frame_equal(pour_means(played), truth(made)[NAMES], check_names=False, atol=1e-5)
        planned = round_.to_frame().set_index("pour")
        assert 0 < (made["load"] - planned["load"]).abs().max() < 0.005

    def test_scores_are_read_to_the_step_and_lie_on_the_scale(self, terracotta, round_):
        loud = labkit.World(truth=truth, sd_tester_pour=6.0, step=0.5)
        scores = play_round(terracotta, round_, loud, testers=6, seed=5).scores["score"]
        assert scores.between(0, 10).all() and (scores == 0).any() and (scores == 10).any()
        np.testing.assert_array_equal(scores * 2 % 1, 0)

    @pytest.mark.parametrize("levels", [[1.5, 0, 0, -0.3], {"T01": 1.5, "T04": -0.3},
                                        pd.Series([1.5, 0, 0, -0.3]), pd.Series({"T04": -0.3, "T01": 1.5}),
                                        pd.DataFrame(1.2, index=["T01"], columns=NAMES),
                                        pd.DataFrame({name: [1.5, 0, 0, -0.3] for name in NAMES})])
    def test_the_truth_is_the_mean_of_the_panel_whoever_leans(self, terracotta, round_, levels):
        leaning = play_round(terracotta, round_, mild(levels=levels, slopes=[1.2, 0.8, 1, 1]), testers=4, seed=5)
        plain = play_round(terracotta, round_, mild(), testers=4, seed=5)
        np.testing.assert_allclose(pour_means(leaning), pour_means(plain), atol=1e-5)
        by_tester = leaning.scores.groupby("tester")["score"].mean()
        assert by_tester["T01"] > by_tester.drop("T01").max() + 0.8

    def test_slopes_are_the_use_of_the_scale(self, round_):
        """About its middle: 10 of payoff, 5 of all else."""
        trial = labkit.Trial.from_toml(TERRACOTTA.replace("scale = [0, 10]", "scale = [0, 20]"))
        scores = play_round(trial, round_, mild(slopes={"T01": 1.5, "T02": 0.5}), testers=2, seed=5).scores
        wide = scores.pivot_table(index=["attribute", "pour"], columns="tester", values="score")
        wide -= 5 + 5 * (wide.index.get_level_values("attribute") == "payoff")[:, None]
        np.testing.assert_allclose(wide["T01"], 3 * wide["T02"], atol=1e-4)

    def test_every_tester_meets_every_pour_once_under_codes_of_their_own(self, terracotta, round_):
        servings = play_round(terracotta, round_, quiet(), testers=6, seed=5).servings
        assert servings["code"].is_unique and servings["code"].str.fullmatch("[1-9][0-9]{2}").all()
        assert (servings.groupby("tester")["pour"].nunique() == 4).all()
        assert servings.groupby("tester")["pour"].apply(tuple).nunique() > 1

    def test_codes_are_unique_over_the_trial(self, terracotta, round_):
        trial = play_round(terracotta, round_, quiet(), testers=9, seed=5).onto(terracotta, round_)
        again = labkit.plan_round(trial, pours=4, melts=2, seed=2)
        trial = play_round(trial, again, quiet(), testers=9, seed=5).onto(trial, again)
        assert len(trial.servings) == 72 and trial.servings["code"].is_unique

    def test_melts_and_rounds_shift_together_what_they_share(self):
        made = pd.DataFrame({"melt": ["M01", "M01", "M02", "M02"]})
        rng = np.random.default_rng(0)
        found = np.array([scatter(made, 0.5, 0.4, 0.3, rng) for _ in range(20_000)])
        round_, melt, pour = 0.25, 0.16, 0.09
        expected = np.array([[round_ + melt * (i // 2 == j // 2) + pour * (i == j) for j in range(4)] for i in range(4)])
        np.testing.assert_allclose(np.cov(found.T), expected, atol=0.02)

    @pytest.mark.parametrize("source, shared", [("sd_round", [0, 0, 0, 0]), ("sd_melt", [0, 0, 1, 1]), ("sd_pour", [0, 1, 2, 3])])
    def test_scores_hold_what_round_melt_and_pour_add(self, terracotta, round_, source, shared):
        """Against the same luck without it: as much for all that share it, with the stated sd, each attribute its own."""
        found = []
        for seed in range(16):
            loud, still = (pour_means(play_round(terracotta, round_, world, testers=1, seed=seed))
                           for world in (mild(**{source: {"payoff": 0.4, "hardness": 0.1}}), mild()))
            added = (loud - still).loc[list(round_.pours)]
            assert np.abs(added[["sheerness", "shade"]]).max(axis=None) < 1e-5
            groups = added.groupby(shared)
            assert groups.agg(np.ptp).max(axis=None) < 1e-5
            found.append(groups.first()[["payoff", "hardness"]])
        found = pd.concat(found)
        assert found.std().to_list() == pytest.approx([0.4, 0.1], rel=3 / np.sqrt(2 * len(found)))
        assert abs(np.corrcoef(found.T)[0, 1]) < 3 / np.sqrt(len(found))

    def test_readings_hold_it_too_and_are_read_to_a_200th_of_the_scale(self, terracotta, round_):
        trial = labkit.Trial.from_toml(TERRACOTTA + NEEDLE)
        truths = {"softness": 7.77, "drop_point": 61.6}

        def read(**sds):
            world = labkit.World(truth=lambda p: truth(p).assign(**truths), **({**QUIET, "sd_reading": 0.0} | sds))
            played = play_round(trial, round_, world, testers=1, seed=5)
            readings = played.readings
            assert len(played.onto(trial, round_).readings) == len(readings) == 8
            return readings.pivot_table(index="pour", columns="unit", values="value")[["mm", "degC"]].to_numpy()

        assert read() == pytest.approx(np.tile([7.8, 61.5], (4, 1)))                # steps of .1 mm and .25 degC
        moved = read(sd_round={"softness": 2.0}) - read()
        assert np.ptp(moved[:, 0]) < 1e-9 < abs(moved[0, 0]) and not moved[:, 1].any()


class TestBench:
    def test_weights_are_whole_steps_near_the_planned_ones(self, terracotta, round_):
        pours = play_round(terracotta, round_, quiet(), testers=1, seed=5).pours
        grams = [c for c in pours.columns if c.endswith(" [g]")]
        steps = pours[grams].to_numpy(float) / 0.01
        np.testing.assert_allclose(steps, np.round(steps), atol=1e-6)
        off = pours[grams].to_numpy(float) - round_.pour_sheet()[grams].to_numpy(float)
        assert 0 < np.abs(off).max() < 0.1 and np.abs(off).mean() > 0.005

    def test_a_pot_is_filled_for_a_little_more_than_its_pours_draw(self, terracotta, round_):
        """1.08 times as much of each ingredient as is planned, to a balance and a hand."""
        melts = play_round(terracotta, round_, quiet(), testers=1, seed=5).melts.set_index("melt")
        planned = round_.melt_sheet().set_index("melt")
        grams = [c for c in planned.columns if c.endswith(" [g]")]
        assert melts.loc[planned.index, grams].to_numpy(float) == pytest.approx(1.08 * planned[grams].to_numpy(float), abs=0.09)

    def test_a_setting_is_off_by_a_part_of_its_range_once_a_pour_or_once_a_melt(self):
        """Pour temperature over 12 °C by .36; cooling over 55 min by 1.65, alike for all pours of a melt; a narrow one in
        as many decimals as it needs. Nothing of this is in doubt when the trial is read."""
        trial = labkit.Trial.from_toml(TERRACOTTA.replace("[[limits]]", SETTINGS, 1))
        round_ = labkit.plan_round(trial, pours=6, melts=2, seed=1)
        planned, off = round_.pour_sheet().set_index("pour"), []
        for seed in range(20):
            played = play_round(trial, round_, quiet(), testers=1, seed=seed)
            pours = played.pours.set_index("pour")
            off.append(pours[["pour_temperature", "cooling", "acid"]] - planned[["pour_temperature", "cooling", "acid"]])
            assert np.ptp(off[-1]["cooling"].groupby(pours["melt"]).agg(np.ptp)) == 0 < np.ptp(off[-1]["pour_temperature"])
            assert not [doubt for doubt in played.onto(trial, round_).doubts if "cooling" in doubt]
        sizes = np.sqrt((pd.concat(off).astype(float) ** 2).mean())
        assert list(sizes / [12, 55, 0.004]) == pytest.approx([0.03] * 3, rel=0.35)

    def test_a_pour_that_fails_is_recorded_and_not_served(self, terracotta, round_):
        played = play_round(terracotta, round_, quiet(), testers=2, seed=5, failed={"P02": "failed: sweated"})
        assert "P02" not in set(played.servings["pour"]) | set(played.scores["pour"])
        assert played.onto(terracotta, round_).failed == ("P02",)

    def test_what_is_said_of_a_pour_that_fails_stands_whatever_the_world_says(self, terracotta, round_):
        world = quiet(fails=lambda p: np.ones(len(p)))
        played = play_round(terracotta, round_, world, testers=1, seed=5, failed={"P02": "failed: sweated"})
        assert played.pours.set_index("pour")["outcome"].to_dict() == {
            pour: "failed: sweated" if pour == "P02" else "failed: did not set" for pour in round_.pours}

    def test_a_pour_that_fails_is_not_read_either(self, round_):
        trial = labkit.Trial.from_toml(TERRACOTTA + NEEDLE)
        world = labkit.World(truth=lambda p: truth(p).assign(softness=8.0, drop_point=61.0), **QUIET)
        played = play_round(trial, round_, world, testers=1, seed=5, failed={"P02": "failed: sweated"})
        assert list(played.readings["pour"].value_counts().sort_index().items()) == [("P01", 2), ("P03", 2), ("P04", 2)]

    def test_the_world_lets_pours_fail_and_changes_nothing_else(self, terracotta, round_):
        sound = play_round(terracotta, round_, quiet(), testers=2, seed=5)
        soft = play_round(terracotta, round_, quiet(fails=lambda p: (p["wax"] < 0.16).astype(float)), testers=2, seed=5)
        little = set(sound.onto(terracotta, round_).made.query("wax < 0.16").index)
        assert little and dict(zip(soft.pours["pour"], soft.pours["outcome"])) == {
            pour: "failed: did not set" if pour in little else "ok" for pour in round_.pours}
        assert set(soft.servings["pour"]) == set(round_.pours) - little
        pd.testing.assert_frame_equal(soft.pours.drop(columns="outcome"), sound.pours.drop(columns="outcome"))

    def test_as_many_fail_as_the_chance_says(self, terracotta, round_):
        world = quiet(fails=lambda p: np.full(len(p), 0.3))
        failed = [len(play_round(terracotta, round_, world, testers=1, seed=k).onto(terracotta, round_).failed)
                  for k in range(30)]
        assert np.mean(failed) / 4 == pytest.approx(0.3, abs=3 * np.sqrt(0.21 / 120))

    def test_a_round_of_which_nothing_holds_is_recorded_all_the_same(self, terracotta, round_):
        played = play_round(terracotta, round_, quiet(fails=lambda p: np.ones(len(p))), testers=2, seed=5)
        trial = played.onto(terracotta, round_)
        assert trial.failed == round_.pours and not len(trial.scores) and not len(trial.servings)


class TestRefusals:
    @pytest.mark.parametrize("world, testers, message", [
        (labkit.World(truth=lambda p: truth(p).drop(columns="shade")), 2,
         "truth gives no column 'shade'. Give payoff, hardness, sheerness and shade."),
        (labkit.World(truth=lambda p: truth(p) * np.nan), 2,
         "truth gives 4 rows, or values that are not numbers, for 4 formulas. Give a finite number for each."),
        (quiet(levels=[1.0, 0.0]), 3,
         "the world has levels for 2 testers, but 3 are asked for. Give a value for each of them."),
        (quiet(slopes=[1.0, -1.0]), 2,
         "the slopes of the world are 0 on average over T01 and T02, so that no truth is the mean of their scores. Give "
         "slopes with a mean above 0, such as 1."),
        (quiet(), 0, "testers is 0. Give a whole number from 1 to 99."),
        (quiet(), ["Ada", "Bo", "Ada"], "testers name 'Ada' twice. Name each tester once."),
        (quiet(fails=lambda p: np.full(len(p), 1.2)), 2,
         "fails gives values of shape (4,), or some outside 0 to 1, for 4 formulas. Give a chance for each."),
    ])
    def test_of_a_round(self, terracotta, round_, world, testers, message):
        with pytest.raises(RehearsalError) as refused:
            play_round(terracotta, round_, world, testers, seed=1)
        assert str(refused.value) == message


class TestWhoWasThereBefore:
    def test_testers_called_t1_are_met_as_such(self, terracotta, round_):
        """A trial whose testers are T1, T2 ... could not be rehearsed: T01 was taken for T1 misspelled."""
        before = play_round(terracotta, round_, mild(), testers=["T1", "T2"], seed=5).onto(terracotta, round_)
        after = labkit.plan_round(before, pours=2, melts=1, seed=1)
        played = play_round(before, after, mild(), testers=3, seed=5)
        assert set(played.scores["tester"]) == {"T1", "T2", "T03"}
        assert played.onto(before, after).standing_scores["tester"].nunique() == 3
        assert len(labkit.rehearse_many(before, mild(), seeds=[1], rounds=1, testers=2, workers=1).frame) == 1

    @pytest.mark.parametrize("last, session", [("1", "2"), ("2", "3"), ("02", "3")])
    def test_a_sitting_has_a_number_of_its_own(self, terracotta, round_, last, session):
        """A round that was tasted in two sittings left no place in the second one."""
        played = play_round(terracotta, round_, mild(), testers=2, seed=5)
        moved = {pour: last if pour in round_.pours[2:] else "1" for pour in round_.pours}
        tables = {name: getattr(played, name).assign(session=lambda frame: frame["pour"].map(moved))
                  for name in ("servings", "scores")}
        before = dataclasses.replace(played, **tables).onto(terracotta, round_)
        after = labkit.plan_round(before, pours=2, melts=1, seed=1)
        found = play_round(before, after, mild(), testers=2, seed=5)
        assert set(found.scores["session"]) == {session} and len(found.onto(before, after).scores) > len(before.scores)

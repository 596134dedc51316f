"""The settled formula round by round: replayed records give what the kit said when they were all there was."""
import numpy as np
import pandas as pd
import pytest
from played import SEED, hazel_rounds

import labkit
from labkit.errors import TweakError
from labkit.rounds import round_from_factors
from labkit.tweaks.path import as_of, rounds_of, settled_by_round


@pytest.fixture(scope="module")
def after():
    """The trial after each of three rounds; one pour of the first failed."""
    return hazel_rounds(3, failed=("P02",))


@pytest.fixture(scope="module")
def path(after):
    return settled_by_round(after[-1], seed=SEED)


class TestReplay:
    def test_each_row_is_what_was_said_after_that_round(self, after, path):
        names = list(after[0].recipe.coordinates)
        assert list(path["round"]) == [1, 2, 3] and list(path["pours"]) == [3, 7, 11]
        for trial, (_, row) in zip(after, path.iterrows()):
            tweak = labkit.suggest_next(trial, pours=4, melts=4, seed=SEED)
            assert list(row[names]) == list(tweak.best[names].iloc[0])
            told = tweak.predictions.set_index("attribute")
            assert list(row[["desirability", "low", "high"]]) == list(told.loc["desirability", ["mean", "low", "high"]])
            assert row["mean: hardness"] == told.at["hardness", "mean"]

    def test_the_records_up_to_a_round_are_those_that_were_there(self, after):
        for number, trial in enumerate(after, start=1):
            replayed = as_of(after[-1], number)
            for table in trial.tables:
                pd.testing.assert_frame_equal(replayed.tables[table], trial.tables[table], check_dtype=False)

    def test_after_the_last_round_it_is_the_trial_itself_unless_another_is_planned(self, after):
        assert as_of(after[-1], 3) is after[-1]
        planned = after[-1].with_round(labkit.plan_round(after[-1], pours=2, melts=2, seed=1))
        assert planned.plan["round"].max() == 4 and as_of(planned, 3).plan["round"].max() == 3

    def test_today_the_last_formula_is_as_predicted_and_the_others_are_seen_anew(self, path):
        last = path.iloc[-1]
        assert list(last[["today", "today low", "today high"]]) == pytest.approx(list(last[["desirability", "low", "high"]]))
        assert path["today"].iloc[-1] > path["today"].max() - 0.01              # none before is thought better by now
        assert path["today"].iloc[0] != path["desirability"].iloc[0]
        assert (path["today low"] <= path["today"]).all() and (path["today"] <= path["today high"]).all()

    def test_moved_is_the_largest_step_as_a_part_of_the_range(self, after, path):
        bounds = after[0].recipe.bounds
        steps = path[list(bounds.index)].diff().abs() / (bounds["high"] - bounds["low"])
        assert np.isnan(path["moved"].iloc[0])
        assert list(path["moved"].iloc[1:]) == pytest.approx(list(steps.iloc[1:].max(axis=1)))

    def test_it_repeats_bit_for_bit(self, after, path):
        pd.testing.assert_frame_equal(settled_by_round(after[-1], seed=SEED), path, check_exact=True)

    def test_without_scores_there_is_no_path(self, after):
        trial = labkit.Trial(definition=after[0].definition)
        with pytest.raises(TweakError) as caught:
            settled_by_round(trial)
        assert str(caught.value) == ("no pour of Hazel pot has been judged, so there is no path yet. "
                                     "Record scores first.")


def test_melts_that_were_there_are_those_of_the_plan_and_of_the_pours(demo):
    """M04 was melted and nothing poured of it; X-09 had a melt of its own, in the second round by its place."""
    gone, rows = {"P07", "P08"}, demo.pours[demo.pours["pour"].isin(demo.plan.query("round < 3")["pour"])]
    tables = {name: demo.tables[name][~demo.tables[name]["pour"].isin(gone)]
              for name in ("scores", "servings", "readings")}
    later = demo.pours[~demo.pours["pour"].isin(rows["pour"])]
    own = rows.iloc[[4]].assign(pour="X-09", melt="M99", date="")
    melts = pd.concat([demo.melts, demo.melts.iloc[[2]].assign(melt="M99")], ignore_index=True)
    pours = pd.concat([rows[~rows["pour"].isin(gone)], own, later], ignore_index=True)
    trial = labkit.Trial(definition=demo.definition, tables={**demo.tables, **tables, "pours": pours, "melts": melts})
    assert [sorted(as_of(trial, number).melts["melt"]) for number in (1, 2)] == [
        ["M01", "M02"], ["M01", "M02", "M03", "M04", "M99"]]


class TestSittings:
    def test_an_old_pour_tasted_again_counts_from_the_round_it_was_tasted_with(self, after):
        again = pd.DataFrame({"pour": ["P01"], "tester": ["T01"], "session": ["3"], "position": ["9"],
                              "attribute": ["hardness"], "score": [9.0]})
        trial = after[-1].with_scores(again)
        counts = [len(as_of(trial, number).scores.query("pour == 'P01'")) for number in (1, 2, 3)]
        assert counts == [6, 6, 7]

    def test_a_sitting_of_two_rounds_counts_from_the_later(self, after):
        trial = after[1]
        one = trial.scores.assign(session="1", position=trial.scores["position"] + trial.scores["pour"])
        trial = as_of(trial, 2)
        moved = labkit.Trial(definition=trial.definition, tables={**trial.tables, "scores": one})
        found = settled_by_round(moved, seed=SEED)
        start = trial.recipe.starting_factors
        assert list(found["pours"]) == [0, 7] and np.isnan(found["desirability"].iloc[0])
        assert found.iloc[0][list(start.columns)].to_list() == pytest.approx(start.iloc[0].to_list(), abs=1e-3)

    def test_a_session_of_one_name_on_two_days_is_two_sittings(self, after):
        trial = after[-1]
        scores = trial.scores.assign(session="1", position=[str(k) for k in range(len(trial.scores))])
        served = scores[["session", "tester", "position", "pour"]].assign(code=[str(100 + k) for k in range(len(scores))])
        days = trial.made["round"].map({1: "2026-02-07", 2: "2026-02-21", 3: "2026-03-07"})
        for dates, counts in ((served["pour"].map(days), [3, 7, 11]), ("", [0, 0, 11])):
            tables = {**trial.tables, "scores": scores, "servings": served.assign(date=dates)[list(trial.servings)]}
            moved = labkit.Trial(definition=trial.definition, tables=tables)
            assert [as_of(moved, number).scores["pour"].nunique() for number in (1, 2, 3)] == counts

    def test_scores_without_a_session_go_with_their_pour(self, after):
        scores = after[-1].scores.assign(session="")
        trial = labkit.Trial(definition=after[-1].definition, tables={**after[-1].tables, "scores": scores})
        assert [as_of(trial, number).scores["pour"].nunique() for number in (1, 2, 3)] == [3, 7, 11]


def with_unplanned(poured_trial, **columns):
    """A trial with more pours that no round planned, at its starting formula, a row a value."""
    rows = len(next(iter(columns.values())))
    start = poured_trial.recipe.starting_factors
    single = round_from_factors(poured_trial.recipe, poured_trial.batch, number=99, melts=["M99"], pours=["P99"],
                                coordinates=start).as_poured()
    frame = pd.concat([single] * rows, ignore_index=True).assign(
        **({"melt": ""} | columns), pour=[f"X-{k:02d}" for k in range(1, rows + 1)])
    return poured_trial.with_tables({"pours": frame}, files=True)      # as they stand in a file


class TestUnplanned:
    def test_it_belongs_to_the_round_of_its_melt(self, after):
        trial = after[-1]
        melt = trial.plan.query("round == 2")["melt"].iloc[0]
        assert rounds_of(with_unplanned(trial, melt=[melt]))["X-01"] == 2

    def test_it_does_also_where_nothing_else_was_poured_from_that_melt(self, after):
        """Recorded before the others of its round, of which the one that was planned from its melt was never poured."""
        whole = after[-1]
        plan = whole.plan.query("round == 3")
        melt, gone = plan[["melt", "pour"]].iloc[0]
        tables = {name: whole.tables[name][whole.tables[name]["pour"] != gone] for name in ("pours", "scores", "servings")}
        early = labkit.Trial(definition=whole.definition, tables={**whole.tables, **tables, "pours": after[1].pours})
        later = tables["pours"][tables["pours"]["pour"].isin(plan["pour"])]
        trial = with_unplanned(early, melt=[melt]).with_tables({"pours": later}, files=True)
        assert list(trial.pours["pour"].tail(4)) == ["X-01", *later["pour"]]
        assert rounds_of(trial)["X-01"] == 3 and "X-01" not in set(as_of(trial, 2).pours["pour"])

    def test_else_to_the_last_round_begun_by_its_date(self, after):
        trial = after[-1]
        days = {1: "2026-02-06", 2: "2026-02-20", 3: "2026-03-06"}
        dated = trial.pours.assign(date=trial.made["round"].map(days).reindex(trial.pours["pour"]).to_numpy())
        trial = labkit.Trial(definition=trial.definition, tables={**trial.tables, "pours": dated})
        found = rounds_of(with_unplanned(trial, date=["2026-02-01", "2026-02-06", "2026-02-25", "2026-04-01", "soon"]))
        assert found.filter(like="X-").to_list() == [0, 1, 2, 3, 3]

    def test_an_hour_beside_the_day_changes_nothing(self, after):
        trial = after[-1]
        hours = {1: "2026-02-06 19:30", 2: "2026-02-20T20:00", 3: "2026-03-06"}
        dated = trial.pours.assign(date=trial.made["round"].map(hours).reindex(trial.pours["pour"]).to_numpy())
        trial = labkit.Trial(definition=trial.definition, tables={**trial.tables, "pours": dated})
        asked = ["2026-02-01 19:30", "2026-02-06 09:00", "2026-02-25 18:15", "2026-02-25", "2026-04-01"]
        assert rounds_of(with_unplanned(trial, date=asked)).filter(like="X-").to_list() == [0, 1, 2, 2, 3]

    def test_melt_and_date_count_as_they_stand_corrected(self, after):
        trial = after[-1]
        days = {1: "2026-02-06", 2: "2026-02-20", 3: "2026-03-06"}
        dated = trial.pours.assign(date=trial.made["round"].map(days).reindex(trial.pours["pour"]).to_numpy())
        trial = labkit.Trial(definition=trial.definition, tables={**trial.tables, "pours": dated})
        wrong = with_unplanned(trial, date=["2026-04-01", "2026-02-25", "2026-02-25"], melt=["", "M01", ""])
        known = wrong.pours.set_index("pour")
        right = known.loc[["X-01", "X-02", "X-03"]].assign(
            date=["2026-02-07", "2026-02-25", "2026-02-25"], melt=["", "M05", "M01"], corrects="pours", reason="mistyped")
        found = rounds_of(labkit.Trial(definition=trial.definition, tables={
            **wrong.tables, "pours": pd.concat([wrong.pours, right.reset_index()], ignore_index=True)}))
        assert rounds_of(wrong).filter(like="X-").to_list() == [3, 1, 2]
        assert found.filter(like="X-").to_list() == [1, 2, 1] and found.index.is_unique

    def test_a_round_begins_with_the_first_of_its_pours_and_a_melt_is_of_the_latest_that_drew_from_it(self, after):
        """The second round takes two days, and a pour of the first is drawn from a melt of the second."""
        trial = after[-1]
        days = trial.made["round"].map({1: "2026-02-06", 2: "2026-02-20", 3: "2026-03-06"}).reindex(trial.pours["pour"])
        melts = trial.pours["melt"].where(trial.pours["pour"] != "P01", "M05")
        pours = trial.pours.assign(date=days.where(days.index != "P08", "2026-02-23").to_numpy(), melt=melts)
        trial = labkit.Trial(definition=trial.definition, tables={**trial.tables, "pours": pours})
        assert rounds_of(with_unplanned(trial, date=["2026-02-21", ""], melt=["", "M05"])).filter(like="X-").to_list() == [2, 2]

    def test_a_pour_recorded_late_does_not_bring_an_older_round_back(self, after):
        trial = after[1]
        rows = trial.pours[trial.pours["pour"] != "P01"], trial.pours[trial.pours["pour"] == "P01"]
        late = labkit.Trial(definition=trial.definition, tables={
            **trial.tables, "pours": pd.concat(rows, ignore_index=True)})
        assert rounds_of(with_unplanned(late, date=[""]))["X-01"] == 2

    def test_else_to_the_round_that_was_recorded_before_it(self, after):
        first = with_unplanned(labkit.Trial(definition=after[0].definition), date=[""])
        assert rounds_of(first).to_list() == [0]
        assert rounds_of(with_unplanned(after[1], date=["", ""])).filter(like="X-").to_list() == [2, 2]

    def test_pours_before_the_first_round_are_a_round_0(self, after):
        trial = with_unplanned(labkit.Trial(definition=after[0].definition), date=["", ""])
        said = pd.DataFrame([(pour, tester, "0", "hardness", score) for pour in ("X-01", "X-02")
                             for tester, score in (("T01", 5.0), ("T02", 6.0))],
                            columns=["pour", "tester", "session", "attribute", "score"])
        found = settled_by_round(trial.with_scores(said))
        assert list(found["round"]) == [0] and list(found["pours"]) == [2]

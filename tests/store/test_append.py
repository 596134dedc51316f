"""Appending to a trial on disk: checked as a whole, then written whole, in the manner of the file; or refused."""
import datetime
import pathlib
import shutil
from dataclasses import replace

import pandas as pd
import pytest
from store.conftest import POT, STICK, first_round, melts_of, pours_of, refused, score, scores_of, snapshot

import labkit
from labkit.errors import LabkitError, PlanError, PourError, ScoreError, StoreError
from labkit.rounds import round_from_factors


class TestWhatIsWrittenIsReadBack:
    @pytest.mark.parametrize("text", [STICK, POT], ids=["stick", "pot"])
    def test_a_new_trial_is_empty(self, tmp_path, text):
        trial = labkit.new_trial(tmp_path / "new", text)
        read = labkit.read_trial(tmp_path / "new")
        assert all(read.tables[name].shape == (0, len(frame.columns)) for name, frame in trial.tables.items())

    def test_every_table_after_a_round(self, begun):
        trial = labkit.read_trial(begun)
        round_ = first_round(trial)
        wanted = trial.with_round(round_).with_melts(melts_of(round_)).with_pours(pours_of(round_))
        wanted = wanted.with_scores(scores_of(round_.pours))
        labkit.append_round(begun, round_)
        labkit.append_melts(begun, melts_of(round_))
        labkit.append_pours(begun, pours_of(round_))
        given = labkit.append_scores(begun, scores_of(round_.pours))
        for trial in (given, labkit.read_trial(begun)):
            for name, frame in wanted.tables.items():
                pd.testing.assert_frame_equal(trial.tables[name], frame, check_dtype=len(frame) > 0)
            assert list(trial.made.index) == ["P01", "P02", "P03", "P04"]
            assert set(trial.standing_scores["tester"]) == {"001", "NA", "T03"}

    def test_a_trial_without_a_pot(self, tmp_path):
        trial = labkit.new_trial(tmp_path / "pot", POT)
        middle = pd.DataFrame({"base: sunflower wax": [0.11], "base: cocoa butter": [0.25], "base: castor oil": [0.64],
                               "load": [0.03]})
        round_ = round_from_factors(trial.recipe, trial.batch, number=1, melts=["M01"], pours=["P01"], coordinates=middle)
        labkit.append_round(tmp_path / "pot", round_)
        labkit.append_pours(tmp_path / "pot", round_.as_poured())
        labkit.append_scores(tmp_path / "pot", score(attribute="hardness"))
        assert len(labkit.read_trial(tmp_path / "pot").standing_scores) == 1

    def test_servings_and_readings(self, poured):
        labkit.append_servings(poured, pd.DataFrame(
            {"session": ["1", "1"], "date": [datetime.date(2031, 5, 6), pd.Timestamp("2031-05-06")],
             "tester": ["001", "NA"], "position": [1, 1], "code": ["042", "731"], "pour": ["P01", "P02"]}))
        labkit.append_readings(poured, pd.DataFrame(
            {"pour": ["P01"], "method": ["needle depth"], "direction": ["down"], "value": ["3,25"], "unit": ["mm"]}))
        assert (poured / "servings.csv").read_text() == (
            "session,date,tester,position,code,pour\n1,2031-05-06,001,1,042,P01\n1,2031-05-06,NA,1,731,P02\n")
        assert (poured / "readings.csv").read_text() == (
            "pour,method,direction,value,unit,repeat,corrects,reason\nP01,needle depth,down,3.25,mm,,,\n")
        assert labkit.read_trial(poured).servings["code"].tolist() == ["042", "731"]

    def test_factors_in_the_plan_are_for_the_eye(self, begun):
        labkit.append_round(begun, first_round(labkit.read_trial(begun)))
        assert (begun / "plan.csv").read_text().splitlines()[1] == (
            "1,M01,P01,1,0.12,0.3,0.03,70,2.23,6.13,0.21,0.36,0.84,10.23")

    def test_what_was_left_out_is_a_word_in_the_file_and_all_else_the_numbers_given(self, begun):
        round_ = first_round(labkit.read_trial(begun))
        labkit.append_round(begun, round_)
        labkit.append_melts(begun, melts_of(round_))
        given = pours_of(round_).astype({"red paste [g]": object})
        given.loc[1, "red paste [g]"] = "none"
        labkit.append_pours(begun, given)
        written = pd.read_csv(begun / "pours.csv", dtype=str)
        assert written.at[1, "red paste [g]"] == "none" and (written["red paste [g]"] == "none").sum() == 1
        for column in ("base [g]", "yellow paste [g]"):
            assert written[column].astype(float).tolist() == given[column].tolist()
        assert labkit.read_trial(begun).pours["red paste [g]"].tolist()[1] == 0

    def test_an_unplanned_and_a_failed_pour(self, poured):
        labkit.append_pours(poured, pd.DataFrame(
            {"pour": ["X-01", "X-02"], "outcome": ["ok", "failed: seized"], "pour_temperature": [72, ""],
             "candelilla wax [g]": [3, ""], "mango butter [g]": [6, ""], "vitamin E [g]": [0.2, ""], "red paste [g]": [1, ""],
             "yellow paste [g]": [0.8, ""], "jojoba oil [g]": ["9,0", ""], "note": ["from last winter", ""]}))
        trial = labkit.read_trial(poured)
        assert trial.failed == ("X-02",) and trial.made.at["X-01", "round"] == 0

    def test_missing_tables_are_empty_and_are_made_when_needed(self, poured):
        (poured / "scores.csv").unlink()
        (poured / "readings.csv").unlink()
        assert len(labkit.read_trial(poured).scores) == 0
        labkit.append_scores(poured, score())
        assert (poured / "scores.csv").read_text() == (
            "pour,tester,session,position,attribute,score,corrects,reason\nP01,T9,,,payoff,7,,\n")
        assert not (poured / "readings.csv").exists()

    @pytest.mark.parametrize("content", [b"", b"\xef\xbb\xbf", b"\r\n"])
    def test_an_empty_scores_file_is_an_empty_table(self, poured, content):
        (poured / "scores.csv").write_bytes(content)
        assert len(labkit.read_trial(poured).scores) == 0
        labkit.append_scores(poured, score())
        assert len(labkit.read_trial(poured).scores) == 1
        assert (poured / "scores.csv").read_bytes().startswith(content)


class TestFilesOfASpreadsheet:
    CONTENT = ("\ufeffpour; tester ;attribute;score\r\n\r\nP01;001;payoff;7,5\r\n ; ;;\r\nP02;NA;payoff;8\r\n")

    def test_rows_are_read_and_rows_are_added_in_its_manner(self, poured):
        path = poured / "scores.csv"
        path.write_bytes(self.CONTENT.encode())
        trial = labkit.append_scores(poured, score(value=6.25))
        assert path.read_bytes() == self.CONTENT.encode() + b"P01;T9;payoff;6,25\r\n"
        assert trial.scores["score"].tolist() == [7.5, 8.0, 6.25]
        assert trial.scores["tester"].tolist() == ["001", "NA", "T9"]

    def test_a_session_needs_a_column(self, poured):
        path = poured / "scores.csv"
        path.write_bytes(self.CONTENT.encode())
        labkit.append_scores(poured, score(session="2"))
        assert path.read_bytes() == (
            "\ufeffpour; tester ;attribute;score;session\r\n\r\nP01;001;payoff;7,5;\r\n ; ;;\r\nP02;NA;payoff;8;\r\n"
            "P01;T9;payoff;7;2\r\n").encode()

    def test_a_table_in_windows_1252(self, poured):
        path = poured / "pours.csv"
        labkit.correct_pours(poured, pd.DataFrame({"pour": ["P01"], "note": ["d\u00e9j\u00e0 vu"]}), reason="note")
        path.write_bytes(path.read_text("utf-8").replace("\n", "\r\n").replace(",", ";").replace(".", ",").encode("cp1252"))
        before = path.read_bytes()
        labkit.correct_pours(poured, pd.DataFrame({"pour": ["P02"], "note": ["tr\u00e8s doux"]}), reason="note")
        assert path.read_bytes() == before + b"P02;M01;;17,6;;;;1,68;0,72;;78;ok;;tr\xe8s doux;3;note\r\n"
        assert set(labkit.read_trial(poured).pours["note"]) == {"", "d\u00e9j\u00e0 vu", "tr\u00e8s doux"}

    @pytest.mark.parametrize("old, new, text", [
        (b"P01;001;payoff;7,5", b"P01;001;payoff;11",
         "scores.csv row 3: payoff is 11; scores run from 0 to 10. Leave the cell empty if it was not judged."),
        (b"P02;NA;payoff;8", b"P02;NA;payof;8", "scores.csv row 5: attribute 'payof' is not in trial.toml. "
         "Did you mean 'payoff'? If it was an attribute when it was scored, keep [attributes.payof] there, without `wanted` if "
         "it no longer counts."),
        (b"P02;NA;payoff;8", b"P02;NA;payoff;8 g",
         "scores.csv row 5: payoff is '8 g', which is not a number. Write digits with one comma or point, and no unit."),
        (b"score\r", b"marks\r", "scores.csv has a column 'marks' that is not known here. The columns are 'pour', 'tester', "
         "'session', 'position', 'attribute', 'score', 'corrects' and 'reason'."),
        (b"P02;NA;payoff;8", b"P01;001;payoff;8",
         "scores.csv row 5: payoff of P01 by 001 is recorded already as 7.5, and 8 differs. "
         "Give a repeat its own session or position, write into corrects which row this one corrects and into reason why, or "
         "delete the row that is wrong."),
        (b"P02;NA;payoff;8", b"P02;NA;payoff;\"8", "scores.csv row 5: a quotation mark is opened and not closed before the "
         "next semicolon. Double a quotation mark that is meant."),
    ])
    def test_what_is_wrong_is_named_with_its_row(self, poured, old, new, text):
        (poured / "scores.csv").write_bytes(self.CONTENT.encode().replace(old, new))
        assert refused(LabkitError, labkit.read_trial, poured) == text
        assert refused(LabkitError, labkit.append_scores, poured, score()) == text


class TestAgain:
    def test_equal_scores_are_passed_over(self, scored):
        before = snapshot(scored)
        labkit.append_scores(scored, scores_of(["P01", "P02", "P03", "P04"]))
        labkit.append_scores(scored, scores_of(["P01"]).assign(score=lambda f: f["score"].map("{:.2f}".format)))
        assert snapshot(scored) == before

    def test_an_equal_blank_is_passed_over(self, poured):
        labkit.append_scores(poured, score(value=None))
        before = snapshot(poured)
        labkit.append_scores(poured, score(value=""))
        assert snapshot(poured) == before

    def test_a_score_after_a_blank_is_news(self, poured):
        labkit.append_scores(poured, score(value=None))
        assert labkit.append_scores(poured, score(value=7)).standing_scores["score"].tolist() == [7.0]

    def test_equal_rows_are_passed_over_after_a_correction_too(self, poured):
        labkit.append_scores(poured, score(value=7))
        labkit.correct_scores(poured, score(value=5), reason="misread")
        before = snapshot(poured)
        assert labkit.append_scores(poured, score(value=7)).standing_scores["score"].tolist() == [5.0]
        assert snapshot(poured) == before

    def test_only_the_new_rows_of_a_frame_are_written(self, scored):
        before = (scored / "scores.csv").read_bytes()
        frame = pd.concat([scores_of(["P01", "P02"]), score(tester="T9")])
        labkit.append_scores(scored, frame)
        assert (scored / "scores.csv").read_bytes() == before + b"P01,T9,,,payoff,7,,\n"

    def test_a_new_session_is_a_repeat(self, scored):
        labkit.append_scores(scored, scores_of(["P01"]).assign(session="2", score=5.0))
        assert len(labkit.read_trial(scored).standing_scores) == 30

    def test_an_empty_frame_writes_nothing(self, scored):
        before = snapshot(scored)
        labkit.append_scores(scored, scores_of(["P01"]).iloc[:0])
        assert snapshot(scored) == before


class TestRefusedWhole:
    def test_one_bad_row_among_good_ones(self, scored):
        frame = pd.concat([score(tester="T7"), score(tester="T8", value=10.5)], ignore_index=True)
        assert refused(ScoreError, labkit.append_scores, scored, frame) == (
            "scores row 1: payoff is 10.5; scores run from 0 to 10. Leave the cell empty if it was not judged.")

    def test_another_value_under_the_same_key(self, scored):
        assert refused(ScoreError, labkit.append_scores, scored, scores_of(["P01"]).assign(score=2.5)) == (
            "scores row 0: payoff of P01 by 001, session 1, position 1 is recorded already as 1, and 2.5 differs. "
            "Use correct_scores if it was wrong, or give a repeat its own session or position.")

    def test_a_pour_that_nobody_poured(self, scored):
        assert refused(ScoreError, labkit.append_scores, scored, score(pour="P99")) == (
            "scores row 0: pour 'P99' is not in pours.csv. Record the pour first, or check its name.")

    def test_a_slip_in_the_attribute(self, scored):
        assert refused(ScoreError, labkit.append_scores, scored, score(attribute="hardnes")) == (
            "scores row 0: attribute 'hardnes' is not in trial.toml. Did you mean 'hardness'?")

    def test_a_pour_neither_planned_nor_x(self, poured):
        frame = pd.DataFrame({"pour": ["Q1"], "melt": ["M01"], "base [g]": [18]})
        assert refused(PourError, labkit.append_pours, poured, frame) == (
            "pours row 0: pour 'Q1' is neither planned nor named X-01, X-02 and so on. "
            "Check the name, or give an unplanned pour such a name.")

    def test_an_ingredient_that_is_not_on_the_shelf(self, poured):
        text = refused(PourError, labkit.append_pours, poured, pd.DataFrame({"pour": ["X-01"], "beeswax [g]": [3.0]}))
        assert text.startswith("pours has a column 'beeswax [g]' that is not known here. The columns are 'pour', 'melt', ")

    @pytest.mark.parametrize("value, text", [
        ("1,2 g", "is '1,2 g', which is not a number. Write digits with one comma or point, and no unit."),
        (-0.5, "is -0.5; a weight is never negative. Weigh again."),
        ("NaN", "is 'NaN', which is not a number. Write digits with one comma or point, and no unit."),
        (0, "is 0, but 0.36 g were planned. Weigh again, or write none if none was added."),
    ])
    def test_a_weight_that_cannot_be(self, begun, value, text):
        round_ = first_round(labkit.read_trial(begun))
        labkit.append_round(begun, round_)
        labkit.append_melts(begun, melts_of(round_))
        frame = pours_of(round_).astype({"red paste [g]": object})
        frame.loc[0, "red paste [g]"] = value
        assert refused(PourError, labkit.append_pours, begun, frame) == f"pours row 0: red paste [g] {text}"

    def test_a_round_twice(self, poured):
        plan = labkit.read_trial(poured).plan
        trial = labkit.read_trial(poured)
        again = round_from_factors(trial.recipe, trial.batch, number=1, melts=["M01"], pours=["P01"],
                                   coordinates=plan[list(trial.recipe.coordinates)].iloc[:1])
        assert refused(PlanError, labkit.append_round, poured, again) == (
            "round 1 is in plan.csv already, and not as it is here. Read the trial anew and plan the next round, or delete "
            "the rows there to plan another in its place.")

    def test_a_further_round_while_none_of_the_newest_is_poured(self, begun):
        """A notebook that was run again from the top kept a second round, and a third."""
        trial = labkit.read_trial(begun)
        round_ = first_round(trial)
        labkit.append_round(begun, round_)
        kept = (begun / "plan.csv").read_bytes()
        again = labkit.append_round(begun, round_)                              # the cell alone is run again
        assert (begun / "plan.csv").read_bytes() == kept and len(again.plan) == len(round_.pours)
        further = replace(round_, number=2, frame=round_.frame.assign(
            round=2, pour=again.next_pours(4), melt="1" + round_.frame["melt"]))
        assert refused(PlanError, labkit.append_round, begun, further, ahead=False) == (
            "round 1 is in plan.csv, and none of its pours (P01, P02, P03 and P04) is recorded. Pour it before another is "
            "kept, or delete its rows there to plan another in its place.")
        assert (begun / "plan.csv").read_bytes() == kept
        labkit.append_pours(begun, pd.DataFrame([{"pour": "P03", "outcome": "failed: spilled"}]))
        assert len(labkit.append_round(begun, further, ahead=False).plan) == 8

    def test_two_rounds_may_be_planned_ahead_where_that_is_meant(self, begun):
        """Nothing is poured: the second is planned beside the first, and kept."""
        first = labkit.append_round(begun, first_round(labkit.read_trial(begun)))
        second = labkit.plan_round(first, pours=2, melts=1, seed=2)
        assert second.number == 2 and len(labkit.append_round(begun, second).plan) == 6

    def test_something_else_than_a_round_or_a_frame(self, poured):
        assert refused(PlanError, labkit.append_round, poured, pd.DataFrame()) == (
            "the round is of type DataFrame. Give what plan_round or suggest_next(...).round returned.")
        assert refused(StoreError, labkit.append_scores, poured, [1]) == (
            "the scores frame is of type list. Give what read_scores returned, or a pandas DataFrame, a row a score.")

    def test_a_sign_that_the_file_cannot_hold(self, poured):
        path = poured / "pours.csv"
        path.write_bytes(path.read_bytes().replace(b"P01,M01,,18.8", "P01,M01,d\u00e9jeuner,18.8".encode("cp1252")))
        frame = pd.DataFrame({"pour": ["P01"], "note": ["\u2713"]})
        assert refused(StoreError, labkit.correct_pours, poured, frame, reason="note") == (
            "pours.csv is written in Windows-1252, which has no '\u2713'. Save the table as CSV in UTF-8, or leave it out.")


class TestTheDemoTrial:
    @pytest.fixture
    def copy(self, demo_folder, tmp_path):
        if not demo_folder.is_dir():
            pytest.skip("the demo trial is not there")
        return pathlib.Path(shutil.copytree(demo_folder, tmp_path / "demo"))

    def test_takes_another_round_with_its_scores(self, copy):
        before, trial = snapshot(copy), labkit.read_trial(copy)
        middle = trial.factors_of(trial.recipe.starting)
        middle = middle.assign(**{s: trial.recipe.bounds.loc[s].mean() for s in trial.recipe.settings})
        round_ = round_from_factors(trial.recipe, trial.batch, number=trial.next_round, melts=trial.next_melts(1),
                                    pours=trial.next_pours(1), coordinates=middle)
        labkit.append_round(copy, round_)
        labkit.append_melts(copy, melts_of(round_))
        labkit.append_pours(copy, pours_of(round_))
        after = labkit.append_scores(copy, scores_of(round_.pours, ["T01"], [next(iter(trial.attributes))]))
        assert len(after.standing_scores) == len(trial.standing_scores) + 1
        assert all(content.startswith(before[name]) for name, content in snapshot(copy).items() if name in before)

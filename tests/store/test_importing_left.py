"""What is not understood in somebody's table is named by row and column, and nothing is imported by halves."""
import pandas as pd
import pytest
from store.forms import a_row_a_sample, a_row_a_tester, servings, truth

import labkit
from labkit.attributes import Attribute
from labkit.errors import ScoreError
from labkit.store.columns import Said
from labkit.store.people import People
from labkit.store.scales import ScaleEnds


class TestLeft:
    def left(self, found):
        return found.left.to_numpy().tolist()

    def test_a_code_that_belongs_to_no_pour(self, read):
        """The row is named once, though two of its cells are lost."""
        found = read("tester,code,payoff,hardness\nT01,417,7,3\nT01,999,6,2\n")
        assert self.left(found) == [[3, "code", "999", "code 999 belongs to no pour: servings.csv does not have it. "
                                                       "Compare it with the ballot."]]
        assert found.scores["pour"].tolist() == ["P01", "P01"]

    def test_a_code_that_was_served_to_another_or_is_another_pour(self, read):
        found = read("tester,code,pour,payoff\nT02,417,P01,7\nT01,552,P01,6\n")
        assert self.left(found) == [
            [2, "code", "417", "code 417 was served to T01 in session 1 in position 1, not to T02. Compare it with the ballot."],
            [3, "code", "552", "code 552 belongs to P02, not to P01. Compare both with the ballot."]]

    def test_rows_that_contradict_each_other(self, read):
        found = read("tester,code,payoff\nT01,417,7\nT01,552,5\nT01,417,4\nT01,552,5\n")
        where = "payoff of P01 by T01, session 1, position 1"
        usual = "Keep the right one, or give a repeat its own session."
        assert self.left(found) == [[2, "payoff", "7", f"{where} is 7 here and 4 in row 4. {usual}"],
                                    [4, "payoff", "4", f"{where} is 4 here and 7 in row 2. {usual}"]]
        assert found.scores["pour"].tolist() == ["P02"]

    def test_what_is_recorded_otherwise(self, read, served):
        trial = served.with_scores(read("tester,code,payoff\nT01,417,7\n"))
        assert self.left(read("tester,code,payoff\nT01,417,4\n", trial)) == [[2, "payoff", "4", (
            "payoff of P01 by T01, session 1, position 1 is recorded already as 7, and 4 differs. Use correct_scores if it "
            "was wrong, or give a repeat its own session.")]]

    def test_cells_that_are_no_scores_and_names_that_are_not_known(self, read):
        found = read("tester,pour,attribute,score\nT01,P01,payoff,7?\nT01,P10,payoff,6\nT01,P02,payof,6\n,P03,payoff,3\n")
        assert self.left(found) == [
            [2, "score", "7?", "payoff is '7?', which is not a number. Write digits with one comma or point, and no unit."],
            [3, "pour", "P10", "pour 'P10' is not in pours.csv. Record the pour first, or check its name."],
            [4, "attribute", "payof", "attribute 'payof' is not in trial.toml. Did you mean 'payoff'?"],
            [5, "tester", "", "no tester is named, and no serving tells one. Fill in the tester."]]

    def test_a_column_that_is_not_known(self, read):
        found = read("tester,pour,payoff,Hardnes,Timestamp\nT01,P01,7,3,now\n")
        assert self.left(found) == [
            ["header", "Hardnes", "Hardnes", "the column 'Hardnes' is not known. Say what it is with "
             "columns={'Hardnes': 'hardness'}, or leave it out with drop=['Hardnes']."],
            ["header", "Timestamp", "Timestamp", "the column 'Timestamp' is not known. Say what it is with "
             "columns={'Timestamp': ...}, or leave it out with drop=['Timestamp']."]]

    def test_a_sitting_is_a_session_and_no_position(self, read):
        found = read("Name,Sitting,Sample,payoff\nT01,1,417,7\n", columns={"Name": "tester", "Sample": "code"})
        assert self.left(found) == [["header", "Sitting", "Sitting", "the column 'Sitting' is not known. Say what it is with "
                                     "columns={'Sitting': 'session'}, or leave it out with drop=['Sitting']."]]

    def test_codes_in_a_column_of_pours_and_a_row_of_means(self, read):
        found = read("tester,Pour,payoff\nT01,417,7\nT02,,6.5\n")
        assert self.left(found) == [
            [2, "Pour", "417", "417 is no pour, but the code under which P01 was served. Say so with columns={'Pour': 'code'}."],
            [3, "Pour", "", "no pour and no code is named. Fill one in, or take the row out where it is no score, such as "
                                 "a mean."]]
        assert not self.left(read("tester,Pour,payoff\nT01,417,7\n", columns={"Pour": "code"}))

    @pytest.mark.parametrize("word", ["Mean", "average", "TOTAL"])
    def test_a_row_of_means_is_no_tester(self, read, word):
        found = read(f"tester,P01 payoff,P02 payoff\nT01,7,4\n{word},7,4\n")
        why = (f"tester '{word}' reads like no person, but what a spreadsheet makes of the scores. Take it out, or give the "
               "tester another name.")
        assert self.left(found) == [[3, "tester", word, why]] and set(found.scores["tester"]) == {"T01"}

    def test_a_pour_that_was_served_twice_needs_a_session(self, read, served):
        again = served.with_servings(pd.DataFrame([("2", "", "T01", "1", "600", "P01")], columns=list(servings())))
        found = read("tester,pour,payoff\nT01,P01,7\n", again)
        assert self.left(found) == [[2, "pour", "P01", "pour P01 was served to T01 in session 1 in position 1 and to T01 in "
                                                       "session 2 in position 1. Add a column that says which session is meant."]]
        assert read("tester,pour,session,payoff\nT01,P01,2,7\n", again).ready["session"].tolist() == ["2"]

    def test_a_pour_that_nobody_scored_is_pointed_out(self, read):
        found = read(truth()[lambda f: f["pour"] != "P03"])
        assert found.ready["pour"].nunique() == 3
        assert found.notes == ("nobody scored P03. Look for a ballot that is missing.",)


class TestLayoutRefused:
    @pytest.mark.parametrize("text, text_of_error", [
        ("tester,pour\nT01,P01\n", "form.csv has no column of scores. Name a column score or by an attribute (payoff or "
                                   "hardness), or say which it is with columns=."),
        ("", "form.csv is empty. Save the table anew, or name another file."),
        ("tester,P01,417\nT01,7,3\n", "form.csv does not say what is scored in the columns P01 and 417. Give "
         "constant={'attribute': 'payoff'} where it is payoff, or name columns such as 'P01 payoff'."),
        ("tester,P01\nT01,7\n", "form.csv does not say what is scored in the column P01. Give "
         "constant={'attribute': 'payoff'} where it is payoff, or name columns such as 'P01 payoff'."),
        ("tester,payoff\nT01,7\n", "form.csv has no column for the pour or its code. Say which it is with "
                                   "columns={'its name': 'code'}, or give constant={'code': ...}."),
        ("tester,P01 payoff,hardness\nT01,7,3\n", "form.csv has no column for the pour or its code. Say which it is with "
                                                 "columns={'its name': 'code'}, or give constant={'code': ...}."),
        ("tester,pour,score\nT01,P01,7\n", "form.csv has no column for the attribute. Say which it is with "
                                           "columns={'its name': 'attribute'}, or give constant={'attribute': ...}."),
        ("who,pour,payoff\nT01,P01,7\n", "form.csv has no column for the tester. Say which it is with "
                                         "columns={'its name': 'tester'}, or give constant={'tester': ...}."),
    ])
    def test_without_what_a_score_needs(self, read, text, text_of_error):
        with pytest.raises(ScoreError) as caught:
            read(text)
        assert str(caught.value) == text_of_error

    @pytest.mark.parametrize("stated, text", [
        ({"columns": {"Wer": "tester"}}, "columns names 'Wer', which form.csv does not have. Its columns are 'tester', 'pour' "
                                         "and 'payoff'."),
        ({"drop": "Wann"}, "drop names 'Wann', which form.csv does not have. Its columns are 'tester', 'pour' and 'payoff'."),
        ({"columns": {"payoff": "gloss"}}, "columns says that 'payoff' is 'gloss'. Choose 'tester', 'pour', 'code', "
         "'session', 'position', 'attribute', 'score', 'payoff' or 'hardness', or a pair of a pour or code and an attribute."),
        ({"columns": {"pour": "tester"}}, "form.csv: the columns 'tester' and 'pour' both are the tester. Put one of them "
                                          "into drop."),
        ({"constant": {"day": "1"}}, "constant names 'day'. Choose 'tester', 'pour', 'code', 'session', 'position' or "
                                     "'attribute'."),
        ({"constant": {"attribute": "payof"}},
         "constant: attribute 'payof' is not in trial.toml. Did you mean 'payoff'?"),
    ])
    def test_when_what_is_stated_means_nothing(self, read, stated, text):
        with pytest.raises(ScoreError) as caught:
            read("tester,pour,payoff\nT01,P01,7\n", **stated)
        assert str(caught.value) == text


class TestAppending:
    @pytest.fixture
    def folder(self, poured):
        labkit.append_servings(poured, servings())
        return poured

    def test_twice_adds_nothing(self, folder, tmp_path):
        path = tmp_path / "form.csv"
        a_row_a_sample().to_csv(path, index=False)
        labkit.append_scores(folder, labkit.read_scores(path, labkit.read_trial(folder)))
        before = (folder / "scores.csv").read_bytes()
        again = labkit.append_scores(folder, labkit.read_scores(path, labkit.read_trial(folder)))
        assert (folder / "scores.csv").read_bytes() == before and len(again.scores) == 24

    def test_the_same_scores_in_another_layout_add_nothing(self, folder, tmp_path):
        for table in (a_row_a_sample(), a_row_a_tester(), truth()):
            table.to_csv(tmp_path / "form.csv", index=False)
            trial = labkit.append_scores(folder, labkit.read_scores(tmp_path / "form.csv", labkit.read_trial(folder)))
            assert len(trial.scores) == 24

    def test_nothing_is_half_imported(self, folder, tmp_path):
        path = tmp_path / "form.csv"
        path.write_text("tester,code,payoff\nT01,417,7\nT01,999,6\n")
        before = (folder / "scores.csv").read_bytes()
        found = labkit.read_scores(path, labkit.read_trial(folder))
        for refusing in (lambda: labkit.append_scores(folder, found), lambda: labkit.read_trial(folder).with_scores(found)):
            with pytest.raises(ScoreError) as caught:
                refusing()
            assert str(caught.value) == (
                "form.csv: 1 cell not understood, the first in row 3, column 'code'. Nothing is imported; look at `left`, "
                "then mend the file or say more in read_scores.")
        assert (folder / "scores.csv").read_bytes() == before
        assert repr(found) == "<ScoreImport form.csv: 1 score, 1 not understood>"
        assert "1 score understood, 1 cell not." in str(found) and "<caption>Not understood</caption>" in found._repr_html_()


def said(tester, code="", **more):
    return Said(row=2, column="payoff", cell="7", tester=tester, code=code, columns={}, **more)


def test_ids_are_given_once_and_to_nobody_without_a_score(served):
    """Both codes were served to T01, who is Ana; of Cleo nothing was understood, and who gave nothing is like anybody."""
    codes = served.servings.loc[served.servings["tester"] == "T01", "code"].tolist()
    trial = served.with_scores(pd.DataFrame([{"pour": "P01", "tester": "T02", "attribute": "payoff", "score": 7}]))
    rows, people = [said("Ana", codes[0]), said("Bea", codes[1]), said("Cleo")], People.stated("ids", trial)
    people.meet(rows, {rows[0]: ("P01", "payoff", 7.0)})
    following = 1 + max(int(who[1:]) for who in {*trial.servings["tester"], *trial.scores["tester"]})
    assert people.given == {"Ana": "T01", "Bea": f"T{following:02d}", "Cleo": f"T{following + 1:02d}"}


def test_scores_of_ten_points_on_a_scale_from_one_to_five():
    scales = ScaleEnds.stated((0, 10), {"shine": Attribute(name="shine", low=1, high=5)}, file="form.csv")
    assert [scales.converted("shine", cell) for cell in ("0", "5", "10")] == [1.0, 3.0, 5.0]

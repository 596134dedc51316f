"""Scores as people have them: every layout gives the same rows, whatever the scale and the names of the testers."""
import datetime

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal
from store.forms import CODES, NOTHING_LEFT, a_row_a_sample, a_row_a_tester, sorted_rows, truth

import labkit
from labkit.errors import ScoreError, StoreError
from labkit.store import workbook


class TestLayouts:
    def test_a_row_a_score_with_pours(self, read):
        found = read(truth()[["tester", "pour", "attribute", "score"]])
        assert_frame_equal(found.scores, truth()), found.left
        assert found.left.empty and list(found.left) == NOTHING_LEFT and found.notes == ()

    def test_a_row_a_sample_with_codes_alone(self, read):
        """A code tells pour, tester, session and position."""
        assert_frame_equal(sorted_rows(read(a_row_a_sample()).ready), sorted_rows(truth()))

    def test_a_row_a_tester(self, read):
        assert_frame_equal(sorted_rows(read(a_row_a_tester()).ready), sorted_rows(truth()))

    def test_a_row_a_tester_with_codes_in_the_names_of_columns(self, read):
        said = truth().assign(code=lambda f: [CODES[key] for key in zip(f["tester"], f["pour"])])
        said["column"] = said["attribute"].str.upper() + "_" + said["code"]
        table = said.pivot(index="tester", columns="column", values="score").reset_index()
        assert_frame_equal(sorted_rows(read(table).ready), sorted_rows(truth()))

    def test_a_column_a_tester(self, read):
        table = truth().pivot(index=["pour", "attribute"], columns="tester", values="score").reset_index()
        assert_frame_equal(sorted_rows(read(table).ready), sorted_rows(truth()))

    def test_words_of_another_language_decimal_commas_semicolons_and_columns_to_drop(self, read):
        text = ("Zeitstempel;Wer;Probe;Deckkraft;Härte\n"
                "6.5. 19:02;T01;417;7,5;3\n6.5. 19:09;T01;552;;2,5\n")
        found = read(text, columns={"Wer": "tester", "Probe": "code", "Deckkraft": "payoff", "Härte": "hardness"},
                     drop=["Zeitstempel"])
        assert found.ready[["pour", "attribute", "score"]].to_numpy().tolist() == [
            ["P01", "payoff", 7.5], ["P01", "hardness", 3.0], ["P02", "hardness", 2.5]]

    def test_words_for_the_attributes_in_cells_and_for_single_columns(self, read):
        long = read("tester,pour,attribute,score\nT01,P01,Deckkraft,7\n", columns={"Deckkraft": "payoff"})
        wide = read("tester,Q3,Q4\nT01,7,2\n", columns={"Q3": ("417", "payoff"), "Q4": ("P02", "hardness")})
        assert long.ready["attribute"].tolist() == ["payoff"]
        assert wide.ready[["pour", "attribute", "score"]].to_numpy().tolist() == [
            ["P01", "payoff", 7.0], ["P02", "hardness", 2.0]]

    def test_what_no_column_says_is_stated(self, read):
        found = read("tester,pour,score\nT01,P01,7\n", constant={"attribute": "payoff", "session": "9"})
        assert found.ready.to_numpy().tolist() == [["P01", "T01", "9", "", "payoff", 7.0]]

    def test_a_column_a_pour_where_the_attribute_is_stated(self, read):
        found = read("tester,P01,P02\nT01,7,4\n", constant={"attribute": "payoff", "session": "9"})
        assert found.ready.to_numpy().tolist() == [["P01", "T01", "9", "", "payoff", 7.0],
                                                   ["P02", "T01", "9", "", "payoff", 4.0]]

    def test_only_what_was_said_is_told_to_be_converted(self, read):
        found = read("tester,pour,payoff\nT01,P01,3\n", constant={"session": "9"}, scale=(1, 5))
        assert found.notes[0] == "payoff was converted from 1..5 to 0..10."
        assert not any("hardness" in note for note in found.notes)

    def test_a_score_that_was_taken_back(self, served, tmp_path):
        """What append_scores takes is understood, what it passes over is told."""
        key = {"pour": "P01", "tester": "T01", "session": "1", "position": "1", "attribute": "payoff"}
        trial = served.with_scores(pd.DataFrame([key | {"score": 5}]))
        trial = trial.with_scores(pd.DataFrame([key | {"score": None, "corrects": "2", "reason": "of another pour"}]))
        for score, told, standing in ((6, (), [6.0]), (5, (
                "payoff of P01 by T01, session 1, position 1 was taken back, and 5 once more does not bring it back. Use "
                "correct_scores if it is to count.",), [])):
            path = tmp_path / "said.csv"
            path.write_text(f"tester,pour,session,position,payoff\nT01,P01,1,1,{score}\n")
            found = labkit.read_scores(path, trial)
            assert not len(found.left) and tuple(note for note in found.notes if "taken back" in note) == told
            assert trial.with_scores(found).standing_scores["score"].tolist() == standing

    def test_a_blank_cell_is_filled_by_what_is_stated(self, read):
        found = read("tester,pour,session,payoff\nT01,P01,,7\nT01,P02,1,6\n", constant={"session": "9"})
        assert found.ready["session"].tolist() == ["9", "1"]

    def test_capital_letters_make_no_other_attribute(self, read, stages):
        definition = (stages / "poured" / "trial.toml").read_text()
        trial = labkit.Trial.from_toml(definition.replace("[attributes.payoff]", "[attributes.Payoff]"))
        trial = trial.with_tables({name: frame for name, frame in labkit.read_trial(stages / "poured").tables.items() if len(frame)})
        assert read("tester,pour,PAYOFF\nT01,P01,7\n", trial).ready["attribute"].tolist() == ["Payoff"]

    def test_warm_up_is_passed_over(self, read):
        found = read("tester,code,payoff\nT01,W,5\nT01,417,6\n")
        assert found.ready["score"].tolist() == [6.0]
        assert found.notes[0] == "1 score of the warm-up W passed over."
        for other in ("tester,W payoff,417 payoff\nT01,5,6\n", "tester,pour,payoff\nT01,W,5\nT01,P01,6\n"):
            assert read(other).ready["score"].tolist() == [6.0] and read(other).notes[0] == found.notes[0]

    def test_other_spreadsheets(self, served, tmp_path):
        path = tmp_path / "form.csv"
        path.write_bytes("\ufeffTester\tCode\tPayoff\r\nT01\t417\t6,5\r\n".encode("utf-16-le"))
        assert labkit.read_scores(path, served).ready["score"].tolist() == [6.5]


class TestWorkbook:
    def book(self, path, rows, title="Sheet"):
        import openpyxl
        book = openpyxl.Workbook()
        book.active.title = title
        for row in rows:
            book.active.append(row)
        book.save(path)
        return path

    def test_is_read_like_a_csv(self, served, tmp_path):
        rows = [["When", "Tester", "Code", "Payoff"], [datetime.datetime(2031, 5, 6), "T01", 417, 7.5],
                [None, "T01", 552, 8], [None, None, None, None], [None, "T01", "291", None]]
        found = labkit.read_scores(self.book(tmp_path / "form.xlsx", rows, "May"), served, drop="When", sheet="May")
        assert found.ready[["pour", "score"]].to_numpy().tolist() == [["P01", 7.5], ["P02", 8.0]]

    def test_a_day_is_the_day_and_a_code_has_no_decimals(self, served, tmp_path):
        """A cell of a date holds a midnight too, and one of a number may hold 417.0."""
        rows = [["Session", "Tester", "Code", "Pour", "Payoff"], [datetime.datetime(2031, 5, 6), "T01", None, "P01", 7.5]]
        found = labkit.read_scores(self.book(tmp_path / "form.xlsx", rows), served)
        assert found.ready["session"].tolist() == ["2031-05-06"]
        assert [workbook._text(cell) for cell in (417.0, 7.5, 417, datetime.datetime(2031, 5, 6, 19, 2))] == [
            "417", "7.5", "417", "2031-05-06 19:02:00"]

    def test_refusals(self, served, tmp_path):
        path = self.book(tmp_path / "form.xlsx", [["Tester", "Code", "Payoff"], ["T01", 417, "=3+4"]])
        broken = tmp_path / "broken.xlsx"
        broken.write_bytes(b"no workbook")
        asked = [(path, {}, "form.xlsx cell C2 holds a formula that was never worked out. Open the file in a spreadsheet "
                            "and save it again."),
                 (path, {"sheet": "June"}, "form.xlsx has no sheet 'June'. Choose 'Sheet'."),
                 (broken, {}, "broken.xlsx cannot be read as a workbook. Open it in a spreadsheet and save it again.")]
        for place, stated, text in asked:
            with pytest.raises(StoreError) as caught:
                labkit.read_scores(place, served, **stated)
            assert str(caught.value) == text


    def test_what_merged_cells_show_and_do_not_hold_is_not_read_as_blank(self, served, tmp_path):
        """In an .xlsx file only the first of merged cells has a value (ECMA-376 part 1, 18.3.1.55, mergeCell)."""
        import openpyxl
        sessions = [["Session", "Tester", "Pour", "Payoff"], ["9", "T01", "P01", 5], [None, "T01", "P02", 6]]
        titled = [["Tasting in May", None], ["Code", "Payoff"], [417, 6]]
        asked = [(sessions, "A2:A3", (), "form.xlsx cells A2:A3 are merged, and only the first of them holds '9'. Unmerge "
                                         "them, and write into each what it is to say."),
                 (titled, "A1:B1", (), "form.xlsx cells A1:B1 are merged, and only the first of them holds 'Tasting in May'. "
                                       "Unmerge them, and let the first row hold the names of the columns."),
                 (sessions, "A2:A3", "Session", ""), (sessions, "F2:F3", (), "")]
        for rows, merged, drop, text in asked:
            path = self.book(tmp_path / "form.xlsx", rows)
            book = openpyxl.load_workbook(path)
            book.active.merge_cells(merged)
            book.save(path)
            if text:
                with pytest.raises(StoreError) as caught:
                    labkit.read_scores(path, served, drop=drop)
                assert str(caught.value) == text
            else:
                assert len(labkit.read_scores(path, served, drop=drop).scores) == 2

    def test_sheets_that_are_not_read_are_named(self, served, tmp_path):
        import openpyxl
        path = self.book(tmp_path / "form.xlsx", [["Code", "Payoff"], [417, 6]], "first")
        book = openpyxl.load_workbook(path)
        book.create_sheet("empty")
        book.create_sheet("second").append(["Code", "Payoff"])
        book.create_sheet("Notes", 0).append(["what for"])
        book.save(path)
        with pytest.raises(ScoreError) as caught:
            labkit.read_scores(path, served)
        assert str(caught.value) == ("form.xlsx, sheet 'Notes', has no column of scores. Name a column score or by an "
                                     "attribute (payoff or hardness), or say which it is with columns=.")
        assert not any("Sheet" in note for note in labkit.read_scores(path, served, sheet="first").notes)
        del book["Notes"]
        book.save(path)
        assert labkit.read_scores(path, served).notes[0] == "Sheet 'first' was read, and not 'second'."

    def test_a_sheet_that_is_a_chart_is_passed_over(self, served, tmp_path):
        import openpyxl
        from openpyxl.chart import BarChart, Reference
        path = self.book(tmp_path / "form.xlsx", [["Code", "Payoff"], [417, 6]])
        book = openpyxl.load_workbook(path)
        chart = BarChart()
        chart.add_data(Reference(book["Sheet"], min_col=2, min_row=1, max_row=2))
        book.create_chartsheet("Chart", 0).add_chart(chart)
        book.save(path)
        assert labkit.read_scores(path, served).ready["score"].tolist() == [6.0]


class TestScale:
    LOW = "tester,pour,payoff,hardness\nT01,P01,5,1\nT01,P02,4,2\nT02,P01,5,3\nT02,P02,3,1\n"

    def test_is_converted_in_a_straight_line(self, read):
        found = read(self.LOW, scale=(1, 5))
        assert found.ready["score"].tolist() == [10.0, 0.0, 7.5, 2.5, 10.0, 5.0, 5.0, 0.0]
        assert found.notes[:2] == ("payoff was converted from 1..5 to 0..10.", "hardness was converted from 1..5 to 0..10.")

    def test_may_run_the_other_way_and_differ_by_attribute(self, read):
        found = read(self.LOW, scale={"payoff": (5, 1), "hardness": (0, 10)})
        assert found.ready["score"].tolist() == [0.0, 1.0, 2.5, 2.0, 0.0, 3.0, 5.0, 1.0]

    def test_of_five_read_into_ten_without_a_word_is_refused(self, read):
        with pytest.raises(ScoreError) as caught:
            read(self.LOW)
        assert str(caught.value) == (
            "form.csv: all 8 scores of payoff and hardness are whole numbers from 1 to 5, but the trial's scale runs from "
            "0 to 10. Give scale=(1, 5) if that is the scale of the ballots, or scale=(0, 10) if the scores are meant as "
            "they stand.")

    def test_is_taken_as_it_stands_when_that_is_said(self, read):
        found = read(self.LOW, scale=(0, 10))
        assert found.ready["score"].tolist() == [5, 1, 4, 2, 5, 3, 3, 1] and not any("converted" in n for n in found.notes)

    def test_out_of_range_is_left(self, read):
        plain, stated = read("tester,pour,payoff\nT01,P01,75\n"), read("tester,pour,payoff\nT01,P01,6\n", scale=(1, 5))
        assert plain.left.iloc[0].tolist() == [2, "payoff", "75", (
            "payoff is 75; scores run from 0 to 10. Give scale=(low, high) if the file has another scale, or leave the "
            "cell empty.")]
        assert stated.left.iloc[0]["why"] == (
            "payoff is 6; scores run from 1 to 5. Correct it, or leave the cell empty if it was not judged.")

    @pytest.mark.parametrize("scale, text", [
        ((3, 3), "scale is (3, 3). Give the two ends of the file's scale, such as (1, 5)."),
        (5, "scale is 5. Give the two ends of the file's scale, such as (1, 5)."),
        ({"gloss": (1, 5)}, "scale names 'gloss', which is not in trial.toml. Choose 'payoff' or 'hardness'."),
    ])
    def test_that_means_nothing_is_refused(self, read, scale, text):
        with pytest.raises(ScoreError) as caught:
            read(self.LOW, scale=scale)
        assert str(caught.value) == text


class TestPeople:
    FORM = "Name,code,payoff\nAna,417,7\nAna,552,3\nBo,613,6\n"

    def test_names_are_replaced_by_stated_ids(self, read):
        found = read(self.FORM, columns={"Name": "tester"}, testers={"Ana": "T01", "Bo": "T02"})
        assert found.ready["tester"].tolist() == ["T01", "T01", "T02"]
        assert "Ana" not in str(found) and found.testers == {"Ana": "T01", "Bo": "T02"}

    def test_ids_on_request_are_those_of_the_codes(self, read):
        found = read(self.FORM, columns={"Name": "tester"}, testers="ids")
        assert found.testers == {"Ana": "T01", "Bo": "T02"} and found.ready["tester"].tolist() == ["T01", "T01", "T02"]

    def test_ids_on_request_are_found_again_or_new(self, read, stages):
        trial = labkit.read_trial(stages / "poured")
        form = "tester,pour,payoff\nAna,P01,7\nBo,P01,6\n"
        first = read(form, trial, testers="ids")
        again = read(form, trial.with_scores(first), testers="ids")
        more = read("tester,pour,payoff\nCy,P01,9\n", trial.with_scores(first), testers="ids")
        assert first.testers == again.testers == {"Ana": "T01", "Bo": "T02"} and more.testers == {"Cy": "T03"}

    def test_a_name_without_an_id_is_left(self, read):
        found = read(self.FORM, columns={"Name": "tester"}, testers={"Ana": "T01"})
        assert found.left.to_numpy().tolist() == [[4, "Name", "Bo", "tester 'Bo' has no id. Add it to testers={'Bo': ...}."]]

    def test_two_testers_of_one_name_in_different_case(self, read, served):
        found = read("tester,pour,payoff\nAna,P01,7\nana,P02,6\nt01,P03,6\n")
        words = "Spell one person in one way, and give two people two names."
        assert found.left.to_numpy().tolist() == [
            [3, "tester", "ana", f"tester 'ana' differs from 'Ana' only in capital letters. {words}"],
            [4, "tester", "t01", f"tester 't01' differs from 'T01' only in capital letters. {words}"]]

    def test_a_tester_with_one_score_is_pointed_out(self, read):
        found = read("tester,code,payoff\nT01,417,7\nT01,552,6\nT02,613,6\n")
        assert found.notes[0] == ("tester T02 has one score (payoff of P01): nobody can tell from one score how T02 uses "
                                  "the scale.")

    def test_anything_else_is_refused(self, read):
        with pytest.raises(ScoreError) as caught:
            read(self.FORM, testers="codes")
        assert str(caught.value) == "testers is 'codes'. Give ids by name, such as {'Ana': 'T01'}, or 'ids'."

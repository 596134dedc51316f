"""The forms at the level of widgets: what is typed, what is said beside the boxes, what lies on disk afterwards."""
import re

import pandas as pd
import pytest

from labkit.errors import PourError, ScoreError
from labkit.forms import pours_form, scores_form
from labkit.forms.grid import Column
from labkit.store import append_scores, append_servings, read_trial


def type_in(form, grid, row, **texts):
    for name, text in texts.items():
        column = next(c for c in form.grids[grid].columns if c.split(" [")[0].replace(" ", "_") == name)
        form.grids[grid].boxes[row, column].value = text


def beside(form, grid, row, column):
    return re.sub("<[^>]+>", "", form.grids[grid].marks[row, column].value)


def said(form):
    return re.sub("<[^>]+>", "", form.said.value)


def files(folder):
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


class TestScores:
    def test_every_box_is_blank_and_stays_text(self, poured):
        form = scores_form(poured, tester="T01", session="1")
        assert {box.value for box in form.grids["scores"].boxes.values()} == {""}
        assert {type(box).__name__ for box in form.grids["scores"].boxes.values()} == {"Text"}

    def test_comma_point_and_blank(self, poured):
        form = scores_form(poured, tester="T01", session="1")
        type_in(form, "scores", "P01", payoff="7,5", hardness=" 3.5 ")
        type_in(form, "scores", "P02", payoff="0")
        form.button.click()
        scores = read_trial(poured).scores.set_index(["pour", "attribute"])["score"]
        assert scores.to_dict() == {("P01", "payoff"): 7.5, ("P01", "hardness"): 3.5, ("P02", "payoff"): 0.0}
        assert said(form) == "Saved 3 scores."

    @pytest.mark.parametrize("text, message", [
        ("75", "P01: payoff is 75; it runs from 0 to 10. Leave the box empty if it was not judged."),
        ("-1", "P01: payoff is -1; it runs from 0 to 10. Leave the box empty if it was not judged."),
        ("7-8", "P01: payoff is &#x27;7-8&#x27;, which is not a number. Write digits with one comma or point, and no "
                "unit."),
    ])
    def test_what_cannot_be_a_score_is_said_beside_the_box_and_nothing_is_saved(self, poured, text, message):
        before = files(poured)
        form = scores_form(poured, tester="T01", session="1")
        type_in(form, "scores", "P01", payoff=text)
        type_in(form, "scores", "P02", payoff="5")
        form.button.click()
        assert beside(form, "scores", "P01", "payoff") == message
        assert said(form) == "Nothing was saved. Mend the boxes that have a message."
        assert files(poured) == before
        type_in(form, "scores", "P01", payoff="7.5")
        form.button.click()
        assert said(form) == "Saved 2 scores." and beside(form, "scores", "P01", "payoff") == ""

    def test_what_is_saved_comes_back_and_is_not_saved_twice(self, poured):
        form = scores_form(poured, tester="T01", session="1")
        type_in(form, "scores", "P01", payoff="7,5")
        form.button.click()
        again = scores_form(poured, tester="T01", session="1")
        assert again.grids["scores"].boxes["P01", "payoff"].value == "7.5"
        again.button.click()
        assert said(again) == "Nothing new: all of this is saved already."
        assert len(read_trial(poured).scores) == 1

    def test_a_score_of_many_digits_that_nobody_touches_is_no_change(self, poured):
        append_scores(poured, pd.DataFrame(
            [{"pour": "P01", "tester": "T01", "session": "1", "attribute": "payoff", "score": 20 / 3}]))
        form = scores_form(poured, tester="T01", session="1")
        form.button.click()
        assert said(form) == "Nothing new: all of this is saved already."

    def test_a_change_needs_a_reason_and_is_a_correction(self, poured):
        form = scores_form(poured, tester="T01", session="1")
        type_in(form, "scores", "P01", payoff="7,5", hardness="2")
        form.button.click()
        before = files(poured)
        type_in(form, "scores", "P01", payoff="5,5", hardness="")
        form.button.click()
        assert files(poured) == before
        assert beside(form, "scores", "P01", "payoff") == (
            "P01: payoff is saved as 7.5. To change it, give a reason below.")
        assert said(form) == ("Nothing was saved. Give a reason for what differs from what is saved, or put it back.")
        form.reason.value = "read the wrong line"
        form.button.click()
        trial = read_trial(poured)
        assert said(form) == "Corrected 2 scores."
        assert trial.standing_scores[["attribute", "score"]].values.tolist() == [["payoff", 5.5]]
        assert set(trial.scores["reason"]) == {"", "read the wrong line"}

    def test_a_pour_that_was_served_blind_shows_its_code_only(self, poured):
        import pandas as pd
        served = pd.DataFrame({"session": "1", "tester": "T01", "position": ["2", "1"], "code": ["431", "077"],
                               "pour": ["P01", "P02"]})
        append_servings(poured, served)
        form = scores_form(poured, tester="T01", session="1")
        assert [row for row, column in form.grids["scores"].boxes if column == "payoff"] == ["077", "431"]
        type_in(form, "scores", "077", payoff="6")
        form.button.click()
        row, = read_trial(poured).scores.to_dict("records")
        assert (row["pour"], row["position"], row["score"]) == ("P02", "1", 6.0)

    @pytest.mark.parametrize("nobody", [None, "", " ", ["T01", "T02"]])
    def test_scores_of_nobody_are_not_taken(self, poured, nobody):
        for name in ("tester", "session"):
            with pytest.raises(ScoreError) as caught:
                scores_form(poured, **({"tester": "T01", "session": "1"} | {name: nobody}))
            assert str(caught.value) == (f"{name} is {nobody!r}. Say whose scores these are, and of which sitting, such as "
                                         "tester='T01', session='1'.")

    def test_a_pour_that_is_not_recorded_cannot_be_scored(self, planned):
        with pytest.raises(ScoreError) as caught:
            scores_form(planned, tester="T01", session="1", pours=["P01"])
        assert str(caught.value) == ("P01 cannot be scored: not in pours.csv. Record what was poured first, or name "
                                     "other pours.")

    def test_a_pour_in_another_spelling_is_recognised(self, poured):
        with pytest.raises(ScoreError) as caught:
            scores_form(poured, tester="T01", session="1", pours=["P1"])
        assert str(caught.value) == "P1 cannot be scored: not in pours.csv. Did you mean 'P01'?"


class TestPours:
    def fill(self, form):
        type_in(form, "melts", "M01", candelilla_wax="4,11", mango_butter="12.9", jojoba_oil="22")
        type_in(form, "pours", "P01", base="19,21", red_paste="0.79", pour_temperature="69", outcome="ok")

    def test_melt_and_pour_are_saved_and_an_empty_row_was_not_made(self, planned):
        form = pours_form(planned)
        form.date.value = "2025-03-08"
        self.fill(form)
        form.button.click()
        trial = read_trial(planned)
        assert said(form) == "Saved 1 melt and saved 1 pour."
        assert trial.melts.iloc[0].tolist() == ["M01", "2025-03-08", 4.11, 12.9, 22.0, "", "", ""]
        row, = trial.pours.to_dict("records")
        assert (row["pour"], row["melt"], row["base [g]"], row["red paste [g]"], row["pour_temperature"],
                row["outcome"], row["date"]) == ("P01", "M01", 19.21, 0.79, 69.0, "ok", "2025-03-08")

    def test_what_was_meant_stands_beside_the_box_and_not_in_it(self, planned):
        form = pours_form(planned)
        assert {box.value for grid in form.grids.values() for box in grid.boxes.values()} == {""}
        shown = [part.value for cell in form.grids["pours"].widget.children if hasattr(cell, "children")
                 for part in cell.children if hasattr(part, "value")]
        meant = read_trial(planned).plan.set_index("pour").at["P01", "red paste [g]"]
        assert any(f"meant {meant:.2f}" in text for text in shown)

    def test_a_weight_that_was_meant_and_is_empty_is_asked_for(self, planned):
        before = files(planned)
        form = pours_form(planned)
        self.fill(form)
        type_in(form, "pours", "P01", red_paste="", outcome="")
        form.button.click()
        assert files(planned) == before
        assert beside(form, "pours", "P01", "red paste [g]") == (
            "P01: red paste [g] is empty. Write what it was, or none.")
        assert beside(form, "pours", "P01", "outcome") == "P01: outcome is empty. Write ok, or failed and why."
        type_in(form, "pours", "P01", red_paste="none", outcome="ok")
        form.button.click()
        assert said(form) == "Saved 1 melt and saved 1 pour."
        assert read_trial(planned).pours["red paste [g]"].tolist() == [0.0]
        assert pours_form(planned).grids["pours"].boxes["P01", "red paste [g]"].value == "none"
        form.button.click()
        assert said(form) == "Nothing new: all of this is saved already."

    def test_a_weight_that_a_failed_pour_lacks_does_not_come_back_as_none(self, planned):
        form = pours_form(planned)
        self.fill(form)
        type_in(form, "pours", "P02", outcome="failed: the tube leaked")
        form.button.click()
        again = pours_form(planned)
        assert again.grids["pours"].boxes["P02", "red paste [g]"].value == ""
        again.button.click()
        assert said(again) == "Nothing new: all of this is saved already."

    @pytest.mark.parametrize("text, message", [
        ("0,79 g", "P01: red paste [g] is &#x27;0,79 g&#x27;, which is not a number. Write digits with one comma or "
                   "point, and no unit."),
        ("-0.79", "P01: red paste [g] is -0.79; the least is 0. Weigh again."),
    ])
    def test_what_cannot_be_a_weight_is_said_beside_the_box(self, planned, text, message):
        before = files(planned)
        form = pours_form(planned)
        self.fill(form)
        type_in(form, "pours", "P01", red_paste=text)
        form.button.click()
        assert beside(form, "pours", "P01", "red paste [g]") == message and files(planned) == before

    def test_a_failed_pour_may_hold_nothing(self, planned):
        form = pours_form(planned)
        self.fill(form)
        type_in(form, "pours", "P02", base="none", red_paste="none", outcome="failed: the melt was spilt")
        form.button.click()
        assert said(form) == "Saved 1 melt and saved 2 pours."
        assert read_trial(planned).left_out == {
            "P02": "pour P02 was not weighed. Its outcome is failed: the melt was spilt."}

    def test_a_failed_pour_may_lack_weights(self, planned):
        form = pours_form(planned)
        self.fill(form)
        type_in(form, "pours", "P02", outcome="failed: the tube leaked")
        form.button.click()
        assert said(form) == "Saved 1 melt and saved 2 pours." and read_trial(planned).failed == ("P02",)

    def test_a_change_needs_a_reason_and_is_a_correction(self, poured):
        form = pours_form(poured)
        form.button.click()
        assert said(form) == "Nothing new: all of this is saved already."
        type_in(form, "pours", "P02", red_paste="1.5")
        form.button.click()
        assert said(form) == ("Nothing was saved. P02 is saved with other values. To change it, give a reason; "
                              "otherwise put the boxes back.")
        form.reason.value = "the balance had not settled"
        form.button.click()
        trial = read_trial(poured)
        assert said(form) == "Corrected 1 pour." and len(trial.pours) == 3
        assert trial.pours.iloc[-1]["red paste [g]"] == 1.5

    def test_what_the_trial_refuses_is_said_and_nothing_is_saved(self, planned):
        before = files(planned)
        form = pours_form(planned)
        self.fill(form)
        type_in(form, "pours", "P01", red_paste="0")
        form.button.click()
        assert files(planned) == before
        assert said(form) == ("Nothing was saved. pours row P01: red paste [g] is 0, but 2.00 g were planned. Weigh "
                              "again, or write none if none was added.")

    def test_a_round_that_is_not_planned(self, planned):
        with pytest.raises(PourError) as caught:
            pours_form(planned, number=2)
        assert str(caught.value) == ("round 2 is not planned; plan.csv has rounds 1. Plan a round and append it "
                                     "first.")


def test_a_round_of_the_demo_is_no_wider_than_a_notebook_beside_the_list_of_files(demo_copy):
    """1000 of the 1400 pixels of the window in the browser test: the rest is the list of files and the margins."""
    for grid in pours_form(demo_copy).grids.values():
        assert 90 + sum(int(column.width.removesuffix("px")) + 14 for column in grid.columns.values()) <= 1000


def test_words_in_a_box_are_kept_as_they_are():
    assert Column(name="note", words=True).value_of("  1,2 ", row="P01") == "1,2"


def test_each_form_shows_the_cautions_of_its_place(poured):
    shown = {part.value for part in pours_form(poured).widget.children if type(part).__name__ == "HTML"}
    assert any("Melt in a water bath" in text and "Do not breathe it" in text for text in shown)
    shown = {part.value for part in scores_form(poured, tester="T01", session="1").widget.children
             if type(part).__name__ == "HTML"}
    assert any("Ask about allergies" in text and "Single-use applicators" in text for text in shown)

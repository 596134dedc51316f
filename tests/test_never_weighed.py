"""A pour that failed before anything was weighed: recorded by every way in, left out of the surfaces, and told."""
import re

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from invented import poured as played
from recorded import MELTS, POURS, planned_trial

import labkit
from labkit.__main__ import main
from labkit.errors import PourError
from labkit.forms import pours_form
from labkit.store import read_table

SPILT = "failed: the pot boiled over"
UNWEIGHED = f"pour P03 was not weighed. Its outcome is {SPILT}."
WEIGHTS = [c for c in POURS if c.endswith(" [g]")]


@pytest.fixture
def planned():
    return planned_trial().with_melts(MELTS)


@pytest.fixture
def folder(demo_copy):
    """The demo with a fourth round of four pours in two melts, M07 weighed and M08 not."""
    round_ = labkit.plan_round(labkit.read_trial(demo_copy), pours=4, melts=2, seed=1)
    labkit.append_round(demo_copy, round_)
    labkit.append_melts(demo_copy, round_.melt_sheet(0.1).drop(columns="pours").iloc[:1])
    return demo_copy


def spilt(frame, weight=""):
    """The frame with P03 failed, each of its weights as given, its setting empty."""
    frame, here = frame.astype(object), frame["pour"] == "P03"
    frame.loc[here, WEIGHTS] = weight
    frame.loc[here, "pour_temperature"] = None
    frame.loc[here, "outcome"] = SPILT
    return frame


class TestInMemory:
    @pytest.mark.parametrize("weight", ["", None, float("nan"), "none", 0, "0,00"])
    def test_a_frame_may_leave_all_weights_empty_or_say_that_there_were_none(self, planned, weight):
        trial = planned.with_pours(spilt(POURS, weight))
        assert trial.left_out == {"P03": UNWEIGHED} and trial.failed == ("P03", "P04") and trial.doubts == ()
        assert list(trial.made.index) == ["P01", "P02", "P04"]
        again = trial.with_pours(spilt(POURS, weight)).with_pours(trial.pours)
        pd.testing.assert_frame_equal(again.pours, trial.pours)

    def test_its_melt_need_not_be_weighed_either(self):
        trial = planned_trial().with_melts(MELTS.iloc[:1])
        lost = pd.DataFrame({"pour": ["P03", "P04"], "melt": "M02", "outcome": SPILT})
        assert trial.with_pours(lost).left_out == {"P03": UNWEIGHED, "P04": UNWEIGHED.replace("P03", "P04")}

    def test_a_melt_in_which_nothing_was_weighed_is_no_row(self):
        with pytest.raises(PourError) as problem:
            planned_trial().with_melts(pd.DataFrame([{"melt": "M02", "note": "boiled over"}], index=[3]))
        assert str(problem.value) == (
            "melts row 3: nothing was weighed into melt M02. Write the grams of each ingredient in the pot, or leave "
            "the row out and record its pours as failed, and why.")

    def test_colour_alone_may_have_been_weighed(self, planned):
        rows = spilt(POURS)
        rows.loc[4, "red paste [g]"] = 0.72
        trial = planned.with_pours(rows)
        assert trial.pours.set_index("pour").loc["P03", "red paste [g]"] == 0.72
        assert trial.left_out == {"P03": "candelilla wax [g] of pour P03 is empty, but 3.72 g were planned. "
                                         "Write what was weighed, or none if none was added."}

    @pytest.mark.parametrize(("base", "outcome", "told"), [
        ("none", "ok", "base [g] is none. Leave the cell empty if the pour had a pot of its own."),
        (0, "ok", "base [g] is 0. Weigh again, or leave the cell empty if the pour had a pot of its own."),
        (0, SPILT, "base [g] is 0. Weigh again, or leave the cell empty if none was drawn."),
    ])
    def test_no_base_beside_colour(self, planned, base, outcome, told):
        with pytest.raises(PourError) as problem:
            planned.with_pours(POURS.astype(object).assign(**{"base [g]": base, "outcome": outcome}).iloc[2:3])
        assert str(problem.value) == f"pours row 4: {told}"

    def test_without_a_pot_and_without_a_plan(self, planned):
        lost = pd.DataFrame([{"pour": "X-01", "outcome": "failed"}])
        assert planned.with_pours(lost).left_out == {"X-01": "pour X-01 was not weighed. Its outcome is failed."}
        trial = labkit.Trial.from_toml(HAZEL)
        trial = trial.with_round(labkit.plan_round(trial, pours=3, seed=1))
        made = trial.with_pours(pd.DataFrame([{"pour": "P02", "outcome": SPILT}]))
        assert made.left_out == {"P02": UNWEIGHED.replace("P03", "P02")}


class TestOnDisk:
    def test_a_table_that_was_read_a_file_and_a_frame_say_the_same(self, folder, tmp_path):
        labkit.append_pours(folder, pd.DataFrame([{"pour": "P13", "melt": "M07", "outcome": SPILT}]))
        line = (folder / "pours.csv").read_text().splitlines()[-1]
        assert line == f"P13,M07,,,,,,,,,,{SPILT},,,,"
        sheet = tmp_path / "evening.csv"
        sheet.write_text(f"pour;melt;base [g];red paste [g];outcome\nP15;M08;;;{SPILT}\n")
        labkit.append_pours(folder, read_table(sheet))
        labkit.append_pours(folder, pd.read_csv(sheet, sep=";"))
        with open(folder / "pours.csv", "a", encoding="utf-8") as file:
            file.write(line.replace("P13,M07,,,", "P16,M08,,none,") + "\n")
        trial = labkit.read_trial(folder)
        assert trial.left_out == {pour: UNWEIGHED.replace("P03", pour) for pour in ("P13", "P15", "P16")}
        assert len(trial.standing_scores) == 263 and trial.doubts == ()

    def test_the_command_line_counts_it_and_says_where_it_stands(self, folder, capsys):
        labkit.append_pours(folder, pd.DataFrame([{"pour": "P13", "melt": "M07", "outcome": SPILT}]))
        assert main(["check", str(folder)]) == 0
        shown = capsys.readouterr().out.splitlines()
        assert "Terracotta stick: 13 pours (2 failed) in 4 rounds, 263 scores by 6 testers." in shown
        assert f"Left out: pours.csv row 14: {UNWEIGHED.replace('P03', 'P13')}" in shown
        assert "Planned and not recorded as poured: P14, P15 and P16." in shown

    def test_poured_after_all_it_is_a_correction_and_back_again(self, folder):
        labkit.append_pours(folder, pd.DataFrame([{"pour": "P13", "melt": "M07", "outcome": SPILT}]))
        plan = labkit.read_trial(folder).plan.set_index("pour").loc["P13"]
        pot = [f"{name} [g]" for name in labkit.read_trial(folder).recipe.pot]
        weighed = {"pour": "P13", "base [g]": plan[pot].sum(), "red paste [g]": plan["red paste [g]"],
                   "yellow paste [g]": plan["yellow paste [g]"], "pour_temperature": 75, "outcome": "ok"}
        trial = labkit.correct_pours(folder, pd.DataFrame([weighed]), reason="melted again")
        assert not trial.left_out and bool(trial.made.at["P13", "ok"])
        blank = {c: "" for c in weighed if c.endswith("[g]")}
        trial = labkit.correct_pours(folder, pd.DataFrame([{"pour": "P13", **blank, "outcome": SPILT}]), reason="P14 it was")
        assert list(trial.left_out) == ["P13"] and list(labkit.read_trial(folder).left_out) == ["P13"]


class TestInTheForm:
    def said(self, form):
        return re.sub("<[^>]+>", "", form.said.value)

    @pytest.mark.parametrize("none", ["", "none", "0"])
    def test_an_outcome_alone_is_enough_and_comes_back_as_it_was(self, folder, none):
        form = pours_form(folder)
        for column in ("base [g]", "red paste [g]", "yellow paste [g]"):
            form.grids["pours"].boxes["P15", column].value = none
        form.grids["pours"].boxes["P15", "outcome"].value = SPILT
        form.button.click()
        assert self.said(form) == "Saved 1 pour."
        assert labkit.read_trial(folder).left_out == {"P15": UNWEIGHED.replace("P03", "P15")}
        again = pours_form(folder)
        shown = {column: box.value for (row, column), box in again.grids["pours"].boxes.items() if row == "P15" and box.value}
        assert shown.pop("outcome") == SPILT
        assert shown == ({"red paste [g]": "none", "yellow paste [g]": "none"} if none else {})
        again.button.click()
        assert self.said(again) == "Nothing new: all of this is saved already."


class TestWhatIsLearned:
    def test_it_teaches_nothing_of_its_scores_and_the_reports_say_so(self):
        trial = planned_trial().with_melts(MELTS).with_pours(spilt(POURS))
        rows = [(pour, tester, "payoff", 4 + k) for k, pour in enumerate(["P01", "P02"]) for tester in ("T01", "T02")]
        trial = trial.with_scores(pd.DataFrame(rows, columns=["pour", "tester", "attribute", "score"]))
        without = planned_trial().with_melts(MELTS).with_pours(POURS.drop(index=4)).with_scores(trial.scores)
        here, there = (labkit.fit_surfaces(one)["payoff"].predict(one.plan[list(one.recipe.coordinates)])
                       for one in (trial, without))
        np.testing.assert_allclose(here, there, rtol=1e-9)
        shown = " ".join(str(labkit.fit_failing(trial)).split())
        assert ("Pours with more wax failed: 2 of 2 over wax 0.16, 0 of 2 under it. Not weighed, or not in full, and "
                "counted as planned: P03.") in shown
        assert "counted as planned" not in str(labkit.fit_failing(without))

    def test_it_can_be_made_again_as_it_was_planned(self):
        trial = planned_trial().with_melts(MELTS).with_pours(spilt(POURS))
        found = labkit.plan_round(trial, pours=3, melts=2, seed=1, control="P03")
        name = next(note.split()[0] for note in found.notes if note.endswith("is P03 made again, as a control."))
        plan = trial.plan.set_index("pour")[list(trial.recipe.coordinates)]
        np.testing.assert_allclose(found.frame.set_index("pour").loc[name, plan.columns].astype(float), plan.loc["P03"].astype(float),
                                   atol=2e-3)

    def test_a_round_of_which_nothing_came_leaves_the_advice_as_it_was(self):
        trial = played(TERRACOTTA, rounds=1)
        round_ = labkit.plan_round(trial, pours=3, melts=1, seed=1)
        lost = pd.DataFrame({"pour": round_.pours, "melt": round_.frame["melt"], "outcome": SPILT})
        after = trial.with_round(round_).with_pours(lost)
        assert set(after.left_out) == set(round_.pours) and list(after.made.index) == list(trial.made.index)
        assert f"Failed and therefore not counted: {', '.join(round_.pours[:2])} and {round_.pours[2]}." in (
            labkit.plan_round(after, pours=2, melts=1, seed=1).notes)

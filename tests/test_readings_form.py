"""The form for readings at the level of widgets: places, what is said beside the boxes, what lies on disk afterwards."""
import pandas as pd
import pytest
from definitions import NEEDLE
from test_forms import beside, files, said

import labkit
from labkit.errors import LabkitError, PourError
from labkit.forms import readings_form


@pytest.fixture
def folder(poured):
    with open(poured / "trial.toml", "a", encoding="utf-8") as toml:
        toml.write(NEEDLE)
    return poured


def type_in(form, pour, **texts):
    for column, text in texts.items():
        form.grids["readings"].boxes[pour, column.replace("_", " ").replace("drop ", "drop_")].value = text


def shown(form):
    return {cell: box.value for cell, box in form.grids["readings"].boxes.items() if box.value}


def reading(pour, value, repeat=""):
    return {"pour": pour, "method": "needle depth", "direction": "up", "value": value, "unit": "mm", "repeat": repeat}


def test_a_place_for_each_reading_as_on_the_bench_sheet(folder):
    form = readings_form(folder)
    columns = list(form.grids["readings"].columns.values())
    assert [c.name for c in columns] == ["softness 1", "softness 2", "softness 3", "drop_point 1", "drop_point 2", "drop_point 3"]
    assert columns[0].under == "needle depth, 0 … 20 mm" and columns[3].under == "drop point, 40 … 90 °C"
    assert {pour for pour, _ in form.grids["readings"].boxes} == {"P01", "P02"} and shown(form) == {}


def test_what_is_typed_is_saved_comes_back_and_is_not_saved_twice(folder):
    form = readings_form(folder)
    type_in(form, "P01", softness_1="6,1", softness_2=" 6.4 ", drop_point_1="62")
    type_in(form, "P02", softness_2="7")
    form.button.click()
    assert said(form) == "Saved 4 readings."
    assert (folder / "readings.csv").read_text().splitlines()[1:] == [
        "P01,needle depth,up,6.1,mm,1,,", "P01,needle depth,up,6.4,mm,2,,", "P01,drop point,up,62,degC,1,,",
        "P02,needle depth,up,7,mm,2,,"]
    again = readings_form(folder)
    assert shown(again) == {("P01", "softness 1"): "6.1", ("P01", "softness 2"): "6.4", ("P01", "drop_point 1"): "62",
                            ("P02", "softness 2"): "7"}
    before = files(folder)
    again.button.click()
    assert said(again) == "Nothing new: all of this is saved already." and files(folder) == before


@pytest.mark.parametrize(("text", "message"), [
    ("61", "P01: softness 1 is 61; it runs from 0 to 20. Read again, or widen the scale in trial.toml if the value is true."),
    ("6 mm", "P01: softness 1 is &#x27;6 mm&#x27;, which is not a number. Write digits with one comma or point, and no unit."),
])
def test_what_cannot_be_read_is_said_beside_the_box_and_nothing_is_saved(folder, text, message):
    before, form = files(folder), readings_form(folder)
    type_in(form, "P01", softness_1=text, softness_2="6")
    form.button.click()
    assert beside(form, "readings", "P01", "softness 1") == message
    assert said(form) == "Nothing was saved. Mend the boxes that have a message." and files(folder) == before


def test_a_change_needs_a_reason_and_so_does_an_empty_box(folder):
    labkit.append_readings(folder, pd.DataFrame([reading("P01", 6), reading("P01", 7, "2")]))
    before, form = files(folder), readings_form(folder)
    type_in(form, "P01", softness_1="")
    form.button.click()
    assert beside(form, "readings", "P01", "softness 1") == (
        "P01: softness 1 is saved as 6. To change it, give a reason below.")
    assert said(form) == "Nothing was saved. Give a reason for what differs from what is saved, or put it back."
    type_in(form, "P01", softness_1="5")
    form.button.click()
    assert beside(form, "readings", "P01", "softness 1") == "P01: softness 1 is saved as 6. To change it, give a reason below."
    assert said(form) == "Nothing was saved. Give a reason for what differs from what is saved, or put it back."
    assert files(folder) == before
    form.reason.value = "read upside down"
    type_in(form, "P02", softness_1="8")
    form.button.click()
    assert said(form) == "Saved 1 reading and corrected 1 reading."
    trial = labkit.read_trial(folder)
    assert trial.readings["corrects"].tolist() == ["", "", "2", ""] and trial.readings["repeat"].tolist() == ["", "2", "", "1"]
    assert sorted(trial.standing_readings["value"]) == [5, 7, 8]


def test_an_empty_box_takes_back_for_a_reason_and_what_was_taken_back_returns_for_one(folder):
    labkit.append_readings(folder, pd.DataFrame([reading("P01", 6), reading("P01", 7, "2")]))
    form = readings_form(folder)
    type_in(form, "P01", softness_1="")
    form.reason.value = "read of another pour"
    form.button.click()
    assert said(form) == "Corrected 1 reading."
    assert labkit.read_trial(folder).standing_readings["value"].tolist() == [7]
    form, before = readings_form(folder), files(folder)
    assert shown(form) == {("P01", "softness 2"): "7"}
    type_in(form, "P01", softness_1="6")
    form.button.click()
    assert beside(form, "readings", "P01", "softness 1") == "P01: softness 1 was taken back. To change it, give a reason below."
    assert files(folder) == before
    form.reason.value = "it was this pour"
    form.button.click()
    assert said(form) == "Corrected 1 reading."
    assert sorted(labkit.read_trial(folder).standing_readings["value"]) == [6, 7]
    assert (folder / "readings.csv").read_text().splitlines()[-1] == "P01,needle depth,up,6,mm,,2,it was this pour"


def test_a_value_of_many_digits_that_nobody_touches_is_no_change(folder):
    labkit.append_readings(folder, pd.DataFrame([reading("P01", 20 / 3)]))
    form = readings_form(folder)
    assert shown(form) == {("P01", "softness 1"): "6.666666666666667"}
    form.button.click()
    assert said(form) == "Nothing new: all of this is saved already."


def test_readings_with_other_marks_have_their_places_too(folder):
    labkit.append_readings(folder, pd.DataFrame(
        [reading("P01", 1, "left"), reading("P01", 2, "2"), reading("P01", 3, "right"), reading("P01", 4, "5"),
         reading("P02", 9)]))
    form = readings_form(folder)
    assert shown(form) == {("P01", "softness 1"): "1", ("P01", "softness 2"): "2", ("P01", "softness 3"): "3",
                           ("P01", "softness 5"): "4", ("P02", "softness 1"): "9"}
    type_in(form, "P01", softness_4="6")
    form.button.click()
    assert said(form) == "Saved 1 reading." and labkit.read_trial(folder).readings["repeat"].iloc[-1] == "4"


def test_pours_that_failed_have_no_row_but_those_that_are_named_have(folder):
    labkit.correct_pours(folder, pd.DataFrame([{"pour": "P02", "outcome": "failed: broke"}]), reason="seen late")
    assert {pour for pour, _ in readings_form(folder).grids["readings"].boxes} == {"P01"}
    assert {pour for pour, _ in readings_form(folder, pours=["P02"]).grids["readings"].boxes} == {"P02"}


@pytest.mark.parametrize(("pours", "message"), [
    ("P01", "pours is 'P01'. Give a list of names, such as ['P01', 'P02']."),
    (["P09"], "P09 cannot be read: not in pours.csv. Record what was poured first, or name other pours."),
    ([], "there is no pour to read. Record what was poured first, or name pours."),
])
def test_pours_that_cannot_be_meant(folder, pours, message):
    with pytest.raises(PourError) as problem:
        readings_form(folder, pours=pours)
    assert str(problem.value) == message


def test_where_no_instrument_reads(poured):
    with pytest.raises(LabkitError) as problem:
        labkit.readings_form(poured)
    assert str(problem.value) == ("no instrument reads anything in this trial, so a form would be empty. Name a `reading` under "
                                  "an attribute in trial.toml, or use scores_form.")


@pytest.mark.parametrize("what", ["scores", "pours", "readings"])
def test_an_untouched_form_before_anything_was_saved_does_not_say_that_it_was(folder, what):
    for table in ("melts", "pours") if what == "pours" else ():
        path = folder / f"{table}.csv"
        path.write_text(path.read_text().splitlines()[0] + "\n")
    form = {"scores": lambda: labkit.scores_form(folder, tester="T01", session="1"),
            "pours": lambda: labkit.pours_form(folder), "readings": lambda: readings_form(folder)}[what]()
    before = files(folder)
    form.button.click()
    assert said(form) == "Nothing to save: the boxes are empty." and files(folder) == before


def test_what_is_read_under_another_name_by_now_is_said(folder):
    form, definition = readings_form(folder), folder / "trial.toml"
    definition.write_text(definition.read_text().replace("[attributes.softness]", "[attributes.give]"))
    type_in(form, "P01", softness_1="6")
    before = files(folder)
    form.button.click()
    assert said(form) == ("Nothing was saved. no instrument reads softness in trial.toml any more. Run the cell again for a "
                          "form of what is read now.")
    assert files(folder) == before



def test_one_reading_that_stands_with_a_number_and_without_one_is_doubted(folder):
    """As where rows are typed once more beside what a form has saved: each would count as a reading of its own."""
    labkit.append_readings(folder, pd.DataFrame([reading("P01", 6, "1"), reading("P02", 7, "1")]))
    labkit.append_readings(folder, pd.DataFrame([reading("P01", 6), reading("P02", 7.5), reading("P01", 6, "2")]))
    trial = labkit.read_trial(folder)
    assert [why for why in trial.doubts if why.startswith("readings.csv")] == [
        "readings.csv: needle depth of P01 stands as 6 with repeat 1 and without a repeat. Take one back with "
        "correct_readings and an empty value if they are one reading, or number both."]
    back = pd.DataFrame([{"pour": "P01", "method": "needle depth", "repeat": "", "value": ""}])
    trial = labkit.correct_readings(folder, back, reason="the same once more")
    assert not any(why.startswith("readings.csv") for why in trial.doubts) and len(trial.standing_readings) == 4

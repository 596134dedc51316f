"""Forms that are saved halfway, and rows that come back: what is said is what lies on disk."""
import pandas as pd
import pytest
from test_forms import beside, files, said, type_in

from labkit.forms import pours_form, readings_form, scores_form
from labkit.rounds import Batch, round_from_factors
from labkit.store import (
    append_readings,
    append_round,
    append_scores,
    append_servings,
    correct_pours,
    correct_scores,
    new_trial,
    read_trial,
)


def score(pour, value, **more):
    return {"pour": pour, "tester": "T01", "session": "1", "attribute": "payoff", "score": value} | more


def of_one(folder):
    return scores_form(folder, tester="T01", session="1", pours=["P01", "P02"])


def open_in_a_spreadsheet(folder, table):
    (folder / f".~lock.{table}.csv#").touch()


def test_a_score_that_was_taken_back_returns_for_a_reason(poured):
    append_scores(poured, pd.DataFrame([score("P01", 5)]))
    form = of_one(poured)
    type_in(form, "scores", "P01", payoff="")
    form.reason.value = "of another pour"
    form.button.click()
    assert said(form) == "Corrected 1 score." and not len(read_trial(poured).standing_scores)
    form, before = of_one(poured), files(poured)
    assert form.grids["scores"].boxes["P01", "payoff"].value == ""
    type_in(form, "scores", "P01", payoff="5")
    form.button.click()
    assert beside(form, "scores", "P01", "payoff") == (
        "P01: payoff was taken back. To change it, give a reason below.")
    assert files(poured) == before
    form.reason.value = "it was this pour"
    form.button.click()
    assert said(form) == "Corrected 1 score."
    assert read_trial(poured).standing_scores["score"].tolist() == [5.0]


def test_a_score_that_was_never_given_needs_no_reason(poured):
    append_scores(poured, pd.DataFrame([score("P01", None)]))
    form = of_one(poured)
    type_in(form, "scores", "P01", payoff="5")
    form.button.click()
    assert said(form) == "Saved 1 score."
    assert read_trial(poured).standing_scores["score"].tolist() == [5.0]


def test_scores_that_are_refused_leave_corrections_unwritten_too(poured):
    append_scores(poured, pd.DataFrame([score("P01", 5), score("P02", 5, position="3")]))
    form, before = of_one(poured), files(poured)
    type_in(form, "scores", "P01", payoff="6")
    type_in(form, "scores", "P02", payoff="4")
    form.reason.value = "misread"
    form.button.click()
    assert said(form) == (
        "Nothing was saved. scores row 0: payoff of P02 by T01, session 1 is recorded already with position 3, and this "
        "row has no position. Give both the same position if they are one score, or each its own if it was judged twice.")
    assert files(poured) == before


def test_of_a_melt_and_a_pour_that_is_open_elsewhere_the_melt_is_said_to_be_saved(planned):
    open_in_a_spreadsheet(planned, "pours")
    form = pours_form(planned)
    type_in(form, "melts", "M01", candelilla_wax="4,11", mango_butter="12.9", jojoba_oil="22")
    type_in(form, "pours", "P01", base="19,21", red_paste="0.79", pour_temperature="69", outcome="ok")
    form.button.click()
    told = said(form)
    assert told.startswith("Saved 1 melt. The rest was not saved. ") and "pours.csv is open in a spreadsheet" in told
    assert len(read_trial(planned).melts) == 1
    (planned / ".~lock.pours.csv#").unlink()
    form.button.click()
    assert said(form) == "Saved 1 pour." and len(read_trial(planned).pours) == 1


def test_a_code_that_was_served_twice_has_a_row_for_each_place(poured):
    places = pd.DataFrame({"session": "1", "tester": "T01", "position": ["3", "1", "2"], "code": ["431", "431", "077"],
                           "pour": ["P01", "P01", "P02"]})
    append_servings(poured, places)
    append_servings(poured, places.iloc[:1].assign(date="2031-05-06"))           # the same serving once more
    form = scores_form(poured, tester="T01", session="1")
    assert [row for row, column in form.grids["scores"].boxes if column == "payoff"] == [
        "431, position 1", "077", "431, position 3"]
    type_in(form, "scores", "431, position 3", payoff="6")
    type_in(form, "scores", "077", payoff="7")
    form.button.click()
    assert said(form) == "Saved 2 scores."
    assert read_trial(poured).scores[["pour", "position", "score"]].values.tolist() == [
        ["P02", "2", 7.0], ["P01", "3", 6.0]]


@pytest.mark.parametrize("form, grid", [(scores_form, "scores"), (readings_form, "readings")])
def test_a_name_with_blanks_makes_no_class_with_blanks(poured, form, grid):
    """DOM Living Standard, DOMTokenList.add: a token with white space is an error, and the box would not show."""
    definition = poured / "trial.toml"
    more = "\n[attributes.softness]\nreading = \"needle depth\"\nunit = \"mm\"\nscale = [0, 20]\n"
    definition.write_text(definition.read_text() + more)
    with (poured / "pours.csv").open("a") as file:
        file.write(read_row(poured))
    named = {"tester": "T01", "session": "1"} if form is scores_form else {}
    boxes = form(poured, pours=["X-old one"], **named).grids[grid].boxes
    assert boxes and not any(" " in word for box in boxes.values() for word in box._dom_classes)


def read_row(folder):
    """P01 once more, as a pour that nobody planned."""
    return (folder / "pours.csv").read_text().splitlines()[1].replace("P01", "X-old one") + "\n"


def last_row(folder):
    header, *_, last = (folder / "pours.csv").read_text().splitlines()
    return dict(zip(header.split(","), last.split(",")))


def record(folder, **cells):
    """P01 as it is not in the file, by a hand."""
    path = folder / "pours.csv"
    header, first, *rest = path.read_text().splitlines()
    names = header.split(",")
    row = [cells.get(name.removesuffix(" [g]").replace(" ", "_"), cell) for name, cell in zip(names, first.split(","))]
    path.write_text("\n".join([header, ",".join(row), *rest]) + "\n")


@pytest.mark.parametrize("cells, kept", [
    ({"melt": "X-01", "note": "really so"}, "X-01"),
    ({"melt": "", "base": "", "candelilla_wax": "3", "mango_butter": "6", "jojoba_oil": "9"}, ""),
])
def test_a_correction_leaves_the_melt_that_a_pour_was_recorded_with(poured, cells, kept):
    path = poured / "melts.csv"
    path.write_text(path.read_text() + path.read_text().splitlines()[1].replace("M01", "X-01") + "\n")
    record(poured, **cells)
    form = pours_form(poured)
    type_in(form, "pours", "P01", defects="streaky")
    form.reason.value = "seen later"
    form.button.click()
    assert said(form) == "Corrected 1 pour."
    assert last_row(poured)["defects"] == "streaky" and last_row(poured)["melt"] == kept


def test_a_base_that_is_written_down_later_is_of_the_planned_melt(poured):
    record(poured, melt="", base="", outcome="failed: the tube leaked")
    form = pours_form(poured)
    type_in(form, "pours", "P01", base="18.1")
    form.reason.value = "it had been weighed"
    form.button.click()
    assert last_row(poured)["melt"] == "M01" and last_row(poured)["base [g]"] == "18.1"


def test_the_day_of_new_pours_is_not_that_of_one_that_is_corrected_beside_them(planned):
    form = pours_form(planned)
    form.date.value = "2031-05-04"
    type_in(form, "melts", "M01", candelilla_wax="4,11", mango_butter="12.9", jojoba_oil="22")
    type_in(form, "pours", "P01", base="19,21", red_paste="0.79", pour_temperature="69", outcome="ok")
    form.button.click()
    form = pours_form(planned)
    form.date.value, form.reason.value = "2031-05-05", "seen later"
    type_in(form, "pours", "P01", defects="streaky")
    type_in(form, "pours", "P02", outcome="failed: the tube leaked")
    form.button.click()
    assert said(form) == "Corrected 1 pour and saved 1 pour."
    dates = read_trial(planned).pours[["pour", "date", "defects"]].values.tolist()
    assert dates == [["P01", "2031-05-04", ""], ["P01", "2031-05-04", "streaky"], ["P02", "2031-05-05", ""]]


def test_a_score_that_was_saved_elsewhere_is_not_taken_back_by_a_box_that_nobody_touched(poured):
    append_scores(poured, pd.DataFrame([score("P01", 5)]))
    form = of_one(poured)
    append_scores(poured, pd.DataFrame([score("P02", 7)]))
    type_in(form, "scores", "P01", payoff="6")
    form.reason.value = "misread"
    form.button.click()
    assert said(form) == "Corrected 1 score."
    assert form.grids["scores"].boxes["P02", "payoff"].value == "7"
    assert sorted(read_trial(poured).standing_scores["score"]) == [6.0, 7.0]
    correct_scores(poured, pd.DataFrame([score("P01", 8)]), reason="once more")
    type_in(form, "scores", "P02", payoff="7,5")
    form.reason.value = "misread too"
    form.button.click()
    assert said(form) == "Corrected 1 score."
    assert sorted(read_trial(poured).standing_scores["score"]) == [7.5, 8.0]


def test_a_pour_that_was_corrected_elsewhere_is_not_put_back(poured):
    form = pours_form(poured)
    correct_pours(poured, pd.DataFrame({"pour": ["P02"], "red paste [g]": [1.5]}), reason="slip")
    type_in(form, "pours", "P01", defects="streaky")
    form.reason.value = "seen later"
    form.button.click()
    assert said(form) == "Corrected 1 pour."
    pours = read_trial(poured).pours.drop_duplicates("pour", keep="last").set_index("pour")
    assert pours.at["P02", "red paste [g]"] == 1.5 and pours.at["P01", "defects"] == "streaky"


def test_a_reading_that_was_saved_elsewhere_stays(poured):
    path = poured / "trial.toml"
    path.write_text(path.read_text() + "\n[attributes.softness]\nreading = \"needle depth\"\nunit = \"mm\"\nscale = [0, 20]\n")
    row = {"method": "needle depth", "direction": "up", "unit": "mm"}
    append_readings(poured, pd.DataFrame([row | {"pour": "P01", "value": 5}]))
    form = readings_form(poured)
    append_readings(poured, pd.DataFrame([row | {"pour": "P02", "value": 7}]))
    form.grids["readings"].boxes["P01", "softness 1"].value = "6"
    form.reason.value = "misread"
    form.button.click()
    assert said(form) == "Corrected 1 reading."
    assert sorted(read_trial(poured).standing_readings["value"]) == [6.0, 7.0]


@pytest.mark.parametrize("typed, reason, told", [
    ("P01", "misread", "Corrected 1 score."), ("P01", "", "Nothing was saved. Give a reason for what differs from what is "
                                                         "saved, or put it back."), ("P02", "", "Saved 1 score.")])
def test_scores_of_an_attribute_that_came_after_the_form_are_left_alone(poured, typed, reason, told):
    """It has no box there: an empty one would have taken its scores back."""
    append_scores(poured, pd.DataFrame([score("P01", 5)]))
    form = of_one(poured)
    with (poured / "trial.toml").open("a") as definition:
        definition.write("\n[attributes.shine]\n")
    append_scores(poured, pd.DataFrame([score("P01", 7, attribute="shine")]))
    type_in(form, "scores", typed, payoff="6")
    form.reason.value = reason
    form.button.click()
    assert said(form) == told
    stands = read_trial(poured).standing_scores
    assert stands.loc[stands["attribute"] == "shine", "score"].tolist() == [7.0]


def test_a_weight_that_was_not_meant_may_stay_empty(tmp_path):
    """The plan had 0.00 g of the mica, and "mica [g] is empty. Write what it was, or none" stood beside its box."""
    folder = tmp_path / "sparkle"
    new_trial(folder)
    (folder / "trial.toml").write_text("""
[product]
name = "Sparkle"
[formula]
"beeswax" = 15
"castor oil" = "to 100"
"mica" = 2
[melt]
pot = ["beeswax", "castor oil"]
[factors.shine]
of = ["mica"]
low = 0
high = 0.05
[attributes.sparkle]
""")
    recipe = read_trial(folder).recipe
    append_round(folder, round_from_factors(recipe, Batch(), number=1, melts=["M01"], pours=["P01"],
                                            coordinates=pd.DataFrame({"shine": [0.0]})))
    form = pours_form(folder)
    type_in(form, "melts", "M01", beeswax="3.3", castor_oil="18.7")
    type_in(form, "pours", "P01", base="20", outcome="ok")
    form.button.click()
    assert said(form) == "Saved 1 melt and saved 1 pour."
    form.button.click()
    assert said(form) == "Nothing new: all of this is saved already."
    assert read_trial(folder).made.at["P01", "shine"] == 0


def test_a_score_that_was_saved_elsewhere_twice_is_not_put_back_after_a_refusal(poured):
    """The box that nobody touched follows both times, also where nothing was saved in between."""
    append_scores(poured, pd.DataFrame([score("P01", 5)]))
    form = of_one(poured)
    append_scores(poured, pd.DataFrame([score("P02", 7)]))
    type_in(form, "scores", "P01", payoff="6")
    form.reason.value = "  "
    form.button.click()
    assert said(form) == "Nothing was saved. Give a reason for what differs from what is saved, or put it back."
    correct_scores(poured, pd.DataFrame([score("P02", 8)]), reason="misread")
    form.reason.value = "misread"
    form.button.click()
    assert said(form) == "Corrected 1 score." and form.reason.value == ""
    assert sorted(read_trial(poured).standing_scores["score"]) == [6.0, 8.0]


def test_scores_that_cannot_be_written_are_said_to_be_unsaved_and_both_ends_of_a_scale_are_on_it(poured):
    form = of_one(poured)
    type_in(form, "scores", "P01", payoff="none")                   # of a weight that is an entry, of a score none
    form.button.click()
    assert said(form) == "Nothing was saved. Mend the boxes that have a message."
    type_in(form, "scores", "P01", payoff="10")
    type_in(form, "scores", "P02", payoff="0")
    open_in_a_spreadsheet(poured, "scores")
    form.button.click()
    assert said(form).startswith("Nothing was saved. ") and "scores.csv is open in a spreadsheet" in said(form)
    (poured / ".~lock.scores.csv#").unlink()
    form.button.click()
    assert said(form) == "Saved 2 scores." and sorted(read_trial(poured).standing_scores["score"]) == [0.0, 10.0]


def test_a_day_beside_a_correction_alone_is_the_day_of_what_is_corrected(poured):
    form = pours_form(poured)
    form.date.value, form.reason.value = "2031-05-06", "it was the day after"
    type_in(form, "pours", "P01", defects="streaky")
    form.button.click()
    assert said(form) == "Corrected 1 pour." and last_row(poured)["date"] == "2031-05-06"


def test_a_setting_that_nobody_read_is_asked_for_before_anything_is_saved(planned):
    """plan.csv has it, the table would take a row without it, and the surfaces would leave the pour out."""
    form, before = pours_form(planned), files(planned)
    type_in(form, "melts", "M01", candelilla_wax="4,11", mango_butter="12.9", jojoba_oil="22")
    type_in(form, "pours", "P01", base="19,21", red_paste="0.79", outcome="ok")
    form.button.click()
    assert said(form) == "Nothing was saved. Mend the boxes that have a message." and files(planned) == before
    assert beside(form, "pours", "P01", "pour_temperature") == "P01: pour_temperature is empty. Write what it was."


@pytest.mark.parametrize("cells, shown", [
    ({"melt": "", "base": "", "red_paste": "", "outcome": "failed: the beaker fell"}, ""),
    ({"melt": "", "base": "", "candelilla_wax": "3", "mango_butter": "6", "jojoba_oil": "9"}, "none")])
def test_no_base_is_none_where_all_was_weighed_into_the_pour_and_blank_where_nothing_was(poured, cells, shown):
    record(poured, **cells)
    boxes = pours_form(poured).grids["pours"].boxes
    assert boxes["P01", "base [g]"].value == shown and boxes["P02", "base [g]"].value not in ("", "none")

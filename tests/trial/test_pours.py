"""Pours as a maker records them, through the trial that checks them; what a trial holds and what stands in its place."""

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL
from recorded import MELTS, POURS, changed

import labkit
from labkit import Trial
from labkit.errors import PourError, TrialError


def test_factors_are_read_off_what_was_weighed(poured):
    made = poured.made
    base = {"M01": 4.7 / (4.7 + 12.9 + 21.5), "M02": 7.8 / (7.8 + 12.8 + 18.3)}
    assert made["wax"].tolist() == pytest.approx([base["M01"]] * 2 + [base["M02"]] * 2, abs=1e-12)
    assert made.loc["P02", "load"] == pytest.approx((1.44 + 0.96) / 2 / (17.6 + 1.44 + 0.96), abs=1e-12)
    assert made.loc["P02", "red_share"] == pytest.approx(0.6, abs=1e-12)
    assert made["ok"].tolist() == [True, True, True, False] and poured.failed == ("P04",)
    assert poured.drift("P01")["mango butter"] == pytest.approx(
        18.8 / 20 * 12.9 / 39.53
        - poured.formula_at(made.loc[["P01"], ["wax", "red_share", "load"]])["mango butter"].iloc[0]
    )


def test_a_pour_outside_the_present_limits_stays_and_is_marked(planned):
    wide = POURS.iloc[:1].assign(**{"red paste [g]": 2.4, "yellow paste [g]": 2.4, "base [g]": 15.2})
    made = planned.with_tables({"melts": MELTS, "pours": wide}, files=True).made
    assert made["load"].iloc[0] == pytest.approx(0.12) and not made["inside"].iloc[0]


def test_an_unplanned_pour_gives_all_its_grams(planned):
    grams = {
        "candelilla wax [g]": 2.8,
        "mango butter [g]": 6,
        "jojoba oil [g]": 9.4,
        "vitamin E [g]": 0.2,
        "red paste [g]": 0.8,
        "yellow paste [g]": 0.8,
    }
    trial = planned.with_pours(pd.DataFrame([{"pour": "X-01", "pour_temperature": 72, **grams}]))
    row = trial.made.loc["X-01"]
    assert row["round"] == 0 and row["melt"] == "pot of X-01"
    assert row[["wax", "red_share", "load"]].tolist() == pytest.approx([2.8 / 18.2, 0.5, 0.04])


def test_a_pour_that_cannot_be_expressed_is_listed_and_left_out(planned):
    rows = [
        {"pour": "X-01", "candelilla wax [g]": 3, "jojoba oil [g]": 17, "pour_temperature": 70},
        {"pour": "X-02", "candelilla wax [g]": 3, "jojoba oil [g]": 16, "red paste [g]": 1},
    ]
    trial = planned.with_pours(pd.DataFrame(rows))
    assert len(trial.made) == 0
    assert trial.left_out == {
        "X-01": "pour X-01 holds nothing of red iron oxide and yellow iron oxide, so red_share has no value. It stays out of the fit.",
        "X-02": "pour X-02 has no pour_temperature. Write what was read at the bench.",
    }


BAD_POURS = [
    (
        "base [g]",
        0,
        "pours.csv row 3: base [g] is 0. Weigh again, or leave the cell empty if the pour had a pot of its own.",
    ),
    (
        "red paste [g]",
        0,
        "pours.csv row 3: red paste [g] is 0, but 1.44 g were planned. Weigh again, or write none if none was added.",
    ),
    (
        "red paste [g]",
        "-1.2",
        "pours.csv row 3: red paste [g] is -1.2; a weight is never negative. Weigh again.",
    ),
    (
        "red paste [g]",
        "1,2 g",
        "pours.csv row 3: red paste [g] is '1,2 g', which is not a number. Write digits with one comma or point, "
        "and no unit.",
    ),
    (
        "red paste [g]",
        "NaN",
        "pours.csv row 3: red paste [g] is 'NaN', which is not a number. Write digits with one comma or point, and "
        "no unit.",
    ),
    (
        "pour",
        "P09",
        "pours.csv row 3: pour 'P09' is neither planned nor named X-01, X-02 and so on. Check the name, or give an unplanned "
        "pour such a name.",
    ),
    ("pour", "", "pours.csv row 3: pour is empty. Every row names its pour."),
    (
        "melt",
        "m01",
        "pours.csv row 3: base [g] is drawn from melt 'm01', which melts.csv does not have. Did you mean 'M01'?",
    ),
    ("melt", "M1", "pours.csv row 3: base [g] is drawn from melt 'M1', which melts.csv does not have. Did you mean 'M01'?"),
    ("melt", "", "pours.csv row 3: base [g] is 17.6, and melt is empty. Write the melt that it was drawn from."),
    (
        "melt",
        "M07",
        "pours.csv row 3: base [g] is drawn from melt 'M07', which melts.csv does not have. Record the melt first, or check "
        "its name.",
    ),
    (
        "base [g]",
        "",
        "pours.csv row 3: pour P02 has no weight of its base. Give base [g] drawn from a melt, or all grams of a pour with a "
        "pot of its own.",
    ),
    (
        "base [g]",
        "None",
        "pours.csv row 3: base [g] is none. Leave the cell empty if the pour had a pot of its own.",
    ),
    ("outcome", "fine", "pours.csv row 3: outcome is 'fine'. Write ok, or failed and why."),
    (
        "pour",
        "P01",
        "pours.csv row 3: pour P01 is recorded already with other values. Put all of one pour into one row, write into corrects which row this one corrects "
        "and into reason why, or delete the row that is wrong; what was made again is another, named X-01, X-02 and so on.",
    ),
]


@pytest.mark.parametrize("column, value, message", BAD_POURS)
def test_a_pour_that_cannot_have_been_made(planned, column, value, message):
    with pytest.raises(PourError) as problem:
        planned.with_tables({"melts": MELTS, "pours": changed(POURS, 3, column, value)}, files=True)
    assert str(problem.value) == message


def test_an_ingredient_that_is_not_on_the_shelf(planned):
    with pytest.raises(PourError) as problem:
        planned.with_tables({"melts": MELTS, "pours": POURS.assign(**{"beeswax [g]": 1.0})}, files=True)
    assert str(problem.value).startswith(
        "pours.csv has a column 'beeswax [g]' that is not known here. The columns are 'pour', "
    )


def test_an_equal_pour_again_is_passed_over_and_a_correction_supersedes(poured):
    assert len(poured.with_tables({"pours": POURS}, files=True).pours) == 4
    better = POURS.loc[[3]].assign(**{"red paste [g]": 1.40, "corrects": "3", "reason": "misread the balance"})
    trial = poured.with_tables({"pours": better}, files=True)
    assert len(trial.pours) == 5 and len(trial.made) == 4
    assert trial.made.loc["P02", "load"] == pytest.approx((1.40 + 0.96) / 2 / (17.6 + 1.40 + 0.96))
    with pytest.raises(PourError) as problem:
        poured.with_tables({"pours": better.assign(reason="")}, files=True)
    assert str(problem.value) == "pours.csv row 3: corrects pour P02 without a reason. Write the reason."


def test_readings_keep_their_direction(poured):
    row = {
        "pour": "P01",
        "method": "needle depth, 100 g, 5 s",
        "direction": "down",
        "value": "38,5",
        "unit": "0.1 mm",
        "repeat": "1",
    }
    assert poured.with_readings(pd.DataFrame([row])).readings["value"].tolist() == [38.5]
    with pytest.raises(PourError) as problem:
        poured.with_readings(pd.DataFrame([row | {"direction": "softer"}]))
    assert str(problem.value) == (
            "readings row 0: direction is 'softer'. Write up where a higher value is more of what is read, as for every "
            "attribute of trial.toml, and down where it is less.")


def test_tables_are_copies_and_a_trial_never_changes(poured):
    table = poured.pours
    table["pour"] = "x"
    assert poured.pours["pour"].tolist() == ["P01", "P02", "P03", "P04"]
    assert len(poured.scores) == 0
    with pytest.raises(AttributeError):
        poured.definition = None


def test_a_blend_without_a_pot_pours_in_its_own_pots():
    trial = Trial.from_toml(HAZEL)
    grams = {
        "sunflower wax [g]": 1.5,
        "cocoa butter [g]": 3.75,
        "castor oil [g]": 9.15,
        "vitamin E [g]": 0.15,
        "brown iron oxide [g]": 0.45,
    }
    made = trial.with_pours(pd.DataFrame([{"pour": "X-01", **grams}])).made
    assert made["base: sunflower wax"].iloc[0] == pytest.approx(1.5 / 14.4)
    with pytest.raises(PourError) as problem:
        trial.with_pours(pd.DataFrame([{"pour": "X-01", "base [g]": 14.0}]))
    assert str(problem.value) == (
        "pours row 0: base [g] is 14, but trial.toml names no pot. Add [melt] with its pot, or give all grams."
    )


def test_two_columns_of_one_name_are_refused(planned):
    double = pd.concat([POURS, POURS[["outcome"]]], axis=1)
    with pytest.raises(TrialError) as problem:
        planned.with_pours(double)
    assert str(problem.value) == "the pours frame has two columns named outcome. Give each column a name of its own."


def test_a_trial_says_what_it_holds(poured):
    assert repr(poured) == "<Trial Terracotta stick: 1 round, 4 pours, 0 scores>"
    assert poured.next_pours(2) == ["P05", "P06"] and poured.next_melts(1) == ["M03"] and poured.next_round == 2
    assert np.isfinite(poured.made[list(poured.recipe.coordinates)].to_numpy()).all()


@pytest.mark.parametrize("ask", [
    labkit.appraise_panel, labkit.fit_surfaces, labkit.fit_failing, labkit.plan_round, labkit.compare_efforts,
    labkit.plan_confirmation, labkit.tell_tradeoffs, labkit.settled_by_round,
    lambda trial: labkit.compare_settled(trial, trial), lambda trial: labkit.appraise_round(trial, None),
    lambda trial: labkit.plan_serving(trial, pours=["P01"], testers=["T01"]),
    lambda trial: labkit.rehearse(trial, None), lambda trial: labkit.bench_sheet(trial, None),
    lambda trial: labkit.ballots(trial, None), lambda trial: labkit.ballot_book(trial, None),
])
def test_the_path_of_a_trial_in_its_place_is_refused(ask):
    with pytest.raises(labkit.LabkitError) as problem:
        ask("trials/terracotta-stick")
    assert str(problem.value) == "the trial is of type str. Give what read_trial(folder) returned."


def test_a_definition_is_text():
    with pytest.raises(TrialError) as problem:
        Trial.from_toml(None)
    assert str(problem.value) == "the definition is of type NoneType. Give the text of a trial.toml."


def test_what_was_corrected_since_is_passed_over_where_it_comes_once_more(poured):
    mended = POURS.loc[[3]].assign(**{"red paste [g]": 1.40, "corrects": "3", "reason": "misread the balance"})
    trial = poured.with_pours(mended)
    pd.testing.assert_frame_equal(trial.with_pours(POURS.loc[[3, 3]]).pours, trial.pours)

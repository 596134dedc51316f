"""A reading that was written down wrongly: a later row says why, and what stood stays in the file."""
import pandas as pd
import pytest
from store.conftest import refused, snapshot

import labkit
from labkit.__main__ import main
from labkit.errors import PourError

SOFT = '\n[attributes.softness]\nreading = "needle depth"\nunit = "mm"\nscale = [0, 20]\nwanted = { peak = [3, 6, 10] }\n'


def readings(*rows):
    frame = pd.DataFrame(rows, columns=["pour", "value", "repeat"])
    return frame.assign(method="needle depth", direction="up", unit="mm")


@pytest.fixture
def folder(demo_copy):
    with (demo_copy / "trial.toml").open("a", encoding="utf-8") as toml:
        toml.write(SOFT)
    labkit.append_readings(demo_copy, readings(("P01", 1.5, "1"), ("P01", 5.3, "2"), ("P02", 6.0, "")))
    return demo_copy


def correct(folder, frame, reason="read the wrong line"):
    return labkit.correct_readings(folder, frame, reason=reason)


def test_the_last_word_stands_and_nothing_is_lost(folder):
    before = (folder / "readings.csv").read_text()
    trial = correct(folder, pd.DataFrame([{"pour": "P01", "method": "needle depth", "repeat": "1", "value": "5,1"}]))
    rows = (folder / "readings.csv").read_text().splitlines()
    assert [row.split(",")[3] for row in before.splitlines()] == [row.split(",")[3] for row in rows[:-1]]
    assert rows[-1] == "P01,needle depth,up,5.1,mm,1,2,read the wrong line"
    stands = labkit.read_trial(folder).standing_readings
    assert stands.equals(trial.standing_readings)
    assert sorted(stands.loc[stands["pour"] == "P01", "value"]) == [5.1, 5.3] and len(trial.readings) == 4


def test_a_second_correction_names_the_first_one_and_an_equal_one_is_passed_over(folder):
    one = pd.DataFrame([{"pour": "P02", "method": "needle depth", "value": 6.4}])
    correct(folder, one)
    before = snapshot(folder)
    correct(folder, one, "once more")
    assert snapshot(folder) == before
    trial = correct(folder, one.assign(value=6.2), "better light")
    assert trial.readings["corrects"].tolist() == ["", "", "", "4", "5"]
    assert trial.standing_readings.set_index("pour").loc["P02", "value"] == 6.2


@pytest.mark.parametrize("blank", [None, "", float("nan")])
def test_a_blank_takes_a_reading_back_and_it_can_return(folder, blank):
    before, one = (folder / "readings.csv").read_text(), pd.DataFrame([{"pour": "P02", "method": "needle depth"}])
    trial = correct(folder, one.assign(value=blank), "was P03")
    rows = (folder / "readings.csv").read_text().splitlines()
    assert [row.removesuffix(",,") for row in rows[:-1]] == [row.removesuffix(",,") for row in before.splitlines()]
    assert rows[-1] == "P02,needle depth,up,,mm,,4,was P03"
    for found in (trial, labkit.read_trial(folder)):
        assert found.standing_readings["value"].tolist() == [1.5, 5.3] and len(found.readings) == 4
        assert "P02" not in set(found.judged.query("attribute == 'softness'")["pour"])
    held = snapshot(folder)
    correct(folder, one.assign(value=blank), "once more")
    labkit.append_readings(folder, trial.readings)
    labkit.append_readings(folder, readings(("P02", 6.0, "")))          # an old table again
    assert snapshot(folder) == held
    assert correct(folder, one.assign(value=6.0), "it was right").standing_readings["value"].tolist() == [1.5, 5.3, 6.0]
    assert (folder / "readings.csv").read_text().splitlines()[-1] == "P02,needle depth,up,6,mm,,4,it was right"


def test_what_is_read_instead_of_what_was_taken_back_needs_no_reason(folder):
    correct(folder, pd.DataFrame([{"pour": "P02", "method": "needle depth", "value": None}]))
    trial = labkit.append_readings(folder, readings(("P02", 7.0, "")))
    assert trial.readings["corrects"].tolist() == ["", "", "", "4", ""]
    assert trial.standing_readings.set_index("pour").loc["P02", "value"] == 7.0
    assert refused(PourError, labkit.append_readings, folder, readings(("P02", 8.0, ""))) == (
        "readings row 0: needle depth of P02 is recorded already as 7, and 8 differs. Number further readings of one pour "
        "in the column repeat, or use correct_readings if it was wrong.")


def test_one_of_an_unknown_method_is_taken_back_and_its_direction_with_it(folder, capsys):
    slip = readings(("P02", 6.0, "")).assign(method="needel depth", direction="down")
    with (folder / "readings.csv").open("a") as table:
        table.write("P02,needel depth,down,6,mm,,,\n")
    assert main(["check", str(folder)]) == 0
    assert ("Kept in readings.csv and read for no attribute: needel depth (1 reading). Did you mean 'needle depth' by needel "
            "depth? Take it back with correct_readings, and record it as that.") in " ".join(capsys.readouterr().out.split())
    correct(folder, slip[["pour", "method"]].assign(value=None), "a slip of the pen")
    assert main(["check", str(folder)]) == 0 and "needel" not in capsys.readouterr().out
    trial = labkit.append_readings(folder, slip.assign(pour="P03", direction="up"))
    held = snapshot(folder)
    labkit.append_readings(folder, trial.readings)
    assert snapshot(folder) == held and labkit.read_trial(folder).readings["direction"].tolist()[-1] == "up"
    assert main(["check", str(folder)]) == 0
    assert "Kept in readings.csv and read for no attribute: needel depth (1 reading)." in capsys.readouterr().out


@pytest.mark.parametrize("method", ["needel depth", "Needel depth", "needle-depth", "needledepth", "needle deph"])
def test_a_new_method_that_is_a_slip_of_one_that_is_read(folder, method):
    assert refused(PourError, labkit.append_readings, folder, readings(("P03", 6.0, "")).assign(method=method)) == (
        f"readings row 0: method is {method!r}, which reads no attribute of trial.toml. Did you mean 'needle depth'? Give "
        "another method a name that is less like it.")


@pytest.mark.parametrize("method", ["needle depth 2", "needle depth cold", "drop point", "needle", "depth"])
def test_another_method_is_no_slip(folder, method):
    trial = labkit.append_readings(folder, readings(("P03", 6.0, "")).assign(method=method))
    assert trial.readings["method"].tolist()[-1] == method


def test_an_older_file_without_columns_for_corrections_is_read_as_before(folder):
    old = "pour,method,direction,value\nP01,needle depth,up,5\nP02,needle depth,up,6\n"
    (folder / "readings.csv").write_text(old)
    trial = correct(folder, pd.DataFrame([{"pour": "P02", "method": "needle depth", "value": ""}]), "upside down")
    assert trial.standing_readings["value"].tolist() == [5.0]
    assert (folder / "readings.csv").read_text() == (
        "pour,method,direction,value,corrects,reason\nP01,needle depth,up,5,,\nP02,needle depth,up,6,,\n"
        "P02,needle depth,up,,3,upside down\n")


def test_one_without_a_number_beside_numbered_ones(folder):
    labkit.append_readings(folder, readings(("P02", 6.5, "2")))
    named = pd.DataFrame([{"pour": "P02", "method": "needle depth", "repeat": "", "value": 5.5}])
    assert refused(PourError, correct, folder, named.drop(columns="repeat")) == (
        "readings row 0: needle depth of P02 was read 2 times. Add repeat to say which.")
    trial = correct(folder, named)
    assert sorted(trial.standing_readings.query("pour == 'P02'")["value"]) == [5.5, 6.5]


def test_all_rows_may_be_fed_again(folder):
    trial = correct(folder, pd.DataFrame([{"pour": "P02", "method": "needle depth", "value": 6.4}]))
    before = snapshot(folder)
    assert len(labkit.append_readings(folder, trial.readings).readings) == 4
    labkit.append_readings(folder, readings(("P02", 6.0, "")))
    assert snapshot(folder) == before


@pytest.mark.parametrize("rows, message", [
    ([{"pour": "P01", "value": 5}], "readings row 0: needle depth of P01 was read 2 times. Add repeat to say which."),
    ([{"pour": "P03", "value": 5}],
     "readings row 0: needle depth of P03 is not recorded. Use append_readings for a first reading."),
    ([{"pour": "P01", "value": 5, "repeat": "3"}],
     "readings row 0: needle depth of P01, repeat 3 is not recorded. Use append_readings for a first reading."),
    ([{"pour": "P02", "value": 5}, {"pour": "P02", "value": 6}],
     "readings row 1: needle depth of P02 is corrected twice in one frame. Give it once."),
    ([{"pour": "P02", "value": 55}], "readings row 0: softness is 55; needle depth runs from 0 to 20 mm. Read again, or "
                                     "widen the scale in trial.toml if the value is true."),
    ([{"pour": "P03", "value": None}],
     "readings row 0: needle depth of P03 is not recorded. Use append_readings for a first reading."),
    ([{"pour": "P02", "value": 5, "unit": "cm"}],
     "readings row 0: softness is in cm, but in trial.toml it is in mm. Convert the value, or correct the unit."),
])
def test_what_is_refused(folder, rows, message):
    frame = pd.DataFrame(rows).assign(method="needle depth")
    before = snapshot(folder)
    assert refused(PourError, correct, folder, frame) == message
    assert snapshot(folder) == before


def test_a_reason_is_needed(folder):
    frame = pd.DataFrame([{"pour": "P02", "method": "needle depth", "value": 5}])
    assert refused(PourError, correct, folder, frame, " ") == (
        "correct_readings has the reason ' '. Say in words why; the row keeps it.")


@pytest.mark.parametrize("row, message", [
    ("P03,needle depth,up,5,mm,,9,why",
     "readings.csv row 5: corrects needle depth of P03, which is not recorded before it. Put the row below the one that "
     "it corrects, or leave `corrects` empty if there is none."),
    ("P02,needle depth,up,5,mm,,4,",
     "readings.csv row 5: corrects needle depth of P02 without a reason. Write the reason."),
    ("P03,needle depth,up,,mm,,9,why",
     "readings.csv row 5: corrects needle depth of P03, which is not recorded before it. Put the row below the one that "
     "it corrects, or leave `corrects` empty if there is none."),
    ("P02,needle depth,up,,mm,,4,",
     "readings.csv row 5: corrects needle depth of P02 without a reason. Write the reason."),
    ("P02,needle depth,up,,mm,,,", "readings.csv row 5: value is empty. Leave the row out if nothing was read."),
    ("P02,needle depth,up,5,mm,,,",
     "readings.csv row 5: needle depth of P02 is recorded already as 6, and 5 differs. Number further readings of one pour "
     "in the column repeat, write into corrects which row this one corrects and into reason why, or delete the row that is "
     "wrong."),
])
def test_rows_by_hand(folder, row, message):
    path = folder / "readings.csv"
    path.write_text("pour,method,direction,value,unit,repeat,corrects,reason\n" + "".join(
        f"{line},,\n" for line in path.read_text().splitlines()[1:]) + row + "\n")
    assert refused(PourError, labkit.read_trial, folder) == message

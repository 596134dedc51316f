"""`labkit check` and `labkit next` name the file and the row of what is left out."""
import pytest

import labkit
from labkit.__main__ import main


def blank(path, row, column):
    """Empty a cell of a table by its row in a spreadsheet."""
    lines = path.read_text(encoding="utf-8").splitlines()
    cells = lines[row - 1].split(",")
    cells[lines[0].split(",").index(column)] = ""
    path.write_text("\n".join([*lines[:row - 1], ",".join(cells), *lines[row:]]) + "\n", encoding="utf-8")


def told(command, folder, capsys):
    assert main([command, str(folder)]) == 0
    return " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("command", ["check", "next"])
def test_a_blank_weight_of_a_pour(demo_copy, capsys, command):
    planned = labkit.read_trial(demo_copy).plan.set_index("pour").at["P02", "red paste [g]"]
    blank(demo_copy / "pours.csv", 3, "red paste [g]")
    assert (f"Left out: pours.csv row 3: red paste [g] of pour P02 is empty, but {planned:.2f} g were planned. Write what "
            "was weighed, or none if none was added.") in told(command, demo_copy, capsys)


def test_the_row_is_the_one_that_a_spreadsheet_shows(demo_copy, capsys):
    path = demo_copy / "pours.csv"
    blank(path, 3, "pour_temperature")
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([*lines[:1], "", "", *lines[1:]]) + "\n", encoding="utf-8")
    assert ("Left out: pours.csv row 5: pour P02 has no pour_temperature. Write what was read at the bench."
            ) in told("check", demo_copy, capsys)


def test_a_blank_weight_of_a_melt_is_named_for_each_of_its_pours(demo_copy, capsys):
    blank(demo_copy / "melts.csv", 2, "mango butter [g]")
    trial = labkit.read_trial(demo_copy)
    pours = list(trial.plan.loc[trial.plan["melt"] == "M01", "pour"])
    shown = told("check", demo_copy, capsys)
    assert len(pours) > 1 and all(
        f"Left out: melts.csv row 2: mango butter [g] of melt M01, from which pour {pour} was drawn, is empty" in shown
        for pour in pours)
    assert dict(trial.left_out_at) == {pour: ("melts", "M01") for pour in pours}

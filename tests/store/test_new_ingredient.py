"""An ingredient that comes to a trial later: older rows hold none of it, and newer ones get its column."""
import pathlib
import shutil

import pandas as pd
import pytest

import labkit
from labkit.errors import PlanError

DEMO = pathlib.Path(__file__).resolve().parents[2] / "trials" / "terracotta-stick"


@pytest.fixture
def folder(tmp_path):
    place = pathlib.Path(shutil.copytree(DEMO, tmp_path / "stick"))
    text = (place / "trial.toml").read_text(encoding="utf-8")
    (place / "trial.toml").write_text(text.replace('"red paste" = 4\n', '"red paste" = 4\n"mica" = 0\n'), encoding="utf-8")
    return place


def test_older_rows_hold_none_of_it_and_nothing_else_changes(folder):
    before, now = labkit.read_trial(DEMO), labkit.read_trial(folder)
    assert (now.plan["mica [g]"] == 0).all() and not (now.pours["mica [g]"] > 0).any()
    pd.testing.assert_frame_equal(now.made, before.made)
    pd.testing.assert_frame_equal(now.plan.drop(columns="mica [g]"), before.plan)


def test_a_new_round_gives_the_file_its_column(folder):
    trial = labkit.read_trial(folder)
    old = (folder / "plan.csv").read_text(encoding="utf-8").splitlines()
    round_ = labkit.plan_round(trial, pours=2, melts=1)
    trial = labkit.append_round(folder, round_)
    trial = labkit.append_pours(folder, round_.as_poured())
    new = (folder / "plan.csv").read_text(encoding="utf-8").splitlines()
    assert new[0] == old[0] + ",mica [g]" and new[1:len(old)] == [row + "," for row in old[1:]]
    assert labkit.read_trial(folder).made.index[-2:].tolist() == list(round_.pours)


def test_a_column_that_every_plan_needs_is_still_asked_for(folder):
    path = folder / "plan.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("order", "turn", 1), encoding="utf-8")
    with pytest.raises(PlanError) as problem:
        labkit.read_trial(folder)
    assert str(problem.value) == ("plan.csv lacks the column 'order'. It needs 'round', 'melt', 'pour', 'order' and "
                                  "'pour_temperature'.")

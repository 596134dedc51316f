"""A row of set_aside.csv that names nobody's score sets nothing aside, and is named."""

import pathlib
import shutil

import pandas as pd
import pytest

import labkit
from labkit.__main__ import main
from labkit.tweaks.first import newest_waits

TRIALS = pathlib.Path(__file__).parents[1] / "trials"


def aside(trial, **names):
    return trial.with_set_aside(pd.DataFrame([{"action": "set aside", "reason": "a slip", **names}]))


@pytest.mark.parametrize("names", [
    {"pour": "P01"}, {"pour": "P06"}, {"tester": "T03"}, {"attribute": "shade"}, {"tester": "T03", "pour": "P02"},
])
def test_what_is_there_is_no_doubt(demo, names):
    """P06 failed and was never scored: it is set aside beforehand."""
    assert aside(demo, **names).doubts == demo.doubts


@pytest.mark.parametrize("names, words", [
    ({"pour": "P99"}, "pour P99"), ({"tester": "T33"}, "tester T33"), ({"attribute": "gloss"}, "attribute gloss"),
    ({"pour": "P06", "tester": "T03"}, "pour P06 and tester T03"),
])
def test_what_is_not_there_is_named(demo, names, words):
    trial = aside(demo, **names)
    assert trial.doubts[len(demo.doubts):] == (
        f"set_aside.csv: {words} is set aside, and nothing that was scored or read is of it. Take it back (take_back) and "
        "set aside what was meant.",)
    back = trial.with_set_aside(pd.DataFrame([{"action": "take back", "reason": "meant another", **names}]))
    assert back.doubts == demo.doubts


def test_a_reading_counts_as_said(demo_copy):
    with (demo_copy / "trial.toml").open("a", encoding="utf-8") as toml:
        toml.write('\n[attributes.softness]\nreading = "needle depth"\nunit = "mm"\nscale = [0, 20]\n')
    trial = labkit.read_trial(demo_copy)
    told = "set_aside.csv: pour P02 and attribute softness is set aside"
    assert aside(trial, attribute="softness", pour="P02").doubts[-1].startswith(told)
    read = trial.with_readings(pd.DataFrame([{"pour": "P02", "method": "needle depth", "direction": "up", "value": 6}]))
    assert aside(read, attribute="softness", pour="P02").doubts == read.doubts
    assert aside(read, attribute="softness", pour="P03").doubts != read.doubts


def test_a_pour_that_is_set_aside_is_not_waited_for(tmp_path, demo, capsys):
    """Spilt before anybody tasted it: `check` does not ask for its scores, and `next` goes on."""
    round_ = labkit.plan_round(demo, pours=2, melts=1, seed=1)
    folder = tmp_path / "stick"
    shutil.copytree(TRIALS / "terracotta-stick", folder)
    labkit.append_round(folder, round_)
    labkit.append_pours(folder, round_.as_poured())
    spilt, other = round_.pours
    labkit.set_aside(folder, pour=spilt, reason="spilt")
    assert main(["check", str(folder)]) == 0
    assert f"Poured and not scored yet: {other}." in capsys.readouterr().out
    assert newest_waits(labkit.read_trial(folder))
    labkit.set_aside(folder, pour=other, reason="spilt as well")
    assert main(["check", str(folder)]) == 0
    assert "not scored yet" not in capsys.readouterr().out
    assert not newest_waits(labkit.read_trial(folder))

"""`labkit check` and `labkit next` say whose scores of a sitting that was held are nowhere."""
import pandas as pd
import pytest

import labkit
from labkit.__main__ import main

MISSING = "Served and not scored: T02 in session 1 (P03 and P01). Look for the ballot; what was not judged plays no part."


def told(command, folder, capsys):
    assert main([command, str(folder)]) == 0
    return " ".join(capsys.readouterr().out.split())


def without(folder, *rows):
    """Take rows out of scores.csv by how they begin."""
    path = folder / "scores.csv"
    path.write_text("".join(line for line in path.read_text().splitlines(True) if not line.startswith(rows)))


def test_nothing_is_said_where_every_ballot_came_back(demo_folder, capsys):
    assert "Served and not scored" not in told("check", demo_folder, capsys)


@pytest.mark.parametrize("command", ["check", "next"])
def test_pours_that_one_tester_was_served_and_did_not_score(demo_copy, capsys, command):
    without(demo_copy, "P01,T02,1,", "P03,T02,1,")
    assert MISSING in told(command, demo_copy, capsys)


def test_a_row_without_a_score_or_without_a_session_is_a_ballot(demo_copy, capsys):
    without(demo_copy, "P01,T02,1,", "P03,T02,1,")
    said = pd.DataFrame({"pour": ["P01", "P03"], "tester": "T02", "session": ["1", ""], "attribute": "payoff",
                         "score": [None, 5]})
    labkit.append_scores(demo_copy, said)
    assert "Served and not scored" not in told("check", demo_copy, capsys)


def test_a_sitting_that_was_not_held_yet_has_no_missing_ballot(demo_copy, capsys):
    trial = labkit.read_trial(demo_copy)
    labkit.append_servings(demo_copy, labkit.plan_serving(trial, pours=["P01", "P02"], testers=["T01", "T09"], seed=1))
    assert "Served and not scored" not in told("check", demo_copy, capsys)

"""A pour that failed counts against its formula: why it did is asked for while somebody remembers."""
import pandas as pd
import pytest
from recorded import MELTS, POURS, planned_trial

import labkit
from labkit.__main__ import main

TOLD = ("pours.csv pour P04: outcome is {!r}, and nothing says why it failed, so it counts against its formula. Say why with "
        "correct_pours, such as 'failed: did not set', or set it aside (set_aside) where the formula is not to blame.")


def doubts(outcome, **more):
    rows = POURS.astype(object).assign(defects="", note="")
    for column, value in {"outcome": outcome, **more}.items():
        rows.loc[5, column] = value
    return planned_trial().with_melts(MELTS).with_pours(rows).doubts


@pytest.mark.parametrize("outcome", ["failed", "failed:", "failed - "])
def test_nothing_says_why(outcome):
    assert doubts(outcome) == (TOLD.format(outcome.strip()),)


@pytest.mark.parametrize(("outcome", "more"), [
    ("failed: broke", {}), ("failed, it stuck", {}), ("failed", {"defects": "cracked"}), ("failed", {"note": "too hot"}),
    ("ok", {})])
def test_something_does(outcome, more):
    assert doubts(outcome, **more) == ()


def test_a_row_with_an_outcome_alone_is_taken_and_told_until_it_is_explained_or_set_aside(planned, capsys):
    labkit.append_pours(planned, pd.DataFrame([{"pour": "P01", "outcome": "failed"}]))
    told = TOLD.format("failed").replace("P04", "P01")
    assert labkit.read_trial(planned).doubts == (told,)
    assert main(["check", str(planned)]) == 0
    assert "In doubt: pours.csv pour P01: outcome is 'failed', and nothing says why it failed" in capsys.readouterr().out
    labkit.set_aside(planned, pour="P01", reason="dropped on the floor")
    assert labkit.read_trial(planned).doubts == ()
    labkit.take_back(planned, pour="P01", reason="it was soft")
    labkit.correct_pours(planned, pd.DataFrame([{"pour": "P01", "outcome": "failed: did not set"}]), reason="remembered")
    assert labkit.read_trial(planned).doubts == ()

"""A score that servings.csv denies: in the position of another pour, or with and without a session of one serving."""

import pandas as pd
import pytest

import labkit
from labkit.errors import ScoreError
from labkit.forms import scores_form


@pytest.fixture
def served(demo_copy):
    """T01 was served P01, P03, P02 and P04 in positions 1 to 4 of session 1, and is served P09 in a new session."""
    path = demo_copy / "servings.csv"
    path.write_text(path.read_text() + "9,2026-03-20,T01,1,652,P01\n9,2026-03-20,T01,2,552,P03\n9,2026-03-20,T01,,597,P02\n")
    return demo_copy


def said(**cells):
    row = {"pour": "P01", "tester": "T01", "session": "9", "position": "", "attribute": "payoff", "score": 4}
    return pd.DataFrame([row | cells])


def refused(folder, frame):
    with pytest.raises(ScoreError) as problem:
        labkit.append_scores(folder, frame)
    return str(problem.value)


PLACE = ("position of P03 by T01 in session 9 is {}, but servings.csv has P01 there and P03 in position 2. Correct the "
         "position or the pour, or servings.csv if it was served so.")


@pytest.mark.parametrize("position", ["1", "01"])
def test_a_position_of_another_pour(served, position):
    wrong = said(pour="P03", position=position)
    assert refused(served, wrong) == f"scores row 0: {PLACE.format(position)}"
    path = served / "scores.csv"
    path.write_text(path.read_text() + f"P03,T01,9,{position},payoff,4,,\nP03,T01,9,{position},shade,4,,\n")
    assert labkit.read_trial(served).doubts == (f"scores.csv: {PLACE.format(position)}",)


@pytest.mark.parametrize("cells", [
    {"position": "1"}, {"position": "01"}, {"position": ""}, {"position": "5"}, {"pour": "P02", "position": "1"},
    {"pour": "P02", "position": "3"}, {"session": "10", "position": "2"}, {"tester": "T08", "position": "2"},
    {"position": "2", "score": None},
])
def test_what_servings_do_not_deny_is_no_doubt(served, cells):
    """A position of its own, one that nobody was served in, a serving without one, a sitting or tester of no servings."""
    before = labkit.read_trial(served)
    doubts = labkit.append_scores(served, said(**cells)).doubts
    assert [why for why in doubts if "position" in why] == [] and before.doubts == ()


def test_two_pours_of_one_ballot_exchanged(served):
    frame = pd.concat([said(position="2"), said(pour="P03", position="1")])
    trial = labkit.read_trial(served).with_tables({"scores": frame}, files=True)
    assert [why.split(",")[0] for why in trial.doubts] == ["scores.csv: position of P01 by T01 in session 9 is 2",
                                                           "scores.csv: position of P03 by T01 in session 9 is 1"]


def test_a_score_without_a_session_beside_one_with_it(demo_copy):
    """T01 was served P05 once, in session 2."""
    told = ("payoff of P05 by T01 is recorded already with {}, this row has {}, and servings.csv serves T01 P05 once. Give "
            "both the same session if they are one score, or each its own if it was judged twice.")
    again = said(pour="P05", session="", score=9)
    assert refused(demo_copy, again) == "scores row 0: " + told.format("session 2", "no session")
    assert labkit.append_scores(demo_copy, again.assign(session="7")).doubts == ()
    path = demo_copy / "scores.csv"
    path.write_text(path.read_text() + "P05,T01,,,payoff,9,,\n")
    trial = labkit.read_trial(demo_copy)
    assert trial.doubts == (
        "scores.csv: payoff of P05 by T01 stands with session 2 and without one, and servings.csv serves T01 P05 once. Give "
        "the row without one its own if it was judged twice, or delete that row if both are one score.",)
    path.write_text(path.read_text().replace("P05,T01,,,payoff", "P05,T01,7,,payoff"))
    assert labkit.read_trial(demo_copy).doubts == ()


def test_the_session_may_come_second(demo_copy):
    path = demo_copy / "scores.csv"
    path.write_text("".join(row for row in path.read_text().splitlines(keepends=True) if not row.startswith("P05,T01,")))
    labkit.append_scores(demo_copy, said(pour="P05", session=""))
    assert refused(demo_copy, said(pour="P05", session="2")) == (
        "scores row 0: payoff of P05 by T01 is recorded already with no session, this row has session 2, and servings.csv "
        "serves T01 P05 once. Give both the same session if they are one score, or each its own if it was judged twice.")


def test_a_second_taste_is_no_doubt(served):
    """P01 is served to T01 in two sessions: one of the scores may have lost its session, or it was a third taste."""
    assert labkit.append_scores(served, said(session="")).doubts == ()
    never = said(pour="P05", tester="T08", session="")
    both = pd.concat([never, never.assign(session="2")])
    kept = labkit.append_scores(served, both).doubts
    assert not any("without one" in why for why in kept)


def test_corrections_and_rows_fed_again_are_not_asked(demo_copy):
    path = demo_copy / "scores.csv"
    path.write_text(path.read_text() + "P05,T01,,,payoff,9,,\nP05,T01,2,2,hardness,4,,\n")
    before = path.read_bytes()
    labkit.append_scores(demo_copy, labkit.store.read_table(path))
    assert path.read_bytes() == before
    wrong = said(pour="P05", session="2", position="2", attribute="hardness", score=None)
    labkit.correct_scores(demo_copy, wrong, reason="a slip")


def test_the_form_says_it(demo_copy):
    path = demo_copy / "scores.csv"
    path.write_text("".join(row for row in path.read_text().splitlines(keepends=True) if not row.startswith("P05,T01,")))
    labkit.append_scores(demo_copy, said(pour="P05", session=""))
    form = scores_form(demo_copy, tester="T01", session="2", pours=["P05"])
    next(iter(form.grids.values())).boxes["P05", "payoff"].value = "3"
    form.button.click()
    assert "Nothing was saved." in form.said.value and "servings.csv serves T01 P05 once" in form.said.value

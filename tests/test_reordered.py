"""A table that was sorted in a spreadsheet after it had been corrected twice is told; what a hand may do besides is not."""
import pandas as pd
import pytest

import labkit
from labkit.reordered import doubts_on_order


@pytest.fixture
def corrected(demo_copy):
    """payoff of P01 by T01 is 4, was corrected to 9 and then to 5; red paste of P01 likewise."""
    key = {"pour": "P01", "tester": "T01", "attribute": "payoff"}
    for score in (9, 5):
        labkit.correct_scores(demo_copy, pd.DataFrame([key | {"score": score}]), reason="misread")
    for grams in (0.5, 0.45):
        labkit.correct_pours(demo_copy, pd.DataFrame([{"pour": "P01", "red paste [g]": grams}]), reason="misread")
    return demo_copy


def mend(path, change):
    head, *rows = path.read_text().splitlines()
    path.write_text("\n".join([head, *change(rows)]) + "\n")


def test_what_was_sorted_by_score_counts_another_score_and_is_told(corrected):
    path = corrected / "scores.csv"
    before = path.read_text()
    assert labkit.read_trial(corrected).doubts == ()
    mend(path, lambda rows: sorted(rows, key=lambda row: float(row.split(",")[5] or "inf")))
    trial = labkit.read_trial(corrected)
    assert trial.standing_scores.query("pour == 'P01' and tester == 'T01' and attribute == 'payoff'")["score"].tolist() == [9]
    told, = trial.doubts
    assert told == (
        "scores.csv pour P01, tester T01, session 1, position 1, attribute payoff: what corrects row 2 stands below what "
        "corrects row 266, as after sorting the table, and the last row is what counts. Move it above that one, as the rows "
        "were written.")
    rows = path.read_text().splitlines()
    mine = next(row for row in rows if row.endswith(",266,misread"))
    path.write_text("\n".join([row for row in rows if row != mine] + [mine]) + "\n")
    trial = labkit.read_trial(corrected)
    assert trial.doubts == () and len(trial.scores) == len(before.splitlines()) - 1
    assert trial.standing_scores.query("pour == 'P01' and tester == 'T01' and attribute == 'payoff'")["score"].tolist() == [5]


def test_the_same_of_pours(corrected):
    mend(corrected / "pours.csv", lambda rows: [*rows[:-2], rows[-1], rows[-2]])
    told, = labkit.read_trial(corrected).doubts
    assert told.startswith("pours.csv pour P01: what corrects row 2 stands below what corrects row 14, as after sorting")


@pytest.mark.parametrize("change", [
    lambda rows: sorted(rows, key=lambda row: row.split(",")[:3]),              # by pour and tester: the order is kept
    lambda rows: ["", "", *rows], lambda rows: rows[:100] + rows[120:],         # blank rows put in, rows taken out
    lambda rows: [*rows[:-1], rows[-1].replace(",266,", ",the row above,")],
])
def test_what_leaves_the_order_is_not_told(corrected, change):
    mend(corrected / "scores.csv", change)
    assert not any("sorting" in told for told in labkit.read_trial(corrected).doubts)


def test_a_correction_above_what_it_corrects_is_put_below_it(demo_copy):
    """Scores sorted downwards: an emptied `corrects` would let the old score correct the new one."""
    key = {"pour": "P01", "tester": "T01", "attribute": "payoff"}
    labkit.correct_scores(demo_copy, pd.DataFrame([key | {"score": 9}]), reason="misread")
    mend(demo_copy / "scores.csv", lambda rows: [rows[-1], *rows[:-1]])
    with pytest.raises(labkit.errors.ScoreError) as problem:
        labkit.read_trial(demo_copy)
    assert str(problem.value) == (
        "scores.csv row 2: corrects the score of payoff of P01 by T01, session 1, position 1, which is not recorded before "
        "it. Put the row below the one that it corrects, or leave `corrects` empty if there is none.")
    mend(demo_copy / "scores.csv", lambda rows: [*rows[1:3], rows[0], *rows[3:]])
    scores = labkit.read_trial(demo_copy).standing_scores
    assert scores.query("pour == 'P01' and tester == 'T01' and attribute == 'payoff'")["score"].tolist() == [9]


def said(**rows):
    """Tables of nothing but keys and `corrects`, which of each table are given as rows."""
    keys = {"melts": ["melt"], "pours": ["pour"], "scores": ["pour", "tester", "session", "position", "attribute"],
            "readings": ["pour", "method", "repeat"]}
    return doubts_on_order({name: pd.DataFrame(rows.get(name, []), columns=[*key, "corrects"], dtype=str)
                            for name, key in keys.items()})


def test_only_what_corrects_one_and_the_same_thing_has_an_order():
    """Another repeat or method of a pour, or another melt, was corrected in its own time; two may name one row."""
    assert said(readings=[("P01", "needle depth", "1", "9"), ("P01", "needle depth", "2", "4"), ("P01", "drop point", "1", "3")],
                melts=[("M01", "9"), ("M02", "3")], pours=[("P01", "5"), ("P01", "5")]) == []
    told, = said(readings=[("P01", "needle depth", "", "9"), ("P01", "needle depth", "", "4")])
    assert told == ("readings.csv pour P01, method needle depth: what corrects row 4 stands below what corrects row 9, as after "
                    "sorting the table, and the last row is what counts. Move it above that one, as the rows were written.")
    assert len(said(melts=[("M01", "9"), ("M02", "12"), ("M01", "3")])) == 1

"""Scores and servings as a maker records them, through the trial that checks them."""

import pandas as pd
import pytest
from recorded import POURS, score_rows

from labkit.errors import ScoreError, TrialError
from labkit.served import spelled_alike


def test_a_table_that_is_fed_again_adds_nothing_though_it_holds_corrections(poured):
    first = POURS.loc[[3]].assign(**{"red paste [g]": 1.40, "corrects": "3", "reason": "misread the balance"})
    trial = poured.with_pours(first).with_pours(POURS.loc[[3]].assign(corrects="6", reason="read it well after all"))
    trial = trial.with_scores(score_rows(("P01", "T01", "payoff", 7)))
    trial = trial.with_scores(score_rows(("P01", "T01", "payoff", 6)).assign(corrects="1", reason="read the wrong line"))
    trial = trial.with_scores(score_rows(("P01", "T01", "payoff", 7)).assign(corrects="2", reason="no, the right one"))
    again = trial.with_tables({"pours": trial.pours, "scores": trial.scores})
    pd.testing.assert_frame_equal(again.pours, trial.pours)
    pd.testing.assert_frame_equal(again.scores, trial.scores)
    assert len(trial.pours) == 6 and len(trial.scores) == 3
    more = pd.concat([trial.scores, trial.scores.iloc[[1]].assign(corrects="3")])
    assert trial.with_scores(more).standing_scores["score"].tolist() == [6.0]
    alone = trial.with_scores(trial.scores.iloc[[1]])                   # not fed again: said once more, after the others
    assert alone.standing_scores["score"].tolist() == [6.0] and len(alone.scores) == 4


def test_a_correction_follows_a_score_and_says_why(poured):
    first = score_rows(("P01", "T01", "payoff", 7))
    for trial, change, told in (
            (poured, {"reason": "slip"}, ", which is not recorded before it. Put the row below the one that it corrects, or "
                                         "leave `corrects` empty if there is none."),
            (poured.with_scores(first), {"score": 6}, " without a reason. Write the reason.")):
        with pytest.raises(ScoreError) as problem:
            trial.with_scores(first.assign(corrects="1", **change))
        assert str(problem.value) == f"scores row 2: corrects the score of payoff of P01 by T01{told}"


def test_scores_keep_their_ids_and_equal_rows_come_once(poured):
    rows = score_rows(("P01", "001", "payoff", "7,5"), ("P01", "NA", "payoff", 6), ("P02", "001", "payoff", ""))
    trial = poured.with_tables({"scores": rows}, files=True).with_tables({"scores": rows}, files=True)
    assert trial.scores["tester"].tolist() == ["001", "NA", "001"]
    assert trial.standing_scores["score"].tolist() == [7.5, 6.0]
    again = rows.assign(session="2")
    assert len(trial.with_scores(again).standing_scores) == 4


BAD_SCORES = [
    (
        ("P01", "T01", "payoff", 11),
        "scores.csv row 2: payoff is 11; scores run from 0 to 10. Leave the cell empty if it was not judged.",
    ),
    (
        ("P01", "T01", "payof", 7),
        "scores.csv row 2: attribute 'payof' is not in trial.toml. Did you mean 'payoff'? If it was an attribute when it "
        "was scored, keep [attributes.payof] there, without `wanted` if it no longer counts.",
    ),
    (
        ("P01", "T01", "gloss", 7),
        "scores.csv row 2: attribute 'gloss' is not in trial.toml. "
        "Keep [attributes.gloss] there, without `wanted` if it no longer counts.",
    ),
    (
        ("P07", "T01", "payoff", 7),
        "scores.csv row 2: pour 'P07' is not in pours.csv. Record the pour first, or check its name.",
    ),
    (("P01", "", "payoff", 7), "scores.csv row 2: tester is empty. A score names pour, tester and attribute."),
    (
        ("P01", "T01", "payoff", "good"),
        "scores.csv row 2: payoff is 'good', which is not a number. Write digits with one comma or point, and no unit.",
    ),
]


@pytest.mark.parametrize("row, message", BAD_SCORES)
def test_a_score_that_cannot_stand(poured, row, message):
    with pytest.raises(ScoreError) as problem:
        poured.with_tables({"scores": score_rows(row)}, files=True)
    assert str(problem.value) == message


def test_the_same_key_with_another_value(poured):
    trial = poured.with_tables({"scores": score_rows(("P01", "T01", "payoff", 7))}, files=True)
    other = score_rows(("P01", "T01", "payoff", 6.5))
    with pytest.raises(ScoreError) as problem:
        trial.with_tables({"scores": other}, files=True)
    assert str(problem.value) == (
        "scores.csv row 2: payoff of P01 by T01 is recorded already as 7, and 6.5 differs. Give a repeat its own "
        "session or position, write into corrects which row this one corrects and into reason why, or delete the row that is "
        "wrong."
    )
    corrected = trial.with_tables({"scores": other.assign(corrects="2", reason="read the wrong line")}, files=True)
    assert corrected.standing_scores["score"].tolist() == [6.5] and len(corrected.scores) == 2


def test_setting_aside_and_taking_back(poured):
    trial = poured.with_scores(
        score_rows(("P01", "T01", "payoff", 7), ("P01", "T02", "payoff", 6), ("P02", "T02", "payoff", 5))
    )
    aside = trial.with_set_aside(pd.DataFrame([{"action": "set aside", "tester": "T02", "reason": "had a cold"}]))
    assert aside.standing_scores["tester"].tolist() == ["T01"] and len(aside.scores) == 3
    back = aside.with_set_aside(
        pd.DataFrame([{"action": "take back", "tester": "T02", "reason": "was well after all"}])
    )
    assert len(back.standing_scores) == 3
    with pytest.raises(ScoreError) as problem:
        back.with_set_aside(pd.DataFrame([{"action": "take back", "tester": "T02", "reason": "again"}]))
    assert (
        str(problem.value)
        == "set_aside row 0: takes back what is not set aside. Repeat the names of the row that set it aside."
    )


def test_one_place_one_serving(poured):
    row = {"session": "1", "tester": "T01", "position": "1", "code": "417", "pour": "P01"}
    once = poured.with_servings(pd.DataFrame([row]))
    assert len(once.with_servings(pd.DataFrame([row])).servings) == 1
    with pytest.raises(ScoreError) as problem:
        once.with_servings(pd.DataFrame([row | {"code": "552", "pour": "P02"}]))
    assert str(problem.value) == ("servings row 0: T01 has code 417 in position 1 of session 1 already. "
                                  "Give 552 another position or session.")
    unplaced = pd.DataFrame([row | {"position": "", "code": code} for code in ("552", "663")])
    assert len(once.with_servings(unplaced).servings) == 3


def test_one_code_one_pour(poured):
    rows = pd.DataFrame(
        {
            "session": "1",
            "tester": ["T01", "T01"],
            "position": ["1", "2"],
            "code": ["417", "417"],
            "pour": ["P01", "P02"],
        }
    )
    with pytest.raises(ScoreError) as problem:
        poured.with_servings(rows)
    assert str(problem.value) == "servings row 1: code 417 already stands for pour P01. Give P02 another code."
    with pytest.raises(ScoreError) as problem:
        poured.with_servings(rows.iloc[:1]).with_servings(rows.iloc[1:].assign(session="2"))
    assert str(problem.value) == "servings row 1: code 417 already stands for pour P01. Give P02 another code."


def test_a_table_that_no_trial_has_is_not_passed_over(poured):
    with pytest.raises(TrialError) as problem:
        poured.with_tables({"score": score_rows(("P01", "T01", "payoff", 7))})
    assert str(problem.value) == ("a table is 'score'. Choose 'plan', 'melts', 'pours', 'servings', 'scores', 'set_aside' or "
                                  "'readings'.")


def test_an_equal_row_is_passed_over_also_once_servings_tell_its_position(poured):
    rows = score_rows(("P01", "T01", "payoff", 7)).assign(session="1", position="")
    serving = {"session": "1", "tester": "T01", "position": "2", "code": "417", "pour": "P01"}
    served = poured.with_scores(rows).with_servings(pd.DataFrame([serving]))
    assert served.with_scores(pd.concat([rows, rows])).scores["position"].tolist() == [""]
    assert poured.with_servings(pd.DataFrame([serving])).with_scores(rows).scores["position"].tolist() == ["2"]


def test_new_rows_stand_beside_each_other_too(poured):
    with pytest.raises(ScoreError) as problem:
        poured.with_scores(score_rows(("P01", "T05", "payoff", 7), ("P02", "t05", "payoff", 6)))
    assert str(problem.value) == ("scores row 3: tester 't05' differs from 'T05' only in capital letters. Spell one person in "
                                  "one way, and give two people two names.")
    twice = pd.DataFrame({"pour": "P01", "tester": "T05", "session": "1", "position": ["", "2"], "attribute": "payoff",
                          "score": [7, 6]})
    with pytest.raises(ScoreError) as problem:
        poured.with_scores(twice)
    assert str(problem.value) == (
        "scores row 1: payoff of P01 by T05, session 1 is recorded already with no position, and this row has position 2. "
        "Give both the same position if they are one score, or each its own if it was judged twice.")
    assert poured.with_scores(twice.assign(score=[7, ""])).standing_scores["score"].tolist() == [7.0]
    with pytest.raises(ScoreError) as problem:
        poured.with_scores(twice.iloc[::-1])
    assert "is recorded already with position 2, and this row has no position. Give both" in str(problem.value)


def test_a_place_of_another_sitting_is_no_place_of_this_one(poured):
    """Position 2 is that of P02 in the second sitting: in the first P01 may have been tasted there once more."""
    servings = pd.DataFrame([("1", "T01", "1", "417", "P01"), ("2", "T01", "2", "552", "P02")],
                            columns=["session", "tester", "position", "code", "pour"])
    again = score_rows(("P01", "T01", "payoff", 7)).assign(session="1", position="2")
    assert len(poured.with_servings(servings).with_scores(again).scores) == 1


def test_letters_that_were_read_wrongly_have_other_capitals():
    """UTF-8 of É read as Windows-1252: made small first, it would be no UTF-8 any more."""
    assert spelled_alike("\u00c3\u2030va") == spelled_alike("éva") == spelled_alike("E\u0301VA")


def test_rows_that_come_in_another_order_than_they_were_recorded_count_as_they_come(poured):
    """A correction that is new, and then the old ones once more: the last of them stands."""
    first = score_rows(("P01", "T01", "payoff", 7))
    mended = score_rows(("P01", "T01", "payoff", 6)).assign(corrects="1", reason="slip")
    trial = poured.with_scores(first).with_scores(mended)
    fresh = score_rows(("P01", "T01", "payoff", 5)).assign(corrects="2", reason="another slip")
    assert trial.with_scores(fresh).standing_scores["score"].tolist() == [5.0]
    assert trial.with_scores(pd.concat([fresh, first, mended])).standing_scores["score"].tolist() == [6.0]

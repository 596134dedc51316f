"""One person is spelled in one way at every door, and one score stands once."""

import pandas as pd
import pytest
from definitions import TERRACOTTA
from recorded import MELTS, POURS, score_rows, two_melts

import labkit
from labkit.errors import ScoreError
from labkit.forms import scores_form
from labkit.scores import spelled_alike


def said(tester="T01", session="1", position="", pour="P01", score=4.0, attribute="payoff"):
    return pd.DataFrame([{"pour": pour, "tester": tester, "session": session, "position": position,
                          "attribute": attribute, "score": score}])


def refused(verb, *args, **options):
    with pytest.raises(ScoreError) as problem:
        verb(*args, **options)
    return str(problem.value)


def differs(name, other="T01"):
    only = {"t01": "capital letters", "t1": "capital letters and leading zeros"}.get(name, "leading zeros")
    return (f"tester {name!r} differs from {other!r} only in {only}. Spell one person in one way, and give two people "
            "two names.")


@pytest.fixture
def served(demo_copy):
    """The demo without the scores of its first session."""
    path = demo_copy / "scores.csv"
    head, *rows = path.read_text().splitlines()
    path.write_text("\n".join([head, *(row for row in rows if row.split(",")[2] != "1")]) + "\n")
    return demo_copy


@pytest.mark.parametrize("one, other, alike", [
    ("T01", "t01", True), ("T01", "T1", True), ("001", "1", True), ("T01", "T10", False), ("T100", "T10", False),
    ("T001", "T01", True), ("Ana", "ana", True), ("0", "00", True), ("Ana 2", "Ana", False),
    ("J\u00f6rg", "Jo\u0308rg", True), ("J\u00f6rg", "J\u00c3\u00b6rg", True), ("J\u00d6RG", "J\u00c3\u00b6rg", True),
    ("Ana B", "Ana  B", True), ("Ana B", "Ana\u00a0B", True), ("Ana B", "AnaB", False), ("J\u00f6rg", "Jorg", False),
])
def test_what_is_spelled_alike(one, other, alike):
    assert (spelled_alike(one) == spelled_alike(other)) == alike


@pytest.mark.parametrize("name, other, only", [
    ("Jo\u0308rg B", "J\u00f6rg B", "the coding of letters"),           # Unicode Standard, annex 15: composed and decomposed
    ("J\u00c3\u00b6rg B", "J\u00f6rg B", "the coding of letters"),      # UTF-8 bytes C3 B6 read as Windows-1252
    ("J\u00f6rg  B", "J\u00f6rg B", "blanks"), ("j\u00f6rg\u00a0B", "J\u00f6rg B", "capital letters and blanks"),
])
def test_a_name_that_looks_like_another_is_refused_and_told_in_a_file(demo_copy, name, other, only):
    labkit.append_scores(demo_copy, said(tester=other, session="9"))
    told = (f"tester {name!r} differs from {other!r} only in {only}. Spell one person in one way, and give two people two "
            "names.")
    row = said(tester=name, session="9", pour="P02")
    assert refused(labkit.append_scores, demo_copy, row) == f"scores row 0: {told}"
    path = demo_copy / "scores.csv"
    path.write_text(path.read_text("utf-8") + f"P02,{name},9,,payoff,4,,\n", "utf-8")
    assert labkit.read_trial(demo_copy).doubts == (f"scores.csv and servings.csv: {told}",)


@pytest.mark.parametrize("name", ["t01", "T1", "T001"])
def test_the_same_refusal_at_every_door(served, name, tmp_path):
    trial = labkit.read_trial(served)
    assert refused(labkit.append_scores, served, said(tester=name)) == f"scores row 0: {differs(name)}"
    assert refused(trial.with_scores, said(tester=name)) == f"scores row 0: {differs(name)}"
    assert refused(scores_form, served, tester=name, session="1") == f"scores_form: {differs(name)}"
    serving = pd.DataFrame([{"session": "4", "tester": name, "position": "1", "code": "999", "pour": "P01"}])
    assert refused(labkit.append_servings, served, serving) == f"servings row 0: {differs(name)}"
    (tmp_path / "said.csv").write_text(f"tester,pour,payoff\n{name},P01,5\nT02,P01,6\n")
    found = labkit.read_scores(tmp_path / "said.csv", trial)
    assert found.left.to_dict("records") == [{"row": 2, "column": "tester", "cell": name, "why": differs(name)}]
    stated = labkit.read_scores(tmp_path / "said.csv", trial, testers={name: name, "T02": "T02"})
    assert stated.left["why"].tolist() == [differs(name)]


def test_a_session_has_one_spelling(served, tmp_path):
    told = ("session '01' differs from '1' only in leading zeros. Spell one session in one way, and "
            "give two sessions two names.")
    assert refused(labkit.append_scores, served, said(session="01")) == f"scores row 0: {told}"
    assert refused(scores_form, served, tester="T01", session="01") == f"scores_form: {told}"
    (tmp_path / "said.csv").write_text("tester,session,pour,payoff\nT01,01,P01,5\n")
    found = labkit.read_scores(tmp_path / "said.csv", labkit.read_trial(served))
    assert found.left.to_dict("records") == [{"row": 2, "column": "session", "cell": "01", "why": told}]


def test_within_one_frame():
    trial = labkit.Trial.from_toml(TERRACOTTA)
    poured = trial.with_round(two_melts(trial)).with_melts(MELTS).with_pours(POURS)
    rows = score_rows(("P01", "T01", "payoff", 4), ("P02", "t1", "payoff", 5))
    assert refused(poured.with_scores, rows) == f"scores row 3: {differs('t1')}"
    stands = poured.with_tables({"scores": rows}, files=True)
    assert stands.doubts == (f"scores.csv and servings.csv: {differs('t1')}",) and len(stands.standing_scores) == 2
    assert len(stands.with_scores(score_rows(("P02", "T01", "payoff", 4), ("P01", "t1", "payoff", 5))).scores) == 4


def test_who_was_not_served_is_told(served, tmp_path):
    trial = labkit.read_trial(served)
    (tmp_path / "said.csv").write_text("tester,session,pour,payoff,hardness\nT09,1,P01,7,4\nT01,1,P05,5,4\nT01,1,P06,3,3\n")
    notes = [
        "tester T09 scored P01 in session 1, and servings.csv serves T09 no such pour there. Compare with the ballot.",
        "tester T01 scored P05 and P06 in session 1, and servings.csv serves T01 no such pours there. Compare with the "
        "ballot."]
    found = labkit.read_scores(tmp_path / "said.csv", trial)
    assert list(found.notes[-2:]) == notes
    assert trial.with_scores(found).doubts == tuple(f"scores.csv: {note}" for note in notes) and trial.doubts == ()
    text = " servings.csv does not serve P01 to tester T09 in session 1. Check both before you save."
    assert text in scores_form(served, tester="T09", session="1", pours=["P01"]).widget.children[0].value
    assert "servings.csv" not in scores_form(served, tester="T01", session="1").widget.children[0].value


def test_a_position_that_is_not_given_is_looked_up(served):
    position = labkit.read_trial(served).servings.query("tester == 'T01' and session == '1' and pour == 'P03'")["position"]
    trial = labkit.append_scores(served, said(pour="P03"))
    assert trial.scores.iloc[-1][["pour", "session", "position"]].tolist() == ["P03", "1", position.item()]
    before = (served / "scores.csv").read_bytes()
    labkit.append_scores(served, said(pour="P03"))
    labkit.append_scores(served, said(pour="P03", position=position.item()))
    assert (served / "scores.csv").read_bytes() == before
    assert refused(labkit.append_scores, served, said(pour="P03", score=7)) == (
        f"scores row 0: payoff of P03 by T01, session 1, position {position.item()} is recorded already as 4, and 7 "
        "differs. Use correct_scores if it was wrong, or give a repeat its own session or position.")


def test_what_differs_only_by_a_blank_position_is_refused(served):
    path = served / "servings.csv"
    path.write_text(path.read_text() + "5,2026-03-20,T01,1,652,P01\n5,2026-03-20,T01,4,652,P01\n")
    once = labkit.append_scores(served, said(session="5", position="1"))
    told = ("scores row 0: payoff of P01 by T01, session 5 is recorded already with position 1, and this row has {}. Give "
            "both the same position if they are one score, or each its own if it was judged twice.")
    assert refused(labkit.append_scores, served, said(session="5")) == told.format("no position")
    assert refused(once.with_scores, said(session="5", position="01")) == told.format("position 01")
    assert len(labkit.append_scores(served, said(session="5", position="4")).scores) == len(once.scores) + 1


def test_what_stands_twice_in_a_file_is_named_and_can_be_taken_back(served):
    path = served / "scores.csv"
    path.write_text(path.read_text() + "P01,T01,1,1,payoff,4,,\nP01,T01,1,,payoff,4,,\n")
    trial = labkit.read_trial(served)
    assert trial.doubts == ("scores.csv: payoff of P01 by T01, session 1 stands with a position and without one. Take one "
                            "back with correct_scores and an empty score if they are one score.",)
    before = path.read_bytes()
    labkit.append_scores(served, labkit.store.read_table(path))
    assert path.read_bytes() == before
    taken = labkit.correct_scores(served, said(position="1", score=None), reason="the same ballot twice")
    assert taken.doubts == () and len(taken.standing_scores) == len(trial.standing_scores) - 1

"""Corrections, setting aside and taking back: later rows that say why, nothing is taken out."""
import datetime

import pandas as pd
import pytest
from store.conftest import refused, score, scores_of, snapshot

import labkit
from labkit.errors import PourError, ScoreError


def last_lines(path, count=1):
    return path.read_text().splitlines()[-count:]


def one(tester="001", value=9.0, **more):
    return score(tester=tester, value=value, **more)


class TestCorrectScores:
    def test_a_later_row_supersedes_by_row_number(self, scored):
        before = (scored / "scores.csv").read_bytes()
        trial = labkit.correct_scores(scored, scores_of(["P01"], ["NA"]).assign(score=["3,5", 4]), reason="read 8 for 3,5")
        assert (scored / "scores.csv").read_bytes() == before + b'P01,NA,1,1,payoff,3.5,4,"read 8 for 3,5"\n'
        assert len(trial.scores) == 25
        for found in (trial, labkit.read_trial(scored)):
            standing = found.standing_scores
            assert len(standing) == 24
            assert standing.query("pour == 'P01' and tester == 'NA' and attribute == 'payoff'")["score"].tolist() == [3.5]

    def test_a_second_correction_supersedes_the_first(self, scored):
        for value, reason in [(9, "first"), (8.5, "second")]:
            labkit.correct_scores(scored, one(value=value), reason=reason)
        assert last_lines(scored / "scores.csv", 2) == ["P01,001,1,1,payoff,9,2,first", "P01,001,1,1,payoff,8.5,26,second"]

    def test_blank_rows_and_lines_in_cells_count_as_a_spreadsheet_counts(self, poured):
        (poured / "scores.csv").write_text(
            'pour,tester,attribute,score,reason,corrects\n\nP01,001,payoff,7,"two\nlines",\nP02,001,payoff,6,,\n')
        labkit.correct_scores(poured, one(pour="P02", value=5), reason="x")
        assert last_lines(poured / "scores.csv") == ["P02,001,payoff,5,x,4"]

    def test_a_blank_takes_a_score_back_and_it_can_return(self, scored):
        assert len(labkit.correct_scores(scored, one(value=None), reason="wrong pour").standing_scores) == 23
        assert last_lines(scored / "scores.csv") == ["P01,001,1,1,payoff,,2,wrong pour"]
        assert len(labkit.correct_scores(scored, one(value=1), reason="it was right").standing_scores) == 24
        assert last_lines(scored / "scores.csv") == ["P01,001,1,1,payoff,1,2,it was right"]

    def test_what_stands_as_it_is_to_be_is_passed_over(self, scored):
        labkit.correct_scores(scored, one(), reason="misread")
        before = snapshot(scored)
        labkit.correct_scores(scored, one(), reason="misread")
        assert snapshot(scored) == before

    def test_a_repeat_is_told_by_its_session(self, scored):
        labkit.append_scores(scored, scores_of(["P01"]).assign(session="2", score=5.0))
        assert refused(ScoreError, labkit.correct_scores, scored, one(), reason="x") == (
            "scores row 0: pour P01, tester 001, attribute payoff was judged 2 times. Add session and position to say which.")
        labkit.correct_scores(scored, one(session="2"), reason="x")
        assert last_lines(scored / "scores.csv") == ["P01,001,2,1,payoff,9,26,x"]

    def test_is_refused_whole(self, scored):
        frame = pd.concat([one(), one(tester="NA", value=12)])
        assert refused(ScoreError, labkit.correct_scores, scored, frame, reason="x") == (
            "scores row 0: payoff is 12; scores run from 0 to 10. Leave the cell empty if it was not judged.")
        assert refused(ScoreError, labkit.correct_scores, scored, pd.concat([one(), one(value=8)]), reason="x") == (
            "scores row 0: pour P01, tester 001, attribute payoff is corrected twice in one frame. Give it once.")
        assert refused(ScoreError, labkit.correct_scores, scored, one(tester="T99"), reason="x") == (
            "scores row 0: no score is recorded for pour P01, tester T99, attribute payoff. "
            "Use append_scores for a first score.")

    @pytest.mark.parametrize("reason", ["", "  ", None])
    def test_needs_a_reason(self, scored, reason):
        assert refused(ScoreError, labkit.correct_scores, scored, one(), reason=reason) == (
            f"correct_scores has the reason {reason!r}. Say in words why; the row keeps it.")


class TestCorrectPours:
    def test_what_is_not_said_stays(self, poured):
        frame = pd.DataFrame({"pour": ["P02", "P03"], "red paste [g]": ["1,86", None], "note": [None, "streaky"]})
        before = (poured / "pours.csv").read_bytes()
        trial = labkit.correct_pours(poured, frame, reason="balance slip")
        assert (poured / "pours.csv").read_bytes() == before + (
            b"P02,M01,,17.6,,,,1.86,0.72,,78,ok,,,3,balance slip\nP03,M02,,17.6,,,,0.72,1.68,,78,ok,,streaky,4,balance slip\n")
        assert len(trial.pours) == 6
        assert trial.made.at["P02", "red_share"] == pytest.approx(1.86 / (1.86 + 0.72))
        assert list(labkit.read_trial(poured).made.index) == ["P01", "P02", "P03", "P04"]

    def test_the_empty_text_clears_a_cell(self, poured):
        labkit.correct_pours(poured, pd.DataFrame({"pour": ["P02"], "note": ["streaky"]}), reason="seen later")
        trial = labkit.correct_pours(poured, pd.DataFrame({"pour": ["P02"], "note": [""]}), reason="it was P03")
        assert trial.pours["note"].tolist()[-2:] == ["streaky", ""]
        assert last_lines(poured / "pours.csv") == ["P02,M01,,17.6,,,,1.68,0.72,,78,ok,,,6,it was P03"]

    def test_a_pour_may_turn_out_to_have_failed(self, poured):
        frame = pd.DataFrame({"pour": ["P02"], "outcome": ["failed: grainy overnight"]})
        assert labkit.correct_pours(poured, frame, reason="next morning").failed == ("P02",)

    def test_what_stands_as_it_is_to_be_is_passed_over(self, poured):
        before = snapshot(poured)
        labkit.correct_pours(poured, pd.DataFrame({"pour": ["P02"], "red paste [g]": ["1,680"], "melt": ["M01 "]}), reason="x")
        assert snapshot(poured) == before

    def test_is_refused_whole(self, poured):
        def text(reason="x", **columns):
            return refused(PourError, labkit.correct_pours, poured, pd.DataFrame(columns), reason=reason)
        assert text(pour=["P09"], note=["x"]) == (
            "pours row 0: pour 'P09' is not recorded. Use append_pours for a first record.")
        assert text(pour=["P01", "P01"], note=["x", "y"]) == (
            "pours row 1: pour P01 is corrected twice in one frame. Give it once.")
        assert text(pour=["P01"], **{"red paste [g]": ["1,2 g"]}) == (
            "pours row 0: red paste [g] is '1,2 g', which is not a number. Write digits with one comma or point, and no unit.")
        assert text(pour=["P01"], corrects=["2"]).startswith("pours has a column 'corrects' that is not known here.")
        assert text(reason="", pour=["P01"]) == "correct_pours has the reason ''. Say in words why; the row keeps it."


class TestSetAside:
    def test_and_take_back(self, scored):
        assert len(labkit.set_aside(scored, tester="001", reason="had a cold", since="2031-05-06").standing_scores) == 16
        assert len(labkit.set_aside(scored, pour="P02", tester="NA", attribute="payoff", session="1", position="2",
                                    reason="laughed", since=datetime.date(2031, 5, 7)).standing_scores) == 15
        trial = labkit.take_back(scored, tester="001", reason="it was hay fever", since="2031-06-01")
        assert len(trial.standing_scores) == len(labkit.read_trial(scored).standing_scores) == 23
        assert len(trial.scores) == 24
        assert (scored / "set_aside.csv").read_text() == (
            "action,pour,tester,session,position,attribute,reason,since\n"
            "set aside,,001,,,,had a cold,2031-05-06\n"
            "set aside,P02,NA,1,2,payoff,laughed,2031-05-07\n"
            "take back,,001,,,,it was hay fever,2031-06-01\n")

    def test_since_is_today(self, scored):
        labkit.set_aside(scored, tester="001", reason="cold")
        assert last_lines(scored / "set_aside.csv")[0] in (
            f"set aside,,001,,,,cold,{day}" for day in (datetime.date.today(), datetime.date.today() - datetime.timedelta(1)))

    def test_a_pour_before_anybody_tasted_it(self, poured):
        labkit.set_aside(poured, pour="P01", reason="fell on the floor")
        assert len(labkit.append_scores(poured, scores_of(["P01", "P02"])).standing_scores) == 6

    def test_again_for_the_same_reason_is_passed_over(self, scored):
        labkit.set_aside(scored, tester="001", reason="cold")
        before = snapshot(scored)
        labkit.set_aside(scored, tester="001", reason="cold")
        assert snapshot(scored) == before
        assert refused(ScoreError, labkit.set_aside, scored, tester="001", reason="flu") == (
            "tester 001 is set aside already: cold. Take it back first if the reason is another one.")

    @pytest.mark.parametrize("names, text", [
        ({"tester": "T01"}, "no score has the tester 'T01'. Choose 001, NA or T03."),
        ({"pour": "P05"}, "no score has the pour 'P05'. Choose P01, P02, P03 or P04."),
        ({"tester": "NA", "session": "2"}, "no score has the session '2'. Choose 1."),
        ({"tester": "NA", "pour": "P01", "position": "3"},
         "no score matches pour P01, tester NA, position 3. Check the names against scores.csv."),
        ({}, "set_aside names nothing. Give a tester, a pour, or all that tells a single score."),
    ])
    def test_what_is_set_aside_exists(self, scored, names, text):
        assert refused(ScoreError, labkit.set_aside, scored, **names, reason="x") == text

    def test_before_anything_is_scored(self, poured):
        assert refused(ScoreError, labkit.set_aside, poured, tester="T01", reason="x") == (
            "no score has the tester 'T01'. None is recorded yet.")

    def test_needs_a_reason(self, scored):
        for verb in (labkit.set_aside, labkit.take_back):
            assert refused(ScoreError, verb, scored, tester="001", reason=" ") == (
                f"{verb.__name__} has the reason ' '. Say in words why; the row keeps it.")

    def test_only_what_is_set_aside_is_taken_back(self, scored):
        assert refused(ScoreError, labkit.take_back, scored, tester="001", reason="x") == (
            "tester 001 is not set aside. Set aside at present: nothing.")
        labkit.set_aside(scored, tester="001", reason="cold")
        labkit.set_aside(scored, pour="P01", attribute="payoff", reason="dark")
        assert refused(ScoreError, labkit.take_back, scored, tester="NA", reason="x") == (
            "tester NA is not set aside. Set aside at present: tester 001; pour P01, attribute payoff.")

"""A pour all of whose scores were taken back is one that nobody scored; a row that never had a score says: not judged."""
import labkit
from labkit.scores import SCORE_KEY
from labkit.tweaks.first import first_of_all, newest_waits


def test_a_pour_whose_scores_were_all_taken_back_waits_again(demo_copy):
    scores = labkit.read_trial(demo_copy).standing_scores
    mine = scores[scores["pour"] == "P12"]
    trial = labkit.correct_scores(demo_copy, mine.iloc[1:].assign(score=""), reason="of another pour")
    assert labkit.appraise_records(trial).waiting == labkit.appraise_records(labkit.read_trial(demo_copy)).waiting == ()
    trial = labkit.correct_scores(demo_copy, mine.iloc[:1].assign(score=""), reason="of another pour")
    assert labkit.appraise_records(trial).waiting == ("Poured and not scored yet: P12.",)
    trial = labkit.correct_scores(demo_copy, mine.iloc[:1], reason="it was this pour")
    assert labkit.appraise_records(trial).waiting == ()


def test_a_pour_that_was_not_judged_is_no_such(demo_copy):
    path = demo_copy / "scores.csv"
    rows = [row.split(",") for row in path.read_text().splitlines()]
    path.write_text("\n".join(",".join([*row[:5], "" if row[0] == "P12" else row[5], *row[6:]]) for row in rows) + "\n")
    assert labkit.appraise_records(labkit.read_trial(demo_copy)).waiting == ()


def test_a_round_whose_scores_were_all_taken_back_comes_before_the_next(demo_copy):
    """`check` called its pours not scored, and `next` planned a round beside them. T05 gave P10 no shade at all."""
    path = demo_copy / "scores.csv"
    path.write_text("".join(row for row in path.read_text().splitlines(keepends=True) if not row.startswith("P10,T05,3,3,shade")))
    scores = labkit.read_trial(demo_copy).scores[[*SCORE_KEY, "score"]].dropna()
    mine = scores[scores["pour"].isin(["P09", "P10", "P11", "P12"])].drop_duplicates(list(SCORE_KEY), keep="last")
    trial = labkit.correct_scores(demo_copy, mine.assign(score=""), reason="of other pours")
    assert newest_waits(trial) and first_of_all(trial) == "First have P09, P10, P11 and P12 scored."
    trial = labkit.correct_scores(demo_copy, mine, reason="they were these")
    assert not newest_waits(trial) and not first_of_all(trial)

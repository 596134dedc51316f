"""A pour all of whose scores were taken back is one that nobody scored; a row that never had a score says: not judged."""
import labkit


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

"""A word that stands for no number: where a cell may be blank, it is said that it may."""
import pandas as pd
import pytest
from test_forms import beside

import labkit
from labkit.__main__ import main
from labkit.checks import NO_NUMBER, parse_number
from labkit.errors import LabkitError, ScoreError

LEAVE = "Leave the cell empty if it was not judged, or write digits with one comma or point."


@pytest.mark.parametrize("word", [*NO_NUMBER, "N/A", "NaN"])
def test_the_advice_is_given_where_it_holds(word):
    with pytest.raises(LabkitError) as problem:
        parse_number(word, where="it", or_blank="Leave it.")
    assert str(problem.value) == f"it is {word!r}, which is not a number. Leave it."
    with pytest.raises(LabkitError) as problem:
        parse_number(word, where="it")
    assert str(problem.value).endswith("Write digits with one comma or point, and no unit.")


@pytest.mark.parametrize("word", ["5 points", "five", "1,5,5"])
def test_what_is_meant_as_a_number_gets_the_other(word):
    with pytest.raises(LabkitError) as problem:
        parse_number(word, where="it", or_blank="Leave it.")
    assert str(problem.value).endswith("Write digits with one comma or point, and no unit.")


def test_scores_wherever_they_come_from(poured, tmp_path):
    trial = labkit.read_trial(poured)
    rows = pd.DataFrame([{"pour": "P01", "tester": "T01", "session": "1", "attribute": "payoff", "score": "n/a"}])
    for call in (trial.with_scores, lambda frame: labkit.append_scores(poured, frame)):
        with pytest.raises(ScoreError) as problem:
            call(rows)
        assert str(problem.value) == f"scores row 0: payoff is 'n/a', which is not a number. {LEAVE}"
    labkit.append_scores(poured, rows.assign(score=5))
    with pytest.raises(ScoreError) as problem:
        labkit.correct_scores(poured, rows.assign(score="-"), reason="seen late")
    assert str(problem.value) == f"scores row 0: payoff is '-', which is not a number. {LEAVE}"
    path = tmp_path / "tasting.csv"
    path.write_text("tester,pour,payoff\nT02,P01,NaN\n")
    assert labkit.read_scores(path, trial).left["why"].tolist() == [f"payoff is 'NaN', which is not a number. {LEAVE}"]


def test_a_box_for_a_score_and_one_for_a_weight(poured):
    form = labkit.scores_form(poured, tester="T01", session="1")
    form.grids["scores"].boxes["P01", "payoff"].value = "n/a"
    form.button.click()
    assert "Leave the box empty if there is no number" in beside(form, "scores", "P01", "payoff")
    form = labkit.pours_form(poured)
    form.grids["pours"].boxes["P01", "red paste [g]"].value = "n/a"
    form.button.click()
    assert beside(form, "pours", "P01", "red paste [g]").endswith("Write digits with one comma or point, and no unit.")


def test_check_names_what_nobody_has_scored(poured, capsys):
    assert main(["check", str(poured)]) == 0
    assert "by anybody" not in capsys.readouterr().out
    names = list(labkit.read_trial(poured).scored_attributes)
    for name in names:
        row = {"pour": "P01", "tester": "T01", "session": "1", "attribute": name, "score": 5}
        labkit.append_scores(poured, pd.DataFrame([row]))
        assert main(["check", str(poured)]) == 0
        told, left = " ".join(capsys.readouterr().out.split()), names[names.index(name) + 1:]
        assert ("Not scored by anybody yet" in told) == bool(left)
        assert not left or all(other in told.split("Not scored by anybody yet: ")[1] for other in left)

"""A ballot for nobody is refused, and who gives something else than servings is told where they come from."""
import pytest
from definitions import TERRACOTTA
from invented import poured

import labkit
from labkit.errors import LabkitError, ScoreError


@pytest.fixture(scope="module")
def trial():
    return poured(TERRACOTTA, rounds=1)


def refused(call, *arguments):
    with pytest.raises(LabkitError) as caught:
        call(*arguments)
    return str(caught.value)


@pytest.mark.parametrize("made", [labkit.ballots, labkit.ballot_book])
def test_no_servings_no_ballot(trial, made):
    assert refused(made, trial, trial.servings) == (
        "there are no servings, so there is no ballot. Plan them with plan_serving.")
    with pytest.raises(ScoreError) as caught:
        made(trial, None)
    assert str(caught.value) == ("the servings frame is of type NoneType. Give what plan_serving returned, or a pandas "
                                 "DataFrame, a row a serving.")


@pytest.mark.parametrize("call, words", [
    ("with_servings", "the servings frame is of type list. Give what plan_serving returned, or a pandas DataFrame, a row a "
                      "serving."),
    ("with_scores", "the scores frame is of type list. Give what read_scores returned, or a pandas DataFrame, a row a "
                    "score."),
    ("with_melts", "the melts frame is of type list. Give a pandas DataFrame, a row a melt."),
    ("with_readings", "the readings frame is of type list. Give a pandas DataFrame, a row a reading."),
    ("with_set_aside", "the set_aside frame is of type list. Give a pandas DataFrame, a row for what is set aside or taken "
                       "back."),
    ("with_pours", "the pours frame is of type list. Give a pandas DataFrame, a row a pour."),
])
def test_a_frame_is_asked_for_by_its_rows(trial, call, words):
    assert refused(getattr(trial, call), []) == words

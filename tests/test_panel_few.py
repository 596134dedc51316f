"""Two pours, two testers, or one pour: what so few scores give is told as what it can be."""
import pandas as pd
import pytest
from definitions import TWO_THINGS
from invented import poured

import labkit
from labkit.core import agreement


def panel_of(table):
    """A panel from scores: a list a tester, a score a pour."""
    trial = poured(TWO_THINGS, rounds=1, pours=len(table[0]))
    rows = [{"pour": pour, "tester": f"T{t}", "session": "1", "attribute": "hardness", "score": score}
            for t, scores in enumerate(table) for pour, score in zip(trial.made.index, scores, strict=True)]
    return labkit.appraise_panel(trial.with_scores(pd.DataFrame(rows)))


@pytest.mark.parametrize("table, least", [([[3, 7], [7, 4]], -1.0), ([[3, 7], [7, 4], [6, 3]], -0.5)])
def test_testers_are_not_less_alike_than_they_can_be(table, least):
    """Variances of sums are not negative: 1 + (k - 1) r >= 0. Shrout & Fleiss (1979) alone give -24 for the first."""
    row = panel_of(table).agreement.iloc[0]
    assert agreement.intraclass_correlations(pd.DataFrame(table).T.to_numpy(dtype=float))["ICC(2,1)"].estimate < least
    assert row["icc"] == pytest.approx(least) and row["low"] == pytest.approx(least) and row["high"] > least


def test_what_lies_within_is_told_as_it_is():
    table = [[2, 4, 7], [3, 5, 6]]
    row, plain = panel_of(table).agreement.iloc[0], agreement.intraclass_correlations(
        pd.DataFrame(table).T.to_numpy(dtype=float), level=0.9)["ICC(2,1)"]
    assert (row["icc"], row["low"], row["high"]) == pytest.approx(tuple(plain))


@pytest.mark.parametrize("table, says", [([[8], [8]], False), ([[8, 8], [8, 8]], True)])
def test_one_pour_is_not_said_to_be_alike(table, says):
    assert ("Every score of hardness is 8: the pours are alike" in " ".join(str(panel_of(table)).split())) == says


def test_one_tester_alone_is_not_read_as_mere_order():
    assert "mere order" not in str(panel_of([[3, 7, 4]])) and "mere order" in str(panel_of([[3, 7, 4], [2, 5, 6]]))


def test_a_tester_with_only_the_highest_score_has_no_place_in_an_order():
    says = panel_of([[3, 4, 5], [4, 3, 5], [5, 5, 5], [3, 5, 4]]).ordinal("hardness").says
    assert says == ("hardness cannot be read as mere order: some pour or tester has only the highest or only the lowest "
                    "scores.")

"""No answer hangs on the order of the rows of a file: a spreadsheet sorts them by whatever column one clicks on."""
import numpy as np
import pytest

import labkit

LATE = 3           # pours of a round that are scored by fewer testers: with all alike, the letters cannot tell an order


@pytest.fixture(scope="module")
def both(demo):
    """The demo without some of its scores, and the same with the rows of every table in another order."""
    rng, tables = np.random.default_rng(4), dict(demo.tables)
    scores = tables["scores"]
    some = scores["pour"].isin(scores["pour"].unique()[:LATE]) & scores["tester"].isin(["T01", "T04"])
    tables["scores"] = scores[~some].reset_index(drop=True)
    mixed = {name: table.iloc[rng.permutation(len(table))].reset_index(drop=True) for name, table in tables.items()}
    assert list(mixed["pours"]["pour"]) != list(tables["pours"]["pour"])
    return [labkit.Trial(definition=demo.definition, tables=each) for each in (tables, mixed)]


def reports(trial):
    best = labkit.suggest_next(trial, pours=4, melts=2, seed=1).best
    return [str(found) for found in (
        labkit.appraise_panel(trial), labkit.fit_surfaces(trial)["shade"], labkit.fit_failing(trial), best.to_csv(),
        labkit.tell_tradeoffs(trial, at=best, seed=1), labkit.plan_confirmation(trial, best, seed=1),
        labkit.plan_round(trial, pours=3, melts=1, seed=1))]


def test_every_report_is_the_same_to_the_letter(both):
    """Of nine pours the letters of one, and what a point of one score costs of another, hung on it."""
    for one, other in zip(*map(reports, both), strict=True):
        assert one == other


def test_pours_stand_in_the_order_of_their_names(both):
    made = list(both[1].made.index)
    assert made == sorted(made) == list(both[0].made.index)
    assert both[1].failed == both[0].failed == ("P06",)


@pytest.mark.parametrize("names, told", [
    (["P10", "P9", "X-02", "P1"], ["P1", "P9", "P10", "X-02"]), (["B12b", "B2", "12", "7", "B12"], ["7", "12", "B2", "B12", "B12b"])])
def test_digits_of_names_count_as_numbers(names, told):
    from labkit.wording import in_turn

    assert sorted(names, key=in_turn) == told

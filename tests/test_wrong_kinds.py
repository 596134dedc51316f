"""What is of the wrong kind is told in a sentence of fact and one of advice, and never by Python's own error."""
import pandas as pd
import pytest
from definitions import TERRACOTTA
from invented import poured

import labkit
from labkit.errors import FormulaError, PlanError, RehearsalError, ScoreError


@pytest.fixture(scope="module")
def trial():
    return poured(TERRACOTTA, rounds=1)


def refused(error, call, *arguments, **named):
    with pytest.raises(error) as caught:
        call(*arguments, **named)
    return str(caught.value)


@pytest.mark.parametrize("path, named, words", [
    (None, {}, "the file of scores is of type NoneType. Give its path, such as 'tasting.csv'."),
    (pd.DataFrame(), {}, "the file of scores is of type DataFrame. Give its path, such as 'tasting.csv'."),
    ("t.csv", {"columns": "payoff"}, "columns is 'payoff'. Give what it is by what the file calls it, such as "
                                     "{'Deckkraft': 'payoff'}."),
    ("t.csv", {"constant": "x"}, "constant is 'x'. Give by its name what no column says, such as {'session': '3'}."),
    ("t.csv", {"drop": 5}, "drop is 5. Give the names of the columns to pass over, such as ['remarks']."),
])
def test_scores(trial, path, named, words):
    assert refused(ScoreError, labkit.read_scores, path, trial, **named) == words


def test_scores_of_no_trial():
    assert refused(ScoreError, labkit.read_scores, "t.csv", "trials/mine") == (
        "the trial is of type str. Give what read_trial(folder) returned.")


READ = TERRACOTTA.replace("[attributes.payoff]", """[attributes.softness]
reading = "needle depth"
unit = "mm"
scale = [0, 20]
[attributes.payoff]""")
SCORED = "payoff, hardness, sheerness or shade"


@pytest.mark.parametrize("text, words", [
    ("tester,pour\nT01,P01\n", f"t.csv has no column of scores. Name a column score or by an attribute ({SCORED}), or say "
                               "which it is with columns=."),
    ("tester,P01\nT01,7\n", "t.csv does not say what is scored in the column P01. Give constant={'attribute': 'payoff'} "
                            "where it is payoff, or name columns such as 'P01 payoff'."),
    ("tester,pour,attribute,score\nT01,P01,gloss,7\n", f"attribute 'gloss' is not in trial.toml. Choose {SCORED}."),
])
def test_what_an_instrument_reads_is_not_offered_as_a_score(tmp_path, text, words):
    """It was the first of what may be scored, and then refused as read by an instrument."""
    (tmp_path / "t.csv").write_text(text, encoding="utf-8")
    try:
        told = labkit.read_scores(tmp_path / "t.csv", poured(READ, rounds=1)).left["why"].item()
    except ScoreError as refusal:
        told = str(refusal)
    assert told == words


@pytest.mark.parametrize("named", [{"sessions": 3}, {"dates": 2.5}, {"dates": {"a": 1}}])
def test_names_and_days_of_sittings(trial, named):
    (what, value), = named.items()
    assert refused(PlanError, labkit.plan_serving, trial, pours=["P01"], testers=["T01"], **named) == (
        f"{what} is {value!r}. Give a list, one {what[:-1]} for each sitting.")


@pytest.mark.parametrize("seeds", [5, None, 1.5])
def test_seeds(trial, seeds):
    assert refused(RehearsalError, labkit.rehearse_many, trial, seeds=seeds) == (
        f"seeds is {seeds!r}. Give a whole number a rehearsal, such as range(8).")


def test_text_is_no_seeds(trial):
    assert refused(RehearsalError, labkit.rehearse_many, trial, seeds="12") == (
        "seeds is '12'. Give a whole number a rehearsal, such as range(8).")


def test_a_melt_without_a_pot():
    a, b = TERRACOTTA.index("pot = "), TERRACOTTA.index("\n", TERRACOTTA.index("pot = "))
    assert refused(FormulaError, labkit.Trial.from_toml, TERRACOTTA[:a] + TERRACOTTA[b:]) == (
        "[melt] has no `pot`. List the ingredients that are melted together, or leave [melt] out where every pour has a "
        "pot of its own.")


class TestDroppedAttribute:
    def test_a_dropped_or_renamed_attribute_is_kept_and_never_relabelled(self, demo_copy):
        path = demo_copy / "trial.toml"
        path.write_text(path.read_text(encoding="utf-8").replace("[attributes.shade]", "[attributes.tone]"),
                        encoding="utf-8")
        row = 2 + labkit_rows(demo_copy).index("shade")
        assert refused(ScoreError, labkit.read_trial, demo_copy) == (
            f"scores.csv has 65 scores of 'shade', the first in row {row}, which trial.toml does not name. Name it there as "
            "it is scored, [attributes.shade], without `wanted` if it no longer counts: the scores stay.")

    def test_the_advice_works(self, demo_copy):
        path = demo_copy / "trial.toml"
        path.write_text(path.read_text(encoding="utf-8").replace("[attributes.shade]", "[attributes.tone]")
                        + "\n[attributes.shade]\n", encoding="utf-8")
        trial = labkit.read_trial(demo_copy)
        assert trial.attributes["shade"].wanted is None and "shade" in set(trial.standing_scores["attribute"])

    def test_a_new_row_is_told_what_may_be_meant_only_when_really_close(self, trial):
        row = pd.DataFrame([{"pour": "P01", "tester": "T01", "attribute": "shadow", "score": 5}])
        assert refused(ScoreError, trial.with_scores, row) == (
            "scores row 0: attribute 'shadow' is not in trial.toml. Choose payoff, hardness, sheerness or shade.")
        assert refused(ScoreError, trial.with_scores, row.assign(attribute="shades")) == (
            "scores row 0: attribute 'shades' is not in trial.toml. Did you mean 'shade'?")


def labkit_rows(folder):
    """The attribute of each row of scores.csv."""
    from labkit.store import read_table
    return list(read_table(folder / "scores.csv")["attribute"])

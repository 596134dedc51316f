"""Reports of one trial do not contradict each other, and what one advises the other takes."""
import types
from dataclasses import replace

import pandas as pd
import pytest
from definitions import TERRACOTTA

import labkit
from labkit.errors import TweakError
from labkit.tweaks import confirming, words
from labkit.tweaks.price import Bargain
from labkit.tweaks.rivals import Rivals
from labkit.tweaks.suggest import FAINT, of_use

OUT_OF_REACH = TERRACOTTA.replace("rising = [4, 8]", "rising = [9.8, 10]").replace("peak = [4, 6, 8]", "peak = [0, 0.1, 0.2]")


def judged(trial, round_, score=6):
    """The trial with a round poured as planned, everything scored alike."""
    said = pd.DataFrame([{"pour": pour, "tester": "T01", "session": str(round_.number), "attribute": name, "score": score}
                         for pour in round_.pours for name in trial.scored_attributes])
    return trial.with_round(round_).with_pours(round_.as_poured()).with_scores(said)


@pytest.fixture(scope="module")
def confirmation(demo):
    return labkit.plan_confirmation(demo, pours=2, seed=1)


def changed(confirmation, **cells):
    """The round with other values in the second pour."""
    frame = confirmation.round.frame.copy()
    for column, value in cells.items():
        frame.loc[1, column] += value
    return replace(confirmation.round, frame=frame)


@pytest.mark.parametrize("cells", [{"pour_temperature": -2.0}, {"mango butter [g]": 0.01, "jojoba oil [g]": -0.01}])
def test_what_differs_in_a_setting_or_a_gram_is_not_one_formula(demo, confirmation, cells):
    """It is neither advised to be appraised as a confirmation nor appraised as one."""
    number, trial = confirmation.round.number, judged(demo, changed(confirmation, **cells))
    assert not len(words.poured_alone(trial))
    with pytest.raises(TweakError) as refused:
        labkit.appraise_confirmation(trial, number)
    assert str(refused.value) == (f"round {number} has 2 formulas, and a confirmation is one, poured again. Give the number "
                                  "of the round that plan_confirmation planned.")
    same = judged(demo, confirmation.round)
    assert len(words.poured_alone(same)) == 2 and labkit.appraise_confirmation(same, number, seed=1)


def beside(monkeypatch, mean, **others):
    """The formula is expected to come to a mean, and other known ones to theirs."""
    others = pd.Series(others)
    found = Rivals(formula=pd.Series({"mean": mean, "low": mean - 0.1, "high": mean + 0.1}), others=others, chances=0 * others)
    monkeypatch.setattr(confirming, "rivals_of", lambda standing, others: found)


@pytest.mark.parametrize("lead, says", [
    (0.0049, "As far as is known today P07 is as good: it is not expected to be better by 0.005."),
    (0.0051, "As far as is known today P07 is the better choice already: desirability 0.71 against 0.70.")])
def test_what_is_better_by_nothing_that_counts_is_as_good(monkeypatch, lead, says):
    beside(monkeypatch, 0.7, P07=0.7 + lead, P03=0.2)
    assert confirming._todays(None, None) == says


@pytest.mark.parametrize("mean", [FAINT, FAINT + 0.002])
def test_what_nobody_would_settle_on_is_not_to_be_confirmed(monkeypatch, mean):
    """suggest_next settles on nothing of no more than FAINT: the same bound."""
    beside(monkeypatch, mean, P07=0.01)
    assert confirming._todays(None, None).startswith("It is expected to come to a desirability of 0.05 only") == (
        not of_use(mean, Bargain(gain=0.0, cost=1.0, worth=1.0, having=mean)))


def test_where_nothing_is_of_use_the_round_that_teaches_is_the_one_to_pour(demo):
    hopeless = labkit.Trial.from_toml(OUT_OF_REACH).with_tables(demo.tables, files=True)
    told = "so suggest_next plans a round that teaches the most: pour that one."
    assert "planned to teach the most instead" in labkit.suggest_next(hopeless, seed=1).advice
    assert told in labkit.compare_efforts(hopeless, seed=1).advice
    assert told not in labkit.compare_efforts(demo, seed=1).advice


@pytest.mark.parametrize("failed, says", [(4, "4 of 4 pours failed; "), (3, "3 of 4 pours failed; "), (0, None)])
def test_that_pours_failed_is_told_also_before_there_are_scores(failed, says):
    trial = labkit.Trial.from_toml(TERRACOTTA)
    round_ = labkit.plan_round(trial, pours=4, melts=2, seed=1)
    outcome = ["failed: did not set"] * failed + ["ok"] * (4 - failed)
    trial = trial.with_round(round_).with_pours(round_.as_poured().assign(outcome=outcome))
    advice = labkit.suggest_next(trial, seed=1).advice.split("\n")
    assert advice[0].startswith("No pour has been scored yet") and len(advice) == 1 + bool(says)
    if says:
        best = labkit.suggest_next(trial, seed=1).best[list(trial.recipe.coordinates)]
        holds = 1 - labkit.fit_failing(trial).predict(best)["chance"].iloc[0]
        assert advice[1].startswith(says) and advice[1].endswith(f"the formula below holds with a chance of {holds:.2f}.")


@pytest.mark.parametrize("hold, says", [({"wax": 0.2}, "is the starting formula, but for what is held."),
                                        (None, "is the starting formula.")])
def test_the_starting_formula_is_named_as_far_as_it_is_that(hold, says):
    trial = labkit.Trial.from_toml(TERRACOTTA)
    found = labkit.suggest_next(trial, seed=1, hold=hold)
    start = trial.recipe.starting_factors["wax"].item()
    assert f"the formula below {says}" in found.advice
    assert (found.best["wax"].item() == pytest.approx(start, abs=0.001)) == (hold is None)


def test_what_is_close_is_whether_to_stop_and_not_what_stands_before_it(demo, monkeypatch):
    for name, told in (("_settling", "Round 4 poured it again."), ("_held", []), ("missing", []), ("_unvaried", []),
                       ("_little", [])):
        monkeypatch.setattr(words, name, lambda *given, told=told: told)
    asked, near = types.SimpleNamespace(hold={}), Bargain(gain=0.043, cost=9.0, worth=0.005, having=0.8, known=0.05)
    told = words.advice(demo, asked, types.SimpleNamespace(surfaces={}), None, near)
    assert told.endswith("Round 4 poured it again. Whether to stop is close: computed with another seed it may turn.")


def test_what_trial_toml_pins_is_neither_chosen_by_eye_nor_said_to_vary(demo_copy):
    """Held at 74 degrees by trial.toml, it was to be chosen by eye; and `what varies` named it."""
    path = demo_copy / "trial.toml"
    text = path.read_text(encoding="utf-8").replace("low = 68\nhigh = 80", "low = 75\nhigh = 75")
    path.write_text(text, encoding="utf-8")
    trial = labkit.read_trial(demo_copy)
    assert "pour_temperature" not in labkit.suggest_next(trial, pours=4, melts=2, seed=2).advice
    assert "what varies: wax, red_share and load. " in " ".join(str(labkit.appraise_records(trial)).split())
    assert " wax, red_share and load coded -1 to 1" in " ".join(str(labkit.fit_surfaces(trial)["payoff"]).split())

"""A tweak is told as it is weighed, set and read: in steps of the balance, with units, in as many melts as differ."""
import types

import pandas as pd
import pytest
from definitions import TERRACOTTA

import labkit
from labkit.__main__ import _settled
from labkit.tweaks import words
from labkit.wording import report

READ = """[product]
name = "Firm"
[batch]
pour_g = 20
balance_step_g = 0.1
[formula]
"beeswax" = 20
"castor oil" = "to 100"
"red iron oxide" = 5
[melt]
pot = ["beeswax", "castor oil"]
[factors.wax]
of = ["beeswax"]
within = ["beeswax", "castor oil"]
low = 0.1
high = 0.3
[factors.load]
of = ["red iron oxide"]
low = 0.02
high = 0.1
[settings.warmth]
unit = "degC"
low = 60
high = 80
[attributes.firmness]
reading = "push force"
unit = "N"
scale = [0, 2000]
wanted = { peak = [400, 900, 1500] }
[attributes.payoff]
wanted = { rising = [3, 8] }
"""


@pytest.fixture(scope="module")
def trial():
    return judged(READ)


def judged(text):
    """Four pours read and scored without noise: firmness rises with the wax, payoff with the load."""
    trial = labkit.Trial.from_toml(text)
    round_ = labkit.plan_round(trial, pours=4, melts=2, seed=1)
    trial = trial.with_round(round_).with_pours(round_.as_poured())
    made = trial.made
    read = pd.DataFrame({"pour": made.index, "method": "push force", "direction": "up", "unit": "N", "repeat": "",
                         "value": (200 + 6000 * (made["wax"] - 0.1)).round().to_numpy()})
    said = pd.DataFrame([{"pour": pour, "tester": tester, "session": "1", "attribute": "payoff", "score": round(80 * load)}
                         for pour, load in made["load"].items() for tester in ("T01", "T02")])
    return trial.with_readings(read).with_scores(said)


@pytest.fixture(scope="module")
def tweak(trial):
    return labkit.suggest_next(trial, seed=1)


def rows(text, heading):
    """The lines of the table under a heading, split into words."""
    return [line.split() for line in text.split(heading)[1].splitlines() if line.startswith("  ")]


def test_the_formula_is_told_in_steps_of_the_balance_and_as_a_hand_sets_it(tweak):
    told = {" ".join(row[:-1]): row[-1] for row in rows(str(tweak), "What it would settle on today")[:7]}
    best = tweak.best.iloc[0]
    assert told["beeswax [g]"] == f"{best['beeswax [g]']:.1f}" and told["castor oil [g]"] == f"{best['castor oil [g]']:.1f}"
    assert told["warmth [°C]"] == f"{best['warmth']:.1f}" and told["wax"] == f"{best['wax']:.3f}"
    assert told["load"] == f"{best['load']:.4f}"                 # it runs from .02 to .10: a thousandth is an eightieth of that


def test_what_is_read_has_its_unit(trial, tweak):
    mean = tweak.predictions.set_index("attribute").at["firmness", "mean"]
    for told in (str(tweak), report(*_settled(trial, tweak)).as_text()):                 # the second from the shell
        predicted = [row for row in rows(told, "Predicted there") if row[0] == "firmness"]
        assert predicted[0][:3] == ["firmness", "[N]", f"{mean:.0f}"]
    assert "firmness [N]" not in set(tweak.predictions["attribute"])
    first = " ".join(str(labkit.tell_tradeoffs(trial, at=tweak.best)).split())
    assert f"Around the formula with firmness {mean:.0f} N and payoff" in first


def test_what_is_far_off_or_changes_with_a_factor_has_its_unit(trial):
    table = pd.DataFrame({"attribute": ["firmness", "payoff", "desirability"], "mean": [300.0, 7.0, 0.0]})
    assert "firmness is furthest off: 300 N expected, wanted peak 400, 900 to 1500." in words.nothing_found(trial, table)
    effects = pd.DataFrame({"effect": [704.6], "low": [10.0], "high": [1300.0], "no part": [0.0]}, index=["wax"])
    surface = types.SimpleNamespace(effects=effects, bends=effects.assign(low=-5.0),
                                    posterior=types.SimpleNamespace(attribute=trial.attributes["firmness"]))
    assert words._changed_by("wax", {"firmness": surface}) == "from its low to its high it changes firmness by +705 N"


@pytest.mark.parametrize("hold, melts, says", [({"wax": 0.2}, 2, True), ({"wax": 0.2}, 1, False), ({"load": 0.05}, 2, False)])
def test_more_melts_than_pots_that_differ_are_named(trial, hold, melts, says):
    """As plan_round does."""
    found = labkit.suggest_next(trial, pours=3, melts=melts, seed=1, hold=hold)
    note = "Nothing in the pot varies: a single melt would do."
    assert (note in found.round.notes) == (note in str(found)) == says
    assert (note in labkit.plan_round(trial, pours=3, melts=melts, seed=1, hold=hold).notes) == says


def test_a_setting_of_the_melt_is_a_pot_that_differs():
    toml = TERRACOTTA.replace("high = 80\n", "high = 80\nper_melt = true\n")
    trial = labkit.Trial.from_toml(toml)
    round_ = labkit.plan_round(trial, pours=3, melts=3, seed=1)
    trial = trial.with_round(round_).with_pours(round_.as_poured())
    trial = trial.with_scores(pd.DataFrame([{"pour": pour, "tester": "T01", "session": "1", "attribute": "payoff", "score": s}
                                            for pour, s in zip(round_.pours, (3, 5, 7), strict=True)]))
    found = labkit.suggest_next(trial, pours=2, melts=2, seed=1, hold={"wax": 0.16})
    assert not any("Nothing in the pot" in note for note in found.round.notes)


def alone(trial):
    """The same with firmness as all that is wanted: nobody scores anything."""
    kept = labkit.Trial.from_toml(READ.split("[attributes.payoff]")[0])
    tables = {name: table for name, table in trial.tables.items() if name not in ("scores", "servings")}
    return kept.with_tables(tables)


def test_where_all_is_read_no_testers_are_counted(trial):
    read = alone(trial)
    round_ = labkit.plan_round(read, pours=3, melts=2, seed=1)
    found = labkit.appraise_round(read, round_)
    text = " ".join(f"{found} {round_} {found!r}".split())
    assert "What round 2 can tell, every pour read once" in text and "Noise as stated for this trial." in text
    assert "of that of a pour read once ([noise])" in text and "<Prospect of round 2: every pour read once>" in text
    assert "tester" not in text and "no scores" not in text
    both = labkit.appraise_round(trial, labkit.plan_round(trial, pours=3, melts=2, seed=1))
    assert str(both).startswith("What round 2 can tell, scored by 2 testers") and "one more tester" in str(both)


@pytest.mark.parametrize("only, says", [(True, "every reading"), (False, "every score and reading")])
def test_what_is_of_use_is_named_as_it_is_judged(trial, only, says):
    found = labkit.plan_confirmation(alone(trial) if only else trial, pours=1, seed=1)
    assert f"The chance that {says} is of use in the long run is " in found.advice


def test_the_first_round_is_told_as_it_will_be_judged(trial):
    read, both = labkit.Trial.from_toml(READ.split("[attributes.payoff]")[0]), labkit.Trial.from_toml(READ)
    assert labkit.suggest_next(read, seed=1).advice == (
        "No pour has been read yet, so nothing is known about what to change. This round is planned to teach the most about "
        "all readings at once; the formula below is the starting formula. Pour the round, have it read, and ask again.")
    assert labkit.suggest_next(both, seed=1).advice == (
        "No pour has been scored or read yet, so nothing is known about what to change. This round is planned to teach the "
        "most about all scores at once; the formula below is the starting formula. Pour the round, have it scored and read, "
        "and ask again.")


def test_what_no_balance_weighs_within_the_limits_is_told_of_every_round():
    """3.3 % of 20 g are 0.66 g, between two steps of 0.1 g: 3 or 3.5 % of each pour, as plan_round says."""
    pinned = judged(READ.replace("low = 0.02\nhigh = 0.1\n", "low = 0.033\nhigh = 0.033\n"))
    over = "Whole balance steps carry {} over a limit, by less than a step."
    tweak, confirmation = labkit.suggest_next(pinned, pours=2, melts=2, seed=1), labkit.plan_confirmation(pinned, pours=1)
    assert over.format("P05 and P06") in tweak.round.notes and over.format("P05") in confirmation.round.notes
    assert over.format("P05 and P06") in labkit.plan_round(pinned, pours=2, melts=2, seed=1).notes
    more = labkit.compare_efforts(pinned, pours=2, melts=2, seed=1).rounds["pour"]
    assert over.format("P05, P06 and P07") in more.notes
    free = labkit.suggest_next(judged(READ), pours=2, melts=2, seed=1)
    assert not any("over a limit" in note for note in free.round.notes)


@pytest.mark.parametrize(("pours", "says"), [(4, False), (5, True)])
def test_more_pours_than_a_sitting_are_told_in_every_round(trial, pours, says):
    """Only the first round told so, from plan_round."""
    note = "5 pours are more than the 4 of one sitting: serve them in 2."
    assert (note in labkit.suggest_next(trial, pours=pours, melts=2, seed=1).round.notes) == says

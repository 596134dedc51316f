"""What was planned or made before trial.toml was changed: told by `labkit check` and `labkit next`."""
import re

import pandas as pd
import pytest
from definitions import TERRACOTTA

import labkit
from labkit.__main__ import main

RED_SHARE = TERRACOTTA[TERRACOTTA.index("[factors.red_share]"):TERRACOTTA.index("[factors.load]")]


def rewritten(folder, *changes):
    """The trial.toml of a folder with texts put in the place of others."""
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


def told(command, folder, capsys):
    assert main([command, str(folder)]) == 0
    return " ".join(capsys.readouterr().out.split())


def test_pours_of_a_factor_that_was_taken_out_differ_in_what_no_factor_describes(demo_copy, capsys):
    before = labkit.read_trial(demo_copy).made
    rewritten(demo_copy, (RED_SHARE, ""))
    # by hand: half of the load (g/g) is red at the start; five steps of the balance are so much paste, half of it pigment
    off = before["load"] * (before["red_share"] - 0.5)
    far = off.abs() > 0.1 * before["load"] / 2 + 5 * 0.01 / 20 / 2
    assert 1 < far.sum() < len(far)
    shown = told("check", demo_copy, capsys)
    first, last = [name for name in before.index if far[name]][::far.sum() - 1]
    assert f"{first}, " in shown and f"and {last} hold up to {100 * off.abs().max():.1f} % of the batch more or less " in shown
    assert ("than their factors say. No factor describes that, and they stay in the fit as if they did not: let a factor "
            "describe it, or set aside what can no longer be compared.") in shown
    assert "No factor describes that" in told("next", demo_copy, capsys)


def test_another_paste_of_the_same_colorants_differs_by_its_oil_alone(demo_copy, capsys):
    made = labkit.read_trial(demo_copy).made_formulas["red paste"]
    rewritten(demo_copy, ('"red paste" = 4', '"red paste" = 0\n"strong paste" = 2.5'),
              ("[made_of]", '[made_of]\n"strong paste" = { "red iron oxide" = 0.8, "castor oil" = 0.2 }'))
    # by hand: the red of 1 g of the old paste comes with 0.5 g of oil, and with 0.125 g in the new one
    shown = told("check", demo_copy, capsys)
    assert f"hold up to {100 * 0.375 * made.max():.1f} % of the batch more castor oil than their factors say" in shown


def test_nothing_is_said_of_pours_that_were_weighed_as_they_are_every_day(demo_copy, capsys):
    assert "describes" not in told("check", demo_copy, capsys)


def test_an_ingredient_in_the_place_of_another_is_told_until_its_pours_are_set_aside(demo_copy, capsys):
    rewritten(demo_copy, ('"candelilla wax" = 14', '"candelilla wax" = 0\n"sunflower wax" = 14'),
              ('["candelilla wax"', '["sunflower wax"'), ("[factors.wax]", "[factors.sunflower]"), ("{ wax", "{ sunflower"),
              ('pot = [', 'pot = ["candelilla wax", '))
    made = labkit.read_trial(demo_copy).made_formulas["candelilla wax"]
    shown = told("check", demo_copy, capsys)
    assert f"{made.index[-1]} hold up to {100 * made.max():.1f} % of the batch more candelilla wax than their" in shown
    for pour in made.index[1:]:
        labkit.set_aside(demo_copy, pour=pour, reason="another wax")
    assert f"P01 holds {100 * made['P01']:.1f} % of the batch more candelilla wax than its factors say." in told(
        "check", demo_copy, capsys)
    labkit.set_aside(demo_copy, pour="P01", reason="another wax")
    assert "describes" not in told("check", demo_copy, capsys)


@pytest.mark.parametrize("command", ["check", "next"])
def test_a_planned_round_outside_the_limits_of_today(demo_copy, capsys, command):
    trial = labkit.read_trial(demo_copy)
    round_ = labkit.plan_round(trial, pours=2, melts=1, hold={"wax": 0.21}, seed=1)
    labkit.append_round(demo_copy, round_)
    assert "outside the present limits" not in told(command, demo_copy, capsys).replace("Outside the", "")
    rewritten(demo_copy, ("high = 0.22", "high = 0.20"))
    first, last = round_.pours
    assert (f"Planned outside the present limits, and not poured: {first} and {last}. Delete their rows in plan.csv, or "
            "pour them where that is still wanted.") in told(command, demo_copy, capsys)


def test_a_planned_round_of_another_starting_formula(demo_copy, capsys):
    labkit.append_round(demo_copy, labkit.plan_round(labkit.read_trial(demo_copy), pours=2, melts=1, seed=1))
    rewritten(demo_copy, ('"mango butter" = 30', '"mango butter" = 45'))
    # by hand: of the base, 91 % of the starting formula, butter keeps 30 parts of 91, and now 45
    plan = labkit.read_trial(demo_copy).plan.iloc[-2:]
    base = plan[[f"{name} [g]" for name in ("candelilla wax", "mango butter", "jojoba oil")]].sum(axis=1)
    less = (base * 45 / 91 - plan["mango butter [g]"]) / 20
    first, last = plan["pour"]
    assert (f"Planned with up to {100 * less.max():.1f} % of the batch less mango butter than would be planned now, and not "
            f"poured: {first} and {last}. Delete their rows in plan.csv, or pour them where that is still wanted."
            ) in told("next", demo_copy, capsys)


def test_scores_of_a_scale_that_was_ten_times_shorter_until_they_are_converted(demo_copy, capsys):
    rewritten(demo_copy, ("[attributes.sheerness]", "[attributes.sheerness]\nscale = [0, 100]"),
              ("peak = [2, 5, 8]", "peak = [20, 50, 80]"))
    scores = labkit.read_trial(demo_copy).scores
    old = scores[(scores["attribute"] == "sheerness") & (scores["corrects"] == "")]
    sessions = list(dict.fromkeys(old["session"]))
    shown = told("check", demo_copy, capsys)
    assert f" scores of sheerness in sessions {', '.join(sessions[:-1])} and {sessions[-1]} run from " in shown
    assert ("but its scale from 0 to 100. If they were given on another scale, convert them with correct_scores, or put "
            "that scale back in trial.toml.") in shown and shown.count("but its scale") == 1
    labkit.correct_scores(demo_copy, old.drop(columns=["corrects", "reason"]).assign(score=10 * old["score"]),
                          reason="given on a scale from 0 to 10")
    assert "but its scale" not in told("check", demo_copy, capsys)


@pytest.mark.parametrize(("attribute", "high", "most", "says"), [
    ("shade", 20, 10.0, True), ("shade", 19, 10.0, False), ("shade", 20, 9.5, False), ("shade", 20, 11.0, False),
    ("sheerness", 20, 10.0, False)])
def test_scores_of_a_scale_that_was_doubled_where_its_old_end_was_given(demo_copy, attribute, high, most, says):
    """Half a scale may be an honest panel's: told only where two scores stand at the old end, and none is over it."""
    rewritten(demo_copy, (f"[attributes.{attribute}]", f"[attributes.{attribute}]\nscale = [0, {high}]"))
    path = demo_copy / "scores.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(re.sub(r"(shade),10(?:\.0)?(?=,|$)", rf"\1,{most}", line) for line in lines) + "\n",
                    encoding="utf-8")
    trial = labkit.read_trial(demo_copy)
    of = trial.standing_scores.query(f"attribute == '{attribute}'")
    at_end, told_of = (of["score"] == most).sum(), " ".join(labkit.appraise_records(trial).outgrown)
    assert at_end >= 2 or attribute == "sheerness"
    assert (f"All {len(of)} scores of {attribute} in sessions 1, 2 and 3 run from {of['score'].min():g} to 10, but its scale "
            "from 0 to 20. If they were given on another scale, convert them with correct_scores") in told_of or not says
    assert ("but its scale" in told_of) == says


def test_scores_of_a_short_scale_are_told_beside_others_of_the_usual_one(demo_copy):
    """Of 0 to 20: one session of 1 to 5, and others of 0 to 10, whose end nobody gave."""
    rewritten(demo_copy, ("[attributes.sheerness]", "[attributes.sheerness]\nscale = [0, 20]"))
    path = demo_copy / "scores.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(re.sub(r"^(.*,1,\d*,sheerness),[\d.]+", r"\1,4", line) for line in lines) + "\n", encoding="utf-8")
    told_of = " ".join(labkit.appraise_records(labkit.read_trial(demo_copy)).outgrown)
    assert " scores of sheerness in session 1 run from 4 to 4, but its scale from 0 to 20. " in told_of


@pytest.mark.parametrize(("high", "says"), [(100, True), (80, True), (79, False)])
def test_a_scale_that_leaves_nearly_all_of_it_unread(high, says):
    """An instrument's scale states what is held possible: ten times what is read is told, from six pours on."""
    text = TERRACOTTA + f'[attributes.softness]\nreading = "needle depth"\nunit = "mm"\nscale = [0, {high}]\n'
    trial = labkit.Trial.from_toml(text)
    round_ = labkit.plan_round(trial, pours=6, melts=2, seed=1)
    trial = trial.with_round(round_).with_pours(round_.as_poured())
    read = pd.DataFrame({"pour": round_.pours, "method": "needle depth", "direction": "up", "unit": "mm",
                         "value": [2, 4, 6, 8.5, 10, 3.25]})
    again = read.iloc[[0, 0]].assign(value=[0, 4], repeat=["2", "3"])                # P01 is 2 on average
    told_of = (f"The 6 pours read for softness lie from 2.0 to 10.0 mm, but its scale from 0 to {high} mm. What is held possible "
               "beforehand goes with its width: let it run from the least to the most that a pour may read.")
    assert (told_of in labkit.appraise_records(trial.with_readings(read).with_readings(again)).outgrown) == says
    assert "its scale" not in " ".join(labkit.appraise_records(trial.with_readings(read.iloc[:5])).outgrown)


def test_scores_of_a_long_scale_that_are_low_are_none_of_a_short_one(demo_copy, capsys):
    rewritten(demo_copy, ("[attributes.sheerness]", "[attributes.sheerness]\nscale = [0, 100]"))
    path = demo_copy / "scores.csv"
    lines = [re.sub(r"(sheerness),\d+", r"\1,5", line) for line in path.read_text(encoding="utf-8").splitlines()]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert "but its scale" not in told("check", demo_copy, capsys)


def test_pours_far_outside_a_range_that_was_narrowed(demo_copy, capsys):
    wax = labkit.read_trial(demo_copy).made["wax"]
    rewritten(demo_copy, ("low = 0.10\nhigh = 0.22", "low = 0.155\nhigh = 0.163"))
    far = list(wax.index[(wax < 0.139) | (wax > 0.179)])
    assert 1 < len(far) < len(wax)
    told_of = ("lie more than twice its range outside wax from 0.155 to 0.163. Surfaces make little of what is so far off: "
               "widen it to see what wax does.")
    assert f"{', '.join(far[:-1])} and {far[-1]} {told_of}" in told("check", demo_copy, capsys)
    rewritten(demo_copy, ("low = 0.155\nhigh = 0.163", "low = 0.10\nhigh = 0.22"))
    assert "so far off" not in told("check", demo_copy, capsys)

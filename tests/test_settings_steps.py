"""To how much a setting can be set and read: what is read within a step keeps the range and is the same, as weights are."""

import types

import numpy as np
import pytest
from definitions import TERRACOTTA
from recorded import MELTS, POURS, changed, two_melts

import labkit
from labkit import Trial
from labkit.errors import TrialError
from labkit.outgrown import told_outgrown
from labkit.planning.question import _comparable
from labkit.planning.wish import held_region
from labkit.rounds import as_set, digits_of_setting
from labkit.statements import Setting
from labkit.tweaks.additions import Around
from labkit.tweaks.search import poured
from labkit.tweaks.standing import checked_formula

WARM = "low = 68\nhigh = 80\n"


def of(words):
    return TERRACOTTA.replace(WARM, words)


def read_at(words, *degrees):
    """Four pours that were planned at 70 degC, and what the thermometer said of the first of them."""
    trial = Trial.from_toml(of(words))
    made = POURS.astype({"pour_temperature": float})
    made.loc[made.index[:len(degrees)], "pour_temperature"] = degrees
    return trial.with_round(two_melts(trial)).with_melts(MELTS).with_pours(made)


@pytest.mark.parametrize("words, reading, inside", [
    (f"{WARM}", 80.5, False), (f"{WARM}step = 1\n", 80.5, True), (f"{WARM}step = 1\n", 81, True),
    (f"{WARM}step = 1\n", 81.1, False), (f"{WARM}step = 1\n", 67, True), (f"{WARM}step = 1\n", 66.9, False),
    ("low = 0.1\nhigh = 0.3\nstep = 0.1\n", 0.4, True),                 # .4 - .3 is a little more than .1 in binary
    ("low = 75\nhigh = 75\n", 76, False), ("low = 75\nhigh = 75\nstep = 2\n", 76, True),
    ("low = 75\nhigh = 75\nstep = 2\n", 77.5, False)])
def test_within_a_step_a_reading_keeps_the_range(words, reading, inside):
    planned = float(words.split()[2])
    trial = read_at(words, reading, planned, planned, planned)
    assert trial.made.loc["P01", "inside"] == inside and trial.made.loc["P01", "pour_temperature"] == reading
    assert trial.made["inside"].iloc[1:].all()


def test_what_is_as_near_as_it_can_be_read_may_be_poured_again_at_the_end_of_the_range():
    trial = read_at(f"{WARM}step = 1\n", 80.6, 67.5, 74.3)
    assert poured(trial)["pour_temperature"].tolist() == [80, 68, 74.3, 70]
    for name, planned in (("P01", 80), ("P02", 68), ("P03", 74)):
        again = labkit.plan_round(trial, pours=2, melts=1, control=name, seed=1).frame
        assert again["pour_temperature"].iloc[0] == planned
    formula = checked_formula(trial, trial.made.loc[["P01"], list(trial.recipe.coordinates)])
    assert formula["pour_temperature"].item() == 80
    assert not poured(read_at(WARM, 80.6)).index.isin(["P01"]).any()


@pytest.mark.parametrize("step, values, planned", [
    (1, [71.4, 71.6, 80, 68.2], [71, 72, 80, 68]), (0.5, [71.4, 71.6, 71.8], [71.5, 71.5, 72]),
    (5, [68, 69, 73, 79, 80], [70, 70, 75, 80, 80]), (0.1, [71.26, 70.3], [71.3, 70.3])])
def test_rounds_are_planned_in_whole_steps(step, values, planned):
    assert as_set(Setting(name="t", low=68, high=80, step=step), np.array(values, dtype=float)).tolist() == planned


def test_whole_steps_stay_within_the_range():
    setting = Setting(name="t", low=71, high=74, step=3)
    assert as_set(setting, np.array([71.0, 71.4, 73.9])).tolist() == [72, 72, 74]
    assert as_set(Setting(name="t", low=73, high=74, step=1.0), np.array([73.4, 73.6])).tolist() == [73, 74]


def test_a_round_as_planned_shows_whole_steps():
    plan = labkit.plan_round(Trial.from_toml(of(f"{WARM}step = 2\n")), pours=6, melts=2, seed=3)
    assert (plan.frame["pour_temperature"] % 2 == 0).all() and plan.frame["pour_temperature"].between(68, 80).all()
    assert [digits_of_setting(Setting(name="t", low=1, high=5, step=s)) for s in (0, 1, 0.5, 0.25)] == [2, 0, 1, 2]


def test_what_differs_by_a_step_is_the_same_formula():
    for step, apart in ((0, 0.9 / 12), (1, 0), (0.5, 0.9 / 12)):
        recipe = Trial.from_toml(of(WARM + f"step = {step}\n" * bool(step))).recipe
        one = recipe.starting_factors.assign(pour_temperature=71.0)
        assert recipe.apart(one, one.assign(pour_temperature=71.9)).item() == pytest.approx(apart)
        assert recipe.apart(one, one.assign(load=one["load"] + 0.03)).item() == pytest.approx(0.5)


@pytest.mark.parametrize("step, same", [("", False), ("step = 2\n", True)])
def test_what_is_once_a_melt_and_pinned_may_be_read_a_step_otherwise(step, same):
    trial = Trial.from_toml(of(f"low = 70\nhigh = 70\nper_melt = true\n{step}"))
    trial = trial.with_round(two_melts(trial)).with_melts(MELTS)
    assert (trial.with_pours(changed(POURS, 3, "pour_temperature", 71)).doubts == ()) == same
    assert trial.with_pours(changed(POURS, 3, "pour_temperature", 73)).doubts



SAY_SO = "Where it cannot be set or read nearer than that, say so with step under [settings.pour_temperature]."


def test_who_states_no_step_is_told_of_it():
    assert told_outgrown(read_at(WARM, 80.6, 81)) == [
        "Outside the present limits, and kept: P01 and P02.",
        f"P01 and P02 are outside by pour_temperature alone, by up to 1 °C. {SAY_SO}"]
    assert told_outgrown(read_at("low = 70\nhigh = 70\n", 70, 69.5, 70)) == [
        "Outside the present limits, and kept: P02.", f"P02 is outside by pour_temperature alone, by 0.5 °C. {SAY_SO}"]
    assert told_outgrown(read_at(f"{WARM}step = 1\n", 80.6, 81)) == []
    assert told_outgrown(read_at(f"{WARM}step = 0.5\n", 80.4, 81))[1].startswith("P02 is outside by pour_temperature alone")


def test_what_is_far_off_or_off_otherwise_too_is_not_told_of_a_step():
    assert told_outgrown(read_at(WARM, 83)) == ["Outside the present limits, and kept: P01."]
    trial = read_at(WARM, 80.6)
    narrow = Trial.from_toml(of(WARM).replace("high = 0.08", "high = 0.021")).with_tables(trial.tables)
    assert "Outside the present limits, and kept: P01, P02, P03 and P04." in told_outgrown(narrow)
    assert not any("pour_temperature" in line for line in told_outgrown(narrow))


@pytest.mark.parametrize("words, told", [
    (f"{WARM}step = 0\n", "step is 0. Give to how much it can be set and read, above 0 and no more than its range of 12, or "
     "leave it out."),
    (f"{WARM}step = 13\n", "step is 13. Give to how much it can be set and read, above 0 and no more than its range of 12, or "
     "leave it out."),
    ("low = 75\nhigh = 75\nstep = -1\n", "step is -1. Give to how much it can be set and read, above 0, or leave it out.")])
def test_a_step_that_cannot_be(words, told):
    with pytest.raises(TrialError) as problem:
        Trial.from_toml(of(words))
    assert str(problem.value) == f"[settings.pour_temperature] {told}"


@pytest.mark.parametrize("step, at_it", [("", ["P02"]), ("step = 1\n", ["P01", "P02"])])
def test_what_was_read_a_step_from_a_held_value_was_poured_at_it(step, at_it):
    """P01 at 70.9 and P02 at 70 degC; two hundredths of the range are .24."""
    trial = read_at(WARM + step, 70.9, 70, 72, 72)
    question = types.SimpleNamespace(whole=trial.region, held=held_region(trial, {"pour_temperature": 70}), is_flat=True)
    assert list(_comparable(question, trial.made).index) == at_it
    for liked in ("P01", "P02", "P03"):
        outlook = types.SimpleNamespace(mean=lambda made, liked=liked: (made.index == liked).astype(float))
        bench = types.SimpleNamespace(trial=trial, outlook=outlook)
        best = Around.best.fget(types.SimpleNamespace(bench=bench, hold={"pour_temperature": 70}))
        assert list(best.index) == [liked if liked in at_it else at_it[0]]


def test_settings_are_printed_with_their_unit_and_kept_without_it(demo):
    tweak = labkit.suggest_next(demo, seed=2)
    for text in (str(tweak.round), str(tweak), tweak._repr_html_().replace("<wbr>", "")):
        assert "pour_temperature [°C]" in text and "pour_temperature [degC]" not in text
    assert "pour_temperature" in tweak.round.to_frame() and "pour_temperature" in tweak.best
    temperature = tweak.round.frame["pour_temperature"]
    printed = str(tweak.round).split("Pour, in this order\n")[1].split("\n")[1:1 + len(temperature)]
    assert [row.split()[-1] for row in printed] == [f"{t:.1f}" for t in temperature]
    plain = Trial.from_toml(TERRACOTTA.replace('unit = "degC"\n', ""))
    assert "pour_temperature\n" in str(labkit.plan_round(plain, pours=2, melts=1, seed=1))

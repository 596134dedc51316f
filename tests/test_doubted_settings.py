"""A setting that a hand can hardly have meant: refused in new rows, named in a file; and what is honest is no doubt."""

import math

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from recorded import MELTS, POURS, changed, planned_trial, two_melts

from labkit import Trial, correct_pours, read_trial
from labkit.errors import PourError
from labkit.forms import pours_form
from labkit.pours.settings import doubt_of_settings
from labkit.rounds import round_from_factors
from labkit.statements import Setting

ADVICE = "Correct the setting, or write 'really so' in the note."
STIRRED = HAZEL + '\n[settings.stir_time]\nunit = "min"\nlow = 1\nhigh = 5\n'


@pytest.fixture(scope="module")
def melted():
    """Three pours are planned at 70 degC, within 68 to 80."""
    return planned_trial().with_melts(MELTS)


def test_what_is_set_once_a_melt_and_differs_between_its_pours_is_named():
    text = TERRACOTTA.replace("high = 80\n", "high = 80\nper_melt = true\n", 1)
    trial = Trial.from_toml(text)
    trial = trial.with_round(two_melts(trial)).with_melts(MELTS)
    told = trial.with_pours(changed(POURS, 3, "pour_temperature", 79)).doubts
    assert told == ("pours.csv pour P02: pour_temperature is 79, but 70 for P01 of the same melt M01, and trial.toml has it "
                    "per melt. Correct one of them, or write 'really so' in the note.",)
    honest = changed(POURS.assign(note=""), 3, "pour_temperature", 79)
    assert trial.with_pours(changed(honest, 3, "note", "really so")).doubts == ()
    assert trial.with_pours(changed(POURS, 3, "pour_temperature", 71)).doubts == ()         # read off a little otherwise
    assert planned_trial().with_melts(MELTS).with_pours(changed(POURS, 3, "pour_temperature", 79)).doubts == ()


def stirred(planned=3.64):
    """A pour without pots, and its row as planned."""
    trial = Trial.from_toml(STIRRED)
    at = trial.recipe.starting_factors.assign(stir_time=planned)
    round_ = round_from_factors(trial.recipe, trial.batch, number=1, melts=["M01"], pours=["P01"], coordinates=at)
    return trial.with_round(round_), round_.as_poured().astype(object)


def refused(with_rows, frame):
    with pytest.raises(PourError) as problem:
        with_rows(frame)
    return str(problem.value)


@pytest.mark.parametrize("value", ["36", 36.4, "0,36", -4, 10.5])
def test_a_time_that_was_mistyped(value):
    trial, made = stirred()
    wrong, number = made.assign(stir_time=value), float(str(value).replace(",", "."))
    told = f"stir_time is {number:g}, but 3.64 was planned and it runs from 1 to 5 min. {ADVICE}"
    assert refused(trial.with_pours, wrong) == f"pours row 0: {told}"
    assert trial.with_tables({"pours": wrong}, files=True).doubts == (f"pours.csv pour P01: {told}",)
    assert trial.with_pours(wrong.assign(note="really so")).doubts == ()


@pytest.mark.parametrize("value", [7.0, "7,53", 700, 167.5, -70])
def test_a_temperature_with_its_point_elsewhere_or_of_another_scale(melted, value):
    number = float(str(value).replace(",", "."))
    told = f"pour_temperature is {number:g}, but 70 was planned and it runs from 68 to 80 °C. {ADVICE}"
    wrong = changed(POURS, 3, "pour_temperature", value)
    assert refused(melted.with_pours, wrong) == f"pours row 3: {told}"
    assert melted.with_tables({"pours": wrong}, files=True).doubts == (f"pours.csv pour P02: {told}",)


@pytest.mark.parametrize("value", [48, 60, 69.6, 80.1, 88, 95, 110])
def test_some_degrees_are_no_doubt(melted, value):
    assert melted.with_pours(changed(POURS, 3, "pour_temperature", value)).doubts == ()


@pytest.mark.parametrize("value", [0, 0.5, 0.9, 5.5, 7, 9])
def test_a_stirring_that_was_interrupted_or_forgotten_is_no_doubt(value):
    trial, made = stirred()
    assert trial.with_pours(made.assign(stir_time=value)).doubts == ()


def doubted(value, setting, *, meant=None, outcome="ok"):
    class Only:
        setting_list = (setting,)
    planned = {} if meant is None else {setting.name: meant}
    return bool(doubt_of_settings({setting.name: value, "note": "", "outcome": outcome}, Only, planned, "row 2"))


def test_a_narrow_range_is_missed_by_more_than_its_width_in_all_honesty():
    """Limits of 74 to 76 degC, narrowed from 60 to 90 after a pour at 88: neither it nor a kettle at 80 is in doubt."""
    narrow = Setting(name="heat", low=74, high=76, unit="degC")
    assert not doubted(80, narrow, meant=75) and not doubted(62, narrow, meant=75)
    assert not doubted(91, narrow, meant=88) and not doubted(58, narrow, meant=60)
    assert doubted(167, narrow, meant=75) and doubted(7.5, narrow, meant=75) and doubted(750, narrow, meant=75)


def test_ten_times_the_plan_within_the_range_is_an_honest_value():
    wide = Setting(name="rest", low=1, high=30)
    assert not doubted(30, wide, meant=3) and not doubted(2, wide, meant=20) and not doubted(45, wide, meant=20)
    assert doubted(40, wide, meant=4) and doubted(0.15, wide, meant=1.5) and doubted(42, wide, meant=4)


def test_of_a_pour_that_no_round_planned_or_that_failed_more_is_believed():
    """Stirred 12 minutes to see what comes of it, or forgotten; 36 and -70 stay in doubt."""
    time = Setting(name="stir_time", low=1, high=5)
    assert not doubted(12, time) and doubted(36, time)
    assert not doubted(12, time, meant=3, outcome="failed: forgotten") and doubted(32, time, meant=3, outcome="failed")


def test_a_setting_that_is_held_and_one_below_zero():
    held, cold = Setting(name="a", low=4, high=4), Setting(name="b", low=-20, high=5)
    assert not doubted(5.5, held, meant=4) and doubted(40, held, meant=4)
    assert not doubted(-40, cold, meant=-18) and doubted(-180, cold, meant=-18) and not doubted(18, cold, meant=-18)
    assert not doubted(3, Setting(name="c", low=0, high=0), meant=0) and not doubted(math.nan, held, meant=4)


def test_what_a_hand_sets_is_never_in_doubt():
    """2,000 plans in ranges of all widths and places, set to a tenth of the range and a twentieth of the value."""
    rng = np.random.default_rng(3)
    for _ in range(2000):
        low, width = rng.uniform(-50, 300), 10 ** rng.uniform(-1, 2.5)
        meant = rng.uniform(low, low + width)
        value = meant + rng.uniform(-1, 1) * (0.1 * width + 0.05 * abs(meant))
        assert not doubted(value, Setting(name="s", low=low, high=low + width), meant=meant)


def test_a_correction_and_the_form(demo_copy):
    path = demo_copy / "pours.csv"
    path.write_text(path.read_text().replace(",75.3,ok", ",7.53,ok", 1))
    told = f"pour_temperature is 7.53, but 75.1 was planned and it runs from 68 to 80 °C. {ADVICE}"
    assert read_trial(demo_copy).doubts == (f"pours.csv pour P01: {told}",)
    correct_pours(demo_copy, pd.DataFrame([{"pour": "P01", "defects": "bloom"}]), reason="seen late")
    mended = correct_pours(demo_copy, pd.DataFrame([{"pour": "P01", "pour_temperature": 75.3}]), reason="the point")
    assert mended.doubts == ()
    form = pours_form(demo_copy, number=1)
    form.grids["pours"].boxes["P02", "pour_temperature"].value = "761"
    form.reason.value = "slip"
    form.button.click()
    assert ("Nothing was saved. pours row P02: pour_temperature is 761, but 75.9 was planned and it runs from 68 to 80 °C."
            in form.said.value)

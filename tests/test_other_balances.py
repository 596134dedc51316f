"""A balance that reads 0.1 or 0.001 g: what is asked for can be weighed on it, and is printed as it shows it."""
import re

import numpy as np
import pytest
from definitions import TERRACOTTA
from test_sheets import cells

import labkit
from labkit.forms import pours_form
from labkit.rounds import ALLOWANCE, into_the_pot, planned_grams
from labkit.wording import digits_of_step, grams_text


def kept(folder, step):
    """A trial on such a balance with a planned round."""
    folder.mkdir()
    text = TERRACOTTA.replace("balance_step_g = 0.01", f"balance_step_g = {step}")
    (folder / "trial.toml").write_text(text.replace("low = 68\nhigh = 80", "low = 0.5\nhigh = 1.5"), encoding="utf-8")
    return labkit.append_round(folder, labkit.plan_round(labkit.read_trial(folder), pours=4, melts=2, seed=1))


@pytest.fixture(params=["0.1", "0.05", "0.001"])
def planned(request, tmp_path):
    return tmp_path / "stick", kept(tmp_path / "stick", request.param), float(request.param)


def grams_of(sheet):
    return sheet.filter(like=" [g]").to_numpy(dtype=float)


def test_what_goes_into_the_pot_can_be_weighed_and_is_a_tenth_more(planned):
    _, trial, step = planned
    round_ = labkit.planning.round_of(1, trial, error=ValueError)
    drawn, asked = (grams_of(round_.melt_sheet(more)) for more in (0, ALLOWANCE))
    steps = asked / step
    assert np.abs(steps - steps.round()).max() < 1e-6
    assert np.abs(asked - 1.1 * drawn).max() <= step / 2 * (1 + 1e-4)
    sheet = planned_grams(trial.plan, trial.recipe, trial.batch, by="melt")
    assert [sheet["M01"][f"{i} [g]"] for i in trial.recipe.pot] == pytest.approx(asked[0])


def test_sheet_report_and_form_print_what_was_planned(planned):
    folder, trial, step = planned
    round_, digits = labkit.planning.round_of(1, trial, error=ValueError), len(f"{step:g}".split(".")[1])
    pots, pours = round_.melt_sheet(ALLOWANCE), round_.pour_sheet()
    grams = [f"{value:.{digits}f}" for value in (*grams_of(pots).ravel(), *grams_of(pours).ravel())]
    settings = [f"{value:.2f}" for value in pours["pour_temperature"]]                       # 0.01 of a range of 1
    page, report = cells(labkit.bench_sheet(trial, 1)), str(round_)
    words = re.sub("[^0-9.]", " ", " ".join(page)).split()
    assert set(grams) | set(settings) <= set(words) and set(grams) | set(settings) <= set(report.split())
    form = pours_form(folder)
    meant = {text for grid in form.grids.values() for box in grid.widget.children
             for child in getattr(box, "children", ()) for text in re.findall(r"meant ([0-9.]+)<", str(
                 getattr(child, "value", "")))}
    assert meant == set(grams) | set(settings)


def test_halves_of_a_coarse_step_go_upwards():
    trial = labkit.Trial.from_toml(TERRACOTTA.replace("balance_step_g = 0.01", "balance_step_g = 0.1"))
    drawn = labkit.planning.plan_round(trial, pours=2, melts=1).melt_sheet().filter(like=" [g]") * 0 + 0.5
    assert (into_the_pot(drawn, 0.1, trial.batch).to_numpy() == 0.6).all()                    # 0.55, upwards


@pytest.mark.parametrize("step, digits", [(0.01, 2), (0.05, 2), (0.1, 1), (0.2, 1), (0.5, 1), (1, 0), (2.0, 0), (0.001, 3),
                                          (0.0, 0), (0.25, 2), (-0.5, 1), (1 / 3, 4)])
def test_decimals_of_a_step(step, digits):
    assert digits_of_step(step) == digits


@pytest.mark.parametrize("grams, text", [(5.6, "5.60"), (12, "12.00"), (0.123, "0.123"), (0.1 + 0.2, "0.30"), (0, "0.00")])
def test_a_weight_in_a_sentence_loses_no_digit(grams, text):
    assert grams_text(grams) == text

"""A composite design in two settings as a trial on disk: one ingredient "to 100", axial pours outside the limits.

NIST/SEMATECH e-Handbook of Statistical Methods 5.5.3.1.4 (axial distance 1.414 as printed).
"""
import pathlib

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import labkit
from labkit.surfaces.polynomial import canonical_of, stationary_of

DATA = pathlib.Path(__file__).resolve().parent / "nist_chem_ccd.csv"
TOML = """
[product]
name = "Chemical process"
[batch]
pour_g = 20.0
balance_step_g = 0.01
[formula]
feed = "to 100"
[settings.temperature]
unit = "degC"
low = 159.5
high = 219.5
[settings.time]
unit = "min"
low = 300
high = 400
[attributes.purity]
scale = [0, 100]
wanted = { rising = [50, 80] }
"""


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    folder, table = tmp_path_factory.mktemp("chemical"), pd.read_csv(DATA)
    names = [f"X-{k:02d}" for k in range(1, len(table) + 1)]
    folder.joinpath("trial.toml").write_text(TOML, encoding="utf-8")
    pours = pd.DataFrame({"pour": names, "feed [g]": 20.0, "temperature": table["temp"], "time": table["time"],
                          "outcome": "ok"})
    pours.to_csv(folder / "pours.csv", index=False)
    scores = pd.DataFrame({"pour": names, "tester": "lab", "session": "1", "position": "1", "attribute": "purity",
                           "score": table["y"]})
    scores.to_csv(folder / "scores.csv", index=False)
    return labkit.read_trial(folder)


@pytest.fixture(scope="module")
def surface(trial):
    return labkit.fit_surfaces(trial)["purity"]


def test_axial_pours_outside_the_limits_stay(trial, surface):
    assert trial.made["inside"].sum() == 9 and len(surface.to_frame()) == 13


def test_coefficients_in_coded_settings(surface):
    params = surface.results.params
    names = ["constant", "temperature", "time", "temperature^2", "time^2", "temperature x time"]
    assert_allclose(params[names], [72.0, -11.78, 0.74, -7.25, -7.55, -4.85], atol=6e-3)


@pytest.mark.parametrize(("model", "rmse", "r2", "adjusted", "predicted", "press", "f", "p"), [
    ("quadratic", 5.77, 0.8898, 0.8111, 0.6708, 696.25, 0.46, 0.725),
    ("linear", 10.01, 0.5266, 0.4319, 0.2425, 1602.02, 3.19, 0.141)])
def test_summary_of_fit_and_lack_of_fit(surface, model, rmse, r2, adjusted, predicted, press, f, p):
    row = surface.classical.shapes.loc[model]
    assert_allclose(row["residual_sd"], rmse, atol=5e-3)
    assert_allclose([row["r_squared"], row["adjusted"], row["predicted"]], [r2, adjusted, predicted], atol=5e-5)
    assert_allclose(row["press"], press, atol=5e-3)
    assert_allclose(row["lack_of_fit_f"], f, atol=5e-3)
    assert_allclose(row["lack_of_fit_p"], p, atol=5e-4)


def test_lack_of_fit_of_the_second_order_model(surface):
    lack = surface.lack_of_fit
    assert (lack.df, round(lack.ss, 1), round(lack.f, 2), round(lack.p, 3)) == (3, 59.9, 0.46, 0.725)
    assert_allclose([surface.r_squared, surface.press], [0.8898, 696.25], atol=5e-3)


def test_stationary_point_and_canonical_form(surface):
    """xs (-.9278, .3468), y 77.59, eigenvalues -4.973187 and -9.827317; 161.66 degC (the print cuts to .64), 367.34."""
    form = canonical_of(surface.classical)
    assert_allclose(form.eigenvalues, [-4.973187, -9.827317], atol=6e-7)
    assert_allclose(form.point, [-0.9278, 0.3468], atol=6e-5)
    assert_allclose(form.level, 77.59, atol=5e-3)
    stationary = stationary_of(surface.classical)
    assert_allclose(stationary[["temperature", "time"]].iloc[0], [161.664, 367.34], atol=5e-3)


def test_report_names_the_peak(surface):
    text = " ".join(str(surface).split())
    assert "The classical polynomial has its peak, 77.59, at temperature 162 and time 367, within the limits." in text


def test_readings_agree_about_where_the_best_lies(surface):
    grid = np.meshgrid(np.linspace(159.5, 219.5, 31), np.linspace(300, 400, 31))
    frame = pd.DataFrame({"temperature": grid[0].ravel(), "time": grid[1].ravel()})
    ours, theirs = surface.predict(frame)["mean"], surface.classical.predict(frame, 0.9)
    assert abs(frame.loc[ours.idxmax(), "temperature"] - frame.loc[theirs["mean"].idxmax(), "temperature"]) <= 10
    assert ((ours > theirs["low"]) & (ours < theirs["high"])).mean() > 0.95

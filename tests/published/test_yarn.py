"""The yarn-elongation experiment as a trial on disk: a blend of three parts, one tester, one attribute.

Cornell, Experiments with Mixtures; NIST/SEMATECH e-Handbook of Statistical Methods 5.5.4.2, Table 5.4 and the fit
below it. Its analysis of variance is misprinted; R squared, s.e. and t are right, PRESS is recomputed.
"""
import pathlib

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import labkit
from labkit.surfaces.polynomial import any_blending, blending, blends_apart

DATA = pathlib.Path(__file__).resolve().parent / "yarn_elongation.csv"
PARTS = {"x1": "polyethylene", "x2": "polystyrene", "x3": "polypropylene"}
TOML = """
[product]
name = "Yarn"
[batch]
pour_g = 10.0
balance_step_g = 0.01
[formula]
polyethylene = 33
polystyrene = 33
polypropylene = 34
[blends.yarn]
parts = ["polyethylene", "polystyrene", "polypropylene"]
low = [0.0, 0.0, 0.0]
high = [1.0, 1.0, 1.0]
[attributes.elongation]
scale = [0, 40]
wanted = { rising = [10, 20] }
"""


def write_trial(folder, names):
    """pours.csv with all grams of each pour, and scores.csv with one score each by the tester `lab`."""
    table = pd.read_csv(DATA)
    grams = table[list(PARTS)].rename(columns=lambda part: f"{PARTS[part]} [g]") * 10
    names = [names.format(k) for k in range(1, len(table) + 1)]
    folder.joinpath("trial.toml").write_text(TOML, encoding="utf-8")
    pd.concat([pd.DataFrame({"pour": names}), grams], axis=1).assign(outcome="ok").to_csv(folder / "pours.csv", index=False)
    scores = pd.DataFrame({"pour": names, "tester": "lab", "session": "1", "position": "1", "attribute": "elongation",
                           "score": table["y"]})
    scores.to_csv(folder / "scores.csv", index=False)
    return labkit.read_trial(folder)


@pytest.fixture(scope="module")
def surface(tmp_path_factory):
    return labkit.fit_surfaces(write_trial(tmp_path_factory.mktemp("yarn"), "X-{:02d}"))["elongation"]


def test_scheffe_coefficients(surface):
    assert list(surface.results.params.index) == [
        "yarn: polyethylene", "yarn: polystyrene", "yarn: polypropylene", "yarn: polyethylene x yarn: polystyrene",
        "yarn: polyethylene x yarn: polypropylene", "yarn: polystyrene x yarn: polypropylene"]
    assert_allclose(surface.results.params, [11.7, 9.4, 16.4, 19.0, 11.4, -9.6], atol=5e-7)


def test_standard_errors_t_and_p(surface):
    assert_allclose(surface.results.bse, [0.603692] * 3 + [2.608249] * 3, atol=5e-7)
    assert_allclose(surface.results.tvalues, [19.38, 15.57, 27.17, 7.28, 4.37, -3.68], atol=5e-3)
    assert_allclose(surface.results.pvalues.iloc[4:], [0.0018, 0.0051], atol=5e-5)


def test_r_squared_is_about_the_mean(surface):
    assert_allclose(surface.r_squared, 0.951356, atol=5e-7)
    assert_allclose([surface.results.rsquared, surface.results.rsquared_adj], [0.951356, 0.924331], atol=5e-7)
    assert_allclose(np.sqrt(surface.results.scale), 0.85375, atol=5e-6)


def test_press_and_the_corrected_analysis_of_variance(surface):
    assert_allclose(surface.press, 18.295, atol=5e-4)
    table = surface.anova
    assert_allclose(table.loc[["model", "residual"], "sum_of_squares"], [128.296, 6.560], atol=5e-4)
    assert table.loc[["model", "residual", "total"], "df"].tolist() == [5, 9, 14]
    assert_allclose(table.loc["model", "f"], 35.2032, atol=5e-5)
    assert_allclose(table.loc["model", "p"], 1.20e-5, atol=5e-8)


def test_repeats_leave_no_degree_of_freedom_for_lack_of_fit(surface):
    assert surface.lack_of_fit.df == 0 and np.isnan(surface.lack_of_fit.f)
    assert surface.anova.loc["repeats", "df"] == 9


def test_best_along_the_edge_of_the_first_and_third_part(surface):
    """x1 = .2939 with 17.384: where the derivative of the printed polynomial vanishes."""
    x1 = np.linspace(0, 1, 2001)
    edge = pd.DataFrame({"yarn: polyethylene": x1, "yarn: polystyrene": 0.0, "yarn: polypropylene": 1 - x1})
    found = surface.classical.predict(edge, 0.9)["mean"]
    assert_allclose([x1[found.argmax()], found.max()], [0.2938596, 17.3844298], atol=3e-4)


def test_the_hierarchical_mean_lies_near_the_cell_means(surface):
    """Within 1.96 standard errors of each cell mean, by the published residual standard deviation."""
    table = surface.to_frame()
    groups = table.groupby("fitted")
    cells, error = groups[["score", "mean"]].mean(), 0.85375 / np.sqrt(groups.size())
    assert ((cells["score"] - cells["mean"]).abs() < 1.96 * error).all()
    assert (table["low"] < table["mean"]).all() and (table["mean"] < table["high"]).all()


def test_shares_rounded_on_the_balance_change_nothing_of_this(tmp_path):
    """Trap: with shares that do not quite add to one, statsmodels would report the uncentred R squared (.998)."""
    trial = write_trial(tmp_path, "X-{:02d}")
    pours = trial.pours.drop(columns=["corrects", "reason"])
    grams = [c for c in pours.columns if c.endswith("[g]") and c != "base [g]"]
    pours[grams] = (pours[grams] * 1.0007).round(2)
    again = labkit.Trial.from_toml(TOML).with_pours(pours).with_scores(trial.scores.drop(columns=["corrects", "reason"]))
    surface = labkit.fit_surfaces(again)["elongation"]
    assert_allclose([surface.r_squared, surface.results.rsquared], 0.951, atol=1e-3)


def test_report(surface):
    text = " ".join(str(surface).split())
    assert ("Classical reading: quadratic in yarn: polyethylene, yarn: polystyrene and yarn: polypropylene as shares, "
            "6 terms, 9 degrees of freedom left.") in text
    assert "R squared 0.951 (about the mean)" in text
    said = "polyethylene and polystyrene together score 4.8 higher than their average (90 %: 3.6 to 5.9), exchanged as far"
    assert said in text and "polystyrene and polypropylene together score 2.4 lower than their average" in text
    assert not any("  " in line for line in str(surface).splitlines() if " than their average" in line)


def test_how_pairs_blend_and_that_any_do(surface):
    """Half and half of two fibres against the average of both alone: b_ij / 4 of Cornell's fit, with its t over 9 df; and
    the three blending terms together by the F test of statsmodels."""
    classical, results = surface.classical, surface.results
    table = blends_apart(classical)
    assert_allclose(table["apart"], np.array([19.0, 11.4, -9.6]) / 4, atol=1e-6)
    assert_allclose(table[["low", "high"]], results.conf_int(0.1).iloc[3:] / 4, rtol=1e-6)
    pure, half = np.eye(3), np.array([[0.5, 0.5, 0], [0.5, 0, 0.5], [0, 0.5, 0.5]])
    means = classical.predict(pd.DataFrame(np.vstack([pure, half]), columns=classical.recipe.coordinates), 0.9)["mean"]
    assert_allclose(table["apart"], means.iloc[3:].to_numpy() - half @ means.iloc[:3].to_numpy(), rtol=1e-6)
    together = results.f_test(np.eye(6)[3:])
    assert_allclose(any_blending(classical), float(together.pvalue), rtol=1e-6)


def test_where_nothing_blends_nothing_is_said_of_it(tmp_path):
    """Fibres that only add: of 20 draws of noise at most a few may say otherwise, as the test of all pairs is one of 5 %."""
    trial, rng = write_trial(tmp_path, "X-{:02d}"), np.random.default_rng(5)
    shares, said = trial.made[[f"yarn: {part}" for part in PARTS.values()]].to_numpy(), 0
    for _ in range(20):
        score = shares @ [12.0, 9.0, 16.0] + rng.normal(0, 0.8, len(shares))
        other = trial.scores.drop(columns=["corrects", "reason"]).assign(score=score)
        again = labkit.Trial.from_toml(TOML).with_pours(trial.pours.drop(columns=["corrects", "reason"])).with_scores(other)
        found = labkit.fit_surfaces(again)["elongation"]
        said += bool(blending(found.classical, again.attributes["elongation"]))
    assert said <= 3

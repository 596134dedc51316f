"""A factor that was held: what weighing moved of it is no design, and no polynomial is fitted to that."""
import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, WORKED
from numpy.testing import assert_allclose

import labkit
from labkit.surfaces.polynomial import stationary_of, way_up

JITTER = 0.0005 * np.array([1, -1, 0.6, 0, -0.4, 0.8, -0.9, 0.3, 0.1])            # of wax, whose range is .12
GRID = pd.DataFrame([(red, load) for red in (0.2, 0.5, 0.8) for load in (0.02, 0.05, 0.08)], columns=["red_share", "load"])
PINNED = WORKED.replace("low = 0.10\nhigh = 0.22", "low = 0.12\nhigh = 0.12")


def trial_of(text, points, score):
    """An unplanned pour a formula, to a digit that no balance shows, scored by one tester."""
    trial, names = labkit.Trial.from_toml(text), [f"X-{k + 1:02d}" for k in range(len(points))]
    pours = (20 * trial.formula_at(points)).rename(columns="{} [g]".format).assign(pour=names, outcome="ok")
    rows = pd.DataFrame({"pour": names, "tester": "T01", "attribute": "hardness", "score": score})
    return trial.with_pours(pours).with_scores(rows)


def hill(grid, noise=0.1):
    red, load = (grid["red_share"] - 0.5) / 0.3, (grid["load"] - 0.05) / 0.03
    return np.round(6 - 1.5 * (red - 0.2) ** 2 - (load + 0.1) ** 2 + noise * np.cos(7 * np.arange(len(grid))), 2)


@pytest.fixture(scope="module")
def held():
    trial = trial_of(WORKED, GRID.assign(wax=0.12 + JITTER), hill(GRID))
    return trial, labkit.fit_surfaces(trial)["hardness"]


def test_its_terms_are_left_out_and_the_others_are_least_squares_without_it(held):
    """numpy's least squares in the two factors that vary; melts and rounds of their own: all pours are alike."""
    red, load = (GRID["red_share"] - 0.5) / 0.3, (GRID["load"] - 0.05) / 0.03
    columns = np.column_stack([np.ones(9), red, load, red * load, red**2, load**2])
    classical = held[1].classical
    assert classical.model == "quadratic" and list(classical.terms.names) == [
        "constant", "red_share", "load", "red_share x load", "red_share^2", "load^2"]
    assert_allclose(classical.fit.coefficients, np.linalg.lstsq(columns, hill(GRID), rcond=None)[0], atol=1e-6)
    assert dict(classical.still) == pytest.approx({"wax": 0.12 + JITTER.mean()})
    moved = classical.made.assign(wax=0.2)
    assert_allclose(classical.predict(moved, 0.9), classical.predict(classical.made, 0.9), rtol=1e-12)


def test_it_makes_no_ridge_of_a_peak_and_stays_where_it_was(held):
    for found in (held[1], labkit.fit_surfaces(trial_of(PINNED, GRID.assign(wax=0.12), hill(GRID)))["hardness"]):
        place = stationary_of(found.classical).iloc[0]
        assert (place["kind"], place["inside"]) == ("peak", True) and place["wax"] == pytest.approx(0.12, abs=1e-3)
        assert (way_up(found.classical)["wax"] - place["wax"]).abs().max() < 1e-12


def test_the_report_says_what_it_leaves_out(held):
    said = " ".join(str(held[1]).split())
    assert "quadratic in red_share and load coded -1 to 1, 6 terms" in said
    assert "In wax the pours hardly differ, so what that does is not in it." in said


def test_what_differs_by_more_than_a_balance_may_do_keeps_its_terms():
    far = GRID.assign(wax=0.12 + 0.006 * JITTER / np.ptp(JITTER))                # 5 % of the range, 4 % being the least
    found = labkit.fit_surfaces(trial_of(WORKED, far, hill(GRID)))["hardness"].classical
    assert not found.still and "wax" in found.terms.names


def test_a_part_of_a_blend_that_was_held_leaves_the_rest_of_the_blend(held):
    wax, butter, oil = (f"base: {name}" for name in ("sunflower wax", "cocoa butter", "castor oil"))
    points = pd.DataFrame({"load": [0.01, 0.03, 0.05] * 4, wax: 0.1 + JITTER.take(range(12), mode="wrap"),
                           butter: np.repeat([0.15, 0.2, 0.25, 0.35], 3)})
    points[oil] = 1 - points[wax] - points[butter]
    score = np.round(4 + 8 * points[butter] + 20 * points["load"] + 0.1 * np.cos(5 * np.arange(12)), 2)
    found = labkit.fit_surfaces(trial_of(HAZEL, points, score.to_numpy()))["hardness"].classical
    columns = np.column_stack([np.ones(12), points[butter], points["load"], points[butter] * points["load"],
                               points[butter] ** 2, points["load"] ** 2])
    assert list(found.still) == [wax] and found.model == "quadratic" and len(found.terms.names) == 6
    fitted = columns @ np.linalg.lstsq(columns, score, rcond=None)[0]
    assert_allclose(found.fit.fitted, fitted, atol=2e-3)


def test_no_term_of_it_is_called_estimable():
    """Two rounds at wax .16 but for a balance step: wax and the constant are one, and so are wax x load and load."""
    trial = labkit.Trial.from_toml(WORKED)
    for seed in (1, 2):
        round_ = labkit.plan_round(trial, pours=6, melts=3, seed=seed, hold={"wax": 0.16})
        models = labkit.appraise_round(trial, round_).models.set_index("model")["after"]
        trial = trial.with_round(round_).with_pours(round_.as_poured())
    assert 0 < np.ptp(trial.made["wax"]) < 0.001
    assert models.to_dict() == {"linear": 2, "interaction": 1, "quadratic": 3}

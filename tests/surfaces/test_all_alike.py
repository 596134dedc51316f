"""What cannot be told from pours that all came out alike, or that a polynomial meets exactly: no ratios of rounding."""
import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TWO_THINGS
from invented import poured, scored
from numpy.testing import assert_allclose
from scipy import stats

import labkit
from labkit.core import adequacy
from labkit.rounds import round_from_factors
from labkit.surfaces.polynomial import turning

QUIET = dict.fromkeys(("round", "melt", "pour", "tester", "tester_pour"), 0.0)


def surface_of(text, truth, *, rounds=2, step=0.1):
    trial = scored(poured(text, rounds=rounds), truth, noise=QUIET, step=step, testers=3)
    return labkit.fit_surfaces(trial)["hardness"]


@pytest.mark.parametrize(("text", "rounds"), [(TWO_THINGS, 2), (HAZEL, 4)], ids=["one factor", "a blend"])
def test_scores_that_are_all_alike_have_no_r_squared_no_f_and_no_decisive_pour(text, rounds):
    found = surface_of(text, lambda coded: np.full(len(coded), 3.3), rounds=rounds)
    assert found.classical.model == "constant" and found.press == 0.0
    assert np.isnan(found.r_squared) and found.anova[["f", "p"]].isna().all(axis=None)
    assert found.classical.pours["influence"].isna().all()
    said = " ".join(str(found).split())
    assert "Classical reading: all pours came out alike, so that it has no more than a constant." in said
    assert "All pours came out alike, so leaving one out tells nothing of how well others are foretold." in said
    assert "R squared" not in said and "Cook" not in said and "it is highest at" not in said


def test_intervals_rest_on_the_stated_variances_where_nothing_is_left_in_the_residuals():
    """A mean of n scores, z intervals, written out."""
    found = surface_of(TWO_THINGS, lambda coded: np.full(len(coded), 3.3)).classical
    se = np.sqrt(found.stated_variance / np.linalg.inv(found.ratios).sum())
    row = found.predict(found.made, 0.9).iloc[0]
    assert_allclose(row, [3.3, se, 3.3 - stats.norm.ppf(0.95) * se, 3.3 + stats.norm.ppf(0.95) * se], rtol=1e-9)
    assert_allclose(found.results.bse, [se], rtol=1e-9)
    alike, variances = found.by_reml()
    assert alike is found and not variances.any()


def test_a_polynomial_met_exactly_is_returned_and_tests_nothing():
    found = surface_of(TWO_THINGS, lambda coded: 5 + 2 * coded[:, 0], step=1e-9)
    assert_allclose(found.classical.fit.coefficients, [5, 2, 0], atol=1e-6)
    assert found.r_squared == 1.0 and found.anova.loc["curved", ["f", "p"]].isna().all()


@pytest.mark.parametrize(("wax", "scores", "top"), [
    ([0.1, 0.15, 0.2, 0.25, 0.3], [3, 4, 5, 6, 7], "7.00"), ([0.1, 0.14, 0.18, 0.22, 0.26], [3, 4, 5, 6, 7], "8.00"),
    ([0.1, 0.2, 0.3, 0.1], [3, 5, 7, 3], "7.00"), ([0.1, 0.15, 0.25, 0.3], [2, 4, 8, 10], "10.00")])
def test_scores_on_a_straight_line_turn_nowhere(wax, scores, top):
    """One tester in whole points: the curved term is 0, and what rounding leaves of it is no bend."""
    trial, n = labkit.Trial.from_toml(TWO_THINGS), len(wax)
    round_ = round_from_factors(trial.recipe, trial.batch, number=1, melts=trial.next_melts(n), pours=trial.next_pours(n),
                                coordinates=pd.DataFrame({"wax": wax}))
    rows = pd.DataFrame({"pour": round_.pours, "tester": "T01", "attribute": "hardness", "score": scores})
    found = labkit.fit_surfaces(trial.with_round(round_).with_pours(round_.as_poured()).with_scores(rows))["hardness"]
    assert found.classical.model == "quadratic" and found.classical.fit.coefficients[2] == 0.0
    assert turning(found.classical, found.posterior.attribute) == [
        f"One coded unit from the middle it is highest at wax 0.3, within the limits: {top}."]


@pytest.mark.parametrize("unit", [1e-3, 1.0, 1e3])
def test_residuals_that_are_more_than_rounding_stay(unit):
    rng = np.random.default_rng(3)
    columns = np.column_stack([np.ones(8), rng.normal(size=8)])
    away = rng.normal(size=8)
    away -= columns @ np.linalg.lstsq(columns, away, rcond=None)[0]
    y = unit * (columns @ [5.0, 2.0] + 1e-8 * away)
    assert adequacy.least_squares(columns, y).sum_of_squares == pytest.approx(unit**2 * 1e-16 * away @ away, rel=1e-5)
    assert adequacy.least_squares(columns, unit * columns @ [5.0, 2.0]).sum_of_squares == 0.0


def test_repeats_that_came_out_exactly_alike_are_no_spread_to_hold_the_model_against():
    """Means over six testers, pours of unequal variance that share a round: an F of 1e29 is made of rounding."""
    rng, groups = np.random.default_rng(0), np.array([0, 0, 1, 1, 2, 3])
    columns = np.column_stack([np.ones(6), [-1, -1, 0, 0, 0.5, 1]])
    for _ in range(20):
        y, spread = rng.integers(0, 60, 4)[groups] / 6, np.diag(rng.uniform(0.5, 2, 6)) + 0.3
        lack, pure = adequacy.lack_of_fit(adequacy.least_squares(columns, y, spread), groups, y, spread)
        assert (lack.df, pure.ss, pure.df) == (2, 0.0, 2) and np.isnan(lack.f)

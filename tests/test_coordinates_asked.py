"""Coordinates that lack a column, have a misspelt one or no numbers, wherever a region, a recipe or a surface is asked."""
import numpy as np
import pandas as pd
import pytest

import labkit
from labkit.errors import FormulaError, PlanError, RegionError, SurfaceError, TweakError
from labkit.planning import standard_error_at

FRAME = "the frame of coordinates"
ALL = "'wax', 'red_share', 'load' and 'pour_temperature'"


@pytest.fixture(scope="module")
def points(demo):
    return demo.region.sample(3, seed=1)


@pytest.fixture(scope="module")
def surface(demo):
    return labkit.fit_surfaces(demo)["payoff"]


def refused(error, call, *arguments, **named):
    with pytest.raises(error) as caught:
        call(*arguments, **named)
    return str(caught.value)


@pytest.fixture(params=["coded", "includes", "keeps", "beyond", "over_ranges", "at_ends", "columns", "predict", "functions",
                        "error"])
def asked(request, demo, surface):
    """What is asked of coordinates, the error that tells what is wrong with them, and the columns that it needs."""
    calls = {"over_ranges": (demo.recipe.over_ranges, FormulaError), "at_ends": (demo.recipe.at_ends, FormulaError),
             "columns": (surface.classical.columns, SurfaceError), "functions": (surface.ground.columns, RegionError),
             "predict": (lambda frame: surface.classical.predict(frame, 0.9), SurfaceError),
             "error": (lambda frame: standard_error_at(demo, frame), PlanError)}
    call, error = calls.get(request.param) or (getattr(demo.region, request.param), RegionError)
    return call, error, "'wax', 'red_share' and 'load'" if request.param == "keeps" else ALL


def test_a_column_that_is_not_there_is_named_with_what_is_needed(asked, points):
    call, error, needed = asked
    assert refused(error, call, points.drop(columns="load")) == f"{FRAME} lacks the column 'load'. It needs {needed}."


def test_a_misspelt_column_is_told_apart_from_one_of_another_name(asked, points):
    call, error, needed = asked
    assert refused(error, call, points.rename(columns={"red_share": "redshare"})) == (
        f"{FRAME} lacks the column 'red_share'. Its column 'redshare' may be meant: call that 'red_share'.")
    assert refused(error, call, points.rename(columns={"red_share": "day"})) == (
        f"{FRAME} lacks the column 'red_share'. It needs {needed}.")


@pytest.mark.parametrize("given", [lambda points: points.iloc[0].to_dict(), lambda points: points.iloc[0],
                                   lambda points: points.to_numpy()])
def test_what_is_no_frame_is_told_to_be_none(asked, points, given):
    call, error, _ = asked
    assert refused(error, call, given(points)) == (
        f"{FRAME} is of type {type(given(points)).__name__}. Give a pandas DataFrame, a row a pour.")


def test_a_cell_that_is_no_number_is_named(asked, points):
    call, error, _ = asked
    frame = points.astype(object)
    frame.loc[1, "load"] = "8 %"
    assert refused(error, call, frame) == (f"row 1 of {FRAME}: load is '8 %', which is not a number. Write digits with one "
                                           "comma or point, and no unit.")


def test_text_that_is_a_number_is_read_as_in_any_cell(demo, points):
    text = points.astype(object)
    text.loc[1, "load"] = str(points.loc[1, "load"]).replace(".", ",")
    assert np.array_equal(demo.region.coded(text), demo.region.coded(points))


def test_further_columns_are_passed_over(demo, points):
    """The pours as they were made have a round, a melt and an outcome as well."""
    assert demo.region.includes(points[["load", "wax"]].join(points.drop(columns=["load", "wax"])).assign(outcome="ok")).all()


def test_drift_needs_ingredients(demo, points):
    assert refused(FormulaError, demo.recipe.drift, points).startswith(
        "the frame of formulas lacks the column 'candelilla wax'. It needs 'candelilla wax', ")


@pytest.mark.parametrize("name, advice", [
    ("waxx", "Did you mean 'wax'?"), ("colour", "Choose wax, red_share, load or pour_temperature.")])
def test_a_name_that_is_no_coordinate_cannot_be_held(demo, points, name, advice):
    """It became a column of its own, and nothing was held."""
    assert refused(FormulaError, demo.recipe.held_at, points, {"load": 0.05, name: 0.1}) == (
        f"{name!r} cannot be held, as it is no coordinate. {advice}")


@pytest.mark.parametrize("n, seed, words", [
    (0, 0, "n is 0. Give a whole number from 1 to 400000."), (2.5, 0, "n is 2.5. Give a whole number from 1 to 400000."),
    (3, -1, "seed is -1. Give a whole number from 0 to 4294967296.")])
def test_how_many_points_of_the_region(demo, n, seed, words):
    assert refused(RegionError, demo.region.sample, n, seed) == words


@pytest.mark.parametrize("n, seed, words", [
    (0, 0, "n is 0. Give a whole number from 1 to 1000000."), ("9", 0, "n is '9'. Give a whole number from 1 to 1000000."),
    (3, "a", "seed is 'a'. Give a whole number from 0 to 9223372036854775807.")])
def test_how_many_draws(surface, points, n, seed, words):
    assert refused(SurfaceError, surface.draws, points, n, seed) == words
    assert surface.draws(points, np.int64(2), 2**40).shape == (2, 3)


@pytest.mark.parametrize("level", [0, 1, 90, "0.9", np.nan])
def test_the_share_of_a_classical_interval(surface, points, level):
    assert refused(SurfaceError, surface.classical.predict, points, level) == (
        f"level is {level!r}. Give the share of an interval, above 0 and below 1, such as 0.9.")


@pytest.mark.parametrize("trial, round_, words", [
    ("trials/mine", None, "the trial is of type str. Give what read_trial(folder) returned."),
    (None, 3, "the round is of type int. Give what plan_round returned.")])
def test_standard_errors_of_a_trial_and_a_round(demo, points, trial, round_, words):
    assert refused(PlanError, standard_error_at, trial or demo, points, round_) == words


def test_two_columns_of_one_name_are_refused_where_they_cannot_be_read(demo, points):
    double = pd.concat([points.drop(columns="load"), points[["load"]], points[["load"]]], axis=1).drop(columns="wax")
    assert refused(RegionError, demo.region.coded, double) == (
        f"{FRAME} has two columns named load. Give each column a name of its own.")


@pytest.mark.parametrize("call", [lambda trial, formula: labkit.plan_confirmation(trial, formula),
                                  lambda trial, formula: labkit.tell_tradeoffs(trial, at=formula)])
@pytest.mark.parametrize("change, words", [
    (lambda point: point.drop(columns="load"), f"formula lacks the column 'load'. It needs {ALL}."),
    (lambda point: point.assign(wax=15), "row 0 of formula: wax is 15, but a share lies from 0 to 1. Write 0.04 for 4 %."),
    (lambda point: point.assign(wax=np.nan), "row 0 of formula has no wax. Give every coordinate a value."),
    (lambda point: point.assign(shine=1.0), "formula has a column 'shine' that is not known here. The columns are 'wax', "
                                            "'red_share', 'load', 'pour_temperature', 'round', 'melt', 'pour' and 'order'.")])
def test_a_formula_to_confirm_or_to_trade_at_is_of_the_stage_that_asks_for_it(demo, points, call, change, words):
    """It was told as a SurfaceError, of a frame of formulas that nobody had given."""
    assert refused(TweakError, call, demo, change(points.iloc[[0]])) == words

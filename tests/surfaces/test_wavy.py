"""With one or two free coordinates surfaces bend by degree 4: what they gain, and where they stay quadratics."""

import re

import numpy as np
import pytest
from definitions import HAZEL, TERRACOTTA, UNEXPECTED
from invented import poured, scored

import labkit
from labkit.surfaces.ground import Ground

PINNED = UNEXPECTED.replace("low = 0.10\nhigh = 0.22", "low = 0.15\nhigh = 0.15").replace(
    "low = 0.02\nhigh = 0.08", "low = 0.04\nhigh = 0.04")                   # the wax and the load
BLEND = re.sub(r"\[factors\.load\].*?(?=\n\[)", "", HAZEL, flags=re.S)      # three parts, so two free coordinates
WAVE = {"round": 0.1, "melt": 0.1, "pour": 0.1, "tester": 0.5, "tester_pour": 0.3}


def wave(coded):
    return (5 + 2.5 * np.sin(3.5 * coded[:, 0]) + 0.5 * coded[:, 1])[:, None]


@pytest.fixture(scope="module")
def surface():
    return labkit.fit_surfaces(scored(poured(BLEND, rounds=6, seed=3), wave, noise=WAVE))["hardness"]


@pytest.mark.parametrize(("text", "free", "degree"), [(BLEND, 2, 4), (HAZEL, 3, 2), (TERRACOTTA, 4, 2), (PINNED, 2, 4)])
def test_the_degree_goes_by_the_free_coordinates(text, free, degree):
    trial = labkit.Trial.from_toml(text)
    ground = Ground.of(trial)
    assert trial.region.freedom == free and ground.degree == degree
    assert {system.degrees.max() for system in (*ground.systems, *ground.narrowed)} == {degree}


def test_a_factor_that_is_pinned_is_as_good_as_none():
    """The same pours, told of with and without the wax and the load, which are the same in all of them."""
    with_it = scored(poured(PINNED, rounds=3, seed=3), lambda coded: 5 + coded[:, [1, 1, 1, 3]])
    bare = re.sub(r"\[factors\.(wax|load)\].*?(?=\n\[)", "", UNEXPECTED, flags=re.S)
    tables = dict(with_it.tables)
    tables["plan"] = tables["plan"].drop(columns=["wax", "load"])
    without = labkit.Trial.from_toml(bare).with_tables(tables, files=True)
    frame = with_it.region.sample(50, seed=7)
    one = labkit.fit_surfaces(with_it)["payoff"].predict(frame)
    other = labkit.fit_surfaces(without)["payoff"].predict(frame[["red_share", "pour_temperature"]])
    np.testing.assert_allclose(one, other, atol=0.05)


def test_it_comes_closer_than_any_quadratic(surface):
    """The least squares fit to the truth itself, without noise, bounds what a quadratic can do: half of it is asked."""
    region = surface.ground.trial.region
    frame = region.sample(1000, seed=7)
    coded = region.coded(frame)
    true, (a, b) = wave(coded)[:, 0], coded.T
    columns = np.column_stack([np.ones(len(a)), a, b, a * a, a * b, b * b])
    bound = np.std(true - columns @ np.linalg.lstsq(columns, true, rcond=None)[0])
    told = surface.predict(frame)
    assert np.sqrt(np.mean((told["mean"] - true) ** 2)) < 0.5 * bound
    assert ((told["low"] <= true) & (true <= told["high"])).mean() > 0.8


def test_the_report_names_the_form(surface, surfaces):
    assert "bends as a quartic on one of these scales" in " ".join(str(surface).split())
    assert "bends as a quadratic on one of these scales" in " ".join(str(surfaces["payoff"]).split())

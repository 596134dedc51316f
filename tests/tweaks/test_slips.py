"""Slips: masses by hand, scores by the surfaces."""
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import labkit
from labkit.attributes import Attribute
from labkit.tweaks.path import as_of
from labkit.tweaks.slips import HARMLESS, slips_at, slips_in_words
from labkit.tweaks.standing import standing_of

POINT = {"wax": 0.16, "red_share": 0.5, "load": 0.04, "pour_temperature": 71.0}
# 20 g at these coordinates: 1.6 g of pigment-half pastes make 0.8 g of pigment; 18.4 g of base
GRAMS = pd.Series({"candelilla wax": 2.88, "mango butter": 6.0, "vitamin E": 0.2, "red paste": 0.8, "yellow paste": 0.8,
                   "jojoba oil": 9.32})


@pytest.fixture(scope="module")
def standing(demo):
    return standing_of(demo, pd.DataFrame([POINT]), seed=1)


@pytest.fixture(scope="module")
def slips(demo, standing):
    return slips_at(standing, GRAMS[list(demo.recipe.ingredients)])


def moved(slips, text):
    """What a slip moves, as numbers by coordinate."""
    words = slips.set_index("what slips").at[text, "moves"]
    return {name: float(value) for name, value in (part.rsplit(" ", 1) for part in words.split(", "))}


def test_every_weight_setting_and_loss_is_there_once(slips):
    assert len(slips) == 6 * 2 + 2 + 2 + 2 and slips["what slips"].is_unique
    assert list(slips.columns) == ["what slips", "moves", "payoff", "hardness", "sheerness", "shade", "desirability", "low"]
    assert slips["desirability"].is_monotonic_increasing and (slips["low"] <= slips["desirability"] + 1e-12).all()


def test_colour_is_weighed_into_the_pour(slips):
    found = moved(slips, "0.03 g too much red paste in the pour")
    assert found == {"red_share": pytest.approx(0.83 / 1.63 - 0.5, abs=5e-4),
                     "load": pytest.approx(1.63 / 2 / 20.03 - 0.04, abs=5e-5)}


def test_wax_is_weighed_into_the_pot_that_holds_a_tenth_more(slips):
    pot, wax = 1.1 * 18.4, 1.1 * 2.88
    rest = 1.1 * (2.88 + 6.0 + 9.32)
    assert pot > rest                              # vitamin E is in the pot, not in the whole of the wax
    found = moved(slips, "0.03 g too little candelilla wax in the pot")
    assert found == {"wax": pytest.approx((wax - 0.03) / (rest - 0.03) - 2.88 / 18.2, abs=5e-5)}
    assert moved(slips, "0.03 g too much mango butter in the pot")["wax"] == pytest.approx(
        wax / (rest + 0.03) - 2.88 / 18.2, abs=1e-5)


def test_base_that_stays_in_the_beaker_makes_the_load_higher(slips):
    for part in (0.03, 0.08):
        found = moved(slips, f"{100 * part:.0f} % of the base left in the beaker")
        assert found == {"load": pytest.approx(0.8 / (1.6 + 18.4 * (1 - part)) - 0.04, abs=5e-5)}


def test_a_setting_is_off_by_a_twentieth_of_its_range_and_vitamin_e_changes_nothing(slips):
    assert moved(slips, "pour_temperature 0.6 °C too high") == {"pour_temperature": 0.6}
    row = slips.set_index("what slips").loc["0.03 g too much vitamin E in the pot"]
    assert row["moves"] == "nothing that varies" and row["desirability"] == pytest.approx(0, abs=1e-9)


def test_scores_move_as_the_surfaces_say(demo, slips):
    load = 0.8 / (1.6 + 18.4 * 0.92)
    points = pd.DataFrame([POINT, POINT | {"load": load}]).assign(wax=2.88 / 18.2)
    for name, surface in labkit.fit_surfaces(demo).items():
        change = np.diff(surface.predict(points)["mean"])[0]
        assert slips.set_index("what slips").at["8 % of the base left in the beaker", name] == pytest.approx(change, abs=0.03)


def test_what_a_slip_costs_hangs_little_on_the_draws(demo):
    """To what is not worth a word, after a single round: of 1024 draws it moved by twice as much from seed to seed."""
    first = as_of(demo, 1)
    standings = [standing_of(first, pd.DataFrame([POINT]), seed=1)]
    standings += [replace(standings[0], seed=seed) for seed in range(2, 7)]
    found = [slips_at(one, GRAMS[list(demo.recipe.ingredients)]).set_index("what slips")["desirability"] for one in standings]
    spread = pd.concat(found, axis=1).agg(np.ptp, axis=1)
    assert spread.max() < HARMLESS, spread.idxmax()


def test_the_most_dangerous_one_is_named():
    table = pd.DataFrame([["0.03 g too little wax in the pot", "", 0.1, -0.4, -0.051, -0.2], ["x", "", 0, 0, 0.0, 0.0]],
                         columns=["what slips", "moves", "payoff", "hardness", "desirability", "low"])
    scales = {name: Attribute(name=name) for name in ("payoff", "hardness")}
    assert slips_in_words(table, scales) == ("The slip to guard against: 0.03 g too little wax in the pot. It moves hardness by -0.40 "
                                     "and costs 0.051 of desirability.")
    assert slips_in_words(table.assign(**{"what slips": "8 % of the base left in the beaker"}), scales).endswith(
        " Weigh the base that has arrived, and stir in for each gram of it as the round's sheet says.")
    assert slips_in_words(table.assign(desirability=[-0.002, 0.0]), scales) == (
        "No slip of hand, balance or kettle costs more than 0.005 of desirability; the largest is 0.03 g too little wax in "
        "the pot, -0.002.")
    for nothing in (-0.0004, 0.0, 0.003):
        assert slips_in_words(table.assign(desirability=[nothing, 0.0]), scales) == (
            "No slip of hand, balance or kettle costs more than 0.005 of desirability.")


def test_scales_are_compared_by_their_widths_and_what_is_read_has_its_unit():
    """2 of 0..100 is less than .5 of 0..10, and 3 degC of 50 to 60 is more."""
    scales = {"gloss": Attribute(name="gloss", low=0, high=100), "payoff": Attribute(name="payoff"),
              "melting": Attribute(name="melting", low=50, high=60, reading="drop point", unit="degC")}
    table = pd.DataFrame([["x", "", 2.0, -0.5, 0.3, -0.05, -0.2]],
                         columns=["what slips", "moves", *scales, "desirability", "low"])
    assert slips_in_words(table, scales) == (
        "The slip to guard against: x. It moves payoff by -0.50 and costs 0.050 of desirability.")
    assert slips_in_words(table.assign(melting=3.0, payoff=-0.2), scales) == (
        "The slip to guard against: x. It moves melting by +3.00 °C and costs 0.050 of desirability.")


def test_where_each_pour_has_its_own_pot_everything_is_weighed_into_the_pour():
    from played import hazel_rounds

    trial = hazel_rounds(1)[-1]
    grams = trial.recipe.starting.iloc[0] * trial.batch.pour_g
    found = slips_at(standing_of(trial, trial.recipe.starting_factors), grams)
    assert found["what slips"].str.endswith("in the pour").all() and len(found) == 2 * len(trial.recipe.ingredients)

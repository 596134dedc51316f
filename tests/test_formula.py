import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA, WORKED
from hypothesis import given
from hypothesis import strategies as st

from labkit import Trial
from labkit.errors import FormulaError


def masses_of(trial, formulas, names):
    """Mass of constituents, pastes split by hand."""
    found = 0.0
    for thing in trial.recipe.ingredients:
        for part, share in trial.recipe.shelf.made_of.get(thing, {thing: 1.0}).items():
            if part in names:
                found = found + share * formulas[thing]
    return found


def test_the_worked_formula():
    """wax .22 of the base, red .5 of the colorant, load .08."""
    found = (
        Trial.from_toml(WORKED).formula_at(pd.DataFrame({"wax": [0.22], "red_share": [0.5], "load": [0.08]})).iloc[0]
    )
    assert found.round(4).to_dict() == {
        "candelilla wax": 0.2013,
        "mango butter": 0.2875,
        "vitamin E": 0.0048,
        "red": 0.04,
        "yellow": 0.04,
        "jojoba oil": 0.4264,
    }


def test_the_pot_has_the_same_composition_at_every_load():
    trial = Trial.from_toml(WORKED)
    found = trial.formula_at(pd.DataFrame({"wax": 0.22, "red_share": [0.2, 0.5, 0.8], "load": [0.02, 0.05, 0.08]}))
    pot = found[list(trial.recipe.pot)]
    shares = pot.div(pot.sum(axis=1), axis=0)
    assert np.ptp(shares.to_numpy(), axis=0).max() < 1e-15


@pytest.mark.parametrize("text", [TERRACOTTA, HAZEL], ids=["terracotta", "hazel"])
def test_every_vertex_adds_to_one_and_satisfies_every_statement(text):
    trial = Trial.from_toml(text)
    corners = trial.region.vertices()
    factors = trial.factors_of(corners)
    assert np.abs(corners.sum(axis=1) - 1).max() < 1e-12
    assert (corners >= 0).all(axis=None)
    bounds = trial.recipe.bounds.loc[list(trial.recipe.factors)]
    assert (factors >= bounds["low"] - 1e-12).all(axis=None) and (factors <= bounds["high"] + 1e-12).all(axis=None)
    assert trial.formula_at(factors).to_numpy() == pytest.approx(corners.to_numpy(), abs=1e-12)


def test_statements_of_the_terracotta_stick_hold_in_its_constituents():
    trial = Trial.from_toml(TERRACOTTA)
    at = pd.DataFrame({"wax": [0.22, 0.1], "red_share": [0.5, 0.3], "load": [0.08, 0.03]}, index=["a", "b"])
    found = trial.formula_at(at)
    base = masses_of(trial, found, ["candelilla wax", "mango butter", "jojoba oil"])
    colour = masses_of(trial, found, ["red iron oxide", "yellow iron oxide"])
    assert (found["candelilla wax"] / base).tolist() == pytest.approx([0.22, 0.1], abs=1e-14)
    assert (0.5 * found["red paste"] / colour).tolist() == pytest.approx([0.5, 0.3], abs=1e-14)
    assert colour.tolist() == pytest.approx([0.08, 0.03], abs=1e-14)
    assert (found["mango butter"] / base).tolist() == pytest.approx([30 / 91] * 2, abs=1e-14)  # start 30 of 14+30+47
    pot = base + found["vitamin E"]
    assert (found["vitamin E"] / pot).tolist() == pytest.approx([1 / 92] * 2, abs=1e-14)
    assert found.index.tolist() == ["a", "b"]


def test_without_a_thing_to_100_the_rest_keeps_its_ratios():
    trial = Trial.from_toml(HAZEL)
    at = pd.DataFrame(
        {"load": [0.05], "base: sunflower wax": [0.1], "base: cocoa butter": [0.2], "base: castor oil": [0.7]}
    )
    found = trial.formula_at(at).iloc[0]
    assert found["brown iron oxide"] == pytest.approx(0.05, abs=1e-14)
    assert found["vitamin E"] / (1 - 0.05) == pytest.approx(1 / 97, abs=1e-14)  # start 1 beside 96 of base


@given(st.floats(0.1, 0.22), st.floats(0.2, 0.8), st.floats(0.02, 0.08))
def test_factors_come_back(wax, red, load):
    trial = Trial.from_toml(TERRACOTTA)
    at = pd.DataFrame({"wax": [wax], "red_share": [red], "load": [load]})
    assert trial.factors_of(trial.formula_at(at)).to_numpy() == pytest.approx(at.to_numpy(), abs=1e-13)


def test_carrier_oil_of_a_paste_is_not_the_oil_of_the_pot():
    text = TERRACOTTA.replace('"jojoba oil"', '"castor oil"')
    trial = Trial.from_toml(text)
    found = trial.formula_at(pd.DataFrame({"wax": [0.2], "red_share": [0.5], "load": [0.08]})).iloc[0]
    assert found["candelilla wax"] / (
        found["candelilla wax"] + found["mango butter"] + found["castor oil"]
    ) == pytest.approx(0.2)


@pytest.mark.parametrize("oil", ["castor oil", "Castor oil", "CASTOR OIL"])
def test_carrier_oil_is_not_the_oil_beside_it_without_a_pot_either_whatever_its_letters(oil):
    """By hand: 70 of 100 are the oil itself; the paste holds 5 more, which came with the colour."""
    trial = Trial.from_toml(f"""
        formula = {{ beeswax = 20, "{oil}" = 70, "red paste" = 10 }}
        made_of = {{ "red paste" = {{ "red iron oxide" = 0.5, "{oil}" = 0.5 }} }}
        factors = {{ oil = {{ of = ["{oil}"], low = 0.6, high = 0.8 }} }}
    """)
    assert trial.recipe.starting_factors["oil"].item() == pytest.approx(0.7)


def test_powder_and_paste_of_one_pigment_are_one_constituent():
    text = TERRACOTTA.replace('"red paste" = 4', '"red paste" = 2\n"red iron oxide" = 1')
    trial = Trial.from_toml(text)
    found = trial.formula_at(pd.DataFrame({"wax": [0.2], "red_share": [0.5], "load": [0.08]})).iloc[0]
    assert found["red iron oxide"] + 0.5 * found["red paste"] == pytest.approx(0.04)
    assert found["red iron oxide"] == pytest.approx(0.5 * found["red paste"])  # as in the start: 1 and 1


def test_a_share_of_the_batch_may_cut_through_the_pot():
    text = TERRACOTTA.replace('within = ["candelilla wax", "mango butter", "jojoba oil"]\n', "")
    trial = Trial.from_toml(text)
    a, b = (trial.formula_at(pd.DataFrame({"wax": [0.15], "red_share": [0.5], "load": [x]})) for x in (0.03, 0.06))
    both = trial.recipe.with_pot_of(a, b)
    share = both["candelilla wax"] / both[list(trial.recipe.pot)].sum(axis=1)
    assert share.iloc[0] == pytest.approx(0.15 / a[list(trial.recipe.pot)].sum(axis=1).iloc[0])
    assert both.sum(axis=1).iloc[0] == pytest.approx(1, abs=1e-14)
    assert trial.recipe.per_melt == ()


def test_drift_is_what_no_factor_describes():
    trial = Trial.from_toml(WORKED)
    formula = trial.formula_at(pd.DataFrame({"wax": [0.2], "red_share": [0.5], "load": [0.05]}))
    moved = formula.copy()
    moved["vitamin E"] += 0.002
    moved["jojoba oil"] -= 0.002
    assert trial.recipe.drift(formula).abs().max(axis=None) < 1e-14
    assert trial.recipe.drift(moved)["vitamin E"].iloc[0] == pytest.approx(0.002, rel=0.02)


FRAME_ERRORS = [
    (
        {"wax [g]": [1.0], "red_share": [0.5], "load": [0.05]},
        "the frame has grams in the column 'wax [g]', where factors are wanted. Divide the grams by their sum, and name the "
        "columns by the bare ingredient.",
    ),
    (
        {"mango butter": [0.3], "red_share": [0.5], "load": [0.05]},
        "the frame has a mass fraction in the column 'mango butter', where factors are wanted. Use factors_of to turn formulas "
        "into factors.",
    ),
    (
        {"wax": [0.2], "red_share": [0.5]},
        "the frame of factors lacks the column 'load'. It needs 'wax', 'red_share' and 'load'.",
    ),
    (
        {"wax": [0.2], "red_share": [0.5], "load": [0.05], "waks": [1.0]},
        "the frame of factors has a column 'waks' that is not known here. The columns are 'wax', 'red_share', 'load', "
        "'pour_temperature', 'round', 'melt', 'pour' and 'order'.",
    ),
    ({"wax": [np.nan], "red_share": [0.5], "load": [0.05]}, "row 0: wax is missing. Give every factor a value."),
    (
        {"wax": [0.9], "red_share": [0.5], "load": [0.05]},
        "row 0: wax 0.9, red_share 0.5 and load 0.05 would need -20.45 % of jojoba oil. These shares cannot all hold: lower one "
        "of them.",
    ),
]


@pytest.mark.parametrize("columns, message", FRAME_ERRORS)
def test_a_frame_of_the_wrong_kind_is_refused(columns, message):
    with pytest.raises(FormulaError) as problem:
        Trial.from_toml(TERRACOTTA).formula_at(pd.DataFrame(columns))
    assert str(problem.value) == message


def test_parts_of_a_blend_add_to_one():
    at = pd.DataFrame(
        {"load": [0.05], "base: sunflower wax": [0.1], "base: cocoa butter": [0.2], "base: castor oil": [0.6]}
    )
    with pytest.raises(FormulaError) as problem:
        Trial.from_toml(HAZEL).formula_at(at)
    assert str(problem.value) == "row 0: the parts of base add to 0.900000, not 1. Give shares of the whole blend."


def test_grams_where_fractions_are_wanted():
    trial = Trial.from_toml(HAZEL)
    grams = trial.region.vertices().mul(20)
    with pytest.raises(FormulaError) as problem:
        trial.factors_of(grams)
    assert str(problem.value) == "row 0: fractions sum to 20.0000, not 1. If these are grams, divide them by their sum."
    with pytest.raises(FormulaError) as problem:
        trial.factors_of(grams.add_suffix(" [g]"))
    assert str(problem.value) == (
        "the frame has grams in the column 'sunflower wax [g]', where mass fractions are wanted. Divide "
        "the grams by their sum, and name the columns by the bare ingredient."
    )

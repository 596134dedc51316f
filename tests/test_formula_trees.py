"""Formulas of random trees of sets: every definition that is accepted has one formula at every choice, and gives it back."""

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit import Trial
from labkit.errors import LabkitError


@st.composite
def definitions(draw):
    """A shelf of 3 to 7 things cut into a pot, a base within it and a colour beside it, with shares, a blend or both."""
    count = draw(st.integers(3, 7))
    things = [f"t{k}" for k in range(count)]
    percent = [draw(st.integers(2, 30)) for _ in things]
    cut = draw(st.integers(1, count - 1))
    base, colour = things[:cut], things[cut:]
    slack = draw(st.sampled_from([*things, None]))
    scale = 100 / sum(percent) if slack is None else 90 / sum(percent)
    lines = ["[formula]"] + [
        f'{t} = "to 100"' if t == slack else f"{t} = {p * scale!r}" for t, p in zip(things, percent, strict=True)
    ]
    if draw(st.booleans()):
        lines += ["[melt]", f"pot = {base}"]
    lines += ["[factors.load]", f"of = {colour}", "low = 0.02", "high = 0.30"]
    if len(colour) > 1 and draw(st.booleans()):
        lines += ["[factors.tint]", f"of = {colour[:1]}", f"within = {colour}", "low = 0.2", "high = 0.7"]
    if len(base) > 2 and draw(st.booleans()):
        lines += ["[blends.base]", f"parts = {base[:3]}", "low = [0.1, 0.1, 0.1]", "high = [0.7, 0.7, 0.7]"]
    elif len(base) > 1:
        lines += ["[factors.wax]", f"of = {base[:1]}", f"within = {base}", "low = 0.1", "high = 0.6"]
    return "\n".join(lines).replace("'", '"')


@settings(max_examples=120)
@given(definitions(), st.integers(0, 1000))
def test_one_formula_at_every_choice_and_back(text, seed):
    trial = Trial.from_toml(text)
    points = trial.region.sample(20, seed)
    formulas = trial.formula_at(points)
    assert np.abs(formulas.sum(axis=1) - 1).max() < 1e-12
    assert (formulas >= 0).all(axis=None)
    assert np.abs(trial.factors_of(formulas) - points).max(axis=None) < 1e-11
    assert trial.region.contains(formulas).all()
    assert trial.recipe.drift(formulas).abs().max(axis=None) < 1e-12


@settings(max_examples=60)
@given(definitions(), st.integers(0, 1000))
def test_averages_of_formulas_stay_inside(text, seed):
    """Convexity lives in masses."""
    trial = Trial.from_toml(text)
    corners = trial.region.vertices()
    weights = np.random.default_rng(seed).dirichlet(np.ones(len(corners)), size=20)
    mixed = pd.DataFrame(weights @ corners.to_numpy(), columns=corners.columns)
    assert trial.region.contains(mixed).all()
    factors = trial.factors_of(mixed)
    assert np.abs(trial.formula_at(factors).to_numpy() - mixed.to_numpy()).max() < 1e-11


@settings(max_examples=60)
@given(definitions())
def test_the_rest_keeps_its_starting_shares(text):
    """At the factors of the starting formula the formula is the starting formula."""
    trial = Trial.from_toml(text)
    start = trial.recipe.starting
    try:
        found = trial.formula_at(trial.factors_of(start))
    except LabkitError as problem:
        raise AssertionError(f"{problem}\n{text}") from problem
    assert np.abs(found.to_numpy() - start.to_numpy()).max() < 1e-12

"""Regions of published mixtures, written as a maker would write them."""

import itertools
import pathlib

import numpy as np
import pandas as pd
import pytest

from labkit import Trial

HERE = pathlib.Path(__file__).parent


def bounded(names, low, high, extra=""):
    """A definition whose blend fills what `extra` leaves of the batch, with limits on the batch."""
    middle = np.array([(a + b) / 2 for a, b in zip(low, high)])
    left = 100 - sum(float(line.split("=")[1]) for line in extra.splitlines() if line)
    percent = middle / middle.sum() * left
    lines = [
        "[formula]",
        *(f'"{n}" = {p:.10g}' for n, p in zip(names[:-1], percent)),
        extra,
        f'"{names[-1]}" = "to 100"',
    ]
    lines += ["[blends.whole]", f"parts = {list(names)}".replace("'", '"')]
    for name, a, b in zip(names, low, high):
        lines += ["[[limits]]", f'of = ["{name}"]', f"low = {a}", f"high = {b}"]
    return Trial.from_toml("\n".join(lines))


def test_the_flare_has_its_eight_vertices():
    """McLean & Anderson (1966) Technometrics 8:447-454, the bounds from memory; the vertices are found again here by
    their rule: all parts but one at a bound, the last fills up and has to lie within its own.
    """
    names = ["magnesium", "sodium_nitrate", "strontium_nitrate", "binder"]
    published = pd.read_csv(HERE / "flare_extreme_vertices.csv").query("kind == 'vertex'")[names]
    found = bounded(names, [0.40, 0.10, 0.10, 0.03], [0.60, 0.50, 0.50, 0.08]).region.vertices()[names]
    assert len(found) == 8
    low, high = [0.40, 0.10, 0.10, 0.03], [0.60, 0.50, 0.50, 0.08]
    by_rule = set()
    for last in range(4):
        others = [k for k in range(4) if k != last]
        for ends in itertools.product(*[(low[k], high[k]) for k in others]):
            point = np.zeros(4)
            point[others], point[last] = ends, 1 - sum(ends)
            if low[last] - 1e-9 <= point[last] <= high[last] + 1e-9:
                by_rule.add(tuple(point.round(9)))
    assert {tuple(row) for row in published.to_numpy().round(9)} == by_rule
    ordered = [frame.sort_values(names, key=lambda column: column.round(9)).to_numpy() for frame in (found, published)]
    assert ordered[0] == pytest.approx(ordered[1], abs=1e-12)


def test_lower_bounds_cut_a_smaller_simplex():
    """e-Handbook 5.5.4.4, Table 5.5: pseudo-components for lower bounds .3, .4, .1; x = L + (1 - sum L) z."""
    table = pd.read_csv(HERE / "nist_pseudo_components.csv")
    found = bounded(["x1", "x2", "x3"], [0.3, 0.4, 0.1], [1, 1, 1]).region.vertices()
    published = table.iloc[[0, 1, 2]][["x1", "x2", "x3"]]
    ordered = [f.sort_values(["x3", "x2"], key=lambda column: column.round(9)).to_numpy() for f in (found, published)]
    assert ordered[0] == pytest.approx(ordered[1], abs=1e-12)


def test_a_lipstick_with_a_fixed_remainder_has_23_vertices():
    """Kamairudin et al. (2014) Molecules 19:16672: bounds 10-25, 25-45, 5-25, 1-5, 1-5 %, the rest fixed at 17 %; optimum
    25 + 37 + 17 + 2 + 2. The 23 vertices are computed."""
    names = ["a wax", "an oil", "a butter", "a second wax", "a third wax"]
    trial = bounded(names, [0.10, 0.25, 0.05, 0.01, 0.01], [0.25, 0.45, 0.25, 0.05, 0.05], extra='"remainder" = 17')
    corners = trial.region.vertices()
    assert len(corners) == 23
    assert corners["remainder"].to_numpy() == pytest.approx(np.full(23, 0.17), abs=1e-14)
    optimum = pd.DataFrame([[0.25, 0.37, 0.17, 0.02, 0.02, 0.17]], columns=[*names, "remainder"])
    assert trial.region.contains(optimum).tolist() == [True]
    assert trial.region.contains(optimum.assign(**{"a wax": 0.26, "an oil": 0.36})).tolist() == [False]

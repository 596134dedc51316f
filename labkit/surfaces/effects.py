"""What each coordinate does to a surface: from its low to its high, and in its middle against its ends."""

import math
from collections.abc import Mapping
from functools import lru_cache

import numpy as np
import pandas as pd

from labkit.handing import locked
from labkit.surfaces.ground import groups_in
from labkit.surfaces.posterior import Posterior

DRAWS, POINTS = 512, 256
FEW = 16                # formulas of the region that must stay in it at both ends of a factor


Ends = Mapping[str, np.ndarray | None]


def effects_of(posterior: Posterior, ends: Ends) -> pd.DataFrame:
    """What each coordinate does from low to high, the others as they are; a part of a blend against the rest of it.

    ends : what `ends_of` gave. The surface at the high less that at the low, on average. Of a part that can go so far
    in few formulas, the slope on it of what the blend adds in straight lines, times its high less its low, from the
    regression of `moved_by_each`.
    """
    ground = posterior.ground
    sample = ground.sample.iloc[:POINTS]
    drawn = posterior.draws(ground.columns(sample), DRAWS, 0)
    moved = moved_by_each(ground, sample, drawn)
    for place, name in enumerate(sample.columns):
        if (at := ends[name]) is not None:
            moved[:, place] = at[2] - at[0]
    low, high = np.quantile(moved, [0.05, 0.95], axis=0)
    expect, varies = posterior.attribute.expect, ground.trial.recipe.varying
    trust = dict(zip(posterior.expected_names, posterior.trust(), strict=True))
    table = {"effect": moved.mean(axis=0), "se": moved.std(axis=0), "low": low, "high": high,
             "expected": [expect.get(name, 0) for name in sample.columns],
             "trust": [trust.get(name, math.nan) for name in sample.columns],
             "no part": [posterior.idle(name) if name in varies else math.nan for name in sample.columns]}
    return pd.DataFrame(table, index=sample.columns).rename_axis("coordinate")


def ends_of(posterior: Posterior) -> Ends:
    """By coordinate: the surface with it at its low, middle and high, in each draw (3, n), on average over
    `at_both_ends`; None where that has none.

    A line that is fitted through an S or a lopsided hill would be steeper than what lies between its ends.
    """
    return {name: _at_ends(posterior, name) for name in posterior.ground.sample.columns}


def _at_ends(posterior: Posterior, name: str) -> np.ndarray | None:
    columns = _columns_at_ends(posterior.ground, name)
    if columns is None:
        return None
    drawn = posterior.draws(columns, DRAWS, 0)
    return drawn.reshape(len(drawn), 3, -1).mean(axis=2).T


@lru_cache(maxsize=16)
def _columns_at_ends(ground, name: str) -> np.ndarray | None:
    """Alike for all attributes of a trial."""
    points = at_both_ends(ground, name)
    return None if points is None else locked(ground.columns(points))


def at_both_ends(ground, name: str) -> pd.DataFrame | None:
    """Formulas with one coordinate at its low, then at its middle, then at its high, as many of each.

    Those of the region that stay in it at both ends; all, where too few do. The rest of a blend keeps its ratio (Cox
    direction); None where too few stay, as mixtures beyond it tell nothing, and where a coordinate has no extent.
    """
    recipe, region = ground.trial.recipe, ground.trial.region
    low, high = recipe.bounds.loc[name, ["low", "high"]]
    if not high > low:
        return None
    sample = ground.sample.iloc[:POINTS]
    places = [recipe.held_at(sample, {name: value}) for value in (low, (low + high) / 2, high)]
    kept = region.includes(places[0]) & region.includes(places[2])
    if kept.sum() < FEW:
        if any(name in parts for parts in recipe.blends.values()):
            return None
        kept = np.ones(len(sample), dtype=bool)
    return pd.concat([place[kept] for place in places], ignore_index=True)


def moved_by_each(ground, sample: pd.DataFrame, drawn: np.ndarray) -> np.ndarray:
    """Twice the linear coefficient of each coordinate in each draw, (n, coordinates), of a part see `effects_of`.

    Regression over the region on all coded coordinates and their squares.
    """
    coded, groups = ground.trial.region.coded(sample), groups_in("shares", ground.trial.region)
    linear = _fitted(drawn, coded)[:, 1:1 + coded.shape[1]]
    bounds, moved = ground.trial.recipe.bounds, pd.DataFrame(0.0, index=range(len(drawn)), columns=sample.columns)
    for name, places in groups.items():
        for part in ground.trial.recipe.blends.get(name, ()):
            off = sample[part] - sample[part].mean()
            slope = linear[:, places] @ coded[:, places].T @ off / max(off @ off, 1e-300)
            moved[part] = slope * (bounds.at[part, "high"] - bounds.at[part, "low"])
        if name in moved and bounds.at[name, "high"] > bounds.at[name, "low"]:
            moved[name] = 2 * linear[:, places[0]]
    return moved.to_numpy(copy=True)


def _fitted(drawn: np.ndarray, coded: np.ndarray) -> np.ndarray:
    """Coefficients of 1, of coded coordinates and of their squares in each draw, by least squares."""
    return drawn @ np.linalg.pinv(np.column_stack([np.ones(len(coded)), coded, coded**2])).T


def bends_of(posterior: Posterior, ends: Ends) -> pd.DataFrame:
    """By coordinate: how far the middle of its range lies above its ends, on average over the region; 90 % interval.

    ends : what `ends_of` gave. For a part of a blend that can go so far in few formulas, minus the coefficient of its
    coded square, in the regression on the part and that square alone.
    """
    ground = posterior.ground
    sample = ground.sample.iloc[:POINTS]
    drawn, rows = posterior.draws(ground.columns(sample), DRAWS, 0), {}
    for name, (low, high) in ground.trial.recipe.bounds.loc[sample.columns].iterrows():
        if high > low:
            at = ends[name]
            bend = _bend_alone(sample[name], low, high, drawn) if at is None else at[1] - (at[0] + at[2]) / 2
            rows[name] = (bend.mean(), *np.quantile(bend, [0.05, 0.95]))
    return pd.DataFrame.from_dict(rows, orient="index", columns=["effect", "low", "high"]).rename_axis("coordinate")


def _bend_alone(values: pd.Series, low: float, high: float, drawn: np.ndarray) -> np.ndarray:
    return -_fitted(drawn, (2 * values.to_numpy() - low - high) / (high - low))[:, 2]

"""Where in the region something is highest: corners and a sample first, then ever smaller steps about the best points.

The formulas worth having may fill a thousandth of the region, so no fixed set of candidates is enough. A step is a
random part of the difference between two points of the region, which keeps the parts of a blend adding to one and
fits the step in each coordinate to the room there (differential evolution, Storn & Price 1997).
"""

from collections.abc import Callable, Mapping
from functools import lru_cache

import numpy as np
import pandas as pd

from labkit.aside import without_aside
from labkit.checks import columns_of
from labkit.errors import TweakError
from labkit.handing import handed
from labkit.wording import words_joined

FIRST_STEP, LAST_STEP = 0.4, 0.02              # as parts of the difference between two points of the region
PARENTS = 12                                   # points from which a generation is stepped
MOVING = 0.6                                    # chance that a coordinate moves in a step, beside the one that has to


def poured(trial) -> pd.DataFrame:
    """Coordinates of the pours within the limits, by pour; what a balance step carried over a bound is set back."""
    return handed(_poured(trial))


@lru_cache(maxsize=2)
def _poured(trial) -> pd.DataFrame:
    made, recipe = trial.made, trial.recipe
    names = list(recipe.coordinates)
    bounds = recipe.bounds.loc[names]
    blended = [c for columns in recipe.blends.values() for c in columns]
    points = made.loc[made["inside"], names]
    clipped = points.clip(bounds["low"], bounds["high"], axis=1)
    clipped[blended] = points[blended]
    return clipped[trial.region.includes(clipped)] if len(clipped) else clipped


def poured_well(trial) -> pd.DataFrame:
    """Those of `poured` that held and are not set aside: what may be called the best pour, and be made again."""
    return without_aside(poured(trial).drop(index=list(trial.failed), errors="ignore"), trial.set_aside)


def starting_points(trial, hold: Mapping[str, float], *, size: int, seed: int) -> pd.DataFrame:
    """Corners, a uniform sample, what was poured within the limits and the starting formula, all with `hold`."""
    recipe, region = trial.recipe, trial.region
    names = list(recipe.coordinates)
    parts = [poured(trial), recipe.starting_factors[names], region.corners()[names],
             region.sample(size, seed=seed)[names]]
    points = pd.concat([part for part in parts if len(part)], ignore_index=True)
    points = recipe.held_at(points, hold)
    points = points[region.includes(points)].drop_duplicates(ignore_index=True)
    if not len(points):
        raise TweakError(f"no formula within the limits has {_held_words(hold)}. Hold another value, or hold less.")
    return points


def _held_words(hold: Mapping[str, float]) -> str:
    return words_joined([f"{name} {value:g}" for name, value in hold.items()])


def steps_from(region, parents: pd.DataFrame, *, scale: float, rng: np.random.Generator,
               hold: Mapping[str, float], pool: np.ndarray) -> pd.DataFrame:
    """A point near each parent, those that fell outside the region left out."""
    recipe = region.recipe
    names = list(recipe.coordinates)
    differences = pool[rng.integers(len(pool), size=len(parents))] - pool[rng.integers(len(pool), size=len(parents))]
    mask = _groups_moved(recipe, len(parents), rng)
    moved = columns_of(parents, names).to_numpy(dtype=float) + scale * differences * mask
    single = np.array([not any(n in columns for columns in recipe.blends.values()) for n in names])
    clipped = np.clip(moved, *recipe.box)
    children = recipe.held_at(pd.DataFrame(np.where(single, clipped, moved), columns=names), hold)
    return children[region.includes(children)]


def _groups_moved(recipe, rows: int, rng: np.random.Generator) -> np.ndarray:
    """Which coordinates move: of factors, settings and whole blends one by lot in each row, the others by MOVING."""
    group = {c: name for name, columns in recipe.blends.items() for c in columns}
    groups = list(dict.fromkeys(group.get(c, c) for c in recipe.coordinates))
    moves = rng.uniform(size=(rows, len(groups))) < MOVING
    moves[np.arange(rows), rng.integers(len(groups), size=rows)] = True
    return moves[:, [groups.index(group.get(c, c)) for c in recipe.coordinates]]


def highest(region, value_of: Callable[[pd.DataFrame], np.ndarray], start: pd.DataFrame, *, seed: int,
            generations: int = 7, brood: int = 120,
            hold: Mapping[str, float] | None = None) -> tuple[pd.DataFrame, np.ndarray]:
    """Points looked at and their values, highest first.

    value_of : coordinates frame (m rows) -> (m,). Each generation steps `brood` times from the PARENTS best so far;
    the steps shrink from FIRST_STEP to LAST_STEP.
    """
    rng, hold = np.random.default_rng([seed, 17]), hold or {}
    names = list(region.recipe.coordinates)
    points, values = start[names].reset_index(drop=True), value_of(start[names])
    pool = region.sample(256, seed=seed + 1)[names].to_numpy(dtype=float)
    for scale in np.geomspace(FIRST_STEP, LAST_STEP, generations):
        parents = points.iloc[np.resize(np.argsort(-values, kind="stable")[:PARENTS], brood)]
        children = steps_from(region, parents, scale=scale, rng=rng, hold=hold, pool=pool)
        if len(children):
            points = pd.concat([points, children], ignore_index=True)
            values = np.append(values, value_of(children))
    order = np.argsort(-values, kind="stable")
    return points.iloc[order].reset_index(drop=True), values[order]

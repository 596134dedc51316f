"""Which factors matter for what is wanted, as far as the scores can tell."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from labkit.tweaks.outlook import Outlook
from labkit.tweaks.search import inside

LEVELS = 7                                     # values of a factor that are compared
NOTHING = 0.02                                 # desirability: less is nothing that a small panel could show


def moved_along(region, base: pd.DataFrame, name: str) -> pd.DataFrame:
    """The base point (one row) with one coordinate at LEVELS values from its low to its high, those that fit."""
    low, high = region.recipe.bounds.loc[name, ["low", "high"]]
    points = pd.concat([base] * LEVELS, ignore_index=True)
    points[name] = np.linspace(low, high, LEVELS)
    return points[inside(region, points)]


def stake(draws: np.ndarray) -> float:
    """E[max_t D_t] - max_t E D_t over the values t of a factor: what knowing its effect would bring; draws (n, t)."""
    return float(draws.max(axis=1).mean() - draws.mean(axis=0).max())


def swing(draws: np.ndarray) -> float:
    """Largest less smallest expected desirability over the values of a factor."""
    return float(np.ptp(draws.mean(axis=0)))


def untold(region, outlook: Outlook, bases: pd.DataFrame, hold: Mapping[str, float]) -> list[str]:
    """Factors and settings that make less than NOTHING of a difference at the base points, nor would if known."""
    blended = {c for columns in region.recipe.blends.values() for c in columns}
    names = [c for c in region.recipe.coordinates if c not in blended and c not in hold]
    return [name for name in names if all(
        _is_nothing(moved_along(region, bases.iloc[[i]], name), outlook) for i in range(len(bases)))]


def _is_nothing(points: pd.DataFrame, outlook: Outlook) -> bool:
    if len(points) < 2:
        return False
    draws = outlook.draws(points)
    return swing(draws) < NOTHING and stake(draws) < NOTHING

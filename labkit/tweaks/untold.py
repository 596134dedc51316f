"""Which factors matter for what is wanted, as far as the scores can tell."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from labkit.tweaks.outlook import SAME, Outlook

LEVELS = 7             # values of a factor that are compared
TOLD = 2.33            # standard deviations: one chance in fifty for either sign that an effect is none
STAKE = 0.035          # desirability: less is not worth looking for. It is .7 of what a whole evening of 9 must bring
#                        to pay (9 x `rounds.WORTH`), so that nothing is held whose effect might alone pay for one
LOSS = 0.1             # desirability: what may be lost, on average over what is possible, where the best lies elsewhere
GIVEN_UP = 0.01        # desirability: what may be lost for certain, a fifth of what an evening must bring


def moved_along(region, base: pd.DataFrame, name: str) -> pd.DataFrame:
    """The base point (one row) with one coordinate at LEVELS values from its low to its high, those that fit."""
    low, high = region.recipe.bounds.loc[name, ["low", "high"]]
    points = pd.concat([base] * LEVELS, ignore_index=True)
    points[name] = np.linspace(low, high, LEVELS)
    return points[region.includes(points)]


def signal(draws: np.ndarray, width: float) -> float:
    """Largest |E c_t| / sd c_t of the changes c_t = y_t - y_0 along a factor; draws (n, 1 + t), base point first.

    width : of the scale; changes that differ by less than SAME of it do not count.
    """
    changes = draws[:, 1:] - draws[:, [0]]
    spread = changes.std(axis=0)
    moved = spread > SAME * width
    return float((np.abs(changes.mean(axis=0))[moved] / spread[moved]).max(initial=0.0))


def stake(draws: np.ndarray) -> float:
    """E[max_t D_t] - max_t E D_t over the values t of a factor: what knowing its effect would bring."""
    return float(draws.max(axis=1).mean() - draws.mean(axis=0).max())


def untold(region, outlook: Outlook, bases: pd.DataFrame, points: pd.DataFrame, hold: Mapping[str, float]) -> list[str]:
    """Factors and settings whose effect cannot be told from nothing, and that are not worth the looking.

    Along the factor through each base point no attribute that is wanted changes by TOLD standard deviations, and
    knowing more about it would bring less than STAKE. And when the factor stays as in the last base point, the first is
    expected to lose less than GIVEN_UP, and wherever among `points` the best may lie, no more than LOSS is lost: so
    nothing is held while everything is still open.
    """
    blended = {c for columns in region.recipe.blends.values() for c in columns}
    names = [c for c in region.recipe.coordinates if c not in blended and c not in hold]
    names = [name for name in names if all(
        _is_nothing(region, outlook, bases.iloc[[i]], name) for i in range(len(bases)))]
    if not names:
        return []
    names = [name for name in names if _given_up(outlook, bases, name) < GIVEN_UP]
    draws = outlook.draws(points)
    best = points.iloc[draws.argmax(axis=1)].reset_index(drop=True)
    return [name for name in names if _loss(outlook, best, draws.max(axis=1), name, bases[name].iloc[-1]) < LOSS]


def _given_up(outlook: Outlook, bases: pd.DataFrame, name: str) -> float:
    """E D of the first point, less that with the factor as in the last."""
    free, held = outlook.mean(pd.concat([bases.iloc[[0]], bases.iloc[[0]].assign(**{name: bases[name].iloc[-1]})]))
    return float(free - held)


def _loss(outlook: Outlook, best: pd.DataFrame, highest: np.ndarray, name: str, value: float) -> float:
    """E[max_x D - D(x* with the factor at the value)], x* where D is highest in each drawn world."""
    return float((highest - np.diag(outlook.draws(best.assign(**{name: value})))).mean())


def _is_nothing(region, outlook: Outlook, base: pd.DataFrame, name: str) -> bool:
    points = moved_along(region, base, name)
    if len(points) < 2:
        return False
    known = outlook.known(pd.concat([base, points], ignore_index=True))
    widths = [*(outlook.attributes[name].width for name in outlook.surfaces), 1.0]          # the last of a chance
    return max(map(signal, known, widths)) < TOLD and stake(outlook.worth(known)) < STAKE

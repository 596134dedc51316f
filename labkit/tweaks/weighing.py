"""From what was chosen to what a balance can weigh; `asked` : what was asked of `suggest_next`."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from labkit.planning.notes import beyond_a_sitting, carried_over
from labkit.planning.points import Points
from labkit.planning.weigh import weighed
from labkit.planning.wish import held_region
from labkit.portions import small_portions
from labkit.rounds import Round
from labkit.tweaks.looking import Looked

DIGITS = 6               # of coded coordinates, by which formulas are sorted before the lot


def weighed_round(asked, found: Looked) -> Round:
    """The round in grams: melts one after the other, melts and the pours within them in random order.

    The lot is drawn from formulas that are sorted, so that the order does not hang on which of two equals was found
    first, which the last digit of a sum may decide.
    """
    trial, rng = asked.trial, np.random.default_rng([asked.seed, 61])
    by_formula = np.lexsort(np.round(trial.region.coded(found.points), DIGITS).T)
    pots = rng.permutation(pd.unique(found.pots[by_formula]))
    order = [j for pot in pots for j in rng.permutation(by_formula[found.pots[by_formula] == pot])]
    names = trial.next_melts(len(pots))
    melts = [names[int(np.flatnonzero(pots == found.pots[j])[0])] for j in order]
    round_ = in_grams(trial, found.points.iloc[order], melts, trial.next_pours(len(order)), asked.hold)
    return with_notes(trial, round_)


def with_notes(trial, round_: Round) -> Round:
    """The round with what a sitting and the balance make of it: pours over a limit, portions that are small for it."""
    notes = (*beyond_a_sitting(trial, round_), *carried_over(trial, round_), *small_portions(round_, trial.batch))
    return replace(round_, notes=notes)


def weighed_best(asked, point: pd.DataFrame) -> pd.DataFrame:
    """One formula in grams for a pour, and its coordinates read off the grams."""
    single = in_grams(asked.trial, point, ["-"], ["-"], asked.hold)
    return single.frame.drop(columns=["round", "melt", "pour", "order"])


def in_grams(trial, points: pd.DataFrame, melts: list[str], pours: list[str],
              hold: Mapping[str, float] | None = None) -> Round:
    """The formulas in whole balance steps within the limits, settings within their ranges as a hand sets them."""
    points = points.reset_index(drop=True)
    for setting in trial.recipe.setting_list:
        points[setting.name] = points[setting.name].clip(setting.low, setting.high)
    return weighed(trial, Points.at(trial.recipe, points), melts, pours, held=held_region(trial, hold or {}))

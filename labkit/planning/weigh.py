"""From formulas to a round that can be weighed, within the limits also after rounding."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from labkit.planning.points import Points, centroid
from labkit.rounds import Round, round_from_factors
from labkit.trial import Trial

INWARD = (0.0005, 0.001, 0.002, 0.004, 0.008, 0.016)  # parts of the way to the centroid that a melt may be moved


def weighed(trial: Trial, points: Points, melts: Sequence[str], pours: Sequence[str], *, fixed=()) -> Round:
    """The weighable round nearest to these formulas (in pour order) that keeps the limits.

    Rounding to balance steps can carry a formula on a limit over it: its melt is then moved towards the centroid, by
    no more than it takes. `fixed` are the places of pours that stay as they are.
    """
    plain = _round(trial, points, melts, pours)
    outside = _outside(trial, plain)
    labels = np.asarray(melts)
    moved, found = points, plain
    for share in INWARD:
        bad = np.isin(labels, labels[outside]) & ~np.isin(labels, labels[list(fixed)])
        if not bad.any():
            return found
        moved = _inward(moved, points, bad, labels, share, centroid(trial.region))
        found = _round(trial, moved, melts, pours)
        outside = _outside(trial, found)
    return found if not outside.any() else plain


def _round(trial: Trial, points: Points, melts: Sequence[str], pours: Sequence[str]) -> Round:
    return round_from_factors(
        trial.recipe,
        trial.batch,
        number=trial.next_round,
        melts=list(melts),
        pours=list(pours),
        coordinates=points.coordinates(),
    )


def _outside(trial: Trial, found: Round) -> np.ndarray:
    """Which pours lie outside the limits once they are weighed."""
    coordinates = found.to_frame()[list(trial.recipe.coordinates)]
    try:
        return ~trial.region.contains(trial.formula_at(coordinates))
    except ValueError:  # some formula would need a negative mass: ask one by one
        return np.array([not _fits(trial, coordinates.iloc[[k]]) for k in range(len(coordinates))])


def _fits(trial: Trial, row: pd.DataFrame) -> bool:
    try:
        return bool(trial.region.contains(trial.formula_at(row))[0])
    except ValueError:
        return False


def _inward(moved: Points, start: Points, bad: np.ndarray, labels: np.ndarray, share: float, middle: Points) -> Points:
    """Formulas of the marked melts a share of the way to the middle, with one pot a melt."""
    nearer = start.towards(middle.take(np.zeros(len(start), dtype=int)), share)
    nearer = replace(nearer, settings=start.settings)
    first = np.array([np.flatnonzero(labels == label)[0] for label in labels])
    nearer = nearer.with_pots_of(nearer.take(first))
    places = np.arange(len(start)) + len(start) * bad
    return moved.joined(nearer).take(places)

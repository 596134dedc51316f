"""From formulas to a round that can be weighed, within the limits also after rounding."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from labkit.planning.points import Points, centroid
from labkit.rounds import Round, round_from_factors
from labkit.trial import Trial

INWARD = (0.0005, 0.001, 0.002, 0.004, 0.008, 0.016, 0.03, 0.06, 0.12)  # parts of the way that a melt may be moved
PLACES = 20  # points inside that a melt may be moved towards, where the centroid does not do


def weighed(trial: Trial, points: Points, melts: Sequence[str], pours: Sequence[str], *, fixed=()) -> Round:
    """The weighable round nearest to these formulas (in pour order) that keeps the limits.

    Rounding to balance steps can carry a formula on a limit over it: its melt is then moved towards the centroid, by
    no more than it takes, or on a coarse balance towards other points inside. `fixed` are the places of pours that
    stay as they are. Where nothing helps the nearest round stands.
    """
    labels, moved = np.asarray(melts), points
    plain = found = _round(trial, points, melts, pours)
    held = np.isin(labels, labels[list(fixed)])
    outside = outside_limits(trial, found)
    for target, share in _moves(trial):
        bad = np.isin(labels, labels[outside]) & ~held
        if not bad.any():
            return found
        moved = _inward(moved, points, bad, labels, share, target)
        found = _round(trial, moved, melts, pours)
        outside = outside_limits(trial, found)
    return found if outside.sum() < outside_limits(trial, plain).sum() else plain


def _moves(trial: Trial):
    """Points to move towards, and how far: the centroid little by little, then points inside."""
    middle = centroid(trial.region)
    yield from ((middle, share) for share in INWARD)
    inside = Points.at(trial.recipe, trial.region.sample(PLACES))
    yield from ((inside.take([k]), INWARD[-3 + k % 3]) for k in range(PLACES))


def _round(trial: Trial, points: Points, melts: Sequence[str], pours: Sequence[str]) -> Round:
    return round_from_factors(
        trial.recipe,
        trial.batch,
        number=trial.next_round,
        melts=list(melts),
        pours=list(pours),
        coordinates=points.coordinates(),
    )


def outside_limits(trial: Trial, found: Round) -> np.ndarray:
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

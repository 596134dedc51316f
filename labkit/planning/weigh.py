"""From formulas to a round that can be weighed, within the limits also after rounding."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from labkit.planning.points import Points, centroid
from labkit.region import Region
from labkit.rounds import Round, round_from_factors
from labkit.trial import Trial

INWARD = (0.0005, 0.001, 0.002, 0.004, 0.008, 0.016, 0.03, 0.06, 0.12)  # parts of the way that a melt may be moved
PLACES = 20  # points inside that a melt may be moved towards, where the centroid does not do


def weighed(trial: Trial, points: Points, melts: Sequence[str], pours: Sequence[str], *, fixed=(),
            held: Region | None = None) -> Round:
    """The weighable round nearest to these formulas (in pour order) that keeps the limits.

    Rounding to balance steps can carry a formula on a limit over it: its melt is then moved towards the centroid, by
    no more than it takes, or on a coarse balance towards other points inside; within `held` first, the region that a
    hold leaves. `fixed` are the places of pours that stay as they are. Of a melt that nothing brings inside as few
    pours as can be are over a limit, and where nothing helps it stands as it is nearest.
    """
    labels, best, nearest = np.asarray(melts), points, _round(trial, points, melts, pours)
    outside = outside_limits(trial, nearest)
    stays = np.isin(labels, labels[list(fixed)])
    for target, share in _moves(trial, held):
        bad = np.isin(labels, labels[outside]) & ~stays
        if not bad.any():
            break
        moved = _inward(best, points, bad, labels, share, target)
        after = outside_limits(trial, _round(trial, moved, melts, pours))
        fewer = _of_melt(after, labels) < _of_melt(outside, labels)
        best, outside = _exchanged(best, moved, fewer), np.where(fewer, after, outside)
    return nearest if best is points else _round(trial, best, melts, pours)


def _of_melt(outside: np.ndarray, labels: np.ndarray) -> np.ndarray:
    """For each pour, how many pours of its melt are outside."""
    return (labels[:, None] == labels) @ outside.astype(int)


def _moves(trial: Trial, held: Region | None):
    """Points to move towards, and how far: the centroid little by little, then points inside."""
    regions = [trial.region] if held is None or held is trial.region else [held, trial.region]
    for region in regions:
        middle = centroid(region)
        yield from ((middle, share) for share in INWARD)
        inside = Points.at(trial.recipe, region.sample(PLACES))
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
    return _exchanged(moved, nearer, bad)


def _exchanged(points: Points, others: Points, which: np.ndarray) -> Points:
    """The points, and where marked the others instead."""
    return points.joined(others).take(np.arange(len(which)) + len(which) * which)

"""What a surface is asked, checked: formulas as coordinates, the share of an interval, numbers of draws."""

import numpy as np
import pandas as pd

from labkit.checks import check_columns, check_frame, check_whole, numbers_in
from labkit.errors import LabkitError, SurfaceError
from labkit.formula import BOOKKEEPING, SUM_TOLERANCE
from labkit.trial import Trial
from labkit.wording import words_joined

MOST_DRAWS = 1_000_000
LAST_SEED = 2**63 - 1  # draws of several attributes are kept apart by what is added to one seed of 32 bits


def check_draws(n: int, seed: int) -> tuple[int, int]:
    """How many draws are asked for, and with which seed."""
    return (check_whole(n, name="n", low=1, high=MOST_DRAWS, error=SurfaceError),
            check_whole(seed, name="seed", low=0, high=LAST_SEED, error=SurfaceError))


def check_level(level: float) -> float:
    """The share of an interval, above 0 and below 1."""
    if not isinstance(level, int | float | np.number) or not 0 < level < 1:
        raise SurfaceError(f"level is {level!r}. Give the share of an interval, above 0 and below 1, such as 0.9.")
    return float(level)


def check_points(frame: pd.DataFrame, trial: Trial, *, what: str = "the frame of formulas",
                 error: type[LabkitError] = SurfaceError) -> pd.DataFrame:
    """The coordinates in a frame: every factor, part of a blend and setting, finite, shares from 0 to 1."""
    names = list(trial.recipe.coordinates)
    check_frame(frame, what=what, error=error)
    masses = [c for c in map(str, frame.columns)
              if c not in names and (c.endswith(" [g]") or c in trial.recipe.ingredients)]
    if masses:
        raise error(f"{what} has the column {masses[0]!r}, where {words_joined(names)} are wanted. "
                    "Turn mass fractions into factors with trial.factors_of, or take these columns only.")
    check_columns(frame, allowed=(*names, *BOOKKEEPING), required=names, what=what, error=error)
    points = pd.DataFrame(numbers_in(frame, names, what=what, error=error), columns=names, index=frame.index)
    _check_finite(points, what, error)
    for name, columns in trial.recipe.blends.items():
        _check_whole(points[list(columns)], name, what, error)
    _check_shares(points[list(trial.recipe.factors)], what, error)
    return points


def _check_finite(points: pd.DataFrame, what: str, error: type[LabkitError]) -> None:
    lacking = np.argwhere(~np.isfinite(points.to_numpy()))
    if len(lacking):
        i, j = lacking[0]
        raise error(f"row {points.index[i]} of {what} has no {points.columns[j]}. Give every coordinate a value.")


def _check_whole(parts: pd.DataFrame, blend: str, what: str, error: type[LabkitError]) -> None:
    total = parts.to_numpy().sum(axis=1)
    off = np.abs(total - 1) > SUM_TOLERANCE
    if off.any():
        i = int(np.argmax(off))
        raise error(f"row {parts.index[i]} of {what}: the parts of {blend} add to {total[i]:.6f}, not 1. "
                    "Give shares of the whole blend.")


def _check_shares(shares: pd.DataFrame, what: str, error: type[LabkitError]) -> None:
    outside = np.argwhere(np.abs(shares.to_numpy() - 0.5) > 0.5 + SUM_TOLERANCE)
    if len(outside):
        i, j = outside[0]
        raise error(f"row {shares.index[i]} of {what}: {shares.columns[j]} is {shares.iloc[i, j]:g}, but a share lies "
                    "from 0 to 1. Write 0.04 for 4 %.")

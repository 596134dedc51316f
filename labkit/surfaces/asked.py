"""What a surface is asked, checked: formulas as coordinates, the share of an interval, numbers of draws."""

import numpy as np
import pandas as pd

from labkit.checks import check_columns, check_frame, check_whole, numbers_in
from labkit.errors import SurfaceError
from labkit.formula import BOOKKEEPING
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


def check_points(frame: pd.DataFrame, trial: Trial) -> pd.DataFrame:
    """The coordinates in a frame: every factor, part of a blend and setting, finite, shares from 0 to 1."""
    what, names = "the frame of formulas", list(trial.recipe.coordinates)
    check_frame(frame, what=what, error=SurfaceError)
    strange = [c for c in map(str, frame.columns) if c not in names]
    masses = [c for c in strange if c.endswith(" [g]") or c in trial.recipe.ingredients]
    if masses:
        raise SurfaceError(
            f"{what} has the column {masses[0]!r}, where {words_joined(names)} are wanted. "
            "Turn mass fractions into factors with trial.factors_of, or take these columns only."
        )
    check_columns(frame, allowed=(*names, *BOOKKEEPING), required=names, what=what, error=SurfaceError)
    points = _numbers(frame[names], what)
    for name, columns in trial.recipe.blends.items():
        total = points[list(columns)].to_numpy().sum(axis=1)
        off = np.abs(total - 1) > 1e-6
        if off.any():
            i = int(np.argmax(off))
            raise SurfaceError(
                f"row {frame.index[i]} of {what}: the parts of {name} add to {total[i]:.6f}, not 1. "
                "Give shares of the whole blend."
            )
    shares = points[list(trial.recipe.factors)].to_numpy()
    if (np.abs(shares - 0.5) > 0.5 + 1e-6).any():
        i, j = np.argwhere(np.abs(shares - 0.5) > 0.5 + 1e-6)[0]
        name = trial.recipe.factors[j]
        raise SurfaceError(f"row {frame.index[i]} of {what}: {name} is {shares[i, j]:g}, but a share lies from 0 to 1. "
                           "Write 0.04 for 4 %.")
    return points


def _numbers(frame: pd.DataFrame, what: str) -> pd.DataFrame:
    """All cells as finite numbers; text is read as in every table of a trial."""
    values = numbers_in(frame, list(frame.columns), what=what, error=SurfaceError)
    points = pd.DataFrame(values, columns=frame.columns, index=frame.index)
    if not np.isfinite(points.to_numpy()).all():
        i, j = np.argwhere(~np.isfinite(points.to_numpy()))[0]
        raise SurfaceError(f"row {frame.index[i]} of {what} has no {frame.columns[j]}. Give every coordinate a value.")
    return points

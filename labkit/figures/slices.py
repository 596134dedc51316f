"""Slices through a region: points of a plane with all else held, and by how much each breaks a limit."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.checks import check_type, parse_number
from labkit.errors import SurfaceError
from labkit.formula import Recipe
from labkit.trial import Trial
from labkit.wording import plural, short_text, unit_text, words_joined

STEPS = 41                  # points across and up
NARROW = 0.5                # of a range: less than this is looked at closely


@dataclass(frozen=True, kw_only=True, eq=False)
class Slice:
    """Places on the paper x, y (k, m), their coordinates row by row, by how much they break each limit (k, m, r)."""

    x: np.ndarray
    y: np.ndarray
    points: pd.DataFrame
    over: np.ndarray

    @property
    def allowed(self) -> np.ndarray:
        return (self.over <= 0).all(axis=2)

    @property
    def near_allowed(self) -> np.ndarray:
        """What is allowed and the points beside it, so that lines run to the very edge."""
        wide = np.pad(self.allowed, 1)
        rows = wide[:-2] | wide[1:-1] | wide[2:]
        return rows[:, :-2] | rows[:, 1:-1] | rows[:, 2:]

    def shaped(self, values) -> np.ndarray:
        """Values of the points, where they lie on the paper."""
        return np.reshape(np.asarray(values, dtype=float), self.x.shape)


def given_row(trial: Trial, pours: Sequence[str], at: pd.DataFrame | None) -> pd.Series:
    """The coordinates of the one row of `at`; without it, the middle of some pours.

    What is pinned is at its value there, and what a balance step carried over a low or a high of `at` is set back.
    """
    names = list(trial.recipe.coordinates)
    if at is None:
        return _set_back(trial, trial.made.loc[list(pours), names].mean(), np.inf)
    check_type(at, pd.DataFrame, name="`at`", advice="Give one row with every coordinate, such as tweak.best.",
               error=SurfaceError)
    missing = [name for name in names if name not in at.columns]
    if missing:
        raise SurfaceError(f"`at` has {plural(len(at), 'row')} and lacks {words_joined(missing)}. Give one row with "
                           "every coordinate, such as tweak.best.")
    if len(at) != 1:
        raise SurfaceError(f"`at` has {plural(len(at), 'row')}. Give one row, such as tweak.best.")
    cells = at[names].iloc[0]
    given = pd.Series({name: parse_number(cells[name], where=f"{name} of `at`", error=SurfaceError) for name in names})
    if given.isna().any():
        raise SurfaceError(f"`at` has no {given.isna().idxmax()}. Give one row with every coordinate, such as "
                           "tweak.best.")
    return _set_back(trial, given, trial.batch.balance_step_g / trial.batch.pour_g)


def _set_back(trial: Trial, given: pd.Series, room: float) -> pd.Series:
    """What is pinned at its value, and all that stands for itself within its range, where it is off by `room` at most.

    Parts of a blend that are not pinned share what is left in the ratio that they have.
    """
    recipe, values = trial.recipe, {}
    parts = {part for columns in recipe.blends.values() for part in columns} & recipe.varying
    for name, (low, high) in recipe.bounds.iterrows():
        near = float(np.clip(given[name], low, high))
        if name not in parts and 0 < abs(near - given[name]) <= room:
            values[name] = near
    return recipe.held_at(given.to_frame().T, values).iloc[0] if values else given


def held_words(recipe: Recipe, given: pd.Series, along: Sequence[str]) -> str:
    """What is held where, or "". Of a blend with parts along, the others have no value of their own, maybe a ratio."""
    varied = [columns for columns in recipe.blends.values() if set(columns) & set(along)]
    free = [[c for c in columns if c not in along and c in recipe.varying] for columns in varied]
    moving = {*along, *(c for columns in varied for c in columns if c in recipe.varying)}
    words = value_words(recipe, given.drop(list(moving)))
    words += [_ratio_words(given[columns]) for columns in free if len(columns) > 1]
    return words_joined(words) if words else ""


def value_words(recipe: Recipe, given: pd.Series) -> list[str]:
    """ "wax 0.15", "pour temperature 74 °C" and so on; a part of a blend goes by its own name."""
    units = {setting.name: f"\u00a0{unit_text(setting.unit)}" for setting in recipe.setting_list if setting.unit}
    return [f"{name.split(': ')[-1].replace('_', ' ')} {short_text(value)}{units.get(name, '')}"
            for name, value in given.items()]


def _ratio_words(shares: pd.Series) -> str:
    parts = [name.split(": ", 1)[1] for name in shares.index]
    ratio = "\u00a0:\u00a0".join(f"{100 * part:.0f}" for part in _ratio(shares))      # one word: no line ends within
    return f"{' : '.join(parts)} as\u00a0{ratio}"


def moved(recipe: Recipe, given: pd.Series, values: dict[str, np.ndarray]) -> tuple[pd.DataFrame, np.ndarray]:
    """Rows at `given` but for some coordinates, and by how much the parts of a blend named there exceed it (m,).

    Of a blend with some parts named, the others share what is left in the ratio that they have in `given`, but for
    those that are pinned.
    """
    rows = len(next(iter(values.values())))
    points = pd.DataFrame({name: values.get(name, np.full(rows, given[name])) for name in recipe.coordinates})
    excess = np.full(rows, -np.inf)
    for columns in recipe.blends.values():
        free = [c for c in columns if c not in values and c in recipe.varying]
        if free and any(c in values for c in columns):
            rest = 1 - points[[c for c in columns if c not in free]].sum(axis=1).to_numpy()
            points[free] = np.outer(rest.clip(min=0), _ratio(given[free]))
            points[list(columns)] = points[list(columns)].div(points[list(columns)].sum(axis=1), axis=0)
            excess = np.maximum(excess, -rest)
    return points, excess


def _ratio(shares: pd.Series) -> np.ndarray:
    total = shares.sum()
    return shares.to_numpy() / total if total > 0 else np.full(len(shares), 1 / len(shares))


def over_limits(trial: Trial, points: pd.DataFrame, excess: np.ndarray) -> np.ndarray:
    """By how much of the batch each point breaks each limit [g/g], (m, r); up to 0 in all it is allowed."""
    body = trial.region.polytope
    masses = trial.recipe.masses_at(points[list(trial.recipe.factors)].to_numpy(dtype=float))
    over = np.column_stack([masses @ body.below.T - body.below_to, excess]) - 1e-9
    return np.where(np.isnan(over), 1.0, over)


def slice_of(trial: Trial, x: np.ndarray, y: np.ndarray, points: pd.DataFrame, excess: np.ndarray) -> Slice:
    return Slice(x=x, y=y, points=points, over=over_limits(trial, points, excess).reshape(*x.shape, -1))


def pair_slice(trial: Trial, along: tuple[str, str], given: pd.Series, *, steps: int = STEPS) -> Slice:
    """A grid over the ranges of two coordinates, fine where something is allowed."""
    ends = [tuple(trial.recipe.bounds.loc[name, ["low", "high"]]) for name in along]
    axes = [np.unique(np.r_[np.linspace(*pair, steps), np.clip(given[name], *pair)])
            for name, pair in zip(along, ends, strict=True)]
    allowed = _pair(trial, along, given, axes).allowed
    if allowed.any():
        sides = allowed.any(axis=0), allowed.any(axis=1)
        axes = [finer(values, side, steps=steps) for values, side in zip(axes, sides, strict=True)]
    return _pair(trial, along, given, axes)


def line_slice(trial: Trial, name: str, given: pd.Series) -> Slice:
    """Points over the range of one coordinate, in one row, closest together where what is allowed begins and ends."""
    low, high = trial.recipe.bounds.loc[name, ["low", "high"]]
    values = np.unique(np.r_[np.linspace(low, high, 2 * STEPS), np.clip(given[name], low, high)])
    found = _line(trial, name, given, values)
    for _ in range(2):
        ends = np.flatnonzero(np.diff(found.allowed.ravel()))
        between = [np.linspace(values[i], values[i + 1], STEPS) for i in ends]
        values = np.unique(np.concatenate([values, *between]))
        found = _line(trial, name, given, values)
    return found


def _line(trial: Trial, name: str, given: pd.Series, values: np.ndarray) -> Slice:
    points, excess = moved(trial.recipe, given, {name: values})
    return slice_of(trial, values[None], np.zeros((1, len(values))), points, excess)


def finer(values: np.ndarray, allowed: np.ndarray, *, steps: int) -> np.ndarray:
    """Values with the same ends, most of them from just before the first that is allowed to just after the last."""
    first, last = np.flatnonzero(allowed)[[0, -1]]
    close = np.linspace(values[max(first - 1, 0)], values[min(last + 1, len(values) - 1)], steps)
    return np.unique(np.r_[values[0], close, values[-1]])


def _pair(trial: Trial, along: tuple[str, str], given: pd.Series, axes: list[np.ndarray]) -> Slice:
    x, y = np.meshgrid(*axes)
    points, excess = moved(trial.recipe, given, {along[0]: x.ravel(), along[1]: y.ravel()})
    return slice_of(trial, x, y, points, excess)


def room_for(trial: Trial, name: str, slice_: Slice) -> tuple[float, float]:
    """Where an axis begins and ends: about the range of the coordinate and every pour, also one outside it.

    Where what is allowed and poured fills less than half of the range, about that alone.
    """
    low, high = trial.recipe.bounds.loc[name, ["low", "high"]]
    seen = np.r_[slice_.points.loc[slice_.allowed.ravel(), name], trial.made[name]]
    if np.ptp(seen) > NARROW * (high - low):
        seen, room = np.r_[seen, low, high], 0.05
    else:
        room = 0.5
    width = np.ptp(seen) or high - low
    return seen.min() - room * width, seen.max() + room * width


def check_some_allowed(slice_: Slice, held: str) -> None:
    if not slice_.allowed.any():
        where = held.replace("\u00a0", " ") or "any point of the grid"
        raise SurfaceError(f"nothing may be poured at {where}. Give `at` another row.")

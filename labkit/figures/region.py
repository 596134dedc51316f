"""Where one may pour, and where one has poured."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from labkit.core import simplex
from labkit.errors import RegionError
from labkit.figures.along import LINE, forbid_beside
from labkit.figures.axes import (
    FAILED,
    FORBIDDEN,
    PLANNED,
    POURED,
    axes_or_new,
    check_along,
    mark_made,
    title_and_marks,
    words_of,
)
from labkit.figures.names import label_points
from labkit.figures.slices import Slice, moved
from labkit.figures.values import label_lines
from labkit.planning import check_round, standard_error_at
from labkit.rounds import Round
from labkit.trial import Trial, check_trial

GRID, RIM = 31, 0.1         # points each way at which the standard error is taken; of a step, what lies just beyond
ERROR = {"color": "0.45", "linewidth": 0.8}
COLUMNS = 61                # values across at which the lowest and the highest value up are found


def draw_region(trial: Trial, along: Sequence[str] | str, round_: Round | None = None, ax=None):
    """All pairs of two coordinates that some allowed formula has, with the pours as weighed. Returns the Axes.

    White is what the limits allow when everything else is free; what they forbid is hatched. Lines give the standard
    error of a surface, as a part of the scale, with all else in the middle: where it is high, little is known. A
    round to come is counted in it and stands as rings with their melts. Along one coordinate alone the standard error
    is one line, and pours stand on it.
    """
    check_trial(trial, error=RegionError)
    if round_ is not None:
        check_round(round_, trial, name="round_", advice="Give a Round, such as suggest_next(trial).round.",
                    error=RegionError)
    along = check_along(trial.recipe, along, error=RegionError)
    ax = axes_or_new(ax)
    new = pd.DataFrame(columns=list(along)) if round_ is None else round_.to_frame().set_index("pour")
    if len(along) == 1:
        return _draw_alone(ax, trial, along[0], round_, new)
    _set_limits(ax, trial, along, new)
    ax.axvspan(*ax.get_xlim(), zorder=0, **FORBIDDEN)
    across, bottom, top = projection(trial, along)
    ax.fill_between(across, bottom, top, facecolor="white", edgecolor="black", linewidth=1.0, zorder=1)
    doubt = _draw_doubt(ax, trial, along, round_, (across, bottom, top))
    mark_made(ax, trial, trial.made[along[0]], trial.made[along[1]])
    ax.plot(new[along[0]], new[along[1]], linestyle="none", zorder=5, **PLANNED)
    title_and_marks(ax, f"{trial.name}: what may be poured", _marks(trial, planned=bool(len(new))))
    if doubt is not None:
        label_lines(ax, *doubt)
    _name_all(ax, trial.made[list(along)], new[[*along, "melt"]] if len(new) else new)
    return ax


def _draw_alone(ax, trial: Trial, name: str, round_: Round | None, new: pd.DataFrame):
    """The standard error along one coordinate, all others in the middle of the region."""
    middle, across = trial.region.sample(500, seed=0).mean(), np.linspace(*_range(trial, name), COLUMNS)

    def told(places: pd.Series) -> pd.DataFrame:
        points, _ = moved(trial.recipe, middle, {name: places.to_numpy(dtype=float)})
        error = standard_error_at(trial, points, round_) if len(places) else np.empty(0)
        return pd.DataFrame({name: places.astype(float), "error": error}, index=places.index)

    line, made, planned = told(pd.Series(across)), told(trial.made[name]), told(new[name])
    seen = pd.concat([part for part in (line, made, planned) if len(part)])
    margin = 0.06 * np.ptp(seen[name])
    ax.set(xlim=(seen[name].min() - margin, seen[name].max() + margin), ylim=(0, 1.3 * seen["error"].max()),
           xlabel=words_of(trial.recipe, name), ylabel="standard error [part of the scale]")
    ax.plot(across, line["error"], **LINE)
    forbid_beside(ax, across)
    mark_made(ax, trial, made[name], made["error"])
    ax.plot(planned[name], planned["error"], linestyle="none", zorder=5, **PLANNED)
    title_and_marks(ax, f"{trial.name}: what may be poured", _marks(trial, planned=bool(len(new)), line=LINE)[1:])
    _name_all(ax, made, planned.assign(melt=new["melt"] if len(new) else ""))
    return ax


def _set_limits(ax, trial: Trial, along: tuple[str, str], new: pd.DataFrame) -> None:
    """Room for the ranges of both coordinates, every pour, and a margin."""
    bounds = trial.recipe.bounds.loc[list(along)]
    margin = 0.06 * (bounds["high"] - bounds["low"])
    points = pd.concat([part for part in (trial.made[list(along)], new[list(along)]) if len(part)] or [bounds.T])
    low, high = np.fmin(bounds["low"], points.min()) - margin, np.fmax(bounds["high"], points.max()) + margin
    labels = [words_of(trial.recipe, name) for name in along]
    ax.set(xlim=(low.iloc[0], high.iloc[0]), ylim=(low.iloc[1], high.iloc[1]), xlabel=labels[0], ylabel=labels[1])


def _draw_doubt(ax, trial: Trial, along: tuple[str, str], round_: Round | None, band: tuple) -> tuple | None:
    """Lines of equal standard error over the band, all other coordinates in the middle of the region.

    Returns the band as a slice with a rim around it that is forbidden, so that no value lies across it, and the lines.
    """
    across, bottom, top = band
    if np.isnan(bottom).any() or np.isnan(top).any():
        return None
    share = np.linspace(0, 1, GRID)
    x = np.repeat(np.linspace(across[0], across[-1], GRID)[:, None], GRID, axis=1)
    y = np.array([np.interp(x[:, 0], across, bottom) + s * np.interp(x[:, 0], across, top - bottom) for s in share]).T
    middle = trial.region.sample(500, seed=0).mean()
    points, _ = moved(trial.recipe, middle, {along[0]: x.ravel(), along[1]: y.ravel()})
    error = standard_error_at(trial, points, round_).reshape(x.shape)
    lines = ax.contour(x, y, error, levels=5, colors="0.45", linewidths=0.8, zorder=2)
    within = np.pad(-np.ones(x.shape), 1, constant_values=1.0)[..., None]
    return Slice(x=_rimmed(x), y=_rimmed(y), points=points, over=within), [lines]


def _rimmed(values: np.ndarray) -> np.ndarray:
    """A grid with a row more at each side, a tenth of a step further out."""
    edge, beyond = np.pad(values, 1, mode="edge"), np.pad(values, 1, mode="reflect", reflect_type="odd")
    return edge + RIM * (beyond - edge)


def _name_all(ax, made: pd.DataFrame, new: pd.DataFrame) -> None:
    """Pours by their names, planned ones with their melts too; the first two columns are the places."""
    named = [made]
    if len(new):
        named.append(new[list(made)].set_axis([f"{pour} ({melt})" for pour, melt in new["melt"].items()]))
    places = pd.concat([part for part in named if len(part)] or named)
    label_points(ax, places.iloc[:, 0], places.iloc[:, 1])


def projection(trial: Trial, along: tuple[str, str]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Values of the first coordinate, and the lowest and highest value of the second at each; arrays (k,).

    A share mass(up) / mass(whole) over the masses m with the first share fixed is a linear-fractional programme; with
    y = m t and mass(whole) of y at 1 it is linear (Charnes & Cooper 1962, Naval Research Logistics 9:181-186). Masses
    are convex and the share continuous, so that all values in between occur.
    """
    low, high = _range(trial, along[0])
    if along[0] in trial.recipe.settings or along[1] in trial.recipe.settings:
        bottom, top = _range(trial, along[1])
        return np.array([low, high]), np.array([bottom, bottom]), np.array([top, top])
    corners = trial.recipe.factors_of(trial.region.vertices())[along[0]]        # the band has its kinks there
    across = np.unique(np.r_[np.linspace(low, high, COLUMNS), corners])
    across = np.clip(across, low + 1e-9 * (high - low), high - 1e-9 * (high - low))
    ends = np.array([_ends(trial, along, value) for value in across])
    return across, ends[:, 0], ends[:, 1]


def _range(trial: Trial, name: str) -> tuple[float, float]:
    """Lowest and highest value of one coordinate over the region."""
    if name in trial.recipe.settings:
        return tuple(trial.recipe.bounds.loc[name, ["low", "high"]])
    return _ends(trial, (name, name), None)


def _ends(trial: Trial, along: tuple[str, str], value: float | None) -> tuple[float, float]:
    """Extent of the second share where the first has a value, by one linear programme each."""
    body = trial.region.polytope
    said = {s.column: s for s in trial.recipe.statements}
    up = said[along[1]]
    equal = [np.c_[body.equal, -body.equal_to], np.r_[up.within_row, 0.0][None]]
    if value is not None:
        equal.append(np.r_[said[along[0]].of_row - value * said[along[0]].within_row, 0.0][None])
    equal = np.vstack(equal)
    to = np.zeros(len(equal))
    to[len(body.equal)] = 1.0
    below = np.vstack([np.c_[body.below, -body.below_to], np.r_[np.zeros(body.below.shape[1]), -1.0][None]])
    lifted = simplex.Polytope(equal=equal, equal_to=to, below=below, below_to=np.zeros(len(below)))
    try:
        return simplex.extent(lifted, np.r_[up.of_row, 0.0])
    except simplex.EmptyPolytope:            # an end that rounding puts just outside
        return np.nan, np.nan


def _marks(trial: Trial, *, planned: bool, line: Mapping = ERROR) -> list:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    ok = trial.made["ok"]
    marks = [Patch(facecolor="white", edgecolor="black", label="allowed"), Patch(label="not allowed", **FORBIDDEN)]
    marks += [Line2D([], [], linestyle="none", label="poured", **POURED)] * int(ok.any())
    marks += [Line2D([], [], **line, label="standard error")]
    marks += [Line2D([], [], linestyle="none", label="planned (melt)", **PLANNED)] * int(planned)
    return marks + [Line2D([], [], linestyle="none", label="failed", **FAILED)] * int((~ok).any())

"""Where one may pour, and where one has poured."""

from collections.abc import Sequence

import numpy as np

from labkit.core import simplex
from labkit.errors import RegionError
from labkit.figures.axes import (
    FAILED,
    FORBIDDEN,
    POURED,
    axes_or_new,
    check_along,
    mark_pours,
    title_and_marks,
    words_of,
)
from labkit.trial import Trial

COLUMNS = 61                # values across at which the lowest and the highest value up are found


def draw_region(trial: Trial, along: Sequence[str], ax=None):
    """All pairs of two coordinates that some allowed formula has, with the pours as weighed. Returns the Axes.

    White is what the limits allow when everything else is free; what they forbid is hatched.
    """
    along = check_along(trial.recipe, along, error=RegionError)
    ax = axes_or_new(ax)
    bounds = trial.recipe.bounds.loc[list(along)]
    margin = 0.06 * (bounds["high"] - bounds["low"])
    made = trial.made[list(along)]
    low = np.fmin(bounds["low"], made.min()) - margin
    high = np.fmax(bounds["high"], made.max()) + margin
    ax.set(xlim=(low.iloc[0], high.iloc[0]), ylim=(low.iloc[1], high.iloc[1]),
           xlabel=words_of(trial.recipe, along[0]), ylabel=words_of(trial.recipe, along[1]))
    ax.axvspan(*ax.get_xlim(), zorder=0, **FORBIDDEN)
    across, bottom, top = projection(trial, along)
    ax.fill_between(across, bottom, top, facecolor="white", edgecolor="black", linewidth=1.0, zorder=1)
    mark_pours(ax, trial, along)
    title_and_marks(ax, f"{trial.name}: what may be poured", _marks(trial))
    return ax


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


def _marks(trial: Trial) -> list:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    ok = trial.made["ok"]
    marks = [Patch(facecolor="white", edgecolor="black", label="allowed"), Patch(label="not allowed", **FORBIDDEN)]
    marks += [Line2D([], [], linestyle="none", label="poured", **POURED)] * int(ok.any())
    return marks + [Line2D([], [], linestyle="none", label="failed", **FAILED)] * int((~ok).any())

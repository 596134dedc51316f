"""One fitted surface over two coordinates, the others held."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from labkit.errors import FormulaError, SurfaceError
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
from labkit.surfaces import Surface
from labkit.trial import Trial
from labkit.wording import plural, words_joined

STEPS = 45                  # points across and up
DOUBT = 0.4                 # an interval wider than this part of the scale counts as not known
UNKNOWN = {"facecolor": "none", "edgecolor": "0.15", "hatch": "..", "linewidth": 0.0}


def draw_surface(surface: Surface, along: Sequence[str], at: pd.DataFrame | None = None, ax=None):
    """Contours of the mean score over two coordinates; all others are held. Returns the Axes.

    at : one row with the coordinates at which the others are held, such as `tweak.best`; by default the middle of the
    scored pours. Dotted is where the 90 % interval of the mean is wider than 0.4 of the scale, hatched is what the
    limits forbid there. Pours are marked where they lie along the two; they may lie off in the others.
    """
    trial, scale = surface.reading.ground.trial, surface.reading.attribute
    along = check_along(trial.recipe, along, error=SurfaceError)
    held = _held(trial, surface, along, at)
    across, up, points = _grid(trial, along, held)
    over = _over(trial, points)
    if not (over <= 0).any():
        raise SurfaceError(f"nothing may be poured at {_held_words(held)}. Give `at` another row.")
    told, shape = surface.predict(points), (len(up), len(across))
    width = (told["high"] - told["low"]).to_numpy() - DOUBT * scale.width
    ax = axes_or_new(ax, size=(6.6, 5.4))
    mean = told["mean"].to_numpy()
    levels = _levels(mean[over <= 0], scale)
    _paint(ax, across, up, *(values.reshape(shape) for values in (mean, width, over)), levels, scale)
    _frame(ax, trial, along)
    mark_pours(ax, trial, along)
    title = f"{scale.name}: mean score" + (f"\nat {_held_words(held)}" if held else "")
    title_and_marks(ax, title, _marks(trial, over, width, scale))
    return ax


def _held(trial: Trial, surface: Surface, along: tuple[str, str], at: pd.DataFrame | None) -> dict[str, float]:
    """Values of the other coordinates. Of a blend with one part along, the rest keep their ratios to each other."""
    names = list(trial.recipe.coordinates)
    if at is None:
        at = trial.made.loc[surface.scores.index, names].mean().to_frame().T
    missing = [name for name in names if name not in at.columns]
    if len(at) != 1 or missing:
        raise SurfaceError(f"`at` has {plural(len(at), 'row')} and lacks {words_joined(missing)}. Give one row with "
                           "every coordinate, such as tweak.best.")
    return {name: float(at[name].iloc[0]) for name in names if name not in along}


def _held_words(held: dict[str, float]) -> str:
    return words_joined([f"{name.replace('_', ' ')} {value:.3g}" for name, value in held.items()])


def _grid(trial: Trial, along: tuple[str, str], held: dict) -> tuple[np.ndarray, np.ndarray, pd.DataFrame]:
    """Values across and up, and the points of their grid as coordinates, row by row from the bottom."""
    bounds = trial.recipe.bounds
    across, up = (np.linspace(bounds.at[name, "low"], bounds.at[name, "high"], STEPS) for name in along)
    first, second = (values.ravel() for values in np.meshgrid(across, up))
    points = pd.DataFrame({along[0]: first, along[1]: second, **held})[list(trial.recipe.coordinates)]
    for columns in trial.recipe.blends.values():
        free = [c for c in columns if c not in along]
        if len(free) < len(columns):
            rest = (1 - points[[c for c in columns if c in along]].sum(axis=1)).clip(lower=0)
            points[free] = points[free].mul(rest / points[free].sum(axis=1), axis=0)
            points[list(columns)] = points[list(columns)].div(points[list(columns)].sum(axis=1), axis=0)
    return across, up, points


def _over(trial: Trial, points: pd.DataFrame) -> np.ndarray:
    """By how much of the batch each point breaks the limit that it breaks most [g/g]; up to 0 it is allowed."""
    body = trial.region.polytope
    try:
        masses = trial.formula_at(points).to_numpy()
    except FormulaError:
        one_by_one = (_over(trial, points.iloc[[i]]) for i in range(len(points)))
        return np.concatenate(list(one_by_one)) if len(points) > 1 else np.ones(1)
    return (masses @ body.below.T - body.below_to).max(axis=1) - 1e-9


def _levels(mean: np.ndarray, scale) -> np.ndarray:
    """Values for the lines: about a dozen, a fiftieth of the scale apart or more, so that what is flat looks flat."""
    step = next(s for s in scale.width * np.array([0.02, 0.05, 0.1]) if np.ptp(mean) / s <= 12)
    return step * np.arange(np.floor(mean.min() / step), np.ceil(mean.max() / step) + 1.5)


def _paint(ax, across: np.ndarray, up: np.ndarray, mean: np.ndarray, width: np.ndarray, over: np.ndarray,
           levels: np.ndarray, scale) -> None:
    """Shades that keep their order in grey, lines with their values, dots for doubt, what is forbidden on top."""
    ax.contourf(across, up, mean, levels=levels, cmap="cividis", alpha=0.6, zorder=1, extend="both")
    drawn = [level for level in levels if scale.low < level < scale.high and mean.min() < level < mean.max()]
    if drawn:
        lines = ax.contour(across, up, mean, levels=drawn, colors="black", linewidths=0.8, zorder=2)
        ax.clabel(lines, fmt=lambda value: f"{value:g}", fontsize=8, zorder=2)
    if (width > 0).any():
        ax.contourf(across, up, width, levels=[0, np.inf], colors="none", hatches=[UNKNOWN["hatch"]], zorder=2)
    if (over > 0).any():
        ax.contourf(across, up, over, levels=[0, np.inf], colors="white", zorder=3)
        lines = ax.contourf(across, up, over, levels=[0, np.inf], colors="none", hatches=["///"], zorder=3)
        lines.set(edgecolor=FORBIDDEN["edgecolor"], linewidth=0)


def _frame(ax, trial: Trial, along: tuple[str, str]) -> None:
    """Room for the limits of both coordinates and for every pour, also one outside them."""
    bounds, made = trial.recipe.bounds.loc[list(along)], trial.made[list(along)]
    room = 0.05 * (bounds["high"] - bounds["low"])
    low, high = np.fmin(bounds["low"], made.min()) - room, np.fmax(bounds["high"], made.max()) + room
    ax.set(xlim=(low.iloc[0], high.iloc[0]), ylim=(low.iloc[1], high.iloc[1]),
           xlabel=words_of(trial.recipe, along[0]), ylabel=words_of(trial.recipe, along[1]))


def _marks(trial: Trial, over: np.ndarray, width: np.ndarray, scale) -> list:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    marks = [Line2D([], [], linestyle="none", label="poured", **POURED)]
    marks += [Line2D([], [], linestyle="none", label="failed", **FAILED)] * int((~trial.made["ok"]).any())
    marks += [Patch(label="not allowed", **FORBIDDEN)] * int((over > 0).any())
    known = f"not known to ±{DOUBT * scale.width / 2:g}"
    return marks + [Patch(label=known, **UNKNOWN)] * int((width[over <= 0] > 0).any())

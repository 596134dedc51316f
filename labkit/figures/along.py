"""One fitted surface along one coordinate, with what was said of each pour beside it."""

import numpy as np
import pandas as pd

from labkit.core.levels import unsure_multiple
from labkit.errors import SurfaceError
from labkit.figures.axes import (
    FAILED,
    FORBIDDEN,
    axes_or_new,
    called,
    check_surface,
    check_varies,
    title_and_marks,
    title_at,
    words_of,
)
from labkit.figures.names import label_points
from labkit.figures.slices import Slice, check_some_allowed, given_row, held_words, line_slice, moved, room_for
from labkit.surfaces import Surface
from labkit.surfaces.telling import unsure_of
from labkit.trial import Trial
from labkit.wording import words_joined

FAR = 0.5                   # of the range of another coordinate: a pour this far from the line is drawn white
DISC = {"marker": "o", "markersize": 6, "linestyle": "none"}
EDGE = "0.3"
WANTED = {"facecolor": "0.93", "edgecolor": "none"}
IDEAL = {"color": "0.45", "linewidth": 1.0, "linestyle": (0, (6, 3))}
LINE = {"color": "black", "linewidth": 1.8, "zorder": 3}
BAND = {"facecolor": "0.55", "edgecolor": "none", "alpha": 0.45}


def draw_along(surface: Surface, name: str, at: pd.DataFrame | None = None, ax=None):
    """The mean score along one coordinate with its 90 % band; all else is held. Returns the Axes.

    at : one row with the coordinates at which the others are held, such as `tweak.best`, which stands as a dotted
    upright; by default the middle of the scored pours. Each pour stands with its adjusted mean and the 90 % interval
    that the testers leave open: black where the pour lies on the line in the other coordinates, white where it is half
    a range off in one of them or more. Failed pours stand at the foot. Shaded is what is wanted at all, dashed what is
    wanted most; hatched is what the limits forbid there.
    """
    check_surface(surface)
    trial, scale = surface.posterior.ground.trial, surface.posterior.attribute
    _check_name(trial, name)
    given = given_row(trial, surface.scores.index, at)
    slice_, held = line_slice(trial, name, given), held_words(trial.recipe, given, [name])
    check_some_allowed(slice_, held)
    ax = axes_or_new(ax, size=(6.6, 4.8))
    _frame(ax, trial, name, scale, slice_)
    shade_wanted(ax, scale)
    _draw_line(ax, surface, slice_)
    _mark_failed(ax, trial, name, scale)
    off = off_line(surface, name, given)
    _mark_means(ax, surface, off, name)
    if at is not None:
        ax.axvline(given[name], color="black", linewidth=0.8, linestyle=":", zorder=2)
    title = title_at(f"{called(scale)}: mean {scale.measure}", held)
    title_and_marks(ax, title, _marks(trial, scale, given=at is not None, far=(off > 0).any()))
    _name_all(ax, surface, name)
    return ax


def _check_name(trial: Trial, name: str) -> None:
    names = trial.recipe.coordinates
    choice = words_joined([repr(n) for n in names if n in trial.recipe.varying], last="or")
    if not isinstance(name, str):
        raise SurfaceError(f"name is {name!r}. Give one of {choice}; draw_surface takes two.")
    if name not in names:
        raise SurfaceError(f"{name!r} does not vary. Choose {choice}.")
    check_varies(trial.recipe, name, error=SurfaceError)


def off_line(surface: Surface, name: str, given: pd.Series) -> pd.Series:
    """By pour: the largest difference from the line in another coordinate, as a part of its range.

    The line is followed to the pour's own place along it; a coordinate that does not vary plays no part.
    """
    trial = surface.posterior.ground.trial
    made = trial.made.loc[surface.scores.index]
    on_line, _ = moved(trial.recipe, given, {name: made[name].to_numpy()})
    bounds = trial.recipe.bounds
    free = [c for c in bounds.index if c != name and bounds.at[c, "low"] < bounds.at[c, "high"]]
    gap = (made[free].to_numpy() - on_line[free].to_numpy()) / (bounds["high"] - bounds["low"])[free].to_numpy()
    return pd.Series(np.abs(gap).max(axis=1, initial=0.0), index=made.index)


def shade_wanted(ax, scale) -> None:
    """The scores that are wanted at all, and the one or the edge beyond which nothing better is wanted."""
    if scale.wanted is None:
        return
    least, most, best = wanted_range(scale)
    ax.axhspan(least, most, zorder=0, **WANTED)
    ax.axhline(best, zorder=1, **IDEAL)


def wanted_range(scale) -> tuple[float, float, float]:
    """Lowest and highest score of desirability above 0, and the score at which desirability reaches 1."""
    points, best = scale.wanted.points, scale.wanted.best
    if scale.wanted.kind == "rising":
        return points[0], scale.high, best
    return (scale.low if scale.wanted.kind == "falling" else points[0]), points[-1], best


def _frame(ax, trial: Trial, name: str, scale, slice_: Slice) -> None:
    ax.set(xlim=room_for(trial, name, slice_),
           ylim=(scale.low - 0.03 * scale.width, scale.high + 0.03 * scale.width),
           xlabel=words_of(trial.recipe, name), ylabel=f"{called(scale)} [{scale.shown_unit or 'score'}]")


def _draw_line(ax, surface: Surface, slice_: Slice) -> None:
    """The band and the line where the limits allow it."""
    allowed = slice_.allowed.ravel()
    told, across = surface.predict(slice_.points[allowed]), slice_.x.ravel()[allowed]
    paint_band(ax, across, told["mean"], told["low"], told["high"])


def paint_band(ax, across, mean, low, high) -> None:
    """A line and its band, hatches before and after; room on the axis is made before."""
    ax.fill_between(across, low, high, zorder=2, **BAND)
    ax.plot(across, mean, **LINE)
    forbid_beside(ax, across)


def forbid_beside(ax, across) -> None:
    """Hatches before the first and after the last of what is allowed along an axis."""
    for ends in ((ax.get_xlim()[0], across[0]), (across[-1], ax.get_xlim()[1])):
        ax.axvspan(*ends, zorder=1, **FORBIDDEN)


def _mark_means(ax, surface: Surface, off: pd.Series, name: str) -> None:
    """Adjusted means with their intervals, as long as those of a panel with the weak prior; those near the line last
    and darkest."""
    trial, scores = surface.posterior.ground.trial, surface.scores
    across, reach = trial.made.loc[scores.index, name], unsure_multiple(unsure_of(surface.tasting))
    for pour in off.sort_values(ascending=False, kind="stable").index:
        far = min(off[pour] / FAR, 1.0)
        ax.errorbar(across[pour], scores.at[pour, "score"], yerr=reach * scores.at[pour, "score_se"], color=EDGE,
                    elinewidth=1.8 - far, zorder=5 - far, **DISC, markerfacecolor=str(far))


def _name_all(ax, surface: Surface, name: str) -> None:
    """Names beside the means, and of failed pours at the foot."""
    made, scores = surface.posterior.ground.trial.made, surface.scores["score"]
    failed = made.index[~made["ok"]]
    up = pd.concat([part for part in (scores, pd.Series(surface.posterior.attribute.low, index=failed)) if len(part)])
    label_points(ax, made.loc[up.index, name], up)


def _mark_failed(ax, trial: Trial, name: str, scale) -> None:
    failed = trial.made.loc[~trial.made["ok"], name]
    ax.plot(failed, np.full(len(failed), scale.low), linestyle="none", zorder=5, **FAILED)


def _marks(trial: Trial, scale, *, given: bool, far: bool) -> list:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    marks = [Line2D([], [], color="black", linewidth=1.8, label="mean"), Patch(label="90 % band", **BAND)]
    for white, label in ((0, "pour on the line"), (1, "far from it"))[:1 + far]:
        marks.append(Line2D([], [], color=EDGE, markerfacecolor=str(white), label=label, **DISC))
    marks += [Line2D([], [], linestyle="none", label="failed", **FAILED)] * int((~trial.made["ok"]).any())
    if scale.wanted is not None:
        marks += [Patch(label="wanted", **WANTED), Line2D([], [], label="wanted most", **IDEAL)]
    marks += [Line2D([], [], color="black", linewidth=0.8, linestyle=":", label="this formula")] * int(given)
    return marks + [Patch(label="not allowed", **FORBIDDEN)]

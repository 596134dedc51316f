"""How a surface is painted on a slice: shades and lines of the mean, dots for doubt, hatches for what is forbidden."""

import numpy as np
import pandas as pd

from labkit.figures.axes import FAILED, FORBIDDEN, GIVEN, POURED
from labkit.figures.slices import Slice
from labkit.surfaces import Surface
from labkit.trial import Trial

DOUBT = 0.4                 # an interval wider than this part of the scale counts as not known
UNKNOWN = {"facecolor": "none", "edgecolor": "0.15", "hatch": "..", "linewidth": 0.0}


def levels_of(mean: np.ndarray, scale, *, most: int = 12) -> np.ndarray:
    """Round values for the lines: up to `most`, a fiftieth of the scale apart or more, so that flat looks flat."""
    least = np.floor(np.log10(scale.width / 50))
    steps = [float(f"{digit}e{least + more:.0f}") for more in range(4) for digit in (1, 2, 5)]
    step = next(s for s in steps if s > 0.0199 * scale.width and np.ptp(mean) / s <= most)
    return step * np.arange(np.floor(mean.min() / step), np.ceil(mean.max() / step) + 1.5)


def told_on(surface: Surface, slice_: Slice) -> pd.DataFrame:
    """What the surface predicts at the points that are allowed, or beside one that is; nan at the others."""
    near = slice_.near_allowed.ravel()
    return surface.predict(slice_.points[near]).reindex(slice_.points.index)


def doubt_of(told: pd.DataFrame, scale) -> np.ndarray:
    """By how much each 90 % interval is wider than what counts as known, in points of the scale."""
    return (told["high"] - told["low"]).to_numpy() - DOUBT * scale.width


def paint(ax, slice_: Slice, mean: np.ndarray, doubt: np.ndarray, scale):
    """Shades that keep their order in grey, lines, dots for doubt, what is forbidden on top. Returns the lines.

    A shade holds its upper line; the lowest holds its lower one too, where the end of the scale is a plain.
    """
    mean, doubt = slice_.shaped(mean), slice_.shaped(doubt)
    levels = levels_of(mean[slice_.allowed], scale)
    shades = np.append(levels[0] - 1e-6 * scale.width, levels[1:])
    ax.contourf(slice_.x, slice_.y, np.ma.masked_invalid(mean), levels=shades, cmap="cividis", alpha=0.6, zorder=1,
                extend="both")
    paint_doubt(ax, slice_, doubt)
    paint_forbidden(ax, slice_)
    return paint_lines(ax, slice_, mean, [level for level in levels if scale.low < level < scale.high])


def paint_lines(ax, slice_: Slice, values: np.ndarray, levels, **style):
    """Lines of equal value as far as they lie in what is allowed, for `label_lines`; None where none does."""
    inside = np.where(slice_.near_allowed, values, np.nan)
    levels = [level for level in levels if np.nanmin(inside) < level < np.nanmax(inside)]
    if not levels:
        return None
    style = {"colors": "black", "linewidths": 0.8, "linestyles": "solid"} | style             # below 0 too
    return ax.contour(slice_.x, slice_.y, np.ma.masked_invalid(inside), levels=levels, zorder=2, **style)


def paint_doubt(ax, slice_: Slice, doubt: np.ndarray) -> None:
    if (doubt > 0).any():
        ax.contourf(slice_.x, slice_.y, np.ma.masked_invalid(doubt), levels=[0, np.inf], colors="none",
                    hatches=[UNKNOWN["hatch"]], zorder=2)


def paint_forbidden(ax, slice_: Slice) -> None:
    """Hatches limit by limit: each is smooth, and their corners come out sharp."""
    for over in np.moveaxis(slice_.over, 2, 0):
        if (over > 0).any():
            ax.contourf(slice_.x, slice_.y, over, levels=[0, np.inf], colors="white", antialiased=True, zorder=3)
            hatched = ax.contourf(slice_.x, slice_.y, over, levels=[0, np.inf], colors="none", zorder=3,
                                  hatches=[FORBIDDEN["hatch"]])
            hatched.set(edgecolor=FORBIDDEN["edgecolor"], linewidth=0)


def marks_of(trial: Trial, slice_: Slice, doubt: np.ndarray, scale, *, given: bool) -> list:
    """What the legend explains, as far as it occurs."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    ok = trial.made["ok"]
    marks = [Line2D([], [], linestyle="none", label="poured", **POURED)] * int(ok.any())
    marks += [Line2D([], [], linestyle="none", label="failed", **FAILED)] * int((~ok).any())
    marks += [Line2D([], [], linestyle="none", label="this formula", **GIVEN)] * int(given)
    marks += [Patch(label="not allowed", **FORBIDDEN)] * int(not slice_.allowed.all())
    known = f"not known to ±{DOUBT * scale.width / 2:g}"
    return marks + [Patch(label=known, **UNKNOWN)] * int((slice_.shaped(doubt)[slice_.allowed] > 0).any())

"""What is wanted in words, the chance of meeting all of it, and the pictures of both along one coordinate alone."""

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.figures.along import BAND, IDEAL, LINE, WANTED, forbid_beside, paint_band, shade_wanted
from labkit.figures.axes import (
    FAILED,
    FORBIDDEN,
    POURED,
    SMALL,
    SMALL_CROSS,
    SMALL_TITLE,
    called,
    label_outside,
    legend_below,
    sheet,
    title_sheet,
    words_of,
    wrapped,
)
from labkit.figures.slices import check_some_allowed, line_slice, room_for
from labkit.surfaces import Surface
from labkit.trial import Trial
from labkit.tweaks.outlook import Outlook, wanted_part

DESIRED = {"color": "black", "linewidth": 1.4, "linestyle": (0, (3, 1.5)), "zorder": 3}
GIVEN = {"color": "black", "linewidth": 0.8, "linestyle": ":", "zorder": 2}


def wanted_title(attribute: Attribute) -> str:
    """Over a small picture: the attribute, its unit where an instrument reads it, and what is wanted of it."""
    unit = f" [{attribute.shown_unit}]" if attribute.shown_unit else ""
    return wrapped(f"{called(attribute)}{unit}: {wanted_words(attribute)}", SMALL_TITLE)


def wanted_words(attribute: Attribute) -> str:
    """What is wanted as a range and its best; no line ends between a word and its number."""
    points, best = attribute.wanted.points, f"best\u00a0{attribute.wanted.best:g}"
    if attribute.wanted.kind == "peak":
        return f"{points[0]:g}\u00a0to\u00a0{points[2]:g}, {best}"
    return f"above\u00a0{points[0]:g}, {best}" if attribute.wanted.kind == "rising" else (
        f"below\u00a0{points[1]:g}, {best}")


def chance_of_all(outlook: Outlook, points: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Chance that every attribute has a desirability above 0 and the pour holds; expected desirability: (m,) each."""
    known = outlook.known(points)
    met = np.ones(known[0].shape)
    for name, values in zip(outlook.surfaces, known, strict=False):
        met *= wanted_part(outlook.attributes[name].wanted, values) > 0
    if outlook.failing is not None:
        met = met * np.clip(known[-1], 0.0, 1.0)
    return met.mean(axis=0), outlook.worth(known).mean(axis=0)


def outlook_along(trial: Trial, outlook: Outlook, name: str, given: pd.Series, held: str, *, marked: bool):
    """`draw_outlook` along one coordinate. Returns the array of Axes.

    Each attribute: its mean with the 90 % band, what is wanted as in `draw_along`, pours at their adjusted means. The
    last: the chance of meeting everything, and dashed the expected desirability. `marked` : where is given stands as a
    dotted upright.
    """
    slice_ = line_slice(trial, name, given)
    check_some_allowed(slice_, held)
    allowed = slice_.allowed.ravel()
    points, across = slice_.points[allowed], slice_.x.ravel()[allowed]
    figure, axes = sheet(len(outlook.surfaces) + 1)
    for ax in axes:
        ax.set(xlim=room_for(trial, name, slice_))
        ax.tick_params(labelsize=8)
        ax.locator_params(nbins=5)
        if marked:
            ax.axvline(given[name], **GIVEN)
    for ax, (attribute, draws) in zip(axes, outlook.scores(points).items(), strict=False):
        _draw_score(ax, trial, name, outlook.surfaces[attribute], across, draws)
    _draw_chance(axes[-1], across, *chance_of_all(outlook, points))
    label_outside(axes, words_of(trial.recipe, name, width=34), "")
    title_sheet(figure, f"{trial.name}: what is wanted", held)
    legend_below(figure, _marks(trial, marked=marked))
    return axes


def _draw_score(ax, trial: Trial, name: str, surface: Surface, across: np.ndarray, draws: np.ndarray) -> None:
    scale, made = surface.posterior.attribute, trial.made[name]
    ax.set(ylim=(scale.low - 0.03 * scale.width, scale.high + 0.03 * scale.width))
    shade_wanted(ax, scale)
    mean = np.clip(draws.mean(axis=0), scale.low, scale.high)
    paint_band(ax, across, mean, *np.quantile(draws, [0.05, 0.95], axis=0))
    ax.plot(made[surface.scores.index], surface.scores["score"], linestyle="none", zorder=5, **POURED | SMALL)
    failed = made[~trial.made["ok"]]
    ax.plot(failed, np.full(len(failed), scale.low), linestyle="none", zorder=5, **FAILED | SMALL_CROSS)
    ax.set_title(wanted_title(scale), fontsize=10)


def _draw_chance(ax, across: np.ndarray, chance: np.ndarray, desired: np.ndarray) -> None:
    ax.plot(across, chance, **LINE)
    ax.plot(across, desired, **DESIRED)
    forbid_beside(ax, across)
    ax.set(ylim=(0, 1.03))
    ax.set_title("everything: chance; dashed: desirability", fontsize=10)


def _marks(trial: Trial, *, marked: bool) -> list:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    ok = trial.made["ok"]
    marks = [Line2D([], [], **LINE, label="mean, and chance of everything"), Patch(label="90 % band", **BAND)]
    marks += [Patch(label="wanted", **WANTED), Line2D([], [], label="wanted most", **IDEAL)]
    marks += [Line2D([], [], linestyle="none", label="poured", **POURED | SMALL)] * int(ok.any())
    marks += [Line2D([], [], linestyle="none", label="failed", **FAILED | SMALL_CROSS)] * int((~ok).any())
    marks += [Line2D([], [], label="this formula", **GIVEN)] * int(marked)
    return [*marks, Patch(label="not allowed", **FORBIDDEN)]

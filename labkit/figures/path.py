"""The path of the settled formula over the rounds: its coordinates, and what was expected of it."""

import numpy as np
import pandas as pd

from labkit.checks import check_type
from labkit.errors import TweakError
from labkit.figures.axes import (
    FAILED,
    POURED,
    SMALL,
    SMALL_CROSS,
    label_outside,
    legend_below,
    sheet,
    title_sheet,
    words_of,
)
from labkit.trial import Trial, check_trial
from labkit.tweaks.path import PREDICTED, TODAY, rounds_of
from labkit.wording import words_joined

SETTLED = {"color": "black", "marker": "D", "markersize": 7, "linewidth": 1.6}
THEN = {"color": "black", "marker": "D", "markersize": 7, "linestyle": "none", "elinewidth": 1.6}
NOW = {"color": "0.45", "marker": "s", "markersize": 7, "markerfacecolor": "white", "linestyle": "none",
       "elinewidth": 1.2}
DOTS = POURED | SMALL | {"color": "0.55"}
CROSSES = FAILED | SMALL_CROSS
END = {"color": "0.7", "linewidth": 0.8}
APART = 0.1                 # of a round between what was predicted and what is known today


def draw_path(path: pd.DataFrame, trial: Trial):
    """One small picture a coordinate over the rounds, and as the last the desirability. Returns the array of Axes.

    path : what `labkit.settled_by_round(trial)` gave. Diamonds are the formula settled on after each round, dots the
    pours of that round, as weighed; thin lines are the low and the high of the coordinate. Desirability stands
    with its 90 % interval as predicted after the round (diamonds) and as known today of that same formula (squares).
    """
    check_trial(trial, error=TweakError)
    check_type(path, pd.DataFrame, name="path", advice="Give what labkit.settled_by_round(trial) returned.",
               error=TweakError)
    names = _varying(path, trial)
    figure, axes = sheet(len(names) + 1)
    for ax, name in zip(axes, names, strict=False):
        _draw_coordinate(ax, path, trial, name)
    _draw_desirability(axes[-1], path)
    for ax in axes:
        ax.set_xticks(path["round"], [f"{number}" for number in path["round"]])
        ax.set_xlim(path["round"].min() - 0.6, path["round"].max() + 0.6)
        ax.tick_params(labelsize=8)
    label_outside(axes, "after round", "")
    title_sheet(figure, f"{trial.name}: what it would have settled on")
    legend_below(figure, _marks(trial))
    return axes


def _varying(path: pd.DataFrame, trial: Trial) -> list[str]:
    bounds = trial.recipe.bounds
    missing = [c for c in ("round", *bounds.index, *PREDICTED, *TODAY) if c not in path.columns]
    if missing or not len(path):
        raise TweakError(f"the path has {len(path)} rows and lacks {words_joined(missing) or 'a round'}. "
                         "Give what labkit.settled_by_round(trial) returned.")
    return [name for name in bounds.index if bounds.at[name, "low"] < bounds.at[name, "high"]]


def _draw_coordinate(ax, path: pd.DataFrame, trial: Trial, name: str) -> None:
    low, high = trial.recipe.bounds.loc[name, ["low", "high"]]
    made, rounds = trial.made, rounds_of(trial)
    seen = made[rounds[made.index].isin(path["round"]).to_numpy()]
    for ok, style in ((False, CROSSES), (True, DOTS)):         # a dot leaves the arms of a cross to be seen
        pours = seen[seen["ok"] == ok]
        ax.plot(rounds[pours.index], pours[name], linestyle="none", zorder=2, **style)
    for end in (low, high):
        ax.axhline(end, zorder=1, **END)
    ax.plot(path["round"], path[name], zorder=3, **SETTLED)
    room = 0.05 * (high - low)
    ax.set(ylim=(np.fmin(low, seen[name].min()) - room, np.fmax(high, seen[name].max()) + room))
    ax.set_title(words_of(trial.recipe, name, width=34), fontsize=9)
    ax.locator_params(axis="y", nbins=5)


def _draw_desirability(ax, path: pd.DataFrame) -> None:
    """Means with their intervals; where nearly all draws are alike, a few others pull the mean out of its interval."""
    for columns, shift, style in ((PREDICTED, -APART, THEN), (TODAY, APART, NOW)):
        told = path.dropna(subset=list(columns))
        mean, low, high = (told[c].to_numpy() for c in columns)
        ax.errorbar(told["round"] + shift, mean, yerr=np.maximum([mean - low, high - mean], 0), zorder=3, **style)
    ax.set(ylim=(-0.04, 1.04))
    ax.set_title("desirability, 90 % interval", fontsize=9)


def _marks(trial: Trial) -> list:
    from matplotlib.lines import Line2D

    ok = trial.made["ok"]
    marks = [Line2D([], [], label="settled on, and as predicted then", **SETTLED)]
    now = {key: value for key, value in NOW.items() if key != "elinewidth"}
    marks += [Line2D([], [], label="the same as known today", **now)]
    marks += [Line2D([], [], linestyle="none", label="poured in the round", **DOTS)] * int(ok.any())
    marks += [Line2D([], [], linestyle="none", label="failed", **CROSSES)] * int((~ok).any())
    return [*marks, Line2D([], [], label="low and high", **END)]

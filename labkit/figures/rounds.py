"""What a round was meant to be, and what was weighed."""

import numpy as np
import pandas as pd

from labkit.errors import PlanError
from labkit.figures.axes import FAILED, PLANNED, POURED, axes_or_new, title_and_marks, words_of
from labkit.planning import round_of
from labkit.rounds import Round
from labkit.trial import Trial, check_trial


def draw_round(trial: Trial, round_: Round | int | None = None, ax=None):
    """A band a coordinate from its low to its high, a line a pour: planned as rings, weighed as dots. Returns the Axes.

    round_ : a Round that need not be kept yet, or the number of a planned round (the newest by default).
    """
    check_trial(trial, error=PlanError)
    plan = _planned(trial, round_)
    names, made = list(trial.recipe.coordinates), trial.made
    ax = axes_or_new(ax, size=(7.2, 1.2 + 0.24 * len(names) * (len(plan) + 1)))
    for band, name in enumerate(names):
        _draw_band(ax, band, name, plan, made, trial.recipe.bounds.loc[name])
    height = len(plan) + 1
    ax.set(ylim=(len(names) * height - 0.5, -0.9), xlim=(-0.14, 1.14), xticks=[])
    ax.set_yticks([band * height + (len(plan) - 1) / 2 for band in range(len(names))],
                  [words_of(trial.recipe, name, width=34) for name in names])
    ax.tick_params(axis="y", length=0)
    ax.spines[["top", "right", "left", "bottom"]].set_visible(False)
    title_and_marks(ax, f"{trial.name}: round {int(plan['round'].iloc[0])}", _marks(made[made.index.isin(plan.index)]))
    return ax


def _planned(trial: Trial, round_: Round | int | None) -> pd.DataFrame:
    """Rows of the round by pour, in pour order."""
    newest = 1 if trial.plan.empty else int(trial.plan["round"].max())
    found = round_of(newest if round_ is None else round_, trial, name="round_", error=PlanError)
    return found.to_frame().set_index("pour").sort_values("order")


def _draw_band(ax, band: int, name: str, plan: pd.DataFrame, made: pd.DataFrame, bounds: pd.Series) -> None:
    """One coordinate: 0..1 is low..high; its low and high stand at the ends."""
    top, width = band * (len(plan) + 1), (bounds["high"] - bounds["low"]) or 1.0
    ax.fill_between([0, 1], top - 0.6, top + len(plan) - 0.4, facecolor="0.93", edgecolor="none")
    for x, value, side in ((-0.03, bounds["low"], "right"), (1.03, bounds["high"], "left")):
        ax.text(x, top + (len(plan) - 1) / 2, f"{value:g}", ha=side, va="center", fontsize=9)
    for line, (pour, row) in enumerate(plan.iterrows()):
        x = (row[name] - bounds["low"]) / width
        ax.plot(x, top + line, linestyle="none", zorder=3, **PLANNED)
        weighed = np.clip((made.at[pour, name] - bounds["low"]) / width, -0.14, 1.14) if pour in made.index else x
        if pour in made.index:
            ax.plot(weighed, top + line, linestyle="none", zorder=4, **(POURED if made.at[pour, "ok"] else FAILED))
        left, right = min(x, weighed), max(x, weighed)
        ax.annotate(pour, (right if right < 0.9 else left, top + line), xytext=(9 if right < 0.9 else -9, 0),
                    textcoords="offset points", ha="left" if right < 0.9 else "right", va="center", fontsize=8)


def _marks(made: pd.DataFrame) -> list:
    from matplotlib.lines import Line2D

    marks = [Line2D([], [], linestyle="none", label="planned", **PLANNED)]
    marks += [Line2D([], [], linestyle="none", label="as weighed", **POURED)] * int(made["ok"].any())
    return marks + [Line2D([], [], linestyle="none", label="failed", **FAILED)] * int((~made["ok"]).any())

"""What all figures share: words on axes, marks for pours, greys that print, and the sentence for a wrong `along`."""

import textwrap
from collections.abc import Sequence

import pandas as pd

from labkit.errors import LabkitError
from labkit.formula import Recipe
from labkit.trial import Trial
from labkit.wording import words_joined

POURED = {"marker": "o", "color": "black", "markersize": 7}
FAILED = {"marker": "X", "color": "black", "markersize": 9, "markerfacecolor": "white"}
PLANNED = {"marker": "o", "color": "black", "markersize": 10, "markerfacecolor": "none"}
FORBIDDEN = {"facecolor": "white", "edgecolor": "0.75", "hatch": "///", "linewidth": 0.0}


def axes_or_new(ax, *, size: tuple[float, float] = (6.4, 5.0)):
    """The axes given, or those of a new figure that no global state knows of."""
    if ax is not None:
        return ax
    import matplotlib.pyplot as plt

    return plt.subplots(figsize=size, layout="constrained")[1]


def check_along(recipe: Recipe, along: Sequence[str], *, error: type[LabkitError]) -> tuple[str, str]:
    """Two different coordinates of the recipe."""
    names = tuple(along) if not isinstance(along, str) else (along,)
    unknown = [name for name in names if name not in recipe.coordinates]
    if unknown or len(set(names)) != 2:
        raise error(f"along is {list(names)}. Give two different ones of "
                    f"{words_joined([repr(c) for c in recipe.coordinates])}.")
    return names


def words_of(recipe: Recipe, coordinate: str, *, width: int = 64) -> str:
    """An axis label: the coordinate, then in brackets its unit or the whole that it is a share of."""
    name = coordinate.replace("_", " ")
    for setting in recipe.setting_list:
        if setting.name == coordinate:
            return f"{name} [{setting.unit.replace('degC', '°C')}]" if setting.unit else name
    statement = next(s for s in recipe.statements if s.column == coordinate)
    whole = f"[g/g of {recipe.shelf.words(statement.within)}]"
    return f"{name} {whole}" if len(name) + len(whole) < width else f"{name}\n{textwrap.fill(whole, width)}"


def mark_pours(ax, trial: Trial, along: tuple[str, str]) -> None:
    """Every pour as weighed, with its name; a cross where it failed."""
    made = trial.made
    for _, row in made.iterrows():
        ax.plot(row[along[0]], row[along[1]], linestyle="none", zorder=5, **(POURED if row["ok"] else FAILED))
    label_points(ax, made[along[0]], made[along[1]])


def label_points(ax, across: pd.Series, up: pd.Series) -> None:
    """Names beside points; points that coincide share one label."""
    places: dict[tuple, list[str]] = {}
    span_across, span_up = (abs(b - a) or 1.0 for a, b in (ax.get_xlim(), ax.get_ylim()))
    for name in across.index:
        near = next((p for p in places if abs(p[0] - across[name]) < 0.03 * span_across
                     and abs(p[1] - up[name]) < 0.025 * span_up), None)
        places.setdefault(near or (across[name], up[name]), []).append(str(name))
    for (x, y), names in places.items():
        right = x - min(ax.get_xlim()) > 0.85 * span_across
        ax.annotate(", ".join(names), (x, y), xytext=(-7 if right else 7, 5), textcoords="offset points",
                    ha="right" if right else "left", fontsize=8, zorder=6,
                    bbox={"boxstyle": "round,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.75})


def title_and_marks(ax, title: str, marks: list) -> None:
    """The title, and under it what the marks mean."""
    rows = 1 if len(marks) <= 5 else 2
    ax.set_title(title, pad=10 + 16 * rows)
    ax.legend(handles=marks, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=-(-len(marks) // rows), frameon=False,
              fontsize=9, handletextpad=0.4, columnspacing=1.4, borderaxespad=0.3)

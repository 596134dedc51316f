"""What all figures share: words on axes, marks for pours, greys that print, and the sentence for a wrong `along`."""

import textwrap
from collections.abc import Sequence

import numpy as np
import pandas as pd

from labkit.errors import LabkitError
from labkit.formula import Recipe
from labkit.trial import Trial
from labkit.wording import words_joined

POURED = {"marker": "o", "color": "black", "markersize": 7}
FAILED = {"marker": "X", "color": "black", "markersize": 9, "markerfacecolor": "white"}
PLANNED = {"marker": "o", "color": "black", "markersize": 10, "markerfacecolor": "none"}
SMALL, SMALL_CROSS = {"markersize": 4.5}, {"markersize": 7}
NAME_SIZE, DOT = 8, 4.0     # of names beside dots, and half a dot [points]
GIVEN = {"marker": "D", "color": "black", "markersize": 8, "markerfacecolor": "white", "markeredgewidth": 1.6}
FORBIDDEN = {"facecolor": "white", "edgecolor": "0.75", "hatch": "///", "linewidth": 0.0}


def axes_or_new(ax, *, size: tuple[float, float] = (6.4, 5.0)):
    """The axes given, or those of a new figure that no global state knows of."""
    if ax is not None:
        return ax
    import matplotlib.pyplot as plt

    return plt.subplots(figsize=size, layout="constrained")[1]


def sheet(count: int):
    """A figure with `count` small pictures in rows of three, and its array of Axes."""
    import matplotlib.pyplot as plt

    columns = 2 if count == 4 else min(3, count)
    rows = -(-count // columns)
    size = (3.2 * columns + 0.8, 2.9 * rows + 1.3)
    figure, axes = plt.subplots(rows, columns, figsize=size, layout="constrained", squeeze=False)
    for spare in axes.ravel()[count:]:
        spare.remove()
    return figure, axes.ravel()[:count]


def label_outside(axes, across: str, up: str) -> None:
    """Words below the lowest picture of each column and left of the first of each row."""
    for ax in {ax.get_subplotspec().colspan.start: ax for ax in axes}.values():
        ax.set_xlabel(across, fontsize=9)
    for ax in axes:
        if ax.get_subplotspec().colspan.start == 0:
            ax.set_ylabel(up, fontsize=9)


def legend_below(figure, marks: list) -> None:
    """What the marks mean, under small pictures, in as many columns as there is room for."""
    figure.legend(handles=marks, loc="outside lower center", ncols=int(figure.get_figwidth() // 2.4), frameon=False,
                  fontsize=9)


def check_along(recipe: Recipe, along: Sequence[str], *, error: type[LabkitError]) -> tuple[str, str]:
    """Two different coordinates of the recipe that vary."""
    names = tuple(along) if not isinstance(along, str) else (along,)
    unknown = [name for name in names if name not in recipe.coordinates]
    if unknown or len(set(names)) != 2:
        raise error(f"along is {list(names)}. Give two different ones of "
                    f"{words_joined([repr(c) for c in recipe.coordinates])}.")
    for name in names:
        check_varies(recipe, name, error=error)
    return names


def check_varies(recipe: Recipe, name: str, *, error: type[LabkitError]) -> None:
    """A coordinate has a low below its high."""
    low, high = recipe.bounds.loc[name, ["low", "high"]]
    if not low < high:
        free = [repr(c) for c, row in recipe.bounds.iterrows() if row["low"] < row["high"]]
        raise error(f"{name} is {low:g} throughout, so there is nothing to see along it. "
                    f"Choose {words_joined(free, last='or')}.")


def words_of(recipe: Recipe, coordinate: str, *, width: int = 64) -> str:
    """An axis label: the coordinate, then in brackets its unit or the whole that it is a share of; a part
    of a blend has the name of the blend there."""
    if ": " in coordinate:
        blend, part = coordinate.split(": ", 1)
        return f"{part} [g/g of {blend}]"
    name = coordinate.replace("_", " ")
    for setting in recipe.setting_list:
        if setting.name == coordinate:
            return f"{name} [{setting.unit.replace('degC', '°C')}]" if setting.unit else name
    statement = next(s for s in recipe.statements if s.column == coordinate)
    whole = f"[g/g of {recipe.shelf.words(statement.within)}]"
    return f"{name} {whole}" if len(name) + len(whole) < width else f"{name}\n{textwrap.fill(whole, width)}"


def mark_pours(ax, trial: Trial, along: tuple[str, str]) -> None:
    """Every pour as weighed, with its name; a cross where it failed."""
    mark_made(ax, trial, trial.made[along[0]], trial.made[along[1]])
    label_points(ax, trial.made[along[0]], trial.made[along[1]])


def mark_made(ax, trial: Trial, across: pd.Series, up: pd.Series, *, small: bool = False) -> None:
    """Pours where they lie on the paper, without names: dots, crosses where they failed."""
    for pour, ok in trial.made["ok"].items():
        style = (POURED if ok else FAILED) | ((SMALL if ok else SMALL_CROSS) if small else {})
        ax.plot(across[pour], up[pour], linestyle="none", zorder=5, **style)


def label_points(ax, across: pd.Series, up: pd.Series) -> None:
    """Names beside points, where they hide the least; points that coincide share one label."""
    places: dict[tuple, list[str]] = {}
    span_across, span_up = (abs(b - a) or 1.0 for a, b in (ax.get_xlim(), ax.get_ylim()))
    for name in across.index:
        near = next((p for p in places if abs(p[0] - across[name]) < 0.03 * span_across
                     and abs(p[1] - up[name]) < 0.025 * span_up), None)
        places.setdefault(near or (across[name], up[name]), []).append(str(name))
    dots = _boxes_of_dots(ax, across, up)
    for place, names in places.items():
        text = ", ".join(names)
        side, box = min(_sides(ax, place, text), key=lambda found: _hidden(found[1], dots, ax))
        dots = np.vstack([dots, box])
        ax.annotate(text, place, xytext=side, textcoords="offset points", ha="left" if side[0] > 0 else "right",
                    fontsize=NAME_SIZE, zorder=6,
                    bbox={"boxstyle": "round,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.75})


def _boxes_of_dots(ax, across: pd.Series, up: pd.Series) -> np.ndarray:
    """left, bottom, right, top of every dot, in points (n, 4)."""
    at = _in_points(ax, np.column_stack([across, up]))
    return np.hstack([at - DOT, at + DOT])


def _sides(ax, place: tuple, text: str) -> list[tuple]:
    """Where a name may stand about its dot, the best first: the offset and the box that it would fill, in points."""
    x, y = _in_points(ax, np.array([place]))[0]
    width = 0.62 * NAME_SIZE * len(text)
    return [((dx, dy), np.array([x + min(dx, dx + np.sign(dx) * width), y + dy - 2,
                                 x + max(dx, dx + np.sign(dx) * width), y + dy + NAME_SIZE]))
            for dx in (7, -7) for dy in (5, -11)]


def _hidden(box: np.ndarray, others: np.ndarray, ax) -> float:
    """By how many square points a box covers others or leaves the axes."""
    wide = np.minimum(box[2], others[:, 2]) - np.maximum(box[0], others[:, 0])
    tall = np.minimum(box[3], others[:, 3]) - np.maximum(box[1], others[:, 1])
    ends = _in_points(ax, np.array([[ax.get_xlim()[0], ax.get_ylim()[0]], [ax.get_xlim()[1], ax.get_ylim()[1]]]))
    left, right = sorted(ends[:, 0])
    beyond = max(left - box[0], 0) + max(box[2] - right, 0)
    return float((wide.clip(min=0) * tall.clip(min=0)).sum() + NAME_SIZE * beyond)


def _in_points(ax, places: np.ndarray) -> np.ndarray:
    return ax.transData.transform(places) * 72 / ax.figure.dpi


def title_at(title: str, held: str, *, width: int = 68) -> str:
    """A title, and below it at what all else is held."""
    return "\n".join([title, *textwrap.wrap(f"at {held}", width)]) if held else title


def title_and_marks(ax, title: str, marks: list) -> None:
    """The title, and under it what the marks mean."""
    rows = 1 if len(marks) <= 5 else 2
    ax.set_title(title, pad=10 + 16 * rows)
    ax.legend(handles=marks, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=-(-len(marks) // rows), frameon=False,
              fontsize=9, handletextpad=0.4, columnspacing=1.4, borderaxespad=0.3)

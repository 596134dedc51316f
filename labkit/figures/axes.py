"""What all figures share: words on axes, marks for pours, greys that print, and the sentence for a wrong `along`."""

import textwrap
from collections.abc import Sequence

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.checks import check_type
from labkit.errors import LabkitError, PanelError, SurfaceError
from labkit.figures.names import settle, size_of
from labkit.formula import Recipe
from labkit.panel import Panel
from labkit.surfaces import Surface
from labkit.trial import Trial
from labkit.wording import unit_text, words_joined

TITLE_SIZE, LONGEST = 12, 68    # of a title [points]; letters in a line of one over a single picture
SMALL_TITLE = 42               # letters that a small picture is wide
POURED = {"marker": "o", "color": "black", "markersize": 7}
FAILED = {"marker": "X", "color": "black", "markersize": 9, "markerfacecolor": "white"}
PLANNED = {"marker": "o", "color": "black", "markersize": 10, "markerfacecolor": "none"}
SMALL, SMALL_CROSS = {"markersize": 4.5}, {"markersize": 7}
GIVEN = {"marker": "D", "color": "black", "markersize": 8, "markerfacecolor": "white", "markeredgewidth": 1.6}
FORBIDDEN = {"facecolor": "white", "edgecolor": "0.75", "hatch": "///", "linewidth": 0.0}


def axes_or_new(ax, *, size: tuple[float, float] = (6.4, 5.0)):
    """The axes given, or those of a new figure that no global state knows of."""
    if ax is not None:
        return _checked_axes(ax)
    import matplotlib.pyplot as plt

    return plt.subplots(figsize=size, layout="constrained")[1]


def _checked_axes(ax: object):
    from matplotlib.axes import Axes

    advice = "Give one Axes, such as matplotlib.pyplot.subplots()[1]."
    check_type(ax, Axes, name="ax", advice=advice, error=SurfaceError)
    return ax


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


def check_surface(surface: object) -> None:
    """One surface, and not all that were fitted or the name of one."""
    check_type(surface, Surface, name="surface", advice="Give one of those that fit_surfaces(trial) returned, such as "
               "surfaces['payoff'].", error=SurfaceError)


def check_panel(panel: object) -> None:
    """What was appraised, and not the trial."""
    check_type(panel, Panel, name="panel", advice="Give what appraise_panel(trial) returned.", error=PanelError)


def check_along(recipe: Recipe, along: Sequence[str] | str, *, error: type[LabkitError]) -> tuple[str, ...]:
    """One coordinate of the recipe, or two different ones, that vary."""
    listed = isinstance(along, Sequence | np.ndarray | pd.Index | pd.Series) and not isinstance(along, str)
    names = tuple(along) if listed else (along,)
    unknown = [name for name in names if not isinstance(name, str) or name not in recipe.coordinates]
    if unknown or len(set(names)) != len(names) or len(names) not in (1, 2):
        known = [repr(c) for c in recipe.coordinates if c in recipe.varying]
        some = "one or two different ones of " if len(known) > 1 else ""
        raise error(f"along is {list(names)}. Give {some}{words_joined(known)}.")
    for name in names:
        check_varies(recipe, name, error=error)
    for blend, parts in recipe.blends.items():
        if len(names) == 2 and recipe.varying & set(parts) == set(names):
            raise error(f"{words_joined(names)} are all of {blend} that varies, so that one goes as the other comes. "
                        "Choose one of them.")
    return names


def check_varies(recipe: Recipe, name: str, *, error: type[LabkitError]) -> None:
    """A coordinate has a low below its high."""
    low, high = recipe.bounds.loc[name, ["low", "high"]]
    if not low < high:
        free = [repr(c) for c, row in recipe.bounds.iterrows() if row["low"] < row["high"]]
        raise error(f"{name} is {low:g} throughout, so there is nothing to see along it. "
                    f"Choose {words_joined(free, last='or')}.")


def called(attribute: Attribute) -> str:
    """An attribute as it is printed: words, as on ballots."""
    return attribute.name.replace("_", " ")


def words_of(recipe: Recipe, coordinate: str, *, width: int = 64) -> str:
    """An axis label: the coordinate, then in brackets its unit or the whole that it is a share of; a part
    of a blend has the name of the blend there."""
    if ": " in coordinate:
        blend, part = coordinate.split(": ", 1)
        return wrapped(f"{part} [g/g of {blend}]", width)
    name = coordinate.replace("_", " ")
    for setting in recipe.setting_list:
        if setting.name == coordinate:
            return wrapped(f"{name} [{unit_text(setting.unit)}]" if setting.unit else name, width)
    statement = next(s for s in recipe.statements if s.column == coordinate)
    whole = f"[g/g of {recipe.shelf.words(statement.within)}]"
    return f"{name} {whole}" if len(name) + len(whole) < width else wrapped(f"{name}\n{whole}", width)


def mark_made(ax, trial: Trial, across: pd.Series, up: pd.Series, *, small: bool = False) -> None:
    """Pours where they lie on the paper, without names: dots, below them crosses where a pour failed.

    Pours of one melt lie on one place in all that the pot fixes: both what failed and what did not is to be seen there.
    """
    for pour, ok in trial.made["ok"].sort_values(kind="stable").items():
        style = (POURED if ok else FAILED) | ((SMALL if ok else SMALL_CROSS) if small else {})
        ax.plot(across[pour], up[pour], linestyle="none", zorder=5, **style)


def title_at(title: str, held: str) -> str:
    """A title, and below it at what all else is held."""
    return f"{title}\nat {held}" if held else title


def title_sheet(figure, title: str, held: str = "") -> None:
    """`title_at` over a whole sheet of small pictures, as wide as that is."""
    figure.suptitle(_within(title_at(title, held), 72 * figure.get_figwidth(), longest=int(10 * figure.get_figwidth())))


def title_over(ax, title: str, *, pad: float = 6.0) -> None:
    """A title over the middle of its axes that no side of the figure cuts off, and no other axes beside it."""
    settle(ax)
    figure, middle = ax.get_figure(root=True), (ax.bbox.x0 + ax.bbox.x1) / 2
    beside = [b.bbox for b in figure.axes if b is not ax and b.bbox.y0 < ax.bbox.y1 and ax.bbox.y0 < b.bbox.y1]
    left = max([0.0, *((b.x1 + ax.bbox.x0) / 2 for b in beside if b.x1 < middle)])
    right = min([figure.bbox.x1, *((b.x0 + ax.bbox.x1) / 2 for b in beside if b.x0 > middle)])
    ax.set_title(_within(title, 2 * min(middle - left, right - middle) * 72 / figure.dpi), pad=pad)


def _within(title: str, room: float, *, longest: int = LONGEST) -> str:
    """In lines as long as the words are wide: capitals take half as much room again [points]."""
    for width in range(longest, 8, -2):
        text = wrapped(title, width)
        if max(size_of(line, TITLE_SIZE)[0] for line in text.split("\n")) <= room:
            break
    return text


def wrapped(text: str, width: int = 68) -> str:
    """Lines of at most so many letters, where words allow it: long names run out of a picture otherwise."""
    return "\n".join("\n".join(textwrap.wrap(part, width)) for part in text.split("\n"))


def title_and_marks(ax, title: str, marks: list) -> None:
    """The title, and under it what the marks mean."""
    rows = 1 if len(marks) <= 5 else 2
    ax.legend(handles=marks, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=-(-len(marks) // rows), frameon=False,
              fontsize=9, handletextpad=0.4, columnspacing=1.4, borderaxespad=0.3)
    title_over(ax, title, pad=10 + 16 * rows)

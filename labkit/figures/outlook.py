"""What is wanted, attribute by attribute, over two coordinates; and the chance of meeting all of it at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.attributes import Attribute, wanted_of
from labkit.checks import check_whole
from labkit.errors import TweakError
from labkit.figures.along import wanted_range
from labkit.figures.axes import (
    FAILED,
    FORBIDDEN,
    GIVEN,
    POURED,
    SMALL,
    SMALL_CROSS,
    check_along,
    label_outside,
    legend_below,
    mark_made,
    sheet,
    title_sheet,
    words_of,
)
from labkit.figures.chances import chance_of_all, outlook_along, wanted_title
from labkit.figures.names import settle
from labkit.figures.shades import DOUBT, UNKNOWN, levels_of, paint_doubt, paint_forbidden, paint_lines
from labkit.figures.slices import Slice, check_some_allowed, given_row, held_words, pair_slice
from labkit.figures.surface import frame
from labkit.figures.values import label_values
from labkit.surfaces import Surface
from labkit.trial import Trial, check_trial
from labkit.tweaks.outlook import Outlook, wanted_part
from labkit.tweaks.standing import check_surfaces

STEPS, DRAWS = 31, 512      # points across and up, joint draws behind every picture
UNWANTED = {"facecolor": "0.8", "edgecolor": "none"}
IDEAL = {"color": "black", "linewidth": 2.4}
CHANCES = np.linspace(0, 1, 6)
CHANCE = {"cmap": "Purples_r", "alpha": 0.6}        # light is likely, as white is wanted in the other pictures


def draw_outlook(trial: Trial, surfaces: Mapping[str, Surface], along: Sequence[str] | str,
                 at: pd.DataFrame | None = None, seed: int = 0):
    """One small picture an attribute over two coordinates, and as the last the chance of meeting everything.

    at : as in `draw_surface`, such as `tweak.best`. Each attribute: lines of its mean, grey where that mean is not
    wanted at all, a heavy line where it is wanted most; dots and hatches as in `draw_surface`. The last: shades of the
    chance that every attribute is wanted at all (desirability above 0) and, once a pour has failed, that the pour
    holds; lines of the expected overall desirability. All from the same joint draws, which count what is held of the
    starting formula: where little is known, a mean may differ from that of `draw_surface`, which is of the scores
    alone. Along one coordinate alone they are lines, see `outlook_along`. Returns the array of Axes.
    """
    check_trial(trial, error=TweakError)
    check_surfaces(trial, surfaces)
    seed = check_whole(seed, name="seed", low=0, high=2**32 - 1, error=TweakError)
    along = check_along(trial.recipe, along, error=TweakError)
    wanted = {name: s for name, s in surfaces.items() if name in wanted_of(trial.attributes)}
    if not wanted:
        raise TweakError("none of these surfaces is of an attribute that says what is wanted. "
                         "Give at least one a line such as wanted = { rising = [4, 8] }.")
    given = given_row(trial, next(iter(surfaces.values())).scores.index, at)
    held, outlook = held_words(trial.recipe, given, along), Outlook.of(trial, wanted, seed=seed, n=DRAWS)
    if len(along) == 1:
        return outlook_along(trial, outlook, along[0], given, held, marked=at is not None)
    slice_ = pair_slice(trial, along, given, steps=STEPS)
    check_some_allowed(slice_, held)
    figure, axes = sheet(len(wanted) + 1)
    pictures = [_draw_attribute(ax, slice_, draws, trial.attributes[name])
                for ax, (name, draws) in zip(axes, outlook.scores(slice_.points).items(), strict=False)]
    shades, lines = _draw_chance(axes[-1], slice_, outlook)
    figure.colorbar(shades, ax=list(axes), shrink=0.6 if len(axes) > 3 else 1.0, aspect=30, pad=0.02,
                    label="chance of meeting everything\n(last picture)")
    for ax in axes:
        _finish(ax, trial, slice_, along, given if at is not None else None)
    label_outside(axes, *(words_of(trial.recipe, name, width=34) for name in along))
    title_sheet(figure, f"{trial.name}: what is wanted", held)
    legend_below(figure, _marks(trial, slice_, pictures, given=at is not None))
    settle(axes[0])
    for ax, picture in zip(axes, [*pictures, lines], strict=True):
        label_values(ax, slice_, [picture.ideal, picture.lines], picture.values, size=7)
    return axes


@dataclass(frozen=True, kw_only=True, eq=False)
class Picture:
    """One small picture: its lines, the heavy one, the values behind them, and whether grey or dots are to be seen."""

    values: np.ndarray
    lines: object
    ideal: object = None
    unwanted: bool = False
    doubt: bool = False


def _draw_attribute(ax, slice_: Slice, draws: np.ndarray, attribute: Attribute) -> Picture:
    mean = slice_.shaped(np.clip(draws.mean(axis=0), attribute.low, attribute.high))
    low, high = np.quantile(draws, [0.05, 0.95], axis=0)
    worth = slice_.shaped(wanted_part(attribute.wanted, mean))
    least, most, best = wanted_range(attribute)
    unwanted = np.maximum(least - mean, mean - most) if (worth <= 0).any() else -np.ones(mean.shape)
    if (unwanted > 0).any():
        ax.contourf(slice_.x, slice_.y, unwanted, levels=[0, np.inf], colors=[UNWANTED["facecolor"]], zorder=1)
    others = [v for v in levels_of(mean[slice_.allowed], attribute, most=6)
              if attribute.low < v < attribute.high and not np.isclose(v, best)]
    doubt = slice_.shaped(high - low - DOUBT * attribute.width)
    paint_doubt(ax, slice_, doubt)
    ax.set_title(wanted_title(attribute), fontsize=10)
    inside = slice_.allowed
    return Picture(lines=paint_lines(ax, slice_, mean, others, colors="0.3"),
                   ideal=paint_lines(ax, slice_, mean, [best], linewidths=IDEAL["linewidth"]),
                   values=mean, unwanted=bool((unwanted[inside] > 0).any()),
                   doubt=bool((doubt[inside] > 0).any()))


def _draw_chance(ax, slice_: Slice, outlook: Outlook):
    """The last picture; returns what its shades stand for, and its lines."""
    chance, desired = (slice_.shaped(values) for values in chance_of_all(outlook, slice_.points))
    chance = np.ma.masked_where(~slice_.near_allowed, chance)
    shades = ax.contourf(slice_.x, slice_.y, chance, levels=CHANCES, zorder=1, **CHANCE)
    inside = desired[slice_.allowed]
    lines = paint_lines(ax, slice_, desired, np.arange(1, 10) * (0.2 if inside.max() > 0.6 else 0.1))
    ax.set_title("everything; lines: desirability" if lines else "everything; number: desirability", fontsize=10)
    return shades, Picture(lines=lines, values=desired)


def _finish(ax, trial: Trial, slice_: Slice, along: tuple[str, str], given: pd.Series | None) -> None:
    """What all small pictures share: the limits, the pours, the formula given, room and small numbers."""
    paint_forbidden(ax, slice_)
    frame(ax, trial, along, slice_)
    mark_made(ax, trial, trial.made[along[0]], trial.made[along[1]], small=True)
    if given is not None:
        ax.plot(given[along[0]], given[along[1]], linestyle="none", zorder=7, **GIVEN)
    ax.set(xlabel="", ylabel="")
    ax.tick_params(labelsize=8)
    ax.locator_params(nbins=5)


def _marks(trial: Trial, slice_: Slice, pictures: Sequence[Picture], *, given: bool) -> list:
    """What the legend explains, as far as it occurs."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    ok = trial.made["ok"]
    marks = [Patch(label="mean not wanted", **UNWANTED)] * int(any(p.unwanted for p in pictures))
    marks += [Line2D([], [], label="mean wanted most", **IDEAL)] * int(any(p.ideal is not None for p in pictures))
    marks += [Line2D([], [], linestyle="none", label="poured", **POURED | SMALL)] * int(ok.any())
    marks += [Line2D([], [], linestyle="none", label="failed", **FAILED | SMALL_CROSS)] * int((~ok).any())
    marks += [Line2D([], [], linestyle="none", label="this formula", **GIVEN)] * int(given)
    marks += [Patch(label="not allowed", **FORBIDDEN)] * int(not slice_.allowed.all())
    doubt = f"mean not known to ±{100 * DOUBT / 2:g} % of the scale"
    return marks + [Patch(label=doubt, **UNKNOWN)] * int(any(p.doubt for p in pictures))

"""One fitted surface over two coordinates, the others held."""

from collections.abc import Sequence

import pandas as pd

from labkit.errors import SurfaceError
from labkit.figures.along import draw_along
from labkit.figures.axes import (
    GIVEN,
    axes_or_new,
    called,
    check_along,
    check_surface,
    mark_made,
    title_and_marks,
    title_at,
    words_of,
)
from labkit.figures.names import label_points, settle
from labkit.figures.shades import doubt_of, marks_of, paint, told_on
from labkit.figures.slices import Slice, check_some_allowed, given_row, held_words, pair_slice, room_for
from labkit.figures.values import label_values
from labkit.surfaces import Surface
from labkit.trial import Trial


def draw_surface(surface: Surface, along: Sequence[str] | str, at: pd.DataFrame | None = None, ax=None):
    """Contours of the mean score over two coordinates; all others are held. Of one, what `draw_along` draws. Returns
    the Axes.

    at : one row with the coordinates at which the others are held, such as `tweak.best`, which stands as a diamond; by
    default the middle of the scored pours. Dotted is where the 90 % interval of the mean is wider than 0.4 of the
    scale, hatched is what the limits forbid there. Pours are marked where they lie along the two; they may lie off in
    the others.
    """
    check_surface(surface)
    trial, scale = surface.posterior.ground.trial, surface.posterior.attribute
    along = check_along(trial.recipe, along, error=SurfaceError)
    if len(along) == 1:
        return draw_along(surface, along[0], at, ax)
    given = given_row(trial, surface.scores.index, at)
    held, slice_ = held_words(trial.recipe, given, along), pair_slice(trial, along, given)
    check_some_allowed(slice_, held)
    told = told_on(surface, slice_)
    doubt = doubt_of(told, scale)
    ax = axes_or_new(ax, size=(6.6, 5.4))
    lines = paint(ax, slice_, told["mean"].to_numpy(), doubt, scale)
    frame(ax, trial, along, slice_)
    mark_made(ax, trial, trial.made[along[0]], trial.made[along[1]])
    if at is not None:
        ax.plot(*given[list(along)], linestyle="none", zorder=7, **GIVEN)
    title = title_at(f"{called(scale)}: mean {scale.measure}", held)
    title_and_marks(ax, title, marks_of(trial, slice_, doubt, scale, given=at is not None))
    settle(ax)
    label_values(ax, slice_, [lines], told["mean"])
    label_points(ax, trial.made[along[0]], trial.made[along[1]])
    return ax


def frame(ax, trial: Trial, along: tuple[str, str], slice_: Slice) -> None:
    """Room for both coordinates as `room_for` has it; words on the axes."""
    ax.set(xlim=room_for(trial, along[0], slice_), ylim=room_for(trial, along[1], slice_),
           xlabel=words_of(trial.recipe, along[0]), ylabel=words_of(trial.recipe, along[1]))

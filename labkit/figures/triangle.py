"""One fitted surface of a blend: three parts in a triangle, all else held."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.errors import SurfaceError
from labkit.figures.axes import (
    GIVEN,
    axes_or_new,
    called,
    check_surface,
    mark_made,
    title_and_marks,
    title_at,
    words_of,
    wrapped,
)
from labkit.figures.names import label_points, settle
from labkit.figures.shades import doubt_of, marks_of, paint, told_on
from labkit.figures.slices import (
    STEPS,
    Slice,
    check_some_allowed,
    given_row,
    moved,
    slice_of,
    value_words,
)
from labkit.figures.values import label_values
from labkit.formula import Recipe
from labkit.surfaces import Surface
from labkit.trial import Trial
from labkit.wording import words_joined

HEIGHT = np.sqrt(3) / 2
CORNERS = np.array([[0.5, HEIGHT], [0.0, 0.0], [1.0, 0.0]])         # of the first, second and third part
OUTWARD = np.array([[1.0, 0.0], [-0.5, HEIGHT], [-0.5, -HEIGHT]])   # where the values of each stand beside its side
ROOM = 0.06                 # of the triangle beyond what is allowed
TICKS = np.array([0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2])
INK = "0.35"
CORNER_NAME = 16            # letters in a line of the name of a lower corner: more run into the words between the two


@dataclass(frozen=True, kw_only=True, eq=False)
class Triangle:
    """Shares of three parts that add to `whole`, each at least its `low`; on paper a triangle of side 1.

    With z = (share - low) / size, size = whole - sum(low), a blend lies at sum(z_i corner_i): the pseudo-components
    of Kurotori (1966), Industrial Quality Control 22:592-596. Values that are read off are the shares themselves.
    """

    columns: tuple[str, str, str]
    low: np.ndarray
    whole: float

    @property
    def size(self) -> float:
        return self.whole - self.low.sum()

    def places(self, shares: np.ndarray) -> np.ndarray:
        """Paper coordinates (m, 2) of shares (m, 3)."""
        return (shares - self.low) / self.size @ CORNERS

    def shares(self, places: np.ndarray) -> np.ndarray:
        """The way back."""
        z = np.linalg.solve(np.vstack([CORNERS.T, np.ones(3)]), np.vstack([places.T, np.ones(len(places))]))
        return self.low + self.size * z.T


def draw_triangle(surface: Surface, blend: str | None = None, at: pd.DataFrame | None = None, ax=None, *,
                  parts: Sequence[str] | None = None):
    """Contours of the mean score over three parts of a blend; all else is held. Returns the Axes.

    blend : its name, where there are several. parts : which three, where there are more; the others are held. at : one
    row with every coordinate, such as `tweak.best`; by default the middle of the scored pours. The triangle shows as
    much of all blends as the limits and the pours fill; the shares of each part are read along the lines that its
    numbers stand at. Dots, hatches and pours as in `draw_surface`; a pour that differs in a held part lies where its
    three shares are in the same ratio.
    """
    check_surface(surface)
    trial, scale = surface.posterior.ground.trial, surface.posterior.attribute
    columns = _three_parts(trial.recipe, blend, parts)
    given = given_row(trial, surface.scores.index, at)
    triangle, slice_ = _zoomed(trial, columns, given)
    others = value_words(trial.recipe, given.drop(list(columns)))
    held = words_joined(others) if others else ""
    check_some_allowed(slice_, held)
    told = told_on(surface, slice_)
    doubt = doubt_of(told, scale)
    ax = axes_or_new(ax, size=(7.0, 6.6))
    lines = paint(ax, slice_, told["mean"].to_numpy(), doubt, scale)
    _draw_sides(ax, triangle, trial.recipe)
    places = _mark_pours(ax, trial, triangle)
    if at is not None:
        ax.plot(*triangle.places(given[list(columns)].to_numpy()[None])[0], linestyle="none", zorder=7, **GIVEN)
    title = title_at(f"{called(scale)}: mean {scale.measure}", held)
    title_and_marks(ax, title, marks_of(trial, slice_, doubt, scale, given=at is not None))
    settle(ax)
    label_values(ax, slice_, [lines], told["mean"])
    label_points(ax, places[0], places[1])
    return ax


# Which parts

def _three_parts(recipe: Recipe, blend: str | None, parts: Sequence[str] | None) -> tuple[str, str, str]:
    columns = recipe.blends[_blend(recipe, blend)]
    names = [column.split(": ", 1)[1] for column in columns]
    if len(columns) < 3:
        raise SurfaceError(f"{words_joined(names)} fill the blend between them, which is a line and no triangle. "
                           f"Use draw_along(surface, {columns[0]!r}).")
    if parts is None and len(columns) > 3:
        raise SurfaceError(f"the blend has {len(columns)} parts: {words_joined(names)}. "
                           "Say which three to show, such as parts=" + repr(names[:3]) + "; the others are held.")
    listed = isinstance(parts, Sequence | np.ndarray | pd.Index | pd.Series) and not isinstance(parts, str)
    chosen = tuple(names if parts is None else parts if listed else [parts])
    if not all(isinstance(name, str) for name in chosen) or len(set(chosen)) != 3 or not set(chosen) <= set(names):
        raise SurfaceError(f"parts is {list(chosen)}. Give three different ones of "
                           f"{words_joined([repr(name) for name in names])}.")
    return _varying(recipe, [columns[names.index(name)] for name in chosen])


def _blend(recipe: Recipe, blend: str | None) -> str:
    blends = list(recipe.blends)
    if not blends:
        raise SurfaceError("trial.toml names no blend, so there is no triangle to draw. "
                           "Use draw_surface with two coordinates.")
    if blend is None and len(blends) == 1:
        return blends[0]
    if blend not in blends:
        raise SurfaceError(f"blend is {blend!r}. Choose {words_joined([repr(b) for b in blends], last='or')}.")
    return blend


def _varying(recipe: Recipe, columns: list[str]) -> tuple[str, str, str]:
    fixed = [c for c in columns if not recipe.bounds.at[c, "low"] < recipe.bounds.at[c, "high"]]
    if fixed:
        other = next((c for c in columns if c not in fixed), columns[0])
        raise SurfaceError(f"{fixed[0]} is {recipe.bounds.at[fixed[0], 'low']:g} throughout, which leaves a line and "
                           f"no triangle. Use draw_along(surface, {other!r}).")
    return tuple(columns)


# The part of the triangle to show

def _zoomed(trial: Trial, columns: tuple[str, str, str], given: pd.Series) -> tuple[Triangle, Slice]:
    """The triangle about all that is allowed and poured, and a grid in it that is fine where something is allowed."""
    bounds, whole = trial.recipe.bounds.loc[list(columns)], float(given[list(columns)].sum())
    low = bounds["low"].to_numpy(dtype=float)
    wide = Triangle(columns=columns, low=low if low.sum() < whole else np.zeros(3), whole=whole)
    top = int(np.argmin(bounds["high"] - bounds["low"]))
    first = _grid(trial, wide, given, top, _rows(wide, top, bounds.iloc[top]))
    inside = first.points.loc[first.allowed.ravel(), list(columns)]
    seen = np.vstack([inside, _three_shares(trial.made, wide), given[list(columns)].to_numpy(dtype=float)[None]])
    room = ROOM * (whole - seen.min(axis=0).sum())
    close = Triangle(columns=columns, low=np.clip(seen.min(axis=0) - room, 0, None), whole=whole)
    if not len(inside):
        return close, first
    return close, _grid(trial, close, given, top, _rows(close, top, inside.iloc[:, top].agg(["min", "max"])))


def _rows(triangle: Triangle, top: int, ends: pd.Series) -> np.ndarray:
    """Shares of one part from one end of the triangle to the other, most of them just about two ends."""
    least, most = triangle.low[top], triangle.low[top] + triangle.size
    step = (ends.iloc[1] - ends.iloc[0]) / (STEPS - 3)
    close = np.linspace(ends.iloc[0] - step, ends.iloc[1] + step, STEPS)
    return np.unique(np.r_[least, close.clip(least, most), most])


def _grid(trial: Trial, triangle: Triangle, given: pd.Series, top: int, rows: np.ndarray) -> Slice:
    """Points in rows of equal share of the part `top`; in a row, the next part has 0 to all of what is left."""
    following, last = (top + 1) % 3, (top + 2) % 3
    left = triangle.whole - rows - triangle.low[following] - triangle.low[last]
    shares = np.empty((len(rows), STEPS, 3))
    shares[..., top] = rows[:, None]
    shares[..., following] = triangle.low[following] + np.outer(left, np.linspace(0, 1, STEPS))
    shares[..., last] = triangle.whole - shares[..., top] - shares[..., following]
    flat = shares.reshape(-1, 3)
    points, excess = moved(trial.recipe, given, dict(zip(triangle.columns, flat.T, strict=True)))
    x, y = triangle.places(flat).T.reshape(2, len(rows), STEPS)
    return slice_of(trial, x, y, points, excess)


def _three_shares(points: pd.DataFrame, triangle: Triangle) -> np.ndarray:
    """Shares of the three parts (m, 3), scaled to their whole where other parts differ from what is held."""
    shares = points[list(triangle.columns)].to_numpy(dtype=float)
    return shares / shares.sum(axis=1, keepdims=True) * triangle.whole


# Sides and pours

def _draw_sides(ax, triangle: Triangle, recipe: Recipe) -> None:
    """The frame; beside each side the values of one part, in the direction of the lines that they stand for."""
    ax.plot(*np.vstack([CORNERS, CORNERS[:1]]).T, color="black", linewidth=1.0, zorder=4)
    for part in range(3):
        _draw_scale(ax, triangle, part)
        _name_corner(ax, triangle, recipe, part)
    ax.set(xlim=(-0.14, 1.14), ylim=(-0.16, HEIGHT + 0.1), aspect="equal")
    ax.set_axis_off()


def _draw_scale(ax, triangle: Triangle, part: int) -> None:
    step = TICKS[int(np.argmin(np.abs(triangle.size / TICKS - 6)))]
    values = step * np.arange(np.ceil(triangle.low[part] / step + 1e-6),
                              np.floor((triangle.low[part] + triangle.size) / step - 1e-6) + 1)
    for value in values:
        ends = np.tile(triangle.low, (2, 1))
        ends[:, part] = value
        for row, other in enumerate(((part + 2) % 3, (part + 1) % 3)):
            ends[row, other] = triangle.whole - value - triangle.low[3 - part - other]
        here, there = triangle.places(ends)
        ax.plot(*np.array([here + 0.015 * OUTWARD[part], there]).T, color=INK, linewidth=0.5, alpha=0.6, zorder=4)
        ax.text(*(here + 0.022 * OUTWARD[part]), f"{value:g}", fontsize=8, color=INK, zorder=4,
                ha=("left", "right", "right")[part], va=("center", "bottom", "top")[part])


def _name_corner(ax, triangle: Triangle, recipe: Recipe, part: int) -> None:
    """The part whose share is highest at this corner, and words along its scale."""
    name = triangle.columns[part].split(": ", 1)[1]
    across, up = CORNERS[part]
    ax.text(across, up + (0.045 if part == 0 else -0.075), name if part == 0 else wrapped(name, CORNER_NAME),
            fontsize=10, fontweight="bold", zorder=4, ha="center", va="bottom" if part == 0 else "top")
    middle = (CORNERS[part] + CORNERS[(part + 2) % 3]) / 2
    ax.text(*(middle + 0.115 * _normal(part)), words_of(recipe, triangle.columns[part]), fontsize=9, zorder=4,
            rotation=(-60, 60, 0)[part], rotation_mode="anchor", ha="center", va="center")


def _normal(part: int) -> np.ndarray:
    """Away from the side that carries the scale of a part."""
    return np.array([[HEIGHT, 0.5], [-HEIGHT, 0.5], [0.0, -1.0]])[part]


def _mark_pours(ax, trial: Trial, triangle: Triangle) -> pd.DataFrame:
    places = pd.DataFrame(triangle.places(_three_shares(trial.made, triangle)), index=trial.made.index)
    mark_made(ax, trial, places[0], places[1])
    return places

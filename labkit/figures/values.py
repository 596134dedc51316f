"""Values on the lines of a picture: each stands where it hides no pour and no other value, and is not cut off."""

from collections.abc import Sequence

import numpy as np

from labkit.figures.names import DOT, in_points, markers, size_of
from labkit.figures.slices import Slice

ABOVE = 5.5                 # over pours and over what is forbidden, under names
STEP = 3.0                  # between places along a line at which its value may stand [points]
ENOUGH = 6.0                # white about a value beyond which more is no better [points]
LONG = 12.0                 # widths of its value: a further piece of a line as long as this has it too
BOX = {"boxstyle": "round,pad=0.05", "facecolor": "white", "edgecolor": "none", "alpha": 0.8}


def label_lines(ax, slice_: Slice, drawn: Sequence, *, size: int = 8) -> bool:
    """The value on each line (contour sets; None is passed over), once pours stand and the axes are settled.

    A line has its value where it is to be seen: it runs on for a little under what is forbidden. Returns whether any
    has one.
    """
    taken, seen, any_seen = _taken(ax, slice_), _sight(slice_), False
    for lines in filter(None, drawn):
        places = []
        for level, path in zip(lines.levels, lines.get_paths(), strict=True):
            half = size_of(f"{level:g}", size)[0] / 2
            pieces = [_along(ax, piece) for piece in path.to_polygons(closed_only=False)]
            pieces = [tuple(part[inside] for part in piece) for piece in pieces if (inside := seen(piece[0])).any()]
            pieces.sort(key=lambda piece: -len(piece[1]))
            pieces = [piece for k, piece in enumerate(pieces) if not k or len(piece[1]) * STEP > 2 * LONG * half]
            for data, at in pieces:
                k = _freest(at, float(half), ax, taken)
                places.append(data[k])
                taken = np.vstack([taken, np.r_[at[k], half]])
        texts = lines.axes.clabel(lines, fmt=lambda value: f"{value:g}", fontsize=size, zorder=ABOVE, manual=places)
        for text in texts:
            text.set_bbox(BOX)
        any_seen = any_seen or bool(places)
    return any_seen


def _sight(slice_: Slice):
    """Whether places (k, 2) of the paper are allowed, between the points of a slice too: (k,)."""
    if slice_.allowed.all():
        return lambda places: np.full(len(places), True)
    from scipy.interpolate import LinearNDInterpolator

    at = np.column_stack([slice_.x.ravel(), slice_.y.ravel()])
    over = LinearNDInterpolator(at, slice_.over.reshape(len(at), -1), rescale=True)
    return lambda places: (over(places) <= 0).all(axis=1)


def label_values(ax, slice_: Slice, drawn: Sequence, values: np.ndarray, *, size: int = 8) -> None:
    """The values on the lines; where there is not one line, in words the value that all of the picture has."""
    if not label_lines(ax, slice_, drawn, size=size):
        mean = float(slice_.shaped(values)[slice_.allowed].mean())
        _label_plain(ax, slice_, f"about {float(f'{mean:.2g}'):g} everywhere", size=size)


def _label_plain(ax, slice_: Slice, text: str, *, size: int) -> None:
    """Words where there is the most room for them."""
    inside = slice_.allowed.ravel()
    data = np.column_stack([slice_.x.ravel(), slice_.y.ravel()])[inside]
    half = np.array(size_of(text, size)) / 2
    k = _freest(in_points(ax, data), half, ax, _taken(ax, slice_))
    ax.text(*data[k], text, fontsize=size, zorder=ABOVE, ha="center", va="center", bbox=BOX)


def _taken(ax, slice_: Slice) -> np.ndarray:
    """Middle and radius of what is to be left free: pours and the formula given, what is forbidden (k, 3) [points]."""
    dots = [np.column_stack([at, np.full(len(at), DOT)]) for at in markers(ax)]
    outside = ~slice_.allowed
    forbidden = in_points(ax, np.column_stack([slice_.x[outside], slice_.y[outside]]))
    return np.vstack([*dots, np.column_stack([forbidden, np.zeros(len(forbidden))]), np.zeros((0, 3))])


def _along(ax, piece: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places along a line STEP apart, in its own units and in points."""
    at = in_points(ax, piece)
    way = np.r_[0.0, np.cumsum(np.hypot(*np.diff(at, axis=0).T))]
    stops = np.linspace(0, way[-1], max(int(way[-1] / STEP), 2) + 1)
    return tuple(np.column_stack([np.interp(stops, way, column) for column in where.T]) for where in (piece, at))


def _freest(at: np.ndarray, half: np.ndarray | float, ax, taken: np.ndarray) -> int:
    """The place with the most white about it; of those with enough the one nearest to the middle of the places.

    half : of the width and of the height of the words; one number where they may lie at any angle.
    """
    low, high = (ax.bbox.extents * 72 / ax.figure.dpi).reshape(2, 2)
    white = np.minimum(at - low - half, high - at - half).min(axis=1)
    if len(taken):
        apart = np.abs(at[:, None] - taken[None, :, :2])
        gap = np.hypot(*apart.transpose(2, 0, 1)) - half if np.isscalar(half) else np.hypot(
            *(apart - half).clip(min=0).transpose(2, 0, 1))
        white = np.minimum(white, (gap - taken[:, 2]).min(axis=1))
    middle = np.hypot(*(at - at.mean(axis=0)).T)
    return int(np.argmax(np.minimum(white, ENOUGH) - middle / (middle.max() or 1.0) / 2))

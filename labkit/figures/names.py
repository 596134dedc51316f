"""Names beside points: each hides neither a point nor another name; a line leads to its point where it is far."""

import numpy as np
import pandas as pd

NAME_SIZE, DOT = 8, 4.0     # of names, and half a dot [points]
PAD = 1.0                   # of the white about a line of words [points]
BESIDE = ((1, 1), (1, -1), (-1, 1), (-1, -1), (1, 0), (-1, 0), (0, 1), (0, -1))     # the first that is free is taken
NEAR, AWAY = 5.0, (12.0, 20.0, 30.0, 42.0, 56.0, 72.0)      # white between a dot and its name [points]
AROUND = 16                 # directions in which a name may stand away
SWEEPS = 6
HIDES_NAME, HIDES_DOT, HIDES_VALUE, CROSSES, LEAVES, FAR = 20.0, 4.0, 1.0, 40.0, 50.0, 0.8
MISTAKEN, CLOSE = 5.0, 8.0  # what another dot that is as near to a name costs, and how near that is [points]
LEADER = {"arrowstyle": "-", "color": "0.25", "linewidth": 0.6, "shrinkA": 0, "shrinkB": DOT}


def label_points(ax, across: pd.Series, up: pd.Series) -> None:
    """The last thing to be drawn: a name beside each point; points that coincide share one.

    Places are sought on the paper, so that sizes, titles and words on the axes have to stand before.
    """
    settle(ax)
    at = in_points(ax, np.column_stack([across, up]).astype(float))
    groups = _coinciding(at)
    words = [", ".join(str(across.index[k]) for k in group) for group in groups]
    anchors = at[[group[0] for group in groups]]
    sizes = np.array([size_of(text) for text in words]).reshape(-1, 2)
    dots = np.unique(np.vstack([at, *markers(ax)]).round(3), axis=0)
    found = _offsets(anchors, sizes, np.hstack([dots - DOT, dots + DOT]), _values(ax), _room(ax))
    for group, text, (dx, dy, away) in zip(groups, words, found, strict=True):
        ax.annotate(text, (across.iloc[group[0]], up.iloc[group[0]]), xytext=(dx, dy), textcoords="offset points",
                    ha="center", va="center", fontsize=NAME_SIZE, zorder=6, arrowprops=LEADER if away else None,
                    bbox={"boxstyle": "round,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.75})


def settle(ax) -> None:
    """The axes take the place that they will have on the paper."""
    figure = ax.get_figure(root=True)
    if figure.get_layout_engine() is not None:
        figure.get_layout_engine().execute(figure)
    ax.apply_aspect()


def _coinciding(at: np.ndarray) -> list[list[int]]:
    """Rows of points that lie within half a dot of the first of their group."""
    groups: list[list[int]] = []
    for k in range(len(at)):
        near = next((g for g in groups if np.hypot(*(at[g[0]] - at[k])) < DOT), None)
        groups.append([k]) if near is None else near.append(k)
    return groups


def size_of(text: str, size: float = NAME_SIZE) -> tuple[float, float]:
    """Width and height of words with the white about them [points]."""
    from matplotlib.textpath import TextPath

    return TextPath((0, 0), text, size=size).vertices[:, 0].max() + 2 * PAD, 1.2 * size + 2 * PAD


def markers(ax) -> list[np.ndarray]:
    """Places of all dots, crosses and diamonds [points]."""
    marks = [line for line in ax.lines if line.get_linestyle() == "None"]
    return [line.get_transform().transform(line.get_xydata()) * 72 / ax.figure.dpi for line in marks]


def _values(ax) -> np.ndarray:
    """left, bottom, right, top of the words that stand already, such as values on lines (k, 4) [points]."""
    return np.array([text.get_window_extent().extents for text in ax.texts]).reshape(-1, 4) * 72 / ax.figure.dpi


def _room(ax) -> np.ndarray:
    return ax.bbox.extents * 72 / ax.figure.dpi


def in_points(ax, places: np.ndarray) -> np.ndarray:
    return ax.transData.transform(places) * 72 / ax.figure.dpi


def _candidates() -> tuple[np.ndarray, np.ndarray]:
    """Directions (m, 2) and white between dot and name across and up (m, 2); the best first."""
    turns = 2 * np.pi * np.arange(AROUND) / AROUND
    ways = [np.array(BESIDE, dtype=float)] + [np.column_stack([np.cos(turns), np.sin(turns)])] * len(AWAY)
    white = [np.where(np.abs(ways[0]).sum(axis=1, keepdims=True) > 1, [NEAR, NEAR / 2], [NEAR, NEAR])]
    white += [np.full((AROUND, 2), distance) for distance in AWAY]
    return np.vstack(ways), np.vstack(white)


def _offsets(anchors: np.ndarray, sizes: np.ndarray, dots: np.ndarray, values: np.ndarray,
             room: np.ndarray) -> np.ndarray:
    """dx, dy of the middle of each name from its point, and whether it stands away (n, 3).

    Each name in turn takes the place where it costs least beside the others as they stand, until none moves.
    """
    ways, white = _candidates()
    moves = ways[None] * (sizes[:, None] / 2 + white[None])
    middle = anchors[:, None] + moves
    boxes = np.concatenate([middle - sizes[:, None] / 2, middle + sizes[:, None] / 2], axis=2)
    ways_there = _lines(anchors, middle)
    alone = [_cost_alone(box, lines, dots, values, room) for box, lines in zip(boxes, ways_there, strict=True)]
    chosen = np.full(len(anchors), -1)
    for _ in range(SWEEPS):
        before = chosen.copy()
        for k in range(len(anchors)):
            others = np.flatnonzero((chosen >= 0) & (np.arange(len(anchors)) != k))
            beside = boxes[others, chosen[others]]
            cost = alone[k] + HIDES_NAME * _overlap(boxes[k], beside) + CROSSES * _crossed(ways_there[k], beside)
            chosen[k] = np.argmin(cost)
        if (chosen == before).all():
            break
    rows = np.arange(len(anchors))
    return np.column_stack([moves[rows, chosen], chosen >= len(BESIDE)])


def _lines(anchors: np.ndarray, middle: np.ndarray) -> np.ndarray:
    """Points along the way from each point to each place of its name (n, m, 9, 2)."""
    part = np.linspace(0.2, 0.9, 9)[:, None]
    return anchors[:, None, None] * (1 - part) + middle[:, :, None] * part


def _cost_alone(boxes: np.ndarray, lines: np.ndarray, dots: np.ndarray, values: np.ndarray,
                room: np.ndarray) -> np.ndarray:
    """What each place costs by what it hides, crosses and leaves, and by how far it is (m,)."""
    beyond = np.hstack([room[:2] - boxes[:, :2], boxes[:, 2:] - room[2:]]).clip(min=0).sum(axis=1)
    far = np.r_[0.1 * np.arange(len(BESIDE)), FAR * np.repeat(AWAY, AROUND)]
    away = np.arange(len(boxes)) >= len(BESIDE)
    return (HIDES_DOT * _overlap(boxes, dots) + HIDES_VALUE * _overlap(boxes, values) + LEAVES * beyond + far
            + CROSSES * away * _crossed(lines, dots) + MISTAKEN * _close(boxes, dots))


def _overlap(boxes: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Area that each box shares with others [square points] (m,)."""
    low, high = np.maximum(boxes[:, None, :2], others[None, :, :2]), np.minimum(boxes[:, None, 2:], others[None, :, 2:])
    return (high - low).clip(min=0).prod(axis=2).sum(axis=1)


def _close(boxes: np.ndarray, dots: np.ndarray) -> np.ndarray:
    """How many dots have their middle close to each box (m,)."""
    middle = (dots[:, :2] + dots[:, 2:]) / 2
    gap = np.maximum(boxes[:, None, :2] - middle, middle - boxes[:, None, 2:]).clip(min=0)
    return (np.hypot(gap[..., 0], gap[..., 1]) < CLOSE).sum(axis=1)


def _crossed(lines: np.ndarray, boxes: np.ndarray) -> np.ndarray:
    """How many of the boxes the points of each line enter (m,)."""
    x, y = lines[:, :, None, 0], lines[:, :, None, 1]
    left, bottom, right, top = boxes.T
    return ((x > left) & (x < right) & (y > bottom) & (y < top)).any(axis=1).sum(axis=1)

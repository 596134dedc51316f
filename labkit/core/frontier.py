"""What cannot be bettered in one thing without losing in another, and what a unit of the one costs of the other."""

import numpy as np


def best_attainable(first, second):
    """Places of the points that no other betters in both: less is better in `first` and `second`, both (m,).

    Sorted by `first`; `second` falls strictly. The Pareto set of two criteria (Miettinen 1999, Nonlinear
    Multiobjective Optimization, definition 2.2.1); of points alike in `first` the lowest stands.
    """
    order = np.lexsort((second, first))
    lowest = np.minimum.accumulate(second[order])
    return order[np.r_[True, second[order][1:] < lowest[:-1]]]


def along(frontier, first, count):
    """At most `count` places of a frontier, as evenly spaced in `first` as they come, both ends among them."""
    values = first[frontier]
    wanted = np.linspace(values[0], values[-1], count)
    return frontier[np.unique(np.abs(values[None, :] - wanted[:, None]).argmin(axis=1))]


def slopes(first, second):
    """Slope of `second` on `first` by least squares, row by row: (n, k) and (n, k) -> (n,); nan where nothing moves."""
    off = first - first.mean(axis=1, keepdims=True)
    squares = (off**2).sum(axis=1)
    moves = squares > 1e-24 * (first**2).sum(axis=1)            # less is rounding, whatever the unit
    return np.divide((off * second).sum(axis=1), squares, out=np.full(len(squares), np.nan), where=moves)

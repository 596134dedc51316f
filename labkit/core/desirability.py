"""How desirable a value is, from 0 (useless) to 1 (all one could want), and several values together.

Source: Derringer & Suich (1980), Journal of Quality Technology 12:214-219.
"""

import numpy as np


def rising(values, low, high, weight=1.0):
    """d = ((y - low) / (high - low))^weight, 0 below low and 1 above high.

    values : array of any shape; low < high : float; weight : float > 0 (above 1: only the upper end is worth
    much). Returns an array of the same shape. Derringer & Suich (1980), one-sided transformation.
    """
    return np.clip((np.asarray(values, dtype=float) - low) / (high - low), 0.0, 1.0) ** weight


def falling(values, low, high, weight=1.0):
    """d = ((high - y) / (high - low))^weight, 1 below low and 0 above high: `rising` seen in a mirror."""
    return rising(-np.asarray(values, dtype=float), -high, -low, weight)


def peak(values, low, target, high, weight_below=1.0, weight_above=1.0):
    """d rises from 0 at low to 1 at target and falls back to 0 at high.

    values : array; low <= target <= high : float; a target on one of the ends makes that side a wall.
    Returns an array of the same shape. Derringer & Suich (1980), two-sided transformation.
    """
    values = np.asarray(values, dtype=float)
    below = rising(values, low, target, weight_below) if target > low else 1.0 * (values >= low)
    above = falling(values, target, high, weight_above) if high > target else 1.0 * (values <= high)
    return np.minimum(below, above)


def overall(each, importance=None):
    """D = (prod_i d_i^r_i)^(1 / sum_i r_i), the weighted geometric mean: one useless attribute spoils the whole.

    each : sequence of k arrays of the same shape, values 0..1; importance : k numbers > 0 (default: all 1).
    Returns an array of that shape. Derringer & Suich (1980); weights: Derringer (1994), Quality Progress 27(6):51-58.
    """
    importance = np.ones(len(each)) if importance is None else np.asarray(importance, dtype=float)
    shares = importance / importance.sum()
    if np.all(shares == shares[0]):
        return np.prod(np.stack(each), axis=0) ** shares[0]
    return np.prod([value**share for value, share in zip(each, shares, strict=True)], axis=0)

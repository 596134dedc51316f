"""How desirable a value is, from 0 (useless) to 1 (all one could want), and several values together.

Source: Derringer & Suich (1980), Journal of Quality Technology 12:214-219.
"""

import numpy as np


def rising(values, low, high, weight=1.0):
    """d = ((y - low) / (high - low))^weight, 0 below low and 1 above high.

    values : array of any shape; low < high : float; weight : float > 0 (above 1: only the upper end is worth
    much). Returns an array of the same shape, in single precision where the values are. Derringer & Suich (1980),
    one-sided transformation.
    """
    return _between(_numbers(values) - float(low), high - low, weight)


def falling(values, low, high, weight=1.0):
    """d = ((high - y) / (high - low))^weight, 1 below low and 0 above high: `rising` seen in a mirror."""
    return _between(float(high) - _numbers(values), high - low, weight)


def _numbers(values):
    """An array of floats, of the precision that they have."""
    values = np.asarray(values)
    return values if values.dtype.kind == "f" else values.astype(float)


def _between(risen, width, weight):
    """(risen / width)^weight, kept within 0..1; in place, as simulations ask for millions."""
    part = np.asarray(risen)
    part /= float(width)
    return (_cut(part) if weight == 1 else _cut(part) ** weight)[()]


def _cut(part):
    """What is below 0 or above 1 is the end, in place."""
    return np.clip(part, 0.0, 1.0, out=part)


def peak(values, low, target, high, weight_below=1.0, weight_above=1.0):
    """d rises from 0 at low to 1 at target and falls back to 0 at high.

    values : array; low <= target <= high : float; a target on one of the ends makes that side a wall.
    Returns an array of the same shape. Derringer & Suich (1980), two-sided transformation.
    """
    values = _numbers(values)
    if low < target < high and weight_below == weight_above == 1:       # what lies outside is cut once
        below, above = np.asarray(values - float(low)), np.asarray(float(high) - values)
        below /= float(target - low)
        above /= float(high - target)
        return _cut(np.minimum(below, above, out=below))[()]
    below = rising(values, low, target, weight_below) if target > low else (values >= low) + 0.0 * values
    above = falling(values, target, high, weight_above) if high > target else (values <= high) + 0.0 * values
    return np.minimum(below, above, out=below if below.ndim else None)[()]


def overall(each, importance=None):
    """D = (prod_i d_i^r_i)^(1 / sum_i r_i), the weighted geometric mean: one useless attribute spoils the whole.

    each : sequence of k arrays of the same shape, values 0..1; importance : k numbers > 0 (default: all 1).
    Returns an array of that shape. Derringer & Suich (1980); weights: Derringer (1994), Quality Progress 27(6):51-58.
    """
    importance = np.ones(len(each)) if importance is None else np.asarray(importance, dtype=float)
    shares = importance / importance.sum()
    if np.all(shares == shares[0]):
        return _root(_product(each), len(each))
    return _weighted(each, shares.tolist())


def _root(values, k):
    """values^(1/k); square roots are several times as fast as a power."""
    if k == 1:
        return values
    return np.sqrt(_root(values, k // 2)) if k % 2 == 0 else values ** (1 / k)


def _weighted(each, shares):
    """prod_i d_i^share_i = exp(sum_i share_i log d_i): a logarithm is several times as fast as a power."""
    with np.errstate(divide="ignore"):                             # log 0 = -inf, and exp(-inf) = 0
        logs = [share * np.log(value) for value, share in zip(each, shares, strict=True)]
    return np.exp(np.add.reduce(logs))


def _product(each):
    found = _numbers(each[0]).copy()
    for value in each[1:]:
        found *= value
    return found[()]

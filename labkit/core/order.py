"""The order of work: what is hard to change stays together, everything else is drawn by lot."""

import numpy as np


def melt_order(melts, *, seed=0) -> np.ndarray:
    """Places of the pours (n,) in the order of pouring: melts in random order, pours at random within their melt.

    Randomisation at both levels of a split plot (Box, Hunter & Hunter, Statistics for Experimenters, ch. 9): what
    drifts over an evening is spread over the formulas instead of taking their part.
    """
    melts, rng = np.asarray(melts), np.random.default_rng(seed)
    in_order = rng.permutation(np.unique(melts))
    return np.concatenate([rng.permutation(np.flatnonzero(melts == melt)) for melt in in_order])

"""Truths and worlds that the tests of rehearsals share."""

import numpy as np
import pandas as pd

import labkit

QUIET = {"sd_round": 0.0, "sd_melt": 0.0, "sd_pour": 0.0, "sd_tester_pour": 0.0}
NAMES = ["payoff", "hardness", "sheerness", "shade"]


def truth(points):
    """Smooth and saturating; overall desirability is 1 where wax is .16, load .05 and red_share .5."""
    wax, load, red = (points[c].to_numpy(float) for c in ("wax", "load", "red_share"))
    return pd.DataFrame({"payoff": 10 / (1 + np.exp(-(load - 0.05) / 0.02 - 1.5)),
                         "hardness": 10 / (1 + np.exp(-(wax - 0.16) / 0.03 - np.log(1.5))),
                         "sheerness": 10 * np.exp(-load * np.log(2) / 0.05),
                         "shade": 10 * np.exp(-(((red - 0.5) / 0.3) ** 2))}, index=points.index)


def quiet(**more):
    return labkit.World(truth=truth, **{**QUIET, **more})


def mild(**more):
    """No noise, and scores that stay off the ends of the scale."""
    return labkit.World(truth=lambda points: 5 + 0.4 * (truth(points) - 5), step=0.0, **{**QUIET, **more})


def pour_means(played):
    return played.scores.pivot_table(index="pour", columns="attribute", values="score")[NAMES]

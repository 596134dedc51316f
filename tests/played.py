"""An invented blend played against an invented truth, round by round, as the kit suggests."""
import numpy as np
import pandas as pd
from definitions import HAZEL

import labkit
from labkit.rehearsal import play_round

SEED = 1


def hazel_truth(points):
    """Wax and butter stiffen the pot along an S; the oil softens it by what they leave."""
    wax, butter = points["base: sunflower wax"].to_numpy(), points["base: cocoa butter"].to_numpy()
    return pd.DataFrame({"hardness": 10 / (1 + np.exp(-(wax - 0.10) / 0.03 - (butter - 0.25) / 0.15))}, index=points.index)


def hazel_rounds(rounds, *, failed=(), text=HAZEL):
    """The trial after each round of four pours."""
    world = labkit.World(truth=hazel_truth, sd_round=0.25, sd_melt=0.25, sd_pour=0.3, sd_tester_pour=0.7)
    trial, after = labkit.Trial.from_toml(text), []
    for _ in range(rounds):
        round_ = labkit.suggest_next(trial, pours=4, melts=4, seed=SEED).round
        what = {pour: "failed: did not set" for pour in failed if pour in round_.pours}
        trial = play_round(trial, round_, world, testers=6, seed=SEED, failed=what).onto(trial, round_)
        after.append(trial)
    return after

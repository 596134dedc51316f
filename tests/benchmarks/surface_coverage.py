"""Do the surfaces know what they do not know? Coverage of 90 % intervals for the mean, on invented worlds.

    python tests/benchmarks/surface_coverage.py [worlds] [rounds] [first seed]

Rounds of 4 pours in 2 melts, each planned for the least average variance given the earlier ones (which costs most of
the time), in the worlds of rehearse_worlds.py: smooth, not polynomial, about a third with one false expected direction.
After each round, by attribute and over 100 formulas of the region: root mean square error of the predicted mean, the
part of the truths that its 90 % interval covers, and the mean interval score (Gneiting & Raftery 2007: width
+ 20 x distance of the truths outside), in scale units; last, how long a fit took, panel included.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time

import numpy as np
import pandas as pd
from rehearse_worlds import trial_without, world_of

from labkit import appraise_panel, fit_surfaces, plan_round
from labkit.rehearsal import play_round


def judged(surfaces: dict, asked: pd.DataFrame, true: pd.DataFrame) -> dict[str, list[float]]:
    """attribute -> [coverage, mean interval score, root mean square error] of 90 % intervals for the mean."""
    found = {}
    for name, surface in surfaces.items():
        told, value = surface.predict(asked), true[name].to_numpy()
        outside = np.maximum(told["low"] - value, 0) + np.maximum(value - told["high"], 0)
        score = told["high"] - told["low"] + 20 * outside
        found[name] = [float((outside <= 1e-9).mean()), float(score.mean()),
                       float(np.sqrt(np.mean((told["mean"] - value) ** 2)))]
    return found


def developed(trial, seed: int, rounds: int, asked):
    """One development: a row (attribute, round) -> coverage, score, error; and the seconds of each fit."""
    (world, testers), rows, seconds = world_of(seed), {}, []
    true = world.truth_at(asked, list(trial.attributes))
    for k in range(1, rounds + 1):
        round_ = plan_round(trial, pours=4, melts=2, seed=seed)
        trial = play_round(trial, round_, world, testers, seed).onto(trial, round_)
        started = time.perf_counter()
        surfaces = fit_surfaces(trial, appraise_panel(trial))
        seconds.append(time.perf_counter() - started)
        rows |= {(name, k): row for name, row in judged(surfaces, asked, true).items()}
    return rows, seconds


def main(worlds: int = 20, rounds: int = 6, first: int = 1) -> None:
    trial = trial_without(expect=True)
    asked, found, seconds = trial.region.sample(100, seed=999), {}, []
    for seed in range(first, first + worlds):
        rows, took = developed(trial, seed, rounds, asked)
        seconds.append(took)
        for key, row in rows.items():
            found.setdefault(key, []).append(row)
    for name in [*trial.attributes, "all"]:
        print(name)
        for k in range(1, rounds + 1):
            own = [row for (a, r), rows in found.items() if r == k and name in (a, "all") for row in rows]
            covered, score, error = np.mean(own, axis=0)
            print(f"  round {k}: error {error:5.2f}  covered {100 * covered:3.0f} %  interval score {score:5.2f}")
    print("seconds a fit, panel included, by round:", np.round(np.mean(seconds, axis=0), 3))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:4]))

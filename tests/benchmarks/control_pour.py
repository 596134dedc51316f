"""Is a control pour from the second round on worth its place? Planned rounds with and without one, in the same worlds.

    python tests/benchmarks/control_pour.py [worlds] [rounds] [first seed] [times the round-to-round scatter]

prints, after the second and later rounds of 4 planned pours in 2 melts, the mean ratio (as in rehearse_worlds.py) at the
formula that the kit would settle on, without a control and with the best pour of the first round made again in each
round; and the mean of the paired differences with its standard error.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
from dataclasses import replace

import numpy as np
from rehearse_worlds import WORTH_REHEARSING, reached, trial_without, world_of

from labkit import plan_round, suggest_next
from labkit.rehearsal import best_possible, play_round
from labkit.tweaks import desirability_of


def best_pour(trial) -> str:
    means = trial.standing_scores.pivot_table(index="pour", columns="attribute", values="score")
    return means.index[int(np.argmax(desirability_of(trial.attributes, means)))]


def ratios(trial, world, testers: int, rounds: int, seed: int, *, controlled: bool) -> list[float]:
    """What it would settle on after each round from the second, as a part of the best possible desirability."""
    best, found, control = best_possible(trial, world, points=2048), [], None
    for k in range(rounds):
        round_ = plan_round(trial, pours=4, melts=2, seed=seed + k, control=control)
        trial = play_round(trial, round_, world, testers, seed).onto(trial, round_)
        control = control or (best_pour(trial) if controlled else None)
        control = control if control is None or trial.made.at[control, "inside"] else None
        if k:
            settled = suggest_next(trial, pours=4, melts=2, seed=seed).best[list(trial.recipe.coordinates)]
            found.append(reached(trial, world, settled) / best)
    return found


def main(worlds: int = 40, rounds: int = 3, first: int = 1, times: int = 1) -> None:
    trial, started, results, seed = trial_without(expect=True), time.perf_counter(), [], first
    while len(results) < worlds:
        world, testers = world_of(seed)
        world = replace(world, sd_round=world.sd_round * times)
        if WORTH_REHEARSING[0] <= best_possible(trial, world, points=2048) <= WORTH_REHEARSING[1]:
            results.append([ratios(trial, world, testers, rounds, seed, controlled=way) for way in (False, True)])
        seed += 1
    table = np.array(results)
    gain = table[:, 1] - table[:, 0]
    print("without a control", np.round(table[:, 0].mean(axis=0), 3))
    print("with a control   ", np.round(table[:, 1].mean(axis=0), 3))
    print("difference       ", np.round(gain.mean(axis=0), 3), "+-", np.round(gain.std(axis=0) / np.sqrt(worlds), 3))
    print(f"{worlds} worlds (seeds {first} to {seed - 1}), {time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:5]))

"""Is it worth learning from failed pours? The kit as it is, and one that only leaves failed pours out, in the same worlds.

    python tests/benchmarks/failing_worlds.py [worlds] [rounds] [first seed]

prints by round, for both: the mean share of the round's pours that failed, and the median and lower decile of the ratio
(desirability times the chance of holding where it settles, over the best possible of that product); then, for the kit,
the mean chance of holding that it foretold there beside the true one. Truths and panels are those of rehearse_worlds.py;
in each world pours fail beyond a threshold in one factor or across two, which lies so that a fifth to a half of the
region fails. Worlds where the starting formula is more likely to fail than to hold are passed over: somebody pours it.
The last lines are the paired gains in all of them and in those where the formula that would score best is likely to fail.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
from dataclasses import replace
from unittest import mock

import numpy as np
import pandas as pd
from rehearse_worlds import WORTH_REHEARSING, trial_without, world_of

from labkit.rehearsal import best_possible, rehearse_many
from labkit.tweaks import desirability_of
from labkit.tweaks.outlook import Outlook


def failing_of(trial, seed: int):
    """coordinates -> chance of failing: .02, and up to .97 beyond a threshold, more or less sharp."""
    rng = np.random.default_rng([seed, 79])
    coded = trial.region.coded
    aim = rng.normal(size=len(trial.recipe.coordinates)) * (rng.permutation(len(trial.recipe.coordinates)) < rng.integers(1, 3))
    aim /= np.linalg.norm(aim)
    share, sharp = rng.uniform(0.2, 0.5), rng.uniform(0.05, 0.3)
    cut = np.quantile(coded(trial.region.sample(1000, seed=seed)) @ aim, 1 - share)
    return lambda points: 0.02 + 0.95 / (1 + np.exp(-(coded(points) @ aim - cut) / sharp))


def worlds_worth_it(trial, count: int, first: int) -> dict:
    found, seed = {}, first
    while len(found) < count:
        world, testers = world_of(seed)
        world = replace(world, fails=failing_of(trial, seed))
        start = world.holds_at(trial.recipe.starting_factors[list(trial.recipe.coordinates)])[0]
        if start > 0.5 and WORTH_REHEARSING[0] <= best_possible(trial, world, points=2048) <= WORTH_REHEARSING[1]:
            found[seed] = world, testers
        seed += 1
    return found


def tempting(trial, world) -> bool:
    """Whether the formula that would score best is likely to fail."""
    sample = trial.region.sample(4000, seed=1)[list(trial.recipe.coordinates)]
    desired = desirability_of(trial.attributes, world.truth_at(sample, list(trial.attributes)))
    return world.holds_at(sample.iloc[[int(np.argmax(desired))]])[0] < 0.5


def played(trial, worlds: dict, rounds: int) -> pd.DataFrame:
    frames = [rehearse_many(trial, world, seeds=[seed], rounds=rounds, testers=testers, workers=1).to_frame()
              for seed, (world, testers) in worlds.items()]
    table = pd.concat(frames, ignore_index=True)
    return table.assign(lost=table.groupby("seed")["failed"].diff().fillna(table["failed"]) / 4)


def deaf(_cls, trial, surfaces, seed=0, n=256) -> Outlook:
    return Outlook(attributes=trial.attributes, surfaces=surfaces, seed=seed, n=n)


def main(worlds: int = 20, rounds: int = 4, first: int = 1) -> None:
    started, trial = time.perf_counter(), trial_without(expect=True)
    chosen = worlds_worth_it(trial, worlds, first)
    tables = {"learning": played(trial, chosen, rounds)}
    with mock.patch.object(Outlook, "of", classmethod(deaf)):
        tables["leaving out"] = played(trial, chosen, rounds)
    for way, table in tables.items():
        by = table.groupby("evening")
        print(f"{way:12s} failed {by['lost'].mean().round(3).tolist()}  ratio median {by['ratio'].median().round(3).tolist()}  "
              f"lower decile {by['ratio'].quantile(0.1).round(3).tolist()}  holds {by['holds'].mean().round(3).tolist()}")
    print(f"predicted to hold {tables['learning'].groupby('evening')['predicted to hold'].mean().round(3).tolist()}, true "
          f"{tables['learning'].dropna().groupby('evening')['holds'].mean().round(3).tolist()}")
    pair = [table.pivot(index="seed", columns="evening", values="ratio") for table in tables.values()]
    gain = pair[0] - pair[1]
    some = [seed for seed, (world, _) in chosen.items() if tempting(trial, world)]
    for where, part in (("all", gain), (f"the {len(some)} where the best fails", gain.loc[some])):
        print(f"gain in {where}: {part.mean().round(3).tolist()} +- {part.sem().round(3).tolist()}")
    print(f"{worlds} worlds (seeds {first} to {max(chosen)}), {time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:4]))

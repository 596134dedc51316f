"""When does the kit say stop? Doubled noise, and developments that start next to the best formula.

    python tests/benchmarks/stopping.py [factors] [worlds] [first seed] [processes]

The worlds of compare_ways.py, with expected directions; rounds of 4 pours in 2 melts until "stop" is said, eight at most.

usual      the world as invented
doubled    every standard deviation of bench and panel twice as large, and [noise] says so
untold     the same, but [noise] states the usual one
settled    the starting formula lies within .02 of the best possible desirability

Printed: pours made when stop was said (mean), the mean ratio at the formula settled on then, the share under .75, and the
share that stopped by the second round.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import dataclasses
import multiprocessing
import re
import sys

import numpy as np
from rehearse_worlds import reached
from worlds import development_of

from labkit import Trial, plan_round, suggest_next
from labkit.definition import NOISE
from labkit.rehearsal import play_round
from labkit.tweaks import desirability_of, highest

LONGEST, POURS, MELTS = 8, 4, 2
CASES = ("usual", "doubled", "untold", "settled")
NEAR = 0.02


def developed(trial: Trial, world, made) -> tuple[int, float]:
    """(rounds made when stop was said, ratio at the formula settled on then)."""
    round_, names = plan_round(trial, pours=POURS, melts=MELTS, seed=made.seed), list(trial.recipe.coordinates)
    for k in range(LONGEST):
        trial = play_round(trial, round_, world, made.testers, made.seed).onto(trial, round_)
        tweak = suggest_next(trial, pours=POURS, melts=MELTS, seed=made.seed + k + 1)
        if tweak.stop:
            break
        round_ = tweak.round
    return k + 1, reached(trial, world, tweak.best[names]) / made.best


def louder(world):
    """The same truth with twice the noise."""
    names = ("sd_round", "sd_melt", "sd_pour", "sd_tester_pour")
    return dataclasses.replace(world, **{name: 2 * getattr(world, name) for name in names})


def stated_louder(text: str) -> str:
    """A trial.toml that states twice the usual noise, on scales of ten points."""
    return text + "\n[noise]\n" + "\n".join(f"{source} = {20 * part:g}" for source, part in NOISE.items())


def settled_start(text: str, made) -> str | None:
    """A trial.toml whose starting formula is nearly the best; None where settings in the middle keep it from that."""
    trial = Trial.from_toml(text)
    names, recipe = list(trial.attributes), trial.recipe
    hold = recipe.starting_factors[list(recipe.settings)].iloc[0].to_dict()
    points, _ = highest(trial.region, lambda frame: desirability_of(trial.attributes, made.world.truth_at(frame, names)),
                        trial.region.sample(2048, seed=0).assign(**hold), seed=0, generations=12, hold=hold)
    for name, share in trial.formula_at(points.iloc[[0]]).iloc[0].items():
        text = re.sub(rf'^"{name}" = [\d.]+', f'"{name}" = {100 * share:.2f}', text, flags=re.M)
    start = Trial.from_toml(text)
    return text if made.best - reached(start, made.world, start.recipe.starting_factors) <= NEAR else None


def played(task) -> dict | None:
    seed, factors = task
    made = development_of(seed, factors)
    if made is None:
        return None
    text, found = made.text, {}
    texts = {"usual": text, "doubled": stated_louder(text), "untold": text, "settled": settled_start(text, made)}
    for case in CASES:
        if texts[case] is not None:
            world = louder(made.world) if case in ("doubled", "untold") else made.world
            found[case] = developed(Trial.from_toml(texts[case]), world, made)
    return found


def main(factors: int = 4, worlds: int = 20, first: int = 1, processes: int = 1) -> None:
    results = []
    with multiprocessing.get_context("fork").Pool(processes) as pool:
        for found in pool.imap(played, ((seed, factors) for seed in range(first, first + 40 * worlds))):
            results += [found] if found else []
            if len(results) == worlds:
                pool.terminate()
                break
    for case in CASES:
        rounds, ratios = np.array([r[case] for r in results if case in r]).reshape(-1, 2).T
        print(f"{case:8s} {len(rounds)} worlds: pours {POURS * rounds.mean():.1f}, ratio {ratios.mean():.3f}, under .75 "
              f"{(ratios < 0.75).mean():.2f}, stopped by the second round {(rounds <= 2).mean():.2f} "
              f"{np.bincount(rounds.astype(int), minlength=LONGEST + 1)[1:]}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:5]))

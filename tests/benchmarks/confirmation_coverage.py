"""How often do confirmation pours come out where they were expected, and how often does what was settled on miss?

    python tests/benchmarks/confirmation_coverage.py [worlds] [first seed]

Invented developments (`rehearse_worlds`) after one, two or three rounds; the formula settled on is poured as
`plan_confirmation` says, in the same world, and scored by its panel. Wanted: nine in ten within the 90 % interval, for
each attribute. Beside it the chances of a miss as foretold, and how often it was one.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time

import numpy as np
from efforts_by_force import trial_after
from rehearse_worlds import world_of

from labkit.rehearsal import play_round
from labkit.tweaks import plan_confirmation
from labkit.tweaks.confirmed import _results
from labkit.tweaks.outlook import wanted_part


def confirmed(trial, world, testers: int, seed: int) -> list[dict]:
    """A row an attribute."""
    plan = plan_confirmation(trial, seed=seed)
    after = play_round(trial, plan.round, world, testers, seed + 1000).onto(trial, plan.round)
    names = list(trial.attributes)
    results = _results(after, list(plan.round.pours), names)
    truth = world.truth_at(plan.round.frame[list(trial.recipe.coordinates)].iloc[[0]], names).iloc[0]
    misses = plan.misses.set_index("attribute")
    rows = []
    for row in plan.expected.itertuples():
        d = float(wanted_part(trial.attributes[row.attribute].wanted, np.array(truth[row.attribute])))
        rows.append({"attribute": row.attribute, "inside": row.low <= results[row.attribute] <= row.high,
                     "wide": row.high - row.low, "off": (results[row.attribute] - row.mean) / (row.high - row.low) * 3.29,
                     "useless": d <= 0, "half": d < 0.5, "pours": len(plan.round.pours),
                     "told useless": misses.at[row.attribute, "chance useless"],
                     "told half": misses.at[row.attribute, "chance under half"]})
    return rows


def main(worlds: int = 40, first: int = 1) -> None:
    started, rows, count, seed = time.perf_counter(), [], 0, first
    while count < worlds:
        made = trial_after(seed, 1 + count % 3)
        if made is not None:
            rows += confirmed(*made, world_of(seed)[1], seed)
            count += 1
        seed += 1
    print(f"{worlds} worlds (seeds {first} to {seed - 1}), {time.perf_counter() - started:.0f} s; pours proposed: "
          f"{np.bincount([r['pours'] for r in rows[::4]])[1:]}")
    for name in [*dict.fromkeys(r["attribute"] for r in rows), "all"]:
        own = [r for r in rows if name in (r["attribute"], "all")]
        mean = {key: np.mean([r[key] for r in own]) for key in own[0] if key != "attribute"}
        spread = np.std([r["off"] for r in own])
        print(f"{name:10s} inside {mean['inside']:.2f} width {mean['wide']:.1f} off by {mean['off']:+.2f} and spread "
              f"{spread:.2f} (1: as foretold); useless: foretold {mean['told useless']:.2f} "
              f"came {mean['useless']:.2f}; under half: foretold {mean['told half']:.2f} came {mean['half']:.2f}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))

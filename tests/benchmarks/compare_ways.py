"""What does a good formula cost, and by which way of working? The kit beside its peers, in the same invented worlds.

    python tests/benchmarks/compare_ways.py FACTORS [worlds] [first seed] [ways] [processes] [file] [own | others | third]

Rounds of 4 pours in 2 melts, six of them. After each, the ratio = desirability at the formula one would settle on / best
possible, both at the long-run mean of that panel. Ways (comma between them; all where left out):

    never       the starting formula, never changed
    one         one factor at a time: four levels of the next factor about the best pour so far
    design      one D-optimal quadratic design of all pours, least squares; only after 24 pours
    peer        a Gaussian process an attribute and expected improvement (see peer.py)
    kit         labkit without expected directions
    expect      labkit with them, some of them false

Printed: medians, lower deciles; then differences of medians with the lower 90 % limit of a paired bootstrap over worlds;
coverage and mean interval score of 90 % intervals for the mean over 100 formulas, by attribute and round, for kit, expect
and peer; what stopping would have given. `file` keeps a line of JSON a development, to which later runs add
("" for none). Worlds are those of `worlds.py`, `other_worlds.py` or `third_worlds.py`.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import json
import multiprocessing
import sys
import time

import numpy as np
import other_worlds
import pandas as pd
import third_worlds
import worlds
from peer import first_round, next_step
from rehearse_worlds import one_factor_at_a_time, reached
from surface_coverage import judged

from labkit import appraise_panel, fit_surfaces, plan_round, suggest_next
from labkit.rehearsal import play_round
from labkit.tweaks import desirability_of

ROUNDS, POURS, MELTS = 6, 4, 2
FAMILIES = {"own": worlds.development_of, "others": other_worlds.development_of,
            "third": third_worlds.development_of}
WAYS = ("never", "one", "design", "peer", "kit", "expect")
REQUIRED = (("kit", "peer", (-0.02,) * 6), ("kit", "peer", (0.05,)), ("expect", "peer", (0.10, 0.02, 0.02)))


def kit_way(trial, made) -> dict:
    """labkit from the first round to the sixth; beside the ratios what it foretold, and whether it said stop."""
    names, rows = list(trial.recipe.coordinates), []
    asked = trial.region.sample(100, seed=999)
    true = made.world.truth_at(asked, list(trial.attributes))
    round_ = plan_round(trial, pours=POURS, melts=MELTS, seed=made.seed)
    for k in range(ROUNDS):
        trial = play_round(trial, round_, made.world, made.testers, made.seed).onto(trial, round_)
        started = time.perf_counter()
        tweak = suggest_next(trial, pours=POURS, melts=MELTS, seed=made.seed + k + 1)
        took = time.perf_counter() - started
        desired = reached(trial, made.world, tweak.best[names])
        said = tweak.predictions.set_index("attribute").loc["desirability"]
        rows.append({"ratio": desired / made.best, "stop": bool(tweak.stop), "gain": float(tweak.expected_gain),
                     "known": float(tweak.gain_if_known),
                     "foretold": [float(said["mean"]), float(said["low"]), float(said["high"])], "desired": desired,
                     "judged": judged(fit_surfaces(trial), asked, true), "seconds": took})
        round_ = tweak.round
    return {name: [row[name] for row in rows] for name in rows[0]}


def peer_way(trial, made) -> dict:
    rows, asked = [], trial.region.sample(100, seed=999)
    true = made.world.truth_at(asked, list(trial.attributes))
    round_ = first_round(trial, made.seed, POURS, MELTS)
    for k in range(ROUNDS):
        trial = play_round(trial, round_, made.world, made.testers, made.seed).onto(trial, round_)
        started = time.perf_counter()
        processes, settled, round_ = next_step(trial, made.seed + k + 1, POURS, MELTS)
        took = time.perf_counter() - started
        rows.append({"ratio": reached(trial, made.world, settled) / made.best, "seconds": took,
                     "judged": judged(processes, asked, true)})
    return {name: [row[name] for row in rows] for name in rows[0]}


def design_way(trial, made) -> dict:
    """All pours at once, least squares on the adjusted means, the best of the fitted surfaces."""
    from labkit.tweaks.search import highest, starting_points

    round_ = plan_round(trial, pours=ROUNDS * POURS, melts=ROUNDS * MELTS, seed=made.seed, criterion="D", prior="flat")
    trial = play_round(trial, round_, made.world, made.testers, made.seed).onto(trial, round_)
    panel, fits = appraise_panel(trial), {}
    for name in trial.attributes:
        means = panel.means(name)[0].astype(float)
        columns = _quadratic(trial.region.coded(trial.made.loc[means.index, list(trial.recipe.coordinates)]))
        fits[name] = np.linalg.lstsq(columns, means.to_numpy(), rcond=None)[0]

    def value_of(points: pd.DataFrame) -> np.ndarray:
        columns = _quadratic(trial.region.coded(points))
        return desirability_of(trial.attributes, {name: np.clip(columns @ b, 0, 10) for name, b in fits.items()})

    points, _ = highest(trial.region, value_of, starting_points(trial, {}, size=1000, seed=made.seed), seed=made.seed)
    return {"ratio": [None] * (ROUNDS - 1) + [reached(trial, made.world, points.iloc[[0]]) / made.best]}


def _quadratic(coded: np.ndarray) -> np.ndarray:
    i, j = np.triu_indices(coded.shape[1])
    return np.column_stack([np.ones(len(coded)), coded, coded[:, i] * coded[:, j]])


def one_way(trial, made) -> dict:
    return {"ratio": [d / made.best for d in one_factor_at_a_time(trial, made.world, made.testers, ROUNDS, made.seed)]}


def played(task) -> dict | None:
    """One development by each way asked for; None where its world is passed over."""
    seed, factors, ways, family = task
    made = FAMILIES[family](seed, factors)
    if made is None:
        return None
    found = {"seed": seed, "factors": factors, "false": made.false, "kind": made.kind, "best": made.best,
             "start": made.start, "testers": made.testers}
    for way in ways:
        trial = made.trial(expect=way == "expect")
        if way == "never":
            found[way] = {"ratio": [made.start] * ROUNDS}
        else:
            found[way] = {"one": one_way, "design": design_way, "peer": peer_way, "kit": kit_way,
                          "expect": kit_way}[way](trial, made)
    return found


def run(factors: int, count: int, first: int, ways, processes: int, file: str, family: str) -> list[dict]:
    """Seeds from `first` on until there are enough worlds."""
    results, seeds = [], iter(range(first, first + 40 * count))
    with multiprocessing.get_context("fork").Pool(processes) as pool:
        for found in pool.imap(played, ((seed, factors, ways, family) for seed in seeds), chunksize=1):
            if found is None:
                continue
            results.append(found)
            if file:
                with open(file, "a", encoding="utf-8") as kept:
                    kept.write(json.dumps(found) + "\n")
            if len(results) == count:
                pool.terminate()
                break
    return results


# What came of it

def table_of(results: list[dict], way: str, what: str = "ratio") -> np.ndarray:
    return np.array([r[way][what] for r in results if way in r], dtype=float)


def limit_of(one: np.ndarray, other: np.ndarray, statistic, times: int = 2000) -> tuple[np.ndarray, np.ndarray]:
    """statistic(one) - statistic(other) by round and its lower 90 % limit, worlds drawn again in pairs."""
    rng = np.random.default_rng(0)
    at = rng.integers(len(one), size=(times, len(one)))
    drawn = np.array([statistic(one[i]) - statistic(other[i]) for i in at])
    return statistic(one) - statistic(other), np.quantile(drawn, 0.1, axis=0)


def middle(ratios: np.ndarray) -> np.ndarray:
    return np.median(ratios, axis=0)


def tail(ratios: np.ndarray) -> np.ndarray:
    return np.quantile(ratios, 0.1, axis=0)


def told(results: list[dict]) -> None:
    print(f"{len(results)} worlds, {np.mean([r['false'] for r in results]):.2f} with a false direction, "
          f"{np.mean([r['kind'] == 'bench' for r in results]):.2f} of the bench kind; after 4, 8 ... 24 pours")
    for way in [w for w in WAYS if w in results[0]]:
        ratios = table_of(results, way)
        print(f"{way:8s} median {np.round(middle(ratios), 3)} lower decile {np.round(tail(ratios), 3)} "
              f"mean {np.round(ratios.mean(axis=0), 3)}")
    for one, other in (("kit", "peer"), ("expect", "peer"), ("expect", "kit")):
        if one in results[0] and other in results[0]:
            _compared(results, one, other)
    for way in ("kit", "expect", "peer"):
        if way in results[0]:
            _intervals(results, way)
            print(f"{way:8s} seconds a step {np.round(np.median(table_of(results, way, 'seconds'), axis=0), 2)}")
    for way in ("kit", "expect"):
        if way in results[0]:
            _stopping(results, way)


def _compared(results, one: str, other: str) -> None:
    groups = {"": results}
    if other == "kit":
        groups = {"": results, " where one is false": [r for r in results if r["false"]],
                  " where all are true": [r for r in results if not r["false"]]}
    for name, rows in groups.items():
        if rows:
            for word, statistic in (("median", middle), ("lower decile", tail)):
                gap, low = limit_of(table_of(rows, one), table_of(rows, other), statistic)
                print(f"{one} - {other}{name}: {word} {np.round(gap, 3)} lower limit {np.round(low, 3)}")


def _intervals(results, way: str) -> None:
    """By attribute, of which other worlds have others, and over all attributes together."""
    judged = [r[way]["judged"] for r in results]
    for name in [*dict.fromkeys(name for rounds in judged for name in rounds[0]), "all"]:
        found = np.array([[np.mean(list(row.values()), axis=0) if name == "all" else row[name] for row in rounds]
                          for rounds in judged if name == "all" or name in rounds[0]])
        cover, score, error = found.mean(axis=0).T
        print(f"{way:8s} {name:10s} covered {np.round(cover, 2)} interval score {np.round(score, 2)} "
              f"error {np.round(error, 2)}")


def _stopping(results, way: str, rounds: int = ROUNDS) -> None:
    """Stop where the kit says so, against stopping everybody at the same average number of rounds."""
    ratios, stops = table_of(results, way), table_of(results, way, "stop")
    at = np.array([int(np.argmax(s)) if s.any() else rounds - 1 for s in stops])
    own = ratios[np.arange(len(at)), at]
    low = int(np.floor(at.mean()))
    part = at.mean() - low
    all_ = (1 - part) * ratios[:, low] + part * ratios[:, min(low + 1, rounds - 1)]
    under = (1 - part) * (ratios[:, low] < 0.75).mean() + part * (ratios[:, min(low + 1, rounds - 1)] < 0.75).mean()
    print(f"{way:8s} stops after {np.bincount(at + 1, minlength=rounds + 1)[1:]} (mean {at.mean() + 1:.2f}); mean ratio "
          f"{own.mean():.3f} against {all_.mean():.3f} at equal cost; under .75: {(own < 0.75).mean():.3f} against "
          f"{under:.3f}; said stop {np.round(stops.mean(axis=0), 2)}")
    foretold = table_of(results, way, "foretold")
    desired = table_of(results, way, "desired")
    inside = (foretold[..., 1] <= desired) & (desired <= foretold[..., 2])
    print(f"{way:8s} foretold less true {np.round((foretold[..., 0] - desired).mean(axis=0), 3)} "
          f"interval holds it {np.round(inside.mean(axis=0), 2)}")
    gains = np.diff(desired, axis=1).mean(axis=0)
    print(f"{way:8s} expected gain {np.round(table_of(results, way, 'gain').mean(axis=0), 3)} realised "
          f"{np.round(gains, 3)}")


def main(factors: int, count: int = 20, first: int = 1, ways: str = ",".join(WAYS), processes: int = 1,
         file: str = "", family: str = "own") -> None:
    started = time.perf_counter()
    results = run(factors, count, first, ways.split(","), processes, file, family)
    print(f"{factors} factors, seeds {results[0]['seed']} to {results[-1]['seed']}, "
          f"{time.perf_counter() - started:.0f} s")
    told(results)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:4]), *sys.argv[4:5], *map(int, sys.argv[5:6]), *sys.argv[6:8])

"""Would you melt wax on this advice? Rehearse invented developments and compare what one would settle on.

    python tests/benchmarks/rehearse_worlds.py [worlds] [rounds] [first seed] [all | no-expect | kit]

prints, after each round of 4 pours in 2 melts, the median and the lower decile of

    ratio = desirability at the settled formula / best possible, both at the long-run mean of that panel

for the kit, for one factor at a time (each round four levels of the next factor about the best pour so far), and for the
starting formula, never changed; then how often the kit's 90 % intervals for desirability cover it, and how often it said
stop. The worlds are smooth and physically plausible, of several kinds, and not polynomial; in about a third of
them one expected direction is false. Worlds where the starting formula is useless, or hardly to be bettered, are passed over.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pathlib
import sys
import time

import numpy as np
import pandas as pd

from labkit import Trial, World
from labkit.rehearsal import best_possible, play_round, rehearse
from labkit.rounds import round_from_factors
from labkit.tweaks import desirability_of

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
TOML = (ROOT / "trials" / "terracotta-stick" / "trial.toml").read_text(encoding="utf-8")
WORTH_REHEARSING = (0.5, 0.98)        # best possible desirability: neither hopeless nor easy
STARTING = (0.25, 0.95)               # ratio of the starting formula: somebody uses it today, and it can be bettered
PANELS = (4, 5, 6, 7, 8)
WAYS = ("kit", "one at a time", "never changed")


def unexpected(text: str) -> str:
    """A trial.toml without its expected directions."""
    return "\n".join(line for line in text.splitlines() if not line.startswith("expect"))


def trial_without(expect: bool) -> Trial:
    return Trial.from_toml(TOML if expect else unexpected(TOML))


def truth_of(seed: int):
    """An invented truth of the terracotta stick: coordinates -> payoff, hardness, sheerness, shade."""
    rng = np.random.default_rng([seed, 71])
    false = rng.uniform() < 0.3
    kind = {name: rng.integers(3) for name in ("payoff", "hardness", "shade")}
    melts_at, sharp, cool = rng.uniform(0.12, 0.20), rng.uniform(0.015, 0.05), rng.uniform(-0.08, 0.08)
    fill, slip, top = rng.uniform(0.015, 0.05), rng.uniform(0.08, 0.4), rng.uniform(7.5, 10)
    hiding = rng.uniform(8, 18), rng.uniform(3, 12)
    card, wide, cast = rng.uniform(0.3, 0.75), rng.uniform(0.12, 0.3), rng.uniform(-3, 3)
    stiff, warm = rng.uniform(6, 14), rng.uniform(-0.05, 0.05)
    upside_down = rng.choice(["payoff", "hardness", "load"]) if false else ""

    def truth(points: pd.DataFrame) -> pd.DataFrame:
        wax, red, load, temperature = (points[c].to_numpy(dtype=float) for c in (
            "wax", "red_share", "load", "pour_temperature"))
        firm = wax - 2 * (wax - 0.16) * (upside_down == "hardness")
        heat = (temperature - 74) / 6
        hardness = [10 / (1 + np.exp(-(firm - melts_at) / sharp - cool * 6 * heat)),
                    9.5 * (1 - np.exp(-stiff * np.maximum(firm - 0.06, 0.0))) + 10 * cool * heat,
                    2.2 * np.exp(stiff * (firm - 0.10)) + 10 * cool * heat][kind["hardness"]]
        glide = wax - 2 * (wax - 0.16) * (upside_down == "payoff")
        laid = load - 2 * (load - 0.05) * (upside_down == "load")
        payoff = [top * (1 - np.exp(-laid / fill)) * np.exp(-(glide - 0.10) / slip),
                  top / (1 + np.exp(-(laid - 0.7 * fill - 0.02) / 0.012)) * (1 - (glide - 0.10) / (2 * slip + 0.3)),
                  top * laid / (laid + fill) * 1.5 * np.exp(-((glide - 0.10) / (slip + 0.05)) ** 2)][kind["payoff"]]
        payoff = payoff * (1 + warm * 4 * heat)
        sheerness = 10 * np.exp(-load * (hiding[0] * red + hiding[1] * (1 - red)) * 1.3)
        off = (red - card + cast * (load - 0.05)) / wide
        shade = [9.7 * np.exp(-0.5 * off**2), 9.7 / (1 + 0.5 * off**2),
                 9.7 * np.exp(-0.5 * off**2) * (1 - np.exp(-load / 0.02))][kind["shade"]]
        table = {"payoff": payoff, "hardness": hardness, "sheerness": sheerness, "shade": shade}
        return pd.DataFrame({k: np.clip(v, 0, 10) for k, v in table.items()}, index=points.index)

    return truth


def world_of(seed: int) -> tuple[World, int]:
    """A world and the number of its testers."""
    rng = np.random.default_rng([seed, 73])
    testers = int(rng.choice(PANELS))
    return World(truth=truth_of(seed), sd_round=rng.uniform(0.1, 0.5), sd_melt=rng.uniform(0.1, 0.5),
                 sd_pour=rng.uniform(0.1, 0.5), sd_tester_pour=rng.uniform(0.5, 1.2), step=0.5,
                 levels=rng.normal(0, 1, testers), slopes=np.exp(rng.normal(0, 0.15, testers))), testers


def reached(trial: Trial, world: World, points: pd.DataFrame) -> float:
    return float(desirability_of(trial.attributes, world.truth_at(points, list(trial.attributes)))[0])


def one_factor_at_a_time(trial: Trial, world: World, testers: int, rounds: int, seed: int) -> list[float]:
    """Four levels of the next factor about the best pour so far; settle on the best pour seen."""
    names, settled, ratios = list(trial.recipe.coordinates), trial.recipe.starting_factors, []
    for k in range(rounds):
        points = pd.concat([settled[names]] * 4, ignore_index=True)
        name = names[k % len(names)]
        points[name] = np.linspace(*trial.recipe.bounds.loc[name], 4)
        points = points[trial.region.contains(trial.formula_at(points))].reset_index(drop=True)
        round_ = round_from_factors(trial.recipe, trial.batch, number=trial.next_round, coordinates=points,
                                    melts=trial.next_melts(len(points)), pours=trial.next_pours(len(points)))
        trial = play_round(trial, round_, world, testers, seed).onto(trial, round_)
        means = trial.standing_scores.pivot_table(index="pour", columns="attribute", values="score")
        best = means.index[int(np.argmax(desirability_of(trial.attributes, means)))]
        settled = trial.made.loc[[best], names].clip(*trial.recipe.bounds.loc[names].T.to_numpy(), axis=1)
        ratios.append(reached(trial, world, settled))
    return ratios


def compare(trial: Trial, seed: int, rounds: int, only: bool) -> dict | None:
    """One development: ratios by round for each way of working."""
    world, testers = world_of(seed)
    best = best_possible(trial, world, points=2048)
    start = reached(trial, world, trial.recipe.starting_factors)
    if not (WORTH_REHEARSING[0] <= best <= WORTH_REHEARSING[1] and STARTING[0] <= start / best <= STARTING[1]):
        return None
    kit = rehearse(trial, world, rounds=rounds, testers=testers, seed=seed)
    found = {"kit": kit["ratio"].to_numpy()}
    if not only:
        found["one at a time"] = np.array(one_factor_at_a_time(trial, world, testers, rounds, seed)) / best
        found["never changed"] = np.full(rounds, start / best)
    found["covered"] = ((kit["low"] <= kit["desirability"]) & (kit["desirability"] <= kit["high"])).to_numpy(dtype=float)
    found["predicted - true"] = (kit["predicted"] - kit["desirability"]).to_numpy()
    found["expected gain"] = kit["expected gain"].to_numpy()
    found["gain"] = np.append(np.diff(kit["desirability"]), np.nan)
    found["stopped"] = kit["stop"].to_numpy(dtype=float)
    return found


def main(worlds: int = 20, rounds: int = 6, first: int = 1, which: str = "all") -> None:
    trial = trial_without(expect=which != "no-expect")
    started, results, seed = time.perf_counter(), [], first
    while len(results) < worlds:
        found = compare(trial, seed, rounds, only=which == "kit")
        results += [found] if found else []
        seed += 1
    for name in results[0]:
        table = np.array([r[name] for r in results])
        if name not in WAYS:
            print(f"{name:16s} mean   {np.round(table.mean(axis=0), 3)}")
        else:
            print(f"{name:16s} median {np.round(np.median(table, axis=0), 3)}  "
                  f"lower decile {np.round(np.quantile(table, 0.1, axis=0), 3)}")
    print(f"{worlds} worlds (seeds {first} to {seed - 1}), {time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:4]), *sys.argv[4:5])

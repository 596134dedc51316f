"""Invented developments for the benchmarks: two families of smooth worlds with two, three or four factors.

bench   the terracotta stick as a formulator would write it: pigment hides as exp(-mass), wax sets at a threshold, payoff
        saturates with load (`rehearse_worlds.truth_of`); factors that a trial does not vary stand in the middle
curved  each score a curved function (saturating, exponential, threshold, ridge) of its own oblique direction in the
        coded factors, with an interaction and a slow wave that belongs to no family of functions

In about a third of them one expected direction is false. Levels, leanings and noise as in `rehearse_worlds.world_of`.
Worlds where the starting formula is useless, or hardly to be bettered, are passed over.
"""

import dataclasses
import re

import numpy as np
import pandas as pd
from rehearse_worlds import STARTING, TOML, WORTH_REHEARSING, reached, truth_of, unexpected, world_of

from labkit import Trial, World
from labkit.rehearsal import best_possible

FACTORS = {2: ("wax", "load"), 3: ("wax", "red_share", "load"),
           4: ("wax", "red_share", "load", "pour_temperature")}
MIDDLE = {"wax": 0.16, "red_share": 0.5, "load": 0.05, "pour_temperature": 74.0}
HALF = {"wax": 0.06, "red_share": 0.3, "load": 0.03, "pour_temperature": 6.0}
KINDS = ("saturating", "exponential", "threshold", "ridge")
LEANING = {"payoff": {"wax": -1.0, "load": 1.0}, "hardness": {"wax": 1.0}, "sheerness": {"load": -1.0}}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Development:
    """One invented development; `false` says whether an expected direction is false in it. text : its trial.toml."""

    seed: int
    factors: int
    text: str
    world: World
    testers: int
    best: float
    start: float
    false: bool
    kind: str

    def trial(self, expect: bool) -> Trial:
        """Before its first round, with the expected directions or without."""
        return Trial.from_toml(self.text if expect else unexpected(self.text))


def text_of(factors: int) -> str:
    """The terracotta stick with two, three or four factors; with two there is no card to match, so no shade."""
    tables = re.split(r"\n(?=\[)", TOML)
    gone = {4: (), 3: ("[settings.",), 2: ("[settings.", "[factors.red_share]", "[attributes.shade]")}[factors]
    return "\n".join(t for t in tables if not t.startswith(gone))


def development_of(seed: int, factors: int) -> Development | None:
    """The development of a seed; None where it is not worth rehearsing."""
    rng = np.random.default_rng([seed, factors, 83])
    bench = bool(rng.uniform() < 0.5)
    truth, false = _bench_truth(seed) if bench else _curved_truth(rng, factors)
    world, testers = world_of(seed)
    world, text = dataclasses.replace(world, truth=truth), text_of(factors)
    trial = Trial.from_toml(text)
    best = best_possible(trial, world, points=2048)
    start = reached(trial, world, trial.recipe.starting_factors)
    if not (WORTH_REHEARSING[0] <= best <= WORTH_REHEARSING[1] and STARTING[0] <= start / best <= STARTING[1]):
        return None
    return Development(seed=seed, factors=factors, text=text, world=world, testers=testers, best=best,
                       start=start / best, false=false, kind="bench" if bench else "curved")


def _bench_truth(seed: int):
    inner = truth_of(seed)

    def truth(points: pd.DataFrame) -> pd.DataFrame:
        return inner(points.assign(**{name: value for name, value in MIDDLE.items() if name not in points}))

    return truth, bool(np.random.default_rng([seed, 71]).uniform() < 0.3)       # as truth_of draws it


def _curved_truth(rng: np.random.Generator, factors: int):
    names = FACTORS[factors]
    false = bool(rng.uniform() < 0.35)
    turned = [("payoff", "wax"), ("payoff", "load"), ("hardness", "wax"), ("sheerness", "load")][rng.integers(4)]
    parts = {name: _monotone(rng, names, leaning, turned if false else None, name) for name, leaning in LEANING.items()}
    if factors > 2:
        parts["shade"] = _peak(rng, names)

    def truth(points: pd.DataFrame) -> pd.DataFrame:
        z = np.column_stack([(points[n].to_numpy(dtype=float) - MIDDLE[n]) / HALF[n] for n in names])
        return pd.DataFrame({name: np.clip(part(z), 0, 10) for name, part in parts.items()}, index=points.index)

    return truth, false


def _monotone(rng, names, leaning, turned, attribute):
    """A curved function of an oblique direction, an interaction and a wave."""
    slopes = rng.normal(0, 0.3, len(names))
    for name, sign in leaning.items():
        flip = -1 if turned == (attribute, name) else 1
        slopes[names.index(name)] = flip * sign * rng.uniform(0.5, 1.2)
    kind, curve = KINDS[rng.integers(4)], rng.uniform(0.5, 1.2)
    both, wave = rng.normal(0, 0.2), _wave(rng, len(names), rng.uniform(0, 0.5))
    low, high, at, wide = rng.uniform(0, 2.5), rng.uniform(7, 10), rng.uniform(-0.5, 0.5), rng.uniform(1.5, 3)

    def height(z):
        u = z @ slopes + both * z[:, 0] * z[:, -1]
        share = {"saturating": 1 - np.exp(-curve * (u + 1.2)),
                 "exponential": np.exp(curve * (u - 1.2)),
                 "threshold": 1 / (1 + np.exp(-4 * curve * (u - at))),
                 "ridge": np.exp(-((u - 0.8) / wide) ** 2)}[kind]
        return low + (high - low) * share + wave(z)

    return height


def _peak(rng, names):
    """A card that is met along a line in colour ratio and load."""
    slopes = rng.normal(0, 0.15, len(names))
    slopes[names.index("red_share")], slopes[names.index("load")] = 1.0, rng.uniform(-0.6, 0.6)
    at, wide, heavy = rng.uniform(-0.6, 0.6), rng.uniform(0.4, 1.0), rng.integers(2)
    wave = _wave(rng, len(names), 0.3)

    def height(z):
        off = ((z @ slopes - at) / wide) ** 2
        return 9.5 * (np.exp(-0.5 * off) if heavy else 1 / (1 + 0.6 * off)) + wave(z)

    return height


def _wave(rng, dimension: int, size: float):
    turns, phases = rng.normal(0, 1.0, (3, dimension)), rng.uniform(0, 2 * np.pi, 3)
    return lambda z: size * np.cos(z @ turns.T + phases).sum(axis=1) / np.sqrt(1.5)

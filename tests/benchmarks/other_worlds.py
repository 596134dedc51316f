"""Invented developments that were drawn up apart from the kit's surfaces, as an examiner from outside would.

Four products of their own (`other_products.py`), each with 2, 3 and 4 free factors, a blend among them; responses as a
chemist would suspect them (`other_responses.py`), rougher than those of `worlds.py`: effects that nobody expects, an
optimum where a rise is expected, scores that peak though nothing is said of it. In three of ten developments one or
two stated directions are the wrong way round over most of the region; in the others all hold on average. Developments
that are not worth a rehearsal are passed over. Everything is invented.
"""

import zlib
from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd
from other_products import PRODUCTS, Product
from other_responses import truth_of
from rehearse_worlds import reached
from worlds import Development

import labkit
from labkit.rehearsal import World, best_possible

KINDS = ("saturating", "exponential", "threshold", "ridge", "mixed")
FALSE = 0.30                   # of the developments drawn hold at least one expectation that is the wrong way round
GOLDEN = 0.6180339887          # spreads them evenly over the seeds
ATTEMPTS = 80                  # truths drawn until the stated directions are what they should be
BEST, START = (0.5, 0.995), (0.2, 0.95)
RESPECT, OPPOSE = 0.3, 0.7     # mean effect of a stated direction over its range [points]: at least, true and false
MOST = 0.7                     # part of the region in which a false direction is the wrong way round


# ---- are the stated directions what they should be? ------------------------------------------------------------------


def _moved(product: Product, driver: str, points: pd.DataFrame, share: float) -> pd.DataFrame:
    """Points with one driver moved by a share of its range; the other parts of a blend make room in proportion."""
    column, low, high, _ = product.drivers[driver]
    found = points.copy()
    before = points[column]
    found[column] = np.clip(before + share * (high - low), low, high)
    if column.startswith("base: "):
        for other in [c for c in points.columns if c.startswith("base: ") and c != column]:
            found[other] = points[other] * (1 - found[column]) / (1 - before)
    return found


def _holding(product: Product, factors: int, truth: Callable, sample: pd.DataFrame) -> dict:
    """(attribute, driver) -> (mean effect over its range along the stated way, share of points so inclined)."""
    found = {}
    for attribute, driver, way in product.stated(factors):
        sign = 1 if way == "up" else -1
        wide = [truth(_moved(product, driver, sample, s))[attribute] for s in (-1, 1)]
        near = [truth(_moved(product, driver, sample, s))[attribute] for s in (-0.05, 0.05)]
        found[attribute, driver] = (float(sign * (wide[1] - wide[0]).mean()),
                                    float((sign * (near[1] - near[0]) > 0).mean()))
    return found


def _as_meant(holding: Mapping, flipped: set) -> bool:
    return all(effect <= -OPPOSE and 1 - share >= MOST if pair in flipped else effect >= RESPECT and share > 0.55
               for pair, (effect, share) in holding.items())


# ---- the development -------------------------------------------------------------------------------------------------


def _jittered(product: Product, factors: int, rng: np.random.Generator) -> dict[str, tuple[float, ...]]:
    """What is wanted, half a point to and fro."""
    return {a: tuple(float(p) for p in np.clip(np.array(product.wanted[a][1]) + 0.5 * rng.integers(-1, 2), 0, 10))
            for a in product.judged[factors]}


def _scatter(product: Product, factors: int, truth: Callable, testers: int, rng: np.random.Generator) -> World:
    names, attributes = [f"T{k:02d}" for k in range(1, testers + 1)], product.judged[factors]
    shape, sd_level, sd_slope = (testers, len(attributes)), rng.uniform(0.8, 1.2), rng.uniform(0.15, 0.2)
    common = rng.normal(size=(testers, 1))          # who is mild is mild in all, more or less
    levels = sd_level * (np.sqrt(0.6) * common + np.sqrt(0.4) * rng.normal(size=shape))
    slopes = np.exp(sd_slope * rng.normal(size=shape))
    amounts = {f"sd_{source}": {a: float(rng.uniform(low, high)) for a in attributes} for source, low, high in
               (("tester_pour", 0.5, 1.2), ("pour", 0.1, 0.5), ("melt", 0.1, 0.5), ("round", 0.1, 0.5))}
    return World(truth=truth, levels=pd.DataFrame(levels, index=names, columns=list(attributes)),
                 slopes=pd.DataFrame(slopes, index=names, columns=list(attributes)), step=0.5, **amounts)


def _chosen_flips(product: Product, factors: int, rng: np.random.Generator) -> set:
    stated = [(a, d) for a, d, _ in product.stated(factors)]
    count = min(1 if rng.random() < 0.7 else 2, len(stated))
    return {stated[k] for k in rng.choice(len(stated), size=count, replace=False)}


def _is_to_be_false(seed: int, factors: int) -> bool:
    return (GOLDEN * (seed + 37 * factors)) % 1 < FALSE


def development_of(seed: int, factors: int) -> Development | None:
    """One invented development with `factors` free factors (2, 3, 4), or None where it is not worth a rehearsal."""
    product, kind = PRODUCTS[seed % len(PRODUCTS)], KINDS[(seed // len(PRODUCTS) + factors) % len(KINDS)]
    rng = np.random.default_rng([zlib.crc32(b"others"), seed, factors])
    wanted = _jittered(product, factors, rng)
    text = product.text(factors, wanted)
    trial = labkit.Trial.from_toml(text)
    sample = trial.region.sample(300, seed=seed)
    flipped = _chosen_flips(product, factors, rng) if _is_to_be_false(seed, factors) else set()
    truth = _meant_truth(product, factors, trial, wanted, flipped, kind, sample, rng)
    if truth is None:
        return None
    testers = int(rng.integers(4, 9))
    world = _scatter(product, factors, truth, testers, rng)
    opening = trial.recipe.starting_factors[list(trial.recipe.coordinates)]
    at_start = reached(trial, world, opening)
    if at_start < START[0] * BEST[0]:
        return None
    best = best_possible(trial, world, points=2048)
    if not BEST[0] <= best <= BEST[1] or not START[0] <= at_start / best <= START[1]:
        return None
    return Development(seed=seed, factors=factors, text=text, world=world, testers=testers, best=best,
                       start=at_start / best, false=bool(flipped), kind=f"{product.name}: {kind}")


def _meant_truth(product: Product, factors: int, trial, wanted: Mapping, flipped: set, kind: str, sample: pd.DataFrame,
                 rng: np.random.Generator) -> Callable | None:
    """The first of some truths in which the stated directions are as they are meant to be."""
    for _ in range(ATTEMPTS):
        truth = truth_of(product, factors, trial, wanted, flipped, kind, sample, rng)
        if _as_meant(_holding(product, factors, truth, sample), flipped):
            return truth
    return None

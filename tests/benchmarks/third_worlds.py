"""A third family of invented developments: products and responses of its own, drawn up without knowing how the kit
models them, and played only once they were settled.

Five products (`third_products.py`: plain factors, process settings, a blend, limits, a paste), six kinds of response
(`third_responses.py`). In three of ten developments one or two of the stated directions run clearly the wrong way over
most of the region; in the others all hold in the main. Panels of 4 to 8 testers with leanings. Everything is invented.
"""

import zlib

import numpy as np
import pandas as pd
from rehearse_worlds import reached
from third_products import PRODUCTS, Product
from third_responses import KINDS, latent_of, scored
from worlds import Development

import labkit
from labkit.rehearsal import World, best_possible
from labkit.tweaks import desirability_of

FALSE, ROOT2 = 0.30, 0.41421356237          # share with a false direction, spread evenly over the seeds
ATTEMPTS = 60
BEST, START = (0.5, 0.985), (0.15, 0.92)
HOLDS, OPPOSED = 0.5, -0.8                  # mean effect of a direction along its range in points: at least, at most
HOLDS_SHARE, OPPOSED_SHARE = 0.6, 0.7       # share of the region in which the slope is so


def _start(product: Product, rng) -> dict[str, float]:
    """The maker's recipe: somewhere in the inner seven tenths of each range."""
    while True:
        start = {d: x.low + (x.high - x.low) * rng.uniform(0.15, 0.85) for d, x in product.drivers.items()}
        for driver, value in (("load", 0.03), ("butter", 0.3), ("red", 0.5), ("hard", 0.5), ("thick", 0.5),
                              ("gel", 0.03), ("mica", 0.06)):
            start.setdefault(driver, value)
        if product.inside(start):
            return start


def _units(product: Product, drivers, start, points: pd.DataFrame) -> dict[str, np.ndarray]:
    found = {}
    for name, d in product.drivers.items():
        value = points[d.column].to_numpy(dtype=float) if name in drivers else np.full(len(points), start[name])
        found[name] = (value - d.low) / (d.high - d.low)
    return found


def _pushed(product: Product, driver: str, points: pd.DataFrame, to: float | None = None, by: float = 0.0):
    """Points with a driver at a level of its range, or a step further; other parts of a blend make room."""
    d = product.drivers[driver]
    moved = points.copy()
    level = (points[d.column] - d.low) / (d.high - d.low) + by if to is None else to
    moved[d.column] = d.low + (d.high - d.low) * np.clip(level, 0, 1)
    if d.column.startswith("base: "):
        for other in [c for c in points.columns if c.startswith("base: ") and c != d.column]:
            moved[other] = points[other] * (1 - moved[d.column]) / (1 - points[d.column])
    return moved


def direction_effects(product, stated, truth, points) -> list[tuple[float, float]]:
    """Of each stated direction: mean effect over the range in points, and share of points where the slope is so."""
    found = []
    for attribute, driver, sign in stated:
        far = [truth(_pushed(product, driver, points, to=t))[attribute] for t in (0.05, 0.95)]
        near = [truth(_pushed(product, driver, points, by=b))[attribute] for b in (-0.04, 0.04)]
        found.append((float(sign * (far[1] - far[0]).mean()), float((sign * (near[1] - near[0]) > 0).mean())))
    return found


def _truth(product, drivers, start, attributes, kinds, flips, base: dict, rng):
    scores = {}
    for a in attributes:
        turned = {d for b, d in flips if b == a}
        scores[a] = scored(latent_of(product.traits[a], kinds[a], product.couplings[a], drivers, turned, rng), base, rng)

    def truth(points: pd.DataFrame) -> pd.DataFrame:
        u = _units(product, drivers, start, points)
        return pd.DataFrame({a: scores[a](u) for a in attributes}, index=points.index)
    return truth


def _world(truth, attributes, testers: int, rng) -> World:
    names, shape = [f"T{k:02d}" for k in range(1, testers + 1)], (testers, len(attributes))
    levels = rng.uniform(0.5, 0.9) * rng.normal(size=(testers, 1)) + rng.uniform(0.4, 0.8) * rng.normal(size=shape)
    slopes = np.exp(rng.uniform(0.08, 0.15) * rng.normal(size=(testers, 1)) + 0.1 * rng.normal(size=shape))
    if rng.random() < 0.25:
        slopes[int(rng.integers(testers))] *= 0.6           # one who keeps to the middle of the scale
    amounts = {}
    for source, low, high in (("round", 0.2, 0.5), ("melt", 0.2, 0.5), ("pour", 0.2, 0.5), ("tester_pour", 0.6, 1.2)):
        usual = rng.uniform(low, high)
        amounts[f"sd_{source}"] = {a: float(np.clip(usual * rng.uniform(0.8, 1.25), low, high)) for a in attributes}
    frame = {"index": names, "columns": list(attributes)}
    return World(truth=truth, levels=pd.DataFrame(levels, **frame), slopes=pd.DataFrame(slopes, **frame), step=0.5,
                 **amounts)


def _is_false(seed: int, factors: int) -> bool:
    return (ROOT2 * (seed + 53 * factors)) % 1 < FALSE


def _wishes(product, attributes, rng) -> dict:
    """What is wanted, moved half a point and stretched a little."""
    found = {}
    for a in attributes:
        kind, points = product.wanted[a]
        p = np.array(points) + 0.5 * rng.integers(-1, 2) + 0.25 * rng.integers(-1, 2, len(points))
        found[a] = (kind, tuple(float(x) for x in np.clip(p, 0, 10)))
    return found


def _listed(stated: list, rng) -> list:
    """A maker does not think of everything: now and then a direction is not written down."""
    kept = list(stated)
    for item in stated:
        if len(kept) > 3 and rng.random() < 0.15:
            kept.remove(item)
    return kept


def drawn(seed: int, factors: int):
    """(product, drivers, stated, flips, kind, trial, text, world, testers) or None where none is as meant."""
    rng = np.random.default_rng([zlib.crc32(b"third family"), seed, factors])
    product = PRODUCTS[int(rng.integers(len(PRODUCTS)))]
    options = product.versions[factors]
    drivers = options[int(rng.integers(len(options)))]
    attributes = product.judged(drivers)
    stated = _listed(product.stated(drivers), rng)
    kind = (*KINDS, "various")[int(rng.integers(len(KINDS) + 1))]
    wanted, start, testers = _wishes(product, attributes, rng), _start(product, rng), int(rng.integers(4, 9))
    text = product.text(drivers, start, wanted, stated)
    trial = labkit.Trial.from_toml(text)
    points = trial.region.sample(160, seed=seed)
    opening = trial.recipe.starting_factors[list(trial.recipe.coordinates)]
    base = _units(product, drivers, start, points)
    for _ in range(ATTEMPTS):
        flips = set()
        if _is_false(seed, factors):
            count = 2 if len(stated) > 3 and rng.random() < 0.25 else 1
            flips = {stated[k][:2] for k in rng.choice(len(stated), size=count, replace=False)}
        kinds = {a: str(rng.choice(KINDS)) if kind == "various" else kind for a in attributes}
        truth = _truth(product, drivers, start, attributes, kinds, flips, base, rng)
        here = desirability_of(trial.attributes, truth(points)).max()
        now = float(desirability_of(trial.attributes, truth(opening))[0])
        if here < 0.8 * BEST[0] or not START[0] * BEST[0] <= now <= START[1] * BEST[1] or here > BEST[1]:
            continue
        effects = direction_effects(product, stated, truth, points)
        if all((e <= OPPOSED and 1 - s >= OPPOSED_SHARE) if (a, d) in flips else (e >= HOLDS and s >= HOLDS_SHARE)
               for (a, d, _), (e, s) in zip(stated, effects, strict=True)):
            return product, drivers, stated, flips, kind, trial, text, _world(truth, attributes, testers, rng), testers
    return None


def development_of(seed: int, factors: int) -> Development | None:
    """One invented development with `factors` free coordinates (2, 3, 4), or None where it is not worth a rehearsal."""
    found = drawn(seed, factors)
    if found is None:
        return None
    product, _, _, flips, kind, trial, text, world, testers = found
    start = reached(trial, world, trial.recipe.starting_factors[list(trial.recipe.coordinates)])
    best = best_possible(trial, world, points=2048)
    if not BEST[0] <= best <= BEST[1] or not START[0] <= start / best <= START[1]:
        return None
    return Development(seed=seed, factors=factors, text=text, world=world, testers=testers, best=best,
                       start=start / best, false=bool(flips), kind=f"{product.name}: {kind}")

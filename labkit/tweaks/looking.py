"""Which pours to look at next: pots and colours chosen together for what the whole round is worth."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.core import improvement
from labkit.tweaks.outlook import Outlook
from labkit.tweaks.search import poured, steps_from

POTS, COLOURS = 14, 40                         # pots crossed with what is stirred in
LEADS = 8                                      # points of large joint improvement among both
ALIKE = 1e-9           # in coded coordinates: two points that are the same formula, but for rounding
STEPS = (0.15, 0.05)                           # refinements of a chosen round, parts of the region


@dataclass(frozen=True, kw_only=True, eq=False)
class Looked:
    """Pours that might be made: their coordinates, the pot each comes from, draws of their desirability (n, rows)."""

    points: pd.DataFrame
    pots: np.ndarray
    draws: np.ndarray

    def rows(self, chosen: list[int]) -> "Looked":
        return Looked(points=self.points.iloc[chosen].reset_index(drop=True), pots=self.pots[chosen],
                      draws=self.draws[:, chosen])

    def at(self, points: pd.DataFrame, region) -> tuple[int, ...]:
        """The rows at which points (their coordinates) stand, but for rounding; those that do not are left out."""
        gaps = np.abs(region.coded(points)[:, None] - region.coded(self.points)[None]).max(axis=2)
        return tuple(int(gap.argmin()) for gap in gaps if gap.min(initial=np.inf) < ALIKE)


@dataclass(frozen=True, kw_only=True, eq=False)
class Bench:
    """What can be poured here, and what is known about it."""

    trial: object
    outlook: Outlook
    hold: Mapping[str, float]

    def crossed(self, pots: pd.DataFrame, colours: pd.DataFrame) -> Looked:
        """Every pot with everything stirred in that fits the limits; without [melt] each pour has its own pot."""
        recipe = self.trial.recipe
        if not recipe.pot:
            points = pd.concat([pots, colours], ignore_index=True).drop_duplicates(ignore_index=True)
            return Looked(points=points, pots=np.arange(len(points)), draws=self.outlook.draws(points))
        which = np.repeat(np.arange(len(pots)), len(colours))
        points = in_pot_of(recipe, pots, colours, which, np.tile(np.arange(len(colours)), len(pots)))
        fits = self.trial.region.includes(points)
        points = points[fits].reset_index(drop=True)
        return Looked(points=points, pots=which[fits], draws=self.outlook.draws(points))


def in_pot_of(recipe, pots: pd.DataFrame, colours: pd.DataFrame, left: np.ndarray, right: np.ndarray) -> pd.DataFrame:
    """Coordinates of pours with pot and per-melt settings of rows `left` of the pots, the rest of rows `right`."""
    formulas = recipe.with_pot_of(recipe.formula_at(pots).iloc[left], recipe.formula_at(colours).iloc[right])
    points = recipe.factors_of(formulas.reset_index(drop=True))
    for name in recipe.settings:
        values, rows = (pots, left) if name in recipe.per_melt else (colours, right)
        points[name] = values[name].to_numpy(dtype=float)[rows]
    return points


def candidates(bench: Bench, points: pd.DataFrame, *, seed: int, kept: pd.DataFrame | None = None) -> Looked:
    """Pots and colours worth trying, crossed: a spread set of large joint improvement, the best points, some others.

    points : coordinates looked at, best first. kept : coordinates that are to be among them.
    """
    rng = np.random.default_rng([seed, 29])
    top, made = points.iloc[:100], _poured(bench, points)
    others = points.iloc[rng.permutation(np.arange(min(100, len(points)), len(points)))[:200]]
    pool = pd.concat([made, top, others], ignore_index=True).drop_duplicates(ignore_index=True)
    draws, spread = bench.outlook.draws(pool), min(LEADS, len(pool))
    settled = draws[:, int(np.argmax(draws.mean(axis=0)))]
    chosen = improvement.choose_set(draws, np.arange(len(pool)), settled, pours=spread, melts=spread)
    lead = pool.iloc[chosen]
    rest = pool.iloc[rng.permutation(len(pool))]
    if kept is not None and len(kept):
        lead = pd.concat([kept[list(lead)], lead], ignore_index=True)
    pots = _first_rows([lead, made.iloc[:4], points.iloc[:2], rest], POTS)
    pots = pots.iloc[np.resize(np.arange(len(pots)), max(len(pots), LEADS))].reset_index(drop=True)
    colours = _first_rows([lead, made.iloc[:4], points.iloc[:8], rest], COLOURS)
    return bench.crossed(pots, colours)


def _first_rows(parts: list[pd.DataFrame], count: int) -> pd.DataFrame:
    return pd.concat(parts, ignore_index=True).drop_duplicates(ignore_index=True).iloc[:count]


def _poured(bench: Bench, points: pd.DataFrame) -> pd.DataFrame:
    """What was poured and still fits, best first: the points keep that order."""
    made = set(poured(bench.trial).itertuples(index=False, name=None))
    return points[[row in made for row in points.itertuples(index=False, name=None)]]


def choose_round(looked: Looked, settled: np.ndarray, *, size: tuple[int, int], keep: tuple[int, ...] = ()) -> Looked:
    """The round of largest joint expected improvement among the candidates; size : (pours, melts)."""
    pours, melts = size
    return looked.rows(improvement.choose_set(looked.draws, looked.pots, settled, pours=pours, melts=melts, keep=keep))


def refined(bench: Bench, chosen: Looked, settled: np.ndarray, *, size: tuple[int, int], seed: int,
            kept: pd.DataFrame | None = None) -> Looked:
    """A round moved in ever smaller steps while its joint expected improvement grows; kept : pours of it that stay."""
    for k, scale in enumerate(STEPS):
        nearby = _nearby(bench, chosen, scale, np.random.default_rng([seed, 31, k]))
        keep = () if kept is None else nearby.at(kept, bench.trial.region)
        better = choose_round(nearby, settled, size=size, keep=keep)
        if improvement.joint_expected_improvement(better.draws, settled) > improvement.joint_expected_improvement(
                chosen.draws, settled):
            chosen = better
    return chosen


def _nearby(bench: Bench, chosen: Looked, scale: float, rng: np.random.Generator) -> Looked:
    """The pots and colours of a round with small steps from each, crossed anew."""
    pool = bench.trial.region.sample(128, seed=int(rng.integers(2**31)))[list(chosen.points.columns)].to_numpy(float)

    def stepped(parents: pd.DataFrame, count: int) -> pd.DataFrame:
        many = parents.loc[parents.index.repeat(count)].reset_index(drop=True)
        steps = steps_from(bench.trial.region, many, scale=scale, rng=rng, hold=bench.hold, pool=pool)
        return pd.concat([parents, steps], ignore_index=True).drop_duplicates(ignore_index=True)

    first = np.unique(chosen.pots, return_index=True)[1]
    if not bench.trial.recipe.pot:
        return bench.crossed(stepped(chosen.points, 40), chosen.points.iloc[:0])
    return bench.crossed(stepped(chosen.points.iloc[first].reset_index(drop=True), 6), stepped(chosen.points, 6))

"""What is known today about overall desirability: joint draws of all attributes, at any formula."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from labkit.attributes import Attribute, Wanted, wanted_of
from labkit.core import desirability
from labkit.core.importance import systematic
from labkit.core.posterior import BLOCK
from labkit.surfaces import any_failed, fit_failing

APART = 7919                                   # keeps the draws of two attributes apart
SAME = 1e-4                                    # desirability, or part of the width of a scale: less is rounding
LEAD = 0.005                                   # desirability: less apart is the same in print, and to within the draws
# Who develops from a formula has some use for it: the odds that it gives a fifth of all one could want are taken to be
# ten times what priors and scores make them. Scores may say otherwise.
IN_USE, DOUBTED = 0.2, 0.1


def desirability_of(attributes: Mapping[str, Attribute], values: Mapping[str, np.ndarray]) -> np.ndarray:
    """Overall desirability of scores: the weighted geometric mean over the attributes that say what is wanted.

    values : attribute -> array (a frame will do); attributes without values or wants play no part.
    """
    names = [name for name in wanted_of(attributes) if name in values]
    each = [wanted_part(attributes[name].wanted, np.asarray(values[name])) for name in names]
    return desirability.overall(each, [attributes[name].importance for name in names])


def wanted_part(wanted: Wanted, values: np.ndarray) -> np.ndarray:
    """Desirability of one attribute's scores."""
    return getattr(desirability, wanted.kind)(values, *wanted.points)


def _in_half_widths(attribute: Attribute, middle: float, half: float) -> Attribute:
    """The same attribute on a scale from -1 to 1; what is expected of it plays no part."""
    points = [min(max((p - middle) / half, -1.0), 1.0) for p in attribute.wanted.points] if attribute.wanted else []
    wanted = Wanted(kind=attribute.wanted.kind, points=tuple(points)) if attribute.wanted else None
    return Attribute(name=attribute.name, low=-1.0, high=1.0, wanted=wanted, importance=attribute.importance)


@dataclass(frozen=True, kw_only=True, eq=False)
class Outlook:
    """Joint posterior draws: draw k is one possible world, the same at whatever formulas it is asked about.

    Functions are drawn in single precision, as a search asks for millions: what differs by less than SAME is the same.
    failing : `surfaces.Failing`, once a pour has failed; a formula is then worth its desirability times the chance that
    it holds. starting : the formula that is held to be of use; worlds in which it is not are DOUBTED.
    """

    attributes: Mapping[str, Attribute]
    surfaces: Mapping[str, object]
    seed: int = 0
    n: int = 256
    failing: object | None = None
    starting: pd.DataFrame | None = None

    @classmethod
    def of(cls, trial, surfaces: Mapping[str, object], seed: int = 0, n: int = 256) -> "Outlook":
        """What a trial knows, with what its failed pours tell where there are any."""
        ground = next(iter(surfaces.values())).ground
        failing = fit_failing(trial, ground) if any_failed(trial) else None
        starting = trial.recipe.starting_factors[list(trial.recipe.coordinates)]
        return cls(attributes=trial.attributes, surfaces=surfaces, seed=seed, n=n, failing=failing,
                   starting=starting if trial.region.includes(starting)[0] else None)

    @cached_property
    def _believed(self) -> np.ndarray | None:
        """Which draws stand for what is known, (n,): picked by weight; None where each stands for itself.

        Draws in which the starting formula gives less than IN_USE weigh DOUBTED: the likelihood, relative to the
        others, that one would develop from it.
        """
        if self.starting is None:
            return None
        desired = self.worth(self._drawn(self._columns(self.starting), self.starting))[:, 0]
        weights = np.where(desired < IN_USE, DOUBTED, 1.0)
        return None if weights.min() == weights.max() else systematic(weights, self.n)

    def scores(self, points: pd.DataFrame) -> dict[str, np.ndarray]:
        """attribute -> draws of its surface, (n, rows)."""
        return dict(zip(self.surfaces, self._picked(self._scores(self._columns(points)))))

    def _columns(self, points: pd.DataFrame) -> list[np.ndarray]:
        """The functions of each surface's ground, found once where they share it."""
        grounds = {id(surface.ground): surface.ground for surface in self.surfaces.values()}
        found = {key: ground.columns(points) for key, ground in grounds.items()}
        return [found[id(surface.ground)] for surface in self.surfaces.values()]

    def _scores(self, columns: list[np.ndarray]) -> list[np.ndarray]:
        return [surface.draws_at(at, n=self.n, seed=self.seed + APART * k)
                for k, (surface, at) in enumerate(zip(self.surfaces.values(), columns, strict=True))]

    def _picked(self, known: list[np.ndarray]) -> list[np.ndarray]:
        return known if self._believed is None else [part[self._believed] for part in known]

    def known(self, points: pd.DataFrame) -> list[np.ndarray]:
        """Draws (n, rows) of each surface and, once a pour has failed, of the chance of holding."""
        return self._known(self._columns(points), points)

    def _known(self, columns: list[np.ndarray], points: pd.DataFrame) -> list[np.ndarray]:
        return self._picked(self._drawn(columns, points))

    def _drawn(self, columns: list[np.ndarray], points: pd.DataFrame) -> list[np.ndarray]:
        scores = self._scores(columns)
        if self.failing is not None:
            scores.append(1 - self.failing.draws(points, n=self.n, seed=self.seed + APART * len(scores)))
        return scores

    def worth(self, known: list[np.ndarray]) -> np.ndarray:
        """Overall desirability of arrays like those of `known`, times the chance of holding where that is known."""
        desired = desirability_of(self.attributes, dict(zip(self.surfaces, known)))
        return desired if self.failing is None else desired * np.clip(known[-1], 0.0, 1.0)

    def in_half_widths(self, known: list[np.ndarray]) -> tuple[list[np.ndarray], Callable]:
        """Arrays like those of `known` in half widths about the middle of each scale, and what `worth` is of such.

        So single precision loses as little on a scale far from zero as on any other.
        """
        each = [self.attributes[name] for name in self.surfaces]
        middles = [((a.low + a.high) / 2, a.width / 2) for a in each]
        moved = [(y - middle) / half for y, (middle, half) in zip(known, middles)]
        about = {a.name: _in_half_widths(a, *ends) for a, ends in zip(each, middles, strict=True)}
        return [*moved, *known[len(each):]], replace(self, attributes=about).worth

    def draws(self, points: pd.DataFrame) -> np.ndarray:
        """Draws of overall desirability, (n, rows)."""
        columns, step = self._columns(points), max(1, BLOCK // self.n)
        found = np.empty((self.n, len(points)))
        for i in range(0, len(points), step):
            rows = slice(i, i + step)
            found[:, rows] = self.worth(self._known([at[rows] for at in columns], points.iloc[rows]))
        return found

    def mean(self, points: pd.DataFrame) -> np.ndarray:
        """Posterior expected desirability, (rows,): E D(y) and not D(E y), so that the risk of missing counts."""
        return self.draws(points).mean(axis=0)

    def as_scored(self) -> "Outlook":
        """What priors and scores say alone: a confirmation asks them, whatever one holds of the starting formula."""
        return replace(self, starting=None)

    def with_draws(self, n: int, seed: int) -> "Outlook":
        """The same knowledge, other draws."""
        return replace(self, seed=seed, n=n)

"""What all surfaces of a trial share: functions of the region in one or two systems of coordinates."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.core.terms import DegreeBasis, degree_basis
from labkit.formula import Recipe
from labkit.trial import Trial

SAMPLE = 1500
DEGREE = 2
SYSTEMS = ("shares", "masses")


@dataclass(frozen=True, kw_only=True, eq=False)
class System:
    """Orthonormal functions of the region in one system of coordinates, and each coordinate as a linear one of them.

    shares : the coordinates of the trial, coded. masses : a share of something that is itself a share (the colorant
    ratio within the load) is replaced by their product, a mass in the batch: a ratio has no effect without load.
    `first` is the place of its functions among those of all systems.
    """

    name: str
    first: int
    basis: DegreeBasis
    directions: pd.DataFrame

    @property
    def places(self) -> slice:
        return slice(self.first, self.first + self.basis.size)

    def expected(self, attribute: Attribute) -> np.ndarray:
        """Expected directions (k, p), each of length one, in the order of `expected_names`."""
        rows = [attribute.expect[name] * self.directions.loc[name].to_numpy()
                for name in expected_names(attribute, self.directions)]
        return np.array([row / np.linalg.norm(row) for row in rows]).reshape(-1, self.basis.size)


def expected_names(attribute: Attribute, directions: pd.DataFrame) -> tuple[str, ...]:
    """Coordinates with an expected direction, but for those along which the region has no extent."""
    return tuple(name for name in attribute.expect if np.linalg.norm(directions.loc[name]) > 1e-9)


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """A sample of the region and its systems of coordinates, the trial's own first."""

    trial: Trial
    sample: pd.DataFrame
    systems: tuple[System, ...]

    @classmethod
    def of(cls, trial: Trial) -> "Ground":
        sample, systems = trial.region.sample(SAMPLE, seed=0), []
        for name in SYSTEMS:
            values = values_in(name, trial, sample)
            if values is not None:
                basis, first = degree_basis(values, degree=DEGREE), sum(s.basis.size for s in systems)
                directions = _directions(sample, basis.evaluate(values) * (basis.degrees == 1))
                systems.append(System(name=name, first=first, basis=basis, directions=directions))
        return cls(trial=trial, sample=sample, systems=tuple(systems))

    def columns(self, frame: pd.DataFrame) -> np.ndarray:
        """The functions of all systems at coordinates, side by side, (m, p)."""
        return np.hstack([s.basis.evaluate(values_in(s.name, self.trial, frame)) for s in self.systems])

    @property
    def linear(self) -> np.ndarray:
        """Places of the linear functions of the first system."""
        return np.flatnonzero(self.systems[0].basis.degrees == 1)


def _directions(sample: pd.DataFrame, linear: np.ndarray) -> pd.DataFrame:
    """Each standardised coordinate as a combination of the linear functions, a row a coordinate."""
    standard = (sample - sample.mean()) / sample.std(ddof=0).replace(0.0, np.inf)
    return pd.DataFrame(standard.to_numpy().T @ linear / len(sample), index=sample.columns)


def values_in(system: str, trial: Trial, frame: pd.DataFrame) -> np.ndarray | None:
    """Coordinates of a frame in a system; None where the trial has no masses that differ from its shares."""
    if system == "shares":
        return trial.region.coded(frame)
    nested = nested_shares(trial.recipe)
    if not nested:
        return None
    values = frame[list(trial.recipe.coordinates)].copy()
    for inner, outer in nested:
        values[inner] = frame[inner] * frame[outer]
    return values.to_numpy(dtype=float)


def nested_shares(recipe: Recipe) -> Sequence[tuple[str, str]]:
    """Pairs (inner, outer) of coordinates: inner is a share of the very set whose share is outer."""
    return [(inner.column, outer.column) for inner in recipe.statements for outer in recipe.statements
            if inner.within == outer.of]

"""What all surfaces of a trial share: functions of the region, and coordinates as linear ones of them."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.core.terms import DegreeBasis, degree_basis
from labkit.trial import Trial

SAMPLE = 1500
DEGREE = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """A sample of the region, orthonormal functions of it by degree, and each coordinate as a linear one of them."""

    trial: Trial
    sample: pd.DataFrame
    basis: DegreeBasis
    directions: pd.DataFrame

    @classmethod
    def of(cls, trial: Trial) -> "Ground":
        sample = trial.region.sample(SAMPLE, seed=0)
        coded = trial.region.coded(sample)
        basis = degree_basis(coded, degree=DEGREE)
        values = basis.evaluate(coded) * (basis.degrees == 1)
        standard = (sample - sample.mean()) / sample.std(ddof=0).replace(0.0, np.inf)
        directions = pd.DataFrame(standard.to_numpy().T @ values / len(sample), index=sample.columns)
        return cls(trial=trial, sample=sample, basis=basis, directions=directions)

    def columns(self, frame: pd.DataFrame) -> np.ndarray:
        """The functions at coordinates, (m, p)."""
        return self.basis.evaluate(self.trial.region.coded(frame))

    def expected(self, attribute: Attribute) -> tuple[tuple[str, ...], np.ndarray]:
        """Coordinates with an expected direction, and those directions (k, p), each of length one.

        A coordinate along which the region has no extent is left out.
        """
        rows = {name: sign * self.directions.loc[name].to_numpy() for name, sign in attribute.expect.items()}
        kept = {name: row / np.linalg.norm(row) for name, row in rows.items() if np.linalg.norm(row) > 1e-9}
        return tuple(kept), np.array(list(kept.values())).reshape(-1, self.basis.size)

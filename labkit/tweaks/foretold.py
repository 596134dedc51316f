"""What pours of one formula should score: draws of its long-run mean, and of the mean of some pours of one round."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from labkit.core.importance import systematic
from labkit.core.updating import likelihoods, updated
from labkit.surfaces.posterior import OWN, WAVE

LEVEL = 0.9                    # of every interval here
DRAWS = 2048


@dataclass(frozen=True, kw_only=True, eq=False)
class Foretold:
    """One attribute: n draws of the long-run mean at m formulas, the first of which is to be poured, and of its noise.

    Each draw comes from one Gaussian of the posterior, so that what makes the noise large makes the surface unsure.
    long_run (n, m); middle (n,) and shared (n, m), of the Gaussian a draw comes from: the mean at the first formula,
    and its covariance with the others. together (n,): standard deviation of what a round adds to all of its pours;
    alone (n,): of what each pour, in a melt of its own, adds by melt, pour and tasting; tasting (n,): of the part of
    that which a usual panel, or the usual readings, add. normal (2, n).
    """

    low: float
    high: float
    long_run: np.ndarray
    middle: np.ndarray
    shared: np.ndarray
    together: np.ndarray
    alone: np.ndarray
    normal: np.ndarray
    tasting: np.ndarray | float = 0.0

    def thinner(self, *, judges: float, pours: float) -> "Foretold":
        """The same where a pour is judged by `judges` times fewer than usual, and `pours` times fewer pours are."""
        alone = np.sqrt(pours * (self.alone**2 + (judges - 1) * self.tasting**2))
        return replace(self, alone=alone, tasting=np.sqrt(pours * judges) * self.tasting)

    def seen(self, pours: int) -> np.ndarray:
        """Draws (n,) of the mean score of so many pours of one round, each in its own melt; off the scale too."""
        return self.long_run[:, 0] + self.together * self.normal[0] + self.alone / np.sqrt(pours) * self.normal[1]

    def interval(self, pours: int) -> tuple[float, float]:
        """Where that mean should fall, nine times in ten."""
        ends = np.quantile(self._kept(self.seen(pours)), [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
        return float(ends[0]), float(ends[1])

    def expected(self, pours: int) -> float:
        """The mean of that mean."""
        return float(self._kept(self.seen(pours)).mean())

    def noise(self, pours: int) -> float:
        """Standard deviation of that mean about the long-run mean, at the medians of what is known of the noise."""
        return float(np.hypot(np.median(self.together), np.median(self.alone) / np.sqrt(pours)))

    def after(self, result: float, pours: int) -> tuple[np.ndarray, np.ndarray]:
        """Draws (n, m) once the mean of so many pours came out as `result`, and their weights (n,)."""
        variance = self.shared[:, 0] + self.together**2 + self.alone**2 / pours
        drawn = updated(self.long_run, self.seen(pours), result, self.shared / variance[:, None])
        return self._kept(drawn), likelihoods(result, self.middle, np.sqrt(variance))

    def _kept(self, values: np.ndarray) -> np.ndarray:
        return np.clip(values, self.low, self.high)


def foretold(surface, points: pd.DataFrame, *, seed: int, n: int = DRAWS) -> Foretold:
    """One attribute at some formulas (rows of coordinates), the first of which is to be poured.

    The panel's part of the noise is the standard error of a usual pour's mean, by what the surface multiplies it with.
    """
    posterior, rng = surface.posterior, np.random.default_rng([seed, 67])
    columns = posterior.ground.columns(points)
    share = np.array([c.weight for c in posterior.candidates])
    counts = np.bincount(systematic(share, n, rng.uniform()), minlength=len(share))
    panel = float(surface.scores["score_se"].median())
    parts = [_drawn(c, int(k), columns, posterior.ground.linear, panel, rng)
             for c, k in zip(posterior.candidates, counts, strict=True) if k]
    long_run, middle, shared, together, alone, tasting = (np.concatenate(part) for part in zip(*parts, strict=True))
    scale = posterior.attribute
    return Foretold(low=scale.low, high=scale.high, long_run=long_run, middle=middle, shared=shared,
                    together=together, alone=alone, tasting=tasting, normal=rng.standard_normal((2, n)))


def _drawn(candidate, n: int, columns: np.ndarray, linear: np.ndarray, panel: float, rng) -> tuple[np.ndarray, ...]:
    """n draws from one shape of the surface. What it leaves open and a formula's own are alike where formulas are."""
    own_columns = columns[:, candidate.system.places]
    b, at = candidate.mixture.draws(n, rng)
    slope = candidate.link.slope(candidate.mixture.means @ own_columns.T)
    lines = slope[:, :, None] * np.einsum("mp,kpq->kmq", own_columns, candidate.mixture.roots)
    middle = candidate.on_scale(columns[:1])[0][0]
    pour, left = candidate.depart("pour"), candidate.left_open
    own, alike = _waving(np.sqrt(OWN * pour[at]), columns[:, linear], rng)
    bent, bent_alike = _waving(left[at], candidate.linear(columns), rng)
    shared = np.einsum("kmq,kq->km", lines, lines[:, 0]) + OWN * pour[:, None] * alike[0]
    shared = shared + slope * slope[:, :1] * left[:, None] ** 2 * bent_alike[0]
    tasting = panel * candidate.mixture.scales.sampling
    alone = candidate.depart("melt") + (1 - OWN) * pour + tasting**2
    return (candidate.link.height(b @ own_columns.T + bent) + own, middle[at], shared[at],
            np.sqrt(candidate.depart("round"))[at], np.sqrt(alone)[at], tasting[at])


def _waving(sizes: np.ndarray, at: np.ndarray, rng) -> tuple[np.ndarray, np.ndarray]:
    """Normal draws (n, m) of stated standard deviations (n,), and how alike they are at m formulas, (m, m)."""
    alike = np.exp(-0.5 * ((at[:, None] - at[None]) ** 2).sum(axis=2) / WAVE**2)
    root = np.linalg.cholesky(alike + 1e-8 * np.eye(len(alike)))
    return sizes[:, None] * (rng.standard_normal((len(sizes), len(at))) @ root.T), alike

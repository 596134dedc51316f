"""The hierarchical reading: what the scores and the stated priors say about one attribute over the whole region."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from labkit.attributes import Attribute
from labkit.core.links import LINKS, Link
from labkit.core.posterior import Functions, Mixture, Observed, Prior, integrate
from labkit.core.terms import DegreeBasis, degree_basis
from labkit.trial import Trial

# Prior medians as parts of the scale's width (half-t, 4 df; the root mean square of a part over the region), from
# rehearsals of invented developments: over what a maker lets vary, a score moves by a seventh of its scale
# (2.6 points from end to end for one factor of four on 0..10), and bends by half of that.
CONSTANT = 0.35  # standard deviation of the average level about the middle of the scale
BY_DEGREE = MappingProxyType({1: 0.15, 2: 0.07})
SHIFT, TRUST = 1.0, 0.5  # an expected direction moves its slope by one prior sd; it starts as likely as none
SOURCES = ("round", "melt", "pour")
SAMPLE = 1500
NODES, HEIGHTS = np.polynomial.hermite_e.hermegauss(7)
MANY = 200_000  # rows times Gaussians above which quantiles use fewer Gaussians


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """What all attributes share: a sample of the region, orthonormal functions of it, coordinates as linear ones."""

    trial: Trial
    sample: pd.DataFrame
    basis: DegreeBasis
    directions: pd.DataFrame

    @classmethod
    def of(cls, trial: Trial) -> "Ground":
        sample = trial.region.sample(SAMPLE, seed=0)
        coded = trial.region.coded(sample)
        basis = degree_basis(coded, degree=max(BY_DEGREE))
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


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidate:
    """One scale on which the surface may be straight: its link, its posterior, its weight among the candidates."""

    link: Link
    mixture: Mixture
    weight: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Reading:
    """The posterior of one attribute's surface: candidates weighed by evidence, each a mixture of Gaussians.

    `stated` holds the stated medians of the noise by source.
    """

    attribute: Attribute
    ground: Ground
    candidates: tuple[Candidate, ...]
    stated: Mapping[str, float]

    def moments(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard deviation (m,) of the long-run mean score."""
        first, second = np.zeros(len(columns)), np.zeros(len(columns))
        for candidate in self.candidates:
            middle, spread = _on_scale(candidate, columns)
            share = candidate.weight * candidate.mixture.weights
            first += middle @ share
            second += (middle**2 + spread**2) @ share
        return first, np.sqrt(np.maximum(second - first**2, 0.0))

    def interval(self, columns: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
        """The central interval of the long-run mean score, within the scale."""
        return self._solved(columns, level, _chance_below_mean)

    def interval_of_pour(self, columns: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
        """The central interval of what one new pour, in a new melt of a new round, would score in the long run."""
        return self._solved(columns, level, _chance_below_pour)

    def variance_of_pour(self) -> float:
        """Expected variance of a new pour about the surface: round, melt and pour together."""
        each = [c.weight * (c.mixture.weights @ np.sum(c.mixture.scales.sources**2, axis=1)) for c in self.candidates]
        return float(sum(each))

    def _solved(self, columns, level, chance) -> tuple[np.ndarray, np.ndarray]:
        candidates = [_thinned(c, MANY // max(len(columns), 1)) for c in self.candidates]
        parts = [chance(candidate, columns) for candidate in candidates]
        middle, spread = self.moments(columns)
        wide = 8 * (spread + np.sqrt(self.variance_of_pour())) + 1e-9
        ends = [_quantile(parts, p, middle - wide, middle + wide) for p in ((1 - level) / 2, (1 + level) / 2)]
        return tuple(np.clip(end, self.attribute.low, self.attribute.high) for end in ends)

    @cached_property
    def _drawn(self) -> dict:
        return {}

    def draws(self, columns: np.ndarray, n: int, seed: int) -> np.ndarray:
        """n joint draws (n, m) of the long-run mean score; draw k is the same function wherever it is asked."""
        if (n, seed) not in self._drawn:
            self._drawn.clear()
            self._drawn[n, seed] = self._functions(n, seed)
        pieces = [c.link.height(b @ columns.T) for c, b in self._drawn[n, seed][0]]
        values = np.concatenate(pieces)[self._drawn[n, seed][1]]
        return np.clip(values, self.attribute.low, self.attribute.high)

    def _functions(self, n: int, seed: int) -> tuple[list, np.ndarray]:
        rng = np.random.default_rng(seed)
        share = np.cumsum([c.weight for c in self.candidates])
        at = np.searchsorted(share, (np.arange(n) + rng.uniform()) / n * (1 - 1e-12))
        counts = np.bincount(np.minimum(at, len(share) - 1), minlength=len(share))
        drawn = [(c, c.mixture.draws(int(k), rng)) for c, k in zip(self.candidates, counts, strict=True) if k]
        return drawn, rng.permutation(n)

    def noise_quantiles(self, source: str, levels: tuple[float, ...]) -> np.ndarray:
        """Posterior quantiles of the standard deviation of one of SOURCES."""
        k = SOURCES.index(source)
        return self._quantiles([c.mixture.scales.sources[:, k] for c in self.candidates], levels)

    def stretch_quantiles(self, levels: tuple[float, ...]) -> np.ndarray:
        """Posterior quantiles of what the panel's tester x pour noise is multiplied by, now that the shape is known."""
        return self._quantiles([c.mixture.scales.sampling for c in self.candidates], levels)

    def _quantiles(self, values: list[np.ndarray], levels: tuple[float, ...]) -> np.ndarray:
        values = np.concatenate(values)
        weights = np.concatenate([c.weight * c.mixture.weights for c in self.candidates])
        order = np.argsort(values)
        return np.interp(levels, np.cumsum(weights[order]) - weights[order] / 2, values[order])

    @property
    def expected_names(self) -> tuple[str, ...]:
        """Coordinates with an expected direction, in the order of `trust`."""
        return self.ground.expected(self.attribute)[0]

    def trust(self) -> np.ndarray:
        """Posterior probability of each expected direction."""
        return sum(c.weight * (c.mixture.weights @ c.mixture.expected) for c in self.candidates)

    @property
    def effective(self) -> float:
        """The least effective number of draws behind any candidate that counts."""
        return min(c.mixture.effective for c in self.candidates if c.weight >= 0.01)


def read_hierarchically(
    ground: Ground, attribute: Attribute, means: pd.Series, sampling: pd.DataFrame, unsure: float
) -> Reading:
    """Fit one attribute from its adjusted means by pour and their covariance.

    unsure : how well the panel knows the standard deviation behind that covariance (sd of its logarithm). A pour with a
        single score cannot tell the panel how scattered scores are; repeats and a smooth surface can.
    """
    trial, width = ground.trial, attribute.width
    stated = trial.noise_of(attribute.name)
    prior = Prior(
        centre=(attribute.low + attribute.high) / 2,
        constant=CONSTANT * width,
        degrees=tuple(part * width for part in BY_DEGREE.values()),
        sources=tuple(stated[s] for s in SOURCES),
        unsure=unsure,
        shift=SHIFT,
        trust=TRUST,
    )
    made = trial.made.loc[means.index]
    observed = Observed(
        means=means.to_numpy(dtype=float),
        sampling=sampling.to_numpy(dtype=float),
        sources=np.array([shared(made, s) for s in SOURCES]),
    )
    functions = Functions(
        columns=ground.columns(made[list(trial.recipe.coordinates)]),
        degrees=ground.basis.degrees,
        expected=ground.expected(attribute)[1],
    )
    links = [Link(name=name, low=attribute.low, high=attribute.high) for name in LINKS[:1]]
    fitted = [(link, _posterior(link, observed, functions, prior)) for link in links]
    return Reading(attribute=attribute, ground=ground, candidates=_weighed(fitted), stated=stated)


def shared(made: pd.DataFrame, source: str) -> np.ndarray:
    """1.0 where two pours share a round, a melt, or are the same, (n, n). An unplanned melt is a round of its own."""
    if source == "pour":
        return np.eye(len(made))
    key = made["melt"].astype(str)
    if source == "round":
        key = ("round " + made["round"].astype(str)).where(made["round"] > 0, "unplanned " + key)
    return (key.to_numpy()[:, None] == key.to_numpy()[None, :]).astype(float)


def _posterior(link: Link, observed: Observed, functions: Functions, prior: Prior) -> Mixture:
    """The posterior of b on a straight scale, or with a curved one taken as straight at the fitted values."""
    if link.name == "straight":
        return integrate(observed, functions, prior)
    eta = link.back(observed.means, margin=0.05)
    for _ in range(2):
        slope = link.slope(eta)
        straight = Observed(means=observed.means - link.height(eta) + slope * eta, sampling=observed.sampling,
                            sources=observed.sources)
        tilted = Functions(columns=functions.columns * slope[:, None], degrees=functions.degrees,
                           expected=functions.expected)
        mixture = integrate(straight, tilted, prior)
        eta = functions.columns @ (mixture.weights @ mixture.means)
    return mixture


def _weighed(fitted: list[tuple[Link, Mixture]]) -> tuple[Candidate, ...]:
    """Candidates with their posterior weights; those under a thousandth are dropped."""
    logs = np.array([mixture.log_evidence for _, mixture in fitted])
    share = np.exp(logs - logs.max())
    share = np.where(share < 1e-3 * share.sum(), 0.0, share)
    pairs = zip(fitted, share / share.sum(), strict=True)
    return tuple(Candidate(link=link, mixture=m, weight=float(w)) for (link, m), w in pairs if w > 0)


def _on_scale(candidate: Candidate, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation of h(phi'b) in each Gaussian, (m, K): Gauss-Hermite with seven nodes."""
    middle, spread = candidate.mixture.moments(columns)
    if candidate.link.name == "straight":
        return middle, spread
    heights = np.array([candidate.link.height(middle + node * spread) for node in NODES])
    share = HEIGHTS / HEIGHTS.sum()
    mean = np.tensordot(share, heights, axes=1)
    return mean, np.sqrt(np.tensordot(share, (heights - mean) ** 2, axes=1))


def _chance_below_mean(candidate: Candidate, columns: np.ndarray):
    """A function of scores (m,): weight of this candidate times the chance that the long-run mean lies below them."""
    middle, spread = candidate.mixture.moments(columns)
    share = candidate.weight * candidate.mixture.weights
    return lambda at: ndtr((_back(candidate.link, at)[:, None] - middle) / np.maximum(spread, 1e-12)) @ share


def _chance_below_pour(candidate: Candidate, columns: np.ndarray):
    """As `_chance_below_mean` for one new pour; each Gaussian is taken as normal on the scale of the scores."""
    middle, spread = _on_scale(candidate, columns)
    spread = np.sqrt(spread**2 + np.sum(candidate.mixture.scales.sources**2, axis=1))
    share = candidate.weight * candidate.mixture.weights
    return lambda at: ndtr((at[:, None] - middle) / np.maximum(spread, 1e-12)) @ share


def _back(link: Link, at: np.ndarray) -> np.ndarray:
    """h^-1, infinite beyond an end that h never reaches."""
    if link.name == "straight":
        return at
    eta = link.back(at, margin=1e-9)
    eta = np.where((at <= link.low) & (link.name != "ceiling"), -np.inf, eta)
    return np.where((at >= link.high) & (link.name != "floor"), np.inf, eta)


def _quantile(parts: list, p: float, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Where the summed chances reach p: bisection, to a millionth of the bracket."""
    for _ in range(20):
        middle = 0.5 * (low + high)
        below = sum(part(middle) for part in parts) < p
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high)


def _thinned(candidate: Candidate, most: int) -> Candidate:
    """At most `most` (and never under 64) of the Gaussians, picked by weight, with equal weights."""
    mixture, n = candidate.mixture, max(most, 64)
    if len(mixture.weights) <= n:
        return candidate
    at = np.searchsorted(np.cumsum(mixture.weights), (np.arange(n) + 0.5) / n * (1 - 1e-12))
    fewer = Mixture(weights=np.full(n, 1 / n), means=mixture.means[at], roots=mixture.roots[at],
                    scales=mixture.scales.picked(at), expected=mixture.expected[at], log_evidence=mixture.log_evidence,
                    effective=mixture.effective)
    return Candidate(link=candidate.link, mixture=fewer, weight=candidate.weight)


def normal_multiple(level: float) -> float:
    """The standard normal deviate of a central interval."""
    return float(ndtri(0.5 + level / 2))

"""The hierarchical reading: what the scores and the stated priors say about one attribute over the whole region."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from types import MappingProxyType

import numpy as np
from scipy.special import ndtr, ndtri

from labkit.attributes import Attribute
from labkit.core.importance import systematic, weighted_quantiles
from labkit.core.links import Link, cut, normal_density
from labkit.core.posterior import Mixture
from labkit.surfaces.ground import Ground, System, taken_to_turn
from labkit.wording import plural

SOURCES = ("round", "melt", "pour")
OWN = 0.15  # of the variance of pours about the surface; from rehearsals, whose intervals then cover
# Of the root mean square of the quadratic part, by the highest degree: what bends as none of the functions does. From
# rehearsals as well; with the functions of degree 3 and 4 it is as much, all together, as without them.
LEFT = MappingProxyType({2: 0.35, 4: 0.10})
WAVE = 1.0  # standard deviations of a linear function over the region
NODES, HEIGHTS = np.polynomial.hermite_e.hermegauss(7)
MOST_STEPS = 60  # of a search for a quantile; halving alone needs no more
MANY = 200_000  # rows times Gaussians above which quantiles use fewer Gaussians


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidate:
    """One shape of the surface: its coordinates and link, its posterior over their functions, its weight among all."""

    system: System
    link: Link
    mixture: Mixture
    weight: float

    def on_scale(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard deviation of h(phi'b + what is left open) in each Gaussian, (m, K): Gauss-Hermite, 7 nodes.

        phi are the functions of its system among all `columns`.
        """
        middle, spread = self.mixture.moments(columns[:, self.system.places])
        spread = np.hypot(spread, self.left_open)
        if self.link.name == "straight":
            return middle, spread
        first, second, top = 0.0, 0.0, self._height(middle)
        for node, share in zip(NODES[NODES != 0], HEIGHTS[NODES != 0] / HEIGHTS.sum(), strict=True):
            rise = self._height(middle + node * spread) - top
            first, second = first + share * rise, second + share * rise**2
        return top + first, np.sqrt(np.maximum(second - first**2, 0.0))

    def of_formula(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """`on_scale` with what is a formula's own, (m, K); a straight link leaves the scale, and is cut at its ends."""
        middle, spread = self.on_scale(columns)
        spread = np.sqrt(spread**2 + OWN * self.depart("pour"))
        return cut(middle, spread, self.link.low, self.link.high) if self.link.name == "straight" else (middle, spread)

    def _height(self, eta: np.ndarray) -> np.ndarray:
        return np.clip(self.link.height(eta), self.link.low, self.link.high)

    @property
    def left_open(self) -> np.ndarray:
        """Standard deviation before the link of what bends as none of its functions does, (K,)."""
        scales = self.mixture.scales.degrees
        return LEFT[scales.shape[1]] * scales[:, 1]

    def linear(self, columns: np.ndarray) -> np.ndarray:
        """Linear functions of the coordinates that play a part, among all `columns`, (n, q)."""
        return self.system.of(columns)[:, self.system.degrees == 1]

    def depart(self, source: str) -> np.ndarray:
        """Variance by which a source makes pours depart from the surface, (K,)."""
        return self.mixture.scales.sources[:, SOURCES.index(source)] ** 2


@dataclass(frozen=True, kw_only=True, eq=False)
class Posterior:
    """The posterior of one attribute's surface: shapes weighed by evidence, each a mixture of Gaussians.

    What single pours depart from so smooth a surface is the pour's, or it is the formula's own and would come back in a
    repeat. Without repeats nobody can say which; the share OWN of the variance is taken for the formula's own. And what
    bends is no polynomial: LEFT of the root mean square of the quadratic part is left open before the link (discrepancy
    of a model, Kennedy & O'Hagan 2001, JRSS B 63:425-464).
    `stated` holds the stated medians of the noise by source, `passed_over` the weight, beside all of the candidates
    together, of systems in which some coordinates are idle and that were foretold to count for less.
    """

    attribute: Attribute
    ground: Ground
    candidates: tuple[Candidate, ...]
    stated: Mapping[str, float]
    passed_over: Mapping[tuple[str, ...], float]

    def __repr__(self) -> str:
        return f"<Posterior of {self.attribute.name}: {plural(len(self.candidates), 'shape')}>"

    def moments(self, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard deviation (m,) of the long-run mean score of a formula."""
        first, second = np.zeros(len(columns)), np.zeros(len(columns))
        for candidate in self.candidates:
            middle, spread = candidate.of_formula(columns)
            share = candidate.weight * candidate.mixture.weights
            first += middle @ share
            second += (middle**2 + spread**2) @ share
        return first, np.sqrt(np.maximum(second - first**2, 0.0))

    def interval(self, columns: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
        """The central interval of the long-run mean score, within the scale."""
        return self._solved(columns, level, lambda c: OWN * c.depart("pour"))

    def interval_of_pour(self, columns: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
        """The central interval of what one new pour, in a new melt of a new round, would score in the long run."""
        return self._solved(columns, level, lambda c: sum(c.depart(source) for source in SOURCES))

    def variance_of_pour(self) -> float:
        """Expected variance of a new pour about its formula's long-run mean: round, melt and the rest of pour."""
        parts = {"round": 1.0, "melt": 1.0, "pour": 1 - OWN}
        each = [c.weight * c.mixture.weights @ sum(part * c.depart(s) for s, part in parts.items())
                for c in self.candidates]
        return float(sum(each))

    def _solved(self, columns, level, variance) -> tuple[np.ndarray, np.ndarray]:
        """Quantiles of the mixture, each Gaussian taken as normal on the scale of the scores."""
        parts = []
        for candidate in (_thinned(c, MANY // max(len(columns), 1)) for c in self.candidates):
            middle, spread = candidate.on_scale(columns)
            spread = np.sqrt(spread**2 + variance(candidate)) + 1e-12
            parts.append((middle, spread, candidate.weight * candidate.mixture.weights))
        means, spreads, shares = (np.concatenate(part, axis=-1) for part in zip(*parts, strict=True))
        ends = [_quantile(means, spreads, shares, p) for p in ((1 - level) / 2, (1 + level) / 2)]
        return tuple(np.clip(end, self.attribute.low, self.attribute.high) for end in ends)

    @cached_property
    def _drawn(self) -> dict:
        return {}

    def draws(self, columns: np.ndarray, n: int, seed: int, *, double: bool = False) -> np.ndarray:
        """n joint draws (n, m) of the long-run mean score; draw k of n is the same function wherever it is asked.

        Found in single precision, as simulations ask for millions, unless `double` is wanted.
        """
        if (drawn := self._drawn.get((n, seed))) is None:               # another thread may clear it at any moment
            drawn = self._functions(n, seed)
            self._drawn.clear()
            self._drawn[n, seed] = drawn
        values = drawn.at(columns) if double else drawn.on_scale(drawn.single.at(columns))
        return np.clip(values, self.attribute.low, self.attribute.high, out=values)

    def _functions(self, n: int, seed: int) -> "Drawn":
        """n functions in numbers by weight of the shapes, in random order."""
        rng, share = np.random.default_rng(seed), np.array([c.weight for c in self.candidates])
        counts = np.bincount(systematic(share, n, rng.uniform()), minlength=len(share))
        parts = [_drawn_from(c, int(k), self.ground, rng) for c, k in zip(self.candidates, counts, strict=True)]
        order = np.random.default_rng([seed, n]).permutation(n)
        shape = np.repeat(np.arange(len(counts)), counts)[order]
        links = {}
        for k, candidate in enumerate(self.candidates):
            links.setdefault(candidate.link, []).append(np.flatnonzero(shape == k))
        b, bent, own = (np.concatenate(part)[order] for part in zip(*parts, strict=True))
        return Drawn(b=b, bent=bent, own=own, linear=self.ground.all_linear,
                     constants=np.array([c.system.first for c in self.candidates])[shape],
                     links={link: np.concatenate(rows) for link, rows in links.items()})

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
        return weighted_quantiles(values, weights, levels)

    @property
    def expected_names(self) -> tuple[str, ...]:
        """Coordinates with an expected direction, in the order of `trust`."""
        return self.ground.systems[0].expected_names(self.attribute)

    def trust(self) -> np.ndarray:
        """Posterior probability of each expected direction, (k,)."""
        return self._expected if self.attribute.expect else np.zeros(0)

    @property
    def hill_trust(self) -> float:
        """Posterior probability that it peaks, or dips, where it is taken to do so (`taken_to_turn`); or nan."""
        return float(self._expected[0]) if self.turn else np.nan

    @property
    def turn(self) -> int:
        return taken_to_turn(self.ground.trial, self.attribute)

    @property
    def _expected(self) -> np.ndarray:
        return sum(c.weight * (c.mixture.weights @ c.mixture.expected) for c in self.candidates)

    def idle(self, name: str) -> float:
        """Posterior probability that a coordinate plays no part, over all systems."""
        kept = sum(c.weight for c in self.candidates if name in c.system.idle)
        rest = sum(weight for idle, weight in self.passed_over.items() if name in idle)
        return float((1 - sum(self.passed_over.values())) * kept + rest)

    @property
    def effective(self) -> float:
        """The least effective number of draws behind any candidate that counts."""
        return min(c.mixture.effective for c in self.candidates if c.weight >= 0.01)


@dataclass(frozen=True, kw_only=True, eq=False)
class Drawn:
    """n drawn surfaces h(phi'b + what is left open) + what is a formula's own: b (n, p) for all functions of a ground.

    Both additions, (n, 2 + l), are waves: height, phase and turns by linear function, height cos(phi'turns + phase). A
    Rayleigh height times the cosine of a uniform phase is standard normal; with random turns such a wave has, over the
    draws, a Gaussian covariance of length WAVE in the linear functions (Rahimi & Recht 2007, NeurIPS 20), and it is one
    function wherever it is asked. linear: places (l,) of the linear functions. links: link -> its rows. constants:
    place of the function 1 in each draw (n,).
    """

    b: np.ndarray
    bent: np.ndarray
    own: np.ndarray
    linear: np.ndarray
    links: Mapping[Link, np.ndarray]
    constants: np.ndarray

    @property
    def _scale(self) -> Link:
        """Any of the links: all are of one scale."""
        return next(iter(self.links))

    def on_scale(self, values: np.ndarray) -> np.ndarray:
        """Scores from values of `single`."""
        return values.astype(float) * self._scale.half + self._scale.middle

    @cached_property
    def single(self) -> "Drawn":
        """(y - middle of the scale) / half its width, in single precision: several times as fast."""
        half = self._scale.half
        b, bent, own = self.b / half, self.bent.copy(), self.own.copy()
        b[np.arange(len(b)), self.constants] -= self._scale.middle / half
        for waves in (bent, own):
            waves[:, 0] /= half
        links = {Link(name=link.name, low=-1.0, high=1.0): rows for link, rows in self.links.items()}
        b, bent, own = (part.astype(np.float32) for part in (b, bent, own))
        return replace(self, b=b, bent=bent, own=own, links=links)

    def at(self, columns: np.ndarray) -> np.ndarray:
        """(n, m) at columns (m, p)."""
        columns = columns.astype(self.b.dtype, copy=False)
        values, linear = self.b @ columns.T, columns[:, self.linear]
        values += _waves(self.bent, linear)
        for link, rows in self.links.items():
            if link.name != "straight":
                values[rows] = link.height(values[rows])
        values += _waves(self.own, linear)
        return values


def _waves(waves: np.ndarray, linear: np.ndarray) -> np.ndarray:
    found = waves[:, 2:] @ linear.T
    found += waves[:, 1:2]
    np.cos(found, out=found)
    found *= waves[:, :1]
    return found


def _drawn_from(candidate: Candidate, n: int, ground: Ground, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """b, bent and own of `Drawn` from one shape of the surface."""
    system, size = candidate.system, ground.size
    b, at = candidate.mixture.draws(n, rng)
    whole = np.zeros((n, size))
    whole[:, system.places] = b
    linear = np.zeros((size, int((system.degrees == 1).sum())))
    linear[system.places] = system.lift[:, system.degrees == 1]
    bent = _waving(candidate.left_open[at], linear[ground.all_linear], rng)
    own = _waving(np.sqrt(OWN * candidate.depart("pour")[at]), np.eye(size)[ground.all_linear][:, ground.linear], rng)
    return whole, bent, own


def _waving(sizes: np.ndarray, linear: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Waves of standard deviations `sizes` (n,) over functions phi @ linear, linear (l, d): (n, 2 + l)."""
    turns, phase = rng.standard_normal((len(sizes), linear.shape[1])) / WAVE, rng.uniform(0, 2 * np.pi, len(sizes))
    return np.column_stack([sizes * rng.rayleigh(size=len(sizes)), phase, turns @ linear.T])


def _quantile(means: np.ndarray, spreads: np.ndarray, shares: np.ndarray, p: float) -> np.ndarray:
    """Where the chances of Gaussians (m, K), weighed by shares (K,), reach p: to a millionth of the widest spread.

    It lies among their own quantiles. Newton's steps from that of one Gaussian with the moments of all; where a step
    leaves the bracket, half of it is taken.
    """
    shares, own = shares / shares.sum(), means + ndtri(p) * spreads
    low, high, exact = own.min(axis=1), own.max(axis=1), 1e-6 * spreads.max(axis=1)
    middle = means @ shares
    whole = np.sqrt(np.maximum((spreads**2 + (means - middle[:, None]) ** 2) @ shares, 0.0))
    found, left = np.clip(middle + ndtri(p) * whole, low, high), np.arange(len(means))
    for _ in range(MOST_STEPS):
        at = (found[left, None] - means[left]) / spreads[left]
        over = ndtr(at) @ shares - p
        dense = (normal_density(at) / spreads[left]) @ shares
        low[left], high[left] = np.where(over < 0, found[left], low[left]), np.where(over < 0, high[left], found[left])
        with np.errstate(divide="ignore", invalid="ignore"):
            step = found[left] - over / dense
        inside = (step > low[left]) & (step < high[left])
        step = np.where(inside, step, 0.5 * (low[left] + high[left]))
        moved, found[left] = np.abs(step - found[left]), step
        left = left[moved > exact[left]]
        if not len(left):
            break
    return found


def _thinned(candidate: Candidate, most: int) -> Candidate:
    """At most `most` (and never under 64) of the Gaussians, picked by weight, with equal weights."""
    mixture, n = candidate.mixture, max(most, 64)
    if len(mixture.weights) <= n:
        return candidate
    at = systematic(mixture.weights, n)
    fewer = replace(mixture, weights=np.full(n, 1 / n), means=mixture.means[at], roots=mixture.roots[at],
                    scales=mixture.scales.picked(at), expected=mixture.expected[at])
    return replace(candidate, mixture=fewer)


def normal_multiple(level: float) -> float:
    """The standard normal deviate of a central interval."""
    return float(ndtri(0.5 + level / 2))

"""What all surfaces of a trial share: functions of the region in one or two systems of coordinates, whole or narrowed.

A narrowed system has only the functions of some coordinates: the others play no part in what is scored.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import combinations

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.checks import coordinates_in
from labkit.core.terms import DegreeBasis, degree_basis, narrowed_functions
from labkit.errors import SurfaceError
from labkit.formula import Recipe
from labkit.handing import hands_out_copies
from labkit.region import REACH, Region
from labkit.trial import Trial
from labkit.wording import plural

SAMPLE = 1500
AWAY = 0.2  # of a range: what is less far outside came so from the balance or the thermometer
DEGREE, FURTHER = 2, 4  # the highest degree of the functions, and that with no more than FEW free coordinates
FEW = 2  # coordinates that may play no part, or alone play one
SYSTEMS = ("shares", "masses")


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class System:
    """Orthonormal functions of the region in one system of coordinates, and each coordinate as a linear one of them.

    shares : the coordinates of the trial, coded. masses : a share of something that is itself a share (the colorant
    ratio within the load) is replaced by their product, a mass in the batch: a ratio has no effect without load.
    `first` is the place of its functions among those of all whole systems. A narrowed system, in which the `idle`
    coordinates play no part, has the functions phi @ lift, phi (n, p) those of its whole one, lift (p, q); `absent`
    names them as factors, settings and whole blends. `hill` (q,) is what falls off alike on all sides of the middle.
    """

    name: str
    first: int
    basis: DegreeBasis
    directions: pd.DataFrame
    lift: np.ndarray
    degrees: np.ndarray
    hill: np.ndarray
    idle: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()

    @property
    def places(self) -> slice:
        return slice(self.first, self.first + self.basis.size)

    def of(self, columns: np.ndarray) -> np.ndarray:
        """Its own functions among the columns of all systems, (n, q)."""
        return columns[:, self.places] @ self.lift if self.idle else columns[:, self.places]

    @cached_property
    def _direction_of(self) -> Mapping[str, np.ndarray]:
        """The rows of `directions` by name."""
        return dict(zip(self.directions.index, self.directions.to_numpy(), strict=True))

    def expected_names(self, attribute: Attribute) -> tuple[str, ...]:
        """Coordinates with an expected direction, but for those along which the region has no extent."""
        return tuple(name for name in attribute.expect if np.linalg.norm(self._direction_of[name]) > 1e-9)

    def expected(self, attribute: Attribute) -> np.ndarray:
        """Expected directions (k, q) in the order of `expected_names`: of length one, zero where one plays no part."""
        rows = [attribute.expect[name] * self._direction_of[name] * (name not in self.idle)
                for name in self.expected_names(attribute)]
        rows = [row / np.linalg.norm(row) if row.any() else row for row in (row @ self.lift for row in rows)]
        return np.array(rows).reshape(-1, len(self.degrees))


def taken_to_turn(trial: Trial, attribute: Attribute) -> int:
    """+1 where it is taken to peak, -1 where it is taken to dip, 0 where neither.

    No direction is expected of it, though of others some are: what goes neither up nor down goes up and down. A shade
    is met at a point, and too much is as wrong as too little: the ideal point of unfolding (Coombs 1964, A Theory of
    Data, chapter 5). What is wanted falling is the distance from such a point, and dips where the other would peak.
    """
    if attribute.expect or not any(a.expect for a in trial.attributes.values()):
        return 0
    return -1 if attribute.wanted is not None and attribute.wanted.kind == "falling" else 1


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """A sample of the region and its systems of coordinates, the trial's own first.

    `narrowed` are the systems in which some coordinates play no part; a blend plays its part as a whole or not at all.
    24 pours tell something of the 15 functions that two coordinates have up to degree 4, and little of the 20 or 35
    that three or four have up to degree 3.
    """

    trial: Trial
    sample: pd.DataFrame
    systems: tuple[System, ...]
    narrowed: tuple[System, ...]

    def __repr__(self) -> str:
        return f"<Ground of {self.trial.name}: {plural(self.size, 'function')}>"

    @classmethod
    def of(cls, trial: Trial) -> "Ground":
        """All trials of one region share what follows from it, as long as no pour lies clearly outside.

        So that a range that was narrowed takes away nothing of what is known, functions are laid out over the region
        widened to the pours outside, where those are more than AWAY of a range out and no more than REACH.
        """
        sample, systems, narrowed = _laid_out(trial.region, _with_outside(trial))
        return cls(trial=trial, sample=sample, systems=systems, narrowed=narrowed)

    @property
    def degree(self) -> int:
        """The highest degree of the functions."""
        return _degree_of(self.trial.region)

    def columns(self, frame: pd.DataFrame) -> np.ndarray:
        """The functions of all systems at coordinates, side by side, (m, p)."""
        return np.hstack([s.basis.evaluate(values_in(s.name, self.trial.region, frame)) for s in self.systems])

    @property
    def size(self) -> int:
        """How many functions all systems have together, p."""
        return sum(s.basis.size for s in self.systems)

    @property
    def all_linear(self) -> np.ndarray:
        """Places of the linear functions of all systems."""
        return np.flatnonzero(np.concatenate([s.basis.degrees for s in self.systems]) == 1)

    @property
    def linear(self) -> np.ndarray:
        """Places of the linear functions of the first system, the trial's own."""
        return np.flatnonzero(self.systems[0].basis.degrees == 1)


def _degree_of(region: Region) -> int:
    return FURTHER if region.freedom <= FEW else DEGREE


def _with_outside(trial: Trial) -> Region:
    """The region widened to the judged pours that lie clearly outside and near; itself, where there are none."""
    made = trial.made.loc[trial.made.index.isin(trial.judged["pour"]), list(trial.recipe.coordinates)]
    beyond = trial.region.beyond(made)
    points = made[(beyond > AWAY) & (beyond <= REACH)].to_numpy(dtype=float).tolist()
    return _widened(trial.region, tuple(map(tuple, points)))


@lru_cache(maxsize=4)
def _widened(region: Region, points: tuple[tuple[float, ...], ...]) -> Region:
    return region.widened_to(pd.DataFrame(points, columns=list(region.recipe.coordinates))) if points else region


@lru_cache(maxsize=4)
def _laid_out(region: Region, wide: Region) -> tuple[pd.DataFrame, tuple[System, ...], tuple[System, ...]]:
    """A sample of a region; its whole systems and the narrowed ones, orthonormal over a region as wide or wider."""
    inside, systems, narrowed = region.sample(SAMPLE, seed=0), [], []
    sample = inside if wide is region else wide.sample(SAMPLE, seed=0)
    for name in SYSTEMS:
        values = values_in(name, region, sample)
        if values is not None:
            basis, first = degree_basis(values, degree=_degree_of(region)), sum(s.basis.size for s in systems)
            phi = basis.evaluate(values)
            directions = _directions(sample, phi * (basis.degrees == 1))
            whole = System(name=name, first=first, basis=basis, directions=directions, lift=np.eye(basis.size),
                           degrees=basis.degrees, hill=_hill(phi, basis.degrees))
            systems.append(whole)
            narrowed += _narrower(whole, region, values, phi)
    return inside, tuple(systems), tuple(narrowed)


def _narrower(whole: System, region: Region, values: np.ndarray, phi: np.ndarray) -> Iterator[System]:
    groups, inner = groups_in(whole.name, region), {name for name, _ in nested_shares(region.recipe)}
    for idle in _idle_sets(list(groups)):
        kept = [place for name, places in groups.items() if name not in idle for place in places]
        lift, degrees = narrowed_functions(phi, values[:, kept], degree=_degree_of(region))
        if len(degrees) > 1 and (whole.name == "shares" or inner - set(idle)):
            names = tuple(c for name in idle for c in region.recipe.blends.get(name, (name,)))
            yield replace(whole, lift=lift, degrees=degrees, hill=_hill(phi @ lift, degrees), idle=names, absent=idle)


def _directions(sample: pd.DataFrame, linear: np.ndarray) -> pd.DataFrame:
    """Each standardised coordinate as a combination of the linear functions, a row a coordinate."""
    standard = (sample - sample.mean()) / sample.std(ddof=0).replace(0.0, np.inf)
    return pd.DataFrame(standard.to_numpy().T @ linear / len(sample), index=sample.columns)


def _hill(phi: np.ndarray, degrees: np.ndarray) -> np.ndarray:
    """Minus the sum of squares of the linear functions, as far as it is one of degree two: of length one, (q,)."""
    squares = phi.T @ (phi[:, degrees == 1] ** 2).sum(axis=1) * (degrees == 2)
    return -squares / max(np.linalg.norm(squares), 1e-300)


def _idle_sets(names: list[str]) -> Iterator[tuple[str, ...]]:
    """Which coordinates may play no part: one or two of them, or all but one or two."""
    for count in range(1, len(names)):
        if count <= FEW or len(names) - count <= FEW:
            yield from combinations(names, count)


def groups_in(system: str, region: Region) -> dict[str, list[int]]:
    """Which columns of `values_in` belong to a factor, a setting, or a blend as a whole; of those that vary."""
    recipe, groups, varies = region.recipe, {}, region.recipe.varying
    names = region.coded_names if system == "shares" else recipe.coordinates
    blend_of = {column: name for name, columns in recipe.blends.items() for column in columns}
    coded = {f"{name} ({k})": name for name, columns in recipe.blends.items() for k in range(1, len(columns))}
    for place, name in enumerate(names):
        groups.setdefault(blend_of.get(name, coded.get(name, name)), []).append(place)
    return {name: places for name, places in groups.items() if varies & set(recipe.blends.get(name, (name,)))}


def values_in(system: str, region: Region, frame: pd.DataFrame) -> np.ndarray | None:
    """Coordinates of a frame in a system; None where there are no masses that differ from its shares."""
    if system == "shares":
        return region.coded(frame)
    nested = nested_shares(region.recipe)
    if not nested:
        return None
    names = region.recipe.coordinates
    shares = coordinates_in(frame, names, error=SurfaceError)
    masses = shares.copy()
    for inner, outer in nested:
        masses[:, names.index(inner)] = shares[:, names.index(inner)] * shares[:, names.index(outer)]
    return masses


def nested_shares(recipe: Recipe) -> Sequence[tuple[str, str]]:
    """Pairs (inner, outer) of coordinates that vary: inner is a share of the very set whose share is outer."""
    free = [s for s in recipe.statements if s.column in recipe.varying]
    return [(inner.column, outer.column) for inner in free for outer in free if inner.within == outer.of]

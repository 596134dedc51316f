"""Where a formula may lie: in masses a polytope, beside it the box of the settings; in factors often not convex."""

import itertools
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from labkit.checks import check_whole, coordinates_in
from labkit.core import simplex
from labkit.errors import FormulaError, RegionError
from labkit.formula import SUM_TOLERANCE, Recipe
from labkit.statements import Pieces
from labkit.wording import number_text

TRIES = 400_000
REACH = 2.0  # of a range: pours so far outside tell as much as before it was narrowed; what is further tells little
EDGE = 1e-9  # by which rounding may take a coordinate over its low or high


@dataclass(frozen=True, kw_only=True, eq=False)
class Bound:
    """One low ("least") or high ("most") of a share, as a row with row m <= 0 over the things on the shelf."""

    name: str
    of: Pieces
    within: Pieces
    whole: str
    kind: str
    value: float
    row: np.ndarray

    @property
    def text(self) -> str:
        are = "are" if len(self.of) > 1 and " and " in self.name else "is"
        return f"{self.name} {are} at {self.kind} {self.value:g} of {self.whole}"


@dataclass(frozen=True, kw_only=True, eq=False)
class Region:
    """The formulas that a recipe and its limits allow. `floor` is the least share of the batch that can be weighed."""

    recipe: Recipe
    floor: float = 0.0

    def __post_init__(self):
        self._check_not_empty()
        self._check_wholes()

    @cached_property
    def polytope(self) -> simplex.Polytope:
        """{m : rest rules m = 0, sum m = 1, m >= 0, low within <= of <= high within} over the things on the shelf."""
        recipe, n = self.recipe, len(self.recipe.ingredients)
        below = [bound.row for bound in self.bounds] + list(-np.eye(n))
        equal = np.vstack([np.ones((1, n)), recipe.rest_rows])
        return simplex.Polytope(
            equal=equal,
            equal_to=np.r_[1.0, np.zeros(len(equal) - 1)],
            below=np.array(below),
            below_to=np.zeros(len(below)),
        )

    @cached_property
    def bounds(self) -> tuple[Bound, ...]:
        """Every low and high that says something: those of factors and blend parts first, then the further limits."""
        found = []
        for name, of, within, low, high in self._stated_limits():
            of_row, within_row = self.recipe.shelf.row(of), self.recipe.shelf.row(within)
            whole = self.whole_words(within)
            if low > 0:
                row = low * within_row - of_row
                found.append(Bound(name=name, of=of, within=within, whole=whole, kind="least", value=low, row=row))
            if high < 1:
                row = of_row - high * within_row
                found.append(Bound(name=name, of=of, within=within, whole=whole, kind="most", value=high, row=row))
        return tuple(found)

    def _stated_limits(self):
        for s in self.recipe.statements:
            yield s.column.split(": ")[-1], s.of, s.within, s.low, s.high
        shelf = self.recipe.shelf
        for limit in self.recipe.limits:
            of = shelf.set_of(limit.of, where=limit.name)
            yield shelf.words(of), of, shelf.set_of(limit.within, where=limit.name), limit.low, limit.high

    def whole_words(self, pieces: Pieces) -> str:
        """A whole by the name of the blend that fills it, or by what it holds."""
        for blend in self.recipe.blend_list:
            if self.recipe.shelf.set_of(blend.parts, where=blend.name) == pieces:
                return f"the {blend.name}"
        return self.recipe.shelf.words(pieces)

    def _check_not_empty(self) -> None:
        try:
            _ = self._chart
        except simplex.EmptyPolytope:
            raise RegionError(f"no formula fits these limits: {self._conflict()}. Widen one of them.") from None

    def _conflict(self) -> str:
        texts = [bound.text for bound in self.clashing()]
        if not texts:
            return "the fixed rest leaves no room"
        return ", ".join(texts[:-1]) + (", but " if len(texts) > 1 else "") + texts[-1]

    def clashing(self, *further: np.ndarray) -> tuple[Bound, ...]:
        """Limits that contradict each other, or the rows `further` (each r m <= 0): none of them can be spared.

        A deletion filter (Chinneck 2008, Feasibility and Infeasibility in Optimization, section 6.2.1).
        """
        bounds = list(self.bounds)
        for bound in self.bounds:
            fewer = [b for b in bounds if b is not bound]
            if self._is_empty([b.row for b in fewer] + list(further)):
                bounds = fewer
        return tuple(bounds)

    def _is_empty(self, rows: list[np.ndarray]) -> bool:
        """Whether nothing satisfies these rows (1e4 of each, as solvers forgive 1e-7), no whole of a ratio being 0."""
        wholes = [s.within_row for s in self.recipe.statements]
        n, whole = len(self.recipe.ingredients), self.polytope
        below = np.array([*(row / 1e-4 for row in rows), *-np.eye(n), *(-w for w in wholes)])
        room = np.r_[np.zeros(len(rows) + n), np.full(len(wholes), -1e-3)]
        try:
            simplex.lowest_point(
                simplex.Polytope(equal=whole.equal, equal_to=whole.equal_to, below=below, below_to=room), np.zeros(n)
            )
        except simplex.EmptyPolytope:
            return True
        return False

    def _check_wholes(self) -> None:
        """Each ratio has a whole that a balance can weigh everywhere in the region."""
        for s in self.recipe.statements:
            if np.allclose(s.within_row, 1.0):
                continue
            least = simplex.extent(self.polytope, s.within_row)[0]
            if least < max(self.floor, 1e-9) * (1 - 1e-9):
                words = self.recipe.shelf.words(s.within)
                raise FormulaError(
                    f"{s.column} is a share of {words}, which may go down to {number_text(100 * least, 3)} % of the "
                    f"batch, less than one balance step. Raise the low of {words}, or hold {s.column} fixed."
                )

    @cached_property
    def _chart(self) -> simplex.Chart:
        return simplex.chart(self.polytope)

    @property
    def dimension(self) -> int:
        """Free dimensions of the formulas; settings are beside them."""
        return self._chart.dimension

    @property
    def freedom(self) -> int:
        """How many coordinates can be chosen freely: the dimensions of the formulas, and the settings that vary."""
        return self.dimension + sum(s.high > s.low for s in self.recipe.setting_list)

    def vertices(self) -> pd.DataFrame:
        """A row a corner of what may be poured: ingredient columns, g/g."""
        return self._formulas(self._vertices)

    def face_centroids(self) -> pd.DataFrame:
        """The mean of the corners of each facet: ingredient columns, g/g."""
        corners = self._vertices
        return self._formulas([corners[members].mean(axis=0) for members in simplex.faces(self.polytope, corners)])

    def edge_midpoints(self) -> pd.DataFrame:
        """The middle of each edge, in masses: ingredient columns, g/g."""
        corners = self._vertices
        return self._formulas([corners[pair].mean(axis=0) for pair in simplex.edges(self.polytope, corners)])

    def centroid(self) -> pd.DataFrame:
        """The mean of the vertices, one row: ingredient columns, g/g."""
        return self._formulas([self._vertices.mean(axis=0)])

    def _formulas(self, masses: list[np.ndarray] | np.ndarray) -> pd.DataFrame:
        clipped = np.clip(np.reshape(masses, (-1, len(self.recipe.ingredients))), 0.0, None)
        return pd.DataFrame(clipped / clipped.sum(axis=1, keepdims=True), columns=list(self.recipe.ingredients))

    @cached_property
    def _vertices(self) -> np.ndarray:
        return simplex.vertices(self.polytope)

    def contains(self, frame: pd.DataFrame, tolerance: float = simplex.TOLERANCE) -> np.ndarray:
        """Whether each formula (ingredient columns, g/g) keeps every rule and limit within `tolerance` [g/g]."""
        return simplex.contains(self.polytope, self.recipe.fractions_in(frame), tolerance)

    def corners(self) -> pd.DataFrame:
        """Coordinates of the vertices, crossed with the corners of the box of settings."""
        inner = self.recipe.factors_of(self.vertices())
        box = list(itertools.product(*[dict.fromkeys((s.low, s.high)) for s in self.recipe.setting_list]))
        crossed = inner.loc[inner.index.repeat(len(box))].reset_index(drop=True)
        for k, setting in enumerate(self.recipe.settings):
            crossed[setting] = [values[k] for values in box] * len(inner)
        return crossed

    def sample(self, n: int, seed: int = 0) -> pd.DataFrame:
        """n points of the region, settings included: uniform on coded factors (blends: on their shares).

        Drawn over the box of factors, kept where they keep the limits. Where about TRIES of them give fewer than n
        points, none of those is kept and all n are uniform in masses instead, their settings uniform: in factors that
        are ratios such points are denser where the whole of the ratio weighs more. A blend of five parts or more, and
        masses of more than three free dimensions, are drawn by a random walk, so nearly uniform.
        """
        n = check_whole(n, name="n", low=1, high=TRIES, error=RegionError)
        rng = np.random.default_rng(check_whole(seed, name="seed", low=0, high=2**32, error=RegionError))
        kept, found, tried = [], 0, 0
        while found < n and tried < TRIES:
            size = max(n, 256) if not tried else min(TRIES, 4 * tried)
            points = self._box_points(rng, size)
            inside = self.keeps(points)
            kept.append(points[inside])
            found, tried = found + int(inside.sum()), tried + size
        if found < n:
            return self._mass_sample(n, seed)
        return pd.concat(kept, ignore_index=True).iloc[:n]

    def _box_points(self, rng: np.random.Generator, n: int) -> pd.DataFrame:
        """Uniform over the ranges of factors and settings and over the bounded simplex of each blend."""
        recipe = self.recipe
        columns = {}
        for s in recipe.shares:
            columns[s.name] = rng.uniform(s.low, s.high, size=n)
        for blend in recipe.blend_list:
            shares = simplex.uniform_points(_bounded_simplex(blend.low, blend.high), n, int(rng.integers(2**31)))
            columns |= {c: shares[:, k] for k, c in enumerate(blend.columns)}
        for s in recipe.setting_list:
            columns[s.name] = rng.uniform(s.low, s.high, size=n)
        return pd.DataFrame({name: columns[name] for name in recipe.coordinates}, index=range(n))

    def keeps(self, points: pd.DataFrame, tolerance: float = simplex.TOLERANCE) -> np.ndarray:
        """Whether the formula at each row of factors exists and keeps every limit within `tolerance` [g/g]."""
        masses = self.recipe.masses_at(coordinates_in(points, self.recipe.factors, error=RegionError))
        return simplex.contains(self.polytope, masses, tolerance) & np.isfinite(masses).all(axis=1)

    def includes(self, points: pd.DataFrame) -> np.ndarray:
        """Whether each row of coordinates is a formula within every limit, and its settings within their ranges."""
        recipe, (low, high) = self.recipe, self.recipe.box
        values = coordinates_in(points, recipe.coordinates, error=RegionError)
        fits = ((values >= low - EDGE) & (values <= high + EDGE)).all(axis=1)
        for columns in recipe.blends.values():
            whole = values[:, [recipe.coordinates.index(c) for c in columns]].sum(axis=1)
            fits &= np.abs(whole - 1) <= SUM_TOLERANCE
        fits[fits] = self.keeps(points[fits])
        return fits

    def beyond(self, points: pd.DataFrame) -> np.ndarray:
        """How far each point (its coordinates) is outside, (n,), 0 inside: a part of the range or limit that it breaks
        most. What does not vary does not count."""
        recipe = self.recipe
        low, high = (np.r_[ends, [getattr(b, side) for b in recipe.limits]]
                     for ends, side in zip(recipe.box, ("low", "high"), strict=True))
        values = np.hstack([coordinates_in(points, recipe.coordinates, error=RegionError), self._limited(points)])
        free = high > low
        return (np.maximum(low - values, values - high)[:, free] / (high - low)[free]).max(axis=1, initial=0.0)

    def _limited(self, points: pd.DataFrame) -> np.ndarray:
        """The share that each further limit bounds, (n, limits)."""
        recipe = self.recipe
        masses = recipe.masses_at(coordinates_in(points, recipe.factors, error=RegionError))
        rows = [[recipe.shelf.row(recipe.shelf.set_of(names, where=b.name)) for names in (b.of, b.within)]
                for b in recipe.limits]
        return np.array([masses @ of / np.maximum(masses @ within, 1e-300)
                         for of, within in rows]).reshape(len(rows), len(points)).T

    def widened_to(self, points: pd.DataFrame) -> "Region":
        """The region with every low, high and limit as wide as these points (their coordinates) are out.

        What does not vary stays where it is. Nothing is poured there, so a whole may be less than a balance can weigh.
        """
        recipe = self.recipe

        def wider(low: float, high: float, values: np.ndarray) -> dict:
            if not high > low:
                return {"low": low, "high": high}
            return {"low": float(min(low, values.min())), "high": float(max(high, values.max()))}

        def parts(blend) -> dict:
            sides = [wider(low, high, points[c].to_numpy(dtype=float))
                     for c, low, high in zip(blend.columns, blend.low, blend.high, strict=True)]
            return {side: tuple(each[side] for each in sides) for side in ("low", "high")}

        def own(statement) -> dict:
            return wider(statement.low, statement.high, points[statement.name].to_numpy(dtype=float))

        wide = replace(
            recipe,
            shares=tuple(replace(s, **own(s)) for s in recipe.shares),
            blend_list=tuple(replace(b, **parts(b)) for b in recipe.blend_list),
            setting_list=tuple(replace(s, **own(s)) for s in recipe.setting_list),
            limits=tuple(replace(b, **wider(b.low, b.high, shares))
                         for b, shares in zip(recipe.limits, self._limited(points).T, strict=True)),
        )
        return Region(recipe=wide)

    def _mass_sample(self, n: int, seed: int) -> pd.DataFrame:
        """Points uniform in masses, for a region that fills too little of its box (see `sample`)."""
        rng = np.random.default_rng(seed + 1)
        masses = simplex.uniform_points(self.polytope, n, seed)
        masses = np.clip(masses, 0, None)
        points = self.recipe.factors_of(
            pd.DataFrame(masses / masses.sum(axis=1, keepdims=True), columns=list(self.recipe.ingredients))
        )
        for s in self.recipe.setting_list:
            points[s.name] = rng.uniform(s.low, s.high, size=n)
        return points

    # Coded coordinates

    @property
    def coded_names(self) -> tuple[str, ...]:
        """Names of the coded coordinates: q - 1 for a blend of q parts."""
        names = [s.name for s in self.recipe.shares]
        for blend in self.recipe.blend_list:
            names += [f"{blend.name} ({k})" for k in range(1, len(blend.parts))]
        return (*names, *self.recipe.settings)

    def coded(self, frame: pd.DataFrame) -> np.ndarray:
        """Coded coordinates (m, d): factors and settings run from -1 to 1 over low..high; a blend of q parts has q - 1
        isometric coordinates H (x - middle) / (half of the widest range), H the Helmert rows: all parts count alike.
        """
        middle, turn = self._coding
        return (coordinates_in(frame, self.recipe.coordinates, error=RegionError) - middle) @ turn

    @cached_property
    def _coding(self) -> tuple[np.ndarray, np.ndarray]:
        """Middle of each coordinate (D,) and what turns its distance from there into coded coordinates (D, d)."""
        from scipy.linalg import helmert

        recipe, names = self.recipe, list(self.recipe.coordinates)
        middle, turn, k = np.mean(recipe.box, axis=0), np.zeros((len(names), len(self.coded_names))), 0
        blends = [(blend.columns, blend.low, blend.high) for blend in recipe.blend_list]
        singles = [[((s.name,), (s.low,), (s.high,)) for s in of] for of in (recipe.shares, recipe.setting_list)]
        for columns, low, high in (*singles[0], *blends, *singles[1]):
            rows = helmert(len(columns)) if len(columns) > 1 else np.eye(1)
            half = np.subtract(high, low).max() / 2 or 1.0
            turn[[names.index(c) for c in columns], k:k + len(rows)] = rows.T / half
            k += len(rows)
        return middle, turn


def _bounded_simplex(low, high) -> simplex.Polytope:
    q = len(low)
    return simplex.Polytope(
        equal=np.ones((1, q)),
        equal_to=[1.0],
        below=np.vstack([np.eye(q), -np.eye(q)]),
        below_to=np.r_[np.asarray(high, dtype=float), -np.asarray(low, dtype=float)],
    )

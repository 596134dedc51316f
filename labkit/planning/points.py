"""Formulas with settings that may be poured: candidates, their pots, and small moves between them."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from labkit.formula import Recipe
from labkit.region import Region

SAMPLE = 60  # points of the inside, beside corners and midpoints
MOST_POTS = 24
MOST_STIRRED = 150
MOST_CORNERS = 300
MOST_POINTS = 1000
PAIRS = 5000  # midpoints looked at before they are thinned out
SAME = 1e-7  # coordinates and shares closer than this are one


@dataclass(frozen=True, kw_only=True, eq=False)
class Points:
    """Formulas (m, ingredients) g/g and settings (m, settings) of one recipe."""

    recipe: Recipe
    formulas: np.ndarray
    settings: np.ndarray

    def __len__(self) -> int:
        return len(self.formulas)

    @classmethod
    def at(cls, recipe: Recipe, coordinates: pd.DataFrame) -> "Points":
        """The formulas at these coordinates."""
        plain = coordinates[list(recipe.coordinates)].reset_index(drop=True)
        return cls(
            recipe=recipe,
            formulas=recipe.formula_at(plain).to_numpy(dtype=float),
            settings=plain[list(recipe.settings)].to_numpy(dtype=float),
        )

    def frame(self) -> pd.DataFrame:
        """Ingredient columns, g/g."""
        return pd.DataFrame(self.formulas, columns=list(self.recipe.ingredients))

    def coordinates(self) -> pd.DataFrame:
        """Factor and setting columns."""
        found = self.recipe.factors_of(self.frame())
        return found.assign(**{name: self.settings[:, k] for k, name in enumerate(self.recipe.settings)})

    def take(self, places) -> "Points":
        """The points at these places, or where a mask is true."""
        return replace(self, formulas=self.formulas[places], settings=self.settings[places])

    def joined(self, other: "Points") -> "Points":
        return replace(
            self,
            formulas=np.vstack([self.formulas, other.formulas]),
            settings=np.vstack([self.settings, other.settings]),
        )

    def towards(self, other: "Points", share: float) -> "Points":
        """(1 - share) of each point and `share` of the other, in masses: inside where both are."""
        return replace(
            self,
            formulas=(1 - share) * self.formulas + share * other.formulas,
            settings=(1 - share) * self.settings + share * other.settings,
        )

    def with_pots_of(self, pots: "Points") -> "Points":
        """These points with the pot's composition, and the settings that are per melt, of others, row by row."""
        recipe, settings = self.recipe, self.settings.copy()
        formulas = recipe.with_pot_of(pots.frame(), self.frame()).to_numpy(dtype=float)
        shared = [name in recipe.per_melt for name in recipe.settings]
        settings[:, shared] = pots.settings[:, shared]
        return replace(self, formulas=formulas, settings=settings)

    def inside(self, region: Region, tolerance: float = 1e-9) -> np.ndarray:
        """Whether each formula keeps the limits (settings are taken from within theirs)."""
        return region.contains(self.frame(), tolerance=tolerance)

    def pot_keys(self) -> np.ndarray:
        """What all pours of a melt share: composition of the pot, and settings that are per melt."""
        recipe = self.recipe
        pot = [name in recipe.pot for name in recipe.ingredients]
        masses = self.formulas[:, pot]
        whole = masses.sum(axis=1, keepdims=True)
        shared = [name in recipe.per_melt for name in recipe.settings]
        return np.hstack([masses / np.where(whole > 0, whole, 1), self.settings[:, shared] / self._spans()[shared]])

    def stirred_keys(self) -> np.ndarray:
        """What each pour has for itself: what is stirred in, and so the pot's total; the other settings."""
        recipe = self.recipe
        pot = [name in recipe.pot for name in recipe.ingredients]
        own = [name not in recipe.per_melt for name in recipe.settings]
        stirred = self.formulas[:, np.logical_not(pot)]
        return np.hstack([stirred, self.settings[:, own] / self._spans()[own]])

    def keys(self) -> np.ndarray:
        """Masses and settings, each divided by its range: for telling points apart."""
        return scaled(np.hstack([self.formulas, self.settings]))

    def _spans(self) -> np.ndarray:
        return np.array([s.high - s.low or 1.0 for s in self.recipe.setting_list])

    def only_pots(self) -> "Points":
        """The same pots, all as large as the batch."""
        pot = np.array([name in self.recipe.pot for name in self.recipe.ingredients])
        masses = self.formulas * pot
        return replace(self, formulas=masses / masses.sum(axis=1, keepdims=True))

    def mean(self) -> "Points":
        return replace(self, formulas=self.formulas.mean(axis=0)[None], settings=self.settings.mean(axis=0)[None])


def base_points(region: Region, inside: pd.DataFrame) -> Points:
    """Corners, midpoints of pairs of corners, the centroid and some of a sample of the inside, each once.

    A midpoint is taken in coordinates (the middle level of each factor), and in masses where that lies outside.
    Where there are too many corners or midpoints, those furthest apart stay.
    """
    corners = corner_points(region)
    one, other = _pairs(len(corners))
    found = corners.joined(_midpoints(region, corners, one, other)).joined(centroid(region))
    found = found.joined(Points.at(region.recipe, inside.iloc[:SAMPLE]))
    return found.take(spread_out(region.coded(found.coordinates()), most=MOST_POINTS, first=len(corners)))


def corner_points(region: Region) -> Points:
    """The corners of the region, settings at their ends; the furthest apart where there are very many."""
    corners = region.corners()
    kept = spread_out(region.coded(corners), most=MOST_CORNERS)
    return Points.at(region.recipe, corners.iloc[kept])


def centroid(region: Region) -> Points:
    """The mean of the vertices, settings at mid-range."""
    middle = region.vertices().mean(axis=0).to_numpy()[None]
    settings = np.array([[(s.low + s.high) / 2 for s in region.recipe.setting_list]])
    return Points(recipe=region.recipe, formulas=middle / middle.sum(), settings=settings.reshape(1, -1))


def _pairs(count: int) -> tuple[np.ndarray, np.ndarray]:
    """All pairs of places, or as many as are looked at, drawn by a fixed lot."""
    one, other = np.triu_indices(count, k=1)
    if len(one) > PAIRS:
        drawn = np.sort(np.random.default_rng(0).choice(len(one), size=PAIRS, replace=False))
        one, other = one[drawn], other[drawn]
    return one, other


def _midpoints(region: Region, corners: Points, one: np.ndarray, other: np.ndarray) -> Points:
    by_mass = corners.take(one).towards(corners.take(other), 0.5)
    coordinates = corners.coordinates()
    middle = (coordinates.iloc[one].reset_index(drop=True) + coordinates.iloc[other].reset_index(drop=True)) / 2
    formulas, fits = by_mass.formulas.copy(), np.zeros(len(one), dtype=bool)
    if len(one) and _all_formulas(region, middle):
        by_level = Points.at(region.recipe, middle)
        fits = by_level.inside(region)
        formulas[fits] = by_level.formulas[fits]
    return replace(by_mass, formulas=formulas)


def _all_formulas(region: Region, coordinates: pd.DataFrame) -> bool:
    """Whether every row is a formula at all (none would need a negative mass)."""
    try:
        region.recipe.formula_at(coordinates)
    except ValueError:
        return False
    return True


def spread_out(coded: np.ndarray, *, most: int, first: int = 0) -> np.ndarray:
    """Places of distinct rows, at most `most`: the `first` rows, then always the one furthest from those chosen.

    Without room for the first rows all are chosen by distance (Kennard & Stone 1969, Technometrics 11:137).
    """
    keys = np.round(coded / SAME).astype(np.int64)
    places = np.sort(np.unique(keys, axis=0, return_index=True)[1]) if coded.shape[1] else np.array([0])
    if len(places) <= most:
        return places
    rows = coded[places]
    chosen = list(np.flatnonzero(places < first)) if first < most else []
    chosen = chosen or [int(np.argmax(np.sum((rows - rows.mean(axis=0)) ** 2, axis=1)))]
    gaps = np.min([np.sum((rows - rows[k]) ** 2, axis=1) for k in chosen], axis=0)
    while len(chosen) < most:
        chosen.append(int(np.argmax(gaps)))
        gaps = np.minimum(gaps, np.sum((rows - rows[chosen[-1]]) ** 2, axis=1))
    return places[np.sort(chosen)]


@dataclass(frozen=True, kw_only=True, eq=False)
class Offer:
    """Points that may be poured, each with the number of its pot among `pots` and of its own part among `parts`."""

    points: Points
    pot: np.ndarray
    part: np.ndarray
    pots: Points
    parts: Points

    def kept(self, fits: np.ndarray) -> "Offer":
        """The offer without some of its points."""
        return replace(self, points=self.points.take(fits), pot=self.pot[fits], part=self.part[fits])


def offer(region: Region, base: Points) -> Offer:
    """The pots of the region crossed with the stirred-in parts of the base points, as far as that lies inside.

    Without a pot every point has its own, and the base points themselves are the offer.
    """
    if not region.recipe.pot:
        places = np.arange(len(base))
        return Offer(points=base, pot=np.zeros_like(places), part=places, pots=base.take([0]), parts=base)
    parts = base.take(spread_out(scaled(base.stirred_keys()), most=MOST_STIRRED))
    return crossed(region, _pots(region), parts)


def with_control(found: Offer, region: Region, control: Points, *, tolerance: float) -> Offer:
    """The offer with a pour to be repeated: the parts that fit its pot, and itself as the last point."""
    if region.recipe.pot:
        beside = crossed(region, control, found.parts, tolerance=tolerance)
        place = len(found.pots)
    else:
        beside, place = found.kept(np.zeros(len(found.points), dtype=bool)), 0
    return Offer(
        points=found.points.joined(beside.points).joined(control),
        pot=np.concatenate([found.pot, np.full(len(beside.points) + 1, place)]),
        part=np.concatenate([found.part, beside.part, [len(found.parts)]]),
        pots=found.pots.joined(control),
        parts=found.parts.joined(control),
    )


def _pots(region: Region) -> Points:
    """Pots of the corners, midpoints between them, and their mean."""
    corners = corner_points(region)
    pots = corners.take(spread_out(scaled(corners.pot_keys()), most=MOST_POTS)).only_pots()
    one, other = _pairs(len(pots))
    between = pots.take(one).towards(pots.take(other), 0.5)
    found = pots.joined(between).joined(pots.mean())
    return found.take(spread_out(scaled(found.pot_keys()), most=MOST_POTS, first=len(pots)))


def crossed(region: Region, pots: Points, parts: Points, *, tolerance: float = 1e-9) -> Offer:
    """Every pot with every stirred-in part, as far as that lies inside."""
    pot, part = np.indices((len(pots), len(parts))).reshape(2, -1)
    points = parts.take(part).with_pots_of(pots.take(pot))
    found = Offer(points=points, pot=pot, part=part, pots=pots, parts=parts)
    return found.kept(points.inside(region, tolerance))


def scaled(keys: np.ndarray) -> np.ndarray:
    """Keys with each column divided by its range; columns that do not vary are dropped."""
    spans = np.ptp(keys, axis=0)
    return keys[:, spans > SAME] / spans[spans > SAME]

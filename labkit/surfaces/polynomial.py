"""What the classical polynomial says: coefficients, how parts blend, where it turns, which way leads up."""

import numpy as np
import pandas as pd

from labkit.attributes import Attribute, decimals
from labkit.core import canonical
from labkit.surfaces.classical import Classical
from labkit.wording import grid_of, heading, line, p_texts, short_text, words_joined

RADII = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5)  # coded distance from the middle of the limits
SURE = 0.05  # p below which blending is put into words: of all pairs together, then of each


def quadratic_of(classical: Classical) -> tuple[float, np.ndarray, np.ndarray]:
    """b0, b (d,) and symmetric B (d, d) of a polynomial in coded factors and settings, without blends."""
    powers = classical.terms.exponents
    b0, slope, bend = 0.0, np.zeros(powers.shape[1]), np.zeros((powers.shape[1],) * 2)
    for row, value in zip(powers, classical.fit.coefficients, strict=True):
        places = np.repeat(np.arange(len(row)), row)
        if len(places) == 2:
            bend[places[0], places[1]] += value / 2
            bend[places[1], places[0]] += value / 2
        elif len(places) == 1:
            slope[places[0]] += value
        else:
            b0 += value
    return b0, slope, bend


def canonical_of(classical: Classical) -> canonical.Canonical:
    """Stationary point (coded), the level there, eigenvalues and axes of the fitted polynomial."""
    return canonical.canonical(*quadratic_of(classical))


def uncoded(classical: Classical, coded: np.ndarray) -> pd.DataFrame:
    """Coded factors and settings (m, d) in their own units; what the pours hardly differ in is as in them."""
    names = list(classical.recipe.coordinates)
    low, high = (classical.recipe.bounds.loc[names, side].to_numpy() for side in ("low", "high"))
    points = pd.DataFrame((low + high) / 2 + np.atleast_2d(coded) * (high - low) / 2, columns=names)
    return points.assign(**classical.still)


def stationary_of(classical: Classical) -> pd.DataFrame:
    """The stationary point in the units of its coordinates, a row, with the level there, what it is, and if inside.

    What it is, in what the model speaks of: what is pinned, or hardly differs, makes no ridge of a peak.
    """
    form, (b0, slope, bend), live = canonical_of(classical), quadratic_of(classical), _live(classical)
    point = uncoded(classical, form.point)
    kind = canonical.canonical(b0, slope[live], bend[np.ix_(live, live)]).kind
    return point.assign(level=form.level, kind=kind, inside=classical.region.includes(point))


def _live(classical: Classical) -> list[int]:
    """Places of the coordinates that the model speaks of: not pinned, and differing among the pours."""
    return [k for k, c in enumerate(classical.recipe.coordinates)
            if c in classical.recipe.varying and c not in classical.still]


def way_up(classical: Classical, radii=RADII) -> pd.DataFrame:
    """The highest point at each coded distance from the middle: ridge path, or steepest ascent of a straight model.

    A row a distance: the coordinates, the level there, and whether the formula is inside the limits. All of the way is
    walked in what the model speaks of: along what is pinned, past a peak, no distance would be one.
    """
    (b0, slope, bend), live = quadratic_of(classical), _live(classical)
    steps = np.asarray(radii, dtype=float)
    path = np.zeros((len(steps), len(slope)))
    path[:, live] = (canonical.ridge_path(slope[live], bend[np.ix_(live, live)], steps) if bend.any()
                     else canonical.steepest_path(slope[live], steps))
    level, points = canonical.height(b0, slope, bend, path), uncoded(classical, path)
    points = points.assign(level=level, inside=classical.region.includes(points))
    return points.set_index(pd.Index(steps, name="coded distance"))


def pairs_of_parts(classical: Classical) -> dict[int, tuple[str, str]]:
    """Place of each blending term x_i x_j among the coefficients -> the two parts of one blend."""
    names, found = np.array(classical.recipe.coordinates), {}
    for parts in classical.recipe.blends.values():
        for place, powers in enumerate(classical.terms.exponents):
            pair = tuple(names[powers > 0])
            if len(pair) == 2 and set(pair) <= set(parts):
                found[place] = pair
    return found


def any_blending(classical: Classical) -> float:
    """p that no pair of parts blends: b' C^-1 b / k of the k coefficients beside F(k, df), chi-squared without df."""
    from scipy.special import chdtrc, fdtrc

    places = list(pairs_of_parts(classical))
    b, k = classical.fit.coefficients[places], len(places)
    covariance = classical.scale * classical.fit.covariance[np.ix_(places, places)]
    wald = float(b @ np.linalg.solve(covariance, b))
    return float(fdtrc(k, classical.scale_df, wald / k) if classical.scale_df else chdtrc(k, wald))


def blends_apart(classical: Classical) -> pd.DataFrame:
    """By how much a pair of parts, half of the one exchanged for the other, departs from the average of the two ends.

    Along an exchange of part j for part i the Scheffe quadratic is h^2 b_ij above the average of two formulas that are
    2 h apart in each; they are as far apart as these pours are: h = half the range of (x_i - x_j) / 2. In a whole
    simplex it is the synergism b_ij / 4 of Scheffe (1958, JRSS B 20:344-360). A row a pair: first, second, apart, low,
    high (90 %), p.
    """
    rows, table = [], classical.coefficients
    for place, (first, second) in pairs_of_parts(classical).items():
        exchanged = (classical.made[first] - classical.made[second]) / 2
        row = table.iloc[place] * (np.ptp(exchanged) / 2) ** 2
        rows.append((first, second, row["estimate"], row["low"], row["high"], table["p"].iloc[place]))
    return pd.DataFrame(rows, columns=["first", "second", "apart", "low", "high", "p"])


def blending(classical: Classical, scale: Attribute) -> list[str]:
    """`candelilla wax and mango butter together score 1.1 higher than their average`: where that is sure."""
    if not pairs_of_parts(classical) or not any_blending(classical) < SURE:
        return []
    table, sentences = blends_apart(classical), []
    for row in table[table["p"] < SURE].itertuples():
        words = words_joined([name.split(": ")[-1] for name in (row.first, row.second)])
        low, high = sorted(abs(end) for end in (row.low, row.high))
        apart, side = scale.with_unit(scale.told(abs(row.apart))), "higher" if row.apart > 0 else "lower"
        sentences.append(f"{words} together {'read' if scale.is_read else 'score'} {apart} {side} than their average "
                         f"(90 %: {scale.told(low)} to {scale.told(high)}), exchanged as far as in "
                         "these pours.")
    return sentences


def turning(classical: Classical, scale: Attribute) -> list[str]:
    """Where the polynomial turns, and which way leads up when that is out of reach."""
    if classical.recipe.blends or classical.model == "constant":
        return []
    sentences, bends = [], quadratic_of(classical)[2].any()
    if bends:
        found = stationary_of(classical).iloc[0]
        sentences.append(f"The classical polynomial has its {found['kind']}, {_level(found, scale)}, at "
                         f"{_place(classical, found)}, {_side(found)} the limits.")
    if not bends or not (found["inside"] and found["kind"] == "peak"):
        row = way_up(classical, (1.0,)).iloc[0]
        sentences.append(f"One coded unit from the middle it is highest at {_place(classical, row)}, {_side(row)} the "
                         f"limits: {_level(row, scale)}.")
    return sentences


def _side(found: pd.Series) -> str:
    return "within" if found["inside"] else "outside"


def _level(found: pd.Series, scale: Attribute) -> str:
    """A height, and that it is none of the scale where it leaves that."""
    beyond = not scale.low <= found["level"] <= scale.high
    return scale.told(found["level"], 2) + " (past the end of the scale)" * beyond


def _place(classical: Classical, row: pd.Series) -> str:
    return words_joined([f"{name} {short_text(row[name])}" for name in classical.recipe.coordinates])


def polynomial_blocks(classical: Classical, scale: Attribute) -> list:
    """The block of the report for people who check."""
    places = dict.fromkeys(("estimate", "se", "low", "high"), decimals(2, scale.finer))
    found = classical.coefficients
    table = grid_of(found.assign(p=p_texts(found["p"])), digits=places, index="term")
    words = [*blending(classical, scale), *turning(classical, scale)]
    return [heading("The classical polynomial"), table, *(line(text) for text in words)]

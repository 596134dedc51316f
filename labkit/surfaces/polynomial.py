"""What the classical polynomial says: coefficients, how parts blend, where it turns, which way leads up."""

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.core import canonical
from labkit.surfaces.classical import Classical
from labkit.wording import grid_of, heading, line, short_text, words_joined

RADII = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5)  # coded distance from the middle of the limits
SURE = 0.1  # p below which a coefficient is put into words


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
    """Coded factors and settings (m, d) in their own units."""
    names = list(classical.recipe.coordinates)
    low, high = (classical.recipe.bounds.loc[names, side].to_numpy() for side in ("low", "high"))
    return pd.DataFrame((low + high) / 2 + np.atleast_2d(coded) * (high - low) / 2, columns=names)


def stationary_of(classical: Classical) -> pd.DataFrame:
    """The stationary point in the units of its coordinates, a row, with the level there, what it is, and if inside."""
    form = canonical_of(classical)
    inside = bool((np.abs(form.point) <= 1 + 1e-9).all())
    return uncoded(classical, form.point).assign(level=form.level, kind=form.kind, inside=inside)


def way_up(classical: Classical, radii=RADII) -> pd.DataFrame:
    """The highest point at each coded distance from the middle: ridge path, or steepest ascent of a straight model."""
    b0, slope, bend = quadratic_of(classical)
    steps = np.asarray(radii, dtype=float)
    path = canonical.ridge_path(slope, bend, steps) if bend.any() else canonical.steepest_path(slope, steps)
    level = canonical.height(b0, slope, bend, path)
    return uncoded(classical, path).assign(level=level).set_index(pd.Index(steps, name="coded distance"))


def blending(classical: Classical, scale: Attribute) -> list[str]:
    """What pairs of parts do together, at the average of the poured shares: b_ij x_i x_j, where p is below SURE."""
    sentences, table = [], classical.coefficients
    for parts in classical.recipe.blends.values():
        for term, row in zip(classical.terms.exponents, table.itertuples(), strict=True):
            pair = [name for name, power in zip(classical.recipe.coordinates, term, strict=True) if power]
            if len(pair) == 2 and set(pair) <= set(parts) and row.p < SURE:
                size = row.estimate * classical.made[pair].mean().prod()
                words = words_joined([name.split(": ")[-1] for name in pair])
                told = f"{scale.told(abs(size))} {'higher' if size > 0 else 'lower'}"
                sentences.append(f"{words} together score {told} than each on its own would make them, "
                                 "at the average of these pours.")
    return sentences


def turning(classical: Classical, scale: Attribute) -> list[str]:
    """Where the polynomial turns, and which way leads up when that is out of reach."""
    if classical.recipe.blends or classical.model == "constant":
        return []
    sentences, bends = [], quadratic_of(classical)[2].any()
    if bends:
        found = stationary_of(classical).iloc[0]
        sentences.append(f"The classical polynomial has its {found['kind']}, {scale.told(found['level'], 2)}, at "
                         f"{_place(classical, found)}, {'within' if found['inside'] else 'outside'} the limits.")
    if not bends or not (found["inside"] and found["kind"] == "peak"):
        row = way_up(classical, (1.0,)).iloc[0]
        sentences.append(f"One coded unit from the middle it is highest at {_place(classical, row)}: "
                         f"{scale.told(row['level'], 2)}.")
    return sentences


def _place(classical: Classical, row: pd.Series) -> str:
    return words_joined([f"{name} {short_text(row[name])}" for name in classical.recipe.coordinates])


def polynomial_blocks(classical: Classical, scale: Attribute) -> list:
    """The block of the report for people who check."""
    places = dict.fromkeys(("estimate", "se", "low", "high"), max(2 + scale.finer, 0))
    table = grid_of(classical.coefficients, digits=places | {"p": 4}, index="term")
    words = [*blending(classical, scale), *turning(classical, scale)]
    return [heading("The classical polynomial"), table, *(line(text) for text in words)]

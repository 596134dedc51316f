"""The region in words: which limits say nothing new, which values cannot be reached, and because of what."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.checks import check_type
from labkit.core import simplex
from labkit.errors import RegionError
from labkit.handing import hands_out_copies
from labkit.region import Bound, Region
from labkit.statements import Pieces
from labkit.wording import Report, grid_of, heading, line, number_text, plural, report, words_joined

SAME = 1e-7


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Reach:
    """What the limits of a region leave of each range.

    frame : a row a coordinate of the formula: stated low and high, the lowest and highest that can be reached, why.
    implied : limits that follow from the others, and may all go together.
    """

    frame: pd.DataFrame
    implied: tuple[str, ...]
    dimension: int
    corners: int

    def to_frame(self) -> pd.DataFrame:
        return self.frame

    def _report(self) -> Report:
        size = f"{plural(self.dimension, 'free dimension')}, {plural(self.corners, 'corner')}"
        unreached = [text for text in self.frame["because"] if text]
        return report(
            heading(f"What may be poured: {size}"),
            grid_of(self.frame.drop(columns="because"), digits=4, index="coordinate"),
            *(line(text) for text in unreached or ["Every low and high can be reached."]),
            *(line(f"{text}: this follows from the other limits.") for text in self.implied),
        )

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        return f"<Reach: {plural(self.dimension, 'free dimension')}, {plural(self.corners, 'corner')}>"

    def _repr_html_(self) -> str:
        return self._report().as_html()


def reach_of(region: Region) -> Reach:
    """Which limits are implied by others and which factor ranges can never be reached, each with its reason.

    A share mass(of)/mass(within) has its extremes over the polytope at corners; a limit is implied when the others
    alone keep it (a linear program for each).
    """
    check_type(region, Region, name="the region", advice="Give trial.region.", error=RegionError)
    factors = region.recipe.factors_of(region.vertices())
    stated = region.recipe.bounds.loc[list(factors.columns)]
    frame = pd.DataFrame(
        {"low": stated["low"], "high": stated["high"], "lowest": factors.min(), "highest": factors.max()}
    ).rename_axis("coordinate")
    frame["because"] = [_because(region, s, frame.loc[s.column]) for s in region.recipe.statements]
    return Reach(frame=frame, implied=_implied(region), dimension=region.dimension, corners=len(region.vertices()))


def _because(region: Region, statement, row: pd.Series) -> str:
    """The sentence for an end of a range that no formula reaches, or nothing."""
    sentences = []
    name, whole = statement.column.split(": ")[-1], region.whole_words(statement.within)
    for end, found, word, sign in (("low", "lowest", "lower", -1), ("high", "highest", "higher", 1)):
        value = row[found]
        if sign * (row[end] - value) <= SAME:
            continue
        beyond = sign * ((value + sign * 1e-4) * statement.within_row - statement.of_row)
        reason = _reason(region.clashing(beyond))
        sentences.append(f"{name} can go no {word} than {number_text(value, 4).rstrip('0')} of {whole}: {reason}.")
    return " ".join(sentences)


def _reason(bounds: tuple[Bound, ...]) -> str:
    """`A and B need 0.73` where lows of one whole add up, otherwise the limits one by one."""
    if not bounds:
        return "the fixed rest needs the room"
    lows = all(b.kind == "least" for b in bounds) and len({b.within for b in bounds}) == 1
    if lows and len(bounds) > 1 and _disjoint([b.of for b in bounds]):
        return f"{words_joined([b.name for b in bounds])} need {sum(b.value for b in bounds):.4g}"
    return words_joined([b.text for b in bounds])


def _disjoint(sets: list[Pieces]) -> bool:
    return len(frozenset().union(*sets)) == sum(map(len, sets))


def _implied(region: Region) -> tuple[str, ...]:
    """Limits that may all go together, in their order: each is kept by those before it that stay and those after it.

    Of two that say the same, such as the low of one part of two and the high of the other, only the first.
    """
    below, found = list(region.polytope.below), []
    for bound in region.bounds:
        same = [k for k, row in enumerate(below) if np.array_equal(row, bound.row)]
        rest = [row for k, row in enumerate(below) if k not in same[:1]]
        if len(same) > 1 or _is_kept(region, bound, np.array(rest)):
            found.append(bound.text)
            below = rest
    return tuple(found)


def _is_kept(region: Region, bound: Bound, others: np.ndarray) -> bool:
    """Whether other limits alone keep this one: max row m <= 0 without it."""
    whole = region.polytope
    rest = simplex.Polytope(equal=whole.equal, equal_to=whole.equal_to, below=others, below_to=np.zeros(len(others)))
    return simplex.extent(rest, bound.row)[1] <= SAME * max(1.0, np.abs(bound.row).max())

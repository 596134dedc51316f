"""Weights: the word for none, and what was planned and is left empty."""

from collections.abc import Iterable, Mapping

from labkit.checks import is_blank, parse_grams
from labkit.errors import PourError
from labkit.formula import Recipe
from labkit.rounds import grams_column
from labkit.wording import grams_text

BASE = "base [g]"
NONE_ADDED = "none"  # in a cell of grams; kept as 0 g


def says_none(cell: object) -> bool:
    """Whether a cell of grams is the word for: none was added."""
    return isinstance(cell, str) and cell.strip().lower() == NONE_ADDED


def weight_of(cell: object, where: str, planned: float) -> float:
    if says_none(cell):
        return 0.0
    value = parse_grams(cell, where=where, error=PourError)
    if value == 0 and planned > 0:
        raise PourError(
            f"{where} is 0, but {grams_text(planned)} g were planned. Weigh again, or write {NONE_ADDED} if "
            "none was added."
        )
    return value


def unwritten(row: Mapping, planned: Mapping[str, float], columns: Iterable[str]) -> tuple[str, ...]:
    """Columns in which grams were planned and nothing is written."""
    return tuple(c for c in columns if planned.get(c, 0.0) > 0 and is_blank(row[c]))


def unwritten_words(what: str, planned: float) -> str:
    """Fact and advice where grams were planned and nothing is written."""
    fact = f"{what} is empty, but {grams_text(planned)} g were planned."
    return f"{fact} Write what was weighed, or {NONE_ADDED} if none was added."


def check_written(row: Mapping, planned: Mapping[str, float], columns: Iterable[str], where: str) -> None:
    for column in unwritten(row, planned, columns):
        raise PourError(unwritten_words(f"{where}: {column}", planned[column]))


def own_columns(row: Mapping, recipe: Recipe) -> tuple[str, ...]:
    """Columns of the grams that a pour was given itself: what was stirred in, or all where its base is of no melt."""
    return tuple(map(grams_column, recipe.ingredients if is_blank(row[BASE]) else recipe.stirred))

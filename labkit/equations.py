"""What a recipe says, as rows of masses: the statements, and the rules that leave exactly one formula."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from labkit.errors import FormulaError
from labkit.statements import Blend, Pieces, Share, Shelf, rest_rules
from labkit.wording import words_joined


@dataclass(frozen=True, kw_only=True)
class Statement:
    """mass(of) = s mass(within), with the column that holds s and its low and high."""

    column: str
    of: Pieces
    within: Pieces
    low: float
    high: float
    of_row: np.ndarray = field(repr=False)
    within_row: np.ndarray = field(repr=False)
    dependent: bool = False  # the last part of a blend follows from the others


def statements_of(shelf: Shelf, shares: Iterable[Share], blends: Iterable[Blend]) -> tuple[Statement, ...]:
    """One statement a factor, then one a part of each blend."""
    found = []
    for s in shares:
        where = f"[factors.{s.name}]"
        of, within = shelf.set_of(s.of, where=where), shelf.set_of(s.within, where=where)
        found.append(_statement(shelf, s.name, of, within, s.low, s.high))
    for blend in blends:
        where = f"[blends.{blend.name}]"
        whole, last = shelf.set_of(blend.parts, where=where), blend.parts[-1]
        for part, column, low, high in zip(blend.parts, blend.columns, blend.low, blend.high, strict=True):
            of = shelf.pieces(part, where=where)
            found.append(_statement(shelf, column, of, whole, low, high, dependent=part == last))
    return tuple(found)


def _statement(
    shelf: Shelf, column: str, of: Pieces, within: Pieces, low: float, high: float, dependent: bool = False
) -> Statement:
    return Statement(
        column=column,
        of=of,
        within=within,
        low=low,
        high=high,
        dependent=dependent,
        of_row=shelf.row(of),
        within_row=shelf.row(within),
    )


def named_sets(shelf: Shelf, shares: Iterable[Share], blends: Iterable[Blend]) -> dict[str, Pieces]:
    """Every set that is named, by what names it."""
    sets = {"the whole batch": shelf.batch}
    if shelf.pot:
        sets["the pot"] = shelf.set_of_things(shelf.pot)
    for s in shares:
        sets[f"`of` of factor {s.name}"] = shelf.set_of(s.of, where=f"[factors.{s.name}]")
        sets[f"`within` of factor {s.name}"] = shelf.set_of(s.within, where=f"[factors.{s.name}]")
    for blend in blends:
        sets[f"blend {blend.name}"] = shelf.set_of(blend.parts, where=f"[blends.{blend.name}]")
        for part in blend.parts:
            sets[f"part {part!r} of blend {blend.name}"] = shelf.pieces(part, where=f"[blends.{blend.name}]")
    return sets


def check_statements(shelf: Shelf, statements: Iterable[Statement]) -> None:
    """Each share is of a part of its whole, and is stated once."""
    said: dict[tuple[Pieces, Pieces], str] = {}
    for s in statements:
        if not s.of < s.within:
            raise FormulaError(
                f"{s.column}: {shelf.words(s.of)} is not a part of {shelf.words(s.within)}. "
                f"Name a whole that holds it and something else."
            )
        if (s.of, s.within) in said:
            raise FormulaError(
                f"{said[s.of, s.within]} and {s.column} both state the share of {shelf.words(s.of)} "
                f"within {shelf.words(s.within)}. Keep one of them."
            )
        said[s.of, s.within] = s.column


def completed(shelf: Shelf, statements: tuple[Statement, ...], sets: Mapping[str, Pieces]) -> np.ndarray:
    """Rest rules (r, n) that complete the statements: each is taken that says something the rows before it do not.

    The statements are looked at inside their ranges; there the rank is the same at almost every choice of shares.
    """
    stated = [s for s in statements if not s.dependent]
    n = len(shelf.things)
    rows = np.vstack([np.ones((1, n)), *(s.of_row - _inside(s) * s.within_row for s in stated)])
    _check_independent(shelf, rows, stated)
    first, last = rest_rules(shelf, sets.values(), (s.of for s in statements))
    rules: list[np.ndarray] = []
    for rule in first + last:
        if _rank(np.vstack([rows, *rules, rule])) > len(rows) + len(rules):
            rules.append(rule)
    if len(rows) + len(rules) < n:
        loose = _loose_words(shelf, np.vstack([rows, *rules]))
        raise FormulaError(
            f"nothing says how much {loose} a formula holds. Give a starting percent above 0, or a factor of its own."
        )
    return np.array(rules).reshape(-1, n)


def _inside(s: Statement) -> float:
    """A value within the range of a statement that is no special one."""
    return 0.4321 * s.low + 0.5679 * s.high


def _check_independent(shelf: Shelf, rows: np.ndarray, stated: list[Statement]) -> None:
    for k in range(1, len(rows)):
        if _rank(rows[: k + 1]) <= k:
            s = stated[k - 1]
            raise FormulaError(
                f"{s.column} states the share of {shelf.words(s.of)} within "
                f"{shelf.words(s.within)}, which the other factors have already settled. "
                f"These shares cannot all be chosen: leave one out."
            )


def _loose_words(shelf: Shelf, rows: np.ndarray) -> str:
    null = np.linalg.svd(rows)[2][_rank(rows) :]
    return words_joined([t for t, free in zip(shelf.things, np.abs(null).max(axis=0), strict=True) if free > 1e-9])


def _rank(rows: np.ndarray) -> int:
    """Rank of the rows, each taken at length one."""
    length = np.linalg.norm(rows, axis=1, keepdims=True)
    return int(np.linalg.matrix_rank(rows / np.where(length > 0, length, 1.0), tol=1e-9))

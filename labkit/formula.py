"""The algebra of formulas: from the values of factors to one formula, and back.

Masses m of the things on the shelf satisfy mass(of) = s mass(within) for every factor and blend part, the rest
rules of `statements`, and sum(m) = 1. The rows are linear in m and, once stated, linear in the chosen shares s, so
that a formula is the solution of A(s) m = b with A(s) = A0 + sum_k s_k A_k.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from labkit.checks import check_columns, check_frame
from labkit.errors import FormulaError
from labkit.statements import (
    Blend,
    Limit,
    Pieces,
    Setting,
    Share,
    Shelf,
    check_tree,
    rest_rules,
)
from labkit.wording import number_text, words_joined

SUM_TOLERANCE = 1e-6
BOOKKEEPING = ("round", "melt", "pour", "order")


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


@dataclass(frozen=True, kw_only=True, eq=False)
class Recipe:
    """Everything the maker says about the formula: shelf, factors, blends, settings, limits. Valid when built."""

    shelf: Shelf
    shares: tuple[Share, ...] = ()
    blend_list: tuple[Blend, ...] = ()
    setting_list: tuple[Setting, ...] = ()
    limits: tuple[Limit, ...] = ()

    def __post_init__(self):
        check_tree(self.shelf, self._named_sets)
        self._check_statements()
        _ = self._equations  # an under- or over-determined definition is refused here

    # What it is made of, in the order of trial.toml

    @property
    def ingredients(self) -> tuple[str, ...]:
        """What is on the shelf, in the order of [formula]."""
        return self.shelf.things

    @property
    def factors(self) -> tuple[str, ...]:
        """Columns of the factors and of the parts of blends."""
        return tuple(s.column for s in self.statements)

    @property
    def settings(self) -> tuple[str, ...]:
        return tuple(s.name for s in self.setting_list)

    @property
    def coordinates(self) -> tuple[str, ...]:
        """All columns that say what a pour is: factors, parts of blends, settings."""
        return self.factors + self.settings

    @property
    def blends(self) -> dict[str, tuple[str, ...]]:
        return {blend.name: blend.columns for blend in self.blend_list}

    @property
    def pot(self) -> tuple[str, ...]:
        """What goes into the pot, or nothing when every pour has its own."""
        return self.shelf.pot

    @property
    def stirred(self) -> tuple[str, ...]:
        """What is stirred into a pour after the pot is divided."""
        return tuple(t for t in self.ingredients if t not in self.pot)

    @cached_property
    def per_melt(self) -> tuple[str, ...]:
        """Coordinates that all pours of a melt share: wholes within the pot, settings said to be per melt."""
        if not self.pot:
            return ()
        pot = self.shelf.set_of_things(self.pot)
        return tuple(s.column for s in self.statements if s.within <= pot) + tuple(
            s.name for s in self.setting_list if s.per_melt
        )

    @cached_property
    def bounds(self) -> pd.DataFrame:
        """Low and high by coordinate."""
        rows = [(s.column, s.low, s.high) for s in self.statements] + [
            (s.name, s.low, s.high) for s in self.setting_list
        ]
        return pd.DataFrame(rows, columns=["coordinate", "low", "high"]).set_index("coordinate")

    # Statements and equations

    @cached_property
    def statements(self) -> tuple[Statement, ...]:
        shelf = self.shelf
        found = [
            self._statement(
                s.name,
                shelf.set_of(s.of, where=f"[factors.{s.name}]"),
                shelf.set_of(s.within, where=f"[factors.{s.name}]"),
                s.low,
                s.high,
            )
            for s in self.shares
        ]
        for blend in self.blend_list:
            whole = shelf.set_of(blend.parts, where=f"[blends.{blend.name}]")
            for i, part in enumerate(blend.parts):
                of = shelf.pieces(part, where=f"[blends.{blend.name}]")
                found.append(
                    self._statement(
                        blend.columns[i], of, whole, blend.low[i], blend.high[i], dependent=i == len(blend.parts) - 1
                    )
                )
        return tuple(found)

    def _statement(self, column, of, within, low, high, dependent=False) -> Statement:
        return Statement(
            column=column,
            of=of,
            within=within,
            low=low,
            high=high,
            dependent=dependent,
            of_row=self.shelf.row(of),
            within_row=self.shelf.row(within),
        )

    @cached_property
    def _named_sets(self) -> dict[str, Pieces]:
        sets = {"the whole batch": self.shelf.batch}
        if self.pot:
            sets["the pot"] = self.shelf.set_of_things(self.pot)
        for s in self.shares:
            sets[f"`of` of factor {s.name}"] = self.shelf.set_of(s.of, where=f"[factors.{s.name}]")
            sets[f"`within` of factor {s.name}"] = self.shelf.set_of(s.within, where=f"[factors.{s.name}]")
        for blend in self.blend_list:
            sets[f"blend {blend.name}"] = self.shelf.set_of(blend.parts, where=f"[blends.{blend.name}]")
            for part in blend.parts:
                sets[f"part {part!r} of blend {blend.name}"] = self.shelf.pieces(part, where=f"[blends.{blend.name}]")
        return sets

    def _check_statements(self) -> None:
        said: dict[tuple[Pieces, Pieces], str] = {}
        for s in self.statements:
            if not s.of < s.within:
                raise FormulaError(
                    f"{s.column}: {self.shelf.words(s.of)} is not a part of {self.shelf.words(s.within)}. "
                    f"Name a whole that holds it and something else."
                )
            if (s.of, s.within) in said:
                raise FormulaError(
                    f"{said[s.of, s.within]} and {s.column} both state the share of {self.shelf.words(s.of)} "
                    f"within {self.shelf.words(s.within)}. Keep one of them."
                )
            said[s.of, s.within] = s.column

    @cached_property
    def _equations(self) -> tuple[np.ndarray, np.ndarray]:
        """Rest rules (r, n) that complete the statements, and the ids of the statements that are independent."""
        stated = np.array([i for i, s in enumerate(self.statements) if not s.dependent], dtype=int)
        n = len(self.ingredients)
        values = np.array([0.4321 * s.low + 0.5679 * s.high for s in self.statements])
        for columns in self.blends.values():
            at = [self.factors.index(c) for c in columns]
            values[at] = values[at] / values[at].sum()
        rows = np.vstack([np.ones((1, n)), *(self._stated_rows(values)[i] for i in stated)])
        self._check_independent(rows, stated)
        sets = set(self._named_sets.values())
        first, last = rest_rules(self.shelf, sets, {s.of for s in self.statements})
        rules: list[np.ndarray] = []
        for rule in first + last:
            if _rank(np.vstack([rows, *rules, rule])) > len(rows) + len(rules):
                rules.append(rule)
        if len(rows) + len(rules) < n:
            raise FormulaError(
                f"nothing says how much {self._loose_words(np.vstack([rows, *rules]))} a formula holds. "
                f"Give a starting percent above 0, or a factor of its own."
            )
        return np.array(rules).reshape(-1, n), stated

    def _stated_rows(self, values: np.ndarray) -> np.ndarray:
        return np.array([s.of_row - v * s.within_row for s, v in zip(self.statements, values, strict=True)]).reshape(
            -1, len(self.ingredients)
        )

    def _check_independent(self, rows: np.ndarray, stated: np.ndarray) -> None:
        for k in range(1, len(rows)):
            if _rank(rows[: k + 1]) <= k:
                s = self.statements[stated[k - 1]]
                raise FormulaError(
                    f"{s.column} states the share of {self.shelf.words(s.of)} within "
                    f"{self.shelf.words(s.within)}, which the other factors have already settled. "
                    f"These shares cannot all be chosen: leave one out."
                )

    def _loose_words(self, rows: np.ndarray) -> str:
        null = np.linalg.svd(rows)[2][_rank(rows) :]
        return words_joined(
            [t for t, free in zip(self.ingredients, np.abs(null).max(axis=0), strict=True) if free > 1e-9]
        )

    @property
    def rest_rows(self) -> np.ndarray:
        """Rows r with r m = 0 whatever the factors are."""
        return self._equations[0]

    # Formulas and factors

    @property
    def starting(self) -> pd.DataFrame:
        """The starting formula, g/g."""
        return pd.DataFrame([self.shelf.masses()], columns=list(self.ingredients))

    @property
    def starting_factors(self) -> pd.DataFrame:
        """The factors of the starting formula; settings at the middle of their range."""
        found = self.factors_of(self.starting)
        for s in self.setting_list:
            found[s.name] = (s.low + s.high) / 2
        return found

    def formula_at(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The one formula at each row of factor values: factor columns -> ingredient columns, g/g.

        Settings and the columns that name a pour are passed over. Raises FormulaError where a mass would be negative.
        """
        masses = self.masses_at(self._shares_in(frame))
        self._check_masses(masses, frame)
        masses = np.clip(masses, 0.0, None)
        return pd.DataFrame(
            masses / masses.sum(axis=1, keepdims=True), columns=list(self.ingredients), index=frame.index
        )

    def masses_at(self, shares: np.ndarray) -> np.ndarray:
        """Solutions m (k, n) of A(s) m = b for shares (k, factors); negative or nan where none can be made."""
        rules, stated = self._equations
        n, k = len(self.ingredients), len(shares)
        matrix = np.zeros((k, n, n))
        matrix[:, 0, :] = 1.0
        for row, i in enumerate(stated, start=1):
            s = self.statements[i]
            matrix[:, row, :] = s.of_row - shares[:, i, None] * s.within_row
        matrix[:, 1 + len(stated) :, :] = rules
        right = np.zeros((k, n, 1))
        right[:, 0] = 1.0
        try:
            return np.linalg.solve(matrix, right)[:, :, 0]
        except np.linalg.LinAlgError:
            singular = np.linalg.matrix_rank(matrix) < n
            matrix[singular] = np.eye(n)
            masses = np.linalg.solve(matrix, right)[:, :, 0]
            masses[singular] = np.nan
            return masses

    def _check_masses(self, masses: np.ndarray, frame: pd.DataFrame) -> None:
        """No mass is negative, and there is a solution."""
        bad = np.argwhere(~(masses >= -1e-9))
        if not len(bad):
            return
        i, j = bad[0]
        values = f"row {frame.index[i]}: {self._values_words(frame.iloc[i])}"
        if np.isnan(masses[i, j]):
            raise FormulaError(f"{values} make no single formula: a whole vanishes there. Keep it above 0.")
        raise FormulaError(
            f"{values} would need {number_text(100 * masses[i, j], 2)} % of {self.ingredients[j]}. "
            f"These shares cannot all hold: lower one of them."
        )

    def _values_words(self, row: pd.Series) -> str:
        return words_joined([f"{c} {row[c]:.4g}" for c in self.factors])

    def _shares_in(self, frame: pd.DataFrame) -> np.ndarray:
        check_frame(frame, what="the frame of factors", error=FormulaError)
        self._refuse_masses(frame, wanted="factors")
        check_columns(
            frame,
            allowed=self.coordinates + BOOKKEEPING,
            required=self.factors,
            what="the frame of factors",
            error=FormulaError,
        )
        shares = frame[list(self.factors)].to_numpy(dtype=float, copy=True)
        if not np.isfinite(shares).all():
            i, j = np.argwhere(~np.isfinite(shares))[0]
            raise FormulaError(f"row {frame.index[i]}: {self.factors[j]} is missing. Give every factor a value.")
        for name, columns in self.blends.items():
            at = [self.factors.index(c) for c in columns]
            total = shares[:, at].sum(axis=1)
            off = np.abs(total - 1) > SUM_TOLERANCE
            if off.any():
                i = int(np.argmax(off))
                raise FormulaError(
                    f"row {frame.index[i]}: the parts of {name} add to {total[i]:.6f}, not 1. "
                    f"Give shares of the whole blend."
                )
            shares[:, at] /= total[:, None]
        return shares

    def _refuse_masses(self, frame: pd.DataFrame, *, wanted: str) -> None:
        for column in map(str, frame.columns):
            if column.endswith(" [g]"):
                raise FormulaError(
                    f"the frame has grams in the column {column!r}, where {wanted} are wanted. "
                    "Divide the grams by their sum, and name the columns by the bare ingredient."
                )
            if wanted == "factors" and column in self.ingredients and column not in self.coordinates:
                raise FormulaError(
                    f"the frame has a mass fraction in the column {column!r}, where factors are wanted. "
                    "Use factors_of to turn formulas into factors."
                )

    def factors_of(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The factors of each formula: ingredient columns, g/g -> factor columns; s = mass(of) / mass(within)."""
        masses = self.fractions_in(frame)
        shares = np.empty((len(masses), len(self.statements)))
        for k, s in enumerate(self.statements):
            whole = masses @ s.within_row
            if (whole <= 0).any():
                raise FormulaError(
                    f"row {frame.index[int(np.argmax(whole <= 0))]}: there is no {self.shelf.words(s.within)} in "
                    f"it, so {s.column} has no value. Leave this formula out."
                )
            shares[:, k] = (masses @ s.of_row) / whole
        return pd.DataFrame(shares, columns=list(self.factors), index=frame.index)

    def fractions_in(self, frame: pd.DataFrame) -> np.ndarray:
        """Mass fractions (m, n) of a frame of formulas: none missing or negative, each row adding to one."""
        check_frame(frame, what="the frame of formulas", error=FormulaError)
        self._refuse_masses(frame, wanted="mass fractions")
        check_columns(
            frame, allowed=self.ingredients, required=self.ingredients, what="the frame of formulas", error=FormulaError
        )
        masses = frame[list(self.ingredients)].to_numpy(dtype=float)
        sound = (masses >= -1e-12).all(axis=1) & (np.abs(masses.sum(axis=1) - 1) <= SUM_TOLERANCE)
        for i in np.flatnonzero(~sound):
            row = masses[i]
            if not np.isfinite(row).all() or (row < -1e-12).any():
                j = int(np.argmax(~np.isfinite(row) | (row < -1e-12)))
                raise FormulaError(
                    f"row {frame.index[i]}: {self.ingredients[j]} is {row[j]}. Give a fraction from 0 to 1."
                )
            if abs(row.sum() - 1) > SUM_TOLERANCE:
                raise FormulaError(
                    f"row {frame.index[i]}: fractions sum to {row.sum():.4f}, not 1. "
                    "If these are grams, divide them by their sum."
                )
        return masses

    def with_pot_of(self, pot_from: pd.DataFrame, stirred_from: pd.DataFrame) -> pd.DataFrame:
        """Row by row, the pot's composition of the first, and the pot's total and what is stirred in of the second."""
        if not self.pot:
            return stirred_from.copy()
        mixed, pot = stirred_from[list(self.ingredients)].copy(), list(self.pot)
        donor = pot_from[pot].to_numpy(dtype=float)
        share = donor / donor.sum(axis=1, keepdims=True)
        mixed[pot] = share * mixed[pot].to_numpy(dtype=float).sum(axis=1, keepdims=True)
        return mixed

    def drift(self, frame: pd.DataFrame) -> pd.DataFrame:
        """What no factor describes: each weighed formula less the formula at its own factors, by ingredient, g/g."""
        masses = frame[list(self.ingredients)]
        return masses - self.formula_at(self.factors_of(masses))


def _rank(rows: np.ndarray) -> int:
    """Rank of the rows, each taken at length one."""
    length = np.linalg.norm(rows, axis=1, keepdims=True)
    return int(np.linalg.matrix_rank(rows / np.where(length > 0, length, 1.0), tol=1e-9))

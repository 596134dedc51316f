"""The algebra of formulas: from the values of factors to one formula, and back.

Masses m of the things on the shelf satisfy mass(of) = s mass(within) for every factor and blend part, the rest
rules of `statements`, and sum(m) = 1. The rows are linear in m and, once stated, linear in the chosen shares s, so
that a formula is the solution of A(s) m = b with A(s) = A0 + sum_k s_k A_k.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from labkit.checks import check_columns, check_frame, check_there, columns_of, coordinates_in, meant_or, numbers_in
from labkit.equations import Statement, check_statements, completed, named_sets, statements_of
from labkit.errors import FormulaError
from labkit.handing import handed, locked
from labkit.statements import Blend, Limit, Setting, Share, Shelf, check_tree
from labkit.wording import number_text, plural, words_joined

SUM_TOLERANCE = 1e-6
AS_HELD = 0.02  # of a coordinate's range: a pour so near to a held value counts as poured at it
BOOKKEEPING = ("round", "melt", "pour", "order")


@dataclass(frozen=True, kw_only=True, eq=False)
class Recipe:
    """Everything the maker says about the formula: shelf, factors, blends, settings, limits. Valid when built."""

    shelf: Shelf
    shares: tuple[Share, ...] = ()
    blend_list: tuple[Blend, ...] = ()
    setting_list: tuple[Setting, ...] = ()
    limits: tuple[Limit, ...] = ()

    def __post_init__(self):
        check_tree(self.shelf, named_sets(self.shelf, self.shares, self.blend_list))
        check_statements(self.shelf, self.statements)
        _ = self.rest_rows  # an under- or over-determined definition is refused here

    def __repr__(self) -> str:
        varies = [c for c in self.coordinates if c in self.varying]
        return f"<Recipe of {plural(len(self.ingredients), 'ingredient')}: {words_joined(varies)} may vary>"

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

    @property
    def bounds(self) -> pd.DataFrame:
        """Low and high by coordinate."""
        return handed(self._bounds)

    @cached_property
    def _bounds(self) -> pd.DataFrame:
        rows = [(s.column, s.low, s.high) for s in self.statements] + [
            (s.name, s.low, s.high) for s in self.setting_list
        ]
        return pd.DataFrame(rows, columns=["coordinate", "low", "high"]).set_index("coordinate")

    @cached_property
    def box(self) -> tuple[np.ndarray, np.ndarray]:
        """Low and high of every coordinate, (D,) each."""
        low, high = self.bounds.loc[list(self.coordinates), ["low", "high"]].to_numpy(dtype=float).T
        return locked(low), locked(high)

    @cached_property
    def varying(self) -> frozenset[str]:
        """Coordinates whose low and high differ; the others are pinned."""
        low, high = self.box
        return frozenset(name for name, free in zip(self.coordinates, high > low, strict=True) if free)

    def over_ranges(self, frame: pd.DataFrame) -> np.ndarray:
        """Every coordinate, parts of blends as well, as a part of its range: 0..1 over low..high, (n, D)."""
        low, high = self.box
        values = coordinates_in(frame, self.coordinates, error=FormulaError)
        return (values - low) / np.where(high > low, high - low, 1.0)

    @cached_property
    def steps(self) -> np.ndarray:
        """To how much each coordinate can be set and read, (D,), with room for rounding; 0 where it is not stated."""
        return locked(np.array([0.0] * len(self.factors) + [setting.room for setting in self.setting_list]))

    def beyond_ranges(self, frame: pd.DataFrame) -> np.ndarray:
        """How far each coordinate is under its low or over its high, in its unit, (n, D); 0 or less within."""
        (low, high), values = self.box, coordinates_in(frame, self.coordinates, error=FormulaError)
        return np.maximum(low - values, values - high)

    def at_ends(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The points, with settings that were read within a step outside their range set to its end."""
        beyond, frame = pd.DataFrame(self.beyond_ranges(frame), columns=list(self.coordinates)), frame.copy()
        for s in (s for s in self.setting_list if s.step):
            near = (beyond[s.name] <= s.room).to_numpy()
            frame[s.name] = np.where(near, frame[s.name].clip(s.low, s.high), frame[s.name])
        return frame

    def apart(self, points: pd.DataFrame, others: pd.DataFrame) -> np.ndarray:
        """Largest difference of each of n points to each of m others, as a part of a coordinate's range, (n, m).

        What differs by a step of its setting or less is the same.
        """
        low, high = self.box
        gaps = np.abs(self.over_ranges(points)[:, None] - self.over_ranges(others)[None])
        return np.where(gaps <= self.steps / np.where(high > low, high - low, 1.0), 0.0, gaps).max(axis=2)

    # Statements and equations

    @cached_property
    def statements(self) -> tuple[Statement, ...]:
        """One statement a factor, then one a part of each blend."""
        return statements_of(self.shelf, self.shares, self.blend_list)

    @cached_property
    def rest_rows(self) -> np.ndarray:
        """Rows r with r m = 0 whatever the factors are."""
        return completed(self.shelf, self.statements, named_sets(self.shelf, self.shares, self.blend_list))

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
        shares = self._shares_in(frame)
        masses = self.masses_at(shares)
        self._check_masses(masses, pd.DataFrame(shares, columns=list(self.factors), index=frame.index))
        masses = np.clip(masses, 0.0, None)
        return pd.DataFrame(
            masses / masses.sum(axis=1, keepdims=True), columns=list(self.ingredients), index=frame.index
        )

    def masses_at(self, shares: np.ndarray) -> np.ndarray:
        """Solutions m (k, n) of A(s) m = b for shares (k, factors); negative or nan where none can be made."""
        stated = [i for i, s in enumerate(self.statements) if not s.dependent]
        n, k = len(self.ingredients), len(shares)
        matrix = np.zeros((k, n, n))
        matrix[:, 0, :] = 1.0
        for row, i in enumerate(stated, start=1):
            s = self.statements[i]
            matrix[:, row, :] = s.of_row - shares[:, i, None] * s.within_row
        matrix[:, 1 + len(stated) :, :] = self.rest_rows
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
        shares = numbers_in(frame, self.factors, error=FormulaError)
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
        masses = numbers_in(frame, self.ingredients, error=FormulaError)
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

    def unmoved(self, points: pd.DataFrame) -> dict[str, float]:
        """Coordinates that vary, but in which these points all lie within AS_HELD of one value, and that value: so
        much of a difference may be the balance's."""
        over = self.over_ranges(points)
        still = (np.ptp(over, axis=0) <= 2 * AS_HELD) if len(points) else np.zeros(len(self.coordinates), dtype=bool)
        return {c: float(points[c].mean()) for c, one in zip(self.coordinates, still, strict=True)
                if one and c in self.varying}

    def held_at(self, points: pd.DataFrame, values: Mapping[str, float]) -> pd.DataFrame:
        """The points with some coordinates at stated values.

        The other parts of a blend share what is left of it in the ratio that they have: one part alone moves along its
        Cox direction (Cox 1971, Biometrika 58:155-159). A part that is pinned stays.
        """
        for name in values:
            if name not in self.coordinates:
                advice = meant_or(name, self.coordinates, f"Choose {words_joined(self.coordinates, last='or')}.")
                raise FormulaError(f"{name!r} cannot be held, as it is no coordinate. {advice}")
        points = points.copy()
        for columns in self.blends.values():
            free = [c for c in columns if c not in values and c in self.varying]
            kept = [values[c] for c in columns if c in values]
            if kept and free:
                whole, left = points[free].sum(axis=1), 1 - sum(kept)
                if stays := [c for c in columns if c not in self.varying and c not in values]:
                    left = left - points[stays].sum(axis=1)
                points[free] = points[free].mul(left / whole.where(whole > 0, 1.0), axis=0)
        for name, value in values.items():
            points[name] = value
        return points

    def with_pot_of(self, pot_from: pd.DataFrame, stirred_from: pd.DataFrame) -> pd.DataFrame:
        """Row by row, the pot's composition of the first, and the pot's total and what is stirred in of the second."""
        if not self.pot:
            return stirred_from.copy()
        mixed = columns_of(stirred_from, self.ingredients).to_numpy(dtype=float, copy=True)
        donor, pot = pot_from[list(self.pot)].to_numpy(dtype=float), [self.ingredients.index(i) for i in self.pot]
        mixed[:, pot] = donor / donor.sum(axis=1, keepdims=True) * mixed[:, pot].sum(axis=1, keepdims=True)
        return pd.DataFrame(mixed, columns=list(self.ingredients), index=stirred_from.index)

    def drift(self, frame: pd.DataFrame) -> pd.DataFrame:
        """What no factor describes: each weighed formula less the formula at its own factors, by ingredient, g/g."""
        check_there(frame, self.ingredients, what="the frame of formulas", error=FormulaError)
        masses = frame[list(self.ingredients)]
        return masses - self.formula_at(self.factors_of(masses))

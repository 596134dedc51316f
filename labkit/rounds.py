"""A planned round: which melts, which pours, what each weighs, in which order."""

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pandas as pd

from labkit.errors import PlanError
from labkit.formula import Recipe
from labkit.wording import Report, grid_of, heading, line, plural, report

LEAST_STEPS = 20            # a portion below this many balance steps is advised against
PLAN_IDS = ("round", "melt", "pour", "order")


@dataclass(frozen=True, kw_only=True)
class Batch:
    """How much a pour holds and how finely the balance reads, both [g]."""

    pour_g: float = 20.0
    balance_step_g: float = 0.01

    def __post_init__(self):
        if not 0 < self.balance_step_g < self.pour_g < float("inf"):
            raise PlanError(f"a pour of {self.pour_g:g} g on a balance that reads {self.balance_step_g:g} g cannot be weighed. "
                            "Give a pour of many balance steps.")

    @property
    def steps(self) -> int:
        """Whole balance steps in a pour."""
        return int(self.exact_pour / self.exact_step)

    @property
    def exact_step(self) -> Fraction:
        return Fraction(str(self.balance_step_g))

    @property
    def exact_pour(self) -> Fraction:
        return Fraction(str(self.pour_g))


@dataclass(frozen=True, kw_only=True)
class Cost:
    """What a round, a melt and a pour cost, in one unit of the maker's choice."""

    round: float = 5.0
    melt: float = 1.0
    pour: float = 0.5

    def of(self, *, rounds: int, melts: int, pours: int) -> float:
        """rounds x round + melts x melt + pours x pour."""
        return rounds * self.round + melts * self.melt + pours * self.pour


def grams_column(ingredient: str) -> str:
    """The column that holds the grams of an ingredient."""
    return f"{ingredient} [g]"


@dataclass(frozen=True, kw_only=True, eq=False)
class Round:
    """Pours planned together; `frame` has a row a pour: round, melt, pour, order, coordinates, grams."""

    number: int
    frame: pd.DataFrame
    recipe: Recipe
    notes: tuple[str, ...] = ()

    def __post_init__(self):
        object.__setattr__(self, "frame", self.frame.copy())

    @property
    def pours(self) -> tuple[str, ...]:
        return tuple(self.frame["pour"])

    @property
    def melts(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(self.frame["melt"]))

    def to_frame(self) -> pd.DataFrame:
        """A row a pour in pour order: round, melt, pour, order, coordinates, then grams by ingredient."""
        return self.frame.copy()

    def as_poured(self) -> pd.DataFrame:
        """The pours frame that records every pour weighed exactly as planned, all grams directly."""
        grams = [grams_column(i) for i in self.recipe.ingredients]
        made = self.frame[["pour", "melt", *grams, *self.recipe.settings]].copy()
        made.insert(len(made.columns), "outcome", "ok")
        return made

    def melt_sheet(self) -> pd.DataFrame:
        """A row a melt: how many pours it serves and the grams of each pot ingredient, without an allowance for loss."""
        pot = [grams_column(i) for i in self.recipe.pot]
        table = self.frame.groupby("melt", sort=False)
        sheet = table[pot].sum().round(6)
        sheet.insert(0, "pours", table.size())
        return sheet.reset_index()

    def pour_sheet(self) -> pd.DataFrame:
        """A row a pour: grams of base drawn from its melt, then grams of each thing stirred in, and the settings."""
        pot = [grams_column(i) for i in self.recipe.pot]
        sheet = self.frame[["order", "pour", "melt"]].copy()
        if pot:
            sheet["base [g]"] = self.frame[pot].sum(axis=1).round(6)
        stirred = [grams_column(i) for i in self.recipe.stirred]
        return pd.concat([sheet, self.frame[[*stirred, *self.recipe.settings]]], axis=1)

    def _report(self) -> Report:
        blocks = [heading(f"Round {self.number}: {plural(len(self.frame), 'pour')} in {plural(len(self.melts), 'melt')}")]
        if self.recipe.pot:
            blocks.append(grid_of(self.melt_sheet(), title="Melt (without an allowance for what stays in the beaker)"))
        blocks.append(grid_of(self.pour_sheet(), title="Pour, in this order"))
        return report(*blocks, *(line(note) for note in self.notes))

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        return f"<Round {self.number}: {plural(len(self.frame), 'pour')} in {plural(len(self.melts), 'melt')}>"

    def _repr_html_(self) -> str:
        return self._report().as_html()


def round_from_factors(recipe: Recipe, batch: Batch, *, number: int, melts: list[str], pours: list[str],
                       coordinates: pd.DataFrame, notes: tuple[str, ...] = ()) -> Round:
    """The weighable round nearest to these coordinates, rows in pour order.

    Grams are multiples of the balance step and add up to the pour. The coordinates are then read off the grams.
    """
    formulas = recipe.formula_at(coordinates)
    grams = np.array([weighable(row, batch) for row in formulas.to_numpy()])
    table = pd.DataFrame({"round": number, "melt": list(melts), "pour": list(pours), "order": range(1, len(pours) + 1)})
    masses = pd.DataFrame(grams, columns=[grams_column(i) for i in recipe.ingredients])
    found = planned_coordinates(recipe, pd.concat([table, masses], axis=1))
    for name in recipe.settings:
        found[name] = coordinates[name].to_numpy(dtype=float)
    return Round(number=number, frame=pd.concat([table, found, masses], axis=1), recipe=recipe, notes=notes)


def planned_coordinates(recipe: Recipe, table: pd.DataFrame) -> pd.DataFrame:
    """Factors of planned grams; all pours of a melt have the composition of its whole pot, so a rounding is shared."""
    masses = table[[grams_column(i) for i in recipe.ingredients]].set_axis(list(recipe.ingredients), axis=1)
    formulas = masses.div(masses.sum(axis=1), axis=0)
    if recipe.pot:
        pots = masses[list(recipe.pot)].groupby(table["melt"].to_numpy()).transform("sum")
        formulas = recipe.with_pot_of(pots, formulas)
    return recipe.factors_of(formulas)


def weighable(fractions: np.ndarray, batch: Batch) -> np.ndarray:
    """Grams in whole balance steps that add up to the pour: rounded down, the missing steps to the largest remainders."""
    exact = fractions * batch.steps
    steps = np.floor(exact + 1e-9).astype(int)
    missing = batch.steps - int(steps.sum())
    order = np.argsort(-(exact - steps), kind="stable")
    steps[order[:missing]] += 1
    return np.array([float(int(k) * batch.exact_step) for k in steps])


def small_portions(round_: Round, batch: Batch) -> tuple[str, ...]:
    """A sentence for each portion below 20 balance steps: pour, grams, and the pour at which it can be weighed."""
    least, found = LEAST_STEPS * batch.balance_step_g, []
    for ingredient in round_.recipe.ingredients:
        grams = round_.frame[grams_column(ingredient)]
        small = grams[(grams > 0) & (grams < least - 1e-9)]
        if len(small):
            pour = round_.frame.loc[small.idxmin(), "pour"]
            enough = np.ceil(batch.pour_g * least / small.min())
            found.append(f"{pour}: {small.min():.2f} g of {ingredient} is under {LEAST_STEPS} steps of the balance. "
                         f"Pour {enough:.0f} g, or stir in a paste of it.")
    return tuple(found)

"""A planned round: which melts, which pours, what each weighs, in which order."""

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pandas as pd

from labkit.checks import check_whole, parse_grams, parse_id, parse_number, rounded_to
from labkit.errors import FormulaError, PlanError
from labkit.formula import Recipe
from labkit.handing import hands_out_copies
from labkit.statements import Setting
from labkit.wording import (
    Report,
    digits_of_range,
    digits_of_step,
    grid_of,
    heading,
    line,
    number_text,
    plural,
    report,
    unit_text,
    words_joined,
)

ALLOWANCE = 0.10  # of the base drawn: beaker and pipette keep 3 to 8 % of a 20 g pour (common practice)
PLAN_IDS = ("round", "melt", "pour", "order")
UNPLANNED = "X-"  # names of pours and melts that no round planned begin so
WORTH, HAVING = 0.0055, 0.8    # desirability that a unit of the usual costs must bring where one has so much of it:
#                        .05 for an evening of 9 at .8.
#                        About half of what is foretold, or more, comes true in the first rounds of rehearsals: .02
#                        to .05 an evening, no less than the smallest difference that a panel of six can confirm
EVENING = {"rounds": 1, "melts": 2, "pours": 4}
MADE_AGAIN = f"what was made again is another, named {UNPLANNED}01, {UNPLANNED}02 and so on"


@dataclass(frozen=True, kw_only=True)
class Batch:
    """How much a pour holds and how finely the balance reads [g], and how long it stands before it is judged [h]."""

    pour_g: float = 20.0
    balance_step_g: float = 0.01
    wait_h: float = 24.0  # at 20 degC; four days with carnauba wax (common practice)

    def __post_init__(self):
        if not 0 <= self.wait_h < float("inf"):
            raise PlanError(f"a pour waits {self.wait_h:g} h before it is judged. Give hours of 0 or more.")
        if not 0 < self.balance_step_g < self.pour_g < float("inf"):
            raise PlanError(f"a pour of {self.pour_g:g} g on a balance that reads {self.balance_step_g:g} g cannot be "
                            "weighed. Give a pour of many balance steps.")

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

    @property
    def digits(self) -> int:
        """Decimals that the balance shows."""
        return digits_of_step(self.balance_step_g)

    def can_weigh(self, fractions: np.ndarray) -> np.ndarray:
        """Whether each portion of a pour, g/g, is nothing at all or one step at least, but for rounding."""
        grams = fractions * self.pour_g
        return (grams < 1e-9) | (grams > self.balance_step_g * (1 - 1e-6))

    def told(self, grams: float) -> str:
        """A weight as the balance shows it."""
        return number_text(float(grams), self.digits)


@dataclass(frozen=True, kw_only=True)
class Cost:
    """What a round, a melt and a pour cost, and one tester more in a round, and `worth`, what a unit must bring.

    The usual panel is part of what a round costs. That one more costs a quarter of a melt is our own figure: a
    friend has to be asked, served and written down. worth : gain of desirability (0 to 1) where one has HAVING of it,
    stated where the unit is another than in the usual costs, such as money.
    """

    round: float = 5.0
    melt: float = 1.0
    pour: float = 0.5
    tester: float = 0.25
    worth: float = WORTH

    @property
    def evening_must_bring(self) -> float:
        """Of desirability, where one has HAVING: an evening of 4 pours in 2 melts."""
        return self.worth * self.of(**EVENING)

    def of(self, *, rounds: int, melts: int, pours: int, testers: int = 0) -> float:
        """rounds x round + melts x melt + pours x pour + testers x tester; testers beyond the usual panel."""
        return rounds * self.round + melts * self.melt + pours * self.pour + testers * self.tester


def grams_column(ingredient: str) -> str:
    """The column that holds the grams of an ingredient."""
    return f"{ingredient} [g]"


def planned_grams(plan: pd.DataFrame, recipe: Recipe, batch: Batch, *, by: str) -> dict[str, dict[str, float]]:
    """Grams planned by column, of each pour; of each melt what goes into its pot, as sheets and reports tell it."""
    if not len(plan):
        return {}
    grams = plan.groupby(by, sort=False)[[grams_column(i) for i in recipe.ingredients]].sum()
    return (into_the_pot(grams, ALLOWANCE, batch) if by == "melt" else grams).to_dict("index")


def into_the_pot(drawn: pd.DataFrame, allowance: float, batch: Batch) -> pd.DataFrame:
    """Grams to weigh into a pot from which `drawn` [g] is drawn, `allowance` [g/g] more, as the balance can."""
    return to_steps((1 + allowance) * drawn.round(6), batch)


def to_steps(grams, batch: Batch):
    """Grams in whole steps of the balance; a half is rounded upwards, whatever the last binary digit says."""
    return np.round(np.floor(grams / batch.balance_step_g + 0.5 + 1e-6) * batch.balance_step_g, batch.digits)


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Round:
    """Pours planned together; `frame` has a row a pour: round, melt, pour, order, coordinates, grams."""

    number: int
    frame: pd.DataFrame
    recipe: Recipe
    batch: Batch = Batch()
    notes: tuple[str, ...] = ()

    @property
    def pours(self) -> tuple[str, ...]:
        return tuple(self.frame["pour"])

    @property
    def melts(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(self.frame["melt"]))

    def to_frame(self) -> pd.DataFrame:
        """A row a pour in pour order: round, melt, pour, order, coordinates, then grams by ingredient."""
        return self.frame

    def as_poured(self) -> pd.DataFrame:
        """The pours frame that records every pour weighed exactly as planned, all grams directly."""
        grams = [grams_column(i) for i in self.recipe.ingredients]
        return self.frame[["pour", "melt", *grams, *self.recipe.settings]].assign(outcome="ok")

    def melt_sheet(self, allowance: float = 0.0) -> pd.DataFrame:
        """A row a melt: its pours and grams of each pot ingredient, as drawn, or to weigh with an `allowance` [g/g]."""
        pot = [grams_column(i) for i in self.recipe.pot]
        table = self.frame.groupby("melt", sort=False)
        sheet = into_the_pot(table[pot].sum(), allowance, self.batch) if allowance else table[pot].sum().round(6)
        sheet.insert(0, "pours", table.size())
        return sheet.reset_index()

    def per_gram_of_base(self) -> pd.DataFrame:
        """A row a pour: grams stirred in for one gram of base drawn; molten base is not drawn to 0.01 g."""
        sheet = self.pour_sheet()
        stirred = [grams_column(i) for i in self.recipe.stirred]
        shares = sheet[stirred].div(sheet["base [g]"], axis=0)
        shares.columns = [f"{i} [g/g]" for i in self.recipe.stirred]
        return pd.concat([sheet[["pour", "melt"]], shares], axis=1)

    def pour_sheet(self) -> pd.DataFrame:
        """A row a pour: grams of base drawn from its melt, then grams of each thing stirred in, and the settings."""
        pot = [grams_column(i) for i in self.recipe.pot]
        sheet = self.frame[["order", "pour", "melt"]]
        if pot:
            sheet["base [g]"] = self.frame[pot].sum(axis=1).round(6)
        stirred = [grams_column(i) for i in self.recipe.stirred]
        return pd.concat([sheet, self.frame[[*stirred, *self.recipe.settings]]], axis=1)

    @property
    def digits(self) -> dict[str, int]:
        """By column of the pour sheet: decimals that the balance shows, and to which a hand sets a setting."""
        weighed = ["base [g]", *map(grams_column, self.recipe.ingredients)]
        settings = {setting.name: digits_of_setting(setting) for setting in self.recipe.setting_list}
        return dict.fromkeys(weighed, self.batch.digits) | settings

    @property
    def heads(self) -> dict[str, str]:
        """What is printed over a setting that has a unit: `pour_temperature [°C]`."""
        return {s.name: f"{s.name} [{unit_text(s.unit)}]" for s in self.recipe.setting_list if s.unit}

    def _report(self) -> Report:
        size = f"{plural(len(self.frame), 'pour')} in {plural(len(self.melts), 'melt')}"
        blocks = [heading(f"Round {self.number}: {size}")]
        if self.recipe.pot:
            title = f"Melt ({100 * ALLOWANCE:.0f} % more than is drawn, for what stays in the beaker)"
            blocks.append(grid_of(self.melt_sheet(ALLOWANCE), digits=self.batch.digits, title=title))
        blocks.append(grid_of(self.pour_sheet().rename(columns=self.heads), title="Pour, in this order",
                              digits={self.heads.get(c, c): places for c, places in self.digits.items()}))
        if self.recipe.pot and self.recipe.stirred:
            title = "Where the base drawn came out otherwise, stir in for each gram of it"
            blocks.append(grid_of(self.per_gram_of_base(), digits=4, title=title))
        return report(*blocks, *(line(note) for note in self.notes))

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        return f"<Round {self.number}: {plural(len(self.frame), 'pour')} in {plural(len(self.melts), 'melt')}>"

    def _repr_html_(self) -> str:
        return self._report().as_html()


def round_from_factors(
    recipe: Recipe, batch: Batch, *, number: int, melts: list[str], pours: list[str], coordinates: pd.DataFrame,
    notes: tuple[str, ...] = (),
) -> Round:
    """The weighable round nearest to these coordinates, rows in pour order.

    Grams are multiples of the balance step and add up to the pour. The coordinates are then read off the grams.
    """
    formulas = recipe.formula_at(coordinates)
    grams = np.array([weighable(row, batch) for row in formulas.to_numpy()])
    table = pd.DataFrame({"round": number, "melt": list(melts), "pour": list(pours), "order": range(1, len(pours) + 1)})
    masses = pd.DataFrame(grams, columns=[grams_column(i) for i in recipe.ingredients])
    found = planned_coordinates(recipe, pd.concat([table, masses], axis=1))
    for setting in recipe.setting_list:
        found[setting.name] = as_set(setting, coordinates[setting.name].to_numpy(dtype=float))
    return Round(number=number, frame=pd.concat([table, found, masses], axis=1), recipe=recipe, batch=batch,
                 notes=notes)


def as_set(setting: Setting, values: np.ndarray) -> np.ndarray:
    """Values as a hand sets them, never beyond an end that they kept: to whole steps of the setting, or to a power of
    ten near a hundredth of its range where no step is stated."""
    if setting.high <= setting.low:                  # what is left of a mean of such is not another value
        return np.where(np.isclose(values, setting.low, rtol=1e-9, atol=1e-12), setting.low, values)
    rounded = (np.round(np.round(values / setting.step) * setting.step, 9) if setting.step
               else np.round(values, digits_of_range(setting.low, setting.high)))
    within = (values >= setting.low) & (values <= setting.high)
    return np.where(within, np.clip(rounded, setting.low, setting.high), rounded)


def digits_of_setting(setting: Setting) -> int:
    """Decimals in which a setting is told: those of its ends, and those to which a hand sets it."""
    ends = max(map(digits_of_step, (setting.low, setting.high)))
    if setting.step:
        return max(ends, digits_of_step(setting.step))
    return max(ends, digits_of_range(setting.low, setting.high)) if setting.low < setting.high else ends


def planned_coordinates(recipe: Recipe, table: pd.DataFrame) -> pd.DataFrame:
    """Factors of planned grams; all pours of a melt have the composition of its whole pot, so a rounding is shared."""
    masses = table[[grams_column(i) for i in recipe.ingredients]].set_axis(list(recipe.ingredients), axis=1)
    formulas = masses.div(masses.sum(axis=1), axis=0)
    if recipe.pot:
        pots = masses[list(recipe.pot)].groupby(table["melt"].to_numpy()).transform("sum")
        formulas = recipe.with_pot_of(pots, formulas)
    factors = recipe.factors_of(formulas)
    shared = [c for c in recipe.per_melt if c in factors.columns]
    if shared:
        factors[shared] = factors[shared].groupby(table["melt"].to_numpy()).transform("first")
    return factors


def weighable(fractions: np.ndarray, batch: Batch) -> np.ndarray:
    """Grams in whole balance steps that add up to the pour; the steps lost by rounding go to the largest remainders."""
    exact = fractions * batch.steps
    steps = np.floor(exact + 1e-9).astype(int)
    missing = batch.steps - int(steps.sum())
    order = np.argsort(-(exact - steps), kind="stable")
    steps[order[:missing]] += 1
    return np.array([float(int(k) * batch.exact_step) for k in steps])


def plan_columns(recipe: Recipe) -> tuple[str, ...]:
    """Columns of plan.csv."""
    return (*PLAN_IDS, *recipe.coordinates, *(grams_column(i) for i in recipe.ingredients))


def typed_plan(frame: pd.DataFrame, recipe: Recipe, batch: Batch, *, table: str, known: set[str]) -> pd.DataFrame:
    """Planned pours; the grams rule, and a stated factor that differs by more than half a balance step is refused.

    A factor column may be absent, and columns of factors that trial.toml no longer names are passed over. Where the
    column of an ingredient is absent, none of it was planned.
    """
    columns = plan_columns(recipe)
    _check_plan_columns(frame, recipe, table)
    if not len(frame):
        return pd.DataFrame(columns=list(columns))
    seen, whole = set(known), frame.reindex(columns=list(columns)).astype(object)
    rows = [_plan_row(cells, recipe, f"{table} row {label}", seen) for label, cells in whole.iterrows()]
    typed = pd.DataFrame(rows, index=frame.index)
    try:
        found = planned_coordinates(recipe, typed)
    except FormulaError as problem:
        raise PlanError(f"{table}: {problem}") from None
    _check_stated(frame, recipe, batch, typed, found, table)
    return pd.concat([typed, found], axis=1)[list(columns)]


def _check_plan_columns(frame: pd.DataFrame, recipe: Recipe, table: str) -> None:
    columns = [*PLAN_IDS, *recipe.settings]
    for column in columns:
        if column not in frame.columns:
            raise PlanError(f"{table} lacks the column {column!r}. It needs {words_joined(map(repr, columns))}.")
    for column in map(str, frame.columns):
        if column.endswith(" [g]") and column not in plan_columns(recipe):
            raise PlanError(f"{table} has a column {column!r}, but {column[:-4]!r} is not in [formula]. "
                            "Add it there, with 0 percent if need be.")


def _plan_row(cells: pd.Series, recipe: Recipe, where: str, seen: set[str]) -> dict:
    row = {"melt": parse_id(cells["melt"]), "pour": parse_id(cells["pour"])}
    for key in ("round", "order"):
        value = parse_number(cells[key], where=f"{where}: {key}", error=PlanError)
        whole = int(value) if value == value and value == int(value) else cells[key]
        row[key] = check_whole(whole, name=f"{where}: {key}", low=1, high=9999, error=PlanError)
    if not row["melt"] or not row["pour"] or row["pour"].startswith(UNPLANNED):
        raise PlanError(f"{where}: the pour is {row['pour']!r} in melt {row['melt']!r}. "
                        f"Name both; {UNPLANNED} is for unplanned pours.")
    if row["pour"] in seen:
        raise PlanError(f"{where}: pour {row['pour']} is planned already. Give each planned pour a name of its own.")
    seen.add(row["pour"])
    grams = [grams_column(i) for i in recipe.ingredients]
    row |= {c: np.nan_to_num(parse_grams(cells[c], where=f"{where}: {c}", error=PlanError)) for c in grams}
    row |= {c: parse_number(cells[c], where=f"{where}: {c}", error=PlanError) for c in recipe.settings}
    if not sum(row[c] for c in grams) > 0:
        raise PlanError(f"{where}: pour {row['pour']} has no grams. Plan a weight for it.")
    return row


def _check_stated(
    frame: pd.DataFrame, recipe: Recipe, batch: Batch, typed: pd.DataFrame, found: pd.DataFrame, table: str
) -> None:
    grams = typed[[grams_column(i) for i in recipe.ingredients]].to_numpy(dtype=float)
    for s in recipe.statements:
        if s.column not in frame.columns:
            continue
        for k, label in enumerate(frame.index):
            cell, actual = frame[s.column].iloc[k], found[s.column].iloc[k]
            stated = parse_number(cell, where=f"{table} row {label}: {s.column}", error=PlanError)
            off = abs(stated - actual) - rounded_to(cell)
            if off * float(grams[k] @ s.within_row) > batch.balance_step_g / 2:
                raise PlanError(f"{table} row {label}: {s.column} is {stated:.4g}, but the grams say {actual:.4g}. "
                                "The grams rule: correct them, or the factor.")

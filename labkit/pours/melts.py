"""Melts as weighed into their pots."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from labkit.checks import check_columns, parse_id
from labkit.errors import PourError
from labkit.formula import Recipe
from labkit.pours.doubts import check_new, doubt_of_melt
from labkit.pours.exchanged import exchange_of
from labkit.pours.meant import meant_rows
from labkit.pours.rows import CORRECTION, FedAgain, is_news, last_of_each, meant_name, texts
from labkit.pours.weights import weight_of
from labkit.rounds import UNPLANNED, Batch, grams_column


def melt_columns(recipe: Recipe) -> tuple[str, ...]:
    """Columns of melts.csv."""
    return ("melt", "date", *(grams_column(i) for i in recipe.pot), "note", *CORRECTION)


def typed_melts(
    frame: pd.DataFrame,
    recipe: Recipe,
    *,
    batch: Batch,
    plan: pd.DataFrame,
    table: str,
    recorded: pd.DataFrame,
    whole: bool = True,
) -> pd.DataFrame:
    """Melts with ids as text and grams as numbers, new rows only: a row that is recorded already is passed over.

    Refuses strange columns, impossible weights, a second row for a melt that does not say that it corrects. `whole` :
    refuses too a weight that was planned and is left empty, a weight in doubt, and a date that is no day.
    """
    columns = melt_columns(recipe)
    check_columns(frame, allowed=columns, required=("melt",), what=table, error=PourError)
    rows = [row.to_dict() for _, row in recorded.iterrows()]
    planned, before, again = meant_rows(plan, recipe, batch, by="melt"), len(rows), FedAgain(rows, ("melt",))
    for label, cells in texts(frame, columns).iterrows():
        where = f"{table} row {label}"
        row = _typed_melt(cells, recipe, where, planned, rows)
        if not again.holds(row) and is_news(row, rows, "melt", where, whole=whole):
            if whole:
                _check_new(row, recipe, batch, planned, where, rows)
            rows.append(row)
    return pd.DataFrame(rows[before:], columns=list(columns))


def _typed_melt(cells: pd.Series, recipe: Recipe, where: str, planned: Mapping, rows: list[dict]) -> dict:
    melt = _name_of(cells["melt"], where, planned)
    grams = {}
    for column in map(grams_column, recipe.pot):
        known = any(r["melt"] == melt and r[column] == 0 for r in rows)  # an earlier row says none
        plan = 0.0 if known else planned.get(melt, {}).get(column, 0.0)
        grams[column] = weight_of(cells[column], f"{where}: {column}", plan)
    if not np.nansum(list(grams.values())) > 0:
        raise PourError(
            f"{where}: nothing was weighed into melt {melt}. Write the grams of each ingredient in the pot, or leave "
            "the row out and record its pours as failed, and why."
        )
    said = {c: parse_id(cells[c]) for c in ("note", *CORRECTION)}
    return {"melt": melt, "date": parse_id(cells["date"]), **grams, **said}


def _name_of(cell: object, where: str, planned: Mapping) -> str:
    name = parse_id(cell)
    if not name:
        raise PourError(f"{where}: melt is empty. Every row names its melt.")
    if name not in planned and not name.startswith(UNPLANNED):
        raise PourError(
            f"{where}: melt {name!r} is not planned. {meant_name(name, planned)}Name an unplanned melt "
            f"{UNPLANNED}01, {UNPLANNED}02 and so on."
        )
    return name


def _check_new(row: Mapping, recipe: Recipe, batch: Batch, planned: Mapping, where: str, rows: list[dict]) -> None:
    plan, needed = planned.get(row["melt"], {}), map(grams_column, recipe.pot)
    check_new(row, rows, "melt", where, plan=plan, needed=needed, doubts_of=lambda row, others: [
        exchange_of(row, others, recipe, planned, batch, where),
        doubt_of_melt(row, recipe, batch, plan, where),
    ])


def standing_melts(melts: pd.DataFrame) -> pd.DataFrame:
    """The last row of each melt, see `last_of_each`."""
    return last_of_each(melts, "melt")

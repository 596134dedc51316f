"""Pours as divided and coloured."""

import math
from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from labkit.checks import check_columns, is_blank, parse_grams, parse_id, parse_number
from labkit.errors import PourError
from labkit.formula import Recipe
from labkit.pours.doubts import check_new, doubt_of_pour
from labkit.pours.drawn import before_its_melt, pot_of_another
from labkit.pours.exchanged import exchange_of
from labkit.pours.meant import meant_rows
from labkit.pours.rows import CORRECTION, FedAgain, is_news, last_of_each, meant_name, texts
from labkit.pours.settings import doubt_of_settings
from labkit.pours.weights import BASE, NONE_ADDED, own_columns, says_none, weight_of
from labkit.rounds import UNPLANNED, Batch, grams_column


def pour_columns(recipe: Recipe) -> tuple[str, ...]:
    """Columns of pours.csv."""
    grams = tuple(grams_column(i) for i in recipe.ingredients)
    return ("pour", "melt", "date", BASE, *grams, *recipe.settings, "outcome", "defects", "note", *CORRECTION)


def typed_pours(
    frame: pd.DataFrame,
    recipe: Recipe,
    *,
    batch: Batch,
    plan: pd.DataFrame,
    table: str,
    melts: Mapping[str, str],
    recorded: pd.DataFrame,
    whole: bool = True,
) -> pd.DataFrame:
    """Pours with ids as text and grams as numbers, new rows only: a row that is recorded already is passed over.

    Refuses what cannot have been made: no weight, a weight below zero, a base without a melt, a pour that is neither
    planned nor named X-, a second row for a pour that does not say that it corrects. `whole` : refuses too what was
    planned and is left empty in a pour that came out ok, a date that is no day, and what is in doubt (see `doubts`,
    `settings`, `exchanged`, `drawn`). melts : by name the day on which each was made.
    """
    columns = pour_columns(recipe)
    check_columns(frame, allowed=columns, required=("pour",), what=table, error=PourError)
    rows = [row.to_dict() for _, row in recorded.iterrows()]
    planned, before, again = meant_rows(plan, recipe, batch, by="pour"), len(rows), FedAgain(rows, ("pour",))
    for label, cells in texts(frame, columns).iterrows():
        row = _typed_pour(cells, recipe, f"{table} row {label}", planned, melts, rows)
        if not again.holds(row) and is_news(row, rows, "pour", f"{table} row {label}", whole=whole):
            if whole:
                where = f"{table} row {label}"
                _check_new(row, recipe, batch, planned, melts, where, rows)
            rows.append(row)
    return pd.DataFrame(rows[before:], columns=list(columns))


def _check_new(
    row: Mapping, recipe: Recipe, batch: Batch, planned: Mapping, melts: Mapping, where: str, rows: list[dict]
) -> None:
    plan, needed = planned.get(row["pour"], {}), own_columns(row, recipe) if row["outcome"] == "ok" else ()
    check_new(row, rows, "pour", where, plan=plan, needed=needed, doubts_of=lambda row, others: [
        exchange_of(row, others, recipe, planned, batch, where),
        doubt_of_pour(row, recipe, batch, plan, where),
        doubt_of_settings(row, recipe, plan, where),
        pot_of_another(row, others, recipe, planned, where),
        before_its_melt(row, melts, where),
    ])


def _typed_pour(cells: pd.Series, recipe: Recipe, where: str, planned, melts: Mapping, rows: list[dict]) -> dict:
    pour = parse_id(cells["pour"])
    if not pour:
        raise PourError(f"{where}: pour is empty. Every row names its pour.")
    if pour not in planned and not (pour.startswith(UNPLANNED) and len(pour) > len(UNPLANNED)):
        raise PourError(
            f"{where}: pour {pour!r} is neither planned nor named {UNPLANNED}01, {UNPLANNED}02 and so on. "
            f"{meant_name(pour, planned)}Check the name, or give an unplanned pour such a name."
        )
    plan = planned.get(pour, {})
    row = {
        "pour": pour,
        "melt": parse_id(cells["melt"]),
        "date": parse_id(cells["date"]),
        "outcome": parse_id(cells["outcome"]) or "ok",
    }
    if says_none(cells[BASE]) and row["outcome"] == "ok":
        raise PourError(f"{where}: {BASE} is {NONE_ADDED}. Leave the cell empty if the pour had a pot of its own.")
    base, *_ = grams = _grams(cells, (BASE, *map(grams_column, recipe.ingredients)), where)
    nothing = row["outcome"] != "ok" and not any(v > 0 for v in grams)
    row[BASE] = math.nan if nothing or says_none(cells[BASE]) else base
    for ingredient in recipe.ingredients:
        column = grams_column(ingredient)
        known = nothing or any(r["pour"] == pour and r[column] == 0 for r in rows)  # an earlier row says none
        row[column] = weight_of(cells[column], f"{where}: {column}", 0.0 if known else plan.get(column, 0.0))
    for name in recipe.settings:
        row[name] = parse_number(cells[name], where=f"{where}: {name}", error=PourError)
    row |= {c: parse_id(cells[c]) for c in ("defects", "note", *CORRECTION)}
    if not (row["outcome"] == "ok" or row["outcome"].startswith("failed")):
        raise PourError(f"{where}: outcome is {row['outcome']!r}. Write ok, or failed and why.")
    if recipe.pot and any(r["pour"] == pour for r in rows) and not row["corrects"]:
        _check_whole(row, recipe, where)
    _check_weighed(row, recipe, where, melts, is_planned=pour in planned)
    return row


def _grams(cells: pd.Series, columns: Iterable[str], where: str) -> list[float]:
    """What was weighed by column: blank is nan, none is 0."""
    return [0.0 if says_none(cells[c]) else parse_grams(cells[c], where=f"{where}: {c}", error=PourError)
            for c in columns]


def _check_whole(row: Mapping, recipe: Recipe, where: str) -> None:
    """A further row of a pour, with something that was stirred in and no base: the pour was written into two rows."""
    grams = {i for i in recipe.ingredients if row[grams_column(i)] > 0}
    if row["outcome"] == "ok" and is_blank(row[BASE]) and grams and not grams & set(recipe.pot):
        raise PourError(f"{where}: pour {row['pour']} has another row before this one, and no base in this one. Put "
                        "all that went into one pour into one row.")


def _check_weighed(row: Mapping, recipe: Recipe, where: str, melts: Mapping, *, is_planned: bool) -> None:
    """A pour has a base from a weighed melt, or all its grams; one that failed may hold nothing, or colour alone."""
    grams = {i: row[grams_column(i)] for i in recipe.ingredients}
    failed, weighed = row["outcome"] != "ok", any(v > 0 for v in grams.values())
    if failed and is_blank(row[BASE]) and (is_planned or not weighed):
        return
    if row[BASE] == 0:
        none = "none was drawn" if failed else "the pour had a pot of its own"
        raise PourError(f"{where}: {BASE} is 0. Weigh again, or leave the cell empty if {none}.")
    if not is_blank(row[BASE]):
        if not recipe.pot:
            raise PourError(
                f"{where}: {BASE} is {row[BASE]:g}, but trial.toml names no pot. "
                "Add [melt] with its pot, or give all grams."
            )
        if row["melt"] not in melts:
            if not row["melt"]:
                raise PourError(f"{where}: {BASE} is {row[BASE]:g}, and melt is empty. Write the melt that it was "
                                "drawn from.")
            advice = meant_name(row["melt"], melts).rstrip() or "Record the melt first, or check its name."
            raise PourError(f"{where}: {BASE} is drawn from melt {row['melt']!r}, which melts.csv does not have. "
                            f"{advice}")
        return
    weighed = sum(v for v in grams.values() if not is_blank(v))
    needed = recipe.pot or recipe.ingredients
    if not weighed > 0 or not any(grams[i] > 0 for i in needed):
        raise PourError(
            f"{where}: pour {row['pour']} has no weight of its base. "
            + (
                f"Give {BASE} drawn from a melt, or all grams of a pour with a pot of its own."
                if recipe.pot
                else "Give the grams of every ingredient."
            )
        )


def standing_pours(pours: pd.DataFrame) -> pd.DataFrame:
    """The last row of each pour, see `last_of_each`."""
    return last_of_each(pours, "pour")


def never_weighed(pours: pd.DataFrame) -> tuple[str, ...]:
    """Pours that failed before anything was weighed."""
    standing = standing_pours(pours)
    weights = standing[[c for c in standing if c.endswith(" [g]")]].astype(float)
    return tuple(standing.loc[~(weights > 0).any(axis=1), "pour"])


def weighed_masses(pour: Mapping, pots: Mapping[str, np.ndarray], recipe: Recipe) -> np.ndarray:
    """Grams by ingredient in one pour: its base times the pot's composition as weighed, and what was added to it.

    pots : by melt, what `weighed_pots` gives.
    """
    grams = np.nan_to_num(np.array([pour[grams_column(i)] for i in recipe.ingredients], dtype=float))
    return grams if is_blank(pour[BASE]) else grams + pour[BASE] * pots[pour["melt"]]


def weighed_pots(melts: pd.DataFrame, recipe: Recipe) -> dict[str, np.ndarray]:
    """By melt: the composition of its pot as weighed, (ingredients,), adding to one. melts : a row a melt."""
    found = np.zeros((len(melts), len(recipe.ingredients)))
    grams = np.nan_to_num(melts[list(map(grams_column, recipe.pot))].to_numpy(dtype=float))
    found[:, [recipe.ingredients.index(i) for i in recipe.pot]] = grams
    return dict(zip(melts["melt"], found / found.sum(axis=1, keepdims=True), strict=True))

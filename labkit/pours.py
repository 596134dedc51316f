"""What was made: melts as weighed, pours as divided and coloured.

A table comes as text or numbers; its index names the row in every message. Grams left empty were not added where none
were planned. Where some were planned an empty cell says nothing, and the word `none` says that none was added.
"""

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from labkit.checks import check_columns, is_blank, parse_grams, parse_id, parse_number
from labkit.errors import PourError
from labkit.formula import Recipe
from labkit.rounds import UNPLANNED, grams_column

BASE = "base [g]"
NONE_ADDED = "none"  # in a cell of grams; kept as 0 g
CORRECTION = ("corrects", "reason")


def melt_columns(recipe: Recipe) -> tuple[str, ...]:
    """Columns of melts.csv."""
    return ("melt", "date", *(grams_column(i) for i in recipe.pot), "note")


def pour_columns(recipe: Recipe) -> tuple[str, ...]:
    """Columns of pours.csv."""
    grams = tuple(grams_column(i) for i in recipe.ingredients)
    return ("pour", "melt", "date", BASE, *grams, *recipe.settings, "outcome", "defects", "note", *CORRECTION)


def texts(frame: pd.DataFrame, columns: tuple[str, ...]) -> pd.DataFrame:
    """All columns of a table in order, those that are absent blank, every cell as trimmed text or as it was."""
    return frame.reindex(columns=list(columns)).astype(object)


def typed_melts(
    frame: pd.DataFrame,
    recipe: Recipe,
    *,
    table: str,
    planned: Mapping[str, Mapping[str, float]],
    known: set[str],
    whole: bool = True,
) -> pd.DataFrame:
    """Melts with ids as text and grams as numbers; refuses strange columns, doubled melts and impossible weights.

    `whole` : a weight that was planned and is left empty is refused too.
    """
    columns = melt_columns(recipe)
    check_columns(frame, allowed=columns, required=("melt",), what=table, error=PourError)
    rows, seen = [], set(known)
    for label, cells in texts(frame, columns).iterrows():
        where = f"{table} row {label}"
        melt = _new_id(cells["melt"], where, "melt", seen, planned)
        grams = {c: _weight(cells[c], f"{where}: {c}", planned.get(melt, {}).get(c, 0.0)) for c in columns[2:-1]}
        if not np.nansum(list(grams.values())) > 0:
            raise PourError(
                f"{where}: nothing was weighed into melt {melt}. Write the grams of each ingredient in the pot."
            )
        if whole:
            _check_written(grams, planned.get(melt, {}), grams, where)
        rows.append({"melt": melt, "date": parse_id(cells["date"]), **grams, "note": parse_id(cells["note"])})
    return pd.DataFrame(rows, columns=list(columns))


def _new_id(cell: object, where: str, kind: str, seen: set[str], planned) -> str:
    name = parse_id(cell)
    if not name:
        raise PourError(f"{where}: {kind} is empty. Every row names its {kind}.")
    if name in seen:
        raise PourError(f"{where}: {kind} {name} is recorded already. Correct the earlier row, or use another name.")
    if name not in planned and not name.startswith(UNPLANNED):
        raise PourError(
            f"{where}: {kind} {name!r} is not planned. Name an unplanned {kind} {UNPLANNED}01, {UNPLANNED}02 and so on."
        )
    seen.add(name)
    return name


def says_none(cell: object) -> bool:
    """Whether a cell of grams is the word for: none was added."""
    return isinstance(cell, str) and cell.strip().lower() == NONE_ADDED


def _weight(cell: object, where: str, planned: float) -> float:
    if says_none(cell):
        return 0.0
    value = parse_grams(cell, where=where, error=PourError)
    if value == 0 and planned > 0:
        raise PourError(
            f"{where} is 0, but {planned:.2f} g were planned. Weigh again, or write {NONE_ADDED} if none was added."
        )
    return value


def unwritten(row: Mapping, planned: Mapping[str, float], columns: Iterable[str]) -> tuple[str, ...]:
    """Columns in which grams were planned and nothing is written."""
    return tuple(c for c in columns if planned.get(c, 0.0) > 0 and is_blank(row[c]))


def unwritten_words(what: str, planned: float) -> str:
    """Fact and advice where grams were planned and nothing is written."""
    fact = f"{what} is empty, but {planned:.2f} g were planned."
    return f"{fact} Write what was weighed, or {NONE_ADDED} if none was added."


def _check_written(row: Mapping, planned: Mapping[str, float], columns: Iterable[str], where: str) -> None:
    for column in unwritten(row, planned, columns):
        raise PourError(unwritten_words(f"{where}: {column}", planned[column]))


def own_columns(row: Mapping, recipe: Recipe) -> tuple[str, ...]:
    """Columns of the grams that a pour was given itself: what was stirred in, or all where its base is of no melt."""
    return tuple(map(grams_column, recipe.ingredients if is_blank(row[BASE]) else recipe.stirred))


def typed_pours(
    frame: pd.DataFrame,
    recipe: Recipe,
    *,
    table: str,
    planned: Mapping[str, Mapping[str, float]],
    melts: set[str],
    recorded: pd.DataFrame,
    whole: bool = True,
) -> pd.DataFrame:
    """Pours with ids as text and grams as numbers, new rows only: a row that is recorded already is passed over.

    Refuses what cannot have been made: no weight, a weight below zero, a base without a melt, a pour that is neither
    planned nor named X-, a second row for a pour that does not say that it corrects. `whole` : refuses too what was
    planned and is left empty in a pour that came out ok.
    """
    columns = pour_columns(recipe)
    check_columns(frame, allowed=columns, required=("pour",), what=table, error=PourError)
    rows = [row.to_dict() for _, row in recorded.iterrows()]
    before, again = len(rows), FedAgain(rows, ("pour",))
    for label, cells in texts(frame, columns).iterrows():
        row = _typed_pour(cells, recipe, f"{table} row {label}", planned, melts, rows)
        if not again.holds(row) and _is_news(row, rows, f"{table} row {label}"):
            if whole and row["outcome"] == "ok":
                _check_written(row, planned.get(row["pour"], {}), own_columns(row, recipe), f"{table} row {label}")
            rows.append(row)
    return pd.DataFrame(rows[before:], columns=list(columns))


def _typed_pour(cells: pd.Series, recipe: Recipe, where: str, planned, melts: set[str], rows: list[dict]) -> dict:
    pour = parse_id(cells["pour"])
    if not pour:
        raise PourError(f"{where}: pour is empty. Every row names its pour.")
    if pour not in planned and not (pour.startswith(UNPLANNED) and len(pour) > len(UNPLANNED)):
        raise PourError(
            f"{where}: pour {pour!r} is neither planned nor named {UNPLANNED}01, {UNPLANNED}02 and so on. "
            "Check the name, or give an unplanned pour such a name."
        )
    plan = planned.get(pour, {})
    row = {
        "pour": pour,
        "melt": parse_id(cells["melt"]),
        "date": parse_id(cells["date"]),
        "outcome": parse_id(cells["outcome"]) or "ok",
    }
    if says_none(cells[BASE]):
        raise PourError(f"{where}: {BASE} is {NONE_ADDED}. Leave the cell empty if the pour had a pot of its own.")
    row[BASE] = parse_grams(cells[BASE], where=f"{where}: {BASE}", error=PourError)
    for ingredient in recipe.ingredients:
        column = grams_column(ingredient)
        known = any(r["pour"] == pour and r[column] == 0 for r in rows)  # an earlier row says none
        row[column] = _weight(cells[column], f"{where}: {column}", 0.0 if known else plan.get(column, 0.0))
    for name in recipe.settings:
        row[name] = parse_number(cells[name], where=f"{where}: {name}", error=PourError)
    row |= {c: parse_id(cells[c]) for c in ("defects", "note", *CORRECTION)}
    if not (row["outcome"] == "ok" or row["outcome"].startswith("failed")):
        raise PourError(f"{where}: outcome is {row['outcome']!r}. Write ok, or failed and why.")
    _check_weighed(row, recipe, where, melts)
    return row


def _check_weighed(row: Mapping, recipe: Recipe, where: str, melts: set[str]) -> None:
    """A pour has a base from a weighed melt, or all its grams; one that failed may hold nothing."""
    grams = {i: row[grams_column(i)] for i in recipe.ingredients}
    if row["outcome"] != "ok" and is_blank(row[BASE]) and not any(v > 0 for v in grams.values()):
        return
    if row[BASE] == 0:
        raise PourError(f"{where}: {BASE} is 0. Weigh again, or leave the cell empty if the pour had a pot of its own.")
    if not is_blank(row[BASE]):
        if not recipe.pot:
            raise PourError(
                f"{where}: {BASE} is {row[BASE]:g}, but trial.toml names no pot. "
                "Add [melt] with its pot, or give all grams."
            )
        if row["melt"] not in melts:
            raise PourError(
                f"{where}: {BASE} is drawn from melt {row['melt']!r}, which melts.csv does not have. "
                "Record the melt first, or check its name."
            )
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


def _is_news(row: Mapping, rows: list[dict], where: str) -> bool:
    """Whether a row adds something: equal rows are passed over, a second one must say what it corrects and why."""
    same = [r for r in rows if r["pour"] == row["pour"]]
    if row["corrects"]:
        if not same:
            raise PourError(
                f"{where}: corrects pour {row['pour']}, which is not recorded before it. Leave `corrects` empty."
            )
        if not row["reason"]:
            raise PourError(f"{where}: corrects pour {row['pour']} without a reason. Write the reason.")
        return not _equal(row, same[-1], CORRECTION[:0])
    if any(_equal(row, r, CORRECTION) for r in same):
        return False
    if same:
        raise PourError(
            f"{where}: pour {row['pour']} is recorded already with other values. Use correct_pours to correct it."
        )
    return True


def _equal(one: Mapping, other: Mapping, but: tuple[str, ...]) -> bool:
    return all(one[k] == other[k] or (is_blank(one[k]) and is_blank(other[k])) for k in one if k not in but)


class FedAgain:
    """A table that is fed again, corrections and all: tells the rows of a key that come in the order of the records."""

    def __init__(self, recorded: Iterable[Mapping], key: tuple[str, ...]):
        self.key, self.left = key, {}
        for row in recorded:
            self.left.setdefault(tuple(row[k] for k in key), []).append(row)

    def holds(self, row: Mapping) -> bool:
        """Whether the row is the next that is recorded of its key; once one is not, none after it is."""
        key = tuple(row[k] for k in self.key)
        left = self.left.get(key)
        if left and _equal(row, left[0], ()):
            left.pop(0)
            return True
        self.left.pop(key, None)
        return False


def standing_pours(pours: pd.DataFrame) -> pd.DataFrame:
    """The last row of each pour: corrections supersede, in the order in which the pours were first recorded."""
    order = pours["pour"].drop_duplicates()
    return pours.drop_duplicates("pour", keep="last").set_index("pour").loc[order].reset_index()


def weighed_masses(pour: pd.Series, melts: pd.DataFrame, recipe: Recipe) -> np.ndarray:
    """Grams by ingredient in one pour: its base times the pot's composition as weighed, and what was added to it."""
    grams = np.nan_to_num(np.array([pour[grams_column(i)] for i in recipe.ingredients], dtype=float))
    if is_blank(pour[BASE]):
        return grams
    melt = melts.loc[melts["melt"] == pour["melt"]].iloc[-1]
    pot = np.nan_to_num(np.array([melt[grams_column(i)] for i in recipe.pot], dtype=float))
    at = [recipe.ingredients.index(i) for i in recipe.pot]
    grams[at] += pour[BASE] * pot / pot.sum()
    return grams

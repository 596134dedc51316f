"""What was made: melts as weighed, pours as divided and coloured, readings of instruments.

A table comes as text or numbers; its index names the row in every message. Grams left empty were not added where none
were planned. Where some were planned an empty cell says nothing, and the word `none` says that none was added.
"""

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.checks import check_choice, check_columns, is_blank, parse_grams, parse_id, parse_number
from labkit.errors import PourError
from labkit.formula import Recipe
from labkit.rounds import UNPLANNED, grams_column

BASE = "base [g]"
NONE_ADDED = "none"  # in a cell of grams; kept as 0 g
DIRECTIONS = ("up", "down")
READING_COLUMNS = ("pour", "method", "direction", "value", "unit", "repeat")
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
            _check_written(unwritten(grams, planned.get(melt, {}), grams), planned.get(melt, {}), where)
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


def _check_written(empty: tuple[str, ...], planned: Mapping[str, float], where: str) -> None:
    if empty:
        raise PourError(
            f"{where}: {empty[0]} is empty, but {planned[empty[0]]:.2f} g were planned. "
            f"Write what was weighed, or {NONE_ADDED} if none was added."
        )


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
    before = len(rows)
    for label, cells in texts(frame, columns).iterrows():
        row = _typed_pour(cells, recipe, f"{table} row {label}", planned, melts, rows)
        if _is_news(row, rows, f"{table} row {label}"):
            if whole and row["outcome"] == "ok":
                plan = planned.get(row["pour"], {})
                _check_written(unwritten(row, plan, own_columns(row, recipe)), plan, f"{table} row {label}")
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


def typed_readings(
    frame: pd.DataFrame, attributes: Mapping[str, Attribute], *, table: str, pours: set[str], recorded: pd.DataFrame
) -> pd.DataFrame:
    """Readings of instruments, new rows only; by its direction a higher value means more (up) or less (down).

    One method runs one way in all rows, and up where it reads an attribute of trial.toml. An equal row again is passed
    over, another value under the same pour, method and repeat is refused.
    """
    check_columns(frame, allowed=READING_COLUMNS, required=READING_COLUMNS[:4], what=table, error=PourError)
    by_method = {a.reading.casefold(): a for a in attributes.values() if a.is_read}
    rows = recorded.to_dict("records")
    ways = {row["method"]: (row["direction"], f"for {row['pour']}") for row in reversed(rows)}
    known, before = {_reading_key(row): row["value"] for row in rows}, len(rows)
    for label, cells in texts(frame, READING_COLUMNS).iterrows():
        where = f"{table} row {label}"
        row = _typed_reading(cells, where, pours)
        _check_method(row, by_method.get(row["method"].casefold()), ways, where)
        ways.setdefault(row["method"], (row["direction"], f"in row {label}"))
        key = _reading_key(row)
        if key not in known:
            known[key] = row["value"]
            rows.append(row)
        elif known[key] != row["value"]:
            raise PourError(
                f"{where}: {_repeat_words(row)} is recorded already as {known[key]:g}, and {row['value']:g} differs. "
                "Number further readings of one pour in the column repeat."
            )
    return pd.DataFrame(rows[before:], columns=list(READING_COLUMNS))


def _typed_reading(cells: pd.Series, where: str, pours: set[str]) -> dict:
    row = {c: parse_id(cells[c]) for c in READING_COLUMNS}
    if row["pour"] not in pours:
        raise PourError(
            f"{where}: pour {row['pour']!r} is not in pours.csv. Record the pour first, or check its name."
        )
    if not row["method"]:
        raise PourError(
            f"{where}: method is empty. Name the method: readings of different methods are never pooled."
        )
    check_choice(row["direction"], DIRECTIONS, name=f"{where}: direction", error=PourError)
    row["value"] = parse_number(cells["value"], where=f"{where}: value", error=PourError)
    if is_blank(row["value"]):
        raise PourError(f"{where}: value is empty. Leave the row out if nothing was read.")
    return row


def _reading_key(row: Mapping) -> tuple[str, ...]:
    return row["pour"], row["method"], row["repeat"]


def _repeat_words(row: Mapping) -> str:
    return f"{row['method']} of {row['pour']}" + (f", repeat {row['repeat']}," if row["repeat"] else "")


def _check_method(row: Mapping, attribute: Attribute | None, ways: Mapping[str, tuple[str, str]], where: str) -> None:
    """A row agrees with the rows before it about its method, and with the attribute that the method reads."""
    method, direction = row["method"], row["direction"]
    if attribute is not None and method != attribute.reading:
        raise PourError(
            f"{where}: method is {method!r}, but trial.toml has {attribute.reading!r}. "
            "Write both alike, or give another method another name."
        )
    way, there = ways.get(method, (direction, ""))
    if attribute is not None and direction == "down":
        raise PourError(
            f"{where}: direction of {method} is 'down', but in trial.toml a higher one is more {attribute.name}. "
            "Write up, or name the attribute after what rises with its reading."
        )
    if direction != way:
        raise PourError(
            f"{where}: direction of {method} is {direction!r}, but {way!r} {there}. "
            "One method runs one way: correct one of them, or name two methods."
        )
    if attribute is None:
        return
    if row["unit"] and row["unit"] != attribute.unit:
        raise PourError(
            f"{where}: {attribute.name} is in {row['unit']}, but in trial.toml it is in {attribute.unit}. "
            "Convert the value, or correct the unit."
        )
    if not attribute.low <= row["value"] <= attribute.high:
        raise PourError(
            f"{where}: {attribute.name} is {row['value']:g}; {method} runs from {attribute.low:g} to "
            f"{attribute.high:g} {attribute.unit}. Read again, or widen the scale in trial.toml if the value is true."
        )


def standing_readings(
    readings: pd.DataFrame, aside: list[Mapping], attributes: Mapping[str, Attribute]
) -> pd.DataFrame:
    """pour, attribute, value of every reading of an attribute, without pours or attributes that are set aside."""
    names = {a.reading: name for name, a in attributes.items() if a.is_read}
    found = readings.assign(attribute=readings["method"].map(names)).dropna(subset="attribute")
    left = np.zeros(len(found), dtype=bool)
    for row in aside:
        if not any(row[key] for key in ("tester", "session", "position")):
            left |= np.logical_and.reduce(
                [(found[key] == row[key]).to_numpy() if row[key] else np.ones(len(found), dtype=bool)
                 for key in ("pour", "attribute")])
    return found.loc[~left, ["pour", "attribute", "value"]].astype({"value": float}).reset_index(drop=True)


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

"""What instruments read: one value for one pour, by method; by its direction a higher one means more or less."""

import re
from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.checks import check_columns, is_blank, near_to, parse_id, parse_number
from labkit.errors import PourError
from labkit.pours import BY_HAND, CORRECTION, FedAgain, check_correction, texts
from labkit.pours.rows import not_poured
from labkit.wording import unit_text

DIRECTIONS = ("up", "down")
WAYS = ("Write up where a higher value is more of what is read, as for every attribute of trial.toml, and down where "
        "it is less.")
READING_KEY = ("pour", "method", "repeat")
FIRST = "1"  # of the column repeat, as the form writes it; who writes one reading a pour leaves it empty
SLIP = 0.85  # of 1: a slip of a letter or two in the name of a method
_GAPS = re.compile(r"[\W_]+")
READING_COLUMNS = ("pour", "method", "direction", "value", "unit", "repeat", *CORRECTION)


def typed_readings(
    frame: pd.DataFrame, attributes: Mapping[str, Attribute], *, table: str, pours: set[str], recorded: pd.DataFrame,
    whole: bool = True,
) -> pd.DataFrame:
    """Readings of instruments, new rows only; by its direction a higher value means more (up) or less (down).

    One method runs one way in all rows, and up where it reads an attribute of trial.toml. An equal row again is passed
    over, another value under the same pour, method and repeat is refused unless the row says what it corrects, and why.
    Such a row without a value takes the reading back: it no longer counts, nor tells which way its method runs.
    `whole` : refuses too a method that is new and but for a letter or two that of an attribute.
    """
    if "direction" not in frame and {"pour", "method", "value"} <= set(frame):
        raise PourError(f"{table} lacks the column 'direction'. {WAYS}")
    check_columns(frame, allowed=READING_COLUMNS, required=READING_COLUMNS[:4], what=table, error=PourError)
    by_method = {a.reading.casefold(): a for a in attributes.values() if a.is_read}
    rows = recorded.to_dict("records")
    said: dict[tuple[str, ...], list[Mapping]] = {}
    ways: dict[str, dict[tuple[str, ...], tuple[str, str]]] = {}
    for row in rows:
        said.setdefault(_reading_key(row), []).append(row)
        _note_way(ways, row, f"for {row['pour']}")
    before, again = len(rows), FedAgain(rows, READING_KEY)
    for label, cells in texts(frame, READING_COLUMNS).iterrows():
        where = f"{table} row {label}"
        row = _typed_reading(cells, where, pours)
        if again.holds(row):
            continue
        _check_method(row, by_method.get(row["method"].casefold()), ways, where)
        if whole and row["method"] not in ways and (near := meant_method(row["method"], by_method)):
            raise PourError(f"{where}: method is {row['method']!r}, which reads no attribute of trial.toml. Did you "
                            f"mean {by_method[near].reading!r}? Give another method a name that is less like it.")
        if _is_news(row, said.get(_reading_key(row), []), where, whole=whole):
            said.setdefault(_reading_key(row), []).append(row)
            _note_way(ways, row, f"in row {label}")
            rows.append(row)
    return pd.DataFrame(rows[before:], columns=list(READING_COLUMNS))


def _typed_reading(cells: pd.Series, where: str, pours: set[str]) -> dict:
    row = {c: parse_id(cells[c]) for c in READING_COLUMNS}
    if row["pour"] not in pours:
        raise PourError(f"{where}: {not_poured(row['pour'], pours)}")
    if not row["method"]:
        raise PourError(
            f"{where}: method is empty. Name the method: readings of different methods are never pooled."
        )
    if row["direction"] not in DIRECTIONS:
        raise PourError(f"{where}: direction is {row['direction']!r}. {WAYS}")
    row["value"] = parse_number(cells["value"], where=f"{where}: value", error=PourError)
    if is_blank(row["value"]) and not row["corrects"]:
        raise PourError(f"{where}: value is empty. Leave the row out if nothing was read.")
    return row


def meant_method(method: str, known: Iterable[str]) -> str:
    """The known method of which another is a slip: as many words and the same digits, or the same but for its gaps."""
    names, own = {name.casefold(): name for name in known}, method.casefold()
    bare = {_GAPS.sub("", name): name for name in names}
    if own in names:
        return ""
    alike = [name for name in names if len(name.split()) == len(own.split())
             and re.findall(r"\d+", name) == re.findall(r"\d+", own)]
    near = [bare.get(_GAPS.sub("", own)), near_to(own, alike, cutoff=SLIP)]
    return next((names[name] for name in near if name), "")


def _note_way(ways: dict[str, dict], row: Mapping, there: str) -> None:
    """Note which way a method runs by a reading, and where that stands; not by one that is taken back."""
    standing = ways.setdefault(row["method"], {})
    if is_blank(row["value"]):
        standing.pop(_reading_key(row), None)
    else:
        standing.setdefault(_reading_key(row), (row["direction"], there))


def _is_news(row: Mapping, before: list[Mapping], where: str, *, whole: bool) -> bool:
    """Whether a row adds something; another value under the same key says what it corrects and why, or is refused.

    After a reading was taken back another value needs no such words.
    """
    stands = before[-1]["value"] if before else None
    if row["corrects"]:
        check_correction(row, _repeat_words(row).rstrip(","), where, PourError, known=bool(before))
        gone = is_blank(row["value"]) and is_blank(stands)
        return not gone and any(row[c] != before[-1][c] for c in ("direction", "value", "unit"))
    if is_blank(stands) or row["value"] in [r["value"] for r in before]:
        return row["value"] not in [r["value"] for r in before]
    advice = "or use correct_readings if it was wrong" if whole else BY_HAND
    raise PourError(
        f"{where}: {_repeat_words(row)} is recorded already as {stands:g}, and {row['value']:g} differs. "
        f"Number further readings of one pour in the column repeat, {advice}."
    )


def _reading_key(row: Mapping) -> tuple[str, ...]:
    return tuple(row[key] for key in READING_KEY)


def _repeat_words(row: Mapping) -> str:
    return f"{row['method']} of {row['pour']}" + (f", repeat {row['repeat']}," if row["repeat"] else "")


def _check_method(row: Mapping, attribute: Attribute | None, ways: Mapping[str, Mapping], where: str) -> None:
    """A row agrees with the rows before it about its method, and with the attribute that the method reads."""
    method, direction = row["method"], row["direction"]
    if attribute is not None and method != attribute.reading:
        raise PourError(
            f"{where}: method is {method!r}, but trial.toml has {attribute.reading!r}. "
            "Write both alike, or give another method another name."
        )
    if is_blank(row["value"]):
        return
    way, there = next(iter(ways.get(method, {}).values()), (direction, ""))
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
    if row["unit"] and unit_text(row["unit"]) != unit_text(attribute.unit):
        raise PourError(
            f"{where}: {attribute.name} is in {row['unit']}, but in trial.toml it is in {attribute.unit}. "
            "Convert the value, or correct the unit."
        )
    if not attribute.low <= row["value"] <= attribute.high:
        raise PourError(
            f"{where}: {attribute.name} is {row['value']:g}; {method} runs from {attribute.low:g} to "
            f"{attribute.high:g} {attribute.unit}. Read again, or widen the scale in trial.toml if the value is true."
        )


def doubts_on_what_was_read(readings: pd.DataFrame) -> list[str]:
    """Fact and advice where one value stands as repeat 1 and without a number, so that one reading counts as two."""
    standing = last_readings(readings)
    standing = standing[standing["repeat"].isin(["", FIRST])]
    twice = standing[standing.duplicated(["pour", "method", "value"], keep="first")]
    return [f"readings.csv: {method} of {pour} stands as {value:g} with repeat {FIRST} and without a repeat. Take one "
            "back with correct_readings and an empty value if they are one reading, or number both."
            for pour, method, value in twice[["pour", "method", "value"]].itertuples(index=False)]


def last_readings(readings: pd.DataFrame) -> pd.DataFrame:
    """The last row of each reading, by any method, but for those that were taken back."""
    return readings.drop_duplicates(list(READING_KEY), keep="last").dropna(subset="value")


def standing_readings(
    readings: pd.DataFrame, aside: list[Mapping], attributes: Mapping[str, Attribute]
) -> pd.DataFrame:
    """pour, attribute, value of every reading of an attribute as it was last corrected, but for what is set aside."""
    readings = last_readings(readings)
    names = {a.reading: name for name, a in attributes.items() if a.is_read}
    found = readings.assign(attribute=readings["method"].map(names)).dropna(subset="attribute")
    left = np.zeros(len(found), dtype=bool)
    for row in aside:
        if not any(row[key] for key in ("tester", "session", "position")):
            left |= np.logical_and.reduce(
                [(found[key] == row[key]).to_numpy() if row[key] else np.ones(len(found), dtype=bool)
                 for key in ("pour", "attribute")])
    return found.loc[~left, ["pour", "attribute", "value"]].astype({"value": float}).reset_index(drop=True)

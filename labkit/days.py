"""Days that lie far from every other day of a trial: the year or the month was mistyped. No clock is looked at."""

import datetime
from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from labkit.checks import is_blank
from labkit.pours import BASE, REALLY_SO, day_of, is_before, is_day, is_meant, standing_melts, standing_pours
from labkit.wording import words_joined

FAR = 183               # days: half a year; an evening and its tasting lie within weeks of each other and of the next


def doubts_on_days(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """Fact and advice about each day of melts, pours or sittings that were scored with no other within half a year.

    Of two days that are all there are, the one with fewer rows is told, or the later. What is noted as `really so`, and
    what is told as being before its melt or its pours, is passed over.
    """
    rows = [row for row in _dated(tables) if is_day(row["date"])]
    counts = pd.Series([day_of(row["date"]) for row in rows], dtype=object).value_counts().sort_index()
    alone = _alone(counts)
    told: dict[tuple[str, str, str], list[str]] = {}
    for row in rows:
        if day_of(row["date"]) in alone and not row["told"]:
            told.setdefault((row["table"], row["kind"], row["date"]), []).append(row["name"])
    return [_words(*key, names, alone[day_of(key[2])]) for key, names in told.items()]


def _alone(counts: pd.Series) -> dict[str, str]:
    """By day that has no other within FAR: the day that comes nearest. counts : rows by day, in order."""
    if len(counts) < 2:
        return {}
    days = list(counts.index)
    numbers = np.array([datetime.date.fromisoformat(day).toordinal() for day in days])
    apart = np.abs(numbers[:, None] - numbers[None]) + np.where(np.eye(len(days)), np.inf, 0)
    found = {days[k]: days[int(apart[k].argmin())] for k in np.flatnonzero(apart.min(axis=1) > FAR)}
    if len(days) == 2 and found:
        fewer = days[0] if counts.iloc[0] < counts.iloc[1] else days[1]
        return {fewer: found[fewer]}
    return found


def _dated(tables: Mapping[str, pd.DataFrame]) -> Iterable[dict]:
    """A row a melt, a pour and a sitting that was scored: table, kind, name, date, and whether its date is told."""
    melts, pours = standing_melts(tables["melts"]), standing_pours(tables["pours"])
    melted, poured = (dict(zip(frame[kind], frame["date"], strict=True)) for frame, kind in
                      ((melts, "melt"), (pours, "pour")))
    for row in melts.to_dict("records"):
        yield {"table": "melts", "kind": "melt", "name": row["melt"], "date": row["date"], "told": is_meant(row)}
    for row in pours.to_dict("records"):
        early = not is_blank(row[BASE]) and is_before(row["date"], melted.get(row["melt"], ""))
        yield {"table": "pours", "kind": "pour", "name": row["pour"], "date": row["date"],
               "told": early or is_meant(row)}
    held = set(tables["scores"]["session"])
    for (session, date), part in tables["servings"].groupby(["session", "date"], sort=False):
        if session in held:
            early = any(is_before(date, poured.get(pour, "")) for pour in part["pour"])
            yield {"table": "servings", "kind": "session", "name": session, "date": date, "told": early}


def _words(table: str, kind: str, date: str, names: list[str], nearest: str) -> str:
    who = f"{kind} {names[0]}" if len(names) == 1 else f"{kind}s {words_joined(names)}"
    so = "leave it if it was so" if table == "servings" else f"write '{REALLY_SO}' in the note"
    return (f"{table}.csv {who}: date is {date}, but no other day of this trial is within half a year of it; {nearest} "
            f"comes nearest. Correct the one that is wrong, or {so}.")

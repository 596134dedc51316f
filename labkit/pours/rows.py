"""Rows as people write them: cells as text, what is recorded already, and what corrects it, and says why."""

import datetime
import re
from collections.abc import Iterable, Mapping

import pandas as pd

from labkit.checks import is_blank, meant
from labkit.errors import LabkitError, PourError
from labkit.rounds import MADE_AGAIN
from labkit.wording import as_counted

CORRECTION = ("corrects", "reason")
# About a second row in a file: while it stands there nothing can be read, and so nothing corrected by a call.
BY_HAND = "write into corrects which row this one corrects and into reason why, or delete the row that is wrong"
_DAY = re.compile(r"\d{4}-\d\d-\d\d([ T]\d\d:\d\d.*)?")


def texts(frame: pd.DataFrame, columns: tuple[str, ...]) -> pd.DataFrame:
    """All columns of a table in order, those that are absent blank; a cell stays what it was, text or number."""
    return frame.reindex(columns=list(columns)).astype(object)


def is_day(text: str) -> bool:
    """Whether a text is a day of the calendar as YYYY-MM-DD, with or without the hour."""
    try:
        datetime.datetime.fromisoformat(text)
    except ValueError:
        return False
    return _DAY.fullmatch(text) is not None


def day_of(text: str) -> str:
    """A day without its hour; blank where it is none."""
    return text[:10] if is_day(text) else ""


def is_before(one: str, other: str) -> bool:
    """Whether one day is before another; hours do not count, and what is no day is before none."""
    return is_day(one) and is_day(other) and day_of(one) < day_of(other)


def not_a_day(what: str, text: str) -> str:
    """Fact and advice about a date that is none."""
    return f"{what} is {text!r}, which is no day. Write it as YYYY-MM-DD, such as 2026-03-08, or leave it empty."


def check_day(text: str, where: str, error: type[LabkitError], *, column: str = "date") -> None:
    """A date in a new row is a day, or blank."""
    if text and not is_day(text):
        raise error(not_a_day(f"{where}: {column}", text))


def is_news(row: Mapping, rows: list[dict], kind: str, where: str, *, whole: bool) -> bool:
    """Whether a row adds something: equal rows are passed over, a second one must say what it corrects and why.

    whole : of new rows, not of a file.
    """
    name = row[kind]
    same = [r for r in rows if r[kind] == name]
    if row["corrects"]:
        check_correction(row, f"{kind} {name}", where, PourError, known=bool(same))
        return not _equal(row, same[-1], ())
    if any(_equal(row, r, CORRECTION) for r in same):
        return False
    if same:
        advice = f"Use correct_{kind}s to correct it" if whole else f"Put all of one {kind} into one row, {BY_HAND}"
        raise PourError(f"{where}: {kind} {name} is recorded already with other values. {advice}; {MADE_AGAIN}.")
    return True


def check_correction(row: Mapping, what: str, where: str, error: type[LabkitError], *, known: bool) -> None:
    """What a row corrects is recorded before it, and the row says why."""
    if not known:
        raise error(f"{where}: corrects {what}, which is not recorded before it. Put the row below the one that it "
                    "corrects, or leave `corrects` empty if there is none.")
    if not row["reason"]:
        raise error(f"{where}: corrects {what} without a reason. Write the reason.")


def stands_of(row: Mapping, rows: list[dict], kind: str) -> Mapping:
    """The last recorded row of the same name, or nothing."""
    return next((r for r in reversed(rows) if r[kind] == row[kind]), {})


def last_rows(rows: Iterable[Mapping], kind: str) -> list[Mapping]:
    """The last row of each name."""
    return list({row[kind]: row for row in rows}.values())


def last_of_each(table: pd.DataFrame, kind: str) -> pd.DataFrame:
    """The last row of each name: corrections supersede, in the order in which the names were first recorded."""
    order = table[kind].drop_duplicates()
    return table.drop_duplicates(kind, keep="last").set_index(kind).loc[order].reset_index()


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


def meant_name(name: str, known: Iterable[str]) -> str:
    """`Did you mean 'P01'? `, where a name is near a known one, see `near_names`."""
    near = near_names(name, known)
    return f"{meant(near[0])} " if near else ""


def near_names(name: str, known: Iterable[str]) -> list[str]:
    """Known names that are the same but for capital letters, gaps, zeros and an O for a zero; or the only one with that
    number, where the name is nothing else."""
    bare, own = {other: _bare(other) for other in known}, _bare(name)
    near = [other for other in bare if bare[other] == own]
    numbered = [other for other in bare if re.sub(r"\D+", "", bare[other]) == own] if own.isdigit() else []
    return near or numbered * (len(numbered) == 1)


def _bare(name: str) -> str:
    plain = re.sub(r"o(?=\d)|(?<=\d)o", "0", re.sub(r"[\W_]+", "", name.casefold()))
    return re.sub(r"(?<!\d)0+(?=\d)", "", plain)


def not_poured(pour: str, pours: Iterable[str]) -> str:
    """Fact and advice about a pour of which something is said, and that was not recorded as made."""
    return f"pour {pour!r} is not in pours.csv. " + _meant_or(pour, pours, "Record the pour first, or check its name.")


def not_known(pour: str, pours: Iterable[str]) -> str:
    """The same about one that is to be served, and neither planned nor poured."""
    return f"pour {pour!r} is neither planned nor poured. {_meant_or(pour, pours, 'Check its name.')}"


def _meant_or(pour: str, pours: Iterable[str], otherwise: str) -> str:
    return meant_name(pour, as_counted(pours)).rstrip() or otherwise

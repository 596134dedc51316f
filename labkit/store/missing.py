"""A table that is not there, or holds nothing, where others need it; and what lies beside it under nearly its name."""

import contextlib
import os
import re
from collections.abc import Iterator, Mapping

import pandas as pd

from labkit.checks import near_to
from labkit.errors import StoreError
from labkit.pours import BASE, says_none
from labkit.rounds import UNPLANNED
from labkit.store.tables import Table, parse_table, read_bytes
from labkit.trial import TABLES, Trial
from labkit.wording import plural

ENDINGS = (".csv", ".txt", ".tsv", ".xlsx", ".xls", ".ods", ".numbers", ".bak")
CLOSE = 0.85            # of 1: a slip of a letter
NEEDS = {               # table -> the tables whose rows name what it holds, and the column in which they do
    "plan": {"melts": "melt", "pours": "pour", "servings": "pour"},
    "melts": {"pours": "melt"},
    "pours": {"servings": "pour", "scores": "pour", "readings": "pour"},
}
OR_ELSE = {"plan": f"name what was not planned {UNPLANNED}01, {UNPLANNED}02 and so on",
           "melts": "record the melts first", "pours": "record the pours first"}
_COPY = re.compile(r"^copy of |[ _-]*(\(\d+\)|\(?copy( ?\d+)?\)?)$")          # what systems add to the name of a copy


def check_look_alike(folder: str, name: str, table: Table | None) -> None:
    """A table without a file, or without a row, is empty, but not when its file only has a slightly wrong name.

    Under a header that is there, a file of that name counts only where it holds rows under the same one.
    """
    if table and table.body:
        return
    file = f"{name}.csv"
    for found in sorted(os.listdir(folder)):
        if found == file or not _is_near(found, name):
            continue
        fact = f"{folder} has no {file}, but a file {found}"
        if table:
            rows = _rows_like(os.path.join(folder, found), table)
            if table.header and not rows:
                continue
            held = f" with {plural(rows, 'row')}" * bool(rows)
            fact = f"{state_of(folder, name, table)}, but there is a file {found}{held}"
        raise StoreError(f"{fact}. Save it as {file}, or give it another name.")


def _is_near(file: str, name: str) -> bool:
    """Whether a file of this name may be that table: `pours.csv.txt`, `scores (1).csv`, `Score.csv`."""
    stem, ending = os.path.splitext(file.lower())
    if ending not in ENDINGS:
        return False
    while os.path.splitext(stem)[1] in ENDINGS:
        stem = os.path.splitext(stem)[0]
    stem = _COPY.sub("", stem)
    others = [other for other in TABLES if other != name]
    return stem not in others and bool(near_to(stem, [name], cutoff=CLOSE))


def _rows_like(path: str, table: Table) -> int:
    """How many rows a file has under the columns of a table; none where it is no such table."""
    with contextlib.suppress(StoreError):
        found = parse_table(read_bytes(path), file=os.path.basename(path))
        return len(found.body) if set(found.columns) <= set(table.columns) else 0
    return 0


def state_of(folder: str, name: str, table: Table | None) -> str:
    """How a table without a row is found."""
    if table is None:
        return f"{folder} has no {name}.csv"
    return f"{name}.csv has no row under its header" if table.header else f"{name}.csv is empty"


def told_by_missing(folder: str, tables: Mapping[str, Table], blank: Trial, frames: Mapping[str, pd.DataFrame]
                    ) -> StoreError | None:
    """What lies behind a trial that cannot be read where a whole table is gone; `blank` has no rows yet."""
    for name, needers in NEEDS.items():
        if len(frames.get(name, ())) or (name == "melts" and not blank.recipe.pot):
            continue
        for other, column in needers.items():
            for row, needed in _named(frames.get(other), column, name, frames):
                state = state_of(folder, name, tables.get(name))
                return StoreError(f"{state}, but {other}.csv row {row} names {column} {needed!r} in it. "
                                  f"Take {name}.csv back from a copy, or {OR_ELSE[name]}.")
    return None


def _named(frame: pd.DataFrame | None, column: str, name: str, frames: Mapping[str, pd.DataFrame]
           ) -> Iterator[tuple[int, str]]:
    """(row, name) of what a table should hold; what is served need not be poured yet, where it is planned."""
    if frame is None or column not in frame:
        return
    plan = frames.get("plan", pd.DataFrame())
    known = set(plan["pour"]) if name == "pours" and "pour" in plan else set()
    for row, cells in frame.iterrows():
        needed = cells[column]
        drawn = name != "melts" or (cells.get(BASE, "") != "" and not says_none(cells[BASE]))
        planned = name != "plan" or not needed.startswith(UNPLANNED)
        served = "code" in frame and needed in known
        if needed and drawn and planned and not served:
            yield row, needed


def doubts_on_files(folder: str, tables: Mapping[str, Table], trial: Trial) -> list[str]:
    """Fact and advice about tables that can be read as empty, and hardly are; trial : as it was read."""
    found = [f"{name}.csv is empty, without a header. Take it back from a copy if it held rows."
             for name, table in tables.items() if not table.header]
    own = {name: set(trial.tables[name]) for name in tables}
    strange = [name for name, table in tables.items() if not table.body and not set(table.columns) <= own[name]]
    found += [f"{name}.csv has no row, and the header of {other}.csv. Take it back from a copy if it held rows."
              for name in strange for other in own if set(tables[name].columns) == own[other]]
    scores, aside = tables.get("scores"), tables.get("set_aside")
    if (scores and scores.body) or not (aside and aside.body):
        return found
    for row, cells in aside.to_frame().iterrows():
        if tester := cells.get("tester", ""):
            fact = f"{state_of(folder, 'scores', scores)}, but set_aside.csv row {row} is about scores of {tester}"
            return [*found, f"{fact}. Take scores.csv back from a copy."]
    return found

"""Rows are appended: the whole trial is checked as it would be, then one file is replaced, all under the lock.

Every verb here gives back the trial as it stands afterwards, or raises and leaves every file byte for byte as it
was. `wait` is how long to wait for another writer [s].
"""

import contextlib
import datetime
import os
from collections.abc import Callable, Iterable

import pandas as pd

from labkit.checks import check_frame
from labkit.errors import PlanError, StoreError
from labkit.pours import NONE_ADDED
from labkit.rounds import Round, grams_column
from labkit.store.files import check_not_open, folder_of, replace_file, sweep
from labkit.store.lock import only_writer
from labkit.store.reading import OnDisk, file_of, read_folder
from labkit.store.rows import content_with
from labkit.trial import Trial
from labkit.wording import words_joined

WAIT = 5.0              # s


def append_round(folder: str | os.PathLike, round_: Round, *, ahead: bool = True, wait: float = WAIT) -> Trial:
    """Append a planned round to plan.csv; the same round again is passed over.

    ahead : whether it may be planned before any pour of the newest round there is recorded. False refuses that: a
    notebook that is run again from the top would keep a second round.
    """
    def grown(disk: OnDisk) -> Trial:
        trial = disk.trial
        if isinstance(round_, Round) and _is_kept(trial.plan, round_):
            return trial
        if not ahead:
            _check_none_waits(trial)
        return trial.with_round(round_)

    return append_to(folder, "plan", grown, wait=wait)


def _is_kept(plan: pd.DataFrame, round_: Round) -> bool:
    """Whether a round is in plan.csv as it is; one of its number that differs is refused."""
    there = plan[plan["round"] == round_.number].sort_values("order")
    if not len(there):
        return False
    columns = ["melt", "pour", *map(grams_column, round_.recipe.ingredients), *round_.recipe.settings]
    if set(columns) <= set(there) and there[columns].to_numpy().tolist() == round_.frame[columns].to_numpy().tolist():
        return True
    raise PlanError(f"round {round_.number} is in plan.csv already, and not as it is here. Read the trial anew and "
                    "plan the next round, or delete the rows there to plan another in its place.")


def _check_none_waits(trial: Trial) -> None:
    """Some pour of the newest round is recorded."""
    newest = trial.plan.loc[trial.plan["round"] == trial.plan["round"].max()]
    if len(newest) and not set(newest["pour"]) & set(trial.pours["pour"]):
        number = newest["round"].iloc[0]
        raise PlanError(f"round {number} is in plan.csv, and none of its pours ({words_joined(newest['pour'])}) is "
                        "recorded. Pour it before another is kept, or delete its rows there to plan another in its "
                        "place.")


def append_melts(folder: str | os.PathLike, frame: pd.DataFrame, *, wait: float = WAIT) -> Trial:
    """Append melts as weighed to melts.csv; an equal row again is passed over."""
    return append_frame(folder, "melts", frame, wait=wait)


def append_pours(folder: str | os.PathLike, frame: pd.DataFrame, *, wait: float = WAIT) -> Trial:
    """Append pours as weighed to pours.csv; an equal row again is passed over."""
    return append_frame(folder, "pours", frame, wait=wait)


def append_servings(folder: str | os.PathLike, frame: pd.DataFrame, *, wait: float = WAIT) -> Trial:
    """Append servings to servings.csv: a frame, or what plan_serving returned; an equal row again is passed over."""
    return append_frame(folder, "servings", getattr(frame, "frame", frame), wait=wait)


def append_scores(folder: str | os.PathLike, frame: pd.DataFrame, *, wait: float = WAIT) -> Trial:
    """Append scores to scores.csv: a frame, or what read_scores returned, whole or not at all.

    An equal row again is passed over, a different value is for correct_scores. A position that is left empty is looked
    up in servings.csv, where there is only one.
    """
    return append_frame(folder, "scores", getattr(frame, "ready", frame), wait=wait)


def append_readings(folder: str | os.PathLike, frame: pd.DataFrame, *, wait: float = WAIT) -> Trial:
    """Append readings of instruments to readings.csv."""
    return append_frame(folder, "readings", frame, wait=wait)


def append_frame(folder: str | os.PathLike, table: str, frame: pd.DataFrame, *, wait: float) -> Trial:
    """Append a frame to a table; its index names its rows in messages."""
    frame = plain_frame(check_frame(frame, what=f"the {table} frame", error=StoreError))
    return append_to(folder, table, lambda disk: disk.trial.with_tables({table: frame}), wait=wait)


def append_to(folder: str | os.PathLike, table: str, grown: Callable[[OnDisk], Trial], *, wait: float) -> Trial:
    """Append to one table what `grown` adds to the trial on disk; nothing is written when nothing is new.

    A row of the frame becomes a row of the file in the manner of the file. Where the header lacks a column that
    is needed, the file is written anew with that column at its right end and all old cells as they were.
    """
    folder = folder_of(folder)
    with only_writer(folder, wait=wait):
        sweep(folder)
        disk = read_folder(folder)
        trial = grown(disk)
        news = trial.tables[table].iloc[len(disk.trial.tables[table]):]
        if len(news):
            _write(disk, table, _worth_writing(news, trial) if table == "plan" else _in_words(news, table))
            _lay_out_anew(disk, trial, disk.outgrown - {table})
    return trial


def plain_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with days as text; a day that pandas keeps with its midnight is the day."""
    return frame.map(lambda cell: str(cell)[:10] if _is_day(cell) else cell)


def _is_day(cell: object) -> bool:
    if isinstance(cell, datetime.datetime):
        return not pd.isna(cell) and cell.time() == datetime.time()
    return isinstance(cell, datetime.date)


def _worth_writing(plan: pd.DataFrame, trial: Trial) -> pd.DataFrame:
    """Factors to ten decimals: they are recomputed from the grams, and these are for the eye."""
    return plan.round({name: 10 for name in trial.recipe.factors})


def _in_words(news: pd.DataFrame, table: str) -> pd.DataFrame:
    """A weight of 0 g as the word that says so: in a file the number is refused where something was planned."""
    grams = [c for c in news if table in ("melts", "pours") and c.endswith(" [g]") and (news[c] == 0).any()]
    return news.assign(**{c: news[c].astype(object).where(news[c] != 0, NONE_ADDED) for c in grams})


def _lay_out_anew(disk: OnDisk, trial: Trial, names: Iterable[str]) -> None:
    """Tables without a row get the header of the present trial.toml, so that a hand finds its columns there.

    They are read as they should be in any case, so one that a spreadsheet holds open is left for the next time.
    """
    for name in sorted(names):
        with contextlib.suppress(StoreError):
            _write(disk, name, trial.tables[name].iloc[:0])


def _write(disk: OnDisk, table: str, news: pd.DataFrame) -> None:
    before = disk.tables.get(table)
    path = os.path.join(disk.folder, file_of(table))
    check_not_open(path)
    replace_file(path, content_with(disk.table(table), news), before=before.content if before else None)

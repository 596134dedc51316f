"""A trial's folder, read whole: trial.toml by hand, and a table for what was planned, made, served and said."""

import os
from collections.abc import Mapping
from dataclasses import dataclass

from labkit.errors import LabkitError, StoreError
from labkit.store.files import folder_of
from labkit.store.missing import check_look_alike, told_by_missing
from labkit.store.renamed import told_by_names
from labkit.store.tables import Table, parse_table, read_bytes
from labkit.trial import TABLES, Trial

DEFINITION = "trial.toml"


@dataclass(frozen=True, kw_only=True, eq=False)
class OnDisk:
    """A trial and the tables that it was read from; a table without a file is not among them.

    `outgrown` names the tables without a row whose header was laid out for another trial.toml.
    """

    folder: str
    tables: Mapping[str, Table]
    trial: Trial
    outgrown: frozenset[str] = frozenset()

    def table(self, name: str) -> Table:
        """The table as it lies on disk, or an empty one, which gets the header that it needs."""
        if name in self.outgrown:
            return Table(file=file_of(name), delimiter=self.tables[name].delimiter)
        return self.tables.get(name, Table(file=file_of(name)))


def read_trial(folder: str | os.PathLike) -> Trial:
    """The trial in a folder, every table checked; a message names file, row and column.

    A table without a file is empty. No lock is needed: a file is always replaced whole, and the tables are
    read from the last that is written to the first, so that whatever a row names is found.
    """
    return read_folder(folder).trial


def read_folder(folder: str | os.PathLike) -> OnDisk:
    """The trial in a folder together with its tables as they lie on disk."""
    folder = folder_of(folder)
    tables = {name: table for name in reversed(TABLES) if (table := _table_in(folder, name))}
    blank = Trial.from_toml(_definition_in(folder))
    outgrown = frozenset(name for name, table in tables.items() if _is_outgrown(blank, name, table))
    frames = {name: table.to_frame() for name, table in tables.items() if table.header and name not in outgrown}
    try:
        trial = blank.with_tables(frames, files=True)
    except LabkitError as problem:
        told = told_by_names(blank, frames, problem)
        gone = told_by_missing(folder, tables, blank, frames) if told is problem else None
        raise (gone or told) from None
    return OnDisk(folder=folder, tables=tables, trial=trial, outgrown=outgrown)


def _is_outgrown(blank: Trial, name: str, table: Table) -> bool:
    """Whether a table holds no row, and its header is not for this trial.toml: who begins a trial changes that file."""
    if table.body or not table.header:
        return False
    try:
        blank.with_tables({name: table.to_frame()}, files=True)
    except LabkitError:
        return True
    return False


def file_of(name: str) -> str:
    """The file of a table."""
    return f"{name}.csv"


def _table_in(folder: str, name: str) -> Table | None:
    path = os.path.join(folder, file_of(name))
    table = parse_table(read_bytes(path), file=file_of(name)) if os.path.lexists(path) else None
    check_look_alike(folder, name, table)
    return table


def _definition_in(folder: str) -> str:
    path = os.path.join(folder, DEFINITION)
    if not os.path.lexists(path):
        raise StoreError(f"{folder} has no {DEFINITION}, so it is not a trial. Name the folder of a trial; "
                         "`labkit new` lays out a new one.")
    content = read_bytes(path)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = content[:fault.start].count(b"\n") + 1
        raise StoreError(f"{DEFINITION} line {line} holds the byte 0x{content[fault.start]:02x}, which is no UTF-8 "
                         "text. Save the file again as UTF-8.") from None

"""Corrections that stand in another order than they were written in: a table that was sorted has another last word."""

import itertools
from collections.abc import Mapping

import pandas as pd

from labkit.readings import READING_KEY
from labkit.scores import SCORE_KEY

KEYS = {"melts": ("melt",), "pours": ("pour",), "scores": SCORE_KEY, "readings": READING_KEY}


def doubts_on_order(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """Fact and advice about each thing whose later correction names an earlier row than the one before it does.

    Rows are only ever added at the end, so what corrects a correction names a later row. What is no number, as a hand
    may write it, is passed over; rows put in or taken out by hand move all numbers one way and leave their order.
    """
    found = []
    for name, key in KEYS.items():
        rows = tables[name][tables[name]["corrects"].str.isdecimal().astype(bool)]
        for names, part in rows.groupby(list(key), sort=False):
            told = part["corrects"].astype(int).to_list()
            if back := next(((a, b) for a, b in itertools.pairwise(told) if b < a), None):
                found.append(_words(name, dict(zip(key, names, strict=True)), *back))
    return found


def _words(table: str, names: Mapping[str, str], later: int, earlier: int) -> str:
    what = ", ".join(f"{key} {name}" for key, name in names.items() if name)
    return (f"{table}.csv {what}: what corrects row {earlier} stands below what corrects row {later}, as after sorting "
            "the table, and the last row is what counts. Move it above that one, as the rows were written.")

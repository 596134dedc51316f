"""What is handed out of a frozen result: tables as copies, arrays that cannot be written into.

Whoever holds a result may write into a table of it; that must not change what the result, or anything that reads it,
says later. A shallow copy is enough: pandas copies what two tables share as soon as one of them is written into.
Mappings that cannot be written into Python can neither copy deeply nor pickle; here it learns how.
"""

import copyreg
import functools
from collections.abc import Iterator, Mapping
from types import MappingProxyType

import numpy as np
import pandas as pd


def handed(value: object) -> object:
    """A table as a copy, an array as a view that cannot be written into, anything else as it is."""
    if isinstance(value, pd.DataFrame | pd.Series):
        return value.copy(deep=False)
    return locked(value) if isinstance(value, np.ndarray) else value


def locked(array: np.ndarray) -> np.ndarray:
    """A view of an array that cannot be written into."""
    view = array.view()
    view.flags.writeable = False
    return view


def hands_out_copies(kind: type) -> type:
    """A class decorator: what it is made of is taken in as copies and `handed` out, whoever asks for it."""
    made, asked = kind.__init__, kind.__getattribute__

    @functools.wraps(made)
    def make(self, *given, **named):
        made(self, *given, **named)
        for name, value in vars(self).items():
            if isinstance(value, pd.DataFrame | pd.Series):
                vars(self)[name] = value.copy(deep=False)

    def ask(self, name: str) -> object:
        return handed(asked(self, name))

    kind.__init__, kind.__getattribute__ = make, ask
    return kind


def fixed(words: Mapping) -> MappingProxyType:
    """A mapping of its own that cannot be written into."""
    return MappingProxyType(dict(words))


copyreg.pickle(MappingProxyType, lambda words: (fixed, (dict(words),)))


class Tables(Mapping):
    """Tables by name, taken in and handed out as copies."""

    def __init__(self, tables: Mapping[object, pd.DataFrame]):
        self._tables = {name: table.copy(deep=False) for name, table in tables.items()}

    def __getitem__(self, name: object) -> pd.DataFrame:
        return self._tables[name].copy(deep=False)

    def __iter__(self) -> Iterator:
        return iter(self._tables)

    def __len__(self) -> int:
        return len(self._tables)

    def __repr__(self) -> str:
        return f"<Tables: {', '.join(map(str, self._tables))}>"

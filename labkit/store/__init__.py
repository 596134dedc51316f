"""The only door to disk: a trial's folder is read whole, and its tables only ever grow.

What is promised: a file holds the old rows or the old and the new ones, at every moment and after any sudden end; rows
are written only when the whole trial holds with them; what was written is never changed, moved or taken out. The old
bytes of a file are the first bytes of the new one, in its own encoding, delimiter, decimal sign and line ends. Two
exceptions: where the header lacks a column that new rows need, the name is added at its right end, and a blank cell to
every old row; a table without rows whose header is for another trial.toml gets a new header. Two writers take turns
under a lock file; readers need none.
"""

from labkit.store.amending import (
    correct_melts,
    correct_pours,
    correct_readings,
    correct_scores,
    set_aside,
    take_back,
)
from labkit.store.appending import (
    append_melts,
    append_pours,
    append_readings,
    append_round,
    append_scores,
    append_servings,
)
from labkit.store.beginning import new_trial
from labkit.store.importing import read_scores
from labkit.store.reading import read_trial
from labkit.store.tables import read_table

__all__ = [
    "append_melts",
    "append_pours",
    "append_readings",
    "append_round",
    "append_scores",
    "append_servings",
    "correct_melts",
    "correct_pours",
    "correct_readings",
    "correct_scores",
    "new_trial",
    "read_scores",
    "read_table",
    "read_trial",
    "set_aside",
    "take_back",
]

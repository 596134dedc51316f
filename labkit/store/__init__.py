"""The only door to disk: a trial's folder is read whole, and its tables only ever grow."""

from labkit.store.amending import correct_pours, correct_scores, set_aside, take_back
from labkit.store.appending import (
    append_melts,
    append_pours,
    append_readings,
    append_round,
    append_scores,
    append_servings,
)
from labkit.store.beginning import new_trial
from labkit.store.reading import read_trial
from labkit.store.tables import read_table

__all__ = [
    "append_melts",
    "append_pours",
    "append_readings",
    "append_round",
    "append_scores",
    "append_servings",
    "correct_pours",
    "correct_scores",
    "new_trial",
    "read_table",
    "read_trial",
    "set_aside",
    "take_back",
]

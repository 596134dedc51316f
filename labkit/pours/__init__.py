"""What was made: melts as weighed, pours as divided and coloured.

A table comes as text or numbers; its index names the row in every message. Grams left empty were not added where none
were planned. Where some were planned an empty cell says nothing, and the word `none` says that none was added.
"""

from labkit.pours.doubts import REALLY_SO, is_meant
from labkit.pours.melts import melt_columns, standing_melts, typed_melts
from labkit.pours.overview import doubts_on_what_was_made
from labkit.pours.poured import (
    in_turn,
    never_weighed,
    pour_columns,
    standing_pours,
    typed_pours,
    weighed_masses,
    weighed_pots,
)
from labkit.pours.rows import (
    BY_HAND,
    CORRECTION,
    FedAgain,
    check_correction,
    check_day,
    day_of,
    is_before,
    is_day,
    not_a_day,
    texts,
)
from labkit.pours.weights import BASE, NONE_ADDED, own_columns, says_none, unwritten, unwritten_words

__all__ = [
    "BASE",
    "BY_HAND",
    "CORRECTION",
    "NONE_ADDED",
    "REALLY_SO",
    "FedAgain",
    "check_correction",
    "check_day",
    "day_of",
    "doubts_on_what_was_made",
    "in_turn",
    "is_before",
    "is_day",
    "is_meant",
    "melt_columns",
    "never_weighed",
    "not_a_day",
    "own_columns",
    "pour_columns",
    "says_none",
    "standing_melts",
    "standing_pours",
    "texts",
    "typed_melts",
    "typed_pours",
    "unwritten",
    "unwritten_words",
    "weighed_masses",
    "weighed_pots",
]

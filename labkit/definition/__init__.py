"""A trial.toml read and checked."""

from labkit.definition.reading import NOISE, READ_NOISE, Definition, read_definition
from labkit.definition.recipe import doubts_on_what_is_written

__all__ = ["NOISE", "READ_NOISE", "Definition", "doubts_on_what_is_written", "read_definition"]

"""A trial.toml read and checked."""

from labkit.definition.reading import NOISE, READ_NOISE, Definition, read_definition
from labkit.definition.words import MARKETS

__all__ = ["MARKETS", "NOISE", "READ_NOISE", "Definition", "read_definition"]

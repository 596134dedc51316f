"""A trial.toml read and checked."""

from labkit.definition.reading import NOISE, READ_NOISE, Definition, read_definition

__all__ = ["NOISE", "READ_NOISE", "Definition", "read_definition"]

"""A trial.toml read and checked."""

from labkit.definition.reading import NOISE, Definition, read_definition

__all__ = ["NOISE", "Definition", "read_definition"]

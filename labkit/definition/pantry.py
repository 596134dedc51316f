"""What the maker knows of single ingredients: [prices] and [pantry]. Each entry is about something in the formula."""

from collections.abc import Mapping

from labkit.definition.words import KEYS, check_keys, number_of, points_of
from labkit.errors import TrialError
from labkit.handing import fixed
from labkit.statements import Shelf
from labkit.wording import words_joined


def prices_of(words: Mapping, shelf: Shelf) -> Mapping[str, float]:
    """A price of 0 or more by ingredient: for batches, which are to come; nothing counts it yet."""
    for name, value in words.items():
        shelf.pieces(name, where="[prices]")
        if number_of(value, f"[prices] {name}") < 0:
            raise TrialError(f"[prices] {name} is {value:g}. Give a price of 0 or more.")
    return fixed({name: float(value) for name, value in words.items()})


def pantry_of(words: Mapping, shelf: Shelf) -> Mapping[str, Mapping | str]:
    """What the trial knows of an ingredient: its facts in a table, or what testers are told of it as a text."""
    for name, said in words.items():
        shelf.pieces(name, where="[pantry]")
        if name in shelf.made_of:
            parts = words_joined(shelf.made_of[name])
            raise TrialError(f"[pantry] names {name!r}, which is made of others. Name what it is made of: {parts}.")
        _check_said(name, said)
    return fixed(words)


def _check_said(name: str, said: object) -> None:
    where = f"[pantry] {name}"
    if isinstance(said, str):
        return
    if not isinstance(said, Mapping):
        raise TrialError(
            f'{where} is {said!r}. Give a flag for testers in double quotes, or its facts under [pantry."{name}"].'
        )
    check_keys(said, KEYS["pantry"], where)
    for key, value in said.items():
        if key in ("density", "melting"):
            low, high = points_of(value, f"{where} {key}", 2)
            if low > high:
                raise TrialError(f"{where} {key} runs from {low:g} to {high:g}. Give the lower number first.")
        elif not isinstance(value, str):
            raise TrialError(f'{where} {key} is {value!r}. Write it in double quotes, such as {key} = "...".')

"""Attributes that an instrument reads: the method in readings.csv, its unit and its stated noise.

A higher reading is more of the attribute, so that every table, figure and expectation reads one way: a needle that goes
deeper reads softness, a force reads hardness.
"""

from collections.abc import Mapping

from labkit.attributes import Attribute
from labkit.checks import check_choice
from labkit.definition.words import KEYS, check_keys, number_of
from labkit.errors import TrialError
from labkit.readings import DIRECTIONS

ITS_OWN = ("unit", "direction", "noise")  # keys that mean nothing where testers score


def instrument_of(name: str, words: Mapping, where: str) -> dict[str, object]:
    """reading, unit and noise of an attribute; nothing where testers score it."""
    if "reading" not in words:
        strange = [key for key in ITS_OWN if key in words]
        if strange:
            raise TrialError(
                f"{where} has {strange[0]!r}, which goes with an instrument, but names no reading. "
                'Give the method in readings.csv, such as reading = "needle depth", or leave it out.'
            )
        return {}
    method = _text(words, "reading", where, example="needle depth")
    if "scale" not in words:
        raise TrialError(
            f"{where} is read by {method!r} and has no scale. Give the least and the most that a pour of this trial "
            "may read, such as scale = [0, 20]."
        )
    unit = _text(words, "unit", where, example="mm")
    _check_direction(name, words, where, method)
    return {"reading": method, "unit": unit, "noise": _noise(words.get("noise", {}), f"{where} noise")}


def _text(words: Mapping, key: str, where: str, *, example: str) -> str:
    value = words.get(key, "")
    if not isinstance(value, str) or not value.strip():
        raise TrialError(f'{where} {key} is {value!r}. Write it in double quotes, such as {key} = "{example}".')
    return value.strip()


def _check_direction(name: str, words: Mapping, where: str, method: str) -> None:
    direction = check_choice(words.get("direction", "up"), DIRECTIONS, name=f"{where} direction", error=TrialError)
    if direction == "down":
        raise TrialError(
            f"{where} direction is 'down', so a higher {method} would be less {name}. "
            "Name the attribute after what rises with its reading: a deeper needle is more softness."
        )


def _noise(words: object, where: str) -> dict[str, float]:
    if not isinstance(words, dict):
        raise TrialError(f"{where} is {words!r}. Give standard deviations by source, such as {{ reading = 0.5 }}.")
    check_keys(words, KEYS["read_noise"], where)
    for source, value in words.items():
        if number_of(value, f"{where} {source}") <= 0:
            raise TrialError(f"{where} {source} is {value:g}. Give a standard deviation above 0, in its unit.")
    return {source: float(value) for source, value in words.items()}


def check_methods(attributes: Mapping[str, Attribute]) -> None:
    """One method reads one attribute."""
    first: dict[str, str] = {}
    for name, attribute in attributes.items():
        method = attribute.reading.casefold()
        if attribute.is_read and first.setdefault(method, name) != name:
            raise TrialError(
                f"{attribute.reading!r} reads both {first[method]} and {name}. "
                "Name another method for one of them, or leave one out."
            )

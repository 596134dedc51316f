"""What the words of a trial.toml may be: known keys, numbers, lists of names, ranges."""

import math
from collections.abc import Mapping
from types import MappingProxyType

from labkit.checks import check_share, meant_or
from labkit.errors import LabkitError, TrialError
from labkit.wording import words_joined

KEYS = MappingProxyType(
    {
        "product": ("name", "markets", "notes"),
        "batch": ("pour_g", "balance_step_g", "wait_h"),
        "melt": ("pot",),
        "factor": ("of", "within", "low", "high"),
        "blend": ("parts", "low", "high"),
        "setting": ("unit", "low", "high", "step", "per_melt"),
        "limit": ("of", "within", "low", "high"),
        "attribute": ("scale", "ends", "wanted", "expect", "importance", "reading", "unit", "direction", "noise"),
        "noise": ("round", "melt", "pour", "tester", "tester_pour"),
        "read_noise": ("round", "melt", "pour", "reading"),
        "pantry": ("inci", "role", "density", "melting", "flag"),
        "cost": ("round", "melt", "pour", "tester", "worth"),
    }
)

# What stands beside the coordinates of a pour: in plan.csv and pours.csv, in what was made or failed, at the stationary
# point, along the path of the settled formula and in rehearsals.
BESIDE_COORDINATES = (
    *("round", "melt", "pour", "order", "date", "outcome", "defects", "note", "corrects", "reason", "base"),
    *("ok", "inside", "failed", "chance", "low", "high", "level", "kind"),
    *("pours", "desirability", "holds", "today", "today low", "today high", "moved"),
    *("seed", "evening", "melts", "cost", "best possible", "ratio", "ratio before", "predicted", "predicted to hold"),
    *("expected gain", "stop"),
)
# What stands beside attributes, in columns or in rows: in scores as people have them, in what is predicted of a formula
# and in what a slip changes.
BESIDE_ATTRIBUTES = (
    *("tester", "pour", "code", "session", "position", "attribute", "score", "date", "corrects", "reason"),
    *("desirability", "holds", "what slips", "moves", "low"),
)

MARKETS = ("US", "EU", "UK")  # where a product may be sold


def check_keys(table: Mapping, known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            raise TrialError(f"{where} has {key!r}, which is not known. "
                             + meant_or(key, known, f"Choose {words_joined(known, last='or')}."))


def check_shapes(said: Mapping) -> None:
    """Each table is a table, each of its named parts too."""
    for key, value in said.items():
        if key == "limits":
            if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
                raise TrialError("limits is not a list of tables. Write each under its own [[limits]].")
        elif not isinstance(value, dict):
            raise TrialError(f"{key} is {value!r}, which is not a table. Write it under [{key}].")
        elif key in ("factors", "blends", "settings", "attributes", "made_of"):
            for name, part in value.items():
                check_name(name, f"[{key}]")
                if not isinstance(part, dict):
                    raise TrialError(
                        f"[{key}] {name} is {part!r}, which is not a table. Write it under [{key}.{name}]."
                    )


def check_name(name: str, where: str) -> None:
    """A name is a column, or stands in one, and is typed by hand: words on one line, without white space about them."""
    if not name or name != " ".join(name.split()):
        raise TrialError(f"{where} has the name {name!r}, which is blank, runs over a line or has white space to "
                         "spare. Give it words with one space between.")


def number_of(value: object, where: str, *, error: type[LabkitError] = TrialError) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise error(f"{where} is {value!r}. Give a number.")
    return float(value)


def names_of(value: object, where: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not value or not all(isinstance(v, str) and v.strip() for v in value):
        raise TrialError(f"{where} is {value!r}. Give a list of ingredient names in double quotes.")
    if len(set(value)) < len(value):
        double = next(v for v in value if value.count(v) > 1)
        raise TrialError(f"{where} names {double!r} twice. Name each ingredient once.")
    return tuple(value)


def markets_of(value: object) -> tuple[str, ...]:
    where = "[product] markets"
    if not isinstance(value, list):
        raise TrialError(
            f'{where} is {value!r}, which is not a list. Write it in brackets, such as markets = ["EU"].'
        )
    for name in value:
        if name not in MARKETS:
            raise TrialError(
                f"{where} names {name!r}, and the markets known here are {words_joined([repr(m) for m in MARKETS])}. "
                "Write one of these, or leave that market out."
            )
    if len(set(value)) < len(value):
        double = next(m for m in value if value.count(m) > 1)
        raise TrialError(f"{where} names {double!r} twice. Name each market once.")
    return tuple(value)


def range_of(words: Mapping, where: str, *, high: float | None = None) -> tuple[float, float]:
    for end in ("low", "high"):
        if end not in words:
            raise TrialError(f"{where} has no {end}. Give low and high.")
    ends = [number_of(words[end], f"{where} {end}") for end in ("low", "high")]
    if high is not None:
        _check_no_percent(ends, where)
        ends = [
            check_share(e, name=f"{where} {n}", error=TrialError, high=high)
            for e, n in zip(ends, ("low", "high"), strict=True)
        ]
    if ends[0] > ends[1]:
        raise TrialError(f"{where}: low is {ends[0]:g} and high is {ends[1]:g}. Give the lower number as low.")
    return ends[0], ends[1]


def _check_no_percent(ends: list[float], where: str) -> None:
    """`low = 12` is meant as 12 percent by whoever reads recipes."""
    for name, end in zip(("low", "high"), ends, strict=True):
        if 1 < end <= 100:
            raise TrialError(f"{where} {name} is {end:g}, but a share lies from 0 to 1. Write {end / 100:g} for "
                             f"{end:g} %.")


def points_of(values: object, where: str, count: int) -> tuple[float, ...]:
    if not isinstance(values, list) or len(values) != count:
        raise TrialError(f"{where} is {values!r}. Give {count} numbers.")
    return tuple(number_of(v, where) for v in values)

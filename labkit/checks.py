"""One-sentence checks that every room shares, and the only place where text becomes a number."""

import difflib
import functools
import inspect
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType

import numpy as np
import pandas as pd

from labkit.errors import LabkitError
from labkit.wording import plural, words_joined

_ROW_A_POUR = "Give a pandas DataFrame, a row a pour."
_FRAMES = {                                    # what to give where a row is something else than a pour
    "the servings frame": "Give what plan_serving returned, or a pandas DataFrame, a row a serving.",
    "the scores frame": "Give what read_scores returned, or a pandas DataFrame, a row a score.",
    "the melts frame": "Give a pandas DataFrame, a row a melt.",
    "the readings frame": "Give a pandas DataFrame, a row a reading.",
    "the set_aside frame": "Give a pandas DataFrame, a row for what is set aside or taken back.",
}
NO_NUMBER = ("n/a", "na", "n.a.", "nan", "nil", "none", "null", "-", "--", "\N{EN DASH}", "\N{EM DASH}", "?", "x")
NOT_JUDGED = "Leave the cell empty if it was not judged, or write digits with one comma or point."
MOST_PLANNED = 48    # pours or melts of one round: more is no evening, and exchange among candidates gets slow
MOST_SUGGESTED = 24  # of one that is searched for by what it is expected to bring: six sittings
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")


def is_blank(cell: object) -> bool:
    """A cell without an entry: None, a missing number, or nothing but white space. The text NA is an entry."""
    if isinstance(cell, str):
        return not cell.strip()
    return cell is None or cell is pd.NaT or cell is pd.NA or (isinstance(cell, float) and math.isnan(cell))


def rounded_to(cell: object, *, least: int = 3) -> float:
    """By how much rounding may have moved a number as it is written: half of its last place, from some decimals on.

    A spreadsheet saves what it shows. Nothing of what is no text, and of one with fewer decimals.
    """
    decimals = re.fullmatch(r"\d*[.,](\d+)", cell.strip()) if isinstance(cell, str) else None
    return 0.5 * 10.0 ** -len(decimals[1]) if decimals and len(decimals[1]) >= least else 0.0


def parse_number(cell: object, *, where: str, error: type[LabkitError] = LabkitError, or_blank: str = "") -> float:
    """The number in a cell, with a decimal comma or a decimal point; a blank cell gives NaN.

    Nothing is guessed: a unit behind the number, a thousands mark, NaN and infinity are refused. `or_blank` : advice
    for a word that stands for no number, where a blank cell would do.
    """
    if is_blank(cell):
        return math.nan
    text = cell.strip() if isinstance(cell, str) else repr(cell.item() if isinstance(cell, np.generic) else cell)
    if isinstance(cell, bool) or not _NUMBER.fullmatch(text):
        if or_blank and text.casefold() in NO_NUMBER:
            raise error(f"{where} is {text!r}, which is not a number. {or_blank}")
        raise error(f"{where} is {text!r}, which is not a number. Write digits with one comma or point, and no unit.")
    value = float(text.replace(",", "."))
    if not math.isfinite(value):
        raise error(f"{where} is {text!r}, which is too large to be meant. Write digits with one comma or point.")
    return value


def numbers_in(frame: pd.DataFrame, columns: Sequence[str], *, error: type[LabkitError], what: str = "") -> np.ndarray:
    """The numbers of some columns (rows, columns) of `what`; text is read as in any cell, blank is nan."""
    of = f" of {what}" if what else ""
    if all(pd.api.types.is_numeric_dtype(frame[c]) for c in columns):
        return columns_of(frame, columns).to_numpy(dtype=float, na_value=math.nan, copy=True)
    return np.array([[parse_number(row[c], where=f"row {label}{of}: {c}", error=error) for c in columns]
                     for label, row in frame.iterrows()], dtype=float).reshape(len(frame), len(columns))


def columns_of(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """`frame[columns]`; several times as fast where the frame starts with them, as names are not looked up."""
    own, names = frame.columns.tolist(), list(columns)
    if own[:len(names)] != names:
        return frame[names]
    return frame if len(own) == len(names) else frame.take(range(len(names)), axis=1)


def coordinates_in(frame: pd.DataFrame, columns: Sequence[str], *, error: type[LabkitError],
                   what: str = "the frame of coordinates") -> np.ndarray:
    """The numbers of some columns (rows, columns), as quickly as `columns_of`; other columns are passed over.

    Only what cannot be read so is looked at more closely: text is read as in any cell, and what is missing is told.
    """
    try:
        return columns_of(frame, columns).to_numpy(dtype=float)
    except (AttributeError, KeyError, TypeError, ValueError):
        check_there(frame, columns, what=what, error=error)
        return numbers_in(frame, list(columns), what=what, error=error)


def check_there(frame: pd.DataFrame, columns: Sequence[str], *, what: str, error: type[LabkitError]) -> None:
    """Every one of these columns is in the frame; of one that is not, the column that may be meant is named."""
    there = list(map(str, check_frame(frame, what=what, error=error).columns))
    missing = [c for c in columns if c not in there]
    if missing:
        near = near_to(missing[0], [c for c in there if c not in columns])
        advice = f"Its column {near!r} may be meant: call that {missing[0]!r}." if near else (
            f"It needs {words_joined([repr(c) for c in columns])}.")
        raise error(f"{what} lacks the column {missing[0]!r}. {advice}")


def parse_grams(cell: object, *, where: str, error: type[LabkitError]) -> float:
    """A weight in grams; blank is not weighed (nan), a negative weight is refused."""
    value = parse_number(cell, where=where, error=error)
    if value < 0:
        raise error(f"{where} is {value:g}; a weight is never negative. Weigh again.")
    return value


def parse_id(cell: object) -> str:
    """An identity as text: 001 stays 001, NA is a name, and blank is the empty text."""
    if is_blank(cell):
        return ""
    if isinstance(cell, float | np.floating) and float(cell).is_integer():
        return str(int(cell))
    return str(cell).strip()


def check_choice(value: object, choices: Iterable[str], *, name: str, error: type[LabkitError]) -> str:
    """`value` when it is one of `choices`."""
    allowed = tuple(choices)
    if not isinstance(value, str) or value not in allowed:
        raise error(f"{name} is {value!r}. Choose {words_joined([repr(c) for c in allowed], last='or')}.")
    return value


def check_whole(value: object, *, name: str, low: int, high: int, error: type[LabkitError]) -> int:
    """`value` as a whole number within low..high."""
    whole = isinstance(value, int | np.integer) and not isinstance(value, bool | np.bool_)
    if not whole or not low <= value <= high:
        raise error(f"{name} is {value!r}. Give a whole number from {low} to {high}.")
    return int(value)


def near_to(name: object, known: Iterable[str], *, cutoff: float = 0.6) -> str:
    """The known name that is closest to a name, or nothing where none is as close as `cutoff` (1: the same)."""
    return next(iter(difflib.get_close_matches(str(name), list(known), n=1, cutoff=cutoff)), "")


def meant(name: str, more: str = "") -> str:
    """The question whether a known name was meant."""
    return f"Did you mean {name!r}{more}?"


def meant_or(name: object, known: Iterable[str], otherwise: str) -> str:
    """Advice about a name that is not known: the one that is close to it, or `otherwise`."""
    near = near_to(name, known)
    return meant(near) if near else otherwise


def check_size(value: object, *, name: str, most: int = MOST_PLANNED, error: type[LabkitError]) -> int:
    """How many pours or melts a round is to have, from 1 to `most`; of more the reason is told."""
    if isinstance(value, int | np.integer) and not isinstance(value, bool | np.bool_) and value > most:
        raise error(f"{name} is {value}, and {too_large(most)}")
    return check_whole(value, name=name, low=1, high=most, error=error)


def too_large(most: int) -> str:
    """Why a round has no more pours or melts than that, and what to do instead."""
    if most < MOST_PLANNED:
        return (f"the search for a next round looks at {most} at most: pours of one round cannot learn from each "
                f"other. Ask for fewer, and again once they are scored; plan_round plans up to {MOST_PLANNED}.")
    return f"one round holds {most} at most. Plan several rounds, each from what the one before has shown."


def more_melts_than_pours(melts: int, pours: int) -> str:
    """Fact and advice where a round is to have more melts than pours."""
    return (f"{plural(melts, 'melt')} were asked for {plural(pours, 'pour')}, but a melt serves one pour at least. "
            f"Plan {plural(pours, 'melt')} or fewer.")


def check_share(value: object, *, name: str, error: type[LabkitError], high: float = 1.0) -> float:
    """`value` as a finite number within 0..high."""
    number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
    if not number or not math.isfinite(value) or not 0 <= value <= high:
        raise error(f"{name} is {value!r}. Give a number from 0 to {high:g}.")
    return float(value)


def check_hold(hold: object, *, error: type[LabkitError]) -> dict:
    """What is to be held, coordinate -> value as it was given; nothing for None."""
    if hold is not None and not isinstance(hold, Mapping):
        raise error(f"hold is {hold!r}. Give a dict of coordinates and values, such as {{'wax': 0.15}}.")
    return dict(hold or {})


def check_held(hold: object, *, bounds: pd.DataFrame, error: type[LabkitError],
               blends: Mapping[str, Sequence[str]] = MappingProxyType({})) -> dict[str, float]:
    """What is to be held, each value a number within low..high of its coordinate; `bounds` has a row a coordinate.

    blends : name -> its parts, which add to 1: all that are held as well, and some of them to no more.
    """
    held = check_hold(hold, error=error)
    for name, value in held.items():
        if name not in bounds.index:
            choice = words_joined([repr(c) for c in bounds.index], last="or")
            raise error(f"hold names {name!r}, which does not vary. Choose {choice}.")
        number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
        if not number or not math.isfinite(value):
            raise error(f"hold gives {name} the value {value!r}. Give a number.")
        low, high = bounds.loc[name, ["low", "high"]]
        if not low - 1e-9 <= value <= high + 1e-9:
            raise error(
                f"hold puts {name} at {value:g}, outside its limits {low:g} to {high:g}. Hold a value within them, or "
                "widen them."
            )
    for name, columns in blends.items():
        whole = sum(held.get(c, 0.0) for c in columns)
        if whole > 1 + 1e-6 or (whole < 1 - 1e-6 and all(c in held for c in columns)):
            raise error(f"hold gives parts of {name} that add to {whole:g}, {'not' if whole < 1 else 'more than'} 1. "
                        "Hold shares of the whole blend, or leave a part free.")
    return {name: float(value) for name, value in held.items()}


def check_type(
    value: object, kind: type | tuple[type, ...], *, name: str, advice: str, error: type[LabkitError]
) -> None:
    """`value` is what the caller was to give; the advice says where to get it."""
    if not isinstance(value, kind):
        raise error(f"{name} is of type {type(value).__name__}. {advice}")


def check_frame(frame: object, *, what: str, error: type[LabkitError]) -> pd.DataFrame:
    """`frame` when it is a table in which each column has a name of its own; it may have no rows."""
    check_type(frame, pd.DataFrame, name=what, advice=_FRAMES.get(what, _ROW_A_POUR), error=error)
    double = sorted({str(c) for c in frame.columns[frame.columns.duplicated()]})
    if double:
        raise error(f"{what} has two columns named {words_joined(double)}. Give each column a name of its own.")
    return frame


def check_columns(
    frame: pd.DataFrame, *, allowed: Sequence[str], required: Sequence[str], what: str, error: type[LabkitError]
) -> None:
    """Every required column is there and no column is strange; both are named."""
    strange = [str(c) for c in frame.columns if c not in allowed]
    if strange:
        raise error(
            f"{what} has a column {strange[0]!r} that is not known here. "
            f"The columns are {words_joined([repr(c) for c in allowed])}."
        )
    missing = [c for c in required if c not in frame.columns]
    if missing:
        raise error(f"{what} lacks the column {missing[0]!r}. It needs {words_joined([repr(c) for c in required])}.")


@functools.cache
def checked_call(function: Callable) -> Callable:
    """The same function; a call that does not fit its parameters is told in a sentence of fact and one of advice."""
    signature = inspect.signature(function)

    @functools.wraps(function)
    def call(*given, **named):
        try:
            signature.bind(*given, **named)
        except TypeError:
            raise LabkitError(_misfit(function.__name__, signature.parameters, given, named)) from None
        return function(*given, **named)
    return call


def _misfit(name: str, parameters: Mapping[str, inspect.Parameter], given: Sequence, named: Mapping) -> str:
    """What is strange, given twice, too much or missing in a call, and how it is to be called."""
    ordered = [p.name for p in parameters.values() if p.kind is p.POSITIONAL_OR_KEYWORD]
    strange = [word for word in named if word not in parameters]
    if strange:
        advice = meant_or(strange[0], parameters, f"Choose {words_joined(parameters, last='or')}.")
        return f"{name} does not take {strange[0]}. {advice}"
    if len(given) > len(ordered):
        return (f"{name} was given {len(given)} values by place, but takes {words_joined(ordered)} so. "
                "Name the others, or leave them out.")
    twice = [word for word in ordered[:len(given)] if word in named]
    if twice:
        return f"{name} was given {twice[0]} twice, by place and by name. Give it once."
    needed = [p for p in parameters.values() if p.default is p.empty]
    missing = [p.name for p in needed if p.name not in {*ordered[:len(given)], *named}]
    words = [f"{p.name}=..." if p.kind is p.KEYWORD_ONLY else p.name for p in needed]
    return f"{name} was not given {words_joined(missing)}. Call it as {name}({', '.join(words)})."

"""Cells off their columns: mostly by a decimal comma without quotes between commas, which makes two cells of one."""

import itertools
import re
from collections.abc import Iterator, Sequence

from labkit.aside import ASIDE_COLUMNS
from labkit.checks import is_blank, parse_number
from labkit.errors import LabkitError
from labkit.pours import CORRECTION, says_none
from labkit.readings import READING_KEY
from labkit.rounds import PLAN_IDS
from labkit.scores import SCORE_KEY, SERVING_COLUMNS
from labkit.wording import plural, words_joined

DAYS = {"date", "since"}
WORDS = {*DAYS, "attribute", "method", "direction", "unit", "outcome", "defects", "note", "reason", "action"}
NAMES = {*PLAN_IDS, *SERVING_COLUMNS, *SCORE_KEY, *READING_KEY, *ASIDE_COLUMNS, *CORRECTION}
NUMBERS = ("score", "value")
NEVER = {"corrects", "unit", "outcome", "direction"}       # where a fault is refused in any case
SAID = {"defects", "note", "reason"}
LAST = SAID | {"corrects", "since"}                         # where the rest of a sentence may come to stand
SIGNS = {"comma": ",", "semicolon": ";"}
OUTCOMES = ("ok", "failed")
MOST, TOLD = 4, 3               # commas that are looked for in one row; ways of reading it that are told
_QUOTED = re.compile(r'"(?:[^"]|"")*"')
_WHOLE, _DIGITS = re.compile(r"[+-]?\d+"), re.compile(r"\d+")

Way = tuple[tuple[str, str], ...]           # (column, number) of each comma that was lost


def out_of_place(
    cells: Sequence[str], columns: Sequence[str], text: str, *, lengths: Sequence[int], sign: str = "comma"
) -> str:
    """What is wrong with a row whose cells stand off their columns, what it may mean, and advice; or nothing.

    cells, text : of the row, as read and as they stand in the file; lengths : how many cells each row has; sign : the
    word for what parts cells. A row with no more cells than the header is looked at in a table of ours, where its last
    cells are left out or it cannot stand.
    """
    over, faults, to_spare = len(cells) - len(columns), _faults(cells, columns), not any(cells[len(columns):])
    strayed = _strayed_outcome(cells, columns)
    if over <= 0 and not ("corrects" in columns and faults and (over < 0 or strayed or NEVER & set(faults))):
        return _parted(cells, columns, text, sign)
    if over > 0 and to_spare and not faults and len(lengths) > 1 and set(lengths) == {len(cells)}:
        return ""                           # every row of the file ends in a comma to spare
    ours = {"corrects", "score"} <= set(columns)
    lost = [name for name in ("pour", "tester", "attribute") if ours and name not in columns]
    if over > 0 and over == len(lost) and len(lengths) > 1 and set(lengths) == {len(cells)}:
        return (f"has {_many(over, cells)}, as every row has, and the header lacks {words_joined(map(repr, lost))}. "
                "Write what is lacking into the header, in its place.")
    ways = _likely(cells, columns, text, most=over if over > 0 else MOST) if sign == "comma" else []
    if over > 0 and not ways and to_spare and "corrects" in faults:
        return (f"has {_many(over, cells)}, and {cells[columns.index('corrects')]!r} under corrects without a reason. "
                f"Put a cell that holds a {sign} in quotation marks.")
    if not ways and strayed and over <= 0:
        return (f"has {cells[columns.index(strayed)]!r} under {strayed} and nothing under outcome. Move it to its own "
                f"column, or put a cell that holds a {sign} in quotation marks.")
    if not ways:
        return (_too_short(cells, columns, faults) if over < 0 else "") or _parted(cells, columns, text, sign)
    fact = f"has {_many(over, cells)}" if over > 0 else f"has {cells[columns.index(faults[0])]!r} under {faults[0]}"
    perhaps = ", or ".join(words_joined([f"{column} is {number}" for column, number in way]) for way in ways[:TOLD])
    number, alone = ways[0][0][1], len(ways) == len(ways[0]) == 1
    point = ("" if alone else "a point, such as ") + number.replace(",", ".")
    spare = ", or take away the comma to spare" if over > 0 and to_spare and not faults else ""
    return (f"{fact}: perhaps {perhaps}. Write {point}, put \"{number}\" in quotation marks, or save the table with "
            f"semicolons{spare}.")


def _parted(cells: Sequence[str], columns: Sequence[str], text: str, sign: str) -> str:
    """Where a sign with a blank after it parts two cells of words, as in a sentence, and the first sign has none."""
    mark, bare = SIGNS.get(sign), _QUOTED.sub("", text)
    if not mark or not {"corrects", "since"} & set(columns) or f"{mark} " in bare[:bare.find(mark) + 2]:
        return ""
    for (one, other), column, next_ in zip(itertools.pairwise(cells), columns, columns[1:]):
        whole = f"{one}{mark} {other}"
        if one and other and next_ in LAST and whole in bare:
            return (f"has {whole!r}, which is read as {one!r} under {column} and {other!r} under {next_}. Put a cell "
                    f"that holds a {sign} in quotation marks, or leave out the blank if these are two cells.")
    return ""


def _strayed_outcome(cells: Sequence[str], columns: Sequence[str]) -> str:
    """The column of words that holds an outcome, in a row that has none."""
    filled = {column: cell for column, cell in zip(columns, cells) if not is_blank(cell)}
    if "outcome" not in columns or "outcome" in filled:
        return ""
    return next((c for c in ("defects", "note") if filled.get(c) == "ok" or filled.get(c, "").startswith("failed")), "")


def _too_short(cells: Sequence[str], columns: Sequence[str], faults: Sequence[str]) -> str:
    """The same of a row that lacks a cell somewhere before its end; a number may be all of a note."""
    wrong, fewer = [column for column in faults if column not in SAID], len(columns) - len(cells)
    if not wrong:
        return ""
    return (f"has {plural(len(cells), 'cell')}, {'one' if fewer == 1 else fewer} fewer than the header has columns, "
            f"and {cells[columns.index(wrong[0])]!r} under {wrong[0]}. Complete the row; leave a cell empty where "
            "there is nothing to say.")


def _many(over: int, cells: Sequence[str]) -> str:
    return f"{len(cells)} cells, {'one' if over == 1 else over} more than the header has columns"


def _likely(cells: Sequence[str], columns: Sequence[str], text: str, *, most: int) -> list[Way]:
    """Ways to read a row with the fewest commas for decimal ones after which every cell can stand in its column."""
    over = len(cells) - len(columns)
    for count in range(min(most, MOST), 0, -1) if over > 0 else range(1, most + 1):
        if ways := [way for way, faults in _ways(cells, columns, text, count) if not faults]:
            noughts = max(map(_noughts, ways))
            return [way for way in ways if _noughts(way) == noughts]
    return []


def _noughts(way: Way) -> int:
    """How many of its numbers begin with 0: a nought alone is seldom a weight."""
    return sum(number.lstrip("+-").startswith("0,") for _, number in way)


def _ways(cells: Sequence[str], columns: Sequence[str], text: str, count: int) -> Iterator[tuple[Way, list[str]]]:
    """Each way to make one number of two cells, `count` times, that the columns allow, and what still cannot stand."""
    pairs = [k for k, (a, b) in enumerate(itertools.pairwise(cells))
             if _WHOLE.fullmatch(a) and _DIGITS.fullmatch(b) and f"{a},{b}" in text]
    for chosen in itertools.combinations(pairs, count):
        if any(b - a == 1 for a, b in itertools.pairwise(chosen)):
            continue
        whole = [f"{cell},{cells[k + 1]}" if k in chosen else cell
                 for k, cell in enumerate(cells) if k - 1 not in chosen]
        at = [k - place for place, k in enumerate(chosen)]
        if not any(whole[len(columns):]) and all(k < len(columns) and _may_be_decimal(columns[k]) for k in at):
            yield tuple((columns[k], whole[k]) for k in at), _faults(whole, columns)


def _may_be_decimal(column: str) -> bool:
    return bool(column) and column.casefold() not in NAMES | WORDS


def _faults(cells: Sequence[str], columns: Sequence[str]) -> list[str]:
    """Columns whose cell cannot be meant: a number for words, words for a number, what corrects without a reason."""
    filled = {column: cell for column, cell in zip(columns, cells) if column and not is_blank(cell)}
    found = [column for column, cell in filled.items() if _is_fault(column, cell, columns)]
    found += filter(None, [_strayed_outcome(cells, columns)])
    return found + ["corrects"] * ("corrects" in filled and "reason" not in filled)


def _is_fault(column: str, cell: str, columns: Sequence[str]) -> bool:
    if column == "outcome":
        return not cell.startswith(OUTCOMES)
    if column in DAYS:
        return _is_number(cell) and not cell.isdigit()              # 20310504 is a day badly written
    if column in WORDS:
        return _is_number(cell) and ("corrects" in columns or column != "attribute")
    weighed = column.endswith(" [g]") or column in NUMBERS
    return (weighed and not _is_number(cell) and not says_none(cell)) or (
        "outcome" in columns and cell.startswith(OUTCOMES))


def _is_number(cell: str) -> bool:
    try:
        parse_number(cell, where="")
    except LabkitError:
        return False
    return True

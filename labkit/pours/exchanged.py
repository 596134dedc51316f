"""Rows of a round each of which holds what was planned of another, and clearly not what was planned of it.

Two that stand in each other's place, or more in a circle, as when a column was pasted a row too low.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from labkit.checks import is_blank
from labkit.formula import Recipe
from labkit.pours.doubts import FEW, REALLY_SO, SLACK, is_meant
from labkit.pours.weights import BASE, own_columns
from labkit.rounds import Batch, grams_column
from labkit.wording import grams_text, words_joined

MANY = 500  # ways from row to row that are followed
CLEAR = 3   # times as far from its own plan lies one weight at least of a row that is in another's place


def exchanged_with(row: Mapping, others: Iterable[Mapping], recipe: Recipe, planned: Mapping[str, Mapping],
                   batch: Batch, where: str) -> tuple[str, str] | None:
    """The name of the first row that stands in this row's place and it in that one's, with fact and advice, or None."""
    kind = _kind(row)
    name, columns = row[kind], _columns(row, recipe)
    for other in _comparable(row, others, recipe, planned):
        there = other[kind]
        if _is_in_place_of(row, there, planned, columns, recipe, batch) and _is_in_place_of(
                other, name, planned, columns, recipe, batch):
            return there, _words(row, other, kind, planned, columns, where)
    return None


def circle_with(row: Mapping, others: Iterable[Mapping], recipe: Recipe, planned: Mapping[str, Mapping],
                batch: Batch, where: str) -> tuple[tuple[str, ...], str] | None:
    """The names of three rows or more, this one first, each in the place of the next and the last in that of the first.

    With fact and advice; the shortest such circle, or None.
    """
    kind, columns = _kind(row), _columns(row, recipe)
    rows = {row[kind]: row} | {other[kind]: other for other in _comparable(row, others, recipe, planned)}
    if len(rows) < 3:
        return None
    places = {name: [there for there in rows if there != name
                     and _is_in_place_of(rows[name], there, planned, columns, recipe, batch)] for name in rows}
    paths = [(row[kind],)]
    for _ in range(2, len(rows) + 1):
        paths = [(*path, there) for path in paths for there in places[path[-1]] if there not in path][:MANY]
        if circle := next((path for path in paths if len(path) > 2 and path[0] in places[path[-1]]), None):
            return circle, _words_of_circle([rows[name] for name in circle], kind, planned, columns, where)
    return None


def exchange_of(*given) -> str:
    """The same in words alone, or nothing."""
    found = exchanged_with(*given) or circle_with(*given)
    return found[1] if found else ""


def _kind(row: Mapping) -> str:
    return "pour" if "pour" in row else "melt"


def _comparable(row: Mapping, others: Iterable[Mapping], recipe: Recipe, planned: Mapping) -> Iterator[Mapping]:
    """Other rows of the same round and shape, none of which is said to be so."""
    kind, columns = _kind(row), _columns(row, recipe)
    if is_meant(row) or row[kind] not in planned:
        return
    for other in others:
        there = other[kind]
        if (there != row[kind] and there in planned and planned[there]["round"] == planned[row[kind]]["round"]
                and not is_meant(other) and columns == _columns(other, recipe)):
            yield other


def _columns(row: Mapping, recipe: Recipe) -> tuple[str, ...]:
    """What was weighed for this row alone."""
    return own_columns(row, recipe) if "pour" in row else tuple(map(grams_column, recipe.pot))


def _is_in_place_of(row: Mapping, there: str, planned: Mapping, columns: Iterable[str], recipe: Recipe,
                    batch: Batch) -> bool:
    own, other = planned[row[_kind(row)]], planned[there]
    if any(is_blank(row[c]) and (own[c] > 0 or other[c] > 0) for c in columns):
        return False
    return (_follows(row, other, columns, recipe, batch, times=1)
            and not _follows(row, own, columns, recipe, batch, times=CLEAR))


def _follows(
    row: Mapping, plan: Mapping, columns: Iterable[str], recipe: Recipe, batch: Batch, *, times: float
) -> bool:
    """Whether |g - s m| <= times (5 steps + 3 % of s m) of all weights g and what was planned of them, m.

    s is 1, or what was drawn of the base by what was planned of it; of a pot or a pour of its own, of all its weights.
    A pot may have been larger, and who draws more base stirs in more.
    """
    step = SLACK * batch.balance_step_g
    return any(all(abs(_grams(row[c]) - scale * plan[c]) <= times * (step + FEW * scale * plan[c]) for c in columns)
               for scale in (1.0, _scale(row, plan, columns, recipe)))


def _scale(row: Mapping, plan: Mapping, columns: Iterable[str], recipe: Recipe) -> float:
    if not is_blank(row.get(BASE)):
        weighed, meant = row[BASE], sum(plan[grams_column(i)] for i in recipe.pot)
    else:
        weighed, meant = sum(_grams(row[c]) for c in columns), sum(plan[c] for c in columns)
    return weighed / meant if meant > 0 else 1.0


def _grams(weight: float) -> float:
    return 0.0 if is_blank(weight) else weight


def _words(row: Mapping, other: Mapping, kind: str, planned: Mapping, columns: Iterable[str], where: str) -> str:
    """Told of the weight that differs most between the two plans."""
    own, there = planned[row[kind]], planned[other[kind]]
    column = max(columns, key=lambda c: abs(own[c] - there[c]))
    meant, elsewhere = grams_text(own[column]), grams_text(there[column])
    return (f"{where}: {column} is {_grams(row[column]):g} and that of {other[kind]} {_grams(other[column]):g}, but "
            f"{meant} and {elsewhere} g were planned, and each row fits the plan of the other. Exchange the weights of "
            f"the two if they stand in each other's row, or write '{REALLY_SO}' in the note of one.")


def _words_of_circle(rows: Sequence[Mapping], kind: str, planned: Mapping, columns: Iterable[str], where: str) -> str:
    """Told of the weight that differs most between their plans."""
    plans = [planned[row[kind]] for row in rows]
    column = max(columns, key=lambda c: max(plan[c] for plan in plans) - min(plan[c] for plan in plans))
    names, shown = words_joined([row[kind] for row in rows]), words_joined([f"{_grams(row[column]):g}" for row in rows])
    meant = words_joined([grams_text(plan[column]) for plan in plans])
    return (f"{where}: {column} of {names} is {shown}, but {meant} g were planned, and each row fits the plan of the "
            "next of them, the last that of the first. Move the weights to the rows whose plan they fit, or write "
            f"'{REALLY_SO}' in the note of one.")

"""Two rows of a round each of which holds what was planned of the other, and clearly not what was planned of it."""

from collections.abc import Iterable, Mapping

from labkit.checks import is_blank
from labkit.formula import Recipe
from labkit.pours.doubts import REALLY_SO, SLACK, is_meant
from labkit.pours.weights import BASE, own_columns
from labkit.rounds import Batch, grams_column

FEW = 0.03  # of a weight, beside some balance steps: as near a hand comes to the plan that it follows
CLEAR = 3   # times as far from its own plan lies one weight at least of a row that is in another's place


def exchanged_with(row: Mapping, others: Iterable[Mapping], recipe: Recipe, planned: Mapping[str, Mapping],
                   batch: Batch, where: str) -> tuple[str, str] | None:
    """The name of the first row that stands in this row's place and it in that one's, with fact and advice, or None."""
    kind = "pour" if "pour" in row else "melt"
    name, columns = row[kind], _columns(row, recipe)
    for other in others:
        there = other[kind]
        if name == there or not {name, there} <= set(planned) or planned[name]["round"] != planned[there]["round"]:
            continue
        if is_meant(row) or is_meant(other) or columns != _columns(other, recipe):
            continue
        if _is_in_place_of(row, there, planned, columns, recipe, batch) and _is_in_place_of(
                other, name, planned, columns, recipe, batch):
            return there, _words(row, other, kind, planned, columns, where)
    return None


def exchange_of(*given) -> str:
    """The same in words alone, or nothing."""
    found = exchanged_with(*given)
    return found[1] if found else ""


def _columns(row: Mapping, recipe: Recipe) -> tuple[str, ...]:
    """What was weighed for this row alone."""
    return own_columns(row, recipe) if "pour" in row else tuple(map(grams_column, recipe.pot))


def _is_in_place_of(row: Mapping, there: str, planned: Mapping, columns: Iterable[str], recipe: Recipe,
                    batch: Batch) -> bool:
    own, other = planned[row["pour" if "pour" in row else "melt"]], planned[there]
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
    return (f"{where}: {column} is {_grams(row[column]):g} and that of {other[kind]} {_grams(other[column]):g}, but "
            f"{own[column]:.2f} and {there[column]:.2f} g were planned, and each row fits the plan of the other. "
            f"Exchange the weights of the two if they stand in each other's row, or write '{REALLY_SO}' in the "
            "note of one.")

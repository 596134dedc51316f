"""What a hand can hardly have meant: running totals, two weights exchanged, a weight many times what was planned.

In new rows it is refused, in a file it stands and is named. Who notes `really so` has said that it was so.
"""

import itertools
from collections.abc import Callable, Iterable, Mapping

import numpy as np

from labkit.checks import is_blank
from labkit.errors import PourError
from labkit.formula import Recipe
from labkit.pours.rows import check_day, last_rows, stands_of
from labkit.pours.weights import BASE, check_written, own_columns
from labkit.rounds import Batch, grams_column
from labkit.wording import grams_text, words_joined

REALLY_SO = "really so"  # in a note
GROSS = 3.0              # times what was planned; a slip of the decimal sign is ten times
SLACK = 5                # balance steps by which a small weight may miss besides
FEW = 0.03               # of a weight, beside some balance steps: as near a hand comes to the plan that it follows
TWICE = 0.5              # of the base: as much of the pot's own beside it is stirred in by nobody
NEAR, FAR = 0.1, 0.2     # of all that was weighed: as totals the weights keep to the plan, as portions they do not
_ADVICE = f"Correct the weight, or write '{REALLY_SO}' in the note."


def doubt_of_melt(row: Mapping, recipe: Recipe, batch: Batch, planned: Mapping[str, float], where: str) -> str:
    """Fact and advice about the first weight of a melt that is in doubt, or nothing; a larger pot is none."""
    plan = {c: planned.get(c, 0.0) for c in map(grams_column, recipe.pot)}
    if is_meant(row):
        return ""
    ratios = sorted(row[c] / plan[c] for c in plan if plan[c] > 0 and not is_blank(row[c]))
    larger = max(1.0, ratios[(len(ratios) - 1) // 2]) if ratios else 1.0
    return (_running(row, plan, batch, where) or _exchanged(row, plan, batch, where)
            or _gross(row, plan, GROSS * larger, batch, where))


def doubt_of_pour(row: Mapping, recipe: Recipe, batch: Batch, planned: Mapping[str, float], where: str) -> str:
    """Fact and advice about the first weight of a pour that is in doubt, or nothing."""
    if is_meant(row):
        return ""
    plan = plan_of_pour(row, recipe, planned)
    return (_running(row, plan, batch, where) or _exchanged(row, plan, batch, where)
            or _gross(row, plan, GROSS, batch, where)
            or _base_twice(row, recipe, where)
            or _too_much(row, recipe, max(batch.pour_g, sum(plan.values())), where))


def plan_of_pour(row: Mapping, recipe: Recipe, planned: Mapping[str, float]) -> dict[str, float]:
    """By column in the order of the bench sheet: base and what is stirred in, or all where its base is of no melt."""
    base = {} if is_blank(row[BASE]) else {BASE: sum(planned.get(grams_column(i), 0.0) for i in recipe.pot)}
    return base | {c: planned.get(c, 0.0) for c in own_columns(row, recipe)}


def is_meant(row: Mapping) -> bool:
    """Whether the note says that it was so."""
    return REALLY_SO in " ".join(row["note"].lower().split())


def _running(row: Mapping, plan: Mapping[str, float], batch: Batch, where: str) -> str:
    columns = [c for c in plan if plan[c] > 0 and not is_blank(row[c])]
    meant, shown = np.array([plan[c] for c in columns]), np.array([row[c] for c in columns], dtype=float)
    if len(columns) < 2 or not _are_totals(shown, meant, batch.balance_step_g):
        return ""
    said, told = ", ".join(f"{value:g}" for value in shown), ", ".join(grams_text(value) for value in meant)
    return (f"{where}: the weights look like running totals ({said} g, where {told} g were planned). Write what was "
            f"added each time, or write '{REALLY_SO}' in the note.")


def _are_totals(shown: np.ndarray, meant: np.ndarray, step: float) -> bool:
    """Whether weights keep to the proportions of the plan as running totals, and are far from them as portions.

    Or are what was planned to some steps and hundredths as running totals, and not so as they stand: a short column of
    totals may come near to the proportions of a larger pot.
    """
    steps = np.diff(shown, prepend=0.0)
    if _is_planned(steps, meant, step) and not _is_planned(shown, meant, step):
        return True
    return bool((steps >= 0).all() and shown[-1] > 0 and _misfit(steps, meant) < NEAR
                and _misfit(shown, meant) > max(FAR, 4 * _misfit(steps, meant)))


def _is_planned(grams: np.ndarray, meant: np.ndarray, step: float) -> bool:
    return bool((np.abs(grams - meant) <= SLACK * step + FEW * meant).all())


def _misfit(grams: np.ndarray, meant: np.ndarray) -> float:
    """sum |g - m sum(g) / sum(m)| / sum(g): what lies elsewhere than the plan has it, as a part of all."""
    return float(np.abs(grams / grams.sum() - meant / meant.sum()).sum())


def _exchanged(row: Mapping, plan: Mapping[str, float], batch: Batch, where: str) -> str:
    """Two weights each of which is what was planned of the other, to some steps, and not what was planned of it."""
    near, columns = SLACK * batch.balance_step_g, [c for c in plan if plan[c] > 0 and not is_blank(row[c])]
    for one, other in itertools.combinations(columns, 2):
        gap, crossed = abs(plan[one] - plan[other]), (abs(row[one] - plan[other]), abs(row[other] - plan[one]))
        if gap > 3 * near and max(crossed) <= near:
            return (f"{where}: {one} is {row[one]:g} and {other} is {row[other]:g}, but {grams_text(plan[one])} and "
                    f"{grams_text(plan[other])} g were planned. Exchange them if they stand in each other's column, "
                    f"or write '{REALLY_SO}' in the note.")
    return ""


def _gross(row: Mapping, plan: Mapping[str, float], times: float, batch: Batch, where: str) -> str:
    for column, meant in plan.items():
        if meant > 0 and row[column] > times * meant + SLACK * batch.balance_step_g:
            return f"{where}: {column} is {row[column]:g}, but {grams_text(meant)} g were planned. {_ADVICE}"
    return ""


def scant(row: Mapping, plan: Mapping[str, float], batch: Batch, where: str) -> str:
    """The same of the first weight that is a small part of what was planned; a pot may have run out."""
    if is_meant(row):
        return ""
    for column, meant in plan.items():
        if meant > 0 and 0 < row[column] < meant / GROSS - SLACK * batch.balance_step_g:
            return f"{where}: {column} is {row[column]:g}, but {grams_text(meant)} g were planned. {_ADVICE}"
    return ""


def _base_twice(row: Mapping, recipe: Recipe, where: str) -> str:
    """What is in the pot was drawn with the base, and stands once more beside it: what a pour or its pot got of it."""
    again = {c: row[c] for c in map(grams_column, recipe.pot) if row[c] > 0}
    if is_blank(row[BASE]) or len(again) < 2 or sum(again.values()) < TWICE * row[BASE]:
        return ""
    return (f"{where}: {BASE} is {row[BASE]:g}, and {words_joined(again)} stand beside it with "
            f"{grams_text(sum(again.values()))} g more, as if that had been stirred in. Leave empty what was drawn "
            f"with the base, or write '{REALLY_SO}' in the note.")


def _too_much(row: Mapping, recipe: Recipe, meant: float, where: str) -> str:
    weighed = [row[c] for c in (BASE, *map(grams_column, recipe.ingredients)) if not is_blank(row[c])]
    if sum(weighed) <= GROSS * meant:
        return ""
    return f"{where}: pour {row['pour']} holds {sum(weighed):g} g, but a pour is {meant:g} g. {_ADVICE}"


def check_new(row: Mapping, rows: list[dict], kind: str, where: str, *, plan: Mapping, needed: Iterable[str],
              doubts_of: Callable[[Mapping, list[dict]], Iterable[str]]) -> None:
    """A new row has a day that is one, nothing unwritten of what was planned in `needed`, and is not in doubt.

    A correction is not asked again what stands: wrong or in doubt is what it says anew. doubts_of : a row and the last
    rows of all melts or pours (`kind`) -> fact and advice each, or nothing.
    """
    stands, others = stands_of(row, rows, kind), last_rows(rows, kind)
    if row["date"] != stands.get("date"):
        check_day(row["date"], where, PourError)
    check_written(row, plan, needed, where)
    known = set(doubts_of(stands, others)) if stands else set()
    for doubt in doubts_of(row, others):
        if doubt and doubt not in known:
            raise PourError(doubt)

"""What stands in the tables of melts and pours and can hardly be so: weights, settings, days, another melt."""

from collections.abc import Mapping

import pandas as pd

from labkit.checks import is_blank
from labkit.formula import Recipe
from labkit.pours.doubts import REALLY_SO, SLACK, doubt_of_melt, doubt_of_pour, is_meant, plan_of_pour, scant
from labkit.pours.drawn import before_its_melt, drawn_otherwise, pot_of_another
from labkit.pours.exchanged import circle_with, exchanged_with
from labkit.pours.meant import meant_rows
from labkit.pours.melts import standing_melts
from labkit.pours.poured import standing_pours
from labkit.pours.rows import is_day, not_a_day
from labkit.pours.settings import doubt_of_settings, set_otherwise
from labkit.pours.weights import BASE
from labkit.rounds import Batch, grams_column
from labkit.wording import grams_text

MORE = 1.02  # times what was weighed into a pot; what is drawn beyond that is in doubt


def doubts_on_what_was_made(tables: Mapping[str, pd.DataFrame], recipe: Recipe, batch: Batch) -> list[str]:
    """Fact and advice about each melt and pour in doubt; what was drawn from a melt, where nothing else tells of it."""
    by_melt, by_pour = (meant_rows(tables["plan"], recipe, batch, by=kind) for kind in ("melt", "pour"))
    melts, pours = standing_melts(tables["melts"]).to_dict("records"), standing_pours(tables["pours"])
    rows = pours.to_dict("records")
    found = _of_melts(melts, recipe, by_melt, batch) + _of_pours(
        rows, recipe, by_pour, batch, {row["melt"]: row["date"] for row in melts})
    settled = {melt for melt, _ in found} | {row["melt"] for row in rows if is_meant(row)}
    drawn = pours.groupby("melt")[BASE].sum()
    over = (_overdrawn(row, drawn.get(row["melt"], 0.0), recipe, batch) for row in melts if row["melt"] not in settled)
    return [text for _, text in found] + [text for text in over if text]


def _of_melts(melts: list[Mapping], recipe: Recipe, meant: Mapping, batch: Batch) -> list[tuple[str, str]]:
    """Melt and text of each doubt; of two rows exchanged the first is told, and of neither its weights besides."""
    found, crossed = [], _crossed(melts, recipe, meant, batch, "melt")
    for row in melts:
        where, planned = f"melts.csv melt {row['melt']}", meant.get(row["melt"], {})
        plan = {c: planned.get(c, 0.0) for c in map(grams_column, recipe.pot)}
        weights = (crossed[row["melt"]] if row["melt"] in crossed else
                   doubt_of_melt(row, recipe, batch, planned, where) or scant(row, plan, batch, where))
        found += [(row["melt"], text) for text in (_day(row, where), weights) if text]
    return found


def _of_pours(
    pours: list[Mapping], recipe: Recipe, meant: Mapping, batch: Batch, melted: Mapping[str, str]
) -> list[tuple[str, str]]:
    """The same of pours."""
    found, crossed = [], _crossed(pours, recipe, meant, batch, "pour")
    for k, row in enumerate(pours):
        where, planned = f"pours.csv pour {row['pour']}", meant.get(row["pour"], {})
        weights = (crossed[row["pour"]] if row["pour"] in crossed else
                   doubt_of_pour(row, recipe, batch, planned, where)
                   or scant(row, plan_of_pour(row, recipe, planned), batch, where))
        why = (_day(row, where), drawn_otherwise(row, planned, where), weights,
               doubt_of_settings(row, recipe, planned, where) or set_otherwise(row, pours[:k], recipe, where),
               pot_of_another(row, pours[:k], recipe, meant, where),
               before_its_melt(row, melted, where))
        found += [(row["melt"], text) for text in why if text]
    return found


def _crossed(rows: list[Mapping], recipe: Recipe, meant: Mapping, batch: Batch, kind: str) -> dict[str, str]:
    """By row that stands in the place of another: what is to be told of two or more such at the first of them."""
    told: dict[str, str] = {}
    for k, row in enumerate(rows):
        others = [other for other in rows[k + 1:] if other[kind] not in told]
        where = f"{kind}s.csv {kind} {row[kind]}"
        if row[kind] in told:
            continue
        if pair := exchanged_with(row, others, recipe, meant, batch, where):
            told |= {row[kind]: pair[1], pair[0]: ""}
        elif circle := circle_with(row, others, recipe, meant, batch, where):
            told |= dict.fromkeys(circle[0], "") | {row[kind]: circle[1]}
    return told


def _overdrawn(row: Mapping, drawn: float, recipe: Recipe, batch: Batch) -> str:
    """A pot cannot give more than was weighed into it; every weight may be some steps off, a scoop drips."""
    weights = [row[grams_column(i)] for i in recipe.pot]
    held = sum(weights)
    if any(map(is_blank, weights)) or drawn <= MORE * held + SLACK * batch.balance_step_g or is_meant(row):
        return ""
    return (f"melts.csv melt {row['melt']}: {grams_text(held)} g were weighed into it, but {grams_text(drawn)} g of "
            f"base were drawn from it. Correct the melt or its pours, or write '{REALLY_SO}' in the note of the melt.")


def _day(row: Mapping, where: str) -> str:
    return not_a_day(f"{where}: date", row["date"]) if row["date"] and not is_day(row["date"]) else ""

"""What stands in the tables of melts and pours and can hardly be so: weights, days, another melt than planned."""

from collections.abc import Mapping

import pandas as pd

from labkit.checks import is_blank
from labkit.formula import Recipe
from labkit.pours.doubts import REALLY_SO, doubt_of_melt, doubt_of_pour, is_meant, plan_of_pour, scant
from labkit.pours.melts import standing_melts
from labkit.pours.poured import standing_pours
from labkit.pours.rows import is_day, not_a_day
from labkit.pours.weights import BASE
from labkit.rounds import Batch, grams_column, planned_grams


def doubts_on_what_was_made(tables: Mapping[str, pd.DataFrame], recipe: Recipe, batch: Batch) -> list[str]:
    """Fact and advice about each melt and pour of the tables that is in doubt."""
    by_melt, by_pour = (planned_grams(tables["plan"], recipe, by=kind) for kind in ("melt", "pour"))
    found: list[str] = []
    for row in standing_melts(tables["melts"]).to_dict("records"):
        where, planned = f"melts.csv melt {row['melt']}", by_melt.get(row["melt"], {})
        found += [_day(row, where), doubt_of_melt(row, recipe, batch, planned, where)
                  or scant(row, {c: planned.get(c, 0.0) for c in map(grams_column, recipe.pot)}, batch, where)]
    melts = dict(zip(tables["plan"]["pour"], tables["plan"]["melt"], strict=True))
    for row in standing_pours(tables["pours"]).to_dict("records"):
        where, planned = f"pours.csv pour {row['pour']}", by_pour.get(row["pour"], {})
        found += [_day(row, where), _other_melt(row, melts, where), doubt_of_pour(row, recipe, batch, planned, where)
                  or scant(row, plan_of_pour(row, recipe, planned), batch, where)]
    return [text for text in found if text]


def _day(row: Mapping, where: str) -> str:
    return not_a_day(f"{where}: date", row["date"]) if row["date"] and not is_day(row["date"]) else ""


def _other_melt(row: Mapping, planned: Mapping[str, str], where: str) -> str:
    meant = planned.get(row["pour"], row["melt"])
    if row["melt"] == meant or is_blank(row[BASE]) or is_meant(row):
        return ""
    return (f"{where}: melt is {row['melt']}, but {meant} was planned. Correct the melt, or write '{REALLY_SO}' in the "
            "note.")

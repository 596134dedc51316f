"""What was weighed, read off in the present factors: coordinates and formula of every pour, or why it has none."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.checks import is_blank
from labkit.formula import Recipe
from labkit.handing import fixed, hands_out_copies
from labkit.pours import (
    BASE,
    own_columns,
    standing_melts,
    standing_pours,
    unwritten,
    unwritten_words,
    weighed_masses,
    weighed_pots,
)
from labkit.region import Region
from labkit.rounds import Batch, grams_column, planned_grams
from labkit.wording import in_turn


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class Weighed:
    """made : by pour, round (0 where unplanned), melt, ok, outcome, inside the present limits, coordinates as weighed.

    formulas : by pour, as weighed, g/g. left_out : pours that cannot be expressed in the present factors, and why.
    places : by such pour the table and the name of the row (a pour or a melt) where that would be mended.
    """

    made: pd.DataFrame
    formulas: pd.DataFrame
    left_out: Mapping[str, str]
    places: Mapping[str, tuple[str, str]]


def weighed_pours(tables: Mapping[str, pd.DataFrame], recipe: Recipe, region: Region, batch: Batch) -> Weighed:
    """The pours of the tables plan, melts and pours, in the order of their names, so that no answer hangs on that of
    the rows of a file; within a step of the balance a formula still keeps a limit."""
    pours, melts = standing_pours(tables["pours"]), standing_melts(tables["melts"])
    pours = pours.sort_values("pour", key=lambda names: names.map(in_turn), kind="stable").set_index("pour", drop=False)
    rows, pots = pours.to_dict("records"), weighed_pots(melts, recipe)
    grams = [weighed_masses(row, pots, recipe) for row in rows]
    masses = np.reshape(grams, (len(pours), len(recipe.ingredients)))
    unsaid = _unsaid(tables["plan"], rows, melts, recipe, batch)
    left_out = {
        row["pour"]: why
        for row, weights in zip(rows, masses, strict=True)
        if (why := _hindrance(recipe, row, weights, unsaid.get(row["pour"], ("",))[0]))
    }
    places = {name: unsaid[name][1:] if why == unsaid.get(name, ("",))[0] else ("pours", name)
              for name, why in left_out.items()}
    kept = np.array([name not in left_out for name in pours.index], dtype=bool)
    pours, masses = pours.loc[kept], masses[kept]
    fractions = masses / masses.sum(axis=1, keepdims=True)
    formulas = pd.DataFrame(fractions, columns=list(recipe.ingredients), index=pours.index).rename_axis("pour")
    points = _points(recipe, pours, formulas)
    step = batch.balance_step_g / batch.pour_g
    rows = _bookkeeping(tables["plan"], pours).assign(inside=are_inside(region, points, step))
    return Weighed(made=_typed(pd.concat([rows, points], axis=1)), formulas=formulas,
                   left_out=fixed(left_out), places=fixed(places))


def round_labels(pours: pd.DataFrame) -> np.ndarray:
    """A number by pour (n,) that the pours of a round share; an unplanned melt is a round of its own, below 0."""
    melts = pd.factorize(pours["melt"].astype(str))[0]
    return np.where(pours["round"] > 0, pours["round"].to_numpy(dtype=float), -1.0 - melts)


def _unsaid(plan: pd.DataFrame, pours: list[dict], melts: pd.DataFrame, recipe: Recipe, batch: Batch
            ) -> dict[str, tuple[str, ...]]:
    """By pour: the weight that was planned, of the pour itself or of its melt, and is left empty; its table and row."""
    by_pour, by_melt = (planned_grams(plan, recipe, batch, by=kind) for kind in ("pour", "melt"))
    pot, found = [grams_column(i) for i in recipe.pot], {}
    of_melt = {row["melt"]: unwritten(row, by_melt.get(row["melt"], {}), pot) for row in melts.to_dict("records")}
    for pour in pours:
        name, melt = pour["pour"], pour["melt"]
        planned = by_pour.get(name, {})
        if empty := unwritten(pour, planned, own_columns(pour, recipe)):
            found[name] = unwritten_words(f"{empty[0]} of pour {name}", planned[empty[0]]), "pours", name
        elif not is_blank(pour[BASE]) and (empty := [c for c in of_melt[melt] if is_blank(pour[c])]):
            what = f"{empty[0]} of melt {melt}, from which pour {name} was drawn,"
            found[name] = unwritten_words(what, by_melt[melt][empty[0]]), "melts", melt
    return found


def _hindrance(recipe: Recipe, pour: Mapping, grams: np.ndarray, unsaid: str) -> str:
    """Why a pour cannot be expressed in the present factors and settings, or nothing."""
    name = pour["pour"]
    if not grams.sum() > 0:
        return f"pour {name} was not weighed. Its outcome is {pour['outcome']}."
    if unsaid:
        return unsaid
    for s in recipe.statements:
        if not grams @ s.within_row > 0:
            whole = recipe.shelf.words(s.within)
            return f"pour {name} holds nothing of {whole}, so {s.column} has no value. It stays out of the fit."
    for setting in recipe.settings:
        if is_blank(pour[setting]):
            return f"pour {name} has no {setting}. Write what was read at the bench."
    return ""


def _points(recipe: Recipe, pours: pd.DataFrame, formulas: pd.DataFrame) -> pd.DataFrame:
    """Factors read off the masses, and settings as recorded."""
    points = recipe.factors_of(formulas) if len(formulas) else pd.DataFrame(columns=list(recipe.factors))
    return pd.concat([points, pours[list(recipe.settings)].astype(float)], axis=1)


def _bookkeeping(plan: pd.DataFrame, pours: pd.DataFrame) -> pd.DataFrame:
    rounds = plan.set_index("pour")["round"]
    rows = pd.DataFrame({"round": rounds.reindex(pours.index).fillna(0)}, index=pours.index)
    rows["melt"] = [melt or f"pot of {name}" for name, melt in pours["melt"].items()]
    return rows.assign(ok=pours["outcome"] == "ok", outcome=pours["outcome"])


def are_inside(region: Region, points: pd.DataFrame, tolerance: float) -> np.ndarray:
    """Whether points keep the limits, and within a step the ranges of settings; tolerance : a balance step as a part of
    the pour."""
    recipe = region.recipe
    beyond = recipe.beyond_ranges(points)[:, len(recipe.factors):]
    kept = region.keeps(points, tolerance=tolerance)
    return kept & (beyond <= recipe.steps[len(recipe.factors):]).all(axis=1)


def _typed(rows: pd.DataFrame) -> pd.DataFrame:
    types = {"round": int, "ok": bool, "inside": bool}
    numbers = {c: float for c in rows.columns[5:]}
    return rows.astype(types | numbers).rename_axis("pour")

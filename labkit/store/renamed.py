"""What trial.toml no longer names and the tables still hold: told by file, column and count, and how to go on.

Asked only where a trial cannot be read: nothing recorded is given up, relabelled or passed over without a word.
"""

import contextlib
from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.checks import meant, near_to, parse_number, rounded_to
from labkit.equations import Statement
from labkit.errors import LabkitError, PlanError, PourError, ScoreError
from labkit.pours import BASE
from labkit.rounds import PLAN_IDS, grams_column
from labkit.scores import REALLY_CLOSE
from labkit.statements import Shelf
from labkit.trial import Trial
from labkit.wording import plural, words_joined

CLOSE = 0.75            # of 1: a name that may be the same thing's
ERRORS = {"plan": PlanError, "melts": PourError, "pours": PourError, "readings": PourError}
Frames = Mapping[str, pd.DataFrame]     # text cells by table, as they lie on disk


def told_by_names(blank: Trial, frames: Frames, problem: LabkitError) -> LabkitError:
    """The problem, or what lies behind it where trial.toml has other names than the tables; `blank` has no rows yet."""
    for look in (_ingredient, _setting, _attribute, _column, _redefined):
        if found := look(blank, frames):
            return found
    return problem


def _ingredient(blank: Trial, frames: Frames) -> LabkitError | None:
    recipe, there = blank.recipe, {c for frame in frames.values() for c in frame}
    fresh = [name for name in recipe.ingredients if grams_column(name) not in there]
    for table in ("plan", "melts", "pours"):
        for column in [c for c in _strange(blank, frames, table) if c.endswith(" [g]") and c != BASE]:
            name, fact = column.removesuffix(" [g]"), _has(frames, table, column)
            if table == "melts" and "pour" in frames[table]:
                break                                   # the plan or the pours were saved in its place
            if table == "melts" and name in recipe.ingredients:
                return _not_in_the_pot(blank, frames, name, fact)
            if other := _called_otherwise(blank, frames, table, name):
                return ERRORS[table](
                    f"{fact}, and none named {grams_column(other)!r}. If it is the same, give it that name; only where "
                    f"it is another ingredient, name {name!r} in [formula].")
            return ERRORS[table](
                f"{fact}, but {name!r} is not in [formula]. {_meant(name, fresh)}Name it there as it is recorded, with "
                "0 percent if it is no longer used: what is recorded stays.")
    return None


def _called_otherwise(blank: Trial, frames: Frames, table: str, name: str) -> str:
    """The ingredient that the table has to name and does not, while another table does; the nearest of several.

    Two that some table names side by side are two. In pours.csv nothing of the pot need be named, but a blank column
    of it may be.
    """
    recipe, beside = blank.recipe, [set(frame) for other, frame in frames.items() if other != table]
    is_blank_there = not _filled(frames[table][grams_column(name)])
    of_table = {"plan": recipe.ingredients, "melts": recipe.pot,
                "pours": [i for i in recipe.ingredients if i not in recipe.pot or is_blank_there]}[table]
    lacking = [i for i in of_table if grams_column(i) not in frames[table]]
    others = [i for i in lacking if any(grams_column(i) in columns for columns in beside)
              and not any({grams_column(i), grams_column(name)} <= columns for columns in beside)]
    return near_to(name, others, cutoff=0)


def _not_in_the_pot(blank: Trial, frames: Frames, name: str, fact: str) -> LabkitError:
    if blank.recipe.pot:
        return PourError(f"{fact}, but [melt] pot does not name {name!r}. Put it back into the pot: the pours that "
                         "were drawn from it hold some.")
    pot = [c.removesuffix(" [g]") for c in frames["melts"] if c.endswith(" [g]")]
    return PourError(f"melts.csv has {plural(len(frames['melts']), 'melt')}, but trial.toml has no [melt]. Put [melt] "
                     f"back, with {words_joined(pot)} in its pot: the pours drawn from these melts are read off them.")


def _setting(blank: Trial, frames: Frames) -> LabkitError | None:
    plan, settings = frames.get("plan", pd.DataFrame()), blank.recipe.settings
    there = {c for frame in frames.values() for c in frame}
    fresh = [name for name in settings if name not in there]
    kept = {*PLAN_IDS, *blank.recipe.coordinates}
    if found := _renamed_in_one(blank, frames):
        return found
    for column in [c for c in _strange(blank, frames, "pours") if c not in kept and not c.endswith(" [g]")]:
        if column in plan or (not len(plan) and _are_numbers(frames["pours"][column])):
            return _lost_setting(column, fresh, _has(frames, "pours", column), PourError)
    lacking = [name for name in settings if len(plan) and name not in plan]
    if not lacking:
        return None
    beside = [c for c in plan if c not in blank.tables["plan"] and not c.endswith(" [g]")]
    if near := near_to(lacking[0], beside, cutoff=CLOSE):
        return _lost_setting(near, lacking, _has(frames, "plan", near), PlanError)
    name, rows = lacking[0], plural(len(plan), "row")
    return PlanError(f"plan.csv has {rows} and no column {name!r}, which trial.toml has under [settings]. Add the "
                     f"column to plan.csv and pours.csv with what was set, or take [settings.{name}] out again.")


def _renamed_in_one(blank: Trial, frames: Frames) -> LabkitError | None:
    """A setting that one table calls otherwise than trial.toml and the other table do."""
    for table, beside in (("pours", "plan"), ("plan", "pours")):
        if {table, beside} <= set(frames):
            lacking = [name for name in blank.recipe.settings if name not in frames[table] and name in frames[beside]]
            strange = [c for c in _strange(blank, frames, table)
                       if not c.endswith(" [g]") and c not in frames[beside] and _are_numbers(frames[table][c])]
            near = near_to(lacking[0], strange, cutoff=0) if lacking else ""
            if near:
                return ERRORS[table](
                    f"{_has(frames, table, near)}, and none named {lacking[0]!r}, as trial.toml and {beside}.csv "
                    "call it. Give it one name in all three.")
    return None


def _lost_setting(column: str, fresh: Iterable[str], fact: str, error: type[LabkitError]) -> LabkitError:
    return error(f"{fact}, which trial.toml does not name. {_meant(column, fresh)}Name it there as it is recorded, "
                 f"[settings.{column}], with low and high alike if it no longer varies: what is recorded stays.")


def _attribute(blank: Trial, frames: Frames) -> LabkitError | None:
    scores = frames.get("scores", pd.DataFrame())
    if not {"attribute", "score"} <= set(scores):
        return None
    scores = scores[scores["score"] != ""]
    said = list(dict.fromkeys(name for name in scores["attribute"] if name))
    for name in said:
        rows = scores.index[scores["attribute"] == name]
        fact = f"scores.csv has {plural(len(rows), 'score')} of {name!r}, the first in row {rows[0]}"
        if name not in blank.attributes:
            if _is_a_slip(name, [other for other in said if other in blank.attributes]):
                continue
            fresh = [other for other in blank.attributes if other not in said]
            return ScoreError(
                f"{fact}, which trial.toml does not name. {_meant(name, fresh, 'score')}Name it there as it is scored, "
                f"[attributes.{name}], without `wanted` if it no longer counts: the scores stay.")
        if blank.attributes[name].is_read:
            return ScoreError(
                f"{fact}, which trial.toml has read by {blank.attributes[name].reading!r}. Give what is read a name of "
                f"its own, and keep [attributes.{name}] for the scores, without `wanted` if they no longer count.")
        if off := _off_the_scale(scores.loc[rows, "score"], blank.attributes[name]):
            a = blank.attributes[name]
            return ScoreError(
                f"scores.csv has {len(off)} scores of {name!r} outside its scale from {a.low:g} to {a.high:g}, the "
                f"first in row {off[0]}. If trial.toml had another scale when they were given, put that one back, and "
                "score the new one under a name of its own; correct what is a slip.")
    return None


def _off_the_scale(cells: pd.Series, attribute: Attribute) -> list:
    """The rows that are outside a scale, where they are several: one may be a slip, and is told as one."""
    off = []
    for row, cell in cells.items():
        with contextlib.suppress(LabkitError):
            off += [row] * (not attribute.low <= parse_number(cell, where="") <= attribute.high)
    return off if len(off) > 1 else []


def _is_a_slip(name: str, known: Iterable[str]) -> bool:
    """Whether a row means an attribute that other rows score: a slip of a letter, and no name that was taken away."""
    known = {other.casefold(): other for other in known}
    return bool(near_to(name.casefold(), known, cutoff=REALLY_CLOSE))


def _column(blank: Trial, frames: Frames) -> LabkitError | None:
    """A column that is nearly one that the table lacks."""
    for table, frame in frames.items():
        for column in _strange(blank, frames, table) if table != "plan" else ():
            lacking = [c for c in blank.tables[table] if c not in frame]
            if near := near_to(column, lacking, cutoff=CLOSE):
                error = ERRORS.get(table, ScoreError)
                return error(f"{_has(frames, table, column)}, which is not known here. {meant(near)}")
    return None


def _redefined(blank: Trial, frames: Frames) -> LabkitError | None:
    """A factor whose stated values differ from those of the grams in most rows: not a slip, but another definition."""
    plan, recipe = frames.get("plan", pd.DataFrame()), blank.recipe
    stated = [s for s in recipe.statements if s.column in plan]
    try:
        typed = blank.with_tables({"plan": plan.drop(columns=[s.column for s in stated])}, files=True).plan
        said = {s.column: np.array([parse_number(cell, where="") for cell in plan[s.column]]) for s in stated}
    except LabkitError:
        return None
    grams = typed[[grams_column(i) for i in recipe.ingredients]].to_numpy(dtype=float)
    for s in stated:
        column, found = s.column, typed[s.column].to_numpy(dtype=float)
        room = np.array([rounded_to(cell) for cell in plan[column]])
        off = (np.abs(said[column] - found) - room) * (grams @ s.within_row) > blank.batch.balance_step_g / 2
        if off.sum() <= 1:
            continue
        row, least = int(np.argmax(off)), np.array([rounded_to(cell, least=1) for cell in plan[column]])
        if (np.abs(said[column] - found) <= least + 1e-9).all():
            return PlanError(f"plan.csv has {column} in few decimals, such as {plan[column].iloc[row]} where its grams "
                             f"say {found[row]:.4g} in row {plan.index[row]}. Take it back from a copy, or delete that "
                             "column: it is read off the grams.")
        if off.mean() > 0.5:
            blend = next((name for name, columns in recipe.blends.items() if column in columns), "")
            where = f"[blends.{blend}]" if blend else f"[factors.{column}]"
            return PlanError(
                f"plan.csv says otherwise of {column} than its grams in {off.sum()} of {plural(len(off), 'row')}, such "
                f"as {said[column][row]:.4g} where they say {found[row]:.4g} in row {plan.index[row]}. "
                f"{_made_anew(recipe.shelf, s)}If {where} was "
                "defined anew, give it a new name in trial.toml: what was planned stays, and is read off the grams.")
    return None


def _made_anew(shelf: Shelf, statement: Statement) -> str:
    """What to do where something on the shelf, on which a share depends, is made of other shares than it was."""
    pieces = statement.of if statement.within == shelf.batch else statement.of | statement.within
    made = [thing for thing in shelf.made_of if pieces & shelf.pieces_of_thing(thing)]
    return (f"If {words_joined(made, last='or')} is made otherwise now, keep the old one as it was, with 0 percent, "
            "and name the new one beside it in [formula] and [made_of]: what was weighed stays what it was. "
            ) * bool(made)


def _strange(blank: Trial, frames: Frames, table: str) -> list[str]:
    """Columns of a file that its table does not have in this trial."""
    return [c for c in frames[table] if c not in blank.tables[table]] if table in frames else []


def _has(frames: Frames, table: str, column: str) -> str:
    return f"{table}.csv has a column {column!r}, filled in {plural(_filled(frames[table][column]), 'row')}"


def _filled(cells: pd.Series) -> int:
    return int((cells != "").sum())


def _are_numbers(cells: pd.Series) -> bool:
    try:
        return bool([parse_number(cell, where="") for cell in cells if cell])
    except LabkitError:
        return False


def _meant(name: str, fresh: Iterable[str], what: str = "column") -> str:
    near = near_to(name, fresh, cutoff=CLOSE)
    return f"{meant(near, f', which has no {what} yet')} " if near else ""

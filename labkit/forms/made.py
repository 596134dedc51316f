"""The form for one evening at the bench: what was weighed into each melt and each pour."""

from functools import partial
from numbers import Integral

import pandas as pd

from labkit.cautions import AT_THE_BENCH, CAUTIONS
from labkit.checks import is_blank
from labkit.errors import LabkitError, PourError
from labkit.forms.grid import Column, Form, Grid, form_around, grid_of_boxes, nothing_done
from labkit.planning.given import planned_round
from labkit.pours import BASE, NONE_ADDED, standing_melts, standing_pours
from labkit.rounds import ALLOWANCE, Round, grams_column, planned_grams
from labkit.store import append_melts, append_pours, correct_melts, correct_pours, read_trial
from labkit.trial import Trial
from labkit.wording import number_text, plural, unit_text, words_joined

_HELP = ("Write what was added each time, as the bench sheet has it, and no running totals; with a comma or a point. "
         "Small print is what was meant. A row that is left empty was not made. "
         f"Write {NONE_ADDED} where something was meant and none was added. A pour that failed before it was weighed "
         "needs its outcome alone.")
_OUTCOME = "ok, or failed and why"
_NARROW = "100px"       # a round with two pastes and a setting stays within a notebook beside the list of files
_NOTE = Column(name="note", words=True, width="130px")


def pours_form(folder, *, number: int | None = None) -> Form:
    """A row a melt and a row a pour of a planned round (the newest by default); saved into melts.csv and pours.csv."""
    trial = read_trial(folder)
    round_ = _planned(trial, number)
    grids = {"pours": _pours_grid(trial, round_)}
    if trial.recipe.pot:
        grids = {"melts": _melts_grid(trial, round_)} | grids
    caution = " ".join(f"{name}: {CAUTIONS[name]}" for name in AT_THE_BENCH)
    return form_around(grids, title=f"{trial.name}: round {round_.number} at the bench", help_=_HELP, caution=caution,
                       with_date=True, save=lambda form: _save(form, folder, round_))


def _planned(trial: Trial, number: int | None) -> Round:
    if isinstance(number, bool) or not isinstance(number, Integral | None):
        raise PourError(f"number is {number!r}. Give that of a planned round as a whole number; without it the form is "
                        "for the newest round.")
    rounds = sorted(set(trial.plan["round"]))
    if not rounds or (number is not None and number not in rounds):
        have = f"has rounds {words_joined(rounds)}" if rounds else "is empty"
        raise PourError(f"round {number or 1} is not planned; plan.csv {have}. Plan a round and append it first.")
    return planned_round(trial, rounds[-1] if number is None else number)


def _melts_grid(trial: Trial, round_: Round):
    sheet = round_.melt_sheet(ALLOWANCE).set_index("melt")
    weighed = [grams_column(i) for i in trial.recipe.pot]
    known = standing_melts(trial.melts).set_index("melt")
    columns = [_weight(c) for c in weighed] + [_NOTE]
    texts = _texts(known, sheet.index, columns, planned_grams(trial.plan, trial.recipe, trial.batch, by="melt"))
    meant = {(melt, c): f"meant {round_.batch.told(sheet.at[melt, c])}" for melt in sheet.index for c in weighed}
    served = {melt: f"for {plural(int(sheet.at[melt, 'pours']), 'pour')}" for melt in sheet.index}
    return grid_of_boxes(served, columns, meant=meant, texts=texts, name="melt")


def _pours_grid(trial: Trial, round_: Round):
    sheet = round_.pour_sheet().set_index("pour")
    weighed = [c for c in sheet if c.endswith(" [g]")]
    units = {setting.name: unit_text(setting.unit) for setting in trial.recipe.setting_list}
    columns = [_weight(c) for c in weighed]
    columns += [Column(name=name, under=unit, width=_NARROW) for name, unit in units.items()]
    columns += [Column(name="outcome", under=_OUTCOME, words=True, width="140px"),
                Column(name="defects", words=True, width="110px"), _NOTE]
    meant = {(pour, c): f"meant {number_text(sheet.at[pour, c], round_.digits[c])}"
             for pour in sheet.index for c in [*weighed, *units]}
    known = standing_pours(trial.pours).set_index("pour")
    melts = sheet["melt"].to_dict() | {pour: melt for pour, melt in known["melt"].items() if melt}
    rows = {pour: f"melt {melts[pour]}" if trial.recipe.pot else "" for pour in sheet.index}
    texts = _texts(known, sheet.index, columns, planned_grams(trial.plan, trial.recipe, trial.batch, by="pour"))
    return grid_of_boxes(rows, columns, meant=meant, texts=texts, name="pour")


def _weight(column: str) -> Column:
    return Column(name=column, low=0.0, may_be_none=True, width=_NARROW)


def _texts(known: pd.DataFrame, rows, columns: list[Column], planned: dict) -> dict:
    """What is on disk, as it would be typed; a weight left blank there was none where none was planned.

    No base is none where all was weighed into the pour itself, and blank where nothing was.
    """
    found, weights = {}, [c for c in known if c.endswith(" [g]")]
    for row in [row for row in rows if row in known.index]:
        held = (known.loc[row, weights].astype(float) > 0).any()
        for column in columns:
            value = known.at[row, column.name]
            meant = not held if column.name == BASE else planned.get(row, {}).get(column.name, 0.0) > 0
            blank = NONE_ADDED if column.may_be_none and not meant else ""
            found[row, column.name] = blank if is_blank(value) else value if column.words else _typed(value, column)
    return found


def _save(form: Form, folder, round_: Round) -> str:
    """Melts first, since pours are drawn from them; every box is read before anything is written."""
    trial = read_trial(folder)
    for name, grid in form.grids.items():
        grid.follow(_on_disk(name, grid, trial))
    found = {name: grid.entries() for name, grid in form.grids.items()}
    if any(entries is None for entries in found.values()):
        raise LabkitError("Mend the boxes that have a message.")
    news = {name: _news(form, name, found[name], trial) for name in form.grids}
    complete = [_is_complete(form, name, new + changed, found[name], trial) for name, (new, changed) in news.items()]
    if not all(complete):
        raise LabkitError("Mend the boxes that have a message.")
    return _write(form, folder, round_, found, news)


def _write(form: Form, folder, round_: Round, found: dict, news: dict) -> str:
    """Tried in memory first, so that a pour which is refused leaves its melt unwritten too."""
    date, said = form.date.value.strip(), []
    frames = {name: _frame(name.removesuffix("s"), news[name][0], form, found[name], round_, date)
              for name in ("melts", "pours") if name in news and news[name][0]}
    trial, steps = read_trial(folder), []
    trial.with_tables(frames)
    for kind, correct in (("melts", correct_melts), ("pours", correct_pours)):
        if kind in news and (changed := news[kind][1]):
            day = None if frames else date or None          # beside new rows it is the day of these
            corrected = _frame(kind.removesuffix("s"), changed, form, found[kind], round_, day)
            if "melt" in corrected and kind == "pours":
                corrected["melt"] = _melts_of(corrected, trial)
            steps.append((partial(correct, reason=form.reason.value.strip()), corrected, "corrected", kind))
    steps += [(append, frames[kind], "saved", kind) for kind, append in
              (("melts", append_melts), ("pours", append_pours)) if kind in frames]
    for write, frame, done, kind in steps:
        try:
            write(folder, frame)
        except LabkitError as problem:
            if not said:
                raise
            return f"{_sentence(said)} The rest was not saved. {problem}"
        said.append(f"{done} {plural(len(frame), kind.removesuffix('s'))}")
    form.reason.value = ""
    for grid in form.grids.values():
        grid.settle()
    return _sentence(said) if said else nothing_done(*found.values())


def _sentence(said: list[str]) -> str:
    text = words_joined(said)
    return f"{text[0].upper()}{text[1:]}."


def _on_disk(name: str, grid: Grid, trial: Trial) -> dict:
    """By (row, column) of a grid: what is on disk, as it would be typed."""
    kind = name.removesuffix("s")
    known = (standing_melts(trial.melts) if name == "melts" else standing_pours(trial.pours)).set_index(kind)
    rows = list(dict.fromkeys(row for row, _ in grid.boxes))
    planned = planned_grams(trial.plan, trial.recipe, trial.batch, by=kind)
    return _texts(known, rows, list(grid.columns.values()), planned)


def _news(form: Form, name: str, entries: dict, trial: Trial) -> tuple[list[str], list[str]]:
    """Rows that are new, and rows that differ from what is on disk, for which a reason must be given."""
    grid, kind = form.grids[name], name.removesuffix("s")
    known, saved = set(trial.tables[name][kind]), _on_disk(name, grid, trial)
    rows = list(dict.fromkeys(row for row, _ in grid.boxes))
    new = [row for row in rows if row not in known and any(r == row for r, _ in entries)]
    changed = [row for row in rows if row in known and any(
        _typed(entries.get((row, c)), column) != saved[row, c] for c, column in grid.columns.items())]
    if changed and not form.reason.value.strip():
        raise LabkitError(f"{words_joined(changed)} is saved with other values. To change it, give a reason; "
                          "otherwise put the boxes back.")
    return new, changed


def _typed(entry, column: Column) -> str:
    """An entry as it would be typed; 0 g is none."""
    if entry is None or isinstance(entry, str):
        return entry or ""
    return NONE_ADDED if column.may_be_none and entry == 0 else f"{entry:.10g}"


def _is_complete(form: Form, name: str, rows: list[str], entries: dict, trial: Trial) -> bool:
    """A row that was made has every weight that was meant and an outcome; a pour that failed may lack weights."""
    grid, complete = form.grids[name], True
    meant = planned_grams(trial.plan, trial.recipe, trial.batch, by=name.removesuffix("s"))
    for row in rows:
        outcome = str(entries.get((row, "outcome"), "ok" if name == "melts" else ""))
        for column in grid.columns.values():
            blank = (row, column.name) not in entries and meant.get(row, {}).get(column.name) != 0
            if blank and (column.name == "outcome" or (not column.words and not outcome.startswith("failed"))):
                grid.mark((row, column.name), _what_is_missing(row, column))
                complete = False
    return complete


def _what_is_missing(row: str, column: Column) -> str:
    if column.name == "outcome":
        return f"{row}: outcome is empty. Write {_OUTCOME}."
    none = f", or {NONE_ADDED}" if column.may_be_none and column.name != BASE else ""
    return f"{row}: {column.name} is empty. Write what it was{none}."


def _melts_of(corrected: pd.DataFrame, trial: Trial) -> list[str]:
    """The melt that each pour is recorded with, as no box asks for it; where it has none, the planned one of a base."""
    standing = standing_pours(trial.pours).set_index("pour")["melt"]
    return [standing[row["pour"]] or (row["melt"] if row[BASE] != "" else "") for row in corrected.to_dict("records")]


def _frame(kind: str, rows: list[str], form: Form, entries: dict, round_: Round, date: str | None) -> pd.DataFrame:
    """Rows for the table on disk, where no base is an empty cell; a date that is None keeps the one that stands."""
    grid = form.grids[f"{kind}s"]
    table = pd.DataFrame([{c: entries.get((row, c), "") for c in grid.columns} for row in rows], index=rows,
                         dtype=object)
    if BASE in table:
        table[BASE] = table[BASE].replace({NONE_ADDED: ""})
    table.insert(0, kind, rows)
    table.insert(1, "date", date)
    if kind == "pour" and round_.recipe.pot:
        table.insert(1, "melt", round_.frame.set_index("pour").loc[rows, "melt"].to_list())
    return table

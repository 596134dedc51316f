"""What is new in the boxes of a form is appended, and what was changed there is corrected for a reason."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import pandas as pd

from labkit.errors import LabkitError
from labkit.forms.grid import Cell, Form, as_typed, nothing_done
from labkit.wording import plural, words_joined


@dataclass(frozen=True, kw_only=True)
class Writing:
    """How cells of a grid are saved: as `rows` of a table, each of them one `thing` ("score").

    rows : cells and entries -> rows. check : refuses in memory what may not be appended. append(rows) and
    correct(rows, reason=) write.
    """

    thing: str
    rows: Callable[[list[Cell], Mapping[Cell, float]], pd.DataFrame]
    check: Callable
    append: Callable
    correct: Callable


def texts_of(known: Mapping[Cell, float | None]) -> dict[Cell, str]:
    """What is saved, as it would be typed."""
    return {cell: as_typed(value) for cell, value in known.items() if value is not None}


def save_changes(form: Form, name: str, known: Mapping[Cell, float | None], writing: Writing) -> str:
    """Append what is new and correct what was changed for a reason; all boxes are read first.

    name : of the grid. known : by cell what stands, None where it was taken back. What has no box in the form, as of an
    attribute that trial.toml has had for a shorter time, is left alone.
    """
    grid, reason = form.grids[name], form.reason.value.strip()
    grid.follow(texts_of(known))
    entries = grid.entries()
    if entries is None:
        raise LabkitError("Mend the boxes that have a message.")
    changed = [cell for cell in known if cell in grid.boxes and entries.get(cell) != known[cell]]
    new = [cell for cell in entries if cell not in known]
    if changed and not reason:
        for cell in changed:
            grid.mark(cell, f"{_saved(cell, known[cell])} To change it, give a reason below.")
        raise LabkitError("Give a reason for what differs from what is saved, or put it back.")
    if new:
        writing.check(writing.rows(new, entries))           # what is refused leaves corrections unwritten too
    if changed:
        writing.correct(writing.rows(changed, entries), reason=reason)
    if new:
        try:
            writing.append(writing.rows(new, entries))
        except LabkitError as problem:
            if not changed:
                raise
            return f"{_done(writing.thing, 0, len(changed))} The rest was not saved. {problem}"
    form.reason.value = ""
    grid.settle()
    return _done(writing.thing, len(new), len(changed)) if new or changed else nothing_done(entries)


def _saved(cell: Cell, value: float | None) -> str:
    return f"{cell[0]}: {cell[1]} " + ("was taken back." if value is None else f"is saved as {value:g}.")


def _done(thing: str, new: int, changed: int) -> str:
    said = words_joined([f"saved {plural(new, thing)}"] * bool(new)
                        + [f"corrected {plural(changed, thing)}"] * bool(changed))
    return f"{said[0].upper()}{said[1:]}."

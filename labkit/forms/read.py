"""The form for what instruments read of the pours of a round."""

from collections.abc import Iterable
from functools import partial

import pandas as pd

from labkit.attributes import Attribute
from labkit.checks import is_blank
from labkit.errors import PourError
from labkit.forms.changes import Writing, save_changes, texts_of
from labkit.forms.grid import Column, Form, form_around, grid_of_boxes
from labkit.forms.said import pours_asked
from labkit.readings import READING_KEY
from labkit.sheets import PLACES
from labkit.store import append_readings, correct_readings, read_trial
from labkit.trial import Trial
from labkit.wording import unit_text

_HELP = ("As on the bench sheet: the first reading of a pour under 1, a second under 2. A comma or a point, as you "
         "like. An empty box was not read. To take back what is saved, empty its box and give a reason.")
_CAUTION = ("Read all pours equally long after they were poured, at one temperature: most readings of wax and fat "
            "change with both (common practice).")
_OFF = "Read again, or widen the scale in trial.toml if the value is true."
_NARROW = "110px"


def readings_form(folder, *, pours: list[str] | None = None) -> Form:
    """A row a pour, a box for each reading of what an instrument reads; saved into readings.csv.

    Without `pours`: those of the newest round that did not fail.
    """
    trial = read_trial(folder)
    if not trial.read_attributes:
        raise PourError("no instrument reads anything in this trial, so a form would be empty. Name a `reading` under "
                        "an attribute in trial.toml, or use scores_form.")
    names = pours_asked(trial, pours, verb="read", error=PourError)
    known = _known(trial, names)
    columns = [column for a in trial.read_attributes.values() for column in _columns(a, known)]
    grid = grid_of_boxes(dict.fromkeys(names, ""), columns, meant={}, texts=texts_of(_numbers(known)), name="reading")
    return form_around({"readings": grid}, title=f"{trial.name}: readings", help_=_HELP, caution=_CAUTION,
                       with_date=False, save=lambda form: _save(form, folder, names))


def _columns(attribute: Attribute, known: dict) -> list[Column]:
    """A column a place: three, or as many as a pour was read; what is read, and its scale, under the first."""
    places = max([PLACES, *(row["place"] for row in known.values() if row["attribute"] == attribute.name)])
    under = f"{attribute.reading}, {attribute.low:g} … {attribute.high:g} {unit_text(attribute.unit)}"
    return [Column(name=f"{attribute.name} {k}", under=under if k == 1 else "", low=attribute.low, high=attribute.high,
                   width="130px" if k == 1 else _NARROW, off=_OFF) for k in range(1, places + 1)]


def _known(trial: Trial, pours: Iterable[str]) -> dict[tuple[str, str], dict]:
    """By (pour, column): attribute, place, repeat and value of each reading as it stands; None where it was taken back.

    A number in `repeat` is its place, where that is free; anything else takes the next free one.
    """
    names = {a.reading: a.name for a in trial.read_attributes.values()}
    rows = trial.readings[trial.readings["method"].isin(list(names)) & trial.readings["pour"].isin(list(pours))]
    last = rows.drop_duplicates(list(READING_KEY), keep="last").set_index(list(READING_KEY))["value"]
    found, places = {}, {}
    for pour, method, repeat in rows[list(READING_KEY)].drop_duplicates().itertuples(index=False):
        taken = places.setdefault((pour, method), set())
        place = int(repeat) if repeat.isdecimal() and 0 < int(repeat) <= 9 and int(repeat) not in taken else next(
            k for k in range(1, len(taken) + 2) if k not in taken)
        taken.add(place)
        value = last[pour, method, repeat]
        found[pour, f"{names[method]} {place}"] = {"attribute": names[method], "place": place, "repeat": repeat,
                                                   "value": None if is_blank(value) else value}
    return found


def _numbers(known: dict) -> dict[tuple[str, str], float | None]:
    return {cell: row["value"] for cell, row in known.items()}


def _save(form: Form, folder, pours: list[str]) -> str:
    trial = read_trial(folder)
    known = _known(trial, pours)
    writing = Writing(thing="reading", rows=partial(_rows, known=known, trial=trial), check=trial.with_readings,
                      append=partial(append_readings, folder), correct=partial(correct_readings, folder))
    return save_changes(form, "readings", _numbers(known), writing)


def _rows(cells: list, entries: dict, known: dict, trial: Trial) -> pd.DataFrame:
    """Rows for readings.csv; the number of a new one is its place."""
    rows = []
    for pour, column in cells:
        name, place = column.rsplit(" ", 1)
        if name not in trial.read_attributes:
            raise PourError(f"no instrument reads {name} in trial.toml any more. Run the cell again for a form of what "
                            "is read now.")
        attribute = trial.read_attributes[name]
        repeat = known[pour, column]["repeat"] if (pour, column) in known else place
        rows.append({"pour": pour, "method": attribute.reading, "direction": "up", "unit": attribute.unit,
                     "value": entries.get((pour, column)), "repeat": repeat})
    return pd.DataFrame(rows)

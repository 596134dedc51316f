"""Scores as people have them: any table, read into rows for scores.csv, and a list of what was not understood.

Nothing is written here, and nothing is repaired without being told: a cell is understood as it stands, by a stated
mapping or conversion, or it is listed with its row, its column and the reason.
"""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

from labkit.checks import check_type
from labkit.errors import ScoreError
from labkit.handing import fixed, hands_out_copies
from labkit.scores import SCORE_KEY
from labkit.store.columns import Words, check_words, said_in
from labkit.store.entries import Reader, notes_on
from labkit.store.people import People
from labkit.store.scales import ScaleEnds
from labkit.store.tables import read_table
from labkit.store.workbook import WORKBOOKS, read_workbook
from labkit.trial import Trial, check_trial
from labkit.wording import Report, grid_of, heading, line, plural, report, words_joined

LEFT_COLUMNS = ("row", "column", "cell", "why")


@hands_out_copies
@dataclass(frozen=True, kw_only=True, eq=False)
class ScoreImport:
    """What was understood (`scores`) and what was not (`left`: row, column, cell, why) in a file of scores.

    Where anything is left, `append_scores` and `with_scores` refuse the import as a whole.
    """

    file: str
    scores: pd.DataFrame
    left: pd.DataFrame
    testers: Mapping[str, str] = field(default_factory=dict, repr=False)      # name -> id, where names were replaced
    notes: tuple[str, ...] = ()

    def __post_init__(self):
        object.__setattr__(self, "testers", fixed(self.testers))

    @property
    def ready(self) -> pd.DataFrame:
        """The scores, when everything in the file was understood."""
        if len(self.left):
            first = self.left.iloc[0]
            raise ScoreError(f"{self.file}: {plural(len(self.left), 'cell')} not understood, the first in row "
                             f"{first['row']}, column {first['column']!r}. Nothing is imported; look at `left`, then "
                             "mend the file or say more in read_scores.")
        return self.to_frame()

    def to_frame(self) -> pd.DataFrame:
        """What was understood: pour, tester, session, position, attribute, score."""
        return self.scores

    def _report(self) -> Report:
        start = f"{plural(len(self.scores), 'score')} understood, {plural(len(self.left), 'cell')} not."
        table = [grid_of(self.left, title="Not understood")] if len(self.left) else []
        return report(heading(f"Scores in {self.file}"), line(start), *table, *(line(note) for note in self.notes))

    def __str__(self) -> str:
        return self._report().as_text()

    def __repr__(self) -> str:
        return f"<ScoreImport {self.file}: {plural(len(self.scores), 'score')}, {len(self.left)} not understood>"

    def _repr_html_(self) -> str:
        return self._report().as_html()


def read_scores(
    path: str | os.PathLike,
    trial: Trial,
    *,
    columns: Mapping[str, object] | None = None,
    constant: Mapping[str, str] | None = None,
    drop: Sequence[str] = (),
    scale: tuple[float, float] | Mapping[str, tuple[float, float]] | None = None,
    testers: Mapping[str, str] | str | None = None,
    sheet: str = "",
) -> ScoreImport:
    """The scores in a file, long or wide, for `append_scores`; nothing is written.

    Layouts, told by the column names: a row a score (tester, pour or code, attribute, score); a row a sample (tester,
    pour or code, a column an attribute); a row a tester (columns such as `417 payoff` or `payoff P03`; `417` or `P03`
    alone where `constant` names the attribute); a row a pour and attribute (a column a tester). Codes, and missing
    sessions, positions and testers, are looked up in the servings. A blank cell was not judged.

    Parameters: `columns`: what the file calls otherwise, {"Deckkraft": "payoff", "Q3": ("417", "payoff")}, also for the
    cells of a column of attributes. `constant`: what no column says, {"session": "3"}. `drop`: columns to pass over.
    `scale`: the ends of the file's scale in the order of the trial's, for all attributes or by attribute; scores are
    converted in a straight line. `testers`: ids for names, {"Ana": "T01"}, or "ids" to have them given; the
    pairs are in `.testers`. `sheet`: of an .xlsx file.
    """
    _check_asked(path, trial, columns=columns, constant=constant, drop=drop)
    file = os.path.basename(path)
    is_book = os.fspath(path).lower().endswith(WORKBOOKS)
    drop = (drop,) if isinstance(drop, str) else tuple(drop)
    frame, title, others = read_workbook(path, sheet=sheet, drop=drop) if is_book else (read_table(path), "", [])
    constant = {key: str(value) for key, value in (constant or {}).items()}
    where = f"{file}, sheet {title!r}," if others else file
    words = Words(trial=trial, file=where, columns=dict(columns or {}), drop=drop, constant=constant)
    check_words(words, frame)
    said, left = said_in(frame, words)
    people, scales = People.stated(testers, trial), ScaleEnds.stated(scale, trial.attributes, file=file)
    reader = Reader(trial=trial, words=words, people=people, scales=scales)
    rows, more = reader.read(said)
    scales.check_likely(rows)
    scores = pd.DataFrame(rows, columns=[*SCORE_KEY, "score"])
    left += sorted(dict.fromkeys(more), key=lambda x: x.row)
    found = pd.DataFrame([vars(x) for x in left], columns=list(LEFT_COLUMNS))
    notes = [f"Sheet {title!r} was read, and not {words_joined(map(repr, others), last='or')}."] * bool(others)
    notes += [*reader.notes, *scales.notes_on(set(scores["attribute"])), *notes_on(scores, trial)]
    return ScoreImport(file=file, scores=scores.astype({"score": float}), left=found, testers=reader.people.given,
                       notes=tuple(notes))


def _check_asked(path: object, trial: object, *, columns: object, constant: object, drop: object) -> None:
    """What was given is of the kind that is asked for."""
    check_type(path, str | os.PathLike, name="the file of scores", error=ScoreError,
               advice="Give its path, such as 'tasting.csv'.")
    check_trial(trial, error=ScoreError)
    if columns is not None and not isinstance(columns, Mapping):
        raise ScoreError(f"columns is {columns!r}. Give what it is by what the file calls it, such as "
                         "{'Deckkraft': 'payoff'}.")
    if constant is not None and not isinstance(constant, Mapping):
        raise ScoreError(f"constant is {constant!r}. Give by its name what no column says, such as {{'session': '3'}}.")
    if not isinstance(drop, str | list | tuple | set | pd.Index):
        raise ScoreError(f"drop is {drop!r}. Give the names of the columns to pass over, such as ['remarks'].")

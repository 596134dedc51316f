"""The form for one tester's scores in one sitting."""

from collections.abc import Iterable
from functools import partial

import numpy as np
import pandas as pd

from labkit.cautions import CAUTIONS
from labkit.checks import is_blank, parse_id
from labkit.errors import LabkitError, ScoreError
from labkit.forms.changes import Writing, save_changes, texts_of
from labkit.forms.grid import Column, Form, form_around, grid_of_boxes
from labkit.pours.rows import meant_name
from labkit.scores import SCORE_KEY, check_spelling, known_ids, latest, nothing_scored
from labkit.store import append_scores, correct_scores, read_trial
from labkit.trial import Trial
from labkit.wording import as_counted, words_joined

_HELP = "A comma or a point, as you like. An empty box was not judged."


def scores_form(folder, *, tester: str, session: str, pours: list[str] | None = None) -> Form:
    """A row a pour (under its code, where it was served under one), a box an attribute; saved into scores.csv.

    Without `pours`: what servings.csv has for this tester and session, or else the newest round.
    """
    for name, value in {"tester": tester, "session": session}.items():
        if not isinstance(value, str | int | float | np.number) or not parse_id(value):
            raise ScoreError(f"{name} is {value!r}. Say whose scores these are, and of which sitting, such as "
                             "tester='T01', session='1'.")
    trial = read_trial(folder)
    if not trial.scored_attributes:
        raise ScoreError(nothing_scored(trial.attributes, "a form"))
    who = {"tester": parse_id(tester), "session": parse_id(session)}
    check_spelling(who, known_ids(trial.servings, trial.scores), "scores_form")
    served = _served(trial, **who, pours=pours)
    columns = [Column(name=a.name, low=a.low, high=a.high, under=_ends(a)) for a in trial.scored_attributes.values()]
    grid = grid_of_boxes({label: "" for label in served.index}, columns, meant={}, name="score",
                         texts=texts_of(_known(trial, served)))
    title, caution = f"{trial.name}: tester {tester}, session {session}", f"Testers: {CAUTIONS['Testers']}"
    help_ = _HELP + _not_served(trial, served, **who)
    return form_around({"scores": grid}, title=title, help_=help_, caution=caution, with_date=False,
                       save=lambda form: _save(form, folder, served))


def _not_served(trial: Trial, served: pd.DataFrame, *, tester: str, session: str) -> str:
    """A warning about pours that servings.csv has no serving of for this tester and session, where it has any."""
    rows = trial.servings
    there = set(rows.loc[(rows["tester"] == tester) & (rows["session"] == session), "pour"])
    strange = [pour for pour in served["pour"] if pour not in there]
    if not strange or not len(rows):
        return ""
    return (f" servings.csv does not serve {words_joined(strange)} to tester {tester} in session {session}. Check both "
            "before you save.")


def _ends(attribute) -> str:
    low, high = (f" {end}" if end else "" for end in attribute.ends)
    return f"{attribute.low:g}{low} … {attribute.high:g}{high}"


def _served(trial: Trial, *, tester: str, session: str, pours: list[str] | None) -> pd.DataFrame:
    """Key columns by label (the code, or the pour), in the order of tasting.

    A code that was served in two positions of the sitting has its position beside it.
    """
    rows = trial.servings
    rows = rows[(rows["tester"] == tester) & (rows["session"] == session)]
    if pours is None and len(rows):
        rows = rows.drop_duplicates(["code", "position"])
        labels = [f"{code}, position {position or '?'}" if twice else code
                  for code, position, twice in zip(rows["code"], rows["position"], rows["code"].duplicated(keep=False))]
        found = rows[["pour", "tester", "session", "position"]].set_axis(labels)
        return found.iloc[found["position"].map(lambda p: (len(p), p)).argsort(kind="stable")]
    names = pours_asked(trial, pours, verb="score", error=ScoreError)
    return pd.DataFrame({"pour": names, "tester": tester, "session": session, "position": ""}, index=names)


def pours_asked(trial: Trial, pours: Iterable[str] | None, *, verb: str, error: type[LabkitError]) -> list[str]:
    """The pours that a form is for: those named, or else those of the newest round that did not fail."""
    if isinstance(pours, str) or not isinstance(pours, Iterable | None):
        raise error(f"pours is {pours!r}. Give a list of names, such as ['P01', 'P02'].")
    names = _poured(trial) if pours is None else [str(pour) for pour in pours]
    strange = [name for name in names if name not in set(trial.pours["pour"])]
    if not names:
        raise error(f"there is no pour to {verb}. Record what was poured first, or name pours.")
    if strange:
        done = "scored" if verb == "score" else "read"
        near = meant_name(strange[0], as_counted(trial.pours["pour"])).rstrip()
        raise error(f"{words_joined(strange)} cannot be {done}: not in pours.csv. "
                    + (near or "Record what was poured first, or name other pours."))
    return list(dict.fromkeys(names))


def _poured(trial: Trial) -> list[str]:
    """The pours of the newest round that were poured and did not fail, in pour order."""
    plan = trial.plan.sort_values(["round", "order"])
    fit = set(trial.pours["pour"]) - set(trial.failed)
    found = plan[plan["pour"].isin(fit)]
    return list(found.loc[found["round"] == found["round"].max(), "pour"])


def _known(trial: Trial, served: pd.DataFrame) -> dict:
    """The last recorded score by (label, attribute); None where it was taken back."""
    scores = trial.scores
    said = set(scores.dropna(subset="score")[list(SCORE_KEY)].itertuples(index=False, name=None))
    last = latest(scores).set_index(list(SCORE_KEY))["score"]
    keys = {(label, name): (*row, name) for label, *row in served.itertuples() for name in trial.scored_attributes}
    return {cell: None if is_blank(last[key]) else last[key] for cell, key in keys.items() if key in said}


def _save(form: Form, folder, served: pd.DataFrame) -> str:
    trial = read_trial(folder)
    writing = Writing(thing="score", rows=partial(_rows, served=served), check=trial.with_scores,
                      append=partial(append_scores, folder), correct=partial(correct_scores, folder))
    return save_changes(form, "scores", _known(trial, served), writing)


def _rows(cells: list, entries: dict, served: pd.DataFrame) -> pd.DataFrame:
    rows = [{**served.loc[label], "attribute": name, "score": entries.get((label, name), float("nan"))}
            for label, name in cells]
    return pd.DataFrame(rows, columns=[*SCORE_KEY, "score"])

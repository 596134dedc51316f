"""Nothing is ever taken out of a table: a later row corrects, sets aside or takes back, and says why."""

import datetime
import os
from collections.abc import Iterator, Mapping

import pandas as pd

from labkit.aside import ASIDE, BACK, aside_standing, selects_same
from labkit.checks import NOT_JUDGED, check_columns, check_frame, is_blank, meant, near_to, parse_id, parse_number
from labkit.errors import LabkitError, PourError, ScoreError
from labkit.pours import CORRECTION, melt_columns, pour_columns, says_none, standing_melts, standing_pours
from labkit.pours.rows import meant_name
from labkit.readings import READING_COLUMNS, READING_KEY
from labkit.scores import REALLY_CLOSE, SCORE_COLUMNS, SCORE_KEY, latest
from labkit.store.appending import WAIT, append_to, plain_frame
from labkit.store.reading import OnDisk
from labkit.trial import Trial
from labkit.wording import as_counted, words_joined


def correct_scores(folder: str | os.PathLike, frame: pd.DataFrame, *, reason: str, wait: float = WAIT) -> Trial:
    """Append to scores.csv rows that supersede earlier ones; a blank score takes the earlier one back.

    Parameters: `frame` with pour, tester, attribute, score, and with session and position where these are needed to
    tell one score from another; `reason` in words; `wait` for another writer [s]. A score that stands as it is to be
    is passed over.
    """
    _check_reason(reason, "correct_scores", ScoreError)
    frame = plain_frame(check_frame(frame, what="the scores frame", error=ScoreError))
    check_columns(
        frame,
        allowed=(*SCORE_KEY, "score"),
        required=("pour", "tester", "attribute", "score"),
        what="scores",
        error=ScoreError,
    )

    def grown(disk: OnDisk) -> Trial:
        return disk.trial.with_scores(_frame_of(_corrected_scores(disk, frame, reason), SCORE_COLUMNS))

    return append_to(folder, "scores", grown, wait=wait)


def correct_pours(folder: str | os.PathLike, frame: pd.DataFrame, *, reason: str, wait: float = WAIT) -> Trial:
    """Append to pours.csv rows that supersede earlier ones.

    Parameters: `frame` with pour and the columns to correct; `reason` in words; `wait` for another writer [s]. A
    missing value keeps what stands, as an absent column does; the empty text clears a cell. A pour that stands as it is
    to be is passed over.
    """
    return _correct_made(folder, "pour", frame, reason=reason, wait=wait)


def correct_melts(folder: str | os.PathLike, frame: pd.DataFrame, *, reason: str, wait: float = WAIT) -> Trial:
    """Append to melts.csv rows that supersede earlier ones; every pour drawn from such a melt is read off anew.

    Parameters: `frame` with melt and the columns to correct; the rest as in `correct_pours`.
    """
    return _correct_made(folder, "melt", frame, reason=reason, wait=wait)


def correct_readings(folder: str | os.PathLike, frame: pd.DataFrame, *, reason: str, wait: float = WAIT) -> Trial:
    """Append to readings.csv rows that supersede earlier ones; a blank value takes the earlier one back.

    Parameters: `frame` with pour, method, value, and with repeat where a pour was read more than once; `reason` in
    words; `wait` for another writer [s]. A reading that stands as it is to be is passed over.
    """
    _check_reason(reason, "correct_readings", PourError)
    frame = plain_frame(check_frame(frame, what="the readings frame", error=PourError))
    allowed = [c for c in READING_COLUMNS if c not in CORRECTION]
    check_columns(frame, allowed=allowed, required=("pour", "method", "value"), what="readings", error=PourError)

    def grown(disk: OnDisk) -> Trial:
        return disk.trial.with_readings(_frame_of(_corrected_readings(disk, frame, reason), READING_COLUMNS))

    return append_to(folder, "readings", grown, wait=wait)


def _correct_made(folder: str | os.PathLike, kind: str, frame: pd.DataFrame, *, reason: str, wait: float) -> Trial:
    table = f"{kind}s"
    _check_reason(reason, f"correct_{table}", PourError)
    frame = plain_frame(check_frame(frame, what=f"the {table} frame", error=PourError))

    def grown(disk: OnDisk) -> Trial:
        columns = (pour_columns if kind == "pour" else melt_columns)(disk.trial.recipe)
        allowed = [c for c in columns if c not in CORRECTION]
        check_columns(frame, allowed=allowed, required=(kind,), what=table, error=PourError)
        return disk.trial.with_tables({table: _frame_of(_corrected_made(disk, kind, frame, reason), columns)})

    return append_to(folder, table, grown, wait=wait)


def set_aside(
    folder: str | os.PathLike,
    *,
    reason: str,
    pour: str = "",
    tester: str = "",
    session: str = "",
    position: str = "",
    attribute: str = "",
    since: str | datetime.date | None = None,
    wait: float = WAIT,
) -> Trial:
    """Leave out of the fit every score that matches all the names given: a tester, a pour, or a single score.

    The scores stay where they are; `take_back` with the same names undoes it. `since` is today where it is left out.
    """
    names = _names((pour, tester, session, position, attribute), "set_aside", reason)
    row = {"action": ASIDE, **names, "reason": reason, "since": parse_id(since or datetime.date.today())}

    def grown(disk: OnDisk) -> Trial:
        before = [r for r in aside_standing(disk.trial.set_aside.to_dict("records")) if selects_same(r, names)]
        if before and before[0]["reason"] == reason.strip():
            return disk.trial
        if before:
            raise ScoreError(
                f"{_words(names)} is set aside already: {before[0]['reason']}. "
                "Take it back first if the reason is another one."
            )
        _check_matches(disk.trial, names)
        return disk.trial.with_set_aside(pd.DataFrame([row]))

    return append_to(folder, "set_aside", grown, wait=wait)


def take_back(
    folder: str | os.PathLike,
    *,
    reason: str,
    pour: str = "",
    tester: str = "",
    session: str = "",
    position: str = "",
    attribute: str = "",
    since: str | datetime.date | None = None,
    wait: float = WAIT,
) -> Trial:
    """Undo a `set_aside` that was called with the same names."""
    names = _names((pour, tester, session, position, attribute), "take_back", reason)
    row = {"action": BACK, **names, "reason": reason, "since": parse_id(since or datetime.date.today())}

    def grown(disk: OnDisk) -> Trial:
        standing = aside_standing(disk.trial.set_aside.to_dict("records"))
        if not any(selects_same(r, names) for r in standing):
            found = "; ".join(_words(r) for r in standing) or "nothing"
            raise ScoreError(f"{_words(names)} is not set aside. Set aside at present: {found}.")
        return disk.trial.with_set_aside(pd.DataFrame([row]))

    return append_to(folder, "set_aside", grown, wait=wait)


def _frame_of(rows: Iterator[tuple[object, dict]], columns: tuple[str, ...]) -> pd.DataFrame:
    labelled = list(rows)
    index = [label for label, _ in labelled]
    return pd.DataFrame([row for _, row in labelled], index=index, columns=list(columns))


def _corrected_scores(disk: OnDisk, frame: pd.DataFrame, reason: str) -> Iterator[tuple[object, dict]]:
    """By label: the row that supersedes the standing score of the same key."""
    numbers, seen = _row_numbers(disk, "scores", SCORE_KEY, filled="score"), set()
    scored = disk.trial.scores[[key in numbers for key in zip(*(disk.trial.scores[k] for k in SCORE_KEY))]]
    last = latest(scored)
    for label, cells in frame.astype(object).iterrows():
        where = f"scores row {label}"
        names = {k: parse_id(cells[k]) for k in SCORE_KEY if k in frame}
        old = _only_score(last, names, where)
        key = tuple(old[k] for k in SCORE_KEY)
        if key in seen:
            raise ScoreError(f"{where}: {_words(names)} is corrected twice in one frame. Give it once.")
        seen.add(key)
        where = f"{where}: {old['attribute']}"
        value = parse_number(cells["score"], where=where, error=ScoreError, or_blank=NOT_JUDGED)
        if value != old["score"] and not (is_blank(value) and is_blank(old["score"])):
            fresh = dict(zip(SCORE_KEY, key)) | {"score": value}
            yield label, fresh | {"corrects": str(numbers[key]), "reason": reason}


def _only_score(last: pd.DataFrame, names: Mapping[str, str], where: str) -> pd.Series:
    found = last[_matching(last, names)]
    exact = found[[all(row[key] == name for key, name in names.items()) for row in found.to_dict("records")]]
    found = exact if len(exact) == 1 else found                # one without a position beside one that has one
    if not len(found):
        advice = _meant_in(last, names) or "Use append_scores for a first score."
        raise ScoreError(f"{where}: no score is recorded for {_words(names)}. {advice}")
    if len(found) > 1:
        raise ScoreError(
            f"{where}: {_words(names)} was judged {len(found)} times. Add session and position to say which."
        )
    return found.iloc[0]


def _corrected_made(disk: OnDisk, kind: str, frame: pd.DataFrame, reason: str) -> Iterator[tuple[object, dict]]:
    """By label: the whole row that supersedes the standing one of the same pour or melt."""
    table, seen = f"{kind}s", set()
    numbers = _row_numbers(disk, table, (kind,), filled=kind)
    last = standing_pours(disk.trial.pours) if kind == "pour" else standing_melts(disk.trial.melts)
    standing = last.set_index(kind, drop=False)
    for label, cells in frame.astype(object).iterrows():
        where, name = f"{table} row {label}", parse_id(cells[kind])
        if name not in standing.index:
            advice = _meant_in(last, {kind: name}) or f"Use append_{table} for a first record."
            raise PourError(f"{where}: {kind} {name!r} is not recorded. {advice}")
        if name in seen:
            raise PourError(f"{where}: {kind} {name} is corrected twice in one frame. Give it once.")
        seen.add(name)
        old = standing.loc[name].to_dict()
        fresh = old | {c: cell for c, cell in cells.items() if isinstance(cell, str) or not is_blank(cell)}
        if any(_differs(fresh[c], old[c], f"{where}: {c}") for c in fresh if c not in CORRECTION):
            yield label, fresh | {"corrects": str(numbers[(name,)]), "reason": reason}


def _corrected_readings(disk: OnDisk, frame: pd.DataFrame, reason: str) -> Iterator[tuple[object, dict]]:
    """By label: the whole row that supersedes the standing reading of the same pour, method and repeat."""
    numbers, seen = _row_numbers(disk, "readings", READING_KEY, filled="value"), set()
    last = disk.trial.readings.drop_duplicates(list(READING_KEY), keep="last")
    for label, cells in frame.astype(object).iterrows():
        where, names = f"readings row {label}", {key: parse_id(cells[key]) for key in READING_KEY if key in frame}
        words = f"{names['method']} of {names['pour']}" + (f", repeat {names['repeat']}" if names.get("repeat") else "")
        found = last[_matching(last, names)]
        exact = found[found["repeat"] == names.get("repeat")]            # one without a number beside numbered ones
        found = exact if len(exact) == 1 else found
        if len(found) != 1:
            told = f"was read {len(found)} times. Add repeat to say which." if len(found) else (
                f"is not recorded. {_meant_in(last, names) or 'Use append_readings for a first reading.'}")
            raise PourError(f"{where}: {words} {told}")
        old = found.iloc[0].to_dict()
        key = tuple(old[k] for k in READING_KEY)
        if key in seen:
            raise PourError(f"{where}: {words} is corrected twice in one frame. Give it once.")
        seen.add(key)
        fresh = old | {c: cells[c] for c in cells.index if c in ("direction", "unit") and not is_blank(cells[c])}
        yield label, fresh | {"value": cells["value"], "corrects": str(numbers[key]), "reason": reason}


def _meant_in(table: pd.DataFrame, names: Mapping[str, str]) -> str:
    """The question whether another name was meant, about the first that the table does not have; or nothing."""
    for key, name in names.items():
        known = as_counted(table[key])
        if name and name not in known:
            near = meant_name(name, known).rstrip()
            slip = near_to(name, known, cutoff=REALLY_CLOSE) if key in ("attribute", "method") else ""
            return near or (meant(slip) if slip else "")
    return ""


def _differs(new: object, old: object, where: str) -> bool:
    if says_none(new) and isinstance(old, float):
        return old != 0
    if isinstance(old, float):
        new = parse_number(new, where=where, error=PourError)
        return new != old and not (is_blank(new) and is_blank(old))
    return parse_id(new) != parse_id(old)


def _row_numbers(disk: OnDisk, table: str, key: tuple[str, ...], *, filled: str) -> dict[tuple[str, ...], int]:
    """The number of the last row on disk of each key in which `filled` has an entry."""
    frame = disk.table(table).to_frame()
    cells = frame.reindex(columns=[*key, filled], fill_value="")
    entries = cells[cells[filled] != ""] if len(cells) else cells
    return {tuple(row[: len(key)]): int(number) for number, row in zip(entries.index, entries.to_numpy())}


def _names(values: tuple[object, ...], verb: str, reason: str) -> dict[str, str]:
    _check_reason(reason, verb, ScoreError)
    names = dict(zip(SCORE_KEY, map(parse_id, values)))
    if not any(names.values()):
        raise ScoreError(f"{verb} names nothing. Give a tester, a pour, or all that tells a single score.")
    return names


def _check_reason(reason: str, verb: str, error: type[LabkitError]) -> None:
    if not isinstance(reason, str) or not reason.strip():
        raise error(f"{verb} has the reason {reason!r}. Say in words why; the row keeps it.")


def _check_matches(trial: Trial, names: Mapping[str, str]) -> None:
    """What is set aside exists: a slip in a name would otherwise set aside nothing, without a word."""
    if _names_readings(trial, names):
        return
    known = {key: list(dict.fromkeys(trial.scores[key])) for key in SCORE_KEY}
    known["pour"] = list(dict.fromkeys([*trial.pours["pour"], *known["pour"]]))
    for key, value in names.items():
        if value and value not in known[key]:
            choice = f"Choose {words_joined(known[key], last='or')}." if known[key] else "None is recorded yet."
            raise ScoreError(f"no score has the {key} {value!r}. {choice}")
    if any(v for k, v in names.items() if k != "pour") and not _matching(trial.scores, names).any():
        raise ScoreError(f"no score matches {_words(names)}. Check the names against scores.csv.")


def _names_readings(trial: Trial, names: Mapping[str, str]) -> bool:
    """Whether the names are an instrument's attribute that was read, or that of one pour."""
    told = {key: value for key, value in names.items() if value}
    return names["attribute"] in trial.read_attributes and set(told) <= {"pour", "attribute"} and bool(
        _matching(trial.standing_readings, told).any())


def _matching(scores: pd.DataFrame, names: Mapping[str, str]) -> pd.Series:
    hit = pd.Series(True, index=scores.index)
    for key, value in names.items():
        if value:
            hit &= scores[key] == value
    return hit


def _words(names: Mapping[str, str]) -> str:
    return ", ".join(f"{key} {names[key]}" for key in SCORE_KEY if names.get(key))

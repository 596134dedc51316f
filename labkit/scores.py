"""What was served and said: servings, scores with their corrections, and what is set aside."""

import difflib
from collections.abc import Mapping

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.checks import check_choice, check_columns, is_blank, parse_id, parse_number
from labkit.errors import ScoreError
from labkit.pours import CORRECTION, FedAgain, texts
from labkit.wording import words_joined

SERVING_COLUMNS = ("session", "date", "tester", "position", "code", "pour")
SCORE_KEY = ("pour", "tester", "session", "position", "attribute")
SCORE_COLUMNS = (*SCORE_KEY, "score", *CORRECTION)
FILE = "scores.csv"  # rows of it are recorded already
REALLY_CLOSE = 0.85  # of 1: a slip of a letter or two, and no other word
ASIDE, BACK = "set aside", "take back"
ASIDE_COLUMNS = ("action", *SCORE_KEY, "reason", "since")


def typed_servings(frame: pd.DataFrame, *, table: str, pours: set[str], recorded: pd.DataFrame) -> pd.DataFrame:
    """Servings as text, new rows only; a code stands for one pour over the whole trial, a place for one serving."""
    check_columns(
        frame, allowed=SERVING_COLUMNS, required=("session", "tester", "code", "pour"), what=table, error=ScoreError
    )
    codes = dict(zip(recorded["code"], recorded["pour"], strict=True))
    places = {_place(row): row["code"] for row in recorded.to_dict("records") if row["position"]}
    rows, seen = [], set(map(tuple, recorded[list(SERVING_COLUMNS)].to_numpy()))
    for label, cells in texts(frame, SERVING_COLUMNS).iterrows():
        row, where = {c: parse_id(cells[c]) for c in SERVING_COLUMNS}, f"{table} row {label}"
        for column in ("session", "tester", "code", "pour"):
            if not row[column]:
                raise ScoreError(f"{where}: {column} is empty. A serving names session, tester, code and pour.")
        if row["pour"] not in pours:
            raise ScoreError(f"{where}: pour {row['pour']!r} is neither planned nor poured. Check its name.")
        if codes.setdefault(row["code"], row["pour"]) != row["pour"]:
            raise ScoreError(
                f"{where}: code {row['code']} already stands for pour {codes[row['code']]}. "
                f"Give {row['pour']} another code."
            )
        if row["position"] and places.setdefault(_place(row), row["code"]) != row["code"]:
            raise ScoreError(
                f"{where}: {row['tester']} has code {places[_place(row)]} in position {row['position']} of session "
                f"{row['session']} already. Give {row['code']} another position or session."
            )
        if (key := tuple(row.values())) not in seen:
            seen.add(key)
            rows.append(row)
    return pd.DataFrame(rows, columns=list(SERVING_COLUMNS))


def _place(row: Mapping[str, str]) -> tuple[str, str, str]:
    return row["session"], row["tester"], row["position"]


def typed_scores(
    frame: pd.DataFrame, attributes: Mapping[str, Attribute], *, table: str, pours: set[str], recorded: pd.DataFrame
) -> pd.DataFrame:
    """Scores with ids as text and scores as numbers, new rows only: an equal row again is passed over.

    A different value under the same key is refused unless the row corrects; a new session or position is a repeat.
    """
    check_columns(
        frame, allowed=SCORE_COLUMNS, required=("pour", "tester", "attribute", "score"), what=table, error=ScoreError
    )
    said: dict[tuple, list] = {}
    again, rows = FedAgain(recorded.to_dict("records"), SCORE_KEY), []
    for row in recorded.to_dict("records"):
        said.setdefault(_key(row), []).append(row["score"])
    for label, cells in texts(frame, SCORE_COLUMNS).iterrows():
        row = _typed_score(cells, attributes, f"{table} row {label}", pours)
        before = said.setdefault(_key(row), [])
        if not again.holds(row) and _is_news(row, before, f"{table} row {label}"):
            rows.append(row)
            before.append(row["score"])
    return pd.DataFrame(rows, columns=list(SCORE_COLUMNS)).astype({"score": float})


def _typed_score(cells: pd.Series, attributes: Mapping[str, Attribute], where: str, pours: set[str]) -> dict:
    row = {c: parse_id(cells[c]) for c in SCORE_COLUMNS if c != "score"}
    for column in ("pour", "tester", "attribute"):
        if not row[column]:
            raise ScoreError(f"{where}: {column} is empty. A score names pour, tester and attribute.")
    if row["pour"] not in pours:
        raise ScoreError(
            f"{where}: pour {row['pour']!r} is not in pours.csv. Record the pour first, or check its name."
        )
    if row["attribute"] not in attributes:
        raise ScoreError(f"{where}: attribute {row['attribute']!r} is not in trial.toml. "
                         f"{_unknown_attribute(row['attribute'], attributes, recorded=where.startswith(FILE))}")
    attribute = attributes[row["attribute"]]
    if attribute.is_read:
        raise ScoreError(f"{where}: {not_scored(attribute)}")
    score = parse_number(cells["score"], where=f"{where}: {attribute.name}", error=ScoreError)
    if score < attribute.low or score > attribute.high:
        raise ScoreError(
            f"{where}: {attribute.name} is {score:g}; scores run from {attribute.low:g} to {attribute.high:g}. "
            "Leave the cell empty if it was not judged."
        )
    return row | {"score": score}


def _unknown_attribute(name: str, attributes: Mapping[str, Attribute], *, recorded: bool) -> str:
    """What to do about a score of no attribute; one that is recorded keeps its name, and trial.toml keeps it."""
    near = difflib.get_close_matches(name, attributes, n=1, cutoff=REALLY_CLOSE)
    if not recorded:
        return f"Did you mean {near[0]!r}?" if near else f"Choose {words_joined(attributes, last='or')}."
    keep = f"eep [attributes.{name}] there, without `wanted` if it no longer counts."
    return f"Did you mean {near[0]!r}? If it was an attribute when it was scored, k{keep}" if near else f"K{keep}"


def not_scored(attribute: Attribute) -> str:
    """Why there is no score of an instrument's attribute."""
    return f"{attribute.name} is read by {attribute.reading}, not scored. Record its values with append_readings."


def _key(row: Mapping) -> tuple[str, ...]:
    return tuple(row[k] for k in SCORE_KEY)


def _is_news(row: Mapping, before: list[float], where: str) -> bool:
    """Whether a row adds something to what was said under its key before, in order; the last of that stands."""
    stands = before[-1] if before else None
    if row["corrects"]:
        if all(is_blank(score) for score in before):
            raise ScoreError(
                f"{where}: corrects a score of {_key_words(row)} that is not recorded before it. "
                "Leave `corrects` empty."
            )
        if not row["reason"]:
            raise ScoreError(f"{where}: corrects the score of {_key_words(row)} without a reason. Write the reason.")
        return True
    if is_blank(row["score"]):
        return not before
    if not is_blank(stands) and row["score"] not in before:
        raise ScoreError(
            f"{where}: {_key_words(row)} is recorded already as {stands:g}, and {row['score']:g} differs. "
            "Use correct_scores if it was wrong, or give a repeat its own session or position."
        )
    return row["score"] not in before


def _key_words(row: Mapping) -> str:
    where = "".join(f", {k} {row[k]}" for k in ("session", "position") if row[k])
    return f"{row['attribute']} of {row['pour']} by {row['tester']}{where}"


def typed_aside(frame: pd.DataFrame, *, table: str, recorded: pd.DataFrame) -> pd.DataFrame:
    """What is set aside or taken back; each row has a reason, and a row that takes back names one that stands."""
    check_columns(frame, allowed=ASIDE_COLUMNS, required=("action", "reason"), what=table, error=ScoreError)
    rows = recorded.to_dict("records")
    before = len(rows)
    for label, cells in texts(frame, ASIDE_COLUMNS).iterrows():
        row, where = {c: parse_id(cells[c]) for c in ASIDE_COLUMNS}, f"{table} row {label}"
        check_choice(row["action"], (ASIDE, BACK), name=f"{where}: action", error=ScoreError)
        if not any(row[k] for k in SCORE_KEY):
            raise ScoreError(f"{where}: names nothing to {row['action']}. Name a tester, a pour or a single score.")
        if not row["reason"]:
            raise ScoreError(f"{where}: {row['action']} without a reason. Write the reason.")
        if row["action"] == BACK and not any(_selects_same(row, r) for r in aside_standing(rows)):
            raise ScoreError(
                f"{where}: takes back what is not set aside. Repeat the names of the row that set it aside."
            )
        rows.append(row)
    return pd.DataFrame(rows[before:], columns=list(ASIDE_COLUMNS))


def _selects_same(one: Mapping, other: Mapping) -> bool:
    return all(one[k] == other[k] for k in SCORE_KEY)


def aside_standing(rows: list[Mapping]) -> list[Mapping]:
    """The rows that set something aside and were not taken back."""
    standing: list[Mapping] = []
    for row in rows:
        standing = [r for r in standing if not _selects_same(row, r)] + ([row] if row["action"] == ASIDE else [])
    return standing


def standing_scores(scores: pd.DataFrame, aside: pd.DataFrame) -> pd.DataFrame:
    """The last value of each key, without blanks and without what is set aside."""
    last = scores.drop_duplicates(list(SCORE_KEY), keep="last")
    last = last[last["score"].notna()]
    left = np.zeros(len(last), dtype=bool)
    for row in aside_standing(aside.to_dict("records")):
        hit = np.ones(len(last), dtype=bool)
        for key in SCORE_KEY:
            if row[key]:
                hit &= (last[key] == row[key]).to_numpy()
        left |= hit
    return last.loc[~left, [*SCORE_KEY, "score"]].reset_index(drop=True)

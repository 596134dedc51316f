"""What is set aside, and what stands of the scores: rows that name a tester, a pour or a single score, and a reason."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from labkit.attributes import Attribute
from labkit.checks import check_choice, check_columns, parse_id
from labkit.errors import ScoreError
from labkit.pours import check_day, is_day, not_a_day, standing_pours, texts
from labkit.scores import SCORE_KEY, latest
from labkit.wording import words_joined

ASIDE, BACK = "set aside", "take back"
ASIDE_COLUMNS = ("action", *SCORE_KEY, "reason", "since")


def typed_aside(frame: pd.DataFrame, *, table: str, recorded: pd.DataFrame, whole: bool = True) -> pd.DataFrame:
    """What is set aside or taken back; each row has a reason, and a row that takes back names one that stands.

    `whole` : refuses too a day that is none.
    """
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
        if whole:
            check_day(row["since"], where, ScoreError, column="since")
        if row["action"] == BACK and not any(selects_same(row, r) for r in aside_standing(rows)):
            raise ScoreError(
                f"{where}: takes back what is not set aside. Repeat the names of the row that set it aside."
            )
        rows.append(row)
    return pd.DataFrame(rows[before:], columns=list(ASIDE_COLUMNS))


def selects_same(one: Mapping, other: Mapping) -> bool:
    """Whether two rows name the same tester, pour or single score."""
    return all(one[k] == other[k] for k in SCORE_KEY)


def aside_standing(rows: list[Mapping]) -> list[Mapping]:
    """The rows that set something aside and were not taken back."""
    standing: list[Mapping] = []
    for row in rows:
        standing = [r for r in standing if not selects_same(row, r)] + ([row] if row["action"] == ASIDE else [])
    return standing


def pours_aside(aside: pd.DataFrame) -> tuple[str, ...]:
    """Pours that are set aside as a whole: neither what was said of them counts, nor whether they held."""
    return tuple(row["pour"] for row in aside_standing(aside.to_dict("records"))
                 if row["pour"] and not any(row[key] for key in SCORE_KEY if key != "pour"))


def without_aside(by_pour: pd.DataFrame, aside: pd.DataFrame) -> pd.DataFrame:
    """Rows by pour, but for the pours that are set aside as a whole."""
    return by_pour.drop(index=list(pours_aside(aside)), errors="ignore")


def standing_scores(scores: pd.DataFrame, aside: pd.DataFrame) -> pd.DataFrame:
    """The last value of each key, without blanks and without what is set aside."""
    last = latest(scores)
    last = last[last["score"].notna()]
    left = np.zeros(len(last), dtype=bool)
    for row in aside_standing(aside.to_dict("records")):
        hit = np.ones(len(last), dtype=bool)
        for key in SCORE_KEY:
            if row[key]:
                hit &= (last[key] == row[key]).to_numpy()
        left |= hit
    return last.loc[~left, [*SCORE_KEY, "score"]].reset_index(drop=True)


def not_taken_back(scores: pd.DataFrame) -> pd.DataFrame:
    """The last row of each key, but for scores that were taken back; a row that never had one says: not judged."""
    last = latest(scores)
    given = set(scores.dropna(subset="score")[list(SCORE_KEY)].itertuples(index=False, name=None))
    back = [key in given for key in last[list(SCORE_KEY)].itertuples(index=False, name=None)]
    return last[~(last["score"].isna() & np.array(back, dtype=bool))]


def doubts_on_what_is_aside(tables: Mapping[str, pd.DataFrame], attributes: Mapping[str, Attribute]) -> list[str]:
    """Fact and advice about a row that sets nothing aside, a slip in a name, made by hand; about a day that is none.

    Also about a pour that failed and may have to be set aside, where nobody can tell any more.
    """
    read = {a.reading: name for name, a in attributes.items() if a.is_read}
    readings = tables["readings"].assign(attribute=tables["readings"]["method"].map(read))
    said = pd.concat([tables["scores"], readings])[list(SCORE_KEY)].fillna("")
    found = _failed_without_why(tables)
    for row in tables["set_aside"].to_dict("records"):
        if row["since"] and not is_day(row["since"]):
            found.append(not_a_day(f"set_aside.csv: since of {_words(row)}", row["since"]))
    for row in aside_standing(tables["set_aside"].to_dict("records")):
        names = {key: row[key] for key in SCORE_KEY if row[key]}
        poured = set(names) == {"pour"} and names["pour"] in set(tables["pours"]["pour"])
        if not poured and not (said[list(names)] == pd.Series(names)).all(axis=1).any():
            found.append(f"set_aside.csv: {_words(row)} is set aside, and nothing that was scored or read is of it. "
                         "Take it back (take_back) and set aside what was meant.")
    return found


def _failed_without_why(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """A failed pour tells against its formula, unless that is not to blame; later on only what was written says so."""
    aside = pours_aside(tables["set_aside"])
    return [f"pours.csv pour {row['pour']}: outcome is {row['outcome']!r}, and nothing says why it failed, so it "
            "counts against its formula. Say why with correct_pours, such as 'failed: did not set', or set it aside "
            "(set_aside) where the formula is not to blame."
            for row in standing_pours(tables["pours"]).to_dict("records")
            if row["outcome"].strip(" :.-") == "failed" and not row["defects"] and not row["note"]
            and row["pour"] not in aside]


def _words(row: Mapping) -> str:
    return words_joined([f"{key} {row[key]}" for key in SCORE_KEY if row[key]])

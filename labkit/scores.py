"""What was served and said: servings, and scores with their corrections."""

from collections.abc import Iterable, Mapping
from operator import itemgetter

import pandas as pd

from labkit.attributes import Attribute
from labkit.checks import NOT_JUDGED, check_columns, is_blank, meant, near_to, parse_id, parse_number
from labkit.errors import ScoreError
from labkit.pours import BY_HAND, CORRECTION, FedAgain, check_correction, check_day, is_before, is_day, not_a_day, texts
from labkit.pours.rows import not_known, not_poured
from labkit.served import (
    SPELLINGS,
    before_poured,
    is_served_once,
    judged_before_poured,
    out_of_place,
    served_positions,
    spelled_alike,
)
from labkit.wording import words_joined

SERVING_COLUMNS = ("session", "date", "tester", "position", "code", "pour")
SCORE_KEY = ("pour", "tester", "session", "position", "attribute")
score_key = itemgetter(*SCORE_KEY)                      # of a row: what tells its score from every other
SCORE_COLUMNS = (*SCORE_KEY, "score", *CORRECTION)
FILE = "scores.csv"  # rows of it are recorded already
REALLY_CLOSE = 0.85  # of 1: a slip of a letter or two, and no other word


def latest(scores: pd.DataFrame) -> pd.DataFrame:
    """The last row of each key, which counts."""
    return scores.drop_duplicates(list(SCORE_KEY), keep="last")


def other_spelling(name: str, known: Iterable[str]) -> str:
    """The known id that differs from `name` only in its spelling, see `SPELLINGS`, or nothing."""
    known = list(known)
    if not name or name in known:
        return ""
    return next((other for other in sorted(known) if spelled_alike(other) == spelled_alike(name)), "")


def differs_in(name: str, other: str) -> str:
    """In what two spellings of one id differ, in words."""
    return words_joined([way for way in SPELLINGS if spelled_alike(name, but=way) != spelled_alike(other, but=way)])


def spelled_twice(what: str, name: str, other: str) -> str:
    """Fact and advice about an id that is known in another spelling."""
    two = "people two names" if what == "tester" else f"{what}s two names"
    one = "person" if what == "tester" else what
    return (f"{what} {name!r} differs from {other!r} only in {differs_in(name, other)}. Spell one {one} in one way, "
            f"and give two {two}.")


def check_spelling(row: Mapping[str, str], known: Mapping[str, Iterable[str]], where: str) -> None:
    """Tester and session of a new row are not known in another spelling."""
    for what, names in known.items():
        if other := other_spelling(row[what], names):
            raise ScoreError(f"{where}: {spelled_twice(what, row[what], other)}")


def known_ids(*tables: pd.DataFrame) -> dict[str, dict[str, None]]:
    """Testers and sessions of servings and scores."""
    return {what: dict.fromkeys(name for table in tables for name in table[what] if name)
            for what in ("tester", "session")}


def typed_servings(
    frame: pd.DataFrame,
    *,
    table: str,
    pours: set[str],
    recorded: pd.DataFrame,
    scores: pd.DataFrame,
    poured: Mapping[str, str],
    whole: bool = True,
) -> pd.DataFrame:
    """Servings as text, new rows only; a code stands for one pour over the whole trial, a place for one serving.

    `whole` : refuses too a tester or session that is known in another spelling, a date that is no day, and one
    before the day on which the pour was made, see `poured`.
    """
    check_columns(
        frame, allowed=SERVING_COLUMNS, required=("session", "tester", "code", "pour"), what=table, error=ScoreError
    )
    codes = dict(zip(recorded["code"], recorded["pour"], strict=True))
    places = {_place(row): row["code"] for row in recorded.to_dict("records") if row["position"]}
    rows, seen = [], set(map(tuple, recorded[list(SERVING_COLUMNS)].to_numpy()))
    known = known_ids(recorded, scores)
    for label, cells in texts(frame, SERVING_COLUMNS).iterrows():
        row, where = {c: parse_id(cells[c]) for c in SERVING_COLUMNS}, f"{table} row {label}"
        for column in ("session", "tester", "code", "pour"):
            if not row[column]:
                raise ScoreError(f"{where}: {column} is empty. A serving names session, tester, code and pour.")
        if row["pour"] not in pours:
            raise ScoreError(f"{where}: {not_known(row['pour'], pours)}")
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
            if whole:
                check_spelling(row, known, where)
                check_day(row["date"], where, ScoreError)
                if is_before(row["date"], poured.get(row["pour"], "")):
                    raise ScoreError(before_poured(where, row["date"], [row["pour"]], poured[row["pour"]]))
            known["tester"][row["tester"]] = known["session"][row["session"]] = None
            seen.add(key)
            rows.append(row)
    return pd.DataFrame(rows, columns=list(SERVING_COLUMNS))


def _place(row: Mapping[str, str]) -> tuple[str, str, str]:
    return row["session"], row["tester"], row["position"]


def typed_scores(
    frame: pd.DataFrame,
    attributes: Mapping[str, Attribute],
    *,
    table: str,
    pours: set[str],
    recorded: pd.DataFrame,
    servings: pd.DataFrame,
    whole: bool = True,
) -> pd.DataFrame:
    """Scores with ids as text and scores as numbers, new rows only: an equal row again is passed over.

    A different value under the same key is refused unless the row corrects; a new session or position is a repeat.
    `whole` : a blank position is looked up in the servings, where these have one; what would stand beside a score that
    differs from it only by a blank, or by the spelling of its tester or session, is refused.
    """
    check_columns(
        frame, allowed=SCORE_COLUMNS, required=("pour", "tester", "attribute", "score"), what=table, error=ScoreError
    )
    said: dict[tuple, list] = {}
    again, rows = FedAgain(recorded.to_dict("records"), SCORE_KEY), []
    for row in recorded.to_dict("records"):
        said.setdefault(score_key(row), []).append(row["score"])
    beside = Beside(servings, recorded)
    for label, cells in texts(frame, SCORE_COLUMNS).iterrows():
        row, where = _typed_score(cells, attributes, f"{table} row {label}", pours), f"{table} row {label}"
        if again.holds(row):
            continue
        if whole and score_key(row) not in said and not row["corrects"]:
            row |= {"position": beside.position_of(row)}
            if score_key(row) not in said:
                beside.check(row, where)
        before = said.setdefault(score_key(row), [])
        if _is_news(row, before, where, whole=whole):
            rows.append(row)
            before.append(row["score"])
            beside.add(row)
    return pd.DataFrame(rows, columns=list(SCORE_COLUMNS)).astype({"score": float})


class Beside:
    """What a new score comes to stand beside: servings, and scores under almost the same key."""

    def __init__(self, servings: pd.DataFrame, recorded: pd.DataFrame):
        self.known = known_ids(servings, recorded)
        self.served = served_positions(servings)
        self.positions: dict[tuple[str, ...], list[str]] = {}
        self.sessions: dict[tuple[str, ...], list[str]] = {}
        for row in latest(recorded).to_dict("records"):
            self.add(row)

    def add(self, row: Mapping) -> None:
        """Note a score."""
        for what in ("tester", "session"):
            self.known[what].setdefault(row[what])
        if not is_blank(row["score"]):
            self.positions.setdefault(_without_position(row), []).append(row["position"])
            self.sessions.setdefault(_judgement(row), []).append(row["session"])

    def position_of(self, row: Mapping) -> str:
        """The position in the row, or the only one in which this tester was served this pour in this session."""
        served = self.served.get((row["tester"], row["session"], row["pour"]), set())
        return next(iter(served)) if not row["position"] and len(served) == 1 else row["position"]

    def check(self, row: Mapping, where: str) -> None:
        """A score under a new key is a repeat in a position or session of its own, not the same one once more."""
        check_spelling(row, self.known, where)
        self._check_servings(row, where)
        there = self.positions.get(_without_position(row), [])
        if is_blank(row["score"]) or row["position"] in there:
            return
        blank = [p for p in there if not p or not row["position"] or spelled_alike(p) == spelled_alike(row["position"])]
        if blank:
            said = [f"position {position}" if position else "no position" for position in (blank[0], row["position"])]
            raise ScoreError(
                f"{where}: {score_words(row | {'position': ''})} is recorded already with {said[0]}, and this row has "
                f"{said[1]}. Give both the same position if they are one score, or each its own if it was judged twice."
            )

    def _check_servings(self, row: Mapping, where: str) -> None:
        """What is said of session and position is not what the servings deny."""
        if is_blank(row["score"]):
            return
        if why := out_of_place(row, self.served):
            raise ScoreError(f"{where}: {why}")
        others = [s for s in self.sessions.get(_judgement(row), []) if bool(s) != bool(row["session"])]
        if others and is_served_once(row, self.served):
            said = [f"session {session}" if session else "no session" for session in (others[0], row["session"])]
            raise ScoreError(
                f"{where}: {score_words(row | {'session': '', 'position': ''})} is recorded already with {said[0]}, "
                f"this row has {said[1]}, and servings.csv serves {row['tester']} {row['pour']} once. Give both the "
                "same session if they are one score, or each its own if it was judged twice."
            )


def _without_position(row: Mapping) -> tuple[str, ...]:
    return tuple(row[k] for k in SCORE_KEY if k != "position")


def _judgement(row: Mapping) -> tuple[str, str, str]:
    return row["pour"], row["tester"], row["attribute"]


def doubts_on_what_was_said(
    scores: pd.DataFrame, servings: pd.DataFrame, *, poured: Mapping[str, str]
) -> list[str]:
    """Fact and advice about ids in two spellings and scores that stand twice in the tables."""
    found = []
    for what, names in known_ids(servings, scores).items():
        for k, name in enumerate(names):
            if other := next((n for n in list(names)[:k] if spelled_alike(n) == spelled_alike(name)), ""):
                found.append(f"scores.csv and servings.csv: {spelled_twice(what, name, other)}")
    standing = latest(scores).dropna(subset="score")
    for _, part in standing.groupby([k for k in SCORE_KEY if k != "position"], sort=False):
        if len(part) > 1 and (part["position"] == "").any():
            row = part.iloc[0].to_dict() | {"position": ""}
            found.append(f"scores.csv: {score_words(row)} stands with a position and without one. Take one back with "
                         "correct_scores and an empty score if they are one score.")
    found += _beside_servings(standing, served_positions(servings))
    days = servings.drop_duplicates(["session", "date"])
    found += [not_a_day(f"servings.csv session {session}: date", date)
              for session, date in zip(days["session"], days["date"], strict=True) if date and not is_day(date)]
    found += judged_before_poured(standing, servings, poured)
    return found + [f"scores.csv: {words}" for words in not_served(standing, servings)]


def _beside_servings(standing: pd.DataFrame, served: Mapping[tuple[str, str, str], set[str]]) -> list[str]:
    """Scores in the position of another pour; scores with and without a session of what was served once."""
    places = standing.drop_duplicates(["pour", "tester", "session", "position"]).to_dict("records")
    found = [f"scores.csv: {why}" for row in places if (why := out_of_place(row, served))]
    for _, part in standing.groupby(["pour", "tester", "attribute"], sort=False):
        sessions, row = sorted(set(part["session"])), part.iloc[0].to_dict() | {"session": "", "position": ""}
        if len(sessions) > 1 and not sessions[0] and is_served_once(row, served):
            found.append(f"scores.csv: {score_words(row)} stands with session {sessions[1]} and without one, and "
                         f"servings.csv serves {row['tester']} {row['pour']} once. Give the row without one its own if "
                         "it was judged twice, or delete that row if both are one score.")
    return found


def not_served(scores: pd.DataFrame, servings: pd.DataFrame) -> list[str]:
    """Fact and advice where a tester scored pours of a session that servings.csv has, and was not served them in it."""
    sessions, names = set(servings["session"]), ("tester", "session", "pour")
    served = set(zip(*(servings[c] for c in names)))
    missing: dict[tuple[str, str], dict[str, None]] = {}
    for tester, session, pour in zip(*(scores[c] for c in names)):
        if session in sessions and (tester, session, pour) not in served:
            missing.setdefault((tester, session), {})[pour] = None
    return [f"tester {tester} scored {words_joined(pours)} in session {session}, and servings.csv serves "
            f"{tester} {'no such pour' if len(pours) == 1 else 'no such pours'} there. Compare with the ballot."
            for (tester, session), pours in missing.items()]


def _typed_score(cells: pd.Series, attributes: Mapping[str, Attribute], where: str, pours: set[str]) -> dict:
    row = {c: parse_id(cells[c]) for c in SCORE_COLUMNS if c != "score"}
    for column in ("pour", "tester", "attribute"):
        if not row[column]:
            raise ScoreError(f"{where}: {column} is empty. A score names pour, tester and attribute.")
    if row["pour"] not in pours:
        raise ScoreError(f"{where}: {not_poured(row['pour'], pours)}")
    if row["attribute"] not in attributes:
        told = unknown_attribute(row["attribute"], attributes, recorded=where.startswith(FILE))
        raise ScoreError(f"{where}: {told}")
    attribute = attributes[row["attribute"]]
    if attribute.is_read:
        raise ScoreError(f"{where}: {not_scored(attribute)}")
    score = parse_number(cells["score"], where=f"{where}: {attribute.name}", error=ScoreError, or_blank=NOT_JUDGED)
    if score < attribute.low or score > attribute.high:
        raise ScoreError(
            f"{where}: {attribute.name} is {score:g}; scores run from {attribute.low:g} to {attribute.high:g}. "
            "Leave the cell empty if it was not judged."
        )
    return row | {"score": score}


def unknown_attribute(name: str, attributes: Mapping[str, Attribute], *, recorded: bool = False) -> str:
    """Fact and advice about a score of no attribute; one that is recorded keeps its name, and trial.toml keeps it."""
    near = next((known for known in attributes if known.casefold() == name.casefold()), "")
    near = near or near_to(name, attributes, cutoff=REALLY_CLOSE)
    scored = [known for known, a in attributes.items() if not a.is_read] or attributes
    advice = meant(near) if near else f"Choose {words_joined(scored, last='or')}."
    if recorded:
        keep = f"eep [attributes.{name}] there, without `wanted` if it no longer counts."
        advice = f"{advice} If it was an attribute when it was scored, k{keep}" if near else f"K{keep}"
    return f"attribute {name!r} is not in trial.toml. {advice}"


def not_scored(attribute: Attribute) -> str:
    """Why there is no score of an instrument's attribute."""
    return f"{attribute.name} is read by {attribute.reading}, not scored. Record its values with append_readings."


def nothing_scored(attributes: Mapping[str, Attribute], what: str) -> str:
    """Fact and advice where testers score nothing, so that `what` would be empty."""
    read = [f"{a.name} is read by {a.reading}" for a in attributes.values() if a.is_read]
    if not read:
        return f"the trial scores nothing, so {what} would be empty. Add [attributes.payoff] to trial.toml."
    return (f"the trial scores nothing, so {what} would be empty: {words_joined(read)}. Record that with "
            "append_readings, or add to trial.toml an attribute that testers score.")


def _is_news(row: Mapping, before: list[float], where: str, *, whole: bool) -> bool:
    """Whether a row adds something to what was said under its key before, in order; the last of that stands."""
    stands = before[-1] if before else None
    if row["corrects"]:
        known = not all(is_blank(score) for score in before)
        check_correction(row, f"the score of {score_words(row)}", where, ScoreError, known=known)
        return True
    if is_blank(row["score"]):
        return not before
    if not is_blank(stands) and row["score"] not in before:
        advice = ("Use correct_scores if it was wrong, or give a repeat its own session or position." if whole
                  else f"Give a repeat its own session or position, {BY_HAND}.")
        raise ScoreError(
            f"{where}: {score_words(row)} is recorded already as {stands:g}, and {row['score']:g} differs. {advice}")
    return row["score"] not in before


def score_words(row: Mapping) -> str:
    """Which score it is, in words."""
    where = "".join(f", {k} {row[k]}" for k in ("session", "position") if row[k])
    return f"{row['attribute']} of {row['pour']} by {row['tester']}{where}"

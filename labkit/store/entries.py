"""From what a table says in each cell to rows of scores: codes looked up, scores converted, contradictions found."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from labkit.checks import is_blank
from labkit.errors import ScoreError
from labkit.pours.rows import not_poured
from labkit.scores import (
    SCORE_KEY,
    known_ids,
    not_scored,
    not_served,
    other_spelling,
    score_key,
    score_words,
    spelled_twice,
    unknown_attribute,
)
from labkit.served import told_no_person
from labkit.store.columns import WARM_UP, Left, Said, Words
from labkit.store.people import People
from labkit.store.scales import ScaleEnds
from labkit.trial import Trial
from labkit.wording import plural, words_joined


class Misunderstood(Exception):
    """A key of an entry cannot be understood: which one, and why."""

    def __init__(self, key: str, why: str):
        super().__init__(why)
        self.key, self.why = key, why


@dataclass(kw_only=True)
class Reader:
    """Reads entries of one file against one trial."""

    trial: Trial
    words: Words
    people: People
    scales: ScaleEnds
    notes: list[str] = field(default_factory=list)

    def read(self, said: list[Said]) -> tuple[list[dict], list[Left]]:
        """Rows with the keys, the score, row and column of the file; and what was left."""
        kept = [x for x in said if WARM_UP not in (x.code, x.pour)]
        if len(kept) < len(said):
            self.notes.append(f"{plural(len(said) - len(kept), 'score')} of the warm-up {WARM_UP} passed over.")
        said = kept
        values, left = self._values(said)
        self.people.meet(said, {x: (self._pour_of(x), *value) for x, value in values.items()})
        rows = []
        for x, (attribute, score) in values.items():
            try:
                rows.append(self._row(x, attribute, score))
            except Misunderstood as problem:
                left.append(x.left(problem.key, problem.why))
        recorded = self._recorded()
        rows, contrary = _without_contradictions(rows, recorded)
        for row in rows:
            before = recorded.get(score_key(row), [])
            if row["score"] in before and is_blank(before[-1]):
                self.notes.append(f"{score_words(row)} was taken back, and {row['score']:g} once more does not bring "
                                  "it back. Use correct_scores if it is to count.")
        return rows, left + contrary

    def _values(self, said: list[Said]) -> tuple[dict[Said, tuple[str, float]], list[Left]]:
        """By entry: attribute and score."""
        values, left = {}, []
        for x in said:
            attribute = self.words.attribute(x.attribute)
            if not attribute:
                why = unknown_attribute(x.attribute, self.trial.attributes)
                left.append(x.left("attribute", why))
                continue
            if self.trial.attributes[attribute].is_read:
                left.append(x.left("attribute", not_scored(self.trial.attributes[attribute])))
                continue
            try:
                values[x] = (attribute, self.scales.converted(attribute, x.cell))
            except ScoreError as problem:
                left.append(x.left("score", str(problem)))
        return values, left

    def _row(self, x: Said, attribute: str, score: float) -> dict:
        tester = self._tester(x)
        serving = self._serving(x, tester)
        tester, pour = tester or serving.get("tester", ""), x.pour or serving["pour"]
        if not tester:
            raise Misunderstood("tester", "no tester is named, and no serving tells one. Fill in the tester.")
        if pour not in self._made:
            raise Misunderstood("code" if x.code else "pour", self._not_made(x, pour))
        session, position = (getattr(x, key) or serving.get(key, "") for key in ("session", "position"))
        if other := other_spelling(session, self._ids["session"]):
            raise Misunderstood("session", spelled_twice("session", session, other))
        return {"row": x.row, "column": x.column, "cell": x.cell, "pour": pour, "tester": tester, "session": session,
                "position": position, "attribute": attribute, "score": score}

    def _not_made(self, x: Said, pour: str) -> str:
        """Fact and advice about a pour that nobody recorded; a code may stand where a pour is meant."""
        coded = self._served["code", pour] if not x.code else []
        if not coded:
            return not_poured(pour, self._made)
        column = x.columns.get("pour", "")
        advice = f"Say so with columns={{{column!r}: 'code'}}." if column else f"Write {coded[0]['pour']}."
        return f"{pour} is no pour, but the code under which {coded[0]['pour']} was served. {advice}"

    def _tester(self, x: Said) -> str:
        if x.tester not in self._ids["tester"] and (told := told_no_person(x.tester)):
            raise Misunderstood("tester", f"{told} Take it out, or give the tester another name.")
        try:
            return self.people.id_of(x.tester) if x.tester else ""
        except ScoreError as problem:
            raise Misunderstood("tester", str(problem)) from None

    def _pour_of(self, x: Said) -> str:
        return x.pour or next((s["pour"] for s in self._served["code", x.code]), "")

    @cached_property
    def _ids(self) -> dict[str, dict[str, None]]:
        """Testers and sessions that the trial knows."""
        return known_ids(self.trial.servings, self.trial.scores)

    @cached_property
    def _made(self) -> dict[str, None]:
        return dict.fromkeys(self.trial.pours["pour"])

    @cached_property
    def _served(self) -> Mapping[tuple[str, str], list[dict[str, str]]]:
        """By (code, its value) and (pour, its value): the servings."""
        found = defaultdict(list)
        for serving in self.trial.servings.to_dict("records"):
            found["code", serving["code"]].append(serving)
            found["pour", serving["pour"]].append(serving)
        return found

    def _serving(self, x: Said, tester: str) -> Mapping[str, str]:
        """The one serving that an entry is about; nothing when it names a pour and the servings do not tell."""
        key = "code" if x.code else "pour"
        if not x.code and not x.pour:
            raise Misunderstood("pour", "no pour and no code is named. Fill one in, or take the row out where it is "
                                        "no score, such as a mean.")
        found = self._served[key, getattr(x, key)]
        if x.code and not found:
            raise Misunderstood("code", f"code {x.code} belongs to no pour: servings.csv does not have it. "
                                        "Compare it with the ballot.")
        if x.code and x.pour and x.pour != found[0]["pour"]:
            raise Misunderstood("code", f"code {x.code} belongs to {found[0]['pour']}, not to {x.pour}. "
                                        "Compare both with the ballot.")
        return self._only(x, tester, found)

    def _only(self, x: Said, tester: str, found: list[dict[str, str]]) -> Mapping[str, str]:
        stated = {"tester": tester, "session": x.session, "position": x.position}
        fits = [s for s in found if all(s[key] == value for key, value in stated.items() if value)]
        if not fits:
            if x.code:
                said, meant = _all_served([stated]), _all_served(found)
                why = f"code {x.code} was served {meant}, not {said}. Compare it with the ballot."
                raise Misunderstood("code", why)
            return {}
        for key in ("tester", "session", "position"):
            if len({s[key] for s in fits}) > 1:
                if not x.code and key == "tester":
                    return {}
                what = f"code {x.code}" if x.code else f"pour {x.pour}"
                raise Misunderstood("code" if x.code else "pour", f"{what} was served {_all_served(fits)}. "
                                    f"Add a column that says which {key} is meant.")
        return fits[0]

    def _recorded(self) -> dict[tuple, list[float]]:
        """By key the scores in order; blank where one was not given, or taken back."""
        recorded: dict[tuple, list[float]] = {}
        for row in self.trial.scores.to_dict("records"):
            recorded.setdefault(score_key(row), []).append(row["score"])
        return recorded


def _without_contradictions(rows: list[dict], recorded: Mapping[tuple, list[float]]) -> tuple[list[dict], list[Left]]:
    """Rows said once, and what differs from another row or from what is recorded; equal rows again are passed over."""
    first: dict[tuple, dict] = {}
    contrary: dict[tuple, list[dict]] = {}
    for row in rows:
        other = first.setdefault(score_key(row), row)
        if other["score"] != row["score"]:
            contrary.setdefault(score_key(row), [other]).append(row)
    left = [_contrary(row, group[1] if row is group[0] else group[0]) for group in contrary.values() for row in group]
    kept = []
    for key, row in first.items():
        before = recorded.get(key, [])
        if before and not is_blank(before[-1]) and row["score"] not in before and key not in contrary:
            left.append(_left(row, f"{score_words(row)} is recorded already as {before[-1]:g}, and {row['score']:g} "
                                   "differs. Use correct_scores if it was wrong, or give a repeat its own session."))
        elif key not in contrary:
            kept.append(row)
    return kept, left


def _contrary(row: Mapping, other: Mapping) -> Left:
    place = f"row {other['row']}" + (f", column {other['column']!r}" if other["column"] != row["column"] else "")
    return _left(row, f"{score_words(row)} is {row['cell']} here and {other['cell']} in {place}. "
                      "Keep the right one, or give a repeat its own session.")


def _left(row: Mapping, why: str) -> Left:
    return Left(row=row["row"], column=row["column"], cell=row["cell"], why=why)


def _all_served(servings: list[Mapping[str, str]]) -> str:
    """`to T01 in session 1 and to T02 in session 1`."""
    said = [" ".join(f"{word} {row[key]}" for key, word in (("tester", "to"), ("session", "in session"),
                                                             ("position", "in position")) if row[key])
            for row in servings]
    return words_joined(dict.fromkeys(said))


def notes_on(scores: pd.DataFrame, trial: Trial) -> tuple[str, ...]:
    """What to bear in mind about scores that can stand: testers with one score, pours that nobody scored."""
    if not len(scores):
        return ()
    whole = pd.concat([trial.scores.dropna(subset="score")[list(SCORE_KEY)], scores[list(SCORE_KEY)]]).drop_duplicates()
    alone = whole.groupby("tester").filter(lambda part: len(part) == 1)
    alone = alone[alone["tester"].isin(scores["tester"])]
    notes = [f"tester {row.tester} has one score ({row.attribute} of {row.pour}): nobody can tell from one score how "
             f"{row.tester} uses the scale." for row in alone.itertuples()]
    silent = [pour for pour in _expected(scores, trial) if pour not in set(whole["pour"])]
    if silent:
        notes.append(f"nobody scored {words_joined(silent)}. Look for a ballot that is missing.")
    return (*notes, *not_served(scores, trial.servings))


def _expected(scores: pd.DataFrame, trial: Trial) -> list[str]:
    """Pours served in these sessions; where none is written down, the pours of these rounds that did not fail."""
    served = trial.servings[trial.servings["session"].isin(scores["session"])]
    if len(served):
        return sorted(set(served["pour"]))
    made = trial.made
    rounds = set(made.loc[made.index.isin(scores["pour"]), "round"]) - {0}
    return list(made.index[made["round"].isin(rounds) & made["ok"]])

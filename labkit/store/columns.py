"""What each column of a table of scores is: a key, an attribute, a pour's attribute, a tester, or not known."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from labkit.checks import near_to
from labkit.errors import ScoreError
from labkit.pours.rows import near_names
from labkit.scores import not_scored, unknown_attribute
from labkit.trial import Trial
from labkit.wording import as_counted, words_joined

KEYS = ("tester", "pour", "code", "session", "position", "attribute")
ROLES = (*KEYS, "score")
HEADER = "header"              # stands for the row where a column is not understood
WARM_UP = "W"                  # the letter of the warm-up on ballots: what is marked there is not kept
# What people call a column: advised, never taken for granted.
USUAL_WORDS = {"sitting": "session", "person": "tester", "name": "tester", "judge": "tester", "sample": "code",
               "order": "position", "place": "position", "rating": "score", "mark": "score", "points": "score"}
_CODE = re.compile(r"[1-9]\d\d")


@dataclass(frozen=True, kw_only=True)
class Left:
    """A cell that was not understood, and why, with advice."""

    row: object
    column: str
    cell: str
    why: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Said:
    """One cell with a score and all that the table says about it; what it does not say is empty."""

    row: object
    column: str
    cell: str
    tester: str = ""
    pour: str = ""
    code: str = ""
    session: str = ""
    position: str = ""
    attribute: str = ""
    columns: Mapping[str, str]       # key -> the column that says it

    def left(self, key: str, why: str) -> Left:
        """This entry not understood because of one of its keys, or of its score."""
        column, cell = self.columns.get(key, self.column), getattr(self, key, self.cell)
        return Left(row=self.row, column=column, cell=cell, why=why)


@dataclass(frozen=True, kw_only=True)
class Words:
    """The stated words of a file: what its columns (and the cells of its column `attribute`) are called here."""

    trial: Trial
    file: str
    columns: Mapping[str, object]
    drop: tuple[str, ...]
    constant: Mapping[str, str]

    def attribute(self, word: str) -> str:
        """The attribute that a word stands for, or an empty text."""
        word = self.columns.get(word, word)
        return next((name for name in self.trial.attributes if str(word).casefold() == name.casefold()), "")

    def meaning(self, column: str) -> str | tuple[str, str] | None:
        """A role, an attribute, a pair (pour or code, attribute), or None."""
        stated = self.columns.get(column)
        if stated is not None:
            return tuple(map(str, stated)) if isinstance(stated, tuple | list) else stated
        role = next((role for role in ROLES if column.casefold() == role), None)
        return role or self.attribute(column) or self._pair(column) or self._sample(column)

    def _sample(self, column: str) -> tuple[str, str] | None:
        """`P03`, `417`, in a table of one attribute, which `constant` names."""
        attribute = self.attribute(self.constant.get("attribute", ""))
        return (column, attribute) if attribute and self.is_sample(column) else None

    def _pair(self, column: str) -> tuple[str, str] | None:
        """`P03 payoff`, `payoff_417`, `417: payoff`."""
        return next((pair for pair in self._pairs(column) if self.is_sample(pair[0])), None)

    def _pairs(self, column: str) -> Iterator[tuple[str, str]]:
        """Ways to part a column into what may be a sample, and an attribute."""
        for attribute in sorted(self.trial.attributes, key=len, reverse=True):
            for pattern in (rf"{re.escape(attribute)}[\W_]+(.+)", rf"(.+?)[\W_]+{re.escape(attribute)}"):
                found = re.fullmatch(pattern, column.strip(), re.IGNORECASE)
                if found and (who := found.group(1).strip(" _:-()[]")):
                    yield who, attribute

    def meant_pair(self, column: str) -> tuple[str, str] | None:
        """The pour and the attribute that a column such as `P3 payoff` may mean, where the pour is P03."""
        near = ((near_names(who, as_counted(self.pours)), attribute) for who, attribute in self._pairs(column))
        return next(((names[0], attribute) for names, attribute in near if names), None)

    def is_sample(self, word: str) -> bool:
        return word in self.pours or word == WARM_UP or bool(_CODE.fullmatch(word)) or word in self.codes

    @cached_property
    def pours(self) -> set[str]:
        return {*self.trial.pours["pour"], *self.trial.plan["pour"]}

    @cached_property
    def codes(self) -> set[str]:
        return set(self.trial.servings["code"])


def check_words(words: Words, frame: pd.DataFrame) -> None:
    """What is stated about columns is about columns that are there, and means something."""
    said = set(frame.columns)
    for column in frame.columns:
        if words.meaning(column) == "attribute":
            said |= set(frame[column])
    for name, named in (("columns", words.columns), ("drop", words.drop)):
        for column in named:
            if column not in said:
                raise ScoreError(f"{name} names {column!r}, which {words.file} does not have. "
                                 f"Its columns are {words_joined(map(repr, frame.columns))}.")
    for column, meaning in words.columns.items():
        parts = meaning if isinstance(meaning, tuple | list) else (meaning,)
        known = len(parts) == 2 and parts[1] in words.trial.attributes or len(parts) == 1 and (
            parts[0] in ROLES or parts[0] in words.trial.attributes)
        if not known:
            raise ScoreError(f"columns says that {column!r} is {meaning!r}. Choose "
                             f"{words_joined(map(repr, (*ROLES, *words.trial.attributes)), last='or')}, "
                             "or a pair of a pour or code and an attribute.")
    for key in words.constant:
        if key not in KEYS:
            raise ScoreError(f"constant names {key!r}. Choose {words_joined(map(repr, KEYS), last='or')}.")
    if (name := words.constant.get("attribute")) and not words.attribute(name):
        raise ScoreError(f"constant: {unknown_attribute(name, words.trial.attributes)}")


def said_in(frame: pd.DataFrame, words: Words) -> tuple[list[Said], list[Left]]:
    """Every filled score cell of a long or wide table, and the columns that are not understood."""
    meanings = {column: words.meaning(column) for column in frame.columns if column not in words.drop}
    keys = _key_columns(meanings, words)
    people = _tester_columns(meanings, words)
    scored = {column: meaning for column, meaning in meanings.items()
              if meaning is not None and meaning not in KEYS} | people
    left = [Left(row=HEADER, column=column, cell=column, why=_unknown_column(column, words))
            for column, meaning in meanings.items() if meaning is None and column not in people]
    _check_layout(keys, scored, people, meanings, words)
    said = [_said(row, cells, column, meaning, keys, words, column in people)
            for row, cells in zip(frame.index, frame.to_dict("records"))
            for column, meaning in scored.items() if cells[column] != ""]
    return said, left


def _key_columns(meanings: Mapping[str, object], words: Words) -> dict[str, str]:
    keys: dict[str, str] = {}
    for column, meaning in meanings.items():
        if meaning in ROLES:
            if meaning in keys:
                raise ScoreError(f"{words.file}: the columns {keys[meaning]!r} and {column!r} both are the {meaning}. "
                                 "Put one of them into drop.")
            keys[str(meaning)] = column
    return keys


def _tester_columns(meanings: Mapping[str, object], words: Words) -> dict[str, str]:
    """Columns named by testers that the trial knows, in a table without scores in other columns."""
    scores = [m for m in meanings.values() if m is not None and m not in KEYS]
    if scores or "tester" in meanings.values():
        return {}
    known = {*words.trial.servings["tester"], *words.trial.scores["tester"]}
    return {column: column for column, meaning in meanings.items() if meaning is None and column in known}


def _no_scores(columns: list[str], words: Words) -> str:
    scored = words.trial.scored_attributes or words.trial.attributes
    names = words_joined(scored, last="or")
    if not columns:
        return f"{words.file} is empty. Save the table anew, or name another file."
    if samples := [column for column in columns if words.is_sample(column)]:
        which = "the column" if len(samples) == 1 else "the columns"
        first = next(iter(scored))
        return (f"{words.file} does not say what is scored in {which} {words_joined(samples)}. Give "
                f"constant={{'attribute': '{first}'}} where it is {first}, "
                f"or name columns such as '{samples[0]} {first}'.")
    return (f"{words.file} has no column of scores. Name a column score or by an attribute ({names}), or say which it "
            "is with columns=.")


def _check_layout(keys: Mapping[str, str], scored: Mapping, people: Mapping, meanings: Mapping, words: Words) -> None:
    if not scored:
        raise ScoreError(_no_scores(list(meanings), words))
    _check_not_read(scored, words)
    needs = [] if all(isinstance(m, tuple) for m in scored.values()) else [("pour", "code")]
    needs += [("attribute",)] if "score" in scored.values() or people else []
    for choice in needs:
        if not any(key in keys or key in words.constant for key in choice):
            name = " or its ".join(choice)
            raise ScoreError(f"{words.file} has no column for the {name}. Say which it is with "
                             f"columns={{'its name': {choice[-1]!r}}}, or give constant={{{choice[-1]!r}: ...}}.")
    if not people and not any(key in keys or key in words.constant for key in ("tester", "code")) and not any(
            isinstance(m, tuple) and m[0] in words.codes for m in scored.values()):
        raise ScoreError(f"{words.file} has no column for the tester. Say which it is with "
                         "columns={'its name': 'tester'}, or give constant={'tester': ...}.")


def _check_not_read(scored: Mapping, words: Words) -> None:
    """A table of nothing but readings is no table of scores."""
    named = [meaning[1] if isinstance(meaning, tuple) else meaning for meaning in scored.values()]
    read = [words.trial.read_attributes[name] for name in named if name in words.trial.read_attributes]
    if len(read) == len(named):
        raise ScoreError(f"{words.file} holds no scores: {not_scored(read[0])}")


def _said(row, cells: Mapping[str, str], column: str, meaning, keys: Mapping[str, str], words: Words,
          person: bool) -> Said:
    found = dict(words.constant) | {key: cells[name] for key, name in keys.items() if key in KEYS and cells[name]}
    where = dict(keys)
    if person:
        found["tester"], where["tester"] = column, column
    elif isinstance(meaning, tuple):
        which = "pour" if meaning[0] in words.pours else "code"
        found |= {which: meaning[0], "attribute": meaning[1]}
        where |= {which: column, "attribute": column}
    elif meaning != "score":
        found["attribute"], where["attribute"] = meaning, column
    return Said(row=row, column=column, cell=cells[column], columns=where, **found)


def _unknown_column(column: str, words: Words) -> str:
    near = USUAL_WORDS.get(column.casefold()) or near_to(column.casefold(), [*ROLES, *words.trial.attributes])
    meant = repr(words.meant_pair(column) or near) if near else "..."
    return (f"the column {column!r} is not known. Say what it is with columns={{{column!r}: {meant}}}, "
            f"or leave it out with drop=[{column!r}].")

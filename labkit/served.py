"""What was put before whom, and where: positions by tester, session and pour, and scores that contradict them."""

import contextlib
import re
import unicodedata
from collections.abc import Iterable, Mapping

import pandas as pd

from labkit.pours import is_before
from labkit.rounds import MADE_AGAIN
from labkit.wording import words_joined

SUMS = ("mean", "means", "average", "averages", "avg", "median", "sum", "sums", "total", "totals")  # rows of no person
_LEADING = re.compile(r"(?<!\d)0+(?=\d)")


def without_zeros(name: str) -> str:
    """A name without the leading zeros of its numbers."""
    return _LEADING.sub("", name)


def as_meant(name: str) -> str:
    """A name as its letters were meant: accents composed (Unicode form NFC), no UTF-8 that was read as Windows-1252."""
    with contextlib.suppress(UnicodeError):
        name = name.encode("cp1252").decode("utf-8")
    return unicodedata.normalize("NFC", name)


def _with_single_blanks(name: str) -> str:
    return " ".join(name.split())


# In what two spellings of one id may differ; each takes that away.
SPELLINGS = {"capital letters": str.casefold, "leading zeros": without_zeros, "blanks": _with_single_blanks,
             "the coding of letters": as_meant}


def spelled_alike(name: str, but: str = "") -> str:
    """What two spellings of one id have in common: T01, t01 and T1 are one, T10 is another.

    but : the one of SPELLINGS that is left as it is. The coding of letters comes first: what was read wrongly has other
    capitals.
    """
    for what, plain in reversed(SPELLINGS.items()):
        name = name if what == but else plain(name)
    return name


def told_no_person(name: str) -> str:
    """What a tester is whose name is that of a row which a spreadsheet computes, or nothing."""
    no_person = f"tester {name!r} reads like no person, but what a spreadsheet makes of the scores."
    return no_person * (name.casefold() in SUMS)


def doubts_on_people(standing: pd.DataFrame) -> list[str]:
    """Fact and advice about testers, among the scores that count, who are none."""
    return [f"scores.csv: {told} Leave it out with set_aside, or give the tester another name."
            for name in dict.fromkeys(standing["tester"]) if (told := told_no_person(name))]


def served_positions(servings: pd.DataFrame) -> dict[tuple[str, str, str], set[str]]:
    """Positions by tester, session and pour."""
    found: dict[tuple[str, str, str], set[str]] = {}
    for *who, position in zip(*(servings[c] for c in ("tester", "session", "pour", "position"))):
        found.setdefault(tuple(who), set()).add(position)
    return found


def out_of_place(row: Mapping, served: Mapping[tuple[str, str, str], set[str]]) -> str:
    """Fact and advice about a score in a position in which its tester was served another pour, or nothing.

    A position that no serving has may be a second taste of the same evening.
    """
    tester, session, pour, position = (row[k] for k in ("tester", "session", "pour", "position"))
    own = served.get((tester, session, pour), set())
    if not position or not own or "" in own or spelled_alike(position) in map(spelled_alike, own):
        return ""
    for (one, sitting, other), there in served.items():
        if (one, sitting) == (tester, session) and spelled_alike(position) in map(spelled_alike, there):
            return (f"position of {pour} by {tester} in session {session} is {position}, but servings.csv has {other} "
                    f"there and {pour} in position {words_joined(sorted(own))}. Correct the position or the pour, or "
                    "servings.csv if it was served so.")
    return ""


def ballots_missing(servings: pd.DataFrame, scores: pd.DataFrame) -> list[str]:
    """What a tester was served in a sitting and has no row about in scores.csv, where somebody scored that sitting.

    A row without a score tells that the pour was not judged; a row without a session is about any.
    """
    said = set(zip(*(scores[c] for c in ("tester", "session", "pour"))))
    held = {session for _, session, _ in said}
    missing: dict[tuple[str, str], dict[str, None]] = {}
    for tester, session, pour in zip(*(servings[c] for c in ("tester", "session", "pour"))):
        if session in held and not {(tester, session, pour), (tester, "", pour)} & said:
            missing.setdefault((session, tester), {})[pour] = None
    return [f"{tester} in session {session} ({words_joined(pours)})" for (session, tester), pours in missing.items()]


def is_served_once(row: Mapping, served: Mapping[tuple[str, str, str], set[str]]) -> bool:
    """Whether the tester of a score was served its pour once in all sessions together."""
    return sum(len(there) for (tester, _, pour), there in served.items()
               if (tester, pour) == (row["tester"], row["pour"])) == 1


def judged_before_poured(scores: pd.DataFrame, servings: pd.DataFrame, poured: Mapping[str, str]) -> list[str]:
    """Fact and advice about each sitting that is dated before the pours that were scored in it; poured : day by pour.

    A sitting that was planned and in which a later pour was not scored is none of these.
    """
    said = set(zip(*(scores[c] for c in ("tester", "session", "pour"))))
    early: dict[tuple[str, str, str], dict[str, None]] = {}
    for *who, date in zip(*(servings[c] for c in ("tester", "session", "pour", "date"))):
        _, session, pour = who
        if tuple(who) in said and is_before(date, poured.get(pour, "")):
            early.setdefault((session, date, poured[pour]), {})[pour] = None
    return [before_poured(f"servings.csv session {session}", date, pours, day)
            for (session, date, day), pours in early.items()]


def before_poured(where: str, date: str, pours: Iterable[str], day: str) -> str:
    """Fact and advice about a sitting before the day on which its pours were made."""
    names = list(pours)
    made = f"{words_joined(names)} {'was' if len(names) == 1 else 'were'} poured"
    advice = f"Correct the date of the sitting or of the pour; {MADE_AGAIN}."
    return f"{where}: date is {date}, but {made} on {day}. {advice}"

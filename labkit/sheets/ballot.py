"""Ballots: what one tester fills in at one sitting. Codes and scales; no formula, no pour, no order of merit."""

import re
import textwrap
from collections.abc import Mapping

import pandas as pd

from labkit.attributes import Attribute
from labkit.checks import check_choice, check_columns, check_frame, parse_id
from labkit.errors import ScoreError
from labkit.ingredients import flag_of, known_as
from labkit.scores import SERVING_COLUMNS, nothing_scored
from labkit.serving import Serving
from labkit.sheets.page import page
from labkit.trial import Trial, check_trial
from labkit.wording import words_joined

SCALES = ("boxes", "line")
MOST_BOXES = 11
MANY_LINES = 24                # from here on the lines stand closer, so that a sitting stays on one page
NAME, END, TITLE, BEFORE = 15, 18, 58, 115    # letters in a row of a name, an end word, the title, of what comes first
USUAL_BEFORE = 2               # rows of what comes first about allergies, where there is little to tell
# What a flag of an ingredient says to the maker alone; anything else is said to testers as well.
BENCH_NOTES = ("needs heat", "grains", "blooms", "oxidises", "dust", "fades", "US:", "EU:", "UK:")
# Common practice in tastings of lip products.
HYGIENE = (
    "Clean hands, lips wiped bare. Do not take part with a cold sore, or with sore or cracked lips.",
    "Take every sample with a new single-use applicator. Never put a tube to your lips, never dip twice, never share.",
    "Try the samples in the order of this page. Wipe your lips and wait 5 to 10 minutes before the next one.",
    "Stop at any burning, itching or swelling: wipe it off and say so at once.",
)
ALLERGIES = "Say so before you begin if you are allergic to bee products, nut butters, coconut, carmine or fragrance."
CONSENT = ("I consent to take part, and may stop at any time without giving a reason. I have read what the samples may "
           "hold, and I know of no allergy to it.")


def ballots(trial: Trial, serving: Serving | pd.DataFrame, *, scale_as: str = "boxes") -> dict[str, str]:
    """By name (ballot-SESSION-TESTER): a printable page for each tester and sitting, a whole HTML file each.

    Parameters: `serving` from plan_serving, or rows of `trial.servings`; `scale_as`: "boxes" where a scale has at most
    ten steps of a point (of 0.1 on one from 0 to 1), or a "line" for every attribute, 80 mm long, so that a mark m mm
    from its left end is the score low + m / 80 x (high - low). `keep_sheet` writes a page beside the trial.
    """
    found: dict[str, str] = {}
    for sitting in _sittings(trial, serving):
        name = re.sub(r"[^\w.-]+", "_", f"ballot-{sitting['session']}-{sitting['tester']}")
        while name in found:
            name += "_"
        found[name] = _page(trial, [sitting], scale_as)
    return found


def ballot_book(trial: Trial, serving: Serving | pd.DataFrame, *, scale_as: str = "boxes") -> str:
    """The same pages in one HTML file, to be printed at once; each ballot begins on a new page."""
    return _page(trial, _sittings(trial, serving), scale_as)


def allergen_statement(trial: Trial) -> tuple[str, ...]:
    """Sentences for testers, from the flags of the ingredients here and in the trial's own [pantry]."""
    names = _constituents(trial)
    flags = {name: _flag(trial, name) for name in names}
    told = [f"{name} ({flag})" for name, flag in flags.items() if flag]
    unknown = [name for name, flag in flags.items() if not flag and not known_as(name)]
    sentences = [f"The samples may hold {words_joined(told)}." if told else
                 "No ingredient is flagged here for an allergy that is common."]
    if unknown:
        sentences.append(f"Nothing is known here about allergies to {words_joined(unknown, last='or')}.")
    return (*sentences, "Whoever is allergic to anything sees the whole list of ingredients first: ask for it.")


def _constituents(trial: Trial) -> list[str]:
    shelf = trial.recipe.shelf
    return sorted({part for thing in shelf.things for _, part in shelf.pieces_of_thing(thing)}, key=str.casefold)


def _flag(trial: Trial, name: str) -> str:
    """What testers are told about an ingredient; a text of the trial's own pantry overrules ours."""
    own = trial.definition.pantry.get(name)
    said = own.get("flag") if isinstance(own, Mapping) else own
    flag = said if isinstance(said, str) and said.strip() else flag_of(name)
    parts = [part.strip() for part in flag.split(";")]
    return "; ".join(part for part in parts if part and not part.startswith(BENCH_NOTES))


def _sittings(trial: Trial, serving: Serving | pd.DataFrame) -> list[dict]:
    """A dict a tester and session: their names, the date, and the codes in serving order."""
    check_trial(trial, error=ScoreError)
    frame = check_frame(getattr(serving, "frame", serving), what="the servings frame", error=ScoreError)
    needed = ("session", "tester", "code")
    check_columns(frame, allowed=SERVING_COLUMNS, required=needed, what="servings", error=ScoreError)
    if not trial.scored_attributes:
        raise ScoreError(nothing_scored(trial.attributes, "a ballot"))
    if not len(frame):
        raise ScoreError("there are no servings, so there is no ballot. Plan them with plan_serving.")
    frame = frame.reindex(columns=list(SERVING_COLUMNS)).map(parse_id)
    warm_up = bool(getattr(serving, "warm_up", ""))
    return [{"session": session, "tester": tester, "date": part["date"].iloc[0], "warm_up": warm_up,
             "codes": _codes(part)} for (session, tester), part in frame.groupby(["session", "tester"], sort=False)]


def _codes(part: pd.DataFrame) -> list[str]:
    order = part["position"].map(lambda place: (len(place), place)).argsort(kind="stable")
    return list(part["code"].iloc[order])


def _page(trial: Trial, sittings: list[dict], scale_as: str) -> str:
    check_choice(scale_as, SCALES, name="scale_as", error=ScoreError)
    lines = [_line(attribute, scale_as) for attribute in trial.scored_attributes.values()]
    allergens, each = allergen_statement(trial), sum(map(_height, lines)) + 1
    most = max(((len(s["codes"]) + s["warm_up"]) * each + _rows(_title(trial.name, s), TITLE) - 1 for s in sittings),
               default=0) + _rows(f"{' '.join(allergens)} {ALLERGIES}", BEFORE) - USUAL_BEFORE
    return page("ballot.html", title=f"{trial.name}: ballot", sittings=[{**s, "title": _title(trial.name, s)} for s in
                sittings], lines=lines, tight=most > MANY_LINES, allergens=allergens, hygiene=HYGIENE, consent=CONSENT,
                allergies=ALLERGIES, how=_how(lines))


def _title(product: str, sitting: dict) -> str:
    return f"{product}: session {sitting['session']}, tester {sitting['tester']}"


def _height(line: dict) -> float:
    """How many usual lines an attribute takes: more where its words do not fit beside one row of boxes."""
    return max(1.0, 0.2 + 0.5 * max(_rows(end, END) for end in line["ends"]), 0.2 + 0.65 * _rows(line["name"], NAME))


def _rows(text: str, letters: int) -> int:
    """In how many rows words stand where so many letters fit into one."""
    return len(textwrap.wrap(text, letters))


def _how(lines: list[dict]) -> str:
    """How to mark, for the scales that are on the page."""
    boxed, drawn = any(line["boxes"] for line in lines), any(not line["boxes"] for line in lines)
    if not boxed:
        return "Make one mark across each line."
    rows = "each row of boxes" if drawn else "each row"
    return (f"Cross one box in {rows}; a cross between two boxes counts as the half."
            + " Make one mark across each line that has no boxes." * drawn)


def _line(attribute: Attribute, scale_as: str) -> dict:
    """An attribute's name, end words, and its boxes; a line without boxes where the scale has many or uneven steps."""
    name = attribute.name.replace("_", " ")
    low, high = attribute.low / (2 * attribute.half_point), attribute.high / (2 * attribute.half_point)
    whole = abs(low - round(low)) < 1e-6 and abs(high - round(high)) < 1e-6
    boxes = range(round(low), round(high) + 1) if whole and scale_as == "boxes" else ()
    labels = [f"{2 * attribute.half_point * k:g}" for k in boxes] if len(boxes) <= MOST_BOXES else []
    ends = [word or f"{end} {name}" for word, end in zip(attribute.ends, ("least", "most"), strict=True)]
    return {"name": name, "ends": ends, "boxes": labels,
            "low": f"{attribute.low:g}", "high": f"{attribute.high:g}"}

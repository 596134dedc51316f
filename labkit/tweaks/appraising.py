"""What follows from the confirmation pours, attribute by attribute and for the whole, and what to do then."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
import pandas as pd

from labkit.tweaks.confirming import measured
from labkit.tweaks.rivals import Rivals
from labkit.wording import about, number_text, plural, words_joined

UNJUDGED = "not judged"        # of an attribute that no pour of the confirmation was scored or read for


def turned(row: Mapping) -> tuple[str, float, str] | None:
    """The turning point beyond which a result lies: `over`, the result, and which known pour was to be better there.

    None where there is none, or where another was better already when the confirmation was planned.
    """
    if row["at once"]:
        return None
    if row["result"] < row["below"]:
        return "under", row["below"], row["better below"]
    return ("over", row["above"], row["better above"]) if row["result"] > row["above"] else None


def inside(row: Mapping) -> bool:
    return row["low"] <= row["result"] <= row["high"]


def verdict_on(row: Mapping, rivals: Rivals) -> tuple[str, str]:
    """The verdict on one attribute, and why."""
    if np.isnan(row["result"]):
        return UNJUDGED, f"no pour of the confirmation was {_done(row)} for it."
    low, high = _told(row["low"], row), _told(row["high"], row)
    told = f"{_told(row['result'], row, row['unit'])}, where {low} to {high} was expected"
    turn = turned(row)
    if turn:
        word, value, other = turn[0], _told(turn[1], row), turn[2]
        preferred = rivals.apart if not inside(row) else rivals.clearly
        if preferred and rivals.better == other:
            return "overturned", f"{told}; {word} {value} {other} would be the better choice."
        told += f"; {word} {value} {other} was to become the better choice, but with all scores counted"
        if preferred:
            return "overturned", f"{told} {rivals.better} is."
        return "not clear", f"{told} {f'{rivals.better} is not clearly better' if rivals.better else 'it is not'}."
    if inside(row):
        return "confirmed", f"{told}."
    return "not clear", f"{told}." if row["at once"] else (
        f"{told}; of itself that makes no known formula a better choice.")


def _told(value: float, row: Mapping, unit: str = "") -> str:
    return measured(value, unit, row.get("finer", 0))


def whole_of(table: pd.DataFrame, rivals: Rivals, failed: list[str]) -> str:
    """The verdict on the formula, from those on its attributes and whether a known formula is better now.

    As long as something is to be judged yet nothing is clear. Where nothing came out otherwise than expected, another
    has to be clearly better to cast a doubt.
    """
    verdicts = set(table["verdict"])
    if UNJUDGED in verdicts:
        return "not clear"
    if "overturned" in verdicts or (rivals.apart and not all(map(inside, table.to_dict("records")))):
        return "overturned"
    return "confirmed" if verdicts == {"confirmed"} and not rivals.clearly and not failed else "not clear"


def advice_on(whole: str, table: pd.DataFrame, rivals: Rivals, failed: list[str], pours: list[str],
              aside: Mapping[str, bool] = MappingProxyType({}), unforeseen: Sequence[str] = ()) -> str:
    """What to do, then the desirability it follows from, then where fewer told of it than were counted on.

    failed : of `pours`, those that failed. aside : those that are set aside, and whether they failed. unforeseen : what
    is wanted, but was too little known for the plan to expect anything of it.
    """
    sentences = _set_aside(aside)
    if failed:
        sentences.append(f"{words_joined(failed)} failed. A formula that fails is not settled: find out why first.")
    if whole == "confirmed":
        what = words_joined(table["attribute"]) if unforeseen else "everything that is wanted"
        sentences.append(f"The formula did what was expected of it in {what}. Keep it.")
    elif whole == "overturned":
        first = "" if "overturned" in set(table["verdict"]) else (
            f"{words_joined(_otherwise(table))} came out otherwise than expected, and with all scores counted "
            f"{rivals.better} is the better choice. ")
        sentences.append(f"{first}Settle on {rivals.better}, or ask suggest_next for another round.")
    else:
        sentences += _not_clear(table, rivals, failed, [pour for pour in pours if pour not in aside])
    if unforeseen:
        sentences.append(f"Nothing was expected of {words_joined(unforeseen, last='or')}: too little was known when "
                         "this was planned.")
    return "\n".join([*sentences, _numbers(rivals), *_fewer(table, len(pours))])


def _set_aside(aside: Mapping[str, bool]) -> list[str]:
    """Which pours do not count: those that failed, and others."""
    failed, others = ([pour for pour, broke in aside.items() if broke == kind] for kind in (True, False))
    are = f"{words_joined(others)} {'is' if len(others) == 1 else 'are'} set aside, and not counted."
    return [f"{words_joined(failed)} failed, set aside, and not counted."] * bool(failed) + [are] * bool(others)


def _not_clear(table: pd.DataFrame, rivals: Rivals, failed: list[str], pours: list[str]) -> list[str]:
    """What is still to be judged; else what came out otherwise, what is close, and what speaks for another formula."""
    left, sentences = [pour for pour in pours if pour not in failed], []
    if left and UNJUDGED in set(table["verdict"]):
        return _unjudged(table, left)
    if not pours:
        return ["Nothing tells of the formula. Pour it once more (plan_confirmation)."]
    close = [row for row in table.to_dict("records") if row["verdict"] == "not clear" and turned(row)]
    off = [name for name in _otherwise(table) if name not in {row["attribute"] for row in close}]
    if off:
        sentences.append(f"{words_joined(off)} came out otherwise than expected. Pour it once more, or ask "
                         "suggest_next for another round.")
    sentences += [_close(row, rivals) for row in close]
    if rivals.clearly and not failed and not sentences:
        sentences.append("Everything came out as expected, but with all scores counted "
                         f"{rivals.better} is expected to be better. Settle on {rivals.better}, or pour the two side "
                         "by side to be sure.")
    if failed and not sentences:
        what = f"Settle on {rivals.better}" if rivals.apart else "Pour it once more"
        sentences.append(f"{what}, or ask suggest_next for another round.")
    return sentences


def _close(row: Mapping, rivals: Rivals) -> str:
    """Beyond a turning point, and yet nothing clearly better: the two are near each other."""
    word, value, other = turned(row)
    value = _told(value, row, row["unit"])
    if rivals.better:
        lead, sure = ("be better", ", but not clearly") if rivals.apart else ("be as good", "")
        return (f"{row['attribute']} came out {word} {value}, from where on {other} was to "
                f"become the better choice; with all scores counted {rivals.better} is expected to {lead} "
                f"({rivals.others[rivals.better]:.2f} against {rivals.formula['mean']:.2f}){sure}. Pour the "
                "two side by side to be sure, or ask suggest_next for another round.")
    worth = f" ({rivals.formula['mean']:.2f} against {rivals.others[other]:.2f})" if other in rivals.others else ""
    return (f"{row['attribute']} came out {word} {value}, from where on {other} was to become "
            f"the better choice; with all scores counted it is not{worth}. Keep the formula, or pour the two side by "
            "side to be sure.")


def _otherwise(table: pd.DataFrame) -> list[str]:
    return list(table.loc[table["verdict"].isin(["overturned", "not clear"]), "attribute"])


def _unjudged(table: pd.DataFrame, pours: list[str]) -> list[str]:
    """What nobody has scored yet, and what has not been read."""
    missing = table[table["verdict"] == UNJUDGED]
    been = f"{words_joined(pours)} {'has' if len(pours) == 1 else 'have'} not been"
    scored, read = (words_joined(missing.loc[missing["read"] == is_read, "attribute"]) for is_read in (False, True))
    ways = {scored: ("scored", "Have it tasted for that"), read: ("read", "Take the reading")}
    return [f"{been} {done} for {names} yet. {advice}, and appraise the confirmation again."
            for names, (done, advice) in ways.items() if names != "nothing"]


def _done(row: Mapping) -> str:
    return "read" if row["read"] else "scored"


def _numbers(rivals: Rivals) -> str:
    now = rivals.formula
    text = (f"With these scores its desirability is {now['mean']:.2f} (90 %: {number_text(now['low'])} to "
            f"{number_text(now['high'])})")
    if rivals.better and not rivals.apart:
        return f"{text}; {rivals.better} is expected to be as good."
    if rivals.better:
        return (f"{text}, that of {rivals.better} {rivals.others[rivals.better]:.2f}, which is better with a chance of "
                f"{rivals.chance:.2f}.")
    return f"{text}; no other known formula is expected to be better."


def _fewer(table: pd.DataFrame, planned: int) -> list[str]:
    """A sentence for all attributes of which as many fewer testers, readings or pours told than were counted on."""
    found: dict[str, list[str]] = {}
    for row in table[table["verdict"] != UNJUDGED].to_dict("records"):
        noun, parts = "reading" if row["read"] else "tester", []
        if row["judges"] < row["usual"]:
            parts.append(f"{_few(row['judges'], noun)} a pour in place of {_or(row['usual'])}")
        if row["pours"] < planned:
            parts.append(f"{plural(int(row['pours']), 'pour')} in place of {planned}")
        if parts:
            found.setdefault(words_joined(parts), []).append(row["attribute"])
    return [f"Of {words_joined(names)} only {what} told, so that more may be chance: the result was expected in a "
            "wider interval than planned." for what, names in found.items()]


def _or(usual: float) -> str:
    """`6`, or `2 to 3`."""
    return about(usual, "tester").rsplit(" ", 1)[0]


def _few(count: float, noun: str) -> str:
    """`1 tester`, `2.4 testers`: to a tenth, so that what is under a whole number is not told as that."""
    told = f"{count:.1f}".removesuffix(".0")
    return f"{told} {noun if told == '1' else f'{noun}s'}"

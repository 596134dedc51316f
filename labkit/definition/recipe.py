"""The shelf and what varies: [formula], [made_of], [melt], [factors], [blends], [settings], [[limits]]."""

import math
import re
from collections.abc import Mapping

from labkit.checks import meant_or
from labkit.definition.words import BESIDE_COORDINATES, KEYS, check_keys, check_name, names_of, number_of, range_of
from labkit.errors import FormulaError, TrialError
from labkit.formula import Recipe
from labkit.statements import TO_100, Blend, Limit, Setting, Share, Shelf
from labkit.wording import words_joined

ALL_BUT_NOTHING = 0.01  # g/g: what a formula may hold beside the ingredient that fills it to 100
# What a recipe by the spoon says for a weight; a weight itself is no percent either.
_MEASURE = re.compile(r"(?<![a-z])(tsps?|tbsps?|(tea|table)? ?spoons?|spoonfuls?|drops?|pinch(es)?|dash(es)?|cups?|"
                      r"parts?|ml|g|grams?|oz)\b", re.IGNORECASE)
_PERCENT = re.compile(r"\s*\d+([.,]\d+)?\s*%?\s*")


def recipe_of(said: Mapping) -> Recipe:
    shelf = _shelf(said)
    shares = tuple(_share(name, words) for name, words in said.get("factors", {}).items())
    blends = tuple(_blend(name, words) for name, words in said.get("blends", {}).items())
    settings = tuple(_setting(name, words) for name, words in said.get("settings", {}).items())
    limits = tuple(_limit(k, words) for k, words in enumerate(said.get("limits", []), start=1))
    for limit in limits:
        of, whole = shelf.set_of(limit.of, where=limit.name), shelf.set_of(limit.within, where=limit.name)
        if not of < whole:
            raise FormulaError(
                f"{limit.name}: {shelf.words(of)} is not a part of {shelf.words(whole)}. "
                "Name a whole that holds it and something else."
            )
    recipe = Recipe(shelf=shelf, shares=shares, blend_list=blends, setting_list=settings, limits=limits)
    _check_distinct(recipe)
    return recipe


def _check_distinct(recipe: Recipe) -> None:
    """No two columns of one table share a name."""
    names = list(recipe.coordinates)
    for k, name in enumerate(names):
        if name in recipe.ingredients or name in BESIDE_COORDINATES or name in names[:k] or name.endswith(" [g]"):
            raise TrialError(
                f"the name {name!r} is given to something that varies, but it is already a column of the tables. "
                "Give the factor or setting another name."
            )


def _shelf(said: Mapping) -> Shelf:
    percent = said.get("formula", {})
    if not percent:
        raise FormulaError(
            '[formula] is empty. List the starting formula in percent by weight, one ingredient may be "to 100".'
        )
    slack = [name for name, value in percent.items() if value == TO_100]
    if len(slack) > 1:
        raise FormulaError(f'{words_joined(slack)} are all "to 100". Let one ingredient take up the slack.')
    starting = _starting(percent, slack)
    made_of = {name: _parts(name, words, starting) for name, words in said.get("made_of", {}).items()}
    melt = said.get("melt", {})
    check_keys(melt, KEYS["melt"], "[melt]")
    if "melt" in said and "pot" not in melt:
        raise FormulaError("[melt] has no `pot`. List the ingredients that are melted together, or leave [melt] out "
                           "where every pour has a pot of its own.")
    pot = names_of(melt["pot"], "[melt] pot") if melt else ()
    for name in pot:
        if name not in starting:
            raise FormulaError(f"[melt] pot names {name!r}, which is not in [formula]. "
                               + meant_or(name, starting, f"Choose among {words_joined(starting)}."))
    return Shelf(starting=starting, made_of=made_of, pot=pot, slack=slack[0] if slack else "")


def doubts_on_what_is_written(shelf: Shelf) -> list[str]:
    """Fact and advice about shares written where percents are meant: "to 100" would fill all but nothing."""
    beside = [share for name, share in shelf.starting.items() if name != shelf.slack]
    if not shelf.slack or len(beside) < 2 or sum(beside) > ALL_BUT_NOTHING:
        return []
    return [f"trial.toml [formula] has {100 * sum(beside):.3g} % in all beside {shelf.slack}, which fills the rest. "
            "Write percents, such as 9 and not 0.09, where shares were meant."]


def _starting(percent: Mapping, slack: list[str]) -> dict[str, float]:
    """Fractions of the starting formula; "to 100" is filled in, anything else that does not add up is refused."""
    numbers = {}
    for name, value in percent.items():
        check_name(name, "[formula]")
        if value == TO_100:
            continue
        numbers[name] = (
            number_of(value, f"[formula] {name}", error=FormulaError)
            if not isinstance(value, str)
            else _no_text(name, value)
        )
        if numbers[name] < 0:
            raise FormulaError(f"[formula] {name} is {value:g} %. Give a percent of 0 or more.")
    total = math.fsum(numbers.values())
    if not slack and abs(total - 100) > 1e-6:
        raise FormulaError(
            f'[formula] adds to {total:g} %, not 100 %. Correct a percent, or let one ingredient be "to 100".'
        )
    if slack and total >= 100:
        raise FormulaError(
            f"[formula] adds to {total:g} % without {slack[0]}, which is to fill it to 100 %. Lower a percent."
        )
    filled = {name: numbers.get(name, 100 - total) for name in percent}
    whole = math.fsum(filled.values())
    return {name: value / whole for name, value in filled.items()}


def _no_text(name: str, value: str) -> float:
    advice = 'Give a percent as a bare number, or "to 100".'
    if _MEASURE.search(value):
        advice = "Weigh what that is, and give 100 times its grams over the grams of all, as a bare number."
    elif _PERCENT.fullmatch(value):
        advice = f"Write {value.replace('%', '').strip().replace(',', '.')}, without quotes."
    raise FormulaError(f"[formula] {name} is {value!r}. {advice}")


def _parts(name: str, words: Mapping, starting: Mapping) -> dict[str, float]:
    if name not in starting:
        raise FormulaError(f"[made_of] names {name!r}, which is not in [formula]. "
                           + meant_or(name, starting, "Add it to [formula], or leave it out."))
    parts = {part: number_of(share, f"[made_of] {name}: {part}", error=FormulaError) for part, share in words.items()}
    total = math.fsum(parts.values())
    if abs(total - 1) > 1e-6:
        raise FormulaError(
            f"[made_of] {name} adds to {100 * total:g} %, not 100 %. Give the shares of its parts, adding to 1."
        )
    if not all(share > 0 for share in parts.values()) or name in parts:
        raise FormulaError(
            f"[made_of] {name} has a part without a share above 0, or names itself. List what it is made of."
        )
    return {part: share / total for part, share in parts.items()}


def _share(name: str, words: Mapping) -> Share:
    where = f"[factors.{name}]"
    check_keys(words, KEYS["factor"], where)
    if "of" not in words:
        raise TrialError(f"{where} has no `of`. List the ingredients whose share it is.")
    low, high = range_of(words, where, high=1.0)
    within = names_of(words["within"], f"{where} within") if "within" in words else ()
    return Share(name=name, of=names_of(words["of"], f"{where} of"), within=within, low=low, high=high)


def _blend(name: str, words: Mapping) -> Blend:
    where = f"[blends.{name}]"
    check_keys(words, KEYS["blend"], where)
    parts = names_of(words.get("parts"), f"{where} parts")
    if len(parts) < 2:
        raise TrialError(f"{where} has one part. A blend needs two or more.")
    ends = {}
    for end, usual in (("low", 0.0), ("high", 1.0)):
        values = words.get(end, [usual] * len(parts))
        if not isinstance(values, list) or len(values) != len(parts):
            raise TrialError(f"{where} {end} is {values!r}. Give {len(parts)} numbers, one for each part.")
        ends[end] = [number_of(v, f"{where} {end} of {p}") for v, p in zip(values, parts, strict=True)]
    pairs = [
        range_of({"low": a, "high": b}, f"{where} {p}", high=1.0)
        for a, b, p in zip(ends["low"], ends["high"], parts, strict=True)
    ]
    return Blend(name=name, parts=parts, low=tuple(a for a, _ in pairs), high=tuple(b for _, b in pairs))


def _setting(name: str, words: Mapping) -> Setting:
    where = f"[settings.{name}]"
    check_keys(words, KEYS["setting"], where)
    low, high = range_of(words, where)
    per_melt = words.get("per_melt", False)
    if not isinstance(per_melt, bool):
        raise TrialError(f"{where} per_melt is {per_melt!r}. Write true or false, without quotes.")
    step = number_of(words.get("step", 0.0), f"{where} step")
    if "step" in words and not 0 < step <= (high - low if high > low else math.inf):
        wide = f" and no more than its range of {high - low:g}" if high > low else ""
        raise TrialError(f"{where} step is {step:g}. Give to how much it can be set and read, above 0{wide}, or "
                         "leave it out.")
    return Setting(name=name, low=low, high=high, unit=str(words.get("unit", "")), per_melt=per_melt, step=step)


def _limit(k: int, words: Mapping) -> Limit:
    where = f"[[limits]] number {k}"
    check_keys(words, KEYS["limit"], where)
    if "of" not in words or not ("low" in words or "high" in words):
        raise TrialError(f"{where} lacks `of`, or both low and high. Say whose share it limits, and where.")
    low, high = range_of({"low": words.get("low", 0.0), "high": words.get("high", 1.0)}, where, high=1.0)
    within = names_of(words["within"], f"{where} within") if "within" in words else ()
    return Limit(name=where, of=names_of(words["of"], f"{where} of"), within=within, low=low, high=high)

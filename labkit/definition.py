"""From the words of trial.toml to checked records: the shelf, what varies, what is wanted, what it costs."""

import difflib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from labkit.attributes import EXPECTED, WANTED_POINTS, Attribute, Wanted
from labkit.checks import check_choice, check_share, is_blank
from labkit.errors import FormulaError, LabkitError, TrialError
from labkit.formula import Recipe
from labkit.region import Region
from labkit.rounds import Batch, Cost
from labkit.statements import TO_100, Blend, Limit, Setting, Share, Shelf
from labkit.wording import words_joined

TABLES = (
    "product",
    "batch",
    "formula",
    "made_of",
    "melt",
    "factors",
    "blends",
    "settings",
    "limits",
    "attributes",
    "noise",
    "cost",
    "prices",
    "pantry",
)
KEYS = MappingProxyType(
    {
        "product": ("name", "markets", "notes"),
        "batch": ("pour_g", "balance_step_g", "wait_h"),
        "melt": ("pot",),
        "factor": ("of", "within", "low", "high"),
        "blend": ("parts", "low", "high"),
        "setting": ("unit", "low", "high", "per_melt"),
        "limit": ("of", "within", "low", "high"),
        "attribute": ("scale", "ends", "wanted", "expect", "importance"),
        "noise": ("round", "melt", "pour", "tester", "tester_pour"),
        "cost": ("round", "melt", "pour"),
    }
)
TAKEN = ("round", "melt", "pour", "order", "date", "outcome", "defects", "note", "corrects", "reason", "base")
# Stated prior standard deviations as parts of the scale's width, from rehearsals and common practice:
# friends lean by about a tenth of the scale, and differ on single pours by a little less.
NOISE = MappingProxyType({"round": 0.03, "melt": 0.03, "pour": 0.03, "tester": 0.10, "tester_pour": 0.08})
MARKETS = ("US", "EU", "UK")


@dataclass(frozen=True, kw_only=True, eq=False)
class Definition:
    """Everything in trial.toml, checked."""

    name: str
    notes: str = ""
    markets: tuple[str, ...] = ()
    batch: Batch = field(default_factory=Batch)
    recipe: Recipe
    region: Region
    attributes: Mapping[str, Attribute]
    noise: Mapping[str, float]
    cost: Cost = field(default_factory=Cost)
    prices: Mapping[str, float] = field(default_factory=dict)
    pantry: Mapping[str, Mapping] = field(default_factory=dict)


def read_definition(text: str) -> Definition:
    """The definition in the text of a trial.toml. Every refusal names the table and the key."""
    try:
        said = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise TrialError(
            f"trial.toml cannot be read: {problem}. Mend that line: text in double quotes, numbers as 0.5."
        ) from None
    _check_keys(said, TABLES, "trial.toml")
    _check_shapes(said)
    product, batch = said.get("product", {}), _batch(said.get("batch", {}))
    _check_keys(product, KEYS["product"], "[product]")
    recipe = _recipe(said)
    region = Region(recipe=recipe, floor=batch.balance_step_g / batch.pour_g)
    attributes = {name: _attribute(name, words, recipe) for name, words in said.get("attributes", {}).items()}
    return Definition(
        name=str(product.get("name", "unnamed trial")),
        notes=str(product.get("notes", "")).strip(),
        markets=tuple(product.get("markets", ())),
        batch=batch,
        recipe=recipe,
        region=region,
        attributes=MappingProxyType(attributes),
        noise=_noise(said.get("noise", {})),
        cost=_cost(said.get("cost", {})),
        prices=MappingProxyType(said.get("prices", {})),
        pantry=MappingProxyType(said.get("pantry", {})),
    )


def _check_keys(table: Mapping, known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(str(key), known, n=1)
            raise TrialError(
                f"{where} has {key!r}, which is not known. "
                + (f"Did you mean {near[0]!r}?" if near else f"Choose {words_joined(known, last='or')}.")
            )


def _check_shapes(said: Mapping) -> None:
    """Each table is a table, each of its named parts too."""
    for key, value in said.items():
        if key == "limits":
            if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
                raise TrialError("limits is not a list of tables. Write each under its own [[limits]].")
        elif not isinstance(value, dict):
            raise TrialError(f"{key} is {value!r}, which is not a table. Write it under [{key}].")
        elif key in ("factors", "blends", "settings", "attributes", "made_of"):
            for name, part in value.items():
                if not isinstance(part, dict):
                    raise TrialError(
                        f"[{key}] {name} is {part!r}, which is not a table. Write it under [{key}.{name}]."
                    )


def _batch(words: Mapping) -> Batch:
    _check_keys(words, KEYS["batch"], "[batch]")
    return Batch(**{key: _number(value, f"[batch] {key}") for key, value in words.items()})


def _number(value: object, where: str, *, error: type[LabkitError] = TrialError) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise error(f"{where} is {value!r}. Give a number.")
    return float(value)


def _names(value: object, where: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not value or not all(isinstance(v, str) and v.strip() for v in value):
        raise TrialError(f"{where} is {value!r}. Give a list of ingredient names in double quotes.")
    if len(set(value)) < len(value):
        double = next(v for v in value if value.count(v) > 1)
        raise TrialError(f"{where} names {double!r} twice. Name each ingredient once.")
    return tuple(value)


def _recipe(said: Mapping) -> Recipe:
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
        if name in recipe.ingredients or name in TAKEN or name in names[:k] or name.endswith(" [g]"):
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
    _check_keys(melt, KEYS["melt"], "[melt]")
    pot = _names(melt["pot"], "[melt] pot") if melt else ()
    for name in pot:
        if name not in starting:
            near = difflib.get_close_matches(name, list(starting), n=1)
            raise FormulaError(
                f"[melt] pot names {name!r}, which is not in [formula]. "
                + (f"Did you mean {near[0]!r}?" if near else f"Choose among {words_joined(starting)}.")
            )
    return Shelf(starting=starting, made_of=made_of, pot=pot, slack=slack[0] if slack else "")


def _starting(percent: Mapping, slack: list[str]) -> dict[str, float]:
    """Fractions of the starting formula; "to 100" is filled in, anything else that does not add up is refused."""
    numbers = {}
    for name, value in percent.items():
        if value == TO_100:
            continue
        numbers[name] = (
            _number(value, f"[formula] {name}", error=FormulaError)
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
    raise FormulaError(f'[formula] {name} is {value!r}. Give a percent as a bare number, or "to 100".')


def _parts(name: str, words: Mapping, starting: Mapping) -> dict[str, float]:
    if name not in starting:
        near = difflib.get_close_matches(name, list(starting), n=1)
        raise FormulaError(
            f"[made_of] names {name!r}, which is not in [formula]. "
            + (f"Did you mean {near[0]!r}?" if near else "Add it to [formula], or leave it out.")
        )
    parts = {part: _number(share, f"[made_of] {name}: {part}", error=FormulaError) for part, share in words.items()}
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


def _range(words: Mapping, where: str, *, high: float | None = None) -> tuple[float, float]:
    for end in ("low", "high"):
        if end not in words:
            raise TrialError(f"{where} has no {end}. Give low and high.")
    ends = [_number(words[end], f"{where} {end}") for end in ("low", "high")]
    if high is not None:
        ends = [
            check_share(e, name=f"{where} {n}", error=TrialError, high=high)
            for e, n in zip(ends, ("low", "high"), strict=True)
        ]
    if ends[0] > ends[1]:
        raise TrialError(f"{where}: low is {ends[0]:g} and high is {ends[1]:g}. Give the lower number as low.")
    return ends[0], ends[1]


def _share(name: str, words: Mapping) -> Share:
    where = f"[factors.{name}]"
    _check_keys(words, KEYS["factor"], where)
    if "of" not in words:
        raise TrialError(f"{where} has no `of`. List the ingredients whose share it is.")
    low, high = _range(words, where, high=1.0)
    within = _names(words["within"], f"{where} within") if "within" in words else ()
    return Share(name=name, of=_names(words["of"], f"{where} of"), within=within, low=low, high=high)


def _blend(name: str, words: Mapping) -> Blend:
    where = f"[blends.{name}]"
    _check_keys(words, KEYS["blend"], where)
    parts = _names(words.get("parts"), f"{where} parts")
    if len(parts) < 2:
        raise TrialError(f"{where} has one part. A blend needs two or more.")
    ends = {}
    for end, usual in (("low", 0.0), ("high", 1.0)):
        values = words.get(end, [usual] * len(parts))
        if not isinstance(values, list) or len(values) != len(parts):
            raise TrialError(f"{where} {end} is {values!r}. Give {len(parts)} numbers, one for each part.")
        ends[end] = [_number(v, f"{where} {end} of {p}") for v, p in zip(values, parts, strict=True)]
    pairs = [
        _range({"low": a, "high": b}, f"{where} {p}", high=1.0)
        for a, b, p in zip(ends["low"], ends["high"], parts, strict=True)
    ]
    return Blend(name=name, parts=parts, low=tuple(a for a, _ in pairs), high=tuple(b for _, b in pairs))


def _setting(name: str, words: Mapping) -> Setting:
    where = f"[settings.{name}]"
    _check_keys(words, KEYS["setting"], where)
    low, high = _range(words, where)
    return Setting(
        name=name, low=low, high=high, unit=str(words.get("unit", "")), per_melt=words.get("per_melt", False) is True
    )


def _limit(k: int, words: Mapping) -> Limit:
    where = f"[[limits]] number {k}"
    _check_keys(words, KEYS["limit"], where)
    if "of" not in words or not ("low" in words or "high" in words):
        raise TrialError(f"{where} lacks `of`, or both low and high. Say whose share it limits, and where.")
    low, high = _range({"low": words.get("low", 0.0), "high": words.get("high", 1.0)}, where, high=1.0)
    within = _names(words["within"], f"{where} within") if "within" in words else ()
    return Limit(name=where, of=_names(words["of"], f"{where} of"), within=within, low=low, high=high)


def _attribute(name: str, words: Mapping, recipe: Recipe) -> Attribute:
    where = f"[attributes.{name}]"
    _check_keys(words, KEYS["attribute"], where)
    scale = _points(words.get("scale", [0, 10]), f"{where} scale", 2)
    ends = words.get("ends", ["", ""])
    if not isinstance(ends, list) or len(ends) != 2:
        raise TrialError(f"{where} ends is {ends!r}. Give the words at both ends of the scale.")
    expect = {
        coordinate: EXPECTED[check_choice(way, EXPECTED, name=f"{where} expect {coordinate}", error=TrialError)]
        for coordinate, way in words.get("expect", {}).items()
    }
    found = Attribute(
        name=name,
        low=scale[0],
        high=scale[1],
        ends=(str(ends[0]), str(ends[1])),
        expect=expect,
        wanted=_wanted(words["wanted"], where) if "wanted" in words else None,
        importance=_number(words.get("importance", 1.0), f"{where} importance"),
    )
    found.check_expected(recipe.coordinates)
    return found


def _wanted(words: object, where: str) -> Wanted:
    if not isinstance(words, dict) or len(words) != 1:
        raise TrialError(
            f"{where} wanted is {words!r}. Give one of {words_joined(WANTED_POINTS, last='or')} with its points."
        )
    ((kind, points),) = words.items()
    check_choice(kind, WANTED_POINTS, name=f"{where} wanted", error=TrialError)
    return Wanted(kind=kind, points=_points(points, f"{where} wanted {kind}", WANTED_POINTS[kind]))


def _points(values: object, where: str, count: int) -> tuple[float, ...]:
    if not isinstance(values, list) or len(values) != count:
        raise TrialError(f"{where} is {values!r}. Give {count} numbers.")
    return tuple(_number(v, where) for v in values)


def _noise(words: Mapping) -> Mapping[str, float]:
    _check_keys(words, KEYS["noise"], "[noise]")
    for source, value in words.items():
        if _number(value, f"[noise] {source}") <= 0:
            raise TrialError(
                f"[noise] {source} is {value:g}. Give a standard deviation above 0, in units of the scale."
            )
    return MappingProxyType({source: float(value) for source, value in words.items()})


def _cost(words: Mapping) -> Cost:
    _check_keys(words, KEYS["cost"], "[cost]")
    found = {key: _number(value, f"[cost] {key}") for key, value in words.items()}
    if any(is_blank(v) or v < 0 for v in found.values()):
        raise TrialError("[cost] has a value below 0. Give what a round, a melt and a pour cost, in one unit.")
    return Cost(**found)

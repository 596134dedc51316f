"""From the words of trial.toml to checked records: the shelf, what varies, what is wanted, what it costs."""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from labkit.attributes import EXPECTED, WANTED_POINTS, Attribute, Wanted
from labkit.checks import check_choice
from labkit.definition.instruments import check_methods, instrument_of
from labkit.definition.pantry import pantry_of, prices_of
from labkit.definition.recipe import recipe_of
from labkit.definition.words import BESIDE_ATTRIBUTES, KEYS, check_keys, check_shapes, markets_of, number_of, points_of
from labkit.errors import TrialError
from labkit.formula import Recipe
from labkit.handing import fixed
from labkit.region import Region
from labkit.rounds import Batch, Cost
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
# Stated prior standard deviations as parts of the scale's width, from rehearsals and common practice:
# friends lean by about a tenth of the scale, and differ on single pours by a little less.
NOISE = MappingProxyType({"round": 0.03, "melt": 0.03, "pour": 0.03, "tester": 0.10, "tester_pour": 0.08})
# The same for an instrument: two readings of one pour differ by a few hundredths of the scale (common practice).
READ_NOISE = MappingProxyType({"round": 0.03, "melt": 0.03, "pour": 0.03, "reading": 0.03})

NARROWEST, LARGEST, FINEST = 0.01, 100_000, 1000     # widths of scales, their ends, and parts that are told apart


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
    pantry: Mapping[str, Mapping | str] = field(default_factory=dict)


def read_definition(text: str) -> Definition:
    """The definition in the text of a trial.toml. Every refusal names the table and the key."""
    try:
        said = tomllib.loads(text.removeprefix("\ufeff"))         # a byte order mark says how text is kept, not what
    except tomllib.TOMLDecodeError as problem:
        raise TrialError(
            f"trial.toml cannot be read: {problem}. Mend that line: text in double quotes, numbers as 0.5."
        ) from None
    check_keys(said, TABLES, "trial.toml")
    check_shapes(said)
    product, batch = said.get("product", {}), _batch(said.get("batch", {}))
    check_keys(product, KEYS["product"], "[product]")
    recipe = recipe_of(said)
    region = Region(recipe=recipe, floor=batch.balance_step_g / batch.pour_g)
    _check_capitals(said.get("attributes", {}))
    attributes = {name: attribute_of(name, words, recipe) for name, words in said.get("attributes", {}).items()}
    check_methods(attributes)
    return Definition(
        name=str(product.get("name", "unnamed trial")),
        notes=str(product.get("notes", "")).strip(),
        markets=markets_of(product.get("markets", [])),
        batch=batch,
        recipe=recipe,
        region=region,
        attributes=fixed(attributes),
        noise=_noise(said.get("noise", {})),
        cost=_cost(said.get("cost", {})),
        prices=prices_of(said.get("prices", {}), recipe.shelf),
        pantry=pantry_of(said.get("pantry", {}), recipe.shelf),
    )


def _batch(words: Mapping) -> Batch:
    check_keys(words, KEYS["batch"], "[batch]")
    return Batch(**{key: number_of(value, f"[batch] {key}") for key, value in words.items()})


def _noise(words: Mapping) -> Mapping[str, float]:
    check_keys(words, KEYS["noise"], "[noise]")
    for source, value in words.items():
        if number_of(value, f"[noise] {source}") <= 0:
            raise TrialError(
                f"[noise] {source} is {value:g}. Give a standard deviation above 0, in units of the scale."
            )
    return fixed({source: float(value) for source, value in words.items()})


def _cost(words: Mapping) -> Cost:
    check_keys(words, KEYS["cost"], "[cost]")
    found = {key: number_of(value, f"[cost] {key}") for key, value in words.items()}
    for key, value in found.items():
        if value < 0 and key == "worth":
            raise TrialError(f"[cost] worth is {value:g}, which is below 0. Give the desirability (0 to 1) that one "
                             "unit of cost must bring, or leave it out.")
        if value < 0:
            raise TrialError(f"[cost] {key} is {value:g}, which is below 0. Give the cost of a round, melt, pour and "
                             "tester, in one unit.")
    cost = Cost(**found)
    if not cost.of(rounds=1, melts=1, pours=1) > 0:
        raise TrialError("[cost] is 0 for a round, a melt and a pour, but what a round brings is held against what it "
                         "costs. Give one of them a cost above 0.")
    return cost


def _check_capitals(names: Iterable[str]) -> None:
    """Who scores types the name of an attribute as it comes."""
    first: dict[str, str] = {}
    for name in names:
        other = first.setdefault(name.casefold(), name)
        if other != name:
            raise TrialError(
                f"attributes {other!r} and {name!r} differ only in capital letters. Give one of them another name."
            )


def _check_attribute_name(name: str, recipe: Recipe) -> None:
    """An attribute is a column, or a row, beside what varies and the columns of the kit."""
    taken = {
        "something that varies": name in recipe.coordinates,
        "an ingredient": name in recipe.ingredients,
        "a column of the tables": name.casefold() in BESIDE_ATTRIBUTES or name.endswith(" [g]"),
    }
    for what, is_taken in taken.items():
        if is_taken:
            raise TrialError(
                f"the name {name!r} is given to an attribute, but it is already that of {what}. "
                "Give the attribute another name."
            )


def attribute_of(name: str, words: Mapping, recipe: Recipe) -> Attribute:
    _check_attribute_name(name, recipe)
    where = f"[attributes.{name}]"
    check_keys(words, KEYS["attribute"], where)
    scale = points_of(words.get("scale", [0, 10]), f"{where} scale", 2)
    ends = words.get("ends", ["", ""])
    if not isinstance(ends, list) or len(ends) != 2:
        raise TrialError(f"{where} ends is {ends!r}. Give the words at both ends of the scale.")
    instrument = instrument_of(name, words, where)
    _check_digits(*scale, where, unit=instrument.get("unit", ""))
    found = Attribute(
        name=name,
        low=scale[0],
        high=scale[1],
        ends=(str(ends[0]), str(ends[1])),
        expect=_expected(words.get("expect", {}), where),
        wanted=_wanted(words["wanted"], where) if "wanted" in words else None,
        importance=number_of(words.get("importance", 1.0), f"{where} importance"),
        **instrument,
    )
    found.check_expected(recipe.coordinates)
    return found


def _check_digits(low: float, high: float, where: str, *, unit: str) -> None:
    """A value on the scale is told in six digits at most, a thousandth of the scale among them."""
    largest = max(abs(low), abs(high))
    narrow = 0 < high - low < max(NARROWEST, largest / FINEST)
    if not narrow and largest <= LARGEST:
        return
    how, unit_is, such = ("narrow", "smaller", "mg for g") if narrow else ("wide", "larger", "g for mg")
    advice = f"Choose a {unit_is} unit, such as {such}." if unit else "Choose another one, such as [0, 10]."
    ends = f"{low:.12g} to {high:.12g} {unit}".strip()
    raise TrialError(f"{where} scale runs from {ends}, too {how} to be told in a few digits. {advice}")


def _expected(words: object, where: str) -> dict[str, int]:
    if not isinstance(words, dict):
        raise TrialError(
            f"{where} expect is {words!r}, which is not a table. "
            'Give up or down for what varies, such as expect = { wax = "up" }.'
        )
    return {
        coordinate: EXPECTED[check_choice(way, EXPECTED, name=f"{where} expect {coordinate}", error=TrialError)]
        for coordinate, way in words.items()
    }


def _wanted(words: object, where: str) -> Wanted:
    if not isinstance(words, dict) or len(words) != 1:
        raise TrialError(
            f"{where} wanted is {words!r}. Give one of {words_joined(WANTED_POINTS, last='or')} with its points."
        )
    ((kind, points),) = words.items()
    check_choice(kind, WANTED_POINTS, name=f"{where} wanted", error=TrialError)
    points = points_of(points, f"{where} wanted {kind}", WANTED_POINTS[kind])
    try:
        return Wanted(kind=kind, points=points)
    except TrialError as problem:
        raise TrialError(f"{where} {problem}") from None

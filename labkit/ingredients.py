"""Facts of what is on the shelf, and what a spoon of it may weigh.

Densities are from memory unless said otherwise; a `Spoonful` may bring its own. Nothing asks for INCI names yet: they
are for ingredient lists to come. Of a trial's own `[pantry]` two facts of an ingredient are read, its flag (what
testers are told of allergies) and its melting range; they overrule those here. Melting ranges of waxes: OCL (2022),
article ocl210097, Table 1; the others are from memory.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import pandas as pd

from labkit.errors import FormulaError
from labkit.wording import words_joined

# Millilitres: NIST Handbook 44, Appendix C (derived from the US gallon).
SPOONS_ML = MappingProxyType({"tsp": 4.92892159375, "tbsp": 14.78676478125})
# Part of the volume that is not air; grated wax and dry powder are from memory, overwrite with a weighed spoon.
PACKING = MappingProxyType({"grated": (0.35, 0.60), "powder": (0.10, 0.30), "solid": (0.95, 1.0), "liquid": (1.0, 1.0)})


@dataclass(frozen=True, kw_only=True)
class Ingredient:
    """One thing on the shelf: name, INCI name, role, density range [g/mL], melting range [degC], what to watch."""

    name: str
    inci: str = ""
    role: str = ""
    density: tuple[float, float] | None = None
    melting: tuple[float, float] | None = None
    flag: str = ""


def _known(*rows: tuple) -> Mapping[str, Ingredient]:
    fields = ("name", "inci", "role", "density", "melting", "flag")
    return MappingProxyType({row[0]: Ingredient(**dict(zip(fields, row, strict=True))) for row in rows})


PANTRY = _known(
    ("beeswax", "Cera Alba", "wax", (0.95, 0.97), (62, 64), "bee products; not vegan"),
    ("candelilla wax", "Euphorbia Cerifera (Candelilla) Wax", "wax", (0.98, 0.99), (68, 73), ""),
    ("carnauba wax", "Copernicia Cerifera (Carnauba) Wax", "wax", (0.99, 1.00), (80, 86), "needs heat near 90 °C"),
    ("rice bran wax", "Oryza Sativa (Rice) Bran Wax", "wax", None, (75, 82), ""),
    ("sunflower wax", "Helianthus Annuus (Sunflower) Seed Wax", "wax", None, (74, 77), ""),
    (
        "shea butter",
        "Butyrospermum Parkii (Shea) Butter",
        "butter",
        (0.90, 0.92),
        (32, 38),
        "tree nut; grains when cooled slowly",
    ),
    ("cocoa butter", "Theobroma Cacao (Cocoa) Seed Butter", "butter", (0.96, 0.98), (31, 35), "blooms"),
    (
        "mango butter",
        "Mangifera Indica (Mango) Seed Butter",
        "butter",
        (0.90, 0.92),
        (31, 40),
        "grains when cooled slowly",
    ),
    ("coconut oil", "Cocos Nucifera (Coconut) Oil", "oil", (0.908, 0.921), (24, 24), "coconut"),
    ("castor oil", "Ricinus Communis (Castor) Seed Oil", "oil", (0.955, 0.967), None, ""),
    ("jojoba oil", "Simmondsia Chinensis (Jojoba) Seed Oil", "oil", (0.863, 0.873), (7, 12), ""),
    ("sunflower oil", "Helianthus Annuus (Sunflower) Seed Oil", "oil", (0.918, 0.923), None, "oxidises"),
    ("vitamin E", "Tocopherol", "antioxidant", (0.95, 0.95), None, ""),
    ("titanium dioxide", "CI 77891", "colorant", (4.2, 4.2), None, "dust: do not breathe"),
    ("red iron oxide", "CI 77491", "colorant", (5.2, 5.2), None, "dust: do not breathe"),
    ("yellow iron oxide", "CI 77492", "colorant", (4.1, 4.1), None, "dust: do not breathe"),
    ("black iron oxide", "CI 77499", "colorant", (4.9, 4.9), None, "dust: do not breathe"),
    ("brown iron oxide", "CI 77491, CI 77492, CI 77499", "colorant", (4.1, 5.2), None, "dust: do not breathe"),
    ("mica", "CI 77019", "colorant", (2.8, 2.8), None, "dust: do not breathe"),
    ("carmine", "CI 75470", "colorant", (1.5, 1.8), None, "allergy, anaphylaxis reported; insect"),
    ("red 7 lake", "CI 15850", "colorant", (1.5, 1.8), None, "US: certified batch only"),
    ("annatto", "CI 75120", "colorant", (0.92, 0.92), None, "fades in light"),
)


# Words in a name that tell what testers may be allergic to. Nuts but for shea, peanut, sesame, soya, wheat and milk:
# Regulation (EU) 1169/2011, Annex II, from memory; the others: common practice.
ALLERGENS = (
    (r"bee|bees|bee'?s ?wax|honey|propolis|cera alba", "bee products"),
    (r"almonds?|hazelnuts?|walnuts?|cashews?|pecans?|brazil nuts?|pistachios?|macadamias?|shea", "tree nut"),
    (r"peanuts?|groundnuts?|arachis", "peanut"), (r"sesame", "sesame"), (r"soya?|soya? ?beans?", "soya"),
    (r"wheat", "wheat"), (r"milk", "milk"), (r"coconuts?", "coconut"), (r"carmine|cochineal", "carmine; insect"),
    (r"lanolin|wool wax", "lanolin"), (r"fragrances?|perfumes?|parfum|flavou?rs?|aromas?|essential oils?", "fragrance"),
)
# Words in a name that tell which wax is meant: "carnauba", "Beeswax, white", "organic candelilla wax".
WAXES = ((r"bees'?s? ?wax", "beeswax"), (r"candelilla", "candelilla wax"), (r"carnauba", "carnauba wax"),
         (r"rice(?: bran)? wax", "rice bran wax"), (r"sunflower(?: seed)? wax", "sunflower wax"))
_BY_NAME = {name.casefold(): ingredient for name, ingredient in PANTRY.items()}


def known_as(name: str) -> Ingredient | None:
    """The known ingredient of that name in capital or small letters, or nothing."""
    return _BY_NAME.get(name.casefold())


def flag_of(name: str) -> str:
    """What to watch of an ingredient: its flag where it is known, else the allergens that its name tells."""
    if known := known_as(name):
        return known.flag
    words = name.replace("_", " ")
    return "; ".join(told for pattern, told in ALLERGENS if re.search(rf"\b(?:{pattern})\b", words, re.IGNORECASE))


def melts_up_to(name: str) -> float | None:
    """The upper end of a melting range [degC]: of an ingredient known here, or the hottest of the waxes in its name."""
    if known := known_as(name):
        return known.melting[1] if known.melting else None
    words = name.replace("_", " ")
    told = [PANTRY[wax].melting[1] for pattern, wax in WAXES if re.search(rf"\b(?:{pattern})\b", words, re.IGNORECASE)]
    return max(told, default=None)


def role_of(name: str) -> str:
    """The role of a known ingredient in capital or small letters, or an empty text."""
    known = known_as(name)
    return known.role if known else ""


@dataclass(frozen=True, kw_only=True)
class Spoonful:
    """A level measure of one ingredient: how many, of which spoon, how it is packed, its density range [g/mL]."""

    ingredient: str
    count: float
    spoon: str
    packing: str
    density: tuple[float, float] | None = None


def spoon_shares(spoonfuls: Iterable[Spoonful]) -> pd.DataFrame:
    """What a recipe by the spoon is by volume, and between which bounds by mass.

    mass = volume x density x packing, so a share of the mass lies between its own least mass beside
    the greatest of the others, and the reverse. A row an ingredient: volume [mL], volume_share, mass_low [g],
    mass_high [g], share_low, share_high. Common practice: an estimate, never a weight.
    """
    rows = [_spoonful_row(spoonful) for spoonful in spoonfuls]
    table = pd.DataFrame(rows, columns=["ingredient", "volume", "mass_low", "mass_high"]).set_index("ingredient")
    table.insert(1, "volume_share", table["volume"] / table["volume"].sum())
    low, high = table["mass_low"], table["mass_high"]
    table["share_low"] = low / (low + high.sum() - high)
    table["share_high"] = high / (high + low.sum() - low)
    return table


def _spoonful_row(spoonful: Spoonful) -> tuple[str, float, float, float]:
    if spoonful.spoon not in SPOONS_ML:
        raise FormulaError(
            f"{spoonful.ingredient}: the spoon is {spoonful.spoon!r}. Choose {words_joined(SPOONS_ML, last='or')}."
        )
    if spoonful.packing not in PACKING:
        raise FormulaError(
            f"{spoonful.ingredient}: the packing is {spoonful.packing!r}. Choose {words_joined(PACKING, last='or')}."
        )
    known = known_as(spoonful.ingredient)
    density = spoonful.density or (known.density if known else None)
    if density is None:
        raise FormulaError(f"{spoonful.ingredient}: its density is not known here. Give density=(low, high) in g/mL.")
    volume = spoonful.count * SPOONS_ML[spoonful.spoon]
    loose, tight = PACKING[spoonful.packing]
    return spoonful.ingredient, volume, volume * density[0] * loose, volume * density[1] * tight

"""Five invented products for the third family. Every name, number and wish is invented.

A driver is what varies: canonical name -> Driver(column, low, high, toml piece). Responses know drivers only by their
canonical names (wax, hard, butter, oil, gel, thick, load, red, mica, heat, cool, stir).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Driver:
    column: str
    low: float
    high: float
    piece: str = ""            # toml; "" for parts of a blend (the blend's piece is the product's)


@dataclass(frozen=True)
class Product:
    """versions: number of factors -> alternatives, each a tuple of drivers. traits: attribute -> kind of property.

    couplings: attribute -> {driver: "+", "-", "h" (best somewhere within), "?" (weak, nobody knows)}.
    expect: attribute -> {driver: "up" | "down"}, what a maker would write down.
    formula: starting value by driver -> percent by ingredient without the one "to 100".
    """

    name: str
    drivers: Mapping[str, Driver]
    versions: Mapping[int, tuple[tuple[str, ...], ...]]
    traits: Mapping[str, str]
    wanted: Mapping[str, tuple[str, tuple[float, ...]]]
    couplings: Mapping[str, Mapping[str, str]]
    expect: Mapping[str, Mapping[str, str]]
    formula: Callable[[Mapping[str, float]], Mapping[str, float]]
    inside: Callable[[Mapping[str, float]], bool]
    to_100: str
    pot: tuple[str, ...]
    pour_g: float
    extra: str = ""            # made_of, limits
    blend: str = ""

    def judged(self, drivers: tuple[str, ...]) -> tuple[str, ...]:
        """Attributes on which at least one driver is known to act: the maker scores no others. Four at most."""
        keep = [a for a in self.traits if any(self.couplings[a].get(d, "?") != "?" for d in drivers)]
        return tuple(keep)

    def stated(self, drivers: tuple[str, ...]) -> list[tuple[str, str, int]]:
        return [(a, d, 1 if way == "up" else -1) for a in self.judged(drivers)
                for d, way in self.expect.get(a, {}).items() if d in drivers]

    def text(self, drivers: tuple[str, ...], start: Mapping[str, float], wanted: Mapping[str, tuple],
             stated: list) -> str:
        lines = ["[product]", f'name = "{self.name}"', 'notes = "Invented."', "[batch]", f"pour_g = {self.pour_g}",
                 "balance_step_g = 0.01", "[formula]"]
        lines += [f'"{i}" = {p:.3f}' for i, p in self.formula(start).items()] + [f'"{self.to_100}" = "to 100"']
        lines += [self.extra, "[melt]", "pot = [" + ", ".join(f'"{i}"' for i in self.pot) + "]"]
        if any(d in ("wax", "butter", "oil") for d in drivers):
            lines.append(self.blend)
        lines += [self.drivers[d].piece for d in drivers]
        for a in self.judged(drivers):
            kind, points = wanted[a]
            lines += [f"[attributes.{a}]", "scale = [0, 10]",
                      f"wanted = {{ {kind} = [{', '.join(f'{p:g}' for p in points)}] }}"]
            said = [f'"{self.drivers[d].column}" = "{"up" if s > 0 else "down"}"'
                    for b, d, s in stated if b == a]
            if said:
                lines.append(f"expect = {{ {', '.join(said)} }}")
        return "\n".join(lines) + "\n"


def _factor(name: str, of: list[str], within: list[str] | None, low: float, high: float) -> Driver:
    def listed(items):
        return "[" + ", ".join(f'"{i}"' for i in items) + "]"
    whole = f"within = {listed(within)}\n" if within else ""
    return Driver(name, low, high, f"[factors.{name}]\nof = {listed(of)}\n{whole}low = {low}\nhigh = {high}")


def _setting(name: str, unit: str, low: float, high: float, per_melt: bool = False) -> Driver:
    more = "\nper_melt = true" if per_melt else ""
    return Driver(name, low, high, f'[settings.{name}]\nunit = "{unit}"\nlow = {low}\nhigh = {high}{more}')


# ---- a plain stick: wax, butter in the rest, load, red share, pour temperature -----------------------------------------

_Q = ["candelilla wax", "shea butter", "jojoba oil"]


def _quince(s):
    base = 100 - 0.5 - 100 * s["load"]
    wax = s["wax"] * base
    return {"candelilla wax": wax, "shea butter": s["butter"] * (base - wax), "vitamin E": 0.5,
            "red iron oxide": 100 * s["load"] * s["red"], "yellow iron oxide": 100 * s["load"] * (1 - s["red"])}


QUINCE = Product(
    name="Quince stick",
    drivers={"wax": _factor("wax", _Q[:1], _Q, 0.10, 0.24), "butter": _factor("butter", _Q[1:2], _Q[1:], 0.10, 0.60),
             "load": _factor("load", ["red iron oxide", "yellow iron oxide"], None, 0.015, 0.09),
             "red": _factor("red_share", ["red iron oxide"], ["red iron oxide", "yellow iron oxide"], 0.2, 0.8),
             "heat": _setting("pour_temperature", "degC", 66, 84)},
    versions={2: (("wax", "load"), ("load", "red"), ("wax", "butter")),
              3: (("wax", "load", "red"), ("wax", "butter", "load"), ("wax", "load", "heat")),
              4: (("wax", "load", "red", "heat"), ("wax", "butter", "load", "red"))},
    traits={"payoff": "payoff", "hardness": "hardness", "sheerness": "sheerness", "shade": "shade"},
    wanted={"payoff": ("rising", (3, 8)), "hardness": ("peak", (3, 6, 8.5)), "sheerness": ("peak", (1.5, 4.5, 8)),
            "shade": ("rising", (3.5, 8.5))},
    couplings={"payoff": {"load": "+", "wax": "-", "butter": "+", "red": "?", "heat": "?"},
               "hardness": {"wax": "+", "butter": "h", "heat": "h", "load": "?"},
               "sheerness": {"load": "-", "wax": "?", "red": "-", "heat": "?"},
               "shade": {"red": "h", "load": "h", "heat": "?"}},
    expect={"payoff": {"wax": "down", "load": "up"}, "hardness": {"wax": "up"}, "sheerness": {"load": "down"}},
    formula=_quince, inside=lambda s: True, to_100="jojoba oil", pot=(*_Q, "vitamin E"), pour_g=16.0)


# ---- two waxes that soften one another, and a limit --------------------------------------------------------------------

_D = ["carnauba wax", "sunflower wax", "cocoa butter", "castor oil"]


def _damson(s):
    base = 100 - 100 * s["load"]
    waxes = s["wax"] * base
    return {"carnauba wax": waxes * s["hard"], "sunflower wax": waxes * (1 - s["hard"]), "cocoa butter": 0.16 * base,
            "plum iron oxide": 100 * s["load"]}


DAMSON = Product(
    name="Damson crayon",
    drivers={"wax": _factor("waxes", _D[:2], _D, 0.12, 0.32), "hard": _factor("hard_share", _D[:1], _D[:2], 0.1, 0.9),
             "load": _factor("load", ["plum iron oxide"], None, 0.02, 0.11), "cool": _setting("cooling", "min", 4, 36)},
    versions={2: (("wax", "hard"), ("wax", "load")), 3: (("wax", "hard", "load"), ("wax", "load", "cool")),
              4: (("wax", "hard", "load", "cool"),)},
    traits={"hardness": "hardness", "glide": "glide", "payoff": "payoff", "wear": "wear"},
    wanted={"hardness": ("peak", (3, 6.5, 9)), "glide": ("rising", (2.5, 7.5)), "payoff": ("rising", (3, 8)),
            "wear": ("rising", (3, 7.5))},
    couplings={"hardness": {"wax": "+", "hard": "+", "cool": "h", "load": "?"},
               "glide": {"wax": "-", "hard": "h", "load": "?", "cool": "?"},
               "payoff": {"load": "+", "wax": "-", "hard": "?", "cool": "?"},
               "wear": {"wax": "+", "load": "h", "hard": "?", "cool": "h"}},
    expect={"hardness": {"wax": "up", "hard": "up"}, "glide": {"wax": "down"}, "payoff": {"load": "up", "wax": "down"},
            "wear": {"wax": "up"}},
    formula=_damson, inside=lambda s: s["wax"] * s["hard"] * (1 - s["load"]) < 0.16, to_100="castor oil", pot=tuple(_D),
    pour_g=14.0, extra='[[limits]]\nof = ["carnauba wax"]\nhigh = 0.17')


# ---- a blend of wax, butter and oil ------------------------------------------------------------------------------------

_S = ["myrica wax", "mango butter", "apricot kernel oil"]


def _sorrel(s):
    base = 100 - 100 * s["load"]
    return {"myrica wax": s["wax"] * base, "mango butter": s["butter"] * base,
            "copper iron oxide": 100 * s["load"] * s["red"], "umber iron oxide": 100 * s["load"] * (1 - s["red"])}


_BLEND = '''[blends.base]
parts = ["myrica wax", "mango butter", "apricot kernel oil"]
low = [0.05, 0.10, 0.42]
high = [0.20, 0.44, 0.80]'''

SORREL = Product(
    name="Sorrel pot",
    drivers={"wax": Driver("base: myrica wax", 0.05, 0.20), "butter": Driver("base: mango butter", 0.10, 0.44),
             "oil": Driver("base: apricot kernel oil", 0.42, 0.80),
             "load": _factor("load", ["copper iron oxide", "umber iron oxide"], None, 0.008, 0.05),
             "red": _factor("copper_share", ["copper iron oxide"], ["copper iron oxide", "umber iron oxide"], 0.2, 0.85),
             "heat": _setting("pour_temperature", "degC", 58, 74)},
    versions={2: (("wax", "butter", "oil"),), 3: (("wax", "butter", "oil", "load"), ("wax", "butter", "oil", "heat")),
              4: (("wax", "butter", "oil", "load", "red"), ("wax", "butter", "oil", "load", "heat"))},
    traits={"glide": "glide", "greasiness": "tack", "depth": "payoff", "warmth": "shade"},
    wanted={"glide": ("rising", (2.5, 8)), "greasiness": ("falling", (2, 7)), "depth": ("peak", (2.5, 6, 9)),
            "warmth": ("rising", (3, 8))},
    couplings={"glide": {"wax": "-", "butter": "h", "load": "?", "heat": "h"},
               "greasiness": {"oil": "+", "butter": "?", "load": "-", "heat": "?"},
               "depth": {"load": "+", "wax": "-", "butter": "?", "red": "?"},
               "warmth": {"red": "h", "load": "h", "oil": "?"}},
    expect={"glide": {"wax": "down"}, "greasiness": {"oil": "up"}, "depth": {"load": "up", "wax": "down"}},
    formula=_sorrel, inside=lambda s: 0.45 < 1 - s["wax"] - s["butter"] < 0.78 and s["wax"] + s["butter"] < 0.5,
    to_100="apricot kernel oil", pot=tuple(_S), pour_g=12.0, blend=_BLEND,
    extra='[[limits]]\nof = ["myrica wax", "mango butter"]\nwithin = ["myrica wax", "mango butter", "apricot kernel oil"]'
          '\nhigh = 0.52')


# ---- a gloss without wax: a thickener, two oils, pearl -----------------------------------------------------------------

_C = ["silica", "castor oil", "squalane"]


def _currant(s):
    base = 100 * (1 - s["load"] - s["mica"])
    return {"silica": s["gel"] * base, "squalane": (1 - s["gel"]) * (1 - s["thick"]) * base,
            "currant lake": 100 * s["load"], "pearl mica": 100 * s["mica"]}


CURRANT = Product(
    name="Currant gloss",
    drivers={"thick": _factor("thick_share", ["castor oil"], ["castor oil", "squalane"], 0.25, 0.85),
             "load": _factor("load", ["currant lake"], None, 0.006, 0.045),
             "gel": _factor("gel", ["silica"], _C, 0.01, 0.06),
             "mica": _factor("mica", ["pearl mica"], None, 0.02, 0.14)},
    versions={2: (("thick", "load"), ("gel", "load")), 3: (("thick", "gel", "load"), ("thick", "load", "mica")),
              4: (("thick", "load", "gel", "mica"),)},
    traits={"shine": "shine", "tack": "tack", "strength": "payoff", "evenness": "evenness"},
    wanted={"shine": ("rising", (3, 8)), "tack": ("falling", (2.5, 7)), "strength": ("peak", (3, 6.5, 9.5)),
            "evenness": ("rising", (3, 8))},
    couplings={"shine": {"thick": "+", "mica": "h", "load": "-", "gel": "?"},
               "tack": {"thick": "+", "gel": "h", "mica": "-"},
               "strength": {"load": "+", "mica": "?", "thick": "?", "gel": "-"},
               "evenness": {"gel": "+", "load": "-", "thick": "?", "mica": "h"}},
    expect={"shine": {"load": "down"}, "tack": {"thick": "up"}, "strength": {"load": "up"},
            "evenness": {"gel": "up", "load": "down"}},
    formula=_currant, inside=lambda s: s["load"] + s["mica"] < 0.15, to_100="castor oil", pot=tuple(_C), pour_g=10.0,
    extra='[[limits]]\nof = ["currant lake", "pearl mica"]\nhigh = 0.16')


# ---- colour as a paste, and two settings -------------------------------------------------------------------------------

_R = ["rice bran wax", "babassu butter", "camellia oil"]


def _rowan(s):
    base = 100 - 200 * s["load"]
    return {"rice bran wax": s["wax"] * base, "babassu butter": 0.2 * base, "rowan paste": 200 * s["load"]}


ROWAN = Product(
    name="Rowan slim stick",
    drivers={"wax": _factor("wax", _R[:1], _R, 0.12, 0.28), "load": _factor("load", ["rowan iron oxide"], None, 0.02, 0.08),
             "heat": _setting("melt_temperature", "degC", 78, 96, per_melt=True), "stir": _setting("stirring", "min", 1, 10)},
    versions={2: (("load", "stir"), ("wax", "load")), 3: (("wax", "load", "heat"), ("wax", "load", "stir")),
              4: (("wax", "load", "heat", "stir"),)},
    traits={"smoothness": "evenness", "hardness": "hardness", "payoff": "payoff", "sheerness": "sheerness"},
    wanted={"smoothness": ("rising", (3, 8)), "hardness": ("rising", (3, 7)), "payoff": ("rising", (2.5, 7.5)),
            "sheerness": ("peak", (2, 5, 8.5))},
    couplings={"smoothness": {"stir": "+", "load": "-", "heat": "h", "wax": "?"},
               "hardness": {"wax": "+", "heat": "h", "load": "?", "stir": "?"},
               "payoff": {"load": "+", "wax": "-", "heat": "?", "stir": "?"},
               "sheerness": {"load": "-", "stir": "h", "wax": "?"}},
    expect={"smoothness": {"stir": "up"}, "hardness": {"wax": "up"}, "payoff": {"load": "up", "wax": "down"},
            "sheerness": {"load": "down"}},
    formula=_rowan, inside=lambda s: True, to_100="camellia oil", pot=tuple(_R), pour_g=20.0,
    extra='[made_of]\n"rowan paste" = { "rowan iron oxide" = 0.5, "castor oil" = 0.5 }')

PRODUCTS = (QUINCE, DAMSON, SORREL, CURRANT, ROWAN)

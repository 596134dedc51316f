"""Four invented products of tinted lip colour, each in versions with 2, 3 and 4 free factors (see `other_worlds.py`).

Every name, number and wish is invented; the ranges of the factors are those that a kitchen bench can pour (common
practice).
"""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Product:
    """One product: pieces of its trial.toml by number of factors, and what drives which attribute.

    drivers : name -> (column, low, high, scale) with scale "plain", "log" or "logit".
    roles : attribute -> {driver: "up" | "down" | "hump" | "odd"}; the first is the chief one; "odd" is what nobody
        expects, of random sign and often absent.
    match : attributes that are a likeness to a card, highest somewhere within.
    """

    name: str
    head: str
    pieces: Mapping[str, str]
    versions: Mapping[int, tuple[str, ...]]
    judged: Mapping[int, tuple[str, ...]]
    drivers: Mapping[str, tuple[str, float, float, str]]
    wanted: Mapping[str, tuple[str, tuple[float, ...]]]
    expect: Mapping[str, Mapping[str, str]]
    roles: Mapping[str, Mapping[str, str]]
    match: tuple[str, ...] = ()

    def present(self, factors: int) -> tuple[str, ...]:
        """The drivers that vary in the version of so many factors."""
        text = "".join(self.pieces[piece] for piece in self.versions[factors])
        return tuple(d for d, (column, *_) in self.drivers.items() if f".{column}]" in text or
                     (column.startswith("base: ") and "[blends.base]" in text))

    def stated(self, factors: int) -> list[tuple[str, str, str]]:
        """(attribute, driver, up or down) of every expectation of that version."""
        here = self.present(factors)
        return [(a, d, way) for a in self.judged[factors] for d, way in self.expect[a].items() if d in here]

    def text(self, factors: int, wanted: Mapping[str, tuple[float, ...]]) -> str:
        parts = [self.head, *(self.pieces[piece] for piece in self.versions[factors])]
        for attribute in self.judged[factors]:
            points = ", ".join(f"{p:g}" for p in wanted[attribute])
            parts.append(f"\n[attributes.{attribute}]\nscale = [0, 10]\n"
                         f"wanted = {{ {self.wanted[attribute][0]} = [{points}] }}\n")
            lines = [f'"{self.drivers[d][0]}" = "{way}"' for a, d, way in self.stated(factors) if a == attribute]
            parts.append(f"expect = {{ {', '.join(lines)} }}\n" if lines else "")
        return "".join(parts)


MULBERRY = Product(
    name="Mulberry stick",
    head='''[product]
name = "Mulberry stick"
notes = "Invented."
[batch]
pour_g = 18.0
balance_step_g = 0.01
[formula]
"rice bran wax" = 15
"cupuacu butter" = 20
"squalane" = 22
"vitamin E" = 0.5
"mulberry paste" = 9
"castor oil" = "to 100"
[made_of]
"mulberry paste" = { "mulberry iron oxide" = 0.5, "castor oil" = 0.5 }
[melt]
pot = ["rice bran wax", "cupuacu butter", "squalane", "vitamin E"]
''',
    pieces={
        "wax": '''
[factors.wax]
of = ["rice bran wax"]
within = ["rice bran wax", "cupuacu butter", "squalane", "vitamin E"]
low = 0.16
high = 0.40
''',
        "load": '''
[factors.load]
of = ["mulberry iron oxide"]
low = 0.015
high = 0.09
''',
        "slip": '''
[factors.slip]
of = ["squalane"]
within = ["squalane", "cupuacu butter"]
low = 0.30
high = 0.85
''',
        "heat": '''
[settings.pour_temperature]
unit = "degC"
low = 72
high = 90
''',
    },
    versions={2: ("wax", "load"), 3: ("wax", "load", "slip"), 4: ("wax", "load", "slip", "heat")},
    judged={2: ("drag", "coverage", "tone"), 3: ("drag", "firmness", "coverage", "tone"),
            4: ("drag", "firmness", "coverage", "tone")},
    drivers={"wax": ("wax", 0.16, 0.40, "plain"), "load": ("load", 0.015, 0.09, "log"),
             "slip": ("slip", 0.30, 0.85, "plain"), "heat": ("pour_temperature", 72, 90, "plain")},
    wanted={"drag": ("falling", (2.5, 7)), "firmness": ("peak", (3.5, 6.5, 9)),
            "coverage": ("rising", (3.5, 8)), "tone": ("rising", (3.5, 8.5))},
    expect={"drag": {"wax": "up", "slip": "down"}, "firmness": {"wax": "up", "slip": "down"},
            "coverage": {"load": "up", "wax": "down"}, "tone": {}},
    roles={"drag": {"wax": "up", "slip": "down", "load": "odd", "heat": "odd"},
           "firmness": {"wax": "up", "slip": "down", "heat": "hump", "load": "odd"},
           "coverage": {"load": "up", "wax": "down", "slip": "odd", "heat": "odd"},
           "tone": {"load": "hump", "wax": "odd", "heat": "odd", "slip": "odd"}},
    match=("tone",),
)

FIG = Product(
    name="Fig pot",
    head='''[product]
name = "Fig pot"
notes = "Invented."
[batch]
pour_g = 12.0
balance_step_g = 0.01
[formula]
"berry wax" = 11
"murumuru butter" = 29
"vitamin E" = 1
"brick iron oxide" = 1.6
"ink iron oxide" = 1.2
"plum kernel oil" = "to 100"
[melt]
pot = ["berry wax", "murumuru butter", "plum kernel oil", "vitamin E"]
''',
    pieces={
        "base": '''
[blends.base]
parts = ["berry wax", "murumuru butter", "plum kernel oil"]
low = [0.05, 0.12, 0.40]
high = [0.20, 0.45, 0.78]
''',
        "load": '''
[factors.load]
of = ["brick iron oxide", "ink iron oxide"]
low = 0.01
high = 0.06
''',
        "brick": '''
[factors.brick_share]
of = ["brick iron oxide"]
within = ["brick iron oxide", "ink iron oxide"]
low = 0.25
high = 0.85
''',
    },
    versions={2: ("base",), 3: ("base", "load"), 4: ("base", "load", "brick")},
    judged={2: ("pickup", "grease", "wear"), 3: ("pickup", "grease", "depth", "wear"),
            4: ("pickup", "grease", "depth", "hue")},
    drivers={"wax": ("base: berry wax", 0.05, 0.20, "plain"), "butter": ("base: murumuru butter", 0.12, 0.45, "plain"),
             "oil": ("base: plum kernel oil", 0.40, 0.78, "plain"), "load": ("load", 0.01, 0.06, "log"),
             "brick": ("brick_share", 0.25, 0.85, "logit")},
    wanted={"pickup": ("peak", (2.5, 5.5, 8.5)), "grease": ("falling", (2.5, 7.5)), "depth": ("peak", (2.5, 6, 9)),
            "wear": ("rising", (3, 7.5)), "hue": ("rising", (3.5, 8.5))},
    expect={"pickup": {"wax": "down", "load": "up"}, "grease": {"oil": "up"}, "depth": {"load": "up"},
            "wear": {"wax": "up"}, "hue": {}},
    roles={"pickup": {"wax": "down", "load": "up", "butter": "odd"},
           "grease": {"oil": "up", "wax": "odd", "load": "odd"},
           "depth": {"load": "up", "oil": "odd", "brick": "odd", "butter": "hump"},
           "wear": {"wax": "up", "butter": "hump", "load": "odd"},
           "hue": {"brick": "hump", "load": "hump", "butter": "odd", "wax": "odd"}},
    match=("hue",),
)

GUAVA = Product(
    name="Guava tint",
    head='''[product]
name = "Guava tint"
notes = "Invented."
[batch]
pour_g = 10.0
balance_step_g = 0.01
[formula]
"castor wax" = 5
"meadowfoam oil" = 30
"rose paste" = 5
"amber paste" = 5
"pearl mica" = 4
"castor oil" = "to 100"
[made_of]
"rose paste" = { "rose lake" = 0.4, "carrier oil" = 0.6 }
"amber paste" = { "amber iron oxide" = 0.4, "carrier oil" = 0.6 }
[melt]
pot = ["castor wax", "meadowfoam oil", "castor oil"]
''',
    pieces={
        "rose": '''
[factors.rose_share]
of = ["rose lake"]
within = ["rose lake", "amber iron oxide"]
low = 0.15
high = 0.85
''',
        "load": '''
[factors.load]
of = ["rose lake", "amber iron oxide"]
low = 0.01
high = 0.07
''',
        "gel": '''
[factors.gel]
of = ["castor wax"]
within = ["castor wax", "meadowfoam oil", "castor oil"]
low = 0.02
high = 0.12
''',
        "pearl": '''
[factors.pearl]
of = ["pearl mica"]
low = 0.01
high = 0.10
''',
    },
    versions={2: ("rose", "load"), 3: ("rose", "load", "gel"), 4: ("rose", "load", "gel", "pearl")},
    judged={2: ("shine", "strength", "shade"), 3: ("shine", "stickiness", "strength", "shade"),
            4: ("shine", "stickiness", "strength", "shade")},
    drivers={"rose": ("rose_share", 0.15, 0.85, "logit"), "load": ("load", 0.01, 0.07, "log"),
             "gel": ("gel", 0.02, 0.12, "plain"), "pearl": ("pearl", 0.01, 0.10, "plain")},
    wanted={"shine": ("rising", (3, 8)), "stickiness": ("falling", (2.5, 7)), "strength": ("peak", (3, 6.5, 9.5)),
            "shade": ("rising", (4, 8.5))},
    expect={"shine": {"load": "down", "pearl": "up"}, "stickiness": {"gel": "up"},
            "strength": {"load": "up", "gel": "down"}, "shade": {}},
    roles={"shine": {"load": "down", "pearl": "up", "gel": "hump", "rose": "odd"},
           "stickiness": {"gel": "up", "load": "odd", "pearl": "odd", "rose": "odd"},
           "strength": {"load": "up", "gel": "down", "rose": "odd", "pearl": "odd"},
           "shade": {"rose": "hump", "load": "hump", "pearl": "odd", "gel": "odd"}},
    match=("shade",),
)

CEDAR = Product(
    name="Cedar crayon",
    head='''[product]
name = "Cedar crayon"
notes = "Invented."
[batch]
pour_g = 15.0
balance_step_g = 0.01
[formula]
"candelilla wax" = 9
"laurel wax" = 12
"babassu oil" = 18
"vitamin E" = 0.5
"cedar iron oxide" = 4
"moringa oil" = "to 100"
[melt]
pot = ["candelilla wax", "laurel wax", "babassu oil", "moringa oil", "vitamin E"]
''',
    pieces={
        "waxes": '''
[factors.waxes]
of = ["candelilla wax", "laurel wax"]
within = ["candelilla wax", "laurel wax", "babassu oil", "moringa oil", "vitamin E"]
low = 0.14
high = 0.32
''',
        "hard": '''
[factors.hard_share]
of = ["candelilla wax"]
within = ["candelilla wax", "laurel wax"]
low = 0.15
high = 0.85
''',
        "load": '''
[factors.load]
of = ["cedar iron oxide"]
low = 0.01
high = 0.10
''',
        "rest": '''
[settings.cooling]
unit = "min"
low = 4
high = 30
''',
    },
    versions={2: ("waxes", "hard"), 3: ("waxes", "hard", "load"), 4: ("waxes", "hard", "load", "rest")},
    judged={2: ("snap", "sweat", "laydown"), 3: ("snap", "sweat", "laydown", "sheen"),
            4: ("snap", "sweat", "laydown", "sheen")},
    drivers={"waxes": ("waxes", 0.14, 0.32, "plain"), "hard": ("hard_share", 0.15, 0.85, "plain"),
             "load": ("load", 0.01, 0.10, "log"), "rest": ("cooling", 4, 30, "log")},
    wanted={"snap": ("rising", (3, 7.5)), "sweat": ("falling", (2, 6.5)), "laydown": ("rising", (3.5, 8)),
            "sheen": ("peak", (2.5, 5.5, 8.5))},
    expect={"snap": {"waxes": "up"}, "sweat": {"waxes": "down", "rest": "up"},
            "laydown": {"waxes": "down", "load": "up"}, "sheen": {"load": "down"}},
    roles={"snap": {"waxes": "up", "hard": "hump", "rest": "odd", "load": "odd"},
           "sweat": {"waxes": "down", "rest": "up", "hard": "hump", "load": "odd"},
           "laydown": {"waxes": "down", "load": "up", "hard": "odd", "rest": "odd"},
           "sheen": {"load": "down", "hard": "hump", "rest": "hump", "waxes": "odd"}},
)

PRODUCTS = (MULBERRY, FIG, GUAVA, CEDAR)

"""Definitions that many tests use: one with a pot and pastes, one with a blend and a pot a pour."""

# Two attributes that an instrument reads, to be added to a definition.
NEEDLE = """
[attributes.softness]
reading = "needle depth"
unit = "mm"
scale = [0, 20]
[attributes.drop_point]
reading = "drop point"
unit = "degC"
scale = [40, 90]
"""
TERRACOTTA = """[product]
name = "Terracotta stick"
markets = ["US", "EU"]
[batch]
pour_g = 20.0
balance_step_g = 0.01
[formula]                      # percent by weight of the starting formula, as things on the shelf
"candelilla wax" = 14
"mango butter" = 30
"vitamin E" = 1
"red paste" = 4
"yellow paste" = 4
"jojoba oil" = "to 100"
[made_of]
"red paste" = { "red iron oxide" = 0.5, "castor oil" = 0.5 }
"yellow paste" = { "yellow iron oxide" = 0.5, "castor oil" = 0.5 }
[melt]
pot = ["candelilla wax", "mango butter", "jojoba oil", "vitamin E"]
[factors.wax]
of = ["candelilla wax"]
within = ["candelilla wax", "mango butter", "jojoba oil"]
low = 0.10
high = 0.22                    # per_melt, because it lies within the pot
[factors.red_share]            # the colorant ratio
of = ["red iron oxide"]
within = ["red iron oxide", "yellow iron oxide"]
low = 0.2
high = 0.8
[factors.load]
of = ["red iron oxide", "yellow iron oxide"]      # within: the whole batch where it is left out
low = 0.02
high = 0.08
[settings.pour_temperature]
unit = "degC"
low = 68
high = 80
[[limits]]
of = ["red iron oxide"]
high = 0.05
[attributes.payoff]
scale = [0, 10]
ends = ["no colour comes off", "full colour in one pass"]
wanted = { rising = [4, 8] }   # 4 is useless, 8 is all one could want
expect = { wax = "down", load = "up" }
[attributes.hardness]
wanted = { peak = [4, 6, 8] }
expect = { wax = "up" }
[attributes.sheerness]
wanted = { peak = [2, 5, 8] }
expect = { load = "down" }
[attributes.shade]
ends = ["nothing like the card", "the card"]
wanted = { rising = [5, 9] }
"""

HAZEL = """[product]
name = "Hazel pot"
[batch]
pour_g = 15.0
balance_step_g = 0.01
[formula]
"sunflower wax" = 10
"cocoa butter" = 25
"castor oil" = 61
"vitamin E" = 1
"brown iron oxide" = 3
[blends.base]                  # instead of single factors: parts that fill a whole between them
parts = ["sunflower wax", "cocoa butter", "castor oil"]
low = [0.06, 0.10, 0.50]
high = [0.16, 0.40, 0.80]
[factors.load]
of = ["brown iron oxide"]
low = 0.01
high = 0.05
[attributes.hardness]
wanted = { falling = [3, 7] }
"""

# The worked formula: 14 % candelilla, 30 % mango butter, 0.5 % vitamin E, 2 % red, 2 % yellow, jojoba to 100.
WORKED = """
[product]
name = "Worked formula"
[formula]
"candelilla wax" = 14
"mango butter" = 30
"vitamin E" = 0.5
"red" = 2
"yellow" = 2
"jojoba oil" = "to 100"
[melt]
pot = ["candelilla wax", "mango butter", "vitamin E", "jojoba oil"]
[factors.wax]
of = ["candelilla wax"]
within = ["candelilla wax", "mango butter", "jojoba oil"]
low = 0.10
high = 0.22
[factors.red_share]
of = ["red"]
within = ["red", "yellow"]
low = 0.2
high = 0.8
[factors.load]
of = ["red", "yellow"]
low = 0.02
high = 0.08
[attributes.hardness]
wanted = { peak = [4, 6, 8] }
"""

# A stick of three things and a paste, which asks for nothing to be judged; its name wants to be escaped in HTML.
STICK = """
[product]
name = "Stick & <tint>"
[batch]
pour_g = 20
balance_step_g = 0.01
[formula]
"candelilla wax" = 20
"mango butter" = 30
"jojoba oil" = "to 100"
"red paste" = 8
[melt]
pot = ["candelilla wax", "mango butter", "jojoba oil"]
[factors.wax]
of = ["candelilla wax"]
within = ["candelilla wax", "mango butter", "jojoba oil"]
low = 0.1
high = 0.3
[factors.load]
of = ["red paste"]
low = 0.04
high = 0.10
[settings.pour_temperature]
unit = "degC"
low = 68
high = 80
"""

# A tint without a pot, in which one thing varies.
TINT = """[product]
name = "Lip tint"
[formula]
"castor oil" = "to 100"
"red iron oxide" = 5
[factors.load]
of = ["red iron oxide"]
low = 0.02
high = 0.12
[attributes.stain]
wanted = { peak = [3, 6, 9] }
[attributes.slip]
wanted = { rising = [3, 8] }
"""

# Two ingredients, of which one varies, and nothing that is wanted.
TWO_THINGS = """[product]
name = "Stick"
[formula]
"beeswax" = 20
"castor oil" = "to 100"
[factors.wax]
of = ["beeswax"]
low = 0.1
high = 0.3
[attributes.hardness]
"""

# The terracotta stick of a maker who expects nothing.
UNEXPECTED = "\n".join(row for row in TERRACOTTA.splitlines() if not row.startswith("expect"))

# No factor in a formula: two settings, and one attribute that nothing is wanted of.
TWO_SETTINGS = """
[formula]
"castor oil" = "to 100"
[settings.temp]
low = 160
high = 220
[settings.time]
low = 300
high = 400
[attributes.hardness]
"""

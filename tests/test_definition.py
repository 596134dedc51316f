import pytest
from definitions import HAZEL, TERRACOTTA, WORKED

import labkit
from labkit import Trial
from labkit.definition.words import BESIDE_ATTRIBUTES, BESIDE_COORDINATES
from labkit.errors import FormulaError, LabkitError, RegionError, TrialError
from labkit.scores import SCORE_COLUMNS, SERVING_COLUMNS


def changed(text, old, new):
    """The definition with one passage changed, which must be there."""
    if old not in text:
        raise LookupError(old)
    return text.replace(old, new)


OVERLAP = """
[factors.soft]
of = ["mango butter", "red"]
low = 0.2
high = 0.4
[attributes.hardness]"""
REFUSED = {
    "sets that overlap without nesting": (
        changed(WORKED, "[attributes.hardness]", OVERLAP),
        FormulaError,
        "the pot (candelilla wax, mango butter, vitamin E and jojoba oil) and `of` of factor soft (mango butter and red) share "
        "mango butter, but neither holds the other. Name sets that lie one within the other, or apart.",
    ),
    "two statements about the same set": (
        changed(
            WORKED,
            "[attributes.hardness]",
            '[factors.pigment]\nof = ["yellow", "red"]\nlow = 0.01\nhigh = 0.1\n[attributes.hardness]',
        ),
        FormulaError,
        "load and pigment both state the share of red and yellow within the whole batch. Keep one of them.",
    ),
    "a share said twice through its complement": (
        changed(
            WORKED,
            "[attributes.hardness]",
            '[factors.yellow_share]\nof = ["yellow"]\nwithin = ["red", "yellow"]\nlow = 0.2\n'
            "high = 0.8\n[attributes.hardness]",
        ),
        FormulaError,
        "yellow_share states the share of yellow within red and yellow, which the other factors have already settled. These "
        "shares cannot all be chosen: leave one out.",
    ),
    "limits that leave nothing": (
        changed(
            HAZEL, "[attributes.hardness]", '[[limits]]\nof = ["sunflower wax"]\nhigh = 0.05\n[attributes.hardness]'
        ),
        RegionError,
        "no formula fits these limits: load is at most 0.05 of the whole batch, sunflower wax is at least 0.06 of "
        "the base, but sunflower wax is at most 0.05 of the whole batch. Widen one of them.",
    ),
    "shares that cannot all hold": (
        changed(HAZEL, "high = [0.16, 0.40, 0.80]", "high = [0.16, 0.30, 0.52]"),
        RegionError,
        "no formula fits these limits: sunflower wax is at most 0.16 of the base, cocoa butter is at most 0.3 of the base, but "
        "castor oil is at most 0.52 of the base. Widen one of them.",
    ),
    "low above high": (
        changed(WORKED, "low = 0.10\nhigh = 0.22", "low = 0.22\nhigh = 0.10"),
        LabkitError,
        "[factors.wax]: low is 0.22 and high is 0.1. Give the lower number as low.",
    ),
    "a ratio whose whole can vanish": (
        changed(WORKED, "low = 0.02\nhigh = 0.08", "low = 0.0\nhigh = 0.08"),
        FormulaError,
        "red_share is a share of red and yellow, which may go down to 0.000 % of the batch, less than one balance step. Raise the "
        "low of red and yellow, or hold red_share fixed.",
    ),
    "a paste that adds to 120 %": (
        changed(
            TERRACOTTA,
            '{ "red iron oxide" = 0.5, "castor oil" = 0.5 }',
            '{ "red iron oxide" = 0.7, "castor oil" = 0.5 }',
        ),
        FormulaError,
        "[made_of] red paste adds to 120 %, not 100 %. Give the shares of its parts, adding to 1.",
    ),
    "a percent that does not add up": (
        changed(HAZEL, '"castor oil" = 61', '"castor oil" = 58'),
        FormulaError,
        '[formula] adds to 97 %, not 100 %. Correct a percent, or let one ingredient be "to 100".',
    ),
    "more than 100 before the slack": (
        changed(WORKED, '"mango butter" = 30', '"mango butter" = 90'),
        FormulaError,
        "[formula] adds to 108.5 % without jojoba oil, which is to fill it to 100 %. Lower a percent.",
    ),
    "an ingredient that is not there": (
        changed(WORKED, 'of = ["candelilla wax"]', 'of = ["candelila wax"]'),
        FormulaError,
        "[factors.wax] names 'candelila wax', which is not in [formula]. Did you mean 'candelilla wax'?",
    ),
    "a share in percent": (
        changed(WORKED, "low = 0.10\nhigh = 0.22", "low = 10\nhigh = 22"),
        LabkitError,
        "[factors.wax] low is 10, but a share lies from 0 to 1. Write 0.1 for 10 %.",
    ),
    "a key that is not known": (
        changed(WORKED, "[factors.load]", "[factors.load]\nlows = 1"),
        LabkitError,
        "[factors.load] has 'lows', which is not known. Did you mean 'low'?",
    ),
    "a factor named like an ingredient": (
        changed(WORKED, "[factors.wax]", '[factors."mango butter"]'),
        LabkitError,
        "the name 'mango butter' is given to something that varies, but it is already a column of the tables. Give the factor or "
        "setting another name.",
    ),
    "wanted without order": (
        changed(WORKED, "peak = [4, 6, 8]", "peak = [4, 8, 6]"),
        LabkitError,
        "[attributes.hardness] wanted peak has the points [4.0, 8.0, 6.0]. Give 3 numbers on the scale, each above the one before.",
    ),
    "wanted off the scale": (
        changed(WORKED, "peak = [4, 6, 8]", "peak = [4, 6, 18]"),
        LabkitError,
        "wanted of hardness names 18, but its scale runs from 0 to 10. Give points on the scale.",
    ),
    "an expectation about nothing": (
        changed(WORKED, "wanted = { peak = [4, 6, 8] }", 'expect = { waks = "up" }'),
        LabkitError,
        "expect of hardness names 'waks', which does not vary. Choose 'wax', 'red_share' or 'load', or leave it out.",
    ),
    "an expectation about a factor that was renamed": (
        changed(WORKED, "wanted = { peak = [4, 6, 8] }", 'expect = { red_shares = "up" }'),
        LabkitError,
        "expect of hardness names 'red_shares', which does not vary. Did you mean 'red_share'?",
    ),
    "an expectation neither up nor down": (
        changed(WORKED, "wanted = { peak = [4, 6, 8] }", 'expect = { wax = "more" }'),
        LabkitError,
        "[attributes.hardness] expect wax is 'more'. Choose 'up' or 'down'.",
    ),
    "an expectation that is no table": (
        changed(WORKED, "wanted = { peak = [4, 6, 8] }", 'expect = "up"'),
        TrialError,
        "[attributes.hardness] expect is 'up', which is not a table. Give up or down for what varies, such as "
        'expect = { wax = "up" }.',
    ),
    "a setting whose melts are a word": (
        changed(TERRACOTTA, 'unit = "degC"', 'unit = "degC"\nper_melt = "yes"'),
        TrialError,
        "[settings.pour_temperature] per_melt is 'yes'. Write true or false, without quotes.",
    ),
    "a price of something else": (
        f'{TERRACOTTA}[prices]\n"mango butr" = 7\n',
        FormulaError,
        "[prices] names 'mango butr', which is not in [formula]. Did you mean 'mango butter'?",
    ),
    "a price in words": (
        f'{TERRACOTTA}[prices]\n"mango butter" = "dear"\n',
        TrialError,
        "[prices] mango butter is 'dear'. Give a number.",
    ),
    "a price below nothing": (
        f'{TERRACOTTA}[prices]\n"mango butter" = -2\n',
        TrialError,
        "[prices] mango butter is -2. Give a price of 0 or more.",
    ),
    "a fact about something else": (
        f'{TERRACOTTA}[pantry]\n"mango butr" = "tree nut"\n',
        FormulaError,
        "[pantry] names 'mango butr', which is not in [formula]. Did you mean 'mango butter'?",
    ),
    "a fact about a paste": (
        f'{TERRACOTTA}[pantry]\n"red paste" = "tree nut"\n',
        TrialError,
        "[pantry] names 'red paste', which is made of others. Name what it is made of: red iron oxide and castor oil.",
    ),
    "a fact that is a number": (
        f'{TERRACOTTA}[pantry]\n"mango butter" = 7\n',
        TrialError,
        "[pantry] mango butter is 7. Give a flag for testers in double quotes, or its facts under "
        '[pantry."mango butter"].',
    ),
    "a fact of another name": (
        f'{TERRACOTTA}[pantry."mango butter"]\nflags = "tree nut"\n',
        TrialError,
        "[pantry] mango butter has 'flags', which is not known. Did you mean 'flag'?",
    ),
    "a flag that is no text": (
        f'{TERRACOTTA}[pantry."mango butter"]\nflag = 7\n',
        TrialError,
        "[pantry] mango butter flag is 7. Write it in double quotes, such as flag = \"...\".",
    ),
    "a density from high to low": (
        f'{TERRACOTTA}[pantry."mango butter"]\ndensity = [0.92, 0.90]\n',
        TrialError,
        "[pantry] mango butter density runs from 0.92 to 0.9. Give the lower number first.",
    ),
    "a table that is none": (
        changed(WORKED, "[factors.load]", "[factors]\nload = 3\n[attributes.x]"),
        LabkitError,
        "[factors] load is 3, which is not a table. Write it under [factors.load].",
    ),
}


@pytest.mark.parametrize("name", ["tester", "Score", "desirability", "holds", "moves", "oil [g]"])
def test_an_attribute_named_like_a_column(name):
    with pytest.raises(TrialError) as problem:
        Trial.from_toml(changed(HAZEL, "[attributes.hardness]", f"[attributes.{name!r}]"))
    assert str(problem.value) == (
        f"the name {name!r} is given to an attribute, but it is already that of a column of the tables. "
        "Give the attribute another name."
    )


@pytest.mark.parametrize(
    "name, what",
    [("load", "something that varies"), ("base: castor oil", "something that varies"), ("castor oil", "an ingredient")],
)
def test_an_attribute_named_like_what_it_is_made_of(name, what):
    with pytest.raises(TrialError) as problem:
        Trial.from_toml(changed(HAZEL, "[attributes.hardness]", f"[attributes.{name!r}]"))
    assert str(problem.value) == (
        f"the name {name!r} is given to an attribute, but it is already that of {what}. Give the attribute another name."
    )


def test_attributes_that_differ_in_capitals():
    with pytest.raises(TrialError) as problem:
        Trial.from_toml(changed(HAZEL, "[attributes.hardness]", "[attributes.Hardness]\n[attributes.hardness]"))
    assert str(problem.value) == (
        "attributes 'Hardness' and 'hardness' differ only in capital letters. Give one of them another name."
    )


@pytest.mark.parametrize("name", ["melt", "ok", "inside", "desirability", "low", "cost", "level"])
def test_a_factor_named_like_a_column(name):
    with pytest.raises(TrialError) as problem:
        Trial.from_toml(changed(HAZEL, "[factors.load]", f"[factors.{name!r}]"))
    assert str(problem.value) == (
        f"the name {name!r} is given to something that varies, but it is already a column of the tables. "
        "Give the factor or setting another name."
    )


def test_prices_and_pantry_are_about_what_is_on_the_shelf_or_in_it():
    text = TERRACOTTA + '[prices]\n"red paste" = 40\n"castor oil" = 0\n[pantry]\n"jojoba oil" = "tree nut"\n'
    facts = '[pantry."castor oil"]\nflag = ""\ndensity = [0.955, 0.967]\n'
    definition = Trial.from_toml(text + facts).definition
    assert definition.prices == {"red paste": 40.0, "castor oil": 0.0}
    assert definition.pantry["jojoba oil"] == "tree nut" and definition.pantry["castor oil"]["flag"] == ""


def test_what_stands_beside_coordinates_and_attributes_is_known(demo):
    tables = (demo.plan, demo.pours, demo.made, labkit.settled_by_round(demo))
    columns = {c for table in tables for c in table.columns if not c.endswith(" [g]") and not c.startswith("mean: ")}
    assert columns - set(demo.recipe.coordinates) <= set(BESIDE_COORDINATES)
    assert {*SERVING_COLUMNS, *SCORE_COLUMNS} <= set(BESIDE_ATTRIBUTES)
    slips = labkit.plan_confirmation(demo, pours=1).slips
    assert set(slips.columns) - set(demo.attributes) <= set(BESIDE_ATTRIBUTES)


@pytest.mark.parametrize("case", REFUSED)
def test_a_definition_that_cannot_stand(case):
    text, error, message = REFUSED[case]
    with pytest.raises(error) as problem:
        Trial.from_toml(text)
    assert str(problem.value) == message


def test_a_limit_that_is_no_part():
    text = changed(
        TERRACOTTA,
        '[[limits]]\nof = ["red iron oxide"]',
        '[[limits]]\nof = ["red iron oxide"]\nwithin = ["mango butter"]',
    )
    with pytest.raises(FormulaError) as problem:
        Trial.from_toml(text)
    assert str(problem.value) == (
        "[[limits]] number 1: red iron oxide is not a part of mango butter. Name a whole that holds it "
        "and something else."
    )


def test_a_shelf_without_factors_is_a_point():
    trial = Trial.from_toml(
        '[formula]\n"castor oil" = "to 100"\n[settings.temp]\nlow = 159.5\nhigh = 219.5\n[attributes.yield]\nscale=[0, 100]'
    )
    assert trial.region.dimension == 0
    assert trial.region.vertices().to_dict("list") == {"castor oil": [1.0]}
    assert trial.region.corners()["temp"].tolist() == [159.5, 219.5]


def test_both_definitions_read_as_written():
    terracotta, hazel = Trial.from_toml(TERRACOTTA), Trial.from_toml(HAZEL)
    assert terracotta.recipe.coordinates == ("wax", "red_share", "load", "pour_temperature")
    assert terracotta.recipe.per_melt == ("wax",)
    assert hazel.recipe.coordinates == ("load", "base: sunflower wax", "base: cocoa butter", "base: castor oil")
    assert (terracotta.region.dimension, hazel.region.dimension) == (3, 3)
    assert terracotta.attributes["payoff"].expect == {"wax": -1, "load": 1}
    assert terracotta.cost.of(rounds=1, melts=2, pours=4) == 9.0
    assert terracotta.noise_of("payoff")["tester"] == pytest.approx(1.0)


KNOWN = "the markets known here are 'US', 'EU' and 'UK'. Write one of these, or leave that market out."


@pytest.mark.parametrize("written, message", [
    ('["USA"]', f"[product] markets names 'USA', and {KNOWN}"),
    ('["EU", "eu"]', f"[product] markets names 'eu', and {KNOWN}"),
    ('["EU", 1]', f"[product] markets names 1, and {KNOWN}"),
    ('[["EU"]]', f"[product] markets names ['EU'], and {KNOWN}"),
    ('"EU"', "[product] markets is 'EU', which is not a list. Write it in brackets, such as markets = [\"EU\"]."),
    ('["EU", "US", "EU"]', "[product] markets names 'EU' twice. Name each market once."),
])
def test_a_market_that_is_not_known(written, message):
    with pytest.raises(TrialError) as problem:
        Trial.from_toml(changed(TERRACOTTA, 'markets = ["US", "EU"]', f"markets = {written}"))
    assert str(problem.value) == message


def test_markets_as_written():
    assert Trial.from_toml(TERRACOTTA).markets == ("US", "EU") and Trial.from_toml(HAZEL).markets == ()
    assert Trial.from_toml(changed(TERRACOTTA, '["US", "EU"]', '["UK"]')).markets == ("UK",)
    assert Trial.from_toml(changed(TERRACOTTA, '["US", "EU"]', "[]")).markets == ()

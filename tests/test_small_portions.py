"""What the balance can hardly weigh: one note, exact numbers, the weights of the sheets, one advice that does for all."""
import re

import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA

from labkit.portions import small_portions
from labkit.rounds import Batch, Round, grams_column
from labkit.trial import Trial


def round_of(trial, grams, melts=None):
    """A round with these grams by ingredient, a list each."""
    pours = len(next(iter(grams.values())))
    table = {"round": 1, "melt": melts or [f"M{k:02d}" for k in range(1, pours + 1)],
             "pour": [f"P{k:02d}" for k in range(1, pours + 1)], "order": range(1, pours + 1)}
    columns = {grams_column(i): grams.get(i, [0.0] * pours) for i in trial.recipe.ingredients}
    return Round(number=1, frame=pd.DataFrame(table | columns), recipe=trial.recipe)


@pytest.fixture(scope="module")
def hazel():
    return Trial.from_toml(HAZEL)


@pytest.mark.parametrize("pour, grams, enough", [(12, 0.12, 20), (24, 0.10, 48), (20, 0.10, 40), (15, 0.15, 20),
                                                 (20, 0.19, 22), (20, 0.11, 37)])
def test_as_much_as_is_enough_and_no_more(hazel, pour, grams, enough):
    round_ = round_of(hazel, {"castor oil": [pour - grams], "vitamin E": [grams]})
    told, = small_portions(round_, Batch(pour_g=pour))
    assert f"Pour {enough} g, or" in told
    assert round(grams * enough / pour, 9) >= 0.2 > round(grams * (enough - 1) / pour, 9)


def test_twenty_steps_are_enough(hazel):
    assert small_portions(round_of(hazel, {"castor oil": [14.8], "vitamin E": [0.2]}), Batch(pour_g=15)) == ()


def test_a_pot_is_told_with_what_the_sheet_asks_for():
    trial = Trial.from_toml(TERRACOTTA)
    grams = {"jojoba oil": [18.86, 18.86, 18.84], "vitamin E": [0.08, 0.08, 0.16], "red paste": [1.0, 1.0, 1.0]}
    round_ = round_of(trial, grams, melts=["M01", "M01", "M02"])
    told, = small_portions(round_, trial.batch)
    assert told == ("0.18 g of vitamin E in M01 is under 20 steps of the balance. Pour 23 g, or weigh vitamin E in a "
                    "premix of 85 %.")
    assert round_.melt_sheet(0.10).set_index("melt").at["M01", "vitamin E [g]"] == 0.18


def test_what_the_sheet_rounds_to_twenty_steps_is_enough():
    """.18 g and a tenth more are .198 g: the sheet asks for 0.20 g, and 0.20 g was said to be under 20 steps of 0.01 g."""
    trial = Trial.from_toml(TERRACOTTA)
    round_ = round_of(trial, {"jojoba oil": [18.82], "vitamin E": [0.18], "red paste": [1.0]})
    assert round_.melt_sheet(0.10).at[0, "vitamin E [g]"] == 0.2 and small_portions(round_, trial.batch) == ()


def test_enough_with_what_stays_in_the_beaker_is_enough():
    trial = Trial.from_toml(TERRACOTTA)
    round_ = round_of(trial, {"jojoba oil": [18.81], "vitamin E": [0.19], "red paste": [1.0]})
    assert small_portions(round_, trial.batch) == ()                                     # the sheet asks for 0.21 g


def test_a_coarse_balance_is_the_first_thing_to_change(hazel):
    round_ = round_of(hazel, {"castor oil": [13.1, 12.7], "sunflower wax": [0.9, 2.0], "vitamin E": [0.1, 0.2],
                              "brown iron oxide": [0.9, 0.1]})
    assert small_portions(round_, Batch(pour_g=15, balance_step_g=0.1)) == (
        "0.9 g of sunflower wax in P01, 0.1 g of vitamin E in P01 and 0.1 g of brown iron oxide in P02 are under 20 "
        "steps of the balance. Weigh them on a balance that reads 0.01 g, and give balance_step_g in trial.toml so.",)
    assert small_portions(round_of(hazel, {"castor oil": [14.9], "vitamin E": [0.1]}),
                          Batch(pour_g=15, balance_step_g=0.1))[0].endswith(
        "Weigh it on a balance that reads 0.01 g, and give balance_step_g in trial.toml so.")


def test_no_pour_of_many_times_the_size_is_advised(hazel):
    told, = small_portions(round_of(hazel, {"castor oil": [14.98], "vitamin E": [0.02]}), Batch(pour_g=15))
    assert told == ("0.02 g of vitamin E in P01 is under 20 steps of the balance. Weigh vitamin E in a premix of "
                    "10 %.")
    told, = small_portions(round_of(hazel, {"castor oil": [14.99], "vitamin E": [0.001]}), Batch(pour_g=15))
    assert told.endswith("Weigh vitamin E in a premix of 1 %.")


def test_what_is_not_little_is_no_paste(hazel):
    told, = small_portions(round_of(hazel, {"castor oil": [0.9], "sunflower wax": [0.1]}), Batch(pour_g=1))
    assert told == "0.10 g of sunflower wax in P01 is under 20 steps of the balance. Pour 2 g."


def test_one_size_of_pour_does_for_all(hazel):
    round_ = round_of(hazel, {"castor oil": [9.75, 9.75], "vitamin E": [0.1, 0.11], "brown iron oxide": [0.15, 0.14]})
    told, = small_portions(round_, Batch(pour_g=10))
    assert re.findall(r"Pour (\d+) g", told) == ["20"]

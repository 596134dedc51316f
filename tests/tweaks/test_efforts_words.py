"""What an effort pays is said alike in the first sentence, the table, the sentence about it and the short form."""
import pandas as pd
import pytest

from labkit.rounds import HAVING, WORTH
from labkit.tweaks.efforts import Efforts, _advice, _beside
from labkit.tweaks.price import Bargain


def efforts(gain, repeat, tester, se=0.0005):
    """A round of cost 9, a repeat in it that costs nothing, a tester more for 0.25; gain of the first, what these add."""
    table = pd.DataFrame({"effort": ["the round as suggested", "P05 again in place of a new formula", "one tester more"],
                          "cost": [9.0, 9.0, 9.25], "gain": [gain, gain + repeat, gain + tester],
                          "difference": [0.0, repeat, tester], "se": se, "testers": 6, "added cost": [0.0, 0.0, 0.25]},
                         index=["round", "repeat", "tester"])
    table["per unit"] = table["gain"] / table["cost"]
    table["added per unit"] = table["difference"] / table["added cost"].where(table["added cost"] > 0)
    table["pays"] = (_beside(table, WORTH) | (table.index == "round")) & (table["per unit"] >= WORTH)
    bargain = Bargain(gain=gain, cost=9.0, worth=WORTH, having=HAVING)
    return Efforts(table=table, rounds={}, worth=bargain.unit, advice=_advice(table, bargain))


def test_what_is_better_in_a_round_that_does_not_pay_is_for_who_pours_it_all_the_same():
    found = efforts(0.011, 0.0024, 0.002)
    lines = found.advice.split("\n")
    assert lines[0] == ("No round pays for all that it costs, neither as suggested nor with anything more. Where "
                        "suggest_next says stop as well, settle on what it names, and confirm that where it is not done "
                        "yet (plan_confirmation).")
    assert lines[2:] == [
        "P05 again in place of a new formula costs the same and brings 0.0024 more: do it if the round is poured all the "
        "same.", "One tester more costs 0.25 more and brings 0.0020 more (0.0080 a unit): it pays if the round is poured all "
                 "the same."]
    assert not found.table["pays"].any() and repr(found) == "<Efforts: no round would pay>"


def test_beside_a_round_that_pays_the_same_is_to_be_done():
    found = efforts(0.06, 0.0024, 0.0001)
    lines = found.advice.split("\n")
    assert lines[0] == "Best beside the round as suggested: P05 again in place of a new formula."
    assert lines[2:] == ["P05 again in place of a new formula costs the same and brings 0.0024 more: do it.",
                         "One tester more costs 0.25 more and brings nothing that could be told: it does not pay."]
    assert list(found.table["pays"]) == [True, True, False] and repr(found) == "<Efforts: repeat would pay beside the round>"


@pytest.mark.parametrize("gain", [0.0494, 0.0496])
def test_a_round_that_pays_only_with_something_more_is_told_with_it(gain):
    """0.0055 a unit of 9 is 0.0495."""
    found = efforts(gain, 0.0024, 0.0)
    assert list(found.table["pays"]) == [gain > 0.0495, True, False]
    assert found.advice.startswith("Best beside the round as suggested: P05 again in place of a new formula.\n")


def test_more_that_comes_out_worth_less_is_chance():
    """Who knows more can always settle on the same; a repeat takes the place of something else, and may be worth less."""
    lines = efforts(0.06, -0.0024, -0.002).advice.split("\n")
    assert lines[2] == "P05 again in place of a new formula costs the same and brings 0.0024 less: leave the round as it is."
    assert lines[3] == "One tester more costs 0.25 more and brings nothing that could be told: it does not pay."


@pytest.mark.parametrize("se, says", [(0.0012, "0.0020 more (0.0080 a unit): it pays."),
                                      (0.00125, "nothing that could be told: it does not pay.")])
def test_what_the_computing_may_be_off_by_is_not_told(se, says):
    """One chance in twenty of a normal lies above 1.645 of its standard deviations: .00197 and .00206, where .002 was found."""
    assert efforts(0.06, 0.0, 0.002, se=se).advice.split("\n")[3] == f"One tester more costs 0.25 more and brings {says}"


@pytest.mark.parametrize("added", [0.00004, -0.00004])
def test_what_four_decimals_show_nothing_of_is_not_told(added):
    """Where everything is as wanted a melt more was told to bring 0.0000 less, and a repeat of 0.0000 to be done."""
    found = efforts(0.06, added, added, se=0.00001)
    assert found.advice.split("\n")[2:] == [
        "P05 again in place of a new formula costs the same and brings nothing that could be told: leave the round as it is.",
        "One tester more costs 0.25 more and brings nothing that could be told: it does not pay."]
    assert list(found.table["pays"]) == [True, False, False]

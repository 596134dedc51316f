"""What things cost, and what a unit of cost must bring: stated, or told where it can hardly be meant."""

import pytest
from definitions import TERRACOTTA

import labkit
from labkit import Trial
from labkit.errors import TrialError


def test_a_tester_more_has_a_price_of_its_own():
    usual, dear = Trial.from_toml(TERRACOTTA).cost, Trial.from_toml(f"{TERRACOTTA}\n[cost]\ntester = 2\n").cost
    assert usual.of(rounds=1, melts=2, pours=4, testers=1) == 9.25
    assert dear.of(rounds=0, melts=0, pours=0, testers=3) == 6.0
    with pytest.raises(TrialError) as problem:
        Trial.from_toml(f"{TERRACOTTA}\n[cost]\ntester = -1\n")
    assert str(problem.value) == (
        "[cost] tester is -1, which is below 0. Give the cost of a round, melt, pour and tester, in one unit.")


def test_what_a_unit_of_cost_must_bring_is_stated_where_it_is_another_unit():
    """4 pours in 2 melts: 9 units at .0055; ten times the prices must bring ten times as much, or as stated."""
    def of(words):
        return Trial.from_toml(f"{TERRACOTTA}\n[cost]\n{words}\n").cost

    assert Trial.from_toml(TERRACOTTA).cost.worth == of("round = 50").worth == 0.0055
    assert of("tester = 1").evening_must_bring == pytest.approx(0.0495)
    assert of("round = 50\nmelt = 10\npour = 5").evening_must_bring == pytest.approx(0.495)
    assert of("round = 50\nmelt = 10\npour = 5\nworth = 0.00055").evening_must_bring == pytest.approx(0.0495)
    assert of("worth = 0").evening_must_bring == 0
    with pytest.raises(TrialError) as problem:
        of("worth = -0.1")
    assert str(problem.value) == ("[cost] worth is -0.1, which is below 0. Give the desirability (0 to 1) that one unit of "
                                  "cost must bring, or leave it out.")


@pytest.mark.parametrize("cost, told", [
    ("round = 60\nmelt = 8\npour = 3", "comes to 88, which must bring 0.48 of desirability (0 to 1) where you have 0.8 of it, at 0.0055 a unit: you are "
     "told to stop early. If your unit is another, such as money, write what it must bring into [cost], such as worth = 0.00056."),
    ("round = 1\nmelt = 0.4\npour = 0.2", "comes to 2.6, which must bring 0.014 of desirability (0 to 1) where you have 0.8 of it, at 0.0055 a unit: you "
     "are told to stop late. If your unit is another, such as money, write what it must bring into [cost], such as worth = 0.019."),
    ("round = 60\nmelt = 8\npour = 3\nworth = 0.0006", ""), ("round = 22", ""), ("round = 24", "comes to 28,"), ("round = 0", "")])
def test_prices_in_another_unit_are_told_where_it_is_not_said_what_one_must_bring(cost, told):
    unsaid = labkit.appraise_records(labkit.Trial.from_toml(f"{TERRACOTTA}\n[cost]\n{cost}\n")).unsaid
    assert len(unsaid) == bool(told) and all(f"an evening of 4 pours in 2 melts {told}" in line for line in unsaid)
    if told.endswith("."):
        assert unsaid == (f"At [cost] an evening of 4 pours in 2 melts {told}",)
        again = f"{TERRACOTTA}\n[cost]\n{cost}\n{told.split('such as ')[-1][:-1]}\n"
        trial = labkit.Trial.from_toml(again)
        assert labkit.appraise_records(trial).unsaid == () and trial.cost.evening_must_bring == pytest.approx(0.05, rel=0.03)

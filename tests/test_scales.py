"""Scales from 0 to 1, or from 0 to 1000: the same numbers with the decimals that they need; absurd ones are refused."""
import re

import numpy as np
import pandas as pd
import pytest
from conftest import DEMO
from definitions import HAZEL

import labkit
from labkit.attributes import Attribute, digits_of
from labkit.errors import TrialError
from labkit.panel.flags import _far_row
from labkit.rehearsal.fitted import _step_of
from labkit.rehearsal.table import _read, _sd, _step
from labkit.tweaks.confirming import _expected_words, measured
from labkit.tweaks.slips import slips_in_words
from labkit.tweaks.trading import _says
from labkit.tweaks.trading import _step as step_of_trade
from labkit.wording import grid_of, report

NUMBER = re.compile(r"\[(?:[\d.]+(?:, )?)+\]")


def scaled(folder, times):
    """The demo trial with every scale and score that many times as large."""
    definition = (folder / "trial.toml").read_text()
    head, attributes = definition.split("[attributes.payoff]")
    wanted = [NUMBER.sub(lambda m: str([round(float(v) * times, 9) for v in m[0][1:-1].split(", ")]), row)
              for row in f"[attributes.payoff]{attributes}".splitlines() if not row.startswith("scale")]
    rows = [row + f"\nscale = [0, {10 * times:g}]" * row.startswith("[") for row in wanted]
    (folder / "trial.toml").write_text("\n".join([head, *rows]))
    scores = (folder / "scores.csv").read_text().splitlines()
    place = scores[0].split(",").index("score")
    cells = [row.split(",") for row in scores[1:]]
    rows = [[repr(round(float(c) * times, 9)) if k == place and c else c for k, c in enumerate(row)] for row in cells]
    (folder / "scores.csv").write_text("\n".join([scores[0], *map(",".join, rows)]) + "\n")
    return labkit.read_trial(folder)


@pytest.fixture(scope="module")
def fine(tmp_path_factory):
    import shutil
    return scaled(shutil.copytree(DEMO, tmp_path_factory.mktemp("fine") / "trial"), 0.1)


@pytest.mark.parametrize(("ends", "finer", "half"), [
    ((0, 10), 0, 0.5), ((1, 5), 0, 0.5), ((40, 90), 0, 0.5), ((0, 100), 0, 0.5), ((0, 2), 0, 0.5), ((0, 1), 1, 0.05),
    ((0, 0.5), 1, 0.05), ((0, 0.1), 2, 0.005), ((0, 0.01), 3, 0.0005), ((0, 1000), -1, 5), ((0, 10_000), -2, 50)])
def test_a_scale_says_how_many_decimals_its_numbers_need(ends, finer, half):
    scale = Attribute(name="payoff", low=ends[0], high=ends[1])
    assert scale.finer == finer
    assert scale.half_point == pytest.approx(half)


def test_values_are_told_in_these_decimals():
    fine, wide = Attribute(name="a", high=1.0), Attribute(name="b", high=1000.0)
    assert (fine.told(0.4567), fine.told(0.4567, 2), fine.told(0.4567, sign="+")) == ("0.46", "0.457", "+0.46")
    assert (wide.told(456.7), wide.told(456.7, 2)) == ("457", "456.7")
    assert digits_of(["a", "b", "desirability"], {"a": fine, "b": wide}) == [3, 1, 2]


def test_a_grid_takes_decimals_by_row():
    table = pd.DataFrame({"attribute": ["a", "b"], "mean": [0.4567, 456.7], "p": [0.05, 0.5]})
    assert report(grid_of(table, digits={"mean": [3, 1]})).as_text() == (
        "  attribute   mean     p\n"
        "  a          0.457  0.05\n"
        "  b          456.7  0.50")


def test_a_tenth_of_the_scale_gives_a_tenth_of_every_mean(demo, fine):
    mine, theirs = labkit.appraise_panel(fine), labkit.appraise_panel(demo)
    np.testing.assert_allclose(10 * mine.pours["mean"], theirs.pours["mean"], rtol=1e-9)
    here = labkit.fit_surfaces(fine)["payoff"].predict(demo.made[list(demo.recipe.coordinates)])
    there = labkit.fit_surfaces(demo)["payoff"].predict(demo.made[list(demo.recipe.coordinates)])
    np.testing.assert_allclose(10 * here, there, rtol=1e-7)


def test_reports_of_it_lose_no_digit(fine):
    """From 0 to 10 it is +1.5, +1.1, +0.9 and 1.2 at the same places."""
    panel, surface = labkit.appraise_panel(fine), labkit.fit_surfaces(fine)["payoff"]
    told = str(panel)
    assert "T03 scores high on everything (+0.11 to +0.15), T04 scores low on everything (-0.07 to -0.09)" in told
    assert "  T03     +0.155 (0.018)  +0.152 (0.025)  +0.121 (0.021)  +0.106 (0.022)\n" in told
    assert "  P01   0.433 (0.027) d    0.775 (0.039) ab  0.558 (0.033) a    0.150 (0.035) e\n" in told
    assert "  payoff     tester        0.100  0.094  0.055  0.159  about as stated\n" in told
    assert "  payoff           6     11  0.164   0.100             16\n" in told
    assert surface.in_one_line() == ("payoff: load +0.26 and wax -0.15 from low to high; a formula's mean is known to 0.12 "
                                     "(90 %) after 11 pours")
    told = str(surface)
    assert "  wax               -0.153  0.096  -0.310  -0.005        -1   0.73     0.19\n" in told
    assert "  total        10          0.0927       0.0093\n" in told
    assert "  linear        5   6       0.0509      0.833     -0.182  0.09197\n" in told
    assert "known to 0.12, and one new pour falls within 0.15 of what is predicted, were it judged" in " ".join(told.split())
    assert "(PRESS 0.0920)." in told
    assert "  pour                    0.030  0.027  0.013  0.049  about as stated\n" in told
    assert "  P01   0.433     0.027  0.469  0.380  0.556    -0.159      0.72       1.95\n" in told
    assert "  wax                 -0.067  0.052  -0.168  0.033  0.2412\n" in told
    assert "pour_temperature 72.8, within the limits: 0.801." in told


def test_what_a_round_can_tell_of_it_is_told_in_its_decimals(fine):
    table = str(labkit.appraise_round(fine, 3)).split("Which differences would be seen?")[1].splitlines()
    assert table[2].split() == ["a", "difference", "of", "at", "least,", "between", "payoff", "hardness", "sheerness", "shade"]
    assert table[3].strip().startswith("two pours of one melt")
    assert all(len(cell.split(".")[1]) == 2 for cell in table[3].split()[-4:])


def test_a_tweak_is_told_in_its_decimals(fine):
    tweak = labkit.suggest_next(fine, pours=2, melts=1, seed=1)
    rows = str(tweak).split("Predicted there, with 90 % intervals for the mean")[1].splitlines()[2:]
    cells = {row.split()[0]: row.split()[1:] for row in rows}
    places = {name: {len(cell.split(".")[1]) for cell in row} for name, row in cells.items()}
    assert places == {"payoff": {3}, "hardness": {3}, "sheerness": {3}, "shade": {3}, "holds": {2}, "desirability": {2}}


def test_the_confirmation_of_it_is_told_in_its_decimals():
    expected = pd.DataFrame({"attribute": ["shine"], "mean": [0.5], "low": [0.4567], "high": [0.6543], "unit": [""]})
    turns = pd.DataFrame({"attribute": ["shine"], "below": [0.3219], "above": [np.nan], "better below": ["P07"],
                          "better above": [""], "at once": [False]})
    assert _expected_words(expected, turns, {"shine": Attribute(name="shine", high=1.0)}) == (
        "shine should come out between 0.46 and 0.65; under 0.32 P07 would be the better choice.")
    assert measured(8.094, "mm", 1) == "8.09 mm"


@pytest.mark.parametrize("value, digits, told", [(-0.04, 1, "0.0"), (-0.06, 1, "-0.1"), (0.04, 1, "0.0"), (-0.004, 2, "0.00"),
                                                 (-0.285, 2, "-0.28"), (1.005, 2, "1.00")])
def test_on_a_scale_with_zero_within_nothing_is_told_without_a_sign(value, digits, told):
    """Of a scale from -3 to 3; a difference keeps its direction."""
    tack = Attribute(name="tack", low=-3, high=3)
    assert tack.told(value, digits) == told and float(told) + 0.0 == round(value, digits)
    assert tack.told(value, digits, "+") == f"{value:+.{digits}f}"
    assert digits != 1 or measured(value, "mm") == f"{told} mm"


def test_a_slip_moves_it_by_digits_that_can_be_read():
    table = pd.DataFrame({"what slips": ["0.03 g too little wax in the pot"], "moves": ["wax -0.01"], "shine": [-0.0123],
                          "desirability": [-0.05], "low": [-0.1]})
    assert slips_in_words(table, {"shine": Attribute(name="shine", high=1.0)}) == (
        "The slip to guard against: 0.03 g too little wax in the pot. It moves shine by -0.012 and costs 0.050 of "
        "desirability.")


@pytest.mark.parametrize(("ends", "unit", "step", "told"), [
    ((0, 1), "", "0.1", "Each 0.1 of payoff beyond 0.61 costs 1.2 of hardness, up to 0.74 (90 %: 0.5 to 2.3)."),
    ((0, 10), "", "point", "Each point of payoff beyond 0.6 costs 12.3 of hardness, up to 0.7 (90 %: 4.6 to 23.4)."),
    ((0, 0.5), "g", "0.1 g", "Each 0.1 g of payoff beyond 0.61 costs 1.2 of hardness, up to 0.74 (90 %: 0.5 to 2.3)."),
    ((0, 1000), "", "10 points", "Each 10 points of payoff beyond 1 costs 123.5 of hardness, up to 1 (90 %: 45.7 to 234.5).")])
def test_a_trade_on_it_is_told_by_a_step_that_can_be_made(ends, unit, step, told):
    scale = Attribute(name="payoff", low=ends[0], high=ends[1], reading="mass" * bool(unit), unit=unit)
    row = {"attribute": "payoff", "other": "hardness", "cost": 12.345, "low": 4.567, "high": 23.45, "from": 0.6123, "to": 0.7412}
    assert step_of_trade(scale) == step
    assert _says(row, (1, 1), step, finer=(scale.finer, 0)) == told


@pytest.mark.parametrize(("cost", "low", "high", "told"), [
    (0.107, 0.041, 0.284, "0.11 of hardness, up to 71.7 (90 %: 0.04 to 0.28)."),
    (0.24, 0.16, 0.284, "0.2 of hardness, up to 71.7 (90 %: 0.2 to 0.3).")])
def test_what_costs_a_tenth_of_a_point_or_two_is_told_in_hundredths(cost, low, high, told):
    """As of a score from 0 to 100 beside one from 0 to 10: in tenths, what surely costs something might cost 0.0."""
    row = {"attribute": "payoff", "other": "hardness", "cost": cost, "low": low, "high": high, "from": 63.14, "to": 71.68}
    assert _says(row, (1, 1), "point") == f"Each point of payoff beyond 63.1 costs {told}"


def test_a_score_far_from_expectation_is_told_in_its_decimals():
    class Odd:
        attribute, testers, pours = Attribute(name="shine", high=1.0), ["T01"], ["P01"]
        scores = pd.DataFrame({"pour": ["P01", "P02"], "tester": "T01", "score": [0.05, 0.5]})
    assert _far_row(Odd, 0, 0, 0.634, 4.31)[-1] == (
        "T01 gave P01 0.05 for shine, where 0.63 would be expected (4.3 standard deviations)")


def test_rehearsals_score_to_half_a_tenth_on_a_scale_from_0_to_1():
    fine, usual = Attribute(name="shine", high=1.0), Attribute(name="payoff")
    world = labkit.World(lambda points: points)
    assert (_step(world, fine), _step(world, usual)) == (pytest.approx(0.05), 0.5)
    assert _read(np.array([0.33, 0.99]), fine, _step(world, fine)).tolist() == [0.35, 1.0]
    assert _step_of(fine, np.array([0.05, 0.35, 0.6])) == pytest.approx(0.05)
    assert _step_of(fine, np.array([0.1, 0.3, 0.6])) == pytest.approx(0.1)
    assert _step_of(fine, np.array([0.12, 0.3])) == 0.0
    assert _step_of(usual, np.array([1.0, 3.0])) == 1.0
    assert _step_of(usual, np.array([1.5, 3.0])) == 0.5


def test_worlds_scatter_by_as_much_of_any_scale_as_of_one_from_0_to_10():
    """On one from 0 to 100 by a tenth of it: a panel of that world was told to be ten times as good as any stated."""
    from labkit.definition.reading import NOISE
    fine, usual, wide = (Attribute(name="shine", high=high) for high in (1.0, 10.0, 100.0))
    world = labkit.World(lambda points: points)
    assert [_sd(world, "pour", a) for a in (fine, usual, wide)] == pytest.approx([0.03, 0.3, 3.0])
    assert [_sd(world, "tester_pour", a) for a in (fine, usual, wide)] == pytest.approx([0.08, 0.8, 8.0])
    assert _sd(world, "melt", Attribute(name="drag", low=1.0, high=5.0)) == pytest.approx(4 * NOISE["melt"])
    stated = labkit.World(lambda points: points, sd_pour={"shine": 0.2}, sd_tester_pour=0.5)
    assert (_sd(stated, "pour", fine), _sd(stated, "tester_pour", usual)) == (0.2, 0.5)


def test_a_ballot_has_boxes_a_tenth_apart():
    from labkit.sheets.ballot import _line
    fine, usual = Attribute(name="shine", high=1.0), Attribute(name="hardness", low=1.0, high=5.0)
    assert _line(fine, "boxes")["boxes"] == ["0", "0.1", "0.2", "0.3", "0.4", "0.5", "0.6", "0.7", "0.8", "0.9", "1"]
    assert _line(usual, "boxes")["boxes"] == ["1", "2", "3", "4", "5"]
    assert _line(Attribute(name="shine", high=1.25), "boxes")["boxes"] == []
    assert _line(Attribute(name="shine", high=100.0), "boxes")["boxes"] == []


@pytest.mark.parametrize(("scale", "words", "told"), [
    ("[0, 0.001]", "", "0 to 0.001, too narrow to be told in a few digits. Choose another one, such as [0, 10]."),
    ("[100, 100.05]", "", "100 to 100.05, too narrow to be told in a few digits. Choose another one, such as [0, 10]."),
    ("[0, 1000000]", "", "0 to 1000000, too wide to be told in a few digits. Choose another one, such as [0, 10]."),
    ("[0, 0.005]", 'reading = "mass"\nunit = "g"\n',
     "0 to 0.005 g, too narrow to be told in a few digits. Choose a smaller unit, such as mg for g."),
    ("[0, 200000]", 'reading = "mass"\nunit = "mg"\n',
     "0 to 200000 mg, too wide to be told in a few digits. Choose a larger unit, such as g for mg.")])
def test_an_absurd_scale_is_refused(scale, words, told):
    with pytest.raises(TrialError) as caught:
        labkit.Trial.from_toml(f"{HAZEL}\n[attributes.shine]\nscale = {scale}\n{words}")
    assert str(caught.value) == f"[attributes.shine] scale runs from {told}"


@pytest.mark.parametrize("scale", ["[0, 1]", "[0, 0.01]", "[0, 1000]", "[1, 5]", "[300, 350]", "[-1, 1]"])
def test_any_other_scale_is_taken(scale):
    trial = labkit.Trial.from_toml(f"{HAZEL}\n[attributes.shine]\nscale = {scale}\n")
    assert [trial.attributes["shine"].low, trial.attributes["shine"].high] == eval(scale)

"""The path of the settled formula: diamonds stand where the frame says."""
import numpy as np
import pandas as pd
import pytest

from labkit.errors import TweakError
from labkit.figures import draw_path

PATH = pd.DataFrame({
    "round": [1, 2, 3], "pours": [4, 7, 11], "wax": [0.17, 0.16, 0.165], "red_share": [0.7, 0.6, 0.54],
    "load": [0.05, 0.047, 0.042], "pour_temperature": [76.0, 77.0, 71.0],
    "desirability": [np.nan, 0.43, 0.67], "low": [np.nan, 0.0, 0.5], "high": [np.nan, 0.7, 0.8],
    "today": [0.5, 0.6, 0.67], "today low": [0.3, 0.4, 0.5], "today high": [0.6, 0.7, 0.8]})


def diamonds(ax):
    return [line for line in ax.lines if line.get_marker() == "D"][0]


def test_a_picture_a_coordinate_and_the_desirability_as_the_last(demo):
    axes = draw_path(PATH, demo)
    assert [ax.get_title() for ax in axes] == [
        "wax\n[g/g of candelilla wax, mango\nbutter and jojoba oil]",
        "red share\n[g/g of red iron oxide and yellow\niron oxide]", "load [g/g of the whole batch]",
        "pour temperature [°C]", "desirability, 90 % interval"]
    for ax, name in zip(axes, ("wax", "red_share", "load", "pour_temperature")):
        assert list(diamonds(ax).get_ydata()) == list(PATH[name]) and list(diamonds(ax).get_xdata()) == [1, 2, 3]
        ends = [line.get_ydata()[0] for line in ax.lines if list(line.get_xdata()) == [0, 1]]
        assert ends == list(demo.recipe.bounds.loc[name, ["low", "high"]])
    assert [text.get_text() for text in axes[0].figure.legends[0].get_texts()] == [
        "settled on, and as predicted then", "the same as known today", "poured in the round", "failed", "low and high"]


def test_desirability_as_predicted_then_and_as_known_today(demo):
    last = draw_path(PATH, demo)[-1]
    squares, = [line for line in last.lines if line.get_marker() == "s"]
    assert list(diamonds(last).get_ydata()) == [0.43, 0.67]                     # nothing was predicted after round 1
    assert list(squares.get_ydata()) == [0.5, 0.6, 0.67]
    bars = [segment for c in last.collections for segment in c.get_segments()]
    assert sorted(tuple(np.round(bar[:, 1], 9)) for bar in bars) == [(0.0, 0.7), (0.3, 0.6), (0.4, 0.7), (0.5, 0.8), (0.5, 0.8)]


def test_a_mean_below_its_interval_stands_as_it_is(demo):
    """19 of 20 draws at 1 and one at .9: the mean is .995, the interval is 1 to 1."""
    last = draw_path(PATH.assign(desirability=0.995, low=1.0, high=1.0), demo)[-1]
    assert list(diamonds(last).get_ydata()) == [0.995] * 3


def test_pours_stand_at_their_rounds_and_the_failed_one_is_a_cross(demo):
    ax = draw_path(PATH, demo)[0]
    dots, = [line for line in ax.lines if line.get_marker() == "o"]
    crosses, = [line for line in ax.lines if line.get_marker() == "X"]
    ok = demo.made[demo.made["ok"]]
    assert list(zip(dots.get_xdata(), dots.get_ydata())) == list(zip(ok["round"], ok["wax"]))
    assert list(crosses.get_xdata()) == [2]


def test_what_does_not_vary_has_no_picture(hazel):
    path = PATH.rename(columns={"wax": "base: sunflower wax", "red_share": "base: cocoa butter",
                                "pour_temperature": "base: castor oil"})
    titles = [ax.get_title() for ax in draw_path(path, hazel)]
    assert titles == ["load [g/g of the whole batch]", "sunflower wax [g/g of base]", "cocoa butter [g/g of base]",
                      "castor oil [g/g of base]", "desirability, 90 % interval"]


def test_another_frame_is_refused(demo):
    with pytest.raises(TweakError) as caught:
        draw_path(PATH.drop(columns=["load", "low"]), demo)
    assert str(caught.value) == ("the path has 3 rows and lacks load and low. "
                                 "Give what labkit.settled_by_round(trial) returned.")

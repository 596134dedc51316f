"""A figure that is given something else than it draws says what it was given, and where to get the right thing."""
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TWO_THINGS
from invented import poured, scored

from labkit.errors import LabkitError
from labkit.figures import (
    draw_along,
    draw_outlook,
    draw_panel,
    draw_path,
    draw_region,
    draw_round,
    draw_surface,
    draw_testers,
    draw_triangle,
)
from labkit.planning import appraise_round, plan_round
from labkit.sheets import bench_sheet
from labkit.surfaces import fit_surfaces
from labkit.trial import Trial

PAIR = ("wax", "load")
SURFACE = "Give one of those that fit_surfaces(trial) returned, such as surfaces['payoff']."
TRIAL = "the trial is of type str. Give what read_trial(folder) returned."
ROUND = "Give a Round, or the number of a planned one as a whole number."
ALL = "'wax', 'red_share', 'load' and 'pour_temperature'"
AXES = "Give one Axes, such as matplotlib.pyplot.subplots()[1]."
FOREIGN = plan_round(Trial.from_toml(HAZEL), pours=2)
ONE = Trial.from_toml(TWO_THINGS)
OTHER = ("varies load, base: sunflower wax, base: cocoa butter and base: castor oil, but Terracotta stick varies wax, "
         "red_share, load and pour_temperature. Give a round of this trial, planned with its present trial.toml.")


@pytest.mark.parametrize("draw, message", [
    (lambda demo, surfaces, panel: draw_surface(surfaces, along=PAIR), f"surface is of type Surfaces. {SURFACE}"),
    (lambda demo, surfaces, panel: draw_along("payoff", "wax"), f"surface is of type str. {SURFACE}"),
    (lambda demo, surfaces, panel: draw_triangle(surfaces), f"surface is of type Surfaces. {SURFACE}"),
    (lambda demo, surfaces, panel: draw_surface(surfaces["payoff"], along=PAIR, at=5),
     "`at` is of type int. Give one row with every coordinate, such as tweak.best."),
    (lambda demo, surfaces, panel: draw_surface(surfaces["payoff"], along=5),
     f"along is [5]. Give one or two different ones of {ALL}."),
    (lambda demo, surfaces, panel: draw_surface(surfaces["payoff"], along="Wax"),
     f"along is ['Wax']. Give one or two different ones of {ALL}."),
    (lambda demo, surfaces, panel: draw_surface(surfaces["payoff"], along=("wax", "Load")),
     f"along is ['wax', 'Load']. Give one or two different ones of {ALL}."),
    (lambda demo, surfaces, panel: draw_region(demo, along=("wax", "wax")),
     f"along is ['wax', 'wax']. Give one or two different ones of {ALL}."),
    (lambda demo, surfaces, panel: draw_region(demo, along=()), f"along is []. Give one or two different ones of {ALL}."),
    (lambda demo, surfaces, panel: draw_region(ONE, along=["wax", "oil"]), "along is ['wax', 'oil']. Give 'wax'."),
    (lambda demo, surfaces, panel: draw_along(surfaces["payoff"], PAIR),
     "name is ('wax', 'load'). Give one of 'wax', 'red_share', 'load' or 'pour_temperature'; draw_surface takes two."),
    (lambda demo, surfaces, panel: draw_along(surfaces["payoff"], "wax", ax="here"),
     f"ax is of type str. {AXES}"),
    (lambda demo, surfaces, panel: draw_region(demo, along=PAIR, ax=plt.figure()), f"ax is of type Figure. {AXES}"),
    (lambda demo, surfaces, panel: draw_surface(surfaces["payoff"], along=PAIR, at=demo.made.head(1).assign(wax=np.nan)),
     "`at` has no wax. Give one row with every coordinate, such as tweak.best."),
    (lambda demo, surfaces, panel: draw_surface(surfaces["payoff"], along=PAIR,
                                                at=demo.made.head(1).astype(object).assign(wax="a lot")),
     "wax of `at` is 'a lot', which is not a number. Write digits with one comma or point, and no unit."),
    (lambda demo, surfaces, panel: draw_outlook(demo, surfaces, along=PAIR, seed="1"),
     "seed is '1'. Give a whole number from 0 to 4294967295."),
    (lambda demo, surfaces, panel: draw_outlook(demo, None, along=PAIR),
     "surfaces is of type NoneType. Give what fit_surfaces(trial) returned."),
    (lambda demo, surfaces, panel: draw_region(demo, along=PAIR, round_=FOREIGN), f"round_ {OTHER}"),
    (lambda demo, surfaces, panel: draw_round(demo, FOREIGN), f"round_ {OTHER}"),
    (lambda demo, surfaces, panel: bench_sheet(demo, FOREIGN), f"the round {OTHER}"),
    (lambda demo, surfaces, panel: appraise_round(demo, FOREIGN), f"the round {OTHER}"),
    (lambda demo, surfaces, panel: draw_outlook(demo, surfaces["payoff"], along=PAIR),
     "surfaces is of type Surface. Give what fit_surfaces(trial) returned."),
    (lambda demo, surfaces, panel: draw_outlook(demo, {"payoff": panel}, along=PAIR),
     f"surfaces['payoff'] is of type Panel. {SURFACE}"),
    (lambda demo, surfaces, panel: draw_outlook(demo, {"shine": surfaces["payoff"]}, along=PAIR),
     "surfaces has 'shine', which is no attribute of Terracotta stick. Give what fit_surfaces(trial) returned."),
    (lambda demo, surfaces, panel: draw_outlook("demo", surfaces, along=PAIR), TRIAL),
    (lambda demo, surfaces, panel: draw_testers(demo, "payoff"),
     "panel is of type Trial. Give what appraise_panel(trial) returned."),
    (lambda demo, surfaces, panel: draw_panel(demo, "payoff"),
     "panel is of type Trial. Give what appraise_panel(trial) returned."),
    (lambda demo, surfaces, panel: draw_path(demo, demo),
     "path is of type Trial. Give what labkit.settled_by_round(trial) returned."),
    (lambda demo, surfaces, panel: draw_path(demo.plan, "demo"), TRIAL),
    (lambda demo, surfaces, panel: draw_region("demo", along=PAIR), TRIAL),
    (lambda demo, surfaces, panel: draw_region(demo, along=PAIR, round_=2),
     "round_ is of type int. Give a Round, such as suggest_next(trial).round."),
    (lambda demo, surfaces, panel: draw_round("demo", 2), TRIAL),
    (lambda demo, surfaces, panel: draw_round(demo, "2"), f"round_ is of type str. {ROUND}"),
    (lambda demo, surfaces, panel: draw_round(demo, True), f"round_ is of type bool. {ROUND}"),
    (lambda demo, surfaces, panel: draw_round(demo, 2.0), f"round_ is of type float. {ROUND}"),
    (lambda demo, surfaces, panel: draw_round(demo, 0), "round 0 is not planned. Give round 1, 2 or 3."),
    (lambda demo, surfaces, panel: fit_surfaces(demo, "x"),
     "panel is of type str. Give what appraise_panel(trial) returned."),
])
def test_what_it_was_given_and_where_to_get_the_right_thing(demo, surfaces, panel, draw, message):
    with pytest.raises(LabkitError) as refused:
        draw(demo, surfaces, panel)
    assert str(refused.value) == message


@pytest.mark.parametrize("listed", [list, np.array, pd.Index, pd.Series])
def test_two_names_in_any_list(demo, surfaces, listed):
    axes = draw_surface(surfaces["payoff"], along=listed(PAIR))
    assert axes.get_xlabel().startswith("wax") and axes.get_ylabel().startswith("load")
    plt.close("all")


@pytest.mark.parametrize("parts", ["cocoa butter", 5, ["a", "b", "c"], [["cocoa butter"], "b", "c"]])
def test_the_parts_of_a_triangle(parts):
    trial = scored(poured(HAZEL, rounds=1), lambda coded: 5 + coded[:, :1], testers=3)
    listed = parts if isinstance(parts, list) else [parts]
    with pytest.raises(LabkitError) as refused:
        draw_triangle(fit_surfaces(trial)["hardness"], parts=parts)
    assert str(refused.value) == (
        f"parts is {listed}. Give three different ones of 'sunflower wax', 'cocoa butter' and 'castor oil'.")

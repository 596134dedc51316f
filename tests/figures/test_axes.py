"""Names beside pours, measured on the finished picture."""
import itertools

import matplotlib.pyplot as plt
import pandas as pd
import pytest
from looking import names
from matplotlib.text import Annotation

from labkit.figures import draw_along, draw_region, draw_round, draw_surface
from labkit.figures.axes import FAILED, POURED, label_outside, sheet, title_at, title_sheet, words_of
from labkit.figures.names import label_points
from labkit.planning import plan_round
from labkit.trial import Trial
from labkit.tweaks import suggest_next


def boxes(ax):
    ax.figure.canvas.draw()
    return {text.get_text(): text.get_window_extent() for text in ax.texts if isinstance(text, Annotation)}


def shared(one, other):
    """Area that two boxes share [square pixels]."""
    return (max(0, min(one.x1, other.x1) - max(one.x0, other.x0))
            * max(0, min(one.y1, other.y1) - max(one.y0, other.y0)))


def test_names_of_neighbours_keep_out_of_each_others_way():
    _, ax = plt.subplots()
    ax.set(xlim=(0, 1), ylim=(0, 1))
    across = pd.Series({"P01": 0.5, "P02": 0.54, "P03": 0.5, "P04": 0.54, "P05": 0.99})
    up = pd.Series({"P01": 0.5, "P02": 0.5, "P03": 0.54, "P04": 0.54, "P05": 0.5})
    label_points(ax, across, up)
    found = boxes(ax)
    assert set(found) == set(across.index)
    assert [pair for pair in itertools.combinations(found, 2) if shared(found[pair[0]], found[pair[1]]) > 0] == []
    assert found["P05"].x1 <= ax.bbox.x1


def test_points_that_coincide_share_one_name():
    _, ax = plt.subplots()
    label_points(ax, pd.Series({"P01": 0.5, "P02": 0.5}), pd.Series({"P01": 0.5, "P02": 0.501}))
    assert list(boxes(ax)) == ["P01, P02"]


@pytest.mark.parametrize("draw, how", [(draw_surface, {"along": ("red_share", "load")}), (draw_along, {"name": "wax"})])
def test_names_in_pictures_of_the_demo_hardly_overlap(demo, surfaces, draw, how):
    ax = draw(surfaces["hardness"], **how)
    found = list(boxes(ax).values())
    area = sum(box.width * box.height for box in found)
    assert names(ax) == set(demo.made.index)
    assert sum(shared(a, b) for a, b in itertools.combinations(found, 2)) < 0.05 * area


def test_words_carry_units_and_wholes(demo):
    from definitions import HAZEL
    assert words_of(demo.recipe, "pour_temperature") == "pour temperature [°C]"
    assert words_of(Trial.from_toml(HAZEL).recipe, "base: cocoa butter") == "cocoa butter [g/g of base]"


def test_what_failed_hides_nothing_that_did_not(hazel):
    """Pours of one melt lie on one place: a cross is drawn first, and the dot leaves its arms to be seen."""
    ax = draw_region(hazel, along=("base: sunflower wax", "base: cocoa butter"))
    marks = [line.get_marker() for line in ax.lines if line.get_marker() in ("o", "X") and len(line.get_xdata())]
    assert marks == ["X"] + ["o"] * (len(hazel.made) - 1)
    assert FAILED["markersize"] > POURED["markersize"]


def test_long_names_stay_within_their_pictures():
    """Titles ran out of both sides of a figure, and the words under small pictures into each other."""
    from definitions import TERRACOTTA
    long, name = "share of the beeswax within the whole of the base", "A stick for the winter market, stall two, second shelf"
    text = TERRACOTTA.replace("[factors.wax]", f'[factors."{long}"]').replace("{ wax =", f'{{ "{long}" =')
    trial = Trial.from_toml(text.replace("Terracotta stick", f"{name} on the left"))
    assert max(map(len, words_of(trial.recipe, long, width=34).split("\n"))) <= 34
    axes = draw_region(trial, (long, "load"))
    figure = axes.get_figure()
    figure.draw_without_rendering()
    assert axes.title.get_window_extent().x0 >= 0 and axes.title.get_window_extent().x1 <= figure.bbox.x1
    assert axes.get_title().count("\n") == 1 and "\n" not in title_at("Terracotta stick: what is wanted", "")


@pytest.mark.parametrize("name", ["Getönter Pflegestift, groß, für außergewöhnlich spröde Lippen", "A STICK WITH MANGO "
                                  "BUTTER AND CANDELILLA WAX, WARM MAHOGANY"])
def test_no_title_is_cut_off_at_a_side_of_its_picture(name):
    """Counted in letters it was: capitals are half as wide again, and a round lies off the middle of its figure."""
    from definitions import TERRACOTTA
    trial = Trial.from_toml(TERRACOTTA.replace("Terracotta stick", name))
    ax = draw_round(trial, plan_round(trial, pours=2, melts=1, seed=1))
    beside = draw_region(trial, "load", ax=plt.subplots(1, 2, figsize=(11, 4), layout="constrained")[1][0])
    for axes, edge in ((ax, ax.figure.bbox.x1), (beside, beside.figure.axes[1].bbox.x0)):
        axes.figure.draw_without_rendering()
        box = axes.title.get_window_extent()
        assert 0 <= box.x0 and box.x1 <= edge, axes.get_title()
        assert axes.get_title().replace("\n", " ").startswith(name)
    figure = plt.figure(figsize=(6.4, 4))
    title_sheet(figure, f"{name}: what is wanted", "load 0.05")
    figure.draw_without_rendering()
    assert figure._suptitle.get_window_extent().x0 >= 0


def test_a_setting_over_a_thousand_is_no_power_of_ten():
    """A stirrer at 1240 turns a minute was held "at stirring 1.24e+03", and so said `labkit next`."""
    from definitions import TERRACOTTA

    from labkit.__main__ import _settled
    from labkit.figures.slices import value_words
    given = pd.Series({"pour_temperature": 1240.0, "base: oil": 0.5})
    assert value_words(Trial.from_toml(TERRACOTTA).recipe, given) == ["pour temperature 1240\u00a0°C", "oil 0.5"]
    without = Trial.from_toml(TERRACOTTA.replace('unit = "degC"', ""))
    assert value_words(without.recipe, given.iloc[:1]) == ["pour temperature 1240"]
    trial = Trial.from_toml(TERRACOTTA.replace("low = 68\nhigh = 80", "low = 1200\nhigh = 1300"))
    tweak = suggest_next(trial, pours=2, melts=1, seed=1)
    assert any("pour_temperature 1250 °C." in str(block.text) for block in _settled(trial, tweak))


@pytest.mark.parametrize("count, rows, columns", [(1, 1, 1), (2, 1, 2), (3, 1, 3), (4, 2, 2), (5, 2, 3), (7, 3, 3)])
def test_a_sheet_has_as_many_pictures_as_are_asked_for_in_rows_of_three(count, rows, columns):
    figure, axes = sheet(count)
    assert figure.axes == list(axes) and len(axes) == count
    assert axes[0].get_gridspec().get_geometry() == (rows, columns)
    label_outside(axes, "across", "up")
    beside = [ax for ax in axes if ax.get_subplotspec().colspan.start == 0]
    assert [ax for ax in axes if ax.get_ylabel()] == beside and len(beside) == rows
    assert [ax for ax in axes if ax.get_xlabel()] == list(axes[-columns:])

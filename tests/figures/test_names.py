"""Names beside many near pours, measured on the finished picture."""
import itertools

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from crowded import crowded_trial
from looking import names
from matplotlib.text import Annotation, Text

from labkit.figures import draw_along, draw_region, draw_surface, draw_testers
from labkit.figures.names import DOT, _cost_alone, label_points, size_of
from labkit.panel import appraise_panel
from labkit.planning import plan_round
from labkit.surfaces import fit_surfaces

VALUE_SIZE = 8              # of the values on lines [points]
PAIRS = [("wax", "load"), ("red_share", "load"), ("load", "pour_temperature")]


def hidden(ax):
    """Pairs of names that lie over each other, and dots whose middle lies under a name, on the finished picture."""
    ax.figure.canvas.draw()
    boxes = [Text.get_window_extent(text) for text in ax.texts if isinstance(text, Annotation)]     # without its line
    dots = [line.get_transform().transform(line.get_xydata()) for line in ax.lines if line.get_linestyle() == "None"]
    over = [(a, b) for a, b in itertools.combinations(boxes, 2)
            if min(a.x1, b.x1) - max(a.x0, b.x0) > 0.5 and min(a.y1, b.y1) - max(a.y0, b.y0) > 0.5]
    return over + [(x, y) for x, y in np.vstack(dots) for b in boxes if b.x0 < x < b.x1 and b.y0 < y < b.y1]


@pytest.fixture(scope="module")
def crowded():
    return crowded_trial()


@pytest.fixture(scope="module")
def payoff(crowded):
    return fit_surfaces(crowded)["payoff"]


@pytest.mark.parametrize("pours, width", [(10, 0.12), (16, 0.4)])
@pytest.mark.parametrize("along", PAIRS)
def test_names_of_near_pours_lie_over_neither_names_nor_dots(pours, width, along):
    trial = crowded_trial(pours, width)
    ax = draw_region(trial, along)
    assert names(ax) == set(trial.made.index)
    assert hidden(ax) == []


def test_planned_pours_beside_poured_ones_too(crowded):
    round_ = plan_round(crowded, pours=6, melts=3, seed=1)
    shift = crowded.made[["red_share", "load"]].iloc[:6] * 1.02
    near = round_.to_frame().assign(red_share=shift["red_share"].to_numpy(), load=shift["load"].to_numpy())
    ax = draw_region(crowded, ("red_share", "load"), round_=type(round_)(number=2, frame=near, recipe=crowded.recipe))
    assert hidden(ax) == [] and len(names(ax)) == 18


@pytest.mark.parametrize("draw, how", [
    *[(draw_surface, {"along": pair}) for pair in PAIRS], (draw_along, {"name": "wax"}), (draw_along, {"name": "load"})])
def test_names_on_surfaces(crowded, payoff, draw, how):
    ax = draw(payoff, **how)
    assert names(ax) == set(crowded.made.index)
    assert hidden(ax) == []


def test_names_of_many_testers():
    ax = draw_testers(appraise_panel(crowded_trial(testers=12)), "payoff")
    assert len(names(ax)) == 12
    assert hidden(ax) == []


def test_a_name_away_from_its_point_has_a_line_to_it():
    _, ax = plt.subplots()
    ax.set(xlim=(0, 1), ylim=(0, 1))
    turn = np.r_[np.arange(8) * np.pi / 4, 0]
    size = np.r_[np.full(8, 0.03), 0]
    at = pd.DataFrame({"across": 0.5 + 0.75 * size * np.cos(turn), "up": 0.5 + size * np.sin(turn)},
                      index=[*"abcdefgh", "middle"])
    ax.plot(at["across"], at["up"], marker="o", linestyle="none")
    label_points(ax, at["across"], at["up"])
    lines = {text.get_text() for text in ax.texts if text.arrow_patch is not None}
    assert "middle" in lines and hidden(ax) == []


def test_a_single_name_stands_up_and_right_and_no_pours_have_no_names():
    _, ax = plt.subplots()
    label_points(ax, pd.Series({"P01": 0.5}), pd.Series({"P01": 0.5}))
    (text,) = ax.texts
    assert min(text.xyann) > 0 and text.arrow_patch is None
    label_points(ax, pd.Series(dtype=float), pd.Series(dtype=float))
    assert len(ax.texts) == 1


def test_a_name_lies_near_another_dot_rather_than_over_a_fifth_of_a_value():
    """A figure with its side cut off is misread; a name near a second dot is read, and stands nearer to its own."""
    wide, high = size_of("7", VALUE_SIZE)
    name = np.array([[0.0, 0.0, 40.0, 12.0]])
    room, none = np.array([-500.0, -500.0, 500.0, 500.0]), np.empty((0, 4))
    cut = np.array([[40 - wide / 5, 2.0, 40 + 4 * wide / 5, 2 + high]])
    beside = np.array([[43.0, 2.0, 43 + 2 * DOT, 2 + 2 * DOT]])
    way = np.full((1, 9, 2), -400.0)
    costs = [_cost_alone(name, way, dots, values, room)[0] for dots, values in ((none, cut), (beside, none))]
    assert costs[0] > costs[1] > 0


def test_points_that_coincide_share_one_name():
    ax = plt.subplots()[1]
    ax.set(xlim=(0, 1), ylim=(0, 1))
    label_points(ax, pd.Series({"P01": 0.2, "P02": 0.7, "P03": 0.2}), pd.Series({"P01": 0.5, "P02": 0.5, "P03": 0.5}))
    assert [text.get_text() for text in ax.texts] == ["P01, P03", "P02"]
    plt.close(ax.figure)

"""Values on lines: none under a pour, none cut off, one for a picture without lines; the legend holds what is there."""
from dataclasses import replace

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from labkit.attributes import Attribute
from labkit.figures import draw_outlook, draw_surface, draw_triangle
from labkit.figures.names import markers
from labkit.figures.shades import levels_of
from labkit.figures.slices import Slice
from labkit.figures.values import ABOVE, label_values


def a_slice(limit=lambda x, y: -np.ones(x.shape)):
    """The unit square in 41 x 41 points; above 0 the limit is broken."""
    x, y = np.meshgrid(np.linspace(0, 1, 41), np.linspace(0, 1, 41))
    return Slice(x=x, y=y, points=pd.DataFrame({"x": x.ravel(), "y": y.ravel()}), over=limit(x, y)[..., None])


def drawn(slice_, values, levels, dots=()):
    """The words on a picture of these lines with these dots."""
    ax = plt.subplots(figsize=(4, 4))[1]
    ax.set(xlim=(0, 1), ylim=(0, 1))
    for dot in dots:
        ax.plot(*dot, "ko", linestyle="none")
    lines = ax.contour(slice_.x, slice_.y, values, levels=levels) if levels else None
    label_values(ax, slice_, [lines], values)
    return ax


def places(ax):
    return {text.get_text(): np.array(text.get_position()) for text in ax.texts}


def test_a_value_stands_on_its_line_away_from_dots():
    slice_ = a_slice()
    dots = [(0.5, y) for y in (0.1, 0.3, 0.4, 0.5, 0.6, 0.9)]
    ax = drawn(slice_, slice_.x, [0.25, 0.5], dots)
    found = places(ax)
    assert list(found) == ["0.25", "0.5"]
    assert found["0.25"] == pytest.approx([0.25, 0.5], abs=0.03)        # free all along: in the middle
    assert found["0.5"][0] == pytest.approx(0.5, abs=0.01) and 0.66 < found["0.5"][1] < 0.84
    assert all(text.get_zorder() == ABOVE for text in ax.texts)


def test_each_long_piece_of_a_line_has_its_value_and_a_small_ring_only_where_it_is_alone():
    slice_ = a_slice()
    two = drawn(slice_, (10 * slice_.x - 5)**2, [9])
    assert [text.get_text() for text in two.texts] == ["9", "9"]
    assert sorted(text.get_position()[0] for text in two.texts) == pytest.approx([0.2, 0.8], abs=0.01)
    bump = 20 * np.exp(-((slice_.x - 0.25)**2 + (slice_.y - 0.5)**2) / 0.0008)
    one, = drawn(slice_, 10 * slice_.x + bump, [7]).texts
    assert one.get_text() == "7" and one.get_position() == pytest.approx((0.7, 0.5), abs=0.05)
    ring, = drawn(slice_, bump, [7]).texts
    assert ring.get_text() == "7"


def test_a_value_keeps_off_what_is_forbidden():
    slice_ = a_slice(lambda x, y: y - 0.4)
    ax = drawn(slice_, slice_.x, [0.5])
    top = ax.transData.inverted().transform(ax.texts[0].get_window_extent().corners())[:, 1].max()
    assert top < 0.4


@pytest.mark.parametrize("height, words", [(6.94, "about 6.9 everywhere"), (0.733, "about 0.73 everywhere"),
                                           (112.0, "about 110 everywhere")])
def test_a_picture_without_lines_says_its_value_where_no_dot_is(height, words):
    slice_ = a_slice()
    ax = drawn(slice_, np.full(slice_.x.shape, height), [], [(0.5, 0.5)])
    text, = ax.texts
    assert text.get_text() == words
    box = text.get_window_extent()
    assert not any(box.contains(*at) for dots in markers(ax) for at in dots / 72 * ax.figure.dpi)
    assert ax.bbox.x0 < box.x0 and box.x1 < ax.bbox.x1


def overlaps(ax):
    """How many values lie over the middle of a pour."""
    boxes = [t.get_window_extent() for t in ax.texts if t.get_zorder() == ABOVE]
    dots = np.vstack(markers(ax)) / 72 * ax.figure.dpi
    return sum(box.contains(*dot) for box in boxes for dot in dots)


def test_no_value_of_a_figure_lies_over_a_pour(demo, surfaces, hazel_surfaces):
    axes = [*draw_outlook(demo, surfaces, along=("wax", "red_share")),
            draw_surface(surfaces["payoff"], along=("wax", "red_share")), draw_triangle(hazel_surfaces["hardness"])]
    assert sum(len(ax.texts) for ax in axes) > 20 and [overlaps(ax) for ax in axes] == [0] * len(axes)


def test_a_flat_picture_has_its_mean_and_the_legend_what_is_there(demo, surfaces):
    """Neither unwanted nor wanted most, with a mean that is about the same everywhere: no entry for either."""
    flat = replace(surfaces["payoff"])
    object.__setattr__(flat, "draws_at", lambda columns, n, seed: np.full((n, len(columns)), 6.94))
    axes = draw_outlook(demo, {"payoff": flat}, along=("wax", "load"))
    assert "about 6.9 everywhere" in [text.get_text() for text in axes[0].texts]
    assert [text.get_text() for text in axes[0].figure.legends[0].get_texts()] == ["poured", "failed"]


def test_a_surface_without_lines_says_its_value(surfaces):
    flat = replace(surfaces["payoff"])
    object.__setattr__(flat, "predict", lambda frame: pd.DataFrame({"mean": 6.94, "low": 6.5, "high": 7.5},
                                                                   index=frame.index))
    ax = draw_surface(flat, along=("wax", "load"))
    assert "about 6.9 everywhere" in [text.get_text() for text in ax.texts]


def test_a_line_that_lies_under_what_is_forbidden_has_no_value():
    """Lines run on to the next point of the grid, under the white: there values stood where no line was to be seen."""
    slice_ = a_slice(lambda x, y: y - 0.405)
    assert places(drawn(slice_, slice_.y, [0.2, 0.42])).keys() == {"0.2"}
    assert places(drawn(slice_, slice_.y, [0.42])).keys() == {"about 0.2 everywhere"}


@pytest.mark.parametrize("low, high, means, step", [(0, 10, (3, 5), 0.2), (1, 5, (3.8, 4.6), 0.1), (0, 20, (8, 12), 0.5),
                                                    (0, 1, (0.2, 0.9), 0.1), (1, 9, (1, 9), 1), (0, 100, (0, 100), 10)])
def test_lines_stand_at_round_values(low, high, means, step):
    """On a scale from 1 to 5 they stood at 4.16, 4.24, 4.32."""
    levels = levels_of(np.array(means), Attribute(name="glide", low=low, high=high))
    assert np.diff(levels) == pytest.approx(step) and levels / step == pytest.approx(np.round(levels / step))

"""A blend in a triangle: shares are where barycentric coordinates put them, lines where the surface says so."""
import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL
from invented import poured, scored
from looking import lines_of, marks, names
from matplotlib.axes import Axes

from labkit.errors import SurfaceError
from labkit.figures import draw_triangle
from labkit.figures.triangle import CORNERS, Triangle, _zoomed
from labkit.surfaces import fit_surfaces
from labkit.trial import Trial

PARTS = ("base: sunflower wax", "base: cocoa butter", "base: castor oil")
FOUR = HAZEL.replace('parts = ["sunflower wax", "cocoa butter", "castor oil"]',
                     'parts = ["sunflower wax", "cocoa butter", "castor oil", "vitamin E"]').replace(
    "low = [0.06, 0.10, 0.50]", "low = [0.06, 0.10, 0.50, 0.0]").replace(
    "high = [0.16, 0.40, 0.80]", "high = [0.16, 0.40, 0.80, 0.04]")


def fitted(text):
    trial = scored(poured(text, rounds=2), lambda coded: 5 + 2 * coded[:, :1])
    return fit_surfaces(trial)["hardness"]


def refusal(surface, **how):
    with pytest.raises(SurfaceError) as caught:
        draw_triangle(surface, **how)
    return str(caught.value)


class TestPlaces:
    triangle = Triangle(columns=PARTS, low=np.array([0.05, 0.1, 0.4]), whole=1.0)

    def test_the_corners_are_the_parts_and_the_middle_is_the_mean(self):
        full = self.triangle.low + self.triangle.size * np.eye(3)
        assert self.triangle.places(full) == pytest.approx(CORNERS)
        assert self.triangle.places(full.mean(axis=0)[None])[0] == pytest.approx(CORNERS.mean(axis=0))

    def test_equal_steps_are_equally_long_whichever_parts_trade_places(self):
        """The side of the triangle is one, so a step s of one part against another is s / size long."""
        start, step = np.array([0.15, 0.25, 0.6]), 0.03
        moves = step * np.array([[1, -1, 0], [0, 1, -1], [-1, 0, 1]])
        lengths = np.linalg.norm(self.triangle.places(start + moves) - self.triangle.places(start[None]), axis=1)
        assert lengths == pytest.approx(step / 0.45)

    def test_there_and_back(self):
        shares = self.triangle.low + 0.45 * np.random.default_rng(0).dirichlet([1, 1, 1], 50)
        assert self.triangle.shares(self.triangle.places(shares)) == pytest.approx(shares, abs=1e-12)


class TestZoom:
    def test_what_is_allowed_has_the_area_of_the_bounded_simplex(self):
        """Shares with lows l and highs u: size^2 - sum (1 - sum l - (u_i - l_i))_+^2, with no two corners meeting."""
        trial = Trial.from_toml(HAZEL)
        triangle, slice_ = _zoomed(trial, PARTS, trial.recipe.starting_factors.iloc[0])
        low, high = np.array([0.06, 0.10, 0.50]), np.array([0.16, 0.40, 0.80])
        size = 1 - low.sum()
        exact = size**2 - (np.clip(size - (high - low), 0, None) ** 2).sum()
        cells = np.abs(_areas(slice_))
        drawn = cells[_all_corners(slice_.allowed)].sum() / (np.sqrt(3) / 4) * triangle.size**2
        assert drawn == pytest.approx(exact, rel=0.06) and drawn <= exact * 1.0001

    def test_the_triangle_holds_the_region_and_every_pour_and_little_more(self, hazel):
        triangle, slice_ = _zoomed(hazel, PARTS, hazel.made[list(hazel.recipe.coordinates)].mean())
        inside = slice_.points.loc[slice_.allowed.ravel(), list(PARTS)]
        seen = np.vstack([inside, hazel.made[list(PARTS)]])
        assert (seen >= triangle.low - 1e-12).all()
        assert triangle.size == pytest.approx(1.18 * (1 - seen.min(axis=0).sum()), rel=0.01)

    def test_a_strip_is_resolved(self):
        strip = HAZEL.replace("low = [0.06,", "low = [0.0995,").replace("high = [0.16,", "high = [0.1005,")
        trial = Trial.from_toml(strip)
        _, slice_ = _zoomed(trial, PARTS, trial.recipe.starting_factors.iloc[0])
        assert slice_.allowed.any(axis=1).sum() > 30


def _areas(slice_):
    """Signed area of each cell of the grid by its diagonals (k - 1, m - 1)."""
    x, y = slice_.x, slice_.y
    ax, ay = x[1:, 1:] - x[:-1, :-1], y[1:, 1:] - y[:-1, :-1]
    bx, by = x[1:, :-1] - x[:-1, 1:], y[1:, :-1] - y[:-1, 1:]
    return (ax * by - ay * bx) / 2


def _all_corners(allowed):
    return allowed[1:, 1:] & allowed[1:, :-1] & allowed[:-1, 1:] & allowed[:-1, :-1]


class TestTriangle:
    def test_lines_lie_where_the_surface_has_their_value(self, hazel, hazel_surfaces):
        at = hazel.recipe.starting_factors
        ax = draw_triangle(hazel_surfaces["hardness"], at=at)
        triangle, _ = _zoomed(hazel, PARTS, at.iloc[0])
        found = 0
        for level, vertices in lines_of(ax):
            points = pd.DataFrame(triangle.shares(vertices), columns=list(PARTS)).assign(load=at["load"].item())
            assert hazel_surfaces["hardness"].predict(points)["mean"].to_numpy() == pytest.approx(level, abs=0.05)
            found += len(points)
        assert found > 100

    def test_values_beside_the_sides_stand_at_their_shares(self, hazel, hazel_surfaces):
        at = hazel.recipe.starting_factors
        ax = draw_triangle(hazel_surfaces["hardness"], at=at)
        triangle, _ = _zoomed(hazel, PARTS, at.iloc[0])
        ticks = [text for text in ax.texts if text.get_text().replace(".", "").isdigit()
                 and text.get_color() == "0.35"]
        assert len(ticks) >= 12
        for text in ticks:
            shares = triangle.shares(np.array([text.get_position()]))[0]
            assert np.abs(shares - float(text.get_text())).min() < 0.03 * triangle.size

    def test_corners_and_pours_are_named(self, hazel, hazel_surfaces):
        ax = draw_triangle(hazel_surfaces["hardness"])
        assert isinstance(ax, Axes)
        bold = [text.get_text() for text in ax.texts if text.get_fontweight() == "bold"]
        assert bold == ["sunflower wax", "cocoa butter", "castor oil"]
        assert names(ax) == set(hazel.made.index)
        assert {"poured", "failed", "not allowed"} <= set(marks(ax))
        assert ax.get_title().startswith("hardness: mean score\nat load ")

    def test_long_names_at_the_lower_corners_do_not_run_into_the_words_between_them(self):
        text = HAZEL.replace("cocoa butter", "unrefined cocoa butter from the fair").replace("castor oil", "cold pressed castor oil")
        ax = draw_triangle(fitted(text))
        ax.figure.draw_without_rendering()
        left, right = (t.get_window_extent() for t in ax.texts if t.get_fontweight() == "bold" and t.get_position()[1] < 0)
        between = next(t for t in ax.texts if t.get_text() == "cold pressed castor oil [g/g of base]").get_window_extent()
        assert left.x1 < between.x0 and between.x1 < right.x0

    def test_a_blend_alone_is_held_at_no_thing(self):
        """Its title went on with "at nothing"."""
        load = HAZEL[HAZEL.index("[factors.load]"):HAZEL.index("[attributes")]
        assert draw_triangle(fitted(HAZEL.replace(load, ""))).get_title() == "hardness: mean score"

    def test_two_parts_are_a_line(self):
        two = HAZEL.replace('parts = ["sunflower wax", "cocoa butter", "castor oil"]', 'parts = ["sunflower wax", "castor oil"]')
        two = two.replace("low = [0.06, 0.10, 0.50]", "low = [0.06, 0.80]").replace("high = [0.16, 0.40, 0.80]", "high = [0.2, 0.94]")
        assert refusal(fitted(two)) == (
            "sunflower wax and castor oil fill the blend between them, which is a line and no triangle. "
            "Use draw_along(surface, 'base: sunflower wax').")

    def test_more_than_three_parts_want_to_be_chosen(self):
        surface = fitted(FOUR)
        assert refusal(surface) == (
            "the blend has 4 parts: sunflower wax, cocoa butter, castor oil and vitamin E. Say which three to show, such "
            "as parts=['sunflower wax', 'cocoa butter', 'castor oil']; the others are held.")
        ax = draw_triangle(surface, parts=("sunflower wax", "cocoa butter", "castor oil"))
        assert "vitamin E 0.0" in ax.get_title()
        assert refusal(surface, parts=("sunflower wax", "honey", "castor oil")) == (
            "parts is ['sunflower wax', 'honey', 'castor oil']. Give three different ones of 'sunflower wax', 'cocoa "
            "butter', 'castor oil' and 'vitamin E'.")
        assert refusal(surface, parts=["castor oil", "castor oil", "vitamin E"]).startswith(
            "parts is ['castor oil', 'castor oil', 'vitamin E']. Give three different ones of ")

    def test_a_part_that_does_not_vary_leaves_a_line(self):
        fixed = HAZEL.replace("low = [0.06,", "low = [0.10,").replace("high = [0.16,", "high = [0.10,")
        assert refusal(fitted(fixed)) == (
            "base: sunflower wax is 0.1 throughout, which leaves a line and no triangle. "
            "Use draw_along(surface, 'base: cocoa butter').")

    def test_a_trial_without_a_blend_and_a_blend_of_another_name(self, surfaces, hazel_surfaces):
        assert refusal(surfaces["shade"]) == ("trial.toml names no blend, so there is no triangle to draw. "
                                              "Use draw_surface with two coordinates.")
        assert refusal(hazel_surfaces["hardness"], blend="wax") == "blend is 'wax'. Choose 'base'."

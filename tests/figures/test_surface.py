"""A surface over two coordinates: its lines lie where the surface says so."""
from dataclasses import replace
from types import SimpleNamespace

import matplotlib
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from looking import lines_of, marks
from matplotlib.axes import Axes

import labkit
from labkit.attributes import Attribute
from labkit.errors import RegionError, SurfaceError
from labkit.figures import draw_surface
from labkit.figures.axes import FORBIDDEN, title_at, wrapped
from labkit.figures.shades import UNKNOWN, levels_of, paint_lines
from labkit.figures.slices import given_row, held_words, moved, pair_slice, room_for


class TestSurface:
    def test_takes_axes_and_gives_them_back(self, surfaces):
        _, axes = plt.subplots(1, 2)
        assert draw_surface(surfaces["payoff"], along=("wax", "load"), ax=axes[1]) is axes[1]
        assert not axes[0].has_data()

    def test_says_where_the_others_are_held_and_what_is_forbidden(self, demo, surfaces):
        at = demo.recipe.starting_factors.assign(pour_temperature=70.0)
        ax = draw_surface(surfaces["shade"], along=("red_share", "load"), at=at)
        assert ax.get_title().startswith("shade: mean score\nat wax ") and "pour temperature 70\u00a0°C" in ax.get_title()
        assert "not allowed" in marks(ax) and "poured" in marks(ax)

    def test_shades_keep_their_order_in_grey(self):
        """Luma of ITU-R BT.601: 0.299 R + 0.587 G + 0.114 B."""
        colours = matplotlib.colormaps["cividis"](np.linspace(0, 1, 50))[:, :3]
        assert (np.diff(colours @ [0.299, 0.587, 0.114]) > 0).all()

    def test_the_end_of_the_scale_has_the_shade_beside_it(self, demo, surfaces, monkeypatch):
        """A plain at 0 lies within the lowest shade: nothing is under it, and no edge runs around the plain."""
        kind = type(surfaces["shade"].posterior)
        moments = kind.moments
        monkeypatch.setattr(kind, "moments", lambda *given: moments(*given) - np.array([[1.0], [0.0]]))
        at = demo.recipe.starting_factors.assign(wax=0.167, pour_temperature=71.5)
        ax = draw_surface(surfaces["shade"], along=("red_share", "load"), at=at)
        told = surfaces["shade"].predict(pd.concat([at] * 2).assign(red_share=0.2, load=[0.03, 0.07]))["mean"]
        assert (told == 0).all()
        filled = next(c for c in ax.collections if getattr(c, "filled", False))
        assert not len(filled.get_paths()[0].vertices)

    def test_lines_below_zero_are_no_dashes(self):
        """On a scale from much too soft, -3, to much too firm, 3, half of the lines were dashed, and no legend said why."""
        _, ax = plt.subplots()
        slice_ = SimpleNamespace(x=np.arange(3.0), y=np.arange(3.0), near_allowed=np.ones((3, 3), dtype=bool))
        lines = paint_lines(ax, slice_, np.add.outer([-3, 0, 3], [0, 0, 0]), [-2.0, -1.0, 0.0, 1.0])
        assert set(lines.get_linestyles()) == {(0, None)}

    def test_a_row_that_lacks_a_coordinate_is_refused(self, surfaces):
        with pytest.raises(SurfaceError) as caught:
            draw_surface(surfaces["shade"], along=("red_share", "load"), at=pd.DataFrame({"wax": [0.2]}))
        assert str(caught.value) == ("`at` has 1 row and lacks red_share, load and pour_temperature. Give one row with "
                                     "every coordinate, such as tweak.best.")

    def test_a_place_where_nothing_may_be_poured_is_refused(self, demo, surfaces):
        at = demo.recipe.starting_factors.assign(load=0.5)
        with pytest.raises(SurfaceError) as caught:
            draw_surface(surfaces["shade"], along=("wax", "red_share"), at=at)
        assert str(caught.value) == ("nothing may be poured at load 0.5 and pour temperature 74 °C. Give `at` another row.")

    def test_the_settled_formula_may_hold_the_others(self, demo, surfaces):
        best = demo.plan.iloc[[0]].drop(columns=["round", "melt", "pour", "order"])
        assert isinstance(draw_surface(surfaces["hardness"], along=("wax", "load"), at=best), Axes)

    def test_lines_lie_where_the_surface_has_their_value(self, demo, surfaces):
        at = demo.recipe.starting_factors
        ax = draw_surface(surfaces["hardness"], along=("wax", "load"), at=at)
        found = 0
        for level, vertices in lines_of(ax):
            points = pd.concat([at] * len(vertices), ignore_index=True).assign(wax=vertices[:, 0], load=vertices[:, 1])
            assert surfaces["hardness"].predict(points)["mean"].to_numpy() == pytest.approx(level, abs=0.03)
            found += len(points)
        assert found > 100

    def test_the_formula_given_stands_as_a_diamond_and_a_middle_does_not(self, demo, surfaces):
        at = demo.recipe.starting_factors
        with_it = draw_surface(surfaces["shade"], along=("wax", "load"), at=at)
        diamond, = [line for line in with_it.lines if line.get_marker() == "D"]
        assert (diamond.get_xdata()[0], diamond.get_ydata()[0]) == (at["wax"].item(), at["load"].item())
        assert "this formula" in marks(with_it)
        assert "this formula" not in marks(draw_surface(surfaces["shade"], along=("wax", "load")))

    def test_a_narrow_region_is_looked_at_closely(self, demo):
        """Without pours, the limit on wax alone says what is seen: 0.148 to 0.152 and half as much either side."""
        limit = """[[limits]]
of = ["candelilla wax"]
within = ["candelilla wax", "mango butter", "jojoba oil"]
low = 0.148
high = 0.152
"""
        trial = labkit.Trial.from_toml(TERRACOTTA.replace("[attributes.payoff]", limit + "[attributes.payoff]"))
        slice_ = pair_slice(trial, ("wax", "load"), trial.recipe.starting_factors.assign(wax=0.15).iloc[0])
        assert room_for(trial, "wax", slice_) == pytest.approx((0.146, 0.154), abs=5e-4)
        assert np.mean((slice_.x[0] > 0.144) & (slice_.x[0] < 0.155)) > 0.9 and slice_.allowed.mean() > 0.2
        assert room_for(trial, "load", slice_) == pytest.approx((0.02 - 0.003, 0.08 + 0.003), abs=1e-9)

    def test_two_rows_are_refused(self, demo, surfaces):
        with pytest.raises(SurfaceError) as caught:
            draw_surface(surfaces["shade"], along=("wax", "load"), at=demo.region.sample(2))
        assert str(caught.value) == "`at` has 2 rows. Give one row, such as tweak.best."

    def test_a_factor_that_does_not_vary_is_refused(self):
        trial = labkit.Trial.from_toml(TERRACOTTA.replace("low = 68\nhigh = 80", "low = 74\nhigh = 74"))
        with pytest.raises(RegionError) as caught:
            labkit.draw_region(trial, along=("wax", "pour_temperature"))
        assert str(caught.value) == ("pour_temperature is 74 throughout, so there is nothing to see along it. "
                                     "Choose 'wax', 'red_share' or 'load'.")


@pytest.mark.parametrize("lowest, highest, step", [(0, 10, 1), (0, 2.4, 0.2), (3.1, 5.6, 0.5), (6.93, 6.95, 0.2), (1, 7, 0.5)])
def test_lines_are_a_twelfth_of_what_there_is_to_see_or_more(lowest, highest, step):
    """Steps of a fiftieth, a twentieth, a tenth, a fifth or a half of the scale: the finest of which twelve hold it."""
    levels = levels_of(np.array([highest, lowest, (lowest + highest) / 2]), Attribute(name="gloss"))
    np.testing.assert_allclose(np.diff(levels), step)
    assert lowest - step < levels[0] <= lowest and highest <= levels[-1]
    np.testing.assert_allclose(levels / step, np.round(levels / step))
    ten = levels_of(np.array([lowest, highest]) * 10, Attribute(name="gloss", high=100))
    np.testing.assert_allclose(ten, 10 * levels)


class TestSlice:
    def test_the_middle_is_that_of_the_pours_named(self, demo):
        names = list(demo.recipe.coordinates)
        pd.testing.assert_series_equal(given_row(demo, ["P01", "P04"], None), demo.made.loc[["P01", "P04"], names].mean())

    @pytest.mark.parametrize("over, wax", [(0.0004, 0.22), (-0.0004, 0.2196), (0.002, 0.222)])
    def test_what_a_balance_step_carried_over_a_limit_is_set_back_and_nothing_more(self, demo, over, wax):
        """A step of .01 g in 20 g is .0005 of a pour; the highest wax is .22."""
        at = demo.recipe.starting_factors.assign(wax=0.22 + over)
        given = given_row(demo, [], at)
        assert given["wax"] == pytest.approx(wax) and given.drop("wax").equals(at.iloc[0].drop("wax"))

    def test_a_part_of_a_blend_stays_where_it_was_weighed(self):
        """Set back alone, it would move the parts beside it, which are within their own limits."""
        trial = labkit.Trial.from_toml(HAZEL)
        at = pd.DataFrame([{"load": 0.03, "base: sunflower wax": 0.1603, "base: cocoa butter": 0.25, "base: castor oil": 0.5897}])
        pd.testing.assert_series_equal(given_row(trial, [], at), at[list(trial.recipe.coordinates)].iloc[0], check_names=False)

    def test_an_axis_holds_its_range_and_every_pour(self, demo):
        """A twentieth of what is seen either side: of .02 to .08, or from the outermost pour."""
        slice_ = pair_slice(demo, ("red_share", "load"), demo.recipe.starting_factors.iloc[0])
        assert room_for(demo, "load", slice_) == pytest.approx((0.017, 0.083), abs=2e-4)
        far = SimpleNamespace(recipe=demo.recipe, made=demo.made.replace({"load": {demo.made.at["P01", "load"]: 0.12}}))
        assert room_for(far, "load", slice_) == pytest.approx((0.02 - 0.005, 0.12 + 0.005), abs=2e-4)

    @pytest.mark.parametrize("text, along", [
        (TERRACOTTA, ("red_share", "load")), (TERRACOTTA, ("wax", "red_share")),
        (HAZEL, ("base: sunflower wax", "base: castor oil")), (HAZEL, ("load", "base: cocoa butter"))])
    def test_what_is_allowed_is_what_the_region_keeps(self, text, along):
        trial = labkit.Trial.from_toml(text)
        slice_ = pair_slice(trial, along, trial.recipe.starting_factors.iloc[0])
        assert (slice_.allowed.ravel() == trial.region.keeps(slice_.points, tolerance=2e-9)).mean() > 0.999
        assert slice_.allowed.mean() > 0.1

    def test_the_other_parts_keep_their_ratio_and_all_add_to_one(self):
        trial = labkit.Trial.from_toml(HAZEL)
        given = pd.Series({"load": 0.03, "base: sunflower wax": 0.1, "base: cocoa butter": 0.3, "base: castor oil": 0.6})
        points, excess = moved(trial.recipe, given, {"base: sunflower wax": np.array([0.0, 0.4, 1.0])})
        assert points["base: castor oil"].to_list() == pytest.approx([2 / 3, 0.4, 0.0])
        assert points.filter(like="base").sum(axis=1).to_list() == pytest.approx([1, 1, 1])
        assert (excess <= 0).all()
        assert held_words(trial.recipe, given, ["base: sunflower wax"]) == (
            "load 0.03 and cocoa butter : castor oil as\u00a033\u00a0:\u00a067")

    def test_a_title_is_silent_where_nothing_is_left_to_hold(self, demo):
        given = demo.recipe.starting_factors.iloc[0]
        assert held_words(demo.recipe, given[["wax", "load"]], ["wax", "load"]) == ""
        assert title_at("payoff: mean score", "") == "payoff: mean score"

    def test_a_title_breaks_no_ratio(self):
        held = "pour temperature 73.4 and shea butter : sweet almond oil as\u00a027\u00a0:\u00a073"
        assert wrapped(title_at("tint: mean score", held), 68).split("\n") == [
            "tint: mean score", "at pour temperature 73.4 and shea butter : sweet almond oil", "as\u00a027\u00a0:\u00a073"]

    def test_parts_that_exceed_the_blend_are_nowhere_allowed(self):
        """With no low for the wax, wax 0 at shares 0.6 + 0.6 would look like an allowed formula once it is scaled."""
        trial = labkit.Trial.from_toml(HAZEL.replace("low = [0.06, 0.10, 0.50]\nhigh = [0.16, 0.40, 0.80]",
                                                     "low = [0.0, 0.0, 0.0]\nhigh = [1.0, 1.0, 1.0]"))
        slice_ = pair_slice(trial, ("base: cocoa butter", "base: castor oil"), trial.recipe.starting_factors.iloc[0])
        assert (slice_.allowed == (slice_.x + slice_.y <= 1 + 1e-9)).all()


def covers(collections, points):
    """Whether each of some points lies within one of some filled pieces."""
    return np.any([path.contains_points(points) for part in collections for path in part.get_paths() if len(path.vertices)], axis=0)


class TestHatches:
    """What is hatched and what is dotted, point by point."""

    @pytest.fixture(scope="class")
    @staticmethod
    def drawn(demo, surfaces):
        at = demo.recipe.starting_factors
        return at, draw_surface(surfaces["payoff"], along=("red_share", "load"), at=at)

    @staticmethod
    def hatched(ax, hatch):
        return [part for part in ax.collections if getattr(part, "filled", False) and part.hatches == [hatch]]

    def test_hatched_is_what_the_region_does_not_keep(self, demo, drawn):
        """Red share x load is limited to 0.05: the corner beyond is hatched, and nothing else within the ranges."""
        at, ax = drawn
        red, load = np.meshgrid(np.linspace(0.21, 0.79, 25), np.linspace(0.021, 0.079, 25))
        clear = np.abs(red * load - 0.05).ravel() > 1e-3
        points = np.column_stack([red.ravel(), load.ravel()])[clear]
        forbidden = points.prod(axis=1) > 0.05
        white = [part for part in ax.collections if getattr(part, "filled", False) and (part.get_facecolor() == 1).all()
                 and len(part.get_facecolor())]
        for over in (self.hatched(ax, FORBIDDEN["hatch"]), white):
            assert (covers(over, points) == forbidden).all()
        kept = demo.region.keeps(pd.concat([at] * len(points), ignore_index=True).assign(red_share=points[:, 0], load=points[:, 1]))
        assert (kept == ~forbidden).all() and 0.02 < forbidden.mean() < 0.5

    def test_the_shade_of_a_place_is_that_of_its_mean(self, surfaces, drawn):
        """Place by place: the layer that holds it lies between the two values that hold its mean."""
        at, ax = drawn
        layers = next(part for part in ax.collections if getattr(part, "filled", False) and part.get_cmap().name == "cividis")
        red, load = np.meshgrid(np.linspace(0.25, 0.75, 9), np.linspace(0.025, 0.062, 9))
        points = np.column_stack([red.ravel(), load.ravel()])
        means = surfaces["payoff"].predict(pd.concat([at] * 81, ignore_index=True).assign(
            red_share=points[:, 0], load=points[:, 1]))["mean"].to_numpy()
        ends = np.r_[-np.inf, layers.levels, np.inf]
        apart = np.abs(means[:, None] - layers.levels).min(axis=1) > 0.02
        held = np.array([path.contains_points(points) for path in layers.get_paths()])[:, apart & (points.prod(axis=1) < 0.049)]
        right = (ends[:-1, None] < means) & (means < ends[1:, None])
        assert held.sum() > 40 and (held == right[:, apart & (points.prod(axis=1) < 0.049)]).all()

    def test_dotted_is_where_the_interval_is_wider_than_two_fifths_of_the_scale(self, demo, surfaces):
        narrow = replace(surfaces["payoff"])
        object.__setattr__(narrow, "predict", lambda frame: pd.DataFrame(
            {"mean": 5 + 20 * frame["load"], "low": 3.0, "high": 7.0 + (frame["red_share"] - 0.4)}, index=frame.index))
        ax = draw_surface(narrow, along=("red_share", "load"), at=demo.recipe.starting_factors)
        points = np.array([[red, 0.03] for red in (0.25, 0.38, 0.42, 0.6, 0.75)])
        assert covers(self.hatched(ax, UNKNOWN["hatch"]), points).tolist() == [False, False, True, True, True]
        assert "not known to ±2" in marks(ax)
        object.__setattr__(narrow, "predict", lambda frame: pd.DataFrame(
            {"mean": 5 + 20 * frame["load"], "low": 3.0, "high": 7.0}, index=frame.index))
        ax = draw_surface(narrow, along=("red_share", "load"), at=demo.recipe.starting_factors)
        assert not self.hatched(ax, UNKNOWN["hatch"]) and not any(mark.startswith("not known") for mark in marks(ax))

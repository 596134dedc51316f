"""A surface along one coordinate: the line and the band are the surface's, the dots the panel's."""
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from invented import hazel
from looking import marks, names
from matplotlib.collections import LineCollection

from labkit.attributes import Attribute, Wanted
from labkit.core import desirability
from labkit.errors import SurfaceError
from labkit.figures import draw_along
from labkit.figures.along import off_line, shade_wanted, wanted_range
from labkit.panel import appraise_panel
from labkit.surfaces import fit_surfaces


class TestAlong:
    def test_the_line_and_the_band_are_what_the_surface_predicts(self, demo, surfaces):
        at = demo.recipe.starting_factors
        ax = draw_along(surfaces["payoff"], "load", at=at)
        line = next(line for line in ax.lines if line.get_label() == "_child0" or len(line.get_xdata()) > 50)
        across = np.asarray(line.get_xdata())
        told = surfaces["payoff"].predict(pd.concat([at] * len(across), ignore_index=True).assign(load=across))
        assert line.get_ydata() == pytest.approx(told["mean"].to_numpy())
        band = ax.collections[0].get_paths()[0].vertices
        assert (band[:, 1].min(), band[:, 1].max()) == pytest.approx((told["low"].min(), told["high"].max()))

    def test_the_line_ends_where_the_limit_on_red_begins(self, demo, surfaces):
        """red share x load <= 0.05, so at a red share of 0.8 the load ends at 0.0625 and not at 0.08."""
        ax = draw_along(surfaces["payoff"], "load", at=demo.recipe.starting_factors.assign(red_share=0.8))
        across = max((line.get_xdata() for line in ax.lines), key=len)
        assert across[0] == pytest.approx(0.02) and across[-1] == pytest.approx(0.0625, abs=2e-5)

    def test_every_pour_stands_at_its_adjusted_mean(self, panel, demo, surfaces):
        ax = draw_along(surfaces["shade"], "red_share")
        means = panel.means("shade")[0]
        dots = {(line.get_xdata()[0], line.get_ydata()[0]) for line in ax.lines
                if line.get_marker() == "o" and len(line.get_xdata()) == 1}
        assert {y for _, y in dots} == set(means)
        assert {x for x, _ in dots} == set(demo.made.loc[means.index, "red_share"])
        assert names(ax) == set(demo.made.index) and "failed" in marks(ax)

    def test_a_pour_half_a_range_off_the_line_is_white(self, demo, surfaces):
        at = demo.recipe.starting_factors
        ax, off = draw_along(surfaces["shade"], "red_share", at=at), off_line(surfaces["shade"], "red_share", at.iloc[0])
        greys = sorted(float(line.get_markerfacecolor()) for line in ax.lines
                       if line.get_marker() == "o" and len(line.get_xdata()) == 1)
        assert greys == pytest.approx(sorted((off / 0.5).clip(upper=1.0))) and 0 < greys[0] < 1 == greys[-1]

    def test_its_interval_is_that_of_the_panel(self):
        """One tester tells little of the noise: 90 % reach to 2.4 standard errors, and not to 1.6, here as in draw_panel."""
        trial = hazel((4.0, 6.5, 5.0, 6.0))
        ax = draw_along(fit_surfaces(trial)["hardness"], "load")
        arms = sorted(tuple(part.get_segments()[0][:, 1]) for part in ax.collections if isinstance(part, LineCollection))
        told = appraise_panel(trial).scored_for("hardness")
        half = told.multiple * np.sqrt(np.diag(told.adjusted.covariance))
        expected = sorted(zip(told.adjusted.means - half, told.adjusted.means + half))
        assert told.multiple > 2.3 and np.array(arms) == pytest.approx(np.array(expected), abs=1e-3)

    def test_a_pour_through_which_the_line_runs_is_black_and_the_others_paler(self, demo, surfaces):
        at = demo.made[list(demo.recipe.coordinates)].loc["P10"]
        off = off_line(surfaces["shade"], "red_share", at)
        assert off["P10"] == pytest.approx(0, abs=1e-12)
        low, high = (demo.recipe.bounds[end] for end in ("low", "high"))
        made = demo.made[list(low.index)]
        gap = ((made.loc["P03"] - made.loc["P10"]) / (high - low)).drop("red_share").abs()
        assert off["P03"] == pytest.approx(gap.max())
        ax = draw_along(surfaces["shade"], "red_share", at=at.to_frame().T)
        black = [line for line in ax.lines if line.get_marker() == "o" and line.get_markerfacecolor() == "0.0"]
        assert [line.get_xdata()[0] for line in black] == pytest.approx([at["red_share"]])

    @pytest.mark.parametrize("kind, points", [("rising", (4, 8)), ("falling", (3, 7)), ("peak", (2, 5, 8))])
    def test_shaded_is_what_has_a_desirability_above_0(self, kind, points):
        scale = Attribute(name="gloss", wanted=Wanted(kind=kind, points=points))
        least, most, best = wanted_range(scale)
        scores = np.linspace(0, 10, 1001)
        worth = getattr(desirability, kind)(scores, *points)
        inside = scores[worth > 0]
        assert (inside[0], inside[-1]) == pytest.approx((least, most), abs=0.011)
        full = scores[worth == 1]
        assert best in (full[0], full[-1]) and (kind == "peak") == (len(full) == 1)

    def test_what_is_wanted_is_shaded_and_the_best_is_dashed(self):
        ax, none = plt.subplots(1, 2)[1]
        shade_wanted(ax, Attribute(name="gloss", wanted=Wanted(kind="peak", points=(2, 5, 8))))
        shaded, = ax.patches
        assert (shaded.get_y(), shaded.get_y() + shaded.get_height()) == (2, 8)
        assert [list(line.get_ydata()) for line in ax.lines] == [[5, 5]]
        shade_wanted(none, Attribute(name="gloss"))
        assert not none.patches and not none.lines

    def test_what_failed_stands_at_the_foot_and_is_explained_where_there_is_any(self, demo, surfaces):
        ax = draw_along(surfaces["hardness"], "wax")
        failed, = [line for line in ax.lines if line.get_marker() == "X"]
        assert list(failed.get_xdata()) == list(demo.made.loc[list(demo.failed), "wax"]) and set(failed.get_ydata()) == {0}
        trial = hazel((4.0, 6.5, 5.0, 6.0))
        ax = draw_along(fit_surfaces(trial)["hardness"], "load")
        assert marks(ax) == ["mean", "90 % band", "pour on the line", "far from it", "wanted", "wanted most", "not allowed"]

    def test_the_formula_given_is_an_upright_and_a_middle_is_none(self, demo, surfaces):
        at = demo.recipe.starting_factors
        given, middle = draw_along(surfaces["shade"], "load", at=at), draw_along(surfaces["shade"], "load")
        upright, = [line for line in given.lines if line.get_linestyle() == ":"]
        assert list(upright.get_xdata()) == [at["load"].item()] * 2 and "this formula" in marks(given)
        assert ":" not in [line.get_linestyle() for line in middle.lines] and "this formula" not in marks(middle)

    def test_hatched_is_the_axis_before_and_after_what_is_allowed(self, demo, surfaces):
        """From the ends of the axis to load 0.02 and 0.0625, where red is 0.05 of the batch."""
        ax = draw_along(surfaces["payoff"], "load", at=demo.recipe.starting_factors.assign(red_share=0.8))
        ends = [(part.get_x(), part.get_x() + part.get_width()) for part in ax.patches if part.get_hatch()]
        (first, begin), (end, last) = sorted(map(sorted, ends))
        assert (first, last) == pytest.approx(ax.get_xlim()) and (begin, end) == pytest.approx((0.02, 0.0625), abs=2e-5)

    def test_the_axes_are_named_and_hold_the_scale(self, demo, surfaces):
        ax = draw_along(surfaces["shade"], "load")
        assert ax.get_ylabel() == "shade [score]" and ax.get_xlabel() == "load [g/g of the whole batch]"
        assert ax.get_ylim() == pytest.approx((-0.3, 10.3))
        assert ax.get_xlim()[0] < demo.made["load"].min() and demo.made["load"].max() < ax.get_xlim()[1]

    def test_a_word_that_does_not_vary_is_refused(self, surfaces):
        with pytest.raises(SurfaceError) as caught:
            draw_along(surfaces["shade"], "shine")
        assert str(caught.value) == ("'shine' does not vary. Choose 'wax', 'red_share', 'load' or 'pour_temperature'.")

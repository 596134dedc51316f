"""Figures take finished results and return Axes; what they show is compared with the results themselves."""
import matplotlib
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from matplotlib.axes import Axes
from matplotlib.text import Annotation

from labkit.errors import PanelError, PlanError, RegionError, SurfaceError
from labkit.figures import draw_panel, draw_region, draw_round, draw_surface, draw_testers
from labkit.figures.region import projection
from labkit.panel import appraise_panel
from labkit.planning import plan_round, standard_error_at
from labkit.surfaces import fit_surfaces
from labkit.trial import Trial


@pytest.fixture(autouse=True)
def closed():
    yield
    plt.close("all")


@pytest.fixture(scope="module")
def panel(demo):
    return appraise_panel(demo)


@pytest.fixture(scope="module")
def surfaces(demo, panel):
    return fit_surfaces(demo, panel)


def words(ax):
    """Names beside pours; the values on lines are no annotations."""
    return [text.get_text() for text in ax.texts if isinstance(text, Annotation)]


def marks(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


class TestRegion:
    @pytest.mark.parametrize("text, along", [
        (TERRACOTTA, ("red_share", "load")), (TERRACOTTA, ("load", "red_share")), (TERRACOTTA, ("wax", "load")),
        (HAZEL, ("base: sunflower wax", "base: castor oil")), (HAZEL, ("load", "base: cocoa butter"))])
    def test_the_band_holds_every_formula_and_reaches_every_corner(self, text, along):
        trial = Trial.from_toml(text)
        across, bottom, top = projection(trial, along)
        corners, inner = trial.region.corners(), trial.region.sample(400, seed=1)
        for points in (corners, inner):
            x, y = points[along[0]].to_numpy(), points[along[1]].to_numpy()
            assert (y <= np.interp(x, across, top) + 2e-3).all() and (y >= np.interp(x, across, bottom) - 2e-3).all()
        assert (across[0], across[-1]) == pytest.approx((corners[along[0]].min(), corners[along[0]].max()), abs=1e-6)
        assert (bottom.min(), top.max()) == pytest.approx((corners[along[1]].min(), corners[along[1]].max()), abs=1e-6)

    def test_the_limit_on_red_bends_the_upper_edge(self):
        """red share x load <= 0.05, the [[limits]] of the definition: load <= 0.05 / red share."""
        across, _, top = projection(Trial.from_toml(TERRACOTTA), ("red_share", "load"))
        assert top == pytest.approx(np.minimum(0.08, 0.05 / across), abs=1e-9)

    def test_every_pour_is_named_and_axes_carry_units(self, demo):
        ax = draw_region(demo, along=("wax", "pour_temperature"))
        assert isinstance(ax, Axes)
        assert ax.get_xlabel() == "wax [g/g of candelilla wax, mango butter and jojoba oil]"
        assert ax.get_ylabel() == "pour temperature [°C]"
        named = {name for text in words(ax) for name in text.split(", ")}
        assert named == set(demo.made.index)
        assert marks(ax) == ["allowed", "not allowed", "poured", "standard error", "failed"]

    def test_a_round_to_come_stands_as_rings_with_its_melts_and_lowers_the_standard_error(self, demo):
        round_ = plan_round(demo, pours=4, melts=2, seed=1)
        frame = round_.to_frame()
        ax = draw_region(demo, along=("wax", "load"), round_=round_)
        named = {name for text in words(ax) for name in text.split(", ")}
        assert {f"{pour} ({melt})" for pour, melt in zip(frame["pour"], frame["melt"])} <= named
        points = demo.region.sample(100, seed=3)
        assert (standard_error_at(demo, points, round_) <= standard_error_at(demo, points) + 1e-12).all()

    def test_a_word_that_does_not_vary_is_refused(self, demo):
        with pytest.raises(RegionError) as caught:
            draw_region(demo, along=("wax", "shine"))
        assert str(caught.value) == ("along is ['wax', 'shine']. Give two different ones of 'wax', 'red_share', 'load' "
                                     "and 'pour_temperature'.")


class TestRound:
    def test_rings_are_planned_and_dots_are_weighed(self, demo):
        ax = draw_round(demo, 1)
        bounds, plan = demo.recipe.bounds, demo.plan.query("round == 1").set_index("pour")
        rings = [line for line in ax.lines if line.get_markersize() == 10]
        assert len(rings) == len(plan) * len(bounds)
        first = bounds.index[0]
        placed = [line.get_xdata()[0] for line in rings[:len(plan)]]
        width = bounds.at[first, "high"] - bounds.at[first, "low"]
        expected = (plan.sort_values("order")[first] - bounds.at[first, "low"]) / width
        assert placed == pytest.approx(list(expected))

    def test_a_round_that_is_not_kept_yet(self, demo):
        from labkit.rounds import round_from_factors
        points = demo.recipe.starting_factors
        single = round_from_factors(demo.recipe, demo.batch, number=9, melts=["M99"], pours=["P99"], coordinates=points)
        ax = draw_round(demo, single)
        assert marks(ax) == ["planned"] and "P99" in words(ax)

    def test_a_round_that_is_not_planned_is_refused(self, demo):
        with pytest.raises(PlanError) as caught:
            draw_round(demo, 77)
        assert str(caught.value) == "round 77 is not planned. Give round 1, 2 or 3."


class TestPanel:
    def test_rows_are_pours_from_low_to_high_and_diamonds_are_means(self, panel):
        ax = draw_panel(panel, "payoff")
        means = panel.means("payoff")[0].sort_values(kind="stable")
        assert [label.get_text() for label in ax.get_yticklabels()] == list(means.index)
        diamonds = next(line for line in ax.lines if line.get_marker() == "D")
        assert diamonds.get_xdata() == pytest.approx(means.to_numpy())

    def test_every_score_is_a_ring(self, demo, panel):
        rings = next(c for c in draw_panel(panel, "shade").collections if len(c.get_offsets()) > 20)
        scores = demo.standing_scores.query("attribute == 'shade'")["score"]
        assert sorted(rings.get_offsets()[:, 0]) == sorted(scores)

    def test_an_attribute_without_scores_is_refused(self, panel):
        with pytest.raises(PanelError) as caught:
            draw_panel(panel, "shine")
        assert str(caught.value) == ("attribute is 'shine'. Choose 'payoff', 'hardness', 'sheerness' or 'shade'.")


class TestTesters:
    def test_a_cross_stands_at_level_and_use_of_the_scale(self, panel):
        ax = draw_testers(panel, "payoff")
        rows = panel.testers.query("attribute == 'payoff'").set_index("tester")
        assert {name for text in words(ax) for name in text.split(", ")} == set(rows.index)
        marks_at = next(line for line in ax.lines if line.get_marker() == "o")
        assert sorted(marks_at.get_xdata()) == pytest.approx(sorted(rows["level"]))
        assert sorted(marks_at.get_ydata()) == pytest.approx(sorted(rows["slope"]))
        assert f"icc {panel.agreement.set_index('attribute').at['payoff', 'icc']:.2f}" in ax.get_title()


class TestSurface:
    def test_takes_axes_and_gives_them_back(self, surfaces):
        _, axes = plt.subplots(1, 2)
        assert draw_surface(surfaces["payoff"], along=("wax", "load"), ax=axes[1]) is axes[1]
        assert not axes[0].has_data()

    def test_says_where_the_others_are_held_and_what_is_forbidden(self, demo, surfaces):
        at = demo.recipe.starting_factors.assign(pour_temperature=70.0)
        ax = draw_surface(surfaces["shade"], along=("red_share", "load"), at=at)
        assert ax.get_title().startswith("shade: mean score\nat wax ") and "pour temperature 70" in ax.get_title()
        assert "not allowed" in marks(ax) and "poured" in marks(ax)

    def test_shades_keep_their_order_in_grey(self):
        """Luma of ITU-R BT.601: 0.299 R + 0.587 G + 0.114 B."""
        colours = matplotlib.colormaps["cividis"](np.linspace(0, 1, 50))[:, :3]
        assert (np.diff(colours @ [0.299, 0.587, 0.114]) > 0).all()

    def test_a_row_that_lacks_a_coordinate_is_refused(self, surfaces):
        with pytest.raises(SurfaceError) as caught:
            draw_surface(surfaces["shade"], along=("red_share", "load"), at=pd.DataFrame({"wax": [0.2]}))
        assert str(caught.value) == ("`at` has 1 row and lacks red_share, load and pour_temperature. Give one row with "
                                     "every coordinate, such as tweak.best.")

    def test_a_place_where_nothing_may_be_poured_is_refused(self, demo, surfaces):
        at = demo.recipe.starting_factors.assign(load=0.5)
        with pytest.raises(SurfaceError) as caught:
            draw_surface(surfaces["shade"], along=("wax", "red_share"), at=at)
        assert str(caught.value) == ("nothing may be poured at load 0.5 and pour temperature 74. Give `at` another row.")

    def test_the_settled_formula_may_hold_the_others(self, demo, surfaces):
        best = demo.plan.iloc[[0]].drop(columns=["round", "melt", "pour", "order"])
        assert isinstance(draw_surface(surfaces["hardness"], along=("wax", "load"), at=best), Axes)

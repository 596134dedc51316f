"""What is wanted over two coordinates: the chance of all of it agrees with intervals that no draw stands behind."""
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented import poured
from looking import lines_of
from test_instrument_surfaces import ONLY, with_read

import labkit
from labkit.errors import TweakError
from labkit.figures import draw_outlook
from labkit.figures.outlook import CHANCE, CHANCES, chance_of_all
from labkit.tweaks.outlook import Outlook


class TestChance:
    def test_one_attribute_is_wanted_at_all_as_its_interval_says(self, hazel, hazel_surfaces):
        """hardness falling (3, 7): above 7 is useless; the upper end of a 2p - 1 interval lies at 7 where the chance is p."""
        surface, points = hazel_surfaces["hardness"], hazel.region.sample(300, seed=4)
        chance, _ = chance_of_all(Outlook(attributes=hazel.attributes, surfaces=hazel_surfaces, n=4000), points)
        for p in (0.6, 0.75, 0.9, 0.95):
            below = surface.predict(points, level=2 * p - 1)["high"].to_numpy() < 7
            sure = np.abs(chance - p) > 0.03
            assert ((chance > p) == below)[sure].all() and 0 < below.mean() < 1

    def test_all_at_once_is_at_most_the_least_of_them_and_counts_worlds(self, demo, surfaces):
        points = demo.region.sample(40, seed=1)
        outlook = Outlook(attributes=demo.attributes, surfaces=surfaces, n=300)
        chance, desired = chance_of_all(outlook, points)
        scores = outlook.scores(points)
        met = ((scores["payoff"] > 4) & (scores["hardness"] > 4) & (scores["hardness"] < 8)
               & (scores["sheerness"] > 2) & (scores["sheerness"] < 8) & (scores["shade"] > 5))
        assert chance == pytest.approx(met.mean(axis=0))
        assert desired == pytest.approx(outlook.mean(points))
        assert (desired <= chance + 1e-12).all()

    def test_a_failed_pour_lowers_the_chance_by_the_chance_of_holding(self, demo, surfaces):
        points = demo.region.sample(40, seed=1)
        outlook = Outlook.of(demo, surfaces, n=2000)
        without = chance_of_all(replace(outlook, failing=None), points)[0]
        holds = 1 - outlook.failing.predict(points).iloc[:, 0].to_numpy()
        assert demo.failed and chance_of_all(outlook, points)[0] == pytest.approx(without * holds, abs=0.02)


class TestOutlook:
    def test_a_picture_an_attribute_and_the_chance_as_the_last(self, demo, surfaces):
        axes = draw_outlook(demo, surfaces, along=("wax", "load"), at=demo.recipe.starting_factors)
        assert [ax.get_title().split(":")[0] for ax in axes] == [*surfaces, "everything; lines"]
        assert axes[1].get_title() == "hardness: 4\u00a0to\u00a08, best\u00a06"
        assert axes[0].get_title() == "payoff: above\u00a04, best\u00a08"
        legend = [text.get_text() for text in axes[0].figure.legends[0].get_texts()]
        assert {"mean not wanted", "mean wanted most", "poured", "failed", "this formula"} <= set(legend)
        assert axes[0].figure.get_suptitle() == (
            "Terracotta stick: what is wanted\nat red share 0.5 and pour temperature 74\u00a0°C")

    def test_the_heavy_line_is_where_the_mean_is_wanted_most(self, demo, surfaces):
        at = demo.recipe.starting_factors
        axes = draw_outlook(demo, surfaces, along=("wax", "load"), at=at)
        heavy = [points for level, points in lines_of(axes[1]) if level == 6]
        frame = at.loc[[0] * len(heavy[0])].assign(wax=heavy[0][:, 0], load=heavy[0][:, 1])
        assert surfaces["hardness"].predict(frame)["mean"].to_numpy() == pytest.approx(6, abs=0.25)

    def test_a_blend_with_one_attribute(self, hazel, hazel_surfaces):
        axes = draw_outlook(hazel, hazel_surfaces, along=("base: sunflower wax", "base: castor oil"))
        assert [ax.get_title() for ax in axes] == ["hardness: below\u00a07, best\u00a03", "everything; lines: desirability"]
        assert axes[0].get_xlabel() == "sunflower wax [g/g of base]"

    def test_what_an_instrument_reads_has_its_unit(self):
        """Along one coordinate it stood in the title, over two it did not."""
        trial = with_read(poured(ONLY, rounds=1))
        axes = draw_outlook(trial, labkit.fit_surfaces(trial), along=("wax", "load"))
        assert axes[0].get_title().startswith("softness [mm]: ")

    def test_the_same_seed_draws_the_same(self, hazel, hazel_surfaces):
        def lines(seed):
            axes = draw_outlook(hazel, hazel_surfaces, along=("base: sunflower wax", "load"), seed=seed)
            return np.vstack([points for _, points in lines_of(axes[-1])])
        assert np.array_equal(lines(1), lines(1))

    def test_nothing_wanted_is_refused(self, hazel):
        with pytest.raises(TweakError) as caught:
            draw_outlook(hazel, {}, along=("base: sunflower wax", "load"))
        assert str(caught.value) == (
            "none of these surfaces is of an attribute that says what is wanted. "
            "Give at least one a line such as wanted = { rising = [4, 8] }.")


def test_along_one_coordinate_the_band_holds_nine_worlds_in_ten(demo, surfaces):
    """Counted in 4000 worlds of another seed; many may lie at an end of the scale, and so just on the edge."""
    at = demo.recipe.starting_factors
    axes, others = draw_outlook(demo, surfaces, along="load", at=at), Outlook.of(demo, surfaces, seed=7, n=4000)
    for ax, name in zip(axes, surfaces, strict=False):
        across = max((line.get_xdata() for line in ax.lines), key=len)
        draws = others.scores(pd.concat([at] * len(across), ignore_index=True).assign(load=across))[name]
        band = next(c for c in ax.collections if c.get_facecolor()[0][3] < 0.5).get_paths()[0].vertices
        low, high = np.array([[f(band[band[:, 0] == x, 1]) for x in across] for f in (np.min, np.max)])
        assert ((low < draws) & (draws < high)).mean() < 0.925 and ((low <= draws) & (draws <= high)).mean() > 0.875
        assert [line.get_xdata()[0] for line in ax.lines if line.get_linestyle() == ":"] == [at["load"].iloc[0]]
    assert not [line for line in draw_outlook(demo, surfaces, along="load")[0].lines if line.get_linestyle() == ":"]


def test_what_is_not_wanted_has_no_picture(demo, surfaces):
    """The trial of today wants nothing of sheerness any more."""
    plain = {name: replace(a, wanted=None) if name == "sheerness" else a for name, a in demo.attributes.items()}
    trial = replace(demo, definition=replace(demo.definition, attributes=plain))
    axes = draw_outlook(trial, surfaces, along=("wax", "load"))
    assert [ax.get_title().split(":")[0] for ax in axes] == ["payoff", "hardness", "shade", "everything; lines"]


def test_a_chance_is_the_lighter_the_higher_and_likely_is_nearly_white(demo, surfaces):
    """Luma of ITU-R BT.601: 0.299 R + 0.587 G + 0.114 B, on white paper; what is wanted is white beside it too."""
    ax = draw_outlook(demo, surfaces, along=("wax", "load"))[-1]
    shades = next(c for c in ax.collections if getattr(c, "filled", False) and c.get_cmap().name == CHANCE["cmap"])
    colours = shades.get_cmap()(shades.norm((CHANCES[:-1] + CHANCES[1:]) / 2))[:, :3]
    paper = 1 - CHANCE["alpha"] * (1 - colours)
    assert shades.get_alpha() == CHANCE["alpha"] and list(shades.levels) == list(CHANCES)
    assert (np.diff(paper @ [0.299, 0.587, 0.114]) > 0.05).all() and paper[-1].min() > 0.9 > 0.75 > paper[0].min()

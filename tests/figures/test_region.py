"""What may be poured, compared with the region itself."""
import numpy as np
import pytest
from definitions import HAZEL, TERRACOTTA
from looking import marks, words
from matplotlib.axes import Axes
from matplotlib.text import Annotation

from labkit.errors import RegionError
from labkit.figures import draw_region
from labkit.figures.names import markers
from labkit.figures.region import projection
from labkit.planning import plan_round, standard_error_at
from labkit.trial import Trial


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
        assert str(caught.value) == ("along is ['wax', 'shine']. Give one or two different ones of 'wax', 'red_share', 'load' "
                                     "and 'pour_temperature'.")


def test_values_on_lines_lie_within_what_may_be_poured_and_over_no_pour(demo):
    """Four of them lay across the limits, half on white and half on hatches; a line right beside one has no other place."""
    ax = draw_region(demo, ("red_share", "load"), plan_round(demo, pours=4, seed=1))
    ax.figure.draw_without_rendering()
    boxes = [text.get_window_extent() for text in ax.texts if not isinstance(text, Annotation)]
    white = next(c for c in ax.collections if tuple(c.get_facecolor().ravel()[:3]) == (1, 1, 1)).get_paths()[0]
    edge = ax.transData.transform_path(white).interpolated(20).vertices
    away = sorted(np.hypot(*(edge - (box.corners()[0] + box.corners()[3]) / 2).T).min() for box in boxes)
    assert len(away) >= 4 and away[1] > 12
    assert not any(box.contains(*dot) for box in boxes for dots in markers(ax) for dot in dots / 72 * ax.figure.dpi)

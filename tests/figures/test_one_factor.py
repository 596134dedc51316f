"""A trial in which one thing varies: the pictures over two coordinates are drawn along the one."""
import numpy as np
import pytest
from definitions import TINT
from invented import poured, scored
from looking import marks, names

import labkit
from labkit.figures import draw_along, draw_outlook, draw_region, draw_surface
from labkit.figures.chances import chance_of_all
from labkit.planning import plan_round, standard_error_at
from labkit.tweaks.outlook import Outlook


@pytest.fixture(scope="module")
def tint():
    """Two rounds of four pours."""
    trial = scored(poured(TINT, rounds=2), lambda coded: np.column_stack([6 + 2.5 * coded[:, 0], 6 - 3 * coded[:, 0]]))
    return trial, labkit.fit_surfaces(trial)


def longest(ax, rank=0):
    return sorted(ax.lines, key=lambda line: -len(line.get_xdata()))[rank]


@pytest.mark.parametrize("along", ["load", ("load",)])
def test_how_well_it_is_known_is_a_line_and_pours_stand_on_it(tint, along):
    trial, _ = tint
    round_ = plan_round(trial, pours=3, seed=1)
    ax = draw_region(trial, along=along, round_=round_)
    line = longest(ax)
    x, y = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
    assert (x[0], x[-1]) == pytest.approx((0.02, 0.12))
    assert y == pytest.approx(standard_error_at(trial, trial.made.iloc[[0] * len(x)].assign(load=x), round_))
    assert names(ax) == {*trial.made.index, *(f"{p} ({m})" for p, m in zip(round_.pours, round_.frame["melt"]))}
    assert marks(ax) == ["not allowed", "poured", "standard error", "planned (melt)"]
    dots = {dot.get_xdata()[0]: dot.get_ydata()[0] for dot in ax.lines if len(dot.get_xdata()) == 1}
    assert set(dots) == set(trial.made["load"])
    at = trial.made.iloc[[0] * len(dots)].assign(load=list(dots))
    assert list(dots.values()) == pytest.approx(standard_error_at(trial, at, round_))


def test_before_anything_is_poured():
    ax = draw_region(labkit.Trial.from_toml(TINT), along="load")
    assert marks(ax) == ["not allowed", "standard error"] and names(ax) == set()


def test_a_surface_is_drawn_along_it(tint):
    trial, surfaces = tint
    at = trial.recipe.starting_factors
    ours, theirs = draw_surface(surfaces["slip"], along=("load",), at=at), draw_along(surfaces["slip"], "load", at=at)
    assert np.array_equal(longest(ours).get_xydata(), longest(theirs).get_xydata()) and marks(ours) == marks(theirs)
    assert "pour on the line" in marks(ours) and "far from it" not in marks(ours)       # no pour can be off it


def test_what_is_wanted_and_the_chance_of_all_of_it(tint):
    trial, surfaces = tint
    axes = draw_outlook(trial, surfaces, along="load", at=trial.recipe.starting_factors)
    assert [ax.get_title() for ax in axes] == ["stain: 3\u00a0to\u00a09, best\u00a06", "slip: above\u00a03, best\u00a08",
                                               "everything: chance; dashed: desirability"]
    across = np.asarray(longest(axes[0]).get_xdata())
    points = trial.made.iloc[[0] * len(across)].assign(load=across)
    outlook = Outlook.of(trial, surfaces, seed=0, n=512)
    assert longest(axes[0]).get_ydata() == pytest.approx(outlook.scores(points)["stain"].mean(axis=0))
    told = [np.asarray(longest(axes[2], rank).get_ydata()) for rank in (0, 1)]
    assert all(one == pytest.approx(other) for one, other in zip(told, chance_of_all(outlook, points), strict=True))
    assert axes[2].get_xlabel() == "load [g/g of the whole batch]"


def test_one_of_several_coordinates(demo, surfaces):
    """All else is held; a part of a blend and what a limit forbids are as in `draw_along`."""
    at = demo.recipe.starting_factors.assign(red_share=0.8)
    axes = draw_outlook(demo, surfaces, along=("load",), at=at)
    assert [np.asarray(longest(ax).get_xdata())[-1] for ax in axes] == pytest.approx([0.0625] * 5, abs=2e-5)
    assert draw_region(demo, along=("red_share",)).get_ylabel() == "standard error [part of the scale]"

"""Coordinates of one value alone: they bring no functions, and no second system of coordinates."""

import numpy as np
from definitions import TERRACOTTA
from invented import poured, scored, terracotta_truth

import labkit
from labkit.surfaces.ground import Ground


def test_what_does_not_vary_is_not_among_what_may_play_no_part():
    """With load at one value shares and masses are the same, and each system of functions stands once."""
    fixed = TERRACOTTA.replace("low = 0.02\nhigh = 0.08", "low = 0.04\nhigh = 0.04")
    trial = poured(fixed, rounds=2)
    ground = Ground.of(trial)
    assert [system.name for system in ground.systems] == ["shares"]
    assert len(ground.narrowed) == 6 and not any("load" in system.absent for system in ground.narrowed)
    effects = labkit.fit_surfaces(scored(trial, terracotta_truth))["payoff"].effects
    assert np.isnan(effects.at["load", "no part"]) and effects.drop(index="load")["no part"].notna().all()

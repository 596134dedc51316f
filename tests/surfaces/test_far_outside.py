"""Pours far outside limits that were narrowed afterwards: what a surface makes of them, and where that ends."""
import numpy as np
import pytest
from definitions import TERRACOTTA
from invented import poured, scored

import labkit
from labkit.errors import SurfaceError


def narrowed(half):
    """Two rounds poured with wax 0.10 to 0.22, and limits that leave it `half` on both sides of 0.17."""
    trial = scored(poured(TERRACOTTA, rounds=2, seed=5), lambda coded: 5 + 2 * coded[:, [0, 1, 0, 1]])
    low, high = f"low = {0.17 - half:.7f}", f"high = {0.17 + half:.7f}"
    text = TERRACOTTA.replace("low = 0.10\nhigh = 0.22", f"{low}\n{high}")
    assert low in text
    return labkit.Trial.from_toml(text).with_tables(dict(trial.tables), files=True)


def test_pours_hundreds_of_ranges_away_still_tell_of_what_is_left():
    wide, near = (labkit.fit_surfaces(narrowed(half))["payoff"] for half in (0.02, 0.0002))
    points = near.ground.trial.region.sample(50, seed=1).assign(wax=0.17)
    gap = near.predict(points)["mean"] - wide.predict(points)["mean"]
    assert np.abs(gap).max() < wide.predict(points)["se"].max()


def test_where_nothing_could_be_told_to_the_last_digit_it_is_refused():
    with pytest.raises(SurfaceError) as refused:
        labkit.fit_surfaces(narrowed(0.000001))
    assert str(refused.value) == (
        "pour P01 has wax 0.106453, 31773 times as far from 0.169999 to 0.170001 as that is wide. "
        "Widen low and high of wax in trial.toml, or give both one value.")

"""Factors that make no difference are held where some of the best formulas can be held there, and only there."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import labkit
from labkit.tweaks import suggest
from labkit.tweaks.standing import standing_of


def held(monkeypatch, demo, **values):
    """What is suggested where these factors are said to make no difference."""
    monkeypatch.setattr(suggest, "_with_untold", lambda asked, outlook, points: replace(asked, fixed=values))
    return labkit.suggest_next(demo, pours=4, melts=2, seed=2)


def test_all_that_is_suggested_has_the_value(monkeypatch, demo):
    tweak = held(monkeypatch, demo, pour_temperature=74.0)
    assert (tweak.round.frame["pour_temperature"] == 74.0).all() and tweak.best["pour_temperature"].iloc[0] == 74.0


def test_where_no_formula_can_be_held_there_nothing_is(monkeypatch, demo):
    """80 % of 8 % is 6.4 % red oxide, over the 5 % of [[limits]]: the same as if every factor told."""
    tweak, free = held(monkeypatch, demo, red_share=0.8, load=0.08), held(monkeypatch, demo)
    pd.testing.assert_frame_equal(tweak.round.to_frame(), free.round.to_frame())
    assert np.array_equal(tweak.best, free.best) and tweak.expected_gain == pytest.approx(free.expected_gain, rel=1e-12)


def test_what_stands_today_is_searched_alike(monkeypatch, demo):
    tweak = held(monkeypatch, demo, red_share=0.8, load=0.08)
    standing = standing_of(demo, seed=2)
    assert np.array_equal(tweak.best[standing.names], standing.settled) and not standing.hold

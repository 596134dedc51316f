"""A trial is frozen, so what it was fitted to is kept: the same surfaces, but never those of another trial or panel."""

import pandas as pd

import labkit
from labkit.surfaces.surface import _fitted


def test_the_same_trial_is_fitted_once(demo):
    _fitted.cache_clear()
    one, two = labkit.fit_surfaces(demo), labkit.fit_surfaces(demo)
    assert _fitted.cache_info().misses == 1 and all(one[name] is two[name] for name in one)
    one.clear()                                     # what is handed out is a copy
    assert list(labkit.fit_surfaces(demo)) == list(two)


def test_with_another_score_it_is_fitted_anew(demo):
    before, at = labkit.fit_surfaces(demo), demo.region.sample(20, seed=1)
    last = demo.standing_scores.query("attribute == 'payoff'").iloc[[-1]]
    aside = demo.with_set_aside(pd.DataFrame({"action": "set aside", "pour": last["pour"], "tester": last["tester"],
                                              "attribute": "payoff", "session": last["session"], "reason": "a slip"}))
    after = labkit.fit_surfaces(aside)
    assert (before["payoff"].predict(at)["mean"] != after["payoff"].predict(at)["mean"]).any()
    pd.testing.assert_frame_equal(labkit.fit_surfaces(demo)["payoff"].predict(at), before["payoff"].predict(at))


def test_a_panel_that_is_given_says_the_same(demo):
    at = demo.region.sample(20, seed=1)
    given = labkit.fit_surfaces(demo, labkit.appraise_panel(demo))
    for name, surface in labkit.fit_surfaces(demo).items():
        pd.testing.assert_frame_equal(given[name].predict(at), surface.predict(at))

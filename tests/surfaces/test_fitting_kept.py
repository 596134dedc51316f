"""A trial is frozen, so what it was fitted to is kept: the same surfaces, but never those of another trial or panel."""

import pandas as pd
import pytest

import labkit
from labkit.errors import SurfaceError
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


def test_the_panel_of_the_trial_may_be_given(demo):
    """The order of the README: panel first, then surfaces with it, then the tweak, which fits none of it anew."""
    _fitted.cache_clear()
    given = labkit.fit_surfaces(demo, labkit.appraise_panel(demo))
    assert given["payoff"] is labkit.fit_surfaces(demo)["payoff"]
    labkit.suggest_next(demo, pours=2, melts=1)
    assert _fitted.cache_info().misses == 1
    other = labkit.fit_surfaces(demo, labkit.appraise_panel(demo, prior="flat"))
    assert other["payoff"].scores["score_se"].ne(given["payoff"].scores["score_se"]).any()


@pytest.mark.parametrize("names", [{"tester": "T03"}, {"pour": "P12"}])
def test_the_panel_from_before_something_was_set_aside_is_refused(demo, names):
    """In a notebook both are at hand: what was set aside would count all the same, or what is told of would be missing."""
    aside = demo.with_set_aside(pd.DataFrame([{"action": "set aside", "reason": "a cold", **names}]))
    for trial, other in ((aside, demo), (demo, aside)):
        with pytest.raises(SurfaceError) as refused:
            labkit.fit_surfaces(trial, labkit.appraise_panel(other))
        assert str(refused.value) == ("the panel was appraised from other scores than those that stand in Terracotta stick. "
                                      "Give what appraise_panel(trial) returns now, or leave it out.")

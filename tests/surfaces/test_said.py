"""Sentences about one surface that hang on a number: each on both sides of its limit, with stand-ins for the surface."""
import types

import numpy as np
import pandas as pd
import pytest

from labkit.attributes import Attribute
from labkit.core.adequacy import Comparison
from labkit.surfaces import telling

NAN = float("nan")
ONLY = pd.DataFrame({"a": [0.0]}, index=["P01"])


def judged(read=False):
    return Attribute(name="payoff", reading="needle depth" if read else "", unit="mm" if read else "")


def stand_in(*, df=6, scale_df=None, scale=1.0, stated=1.0, leverage=0.5, model="quadratic", trust=(0.9, NAN), read=False):
    """A classical fit of two columns whose variance of a fitted mean at (1, 0) is `leverage` times the scale."""
    fit = types.SimpleNamespace(df=df, covariance=np.diag([leverage, 1.0]))
    classical = types.SimpleNamespace(fit=fit, scale_df=df if scale_df is None else scale_df, scale=scale,
                                      stated_variance=stated, model=model,
                                      columns=lambda point: pd.DataFrame([[1.0, 0.0]]))
    return types.SimpleNamespace(classical=classical, effects=pd.DataFrame({"trust": list(trust)}),
                                 posterior=types.SimpleNamespace(attribute=judged(read)))


class TestWhyTheReadingsPart:
    @pytest.mark.parametrize("facts, says", [
        ({"df": 0, "scale": 0.1}, "no residual degrees of freedom, so the classical interval rests on stated variances alone"),
        ({"scale_df": 0}, "nothing is left in the residuals, so the classical interval rests on stated variances alone"),
        ({"df": 3, "scale": 0.49}, "with 3 degrees of freedom the residuals came out small by luck, and the classical interval "
         "with them"),
        ({"df": 1, "scale": 0.4, "leverage": 2.0}, "with 1 degree of freedom the residuals came out small by luck, and the "
         "classical interval with them"),
        ({"df": 3, "scale": 0.6, "leverage": 1.1}, "the formula lies beyond the pours, where the classical polynomial runs away "
         "and the prior holds back"),
        ({"df": 4, "scale": 0.1, "leverage": 1.1}, "the formula lies beyond the pours, where the classical polynomial runs away "
         "and the prior holds back"),
        ({"leverage": 0.9, "model": "linear", "trust": (0.1,)}, "these pours carry only the linear model, and the hierarchical "
         "reading allows for bending"),
        ({"trust": (0.9, 0.19)}, "an expected direction that the scores contradict still pulls a little"),
        ({"trust": (0.1, NAN), "read": True}, "an expected direction that the readings contradict still pulls a little"),
        ({"trust": (0.9, 0.21)}, "the hierarchical reading takes part of a steep or bent fit for noise; a repeat of this pour "
         "would settle it"),
        ({"trust": (NAN, NAN)}, "the hierarchical reading takes part of a steep or bent fit for noise; a repeat of this pour "
         "would settle it")])
    def test_the_first_cause_that_applies(self, facts, says):
        assert telling._cause(stand_in(**facts), ONLY) == says

    @pytest.mark.parametrize("mean, apart", [(3.9, True), (4.1, False), (5.9, False), (6.1, True)])
    def test_only_where_the_classical_interval_leaves_the_mean_out(self, mean, apart):
        surface = stand_in(df=0)
        surface.predict = lambda points: pd.DataFrame({"mean": [mean]}, index=points.index)
        surface.classical.made = ONLY
        surface.classical.predict = lambda points, level: pd.DataFrame({"low": [4.0], "high": [6.0]}, index=points.index)
        told = telling.disagreements(surface)
        assert told == ([f"P01: the classical 90 % interval 4.00 to 6.00 leaves out the hierarchical mean {mean:.2f}. Likely "
                         "cause: no residual degrees of freedom, so the classical interval rests on stated variances alone."]
                        if apart else [])


@pytest.mark.parametrize("influence, left_out, leverage, says", [
    ((0.2, 1.2, 0.1), (1, 1, 1), (0.5, 0.4, 0.9), "P02 moves the classical reading most (Cook's distance 1.20: above 1, so it "
     "decides almost alone)."),
    ((0.2, 32491.27, 0.1), (1, 1, 1), (0.5, 0.4, 0.9), "P02 moves the classical reading most (Cook's distance 32491: above 1, so "
     "it decides almost alone)."),
    ((0.2, 0.8, 0.1), (1, 1, 1), (0.5, 0.4, 0.9), "P02 moves the classical reading most (Cook's distance 0.80: below 1, so no "
     "pour decides alone)."),
    ((40.2, 1410.8, 0.1), (1, 1, 1), (1.0, 1.0, 0.9), "P02 moves the classical reading most (Cook's distance 1411: above 1, as "
     "for P01, so single pours decide, and none of them alone)."),
    ((0.2, 0.8, NAN), (1, 1, NAN), (0.5, 0.4, 1.0), "P03 decides a term of the classical reading alone; of the other pours P02 "
     "moves it most (Cook's distance 0.80)."),
    ((0.2, NAN, NAN), (1, NAN, NAN), (0.5, 1.0, 1.0), "P02 and P03 each decide a term of the classical reading alone; of the "
     "other pours P01 moves it most (Cook's distance 0.20)."),
    ((NAN, NAN, NAN), (0, 0, NAN), (0.5, 0.4, 1.0), "P03 weighs most in its own fitted value (leverage 1.00)."),
    ((NAN, NAN, NAN), (0, 0, 0), (0.33, 0.33, 0.33), "All pours weigh alike in their own fitted values (leverage 0.33).")])
def test_which_pour_decides(influence, left_out, leverage, says):
    table = pd.DataFrame({"influence": influence, "left_out": left_out, "leverage": leverage}, index=["P01", "P02", "P03"])
    assert telling._influence_sentence(table) == says


@pytest.mark.parametrize("lack, repeats, says", [
    (Comparison(ss=4.0, df=2, f=6.1, p=0.049), 1, "Against the spread of repeats, the linear model does not hold (F 6.10 on "
     "2 df, p 0.049)."),
    (Comparison(ss=4.0, df=2, f=6.0, p=0.051), 1, "Against the spread of repeats, the linear model is not contradicted (F 6.00 "
     "on 2 df, p 0.051)."),
    (Comparison(ss=4.0, df=2), 0, "No two pours came out alike to a hundredth of every range: lack of fit cannot be told. "
                                  "A repeat as near as that would tell."),
    (Comparison(ss=0.0, df=0), 3, "The linear model has a term for every formula that was poured, so beside repeats there is "
     "nothing to check it against: lack of fit cannot be told. More different formulas would tell."),
    (Comparison(ss=4.0, df=2), 1, "The repeats came out exactly alike: lack of fit cannot be told against no spread. Another "
     "repeat would tell.")])
def test_whether_the_shape_holds(monkeypatch, lack, repeats, says):
    monkeypatch.setattr(telling, "_scales", lambda surface: "")
    monkeypatch.setattr(telling, "_expectations", lambda surface: [])
    columns = ["terms", "df", "residual_sd", "r_squared", "predicted", "press", "lack_of_fit_p"]
    shapes = pd.DataFrame([[1.0] * 7], columns=columns, index=["linear"]).assign(repeats_df=repeats)
    classical = types.SimpleNamespace(model="linear", shapes=shapes)
    blocks = telling._shape(types.SimpleNamespace(
        classical=classical, lack_of_fit=lack, posterior=types.SimpleNamespace(attribute=judged())))
    assert says in " ".join(telling.report(*blocks).as_text().split())


def test_expected_directions_stand_with_what_is_left_of_them():
    effects = pd.DataFrame({"expected": [1, -1, 0, 1], "trust": [0.93, 0.12, 0.7, NAN]}, index=["wax", "load", "red", "warm"])
    surface = types.SimpleNamespace(effects=effects, posterior=types.SimpleNamespace(hill_trust=0.4, turn=1))
    text = " ".join(telling.report(*telling._expectations(surface)).as_text().split())
    assert text == "Expected directions, each begun at 70 %, now stand at: wax up 93 % and load down 12 %."
    surface.effects = effects.assign(expected=0)
    text = " ".join(telling.report(*telling._expectations(surface)).as_text().split())
    assert text == ("No direction is expected here, as it is elsewhere. That it peaks within the region, begun at 70 %, now "
                    "stands at: 40 %.")
    surface.posterior.turn = -1
    assert "That it dips within the region" in " ".join(telling.report(*telling._expectations(surface)).as_text().split())
    surface.posterior.hill_trust = NAN
    assert telling._expectations(surface) == []


def test_what_more_likely_than_not_plays_no_part():
    idle = pd.Series({"wax": 0.51, "load": 0.49, "warm": 0.8})
    assert telling._idle_words(idle) == " Chance that a coordinate plays no part at all: wax 51 % and warm 80 %."
    assert telling._idle_words(idle.iloc[[1]]) == ""

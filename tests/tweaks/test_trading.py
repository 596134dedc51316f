"""Trade-offs: against a quadratic whose Pareto set is known, and rates against their closed form."""
import types
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA

import labkit
from labkit.attributes import Attribute
from labkit.errors import TweakError
from labkit.tweaks.standing import standing_of
from labkit.tweaks.trading import (
    AROUND,
    GIVE,
    NEAR,
    Cloud,
    _joined,
    _only,
    _places,
    _says,
    _ways,
    exchange_rate,
    shortfall,
    tell_tradeoffs,
)

PAIR = ("payoff", "hardness")
WANTS = """
[attributes.payoff]
wanted = { rising = [2, 8] }
[attributes.hardness]
wanted = { rising = [2, 8] }
"""


@pytest.fixture(scope="module")
def trial():
    return labkit.Trial.from_toml(TERRACOTTA.split("[attributes.payoff]")[0] + WANTS)


class Invented:
    """A surface as the kit's own are asked: height of the coded coordinates, and a spread along some direction."""

    def __init__(self, trial, height, spread=None):
        self.ground = types.SimpleNamespace(columns=trial.region.coded, trial=trial)
        self.height, self.spread = height, spread

    def predict(self, frame):
        return pd.DataFrame({"mean": self.height(self.ground.columns(frame))})

    def draws_at(self, columns, n, seed):
        drawn = np.tile(self.height(columns), (n, 1))
        if self.spread is not None:
            drawn = drawn + np.random.default_rng(seed).standard_normal((n, 1)) * self.spread(columns)
        return drawn


def points(coded):
    """Coordinates of the stick at coded ones (columns as in the region: wax, red_share, load, pour_temperature)."""
    middle, half = np.array([0.16, 0.5, 0.05, 74.0]), np.array([0.06, 0.3, 0.03, 6.0])
    return pd.DataFrame(middle + half * np.atleast_2d(coded), columns=["wax", "red_share", "load", "pour_temperature"])


P, Q = np.array([0.0, 0.0, -0.5, 0.0]), np.array([0.6, 0.0, -0.5, 0.8])


@pytest.fixture(scope="module")
def quadratic(trial):
    surfaces = {"payoff": Invented(trial, lambda x: 8 - 4 * ((x - P) ** 2).sum(axis=1)),
                "hardness": Invented(trial, lambda x: 8 - 4 * ((x - Q) ** 2).sum(axis=1))}
    return tell_tradeoffs(trial, surfaces=surfaces, at=points(0.4 * P + 0.6 * Q), seed=1)


class TestQuadratic:
    """8 - 4 |x - p|^2 and 8 - 4 |x - q|^2: what is best attainable is the segment from p to q. With |p - q| = 1 and t from
    p to q the first is short by 4 t^2 and the second by 4 (1 - t)^2, so that a point of the first costs (1 - t) / t."""

    def test_the_formulas_lie_on_the_segment(self, quadratic):
        path = quadratic.paths[PAIR]
        roots = np.sqrt((8 - path[list(PAIR)]) / 4).sum(axis=1)
        np.testing.assert_allclose(roots, 1.0, atol=0.02)

    def test_the_rate_is_that_of_the_closed_form(self, quadratic):
        row = quadratic.table.iloc[0]
        assert (row["attribute"], row["other"], row["conflict"]) == (*PAIR, True)
        t = np.sqrt((8 - np.linspace(row["from"], row["to"], 200)) / 4)
        slope = np.polyfit(8 - 4 * t**2, 8 - 4 * (1 - t) ** 2, 1)[0]
        assert row["cost"] == pytest.approx(-slope, rel=0.12)
        assert row["from"] < 8 - 4 * 0.6**2 < row["to"]                # the formula in question is on it
        assert row["low"] == pytest.approx(row["high"], rel=1e-6)      # nothing is left open

    def test_another_unit_changes_nothing_but_the_unit(self, trial, quadratic):
        wants = WANTS.replace("[2, 8] }", "[0.2, 0.8] }\nscale = [0, 1]", 1).replace("[2, 8] }", "[20, 80] }\nscale = [0, 100]")
        other = labkit.Trial.from_toml(TERRACOTTA.split("[attributes.payoff]")[0] + wants)
        surfaces = {"payoff": Invented(other, lambda x: 0.8 - 0.4 * ((x - P) ** 2).sum(axis=1)),
                    "hardness": Invented(other, lambda x: 80 - 40 * ((x - Q) ** 2).sum(axis=1))}
        row = tell_tradeoffs(other, surfaces=surfaces, at=points(0.4 * P + 0.6 * Q), seed=1).table.iloc[0]
        expected = quadratic.table.iloc[0][["cost", "low", "high"]].astype(float) * 100
        np.testing.assert_allclose(row[["cost", "low", "high"]].astype(float), expected, rtol=0.02)

    def test_words(self, quadratic):
        row = quadratic.table.iloc[0]
        assert row["says"] == (f"Each point of payoff beyond {row['from']:.1f} costs {row['cost']:.1f} of hardness, up to "
                               f"{row['to']:.1f} (90 %: {row['low']:.1f} to {row['high']:.1f}).")
        assert repr(quadratic) == "<Tradeoffs: 1 of 1 pair in conflict>"
        text, page = str(quadratic), quadratic._repr_html_()
        assert "Around the formula with payoff 6.6 and hardness 7.4 expected:" in text and row["says"][:60] in page
        assert max(map(len, text.splitlines())) <= 100
        endless = str(replace(quadratic, table=quadratic.table.assign(low=-np.inf, high=np.inf)))
        assert endless.splitlines()[-1].split("  ")[-4:-2] == ["no limit", "no limit"] and "inf" not in endless


class TestRates:
    def test_in_every_draw_it_is_loss_over_gain(self):
        """Along a line the first gains g and the second loses l = b g, b ~ N(.8, .1): quantiles of a normal."""
        rng, steps = np.random.default_rng(3), np.linspace(0, 1, 6)
        first = np.tile(5 + 2 * steps, (40_000, 1))
        second = 7 - 2 * steps * rng.normal(0.8, 0.1, (40_000, 1))
        cost, low, high = exchange_rate({"payoff": first, "hardness": second}, PAIR, (1, 1))
        assert (cost, low, high) == pytest.approx((0.8, 0.8 - 0.1645, 0.8 + 0.1645), abs=0.005)

    def test_a_sign_turns_with_the_side(self):
        steps = np.linspace(0, 1, 6)
        drawn = {"payoff": np.tile(5 + 2 * steps, (10, 1)), "hardness": np.tile(4 + steps, (10, 1))}
        assert exchange_rate(drawn, PAIR, (1, -1))[0] == pytest.approx(0.5)     # hardness is wanted lower
        assert exchange_rate(drawn, PAIR, (1, 1))[0] == pytest.approx(-0.5)     # both gain: no cost

    def test_where_the_first_may_not_gain_at_all_the_limit_is_open(self):
        """Fieller: the gain is N(1, 1), so in one draw of six nothing is bought."""
        rng, steps = np.random.default_rng(4), np.linspace(0, 1, 6)
        gain = rng.normal(1, 1, (20_000, 1))
        cost, low, high = exchange_rate({"payoff": gain * steps, "hardness": np.tile(-steps, (20_000, 1))}, PAIR, (1, 1))
        assert np.isinf(high) and 0 < low < cost < 1.1
        assert cost == pytest.approx(1.0, abs=0.05)

    def test_what_costs_nothing_in_any_draw_is_told_as_that(self):
        steps = np.linspace(0, 1, 6)
        drawn = {"payoff": np.tile(5 + 2 * steps, (10, 1)), "hardness": np.full((10, 6), 3.0)}
        assert exchange_rate(drawn, PAIR, (1, 1)) == pytest.approx([0, 0, 0], abs=1e-12)


def told(trial, payoff, hardness, at, spread=None):
    surfaces = {"payoff": Invented(trial, payoff), "hardness": Invented(trial, hardness, spread)}
    return tell_tradeoffs(trial, surfaces=surfaces, at=points(at))


def test_what_serves_the_one_and_not_the_other(trial):
    found = told(trial, lambda x: 5 + 2 * x[:, 0], lambda x: 6 + 1.5 * x[:, 0], [0.0, 0, -0.5, 0])
    assert found.table.iloc[0]["says"] == ("payoff and hardness are not in conflict here: what serves the one does not harm "
                                           "the other.")
    assert found.paths == {} and repr(found) == "<Tradeoffs: 0 of 1 pair in conflict>"


def test_a_linear_conflict_has_one_rate_and_it_may_be_unsure(trial):
    at = [0.0, 0, -0.5, 0]
    sure = told(trial, lambda x: 5 + 2 * x[:, 0], lambda x: 6 - 1.6 * x[:, 0], at).table.iloc[0]
    assert sure["cost"] == pytest.approx(0.8, abs=0.02) and sure["says"].endswith("(90 %: 0.8 to 0.8).")
    unsure = told(trial, lambda x: 5 + 2 * x[:, 0], lambda x: 6 - 1.6 * x[:, 0], at,
                  spread=lambda x: 2 * x[:, 0]).table.iloc[0]
    assert unsure["low"] == pytest.approx(0.8 - 1.645, abs=0.2) and unsure["says"].endswith(
        "; as little is known, it may cost nothing.")


def test_what_lies_far_beyond_a_want_can_be_given_up_for_nothing(trial):
    """Hardness is 9.5 here, 8 is all one could want, and no formula nearby has less than 9."""
    found = told(trial, lambda x: 5 + 2 * x[:, 0], lambda x: 9.5 - 0.5 * x[:, 0], [0.0, 0, -0.5, 0])
    assert found.table.iloc[0]["says"] == ("payoff and hardness are not in conflict here: what serves the one does not harm "
                                           "the other.")


@pytest.mark.parametrize("gains, loses, why", [
    (2.0, 0.1, "what serves the one does not harm the other."),
    (2.0, 0.15, "to bring payoff nearer to what is wanted costs next to nothing of hardness."),
    (2.0, 0.25, "to bring payoff nearer to what is wanted costs next to nothing of hardness."),
    (0.1, 0.25, "giving up hardness would hardly bring payoff nearer to what is wanted."),
    (0.15, 2.0, "giving up hardness would hardly bring payoff nearer to what is wanted.")])
def test_what_costs_little_is_not_told_as_bringing_little(trial, gains, loses, why):
    """Over .7 of the half range of wax to either side: 2.8 of payoff for .14, .21 or .35 of hardness, .14 for .35, .21 for 2.8."""
    found = told(trial, lambda x: 5 + gains * x[:, 0], lambda x: 6 - loses * x[:, 0], [0.0, 0, -0.5, 0])
    assert found.table.iloc[0]["says"] == f"payoff and hardness are not in conflict here: {why}"


def test_where_both_are_as_wanted_nothing_is_traded(trial):
    found = told(trial, lambda x: 8.5 + 0 * x[:, 0], lambda x: 9 + 0 * x[:, 0], [0.0, 0, -0.5, 0])
    assert found.table.iloc[0]["says"].endswith(" are both as wanted.")


def test_what_is_short_of_a_want():
    attributes = labkit.Trial.from_toml(TERRACOTTA).attributes
    np.testing.assert_allclose(shortfall(attributes["payoff"], np.array([3.0, 9.0])), [5, 0])
    np.testing.assert_allclose(shortfall(attributes["hardness"], np.array([5.0, 8.0])), [1, 2])
    falling = labkit.Trial.from_toml(TERRACOTTA.replace("wanted = { rising = [5, 9] }", "wanted = { falling = [2, 6] }"))
    np.testing.assert_allclose(shortfall(falling.attributes["shade"], np.array([1.0, 5.0])), [0, 3])


@pytest.fixture(scope="module")
def found(demo):
    return labkit.tell_tradeoffs(demo, seed=2)


class TestDemo:
    def test_payoff_is_bought_with_sheerness(self, found):
        """Both follow the load in the invented truth: exp(-load / ...) rises the one and sinks the other."""
        rows = found.table.set_index(["attribute", "other"])
        row = rows.loc[("payoff", "sheerness")]
        assert row["conflict"] and row["low"] > 0 and row["from"] < row["to"]
        path = found.paths["payoff", "sheerness"]
        assert path["load"].iloc[-1] > path["load"].iloc[0] and (np.diff(path["payoff"]) > 0).all()
        assert len(found.table) == 6 and len(found.paths) == found.table["conflict"].sum()

    def test_the_interval_holds_the_rate_of_the_invented_truth(self, demo, found):
        from make_demo_trial import truth

        row = found.table.set_index(["attribute", "other"]).loc[("payoff", "sheerness")]
        real = truth(found.paths["payoff", "sheerness"][list(demo.recipe.coordinates)])
        assert row["low"] < -np.polyfit(real["payoff"], real["sheerness"], 1)[0] < row["high"]

    def test_no_formula_of_a_trade_leaves_the_limits_or_harms_a_third(self, demo, found):
        for pair, path in found.paths.items():
            assert demo.region.keeps(path[list(demo.recipe.coordinates)]).all()
            for name in set(demo.attributes) - set(pair):
                attribute = demo.attributes[name]
                most = shortfall(attribute, found.scores[name]) + 0.03 * attribute.width    # 0.02 in the draws of the search
                assert (shortfall(attribute, path[name]) <= most + 1e-9).all()

    def test_it_repeats_bit_for_bit(self, demo, found):
        assert str(labkit.tell_tradeoffs(demo, seed=2)) == str(found)
        pd.testing.assert_frame_equal(found.to_frame(), labkit.tell_tradeoffs(demo, seed=2).to_frame())


def test_without_scores_nothing_is_known():
    with pytest.raises(TweakError) as refused:
        labkit.tell_tradeoffs(labkit.Trial.from_toml(TERRACOTTA))
    assert str(refused.value) == "Terracotta stick has too few scores to settle on anything. Score two pours or more first."


@pytest.mark.parametrize("surfaces, message", [
    (types.SimpleNamespace(predict=None), "surfaces is of type SimpleNamespace. Give what fit_surfaces(trial) returned."),
    (pd.DataFrame({"wax": [0.15]}), "surfaces is of type DataFrame. Give what fit_surfaces(trial) returned."),
    ({"shine": types.SimpleNamespace(predict=None)},
     "surfaces has 'shine', which is no attribute of Terracotta stick. Give what fit_surfaces(trial) returned."),
    ({"payoff": 5}, "surfaces['payoff'] is of type int. Give one of those that fit_surfaces(trial) returned, such as "
                    "surfaces['payoff']."),
])
def test_surfaces_that_are_none(trial, surfaces, message):
    with pytest.raises(TweakError) as refused:
        tell_tradeoffs(trial, surfaces)
    assert str(refused.value) == message


@pytest.mark.parametrize("low, high, of_other, words", [
    (0.4, 1.3, "", "0.8 of softness, up to 7.0 (90 %: 0.4 to 1.3)."),
    (0.4, np.inf, "mm ", "0.8 mm of softness, up to 7.0 (90 %: 0.4 or more)."),
    (-0.01, np.inf, "", "0.8 of softness, up to 7.0 (90 %: 0.0 or more); as little is known, it may cost nothing."),
    (-np.inf, 1.3, "", "0.8 of softness, up to 7.0 (90 %: 1.3 or less); as little is known, it may cost nothing."),
    (-np.inf, np.inf, "", "0.8 of softness, up to 7.0 (90 %: anything); as little is known, it may cost nothing."),
])
def test_no_infinity_in_words_and_the_unit_of_what_is_read(low, high, of_other, words):
    row = {"attribute": "payoff", "other": "softness", "cost": 0.8, "low": low, "high": high, "from": 6.0, "to": 7.0}
    assert _says(row, (1, 1), "point", of_other) == f"Each point of payoff beyond 6.0 costs {words}"


@pytest.mark.parametrize("wanted, mean, ways", [
    ("peak = [2, 5, 8]", 4.7, (1,)), ("peak = [2, 5, 8]", 4.85, (1, -1)), ("peak = [2, 5, 8]", 5.15, (1, -1)),
    ("peak = [2, 5, 8]", 5.3, (-1,)), ("rising = [2, 8]", 9.0, (1,)), ("falling = [2, 8]", 1.0, (-1,))])
def test_which_way_a_score_comes_nearer_to_what_is_wanted(wanted, mean, ways):
    """Within a fiftieth of the scale of a target both ways count, as either may be had for another score."""
    text = TERRACOTTA.split("[attributes.payoff]")[0] + f"[attributes.payoff]\nwanted = {{ {wanted} }}\n"
    cloud = types.SimpleNamespace(attributes=labkit.Trial.from_toml(text).attributes, means={"payoff": np.array([mean])})
    assert _ways(cloud, "payoff") == ways


def test_what_is_near_is_near_in_formula_and_scores_and_harms_no_third():
    """Row by row: itself; just near enough; too far; a score of the pair too far off, up and down; the third gives way."""
    attributes = labkit.Trial.from_toml(TERRACOTTA).attributes
    apart = np.array([0.0, NEAR - 1e-9, NEAR + 1e-9, 0.1, 0.1, 0.1, 0.1])
    far = 10 * AROUND + 1e-9
    means = {"payoff": np.array([5.0, 5, 5, 5 + far, 5, 5, 5]), "hardness": np.array([5.0, 5, 5, 5, 5 - far, 5, 5]),
             "sheerness": np.full(7, 5.0), "shade": np.array([7.0, 7, 7, 7, 7, 7 - 10 * GIVE - 1e-9, 7 - 10 * GIVE + 1e-9])}
    cloud = Cloud(attributes=attributes, points=pd.DataFrame(index=range(7)), apart=apart, means=means)
    assert cloud.near(PAIR).tolist() == [True, True, False, False, False, False, True]


def test_means_of_the_search_are_those_that_are_shown(trial):
    """Of a surface whose draws are all .7 under its mean, as a few draws may be: what is shown is 8 - 4 |x - p|^2."""
    class Off(Invented):
        def draws_at(self, columns, n, seed):
            return super().draws_at(columns, n, seed) - 0.7

    surfaces = {"payoff": Off(trial, lambda x: 8 - 4 * ((x - P) ** 2).sum(axis=1))}
    standing, others = standing_of(trial, points(P), surfaces=surfaces), points([P, Q, 0 * P])
    cloud = _joined(standing, _only(standing), others)
    np.testing.assert_allclose(cloud.means["payoff"], [8, 8, 4, 7], atol=1e-5)


def test_a_cost_has_as_many_digits_in_any_unit():
    """.83 points a point; 830 where the other is scored to 1000 and this to 1, .0008 the other way round."""
    scales = {name: Attribute(name=name, low=0, high=high) for name, high in (("one", 1), ("ten", 10), ("thousand", 1000))}
    pairs = pd.DataFrame([("ten", "ten"), ("one", "thousand"), ("thousand", "one"), ("ten", "one")],
                         columns=["attribute", "other"])
    found = _places(pairs, scales)
    assert found["cost"] == found["low"] == found["high"] == [2, 0, 4, 3]
    assert found["from"] == found["to"] == [2, 3, 1, 2]

"""What else to buy: noise and value against closed forms; rounds, costs and words on the demo."""
import types
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA

import labkit
from labkit.attributes import Attribute, Wanted
from labkit.core.improvement import knowledge_gradient_of_two
from labkit.errors import TweakError
from labkit.tweaks import efforts as efforts_module
from labkit.tweaks.efforts import usual_testers
from labkit.tweaks.trying import ANEW, Evening, Luck, paid_by_evenings, seen_in
from labkit.tweaks.worth import Jury

SD = {"round": 0.5, "melt": 0.4, "pour": 0.3, "panel": 0.6}
TESTERS = 5


def evening(*rows, **changed):
    """Pours at these heights, two to a melt."""
    points = pd.DataFrame({"x": list(rows)})
    return Evening(points=points, melts=tuple(f"M{k // 2}" for k in range(len(rows))),
                   places=tuple(map(str, range(len(rows)))), **changed)


class TestLuck:
    def test_the_noise_of_a_round_has_the_stated_covariance(self):
        found = seen_in(evening(0, 0, 0, 0), np.zeros((60_000, 4)), SD, TESTERS, Luck(n=60_000, seed=1), 0)
        expected = 0.25 + 0.16 * np.kron(np.eye(2), np.ones((2, 2))) + (0.09 + 0.36) * np.eye(4)
        np.testing.assert_allclose(np.cov(found.T), expected, atol=0.03)

    def test_a_newcomer_helps_to_compare_and_not_to_set_the_level(self):
        """Adjusted means with a free leaning for the newcomer: s^2 T / (T + 1) between pours, s^2 / k for their mean.
        Against least squares on the scores of T known testers and one whose leaning is fitted."""
        k, s2 = 4, SD["panel"] ** 2 * TESTERS
        design = np.vstack([np.hstack([np.tile(np.eye(k), (TESTERS, 1)), np.zeros((TESTERS * k, 1))]),
                            np.hstack([np.eye(k), np.ones((k, 1))])])
        fitted = s2 * np.linalg.inv(design.T @ design)[:k, :k]
        quiet = {"round": 0.0, "melt": 0.0, "pour": 0.0, "panel": SD["panel"]}
        found = seen_in(evening(0, 0, 0, 0, testers=1), np.zeros((60_000, k)), quiet, TESTERS, Luck(n=60_000, seed=2), 0)
        np.testing.assert_allclose(np.cov(found.T), fitted, atol=0.01)

    def test_a_second_tasting_brings_only_what_is_new(self):
        quiet = {"round": 0.0, "melt": 0.0, "pour": 0.0, "panel": 1.0}
        found = seen_in(evening(0, 0, tastings=2), np.zeros((60_000, 2)), quiet, TESTERS, Luck(n=60_000, seed=3), 0)
        assert found.var() == pytest.approx(1 - ANEW / 2, rel=0.02)

    def test_an_instrument_does_not_care_who_tastes(self):
        luck, drawn = Luck(n=50, seed=4), np.zeros((50, 2))
        plain = seen_in(evening(0, 0), drawn, SD, 0, luck, 0)
        np.testing.assert_array_equal(seen_in(evening(0, 0, testers=1, tastings=2), drawn, SD, 0, luck, 0), plain)

    def test_what_two_evenings_share_has_the_same_luck(self):
        luck, drawn = Luck(n=50, seed=5), np.zeros((50, 3))
        np.testing.assert_array_equal(seen_in(evening(0, 0, 0), drawn, SD, TESTERS, luck, 0)[:, :2],
                                      seen_in(evening(0, 0), drawn[:, :2], SD, TESTERS, luck, 0))
        assert (luck.of(0, 2, ["M0"]) != luck.of(1, 2, ["M0"])).all() and (luck.of(0, 2, ["a"]) != luck.of(0, 3, ["a"])).all()


class Alternatives:
    """Two formulas: one known to score 5, the other N(mean, sd^2); desirability is a hundredth of the score."""

    def __init__(self, mean, sd, n, seed=0):
        wanted = Wanted(kind="rising", points=(-50.0, 50.0))
        self.attributes = {"payoff": Attribute(name="payoff", low=-50, high=50, wanted=wanted)}
        self.surfaces, self.failing, self.n, self.seed = {"payoff": None}, None, n, seed
        self.other = np.random.default_rng([seed, 1]).normal(mean, sd, n)

    def known(self, points):
        return [np.where(points["x"].to_numpy() == 1, self.other[:, None], 5.0)]

    def worth(self, known):
        return known[0] / 100

    def in_half_widths(self, known):
        return known, self.worth


def test_gains_and_differences_are_knowledge_gradients_of_two_alternatives():
    """One pour of the second formula: h(d, s) with s = sd^2 / sqrt(sd^2 + noise); a pour more, or a second tasting, makes
    the noise smaller (Frazier, Powell & Dayanik 2008)."""
    sd, jury, found = 2.0, Jury(noise={"payoff": SD | {"panel": 1.5}}), []
    evenings = [evening(1), evening(1, 1), evening(1, tastings=2), evening(1, testers=1), evening(0)]
    noise = np.array([0, 0, 0, 0]) + 0.41 + 0.09 + 2.25 * np.array([1, 1, 1 - ANEW / 2, 1])
    noise[1] -= (0.09 + 2.25) / 2
    for seed in range(4):
        outlook = Alternatives(4.2, sd, n=9_000, seed=seed)
        paid = paid_by_evenings(outlook, jury, TESTERS, evenings, pd.DataFrame({"x": [0, 1]}), worlds=8_000, inner=32,
                                paid=500).mean(axis=1)
        behind = 0.01 * (5 - outlook.other.mean())
        kg = knowledge_gradient_of_two(behind, 0.01 * sd**2 / np.sqrt(sd**2 + noise))
        found.append((paid, np.append(kg, 0.0)))
    paid, expected = np.mean(found, axis=0)
    np.testing.assert_allclose(paid, expected, atol=3e-4)
    np.testing.assert_allclose(paid[1:3] - paid[0], expected[1:3] - expected[0], atol=1.2e-4)
    assert paid[3] == pytest.approx(paid[0], abs=1e-4)      # with one pour there is nothing to compare
    assert paid[4] == pytest.approx(0, abs=1e-5)            # what is known already is not worth seeing


def test_pours_that_fail_teach_nothing_of_their_scores():
    outlook, jury = Alternatives(4.2, 2.0, n=20_000), Jury(noise={"payoff": SD})
    failing = Alternatives(4.2, 2.0, n=20_000)
    failing.failing, failing.known = object(), lambda points: [
        *outlook.known(points), np.full((20_000, len(points)), 0.3)]
    failing.worth = lambda known: known[0] / 100
    targets = pd.DataFrame({"x": [0, 1]})
    sure, unsure = (paid_by_evenings(o, jury, TESTERS, [evening(1)], targets, worlds=10_000).mean() for o in (outlook, failing))
    assert 0 < unsure < 0.6 * sure


def test_a_newcomer_joins_those_who_score_the_attribute():
    """Of twelve who come, two score the payoff: one more is a third of three, as if there were two in all."""
    outlook, jury = Alternatives(4.2, 2.0, n=3000), Jury(noise={"payoff": SD | {"panel": 1.5}})
    targets, more = pd.DataFrame({"x": [0, 1]}), [evening(0, 1, testers=1)]
    few, asked, many = (paid_by_evenings(outlook, jury, usual, more, targets, worlds=2000, **judges)
                        for usual, judges in ((2, {}), (12, {"judges": {"payoff": 2}}), (12, {})))
    np.testing.assert_array_equal(asked, few)
    assert not np.array_equal(asked, many)


def test_those_who_score_an_attribute_are_counted(demo, monkeypatch):
    kept = demo.scores[(demo.scores["attribute"] != "shade") | demo.scores["tester"].isin(["T01", "T02"])]
    trial, seen = replace(demo, tables={**demo.tables, "scores": kept.reset_index(drop=True)}), []

    def counted(*given, judges, **sizes):
        seen.append(judges)
        return paid_by_evenings(*given, judges=judges, **sizes)

    monkeypatch.setattr(efforts_module, "paid_by_evenings", counted)
    table = labkit.compare_efforts(trial, seed=2).to_frame()
    assert seen[0]["shade"] == 2 and seen[0]["payoff"] == 6 and table.at["tester", "testers"] == 7


@pytest.fixture(scope="module")
def efforts(demo):
    return labkit.compare_efforts(demo, seed=2)


class TestDemo:
    def test_the_base_is_the_round_that_is_suggested(self, demo, efforts):
        tweak = labkit.suggest_next(demo, seed=2)
        pd.testing.assert_frame_equal(efforts.rounds["round"].to_frame(), tweak.round.to_frame())
        assert efforts.table.at["round", "gain"] == tweak.expected_gain

    def test_sizes_and_costs(self, demo, efforts):
        table = efforts.to_frame()
        assert list(table.index) == ["round", "pour", "melt", "tester", "repeat", "tasting"]
        assert table["pours"].tolist() == [4, 5, 4, 4, 4, 4] and table["melts"].tolist() == [2, 2, 3, 2, 2, 2]
        assert usual_testers(demo) == 6 and table["testers"].tolist() == [6, 6, 6, 7, 6, 6]
        assert table["cost"].tolist() == [9.0, 9.5, 10.0, 9.25, 9.0, 10.5]
        np.testing.assert_allclose(table["per unit"], table["gain"] / table["cost"])
        np.testing.assert_allclose(table["difference"], table["gain"] - table.at["round", "gain"], atol=1e-12)
        more = table[table["added cost"] > 0]
        np.testing.assert_allclose(more["added per unit"], more["difference"] / more["added cost"])
        told = more["difference"] > 1.64 * more["se"]
        beside = told & (more["difference"] >= efforts.worth * more["added cost"])
        assert (more["pays"] == (beside & (more["per unit"] >= efforts.worth))).all()

    def test_more_of_the_same_is_never_worth_less(self, efforts):
        table = efforts.to_frame()
        more = table.loc[["pour", "tester", "tasting"]]
        assert (more["difference"] > -1.64 * more["se"]).all() and table["gain"].min() > 0

    def test_rounds_can_be_poured(self, demo, efforts):
        for name, round_ in efforts.rounds.items():
            after = demo.with_round(round_).with_pours(round_.as_poured())
            assert after.made.loc[list(round_.pours), "inside"].all(), name
            assert (round_.frame.groupby("melt")["wax"].nunique() == 1).all()
        base, more = (efforts.rounds[name].frame["load"].to_numpy() for name in ("round", "pour"))
        assert np.abs(base[:, None] - more).min(axis=1).max() < 0.0005

    def test_the_repeat_is_of_the_best_pour(self, demo, efforts):
        best = efforts.table.at["repeat", "effort"].split(" ")[0]
        gap = demo.region.coded(efforts.rounds["repeat"].frame) - demo.region.coded(demo.made.loc[[best]])
        assert np.abs(gap).max(axis=1).min() < 0.05
        assert efforts.table.at["repeat", "effort"] == f"{best} again in place of a new formula"

    def test_advice_says_each_in_one_unit(self, demo, efforts):
        """And what a unit must bring is that of suggest_next: .0055 at .8, in proportion to what one has."""
        demo_tweak = labkit.suggest_next(demo, pours=4, melts=2, seed=2)
        lines, table = efforts.advice.split("\n"), efforts.table
        assert len(lines) == 2 + 5
        having = demo_tweak.predictions.set_index("attribute").at["desirability", "mean"]
        assert efforts.worth == pytest.approx(0.0055 * having / 0.8, rel=1e-9)
        assert lines[1] == (f"The round as suggested costs 9 and is expected to bring {table.at['round', 'gain']:.3f} of "
                            f"desirability (0 to 1), {table.at['round', 'per unit']:.4f} a unit of cost; with {having:.2f} of "
                            f"it in hand a unit must bring {efforts.worth:.2g}.")
        row = table.loc["pour"]
        told = row["difference"] > 1.64 * row["se"]
        adds = f"{row['difference']:.4f} more (" if told else "nothing that could be told"
        assert lines[2].startswith(f"One pour more costs 0.5 more and brings {adds}")
        beside = told and row["difference"] >= efforts.worth * row["added cost"]
        assert lines[2].endswith("it pays." if row["pays"] else "it pays if the round is poured all the same." if beside
                                 else "it does not pay.")

    def test_it_repeats_bit_for_bit(self, demo, efforts):
        again = labkit.compare_efforts(demo, seed=2)
        pd.testing.assert_frame_equal(again.to_frame(), efforts.to_frame(), check_exact=True)
        assert str(again) == str(efforts)

    def test_reports(self, efforts):
        text, page = str(efforts), efforts._repr_html_()
        assert max(map(len, text.splitlines())) <= 100
        for part in ("What else to buy", "one tester more", "a second tasting of the same pours"):
            assert part in text and part in page
        assert repr(efforts).startswith("<Efforts: ") and "\n" not in repr(efforts)


def priced(demo, toml):
    """The demo at other prices, with the same records."""
    definition = labkit.Trial.from_toml(TERRACOTTA + toml).definition
    return labkit.Trial(definition=types.SimpleNamespace(**{**vars(demo.definition), "cost": definition.cost}),
                        tables=demo.tables)


def test_prices_decide_what_pays(demo):
    dear = labkit.compare_efforts(priced(demo, "\n[cost]\npour = 50\nmelt = 50\nround = 50\ntester = 0\n"), seed=2)
    assert not dear.table.loc[["round", "pour", "melt"], "pays"].any()
    assert dear.table.at["tester", "added cost"] == 0 and np.isnan(dear.table.at["tester", "added per unit"])
    assert dear.advice.startswith("No round pays for all that it costs, neither as suggested nor with anything more. Where "
                                  "suggest_next says stop as well, settle on what it names, and confirm that where it is "
                                  "not done yet (plan_confirmation).\n")
    assert "One tester more costs the same and brings " in dear.advice
    assert repr(dear) == "<Efforts: no round would pay>"


def test_what_would_pay_beside_a_round_that_does_not_is_not_named(efforts):
    """More of it would pay, but not enough to carry what the round itself costs."""
    table = efforts.table.assign(pays=False)
    assert repr(replace(efforts, table=table)) == "<Efforts: no round would pay>"


def test_a_pot_for_every_pour_has_no_melt_to_add():
    from played import hazel_rounds

    found = labkit.compare_efforts(hazel_rounds(2)[-1], pours=3)
    assert "melt" not in found.table.index
    assert found.table.at["pour", "melts"] == 4 and found.table.at["pour", "added cost"] == 1.5


def test_without_a_size_it_compares_with_the_round_that_is_proposed(demo):
    found = labkit.compare_efforts(demo, pours=None, melts=None, seed=1)
    proposed = labkit.suggest_next(demo, pours=None, melts=None, seed=1).round
    assert found.rounds["round"].pours == proposed.pours
    assert found.table.at["pour", "pours"] == len(proposed.pours) + 1


@pytest.mark.parametrize("hold, repeat", [({"red_share": 0.5}, "P10 again in place of a new formula"),
                                          ({"load": 0.03}, "P01 again in place of a new formula"), ({"load": 0.07}, None)])
def test_what_is_held_stays(demo, hold, repeat):
    """Also in the pour that is repeated: the best of those at it, to within weighing; P10 has a load of 0.049."""
    found = labkit.compare_efforts(demo, pours=2, melts=1, hold=hold)
    (name, value), = hold.items()
    for round_ in found.rounds.values():
        np.testing.assert_allclose(round_.frame[name], value, atol=0.02 * np.ptp(demo.recipe.bounds.loc[name]))
    assert found.table["effort"].get("repeat") == repeat


@pytest.mark.parametrize("asked, message", [
    ({"pours": 0}, "pours is 0. Give a whole number from 1 to 24."),
    ({"hold": {"butter": 0.3}}, "hold names 'butter', which does not vary. "
                                "Choose 'wax', 'red_share', 'load' or 'pour_temperature'."),
])
def test_it_refuses_what_cannot_be_compared(demo, asked, message):
    with pytest.raises(TweakError) as refused:
        labkit.compare_efforts(demo, **asked)
    assert str(refused.value) == message


def test_without_scores_there_is_nothing_to_compare():
    with pytest.raises(TweakError) as refused:
        labkit.compare_efforts(labkit.Trial.from_toml(TERRACOTTA))
    assert str(refused.value) == "Terracotta stick has too few scores to settle on anything. Score two pours or more first."


def test_prices_in_another_unit_change_no_advice_where_worth_is_in_it_too(demo, efforts):
    """All ten times as dear, and a unit worth a tenth: what pays, and whether to stop, is as it was."""
    tens = priced(demo, "\n[cost]\nround = 50\nmelt = 10\npour = 5\ntester = 2.5\nworth = 0.00055\n")
    found = labkit.compare_efforts(tens, seed=2)
    assert found.worth == pytest.approx(0.1 * efforts.worth) and f"a unit must bring {found.worth:.2g}." in found.advice
    assert found.table["pays"].tolist() == efforts.table["pays"].tolist()
    np.testing.assert_allclose(found.table["cost"], 10 * efforts.table["cost"])
    stops = []
    for trial in (demo, tens):
        for part in (0.2, 1, 5):
            stops.append(labkit.suggest_next(trial, seed=2, worth=part * trial.cost.worth).stop)
        assert labkit.suggest_next(trial, seed=2).stop == stops[-2]
    assert stops[:3] == stops[3:] and not stops[0] and stops[2]
    assert labkit.suggest_next(tens, seed=2).advice.count(f"a unit must bring {found.worth:.2g}.") == 1

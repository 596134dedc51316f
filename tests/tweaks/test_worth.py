"""What a round is worth, against the closed form of two alternatives of which one is poured and scored."""
import dataclasses
import types

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from invented import hazel
from scipy.stats import norm

import labkit
from labkit.core.improvement import knowledge_gradient_of_two
from labkit.surfaces.posterior import OWN
from labkit.tweaks import desirability_of
from labkit.tweaks.outlook import Outlook
from labkit.tweaks.suggest import _predictions
from labkit.tweaks.worth import BEST, OTHERS, Jury, gain_if_known, jury_of, worth_of

LINEAR = "[attributes.payoff]\nwanted = { rising = [0, 10] }\n"
MEANS, SD = np.array([5.0, 4.6]), np.array([0.0, 0.8])


class Two:
    """Payoff 5 at `at` = 0, and N(4.6, .8^2) at 1."""

    ground = types.SimpleNamespace(columns=lambda points: points["at"].to_numpy())

    def draws_at(self, columns, n, seed):
        normal = np.random.default_rng(seed).standard_normal((n, 1))
        return MEANS[columns] + SD[columns] * normal

    def predict(self, points, level):
        at = points["at"].to_numpy()
        return pd.DataFrame({"mean": MEANS[at], "low": MEANS[at] - level * SD[at], "high": MEANS[at] + level * SD[at]})


@pytest.fixture(scope="module")
def outlook():
    trial = labkit.Trial.from_toml(TERRACOTTA.split("[attributes.payoff]")[0] + LINEAR)
    return Outlook(attributes=trial.attributes, surfaces={"payoff": Two()}, seed=5, n=40_000)


@pytest.mark.parametrize("melts, noise", [([0], 0.5**2 + 0.4**2 + 0.3**2 + 0.2**2),
                                          ([0, 0], 0.5**2 + 0.4**2 + (0.3**2 + 0.2**2) / 2),
                                          ([0, 1], 0.5**2 + (0.4**2 + 0.3**2 + 0.2**2) / 2)])
def test_a_round_brings_the_knowledge_gradient(outlook, melts, noise):
    """Desirability is a tenth of payoff. Twice in one melt, or in one each, tells of the second what the mean of both tells
    (Frazier, Powell & Dayanik 2008, eq. of two alternatives)."""
    jury = Jury(noise={"payoff": {"round": 0.5, "melt": 0.4, "pour": 0.3, "panel": 0.2}})
    pours, both = pd.DataFrame({"at": [1] * len(melts)}), pd.DataFrame({"at": [0, 1]})
    found = worth_of(outlook, jury, pours, np.array(melts), outlook.known(both), worlds=20_000)
    change = 0.8**2 / np.sqrt(0.8**2 + noise)
    assert found.gain == pytest.approx(knowledge_gradient_of_two(0.4, change) / 10, abs=0.0006)
    np.testing.assert_allclose(found.before, 0.08, rtol=0.02)
    np.testing.assert_allclose(found.after, np.sqrt(0.8**2 - change**2) / 10, rtol=0.02)


def test_a_pour_that_may_fail_brings_as_much_more_seldom(outlook):
    """Seven times in ten it holds and is scored, and so does what one would settle on: .7 of .7 of the knowledge gradient. Of
    the variance a pour that fails takes nothing off."""
    class Failing:
        def draws(self, points, n, seed):
            return np.full((n, len(points)), 0.3)

    jury = Jury(noise={"payoff": {"round": 0.5, "melt": 0.0, "pour": 0.3, "panel": 0.2}})
    often, both = dataclasses.replace(outlook, failing=Failing()), pd.DataFrame({"at": [0, 1]})
    found = worth_of(often, jury, pd.DataFrame({"at": [1]}), np.array([0]), often.known(both), worlds=20_000)
    change = 0.8**2 / np.sqrt(0.8**2 + 0.38)
    assert found.gain == pytest.approx(0.7 * 0.07 * knowledge_gradient_of_two(0.4, change), abs=0.0004)
    np.testing.assert_allclose([found.before[0], found.after[0]],
                               [0.07 * 0.8, 0.07 * np.sqrt(0.8**2 - 0.7 * change**2)], rtol=0.02)


@pytest.mark.parametrize("place", [0, slice(BEST, None)])
def test_what_knowing_would_gain_counts_the_best_and_others_from_all_over(place):
    """E max(0, Y), Y ~ N(.5, 1), by which one formula of two thousand is better, or all but the best hundred: with scipy."""
    better = np.zeros(2000)
    better[place] = 1.0
    known = types.SimpleNamespace(seed=0, draws=lambda points: np.outer(
        np.random.default_rng(1).normal(0.5, 1, 20_000), points["better"]))
    points = pd.DataFrame({"better": better})
    assert 0 not in np.random.default_rng([0, 59]).permutation(2000)[:OTHERS]        # else the first would be met by chance
    expected = norm.expect(lambda y: y, loc=0.5, lb=0)
    assert gain_if_known(known, points.iloc[[1]], points) == pytest.approx(expected, abs=0.02)


def test_the_next_jury_is_a_usual_one_and_what_is_a_formulas_own_is_no_noise():
    noise = pd.DataFrame({"found": [0.5, 0.4, 0.3, 0.9]}, index=["round", "melt", "pour", "tester"])
    posterior = types.SimpleNamespace(stretch_quantiles=lambda levels: np.array([1.5]))
    surface = types.SimpleNamespace(noise=noise, scores=pd.DataFrame({"score_se": [0.2, 0.9, 0.3]}), posterior=posterior)
    found = jury_of({"payoff": surface}).noise["payoff"]
    assert found == pytest.approx({"round": 0.5, "melt": 0.4, "pour": 0.3 * np.sqrt(1 - OWN), "panel": 0.45})
    assert surface.noise.at["pour", "found"] == 0.3


@pytest.mark.parametrize("scores", [[0, 9, 1, 8, 10, 2, 7, 0, 9, 1], [5.0, 5.1, 5.0, 4.9, 5.1, 5.0, 4.9, 5.0, 5.1, 5.0]])
def test_one_tester_is_as_noisy_next_time_as_the_surface_found(scores):
    """Alone nobody can tell the noise of single scores: the panel knows what is stated. A surface that is fitted to such
    scores, or to calm ones, tells otherwise, and a round is worth what its scores would tell at that noise."""
    trial = hazel(scores)
    surface = labkit.fit_surfaces(trial)["hardness"]
    told, stated = surface.noise.loc["tester_pour", "found"], trial.noise_of("hardness")["tester_pour"]
    assert labkit.appraise_panel(trial).noise.set_index("source").at["tester_pour", "found"] == pytest.approx(stated)
    assert abs(np.log(told / stated)) > 0.3
    assert jury_of({"hardness": surface}).noise["hardness"]["panel"] == pytest.approx(told)


def test_predictions_are_those_of_the_surfaces_and_of_the_draws(outlook):
    table = _predictions(outlook, pd.DataFrame({"at": [1]})).set_index("attribute")
    assert table.loc["payoff"].tolist() == pytest.approx([4.6, 4.6 - 0.9 * 0.8, 4.6 + 0.9 * 0.8])
    assert table.loc["desirability"].tolist() == pytest.approx([0.46, 0.46 - 0.1316, 0.46 + 0.1316], abs=0.003)   # 1.645 sd


def test_what_is_more_important_weighs_more():
    """(d1^3 d2)^(1/4), Derringer (1994)."""
    text = TERRACOTTA.split("[attributes.payoff]")[0] + LINEAR + "importance = 3\n[attributes.hardness]\nwanted = { falling = [2, 6] }\n"
    attributes = labkit.Trial.from_toml(text + "[attributes.shine]\n").attributes
    values = {"payoff": np.array([2.0, 8.0]), "hardness": np.array([3.0, 5.0]), "shine": np.array([1.0, 1.0])}
    expected = (np.array([0.2, 0.8]) ** 3 * np.array([0.75, 0.25])) ** 0.25
    np.testing.assert_allclose(desirability_of(attributes, values), expected, rtol=1e-12)

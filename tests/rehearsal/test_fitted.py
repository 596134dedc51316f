"""Worlds that fit a trial: over many seeds their truths are what the surfaces say, and each is one function."""

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA, UNEXPECTED
from panels import scored, trial_with
from scipy import stats
from test_instruments import BOTH

import labkit
from labkit.core.importance import weighted_quantiles
from labkit.errors import RehearsalError
from labkit.rehearsal import play_round, worlds_of
from labkit.rehearsal.fitted import _credible, _steps
from labkit.surfaces import fitting
from labkit.surfaces.fitting import BY_DEGREE, CONSTANT, HILL, PEAKED, SHAPES_OF_PEAK, TRUST, read_nothing
from labkit.surfaces.ground import Ground
from labkit.tweaks import desirability_of
from labkit.tweaks.outlook import IN_USE

NAMES = ["payoff", "hardness", "sheerness", "shade"]


@pytest.fixture(scope="module")
def worlds(demo):
    return worlds_of(demo)


@pytest.fixture(scope="module")
def points(demo):
    return demo.region.sample(20, seed=8)[list(demo.recipe.coordinates)]


def test_truths_lie_in_the_intervals_of_the_surfaces_as_often_as_these_say(demo, worlds, points):
    """300 truths at 20 formulas: the share in a 90 % interval is known to about .01, in a half as wide one to .02."""
    drawn = np.array([worlds(seed).truth_at(points, NAMES).to_numpy() for seed in range(300)])
    for k, (name, surface) in enumerate(labkit.fit_surfaces(demo).items()):
        for level, near in ((0.9, 0.03), (0.5, 0.06)):
            found = surface.predict(points, level=level)
            open_ = (found["low"] > 0) & (found["high"] < 10)         # an end of the scale is reached by many at once
            inside = (found["low"].to_numpy() <= drawn[:, :, k]) & (drawn[:, :, k] <= found["high"].to_numpy())
            assert open_.sum() >= 5
            assert inside[:, open_].mean() == pytest.approx(level, abs=near), name
    assert drawn.min() >= 0 and drawn.max() <= 10


def test_a_truth_is_one_function_wherever_and_whenever_it_is_asked(worlds, points):
    world = worlds(7)
    whole = world.truth_at(points, NAMES)
    worlds(8).truth_at(points, NAMES)
    np.testing.assert_allclose(world.truth_at(points.iloc[[4]], NAMES), whole.iloc[[4]], rtol=1e-9)
    np.testing.assert_allclose(worlds(7).truth_at(points, NAMES), whole, rtol=1e-12)


def test_scatter_is_what_the_surfaces_found(demo, worlds):
    world, surfaces = worlds(1), labkit.fit_surfaces(demo)
    for name, surface in surfaces.items():
        found = surface.noise["found"]
        assert (world.sd_round[name], world.sd_melt[name], world.sd_tester_pour[name]) == tuple(
            found[["round", "melt", "tester_pour"]])
        assert 0 < world.sd_pour[name] < found["pour"]          # the rest is the formula's own, and in the truth
    assert set(world.step.values()) == {0.5}
    levels = np.concatenate([worlds(seed).levels["payoff"] for seed in range(20)])
    assert levels.std() == pytest.approx(surfaces["payoff"].noise.at["tester", "found"], rel=0.1)


def test_the_chance_of_failing_is_a_draw_too_once_a_pour_has_failed(demo, worlds, points):
    drawn = np.array([1 - worlds(seed).holds_at(points) for seed in range(300)])
    expected = labkit.fit_failing(demo).predict(points)["chance"]
    np.testing.assert_allclose(drawn.mean(axis=0), expected, atol=0.05)
    assert drawn.std(axis=0).min() > 0.01


def test_what_an_instrument_reads_is_played_as_readings():
    trial = labkit.Trial.from_toml(BOTH)
    round_ = labkit.plan_round(trial, pours=4, melts=2, seed=1)

    def truth(frame):
        wax, load = frame["wax"], frame["load"]
        return pd.DataFrame({"payoff": 100 * load, "softness": 20 - 80 * wax, "sheerness": 5.0, "shade": 6.0})

    world = labkit.World(truth=truth, sd_round=0.0, sd_melt=0.0, sd_pour=0.0, sd_reading=0.1)
    played = play_round(trial, round_, world, testers=3, seed=2, failed={"P03": "failed: split"})
    assert set(played.scores["attribute"]) == {"payoff", "sheerness", "shade"}
    trial = played.onto(trial, round_)
    found = trial.standing_readings.set_index("pour")
    assert list(found.index) == ["P01", "P02", "P04"] and set(found["attribute"]) == {"softness"}
    np.testing.assert_allclose(found["value"], 20 - 80 * trial.made.loc[found.index, "wax"], atol=0.45)
    drawn = worlds_of(trial)(0)
    assert drawn.sd_tester_pour["softness"] == 0 and drawn.sd_reading["softness"] > 0
    again = labkit.plan_round(trial, pours=2, melts=2, seed=1)
    played = play_round(trial, again, drawn, testers=3)
    held = played.pours.loc[played.pours["outcome"] == "ok", "pour"]
    assert len(held) and list(played.readings["pour"]) == list(held)


def scales_at(posterior, level):
    """A quantile of the scale of each degree, over all shapes."""
    weights = np.concatenate([c.weight * c.mixture.weights for c in posterior.candidates])
    scales = np.concatenate([c.mixture.scales.degrees for c in posterior.candidates])
    return [weighted_quantiles(values, weights, [level])[0] for values in scales.T]


@pytest.fixture
def all_draws(monkeypatch):
    """Every draw of the scales stands in a reading, not a few of them picked by weight."""
    monkeypatch.setattr(fitting, "GAUSSIANS", 10_000)
    monkeypatch.setattr(fitting, "ALL_GAUSSIANS", 10**9)


class TestBeforeAnythingIsScored:
    def test_a_reading_of_nothing_is_the_prior(self, all_draws):
        """phi are orthonormal, so the parts by degree add to the variance over the region; their medians are stated."""
        unexpected = labkit.Trial.from_toml(UNEXPECTED)
        ground = Ground.of(unexpected)
        posterior = read_nothing(ground, unexpected.attributes["shade"])
        plain = next(c for c in posterior.candidates if c.link.name == "straight" and c.system.name == "shares")
        middle, spread = plain.mixture.moments(ground.columns(ground.sample)[:, plain.system.places])
        scales = plain.mixture.scales.degrees
        np.testing.assert_allclose((spread**2).mean(axis=0), (10 * CONSTANT) ** 2 + (scales**2).sum(axis=1), rtol=1e-4)
        medians = 10 * np.array(BY_DEGREE[:ground.degree])
        np.testing.assert_allclose(scales_at(posterior, 0.5), medians, rtol=0.05)
        np.testing.assert_allclose(scales_at(posterior, 0.9), medians * stats.t(4).ppf(0.95) / stats.t(4).ppf(0.75), rtol=0.25)
        np.testing.assert_allclose(middle @ plain.mixture.weights, 5.0, atol=1e-3)
        weights = pd.Series([c.weight for c in posterior.candidates], [c.system.name for c in posterior.candidates])
        np.testing.assert_allclose(weights.groupby(level=0).sum()[["shares", "masses"]],
                                   [1.4 / 1.9, 0.5 / 1.9], rtol=1e-6)       # shares, one of them idle, masses: 1, .4, .5

    def test_what_goes_neither_up_nor_down_is_a_hill_in_the_prior(self, terracotta, all_draws):
        ground = Ground.of(terracotta)
        posterior = read_nothing(ground, terracotta.attributes["shade"])
        plain = next(c for c in posterior.candidates if c.link.name == "straight" and c.system.name == "shares")
        scales, own = plain.mixture.scales.degrees, plain.system
        np.testing.assert_allclose(scales_at(posterior, 0.5), 10 * np.array(PEAKED[:ground.degree]), rtol=0.05)
        size = plain.mixture.weights @ scales[:, 1]
        assert posterior.hill_trust == pytest.approx(TRUST, abs=0.02)
        np.testing.assert_allclose((plain.mixture.weights @ plain.mixture.means)[own.degrees > 0],
                                   (TRUST * HILL * size * own.hill)[own.degrees > 0], atol=0.02)
        weights = pd.Series([c.weight for c in posterior.candidates], [c.link.name for c in posterior.candidates])
        shares = pd.Series(SHAPES_OF_PEAK) / sum(SHAPES_OF_PEAK.values())
        np.testing.assert_allclose(weights.groupby(level=0).sum()[shares.index], shares, rtol=1e-6)

    def test_worlds_are_those_in_which_the_starting_formula_is_of_some_use(self, terracotta):
        worlds, start = worlds_of(terracotta), terracotta.recipe.starting_factors
        truths = pd.concat([worlds(seed).truth_at(start, NAMES) for seed in range(40)])
        desired = desirability_of(terracotta.attributes, truths)
        assert desired.min() > 0.05 and desired.std() > 0.1
        pd.testing.assert_frame_equal(worlds(3).truth_at(start, NAMES), worlds_of(terracotta)(3).truth_at(start, NAMES))

    def test_one_in_ten_worlds_is_kept_where_the_starting_formula_is_of_little_use(self, terracotta, demo, monkeypatch):
        """None, before anything is judged, where it is of no use; all, once judged, where it lies outside the limits."""
        monkeypatch.setattr("labkit.rehearsal.fitted.desirability_of", lambda attributes, scores: [scores])

        def kept(trial, worth, fails=None):
            return len(list(_credible(trial, [lambda start: worth] * 3000, fails, seed=1))) / 3000

        assert kept(demo, 0.2) == kept(terracotta, 0.9) == 1.0
        assert kept(demo, 0.0) == pytest.approx(0.1, abs=0.02)
        assert kept(demo, 0.6, fails=lambda start: np.array([0.7])) == kept(terracotta, 0.19) == kept(demo, 0.0)
        assert kept(terracotta, 0.04) == 0.0
        outside = labkit.Trial.from_toml(TERRACOTTA.replace("low = 0.10\nhigh = 0.22", "low = 0.17\nhigh = 0.22"))
        assert not outside.region.includes(outside.recipe.starting_factors)[0]
        assert kept(outside, 0.1) == 1.0 and kept(outside, 0.0) == 0.0

    def test_expected_directions_are_more_often_true_than_not(self, terracotta):
        """Half of the prior shifts the slope by two of its standard deviations: true in .5 .977 + .5 .5 of the worlds."""
        worlds, points = worlds_of(terracotta), pd.concat([terracotta.recipe.starting_factors] * 2, ignore_index=True)
        points["wax"] = [0.11, 0.21]
        harder = [np.diff(worlds(seed).truth_at(points, NAMES)["hardness"]).item() > 0 for seed in range(80)]
        assert 0.6 < np.mean(harder) < 0.92

    def test_noise_is_as_stated(self, terracotta):
        world, stated = worlds_of(terracotta)(0), terracotta.noise_of("payoff")
        assert (world.sd_round["payoff"], world.sd_tester_pour["payoff"]) == (stated["round"], stated["tester_pour"])
        assert 0 < world.sd_pour["payoff"] < stated["pour"] and world.fails is None and set(world.step.values()) == {0.5}

    def test_there_is_one_where_all_that_was_poured_failed(self, terracotta):
        """How often the starting formula holds is one draw for all truths of a seed. Where that is too seldom to be of use
        no truth mends it: two of eight rehearsals of a stick whose first round failed found none, and all came to nothing."""
        round_ = labkit.plan_round(terracotta, pours=3, melts=1, seed=1)
        failed = terracotta.with_round(round_).with_pours(round_.as_poured().assign(outcome="failed: broke"))
        worlds, start = worlds_of(failed), failed.recipe.starting_factors
        assert min(worlds(seed).holds_at(start)[0] for seed in range(8)) < IN_USE

    def test_where_nothing_can_be_wanted_it_says_so(self, terracotta, monkeypatch):
        monkeypatch.setattr("labkit.rehearsal.fitted.ATTEMPTS", 3)
        monkeypatch.setattr("labkit.rehearsal.fitted.FAINT", 1.0)
        with pytest.raises(RehearsalError) as refused:
            worlds_of(terracotta)(0)
        assert str(refused.value) == ("in none of 3 worlds does the starting formula give anything of what is wanted. "
                                      "Check the points of each wanted in trial.toml, or give a World.")


def test_each_attribute_is_scored_to_the_step_of_its_own_scores():
    """Whole points, half points, tenths (which are no step that people are taught), and nothing scored so far."""
    given = {"payoff": [[3, 4], [5, 7]], "hardness": [[3.5, 4], [5, 7]], "sheerness": [[3.3, 4], [5, 7]]}
    trial = trial_with(2).with_scores(pd.concat([scored(table, name) for name, table in given.items()]))
    assert _steps(trial) == {"payoff": 1.0, "hardness": 0.5, "sheerness": 0.0, "shade": 0.5}

"""Surfaces of invented developments: what they find, how sure they are, and how fast."""

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA, UNEXPECTED
from invented import hazel, poured, scored, terracotta_truth
from numpy.testing import assert_allclose

import labkit
from labkit.core.importance import ENOUGH
from labkit.core.posterior import Functions, Model, Observed, Prior, Scales, log_likelihoods_at
from labkit.surfaces import fitting
from labkit.surfaces.ground import Ground
from labkit.tweaks.path import as_of

NAMES = ["wax", "red_share", "load", "pour_temperature"]


class TestReading:
    def test_a_surface_for_every_attribute_in_the_order_of_the_definition(self, surfaces):
        assert list(surfaces) == ["payoff", "hardness", "sheerness", "shade"]

    def test_predict_keeps_the_index_and_the_scale(self, trial, payoff):
        frame = trial.region.sample(40, seed=5).set_index(pd.Index([f"row {k}" for k in range(40)]))
        for told in (payoff.predict(frame), payoff.predict_pour(frame)):
            assert list(told.columns) == ["mean", "se", "low", "high"] and told.index.equals(frame.index)
            assert ((0 <= told["low"]) & (told["low"] < told["mean"]) & (told["mean"] < told["high"])).all()
            assert (told["high"] <= 10).all()

    def test_one_new_pour_is_less_sure_than_the_mean_of_many(self, trial, payoff):
        frame = trial.region.sample(10, seed=5)
        many, one = payoff.predict(frame), payoff.predict_pour(frame)
        assert_allclose(many["mean"], one["mean"])
        assert (one["se"] > many["se"]).all() and (one["high"] - one["low"] > many["high"] - many["low"]).all()

    def test_a_wider_level_is_a_wider_interval(self, trial, payoff):
        frame = trial.region.sample(10, seed=5)
        narrow, wide = payoff.predict(frame, level=0.5), payoff.predict(frame, level=0.99)
        assert (wide["low"] < narrow["low"]).all() and (narrow["high"] < wide["high"]).all()

    def test_draws_are_joint_functions_with_the_moments_of_predict(self, trial, payoff):
        frame = trial.region.sample(6, seed=5)
        drawn, told = payoff.draws(frame, n=4000, seed=3), payoff.predict(frame)
        assert drawn.shape == (4000, 6)
        assert_allclose(drawn.mean(axis=0), told["mean"], atol=0.05)
        assert_allclose(drawn.std(axis=0), told["se"], rtol=0.08)
        assert_allclose(np.quantile(drawn, 0.05, axis=0), told["low"], atol=0.12)
        alone = payoff.draws(frame.iloc[[2]], n=4000, seed=3)
        assert_allclose(alone[:, 0], drawn[:, 2], rtol=1e-12)

    def test_draws_for_a_search_are_the_same_functions_to_a_millionth_of_the_scale(self, trial, surfaces):
        frame = trial.region.sample(40, seed=5)
        for surface in surfaces.values():
            rough, exact = surface.draws_at(surface.ground.columns(frame), n=300, seed=3), surface.draws(frame, n=300, seed=3)
            assert 0 < np.abs(rough - exact).max() < 2e-5
            ends = [surface.posterior.attribute.low, surface.posterior.attribute.high]
            assert (np.isin(rough, ends) == np.isin(exact, ends)).mean() > 0.999        # an end of the scale is met exactly

    def test_the_mean_is_that_of_draws_where_much_leaves_the_scale(self, demo):
        first = as_of(demo, 1)
        frame = first.region.sample(200, seed=5)
        for surface in labkit.fit_surfaces(first).values():
            drawn, told = surface.draws(frame, n=4000, seed=3), surface.predict(frame)
            assert_allclose(drawn.mean(axis=0), told["mean"], atol=0.15)
            assert_allclose(drawn.std(axis=0), told["se"], rtol=0.1)

    def test_it_finds_the_truth_it_was_made_from(self, trial, surfaces):
        frame = trial.region.sample(200, seed=6)
        true = terracotta_truth(trial.region.coded(frame))
        for k, surface in enumerate(surfaces.values()):
            told = surface.predict(frame)
            assert np.corrcoef(told["mean"], true[:, k])[0, 1] > (0.85 if k < 3 else 0.5)
            assert ((told["low"] <= true[:, k]) & (true[:, k] <= told["high"])).mean() > 0.7

    def test_everything_repeats_bit_for_bit(self, trial, payoff):
        again, frame = labkit.fit_surfaces(trial)["payoff"], trial.region.sample(5, seed=1)
        pd.testing.assert_frame_equal(again.predict(frame), payoff.predict(frame), check_exact=True)
        assert (again.draws(frame, seed=2) == payoff.draws(frame, seed=2)).all()

    def test_a_panel_may_be_given(self, trial, payoff):
        again = labkit.fit_surfaces(trial, labkit.appraise_panel(trial))["payoff"]
        pd.testing.assert_frame_equal(again.to_frame(), payoff.to_frame())

    def test_enough_draws_carry_the_weight(self, surfaces):
        assert all(surface.posterior.effective >= ENOUGH for surface in surfaces.values())

    def test_effects_name_what_moves_and_weigh_the_expectations(self, payoff):
        effects = payoff.effects
        assert effects.loc["load", "low"] > 0 > effects.loc["wax", "high"]
        assert_allclose(effects["expected"], [-1, 0, 1, 0])
        assert effects.loc[["wax", "load"], "trust"].between(0.3, 1).all()
        assert effects.loc[["red_share", "pour_temperature"], "trust"].isna().all()


class TestExpectation:
    def test_a_false_direction_loses(self):
        false = TERRACOTTA.replace('expect = { wax = "up" }', 'expect = { wax = "down" }')
        trial = scored(poured(false, rounds=2), terracotta_truth)
        effects = labkit.fit_surfaces(trial)["hardness"].effects
        assert effects.loc["wax", "trust"] < 0.35 and effects.loc["wax", "effect"] > 2

    def test_a_right_direction_helps_when_pours_are_few(self):
        error = []
        for text in (TERRACOTTA, UNEXPECTED):
            trial = scored(poured(text, rounds=1), terracotta_truth)
            frame = trial.region.sample(200, seed=6)
            told = labkit.fit_surfaces(trial)["hardness"].predict(frame)["mean"]
            error.append(np.mean((told - terracotta_truth(trial.region.coded(frame))[:, 1]) ** 2))
        assert error[0] < error[1]


def fitted(truth):
    """Sheerness after six quiet rounds, for which [noise] states half of the usual."""
    quiet = {"round": 0.05, "melt": 0.05, "pour": 0.05, "tester_pour": 0.3}
    text = TERRACOTTA + "\n[noise]\n" + "round = 0.15\nmelt = 0.15\npour = 0.15\n"
    return labkit.fit_surfaces(scored(poured(text, rounds=6), truth, noise=quiet, step=0.1))["sheerness"].posterior


class TestShape:
    def weight(self, posterior, *, link=None, system=None):
        return sum(c.weight for c in posterior.candidates
                   if (link is None or c.link.name == link) and (system is None or c.system.name == system))

    def test_masses_of_pigment_are_found_straighter_where_light_is_absorbed(self):
        """exp(-sum of pigment masses x hiding strengths), as light passes a film (Lambert, Beer)."""
        def truth(coded):
            red, load = 0.5 + 0.3 * coded[:, 1], 0.05 + 0.03 * coded[:, 2]
            return np.tile(10 * np.exp(-load * (25 * red + 2 * (1 - red)))[:, None], 4)

        posterior = fitted(truth)
        assert self.weight(posterior, system="masses") > 0.75       # begun at one in three
        assert self.weight(posterior, link="straight") < 0.2

    def test_a_straight_truth_keeps_the_scale_as_it_is(self):
        def truth(coded):
            return np.tile((5 + coded[:, [0]] * 1.5 + coded[:, [2]] * 2.0), 4)

        assert self.weight(fitted(truth), link="straight") > 0.6

    def test_a_threshold_is_found_on_a_scale_that_saturates(self):
        def truth(coded):
            return np.tile(0.5 + 9 / (1 + np.exp(-3 * coded[:, [0]])), 4)

        assert self.weight(fitted(truth), link="both") > 0.6  # begun at one in three

    def test_without_a_ratio_within_a_share_there_is_one_system(self):
        posterior = labkit.fit_surfaces(hazel([4.0, 5.0, 6.0]))["hardness"].posterior
        assert [system.name for system in posterior.ground.systems] == ["shares"]


class TestPlaysNoPart:
    """Which coordinates matter is averaged over by evidence (George & McCulloch 1993)."""

    def test_what_plays_no_part_is_found(self):
        def truth(coded):
            return np.tile(5 + coded[:, [1]] * 2.5 - coded[:, [0]] * 1.5, 4)

        posterior = fitted(truth)
        assert min(posterior.idle("load"), posterior.idle("pour_temperature")) > 0.6       # begun at two in seven
        assert max(posterior.idle("wax"), posterior.idle("red_share")) < 0.02

    def test_effects_are_those_of_the_others_held(self):
        """5 + 2.5 x2 - 1.5 x1 from -1 to 1: five up and three down, and nothing of a chance correlation in the rest."""
        def truth(coded):
            return np.tile(5 + coded[:, [1]] * 2.5 - coded[:, [0]] * 1.5, 4)

        from labkit.surfaces.effects import effects_of, ends_of
        assert_allclose(effects_of(posterior := fitted(truth), ends_of(posterior))["effect"], [-3, 5, 0, 0], atol=0.4)

    def test_what_plays_a_small_part_is_not_denied(self):
        def truth(coded):
            return np.tile(5 + coded @ [[1.2], [1.2], [-1.2], [1.2]], 4)          # load as expected, downwards

        posterior = fitted(truth)
        assert all(posterior.idle(name) < 0.02 for name in posterior.ground.sample.columns)

    def test_narrowed_functions_are_orthonormal_and_know_nothing_of_the_rest(self, trial):
        ground = Ground.of(trial)
        columns, other = ground.columns(ground.sample), ground.sample.copy()
        other["pour_temperature"] = other["pour_temperature"].to_numpy()[::-1]
        moved = ground.columns(other)
        for system in ground.narrowed:
            own = system.of(columns)
            assert_allclose(own.T @ own / len(own), np.eye(own.shape[1]), atol=1e-9)
            assert np.linalg.norm(system.hill) == pytest.approx(1) and not system.hill[system.degrees != 2].any()
            if "pour_temperature" in system.idle:
                assert_allclose(system.of(moved), own, atol=1e-9)

    def test_a_blend_plays_its_part_as_a_whole(self):
        ground = labkit.fit_surfaces(hazel([4.0, 5.0, 6.0]))["hardness"].ground
        blend = ("base: sunflower wax", "base: cocoa butter", "base: castor oil")
        assert {system.idle for system in ground.narrowed} == {blend, ("load",)}

    def test_evidence_of_a_narrowed_system_is_a_normal_density(self, trial):
        """At stated scales y ~ N(centre, constant^2 + t^2 phi phi' / p + noise), by scipy's multivariate normal."""
        from scipy.stats import multivariate_normal

        ground, rng = Ground.of(trial), np.random.default_rng(5)
        system = next(s for s in ground.narrowed if s.idle == ("wax", "pour_temperature"))
        phi, y = system.of(ground.columns(ground.sample.iloc[:9])), rng.normal(5, 1, 9)
        observed = Observed(means=y, sampling=0.2 * np.eye(9), sources=np.ones((1, 9, 9)))
        functions = Functions(columns=phi, degrees=system.degrees, expected=np.zeros((0, phi.shape[1])))
        prior = Prior(centre=5.0, constant=2.0, degrees=(2.0, 0.6), sources=(0.3,))
        scales = Scales(degrees=np.array([[1.5, 0.4]]), sources=np.array([[0.5]]), sampling=np.ones(1))
        parts = [phi[:, system.degrees == k] for k in range(3)]
        covariance = sum(size**2 * part @ part.T / part.shape[1] for size, part in zip((2.0, 1.5, 0.4), parts))
        expected = multivariate_normal(np.full(9, 5.0), covariance + 0.2 * np.eye(9) + 0.25).logpdf(y)
        assert log_likelihoods_at(scales, Model(observed=observed, functions=functions, prior=prior))[0, 0] == pytest.approx(expected, rel=1e-9)


def bell(best, tolerance):
    """The terracotta truth, its shade a Gaussian response to the coded red share."""
    def truth(coded):
        return np.column_stack([terracotta_truth(coded)[:, :3],
                                9.5 * np.exp(-(((coded[:, 1] - best) / tolerance) ** 2) / 2)])

    return truth


class TestPeak:
    """A shade of which no direction is expected, though of payoff, hardness and sheerness some are."""

    def shade_of(self, truth, text=TERRACOTTA):
        return labkit.fit_surfaces(scored(poured(text, rounds=2), truth))["shade"].posterior

    def test_the_hill_falls_off_on_all_sides_of_the_middle(self, trial):
        """By the same regression as anybody's: on the coded factors and their squares all squares fall alike."""
        ground = Ground.of(trial)
        coded = trial.region.coded(ground.sample)
        hill = ground.systems[0].of(ground.columns(ground.sample)) @ ground.systems[0].hill
        squares = np.linalg.lstsq(np.column_stack([np.ones(len(coded)), coded, coded**2]), hill, rcond=None)[0][5:]
        assert (squares < 0).all() and squares.min() / squares.max() < 1.5
        middle = np.linalg.norm(coded, axis=1)
        assert hill[middle < 0.6].min() > 0 > hill[middle > 1.5].max()

    def test_what_peaks_is_believed_and_what_sags_is_not(self):
        def sagging(coded):
            *others, shade = terracotta_truth(coded).T
            return np.column_stack([*others, 10 - shade])

        assert self.shade_of(terracotta_truth).hill_trust > 0.7 > self.shade_of(sagging).hill_trust

    def test_a_gaussian_response_far_from_where_it_was_poured(self):
        """y = c exp(-(x - u)^2 / 2t^2) (ter Braak & Looman 1986, Vegetatio 65:3-11): log y is a quadratic of b1 x + b2 x^2
        with optimum u = -b1 / 2 b2 and tolerance t = (-2 b2)^-1/2; a parabola through the same pours falls off the scale.
        """
        best, tolerance = 0.2, 0.5
        quiet = dict.fromkeys(("round", "melt", "pour"), 0.0)
        trial = scored(poured(TERRACOTTA, rounds=4), bell(best, tolerance), noise=quiet, step=0.01)
        line = pd.DataFrame([trial.region.sample(300, seed=1).mean()] * 41)
        line["red_share"] = np.linspace(*trial.recipe.bounds.loc["red_share"], 41)
        shade = labkit.fit_surfaces(trial)["shade"]
        x, told = trial.region.coded(line)[:, 1], shade.predict(line)["mean"].to_numpy()
        b2, b1, _ = np.polyfit(x[told > 3], np.log(told[told > 3]), 2)
        assert_allclose([-b1 / (2 * b2), (-2 * b2) ** -0.5], [best, tolerance], atol=0.1)
        assert_allclose(told, bell(best, tolerance)(trial.region.coded(line))[:, 3], atol=1.2)

    def test_that_it_tapers_off_is_worth_knowing_where_there_is_noise(self, monkeypatch):
        truth = bell(0.2, 0.5)

        def error(seed):
            trial = scored(poured(TERRACOTTA, rounds=3, seed=seed), truth, seed=seed)
            at = trial.region.sample(300, seed=1)
            told = labkit.fit_surfaces(trial)["shade"].predict(at)["mean"]
            return np.sqrt(((told - truth(trial.region.coded(at))[:, 3]) ** 2).mean())

        known = np.array([error(seed) for seed in range(3)])
        monkeypatch.setattr(fitting, "SHAPES_OF_PEAK", fitting.SHAPES)
        alike = np.array([error(seed) for seed in range(3)])
        assert (known < alike).all() and np.log(known / alike).mean() < np.log(0.9)

    def test_only_where_directions_are_expected_elsewhere(self, surfaces):
        said = "No direction is expected here, as it is elsewhere. That it peaks within the region, begun at 70 %,"
        told = " ".join(str(surfaces["shade"]).split())
        assert said in told and "so the log began with 10 times the weight of each of the others." in told
        assert np.isnan(surfaces["payoff"].posterior.hill_trust) and said not in " ".join(str(surfaces["payoff"]).split())
        assert np.isnan(self.shade_of(terracotta_truth, UNEXPECTED).hill_trust)


class TestNoise:
    def test_five_sources_stated_beside_found(self, payoff):
        noise = payoff.noise
        assert list(noise.index) == ["round", "melt", "pour", "tester", "tester_pour"]
        assert list(noise.columns) == ["stated", "found", "low", "high", "says"]
        assert_allclose(noise["stated"], [0.3, 0.3, 0.3, 1.0, 0.8])
        assert ((noise["low"] < noise["found"]) & (noise["found"] < noise["high"])).all()

    def test_one_round_says_nothing_about_rounds(self):
        trial = scored(poured(TERRACOTTA, rounds=1), terracotta_truth)
        noise = labkit.fit_surfaces(trial)["payoff"].noise
        assert noise.loc["round", "says"] == "the data say nothing yet about rounds"

    def test_large_variation_from_round_to_round_is_found(self):
        truth = lambda coded: 0 * terracotta_truth(coded) + 5  # noqa: E731
        trial = scored(poured(TERRACOTTA, rounds=6), truth, noise={"round": 1.5})
        noise = labkit.fit_surfaces(trial)["payoff"].noise
        assert noise.loc["round", "found"] > 0.6 and noise.loc["round", "says"] == "more than stated"

    def test_single_scores_learn_their_scatter_from_repeats(self):
        """One tester, one score a pour: the panel cannot tell how scattered scores are; the surface can."""
        trial = labkit.Trial.from_toml(HAZEL)
        pours = poured(HAZEL, rounds=1, pours=2).pours.drop(columns=["corrects", "reason"])
        many = pd.concat([pours] * 12, ignore_index=True)
        many["pour"], many["melt"] = [f"X-{k:02d}" for k in range(24)], ""
        values = np.where(np.arange(24) % 2, 7.0, 3.0) + 0.05 * np.sin(np.arange(24))
        rows = pd.DataFrame({"pour": many["pour"], "tester": "lab", "attribute": "hardness", "score": values})
        surface = labkit.fit_surfaces(trial.with_pours(many).with_scores(rows))["hardness"]
        assert surface.noise.loc["tester_pour", "found"] < 0.4 * surface.noise.loc["tester_pour", "stated"]


def curved_truth(seed):
    """Saturating, exponential, threshold, ridge: truths of four attributes in coded coordinates, none a polynomial."""
    rng = np.random.default_rng(seed)
    a, b, shift = rng.normal(0, 0.8, 4), rng.normal(0, 0.8, 4), rng.normal(0, 0.5)

    def truth(coded):
        s, t = coded @ a + shift, coded @ b
        return np.column_stack([9 * (1 - np.exp(-np.exp(0.5 * s))), 2 + np.exp(0.6 * np.minimum(t, 3)),
                                1 + 8 / (1 + np.exp(-2 * s)), 2 + 6 * np.exp(-0.3 * (t - shift) ** 2)])

    return truth


class TestCoverage:
    def test_ninety_per_cent_intervals_cover_smooth_truths_that_are_no_polynomials(self):
        """12 invented developments of 12 pours, 4 attributes each, saturating, exponential, threshold and ridge."""
        covered = []
        for seed in range(12):
            truth = curved_truth(seed)
            trial = scored(poured(TERRACOTTA, rounds=3, seed=seed), truth, seed=seed)
            frame = trial.region.sample(100, seed=7)
            true = np.clip(truth(trial.region.coded(frame)), 0, 10)
            for k, surface in enumerate(labkit.fit_surfaces(trial).values()):
                told = surface.predict(frame)
                covered.append(((told["low"] <= true[:, k]) & (true[:, k] <= told["high"])).mean())
        assert 0.82 < np.mean(covered) < 0.97


class TestSpeed:
    def test_four_attributes_of_thirty_pours_and_ten_testers(self):
        """Half a second on one quiet core (see benchmarks/surface_coverage.py); four times that for a busy machine."""
        import time

        trial = scored(poured(TERRACOTTA, rounds=8), terracotta_truth, testers=10)
        labkit.fit_surfaces(trial)
        started = time.process_time()
        labkit.fit_surfaces(trial)
        assert time.process_time() - started < 2.0

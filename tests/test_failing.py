"""Failing, learned from outcomes: what is said about it, and how it counts in the next tweak."""

import dataclasses
import types

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA, TINT
from invented import poured, scored

import labkit
from labkit.core.failing import FailingPosterior
from labkit.errors import SurfaceError
from labkit.rehearsal.fitted import worlds_of
from labkit.surfaces import failing as failing_module
from labkit.surfaces.effects import POINTS
from labkit.surfaces.failing import PRIOR, Failing, any_failed, linear_functions, outcomes_of
from labkit.surfaces.ground import Ground
from labkit.tweaks import words
from labkit.tweaks.outlook import Outlook
from labkit.tweaks.untold import untold
from labkit.tweaks.worth import Worth, with_failures

NAMES = ["wax", "red_share", "load", "pour_temperature"]


def with_outcomes(trial, fails):
    """The trial with the outcome of each pour by its coordinates as weighed; failed pours lose their scores."""
    bad = fails(trial.made)
    pours = trial.pours.assign(outcome=np.where(bad, "failed: did not set", "ok"))
    scores = trial.scores[~trial.scores["pour"].isin(bad.index[bad])]
    return dataclasses.replace(trial, tables={**trial.tables, "pours": pours, "scores": scores})


def scores_of(coded):
    wax, red, load, _ = coded.T
    return np.column_stack([6 + 2 * load - wax, 6 + 2.5 * wax, 5 - 2 * load, 8 - 3 * (red - 0.2) ** 2])


@pytest.fixture(scope="module")
def sound():
    return scored(poured(TERRACOTTA, rounds=3, seed=2), scores_of, noise={"tester_pour": 0.4, "pour": 0.1})


@pytest.fixture(scope="module")
def soft(sound):
    """Pours with little wax do not set."""
    return with_outcomes(sound, lambda made: made["wax"] < 0.15)


@pytest.fixture(scope="module")
def cold(sound):
    """Pours that are poured cold do not set; no score depends on the temperature."""
    return with_outcomes(sound, lambda made: made["pour_temperature"] < 74)


class TestSaid:
    def test_each_factor_has_the_decimals_that_its_range_asks_for(self, soft):
        rows = [line.split() for line in str(labkit.fit_failing(soft)).splitlines() if line.startswith("  P")]
        decimals = [[len(cell.partition(".")[2]) for cell in row[1:5]] for row in rows if len(row) > 5]
        assert len(decimals) == len(soft.made) and all(row == [3, 3, 4, 1] for row in decimals)

    def test_a_factor_that_does_not_vary_drives_nothing(self):
        fixed = poured(TERRACOTTA.replace("low = 68\nhigh = 80", "low = 74\nhigh = 74"), rounds=1)
        failing = labkit.fit_failing(with_outcomes(fixed, lambda made: pd.Series(made.index == "P01", made.index)))
        assert failing.effects.at["pour_temperature", "effect"] == 0 and failing.driver != "pour_temperature"
        assert failing.in_one_line().startswith("1 of 4 pours failed")

    def test_the_factor_that_drives_it_with_the_counts_on_both_sides_of_a_cut(self, soft, cold):
        wax = soft.made["wax"].sort_values()
        under = int((wax < 0.15).sum())
        assert 3 <= under <= 9
        cut = float(f"{wax.iloc[[under - 1, under]].mean():.3g}")
        assert labkit.fit_failing(soft).in_one_line() == (
            f"pours with less wax failed: {under} of {under} under wax {cut:g}, 0 of {12 - under} over it")
        assert labkit.fit_failing(cold).driver == "pour_temperature"

    def test_more_of_a_factor_may_be_what_fails(self, sound):
        said = labkit.fit_failing(with_outcomes(sound, lambda made: made["load"] > 0.05)).in_one_line()
        assert said.startswith("pours with more load failed: ") and " over load " in said and said.endswith(" under it")

    def test_nothing_is_made_of_a_single_failure_or_of_none(self, sound, demo):
        assert labkit.fit_failing(sound).in_one_line() == "0 of 12 pours failed"
        assert labkit.fit_failing(demo).in_one_line() == "1 of 12 pours failed; no factor can be told to drive it yet"

    def test_from_low_to_high_is_what_lies_between_the_ends(self):
        """Logits at both ends by the most likely coefficients themselves: of a factor the others as they are, of a part of
        a blend the rest in its ratio (Cox 1971, Biometrika 58:155-159)."""
        wax, oil, butter = "base: sunflower wax", "base: castor oil", "base: cocoa butter"
        trial = with_outcomes(poured(HAZEL, rounds=3), lambda made: made[wax] < 0.1)
        found = labkit.fit_failing(trial)
        mean, sample = found.posterior.weights @ found.posterior.coefficients, found.ground.sample.iloc[:POINTS]

        def logits(points):
            return mean[0] + linear_functions(found.ground, points) @ mean[1:]

        def with_wax(value):
            rest = (1 - value) / (sample[oil] + sample[butter])
            return sample.assign(**{wax: value, oil: rest * sample[oil], butter: rest * sample[butter]})

        inside = trial.region.includes(with_wax(0.06)) & trial.region.includes(with_wax(0.16))
        along = (logits(with_wax(0.16)) - logits(with_wax(0.06)))[inside].mean()
        assert found.effects.at[wax, "effect"] == pytest.approx(along, abs=1e-6)
        ends = [logits(sample.assign(load=value)) for value in (0.01, 0.05)]
        assert found.effects.at["load", "effect"] == pytest.approx((ends[1] - ends[0]).mean(), abs=1e-6)

    def test_one_factor_alone_can_drive_it(self):
        failing = labkit.fit_failing(with_outcomes(poured(TINT, rounds=3), lambda made: made["load"] > 0.07))
        assert list(failing.effects.index) == ["load"] and failing.effects.at["load", "more"] > 0.9

    def test_a_factor_is_not_charged_with_what_another_does(self):
        """Where red may be no more than 2 %, a high load goes with a low share of red; only the load fails here."""
        ground = Ground.of(labkit.Trial.from_toml(TERRACOTTA.replace("high = 0.05", "high = 0.02")))
        coded = ground.trial.region.coded(ground.sample)
        assert np.corrcoef(coded.T)[1, 2] < -0.5
        slopes = np.linalg.lstsq(linear_functions(ground, ground.sample), 3 * (coded[:, 2] - coded[:, 2].mean()))[0]
        found = Failing(ground=ground, made=pd.DataFrame({"failed": [True]}), posterior=FailingPosterior(
            coefficients=np.r_[0.0, slopes][None], weights=np.ones(1), log_evidence=0.0, effective=1.0)).effects
        np.testing.assert_allclose(found["effect"], [0, 0, 6, 0], atol=1e-9)

    @pytest.mark.parametrize("fails", [lambda made: made["wax"] > 0, lambda made: made.index == "P01"])
    def test_nothing_drives_it_while_all_failed_or_all_are_of_one_formula(self, fails):
        trial = poured(TERRACOTTA, rounds=1)
        if not fails(trial.made).all():
            one = trial.pours["pour"] == "P01"
            trial = dataclasses.replace(trial, tables={**trial.tables, "pours": trial.pours[one]})
        failing = labkit.fit_failing(with_outcomes(trial, lambda made: pd.Series(fails(made), made.index)))
        n = len(trial.made)
        assert failing.driver is None
        assert f"{n} of {n} pour{'s' * (n > 1)} failed; no factor can be told to drive it yet." in str(failing)

    def test_report_has_effects_and_a_row_a_pour(self, soft):
        found = labkit.fit_failing(soft)
        assert str(found).startswith("What fails\n----------\nPours with less wax failed: ")
        assert repr(found) == f"<Failing: {found.in_one_line()}>" and "<table>" in found._repr_html_()
        assert list(found.effects.index) == NAMES and found.effects.at["wax", "high"] < 0
        assert found.effects.at["wax", "more"] < 0.02
        frame = found.to_frame()
        assert list(frame.columns) == ["pour", *NAMES, "outcome", "chance", "low", "high"] and len(frame) == 12
        failed = frame["outcome"] != "ok"
        assert frame.loc[failed, "chance"].min() > frame.loc[~failed, "chance"].max()


class TestChance:
    def test_functions_are_orthonormal_over_the_region(self, sound):
        ground = Ground.of(sound)
        functions = linear_functions(ground, ground.sample)
        np.testing.assert_allclose(functions.T @ functions / len(functions), np.eye(4), atol=1e-8)
        np.testing.assert_allclose(functions.mean(axis=0), 0, atol=1e-8)

    def test_before_anything_failed_the_middle_is_as_the_prior_says_or_safer(self, sound):
        middle = sound.region.sample(500, seed=3)[NAMES].mean().to_frame().T
        assert PRIOR.level == pytest.approx(np.log(0.05 / 0.95))
        chance = labkit.fit_failing(sound).predict(middle)
        assert 0.005 < chance["chance"].item() < 0.05

    def test_it_rises_where_pours_failed_and_the_index_is_kept(self, soft):
        points = pd.DataFrame({"wax": [0.11, 0.15, 0.21], "red_share": 0.5, "load": 0.05, "pour_temperature": 74.0},
                              index=["soft", "middle", "hard"])
        found = labkit.fit_failing(soft).predict(points)
        assert list(found.columns) == ["chance", "low", "high"] and list(found.index) == list(points.index)
        assert found.loc["soft", "chance"] > 0.6 and found.loc["hard", "chance"] < 0.1
        assert found.at["soft", "chance"] > found.at["middle", "chance"] > found.at["hard", "chance"]
        assert ((found["low"] <= found["chance"]) & (found["chance"] <= found["high"])).all()
        narrow = labkit.fit_failing(soft).predict(points, level=0.5)
        assert (narrow["high"] - narrow["low"] < found["high"] - found["low"]).all()

    def test_what_failed_before_it_was_weighed_counts_where_it_was_planned(self):
        trial = poured(TERRACOTTA, rounds=2, seed=5)
        lost = trial.pours["pour"].iloc[-1]
        grams = [c for c in trial.pours.columns if c.endswith(" [g]")]
        pours = trial.pours.assign(outcome=np.where(trial.pours["pour"] == lost, "failed: split", "ok")).astype(
            {c: float for c in grams})
        pours.loc[pours["pour"] == lost, grams] = np.nan
        trial = dataclasses.replace(trial, tables={**trial.tables, "pours": pours})
        assert lost in trial.left_out
        found = outcomes_of(trial)
        assert found.at[lost, "failed"] and found.at[lost, "outcome"] == "failed: split"
        np.testing.assert_allclose(found.loc[lost, NAMES].astype(float), trial.plan.set_index("pour").loc[lost, NAMES].astype(float))

    def test_what_is_set_aside_did_not_fail_for_what_was_in_it(self, soft):
        """A stick that was dropped: its outcome stays, and tells nothing of formulas."""
        first, *others = soft.failed
        one = soft.with_set_aside(pd.DataFrame([{"action": "set aside", "pour": first, "reason": "dropped"}]))
        found = labkit.fit_failing(one)
        assert first in one.failed and first not in found.made.index and len(found.made) == len(outcomes_of(soft)) - 1
        assert f"Failed, set aside, and not counted: {first}." in str(found)
        assert "set aside" not in str(labkit.fit_failing(soft))
        one_score = pd.DataFrame([{"action": "set aside", "pour": first, "attribute": "payoff", "reason": "a cold"}])
        assert first in labkit.fit_failing(soft.with_set_aside(one_score)).made.index
        every = pd.DataFrame([{"action": "set aside", "pour": pour, "reason": "dropped"} for pour in soft.failed])
        none = soft.with_set_aside(every)
        assert others and any_failed(soft) and any_failed(one) and not any_failed(none)
        back = none.with_set_aside(every.iloc[[0]].assign(action="take back", reason="it was not"))
        assert any_failed(back) and not outcomes_of(none)["failed"].any()

    def test_without_pours_there_is_nothing_to_learn_from(self):
        with pytest.raises(SurfaceError) as refused:
            labkit.fit_failing(labkit.Trial.from_toml(TERRACOTTA))
        assert str(refused.value) == ("no pour of Terracotta stick is recorded, so nothing is known about failing. "
                                      "Record pours with append_pours (or trial.with_pours), then fit again.")

    def test_it_repeats_bit_for_bit(self, soft):
        points = soft.region.sample(20, seed=1)[NAMES]
        one, other = (labkit.fit_failing(soft) for _ in range(2))
        np.testing.assert_array_equal(one.draws(points, seed=4), other.draws(points, seed=4))
        pd.testing.assert_frame_equal(one.predict(points), other.predict(points), check_exact=True)


class TestTweak:
    def test_desirability_is_that_of_the_scores_times_the_chance_of_holding(self, soft):
        surfaces, points = labkit.fit_surfaces(soft), soft.region.sample(30, seed=1)[NAMES]
        outlook = Outlook.of(soft, surfaces, seed=3).as_scored()
        plain = Outlook(attributes=soft.attributes, surfaces=surfaces, seed=3)
        share = outlook.draws(points) / np.where(plain.draws(points) > 0, plain.draws(points), np.nan)
        holds = 1 - outlook.failing.predict(points)["chance"]
        np.testing.assert_allclose(outlook.known(points)[-1].mean(axis=0), holds, atol=0.05)
        np.testing.assert_allclose(share[np.isfinite(share)], outlook.known(points)[-1][np.isfinite(share)])
        assert outlook.with_draws(64, 1).failing is outlook.failing
        many = soft.region.sample(600, seed=2)[NAMES]                  # several blocks
        one, other = outlook.draws(many), outlook.worth(outlook.known(many))
        np.testing.assert_allclose(one, other, atol=1e-3)              # a root magnifies rounding where next to nothing
        np.testing.assert_allclose(one[other > 0.1], other[other > 0.1], atol=5e-5)

    def test_nor_where_all_that_failed_is_set_aside(self, soft):
        every = pd.DataFrame([{"action": "set aside", "pour": pour, "reason": "dropped"} for pour in soft.failed])
        none = soft.with_set_aside(every)
        assert Outlook.of(none, labkit.fit_surfaces(none)).failing is None
        assert (worlds_of(none)(1).holds_at(none.region.sample(5, seed=1)[NAMES]) == 1).all()

    def test_without_a_failed_pour_nothing_is_multiplied(self, sound):
        assert Outlook.of(sound, labkit.fit_surfaces(sound)).failing is None
        tweak = labkit.suggest_next(sound, seed=2)
        assert "chance of failing" not in tweak.reasons and "holds" not in set(tweak.predictions["attribute"])

    def test_reasons_predictions_and_advice_tell_it(self, soft):
        tweak, failing = labkit.suggest_next(soft, seed=2), labkit.fit_failing(soft)
        planned = failing.predict(tweak.round.to_frame()[NAMES])["chance"]
        np.testing.assert_allclose(tweak.reasons["chance of failing"], planned)
        assert planned.max() < 0.5
        risky = [f"; it may fail (chance {chance:.2f})" if chance >= 0.2 else "" for chance in planned]
        assert all(why.endswith(risk) and ("fail" in why) == bool(risk) for why, risk in zip(tweak.reasons["why"], risky))
        chance, low, high = failing.predict(tweak.best[NAMES]).iloc[0]
        told = tweak.predictions.set_index("attribute").loc["holds", ["mean", "low", "high"]]
        np.testing.assert_allclose(told.astype(float), [1 - chance, 1 - high, 1 - low])
        said = failing.in_one_line()
        assert tweak.advice.split("\n")[-1] == (
            f"P{said[1:]}; the formula below holds with a chance of {1 - chance:.2f}.")
        assert "and the chance that it fails:" in str(tweak)

    def test_a_pour_that_may_fail_is_called_so(self, demo):
        """After one failure in twelve pours, formulas far from all that held are not safe."""
        tweak = labkit.suggest_next(demo, seed=2)
        far = tweak.round.frame.assign(load=0.079, pour_temperature=80.0, red_share=0.25)
        round_ = dataclasses.replace(tweak.round, frame=far)
        outlook = Outlook.of(demo, labkit.fit_surfaces(demo))
        table = words.reasons(demo, round_, outlook, tweak.best[NAMES], Worth(gain=0.0, before=np.ones(4), after=np.ones(4)))
        assert table["chance of failing"].min() > 0.2
        assert [why.split("; ")[-1] for why in table["why"]] == [
            f"it may fail (chance {chance:.2f})" for chance in table["chance of failing"]]

    def test_a_factor_that_only_drives_failing_is_not_held_as_one_that_does_nothing(self, cold):
        flat = types.SimpleNamespace(ground=Ground.of(cold),
                                     draws_at=lambda columns, n, seed: np.full((n, len(columns)), 6.0))
        best, points = pd.DataFrame([[0.16, 0.55, 0.05, 74.0]], columns=NAMES), cold.region.sample(50, seed=4)[NAMES]
        outlook = Outlook.of(cold, {"payoff": flat})
        plain = dataclasses.replace(outlook, failing=None)
        assert untold(cold.region, plain, best, points, {}) == NAMES
        assert "pour_temperature" not in untold(cold.region, outlook, best, points, {})
        assert labkit.suggest_next(cold, seed=1).best["pour_temperature"].item() > 74

    def test_a_pour_that_fails_teaches_nothing_about_scores(self):
        rng = np.random.default_rng(0)
        truth = rng.normal(size=(4000, 2))
        holds = np.tile([0.3, 1.0], (4000, 1))
        held = np.random.default_rng([1, 43]).uniform(size=holds.shape) < holds
        seen, held = with_failures([truth + 0.1 * rng.normal(size=truth.shape)], held)
        np.testing.assert_allclose(held.mean(axis=0), [0.3, 1.0], atol=0.02)
        assert len(np.unique(seen[held[:, 0] == 0, 0])) == 1
        left = [np.var(truth[:, k] - seen[:, k] * np.cov(truth[:, k], seen[:, k])[0, 1] / np.var(seen[:, k])) for k in (0, 1)]
        np.testing.assert_allclose(left, [0.7 + 0.3 * 0.01 / 1.01, 0.01 / 1.01], atol=0.03)


@pytest.mark.parametrize("low, high, cut", [(0.1, 0.14, 0.12), (1504.7, 1506.3, 1506), (1504.7, 1504.9, 1504.8)])
def test_a_cut_is_told_in_as_many_digits_as_keep_it_between_its_pours(low, high, cut):
    """Of 1505.5 three digits would be 1510, with all pours under it."""
    assert failing_module._between(low, high) == cut and low <= cut < high


def test_a_ground_of_something_else_is_refused(demo):
    with pytest.raises(SurfaceError) as problem:
        labkit.fit_failing(demo, Ground.of(labkit.Trial.from_toml(TINT)))
    assert str(problem.value) == ("the ground lies over load, but Terracotta stick varies wax, red_share, load and "
                                  "pour_temperature. Give that of a surface of this trial, or leave it out.")


@pytest.mark.parametrize("more, told", [(True, "2 of 2 over wax 0.1, 0 of 3 under it"), (False, "0 of 3 under wax 0.1, 2 of 2 over it")])
def test_a_cut_at_a_pour_counts_it_as_under(more, told):
    """Between 0.1 and 0.1004 three digits give 0.1 itself."""
    made = pd.DataFrame({"wax": [0.1, 0.1, 0.1, 0.1004, 0.1004], "failed": [False] * 3 + [True] * 2})
    assert failing_module._split(made, "wax", more) == told


def made_at(wax, failed):
    return pd.DataFrame({"wax": wax, "failed": failed})


def test_no_cut_parts_pours_of_one_pot(soft):
    """What two pours draw from one pot differs in the last digit of a double."""
    pot = 0.1 + 0.05
    made = made_at([0.12, pot, np.nextafter(pot, 1), 0.2, 0.21], [True, True, False, False, False])
    assert failing_module._split(made, "wax", False, 0.0012) == "2 of 3 under wax 0.175, 0 of 2 over it"
    assert failing_module._split(made, "wax", False).startswith("2 of 2 under wax 0.15,")
    made = made_at([pot, np.nextafter(pot, 1)], [True, False])
    assert failing_module._split(made, "wax", False, 0.0012).startswith("1 of 1 under")          # for want of others


def test_no_cut_parts_a_pour_that_failed_from_the_same_formula_that_held(soft):
    """Within a hundredth of the range of wax (0.10 to 0.22) two pours are one formula but for weighing."""
    failing = labkit.fit_failing(soft)
    wax, made = failing.made["wax"].sort_values(), failing.made.copy()
    under = int(made["failed"].sum())
    last, first = wax.index[under - 1], wax.index[under]
    made.loc[first, "wax"] = wax[last] + 0.0005
    told = dataclasses.replace(failing, made=made).in_one_line()
    assert told.startswith("pours with less wax failed: ") and f"{under} of {under} under" not in told
    value = float(told.split(" wax ")[2].split(",")[0])
    assert not wax[last] <= value < wax[last] + 0.0005

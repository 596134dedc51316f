"""Surfaces of invented developments: the classical reading, few and odd scores, what they refuse and what they say."""
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from invented import hazel, poured, scored, terracotta_truth
from numpy.testing import assert_allclose

import labkit
from labkit.errors import SurfaceError
from labkit.planning.question import known_before, noise_of, past_of, weak_question
from labkit.rounds import round_from_factors
from labkit.surfaces.fitting import IDLE, _believed, shared
from labkit.surfaces.ground import Ground

NAMES = ["wax", "red_share", "load", "pour_temperature"]


class TestClassical:
    def test_generalised_least_squares_at_the_found_variances(self, trial, payoff):
        """b = (X'V^-1X)^-1 X'V^-1y, written out with the variances that `noise` reports."""
        classical, noise, made = payoff.classical, payoff.noise["found"], trial.made
        means, sampling = labkit.appraise_panel(trial).means("payoff")
        spread = sampling.to_numpy() * payoff.posterior.stretch_quantiles((0.5,))[0] ** 2
        for source in ("round", "melt"):
            spread = spread + noise[source] ** 2 * (made[source].to_numpy()[:, None] == made[source].to_numpy())
        spread = spread + noise["pour"] ** 2 * np.eye(16)
        columns, inverse = classical.columns(made[NAMES]).to_numpy(), np.linalg.inv(spread)
        b = np.linalg.solve(columns.T @ inverse @ columns, columns.T @ inverse @ means)
        assert_allclose(payoff.results.params, b, rtol=1e-7)
        left = means - columns @ b
        scale = left @ inverse @ left / (16 - columns.shape[1]) * np.trace(spread) / 16
        assert_allclose(payoff.results.scale, scale, rtol=1e-7)

    def test_own_arithmetic_agrees_with_statsmodels(self, payoff):
        results, classical = payoff.results, payoff.classical
        table = classical.coefficients
        assert_allclose(table["estimate"], results.params, rtol=1e-7)
        assert_allclose(table["se"], results.bse, rtol=1e-7)
        assert_allclose(table["p"], results.pvalues, rtol=1e-6)
        assert_allclose(table[["low", "high"]], results.conf_int(0.1), rtol=1e-6)
        assert_allclose(results.rsquared, payoff.r_squared, rtol=1e-7)
        told = results.get_prediction(classical.columns(classical.made)).summary_frame(alpha=0.1)
        ours = classical.predict(classical.made, 0.9)
        assert_allclose(ours[["low", "high"]], told[["mean_ci_lower", "mean_ci_upper"]], rtol=1e-6)

    @pytest.mark.parametrize(("rounds", "model", "terms"), [
        (1, "constant", 1), (2, "linear", 5), (3, "interaction", 11), (4, "quadratic", 15)])
    def test_the_richest_model_that_leaves_a_degree_of_freedom(self, rounds, model, terms):
        trial = scored(poured(TERRACOTTA, rounds=rounds), terracotta_truth)
        classical = labkit.fit_surfaces(trial)["payoff"].classical
        assert (classical.model, len(classical.terms.names)) == (model, terms)

    def test_a_single_planned_round_is_ordinary_least_squares(self):
        import statsmodels.api as sm

        surface = labkit.fit_surfaces(hazel([2.0, 3.5, 5.0, 4.5, 6.0, 7.0, 3.0, 5.5]))["hardness"]
        columns = surface.classical.columns(surface.classical.made)
        plain = sm.OLS(surface.scores["score"], columns, hasconst=True).fit()
        assert surface.classical.model == "linear"
        assert_allclose(surface.results.params, plain.params, rtol=1e-8)
        assert_allclose(surface.results.bse, plain.bse, rtol=1e-8)

    def test_the_way_up_leads_up(self, payoff):
        from labkit.surfaces.polynomial import way_up

        path = way_up(payoff.classical)
        assert (path["level"].diff().dropna() > 0).all()
        assert_allclose(payoff.classical.predict(path[NAMES], 0.9)["mean"], path["level"], rtol=1e-8)

    def test_pure_restricted_likelihood_on_request(self):
        """One round of 16 pours in 8 melts: variances and coefficients of the statsmodels mixed model."""
        from statsmodels.regression.mixed_linear_model import MixedLM

        trial = scored(poured(TERRACOTTA, rounds=1, pours=16), terracotta_truth, noise={"melt": 1.2})
        classical = labkit.fit_surfaces(trial)["sheerness"].classical
        linear, found = replace(classical, models=(("linear", dict(classical.models)["linear"]),)).by_reml()
        assert list(found.index) == ["melt", "rest"]
        columns = linear.columns(linear.made)
        other = MixedLM(linear.means, columns, groups=trial.made["melt"]).fit(reml=True)
        assert_allclose(found**2, [other.cov_re.iloc[0, 0], other.scale], rtol=1e-3)
        assert_allclose(linear.results.params, other.fe_params, atol=1e-3)

    def test_sums_of_squares_add_up(self, payoff):
        table = payoff.anova
        parts = table.loc[["linear", "curved", "residual"]]
        assert_allclose(parts[["df", "sum_of_squares"]].sum(), table.loc["total", ["df", "sum_of_squares"]].astype(float))

    def test_nothing_of_statsmodels_is_loaded_until_it_is_asked_for(self):
        code = ("import sys; sys.path.insert(0, 'tests'); import labkit; from invented import hazel; "
                "s = labkit.fit_surfaces(hazel([2.0, 3.0, 4.0]))['hardness']; str(s); "
                "print('statsmodels' in sys.modules); s.results; print('statsmodels' in sys.modules)")
        shown = subprocess.run([sys.executable, "-c", code], text=True, capture_output=True, check=True)
        assert shown.stdout.split() == ["False", "True"]


class TestFewAndOdd:
    def test_one_pour_gives_wide_intervals(self):
        trial = hazel([6.0])
        surface = labkit.fit_surfaces(trial)["hardness"]
        told = surface.predict(trial.region.sample(20, seed=1))
        assert (told["high"] - told["low"]).min() > 2
        assert surface.classical.model == "constant" and surface.results.params.tolist() == [6.0]
        assert "hardness, 0 to 10: 1 pour scored" in str(surface)

    def test_all_equal_scores(self):
        trial = hazel([5.0] * 6)
        surface = labkit.fit_surfaces(trial)["hardness"]
        assert_allclose(surface.predict(trial.region.sample(20, seed=1))["mean"], 5.0, atol=0.4)
        assert "nothing that varies can be told from nothing yet" in surface.in_one_line()
        assert str(surface) and surface.anova.loc["total", "sum_of_squares"] == pytest.approx(0, abs=1e-20)

    def test_the_highest_score_everywhere_stays_on_the_scale(self):
        trial = hazel([10.0] * 6)
        told = labkit.fit_surfaces(trial)["hardness"].predict(trial.region.sample(20, seed=1))
        assert (told <= 10).all().all() and told["mean"].min() > 8

    def test_attributes_without_scores_have_no_surface(self, trial):
        few = poured(TERRACOTTA, rounds=1).with_scores(trial.scores.query("attribute == 'shade'").iloc[:4].drop(
            columns=["corrects", "reason"]))
        assert list(labkit.fit_surfaces(few)) == ["shade"]

    def test_unplanned_pours_are_each_a_round_of_their_own(self):
        trial = hazel([4.0, 5.0, 6.0])
        pours = trial.pours.drop(columns=["corrects", "reason"]).assign(pour=["X-1", "X-2", "X-3"], melt="")
        scores = pd.DataFrame({"pour": ["X-1", "X-2", "X-3"], "tester": "T01", "session": "0", "attribute": "hardness",
                               "score": [4.0, 5.0, 6.0]})
        both = trial.with_pours(pours).with_scores(scores)
        assert_allclose(shared(both.made, "round"), np.kron(np.diag([1, 0]), np.ones((3, 3))) + np.diag([0] * 3 + [1] * 3))
        block = known_before(weak_question(both.region, both.region, noise_of(both), model="linear", kind="I"),
                             past_of(both).pours).block
        assert_allclose(block, np.sqrt(4 / 5))              # planning: a fifth round against the mean of four


class TestRefused:
    def test_no_scores(self):
        with pytest.raises(SurfaceError) as caught:
            labkit.fit_surfaces(poured(HAZEL, rounds=1))
        assert str(caught.value) == (
            "no pour of Hazel pot has a standing score, so there is nothing to fit. "
            "Record scores with append_scores (or trial.with_scores), then fit again.")

    @pytest.mark.parametrize(("change", "message"), [
        (lambda f: f.assign(shine=1.0),
         "the frame of formulas has a column 'shine' that is not known here. The columns are 'wax', 'red_share', 'load', "
         "'pour_temperature', 'round', 'melt', 'pour' and 'order'."),
        (lambda f: f.assign(**{"jojoba oil [g]": 10.0}),
         "the frame of formulas has the column 'jojoba oil [g]', where wax, red_share, load and pour_temperature are "
         "wanted. Turn mass fractions into factors with trial.factors_of, or take these columns only."),
        (lambda f: f.drop(columns="load"),
         "the frame of formulas lacks the column 'load'. It needs 'wax', 'red_share', 'load' and 'pour_temperature'."),
        (lambda f: f.assign(wax=[0.1, np.nan]),
         "row 1 of the frame of formulas has no wax. Give every coordinate a value."),
        (lambda f: f.assign(wax=["0.1", "a bit"]),
         "row 1 of the frame of formulas: wax is 'a bit', which is not a number. Write digits with one comma or point, "
         "and no unit."),
        (lambda f: f.assign(load=[0.05, 4.0]),
         "row 1 of the frame of formulas: load is 4, but a share lies from 0 to 1. Write 0.04 for 4 %."),
        (lambda f: {"wax": 0.1},
         "the frame of formulas is of type dict. Give a pandas DataFrame, a row a pour."),
    ])
    def test_frames(self, trial, payoff, change, message):
        frame = change(trial.region.sample(2, seed=1))
        for ask in (payoff.predict, payoff.predict_pour, payoff.draws):
            with pytest.raises(SurfaceError) as caught:
                ask(frame)
            assert str(caught.value) == message

    def test_parts_that_do_not_fill_their_blend(self):
        trial = hazel([4.0, 5.0])
        frame = trial.region.sample(1, seed=1)
        frame["base: castor oil"] = 0.9
        with pytest.raises(SurfaceError) as caught:
            labkit.fit_surfaces(trial)["hardness"].predict(frame)
        total = frame[[c for c in frame if c.startswith("base")]].sum(axis=1)[0]
        assert str(caught.value) == (f"row 0 of the frame of formulas: the parts of base add to {total:.6f}, not 1. "
                                     "Give shares of the whole blend.")

    @pytest.mark.parametrize("level", [0, 1, 90, "wide"])
    def test_levels(self, trial, payoff, level):
        with pytest.raises(SurfaceError) as caught:
            payoff.predict(trial.region.sample(2, seed=1), level=level)
        assert str(caught.value) == (
            f"level is {level!r}. Give the share of an interval, above 0 and below 1, such as 0.9.")


class TestTold:
    def test_the_report_follows_the_makers_questions(self, payoff):
        text = str(payoff)
        asked = ["Is there anything?", "Is the shape right?", "How far off will a new pour be?", "Which pour decides?",
                 "The classical polynomial"]
        places = [text.index(question) for question in asked]
        assert places == sorted(places)
        assert payoff._repr_html_().count("<h4>") == 6

    def test_how_far_off_a_new_pour_is_is_told_about_what_is_predicted(self, trial, payoff):
        """Not about the long-run mean, of which a pour is less far off: by the standard errors of many formulas."""
        frame = trial.region.sample(400, seed=7)
        mean, pour = (1.645 * np.sqrt(np.mean(told["se"] ** 2)) for told in (payoff.predict(frame), payoff.predict_pour(frame)))
        words = " ".join(str(payoff).split()).split("the long-run mean is known to ")[1].split()
        assert words[1:7] == "and one new pour falls within".split() and words[8:12] == "of what is predicted,".split()
        assert_allclose([float(words[0].strip(",")), float(words[7])], [mean, pour], atol=0.08)

    def test_one_line(self, payoff):
        line = payoff.in_one_line()
        assert line.startswith("payoff: load +") and "wax -" in line and line.endswith("after 16 pours")
        assert repr(payoff) == f"<Surface {line}>"

    def test_to_frame_has_a_row_a_pour(self, trial, payoff):
        table = payoff.to_frame()
        assert list(table.columns) == ["pour", "score", "score_se", "mean", "se", "low", "high", "fitted", "residual",
                                       "left_out", "leverage", "influence"]
        assert table["pour"].tolist() == list(trial.made.index)
        assert_allclose(table["leverage"].sum(), 15)

    def test_where_the_readings_part_the_report_names_the_pour_and_why(self):
        """Ten pours close to a steep plane by luck: few degrees of freedom make the classical interval too narrow."""
        trial = poured(HAZEL, rounds=1, pours=11)
        coded = trial.region.coded(trial.made[list(trial.recipe.coordinates)])
        rows = [{"pour": pour, "tester": "T01", "session": "1", "position": "1", "attribute": "hardness",
                 "score": round(5 + 3 * c[0] + 1.5 * c[0] * c[1], 2)} for pour, c in zip(trial.made.index, coded)]
        surface = labkit.fit_surfaces(trial.with_scores(pd.DataFrame(rows)))["hardness"]
        told = surface.disagreements()
        assert told and all(text in " ".join(str(surface).split()) for text in told)
        ours, theirs = surface.predict(surface.classical.made), surface.classical.predict(surface.classical.made, 0.9)
        apart = (ours["mean"] < theirs["low"]) | (ours["mean"] > theirs["high"])
        pour = apart.idxmax()
        assert told[0] == (
            f"{pour}: the classical 90 % interval {theirs.at[pour, 'low']:.2f} to {theirs.at[pour, 'high']:.2f} leaves out "
            f"the hierarchical mean {ours.at[pour, 'mean']:.2f}. Likely cause: with 1 degree of freedom the residuals came "
            "out small by luck, and the classical interval with them.")

    def test_any_formula_may_be_asked_about(self, trial, payoff):
        frame = trial.region.sample(30, seed=9).set_index(pd.Index([f"settled {k}" for k in range(30)]))
        told = payoff.disagreements(frame)
        assert all(text.startswith("settled ") for text in told)


@pytest.fixture(scope="module")
def shown(demo):
    return labkit.fit_surfaces(demo)


def test_shares_of_a_blend_count_as_repeats_by_their_range_not_by_their_size():
    """Wax runs from .06 to .16: eight pours .005 to .015 apart are eight formulas, and the same again is a repeat."""
    wax = np.array([0.07, 0.085, 0.10, 0.115, 0.13, 0.145, 0.155, 0.16, 0.07])
    points = pd.DataFrame({"base: sunflower wax": wax, "base: cocoa butter": 0.25, "base: castor oil": 0.75 - wax,
                           "load": 0.03})
    blank = labkit.Trial.from_toml(HAZEL)
    round_ = round_from_factors(blank.recipe, blank.batch, number=1, coordinates=points, pours=blank.next_pours(9),
                                melts=blank.next_melts(9))
    trial = blank.with_round(round_).with_pours(round_.as_poured())
    surface = labkit.fit_surfaces(scored(trial, lambda coded: 3 + 30 * wax[:, None]))["hardness"]
    assert surface.classical.groups.tolist() == [0, 1, 2, 3, 4, 5, 6, 7, 0]
    assert surface.anova.at["repeats", "df"] == 1


def test_a_blend_plays_no_part_as_a_whole_whatever_the_number_of_its_parts():
    ground = Ground.of(labkit.Trial.from_toml(HAZEL))
    odds = {system.absent: _believed(system) for system in ground.narrowed}
    assert odds == {("base",): IDLE, ("load",): IDLE}


class TestWordsOnTheDemo:
    @pytest.mark.parametrize(("attribute", "foretells"), [
        ("payoff", "little or nothing"),                     # a lower PRESS than the plain average, left out likewise
        ("hardness", "{} % of the variation"),
        ("shade", "no better than the plain average"),       # a ridge that the straight model cannot follow
    ])
    def test_foretelling_is_held_against_the_plain_average(self, shown, attribute, foretells):
        surface = shown[attribute]
        straight, plain = surface.classical.shapes["press"]
        assert (straight < plain) == (attribute != "shade")
        part = 1 - straight / plain * (11 / 10) ** 2         # PRESS of the mean alone: (n / (n - 1))^2 of the variation
        assert (f"Leaving one pour out at a time, the classical reading foretells {foretells.format(round(100 * part))} "
                f"(PRESS {straight:.2f}).") in " ".join(str(surface).split())

    def test_a_constant_foretells_nothing_though_pours_share_melts(self, shown):
        """R squared of prediction of the mean alone: 1 - (n / (n - 1))^2 in least squares, whatever is scored."""
        for surface in shown.values():
            assert surface.classical.shapes.at["constant", "predicted"] == pytest.approx(1 - (11 / 10) ** 2, rel=1e-9)

    def test_what_plays_no_part_is_not_said_to_bend(self, shown):
        surface = shown["shade"]
        assert surface.effects.at["wax", "no part"] > 0.5
        assert repr(surface).startswith("<Surface shade: red_share +")
        assert "wax" not in repr(surface) and "red_share" in repr(surface).split(" in the middle over the ends")[0]

"""Pairs, order effects, mere order and power: against prints, scipy and statsmodels, simulated panels, and in words."""
import pathlib

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from hypothesis import given
from hypothesis import strategies as st
from panels import TEN, panel_of, scored, scored_of, simulated, trial_with
from scipy.stats import studentized_range
from scipy.stats import t as student

from labkit.errors import PanelError
from labkit.panel import appraise_panel, contrasts, seen
from labkit.panel.comparisons import pairs_of, power_row, sitting_row
from labkit.panel.flags import ORDER
from labkit.panel.ordinal import cumulative_logit

PUBLISHED = pathlib.Path(__file__).resolve().parent / "published"


class TestAllPairs:
    def test_balanced_is_tukeys_studentised_range(self):
        """scipy.stats.studentized_range; three standard errors of the draws."""
        means = np.array([1.0, 1.5, 2.0, 2.6])
        found = contrasts.all_pairs(means, 0.09 * np.eye(4), df=12)
        expected = studentized_range.sf(np.abs(found.difference) / 0.3, 4, 12)
        assert np.abs(found.p - expected).max() < 3 * 0.5 / np.sqrt(contrasts.DRAWS)
        assert found.multiple == pytest.approx(studentized_range.ppf(0.95, 4, 12) / np.sqrt(2), rel=0.01)

    def test_two_means_are_students_t(self):
        covariance = np.array([[0.2, 0.05], [0.05, 0.1]])
        found = contrasts.all_pairs(np.array([3.0, 4.0]), covariance, df=9)
        assert found.se[0] == pytest.approx(np.sqrt(0.2))
        assert found.p[0] == pytest.approx(2 * student.sf(1 / np.sqrt(0.2), 9), abs=0.005)

    def test_common_uncertainty_falls_out(self):
        means = np.array([1.0, 2.0, 4.0])
        plain = contrasts.all_pairs(means, 0.2 * np.eye(3), df=20)
        lifted = contrasts.all_pairs(means, 0.2 * np.eye(3) + 5.0, df=20)
        assert lifted.se == pytest.approx(plain.se) and lifted.p == pytest.approx(plain.p, abs=0.01)

    def test_same_seed_same_answer_and_one_pour(self):
        means, covariance = np.arange(5.0), 0.5 * np.eye(5)
        one, two = (contrasts.all_pairs(means, covariance, df=9) for _ in range(2))
        assert np.array_equal(one.p, two.p) and one.multiple == two.multiple
        assert len(contrasts.all_pairs(np.ones(1), np.eye(1), df=9).p) == 0

    def test_no_pair_is_called_different_in_nineteen_of_twenty_panels_without_differences(self):
        """120 panels, 5 pours and 6 testers, some scores missing: 5 % and two and a half standard deviations."""
        alarms = 0
        for seed in range(120):
            table = simulated(seed, pours=5, testers=6, spread=0.0)[0]
            table[seed % 5, seed % 6] = np.nan
            alarms += pairs_of(scored_of(scored(table)))["differ"].any()
        assert alarms <= 12


class TestLetters:
    @given(st.integers(0, 100_000), st.integers(1, 9))
    def test_share_a_letter_exactly_when_not_told_apart(self, seed, n):
        rng = np.random.default_rng(seed)
        differs = np.triu(rng.random((n, n)) < 0.5, 1)
        differs = differs | differs.T
        marks = contrasts.letters(rng.normal(size=n), differs)
        for i in range(n):
            for j in range(n):
                assert bool(set(marks[i]) & set(marks[j])) == (i == j or not differs[i, j])

    def test_highest_has_an_a(self):
        differs = np.abs(np.subtract.outer([1, 2, 3, 4], [1, 2, 3, 4])) > 1
        assert contrasts.letters([1, 2, 3, 4], differs) == ["c", "bc", "ab", "a"]

    def test_many_letters(self):
        n = 30
        marks = contrasts.letters(np.arange(n), ~np.eye(n, dtype=bool))
        assert marks[-1] == "a" and marks[0] == "d'" and len(set(marks)) == n


class TestAddedEffect:
    def test_is_the_type_two_f_test(self):
        """statsmodels anova_lm, type 2, on unbalanced rows."""
        import statsmodels.formula.api as smf
        from statsmodels.stats.anova import anova_lm

        rng = np.random.default_rng(1)
        frame = pd.DataFrame({"pour": rng.integers(4, size=40), "tester": rng.integers(5, size=40),
                              "position": rng.integers(4, size=40)}).astype(str)
        frame["score"] = rng.normal(size=40) + 0.5 * frame["position"].astype(int)
        base = pd.get_dummies(frame[["pour", "tester"]]).to_numpy(float)
        found = contrasts.added_effect(frame["score"].to_numpy(), base, pd.get_dummies(frame["position"]).to_numpy(float))
        table = anova_lm(smf.ols("score ~ pour + tester + position", frame).fit(), typ=2)
        assert found.f == pytest.approx(table.loc["position", "F"]) and found.df == 3
        assert found.p == pytest.approx(table.loc["position", "PR(>F)"]) and found.df2 == table.loc["Residual", "df"]
        steps = np.diff(found.estimates)
        fitted = smf.ols("score ~ pour + tester + position", frame).fit().params
        assert steps == pytest.approx(np.diff([0, *(fitted[f"position[T.{k}]"] for k in "123")]))

    def test_aliased_columns_say_nothing(self):
        groups = np.repeat(np.eye(3), 4, axis=0)
        found = contrasts.added_effect(np.arange(12.0), groups, groups[:, :2])
        assert found.df == 0 and np.isnan(found.p)


class TestPanelTables:
    def test_pairs(self):
        panel = panel_of(simulated(1)[0])
        pairs, (means, covariance) = panel.pairs("payoff"), panel.means("payoff")
        assert len(pairs) == 28
        row = pairs.iloc[5]
        assert row["difference"] == pytest.approx(means[row["pour"]] - means[row["other"]])
        assert row["se"] == pytest.approx(np.sqrt(2 * covariance.iloc[0, 0]))
        assert ((pairs["low"] > 0) | (pairs["high"] < 0)).equals(pairs["differ"])

    def test_pairs_of_one_pour_or_of_equal_scores(self):
        assert panel_of([[3, 4, 5]]).pairs("payoff").empty
        assert not panel_of(np.full((3, 4), 5.0)).pairs("payoff")["differ"].any()

    def test_pairs_of_an_unknown_attribute(self):
        with pytest.raises(PanelError) as caught:
            panel_of([[3, 4, 5]]).pairs("shine")
        assert str(caught.value) == "attribute is 'shine'. Choose 'payoff'."

    def test_intervals_of_means_end_where_the_scale_does(self):
        rows = panel_of([[9.5, 10, 10, 9.5], [0, 0.5, 0, 0], [5, 5, 6, 5]]).pours
        assert rows["high"].tolist()[0] == 10 and rows["low"].tolist()[1] == 0
        assert rows["high"].iloc[2] - rows["mean"].iloc[2] == pytest.approx(rows["mean"].iloc[2] - rows["low"].iloc[2])

    def test_a_mean_beyond_the_scale_is_the_end_of_its_interval(self):
        """Only the tester who scores three points lower than the others scored the best pour."""
        row = panel_of([[np.nan, np.nan, 9.5], [6, 6, 3], [8, 8, 5], [7, 7, 4]]).pours.iloc[0]
        assert row["mean"] == row["high"] > 10 >= row["low"]

    def test_letters_stand_beside_the_means(self):
        text = str(panel_of([[2, 2, 3, 2], [8, 8, 9, 8], [8, 9, 9, 8]]))
        assert "X-01  2.25 " in text
        rows = [line.split() for line in text.splitlines() if line.strip().startswith("X-0")]
        assert [row[-1] for row in rows] == ["b", "a", "a"]

    def test_the_difference_that_is_seen_is_seen_in_four_plays_of_five(self):
        row = panel_of(simulated(1)[0]).power.iloc[0]
        assert row["played"] == pytest.approx(0.80, abs=0.025)

    @pytest.mark.parametrize("pours", [4, 8])
    def test_the_letters_see_it_four_times_in_five(self, pours):
        """Whole reports of simulated panels, as they are printed; each pair of the raised pour is a try."""
        rng, told, found = np.random.default_rng(5), [], []
        for k in range(160):
            table = 5 + rng.normal(0, 1, 6) + rng.normal(0, 0.8, (pours, 6))
            if k < 40:
                told.append(power_row(scored_of(scored(table)))["sees"])
                continue
            table[0] += np.mean(told)
            pairs = pairs_of(scored_of(scored(table)))
            found.append(pairs.loc[pairs["pour"] == "X-01", "differ"].mean())
        assert np.mean(found) == pytest.approx(0.8, abs=0.07)

    def test_power(self):
        panel = panel_of(simulated(1)[0])
        row, found = panel.power.iloc[0], panel.scored_for("payoff")
        assert row["testers"] == 8 and row["pours"] == 8 and row["asked"] == 1.0
        expected = seen.least_seen(se=row["noise"] / 2, df=found.df, multiple=seen.tukey_multiple(8, found.df))
        assert row["sees"] == pytest.approx(expected, rel=0.01)
        assert (row["testers_for_asked"] <= 8) == (row["sees"] <= 1.0)
        assert np.isnan(panel_of([[3], [5]]).power.iloc[0]["sees"])

    def test_testers_who_missed_pours_see_less(self):
        """Half of the testers at each of two sittings: half as many scores a pour, and testers between sittings."""
        table = simulated(1)[0]
        table[:4, :4] = table[4:, 4:] = np.nan
        row = panel_of(table).power.iloc[0]
        assert row["testers"] == 8 and row["sees"] > 1.4 * panel_of(simulated(1)[0]).power["sees"].iloc[0]

    def test_report_says_of_which_comparison_it_speaks(self):
        text = " ".join(str(panel_of(simulated(1)[0])).split())
        assert "difference between two pours that the letters above show four times in five" in text
        assert ("This is with all pairs of so many pours together (5 %), at the noise found. What it takes is that many "
                "testers, each of whom scores every pour; a single pair, chosen before anyone tastes, takes fewer.") in text

    def test_report_says_what_a_small_panel_cannot_show(self):
        text = " ".join(str(panel_of(simulated(1)[0])).split())
        assert ("A difference that was not found may still be there: so few testers cannot show that two pours are the "
                "same.") in text


def in_positions(seed, effect, pours=8, testers=8):
    """Scores with a place in the sitting: each tester has the pours in an order of its own."""
    rng = np.random.default_rng(seed)
    frame = scored(simulated(seed, pours=pours, testers=testers, step=0)[0])
    frame["position"] = np.concatenate([rng.permutation(pours) + 1 for _ in range(testers)]).reshape(
        testers, pours).T.ravel().astype(str)
    frame["score"] = (frame["score"] + effect * (frame["position"] == "1")).clip(0, 10).round(1)
    return frame


class TestSittings:
    def test_first_sample_scored_higher_is_found_and_flagged(self):
        panel = appraise_panel(trial_with(8).with_scores(in_positions(1, effect=2.0)))
        row = panel.sittings.set_index("effect").loc["position"]
        assert row["p"] < 0.001 and (row["df"], row["df2"]) == (7, 42)
        assert row["says"].startswith("+1.") and row["says"].split(", ")[0].endswith(" at 1")
        assert panel.flags["kind"].tolist() == ["order effect"]
        assert panel.flags["says"].tolist() == [f"payoff depends on the position in the sitting ({row['says']})"]
        assert "does the place in the sitting matter?" in str(panel)

    def test_no_effect_is_rarely_called_one(self):
        """60 panels: p below .05 about three times; flagged about .3 times."""
        p = np.array([sitting_row(scored_of(in_positions(seed, effect=0.0)), "position")["p"] for seed in range(60)])
        assert (p < 0.05).sum() <= 8 and (p < ORDER).sum() <= 2

    def test_sessions_that_are_the_pours_cannot_be_told_from_them(self):
        table = simulated(1)[0]
        first, second = scored(table[:4], session="1"), scored(table[4:], session="2", pours=TEN[4:8])
        panel = appraise_panel(trial_with(8).with_scores(pd.concat([first, second], ignore_index=True)))
        rows = panel.sittings.set_index("effect")
        assert rows.loc["session", "says"] == "cannot be told from pours and testers"
        assert rows.loc["tester x session", ["df", "df2"]].tolist() == [7, 42]
        assert "tester x session" in str(panel) and "cannot be told from pours and testers" not in str(panel)

    def test_places_that_are_partly_those_of_the_pours_are_not_told_of_one_by_one(self):
        """X-01 and X-02 always come first and second, and the others change places: of the four only third less fourth can
        be told, and `+0.0 at 1` would be said of what nobody can know."""
        rng, rows = np.random.default_rng(3), []
        for t in range(8):
            order = ["X-01", "X-02", *(["X-03", "X-04"] if t % 2 else ["X-04", "X-03"])]
            rows += [{"pour": pour, "tester": f"T{t + 1:02d}", "session": "1", "position": str(place), "attribute": "payoff",
                      "score": round(5 + 2 * (place == 3) + rng.normal(0, 0.4), 1)} for place, pour in enumerate(order, 1)]
        panel = appraise_panel(trial_with(4).with_scores(pd.DataFrame(rows)))
        row = panel.sittings.set_index("effect").loc["position"]
        assert row["p"] < 0.001 and row["df"] == 1
        assert row["says"] == "scores change with it, by how much at each cannot be told from pours and testers"
        assert panel.flags["says"].tolist() == [f"payoff depends on the position in the sitting ({row['says']})"]

    def test_a_tester_who_drifts_is_seen(self):
        table = simulated(1, noise=0.4)[0]
        table[4:, 2] = np.clip(table[4:, 2] + 3, 0, 10)
        first, second = scored(table[:4], session="1"), scored(table[4:], session="2", pours=TEN[4:8])
        panel = appraise_panel(trial_with(8).with_scores(pd.concat([first, second], ignore_index=True)))
        assert panel.sittings.set_index("effect").loc["tester x session", "says"] == "scores change with it"

    def test_nothing_written_down_is_nothing_to_say(self):
        panel = panel_of(simulated(1)[0])
        assert panel.sittings.empty and list(panel.sittings.columns)[:2] == ["attribute", "effect"]


class TestOrder:
    def test_wine_bitterness(self):
        """Randall (1989) Biometrical Journal 31:781-793, 72 ratings; estimates as printed by Christensen for the
        cumulative link model with temperature and contact. Half a unit of the last digit."""
        wine = pd.read_csv(PUBLISHED / "wine_bitterness.csv")
        columns = np.column_stack([wine["temp"] == "warm", wine["contact"] == "yes"]).astype(float)
        found = cumulative_logit(wine["rating"].to_numpy(float), columns)
        assert found.settled
        assert found.estimates == pytest.approx([2.5031, 1.5278], abs=5e-5)
        assert np.sqrt(np.diag(found.covariance)) == pytest.approx([0.5287, 0.4766], abs=5e-5)
        assert found.thresholds == pytest.approx([-1.3444, 1.2508, 3.4669, 5.0064], abs=5e-5)
        assert found.log_likelihood == pytest.approx(-86.49, abs=5e-3)
        assert 2 * 6 - 2 * found.log_likelihood == pytest.approx(184.98, abs=5e-3)

    def wine_panel(self):
        """The same ratings as a panel: four wines (temperature by contact), two bottles each, nine judges."""
        wine = pd.read_csv(PUBLISHED / "wine_bitterness.csv", dtype=str)
        wines = {("cold", "no"): "X-01", ("cold", "yes"): "X-02", ("warm", "no"): "X-03", ("warm", "yes"): "X-04"}
        frame = pd.DataFrame({"pour": [wines[pair] for pair in zip(wine["temp"], wine["contact"])],
                              "tester": wine["judge"], "session": wine["bottle"], "attribute": "payoff",
                              "score": wine["rating"].astype(float)})
        text = TERRACOTTA.replace("scale = [0, 10]", "scale = [1, 5]").replace("rising = [4, 8]", "rising = [2, 4]")
        return appraise_panel(trial_with(4, text=text).with_scores(frame))

    def test_wine_as_a_panel_is_read_both_ways(self):
        panel = self.wine_panel()
        order = panel.ordinal("payoff")
        assert order.to_frame()["effect"].is_monotonic_increasing and order.frame["mean"].is_monotonic_increasing
        assert order.frame["effect"].sum() == pytest.approx(0, abs=1e-9)
        assert order.says == ("Read as mere order, payoff puts the pours in the same order as the means wherever a "
                                "difference is clear.")
        assert order.says in " ".join(str(panel).split())
        assert panel.agreement["icc_from"].tolist() == ["variance components"]     # two bottles are repeats

    def test_reading_is_shown_as_other_results_are(self):
        order = panel_of([[1, 2, 1, 3], [2, 1, 2, 4], [4, 2, 3, 1]]).ordinal("payoff")
        frame = order.to_frame()
        rows = [f"  {pour}  {frame['effect'][pour]:>6.2f}  {frame['se'][pour]:>4.2f}  {frame['mean'][pour]:>4.2f}"
                for pour in frame.index]
        assert repr(order) == "<Ordinal of payoff: 3 pours>"
        assert str(order).splitlines()[:2] == ["payoff as mere order", "--------------------"]
        assert order.says in " ".join(str(order).split())
        assert str(order).splitlines()[-4:] == ["  pour  effect    se  mean", *rows]
        html = order._repr_html_()
        assert "<table" in html and all(f"{frame['effect'][pour]:.2f}" in html for pour in frame.index)
        lost = panel_of([[1, 2, 1, 2], [2, 3, 2, 3], [5, 5, 5, 5]]).ordinal("payoff")
        assert repr(lost) == "<Ordinal of payoff: no order can be read>"

    def test_reading_that_disagrees_says_where(self):
        """X-02 is a step above X-01 for eight testers, and the whole scale below for the ninth."""
        table = np.array([[3, 3, 3, 4, 3, 3, 3, 3, 10], [4, 4, 4, 5, 4, 4, 4, 4, 0], [2, 3, 2, 2, 2, 3, 2, 3, 3],
                          [5, 5, 4, 5, 5, 4, 5, 5, 4]], dtype=float)
        says = panel_of(table).ordinal("payoff").says
        assert says.startswith("Read as mere order, payoff disagrees with the means on X-01 and X-02 (means ")
        assert says.endswith(": look at the single scores before you trust either.")

    def test_pour_with_only_the_highest_score(self):
        order = panel_of([[1, 2, 1, 2], [2, 3, 2, 3], [5, 5, 5, 5]]).ordinal("payoff")
        assert order.says == ("payoff cannot be read as mere order: some pour or tester has only the highest or only "
                                "the lowest scores.")
        assert order.frame["effect"].isna().all() and order.frame["mean"].notna().all()

    def test_scores_that_pours_and_testers_part_together(self):
        """No pour and no tester is at an end alone, but those of both are: 4 only where both are low, 6 where high."""
        says = panel_of([[6, 5, 5], [4, 4, 5], [5, 5, 5]]).ordinal("payoff").says
        assert says == ("payoff cannot be read as mere order: pours and testers part low scores from high ones so cleanly "
                        "that no size of their effects is too large.")

    def test_estimates_that_stop_short_have_run_away_by_their_standard_errors(self):
        """X-03 is clearly the lowest for everyone: its effect stopped at -13.7 with a standard error of 497 logits, and
        was said to disagree with the means, which it does not."""
        says = panel_of([[5, 5, 4, 5, 4.5, 5], [3, 4.5, 4.5, 2.5, 2.5, 4.5], [2.5, 1.5, 1, 1, 2.5, 1]]).ordinal(
            "payoff").says
        assert says == ("payoff cannot be read as mere order: pours and testers part low scores from high ones so cleanly "
                        "that no size of their effects is too large.")

    def test_more_than_three_pairs_are_counted(self):
        """X-01 is a step under four others for eight testers, and the whole scale above them for the ninth."""
        one = [4, 4, 4, 5, 4, 4, 4, 4, 0]
        table = np.array([[3, 3, 3, 4, 3, 3, 3, 3, 10], one, one, one, one, [2, 3, 2, 2, 2, 3, 2, 3, 3],
                          [5, 5, 4, 5, 5, 4, 5, 5, 4]], dtype=float)
        says = panel_of(table).ordinal("payoff").says
        assert says.startswith("Read as mere order, payoff disagrees with the means on X-01 and X-02 (means ")
        assert says.endswith(" and 1 other pair: look at the single scores before you trust either.")

    def test_all_scores_equal_or_one_pour(self):
        for table in (np.full((3, 4), 5.0), [[1, 2, 3]]):
            assert panel_of(table).ordinal("payoff").says == "payoff has too little in it to be read as mere order."

    def test_fine_scales_are_read_as_numbers_only_in_the_report(self):
        assert "mere order" not in str(panel_of(simulated(1)[0]))

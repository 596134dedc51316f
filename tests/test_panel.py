"""The panel of a trial: what it says, in frames and words, and what it refuses."""
import time

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from panels import TEN, panel_of, scored, simulated, trial_with

from labkit.core.agreement import intraclass_correlations, p_by_shuffling
from labkit.errors import PanelError
from labkit.panel import appraise_panel


class TestMeans:
    def test_complete_table_gives_the_raw_means(self):
        table, _, _ = simulated(1)
        panel = panel_of(table)
        means, covariance = panel.means("payoff")
        assert list(means.index) == list(covariance.index) == list(covariance.columns) == TEN[:8]
        assert means.to_numpy() == pytest.approx(table.mean(axis=1))
        off = covariance.to_numpy() - np.diag(np.diag(covariance))
        assert np.abs(off).max() < 1e-12 and np.ptp(np.diag(covariance)) < 1e-12

    def test_pours_frame_holds_the_same_numbers(self):
        table, _, _ = simulated(2)
        table[2, 3] = np.nan
        panel = panel_of(table)
        means, covariance = panel.means("payoff")
        frame = panel.pours.set_index("pour")
        assert frame["mean"].to_numpy() == pytest.approx(means.to_numpy())
        assert frame["se"].to_numpy() == pytest.approx(np.sqrt(np.diag(covariance)))
        assert frame.loc["X-03", ["n", "testers"]].tolist() == [7, 7]
        assert frame.loc["X-03", "raw_mean"] == pytest.approx(np.nanmean(table[2]))
        assert frame["se"].idxmax() == "X-03"
        assert panel.to_frame().equals(panel.pours)

    def test_rounds_with_other_testers_are_linked_by_those_in_both(self):
        """T01..T04 score X-01..X-04, T03..T06 the rest; T05 and T06 score 3 too high."""
        truth = np.array([3.0, 4, 5, 6, 3, 4, 5, 6])
        table = np.tile(truth[:, None], 6) + np.array([0, 0, 0, 0, 3, 3])
        table[:4, 4:] = table[4:, :2] = np.nan
        means = panel_of(table).means("payoff")[0].to_numpy()
        raw = np.nanmean(table, axis=1)
        assert (raw[4:] - raw[:4]).mean() == pytest.approx(1.5)
        assert (means[4:] - means[:4]).mean() == pytest.approx(0, abs=0.1)

    def test_shuffled_rows_and_other_units_change_nothing(self):
        table, _, _ = simulated(3)
        table[1, 1] = np.nan
        scores = scored(table)
        one = appraise_panel(trial_with(8).with_scores(scores))
        two = appraise_panel(trial_with(8).with_scores(scores.sample(frac=1, random_state=1)))
        assert two.pours["mean"].to_numpy() == pytest.approx(one.pours["mean"].to_numpy())
        wide = TERRACOTTA.replace("scale = [0, 10]", "scale = [0, 100]").replace("rising = [4, 8]", "rising = [40, 80]")
        tenfold = scores.assign(score=10 * scores["score"])
        three = appraise_panel(trial_with(8, text=wide).with_scores(tenfold))
        assert three.pours[["mean", "se"]].to_numpy() == pytest.approx(10 * one.pours[["mean", "se"]].to_numpy())
        assert three.testers["slope"].to_numpy() == pytest.approx(one.testers["slope"].to_numpy())

    def test_repeats_by_one_tester_count_less_than_another_tester(self):
        table, _, _ = simulated(4, pours=4, testers=4)
        again = scored(table, session="2")
        again["score"] = np.clip(again["score"] + np.tile([0.5, -0.5], 8), 0, 10)
        once = appraise_panel(trial_with(4).with_scores(scored(table)))
        twice = appraise_panel(trial_with(4).with_scores(pd.concat([scored(table), again], ignore_index=True)))
        assert twice.pours["n"].tolist() == [8] * 4 and twice.pours["testers"].tolist() == [4] * 4
        assert (twice.testers["repeat_sd"] > 0).all() and once.testers["repeat_sd"].isna().all()
        assert (twice.pours["se"] < once.pours["se"]).all()
        assert (twice.pours["se"] > once.pours["se"] / np.sqrt(2)).all()

    def test_set_aside_is_left_out(self):
        table, _, _ = simulated(5)
        trial = trial_with(8).with_scores(scored(table))
        aside = pd.DataFrame([{"action": "set aside", "tester": "T02", "reason": "had a cold"}])
        panel = appraise_panel(trial.with_set_aside(aside))
        assert "T02" not in set(panel.testers["tester"])
        assert panel.means("payoff")[0].to_numpy() == pytest.approx(np.delete(table, 1, axis=1).mean(axis=1))

    def test_unknown_attribute(self):
        panel = panel_of(simulated(1)[0])
        with pytest.raises(PanelError) as caught:
            panel.means("shine")
        assert str(caught.value) == "attribute is 'shine'. Choose 'payoff'."


class TestFlatPrior:
    def test_is_reml(self):
        table, _, _ = simulated(6)
        panel = appraise_panel(trial_with(8).with_scores(scored(table)), prior="flat")
        rest = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0) + table.mean()
        error = np.sum(rest**2) / 49                            # the analysis of variance of a balanced table
        testers = 8 * np.sum((table.mean(axis=0) - table.mean()) ** 2) / 7
        found = panel.noise.set_index("source")["found"]
        assert found["tester_pour"] == pytest.approx(np.sqrt(error), rel=1e-4)
        assert found["tester"] == pytest.approx(np.sqrt((testers - error) / 8), rel=1e-3)
        assert set(panel.noise["says"]) == {"from the scores alone"}

    def test_one_tester_is_refused(self):
        trial = trial_with(4).with_scores(scored([[1], [2], [3], [4]]))
        with pytest.raises(PanelError) as caught:
            appraise_panel(trial, prior="flat")
        assert str(caught.value) == ("payoff has 4 scores by 1 tester on 4 pours, too few to tell the noise from the "
                                     "scores alone. Use prior='weak'.")

    def test_other_priors_are_refused(self):
        with pytest.raises(PanelError) as caught:
            appraise_panel(trial_with(4).with_scores(scored([[1], [2], [3], [4]])), prior="strong")
        assert str(caught.value) == "prior is 'strong'. Choose 'weak' or 'flat'."


class TestAgreement:
    def test_complete_table(self):
        row = panel_of(simulated(7)[0]).agreement.iloc[0]
        assert (row["attribute"], row["testers"], row["pours"], row["scores"]) == ("payoff", 8, 8, 64)
        assert row["icc_from"] == "ICC(2,1)" and row["low"] < row["icc"] < row["high"]
        assert row["test"] == "Kendall's W" and row["w_testers"] == 8
        assert row["statistic"] == pytest.approx(8 * 7 * row["kendall_w"]) and row["df"] == 7
        assert 0 < row["reliability"] < 1

    def test_two_testers_of_one_mind_tell_the_pours_apart(self):
        """One mind on eight pours is one order in 8!; the chi-square of Kendall's W, 14 on 7 df, has .0512."""
        panel = panel_of(np.array([[1, 2], [2, 3], [3, 4], [4, 5], [5, 6], [6, 7], [7, 8], [8, 9.0]]))
        row = panel.agreement.iloc[0]
        assert row["test"] == "Kendall's W" and row["kendall_w"] == pytest.approx(1) and row["statistic"] == 14
        assert row["p"] == 1e-4 and "2 testers scored 8 pours and tell them apart on payoff" in str(panel)

    def test_so_do_two_of_whom_one_missed_a_pour(self):
        table = np.array([[1, 2], [2, 3], [3, 4], [4, 5], [5, 6], [6, 7], [7, 8], [8, 9.0]])
        table[3, 1] = np.nan
        panel = panel_of(table)
        row = panel.agreement.iloc[0]
        assert row["test"] == "Skillings-Mack" and row["p"] < 0.002 and "tell them apart on payoff" in str(panel)

    def test_the_chance_of_two_orders_is_that_of_spearmans_rho(self):
        """W is (1 + rho) / 2 for two testers, so its chance is the share of all 720 orders with no smaller rho."""
        from itertools import permutations

        from scipy.stats import spearmanr
        one, two = np.array([1.0, 2, 3, 4, 5, 6]), np.array([2.0, 1, 3, 6, 5, 4])
        rho = spearmanr(one, two).statistic
        far = [spearmanr(one, order).statistic >= rho - 1e-9 for order in permutations(two)]
        row = panel_of(np.column_stack([one, two])).agreement.iloc[0]
        assert row["kendall_w"] == pytest.approx((1 + rho) / 2)
        assert row["p"] == pytest.approx(np.mean(far), abs=3 * np.sqrt(np.mean(far) / 9999))

    def test_gaps_use_variance_components_and_skillings_mack(self):
        table = simulated(7)[0]
        table[0, 0] = np.nan
        row = panel_of(table).agreement.iloc[0]
        assert row["icc_from"] == "variance components" and row["low"] < row["icc"] < row["high"]
        assert row["test"] == "Skillings-Mack" and row["w_testers"] == 7

    def test_balanced_incomplete_uses_durbin(self):
        table = np.full((4, 4), np.nan)                        # 4 pours, 3 a tester, every pair twice
        for tester in range(4):
            for pour in range(4):
                if pour != tester:
                    table[pour, tester] = 2 + 1.5 * pour + 0.5 * tester
        row = panel_of(table).agreement.iloc[0]
        assert row["test"] == "Durbin" and row["df2"] == 5 and np.isnan(row["kendall_w"])
        assert row["p"] == p_by_shuffling(table) < 0.02           # 24 of the 6^4 orders are as clear: .0185

    def test_reliability_is_near_icc_3_k(self):
        """With wide prior and complete tables; ICC(3,k) of Shrout & Fleiss is the same share by mean squares."""
        gaps = [panel_of(simulated(seed)[0]).agreement["reliability"].iloc[0]
                - intraclass_correlations(simulated(seed)[0])["ICC(3,k)"].estimate for seed in range(8)]
        assert np.abs(gaps).max() < 0.06


class TestNoise:
    def test_says_nothing_yet_when_nothing_was_learnt(self):
        noise = panel_of([[3], [4], [6], [7]]).noise
        assert noise["says"].tolist() == ["the data say nothing yet about testers",
                                          "the data say nothing yet about tester x pour"]
        assert noise["found"].to_numpy() == pytest.approx([1.0, 0.8])

    def test_speaks_when_much_was_learnt(self):
        noise = panel_of(simulated(2, pours=10, testers=10, noise=0.3, level=3.0, step=0.1)[0]).noise
        assert noise["says"].tolist() == ["more than stated", "less than stated"]
        assert (noise["low"] < noise["found"]).all() and (noise["found"] < noise["high"]).all()

    def test_says_perhaps_while_what_was_stated_lies_in_the_interval(self):
        noise = panel_of(simulated(1, pours=10, testers=10, noise=0.3, level=3.0, step=0.1)[0]).noise.iloc[0]
        assert noise["low"] < noise["stated"] < noise["high"] and noise["says"] == "perhaps more than stated"


class TestEdges:
    def test_no_scores(self):
        with pytest.raises(PanelError) as caught:
            appraise_panel(trial_with(3))
        assert str(caught.value) == (
            "Terracotta stick has no standing score, so there is no panel to appraise. "
            "Record scores with append_scores (or trial.with_scores), or take back what is set aside.")

    def test_everything_set_aside(self):
        trial = trial_with(2).with_scores(scored([[3], [4]]))
        aside = pd.DataFrame([{"action": "set aside", "tester": "T01", "reason": "mixed up the codes"}])
        with pytest.raises(PanelError):
            appraise_panel(trial.with_set_aside(aside))

    def test_one_tester_only(self):
        panel = panel_of([[3], [4], [6], [7]])
        means, covariance = panel.means("payoff")
        assert means.tolist() == pytest.approx([3, 4, 6, 7])
        assert covariance.to_numpy() == pytest.approx(0.64 * np.eye(4), abs=1e-9)
        assert panel.agreement["icc_from"].tolist() == ["none"] and panel.agreement["test"].tolist() == ["none"]
        assert panel.in_two_lines() == ["1 tester scored 4 pours: with one tester nothing can be said about agreement.",
                                        "There is nobody to compare T01 with."]

    def test_who_scored_is_counted_over_all_attributes(self):
        """Two of four testers score three of five pours for payoff, the other two the other two pours for hardness."""
        table, names = simulated(4, pours=5, testers=4)[0], TEN[:5]
        scores = pd.concat([scored(table[:3, :2]), scored(table[3:, 2:], "hardness", testers=["T03", "T04"],
                                                          pours=names[3:])])
        assert appraise_panel(trial_with(5).with_scores(scores)).in_two_lines()[0].startswith(
            "4 testers scored 5 pours, in an order that is not yet more than chance on payoff (icc ")
        single = pd.concat([scored(table[:, :1]), scored(table[:, 1:2], "hardness", testers=["T02"])])
        assert appraise_panel(trial_with(5).with_scores(single)).in_two_lines()[0] == (
            "2 testers scored 5 pours, in an order that is not yet more than chance on payoff (too few scores) or hardness (too "
            "few scores).")

    def test_one_pour_only(self):
        panel = panel_of([[3, 4, 6, 7]])
        assert panel.means("payoff")[0].tolist() == pytest.approx([5])
        assert panel.testers["slope"].tolist() == [1.0] * 4
        assert panel.in_two_lines()[0] == "4 testers scored 1 pour: with one pour there is nothing to tell apart."

    def test_one_score(self):
        panel = panel_of([[3]])
        assert panel.means("payoff")[0].tolist() == [3.0]
        assert "Do they agree?" in str(panel)

    def test_all_testers_give_the_same_score(self):
        panel = panel_of(np.full((4, 5), 6.0))
        assert panel.means("payoff")[0].tolist() == pytest.approx([6] * 4)
        assert panel.agreement["icc"].isna().all() and panel.flags.empty
        assert "Every score of payoff is 6: the pours are alike, or the scale is not used." in str(panel)
        assert panel.in_two_lines()[0] == ("5 testers scored 4 pours, in an order that is not yet more than chance on "
                                           "payoff (every score the same).")
        flat = appraise_panel(trial_with(4).with_scores(scored(np.full((4, 5), 6.0))), prior="flat")
        assert flat.pours["se"].tolist() == [0.0] * 4

    def test_a_tester_with_one_score(self):
        table = simulated(9)[0]
        table[1:, 7] = np.nan
        row = panel_of(table).testers.set_index("tester").loc["T08"]
        assert row["n"] == 1 and row["slope"] == pytest.approx(1, abs=0.1) and np.isnan(row["alike"])
        assert row["level_se"] > panel_of(table).testers.set_index("tester").loc["T01", "level_se"]

    def test_use_of_the_scale_as_scored_and_as_expected(self):
        """A tester who uses half the scale of the others: as scored about a half, as expected of the next pours more."""
        table = simulated(8, noise=0.3, step=0.1)[0]
        table[:, 2] = 5 + 0.5 * (table[:, 2] - 5)
        row = panel_of(table).testers.set_index("tester").loc["T03"]
        first = np.linalg.svd(table - table.mean(axis=0))[2][0]
        assert row["slope_alone"] == pytest.approx(first[2] / first.mean(), abs=1e-3)
        assert abs(row["slope_alone"] - 0.53) < 2 * row["slope_alone_se"] < row["slope"]
        assert row["slope_alone"] < row["slope"] < 1

    def test_a_pour_nobody_scored(self):
        panel = appraise_panel(trial_with(5).with_scores(scored(simulated(1, pours=4)[0])))
        assert "X-05" not in panel.means("payoff")[0].index
        assert panel.unscored == ("X-05",)
        assert "Nobody has scored X-05." in str(panel) and "set aside" not in str(panel)

    def test_a_pour_whose_scores_are_all_set_aside_was_scored(self, demo):
        aside = demo.with_set_aside(pd.DataFrame([{"action": "set aside", "pour": "P03", "reason": "dropped"}]))
        panel = appraise_panel(aside)
        assert panel.unscored == () and panel.all_aside == ("P03",)
        assert "All scores of P03 are set aside." in str(panel) and "Nobody has scored" not in str(panel)
        blank = aside.scores[aside.scores["pour"] == "P05"].assign(score=np.nan, corrects="x", reason="another pour")
        assert appraise_panel(aside.with_scores(blank)).unscored == ("P05",)

    def test_attributes_need_not_share_testers(self):
        payoff = scored(simulated(1, pours=4)[0])
        shade = scored(simulated(2, pours=3, testers=2)[0], attribute="shade", testers=["T07", "T09"])
        panel = appraise_panel(trial_with(4).with_scores(payoff).with_scores(shade))
        assert panel.attributes == ("payoff", "shade")
        assert len(panel.means("shade")[0]) == 3
        assert panel.agreement["testers"].tolist() == [8, 2]
        assert "T09" in str(panel)

    def test_rounds_without_a_common_tester(self):
        table = np.full((4, 4), np.nan)
        table[:2, :2], table[2:, 2:] = [[3, 4], [5, 6]], [[7, 8], [8, 9]]
        panel = panel_of(table)
        assert ("payoff: no tester scored pours of X-01 and X-02 and of X-03 and X-04 alike, so how these compare "
                "rests on the stated spread of the testers.") in " ".join(str(panel).split())
        between = panel.means("payoff")[1].to_numpy()
        apart, within = (between[0, 0] + between[j, j] - 2 * between[0, j] for j in (2, 1))
        assert apart > 2 * within

    def test_names_in_two_cases_are_named(self):
        table = simulated(1, testers=3)[0]
        said = scored(table, testers=["Ida", "ida", "Ole"])
        panel = appraise_panel(trial_with(len(table)).with_tables({"scores": said}, files=True))
        assert ("Ida and ida differ only in capital letters: if they are one tester, correct the scores."
                in " ".join(str(panel).split()))

    def test_frames_are_copies(self):
        panel = panel_of(simulated(1)[0])
        for name in ("pours", "testers", "agreement", "noise", "flags"):
            frame = getattr(panel, name)
            frame["attribute"] = "changed"
            assert "changed" not in set(getattr(panel, name)["attribute"])


class TestWords:
    def test_report_is_in_the_order_of_the_questions(self):
        text = str(panel_of(simulated(1)[0]))
        heads = ["Do they agree? Terracotta stick", "Who leans?", "Which pours differ?",
                 "How much is noise, and how many testers would it take?"]
        assert [text.index(head) for head in heads] == sorted(text.index(head) for head in heads)

    def test_html_has_the_same_rows(self):
        panel = panel_of(simulated(1)[0])
        page = panel._repr_html_()
        assert page.count("<table>") == 6 and "<td" in page
        assert all(tester in page for tester in set(panel.testers["tester"]))

    def test_one_line_repr(self):
        assert repr(panel_of(simulated(1)[0])) == "<Panel of Terracotta stick: 8 testers, 8 pours, payoff>"

    def test_two_lines(self):
        lines = panel_of(simulated(1)[0]).in_two_lines()
        assert len(lines) == 2 and all(line.endswith(".") and "\n" not in line for line in lines)
        assert lines[0].startswith("8 testers scored 8 pours and tell them apart on payoff (icc 0.")

    def test_which_icc_is_said(self):
        assert "icc (ICC(2,1)): how alike the single scores of two testers are" in str(panel_of(simulated(1)[0]))


def test_twelve_testers_forty_pours_six_attributes_in_two_seconds():
    """Processor time, so that a busy machine does not matter."""
    names = ["payoff", "hardness", "sheerness", "shade", "shine", "glide"]
    text = TERRACOTTA + "[attributes.shine]\n[attributes.glide]\n"
    trial = trial_with(40, text=text)
    for k, name in enumerate(names):
        table = simulated(k, pours=40, testers=12)[0]
        table[np.random.default_rng(k).random(table.shape) < 0.1] = np.nan
        trial = trial.with_scores(scored(table, attribute=name))
    assert len(trial.made) == 40 and len(trial.standing_scores) > 2000      # read before, as any trial has been
    start = time.process_time()
    panel = appraise_panel(trial)
    frames = panel.agreement, panel.testers, panel.pours, panel.noise, panel.flags
    assert time.process_time() - start < 2.0
    assert [len(frame) for frame in frames[:4]] == [6, 72, 240, 12]

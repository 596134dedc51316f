"""What scores and their report say in cases that can be counted by hand: who leans, what is linked, what is not noise."""
import types

import numpy as np
import pandas as pd
import pytest
from panels import TEN, panel_of, scored, scored_of, simulated, trial_with
from recorded import MELTS, POURS, planned_trial, score_rows
from scipy.stats import friedmanchisquare, studentized_range

from labkit.attributes import Attribute
from labkit.core import agreement
from labkit.panel import appraise_panel, contrasts, seen
from labkit.panel.comparisons import _pairs, pairs_of, power_row, sitting_row
from labkit.panel.report import _leaning
from labkit.panel.scored import Scored


def test_reliability_counts_what_the_pours_do_not_share():
    """Half of the differences' variance between pours: what testers who missed some pours add to all of the others alike
    is no noise of differences. v / (v + mean of var(mean_i - mean_j) / 2)."""
    table = simulated(3, pours=5, testers=4)[0]
    table[:3, 0] = table[2:, 3] = np.nan
    found = scored_of(scored(table))
    pairs = pairs_of(found)
    noise = np.mean(pairs["se"] ** 2) / 2
    assert found.reliability == pytest.approx(found.spread**2 / (found.spread**2 + noise))


@pytest.mark.parametrize("pours, least, most", [(2, 0.7, 0.9), (4, 0.5, 0.7), (10, 0.3, 0.5)])
def test_reliability_begins_at_what_is_usual_and_the_report_says_so(pours, least, most):
    """Pours that do not differ at all: two of them were said to differ by .85 that is not noise, beside an icc of -.15."""
    tables = [simulated(seed, pours=pours, testers=5, spread=0.0)[0] for seed in range(20)]
    assert least < np.median([scored_of(scored(table)).reliability for table in tables]) < most
    told = " ".join(str(panel_of(tables[0])).split())
    assert ("reliability: the share of the differences between the pours' means that is not noise; it begins at how far pours "
            "usually differ (0.15 of the scale), so that of few pours it is high even where they are alike.") in told


def test_pours_that_are_linked_by_a_chain_of_testers_are_one_island():
    """T01 scored the first and second, T02 the second and third, and so on; the last two are linked to each other alone."""
    table = np.full((8, 6), np.nan)
    for t, pair in enumerate([(0, 1), (1, 2), (2, 3), (3, 4), (4, 5), (6, 7)]):
        table[list(pair), t] = 5.0, 6.0
    assert scored_of(scored(table)).islands() == [TEN[:6], TEN[6:8]]


def test_concordance_is_of_two_testers_and_two_pours_at_least():
    table = simulated(3, pours=4, testers=3)[0]
    table[0, 1:] = np.nan
    w, testers = scored_of(scored(table)).concordance()
    assert np.isnan(w) and testers == 1


def leaning(levels, ses, widths=(10.0, 10.0)):
    names = ["payoff", "shade"]
    frame = pd.DataFrame([{"attribute": name, "tester": tester, "level": level, "level_se": se}
                          for tester in levels for name, level, se in zip(names, levels[tester], ses)])
    scored = {name: types.SimpleNamespace(attribute=Attribute(name=name, high=width)) for name, width in zip(names, widths)}
    return _leaning(types.SimpleNamespace(testers=frame, scored=scored, attributes=names))


def test_who_leans_does_so_by_two_standard_errors_and_a_twentieth_of_the_scale():
    assert leaning({"T01": [0.6, 0.0]}, [0.2, 0.2]) == {"T01": ["high on payoff (+0.6)"]}
    assert leaning({"T01": [0.6, 0.0]}, [0.31, 0.2]) == {}                             # not two standard errors
    assert leaning({"T01": [-0.45, 0.0]}, [0.1, 0.1]) == {}                            # not worth a word
    assert leaning({"T01": [0.45, -0.45]}, [0.1, 0.1], widths=(10.0, 4.0)) == {"T01": ["low on shade (-0.5)"]}


def test_who_leans_most_as_a_part_of_the_scale_comes_first():
    """1.2 in 4 is more than 2 in 10."""
    found = leaning({"T01": [2.0, 0.0], "T02": [0.0, -1.2]}, [0.1, 0.1], widths=(10.0, 4.0))
    assert list(found.items()) == [("T02", ["low on shade (-1.2)"]), ("T01", ["high on payoff (+2.0)"])]


def test_a_p_value_by_draws_is_never_nothing():
    """(1 + as far) / (1 + draws), which is the chance itself under the hypothesis (Davison & Hinkley 1997, section 4.3)."""
    found = contrasts.all_pairs(np.array([0.0, 50.0]), 0.01 * np.eye(2), df=30)
    assert found.p.tolist() == [1 / (contrasts.DRAWS + 1)]


def test_pairs_count_the_degrees_of_freedom_of_the_prior_too():
    """scipy.stats.studentized_range on their degrees of freedom: three pours and two testers have two of their own."""
    found = scored_of(scored(simulated(3, pours=3, testers=2, spread=1.0)[0]))
    pairs, df = pairs_of(found), found.df
    assert df > 1.2 * found.cells.df == 1.2 * 2
    away = (pairs["difference"].abs() / pairs["se"] * np.sqrt(2)).to_numpy()
    assert pairs["p"].to_numpy() == pytest.approx(studentized_range.sf(away, 3, df), abs=0.012)
    reach = (pairs["high"] - pairs["low"]) / 2 / pairs["se"]
    assert reach.to_numpy() == pytest.approx(studentized_range.ppf(0.95, 3, df) / np.sqrt(2), rel=0.03)


def test_pours_that_nothing_blurs_differ_wherever_they_are_not_alike():
    found = contrasts.all_pairs(np.array([1.0, 1.0, 2.0]), np.zeros((3, 3)), df=5)
    assert found.p.tolist() == [1.0, 0.0, 0.0]


def test_what_is_fitted_exactly_tells_no_chance():
    """Pours and places give every score to the last digit: there is nothing to hold an effect against."""
    base, places = np.tile(np.eye(3), (4, 1)), np.repeat(np.eye(4)[:, :2], 3, axis=0)
    found = contrasts.added_effect(base @ [1.0, 5.0, 7.0] + places @ [0.3, 0.7], base, places)
    assert np.isnan(found.p) and found.df == 2 and found.df2 > 0


def test_the_place_in_a_sitting_is_compared_within_sessions():
    """All scores of the second session are two points lower, and its sitting is longer: places 4 to 6 stand there alone."""
    rng, rows = np.random.default_rng(5), []
    for session, pours, shift in (("1", [0, 1, 2], 0.0), ("2", [0, 1, 2, 3, 4, 5], -2.0)):
        for t in range(8):
            rows += [{"pour": TEN[p], "tester": f"T{t + 1:02d}", "session": session, "position": str(place + 1),
                      "attribute": "payoff", "score": round(6 + p / 3 + shift + rng.normal(0, 0.5), 1)}
                     for place, p in enumerate(rng.permutation(pours))]
    found = sitting_row(scored_of(pd.DataFrame(rows)), "position")
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm
    table = anova_lm(smf.ols("score ~ pour + tester + session + position", pd.DataFrame(rows)).fit(), typ=2)
    assert found["f"] == pytest.approx(table.at["position", "F"]) and found["p"] == pytest.approx(
        table.at["position", "PR(>F)"]) and found["p"] > 0.05


def test_places_are_told_about_their_mean():
    """Six testers, three pours in every order: the mean of a place less that of all."""
    orders = [(0, 1, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0), (0, 2, 1), (1, 0, 2)]
    add, rows = np.array([2.0, 0.5, 0.2]), []
    for t, order in enumerate(orders):
        rows += [{"pour": TEN[p], "tester": f"T{t + 1:02d}", "session": "1", "position": str(place + 1), "attribute": "payoff",
                  "score": 3 + p + add[place] + 0.1 * ((t + p) % 2)} for place, p in enumerate(order)]
    says = sitting_row(scored_of(pd.DataFrame(rows)), "position")["says"]
    means = pd.DataFrame(rows).groupby("position")["score"].mean()
    assert says == ", ".join(f"{value:+.1f} at {place}" for place, value in (means - means.mean()).items())


def test_places_are_told_in_the_order_of_their_numbers_and_scores_without_one_are_passed_over():
    rng, rows = np.random.default_rng(2), []
    for t in range(6):
        rows += [{"pour": TEN[p], "tester": f"T{t + 1:02d}", "session": "1", "position": place, "attribute": "payoff",
                  "score": p / 2 + 3 * (place == "10") + rng.integers(3)} for place, p in zip(
                      ("2", "9", "10", "11"), rng.permutation(4))]
    blank = [row | {"position": "", "score": 9.0} for row in rows[:7]]
    found = sitting_row(scored_of(pd.DataFrame(rows)), "position")
    assert [part.split(" at ")[1] for part in found["says"].split(", ")] == ["2", "9", "10", "11"]
    assert sitting_row(scored_of(pd.DataFrame(rows + blank)), "position") == found
    assert sitting_row(scored_of(pd.DataFrame(blank + [rows[0]])), "position") is None


def test_power_of_one_pour_is_that_of_a_sitting_of_four():
    row = power_row(scored_of(scored([[3, 4, 6, 7]])))
    assert row["pours"] == 4 and np.isnan(row["sees"])
    assert row["testers_for_asked"] == seen.testers_needed(1.0, noise=row["noise"], pours=4, worth=scored_of(
        scored([[3, 4, 6, 7]])).df)


def test_the_difference_that_is_seen_is_of_the_middle_one_of_all_pairs():
    table = simulated(1, pours=6, testers=6)[0]
    table[0, :5] = table[1, :3] = np.nan
    found = scored_of(scored(table))
    pairs = _pairs(found)
    assert np.ptp(pairs.se) > 0.5 * np.median(pairs.se)
    assert power_row(found)["sees"] == pytest.approx(
        seen.least_seen(se=np.median(pairs.se), df=found.df, multiple=pairs.multiple))


def test_where_there_is_no_noise_two_testers_show_all():
    panel = appraise_panel(trial_with(4).with_scores(scored(np.full((4, 5), 6.0))), prior="flat")
    assert panel.power[["noise", "testers_for_asked"]].to_numpy().tolist() == [[0.0, 2.0]]


def test_testers_stand_in_the_order_of_their_numbers():
    """N1, N2, N10: the tables told N1, N10, N2."""
    rows = [(pour, f"N{k}", "payoff", score + k % 3) for k in (1, 2, 10, 11) for pour, score in (
        ("P01", 3), ("P02", 5), ("P03", 4))]
    panel = appraise_panel(planned_trial().with_melts(MELTS).with_pours(POURS).with_scores(score_rows(*rows)))
    assert panel.testers["tester"].tolist() == ["N1", "N2", "N10", "N11"]
    assert [line.split()[0] for line in str(panel).splitlines() if line.startswith("  N")][:4] == ["N1", "N2", "N10", "N11"]


def test_the_interval_of_a_pour_ends_where_the_scale_does():
    """One pour lies at the very top and one at the very bottom: the half width by itself would lead beyond."""
    panel = panel_of([[10, 9.5], [0, 0.5], [5, 5.5]])
    top, bottom, middle = panel.pours.to_dict("records")
    reach = panel.scored["payoff"].multiple * middle["se"]
    assert middle["mean"] - middle["low"] == pytest.approx(reach) == pytest.approx(middle["high"] - middle["mean"])
    assert top["mean"] + reach > 10 == top["high"] and bottom["mean"] - reach < 0 == bottom["low"]


@pytest.mark.parametrize("sign", [1, -1])
def test_an_interval_reaches_to_a_mean_beyond_the_end_of_the_scale(sign):
    """Who scores three or four points off the others missed a pour that these put at the very end."""
    table = 5 + sign * np.array([[np.nan, 5, 5], [4.5, 0, 0], [3.5, -1, -0.5]])
    first = panel_of(table).pours.iloc[0]
    ends = (first["low"], first["high"])[::sign]
    assert sign * (first["mean"] - 5) > 5.5 and ends == (5 + 5 * sign, first["mean"])


def test_scores_given_again_are_no_further_pours_or_testers_and_no_complete_table():
    table = simulated(3, pours=4, testers=3)[0]
    panel = appraise_panel(trial_with(4).with_scores(scored(table)).with_scores(
        scored(table[:1] + 0.5, session="2", testers=["T01", "T02", "T03"])))
    assert panel.testers[["n", "pours"]].to_numpy().tolist() == [[5, 4]] * 3
    assert panel.pours[["n", "testers"]].to_numpy().tolist() == [[6, 3], [3, 3], [3, 3], [3, 3]]
    assert panel.agreement["icc_from"].item() == "variance components"
    assert panel_of(table).agreement["icc_from"].item() == "ICC(2,1)"


@pytest.mark.parametrize("testers", [7, 8])
def test_the_chance_of_fewer_than_eight_testers_is_counted_by_shuffling(testers):
    """From eight on it is the chi-square's, as of scipy's Friedman test."""
    table = simulated(4, pours=4, testers=testers, spread=0.3)[0]
    name, found = scored_of(scored(table)).rank_test()
    asymptotic, drawn = friedmanchisquare(*table).pvalue, agreement.p_by_shuffling(table)
    assert name == "Kendall's W" and asymptotic > 0.001 and abs(asymptotic - drawn) > 1e-3
    assert found.p == pytest.approx(drawn if testers < 8 else asymptotic)


def test_the_usual_spread_of_pours_is_a_part_of_the_width_of_the_scale():
    frame = scored(np.array([[2, 3], [4, 5], [5, 6]]))
    found = Scored.of(frame, attribute=Attribute(name="payoff", low=2, high=6), pours=TEN, prior="weak",
                         stated={"tester": 0.4, "tester_pour": 0.3})
    assert found.stated_spread == pytest.approx(0.15 * 4)


def test_the_limits_of_the_noise_are_those_of_each_source():
    """The log of a standard deviation found on n degrees of freedom is known to about 1 / sqrt(2 n): 49 and 7 here."""
    rows = panel_of(simulated(4)[0]).noise.set_index("source")
    for source, df in (("tester_pour", 49), ("tester", 7)):
        reach = np.log(rows.loc[source, ["low", "high"]].astype(float) / rows.at[source, "found"])
        assert reach["low"] == pytest.approx(-reach["high"])
        assert reach["high"] == pytest.approx(1.645 / np.sqrt(2 * df), rel=0.2)

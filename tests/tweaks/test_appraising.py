"""What is said of confirmation pours: headline, rows and sentences agree with each other and with the plan."""
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import labkit
from labkit.tweaks.appraising import _few, advice_on, verdict_on, whole_of
from labkit.tweaks.confirmed import _equally_good
from labkit.tweaks.confirming import _expected_words, measured
from labkit.tweaks.forecast import usual_judges
from labkit.tweaks.foretold import Foretold
from labkit.tweaks.result import with_units
from labkit.tweaks.rivals import Rivals

PLANNED = {"low": 4.3, "high": 8.1, "unit": "", "below": 4.0, "better below": "P11", "above": 7.7, "better above": "P07",
           "at once": False, "read": False, "usual": 6.0, "pours": 1.0, "judges": 6.0}
NUMBERS = "With these scores its desirability is 0.77 (90 %: 0.65 to 0.86)"
NONE = f"{NUMBERS}; no other known formula is expected to be better."
TOLD = "8.0, where 4.3 to 8.1 was expected"


def known(*, chance=0.9, **others):
    """Desirability with all scores, and the chance with which any of the others is better."""
    return Rivals(formula=pd.Series({"mean": 0.772, "low": 0.65, "high": 0.86}), others=pd.Series(others, dtype=float),
                 chances=pd.Series(chance, index=list(others)))


def row(result, attribute="softness", **changed):
    return {"attribute": attribute, "result": result, **PLANNED, **changed}


def said(rows, now, failed=(), pours=("P13",)):
    """The verdict on the whole, those on the rows with their reasons, and the advice."""
    table = pd.DataFrame(rows)
    found = [verdict_on(each, now) for each in rows]
    table["verdict"] = [verdict for verdict, _ in found]
    whole = whole_of(table, now, list(failed))
    return whole, found, advice_on(whole, table, now, list(failed), list(pours)).split("\n")


def test_within_the_interval_and_beyond_a_turning_point_where_nothing_is_better_the_two_are_close():
    whole, found, advice = said([row(6.9, "payoff"), row(8.0)], known(P07=0.768))
    assert whole == "not clear" and found[0][0] == "confirmed"
    assert found[1] == ("not clear", f"{TOLD}; over 7.7 P07 was to become the better choice, but with all scores counted "
                                     "it is not.")
    assert advice == ["softness came out over 7.7, from where on P07 was to become the better choice; with all scores "
                      "counted it is not (0.77 against 0.77). Keep the formula, or pour the two side by side to be sure.",
                      NONE]


@pytest.mark.parametrize("now, why, choice", [
    (known(P07=0.8, P03=0.7), f"{TOLD}; over 7.7 P07 would be the better choice.", "P07"),
    (known(P07=0.78, P03=0.8), f"{TOLD}; over 7.7 P07 was to become the better choice, but with all scores counted P03 "
                               "is.", "P03"),
])
def test_beyond_a_turning_point_where_a_known_formula_is_better_the_choice_is_overturned(now, why, choice):
    whole, found, advice = said([row(8.0)], now)
    assert (whole, found) == ("overturned", [("overturned", why)])
    assert advice == [f"Settle on {choice}, or ask suggest_next for another round.",
                      f"{NUMBERS}, that of {choice} 0.80, which is better with a chance of 0.90."]


@pytest.mark.parametrize("chance, whole", [(0.75, "overturned"), (0.74, "not clear"), (0.58, "not clear")])
def test_a_choice_is_overturned_where_another_is_better_at_three_to_one(chance, whole):
    """A result within what was expected may lie beyond a turning point: a formula known from one score is no better yet."""
    now = known(P07=0.8, chance=chance)
    found, rows, advice = said([row(8.0)], now)
    assert found == whole and rows[0][0] == whole
    assert advice[1].endswith(f"that of P07 0.80, which is better with a chance of {chance:.2f}.")
    if whole == "not clear":
        assert rows[0][1] == (f"{TOLD}; over 7.7 P07 was to become the better choice, but with all scores counted P07 is "
                              "not clearly better.")
        assert advice[0] == (
            "softness came out over 7.7, from where on P07 was to become the better choice; with all scores counted P07 is "
            "expected to be better (0.80 against 0.77), but not clearly. Pour the two side by side to be sure, or ask "
            "suggest_next for another round.")
        assert said([row(6.0)], now)[0] == "confirmed" and said([row(8.2)], now)[0] == "overturned"


def test_what_is_as_good_is_not_told_as_better_two_lines_on():
    """Under LEAD the numbers say "as good", and so does the sentence before them."""
    whole, rows, advice = said([row(8.0)], known(P07=0.774))
    assert whole == "not clear" and rows[0][1].endswith("with all scores counted P07 is not clearly better.")
    assert advice == ["softness came out over 7.7, from where on P07 was to become the better choice; with all scores "
                      "counted P07 is expected to be as good (0.77 against 0.77). Pour the two side by side to be sure, or "
                      "ask suggest_next for another round.", f"{NUMBERS}; P07 is expected to be as good."]


def test_a_surprise_that_with_all_scores_makes_another_better_overturns_the_choice():
    whole, found, advice = said([row(8.0, above=np.nan, high=7.5)], known(P07=0.8))
    assert whole == "overturned" and found == [
        ("not clear", "8.0, where 4.3 to 7.5 was expected; of itself that makes no known formula a better choice.")]
    assert advice[0] == ("softness came out otherwise than expected, and with all scores counted P07 is the better choice. "
                         "Settle on P07, or ask suggest_next for another round.")


def test_as_expected_and_yet_another_is_clearly_better():
    whole, _, advice = said([row(6.0)], known(P07=0.8))
    assert whole == "not clear" and advice == [
        "Everything came out as expected, but with all scores counted P07 is expected to be better. Settle on P07, or pour "
        "the two side by side to be sure.", f"{NUMBERS}, that of P07 0.80, which is better with a chance of 0.90."]
    whole, _, advice = said([row(6.0)], known(P07=0.774))
    assert whole == "confirmed" and advice[1] == f"{NUMBERS}; P07 is expected to be as good."


def test_where_another_was_better_already_no_turning_point_counts():
    whole, found, _ = said([row(7.9, **{"at once": True})], known(P07=0.7))
    assert (whole, found) == ("confirmed", [("confirmed", "7.9, where 4.3 to 8.1 was expected.")])
    assert said([row(8.9, **{"at once": True})], known(P07=0.7))[1] == [
        ("not clear", "8.9, where 4.3 to 8.1 was expected.")]


@pytest.mark.parametrize("result, verdict", [(4.3, "confirmed"), (8.1, "confirmed"), (4.29, "not clear"), (8.11, "not clear")])
def test_the_ends_of_an_interval_belong_to_it(result, verdict):
    assert said([row(result, below=np.nan, above=np.nan)], known(P07=0.7))[0] == verdict


def test_what_was_not_judged_yet_is_to_be_judged():
    rows = [row(np.nan, "payoff"), row(np.nan, "shade"), row(6.0, read=True, unit="mm")]
    whole, found, advice = said(rows, known(P07=0.7))
    assert whole == "not clear" and found == [
        ("not judged", "no pour of the confirmation was scored for it.")] * 2 + [
        ("confirmed", "6.0 mm, where 4.3 to 8.1 was expected.")]
    assert advice == ["P13 has not been scored for payoff and shade yet. Have it tasted for that, and appraise the "
                      "confirmation again.", NONE]
    _, found, advice = said([row(6.0, "payoff"), row(np.nan, read=True)], known(P07=0.7), pours=("P13", "P14"))
    assert found[1] == ("not judged", "no pour of the confirmation was read for it.")
    assert advice[0] == ("P13 and P14 have not been read for softness yet. Take the reading, and appraise the confirmation "
                         "again.")


def test_what_is_overturned_before_all_is_judged_waits_for_the_rest():
    whole, found, advice = said([row(8.0), row(np.nan, "shade")], known(P07=0.8))
    assert whole == "not clear" and [verdict for verdict, _ in found] == ["overturned", "not judged"]
    assert advice == ["P13 has not been scored for shade yet. Have it tasted for that, and appraise the confirmation "
                      "again.", f"{NUMBERS}, that of P07 0.80, which is better with a chance of 0.90."]


def test_after_a_failure_a_better_formula_is_named():
    for other, what in ((0.7, "Pour it once more"), (0.8, "Settle on P07")):
        whole, _, advice = said([row(6.0)], known(P07=other), failed=["P14"], pours=["P13", "P14"])
        assert whole == "not clear" and advice[:2] == [
            "P14 failed. A formula that fails is not settled: find out why first.",
            f"{what}, or ask suggest_next for another round."]


def test_fewer_who_tell_are_named():
    rows = [row(6.0, "payoff", judges=1.0), row(6.0, "shade", judges=1.0, pours=2.0),
            row(6.0, read=True, usual=3.0, judges=1.5, pours=2.0)]
    advice = said(rows, known(P07=0.7), pours=("P13", "P14"))[2]
    end = "told, so that more may be chance: the result was expected in a wider interval than planned."
    assert advice[2:] == [f"Of payoff only 1 tester a pour in place of 6 and 1 pour in place of 2 {end}",
                          f"Of shade only 1 tester a pour in place of 6 {end}",
                          f"Of softness only 1.5 readings a pour in place of 3 {end}"]
    between = said([row(6.0, judges=1.0, usual=2.5)], known(P07=0.7), pours=("P13", "P14"))[2]
    assert between[2].startswith("Of ") and "only 1 tester a pour in place of 2 to 3" in between[2]


def test_fewer_testers_and_pours_add_the_variance_that_they_leave():
    """Normal, so that the half width is 1.645 standard deviations: 0.3^2 shared, 0.8^2 a pour, of it 0.5^2 by 6 testers."""
    n, rng = 200_000, np.random.default_rng(1)
    told = Foretold(low=-99, high=99, long_run=np.zeros((n, 1)), middle=np.zeros(n), shared=np.ones((n, 1)),
                    together=np.full(n, 0.3), alone=np.full(n, 0.8), tasting=np.full(n, 0.5),
                    normal=rng.standard_normal((2, n)))
    low, high = told.thinner(judges=6.0, pours=2.0).interval(2)
    assert (high - low) / 2 == pytest.approx(1.645 * np.sqrt(0.09 + 0.64 - 0.25 + 6 * 0.25), rel=0.01)
    twice = told.thinner(judges=2.0, pours=2.0).thinner(judges=3.0, pours=1.5)
    for part, at_once in (("alone", 3 * (0.64 - 0.25 + 6 * 0.25)), ("tasting", 3 * 6 * 0.25)):
        np.testing.assert_allclose(getattr(twice, part) ** 2, at_once)


def test_usual_is_the_median_pour(demo):
    """Of twelve pours five were tasted for shade by all six testers, seven by two."""
    few = demo.scores["pour"].isin(demo.made.index[:7]) & (demo.scores["attribute"] == "shade")
    kept = demo.scores[~few | demo.scores["tester"].isin(["T01", "T02"])]
    trial = replace(demo, tables={**demo.tables, "scores": kept.reset_index(drop=True)})
    assert usual_judges(trial) == {"payoff": 6.0, "hardness": 6.0, "sheerness": 6.0, "shade": 2.0}


def test_units_of_what_is_read_stand_in_sentences_and_grids():
    assert (measured(8.09, "mm"), measured(8.09, "")) == ("8.1 mm", "8.1")
    expected = pd.DataFrame({"attribute": ["payoff", "softness"], "low": 4.3, "high": 8.1, "unit": ["", "mm"]})
    turns = pd.DataFrame({"attribute": ["payoff", "softness"], "at once": True})
    assert _expected_words(expected, turns) == ("payoff should come out between 4.3 and 8.1.\n"
                                                "softness should come out between 4.3 and 8.1 mm.")
    shown = with_units(expected, expected.set_index("attribute")["unit"])
    assert list(shown["attribute"]) == ["payoff", "softness [mm]"]


@pytest.fixture(scope="module")
def planned(demo):
    return labkit.plan_confirmation(demo, pours=2, seed=2)


def test_fewer_pours_are_expected_as_if_they_had_been_planned_and_more_testers_as_planned(planned):
    forecast, told = planned.forecast, planned.forecast.told
    assert forecast.of_fewer({"payoff": 2}, {"payoff": 12.0}) is forecast
    assert forecast.of_fewer({"payoff": 3}, {"payoff": 6.0}) is forecast
    one = forecast.of_fewer({"payoff": 1}, {"payoff": 12.0})
    assert one.told["payoff"].interval(2) == pytest.approx(told["payoff"].interval(1))
    assert one.told["shade"] is told["shade"] and one.overturns().shape == planned.overturns.shape
    half = forecast.of_fewer({"payoff": 9}, {"payoff": 3.0}).told["payoff"]
    assert half.alone**2 == pytest.approx(told["payoff"].alone**2 + told["payoff"].tasting**2)


def test_one_tester_in_place_of_six_is_told_and_widens_the_interval(demo, planned):
    assert "Mean of these pours (6 testers): expected nine times in ten" in str(planned)
    trial = demo.with_round(planned.round).with_pours(planned.round.as_poured())
    rows = [{"pour": pour, "tester": "T01", "session": "9", "attribute": name, "score": round(mean)}
            for name, mean in planned.expected[["attribute", "mean"]].to_numpy() for pour in planned.round.pours]
    found = labkit.appraise_confirmation(trial.with_scores(pd.DataFrame(rows)), planned, seed=2)
    wide, before = (frame["high"] - frame["low"] for frame in (found.attributes, planned.expected))
    assert (wide > before).all() and (wide[:3] > 1.15 * before[:3]).all()      # shade ends at the end of its scale
    assert found.advice.split("\n")[-1] == (
        "Of payoff, hardness, sheerness and shade only 1 tester a pour in place of 6 told, so that more may be chance: the "
        "result was expected in a wider interval than planned.")


@pytest.mark.parametrize("judges, each", [([5] * 3, 5), ([6] * 10, 6), ([2, 3, 6], 3), ([1, 3], 1.5), ([4], 4)])
def test_as_many_testers_as_were_counted_on_are_not_fewer(judges, each):
    """1 / mean(1 / n) of three times five is 4.999999999999999, and five in place of five was told as fewer."""
    assert _equally_good(pd.Series(judges)) == each


@pytest.mark.parametrize("judges, told", [([13, 13, 12], "12.6 testers"), ([11, 11, 10], "10.6 testers"), ([2, 3], "2.4 testers"),
                                          ([1, 1], "1 tester"), ([12, 12], "12 testers"), ([1, 2], "1.3 testers")])
def test_fewer_are_never_told_as_so_many(judges, told):
    """Of thirteen on two pours and twelve on the third, 12.65, two digits said `13 testers a pour in place of 13`."""
    assert _few(_equally_good(pd.Series(judges)), "tester") == told


def test_a_panel_of_five_tastes_three_pours_as_planned(demo):
    tables = {name: demo.tables[name][demo.tables[name]["tester"] != "T06"] for name in ("scores", "servings")}
    trial = labkit.Trial(definition=demo.definition, tables={**demo.tables, **tables})
    planned = labkit.plan_confirmation(trial, pours=3, seed=2)
    made = trial.with_round(planned.round).with_pours(planned.round.as_poured())
    rows = [{"pour": pour, "tester": f"T0{k}", "session": "9", "attribute": name, "score": round(mean)}
            for name, mean in planned.expected[["attribute", "mean"]].to_numpy() for pour in planned.round.pours
            for k in range(1, 6)]
    found = labkit.appraise_confirmation(made.with_scores(pd.DataFrame(rows)), planned, seed=2)
    assert " in place of " not in found.advice
    pd.testing.assert_frame_equal(found.attributes[["low", "high"]], planned.expected[["low", "high"]], check_exact=True)


def test_where_all_pours_fail_nothing_is_to_be_tasted(demo, planned):
    made = planned.round.as_poured().assign(outcome="failed: broke on unmoulding")
    found = labkit.appraise_confirmation(demo.with_round(planned.round).with_pours(made), planned, seed=2)
    assert found.verdict == "not clear" and (found.attributes["verdict"] == "not judged").all()
    first, second, last = found.advice.split("\n")
    assert first == "P13 and P14 failed. A formula that fails is not settled: find out why first."
    better = re.search(r"that of (P\d+) .* with a chance of (0.\d\d)", last)    # where another is expected to be better
    what = f"Settle on {better[1]}" if better else "Pour it once more"
    assert second == f"{what}, or ask suggest_next for another round." and last.startswith("With ")

"""What the confirmation pours said: scores made to come out as expected, or far from it."""
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import labkit
from labkit.errors import TweakError
from labkit.tweaks.appraising import whole_of
from labkit.tweaks.confirmed import _rivals
from labkit.tweaks.rivals import Rivals
from labkit.tweaks.words import poured_alone

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def confirmation(demo):
    return labkit.plan_confirmation(demo, pours=2, seed=2)


@pytest.fixture(scope="module")
def levels(demo):
    return labkit.appraise_panel(demo).testers


def poured(demo, confirmation, outcome="ok"):
    made = confirmation.round.as_poured().assign(outcome=["ok", outcome])
    return demo.with_round(confirmation.round).with_pours(made)


def scored(trial, confirmation, levels, pours=None, **means):
    """Every tester scores the mean asked for (default: as expected) with his own leaning: the adjusted mean is exact."""
    expected = confirmation.expected.set_index("attribute")["mean"].to_dict()
    rows = []
    for name, mean in {**expected, **means}.items():
        own = levels[levels["attribute"] == name].set_index("tester")["level"]
        rows += [{"pour": pour, "tester": tester, "session": "9", "position": "1", "attribute": name,
                  "score": float(np.clip(mean + level, 0, 10))}
                 for pour in pours or confirmation.round.pours for tester, level in (own - own.mean()).items()]
    return trial.with_scores(pd.DataFrame(rows))


@pytest.fixture(scope="module")
def as_expected(demo, confirmation, levels):
    return labkit.appraise_confirmation(scored(poured(demo, confirmation), confirmation, levels), confirmation)


def test_what_comes_out_as_expected_is_confirmed(confirmation, as_expected):
    assert as_expected.verdict == "confirmed" and (as_expected.attributes["verdict"] == "confirmed").all()
    np.testing.assert_allclose(as_expected.attributes["result"], confirmation.expected["mean"], atol=0.1)
    assert as_expected.advice.startswith("The formula did what was expected of it in everything that is wanted. Keep it.\n"
                                         "With these scores its desirability is 0.")
    before = confirmation.misses.set_index("attribute").loc["desirability"]
    assert as_expected.desirability["high"] - as_expected.desirability["low"] < before["high"] - before["low"]


def test_a_result_beyond_its_turning_point_overturns_the_choice(demo, confirmation, levels):
    turn = confirmation.overturns.set_index("attribute").loc["hardness"]
    assert turn["better below"]                             # else this test shows nothing
    trial = scored(poured(demo, confirmation), confirmation, levels, hardness=turn["below"] - 1.5)
    found = labkit.appraise_confirmation(trial, confirmation)
    row = found.attributes.set_index("attribute").loc["hardness"]
    assert row["verdict"] == "overturned" and row["why"].endswith(
        f"was expected; under {turn['below']:.1f} {turn['better below']} would be the better choice.")
    assert found.verdict == "overturned" and found.advice.startswith("Settle on P")
    assert found.desirability["mean"] < float(found.advice.split(", that of ")[1].split()[1].rstrip(","))


def test_a_surprise_that_makes_nothing_better_is_not_clear(demo, confirmation, levels):
    high = confirmation.expected.set_index("attribute").at["payoff", "high"]
    trial = scored(poured(demo, confirmation), confirmation, levels, payoff=high + 0.4)
    found = labkit.appraise_confirmation(trial, confirmation)
    row = found.attributes.set_index("attribute").loc["payoff"]
    assert row["verdict"] == "not clear" and row["why"].endswith(
        "of itself that makes no known formula a better choice.")
    assert found.verdict == "not clear" and found.advice.startswith(
        "payoff came out otherwise than expected. Pour it once more, or ask suggest_next for another round.\n")


def test_a_formula_is_not_held_against_its_own_pours(demo, confirmation, levels):
    """Weighed a little off, they would be other formulas that may come out the better by chance."""
    made = confirmation.round.as_poured()
    made["pour_temperature"] = made["pour_temperature"] + [0.3, -0.3]
    trial = demo.with_round(confirmation.round).with_pours(made)
    found = _rivals(scored(trial, confirmation, levels), confirmation, 0)
    assert len(found.others) > 5 and not {"P13", "P14"} & set(found.others.index)
    assert list(found.chances.index) == list(found.others.index)


def test_a_pour_that_fails_settles_nothing(demo, confirmation, levels):
    trial = poured(demo, confirmation, "failed: broke on unmoulding")
    found = labkit.appraise_confirmation(scored(trial, confirmation, levels, pours=["P13"]), confirmation)
    assert found.verdict == "not clear"
    assert found.advice.startswith("P14 failed. A formula that fails is not settled: find out why first.\n")


def test_a_pour_that_was_dropped_and_is_set_aside_does_not_count_against_the_formula(demo, confirmation, levels):
    trial = scored(poured(demo, confirmation, "failed: dropped"), confirmation, levels, pours=["P13"])
    dropped = pd.DataFrame([{"action": "set aside", "pour": "P14", "reason": "dropped"}])
    found = labkit.appraise_confirmation(trial.with_set_aside(dropped), confirmation)
    assert found.verdict == "confirmed" and found.advice.startswith(
        "P14 failed, set aside, and not counted.\nThe formula did what was expected of it in everything that is wanted. Keep it.\n")
    assert "1 pour in place of 2 told" in found.advice


def test_where_every_pour_was_dropped_nothing_tells(demo, confirmation):
    lost = confirmation.round.as_poured().assign(outcome="failed: dropped")
    dropped = pd.DataFrame([{"action": "set aside", "pour": pour, "reason": "dropped"} for pour in confirmation.round.pours])
    trial = demo.with_round(confirmation.round).with_pours(lost).with_set_aside(dropped)
    found = labkit.appraise_confirmation(trial, confirmation)
    assert found.verdict == "not clear" and found.advice.startswith(
        "P13 and P14 failed, set aside, and not counted.\n"
        "Nothing tells of the formula. Pour it once more (plan_confirmation).\n")


def test_a_pour_that_is_set_aside_without_having_failed_does_not_count_either(demo, confirmation, levels):
    """As after a spill: without its scores it was asked for as if it had not been tasted."""
    trial = scored(poured(demo, confirmation), confirmation, levels)
    spilt = pd.DataFrame([{"action": "set aside", "pour": "P14", "reason": "mixed up at the table"}])
    found = labkit.appraise_confirmation(trial.with_set_aside(spilt), confirmation)
    alone = labkit.appraise_confirmation(scored(trial_of_one(demo, confirmation), confirmation, levels, pours=["P13"]),
                                         confirmation)
    assert found.verdict == alone.verdict == "confirmed" and found.advice.startswith(
        "P14 is set aside, and not counted.\nThe formula did what was expected of it in everything that is wanted. Keep it.\n")
    np.testing.assert_allclose(found.attributes[["low", "high"]], alone.attributes[["low", "high"]])
    assert "1 pour in place of 2 told" in found.advice


def trial_of_one(demo, confirmation):
    """Of the two pours the second was dropped, and is set aside for that."""
    dropped = pd.DataFrame([{"action": "set aside", "pour": "P14", "reason": "dropped"}])
    return poured(demo, confirmation, "failed: dropped").with_set_aside(dropped)


def test_what_is_wanted_and_was_never_scored_is_not_said_to_be_confirmed(demo, levels):
    known = demo.scores[demo.scores["attribute"] != "shade"].reset_index(drop=True)
    trial = labkit.Trial(definition=demo.definition, tables={**demo.tables, "scores": known})
    plan = labkit.plan_confirmation(trial, pours=2, seed=2)
    efforts = labkit.compare_efforts(trial, seed=2)
    unknown = "shade has too few scores yet and plays no part in this. Have it scored before you settle."
    assert all(unknown in x.advice.split("\n") for x in (plan, efforts))
    assert "\nThe chance that every other score is of use in the long run is " in plan.advice
    found = labkit.appraise_confirmation(scored(poured(trial, plan), plan, levels), plan)
    assert found.verdict == "confirmed" and found.advice.split("\n")[:2] == [
        "The formula did what was expected of it in payoff, hardness and sheerness. Keep it.",
        "Nothing was expected of shade: too little was known when this was planned."]


@pytest.mark.parametrize("verdicts, other, failed, whole", [
    (["confirmed", "confirmed"], 0.5, [], "confirmed"),
    (["confirmed", "confirmed"], 0.603, [], "confirmed"),
    (["confirmed", "confirmed"], 0.7, [], "not clear"),
    (["confirmed", "overturned"], 0.7, [], "overturned"),
    (["confirmed", "not clear"], 0.5, [], "not clear"),
    (["confirmed", "not clear"], 0.61, [], "not clear"),                     # beyond a turning point, but expected
    (["confirmed", "off"], 0.603, [], "not clear"),
    (["confirmed", "off"], 0.61, [], "overturned"),
    (["confirmed", "overturned"], 0.61, [], "overturned"),
    (["confirmed", "not judged"], 0.7, [], "not clear"),
    (["confirmed", "not judged"], 0.5, [], "not clear"),
    (["confirmed", "confirmed"], 0.5, ["P14"], "not clear"),
])
def test_the_whole_follows_from_its_parts(verdicts, other, failed, whole):
    """off : not clear, as it came out otherwise than expected."""
    known = Rivals(formula=pd.Series({"mean": 0.6, "low": 0.5, "high": 0.7}), others=pd.Series({"P03": 0.1, "P07": other}),
                  chances=pd.Series({"P03": 0.0, "P07": 0.8}))
    table = pd.DataFrame({"verdict": verdicts, "result": [9.0 if v == "off" else 6.0 for v in verdicts], "low": 4, "high": 8})
    assert whole_of(table.replace({"off": "not clear"}), known, failed) == whole


def test_reports(as_expected):
    text, page = str(as_expected), as_expected._repr_html_()
    assert max(map(len, text.splitlines())) <= 100
    for part in ("The choice is confirmed", "hardness", "was expected."):
        assert part in text and part in page
    assert repr(as_expected).startswith("<Verdict: confirmed, desirability 0.")
    assert list(as_expected.to_frame()["attribute"]) == ["payoff", "hardness", "sheerness", "shade"]


def test_the_number_of_its_round_is_enough_once_the_plan_is_no_longer_at_hand(demo, confirmation, levels):
    trial = scored(poured(demo, confirmation), confirmation, levels, hardness=3.0)
    with_plan = labkit.appraise_confirmation(trial, confirmation, seed=2)
    again = labkit.appraise_confirmation(trial, np.int64(confirmation.round.number), seed=2)
    pd.testing.assert_frame_equal(again.attributes, with_plan.attributes)
    assert str(again) == str(with_plan)


def test_a_plan_that_was_renamed_by_hand_is_found_by_its_own_names(demo, confirmation, levels):
    own = replace(confirmation.round, frame=confirmation.round.frame.assign(pour=["C01", "C02"]))
    renamed = replace(confirmation, round=own)
    trial = scored(poured(demo, renamed), renamed, levels)
    found = labkit.appraise_confirmation(trial, own.number, seed=2)
    assert found.verdict == "confirmed" and found.attributes["result"].notna().all()


def test_it_refuses_what_is_not_there_yet(demo, confirmation):
    for trial, given, message in [
        (demo, confirmation, "pour P13 of the confirmation is not recorded. Record it with append_pours (or "
                             "trial.with_pours) first."),
        (poured(demo, confirmation), confirmation, "pour P13 of the confirmation has no standing score. Have it tasted, and "
                                                   "record the scores first."),
        (demo, "P13", "confirmation is of type str. Give what plan_confirmation returned, or the number of its round."),
        (demo, True, "confirmation is True. Give what plan_confirmation returned, or the number of its round."),
        ("demo", confirmation, "the trial is of type str. Give what read_trial(folder) returned."),
        (demo, 9, "round 9 is not planned. Give the number of the round that plan_confirmation planned."),
        (demo, 2, "round 2 has 4 formulas, and a confirmation is one, poured again. Give the number of the round that "
                  "plan_confirmation planned."),
    ]:
        with pytest.raises(TweakError) as refused:
            labkit.appraise_confirmation(trial, given)
        assert str(refused.value) == message


def defined_anew(trial, old, new):
    """The trial as it is with another trial.toml."""
    text = (ROOT / "trials" / "terracotta-stick" / "trial.toml").read_text(encoding="utf-8")
    assert old in text
    return labkit.Trial.from_toml(text.replace(old, new)).with_tables(
        {name: trial.tables[name].drop(columns=["red_share"] if name == "plan" else []) for name in trial.tables}, files=True)


@pytest.mark.parametrize("given", ["object", "number"])
def test_a_confirmation_that_the_limits_forbid_now(demo, confirmation, levels, given):
    trial = defined_anew(scored(poured(demo, confirmation), confirmation, levels), "high = 0.08", "high = 0.03")
    with pytest.raises(TweakError) as caught:
        labkit.appraise_confirmation(trial, confirmation if given == "object" else 4)
    assert confirmation.round.frame["load"].iloc[0] > 0.031 and str(caught.value) == (
        "round 4 lies outside the present limits of trial.toml. Widen them again to have it appraised, or ask suggest_next "
        "for the best that they leave.")
    assert not len(poured_alone(trial)) and len(poured_alone(scored(poured(demo, confirmation), confirmation, levels)))


def test_a_confirmation_of_other_factors_is_planned_again_by_its_number(demo, confirmation, levels):
    trial = defined_anew(scored(poured(demo, confirmation), confirmation, levels), "[factors.red_share]", "[factors.red]")
    with pytest.raises(TweakError) as caught:
        labkit.appraise_confirmation(trial, confirmation)
    assert str(caught.value) == (
        "the confirmation was planned where wax, red_share, load and pour_temperature vary, but Terracotta stick varies wax, "
        "red, load and pour_temperature now. Give the number of its round, 4, to plan it again.")
    assert labkit.appraise_confirmation(trial, 4).verdict == "confirmed"


def test_a_confirmation_of_an_attribute_that_was_renamed_is_planned_again_by_its_number(demo, confirmation, levels):
    """It was a bare KeyError."""
    trial = scored(poured(demo, confirmation), confirmation, levels)
    text = (ROOT / "trials" / "terracotta-stick" / "trial.toml").read_text(encoding="utf-8")
    scores = trial.scores.assign(attribute=trial.scores["attribute"].replace("shade", "colour"))
    trial = labkit.Trial.from_toml(text.replace("[attributes.shade]", "[attributes.colour]")).with_tables(
        {**trial.tables, "scores": scores}, files=True)
    with pytest.raises(TweakError) as caught:
        labkit.appraise_confirmation(trial, confirmation)
    assert str(caught.value) == ("the confirmation says what to expect of shade, which trial.toml does not have now. Give the "
                                 "number of its round, 4, to plan it again.")
    assert "colour" in set(labkit.appraise_confirmation(trial, 4).attributes["attribute"])

"""Weights that were planned and are not written down: refused in new rows, named where they stand in a file."""

import pandas as pd
import pytest
from definitions import TERRACOTTA
from recorded import MELTS, POURS, changed, planned_trial

import labkit
from labkit import Trial
from labkit.__main__ import main
from labkit.errors import PourError

EMPTY_MELT = ("melts row 2: mango butter [g] is empty, but 13.06 g were planned. "
              "Write what was weighed, or none if none was added.")
EMPTY_POUR = ("pours row 3: red paste [g] is empty, but 1.44 g were planned. "
              "Write what was weighed, or none if none was added.")


@pytest.fixture
def planned():
    return planned_trial()


@pytest.mark.parametrize("blank", ["", " ", None, float("nan")])
def test_new_rows_say_what_became_of_each_weight_that_was_planned(planned, blank):
    with pytest.raises(PourError) as problem:
        planned.with_melts(changed(MELTS, 2, "mango butter [g]", blank))
    assert str(problem.value) == EMPTY_MELT
    with pytest.raises(PourError) as problem:
        planned.with_melts(MELTS).with_pours(changed(POURS, 3, "red paste [g]", blank))
    assert str(problem.value) == EMPTY_POUR


def test_a_weight_of_nothing_in_a_melt(planned):
    with pytest.raises(PourError) as problem:
        planned.with_melts(changed(MELTS, 2, "mango butter [g]", 0))
    assert str(problem.value) == ("melts row 2: mango butter [g] is 0, but 13.06 g were planned. "
                                  "Weigh again, or write none if none was added.")


@pytest.mark.parametrize("word", ["none", "None", " none "])
def test_none_says_that_none_was_added(planned, word):
    trial = planned.with_tables({"melts": changed(MELTS, 2, "vitamin E [g]", word),
                                 "pours": changed(POURS, 3, "red paste [g]", word)}, files=True)
    assert trial.melts["vitamin E [g]"].tolist() == [0.0, 0.42] and not trial.left_out
    assert trial.made_formulas.loc["P01", "vitamin E"] == 0
    assert trial.made.loc["P02", ["red_share", "load"]].tolist() == pytest.approx([0, 0.96 / 2 / (17.6 + 0.96)])


def test_an_empty_weight_in_a_file_is_not_taken_for_none(planned):
    trial = planned.with_tables({"melts": changed(MELTS, 2, "candelilla wax [g]", ""),
                                 "pours": changed(POURS, 5, "red paste [g]", "")}, files=True)
    assert trial.made.index.tolist() == ["P03"]
    assert trial.left_out == {
        "P01": "candelilla wax [g] of melt M01, from which pour P01 was drawn, is empty, but 4.75 g were planned. "
               "Write what was weighed, or none if none was added.",
        "P02": "candelilla wax [g] of melt M01, from which pour P02 was drawn, is empty, but 4.75 g were planned. "
               "Write what was weighed, or none if none was added.",
        "P04": "red paste [g] of pour P04 is empty, but 0.72 g were planned. "
               "Write what was weighed, or none if none was added.",
    }


def test_where_nothing_was_planned_an_empty_weight_was_not_added(planned):
    melts = pd.DataFrame([{"melt": "X-01", "mango butter [g]": 20, "jojoba oil [g]": 18, "candelilla wax [g]": 2}])
    pours = pd.DataFrame([{"pour": "X-02", "melt": "X-01", "base [g]": 19, "red paste [g]": 1, "pour_temperature": 70}])
    trial = planned.with_melts(melts).with_pours(pours)
    assert trial.made_formulas.loc["X-02", ["vitamin E", "yellow paste"]].tolist() == [0, 0] and not trial.left_out


def test_a_pour_with_a_pot_of_its_own_says_all_its_weights(planned):
    own = planned.plan.loc[[0], [c for c in planned.plan if c.endswith(" [g]")]].assign(pour="P01", pour_temperature=70)
    assert planned.with_pours(own).made.index.tolist() == ["P01"]
    with pytest.raises(PourError) as problem:
        planned.with_pours(own.assign(**{"vitamin E [g]": ""}))
    assert str(problem.value) == ("pours row 0: vitamin E [g] is empty, but 0.21 g were planned. "
                                  "Write what was weighed, or none if none was added.")


def test_a_failed_pour_may_lack_weights_and_is_then_left_out(planned):
    trial = planned.with_melts(MELTS).with_pours(changed(POURS, 5, "yellow paste [g]", ""))
    assert trial.failed == ("P04",) and list(trial.left_out) == ["P04"]


def test_on_disk_the_word_is_kept_and_the_demo_tells_what_it_lacks(demo_copy, capsys):
    path = demo_copy / "melts.csv"
    path.write_text(path.read_text().replace("M06,2026-03-06,6.79,", "M06,2026-03-06,,"))
    assert main(["check", str(demo_copy)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert ("Left out: melts.csv row 7: candelilla wax [g] of melt M06, from which pour P11 was drawn, is empty, but 6.92 g were "
            "planned. Write what was weighed, or none if none was added.") in shown
    path.write_text(path.read_text().replace("M06,2026-03-06,,", "M06,2026-03-06,none,"))
    assert labkit.read_trial(demo_copy).made.loc["P11", "wax"] == 0


def test_a_correction_may_say_none_and_keeps_it(demo_copy):
    frame = pd.DataFrame([{"pour": "P05", "yellow paste [g]": "none"}])
    trial = labkit.correct_pours(demo_copy, frame, reason="the paste was left out")
    assert (demo_copy / "pours.csv").read_text().splitlines()[-1].split(",")[7:9] == ["1.25", "none"]
    assert trial.made.loc["P05", "red_share"] == 1 == labkit.read_trial(demo_copy).made.loc["P05", "red_share"]
    assert len(labkit.correct_pours(demo_copy, frame, reason="again").pours) == len(trial.pours)


def test_what_was_none_stays_none_when_something_else_is_corrected(demo_copy):
    frame = pd.DataFrame([{"pour": "P05", "yellow paste [g]": "none"}])
    without = labkit.correct_pours(demo_copy, frame, reason="left out").pours
    assert len(labkit.append_pours(demo_copy, without).pours) == len(without)
    noted = labkit.correct_pours(demo_copy, pd.DataFrame([{"pour": "P05", "note": "red only"}]), reason="noted late")
    assert (demo_copy / "pours.csv").read_text().splitlines()[-1].split(",")[7:9] == ["1.25", "none"]
    assert noted.pours.iloc[-1]["note"] == "red only" and labkit.read_trial(demo_copy).made.loc["P05", "red_share"] == 1


def test_what_is_appended_reads_back(demo_copy):
    round_ = labkit.plan_round(labkit.read_trial(demo_copy), pours=2, melts=1, seed=1)
    labkit.append_round(demo_copy, round_)
    before = (demo_copy / "melts.csv").read_bytes()
    melts = round_.melt_sheet().drop(columns="pours").astype(object)
    with pytest.raises(PourError):
        labkit.append_melts(demo_copy, melts.assign(**{"vitamin E [g]": ""}))
    assert (demo_copy / "melts.csv").read_bytes() == before
    labkit.append_melts(demo_copy, melts.assign(**{"vitamin E [g]": "none"}))
    labkit.append_pours(demo_copy, round_.pour_sheet().drop(columns="order"))
    trial = labkit.read_trial(demo_copy)
    assert (trial.made_formulas.loc[list(round_.pours), "vitamin E"] == 0).all()


def test_what_was_stirred_into_a_pour_is_not_missed_in_its_pot():
    """[melt] pot names an ingredient that earlier rounds stirred in: their own rows say its weight."""
    stirred = Trial.from_toml(TERRACOTTA.replace('"jojoba oil", "vitamin E"]', '"jojoba oil"]'))
    round_ = labkit.plan_round(stirred, pours=4, melts=2, seed=1)
    melts = round_.melt_sheet().drop(columns="pours").astype(object)
    poured = stirred.with_round(round_).with_melts(melts).with_pours(round_.pour_sheet().drop(columns="order"))
    now = Trial.from_toml(TERRACOTTA).with_tables(
        {"plan": poured.plan, "melts": poured.melts, "pours": poured.pours}, files=True)
    assert not now.left_out
    pd.testing.assert_frame_equal(now.made_formulas, poured.made_formulas, check_like=True)

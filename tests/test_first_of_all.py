"""What comes before a new round: what is planned is poured, and what is poured is judged."""
import pandas as pd
import pytest
from definitions import TERRACOTTA

import labkit
from labkit.__main__ import main
from labkit.tweaks.first import first_of_all, newest_waits
from labkit.tweaks.words import first_advice

READ = """
[attributes.softness]
reading = "needle depth"
unit = "mm"
scale = [0, 20]
wanted = { peak = [3, 6, 10] }
"""
NOT_MADE = " A pour that will not be made: delete its row in plan.csv."


@pytest.fixture(scope="module")
def planned():
    trial = labkit.Trial.from_toml(TERRACOTTA)
    return trial.with_round(labkit.plan_round(trial, pours=4, melts=2))


def poured(trial, pours):
    number = trial.plan["round"].max()
    rows = trial.plan[trial.plan["round"] == number]
    made = rows[["pour", "melt", *[c for c in rows if c.endswith(" [g]")], *trial.recipe.settings]]
    return trial.with_pours(made[made["pour"].isin(pours)].assign(outcome="ok"))


def scored(trial, pours):
    return trial.with_scores(pd.DataFrame([{"pour": pour, "tester": tester, "session": "1", "attribute": "payoff",
                                            "score": 5.0} for pour in pours for tester in ("T01", "T02")]))


def test_what_is_poured_is_scored_first(planned):
    trial = poured(planned, ["P01", "P02", "P03", "P04"])
    assert first_of_all(trial) == "First have P01, P02, P03 and P04 scored." and newest_waits(trial)
    assert first_advice(trial, 0) == (
        "No pour has been scored yet, so nothing is known about what to change. First have P01, P02, P03 and P04 scored. "
        "Then ask again: this round comes too early. The formula below is the starting formula.")


def test_what_is_planned_is_poured_first(planned):
    assert first_of_all(planned) == f"First pour P01, P02, P03 and P04 as planned.{NOT_MADE}"
    half = poured(planned, ["P01", "P02"])
    assert first_of_all(half) == f"First pour P03 and P04 as planned, then have P01 and P02 scored.{NOT_MADE}"
    assert newest_waits(half) and not newest_waits(planned)


def test_a_round_that_told_something_holds_nothing_up(planned):
    trial = poured(planned, ["P01", "P02", "P03", "P04"])
    assert first_of_all(scored(trial, trial.pours["pour"])) == ""
    one_late = scored(trial, ["P01", "P02", "P03"])
    assert first_of_all(one_late) == "First have P04 scored." and not newest_waits(one_late)


def test_a_pour_of_no_round_and_one_that_failed_are_not_waited_for(planned):
    trial = scored(poured(planned, ["P01", "P02", "P03"]), ["P01", "P02", "P03"])
    failed = pd.DataFrame([{"pour": "P04", "outcome": "failed: spilled"}])
    apart = trial.pours.iloc[[0]].assign(pour="X-01", melt="")
    assert first_of_all(trial.with_pours(failed).with_pours(apart)) == ""


def test_what_an_instrument_reads_is_read_first():
    trial = labkit.Trial.from_toml(TERRACOTTA + READ)
    trial = poured(trial.with_round(labkit.plan_round(trial, pours=2, melts=1)), ["P01", "P02"])
    assert first_of_all(trial) == "First have P01 and P02 scored and read."
    reading = pd.DataFrame([{"pour": "P01", "method": "needle depth", "direction": "up", "value": 5.0,
                             "unit": "mm"}])
    assert first_of_all(trial.with_readings(reading)) == "First have P01 and P02 scored, then have P02 read."


@pytest.fixture
def folder(tmp_path, capsys):
    place = tmp_path / "stick"
    labkit.new_trial(place, TERRACOTTA)
    assert main(["next", str(place), "--keep"]) == 0
    capsys.readouterr()
    return place


def told(capsys):
    return " ".join(capsys.readouterr().out.split())


class TestCommandLine:
    def test_nobody_is_sent_back_to_the_stove_while_pours_wait(self, folder, capsys):
        trial = labkit.read_trial(folder)
        labkit.append_pours(folder, poured(trial, ["P01", "P02", "P03", "P04"]).pours)
        before = (folder / "plan.csv").read_bytes()
        assert main(["next", str(folder), "--keep"]) == 0
        shown = told(capsys)
        assert ("First have P01, P02, P03 and P04 scored. No new round is planned before it is known what the newest one "
                "taught, and none is kept. Then ask again.") in shown and "Pour next" not in shown
        assert (folder / "plan.csv").read_bytes() == before

    def test_no_further_round_is_kept_while_a_pour_of_the_newest_waits(self, folder, capsys):
        """One that is planned, and one that nobody scored; what is deleted or set aside is not waited for."""
        plan = folder / "plan.csv"
        trial = poured(labkit.read_trial(folder), ["P01", "P02", "P03"])
        labkit.append_pours(folder, trial.pours)
        labkit.append_scores(folder, scored(trial, ["P01", "P02"]).scores)
        before = plan.read_bytes()
        assert main(["next", str(folder), "--keep", "--pours", "2"]) == 0
        shown = told(capsys)
        assert ("Round 2 is not kept: P04 waits to be poured. Pour as planned, or delete in plan.csv the row of what will "
                "not be made. P03 waits to be judged. Have that done, or set aside (set_aside) what will not be judged. "
                "Then ask again.") in shown and "is in plan.csv; its bench sheet" not in shown
        assert plan.read_bytes() == before and not (folder / "sheets" / "round-2.html").exists()
        plan.write_text("".join(plan.read_text().splitlines(keepends=True)[:-1]))
        labkit.set_aside(folder, pour="P03", reason="eaten")
        assert main(["next", str(folder), "--keep", "--pours", "2"]) == 0
        assert "Round 2 is in plan.csv; its bench sheet, to print: " in told(capsys)

    def test_a_newest_round_that_failed_whole_leaves_the_one_before_it_to_be_judged(self, folder, capsys):
        """What is told first and what is waited for are the same pours."""
        trial = poured(labkit.read_trial(folder), ["P01", "P02", "P03", "P04"])
        labkit.append_pours(folder, trial.pours)
        labkit.append_scores(folder, scored(trial, ["P01", "P02", "P03"]).scores)
        labkit.append_round(folder, labkit.plan_round(labkit.read_trial(folder), pours=2, melts=1))
        pours = poured(labkit.read_trial(folder), ["P05", "P06"]).pours
        labkit.append_pours(folder, pours[pours["pour"] > "P04"].assign(outcome="failed: broke on unmoulding"))
        assert main(["next", str(folder), "--keep", "--pours", "2"]) == 0
        shown = told(capsys)
        assert "First have P04 scored." in shown and "Round 3 is not kept: P04 waits to be judged." in shown

    def test_options_beside_a_planned_round_are_told_to_play_no_part(self, folder, capsys):
        main(["next", str(folder), "--pours", "6", "--seed", "0"])
        assert ("Round 1 is planned already, so --pours 6 and --seed 0 play no part. To plan another in its place, delete "
                "its rows in plan.csv, and ask again.") in told(capsys)
        main(["next", str(folder), "--melts", "3"])
        assert "Round 1 is planned already, so --melts 3 plays no part. To plan" in told(capsys)
        main(["next", str(folder)])
        assert "Round 1 is planned already. To plan another in its place, delete its rows in" in told(capsys)

    def test_a_planned_round_whose_rows_are_deleted_is_gone(self, folder, capsys):
        plan = folder / "plan.csv"
        plan.write_text(plan.read_text(encoding="utf-8").splitlines(keepends=True)[0], encoding="utf-8")
        assert main(["next", str(folder), "--pours", "3", "--melts", "3"]) == 0
        assert "Pour next (round 1: 3 pours in 3 melts)" in told(capsys)


def test_who_is_told_to_stop_is_told_first_what_the_newest_round_still_has_to_tell(demo):
    """In a notebook, too: one stopped and settled there while a pour waited to be scored."""
    asked = {"pours": 4, "melts": 2, "seed": 2, "worth": 1.0}
    whole = labkit.suggest_next(demo, **asked)
    assert whole.stop and whole.advice.startswith("Stop here.")
    scores = demo.tables["scores"]
    waits = labkit.Trial.from_toml(TERRACOTTA).with_tables(
        {**demo.tables, "scores": scores[scores["pour"] != "P12"]}, files=True)
    told = labkit.suggest_next(waits, **asked).advice
    assert told.startswith("First have P12 scored. Then ask again: that may turn what is said now.\nStop here.")
    assert labkit.suggest_next(waits, **asked | {"worth": 1e-6}).advice.startswith("Pour this round.")


def test_who_is_told_to_pour_is_told_first_of_a_round_that_is_planned(demo):
    planned = demo.with_round(labkit.plan_round(demo, pours=2, melts=1, seed=1))
    told = labkit.suggest_next(planned, pours=2, melts=1, seed=2, worth=1e-6).advice
    assert told.startswith(f"First pour P13 and P14 as planned.{NOT_MADE} Then ask again: that may turn what is said now.\n"
                           "Pour this round. This round would cost ")

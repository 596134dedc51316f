"""Who tastes what, when and under which code: the plan, its codes, its warnings, and what is refused."""
import dataclasses
import datetime
import itertools

import pandas as pd
import pytest
from definitions import HAZEL
from invented import poured

import labkit
from labkit.errors import PlanError

TESTERS = [f"T{k:02d}" for k in range(1, 7)]


@pytest.fixture(scope="module")
def pot():
    """Two rounds of four pours, all weighed, without dates."""
    return poured(HAZEL, rounds=2)


@pytest.fixture(scope="module")
def four(pot):
    return labkit.plan_serving(pot, pours=["P01", "P02", "P03", "P04"], testers=TESTERS, seed=3)


def dated(trial, day):
    """The trial with the same pours again, poured on one day."""
    rows = trial.pours.assign(date=day)
    return labkit.Trial(definition=trial.definition, tables={**trial.tables, "pours": rows})


def refused(trial, **asked):
    usual = {"pours": ["P01", "P02"], "testers": ["T01", "T02"]}
    with pytest.raises(PlanError) as caught:
        labkit.plan_serving(trial, **(usual | asked))
    return str(caught.value)


def test_a_plan_is_even_where_every_count_is(four):
    worse = four.balance.assign(uneven=four.balance["uneven"] + [0, 0, 0, 0, 1])
    assert four.is_even and not dataclasses.replace(four, balance=worse).is_even


class TestPlan:
    def test_has_the_columns_of_servings_and_every_pour_once_for_each_tester(self, four):
        frame = four.to_frame()
        assert list(frame) == ["session", "date", "tester", "position", "code", "pour"]
        assert len(frame) == 24 and not frame.duplicated(["tester", "pour"]).any()
        assert set(frame["session"]) == {"1"} and four.testers == tuple(TESTERS) and four.sessions == ("1",)

    def test_six_testers_and_four_pours_are_as_even_as_numbers_allow(self, four):
        """Each pour 1 or 2 times in each position (6 testers on 4), and after each other (18 neighbours on 12)."""
        frame = four.to_frame()
        assert set(frame.groupby(["position", "pour"]).size()) == {1, 2}
        orders = frame.groupby("tester")["pour"].apply(list)
        after = pd.Series([pair for order in orders for pair in itertools.pairwise(order)]).value_counts()
        assert len(after) == 12 and set(after) == {1, 2} and four.is_even
        assert list(four.balance["uneven"]) == pytest.approx(list(four.balance["bound"]))

    def test_more_pours_than_fit_one_sitting_take_several(self, pot):
        serving = labkit.plan_serving(pot, pours=[f"P{k:02d}" for k in range(1, 9)], testers=TESTERS)
        frame = serving.to_frame()
        assert serving.sessions == ("1", "2") and set(frame.groupby(["session", "tester"]).size()) == {4}
        assert not frame.duplicated(["tester", "pour"]).any() and len(frame) == 48

    def test_fewer_sittings_let_each_taste_some_and_more_let_each_taste_again(self, pot):
        pours = ["P01", "P02", "P03", "P04", "P05"]
        some = labkit.plan_serving(pot, pours=pours, testers=TESTERS[:5], sittings=1)
        again = labkit.plan_serving(pot, pours=pours[:3], testers=TESTERS[:2], sittings=2)
        assert set(some.frame["pour"].value_counts()) == {4} and some.notes[0] == "Each tester tastes 4 of the 5 pours."
        assert set(again.frame.groupby(["tester", "pour"]).size()) == {2}
        assert again.notes[0] == "Each tester tastes every pour 2 times."

    @pytest.mark.parametrize("pours, per_sitting", [(1, 1), (2, 1), (3, 1), (3, 2), (5, 2)])
    def test_there_are_as_many_sittings_as_were_asked_for_or_none(self, pot, pours, per_sitting):
        asked = {"pours": [f"P{k:02d}" for k in range(1, pours + 1)], "testers": TESTERS[:3], "per_sitting": per_sitting}
        for sittings in range(1, 8):
            try:
                serving = labkit.plan_serving(pot, **asked, sittings=sittings)
            except PlanError:
                assert per_sitting == 1 and sittings > pours and sittings % pours
            else:
                assert len(serving.sessions) == sittings

    def test_sessions_go_on_from_those_of_the_trial(self, pot, four):
        later = pot.with_servings(four)
        serving = labkit.plan_serving(later, pours=["P05"], testers=TESTERS)
        assert serving.sessions == ("2",)
        assert labkit.plan_serving(later, pours=["P05"], testers=TESTERS, sessions=["spring"]).sessions == ("spring",)

    def test_sessions_go_on_from_those_that_were_scored_without_a_plan(self, pot):
        said = pd.DataFrame([{"pour": "P01", "tester": "T01", "session": "7", "attribute": "hardness", "score": 5.0}])
        assert labkit.plan_serving(pot.with_scores(said), pours=["P05"], testers=TESTERS).sessions == ("8",)
        assert "session '7' is already the name of another sitting." in refused(pot.with_scores(said), sessions=["7"])

    def test_the_first_sittings_are_the_longer_ones(self, pot):
        frame = labkit.plan_serving(pot, pours=[f"P{k:02d}" for k in range(1, 9)], testers=TESTERS, per_sitting=3).frame
        assert frame.groupby("session")["position"].nunique().tolist() == [3, 3, 2]

    def test_same_seed_same_plan_and_another_seed_another(self, pot, four):
        asked = {"pours": ["P01", "P02", "P03", "P04"], "testers": TESTERS}
        assert labkit.plan_serving(pot, **asked, seed=3).frame.equals(four.frame)
        assert not labkit.plan_serving(pot, **asked, seed=4).frame.equals(four.frame)

    def test_warm_up_is_served_and_not_recorded(self, pot):
        serving = labkit.plan_serving(pot, pours=["P01", "P02"], testers=TESTERS, warm_up="P07")
        drawn = labkit.plan_serving(pot, pours=["P01", "P02"], testers=TESTERS, warm_up=True)
        assert serving.warm_up == "P07" and "P07" not in set(serving.frame["pour"])
        assert drawn.warm_up in ("P01", "P02") and len(drawn.frame) == 12
        assert "Warm-up, first and for everyone: P07, under the letter W." in str(serving)

    def test_a_result_cannot_be_changed_from_outside(self, four):
        frame = four.to_frame()
        frame["pour"] = "P99"
        assert "P99" not in set(four.frame["pour"])

    def test_report_has_two_faces(self, four):
        assert repr(four) == "<Serving: 24 servings, 6 testers, 1 sitting>"
        assert "Every count is as even as whole numbers allow." in str(four)
        assert "Every count is as even as whole numbers allow." in four._repr_html_()
        assert "\nCode and pour by position (testers see codes, no tube labels)\n" in str(four)


class TestCodes:
    def test_three_digits_and_never_twice_in_a_trial(self, pot):
        trial = pot
        for pour in ("P01", "P02", "P03", "P04"):
            serving = labkit.plan_serving(trial, pours=[pour, "P05", "P06"], testers=TESTERS, seed=1)
            trial = trial.with_servings(serving)
        codes = trial.servings["code"]
        assert len(codes) == 72 and codes.is_unique and codes.str.fullmatch("[1-9][0-9]{2}").all()

    def test_have_three_different_digits_while_there_are_any(self, pot):
        """9 x 9 x 8 of the 900 have; the 73rd serving is the first that must do with another."""
        used = [str(k) for k in range(100, 1000) if len(set(str(k))) == 3][72:]
        trial = pot.with_servings(pd.DataFrame({"session": "0", "tester": "T99", "code": used, "pour": "P01"}))
        testers = [f"T{k}" for k in range(10, 30)]
        codes = labkit.plan_serving(trial, pours=["P01", "P02", "P03", "P04"], testers=testers).frame["code"]
        assert len(used) == 648 - 72 and sum(len(set(code)) == 3 for code in codes) == 72 and len(codes) == 80

    def test_do_not_hint_at_the_order(self, pot):
        for seed in range(6):
            frame = labkit.plan_serving(pot, pours=["P01", "P02", "P03"], testers=TESTERS, seed=seed).frame
            for codes in frame.groupby("tester")["code"].apply(list):
                assert codes != sorted(codes) and codes != sorted(codes, reverse=True)

    def test_one_for_each_pour_on_request(self, pot):
        frame = labkit.plan_serving(pot, pours=["P01", "P02", "P03"], testers=TESTERS, code_for="pour").frame
        assert frame.groupby("pour")["code"].nunique().tolist() == [1, 1, 1] and frame["code"].nunique() == 3

    def test_when_they_run_out_says_what_to_do(self, pot):
        used = pd.DataFrame({"session": "0", "tester": "T01", "code": [str(k) for k in range(100, 999)], "pour": "P01"})
        asked = {"pours": ["P01", "P02"], "testers": ["T01"]}
        assert refused(pot.with_servings(used), **asked) == (
            "2 codes are needed, but 1 of the 900 with three digits are left in this trial. "
            'Use code_for="pour", which needs one for each pour.')


class TestNotes:
    def test_warns_of_a_sitting_less_than_a_day_after_the_pour(self, pot):
        trial = dated(pot, "2031-05-04")
        asked = {"pours": ["P01", "P02"], "testers": TESTERS}
        assert labkit.plan_serving(trial, **asked, dates=["2031-05-04"]).notes == (
            "Warning: in session 1 (2031-05-04) P01 and P02 are less than 24 h old. Wait longer, or read the scores as "
            "those of sticks still setting.",)
        assert labkit.plan_serving(trial, **asked, dates=["2031-05-05"]).notes == ()
        assert labkit.plan_serving(trial, **asked, dates=["2031-05-06"], wait_h=96).notes == (
            "Warning: in session 1 (2031-05-06) P01 and P02 are less than 96 h old. Wait longer, or read the scores as "
            "those of sticks still setting.",)

    def test_the_wait_is_the_trials_to_change(self):
        slow = dated(poured(HAZEL.replace("[batch]", "[batch]\nwait_h = 96"), rounds=1), "2031-05-04")
        serving = labkit.plan_serving(slow, pours=["P01"], testers=TESTERS, dates=["2031-05-07"])
        assert serving.notes == ("Warning: in session 1 (2031-05-07) P01 is less than 96 h old. Wait longer, or read the "
                                 "scores as those of sticks still setting.",)
        with pytest.raises(PlanError) as caught:
            labkit.Trial.from_toml(HAZEL.replace("[batch]", "[batch]\nwait_h = -1"))
        assert str(caught.value) == "a pour waits -1 h before it is judged. Give hours of 0 or more."

    def test_hours_count_where_they_are_known(self, pot):
        trial, asked = dated(pot, "2031-05-04 20:00"), {"pours": ["P01"], "testers": TESTERS}
        assert labkit.plan_serving(trial, **asked, dates=["2031-05-05 19:00"]).notes != ()
        assert labkit.plan_serving(trial, **asked, dates=["2031-05-05 20:00"]).notes == ()
        for day in ("2031-05-05", "2031-05-05 00:00", "2031-05-05 00:00:00"):        # so a spreadsheet writes a day
            assert labkit.plan_serving(trial, **asked, dates=[day]).notes == ()
        assert labkit.plan_serving(dated(pot, "2031-05-04 00:00"), **asked, dates=["2031-05-04 23:00"]).notes != ()

    @pytest.mark.parametrize("date", ["2031-05-05", "2031-05-05 19:30", "2031-05-05T19:30:15", "2031-05-05 19:30+02:00",
                                      pd.Timestamp("2031-05-05"), pd.Timestamp("2031-05-05 19:30")])
    def test_what_is_taken_for_a_date_can_be_kept(self, pot, date):
        serving = labkit.plan_serving(pot, pours=["P01"], testers=TESTERS, dates=[date])
        assert set(pot.with_servings(serving).servings["date"]) == set(serving.frame["date"])

    def test_an_hour_as_no_table_has_it_is_no_age(self, pot):
        """Written into pours.csv by hand, where every reader of the trial is told that it is no day."""
        notes = labkit.plan_serving(dated(pot, "2031-05-04 19"), pours=["P01"], testers=TESTERS, dates=["2031-05-05"]).notes
        assert len(notes) == 1 and "pours.csv has no date for P01" in notes[0]

    def test_says_when_a_sitting_comes_before_the_pour(self, pot):
        trial = dated(pot, "2031-05-04")
        assert labkit.plan_serving(trial, pours=["P01"], testers=TESTERS, dates=["2031-05-03"]).notes == (
            "Warning: session 1 is on 2031-05-03, before P01 was poured. Check the dates.",)

    def test_says_when_no_age_is_known(self, pot):
        asked = {"pours": ["P01", "P02"], "testers": TESTERS}
        end = ("let pours stand 24 h at 20 °C before they are judged, four days with carnauba wax (common practice).")
        assert labkit.plan_serving(pot, **asked).notes == (
            f"No age could be checked where the day of a sitting is not given: {end}",)
        assert labkit.plan_serving(pot, **asked, dates=["2031-05-05"]).notes == (
            f"No age could be checked where pours.csv has no date for P01 and P02: {end}",)

    def test_says_which_pours_are_not_made_or_failed_and_when_there_are_too_many(self, demo):
        failed = demo.failed[0]
        made = [pour for pour in demo.pours["pour"] if pour != failed][:6]
        serving = labkit.plan_serving(demo, pours=[*made, failed], testers=TESTERS[:1], per_sitting=7)
        assert serving.notes[0] == ("7 samples in one sitting tire lips: four to six are usual, with a wipe and 5 to 10 "
                                    "minutes between (common practice).")
        assert serving.notes[1] == f"{failed} failed. Serve what failed only if it is fit to be worn."


    def test_six_samples_are_usual_and_a_warm_up_counts_as_one(self, pot):
        asked = {"pours": [f"P{k:02d}" for k in range(1, 7)], "testers": TESTERS, "per_sitting": 6}
        plain, warm = (labkit.plan_serving(pot, **asked, warm_up=pour).notes[0] for pour in ("", "P07"))
        assert "tire lips" not in plain and warm.startswith("7 samples in one sitting tire lips: ")


class TestRefusals:
    def test_names(self, pot):
        assert refused(pot, pours=["P01", "P77"]) == (
            "pour 'P77' is neither planned nor poured. Choose among P01, P02, P03, P04, P05, P06, P07 and P08.")
        assert refused(pot, pours="P01") == "pours is 'P01'. Give a list of names."
        assert refused(pot, pours=[]) == "pours is []. Give at least one name, and no empty ones."
        assert refused(pot, pours=["P01", "P01"]) == (
            "pours names P01 twice. Name each once; more sittings repeat all pours.")
        assert refused(labkit.Trial.from_toml(HAZEL)) == (
            "pour 'P01' is neither planned nor poured. Plan a round first.")

    def test_two_testers_of_one_name_in_two_spellings(self, pot, four):
        words = "Spell one person in one way, and give two people two names."
        assert refused(pot, testers=["Ana", "ana"]) == f"tester 'ana' differs from 'Ana' only in capital letters. {words}"
        assert refused(pot, testers=["T1", "T02", "T01"]) == (
            f"tester 'T01' differs from 'T1' only in leading zeros. {words}")
        assert refused(pot.with_servings(four), testers=["t1"]) == (
            f"tester 't1' differs from 'T01' only in capital letters and leading zeros. {words}")

    def test_numbers_and_choices(self, pot):
        assert refused(pot, per_sitting=0) == "per_sitting is 0. Give a whole number from 1 to 20."
        assert refused(pot, sittings=1.5) == "sittings is 1.5. Give a whole number from 1 to 100."
        assert refused(pot, seed=-1) == "seed is -1. Give a whole number from 0 to 4294967295."
        assert refused(pot, wait_h="x") == "wait_h is 'x'. Give a number."
        assert refused(pot, wait_h=True) == "wait_h is True. Give a number."
        assert refused(pot, wait_h=-1) == "a pour waits -1 h before it is judged. Give hours of 0 or more."
        assert refused(pot, code_for="tube") == "code_for is 'tube'. Choose 'serving' or 'pour'."

    def test_sittings_that_would_stay_empty(self, pot):
        three = ["P01", "P02", "P03"]
        assert refused(pot, pours=three, per_sitting=1, sittings=7) == (
            "7 sittings of one pour each cannot serve 3 pours equally often. "
            "Ask for 6 or 9 sittings, or raise per_sitting.")
        assert refused(pot, pours=three, per_sitting=1, sittings=100) == (
            "100 sittings of one pour each cannot serve 3 pours equally often. "
            "Ask for 99 sittings, or raise per_sitting.")

    def test_sessions_and_dates(self, pot, four):
        assert refused(pot, dates=["2031-05-04", "2031-05-05"]) == (
            "2 dates for 1 sitting. Give one date for each sitting.")
        assert refused(pot, dates=["next week"]) == (
            "date is 'next week'. Write it as 2031-05-04, or as 2031-05-04 19:30.")
        for date in ("2031-05-04 19", "20310504", "2031-W18-7", "2031-05-04T1930"):   # ISO 8601, but none of a table
            assert refused(pot, dates=[date]) == f"date is '{date}'. Write it as 2031-05-04, or as 2031-05-04 19:30."
        assert refused(pot, sessions=["spring", "spring"], sittings=2) == (
            "session 'spring' is already the name of another sitting. Give each sitting its own name.")
        assert refused(pot.with_servings(four), sessions=["1"]) == (
            "session '1' is already the name of another sitting. Give each sitting its own name.")
        assert refused(pot, sessions=4) == "sessions is 4. Give a list, one session for each sitting."
        assert refused(pot, dates=20310504) == "dates is 20310504. Give a list, one date for each sitting."

    def test_one_date_alone_is_that_of_the_only_sitting_and_none_is_as_left_out(self, pot):
        asked = {"pours": ["P01", "P02"], "testers": ["T01"]}
        plan = labkit.plan_serving(pot, **asked, dates=datetime.date(2031, 5, 4), sessions=None)
        assert set(plan.frame["date"]) == {"2031-05-04"} and plan.sessions == ("1",)
        assert set(labkit.plan_serving(pot, **asked, dates=None).frame["date"]) == {""}


def test_goes_to_disk_once(demo_copy):
    trial = labkit.read_trial(demo_copy)
    serving = labkit.plan_serving(trial, pours=["P01", "P02"], testers=["T01", "T02", "T03"])
    once = labkit.append_servings(demo_copy, serving)
    twice = labkit.append_servings(demo_copy, serving.to_frame())
    assert len(once.servings) == len(trial.servings) + 6 == len(twice.servings)
    assert labkit.read_trial(demo_copy).servings.tail(6)["code"].tolist() == serving.frame["code"].tolist()

"""A pour before its melt, a sitting before its pours, a day of setting aside that is none."""

import pandas as pd
import pytest
from recorded import MELTS, POURS, changed, planned_trial

from labkit import append_servings, correct_melts, correct_pours, read_trial
from labkit.__main__ import main
from labkit.errors import LabkitError


def refused(call, *given):
    with pytest.raises(LabkitError) as problem:
        call(*given)
    return str(problem.value)


MELTED = ("date is {}, but its melt M01 was made on 2026-01-10. Correct the date of the pour or of the melt, or write 'really "
          "so' in the note.")


@pytest.fixture(scope="module")
def melted():
    """Both melts were made on 2026-01-10."""
    return planned_trial().with_melts(MELTS)


@pytest.mark.parametrize("day", ["2026-01-09", "2025-01-10", "2026-01-09 23:50"])
def test_a_pour_before_its_melt(melted, day):
    wrong = changed(POURS.assign(date="2026-01-10"), 2, "date", day)
    assert refused(melted.with_pours, wrong) == f"pours row 2: {MELTED.format(day)}"
    assert melted.with_tables({"pours": wrong}, files=True).doubts == (f"pours.csv pour P01: {MELTED.format(day)}",)
    assert melted.with_pours(wrong.assign(note="really so")).doubts == ()


@pytest.mark.parametrize("day", ["", "2026-01-10", "2026-01-10 07:30", "2026-01-11", "2026-03-01"])
def test_the_same_day_later_or_none_is_no_doubt(melted, day):
    assert melted.with_pours(POURS.assign(date=day)).doubts == ()
    hours = planned_trial().with_melts(MELTS.assign(date="2026-01-10 20:00"))
    assert hours.with_pours(POURS.assign(date=day)).doubts == ()
    assert planned_trial().with_melts(MELTS.assign(date="")).with_pours(POURS.assign(date="2020-01-01")).doubts == ()


def test_a_pour_with_a_pot_of_its_own_has_no_melt_to_wait_for(melted):
    plan = melted.plan.set_index("pour").loc["P01"]
    own = POURS.iloc[[0]].astype(object).assign(date="2026-01-01", **{c: plan[c] for c in plan.index if c.endswith(" [g]")})
    own["base [g]"] = None
    assert melted.with_pours(own).doubts == ()


def test_a_melt_that_is_corrected_to_a_later_day(demo_copy):
    trial = correct_melts(demo_copy, pd.DataFrame([{"melt": "M01", "date": "2026-02-07"}]), reason="misread")
    told = "was made on 2026-02-07. Correct the date of the pour or of the melt, or write 'really so' in the note."
    assert trial.doubts == tuple(f"pours.csv pour {pour}: date is 2026-02-06, but its melt M01 {told}"
                                 for pour in ("P01", "P02"))
    still = correct_pours(demo_copy, pd.DataFrame([{"pour": "P01", "defects": "bloom"}]), reason="seen late")
    assert still.doubts == trial.doubts


SITTING = ("date is {}, but {} poured on 2026-02-06. Correct the date of the sitting or of the pour; what was made again is "
           "another, named X-01, X-02 and so on.")


def test_a_sitting_before_its_pours(demo_copy, capsys):
    path = demo_copy / "servings.csv"
    path.write_text(path.read_text().replace("2026-02-08", "2026-02-05"))
    told = SITTING.format("2026-02-05", "P01, P03, P02 and P04 were")
    assert read_trial(demo_copy).doubts == (f"servings.csv session 1: {told}",)
    assert main(["check", str(demo_copy)]) == 0 and told in " ".join(capsys.readouterr().out.split())
    path.write_text(path.read_text().replace("2026-02-05", "2026-02-06"))
    assert read_trial(demo_copy).doubts == ()


def test_a_new_serving_before_its_pour(demo_copy):
    serving = pd.DataFrame([{"session": "9", "date": "2026-02-05", "tester": "T01", "code": "652", "pour": "P01"}])
    assert refused(append_servings, demo_copy, serving) == "servings row 0: " + SITTING.format("2026-02-05", "P01 was")
    for day in ("2026-02-06", "2026-02-06 09:00", ""):
        append_servings(demo_copy, serving.assign(date=day, session=f"9{day}"))


def test_a_sitting_that_was_put_off_is_no_doubt(demo_copy):
    """Served by plan before the pour came about, and not scored then."""
    path = demo_copy / "servings.csv"
    path.write_text(path.read_text() + "9,2026-02-05,T01,1,652,P01\n")
    assert read_trial(demo_copy).doubts == ()


def test_a_pour_without_a_day_or_not_poured_yet(demo_copy):
    pours = demo_copy / "pours.csv"
    pours.write_text(pours.read_text().replace("2026-02-06", ""))
    servings = demo_copy / "servings.csv"
    servings.write_text(servings.read_text().replace("2026-02-08", "2026-01-08"))
    assert read_trial(demo_copy).doubts == ()


def test_since_when_something_is_set_aside(demo_copy):
    path = demo_copy / "set_aside.csv"
    row = "set aside,P03,,,,,cold,{}\n"
    told = "is '5.11.26', which is no day. Write it as YYYY-MM-DD, such as 2026-03-08, or leave it empty."
    before = path.read_text()
    path.write_text(before + row.format("5.11.26"))
    assert read_trial(demo_copy).doubts == (f"set_aside.csv: since of pour P03 {told}",)
    for day in ("", "2026-03-08", "2026-03-08 20:00"):
        path.write_text(before + row.format(day))
        assert read_trial(demo_copy).doubts == ()

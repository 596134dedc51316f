"""A year or a month that was mistyped: a day with no other of the trial within half a year, whatever the clock says."""
import datetime

import pandas as pd
import pytest
from recorded import MELTS, POURS, planned_trial

from labkit import append_pours, correct_melts, correct_pours, read_trial
from labkit.__main__ import main
from labkit.days import FAR

FACT = "date is {}, but no other day of this trial is within half a year of it; {} comes nearest. Correct the one that is wrong, "
NOTED, SITTING = FACT + "or write 'really so' in the note.", FACT + "or leave it if it was so."


def redated(folder, table, old, new):
    path = folder / f"{table}.csv"
    path.write_text(path.read_text().replace(old, new))
    return read_trial(folder).doubts


def days_of(trial):
    return sorted({*trial.melts["date"], *trial.pours["date"], *trial.servings["date"]})


def test_an_evening_dated_a_year_ahead_is_named_until_it_is_corrected(demo_copy, capsys):
    evening, last = days_of(read_trial(demo_copy))[-2:]
    ahead = evening.replace("2026", "2027")
    before = redated(demo_copy, "melts", evening, ahead)
    assert before[0].startswith("pours.csv pour P09: date is") and before[-1] == (
        "melts.csv melts M05 and M06: " + NOTED.format(ahead, last))
    told = redated(demo_copy, "pours", evening, ahead)
    early = f"servings.csv session 3: date is {last}, but "
    assert told[0].startswith(early) and told[1:] == ("melts.csv melts M05 and M06: " + NOTED.format(ahead, last),
                                                      "pours.csv pours P09, P10, P11 and P12: " + NOTED.format(ahead, last))
    assert main(["check", str(demo_copy)]) == 0
    assert "no other day of this trial is within half a year of it" in " ".join(capsys.readouterr().out.split())
    correct_melts(demo_copy, pd.DataFrame({"melt": ["M05", "M06"], "date": evening}), reason="wrong year")
    pours = pd.DataFrame({"pour": ["P09", "P10", "P11", "P12"], "date": evening})
    assert correct_pours(demo_copy, pours, reason="wrong year").doubts == ()


def test_a_sitting_a_year_ahead_is_named_if_it_was_held(demo_copy):
    evening, last = days_of(read_trial(demo_copy))[-2:]
    ahead = last.replace("2026", "2027")
    assert redated(demo_copy, "servings", last, ahead) == ("servings.csv session 3: " + SITTING.format(ahead, evening),)
    scores = demo_copy / "scores.csv"
    rows = scores.read_text().splitlines(keepends=True)
    scores.write_text("".join(row for row in rows if row.split(",")[2] != "3"))
    assert read_trial(demo_copy).doubts == ()


def trial_of(melted, poured, **columns):
    return planned_trial().with_tables({"melts": MELTS.assign(date=melted), "pours": POURS.assign(date=poured, **columns)})


@pytest.mark.parametrize("days", [0, 30, FAR])
def test_within_half_a_year_is_no_doubt(days):
    later = datetime.date(2026, 1, 10) + datetime.timedelta(days)
    assert trial_of("2026-01-10", later.isoformat()).doubts == ()


def test_of_two_days_the_one_with_fewer_rows_is_told():
    later = (datetime.date(2026, 1, 10) + datetime.timedelta(FAR + 1)).isoformat()
    assert trial_of("2026-01-10", later).doubts == ("melts.csv melts M01 and M02: " + NOTED.format("2026-01-10", later),)
    assert trial_of("2026-01-10 19:30", f"{later} 21:00").doubts == (
        "melts.csv melts M01 and M02: " + NOTED.format("2026-01-10 19:30", later),)


def test_what_was_really_so_and_a_day_that_is_alone_in_all_the_trial_are_none():
    assert trial_of("", "2026-01-10").doubts == ()
    assert trial_of("2026-01-10", "2028-01-10", note="really so").doubts != ()             # the melts do not say so
    noted = planned_trial().with_tables({"melts": MELTS.assign(date="2026-01-10", note="really so"),
                                         "pours": POURS.assign(date="2028-01-10", note="really so")})
    assert noted.doubts == ()


def test_it_is_named_and_not_refused(demo_copy):
    """Who goes on after a long rest records the evening as it was; its tasting stands beside it soon."""
    plan = read_trial(demo_copy).plan.set_index("pour").loc["P01"]
    own = {column: plan[column] for column in plan.index if column.endswith(" [g]")}
    row = {"pour": "X-01", "date": "2027-03-01", "pour_temperature": 74} | own
    trial = append_pours(demo_copy, pd.DataFrame([row]))
    assert len(trial.doubts) == 1 and trial.doubts[0].startswith("pours.csv pour X-01: date is 2027-03-01, but no other")

"""A year or a month that was mistyped: a day with no other of the trial within half a year, whatever the clock says."""
import datetime

import pandas as pd
import pytest
from recorded import MELTS, POURS, planned_trial

from labkit import append_pours, correct_melts, correct_pours, read_trial
from labkit.__main__ import main
from labkit.days import doubts_on_days

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


@pytest.mark.parametrize("days", [0, 30, 183])
def test_within_half_a_year_is_no_doubt(days):
    later = datetime.date(2026, 1, 10) + datetime.timedelta(days)
    assert trial_of("2026-01-10", later.isoformat()).doubts == ()


def test_of_two_days_the_one_with_fewer_rows_is_told():
    later = (datetime.date(2026, 1, 10) + datetime.timedelta(184)).isoformat()
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


def told_of(melts=(), pours=(), servings=(), held=("1",)):
    """Doubts of nothing but days: melts (melt, days on, note), pours (pour, melt, base, days on, note), servings (session,
    days on, pour); days count from 10 January 2026."""
    def dated(rows, columns):
        frame = pd.DataFrame(rows, columns=columns)
        days = [day if isinstance(day, str) else (datetime.date(2026, 1, 10) + datetime.timedelta(day)).isoformat()
                for day in frame["date"]]
        return frame.assign(date=days)

    return doubts_on_days({"melts": dated(melts, ["melt", "date", "note"]),
                           "pours": dated(pours, ["pour", "melt", "base [g]", "date", "note"]),
                           "servings": dated(servings, ["session", "date", "pour"]), "scores": pd.DataFrame({"session": held})})


def test_of_two_days_with_as_many_rows_the_later_is_told():
    told, = told_of([("M01", 0, "")], [("P01", "M01", 18.0, 200, "")])
    assert told.startswith("pours.csv pour P01: date is 2026-07-29, but no other day")


EVENING = [("M01", 0, "")], [("P01", "M01", 18.0, 0, ""), ("P02", "M01", 18.0, 1, "")]


def test_what_is_noted_or_told_as_being_too_early_is_passed_over():
    """A pour before its melt, and a sitting before one of its pours, are told as that; a pour of its own has no melt."""
    melts, pours = EVENING
    assert told_of(melts, [*pours, ("P03", "M01", 18.0, 400, "really so")]) == []
    assert told_of(melts, [*pours, ("P03", "M01", 18.0, -400, "")]) == []
    assert [told[:21] for told in told_of(melts, [*pours, ("P03", "M01", "", -400, "")])] == ["pours.csv pour P03: d"]
    assert told_of(melts, [*pours, ("P03", "", "", "in spring", "")]) == []                  # no day is told as that
    assert told_of(melts, pours, [("1", -400, "P01"), ("1", -400, "X-01")]) == []
    assert [told[:24] for told in told_of(melts, pours, [("1", -400, "X-01")])] == ["servings.csv session 1: "]


def test_far_from_every_other_is_each_by_itself():
    """400 days on and off: neither comes near another, and the evening itself is two days."""
    melts, pours = EVENING
    told = told_of(melts, [*pours, ("P03", "", "", 400, ""), ("P04", "", "", 800, "")])
    assert [text[:21] for text in told] == ["pours.csv pour P03: d", "pours.csv pour P04: d"]
    assert "2027-02-14, but" in told[0] and "; 2026-01-11 comes nearest" in told[0] and "; 2027-02-14 comes nearest" in told[1]

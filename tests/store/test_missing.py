"""A table that is gone, emptied or under nearly its name: that is said, and not what follows from it."""
import os

import pandas as pd
import pytest
from store.conftest import POT, refused, score, servings

import labkit
from labkit.__main__ import main
from labkit.errors import ScoreError, StoreError


def gone(path):
    path.unlink()


def emptied(path):
    path.write_bytes(b"")


def headed(path):
    path.write_text(path.read_text().splitlines(keepends=True)[0])


STATES = [(gone, "{folder} has no {name}.csv"), (emptied, "{name}.csv is empty"),
          (headed, "{name}.csv has no row under its header")]


@pytest.mark.parametrize("how, state", STATES)
@pytest.mark.parametrize("name, needs", [
    ("plan", "but melts.csv row 2 names melt 'M01' in it. Take plan.csv back from a copy, or name what was not planned X-01, "
             "X-02 and so on."),
    ("melts", "but pours.csv row 2 names melt 'M01' in it. Take melts.csv back from a copy, or record the melts first."),
    ("pours", "but scores.csv row 2 names pour 'P01' in it. Take pours.csv back from a copy, or record the pours first."),
])
def test_a_table_that_later_ones_need(scored, name, needs, how, state):
    how(scored / f"{name}.csv")
    assert refused(StoreError, labkit.read_trial, scored) == f"{state.format(folder=scored, name=name)}, {needs}"
    assert refused(StoreError, labkit.append_scores, scored, score()).endswith(needs)


def test_servings_need_a_plan_or_a_pour(poured):
    labkit.append_servings(poured, servings())
    for name in ("melts", "pours"):
        gone(poured / f"{name}.csv")
    assert len(labkit.read_trial(poured).servings) == len(servings())
    gone(poured / "plan.csv")
    assert refused(StoreError, labkit.read_trial, poured) == (
        f"{poured} has no plan.csv, but servings.csv row 2 names pour 'P01' in it. Take plan.csv back from a copy, or name "
        "what was not planned X-01, X-02 and so on.")


def test_readings_need_pours(poured):
    reading = {"pour": "P02", "method": "needle depth", "direction": "up", "value": 5}
    labkit.append_readings(poured, pd.DataFrame([reading]))
    gone(poured / "pours.csv")
    assert refused(StoreError, labkit.read_trial, poured) == (
        f"{poured} has no pours.csv, but readings.csv row 2 names pour 'P02' in it. Take pours.csv back from a copy, or "
        "record the pours first.")


def test_what_needs_no_other_table_stands_without_it(begun):
    one = {"pour": "X-01", "candelilla wax [g]": 2.8, "mango butter [g]": 6, "vitamin E [g]": 0.2, "red paste [g]": 0.8,
           "yellow paste [g]": 0.8, "jojoba oil [g]": 9.4, "pour_temperature": 70}
    labkit.append_pours(begun, pd.DataFrame([one]))
    labkit.append_scores(begun, score(pour="X-01"))
    for name in ("plan", "melts", "servings", "readings", "set_aside"):
        gone(begun / f"{name}.csv")
    assert len(labkit.read_trial(begun).standing_scores) == 1


def test_another_fault_is_told_as_it_is_beside_a_table_without_rows(scored):
    path = scored / "scores.csv"
    path.write_text(path.read_text().replace("P01,001,1,1,payoff,", "P99,001,1,1,payoff,"))
    with pytest.raises(ScoreError) as caught:
        labkit.read_trial(scored)
    assert str(caught.value) == ("scores.csv row 2: pour 'P99' is not in pours.csv. Record the pour first, or check its name.")


@pytest.mark.parametrize("table, found", [
    ("pours", "pours.csv.txt"), ("scores", "scores (1).csv"), ("scores", "Scores.csv"), ("scores", "scores - Copy.csv"),
    ("scores", "Copy of scores.csv"), ("plan", "plan.csv.bak"), ("readings", "readings copy.csv"), ("scores", "score(2).csv.txt"),
])
def test_a_file_that_looks_like_it(scored, table, found):
    os.rename(scored / f"{table}.csv", scored / found)
    assert refused(StoreError, labkit.read_trial, scored) == (
        f"{scored} has no {table}.csv, but a file {found}. Save it as {table}.csv, or give it another name.")
    emptied(scored / f"{table}.csv")
    assert refused(StoreError, labkit.read_trial, scored) == (
        f"{table}.csv is empty, but there is a file {found}. Save it as {table}.csv, or give it another name.")


def test_a_copy_with_rows_beside_a_header(scored):
    os.rename(scored / "scores.csv", scored / "scores (1).csv")
    (scored / "scores.csv").write_text("pour,tester,session,position,attribute,score,corrects,reason\n")
    assert refused(StoreError, labkit.read_trial, scored) == (
        "scores.csv has no row under its header, but there is a file scores (1).csv with 24 rows. Save it as scores.csv, or "
        "give it another name.")


@pytest.mark.parametrize("file, content", [
    ("scores (1).csv", b"pour,tester,session,position,attribute,score,corrects,reason\n"),
    ("scores (1).csv", b"Timestamp,code,payoff\n1,679,5\n"), ("scores.xlsx", b"PK\x03\x04"),
    ("scores-evening-1.csv", b"pour,tester,attribute,score\nP01,T01,payoff,5\n"),
    ("scores.txt", b"colour came off well")])
def test_other_files_beside_a_table_without_rows(poured, file, content):
    """Ballots that are still to be read lie there too."""
    (poured / file).write_bytes(content)
    assert len(labkit.read_trial(poured).scores) == 0


def test_a_copy_beside_a_table_with_rows_is_let_be(scored):
    (scored / "scores (1).csv").write_bytes((scored / "scores.csv").read_bytes())
    assert len(labkit.read_trial(scored).scores) == 24


def doubts(folder, capsys):
    assert main(["check", str(folder)]) == 0
    return [line.removeprefix("In doubt: ") for line in " ".join(capsys.readouterr().out.split()).replace(
        "In doubt: ", "\nIn doubt: ").splitlines() if line.startswith("In doubt")]


def test_a_young_trial_is_silent_and_an_emptied_table_is_told(poured, capsys):
    gone(poured / "scores.csv")
    assert doubts(poured, capsys) == []
    emptied(poured / "scores.csv")
    assert doubts(poured, capsys)[0].startswith("scores.csv is empty, without a header. Take it back from a copy if it held rows.")


def test_an_empty_sheet_that_was_saved_in_the_place_of_another_is_told(scored, capsys):
    """Its own header without a row is a table that nobody has filled yet."""
    other = (scored / "set_aside.csv").read_bytes().splitlines(keepends=True)[0]
    for name in ("scores", "readings"):
        (scored / f"{name}.csv").write_bytes(other)
    assert [told.split(" Poured")[0].strip() for told in doubts(scored, capsys)] == [
        f"{name}.csv has no row, and the header of set_aside.csv. Take it back from a copy if it held rows."
        for name in ("readings", "scores")]


@pytest.mark.parametrize("how, state", STATES)
def test_scores_of_one_who_is_set_aside(scored, capsys, how, state):
    labkit.set_aside(scored, tester="NA", reason="a cold")
    how(scored / "scores.csv")
    told = f"{state.format(folder=scored, name='scores')}, but set_aside.csv row 2 is about scores of NA."
    assert any(found.startswith(f"{told} Take scores.csv back from a copy.") for found in doubts(scored, capsys))


def test_who_is_set_aside_is_no_doubt_where_there_are_scores_or_nobody_is(scored, capsys):
    labkit.set_aside(scored, tester="NA", reason="a cold")
    assert not any("set_aside" in told for told in doubts(scored, capsys))
    for name in ("scores", "set_aside"):
        gone(scored / f"{name}.csv")
    assert not any("set_aside" in told for told in doubts(scored, capsys))


class TestAnotherFault:
    """Told as it is, beside a table without rows that nothing needs."""

    def test_in_scores_of_what_was_not_planned(self, begun):
        one = {"pour": "X-01", "melt": "X-01", "candelilla wax [g]": 2.8, "mango butter [g]": 6, "vitamin E [g]": 0.2,
               "red paste [g]": 0.8, "yellow paste [g]": 0.8, "jojoba oil [g]": 9.4, "pour_temperature": 70}
        labkit.append_pours(begun, pd.DataFrame([one]))
        (begun / "scores.csv").write_text("pour,tester,attribute,score\nX-01,T01,payoff,12\n")
        with pytest.raises(ScoreError) as caught:
            labkit.read_trial(begun)
        assert str(caught.value) == (
            "scores.csv row 2: payoff is 12; scores run from 0 to 10. Leave the cell empty if it was not judged.")

    def test_beside_servings_of_what_is_not_poured_yet(self, poured):
        labkit.append_servings(poured, servings())
        gone(poured / "pours.csv")
        with (poured / "servings.csv").open("a") as table:
            table.write("9,,T01,1,,P01\n")
        with pytest.raises(ScoreError) as caught:
            labkit.read_trial(poured)
        assert str(caught.value).endswith("code is empty. A serving names session, tester, code and pour.")

    def test_where_there_is_no_pot(self, tmp_path):
        labkit.new_trial(tmp_path / "pot", POT)
        (tmp_path / "pot" / "pours.csv").write_text("pour,melt,base [g]\nX-01,M01,14\n")
        with pytest.raises(labkit.PourError) as caught:
            labkit.read_trial(tmp_path / "pot")
        assert str(caught.value) == ("pours.csv row 2: base [g] is 14, but trial.toml names no pot. Add [melt] with its pot, or "
                                     "give all grams.")


def test_scores_whose_header_lost_a_name(scored):
    path = scored / "scores.csv"
    path.write_text(path.read_text().replace("pour,tester,", "pour,", 1))
    assert refused(StoreError, labkit.read_trial, scored) == (
        "scores.csv row 2 has 8 cells, one more than the header has columns, as every row has, and the header lacks 'tester'. "
        "Write what is lacking into the header, in its place.")

"""A second row of one thing in a file: the advice that is told, followed to the letter, helps."""
import pandas as pd
import pytest

import labkit
from labkit.errors import LabkitError

HOW = "write into corrects which row this one corrects and into reason why, or delete the row that is wrong"
AGAIN = "what was made again is another, named X-01, X-02 and so on."


def refused(folder):
    with pytest.raises(LabkitError) as problem:
        labkit.read_trial(folder)
    return str(problem.value)


def write(path, row):
    path.write_text(path.read_text() + ",".join(row) + "\n")


@pytest.mark.parametrize("table, change, text", [
    ("melts", {1: "2031-05-05"}, f"melts.csv row 4: melt M01 is recorded already with other values. Put all "
                              f"of one melt into one row, {HOW}; {AGAIN}"),
    ("pours", {2: "2031-05-05"}, f"pours.csv row 6: pour P01 is recorded already with other values. Put all "
                              f"of one pour into one row, {HOW}; {AGAIN}"),
    ("scores", {5: "9"}, "scores.csv row 26: payoff of P01 by 001, session 1, position 1 is recorded already as 1, and 9 "
                         f"differs. Give a repeat its own session or position, {HOW}."),
    ("readings", {3: "7"}, "readings.csv row 3: drop point of P01 is recorded already as 61, and 7 differs. Number further "
                           f"readings of one pour in the column repeat, {HOW}."),
])
def test_a_second_row_becomes_a_correction_by_hand(scored, table, change, text):
    labkit.append_readings(scored, pd.DataFrame([{"pour": "P01", "method": "drop point", "direction": "up", "value": 61,
                                                  "unit": "degC"}]))
    path = scored / f"{table}.csv"
    before = path.read_text()
    header, first = (line.split(",") for line in before.splitlines()[:2])
    second = [change.get(k, cell) for k, cell in enumerate(first)]
    write(path, second)
    assert refused(scored) == text
    path.write_text(before)
    write(path, [{"corrects": "2", "reason": "misread"}.get(name, cell) for name, cell in zip(header, second)])
    assert len(getattr(labkit.read_trial(scored), table)) == len(before.splitlines())


@pytest.mark.parametrize("position, left", [("", [6.0]), ("2", [5.0])])
def test_of_a_score_with_a_position_and_without_one_either_is_taken_back(poured, position, left):
    """As `labkit check` advises where one score stands twice."""
    path = poured / "scores.csv"
    path.write_text(path.read_text() + "P01,001,9,,payoff,5,,\nP01,001,9,2,payoff,6,,\n")
    key = {"pour": "P01", "tester": "001", "session": "9", "attribute": "payoff", "score": ""}
    with pytest.raises(LabkitError) as problem:
        labkit.correct_scores(poured, pd.DataFrame([key]), reason="one score")
    assert str(problem.value) == ("scores row 0: pour P01, tester 001, session 9, attribute payoff was judged 2 times. Add "
                                  "session and position to say which.")
    trial = labkit.correct_scores(poured, pd.DataFrame([key | {"position": position}]), reason="one score")
    assert trial.standing_scores["score"].tolist() == left and not trial.doubts


def test_a_pour_that_was_written_into_two_rows(poured):
    path = poured / "pours.csv"
    first, *rest = path.read_text().splitlines()[1:]
    header, cells = path.read_text().splitlines()[0], first.split(",")
    red, yellow = (header.split(",").index(f"{name} paste [g]") for name in ("red", "yellow"))
    base = header.split(",").index("base [g]")
    one = ",".join("" if k == yellow else cell for k, cell in enumerate(cells))
    two = ",".join("" if k in (base, red) else cell for k, cell in enumerate(cells))
    path.write_text("\n".join([header, one, two, *rest]) + "\n")
    assert refused(poured) == ("pours.csv row 3: pour P01 has another row before this one, and no base in this one. Put all "
                               "that went into one pour into one row.")
    path.write_text("\n".join([header, first, *rest]) + "\n")
    assert not labkit.read_trial(poured).left_out

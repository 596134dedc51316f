"""A decimal comma without quotes in a file with commas: told by row, column and value, never read as two cells."""
import pytest

import labkit
from labkit.errors import StoreError
from labkit.store.tables import parse_table

MELTS = ("melt,date,wax [g],butter [g],oil [g],vitamin E [g],note,corrects,reason\n"
         "M01,2031-05-04,4.1,12.7,20,0.4,,,\n")
POURS = ("pour,melt,date,base [g],wax [g],red [g],yellow [g],temperature,outcome,defects,note,corrects,reason\n"
         "P01,M01,,18.5,,0.4,0.81,75.3,ok,,,,\n")
SCORES = "pour,tester,session,position,attribute,score,corrects,reason\nP01,T01,1,1,payoff,4,,\n"
READINGS = "pour,method,direction,value,unit,repeat,corrects,reason\n"
WIDE = "tester,pour,payoff,hardness\nT01,P01,5,6\n"
SAVE = "in quotation marks, or save the table with semicolons"
LONG = "cells, one more than the header has columns"
FEWER, COMPLETE = "fewer than the header has columns", "Complete the row; leave a cell empty where there is nothing to say."


def told(before, row):
    """What is said of a row, after the file and the number of the row."""
    with pytest.raises(StoreError) as caught:
        parse_table(f"{before}{row}\n".encode(), file="some.csv")
    start = f"some.csv row {before.count(chr(10)) + 1} "
    assert str(caught.value).startswith(start)
    return str(caught.value).removeprefix(start)


@pytest.mark.parametrize(("before", "row", "text"), [
    (POURS, "P02,M01,,1,25,,0.36,0.84,70,ok,,,,",
     f'has 14 {LONG}: perhaps base [g] is 1,25. Write 1.25, put "1,25" {SAVE}.'),
    (POURS, "P02,M01,,18.8,,0.36,1,70,5,ok,,,,",
     f'has 14 {LONG}: perhaps yellow [g] is 1,70, or temperature is 70,5. '
     f'Write a point, such as 1.70, put "1,70" {SAVE}.'),
    (POURS, "P02,M01,,18.8,,0,36,1,70,ok,,,,",
     f'has 14 {LONG}: perhaps red [g] is 0,36. Write 0.36, put "0,36" {SAVE}.'),
    (POURS, "P02,M01,,18.8,,0,36,0,84,70,ok,,,,",
     "has 15 cells, 2 more than the header has columns: perhaps red [g] is 0,36 and yellow [g] is 0,84. "
     f'Write a point, such as 0.36, put "0,36" {SAVE}.'),
    (MELTS, "M02,2031-05-04,4,70,12.9,21.5,0.43,,,",
     f'has 10 {LONG}: perhaps wax [g] is 4,70. Write 4.70, put "4,70" {SAVE}.'),
    (SCORES, "P02,T01,1,1,payoff,7,5,,", f'has 9 {LONG}: perhaps score is 7,5. Write 7.5, put "7,5" {SAVE}.'),
    (SCORES, "P02,T01,1,1,payoff,7,5,1,misread",
     f'has 9 {LONG}: perhaps score is 7,5. Write 7.5, put "7,5" {SAVE}.'),
    (READINGS, "P01,needle depth,up,7,5,mm,1,,",
     f'has 9 {LONG}: perhaps value is 7,5. Write 7.5, put "7,5" {SAVE}.'),
    (WIDE, "T02,P01,7,5,6",
     f'has 5 {LONG}: perhaps payoff is 7,5, or hardness is 5,6. Write a point, such as 7.5, put "7,5" {SAVE}.'),
    ("Code,payoff\n417,6\n", "552,7,5", f'has 3 {LONG}: perhaps payoff is 7,5. Write 7.5, put "7,5" {SAVE}.'),
    (WIDE, "T02,P01,7,5,", f'has 5 {LONG}: perhaps payoff is 7,5. Write 7.5, put "7,5" {SAVE}, '
                           "or take away the comma to spare."),
])
def test_a_row_with_a_cell_more_than_the_header(before, row, text):
    assert told(before, row) == text


@pytest.mark.parametrize(("before", "row", "text"), [
    (SCORES, "P02,T01,1,1,payoff,7,5", "has '5' under corrects: perhaps score is 7,5. Write 7.5"),
    (SCORES, "P02,T01,1,1,payoff,7,5,", "has '5' under corrects: perhaps score is 7,5. Write 7.5"),
    (MELTS, "M02,2031-05-04,4,70,12.9,21.5,0.43", "has '0.43' under note: perhaps wax [g] is 4,70. Write 4.70"),
    (POURS, "P02,M01,,1,25,,0.36,0.84,70,ok,,,", "has '70' under outcome: perhaps base [g] is 1,25. Write 1.25"),
    (READINGS, "P01,needle depth,up,7,5,mm", "has '5' under unit: perhaps value is 7,5. Write 7.5"),
    (READINGS, "P01,needle depth,up,7,5,mm,,", "has '5' under unit: perhaps value is 7,5. Write 7.5"),
])
def test_a_row_whose_last_cells_were_left_out(before, row, text):
    number = text.split("is ")[-1].split(". ")[0]
    assert told(before, row) == f'{text}, put "{number}" {SAVE}.'


@pytest.mark.parametrize(("before", "row", "text"), [
    (POURS, "P02,M01,,18.8,,0.36,1,70,ok,,soft, sticky,,",
     f"has 14 {LONG}, and 'sticky' under corrects without a reason. Put a cell that holds a comma in quotation marks."),
    (SCORES, "P02,T01,1,1,payoff", "breaks off after 5 cells: nothing stands for score, corrects and reason. "
                                   "Complete the row; leave a cell empty where there is nothing to say."),
    (POURS, "P02,M01,18.8,,0.36,0.84,70,ok,,,,", f"has 12 cells, one {FEWER}, and '18.8' under date. {COMPLETE}"),
    (POURS, "P02,18.8,,0.36,0.84,70,ok", f"has 7 cells, 6 {FEWER}, and 'ok' under yellow [g]. {COMPLETE}"),
    (SCORES, "P01,T01,1,payoff,4,,", f"has 7 cells, one {FEWER}, and '4' under attribute. {COMPLETE}"),
    (MELTS, "M02,4.1,12.7,20,0.4,,,", f"has 8 cells, one {FEWER}, and '4.1' under date. {COMPLETE}"),
])
def test_cells_too_many_or_too_few_for_other_reasons(before, row, text):
    assert told(before, row) == text


@pytest.mark.parametrize(("row", "number", "column"), [
    ("P02,M01,,18,85,,0.36,0.84,,ok", "18,85", "base [g]"),
    ("P02,M01,,18.85,,0,36,0.84,,ok,", "0,36", "red [g]"),
    ("P02,M01,,18.85,,0,36,0.84,,ok,,", "0,36", "red [g]"),
    ("P02,M01,,18.85,,0,36,0.84,,failed: broke,,,", "0,36", "red [g]"),
])
def test_a_comma_that_moves_the_outcome_where_a_setting_was_left_blank(row, number, column):
    strayed = "failed: broke" if "failed" in row else "ok"
    assert told(POURS, row) == (f"has '{strayed}' under defects: perhaps {column} is {number}. "
                                f'Write {number.replace(",", ".")}, put "{number}" {SAVE}.')


@pytest.mark.parametrize("row", ["P02,M01,,18.8,,0.36,0.84,70,,ok", "P02,M01,,18.8,,0.36,0.84,70,,ok,,,"])
def test_an_outcome_under_defects_where_no_comma_explains_it(row):
    assert told(POURS, row) == ("has 'ok' under defects and nothing under outcome. Move it to its own column, or put a cell "
                                "that holds a comma in quotation marks.")


ASIDE = "action,pour,tester,session,position,attribute,reason,since\n"
APART = "Put a cell that holds a comma in quotation marks, or leave out the blank if these are two cells."


@pytest.mark.parametrize(("before", "row", "text"), [
    (POURS, "P02,M01,,18.8,,0.36,0.84,70,ok,soft, sticky",
     f"has 'soft, sticky', which is read as 'soft' under defects and 'sticky' under note. {APART}"),
    (POURS, "P02,M01,,18.8,,0.36,0.84,70,failed: broke, soft,,,",
     f"has 'failed: broke, soft', which is read as 'failed: broke' under outcome and 'soft' under defects. {APART}"),
    (POURS, "P02,M01,,18.8,,0.36,0.84,70,ok,,soft, sticky, dull",
     f"has 'soft, sticky', which is read as 'soft' under note and 'sticky' under corrects. {APART}"),
    (MELTS, "M02,2031-05-04,4.7,12.9,21.5,0.43,boiled, once,",
     f"has 'boiled, once', which is read as 'boiled' under note and 'once' under corrects. {APART}"),
    (ASIDE, "set aside,P01,,,,smelled, off",
     f"has 'smelled, off', which is read as 'smelled' under attribute and 'off' under reason. {APART}"),
])
def test_a_comma_of_a_sentence_that_parts_two_cells(before, row, text):
    assert told(before, row) == text


@pytest.mark.parametrize(("before", "row"), [
    (POURS, "P02,M01,,18.8,,0.36,0.84,70,ok,soft,sticky"),                   # two cells
    (POURS, 'P02,M01,,18.8,,0.36,0.84,70,ok,"soft, sticky"'),
    (POURS, 'P02,M01,,18.8,,0.36,0.84,70,ok,soft,"sticky, soft, sticky"'),
    (POURS, "P02, M01,, 18.8,, 0.36, 0.84, 70, ok, soft, sticky"),           # a blank after every comma
    (WIDE.replace("hardness", "note"), "T02,P01,7, soft"),                   # a table of somebody's own
])
def test_blanks_after_commas_that_may_stand(before, row):
    assert len(parse_table(f"{before}{row}\n".encode(), file="some.csv").body) == before.count("\n")


@pytest.mark.parametrize(("before", "row"), [
    (SCORES, "P02,T01,1,1,payoff,7,,,"),                        # a comma to spare, and no two whole numbers
    (WIDE.replace("5,6", "5,6,"), "T02,P01,7,5,"),              # every row ends in one
    (WIDE, "T02,P01,7,5"),
    (MELTS, "M02,2031-05-04,4,8,12,0.4,5,,"),                   # a whole row whose note is a number
    (MELTS, 'M02,2031-05-04,"4,70",12.9,21.5,0.43,,,'),
    (SCORES, "P02,T01,1,1,payoff,7,2,misread"),
    (MELTS, "M02,20310504,4.1,12.7,20,0.4"),                    # blank last cells left out
    (MELTS, "M02,2031-05-04,4.1,12.7,20,0.4,5"),
    ("tester,pour,payoff,hardness,outcome\n", "T01,P01,7,5,good"),     # a table of somebody's own
])
def test_what_stands_as_it_is(before, row):
    assert len(parse_table(f"{before}{row}\n".encode(), file="some.csv").body) == before.count("\n")


def test_between_semicolons_only_a_cell_too_few_or_too_many_is_told():
    pours = POURS.replace(",", ";")
    assert told(pours, "P02;M01;18,8;;0,36;0,84;70;ok;;;;") == f"has 12 cells, one {FEWER}, and '18,8' under date. {COMPLETE}"
    assert told(pours, "P02;M01;;18,8;;0,36;1;70;ok;;soft; sticky;;") == (
        f"has 14 {LONG}, and 'sticky' under corrects without a reason. Put a cell that holds a semicolon in quotation marks.")
    assert parse_table(b"pour;score\nP01;7,5\n", file="scores.csv").body[0].cells == ("P01", "7,5")


def test_in_a_trial_a_weight_shifted_by_a_comma_is_no_other_weight(poured):
    path = poured / "melts.csv"
    lines = path.read_text().splitlines()
    assert ",7.92," in lines[2]
    path.write_text("\n".join([*lines[:2], lines[2].replace(",7.92,", ",7,92,")]) + "\n")
    with pytest.raises(StoreError) as caught:
        labkit.read_trial(poured)
    assert str(caught.value) == (
        f'melts.csv row 3 has 10 {LONG}: perhaps candelilla wax [g] is 7,92. Write 7.92, put "7,92" {SAVE}.')

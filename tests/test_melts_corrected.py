"""A melt that was written down wrongly: a later row says what it corrects and why, and every reader takes the last."""

import re

import pandas as pd
import pytest

import labkit
from labkit.errors import PourError
from labkit.forms import pours_form

WAX = pd.DataFrame([{"melt": "M01", "candelilla wax [g]": "6,41"}])


def old_header(folder):
    """melts.csv as it was written before melts could be corrected."""
    path = folder / "melts.csv"
    path.write_text("\n".join(line.removesuffix(",,").removesuffix(",corrects,reason")
                              for line in path.read_text().splitlines()) + "\n")
    return path


def refused(verb, *args, **options):
    with pytest.raises(PourError) as problem:
        verb(*args, **options)
    return str(problem.value)


def test_the_last_row_of_a_melt_stands_for_all_its_pours(demo_copy):
    before, kept = labkit.read_trial(demo_copy), (demo_copy / "melts.csv").read_bytes()
    trial = labkit.correct_melts(demo_copy, WAX, reason="read 7 for 6")
    assert (demo_copy / "melts.csv").read_bytes() == (
        kept + b"M01,2026-02-06,6.41,12.75,18.55,0.43,,2,read 7 for 6\n")
    for found in (trial, labkit.read_trial(demo_copy)):
        assert len(found.melts) == 7 and not found.left_out
        assert found.made.loc[["P01", "P02"], "wax"].tolist() == pytest.approx([6.41 / (6.41 + 12.75 + 18.55)] * 2)
        pd.testing.assert_frame_equal(found.made.drop(["P01", "P02"]), before.made.drop(["P01", "P02"]))


def test_a_file_without_the_columns_is_read_and_gets_them_when_they_are_needed(demo_copy):
    path = old_header(demo_copy)
    before = path.read_bytes()
    assert len(labkit.read_trial(demo_copy).melts) == 6
    labkit.append_melts(demo_copy, pd.DataFrame([{"melt": "X-01", "jojoba oil [g]": 9}]))
    assert path.read_bytes() == before + b"X-01,,,,9,,\n"
    labkit.correct_melts(demo_copy, WAX, reason="slip")
    lines = path.read_text().splitlines()
    assert lines[0].endswith(",note,corrects,reason")
    assert lines[1:8] == [f"{line}," + "," for line in [*before.decode().splitlines()[1:], "X-01,,,,9,,"]]
    assert lines[8] == "M01,2026-02-06,6.41,12.75,18.55,0.43,,2,slip"


def test_what_stands_as_it_is_to_be_is_passed_over_and_a_table_that_is_fed_again_adds_nothing(demo_copy):
    labkit.correct_melts(demo_copy, WAX, reason="slip")
    labkit.correct_melts(demo_copy, WAX.assign(**{"candelilla wax [g]": "7,41"}), reason="no, it was right")
    before = (demo_copy / "melts.csv").read_bytes()
    labkit.correct_melts(demo_copy, WAX.assign(**{"candelilla wax [g]": 7.41}), reason="again")
    labkit.append_melts(demo_copy, labkit.store.read_table(demo_copy / "melts.csv"))
    labkit.append_melts(demo_copy, labkit.read_trial(demo_copy).melts.iloc[:3])
    assert (demo_copy / "melts.csv").read_bytes() == before
    assert labkit.read_trial(demo_copy).made.loc["P01", "wax"] == pytest.approx(7.41 / (7.41 + 12.75 + 18.55))


def test_is_refused_whole_and_says_what_to_do(demo_copy):
    before = (demo_copy / "melts.csv").read_bytes()
    assert refused(labkit.correct_melts, demo_copy, WAX.assign(melt="M09"), reason="x") == (
        "melts row 0: melt 'M09' is not recorded. Use append_melts for a first record.")
    assert refused(labkit.correct_melts, demo_copy, pd.concat([WAX, WAX]), reason="x") == (
        "melts row 0: melt M01 is corrected twice in one frame. Give it once.")
    assert refused(labkit.correct_melts, demo_copy, WAX, reason=" ") == (
        "correct_melts has the reason ' '. Say in words why; the row keeps it.")
    assert refused(labkit.append_melts, demo_copy, labkit.read_trial(demo_copy).melts.head(1).assign(note="x")) == (
        "melts row 0: melt M01 is recorded already with other values. Use correct_melts to correct it; "
        "what was made again is another, named X-01, X-02 and so on.")
    assert (demo_copy / "melts.csv").read_bytes() == before


@pytest.mark.parametrize("row, text", [
    ("M01,,7,12,18,0.4,,2,", "melts.csv row 8: corrects melt M01 without a reason. Write the reason."),
    ("X-07,,7,12,18,0.4,,2,slip", "melts.csv row 8: corrects melt X-07, which is not recorded before it. Put the "
                                  "row below the one that it corrects, or leave `corrects` empty if there is none."),
    ("M01,,7,12,18,0.4,,,", "melts.csv row 8: melt M01 is recorded already with other values. Put all of one melt "
                            "into one row, write into corrects which row this one corrects and into reason why, or delete the row that is wrong; what was made again is another, named X-01, X-02 and so on."),
])
def test_a_file_that_corrects_by_hand(demo_copy, row, text):
    path = demo_copy / "melts.csv"
    path.write_text(path.read_text() + row + "\n")
    assert refused(labkit.read_trial, demo_copy) == text


def test_a_correction_may_say_none_and_keeps_it(demo_copy):
    labkit.correct_melts(demo_copy, pd.DataFrame([{"melt": "M01", "vitamin E [g]": "none"}]), reason="left out")
    trial = labkit.correct_melts(demo_copy, pd.DataFrame([{"melt": "M01", "note": "cloudy"}]), reason="noted late")
    assert (demo_copy / "melts.csv").read_text().splitlines()[-1] == (
        "M01,2026-02-06,7.41,12.75,18.55,none,cloudy,8,noted late")
    assert trial.made_formulas.loc["P01", "vitamin E"] == 0


def test_the_form_corrects_a_melt_for_a_reason(demo_copy):
    form = pours_form(demo_copy, number=1)
    form.grids["melts"].boxes["M01", "candelilla wax [g]"].value = "6,41"
    form.button.click()
    assert re.sub("<[^>]+>", "", form.said.value) == (
        "Nothing was saved. M01 is saved with other values. To change it, give a reason; otherwise put the boxes back.")
    form.reason.value = "read 7 for 6"
    form.button.click()
    assert re.sub("<[^>]+>", "", form.said.value) == "Corrected 1 melt."
    assert (demo_copy / "melts.csv").read_text().splitlines()[-1] == (
        "M01,2026-02-06,6.41,12.75,18.55,0.43,,2,read 7 for 6")
    again = pours_form(demo_copy, number=1)
    assert again.grids["melts"].boxes["M01", "candelilla wax [g]"].value == "6.41"
    again.button.click()
    assert re.sub("<[^>]+>", "", again.said.value) == "Nothing new: all of this is saved already."

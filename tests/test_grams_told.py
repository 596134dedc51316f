"""One melt, one set of grams: report, sheet, form and every refusal tell what the maker is to weigh into the pot."""
import re

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA
from recorded import MELTS, changed, two_melts
from test_sheets import cells

import labkit
from labkit import Trial
from labkit.__main__ import main
from labkit.errors import PourError
from labkit.forms import pours_form
from labkit.portions import small_portions
from labkit.rounds import Batch, Round, into_the_pot, planned_grams


@pytest.fixture
def trial(terracotta):
    """A melt of which 0.07 and 0.08 g of vitamin E are drawn: with a tenth more it is 0.165 g."""
    round_ = two_melts(terracotta)
    frame = round_.to_frame()
    frame.loc[:1, "jojoba oil [g]"] += frame.loc[:1, "vitamin E [g]"] - [0.07, 0.08]
    frame.loc[:1, "vitamin E [g]"] = [0.07, 0.08]
    return terracotta.with_tables({"plan": frame[["round", "melt", "pour", "order", *terracotta.recipe.settings, *(
        c for c in frame if c.endswith(" [g]"))]]})


@pytest.fixture
def terracotta():
    return Trial.from_toml(TERRACOTTA)


@pytest.fixture
def round_(trial):
    return Round(number=1, frame=trial.plan, recipe=trial.recipe)


def told(text):
    return re.search(r"(\d+\.\d\d) g were planned", text).group(1)


def test_halves_go_upwards_whatever_the_last_binary_digit():
    drawn = pd.DataFrame({"drawn [g]": np.arange(5, 2000, 10) / 100})
    exact = [(11 * k + 5) // 10 / 100 for k in range(5, 2000, 10)]          # 1.1 k hundredths, halves up, in whole numbers
    assert into_the_pot(drawn, 0.1, Batch())["drawn [g]"].tolist() == exact
    assert into_the_pot(drawn / 3 * 3, 0.1, Batch())["drawn [g]"].tolist() == exact


def test_report_sheet_note_and_form_say_the_same(trial, round_, tmp_path):
    assert round_.melt_sheet(0.1).set_index("melt").at["M01", "vitamin E [g]"] == 0.17
    shown = cells(labkit.bench_sheet(trial, round_))
    sheet = {column: float(shown[shown.index(column.removesuffix(" [g]")) + 1])
             for column in round_.melt_sheet() if column.endswith(" [g]")}
    assert sheet == round_.melt_sheet(0.1).set_index("melt").filter(like=" [g]").loc["M01"].to_dict()
    rows = [row.split() for row in str(round_).splitlines()]
    assert next(row for row in rows if row[:1] == ["M01"])[2:] == [f"{grams:.2f}" for grams in sheet.values()]
    assert planned_grams(trial.plan, trial.recipe, trial.batch, by="melt")["M01"].items() >= sheet.items()
    assert "0.17 g of vitamin E in M01" in small_portions(round_, trial.batch)[0]


def test_the_form_says_the_same(demo_copy):
    form, trial = pours_form(demo_copy), labkit.read_trial(demo_copy)
    plan = trial.plan[trial.plan["round"] == trial.plan["round"].max()]
    sheet = Round(number=3, frame=plan, recipe=trial.recipe).melt_sheet(0.1)
    small = re.findall(r"meant (\d+\.\d\d)<", " ".join(
        getattr(child, "value", "") for box in form.grids["melts"].widget.children
        for child in getattr(box, "children", ()) if isinstance(getattr(child, "value", ""), str)))
    assert small == [f"{grams:.2f}" for grams in sheet.filter(like=" [g]").to_numpy().ravel()]


def test_refusals_say_the_same(trial):
    sheet = planned_grams(trial.plan, trial.recipe, trial.batch, by="melt")["M01"]
    for value in (0, "", 400):
        with pytest.raises(PourError) as problem:
            trial.with_melts(changed(MELTS, 2, "mango butter [g]", value))
        assert told(str(problem.value)) == f"{sheet['mango butter [g]']:.2f}"


def test_what_is_left_out_and_what_is_in_doubt_say_the_same(trial, round_):
    sheet = round_.melt_sheet(0.1).set_index("melt")
    empty = trial.with_tables({"melts": changed(MELTS, 2, "mango butter [g]", ""), "pours": pd.DataFrame(
        [{"pour": "P01", "melt": "M01", "base [g]": 18.8, "red paste [g]": 0.36, "yellow paste [g]": 0.84,
          "pour_temperature": 70}])}, files=True)
    assert told(empty.left_out["P01"]) == f"{sheet.at['M01', 'mango butter [g]']:.2f}"
    scant = trial.with_tables({"melts": changed(MELTS, 3, "mango butter [g]", 1.28)}, files=True)
    assert told(scant.doubts[-1]) == f"{sheet.at['M02', 'mango butter [g]']:.2f}"


def test_a_pot_as_it_stands_on_the_sheet_is_in_no_doubt_and_exchanged_it_is(trial, round_):
    sheet = round_.melt_sheet(0.1).drop(columns="pours")
    assert trial.with_melts(sheet).doubts == ()
    one, other = "candelilla wax [g]", "mango butter [g]"
    with pytest.raises(PourError) as problem:
        trial.with_melts(sheet.assign(**{one: sheet[other], other: sheet[one]}))
    assert "in each other's column" in str(problem.value)


def test_the_sheet_and_the_report_of_a_kept_round(demo_copy, capsys):
    for name in ("melts", "pours"):
        rows = (demo_copy / f"{name}.csv").read_text().splitlines(keepends=True)
        (demo_copy / f"{name}.csv").write_text(rows[0])
    for name in ("scores", "servings", "set_aside", "readings"):
        (demo_copy / f"{name}.csv").unlink(missing_ok=True)
    assert main(["next", str(demo_copy), "--keep"]) == 0
    out = capsys.readouterr().out
    page = next((demo_copy / "sheets").glob("*.html")).read_text()
    at = [cell for cell in cells(page) if re.fullmatch(r"\d+\.\d\d", cell)]
    report = [row.split()[2:] for row in out.splitlines() if re.match(r"\s*M\d\d\s+\d\s", row)]
    assert report and {grams for row in report for grams in row} <= set(at)

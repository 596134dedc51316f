"""A new trial's folder."""
import tomllib

import pytest
from store.conftest import STICK, refused, snapshot

import labkit
from labkit.errors import LabkitError, StoreError
from labkit.rounds import Cost
from labkit.store import beginning


def test_the_example_is_a_trial_as_it_stands(tmp_path):
    folder = tmp_path / "trials" / "first"
    trial = labkit.new_trial(folder)
    assert trial.name == labkit.read_trial(folder).name == "My first stick"
    assert trial.attributes.keys() == {"payoff", "hardness", "sheerness", "shade"}
    assert (folder / "trial.toml").read_text(encoding="utf-8") == beginning.first_definition()


def test_the_example_shows_the_cautions():
    shown = " ".join(beginning.first_definition().replace("#", " ").split())
    for words in ("Hot wax burns", "water bath", "Do not breathe pigment powder", "cosmetic-grade", "allergies"):
        assert words in shown


def test_the_example_shows_the_costs_that_are_used_without_a_table():
    shown = beginning.first_definition().split("# [cost]\n")[1].replace("# ", "")
    assert tomllib.loads(shown) == vars(Cost()) == vars(labkit.Trial.from_toml(beginning.first_definition()).cost)


def test_the_example_says_what_a_unit_of_cost_must_bring():
    """It said "any one unit", but costs ten times as high turn "Pour this round" into "Stop here"."""
    shown, cost = " ".join(beginning.first_definition().replace("#", " ").split()), Cost()
    assert "what a unit of this must bring of desirability (0 to 1)" in shown and "any one unit" not in shown
    assert (f"comes to {cost.of(rounds=1, melts=2, pours=4):g} here, and must bring {cost.evening_must_bring:.2f}: where you "
            "count in money, choose `worth` so that") in shown


def test_tables_are_empty_and_have_their_headers(tmp_path):
    labkit.new_trial(tmp_path, STICK)
    files = snapshot(tmp_path)
    assert sorted(files) == ["melts.csv", "plan.csv", "pours.csv", "readings.csv", "scores.csv", "servings.csv",
                             "set_aside.csv", "trial.toml"]
    grams = ["candelilla wax [g]", "mango butter [g]", "vitamin E [g]", "red paste [g]", "yellow paste [g]", "jojoba oil [g]"]
    assert files["plan.csv"].decode() == ",".join(
        ["round", "melt", "pour", "order", "wax", "red_share", "load", "pour_temperature", *grams]) + "\n"
    assert files["pours.csv"].decode() == ",".join(
        ["pour", "melt", "date", "base [g]", *grams, "pour_temperature", "outcome", "defects", "note", "corrects",
         "reason"]) + "\n"
    assert files["scores.csv"] == b"pour,tester,session,position,attribute,score,corrects,reason\n"
    assert files["trial.toml"].decode() == STICK


def test_a_folder_with_something_in_it_is_left_alone(tmp_path):
    (tmp_path / "diary.txt").write_text("dear diary")
    assert refused(StoreError, labkit.new_trial, tmp_path) == (
        f"the folder {tmp_path} is not empty: it holds diary.txt. Name a new folder for the trial.")
    with pytest.raises(StoreError) as caught:
        labkit.new_trial(tmp_path / "diary.txt")
    assert str(caught.value) == f"{tmp_path}/diary.txt is a file. Name a new folder for the trial."
    with pytest.raises(StoreError) as caught:
        labkit.new_trial(tmp_path / "diary.txt" / "new")
    assert str(caught.value) == f"the folder {tmp_path}/diary.txt/new cannot be made: not a directory. Name another place."


def test_a_definition_that_does_not_hold_makes_no_folder(tmp_path):
    assert refused(LabkitError, labkit.new_trial, tmp_path / "new", STICK.replace("low = 0.10", "low = 0.40")) == (
        "[factors.wax]: low is 0.4 and high is 0.22. Give the lower number as low.")
    assert not (tmp_path / "new").exists()


def test_a_new_trial_takes_another_definition_before_its_first_row(tmp_path):
    labkit.new_trial(tmp_path)
    other = STICK.replace("mango butter", "shea butter")
    (tmp_path / "trial.toml").write_text(other, encoding="utf-8")
    trial = labkit.read_trial(tmp_path)
    labkit.append_round(tmp_path, labkit.plan_round(trial, pours=2, melts=1))
    header = snapshot(tmp_path)["plan.csv"].decode().splitlines()[0]
    assert "shea butter [g]" in header and "mango butter [g]" not in header
    assert labkit.read_trial(tmp_path).plan["shea butter [g]"].notna().all()
    (tmp_path / "trial.toml").write_text(STICK, encoding="utf-8")
    with pytest.raises(LabkitError) as problem:        # a table with rows is not given up
        labkit.read_trial(tmp_path)
    assert str(problem.value) == (
        "plan.csv has a column 'shea butter [g]', filled in 2 rows, but 'shea butter' is not in [formula]. Name it there as "
        "it is recorded, with 0 percent if it is no longer used: what is recorded stays.")


def test_with_its_first_row_every_empty_table_gets_the_columns_of_the_new_definition(tmp_path, tmp_path_factory):
    labkit.new_trial(tmp_path)
    pours, melts = tmp_path / "pours.csv", tmp_path / "melts.csv"
    pours.write_bytes(pours.read_bytes().replace(b",", b";"))
    other = STICK.replace("mango butter", "shea butter")
    (tmp_path / "trial.toml").write_text(other, encoding="utf-8")
    labkit.append_round(tmp_path, labkit.plan_round(labkit.read_trial(tmp_path), pours=2, melts=1))
    as_new = tmp_path_factory.mktemp("as_new")
    labkit.new_trial(as_new, other)
    fresh = snapshot(as_new)
    assert melts.read_bytes() == fresh["melts.csv"] and pours.read_bytes() == fresh["pours.csv"].replace(b",", b";")
    assert snapshot(tmp_path)["scores.csv"] == fresh["scores.csv"]


def test_an_empty_table_that_is_held_open_stays_and_hinders_nothing(tmp_path):
    labkit.new_trial(tmp_path)
    (tmp_path / "trial.toml").write_text(STICK.replace("mango butter", "shea butter"), encoding="utf-8")
    (tmp_path / ".~lock.pours.csv#").write_text("someone")
    before = (tmp_path / "pours.csv").read_bytes()
    trial = labkit.append_round(tmp_path, labkit.plan_round(labkit.read_trial(tmp_path), pours=2, melts=1))
    assert len(trial.plan) == 2 and (tmp_path / "pours.csv").read_bytes() == before
    assert "shea butter [g]" in (tmp_path / "melts.csv").read_text()


def test_no_other_table_is_touched_where_the_headers_fit(tmp_path):
    labkit.new_trial(tmp_path, STICK)
    before = snapshot(tmp_path)
    labkit.append_round(tmp_path, labkit.plan_round(labkit.read_trial(tmp_path), pours=2, melts=1))
    after = snapshot(tmp_path)
    assert {name for name in before if before[name] != after[name]} == {"plan.csv"}

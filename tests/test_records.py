"""`appraise_records`: in a notebook what `labkit check` says in the shell; the sentences themselves are tested where made."""
import dataclasses

import pandas as pd
import pytest
from definitions import TERRACOTTA

import labkit
from labkit.__main__ import main
from labkit.errors import TrialError


@pytest.fixture
def mixed(demo_copy):
    """The demo after its limits were narrowed, with a weight left empty, a slip of the pen, and a round that waits."""
    labkit.append_round(demo_copy, labkit.plan_round(labkit.read_trial(demo_copy), pours=2, melts=1, seed=1))
    path = demo_copy / "pours.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    table.loc[table["pour"] == "P03", "red paste [g]"] = ""
    table.loc[table["pour"] == "P05", "yellow paste [g]"] = "9.99"
    table.to_csv(path, index=False)
    return demo_copy


def in_shell(folder, capsys):
    assert main(["check", str(folder)]) == 0
    return " ".join(capsys.readouterr().out.split())


def test_it_says_what_the_shell_says_without_the_rows_of_files(mixed, capsys):
    found, shown = labkit.appraise_records(labkit.read_trial(mixed)), in_shell(mixed, capsys)
    kinds = found.to_frame()["kind"].tolist()
    assert {"left out", "in doubt", "waiting"} <= set(kinds) and kinds == sorted(
        kinds, key=["left out", "in doubt", "outgrown", "beside", "waiting"].index)
    for told in (found.standing, found.varies, *found.to_frame()["told"]):
        assert " ".join(told.split()) in shown
    rest = shown
    for told in (f"{mixed} can be read.", found.standing, found.varies, *found.to_frame()["told"]):
        rest = rest.replace(" ".join(told.split()), "", 1)
    assert rest.split() == ["Left", "out:", "pours.csv", "row", "4:", *["In", "doubt:"] * len(found.in_doubt)]


def test_as_text_and_as_html_hold_every_finding(mixed):
    found = labkit.appraise_records(labkit.read_trial(mixed))
    text, page = " ".join(str(found).split()), found._repr_html_()
    assert text.startswith(f"{found.standing} {found.varies} Left out: {found.left_out[0]} In doubt: ")
    assert text.endswith(found.waiting[-1]) and page.count("<p>") == 2 + len(found.to_frame())
    assert repr(found) == f"<Records of Terracotta stick: {len(found.to_frame())} findings>"


def test_nothing_is_written_and_nothing_changes(mixed):
    before = {path: path.read_bytes() for path in mixed.iterdir() if path.is_file()}
    labkit.appraise_records(labkit.read_trial(mixed))
    assert {path: path.read_bytes() for path in mixed.iterdir() if path.is_file()} == before


def test_a_blank_trial_has_nothing_to_look_at():
    found = labkit.appraise_records(labkit.Trial.from_toml(TERRACOTTA))
    assert found.standing == "Terracotta stick: nothing is poured yet." and len(found.to_frame()) == 0
    assert list(found.to_frame()) == ["kind", "told"]
    assert " ".join(str(found).split()) == f"{found.standing} {found.varies} Nothing in the records wants a look."


def test_a_trial_in_memory_is_looked_at_as_it_stands(demo_copy):
    trial = labkit.read_trial(demo_copy)
    planned = trial.with_round(labkit.plan_round(trial, pours=2, melts=1, seed=1))
    waiting = labkit.appraise_records(planned).waiting
    assert waiting == ("Planned and not recorded as poured: P13 and P14.",)
    with pytest.raises(dataclasses.FrozenInstanceError):
        labkit.appraise_records(trial).standing = "all is well"


def test_the_path_of_a_folder_is_no_trial(demo_copy):
    with pytest.raises(TrialError) as caught:
        labkit.appraise_records(str(demo_copy))
    assert str(caught.value) == "the trial is of type str. Give what read_trial(folder) returned."

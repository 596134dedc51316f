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
        kinds, key=["left out", "in doubt", "outgrown", "unsaid", "beside", "waiting"].index)
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


NO_DIRECTION = ("No direction is expected of any attribute. Where you are sure what makes one rise or fall, write it into "
                "trial.toml, such as expect = { %s = \"up\" }, for every one of which you are: the first rounds then go "
                "further, and what is scored may overrule it.")
NOTHING_WANTED = ("No attribute in trial.toml says what is wanted, so no formula is better than another. Give at least one a line such as "
                  "wanted = { rising = [4, 8] }.")


def without(text, word):
    """A trial.toml without the lines that begin so."""
    return "\n".join(row for row in text.split("\n") if not row.startswith(word))


class TestUnsaid:
    def test_a_direction_may_be_expected(self):
        trial = labkit.Trial.from_toml(without(TERRACOTTA, "expect"))
        assert labkit.appraise_records(trial).unsaid == (NO_DIRECTION % "wax",)

    def test_what_it_says_can_be_written_as_it_stands(self):
        text = without(TERRACOTTA, "expect").replace("[factors.wax]", '[factors."hard wax"]').replace("{ wax", '{ "hard wax"')
        told, = labkit.appraise_records(labkit.Trial.from_toml(text)).unsaid
        assert told == NO_DIRECTION % '"hard wax"'
        line = told[told.index("expect = "):told.index(", for every")]
        said = labkit.Trial.from_toml(text.replace("[attributes.payoff]", f"[attributes.payoff]\n{line}"))
        assert dict(said.attributes["payoff"].expect) == {"hard wax": 1} and labkit.appraise_records(said).unsaid == ()

    def test_once_a_second_round_is_planned_it_is_too_late_to_be_told(self):
        trial = labkit.Trial.from_toml(without(TERRACOTTA, "expect"))
        first = trial.with_round(labkit.plan_round(trial, pours=2, melts=1, seed=1))
        assert labkit.appraise_records(first).unsaid == (NO_DIRECTION % "wax",)
        second = first.with_round(labkit.plan_round(first, pours=2, melts=1, seed=2))
        assert labkit.appraise_records(second).unsaid == ()

    def test_something_has_to_be_wanted(self, tmp_path, capsys):
        text = without(TERRACOTTA, "wanted")
        assert labkit.appraise_records(labkit.Trial.from_toml(text)).unsaid == (NOTHING_WANTED,)
        (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
        assert NOTHING_WANTED in in_shell(tmp_path, capsys)


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


def test_a_column_that_was_forgotten_of_the_newest_round(demo):
    """Nobody scored shade there, and it was scored before; of an older round, or of what is not wanted, nothing is told."""
    scores, last = demo.tables["scores"], demo.made["round"].max()
    newest = list(demo.made.index[(demo.made["round"] == last) & demo.made["ok"]])

    def told(gone, text=TERRACOTTA):
        trial = labkit.Trial.from_toml(text).with_tables({**demo.tables, "scores": scores[~gone]}, files=True)
        return [one for one in labkit.appraise_records(trial).waiting if one.startswith("Scored, but")]

    shade = scores["attribute"] == "shade"
    assert told(shade & scores["pour"].isin(newest)) == [f"Scored, but not for shade: {', '.join(newest[:-1])} and {newest[-1]}."]
    assert told(shade & (scores["pour"] == newest[0])) == [f"Scored, but not for shade: {newest[0]}."]
    assert told(shade & (scores["pour"] == newest[0]) & (scores["tester"] == "T01")) == []
    assert told(shade & (scores["pour"] == "P01")) == [] and told(shade) == []
    assert told(shade & (scores["pour"] == newest[0]),
                TERRACOTTA.replace("wanted = { rising = [5, 9] }\n", "")) == []

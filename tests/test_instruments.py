"""Attributes that an instrument reads: their definition, their readings, and everything that is not for testers."""
import re

import pandas as pd
import pytest
from definitions import TERRACOTTA
from invented import poured

import labkit
from labkit.attributes import Attribute
from labkit.errors import PourError, ScoreError, TrialError

NEEDLE = """[attributes.softness]
reading = "needle depth"
unit = "mm"
scale = [0, 20]
wanted = { peak = [3, 6, 10] }
expect = { wax = "down" }
"""
BOTH = TERRACOTTA.replace('[attributes.hardness]\nwanted = { peak = [4, 6, 8] }\nexpect = { wax = "up" }\n', NEEDLE)


def readings(*rows):
    """Rows (pour, value) or (pour, value, repeat) of the needle."""
    table = [(*row, "")[:3] for row in rows]
    frame = pd.DataFrame(table, columns=["pour", "value", "repeat"])
    return frame.assign(method="needle depth", direction="up", unit="mm")


@pytest.fixture(scope="module")
def trial():
    return poured(BOTH, rounds=1)


def refused(error, call, *arguments):
    with pytest.raises(error) as caught:
        call(*arguments)
    return str(caught.value)


class TestDefinition:
    def test_what_is_read_stands_beside_what_is_scored(self, trial):
        assert list(trial.attributes) == ["payoff", "softness", "sheerness", "shade"]
        assert list(trial.read_attributes) == ["softness"]
        assert list(trial.scored_attributes) == ["payoff", "sheerness", "shade"]
        softness = trial.attributes["softness"]
        assert (softness.reading, softness.unit, softness.is_read) == ("needle depth", "mm", True)
        assert softness.expect == {"wax": -1} and softness.wanted.points == (3, 6, 10)
        assert not trial.attributes["payoff"].is_read

    def test_noise_is_stated_in_parts_of_the_scale_or_in_its_unit_and_holds_no_testers(self):
        text = BOTH.replace('unit = "mm"', 'unit = "mm"\nnoise = { reading = 0.2, melt = 1 }') + "[noise]\npour = 0.5\n"
        trial = labkit.Trial.from_toml(text)
        assert trial.noise_of("softness") == {
            "round": 0.6, "melt": 1.0, "pour": 0.6, "tester": 0.0, "tester_pour": 0.0, "reading": 0.2}
        assert trial.noise_of("payoff")["pour"] == 0.5

    def test_a_direction_may_be_stated(self):
        text = BOTH.replace('unit = "mm"', 'unit = "mm"\ndirection = "up"')
        assert labkit.Trial.from_toml(text).attributes["softness"].is_read

    @pytest.mark.parametrize(("old", "new", "told"), [
        ('unit = "mm"', 'unit = "mm"\ndirection = "down"',
         "[attributes.softness] direction is 'down', so a higher needle depth would be less softness. "
         "Name the attribute after what rises with its reading: a deeper needle is more softness."),
        ('unit = "mm"', 'unit = "mm"\ndirection = "softer"',
         "[attributes.softness] direction is 'softer'. Choose 'up' or 'down'."),
        ('unit = "mm"\n', "",
         "[attributes.softness] unit is ''. Write it in double quotes, such as unit = \"mm\"."),
        ('reading = "needle depth"', "reading = 3",
         "[attributes.softness] reading is 3. Write it in double quotes, such as reading = \"needle depth\"."),
        ("scale = [0, 20]\n", "",
         "[attributes.softness] is read by 'needle depth' and has no scale. Give the least and the most that a pour of "
         "this trial may read, such as scale = [0, 20]."),
        ("scale = [0, 20]", "scale = [0.1, 0.105]",
         "[attributes.softness] scale runs from 0.1 to 0.105 mm, too narrow to be told in a few digits. Choose a smaller "
         "unit, such as mg for g."),
        ("scale = [0, 20]", "scale = [20, 0]", "the scale of softness runs from 20 to 0. Give the lower end first."),
        ('reading = "needle depth"\n', "",
         "[attributes.softness] has 'unit', which goes with an instrument, but names no reading. Give the method in "
         'readings.csv, such as reading = "needle depth", or leave it out.'),
        ('unit = "mm"', 'unit = "mm"\nnoise = 0.3',
         "[attributes.softness] noise is 0.3. Give standard deviations by source, such as { reading = 0.5 }."),
        ('unit = "mm"', 'unit = "mm"\nnoise = { reading = 0 }',
         "[attributes.softness] noise reading is 0. Give a standard deviation above 0, in its unit."),
        ('unit = "mm"', 'unit = "mm"\nnoise = { tester = 1 }',
         "[attributes.softness] noise has 'tester', which is not known. Choose round, melt, pour or reading."),
        ("[attributes.shade]", '[attributes.give]\nreading = "needle depth"\nunit = "mm"\nscale = [0, 5]\n'
         "[attributes.shade]", "'needle depth' reads both softness and give. Name another method for one of them, or "
         "leave one out."),
    ])
    def test_what_does_not_add_up_is_refused(self, old, new, told):
        assert BOTH.count(old) == 1
        assert refused(TrialError, labkit.Trial.from_toml, BOTH.replace(old, new)) == told


class TestReadings:
    def test_they_stand_by_pour_and_attribute(self, trial):
        more = pd.DataFrame({"pour": ["P01"], "method": ["drop point"], "direction": ["up"], "value": [71.5]})
        found = trial.with_readings(readings(("P01", "6,5", 1), ("P01", "7", 2), ("P02", 4))).with_readings(more)
        assert found.standing_readings.to_numpy().tolist() == [
            ["P01", "softness", 6.5], ["P01", "softness", 7.0], ["P02", "softness", 4.0]]
        assert len(found.readings) == 4 and found.judged["pour"].tolist() == ["P01", "P02"]

    def test_an_equal_row_again_is_passed_over(self, trial):
        once = trial.with_readings(readings(("P01", 6.5, 1), ("P01", 6.5, 2)))
        assert len(once.with_readings(readings(("P01", "6,5", 1), ("P01", 7, 3))).readings) == 3

    @pytest.mark.parametrize(("rows", "change", "told"), [
        ([("P01", 23)], {}, "readings row 0: softness is 23; needle depth runs from 0 to 20 mm. Read again, or widen the "
         "scale in trial.toml if the value is true."),
        ([("P01", -1)], {}, "readings row 0: softness is -1; needle depth runs from 0 to 20 mm. Read again, or widen the "
         "scale in trial.toml if the value is true."),
        ([("P01", 5)], {"method": "Needle depth"}, "readings row 0: method is 'Needle depth', but trial.toml has 'needle "
         "depth'. Write both alike, or give another method another name."),
        ([("P01", 5), ("P02", 6)], {"unit": ["mm", "cm"]}, "readings row 1: softness is in cm, but in trial.toml it is in "
         "mm. Convert the value, or correct the unit."),
        ([("P01", 5)], {"direction": ["higher"]}, "readings row 0: direction is 'higher'. Write up where a higher value is more "
         "of what is read, as for every attribute of trial.toml, and down where it is less."),
        ([("P01", 5), ("P02", 6)], {"direction": ["up", "down"]}, "readings row 1: direction of needle depth is 'down', "
         "but in trial.toml a higher one is more softness. Write up, or name the attribute after what rises with its "
         "reading."),
        ([("P01", 5), ("P02", 6)], {"method": "force", "direction": ["up", "down"]}, "readings row 1: direction of force "
         "is 'down', but 'up' in row 0. One method runs one way: correct one of them, or name two methods."),
        ([("P01", 5, 1), ("P01", 6, 1)], {}, "readings row 1: needle depth of P01, repeat 1, is recorded already as 5, "
         "and 6 differs. Number further readings of one pour in the column repeat, or use correct_readings if it was wrong."),
        ([("P01", 5), ("P01", 6)], {}, "readings row 1: needle depth of P01 is recorded already as 5, and 6 differs. "
         "Number further readings of one pour in the column repeat, or use correct_readings if it was wrong."),
    ])
    def test_what_cannot_be_is_refused_with_file_row_and_value(self, trial, rows, change, told):
        assert refused(PourError, trial.with_readings, readings(*rows).assign(**change)) == told

    def test_a_missing_direction_is_explained(self, trial):
        assert refused(PourError, trial.with_readings, readings(("P01", 5)).drop(columns="direction")) == (
            "readings lacks the column 'direction'. Write up where a higher value is more of what is read, as for every "
            "attribute of trial.toml, and down where it is less.")

    def test_a_unit_may_be_written_as_the_sheets_print_it(self, trial):
        warm = labkit.Trial.from_toml(BOTH.replace('unit = "mm"', 'unit = "degC"'))
        warm = warm.with_round(round_ := labkit.plan_round(warm, pours=2, melts=1, seed=1)).with_pours(round_.as_poured())
        assert len(warm.with_readings(readings(("P01", 5)).assign(unit="\u00b0C")).standing_readings) == 1

    def test_rows_that_were_recorded_before_count_as_well(self, trial):
        before = trial.with_readings(readings(("P01", 5)).assign(method="force"))
        assert refused(PourError, before.with_readings, readings(("P02", 5)).assign(method="force", direction="down")) == (
            "readings row 0: direction of force is 'down', but 'up' for P01. One method runs one way: correct one of them, "
            "or name two methods.")

    def test_the_file_is_named_when_a_trial_is_read(self, trial, tmp_path):
        folder = tmp_path / "t"
        labkit.new_trial(folder)
        (folder / "trial.toml").write_text(BOTH)
        round_ = labkit.plan_round(labkit.read_trial(folder), pours=2, melts=1, seed=1)
        labkit.append_round(folder, round_)
        labkit.append_melts(folder, round_.melt_sheet().drop(columns="pours"))
        labkit.append_pours(folder, round_.pour_sheet().drop(columns="order"))
        labkit.append_readings(folder, readings(("P01", 6), ("P02", 7)))
        path = folder / "readings.csv"
        path.write_text(path.read_text().replace("P02,needle depth,up,7", "P02,needle depth,up,70"))
        assert refused(PourError, labkit.read_trial, folder) == (
            "readings.csv row 3: softness is 70; needle depth runs from 0 to 20 mm. Read again, or widen the scale in "
            "trial.toml if the value is true.")
        path.write_text(path.read_text().replace("P02,needle depth,up,70", "P02,needle depth,down,7"))
        assert refused(PourError, labkit.read_trial, folder) == (
            "readings.csv row 3: direction of needle depth is 'down', but in trial.toml a higher one is more "
            "softness. Write up, or name the attribute after what rises with its reading.")
        path.write_text(path.read_text().replace("P02,needle depth,down,7", "P02,needle depth,up,7"))
        left = labkit.set_aside(folder, pour="P02", attribute="softness", reason="the needle slipped")
        assert left.standing_readings["pour"].tolist() == ["P01"]
        back = labkit.take_back(folder, pour="P02", attribute="softness", reason="it had not")
        assert back.standing_readings["pour"].tolist() == ["P01", "P02"]
        assert labkit.set_aside(folder, pour="P01", reason="bloom").standing_readings["pour"].tolist() == ["P02"]


class TestNotForTesters:
    def test_a_score_of_it_is_refused(self, trial):
        row = pd.DataFrame({"pour": ["P01"], "tester": ["T01"], "attribute": ["softness"], "score": [5]})
        assert refused(ScoreError, trial.with_scores, row) == (
            "scores row 0: softness is read by needle depth, not scored. Record its values with append_readings.")

    def test_a_column_of_it_in_a_table_of_scores_is_left_with_advice(self, trial, tmp_path):
        (tmp_path / "said.csv").write_text("tester,pour,payoff,softness\nT01,P01,6,7\nT01,P02,4,\n")
        found = labkit.read_scores(tmp_path / "said.csv", trial)
        assert found.scores["attribute"].tolist() == ["payoff", "payoff"]
        assert found.left.to_numpy().tolist() == [[2, "softness", "softness", "softness is read by needle depth, not "
                                                   "scored. Record its values with append_readings."]]

    def test_it_is_not_converted_with_the_scores(self, trial, tmp_path):
        (tmp_path / "said.csv").write_text("tester,pour,payoff\nT01,P01,3\nT01,P02,5\n")
        found = labkit.read_scores(tmp_path / "said.csv", trial, scale=(1, 5))
        assert found.scores["score"].tolist() == [5.0, 10.0]
        assert found.notes[0] == "payoff was converted from 1..5 to 0..10."
        assert not any("softness" in note for note in found.notes)

    def test_it_is_not_on_the_ballot(self, trial):
        serving = labkit.plan_serving(trial, pours=list(trial.made.index), testers=["T01"], seed=1)
        (page,) = labkit.ballots(trial, serving).values()
        assert "payoff" in page and "softness" not in page

    def test_there_is_no_ballot_where_everything_is_read(self):
        only = re.sub(r"\[attributes\.(?!softness)\w+\]\n([^\[].*\n)*", "", BOTH)
        trial = poured(only, rounds=1)
        assert list(trial.attributes) == ["softness"]
        serving = labkit.plan_serving(trial, pours=list(trial.made.index), testers=["T01"], seed=1)
        assert refused(ScoreError, labkit.ballots, trial, serving) == (
            "the trial scores nothing, so a ballot would be empty: softness is read by needle depth. Record that with "
            "append_readings, or add to trial.toml an attribute that testers score.")


def test_the_readme_shows_lines_that_work():
    import pathlib

    readme = (pathlib.Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
    assert readme.split("```toml\n")[1].split("```")[0] == NEEDLE


def test_the_lines_of_a_new_trial_work(tmp_path):
    labkit.new_trial(tmp_path / "t")
    path = tmp_path / "t" / "trial.toml"
    path.write_text(re.sub(r"^# (\[attributes\.softness\]\n(?:# \w+ = .*\n)+)", lambda found: found.group(1).replace("# ", ""),
                           path.read_text(), flags=re.M))
    assert list(labkit.read_trial(tmp_path / "t").read_attributes) == ["softness"]


def test_the_trial_counts_readings(trial):
    assert repr(trial.with_readings(readings(("P01", 5)))) == (
        "<Trial Terracotta stick: 1 round, 4 pours, 0 scores, 1 reading>")


def test_the_command_line_says_what_is_not_read_yet(trial, tmp_path, capsys):
    from labkit.__main__ import main

    folder = tmp_path / "t"
    labkit.new_trial(folder)
    (folder / "trial.toml").write_text(BOTH)
    round_ = labkit.plan_round(labkit.read_trial(folder), pours=4, melts=2, seed=1)
    labkit.append_round(folder, round_)
    labkit.append_melts(folder, round_.melt_sheet().drop(columns="pours"))
    labkit.append_pours(folder, round_.pour_sheet().drop(columns="order"))
    labkit.append_readings(folder, readings(("P01", 6), ("P02", 7), ("P04", 5)))
    labkit.append_readings(folder, readings(("P01", 71)).assign(method="drop point", unit="degC"))
    assert main(["check", str(folder)]) == 0
    told = capsys.readouterr().out
    assert "Terracotta stick: 4 pours in 1 round, 0 scores by 0 testers, 3 readings." in told
    assert "Kept in readings.csv and read for no attribute: drop point (1 reading)." in told
    assert "Poured and not scored yet: P01, P02, P03 and P04." in told and "Poured and softness not read yet: P03." in told
    assert main(["next", str(folder)]) == 0
    told = capsys.readouterr().out
    assert "The panel" not in told and "softness: " in told and "mean score or reading" in told
    assert ("payoff, sheerness and shade have too few scores yet and play no part in this. Have them scored before you "
            "settle.") in told.replace("\n", " ")


def test_the_form_for_scores_has_no_box_for_it(trial, tmp_path):
    folder = tmp_path / "t"
    labkit.new_trial(folder)
    (folder / "trial.toml").write_text(BOTH)
    round_ = labkit.plan_round(labkit.read_trial(folder), pours=2, melts=1, seed=1)
    labkit.append_round(folder, round_)
    labkit.append_melts(folder, round_.melt_sheet().drop(columns="pours"))
    labkit.append_pours(folder, round_.pour_sheet().drop(columns="order"))
    form = labkit.scores_form(folder, tester="T01", session="1")
    assert {name for _, name in form.grids["scores"].boxes} == {"payoff", "sheerness", "shade"}
    only = BOTH[:BOTH.index("[attributes.payoff]")] + NEEDLE
    (folder / "trial.toml").write_text(only)
    with pytest.raises(ScoreError) as caught:
        labkit.scores_form(folder, tester="T01", session="1")
    assert str(caught.value) == (
        "the trial scores nothing, so a form would be empty: softness is read by needle depth. Record that with "
        "append_readings, or add to trial.toml an attribute that testers score.")


def test_where_nothing_is_scored_a_trial_counts_its_readings_alone(tmp_path, capsys):
    from labkit.__main__ import main

    only = BOTH[:BOTH.index("[attributes.payoff]")] + NEEDLE
    trial = labkit.new_trial(tmp_path / "t", only)
    labkit.append_round(tmp_path / "t", labkit.plan_round(trial, pours=2, melts=1, seed=1))
    labkit.append_pours(tmp_path / "t", labkit.plan_round(trial, pours=2, melts=1, seed=1).as_poured())
    labkit.append_readings(tmp_path / "t", readings(("P01", 6), ("P02", 7)))
    assert main(["check", str(tmp_path / "t")]) == 0
    assert "Terracotta stick: 2 pours in 1 round, 2 readings.\n" in capsys.readouterr().out


def test_a_file_of_readings_is_no_file_of_scores(trial, tmp_path):
    for table in ("pour,softness\nP01,6\n", "tester,P01 softness\nT01,6\n"):
        (tmp_path / "needle.csv").write_text(table)
        assert refused(ScoreError, labkit.read_scores, tmp_path / "needle.csv", trial) == (
            "needle.csv holds no scores: softness is read by needle depth, not scored. Record its values with "
            "append_readings.")


def test_a_unit_is_printed_as_people_write_it_and_kept_as_it_was_typed():
    melting = Attribute(name="melting", low=50, high=80, reading="drop point", unit="degC")
    assert (melting.unit, melting.shown_unit, melting.measure) == ("degC", "°C", "drop point [°C]")
    assert Attribute(name="payoff").shown_unit == ""

"""What is taken out of trial.toml or renamed there after it was recorded: told by file and count, and how to go on."""
import re

import pandas as pd
import pytest
from definitions import HAZEL
from invented import poured as played
from test_instruments import BOTH

import labkit
from labkit.__main__ import main
from labkit.errors import LabkitError

LOST = "which trial.toml does not name. "
KEEP_SETTING = ("Name it there as it is recorded, [settings.pour_temperature], with low and high alike if it no longer varies: "
                "what is recorded stays.")
KEEP_SHEERNESS = ("Name it there as it is scored, [attributes.sheerness], without `wanted` if it no longer counts: the scores "
                  "stay.")
KEEP_OIL = "Name it there as it is recorded, with 0 percent if it is no longer used: what is recorded stays."
EXPECT = r"expect = \{[^}]*\}\n?"


def define(folder, *changes):
    """Write trial.toml anew, each change a pattern and what stands in its place."""
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert re.search(old, text)
        text = re.sub(old, new, text)
    path.write_text(text, encoding="utf-8")


def told(folder):
    """What is said, while every file stays as it is."""
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    with pytest.raises(LabkitError) as caught:
        labkit.read_trial(folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()} == before
    return str(caught.value)


class TestSetting:
    FACT = "pours.csv has a column 'pour_temperature', filled in 12 rows, " + LOST

    def test_taken_out_or_given_quite_another_name(self, demo_copy):
        define(demo_copy, (r"\[settings.pour_temperature\]\nunit = \"degC\"\nlow = 68\nhigh = 80\n", ""))
        assert told(demo_copy) == self.FACT + KEEP_SETTING
        define(demo_copy, (r"\[\[limits\]\]", "[settings.stirring]\nlow = 1\nhigh = 5\n[[limits]]"))
        assert told(demo_copy) == self.FACT + KEEP_SETTING

    def test_renamed(self, demo_copy):
        define(demo_copy, (r"settings.pour_temperature", "settings.pouring_temperature"))
        assert told(demo_copy) == (
            f"{self.FACT}Did you mean 'pouring_temperature', which has no column yet? {KEEP_SETTING}")

    def test_renamed_before_anything_was_poured(self, demo_copy):
        for table in ("melts", "pours", "servings", "scores"):
            (demo_copy / f"{table}.csv").unlink()
        define(demo_copy, (r"settings.pour_temperature", "settings.pouring_temperature"))
        assert told(demo_copy) == (
            f"plan.csv has a column 'pour_temperature', filled in 12 rows, {LOST}Did you mean 'pouring_temperature', "
            f"which has no column yet? {KEEP_SETTING}")

    @pytest.mark.parametrize(("files", "named", "asked", "beside"), [
        (("pours",), ("pours", "heat"), "pour_temperature", "plan"),
        (("plan",), ("plan", "heat"), "pour_temperature", "pours"),
        (("trial", "plan"), ("pours", "pour_temperature"), "heat", "plan"),
        (("trial", "pours"), ("plan", "pour_temperature"), "heat", "pours")])
    def test_renamed_in_some_files_only(self, demo_copy, files, named, asked, beside):
        for path in (demo_copy / f"{name}.{'toml' if name == 'trial' else 'csv'}" for name in files):
            path.write_text(path.read_text(encoding="utf-8").replace("pour_temperature", "heat"), encoding="utf-8")
        assert told(demo_copy) == (
            f"{named[0]}.csv has a column {named[1]!r}, filled in 12 rows, and none named {asked!r}, as trial.toml and "
            f"{beside}.csv call it. Give it one name in all three.")

    def test_renamed_where_nothing_was_planned(self, demo_copy):
        (demo_copy / "plan.csv").unlink()
        define(demo_copy, (r"settings.pour_temperature", "settings.pouring_temperature"))
        assert told(demo_copy) == (
            f"{self.FACT}Did you mean 'pouring_temperature', which has no column yet? {KEEP_SETTING}")

    def test_one_that_comes_later_needs_its_columns(self, demo_copy):
        define(demo_copy, (r"\[\[limits\]\]", "[settings.stirring]\nlow = 1\nhigh = 5\n[[limits]]"))
        assert told(demo_copy) == (
            "plan.csv has 12 rows and no column 'stirring', which trial.toml has under [settings]. Add the column to plan.csv "
            "and pours.csv with what was set, or take [settings.stirring] out again.")

    def test_the_advice_works(self, demo_copy):
        before = labkit.read_trial(demo_copy)
        define(demo_copy, ("low = 68\nhigh = 80", "low = 75\nhigh = 75"))
        trial = labkit.read_trial(demo_copy)
        pd.testing.assert_frame_equal(trial.pours, before.pours)
        round_ = labkit.plan_round(trial, pours=2, melts=1, seed=1)
        assert (round_.frame["pour_temperature"] == 75).all() and set(labkit.fit_surfaces(trial)) == set(trial.attributes)


class TestAttribute:
    FACT = "scores.csv has 66 scores of 'sheerness', the first in row 4, " + LOST

    def test_renamed(self, demo_copy):
        define(demo_copy, (r"attributes.sheerness", "attributes.sheernes"))
        assert told(demo_copy) == self.FACT + f"Did you mean 'sheernes', which has no score yet? {KEEP_SHEERNESS}"

    def test_taken_out(self, demo_copy):
        define(demo_copy, (r"\[attributes.sheerness\]\nwanted[^\n]*\nexpect[^\n]*\n", ""))
        assert told(demo_copy) == self.FACT + KEEP_SHEERNESS

    def test_scores_of_a_scale_that_was_longer(self, demo_copy):
        scores = labkit.read_trial(demo_copy).scores
        off = scores[(scores["attribute"] == "sheerness") & (scores["score"] > 5)]
        define(demo_copy, (r"\[attributes.sheerness\]", "[attributes.sheerness]\nscale = [0, 5]"), (r"peak = \[2, 5, 8\]", "peak = [1, 3, 4]"))
        assert told(demo_copy) == (
            f"scores.csv has {len(off)} scores of 'sheerness' outside its scale from 0 to 5, the first in row {off.index[0] + 2}. "
            "If trial.toml had another scale when they were given, put that one back, and score the new one under a name of "
            "its own; correct what is a slip.")

    def test_scores_of_what_an_instrument_now_reads(self, demo_copy):
        define(demo_copy, (r"\[attributes.hardness\]", '[attributes.hardness]\nreading = "force"\nunit = "N"\nscale = [0, 30]'))
        assert told(demo_copy) == (
            "scores.csv has 66 scores of 'hardness', the first in row 3, which trial.toml has read by 'force'. Give what is "
            "read a name of its own, and keep [attributes.hardness] for the scores, without `wanted` if they no longer count.")

    def test_a_slip_in_one_row_is_still_told_as_one(self, demo_copy):
        path = demo_copy / "scores.csv"
        path.write_text(path.read_text().replace("P01,T01,1,1,sheerness", "P01,T01,1,1,sheernes"))
        assert told(demo_copy) == (
            "scores.csv row 4: attribute 'sheernes' is not in trial.toml. Did you mean 'sheerness'? If it was an attribute when "
            "it was scored, keep [attributes.sheernes] there, without `wanted` if it no longer counts.")


class TestIngredient:
    FACT = "plan.csv has a column 'jojoba oil [g]', filled in 12 rows, but 'jojoba oil' is not in [formula]. "

    def test_renamed(self, demo_copy):
        define(demo_copy, ("\"jojoba oil\"", '"jojoba"'))
        assert told(demo_copy) == self.FACT + f"Did you mean 'jojoba', which has no column yet? {KEEP_OIL}"

    def test_replaced(self, demo_copy):
        define(demo_copy, ("\"jojoba oil\"", '"sunflower oil, cold pressed"'))
        assert told(demo_copy) == self.FACT + KEEP_OIL

    def test_taken_out_and_the_advice_works(self, demo_copy):
        before = labkit.read_trial(demo_copy).made
        define(demo_copy, ('"vitamin E" = 1\n', ""), (', "vitamin E"', ""))
        assert told(demo_copy) == (
            f"plan.csv has a column 'vitamin E [g]', filled in 12 rows, but 'vitamin E' is not in [formula]. {KEEP_OIL}")
        define(demo_copy, ('"red paste" = 4\n', '"vitamin E" = 0\n"red paste" = 4\n'))
        assert told(demo_copy) == (
            "melts.csv has a column 'vitamin E [g]', filled in 6 rows, but [melt] pot does not name 'vitamin E'. Put it back "
            "into the pot: the pours that were drawn from it hold some.")
        define(demo_copy, ('"jojoba oil"]\n\n', '"jojoba oil", "vitamin E"]\n\n'))
        pd.testing.assert_frame_equal(labkit.read_trial(demo_copy).made, before)

    @pytest.mark.parametrize(("table", "rows", "ingredient", "otherwise"), [
        ("melts", 6, "mango butter", "mango"), ("melts", 6, "jojoba oil", "golden oil"), ("pours", 12, "red paste", "red"),
        ("plan", 12, "red paste", "colour")])
    def test_one_table_calls_it_otherwise_and_no_second_ingredient_is_advised(self, demo_copy, table, rows, ingredient, otherwise):
        path = demo_copy / f"{table}.csv"
        path.write_text(path.read_text(encoding="utf-8").replace(f"{ingredient} [g]", f"{otherwise} [g]"), encoding="utf-8")
        assert told(demo_copy) == (
            f"{table}.csv has a column '{otherwise} [g]', filled in {rows} rows, and none named '{ingredient} [g]'. If it is the "
            f"same, give it that name; only where it is another ingredient, name '{otherwise}' in [formula].")

    @pytest.mark.parametrize(("done", "table", "rows"), [
        (("plan",), "melts", 6), (("plan", "pours"), "melts", 6), (("melts",), "plan", 12), (("plan", "melts"), "pours", 0)])
    def test_renamed_in_trial_toml_and_some_tables_it_is_asked_for_in_the_next(self, demo_copy, done, table, rows):
        """It is no second ingredient with 0 percent: what one table still calls by the old name is what others hold."""
        define(demo_copy, ("mango butter", "mango"))
        for path in (demo_copy / f"{name}.csv" for name in done):
            path.write_text(path.read_text(encoding="utf-8").replace("mango butter [g]", "mango [g]"), encoding="utf-8")
        assert told(demo_copy) == (
            f"{table}.csv has a column 'mango butter [g]', filled in {rows} rows, and none named 'mango [g]'. If it is the "
            "same, give it that name; only where it is another ingredient, name 'mango butter' in [formula].")

    def test_two_that_stand_side_by_side_in_a_table_are_two(self, demo_copy):
        define(demo_copy, ('"red paste"', '"rose paste"'))
        path = demo_copy / "pours.csv"
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        table.insert(9, "rose paste [g]", "")
        table.to_csv(path, index=False)
        assert told(demo_copy) == (
            f"plan.csv has a column 'red paste [g]', filled in 12 rows, but 'red paste' is not in [formula]. {KEEP_OIL}")

    @pytest.mark.parametrize(("table", "strange"), [("plan", "round"), ("pours", "pour")])
    def test_another_table_saved_as_melts_says_nothing_of_the_pot(self, demo_copy, table, strange):
        """Both hold the paste, which no pot does."""
        (demo_copy / "melts.csv").write_bytes((demo_copy / f"{table}.csv").read_bytes())
        assert told(demo_copy) == (
            f"melts.csv has a column '{strange}' that is not known here. The columns are 'melt', 'date', 'candelilla wax [g]', "
            "'mango butter [g]', 'jojoba oil [g]', 'vitamin E [g]', 'note', 'corrects' and 'reason'.")

    def test_no_pot_any_more(self, demo_copy):
        define(demo_copy, (r"\[melt\]\npot[^\n]*\n", ""))
        assert told(demo_copy) == (
            "melts.csv has 6 melts, but trial.toml has no [melt]. Put [melt] back, with candelilla wax, mango butter, jojoba "
            "oil and vitamin E in its pot: the pours drawn from these melts are read off them.")


class TestFactor:
    def test_taken_out_or_renamed_it_is_read_off_the_grams_anew(self, demo_copy):
        before = labkit.read_trial(demo_copy).made
        define(demo_copy, (r"factors.load", "factors.colour"), (EXPECT, ""))
        made = labkit.read_trial(demo_copy).made
        pd.testing.assert_frame_equal(made.rename(columns={"colour": "load"}), before)
        define(demo_copy, (r"\[factors.colour\][^\n]*\nof[^\n]*\nlow[^\n]*\nhigh[^\n]*\n", ""))
        pd.testing.assert_frame_equal(labkit.read_trial(demo_copy).made, before.drop(columns="load"), check_like=True)

    def test_one_that_is_gone_is_named_by_check(self, demo_copy, capsys):
        kept = ("Kept in plan.csv, and no factor of trial.toml any more: load (12 rows). What was weighed is read off in what "
                "varies now.")
        main(["check", str(demo_copy)])
        assert "any more" not in capsys.readouterr().out
        define(demo_copy, (r"factors.load", "factors.colour"), (EXPECT, ""))
        main(["check", str(demo_copy)])
        assert kept in " ".join(capsys.readouterr().out.split())

    def test_expected_of_its_old_name(self, demo_copy):
        define(demo_copy, (r"factors.load", "factors.loading"))
        assert told(demo_copy) == "expect of payoff names 'load', which does not vary. Did you mean 'loading'?"

    def test_defined_anew_under_its_old_name(self, demo_copy):
        define(demo_copy, (r"\[factors.load\]\nof = \[[^\]]*\]", '[factors.load]\nof = ["red iron oxide"]'))
        assert told(demo_copy) == (
            "plan.csv says otherwise of load than its grams in 12 of 12 rows, such as 0.03025 where they say 0.01 in row 2. If "
            "red paste is made otherwise now, keep the old one as it was, with 0 percent, and name the new one beside it in "
            "[formula] and [made_of]: what was weighed stays what it was. If [factors.load] was defined anew, give it a new "
            "name in trial.toml: what was planned stays, and is read off the grams.")
        define(demo_copy, (r"factors.load", "factors.red_load"), (EXPECT, ""))
        assert labkit.read_trial(demo_copy).made["red_load"].between(0.005, 0.05).all()

    def test_a_paste_that_is_made_otherwise_now(self, demo_copy):
        before = labkit.read_trial(demo_copy).made
        stronger = '"red paste" = { "red iron oxide" = 0.6, "castor oil" = 0.4 }'
        define(demo_copy, (r'"red paste" = \{[^\n]*', stronger))
        advice = ("If red paste or yellow paste is made otherwise now, keep the old one as it was, with 0 percent, and name "
                  "the new one beside it in [formula] and [made_of]: what was weighed stays what it was. If ")
        assert advice in told(demo_copy)
        old = '"red paste" = { "red iron oxide" = 0.5, "castor oil" = 0.5 }'
        define(demo_copy, (r'"red paste" = \{[^\n]*', old + "\n" + stronger.replace("red paste", "red paste 60")),
               (r'"red paste" = 4', '"red paste" = 0\n"red paste 60" = 4'))
        pd.testing.assert_frame_equal(labkit.read_trial(demo_copy).made, before)

    def test_a_blend_of_other_parts(self, tmp_path):
        trial = played(HAZEL, rounds=1)
        labkit.new_trial(tmp_path / "pot", HAZEL)
        trial.plan.to_csv(tmp_path / "pot" / "plan.csv", index=False)
        define(tmp_path / "pot", (r'"cocoa butter", "castor oil"\]', '"cocoa butter"]'), (r"\[0.06, 0.10, 0.50\]", "[0.1, 0.2]"),
               (r"\[0.16, 0.40, 0.80\]", "[0.8, 0.9]"))
        assert re.fullmatch(
            r"plan\.csv says otherwise of base: sunflower wax than its grams in 4 of 4 rows, such as 0\.\d+ where they say "
            r"0\.\d+ in row 2\. If \[blends\.base\] was defined anew, give it a new name in trial\.toml: what was planned stays, "
            r"and is read off the grams\.", told(tmp_path / "pot"))

    def test_a_slip_in_one_row_is_still_told_as_one(self, demo_copy):
        path = demo_copy / "plan.csv"
        path.write_text(path.read_text().replace(",0.03025,", ",0.05025,", 1))
        assert told(demo_copy) == (
            "plan.csv row 2: load is 0.05025, but the grams say 0.03025. The grams rule: correct them, or the factor.")


class TestRounded:
    """A spreadsheet saves the decimals that it shows; what was planned is read off the grams in any case."""

    @staticmethod
    def shown(folder, decimals, mark="."):
        path = folder / "plan.csv"
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        for column in ("wax", "red_share", "load"):
            table[column] = [f"{float(cell):.{decimals}f}".replace(".", mark) for cell in table[column]]
        table.to_csv(path, index=False)

    @pytest.mark.parametrize(("decimals", "mark"), [(4, "."), (3, "."), (3, ",")])
    def test_to_three_decimals_or_more(self, demo_copy, decimals, mark):
        before = labkit.read_trial(demo_copy)
        self.shown(demo_copy, decimals, mark)
        pd.testing.assert_frame_equal(labkit.read_trial(demo_copy).plan, before.plan)

    def test_to_fewer_it_is_no_other_definition_and_the_advice_works(self, demo_copy):
        before = labkit.read_trial(demo_copy)
        self.shown(demo_copy, 2)
        for column, cell, grams in (("wax", "0.19", "0.1916"), ("load", "0.03", "0.03025")):
            assert told(demo_copy) == (
                f"plan.csv has {column} in few decimals, such as {cell} where its grams say {grams} in row 2. Take it back "
                "from a copy, or delete that column: it is read off the grams.")
            table = pd.read_csv(demo_copy / "plan.csv", dtype=str, keep_default_na=False)
            table.drop(columns=column).to_csv(demo_copy / "plan.csv", index=False)
        pd.testing.assert_frame_equal(labkit.read_trial(demo_copy).plan, before.plan)

    def test_a_slip_beside_rounded_values_is_still_told_as_one(self, demo_copy):
        self.shown(demo_copy, 3)
        path = demo_copy / "plan.csv"
        path.write_text(path.read_text().replace(",0.030,", ",0.050,", 1))
        assert told(demo_copy) == "plan.csv row 2: load is 0.05, but the grams say 0.03025. The grams rule: correct them, or the factor."


def test_a_column_whose_name_was_mistyped(demo_copy):
    path = demo_copy / "pours.csv"
    path.write_text(path.read_text().replace(",defects,", ",defect,", 1))
    assert told(demo_copy) == ("pours.csv has a column 'defect', filled in 1 row, which is not known here. "
                               "Did you mean 'defects'?")


def test_readings_whose_method_is_no_longer_named(tmp_path, capsys):
    folder = tmp_path / "stick"
    labkit.new_trial(folder, BOTH)
    round_ = labkit.plan_round(labkit.read_trial(folder), pours=2, melts=1, seed=1)
    labkit.append_round(folder, round_)
    labkit.append_pours(folder, round_.as_poured())
    labkit.append_readings(folder, pd.DataFrame(
        {"pour": round_.pours, "method": "needle depth", "direction": "up", "value": [6, 7], "unit": "mm"}))
    define(folder, ("needle depth", "depth of needle"))
    kept = "Kept in readings.csv and read for no attribute: needle depth (2 readings)."
    for command in ("check", "next"):
        assert main([command, str(folder)]) == 0
        assert kept in capsys.readouterr().out
    define(folder, ("depth of needle", "needle-depth"))
    main(["check", str(folder)])
    advice = "Where 'needle-depth' is the same as 'needle depth', write reading = \"needle depth\" in trial.toml."
    assert f"{kept} {advice}" in " ".join(capsys.readouterr().out.split())
    path = folder / "readings.csv"
    path.write_text(path.read_text().replace("needle depth", "softness"))
    main(["check", str(folder)])
    assert ("for no attribute: softness (2 readings). Where 'needle-depth' is the same as 'softness', write reading = "
            "\"softness\" in trial.toml.") in " ".join(capsys.readouterr().out.split())
    path.write_text(path.read_text().replace("softness", "needle depth"))
    define(folder, (r"\[attributes.softness\]\n(\w[^\n]*\n)+", ""))
    main(["check", str(folder)])
    assert kept in capsys.readouterr().out

"""Names with capital letters, weights in each other's column, shares for percents: what a hand mistypes, told as such."""
import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from recorded import MELTS, POURS, planned_trial

import labkit
from labkit.__main__ import main
from labkit.errors import FormulaError, LabkitError, StoreError
from labkit.formula import SUM_TOLERANCE
from labkit.pours.rows import meant_name


@pytest.fixture(scope="module")
def planned():
    return planned_trial()


@pytest.fixture(scope="module")
def stick():
    return labkit.Trial.from_toml(TERRACOTTA)


def refused(call, *given, **named):
    with pytest.raises(LabkitError) as caught:
        call(*given, **named)
    return str(caught.value)


class TestNames:
    @pytest.mark.parametrize("name", ["m01", "M1", "M 01"])
    def test_of_a_melt(self, planned, name):
        assert refused(planned.with_melts, MELTS.iloc[:1].assign(melt=name)) == (
            f"melts row 2: melt {name!r} is not planned. Did you mean 'M01'? Name an unplanned melt X-01, X-02 and so on.")

    @pytest.mark.parametrize("name", ["p01", "P1"])
    def test_of_a_pour(self, planned, name):
        poured = planned.with_melts(MELTS)
        assert refused(poured.with_pours, POURS.iloc[:1].assign(pour=name)) == (
            f"pours row 2: pour {name!r} is neither planned nor named X-01, X-02 and so on. Did you mean 'P01'? Check the "
            "name, or give an unplanned pour such a name.")

    @pytest.mark.parametrize("name", ["p01", "P1", "P 01", "P-01", "PO1", "1"])
    def test_of_a_pour_that_was_scored_or_read_or_served(self, planned, name, tmp_path):
        poured = planned.with_melts(MELTS).with_pours(POURS.iloc[:1])
        row = pd.DataFrame([{"pour": name, "tester": "T01", "attribute": "payoff", "score": 5}])
        fact = f"pour {name!r} is not in pours.csv. Did you mean 'P01'?"
        assert refused(poured.with_scores, row) == f"scores row 0: {fact}"
        read = pd.DataFrame([{"pour": name, "method": "needle", "direction": "up", "value": 5}])
        assert refused(poured.with_readings, read) == f"readings row 0: {fact}"
        served = pd.DataFrame([{"pour": name, "tester": "T01", "session": "1", "code": "417"}])
        assert refused(poured.with_servings, served) == (
            f"servings row 0: pour {name!r} is neither planned nor poured. Did you mean 'P01'?")
        row.to_csv(tmp_path / "tasting.csv", index=False)
        assert list(labkit.read_scores(tmp_path / "tasting.csv", poured).left["why"]) == [fact]

    @pytest.mark.parametrize("name", ["P02", "P10", "p2", "7"])                  # P02 is planned, and not poured
    def test_of_another_pour_is_not_guessed(self, planned, name):
        poured = planned.with_melts(MELTS).with_pours(POURS.iloc[:1])
        row = pd.DataFrame([{"pour": name, "tester": "T01", "attribute": "payoff", "score": 5}])
        assert refused(poured.with_scores, row) == (
            f"scores row 0: pour {name!r} is not in pours.csv. Record the pour first, or check its name.")

    def test_of_a_pour_over_a_column(self, planned, tmp_path):
        """It was told to be the attribute alone, of no pour."""
        (tmp_path / "wide.csv").write_text("tester,P01 payoff,P1 hardness\nT01,5,6\n")
        left = labkit.read_scores(tmp_path / "wide.csv", planned.with_melts(MELTS).with_pours(POURS)).left
        assert list(left["why"]) == ["the column 'P1 hardness' is not known. Say what it is with columns={'P1 hardness': "
                                     "('P01', 'hardness')}, or leave it out with drop=['P1 hardness']."]

    def test_a_bare_number_of_two_pours_is_not_guessed(self):
        assert meant_name("1", ["P01", "X-01"]) == "" and meant_name("2", ["P01", "P02", "X-01"]) == "Did you mean 'P02'? "

    def test_of_what_is_to_be_corrected(self, demo_copy):
        score, reading = {"pour": "P01", "tester": "T01", "session": "1", "attribute": "payoff", "score": 5}, "misread"
        for key, name, meant in (("pour", "P1", "P01"), ("tester", "t01", "T01"), ("attribute", "payof", "payoff")):
            told = ", ".join(f"{k} {(score | {key: name})[k]}" for k in ("pour", "tester", "session", "attribute"))
            assert refused(labkit.correct_scores, demo_copy, pd.DataFrame([score | {key: name}]), reason=reading) == (
                f"scores row 0: no score is recorded for {told}. Did you mean {meant!r}?")
        assert refused(labkit.correct_pours, demo_copy, pd.DataFrame([{"pour": "p01", "note": "x"}]), reason="x") == (
            "pours row 0: pour 'p01' is not recorded. Did you mean 'P01'?")
        assert refused(labkit.correct_melts, demo_copy, pd.DataFrame([{"melt": "M1", "note": "x"}]), reason="x") == (
            "melts row 0: melt 'M1' is not recorded. Did you mean 'M01'?")
        labkit.append_readings(demo_copy, pd.DataFrame([{"pour": "P01", "method": "needle", "direction": "up", "value": 5}]))
        for key, name, meant in (("pour", "P1", "P01"), ("method", "nedle", "needle")):
            row = {"pour": "P01", "method": "needle", "value": 6} | {key: name}
            assert refused(labkit.correct_readings, demo_copy, pd.DataFrame([row]), reason="x") == (
                f"readings row 0: {row['method']} of {row['pour']} is not recorded. Did you mean {meant!r}?")

    def test_another_number_is_another_name(self, planned):
        assert "Did you mean" not in refused(planned.with_melts, MELTS.iloc[:1].assign(melt="M10"))

    def test_of_an_attribute(self, planned):
        poured = planned.with_melts(MELTS).with_pours(POURS)
        row = pd.DataFrame([{"pour": "P01", "tester": "T01", "attribute": "PAYOFF", "score": 5}])
        assert refused(poured.with_scores, row) == (
            "scores row 0: attribute 'PAYOFF' is not in trial.toml. Did you mean 'payoff'?")

    @pytest.mark.parametrize("name", ["", " ", "load ", "pour  load", "pour\\nload", "\\tload"])
    @pytest.mark.parametrize("there", ["[factors.load]", "[attributes.hardness]", "[blends.base]", '"vitamin E" = 1'])
    def test_that_are_no_words(self, name, there):
        table = "formula" if there.startswith('"') else there[1:].split(".")[0]
        put = f'"{name}" = 1' if table == "formula" else f'[{table}."{name}"]'
        shown = name.replace("\\n", "\n").replace("\\t", "\t")
        assert refused(labkit.Trial.from_toml, HAZEL.replace(there, put)) == (
            f"[{table}] has the name {shown!r}, which is blank, runs over a line or has white space to spare. Give it words "
            "with one space between.")


class TestNumbers:
    def test_text_in_a_frame_of_factors(self, stick):
        frame = stick.recipe.starting_factors.astype(object)
        assert refused(stick.formula_at, frame.assign(load="much")) == (
            "row 0: load is 'much', which is not a number. Write digits with one comma or point, and no unit.")
        pd.testing.assert_frame_equal(stick.formula_at(frame.assign(load="0,04")), stick.formula_at(frame.assign(load=0.04)))
        assert "would need" in refused(stick.formula_at, frame.assign(load="4"))

    def test_text_in_a_frame_of_formulas(self, stick):
        frame = stick.recipe.starting.astype(object)
        assert refused(stick.factors_of, frame.assign(**{"mango butter": "30 %"})) == (
            "row 0: mango butter is '30 %', which is not a number. Write digits with one comma or point, and no unit.")
        assert abs(stick.recipe.starting.sum(axis=1).iloc[0] - 1) < SUM_TOLERANCE

    def test_a_missing_number_is_told_as_before(self, stick):
        frame = stick.recipe.starting_factors
        for blank in (np.nan, None, pd.NA, ""):
            with pytest.raises(FormulaError) as caught:
                stick.formula_at(frame.astype(object).assign(load=blank))
            assert str(caught.value) == "row 0: load is missing. Give every factor a value."
        assert "is missing" in refused(stick.formula_at, frame.convert_dtypes().assign(load=pd.array([pd.NA], "Float64")))

    @pytest.mark.parametrize("wait", ["5", -1, None, float("nan"), 1e6])
    def test_a_wait(self, tmp_path, wait):
        labkit.new_trial(tmp_path / "t")
        with pytest.raises(StoreError) as caught:
            labkit.append_pours(tmp_path / "t", POURS, wait=wait)
        assert str(caught.value) == f"wait is {wait!r}. Give a number from 0 to 3600."

    def test_a_cost_below_nothing(self):
        assert refused(labkit.Trial.from_toml, f"{TERRACOTTA}\n[cost]\nround = 0\nmelt = 0\npour = 0\n") == (
            "[cost] is 0 for a round, a melt and a pour, but what a round brings is held against what it costs. Give one of "
            "them a cost above 0.")
        assert labkit.Trial.from_toml(f"{TERRACOTTA}\n[cost]\nround = 0\nmelt = 0\n").cost.pour == 0.5
        assert refused(labkit.Trial.from_toml, f"{TERRACOTTA}\n[cost]\nmelt = -2\n") == (
            "[cost] melt is -2, which is below 0. Give the cost of a round, melt, pour and tester, in one unit.")


class TestDefinition:
    def test_a_byte_order_mark_is_no_part_of_the_text(self):
        assert labkit.Trial.from_toml("\ufeff" + TERRACOTTA).name == "Terracotta stick"

    def test_shares_for_percents_are_in_doubt(self, tmp_path, capsys):
        shares = TERRACOTTA
        for percent, share in (("= 14\n", "= 0.14\n"), ("= 30\n", "= 0.30\n"), ("= 1\n", "= 0.01\n"), ("= 4\n", "= 0.04\n")):
            shares = shares.replace(percent, share)
        trial = labkit.new_trial(tmp_path / "t", shares)
        assert trial.doubts == (
            "trial.toml [formula] has 0.53 % in all beside jojoba oil, which fills the rest. Write percents, such as 9 and "
            "not 0.09, where shares were meant.",)
        assert main(["check", str(tmp_path / "t")]) == 0 and "In doubt: trial.toml [formula]" in capsys.readouterr().out
        assert labkit.Trial.from_toml(TERRACOTTA).doubts == labkit.Trial.from_toml(HAZEL).doubts == ()


@pytest.fixture(scope="module")
def even():
    trial = labkit.Trial.from_toml(TERRACOTTA)
    round_ = labkit.plan_round(trial, pours=2, melts=1, seed=1, hold={"red_share": 0.8, "load": 0.045})
    trial = trial.with_round(round_)
    plan = trial.plan.set_index("pour")
    assert plan["red paste [g]"].round(2).tolist() == [1.44, 1.44]
    return trial, round_.as_poured()


class TestExchanged:
    WORDS = ("pours row 2: red paste [g] is 0.36 and yellow paste [g] is 1.44, but 1.44 and 0.36 g were planned. Exchange "
             "them if they stand in each other's column, or write 'really so' in the note.")

    def swapped(self, frame):
        return frame.set_axis([2, 3]).assign(**{"red paste [g]": frame["yellow paste [g]"].to_numpy(),
                                                "yellow paste [g]": frame["red paste [g]"].to_numpy()})

    def test_two_columns(self, even):
        trial, frame = even
        assert refused(trial.with_pours, self.swapped(frame)) == self.WORDS

    def test_unless_it_was_so(self, even):
        trial, frame = even
        assert len(trial.with_pours(self.swapped(frame).assign(note="really so")).pours) == 2

    def test_not_where_the_weights_lie_otherwise(self, even):
        trial, frame = even
        near = frame.assign(**{"red paste [g]": 0.9, "yellow paste [g]": 0.9})
        assert len(trial.with_pours(near).pours) == 2

    def test_in_a_file_it_stands_and_is_named(self, even):
        trial, frame = even
        stands = trial.with_tables({"pours": self.swapped(frame).astype(object)}, files=True)
        assert stands.doubts[0] == self.WORDS.replace("pours row 2", "pours.csv pour P01")

    def test_in_a_pot(self, even):
        trial, _ = even
        pot = trial.plan.groupby("melt")[[f"{i} [g]" for i in trial.recipe.pot]].sum().mul(1.1).round(2).reset_index()
        wrong = pot.assign(**{"candelilla wax [g]": pot["mango butter [g]"], "mango butter [g]": pot["candelilla wax [g]"]})
        assert "in each other's column" in refused(trial.with_melts, wrong)


class TestForms:
    @pytest.mark.parametrize("number", ["3", 1.0, True, [1]])
    def test_the_number_of_a_round(self, demo_copy, number):
        assert refused(labkit.pours_form, demo_copy, number=number) == (
            f"number is {number!r}. Give that of a planned round as a whole number; without it the form is for the newest "
            "round.")

    @pytest.mark.parametrize("pours, words", [
        ("P01", "pours is 'P01'. Give a list of names, such as ['P01', 'P02']."),
        (5, "pours is 5. Give a list of names, such as ['P01', 'P02']."),
        ([], "there is no pour to score. Record what was poured first, or name pours."),
    ])
    def test_the_pours_to_score(self, demo_copy, pours, words):
        assert refused(labkit.scores_form, demo_copy, tester="T01", session="9", pours=pours) == words

    def test_no_pour_at_all(self, tmp_path):
        labkit.new_trial(tmp_path / "t")
        assert refused(labkit.scores_form, tmp_path / "t", tester="T01", session="1") == (
            "there is no pour to score. Record what was poured first, or name pours.")

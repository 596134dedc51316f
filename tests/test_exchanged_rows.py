"""Two rows of a round in each other's place; what a hand misses, and a larger pot, are never taken for it."""

import numpy as np
import pandas as pd
import pytest
from definitions import HAZEL, TERRACOTTA
from recorded import MELTS, POURS, changed, planned_trial, two_melts

from labkit import Trial, correct_melts, correct_pours, plan_round, read_trial
from labkit.errors import PourError
from labkit.forms import pours_form
from labkit.pours.exchanged import exchanged_with
from labkit.pours.meant import meant_rows
from labkit.rounds import into_the_pot, round_from_factors

POT = ["candelilla wax [g]", "mango butter [g]", "jojoba oil [g]", "vitamin E [g]"]
STIRRED = ["red paste [g]", "yellow paste [g]"]
ADVICE = ("and each row fits the plan of the other. Exchange the weights of the two if they stand in each other's row, or "
          "write 'really so' in the note of one.")


@pytest.fixture(scope="module")
def planned():
    return planned_trial()


@pytest.fixture(scope="module")
def melted(planned):
    return planned.with_melts(MELTS)


def exchanged(frame, one, other, columns):
    frame = frame.astype(object)
    frame.loc[[one, other], columns] = frame.loc[[other, one], columns].to_numpy()
    return frame


def refused(with_rows, frame):
    with pytest.raises(PourError) as problem:
        with_rows(frame)
    return str(problem.value)


@pytest.mark.parametrize("columns", [STIRRED, ["base [g]", *STIRRED]])
def test_what_was_stirred_into_two_pours(melted, columns):
    """P01 and P03 are planned with 0.36 and 0.72 g of red, 0.84 and 0.48 g of yellow: nothing is off by three times."""
    wrong = exchanged(POURS, 2, 4, columns)
    assert refused(melted.with_pours, wrong) == (
        f"pours row 4: red paste [g] is 0.36 and that of P01 0.72, but 0.72 and 0.36 g were planned, {ADVICE}")
    stands = melted.with_tables({"pours": wrong}, files=True)
    assert stands.doubts == (
        f"pours.csv pour P01: red paste [g] is 0.72 and that of P03 0.36, but 0.36 and 0.72 g were planned, {ADVICE}",)
    assert melted.with_pours(changed(wrong.assign(note=""), 4, "note", "really so")).doubts == ()
    assert melted.with_pours(changed(wrong.assign(note=""), 2, "note", "really so")).doubts == ()
    assert melted.with_pours(POURS).doubts == ()


def test_a_weight_far_off_in_two_exchanged_rows_is_told_as_exchanged(melted):
    """0.36 and 1.44 g of red: each by itself would be four times what was planned, and a quarter of it."""
    wrong = exchanged(POURS, 2, 3, ["base [g]", *STIRRED])
    assert melted.with_tables({"pours": wrong}, files=True).doubts == (
        f"pours.csv pour P01: red paste [g] is 1.44 and that of P02 0.36, but 0.36 and 1.44 g were planned, {ADVICE}",)


def test_two_melts(planned):
    wrong = exchanged(MELTS, 2, 3, POT)
    plan = into_the_pot(planned.plan.groupby("melt")["candelilla wax [g]"].sum(), 0.10, planned.batch)          # as on the sheet
    told = (f"and that of M01 7.8, but {plan['M02']:.2f} and {plan['M01']:.2f} g were planned, {ADVICE}")
    assert refused(planned.with_melts, wrong) == f"melts row 3: candelilla wax [g] is 4.7 {told}"
    stands = planned.with_tables({"melts": wrong}, files=True)
    assert stands.doubts == (f"melts.csv melt M01: candelilla wax [g] is 7.8 and that of M02 4.7, but {plan['M01']:.2f} and "
                             f"{plan['M02']:.2f} g were planned, {ADVICE}",)
    larger = wrong.assign(**{c: wrong[c].map(lambda g: 2 * float(str(g).replace(",", "."))) for c in POT})
    assert "each row fits the plan of the other" in refused(planned.with_melts, larger)
    assert planned.with_melts(changed(wrong.assign(note=""), 3, "note", "really so")).doubts == ()


def test_one_row_in_the_place_of_another_is_not_two(melted):
    """P03 was stirred like P01, whose own row keeps to its plan."""
    frame = POURS.astype(object)
    frame.loc[4, STIRRED] = frame.loc[2, STIRRED].to_numpy()
    assert melted.with_pours(frame).doubts == ()


def test_a_repeat_and_near_neighbours_are_no_doubt():
    """The same load twice, and loads that differ by 4 %: nobody can tell one from the other."""
    trial = Trial.from_toml(TERRACOTTA)
    trial = trial.with_round(two_melts(trial, load=(0.05, 0.05, 0.05, 0.052)))
    plan = trial.plan.set_index("pour")
    names = plan.index.tolist()
    near = meant_rows(trial.plan, trial.recipe, trial.batch, by="pour")
    rows = [{"pour": n, "note": "", "base [g]": plan.loc[n, POT].sum()} | dict.fromkeys(POT, np.nan)
            | dict(zip(STIRRED, plan.loc[n, STIRRED])) for n in names]
    for k, row in enumerate(rows):
        assert exchanged_with(row, rows[k + 1:], trial.recipe, near, trial.batch, "") is None
    assert plan.loc["P01", "red paste [g]"] != plan.loc["P04", "red paste [g]"]


def test_a_pour_without_pots():
    """A fifth of wax and butter exchanged between two pours of their own; oil makes up the rest."""
    trial = Trial.from_toml(HAZEL)
    round_ = plan_round(trial, pours=4, seed=1)
    trial, made = trial.with_round(round_), round_.as_poured().astype(object)
    grams = [c for c in made if c.endswith(" [g]")]
    wrong = exchanged(made, 0, 3, grams)
    with pytest.raises(PourError):
        trial.with_pours(wrong)
    doubts = trial.with_tables({"pours": wrong}, files=True).doubts
    assert len(doubts) == 1 and doubts[0].startswith("pours.csv pour P01: ") and "that of P04" in doubts[0]
    assert trial.with_pours(made).doubts == ()


def test_rows_of_two_rounds_or_unplanned_or_half_written_are_not_compared(melted):
    plan = meant_rows(melted.plan, melted.recipe, melted.batch, by="pour")
    blank = dict.fromkeys(POT, np.nan)
    one = {"pour": "P01", "note": "", "base [g]": 18.8, "red paste [g]": 0.72, "yellow paste [g]": 0.48} | blank
    two = {"pour": "P03", "note": "", "base [g]": 18.8, "red paste [g]": 0.36, "yellow paste [g]": 0.84} | blank

    def found(one, two, plan=plan):
        return exchanged_with(one, [two], melted.recipe, plan, melted.batch, "")
    assert found(one, two)[0] == "P03"
    assert found(one, two, plan | {"P03": plan["P03"] | {"round": 2}}) is None
    assert found(one | {"pour": "X-01"}, two) is None and found(one, two | {"pour": "X-01"}) is None
    assert found(one | {"yellow paste [g]": np.nan}, two) is None
    assert found(one, two | {"base [g]": np.nan}) is None and found(one, one) is None


def test_plans_a_slip_apart_are_not_told_from_each_other(melted):
    """1.00 and 1.20 g of red: who misses them by 0.14 g towards each other has exchanged nothing for certain."""
    plan = meant_rows(melted.plan, melted.recipe, melted.batch, by="pour")
    plan = {n: plan[n] | {"red paste [g]": red, "yellow paste [g]": 0.5} for n, red in (("P01", 1.0), ("P03", 1.2))}
    rows = [{"pour": n, "note": "", "base [g]": sum(plan[n][c] for c in POT), "yellow paste [g]": 0.5}
            | dict.fromkeys(POT, np.nan) | {"red paste [g]": red} for n, red in (("P01", 1.14), ("P03", 1.06))]
    assert exchanged_with(rows[0], rows[1:], melted.recipe, plan, melted.batch, "") is None


def test_a_base_that_came_out_otherwise_is_no_exchange(melted):
    """Stirred in by what was drawn: 22 and 14.7 g instead of 17.6 and 18.8, so red is 0.9 and 0.56 g for 0.72 each."""
    frame = POURS.iloc[[0, 2]].astype(object)
    for factor, row in ((1.25, 2), (0.8, 4)):
        frame.loc[row, ["base [g]", *STIRRED]] = [round(float(v) * factor, 2)
                                                  for v in frame.loc[row, ["base [g]", *STIRRED]]]
    assert not any("fits the plan of the other" in why for why in melted.with_pours(frame).doubts)
    trial = Trial.from_toml(TERRACOTTA)
    at = two_melts(trial).to_frame().assign(red_share=0.5, load=[0.04, 0.05, 0.04, 0.05])
    round_ = round_from_factors(trial.recipe, trial.batch, number=1, melts=list(at["melt"]), pours=list(at["pour"]),
                                coordinates=at[list(trial.recipe.coordinates)])
    sheet = round_.pour_sheet().set_index("pour")
    plan = meant_rows(round_.to_frame(), trial.recipe, trial.batch, by="pour")
    rows = [{"pour": n, "note": ""} | dict.fromkeys(POT, np.nan)
            | {c: f * sheet.at[n, c] for c in ["base [g]", *STIRRED]} for n, f in (("P01", 1.25), ("P02", 0.8))]
    assert exchanged_with(rows[0], rows[1:], trial.recipe, plan, trial.batch, "") is None


def test_what_a_hand_misses_is_never_an_exchange(planned):
    """150 rounds of four pours weighed with 5 steps and 10 % of error: none is named; exchanged, most are."""
    rng, told = np.random.default_rng(5), 0
    trial = Trial.from_toml(TERRACOTTA)
    for _ in range(150):
        load = rng.uniform(0.02, 0.08, 4)
        round_ = two_melts(trial, load=load)
        plan = meant_rows(round_.to_frame(), trial.recipe, trial.batch, by="pour")
        sheet = round_.pour_sheet()

        def row(k, of, error, sheet=sheet):
            weights = {c: sheet[c][of] * (1 + error * rng.uniform(-0.1, 0.1)) + error * rng.uniform(-0.05, 0.05)
                       for c in ["base [g]", *STIRRED]}
            return {"pour": sheet["pour"][k], "note": ""} | dict.fromkeys(POT, np.nan) | weights
        for one, two in ((0, 1), (0, 2), (1, 3)):
            pair = row(one, one, 1), row(two, two, 1)
            assert exchanged_with(pair[0], pair[1:], trial.recipe, plan, trial.batch, "") is None
            pair = row(one, two, 0.1), row(two, one, 0.1)
            told += exchanged_with(pair[0], pair[1:], trial.recipe, plan, trial.batch, "") is not None
    assert told > 360


def test_a_correction_and_the_form(demo_copy):
    path = demo_copy / "pours.csv"
    text = path.read_text()
    text = text.replace("M05,2026-03-06,17.65,,,,1.81,0.52,", "M05,2026-03-06,17.65,,,,@,0.96,")
    text = text.replace("M05,2026-03-06,17.99,,,,1,0.96,", "M05,2026-03-06,17.99,,,,1.81,0.52,").replace("@", "1")
    path.write_text(text)
    told = read_trial(demo_copy).doubts
    assert told == ("pours.csv pour P09: red paste [g] is 1 and that of P10 1.81, but 1.83 and 1.01 g were planned, "
                    f"{ADVICE}",)
    assert correct_pours(demo_copy, pd.DataFrame([{"pour": "P09", "defects": "bloom"}]), reason="seen late").doubts == told
    mended = pd.DataFrame([{"pour": "P09", "red paste [g]": 1.81, "yellow paste [g]": 0.52},
                           {"pour": "P10", "red paste [g]": 1, "yellow paste [g]": 0.96}])
    assert correct_pours(demo_copy, mended, reason="exchanged").doubts == ()
    form = pours_form(demo_copy, number=3)
    boxes = form.grids["pours"].boxes
    for pour, red, yellow in (("P09", "1", "0.96"), ("P10", "1.81", "0.52")):
        boxes[pour, "red paste [g]"].value, boxes[pour, "yellow paste [g]"].value = red, yellow
    form.reason.value = "slip"
    form.button.click()
    assert "Nothing was saved. pours row P10: red paste [g] is 1.81 and that of P09 1, but" in form.said.value


def test_melts_in_a_file_are_mended_one_by_one(demo_copy):
    path = demo_copy / "melts.csv"
    text = path.read_text().replace("M01,2026-02-06", "@").replace("M02,2026-02-06", "M01,2026-02-06")
    path.write_text(text.replace("@", "M02,2026-02-06"))
    stands = read_trial(demo_copy)
    assert len(stands.doubts) == 1 and stands.doubts[0].startswith(
        "melts.csv melt M02: candelilla wax [g] is 7.41 and that of M01 5.2, but 5.28 and 7.55 g were planned, ")
    rows = stands.melts.set_index("melt")
    for melt, other in (("M01", "M02"), ("M02", "M01")):
        stands = correct_melts(demo_copy, pd.DataFrame([{"melt": melt} | rows.loc[other, POT].to_dict()]), reason="slip")
    assert stands.doubts == ()

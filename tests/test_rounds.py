import numpy as np
import pytest
from definitions import HAZEL, TERRACOTTA
from hypothesis import given
from hypothesis import strategies as st
from recorded import two_melts

from labkit import Trial
from labkit.errors import PlanError
from labkit.portions import small_portions
from labkit.rounds import Batch, as_set, grams_column, round_from_factors, weighable
from labkit.statements import Setting


@given(
    st.lists(st.floats(0.001, 1), min_size=2, max_size=9),
    st.sampled_from([0.01, 0.1, 0.05, 0.02]),
    st.sampled_from([10, 15, 20, 12.5]),
)
def test_grams_are_balance_steps_that_add_up_and_lie_within_one_step(parts, step, pour):
    fractions = np.array(parts) / sum(parts)
    grams = weighable(fractions, Batch(pour_g=pour, balance_step_g=step))
    assert grams / step == pytest.approx(np.round(grams / step), abs=1e-9)
    assert grams.sum() == pytest.approx(pour, abs=1e-9)
    assert np.abs(grams - fractions * pour).max() < step * (1 + 1e-9)


def test_a_round_is_what_the_bench_sees():
    trial = Trial.from_toml(TERRACOTTA)
    round_ = two_melts(trial)
    table = round_.to_frame()
    grams = [grams_column(i) for i in trial.recipe.ingredients]
    assert table.columns.tolist() == ["round", "melt", "pour", "order", *trial.recipe.coordinates, *grams]
    assert table[grams].sum(axis=1).tolist() == pytest.approx([20] * 4)
    assert table.groupby("melt")["wax"].nunique().tolist() == [1, 1]
    assert table["wax"].tolist() == pytest.approx([0.12, 0.12, 0.2, 0.2], abs=0.0005)
    assert round_.melt_sheet()["pours"].tolist() == [2, 2]
    assert round_.pour_sheet()["base [g]"].tolist() == pytest.approx(
        [20 - a - b for a, b in zip(table["red paste [g]"], table["yellow paste [g]"])]
    )


def test_results_cannot_be_changed_from_outside():
    round_ = two_melts(Trial.from_toml(TERRACOTTA))
    table = round_.to_frame()
    table["wax"] = 9.0
    assert round_.to_frame()["wax"].max() < 1


def test_a_planned_round_is_recorded_as_poured():
    trial = Trial.from_toml(TERRACOTTA)
    round_ = two_melts(trial)
    made = trial.with_round(round_).with_pours(round_.as_poured()).made
    assert made.index.tolist() == ["P01", "P02", "P03", "P04"]
    assert made["melt"].tolist() == ["M01", "M01", "M02", "M02"] and made["ok"].all() and made["inside"].all()
    assert made["load"].tolist() == pytest.approx([0.03, 0.06, 0.03, 0.06], abs=0.0005)


def test_small_portions_are_named_with_what_to_do():
    trial = Trial.from_toml(HAZEL.replace("pour_g = 15.0", "pour_g = 10.0"))
    at = trial.region.sample(2, 1).assign(load=[0.015, 0.04])
    round_ = round_from_factors(
        trial.recipe, trial.batch, number=1, melts=["M01", "M02"], pours=["P01", "P02"], coordinates=at
    )
    assert small_portions(round_, trial.batch) == (
        "0.10 g of vitamin E in P01 and 0.15 g of brown iron oxide in P01 are under 20 steps of the balance. Pour 20 g, or "
        "weigh vitamin E in a premix of 50 % and brown iron oxide in a premix of 75 %.",
    )


def test_the_grams_of_a_plan_rule():
    trial = Trial.from_toml(TERRACOTTA)
    plan = two_melts(trial).to_frame()
    plan.index = [2, 3, 4, 5]
    assert (
        trial.with_tables({"plan": plan.drop(columns=["wax", "load", "red_share"])}, files=True)
        .plan["wax"]
        .notna()
        .all()
    )
    plan.loc[4, "wax"] = 0.15
    with pytest.raises(PlanError) as problem:
        trial.with_tables({"plan": plan}, files=True)
    assert (
        str(problem.value)
        == "plan.csv row 4: wax is 0.15, but the grams say 0.1999. The grams rule: correct them, or the factor."
    )


@pytest.mark.parametrize(
    "column, value, message",
    [
        (
            "round",
            "two",
            "plan.csv row 3: round is 'two', which is not a number. Write digits with one comma or point, and no unit.",
        ),
        ("round", 1.5, "plan.csv row 3: round is 1.5. Give a whole number from 1 to 9999."),
        ("pour", "P01", "plan.csv row 3: pour P01 is planned already. Give each planned pour a name of its own."),
        ("pour", "X-01", "plan.csv row 3: the pour is 'X-01' in melt 'M01'. Name both; X- is for unplanned pours."),
        (
            "red paste [g]",
            -0.8,
            "plan.csv row 3: red paste [g] is -0.8; a weight is never negative. Weigh again.",
        ),
    ],
)
def test_a_plan_that_cannot_be(column, value, message):
    trial = Trial.from_toml(TERRACOTTA)
    plan = two_melts(trial).to_frame().astype(object)
    plan.index = [2, 3, 4, 5]
    plan.loc[3, column] = value
    with pytest.raises(PlanError) as problem:
        trial.with_tables({"plan": plan}, files=True)
    assert str(problem.value) == message


def test_what_goes_into_the_pot_is_weighed_once_a_melt():
    """1 % vitamin E of 92 % pot in a 20 g pour is 0.19 to 0.20 g, but two pours of a melt are weighed together."""
    trial = Trial.from_toml(TERRACOTTA)
    round_ = two_melts(trial)
    assert round_.to_frame()["vitamin E [g]"].min() < 0.2
    assert not [note for note in small_portions(round_, trial.batch) if "vitamin E" in note]


def test_a_melt_holds_more_than_is_drawn_and_colour_follows_the_base_drawn():
    """Common practice: beaker and pipette keep some, so melt a tenth more; colour goes by the base that was drawn."""
    round_ = two_melts(Trial.from_toml(TERRACOTTA))
    drawn = round_.pour_sheet().groupby("melt", sort=False)["base [g]"].sum().to_numpy()
    more = round_.melt_sheet(allowance=0.10).filter(like=" [g]").sum(axis=1).to_numpy()
    assert more == pytest.approx(1.10 * drawn, abs=0.03)
    table, sheet = round_.to_frame(), round_.per_gram_of_base()
    assert sheet["red paste [g/g]"].to_numpy() == pytest.approx(
        (table["red paste [g]"] / (20 - table["red paste [g]"] - table["yellow paste [g]"])).to_numpy()
    )
    # 18.00 g drawn in place of what was planned: colour by the table keeps load and colorant ratio
    red, yellow = (18.0 * sheet[f"{c} paste [g/g]"] for c in ("red", "yellow"))
    assert ((red + yellow) / 2 / (18.0 + red + yellow)).to_numpy() == pytest.approx(table["load"].to_numpy(), abs=1e-12)


def test_settings_are_such_as_a_hand_can_set():
    setting = Trial.from_toml(TERRACOTTA).recipe.setting_list[0]
    assert as_set(setting, np.array([74.174312, 68.0, 79.96, 80.0, 81.234])).tolist() == [74.2, 68.0, 80.0, 80.0, 81.2]
    narrow = Setting(name="cooling", low=0.5, high=2.0)
    assert as_set(narrow, np.array([1.23456])).tolist() == [1.23]


def test_what_is_pinned_is_set_where_it_is_pinned():
    """A move between two pours at 6 left 5.999999999999999 in plan.csv, and what was poured so lay outside its limits."""
    pinned = Setting(name="stirring", low=6.0, high=6.0)
    assert as_set(pinned, np.array([6.0, 5.999999999999999, 6.5])).tolist() == [6.0, 6.0, 6.5]

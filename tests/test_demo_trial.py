"""The demo trial: reproduced byte for byte, and as real as a rehearsal can be."""

import make_demo_trial
import numpy as np
import pandas as pd
import pytest

from labkit.store import read_table

TESTERS = ["T01", "T02", "T03", "T04", "T05", "T06"]


@pytest.fixture(scope="module")
def weighed(demo_folder):
    """Every portion that was put on the balance, in grams."""
    melts, pours = read_table(demo_folder / "melts.csv"), read_table(demo_folder / "pours.csv")
    cells = [melts[[c for c in melts.columns if c.endswith(" [g]")]], pours[["base [g]", "red paste [g]", "yellow paste [g]"]]]
    return np.concatenate([table.to_numpy().astype(float).ravel() for table in cells])


def test_the_script_writes_the_files_again_byte_for_byte(demo_folder, tmp_path):
    again = tmp_path / demo_folder.name
    make_demo_trial.write(again)
    names = sorted(path.name for path in demo_folder.iterdir() if path.is_file())
    assert names == ["melts.csv", "plan.csv", "pours.csv", "readings.csv", "scores.csv", "servings.csv", "set_aside.csv",
                     "trial.toml"]
    assert {name: (again / name).read_bytes() for name in names} == {
        name: (demo_folder / name).read_bytes() for name in names}


def test_it_says_that_it_is_invented(demo, demo_folder):
    assert demo.notes.strip().startswith("Invented.")
    assert "invented" in (demo_folder / "trial.toml").read_text(encoding="utf-8").splitlines()[0]


def test_three_rounds_of_four_pours_in_two_melts_before_six_testers(demo):
    plan = demo.plan
    assert (plan.groupby("round")["pour"].count() == 4).all() and list(plan["round"].unique()) == [1, 2, 3]
    assert (plan.groupby("round")["melt"].nunique() == 2).all()
    assert sorted(demo.scores["tester"].unique()) == TESTERS
    assert set(demo.attributes) == {"payoff", "hardness", "sheerness", "shade"}


def test_one_pour_failed_and_was_not_served(demo):
    (failed,) = demo.failed
    assert demo.pours.set_index("pour").loc[failed, "outcome"] == "failed: broke on unmoulding"
    assert failed not in set(demo.scores["pour"]) | set(demo.servings["pour"])


def test_one_score_is_missing(demo):
    assert demo.scores["score"].isna().sum() == 1
    assert len(demo.scores) == 11 * 6 * 4


def test_one_tester_leans_high(demo):
    levels = demo.standing_scores.groupby("tester")["score"].mean().sort_values()
    assert levels.index[-1] == "T03" and levels.iloc[-1] - levels.iloc[-2] > 0.8
    assert np.ptp(levels.iloc[:-1]) < 1.2


def test_scores_are_half_points_and_codes_are_unique(demo):
    np.testing.assert_array_equal(demo.scores["score"].dropna() * 2 % 1, 0)
    assert demo.servings["code"].is_unique and demo.servings["code"].str.fullmatch("[1-9][0-9]{2}").all()
    assert len(demo.servings) == 11 * 6


def test_every_portion_is_at_least_twenty_balance_steps(weighed):
    assert np.nanmin(weighed) >= 20 * 0.01
    np.testing.assert_allclose(weighed * 100, np.round(weighed * 100), atol=1e-6)


def test_weighed_differs_from_planned_as_a_hand_makes_it(demo):
    planned = demo.plan.set_index("pour")
    for paste in ("red paste [g]", "yellow paste [g]"):
        off = demo.pours.set_index("pour")[paste] - planned[paste]
        assert 0 < off.abs().max() <= 0.06 and 0.005 < off.std() < 0.04
    gap = demo.made[["wax", "load"]] - planned.loc[demo.made.index, ["wax", "load"]]
    assert 0 < gap["load"].abs().max() < 0.003 and 0 < gap["wax"].abs().max() < 0.003


def test_the_world_is_no_polynomial_and_goes_the_way_wax_and_load_go():
    """Wax hardens and lowers payoff, load raises payoff and covers (common practice); shade follows the red share."""
    base = pd.DataFrame({"wax": 0.16, "red_share": 0.5, "load": 0.05, "pour_temperature": 74.0}, index=range(5))
    wax = make_demo_trial.truth(base.assign(wax=np.linspace(0.10, 0.22, 5)))
    load = make_demo_trial.truth(base.assign(load=np.linspace(0.02, 0.08, 5)))
    assert (wax["hardness"].diff().dropna() > 0).all() and (wax["payoff"].diff().dropna() < 0).all()
    assert (load["payoff"].diff().dropna() > 0).all() and (load["sheerness"].diff().dropna() < 0).all()
    assert np.abs(np.diff(wax["hardness"], 4)).max() > 0.1
    shade = make_demo_trial.truth(base.assign(red_share=np.linspace(0.2, 0.8, 5)))["shade"]
    assert np.ptp(shade) > 5

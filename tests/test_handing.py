"""What a caller writes into a table that he was handed changes nothing of what is said later."""
import copy
import dataclasses
import pickle
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from definitions import TERRACOTTA

import labkit
from labkit.handing import Tables, hands_out_copies
from labkit.tweaks.search import poured


def spoilt(table):
    """The same table with every cell written over, its index emptied of names, and a column more."""
    for column in table.columns if isinstance(table, pd.DataFrame) else []:
        table.isetitem(table.columns.get_loc(column), [None] * len(table))
    if isinstance(table, pd.Series):
        table[:] = np.nan
    else:
        table["more"] = 1.0


def tables_of(result):
    """Every public attribute that is a table or an array."""
    for name in dir(result):
        if not name.startswith("_"):
            value = getattr(result, name)
            if isinstance(value, pd.DataFrame | pd.Series | np.ndarray):
                yield name, value


def check_kept(result, said=str):
    """Nothing that is done to its tables changes them, or what it says."""
    found = dict(tables_of(result))
    before, told = {name: value.copy() for name, value in found.items()}, said(result)
    assert found
    for value in found.values():
        if isinstance(value, np.ndarray):
            with pytest.raises(ValueError, match="read-only"):
                value[...] = 0
        else:
            spoilt(value)
    for name, value in tables_of(result):
        (pd.testing.assert_frame_equal if isinstance(value, pd.DataFrame) else pd.testing.assert_series_equal
         if isinstance(value, pd.Series) else np.testing.assert_array_equal)(value, before[name])
    assert said(result) == told


@pytest.fixture(scope="module")
def surfaces(demo):
    return labkit.fit_surfaces(demo)


def test_a_surface_keeps_its_tables(surfaces):
    check_kept(surfaces["payoff"])
    check_kept(surfaces["payoff"].classical, said=lambda classical: str(surfaces["payoff"]))


def test_its_fit_cannot_be_written_into(surfaces):
    for array in vars(surfaces["payoff"].classical.fit).values():
        if isinstance(array, np.ndarray):
            with pytest.raises(ValueError, match="read-only"):
                array[...] = 0


def test_its_ground_keeps_its_sample_for_all_surfaces(surfaces):
    told = str(surfaces["shade"])
    check_kept(surfaces["payoff"].ground, said=lambda ground: surfaces["hardness"].in_one_line())
    check_kept(surfaces["payoff"].ground.systems[0], said=lambda ground: surfaces["hardness"].in_one_line())
    assert str(surfaces["shade"]) == told


def test_a_panel_keeps_its_tables(demo):
    panel = labkit.appraise_panel(demo)
    check_kept(panel)
    check_kept(panel.scored_for("payoff"), said=lambda scored: str(panel))
    check_kept(panel.oddities["payoff"], said=lambda odd: str(panel))
    check_kept(panel.ordinal("payoff"))


def test_a_trial_keeps_its_tables(demo):
    check_kept(demo, said=lambda trial: trial.doubts)
    for name, table in demo.tables.items():
        before = table.copy()
        spoilt(table)
        pd.testing.assert_frame_equal(demo.tables[name], before)


def test_a_trial_keeps_what_varies_and_what_was_poured(demo):
    before, made = demo.recipe.bounds, poured(demo)
    spoilt(demo.recipe.bounds)
    spoilt(poured(demo))
    pd.testing.assert_frame_equal(demo.recipe.bounds, before)
    pd.testing.assert_frame_equal(poured(demo), made)
    with pytest.raises(ValueError, match="read-only"):
        demo.recipe.box[0][0] = 5


def test_a_round_is_what_was_planned(demo):
    round_ = labkit.plan_round(labkit.Trial.from_toml(TERRACOTTA), pours=2, melts=1, seed=1)
    check_kept(round_)
    check_kept(labkit.appraise_round(demo, 3))
    frame = round_.to_frame()
    again = dataclasses.replace(round_, frame=frame)
    spoilt(frame)
    pd.testing.assert_frame_equal(again.to_frame(), round_.to_frame())


def test_what_is_suggested_and_confirmed_stays_so(demo):
    check_kept(labkit.suggest_next(demo, pours=2, melts=1, seed=1))
    check_kept(labkit.plan_confirmation(demo, pours=1))


def test_a_trade_keeps_its_paths(demo, surfaces):
    trade = labkit.tell_tradeoffs(demo, surfaces)
    check_kept(trade)
    for pair, path in trade.paths.items():
        before = path.copy()
        spoilt(path)
        pd.testing.assert_frame_equal(trade.paths[pair], before)


def test_a_serving_and_what_the_limits_leave(demo):
    check_kept(labkit.plan_serving(demo, pours=["P01", "P02"], testers=["T01", "T02"], seed=1))
    check_kept(labkit.reach_of(demo.region))


def test_what_a_result_is_made_of_is_taken_in_as_a_copy():
    @hands_out_copies
    @dataclasses.dataclass(frozen=True, kw_only=True)
    class Made:
        table: pd.DataFrame
    given = pd.DataFrame({"a": [1.0]})
    made, tables = Made(table=given), Tables({"a": given})
    given["a"] = 2.0
    assert made.table["a"].tolist() == tables["a"]["a"].tolist() == [1.0]
    assert repr(tables) == "<Tables: a>" and len(tables) == 1


ELSEWHERE = "import pickle, sys; print(*map(repr, pickle.load(sys.stdin.buffer)), sep='\\n')"


def test_what_is_kept_in_memory_can_be_copied_deeply_and_sent_to_another_process(demo, surfaces):
    tweak = labkit.suggest_next(demo, pours=2, melts=1, seed=3)
    held = [demo, labkit.appraise_panel(demo), dict(surfaces), tweak, tweak.round]
    for copied in (copy.deepcopy(held), pickle.loads(pickle.dumps(held))):
        assert [str(one) for one in copied] == [str(one) for one in held]
        again = labkit.suggest_next(copied[0], pours=2, melts=1, seed=3)
        pd.testing.assert_frame_equal(again.round.to_frame(), tweak.round.to_frame(), check_exact=True)
        with pytest.raises(TypeError):
            copied[0].attributes["payoff"] = None
    told = subprocess.run([sys.executable, "-c", ELSEWHERE], input=pickle.dumps(held), capture_output=True, check=True)
    assert told.stdout.decode().splitlines() == [line for one in held for line in repr(one).splitlines()]

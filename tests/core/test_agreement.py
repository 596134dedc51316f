"""Intraclass correlations and rank tests: against scipy, identities between them, and edges."""
from itertools import combinations, permutations, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import f as f_of
from scipy.stats import friedmanchisquare, rankdata

from labkit.core import agreement as ag


def table(seed, pours=7, testers=5, step=1.0):
    rng = np.random.default_rng(seed)
    values = 5 + 1.5 * rng.normal(size=(pours, 1)) + rng.normal(size=testers) + 0.8 * rng.normal(size=(pours, testers))
    return np.round(values / step) * step


def with_gaps(seed, share=0.25, **shape):
    values = table(seed, **shape)
    rng = np.random.default_rng(seed + 1)
    values[rng.random(values.shape) < share] = np.nan
    return values


@given(st.integers(0, 10_000), st.integers(3, 9), st.integers(3, 8))
def test_friedman_is_scipys(seed, pours, testers):
    values = table(seed, pours, testers)
    if all(np.ptp(column) == 0 for column in values.T):
        return
    expected = friedmanchisquare(*values)
    found = ag.friedman(values)
    assert found.statistic == pytest.approx(expected.statistic, abs=1e-9)
    assert found.p == pytest.approx(expected.pvalue, abs=1e-12)


@given(st.integers(0, 10_000))
def test_complete_tables_give_one_answer_four_ways(seed):
    values = table(seed)
    w, chi_square = ag.kendalls_w(values)
    friedman = ag.friedman(values)
    assert chi_square.statistic == pytest.approx(friedman.statistic, abs=1e-9)
    assert ag.skillings_mack(values).statistic == pytest.approx(friedman.statistic, abs=1e-8)
    pours, testers = values.shape
    assert ag.durbin(values).statistic == pytest.approx((testers - 1) * w / (1 - w), rel=1e-9)   # Iman & Davenport


def test_skillings_mack_is_durbins_chi_square_when_balanced_and_untied():
    blocks = ["124", "235", "346", "457", "156", "267", "137"]           # 7 pours, 3 a tester, every pair once
    values = np.full((7, 7), np.nan)
    rng = np.random.default_rng(4)
    for tester, block in enumerate(blocks):
        values[[int(pour) - 1 for pour in block], tester] = rng.permutation(3)
    assert ag.is_balanced_incomplete(values)
    found = ag.durbin(values)
    ratio = found.statistic * found.df / found.df2                       # T2 = (T1/df) / ((b(k-1) - T1)/df2)
    first = 7 * 2 * ratio / (1 + ratio)
    assert ag.skillings_mack(values).statistic == pytest.approx(first, abs=1e-9)


BALANCED = {"4 by 3": list(combinations(range(4), 3)), "3 by 2, twice": 2 * list(combinations(range(3), 2)),
            "7 by 3": [(0, 1, 2), (0, 3, 4), (0, 5, 6), (1, 3, 5), (1, 4, 6), (2, 3, 6), (2, 4, 5)]}


def balanced(name, rng):
    """A balanced incomplete table in which nothing differs."""
    blocks = BALANCED[name]
    there = np.array([[pour in block for block in blocks] for pour in range(1 + max(map(max, blocks)))])
    return np.where(there, rng.random(there.shape), np.nan)


def test_shuffling_is_every_order_of_every_tester():
    """All 6^4 orders of four testers with three of four pours each, counted."""
    table = balanced("4 by 3", np.random.default_rng(8))
    blocks, own = BALANCED["4 by 3"], np.nansum(ag.ranks_within(table), axis=1)
    far = []
    for orders in product(permutations((1, 2, 3)), repeat=4):
        sums = np.zeros(4)
        for block, order in zip(blocks, orders, strict=True):
            sums[list(block)] += order
        far.append((sums**2).sum() >= (own**2).sum() - 1e-9)
    assert ag.p_by_shuffling(table, plays=20_000) == pytest.approx(np.mean(far), abs=0.012)


@pytest.mark.parametrize("name", list(BALANCED))
def test_shuffling_calls_at_most_one_table_in_twenty_different(name):
    """400 tables in which nothing differs, three standard errors; the F form calls 6.6, 9.7 and 8.4 %."""
    rng = np.random.default_rng(3)
    found = [ag.p_by_shuffling(balanced(name, rng), plays=999, seed=k) for k in range(400)]
    assert np.mean(np.array(found) < 0.05) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)


@pytest.mark.parametrize("testers", [2, 3, 5])
def test_few_testers_with_gaps_are_called_of_one_mind_at_most_once_in_twenty(testers):
    """300 tables in which nothing differs, three standard errors; the chi-square of two calls none of 300."""
    rng, found = np.random.default_rng(3), []
    for k in range(300):
        values = rng.random((8, testers))
        values[0, 0] = np.nan
        found.append(ag.skillings_mack_by_shuffling(values, plays=499, seed=k))
    assert 0.02 < np.mean(np.array(found) < 0.05) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)


def test_shuffling_a_table_without_gaps_is_the_same_either_way():
    """There the statistic is Friedman's, which rises with the sum of squared rank sums."""
    values = np.random.default_rng(4).normal(size=(6, 3)) + np.arange(6)[:, None] / 3
    assert ag.skillings_mack_by_shuffling(values) == ag.p_by_shuffling(values)


@given(st.integers(0, 10_000))
def test_order_and_units_change_nothing(seed):
    values = with_gaps(seed)
    rng = np.random.default_rng(seed)
    moved = (3 + 2 * values)[rng.permutation(7)][:, rng.permutation(5)]
    assert ag.skillings_mack(moved) == pytest.approx(ag.skillings_mack(values), nan_ok=True)
    full = table(seed, step=0.1)
    for name, icc in ag.intraclass_correlations(full).items():
        assert ag.intraclass_correlations(10 - 3 * full)[name] == pytest.approx(icc, abs=1e-9)


def test_ranks_are_scipys():
    values = with_gaps(3)
    expected = rankdata(values, axis=0, nan_policy="omit")
    assert np.array_equal(ag.ranks_within(values), expected, equal_nan=True)


def test_testers_of_two_rounds_without_a_common_pour_are_two_tests_in_one():
    first, second = table(1, 4, 3), table(2, 4, 4)
    both = np.full((8, 7), np.nan)
    both[:4, :3], both[4:, 3:] = first, second
    found = ag.skillings_mack(both)
    parts = ag.friedman(first), ag.friedman(second)
    assert found.df == 6
    assert found.statistic == pytest.approx(sum(part.statistic for part in parts), abs=1e-8)


def test_p_values_are_level_when_nothing_differs():
    """400 incomplete panels without differences: p below .1 about one time in ten (binomial, 3 sd)."""
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(400):
        values = np.round(2 * rng.normal(size=(6, 7))) / 2
        values[rng.random(values.shape) < 0.2] = np.nan
        hits += ag.skillings_mack(values).p < 0.1
    assert 0.045 <= hits / 400 <= 0.145


class TestEdges:
    def test_same_score_for_everything(self):
        values = np.full((4, 3), 5.0)
        assert all(np.isnan(icc.estimate) for icc in ag.intraclass_correlations(values).values())
        w, test = ag.kendalls_w(values)
        assert np.isnan(w) and test.p == 1
        assert ag.friedman(values).p == ag.skillings_mack(values).p == ag.durbin(values).p == 1

    def test_perfect_agreement(self):
        values = np.arange(4.0)[:, None] * np.ones(3)
        assert {icc.estimate for icc in ag.intraclass_correlations(values).values()} == {1.0}
        assert ag.kendalls_w(values)[0] == 1
        assert ag.durbin(values).p == 0

    def test_each_tester_has_one_score_for_everything(self):
        values = np.ones((4, 1)) * np.array([3.0, 5.0, 8.0])
        assert ag.intraclass_correlations(values)["ICC(2,1)"].estimate == 0
        assert np.isnan(ag.kendalls_w(values)[0])

    def test_two_by_two(self):
        found = ag.intraclass_correlations(np.array([[1.0, 2.0], [3.0, 5.0]]))
        assert found["ICC(3,1)"].estimate == pytest.approx(12 / 13)       # BMS 6.25, EMS .25

    def test_one_pour_or_one_score_a_tester_tests_nothing(self):
        values = np.full((3, 3), np.nan)
        np.fill_diagonal(values, [1.0, 2.0, 3.0])
        assert (ag.skillings_mack(values).p, ag.skillings_mack(values).df) == (1, 2)
        assert not ag.is_balanced_incomplete(values)


def test_pairs_of_three_pours_are_balanced_and_a_single_pour_a_tester_is_not():
    """The smallest balanced incomplete design: 3 pours, 2 a tester, each pair once. Of single pours no pair is met."""
    pairs = np.array([[1.0, 2.0, np.nan], [3.0, np.nan, 4.0], [np.nan, 5.0, 6.0]])
    assert ag.is_balanced_incomplete(pairs) and not ag.is_balanced_incomplete(np.where(np.eye(3), 1.0, np.nan))


@pytest.mark.parametrize("pours", [3, 5])
def test_where_all_tie_the_statistic_is_nothing_on_as_many_df_as_ever(pours):
    assert ag.friedman(np.full((pours, 4), 5.0)) == pytest.approx((0.0, pours - 1, np.nan, 1.0), nan_ok=True)
    w, test = ag.kendalls_w(np.full((pours, 4), 5.0))
    assert np.isnan(w) and test == pytest.approx((0.0, pours - 1, np.nan, 1.0), nan_ok=True)


@pytest.mark.parametrize("plays", [9, 99])
def test_what_was_found_counts_as_one_of_the_plays(plays):
    """p = (1 + as far) / (1 + plays): 1 where every order is as far, and never less than 1 / (1 + plays)."""
    assert ag.p_by_shuffling(np.full((4, 5), 5.0), plays=plays) == 1.0
    alike = np.tile(np.arange(7.0)[:, None], 20)                         # one order of seven pours, by twenty testers
    assert ag.p_by_shuffling(alike, plays=plays) == 1 / (1 + plays)


def alike(seed, pours=4, testers=3):
    """Scores in half points of pours that do not differ, by testers who lean."""
    rng = np.random.default_rng(seed)
    return np.round(2 * (5 + rng.normal(size=testers) + rng.normal(size=(pours, testers)))) / 2


def test_an_icc_lies_within_its_limits_also_where_pours_are_alike():
    """The six forms of 200 tables, more than half of them negative; of the mean of k down to minus infinity."""
    tables = [alike(seed, *shape) for seed in range(50) for shape in ((3, 2), (3, 3), (4, 3), (4, 6))]
    found = [icc for values in tables for icc in ag.intraclass_correlations(values, level=0.9).values()]
    assert np.mean([icc.estimate < 0 for icc in found]) > 0.5
    assert all(icc.low <= icc.estimate + 1e-9 and icc.estimate <= icc.high + 1e-9 for icc in found)


def test_a_whole_interval_is_below_nothing_where_pours_are_less_apart_than_chance_has_it():
    """ICC(2,1) < 0 at level 0.9 where BMS / EMS is in the lower 5 % of F, as scipy has it."""
    below = []
    for values in (alike(seed, 5, 4) for seed in range(300)):
        between, _, error, _ = ag.mean_squares(values)
        below.append(f_of.cdf(between / error, 4, 12) < 0.05)
        assert (ag.intraclass_correlations(values, level=0.9)["ICC(2,1)"].high < 0) == below[-1]
    assert 0 < sum(below) < 35


def test_pairs_met_unequally_often_are_not_balanced():
    """Four pours in a circle, each tester two neighbours: two a tester, two a pour, and opposite ones never met."""
    circle = np.full((4, 4), np.nan)
    for tester in range(4):
        circle[[tester, (tester + 1) % 4], tester] = [1.0, 2.0]
    assert not ag.is_balanced_incomplete(circle)

"""What looking is worth: values to ten digits, simulation, and a search that finds the best small set."""

import itertools

import numpy as np
import pytest
from scipy.stats import norm

from labkit.core import improvement


@pytest.mark.parametrize("z, expected", [
    (0, 0.39894228040143268), (-1, 0.083315470587686298), (-5, 5.346165533832815e-8)])
def test_expected_improvement_to_ten_digits(z, expected):
    """s [z Phi(z) + phi(z)] at s = 1; values by high-precision arithmetic, no print needed."""
    assert improvement.expected_improvement(z, 1.0, 0.0) == pytest.approx(expected, rel=1e-10)
    assert improvement.expected_improvement(7 + 2.5 * z, 2.5, 7.0) == pytest.approx(2.5 * expected, rel=1e-10)


def test_expected_improvement_of_what_is_known():
    np.testing.assert_allclose(improvement.expected_improvement([1.0, 3.0], 0.0, 2.0), [0, 1])


def test_expected_improvement_agrees_with_an_independent_integral():
    from scipy.integrate import quad
    from scipy.stats import norm

    area = quad(lambda y: (y - 1.2) * norm.pdf(y, 0.7, 0.4), 1.2, 6)[0]
    assert improvement.expected_improvement(0.7, 0.4, 1.2) == pytest.approx(area, rel=1e-9)


def test_knowledge_gradient_of_two_alternatives():
    """h = s [phi(d/s) - (d/s) Phi(-d/s)]: E max(0, -d + s Z)."""
    from scipy.stats import norm

    d, s = np.array([0.0, 0.3, -0.3, 2.0]), np.array([1.0, 0.5, 0.5, 0.4])
    z = np.abs(d) / s
    expected = s * (norm.pdf(z) - z * norm.cdf(-z))
    np.testing.assert_allclose(improvement.knowledge_gradient_of_two(d, s), expected, rtol=1e-10)
    np.testing.assert_allclose(improvement.knowledge_gradient_of_two(1.0, 0.0), 0.0)


def test_joint_expected_improvement_of_one_is_the_closed_form():
    draws = np.random.default_rng(1).normal(0.4, 0.3, size=(400_000, 1))
    assert improvement.joint_expected_improvement(draws, np.full(400_000, 0.5)) == pytest.approx(
        improvement.expected_improvement(0.4, 0.3, 0.5), abs=0.001)


def test_gains_do_not_depend_on_the_chunk(monkeypatch):
    rng = np.random.default_rng(2)
    draws, floor = rng.normal(size=(50, 37)), rng.normal(size=50)
    whole = improvement.gains(draws, floor)
    monkeypatch.setattr(improvement, "BLOCK", 100)
    np.testing.assert_allclose(improvement.gains(draws, floor), whole)


def small_case(seed):
    rng = np.random.default_rng(seed)
    draws = rng.normal(size=(200, 12)) * rng.uniform(0.2, 1, 12) + rng.normal(0, 0.3, 12)
    return draws, np.repeat([0, 1, 2], 4), draws[:, 0] * 0.1


def every_set(draws, pots, pours, melts):
    room = -(-pours // melts)
    for chosen in itertools.combinations(range(draws.shape[1]), pours):
        counts = np.unique(pots[list(chosen)], return_counts=True)[1]
        if len(counts) == melts and counts.max() <= room:
            yield list(chosen)


@pytest.mark.parametrize("seed", range(5))
def test_choose_set_finds_the_best_of_all_sets_of_a_small_case(seed):
    draws, pots, settled = small_case(seed)
    chosen = improvement.choose_set(draws, pots, settled, pours=4, melts=2)
    every = every_set(draws, pots, 4, 2)
    worth = [improvement.joint_expected_improvement(draws[:, s], settled) for s in every]
    assert improvement.joint_expected_improvement(draws[:, chosen], settled) >= 0.97 * max(worth)
    counts = np.unique(pots[chosen], return_counts=True)[1]
    assert list(counts) == [2, 2]
    assert pots[chosen[0]] == pots[chosen[1]] and pots[chosen[2]] == pots[chosen[3]]


def test_choose_set_opens_every_melt_and_shares_them_out():
    draws, pots, settled = small_case(7)
    for pours, melts in [(1, 1), (3, 2), (3, 3), (5, 2)]:
        chosen = improvement.choose_set(draws, pots, settled, pours=pours, melts=melts)
        counts = np.unique(pots[chosen], return_counts=True)[1]
        assert len(chosen) == pours and len(counts) == melts and counts.max() <= -(-pours // melts)


@pytest.mark.parametrize("pours", [3, 5])
def test_where_pours_are_no_multiple_of_melts_one_pot_holds_one_more(pours):
    """ceil(pours / melts) in a pot, each candidate once: against all such sets of twelve small cases."""
    for draws, pots, settled in map(small_case, range(12)):
        chosen = improvement.choose_set(draws, pots, settled, pours=pours, melts=2)
        assert len(set(chosen)) == pours
        assert sorted(np.unique(pots[chosen], return_counts=True)[1]) == [pours // 2, pours // 2 + 1]
        worth, *every = (improvement.joint_expected_improvement(draws[:, s], settled)
                         for s in [chosen, *every_set(draws, pots, pours, 2)])
        assert worth >= 0.95 * max(every)


def test_the_order_of_the_draws_changes_nothing():
    draws, pots, settled = small_case(3)
    shuffled = np.random.default_rng(0).permutation(len(draws))
    assert improvement.choose_set(draws, pots, settled, pours=4, melts=2) == improvement.choose_set(
        draws[shuffled], pots, settled[shuffled], pours=4, melts=2)


def test_what_is_kept_is_in_the_set():
    draws, pots, settled = small_case(4)
    chosen = improvement.choose_set(draws, pots, settled, pours=4, melts=2, keep=[5])
    assert 5 in chosen and len(set(chosen)) == 4


def worlds_paid(*columns):
    """Draws over ten worlds: what each candidate pays in each, as a string of digits."""
    return np.array([[float(paid) for paid in column] for column in columns]).T, np.zeros(10)


@pytest.mark.parametrize("pots, melts", [([0, 1, 2, 3], 2), ([0, 0, 0, 0], 1)])
def test_the_greedy_set_is_exchanged_for_a_better_one(pots, melts):
    """0 and 1 pay in all ten worlds between them, 2 alone in six: greedy takes 2 first and ends with eight."""
    draws, settled = worlds_paid("1111100000", "0000011111", "0011111100", "0011111000")
    found = improvement.choose_set(draws, np.array(pots), settled, pours=2, melts=melts)
    assert set(found) == {0, 1}
    assert improvement.joint_expected_improvement(draws[:, found], settled) == 1.0


@pytest.mark.parametrize("seed", [7, 24, 39, 43])
def test_the_exchange_finds_the_best_of_all_sets_where_greedy_does_not(seed):
    """In case 39 only by the exchange of a whole pot."""
    draws, pots, settled = small_case(seed)
    greedy = improvement._Search(draws, pots, settled, 4, 2).filled([])
    chosen = improvement.choose_set(draws, pots, settled, pours=4, melts=2)
    worth = [improvement.joint_expected_improvement(draws[:, s], settled)
             for s in [greedy, chosen, *every_set(draws, pots, 4, 2)]]
    assert worth[0] < worth[1] == pytest.approx(max(worth[2:]), rel=1e-12)


def two_alternatives(seed, n=40_000):
    """Two formulas, one of them seen with noise: means .5 and .4, prior sd .3 on the second, noise .2."""
    rng = np.random.default_rng(seed)
    draws = np.stack([np.full(n, 0.5), rng.normal(0.4, 0.3, n)], axis=1)
    return draws, draws[:, [1]] + rng.normal(0, 0.2, (n, 1))


def test_value_of_seeing_is_the_knowledge_gradient_of_two_alternatives():
    draws, seen = two_alternatives(5)
    change = 0.3**2 / np.sqrt(0.3**2 + 0.2**2)               # sd of the second posterior mean
    expected = improvement.knowledge_gradient_of_two(0.1, change)
    assert improvement.value_of_seeing([draws], [seen], sum, worlds=20_000) == pytest.approx(expected, abs=0.005)


def test_seeing_what_has_nothing_to_do_with_it_is_worth_nothing():
    draws, _ = two_alternatives(6, n=1000)
    noise = np.random.default_rng(7).normal(size=(1000, 16))
    assert improvement.value_of_seeing([draws], [noise], sum) < 0.005


def test_spread_after_is_the_posterior_standard_deviation():
    draws, seen = two_alternatives(8)
    left = 0.3 * 0.2 / np.sqrt(0.3**2 + 0.2**2)
    np.testing.assert_allclose(improvement.spread_after([draws], [seen], sum), [0, left], atol=0.002)


def test_spread_after_is_that_of_the_residual_of_a_regression():
    """statsmodels: the square root of its unbiased residual variance, with few draws and many things seen."""
    import statsmodels.api as sm

    rng = np.random.default_rng(10)
    seen = rng.normal(3, 1, size=(20, 9))
    draws = seen[:, :3] @ rng.normal(size=(3, 4)) + rng.normal(size=(20, 4))
    other = [np.sqrt(sm.OLS(y, sm.add_constant(seen)).fit().mse_resid) for y in draws.T]
    np.testing.assert_allclose(improvement.spread_after([draws], [seen], sum), other, rtol=1e-9)


def test_of_a_peak_the_spread_after_is_what_is_left_where_the_scores_lead():
    """D = 1 - |y| / 2 and not under 0, y ~ N(0, 1) seen with noise of .3: by sums over both densities. A straight line
    through D on what is seen would leave all of it."""
    rng, grid = np.random.default_rng(12), np.linspace(-6, 6, 1201)
    y = rng.normal(size=(4000, 1))
    seen = y + rng.normal(0, 0.3, size=y.shape)
    middle, spread = grid / 1.09, 0.3 / np.sqrt(1.09)

    def peak(values):
        return np.maximum(1 - np.abs(values[0]) / 2, 0.0)

    weight = norm.pdf(grid, middle[:, None], spread)
    weight /= weight.sum(axis=1, keepdims=True)
    variance = weight @ peak([grid]) ** 2 - (weight @ peak([grid])) ** 2
    expected = np.sqrt(np.average(variance, weights=norm.pdf(grid, 0, np.sqrt(1.09))))
    assert improvement.spread_after([y], [seen], peak) == pytest.approx(expected, rel=0.03)
    assert expected < 0.5 * peak([y]).std()


def test_what_is_seen_twice_or_never_changes_tells_no_more():
    """E(y | seen) is that of least squares on what is independent of it (numpy's, with its own rank)."""
    rng = np.random.default_rng(11)
    alone = rng.normal(5, 1, size=(12, 2))
    drawn = alone @ rng.normal(size=(2, 3)) + rng.normal(size=(12, 3))
    design = np.column_stack([np.ones(12), alone])
    expected = design @ np.linalg.lstsq(design, drawn, rcond=None)[0]
    twice = np.column_stack([alone, alone, 2 * alone[:, 0] - alone[:, 1], np.full(12, 3.0)])
    for seen in (alone, twice):
        fit, left = improvement._learned(drawn, seen)
        np.testing.assert_allclose(fit, expected, rtol=1e-9)
        np.testing.assert_allclose(fit + left, drawn, rtol=1e-12)
    np.testing.assert_allclose(improvement._learned(drawn, np.full((12, 2), 4.0))[0], np.tile(drawn.mean(axis=0), (12, 1)))


def test_a_few_draws_of_what_is_left_are_as_spread_as_all():
    """E[mean of (left - its mean)^2] of 16 draws of N(0, 4) is 4 only with the factor n / (n - 1): 3.75 without it."""
    sets = np.random.default_rng(12).normal(1.0, 2.0, size=(6000, 16, 1))
    centred = np.array([improvement._centred(left) for left in sets])
    np.testing.assert_allclose(centred.mean(axis=1), 0, atol=1e-12)
    assert np.mean(centred**2) == pytest.approx(4.0, abs=0.08)                       # four standard errors


def test_what_is_chosen_is_paid_by_others_than_those_it_was_chosen_with():
    """Of thirty alike, with nothing of them seen, the one that looks best in 16 draws is worth no more than another."""
    seen = np.random.default_rng(9).normal(size=(4000, 1))
    paid = [improvement.paid_by_world([np.random.default_rng(seed).normal(size=(4000, 30))], [seen],
                                      lambda y: np.maximum(y[0], 0), worlds=300, inner=16).mean() for seed in range(12)]
    assert abs(np.mean(paid)) < 0.02


def test_gains_are_means_over_the_draws():
    rng = np.random.default_rng(3)
    draws, floor = rng.normal(size=(7, 5)), rng.normal(size=7)
    np.testing.assert_allclose(improvement.gains(draws, floor), np.maximum(draws - floor[:, None], 0).mean(axis=0))
    assert improvement.gains(draws[:, :0], floor).shape == (0,)


def test_the_exchange_goes_on_while_it_finds_something():
    """Case 111 of four in two pots takes two exchanges to the best of all sets; the first brings .946 of 1.021."""
    draws, pots, settled = small_case(111)
    chosen = improvement.choose_set(draws, pots, settled, pours=4, melts=2)
    best = max(improvement.joint_expected_improvement(draws[:, s], settled) for s in every_set(draws, pots, 4, 2))
    assert improvement.joint_expected_improvement(draws[:, chosen], settled) == pytest.approx(best, rel=1e-12)


@pytest.mark.parametrize("pots", [[0, 1, 2, 3, 4], [0, 0, 1, 1, 2]])
def test_what_is_kept_stays_however_little_it_is_worth(pots):
    """Column 4 pays in no world, alone in its pot: every exchange would drop it."""
    draws, settled = worlds_paid("1111100000", "0000011111", "0011111100", "0011111000", "0000000000")
    assert 4 in improvement.choose_set(draws, np.array(pots), settled, pours=2, melts=2, keep=(4,))


def test_melts_that_are_asked_for_are_made_though_others_promise_more():
    """All that pays is in the first two pots: the third is opened with the last pour that can open it."""
    draws, settled = worlds_paid("1100000000", "0011000000", "0000110000", "0000001100", "0000000000")
    chosen = improvement.choose_set(draws, np.array([0, 0, 1, 1, 2]), settled, pours=4, melts=3)
    assert 4 in chosen and len(set(chosen)) == 4


def test_what_one_settles_on_now_is_the_best_on_average():
    """.5 for certain against 2 in two worlds of five (mean .8, median 0); nothing can be seen, so nothing is gained."""
    drawn = np.column_stack([np.full(1000, 0.5), np.where(np.arange(1000) % 5 < 2, 2.0, 0.0)])
    paid = improvement.paid_by_world([drawn], [np.zeros((1000, 1))], sum)
    np.testing.assert_allclose(paid, 0.0, atol=1e-12)


def test_the_choice_counts_what_stays_unknown():
    """.6 for certain against N(1, 4) where only what is next to 1 is of use: the likeliest score is worth 1, on average it is
    worth .08, and one who saw nothing of it stays with the first."""
    drawn = np.column_stack([np.full(2000, -9.0), np.random.default_rng(4).normal(1, 2, 2000)])
    paid = improvement.paid_by_world([drawn], [np.zeros((2000, 1))],
                                     lambda y: np.where(y[0] < -8.9, 0.6, (np.abs(y[0] - 1) < 0.2) * 1.0))
    np.testing.assert_array_equal(paid, 0.0)


def test_what_is_seen_counts_in_any_unit():
    """Two things seen, one of them ten thousand times as large: least squares knows no unit."""
    rng = np.random.default_rng(13)
    seen = rng.normal(size=(200, 2)) * [1e4, 1.0]
    drawn = seen[:, [1]] + rng.normal(size=(200, 1))
    design = np.column_stack([np.ones(200), seen])
    np.testing.assert_allclose(improvement._learned(drawn, seen)[0],
                               design @ np.linalg.lstsq(design, drawn, rcond=None)[0], rtol=1e-6, atol=1e-9)


def test_single_precision_pays_the_same():
    rng = np.random.default_rng(6)
    drawn = rng.normal(0, 0.4, (900, 12)) + rng.normal(0, 0.3, (900, 1))
    seen = drawn[:, :3] + rng.normal(0, 0.1, (900, 3))
    asked = []

    def worth(arrays):
        asked.append(arrays[0].dtype)
        return np.clip(arrays[0], -1, 1)

    double = improvement.paid_by_world([drawn], [seen], worth)
    assert set(asked) == {np.dtype(float)}
    asked.clear()
    single = improvement.paid_by_world([drawn], [seen], worth, precision=np.float32)
    assert asked[0] is np.dtype(float) and set(asked[1:]) == {np.dtype(np.float32)}   # what one settles on now is found once
    np.testing.assert_allclose(single, double, atol=2e-6)


@pytest.mark.parametrize("seed", range(4))
def test_what_stays_open_leads_no_choice_astray(seed):
    """x ~ N(0, 1), which is seen, or what nobody sees, with mean 0 and a deviation of 5: E max(x, 0) = phi(0)."""
    drawn = np.random.default_rng(seed).normal(size=(2000, 2)) * [1.0, 5.0]
    found = improvement.paid_by_world([drawn], [drawn[:, :1]], lambda parts: parts[0], worlds=1000, inner=4, paid=400)
    assert found.mean() == pytest.approx(0.3989, abs=0.1)


def test_seeing_what_tells_nothing_is_never_worth_less_than_nothing():
    """Followed blindly, noise costs something in most of these; nobody has to follow it."""
    rng, found = np.random.default_rng(2), []
    for _ in range(12):
        told = [rng.normal(size=(400, 3))], [rng.normal(size=(400, 2))], lambda parts: parts[0]
        found.append((improvement.paid_by_world(*told).mean(), improvement.value_of_seeing(*told)))
    assert min(paid for paid, _ in found) < 0 <= min(worth for _, worth in found)


def test_a_set_is_filled_from_one_pot_where_there_is_no_other():
    draws = np.random.default_rng(5).normal(size=(50, 6))
    assert len(set(improvement.choose_set(draws, np.zeros(6, dtype=int), np.zeros(50), pours=4, melts=2))) == 4

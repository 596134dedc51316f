"""The order of work by lot."""

import numpy as np
import pytest

from labkit.core.order import melt_order


def test_every_pour_once_and_melts_kept_together():
    melts = np.array([2, 0, 1, 0, 2, 1, 1])
    order = melt_order(melts, seed=3)
    assert sorted(order) == list(range(7))
    assert np.count_nonzero(np.diff(melts[order])) == 2


def test_repeats_by_seed():
    melts = np.repeat([0, 1, 2], 3)
    assert np.array_equal(melt_order(melts, seed=5), melt_order(melts, seed=5))
    assert any(not np.array_equal(melt_order(melts, seed=5), melt_order(melts, seed=k)) for k in range(6, 10))


def test_lot_is_fair():
    """Each melt comes first, and each pour comes first within its melt, as often as the others (2,000 seeds)."""
    melts = np.repeat([0, 1], 2)
    orders = np.array([melt_order(melts, seed=k) for k in range(2000)])
    assert np.mean(orders[:, 0] < 2) == pytest.approx(0.5, abs=0.05)
    assert np.mean(orders[:, 0] % 2) == pytest.approx(0.5, abs=0.05)


def test_own_pots_are_fully_random():
    assert sorted(melt_order(np.arange(5), seed=1)) == list(range(5))

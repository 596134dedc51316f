"""A seed or a size may be any whole number of numpy: one of few bits, or without a sign, counts as the same in Python."""
import numpy as np
import pytest

import labkit

SMALL = [np.uint8, np.int16, np.uint32]


@pytest.fixture(scope="module")
def usual(demo):
    return labkit.suggest_next(demo, pours=4, melts=2, seed=100)


@pytest.mark.parametrize("kind", SMALL)
def test_a_seed_of_few_bits(demo, usual, kind):
    """Further seeds are added up from it, which overflows in few bits."""
    found = labkit.suggest_next(demo, pours=4, melts=2, seed=kind(100))
    assert str(found) == str(usual) and found.expected_gain == usual.expected_gain


@pytest.mark.filterwarnings("ignore:overflow")
@pytest.mark.parametrize("kind", SMALL)
def test_a_size_without_a_sign(demo, usual, kind):
    """-np.uint8(4) is 252: half of that, rounded up, would be the pours that a melt may serve."""
    assert str(labkit.suggest_next(demo, pours=kind(4), melts=kind(2), seed=100)) == str(usual)


def test_a_round(demo):
    found, usual = (labkit.plan_round(demo, kind(4), kind(2), seed=kind(7)) for kind in (np.uint8, int))
    assert str(found) == str(usual)


def test_a_confirmation(demo):
    found, usual = (labkit.plan_confirmation(demo, pours=kind(3), seed=kind(255)) for kind in (np.uint8, int))
    assert str(found) == str(usual)

"""What a round must bring, from the utility it follows from: U(D) = log D."""

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from labkit.rounds import HAVING, WORTH
from labkit.tweaks.price import LEAST, Bargain, unit_must_bring


def utility(desired):
    return np.log(desired[0])


@pytest.mark.parametrize("having", [0.3, 0.6, 0.8, 0.9, 1.0])
def test_a_unit_buys_as_much_utility_wherever_one_is(having):
    """worth U'(HAVING) = unit U'(having), the slopes of U found numerically."""
    here, there = (approx_fprime([at], utility, 1e-7)[0] for at in (having, HAVING))
    assert unit_must_bring(WORTH, having) == pytest.approx(WORTH * there / here, rel=1e-5)


@pytest.mark.parametrize("having", [0.0, 0.1, 0.19])
def test_with_little_in_hand_a_quarter_of_what_is_stated_is_due(having):
    """.2 is a quarter of .8: below that nobody pours for ever."""
    assert unit_must_bring(0.02, having) == 0.02 * LEAST == 0.005
    assert unit_must_bring(0.02, 0.21) > 0.005


@pytest.mark.parametrize("gain, having, known, pays, close", [
    (0.060, 0.80, 0.0, True, False), (0.053, 0.80, 0.0, True, True), (0.047, 0.80, 0.0, False, True),
    (0.040, 0.80, 0.0, False, False), (0.042, 0.60, 0.0, True, False), (0.036, 0.60, 0.0, False, True),
    (0.048, 0.96, 0.0, False, False), (0.056, 0.96, 0.0, False, True), (0.070, 0.96, 0.0, True, False),
    (0.040, 0.80, 0.13, False, False), (0.040, 0.80, 0.14, False, True), (0.040, 0.80, 0.16, True, True),
    (0.040, 0.80, 0.17, True, False), (0.026, 0.80, 0.3, True, True), (0.024, 0.80, 0.3, False, True),
    (0.020, 0.80, 0.3, False, False), (0.020, 0.60, 0.12, True, True), (0.020, 0.60, 0.11, False, True)])
def test_whether_a_round_pays_and_whether_that_is_close(gain, having, known, pays, close):
    """An evening of 10 at .005 a unit: .05 at .80, .0375 at .60, .06 at .96; half of it where three of them could be gained
    with everything known; close where a tenth of either gain turns it."""
    bargain = Bargain(gain=gain, cost=10.0, worth=0.005, having=having, known=known)
    assert (bargain.pays, bargain.close) == (pays, close)
    assert bargain.alone == (gain >= bargain.due)


def test_free_evenings_always_pay():
    assert Bargain(gain=0.0, cost=9.0, worth=0.0, having=1.0).pays

"""Evenings of several attributes: each has luck of its own, and what an instrument reads no tester moves."""
import numpy as np
import pandas as pd
import pytest

from labkit.attributes import Attribute, Wanted
from labkit.tweaks.trying import Evening, paid_by_evenings
from labkit.tweaks.worth import Jury

QUIET = {"round": 0.0, "melt": 0.0, "pour": 0.0, "panel": 1.0}
WANTED = Wanted(kind="rising", points=(-100.0, 100.0))
READ = Attribute(name="depth", low=-100, high=100, wanted=WANTED, reading="needle depth", unit="mm")
SCORED = Attribute(name="payoff", low=-100, high=100, wanted=WANTED)


class Outlook:
    """Formula 0 scores 0 for certain; formula 1 is N(0, 1) in each attribute; worth : what the arrays are worth."""

    failing, seed = None, 3

    def __init__(self, attributes, worth, n=6000):
        self.attributes, self.n, self.worth = {a.name: a for a in attributes}, n, worth
        self.surfaces = dict.fromkeys(self.attributes)
        self.drawn = np.random.default_rng(1).normal(size=(len(attributes), n, 1))

    def known(self, points):
        return [np.where(points["x"].to_numpy() == 1, drawn, 0.0) for drawn in self.drawn]

    def in_half_widths(self, known):
        return known, self.worth


def evening(**changed):
    return Evening(points=pd.DataFrame({"x": [1, 1]}), melts=("M0", "M0"), places=("0", "1"), **changed)


def paid(outlook, *evenings):
    jury = Jury(noise=dict.fromkeys(outlook.attributes, QUIET))
    return paid_by_evenings(outlook, jury, 4.0, evenings, pd.DataFrame({"x": [0, 1]}), worlds=5000, inner=16, paid=64)


def test_more_testers_and_tastings_change_scores_and_no_readings():
    for attribute, same in ((READ, True), (SCORED, False)):
        plain, tasted, joined = paid(Outlook([attribute], lambda known: known[0]), evening(), evening(tastings=2),
                                     evening(testers=2))
        assert np.array_equal(plain, tasted) == np.array_equal(plain, joined) == same


def test_two_attributes_do_not_share_their_luck():
    """The difference of two scores that are each seen with noise of variance 1/2 (two pours): 2^2 / (2 + 1) is known of it,
    and settling on the better of nothing and it is worth sqrt(4/3) phi(0) = .46. With the same luck it would be .38."""
    other = Attribute(name="shade", low=-100, high=100, wanted=WANTED)
    found = paid(Outlook([SCORED, other], lambda known: known[0] - known[1]), evening()).mean()
    assert found == pytest.approx(np.sqrt(4 / 3) / np.sqrt(2 * np.pi), abs=0.025)

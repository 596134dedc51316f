"""What an effort costs and adds, from what each evening pays in the same worlds: paired, by hand and by scipy."""
import types

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from labkit.rounds import Cost
from labkit.tweaks.efforts import _advice, _chosen, _table
from labkit.tweaks.price import Bargain
from labkit.tweaks.trying import Evening

TRIAL = types.SimpleNamespace(cost=Cost(round=5.0, melt=1.0, pour=0.5, tester=0.25))


def evening(pours=4, melts=2, **changed):
    return Evening(points=pd.DataFrame({"x": range(pours)}), melts=tuple(f"M{k % melts}" for k in range(pours)),
                   places=tuple(map(str, range(pours))), **changed)


EVENINGS = {"round": evening(), "pour": evening(5), "melt": evening(melts=3), "tester": evening(testers=1),
            "tasting": evening(tastings=2)}


def bargain(having=0.8):
    return Bargain(gain=0.06, cost=9.0, worth=TRIAL.cost.worth, having=having)


def table_of(paid, usual=6.0, having=0.8):
    return _table(TRIAL, EVENINGS, bargain(having), np.array(paid), usual, {name: name for name in EVENINGS})


def test_differences_are_paired_and_so_are_their_standard_errors():
    rng = np.random.default_rng(1)
    luck = rng.normal(0, 1, 200)
    paid = np.array([luck + rng.normal(k / 100, 0.01, 200) for k in range(5)])
    table = table_of(paid)
    for k, name in enumerate(EVENINGS):
        assert table.at[name, "difference"] == pytest.approx(np.mean(paid[k] - paid[0]))
        assert table.at[name, "se"] == pytest.approx(stats.sem(paid[k] - paid[0]))
        assert table.at[name, "gain"] == pytest.approx(0.06 + np.mean(paid[k] - paid[0]))


def test_costs_by_hand():
    """5 a round, 1 a melt, .5 a pour, .25 a tester more; the same pours tasted twice are as six testers more."""
    table = table_of(np.zeros((5, 8)))
    assert table["cost"].tolist() == [9.0, 9.5, 10.0, 9.25, 10.5]
    assert table["added cost"].tolist() == [0.0, 0.5, 1.0, 0.25, 1.5]
    assert table["testers"].tolist() == [6, 6, 6, 7, 6] and np.isnan(table.at["round", "added per unit"])


def test_nothing_brings_less_than_nothing():
    """More can always be left unused: what comes out below is the computation's chance."""
    assert table_of([[0.0] * 8, [-0.5] * 8, *np.zeros((3, 8))])["gain"].tolist()[:2] == [0.06, 0.0]


@pytest.mark.parametrize("adds, pays", [(0.0010, False), (0.0013, False), (0.0014, True)])
def test_a_tester_pays_from_what_a_tester_costs_on(adds, pays):
    """.25 at .0055 a unit is .001375, brought in every world alike."""
    table = table_of([[0.0] * 8, *np.zeros((2, 8)), [adds] * 8, [0.0] * 8])
    dearer = table_of([[0.0] * 8, *np.zeros((2, 8)), [adds] * 8, [0.0] * 8], having=0.9)
    assert not dearer.at["tester", "pays"]                        # with .9 in hand it must bring an eighth more
    assert table.at["tester", "pays"] == pays and table.at["round", "pays"] and not table.at["pour", "pays"]


def test_what_scatters_too_much_to_be_told_does_not_pay():
    """The mean is .002 and its standard error .00124 or .00121; 1.64 of them are .0020, or a little less."""
    for scale, pays in ((1.02, False), (0.98, True)):
        each = np.array([-1.0, 1.0] * 4) * scale * 0.002 / 1.64 * np.sqrt(7) + 0.002
        assert table_of([[0.0] * 8, *np.zeros((2, 8)), each, [0.0] * 8]).at["tester", "pays"] == pays


def test_the_first_to_buy_is_what_is_left_of_most_once_it_is_paid_for():
    """A tasting adds .0100 for 1.5, and at .0055 a unit keeps .0018; a tester adds .0060 for .25 and keeps .0046."""
    table = table_of([[0.0] * 8, *np.zeros((2, 8)), [0.006] * 8, [0.01] * 8])
    assert table["pays"].tolist() == [True, False, False, True, True] and TRIAL.cost.worth == 0.0055
    assert _advice(table, bargain()).startswith("Best beside the round as suggested: tester; tasting would pay too, each by itself.\n")


def test_of_each_effort_the_best_way_is_taken():
    found = {"round": ["a"], "pour": ["b", "c", "d"], "repeat": ["e", "f"]}
    worth = dict(zip("abcdef", (9.0, 1.0, 3.0, 2.0, 5.0, 4.0)))
    assert _chosen(found, lambda every: np.array([worth[one] for one in every])) == {"round": "a", "pour": "c", "repeat": "e"}

"""Where exactly a flag is raised: the chances of false alarms are shared among attributes, testers and cells that are judged."""
import numpy as np
import pandas as pd
import pytest
from panels import scored, scored_of, simulated
from scipy.stats import norm

from labkit.core import levels, scale_use
from labkit.panel import flags
from labkit.panel.flags import oddities_of


def kinds(found, attributes=1):
    return set(oddities_of(found, attributes=attributes).flags["kind"])


def weak_noise(cells):
    return levels.noise_with_prior(cells, tester=1.0, score=0.8)


@pytest.mark.parametrize("placed, left", [(False, 0.046), (True, 0.041)])
def test_single_scores_share_what_the_other_flags_leave_of_one_in_twenty(placed, left):
    """Two-sided and by the normal score: chance / (cells that are judged x attributes). X-08 is scored by one tester alone,
    so that nothing tells of that score; three are missing elsewhere."""
    table = simulated(4, step=0)[0]
    table[7, 1:] = table[0, 1] = table[1, 5] = table[6, 2] = np.nan
    table[3, 2] += 3.5 if table[3, 2] < 5 else -3.5
    frame = scored(table)
    if placed:
        rng = np.random.default_rng(1)
        frame["position"] = frame.groupby("tester")["pour"].transform(lambda own: rng.permutation(len(own)) + 1).astype(str)
    found = scored_of(frame)
    away = scale_use.surprises(found.cells, weak_noise(found.cells), stated=0.8)[1]
    assert np.sum(~np.isnan(away)) == 64 - 7 - 3 - 1
    shared = left / (2 * 53 * norm.sf(np.nanmax(np.abs(away))))         # as many attributes leave the furthest at its limit
    assert flags.ODD in kinds(found, 0.98 * shared) and flags.ODD not in kinds(found, 1.02 * shared)


def test_one_score_for_everything_is_believed_of_none_of_all_testers_and_attributes():
    """n^-1/2 (step / (s sqrt(2 pi)))^(n-1) exp(-SS / (2 s^2)) with the pours as the other testers find them."""
    table = simulated(2, pours=5, testers=6, spread=0.7)[0]
    table[:, 3] = 5.0
    rest = np.delete(table, 3, axis=1)
    means, cells = rest.mean(axis=1), levels.cells_of(*np.indices(rest.shape).reshape(2, -1), rest.ravel())
    s, off = weak_noise(cells).score, means - means.mean()
    chance = 5**-0.5 * (0.5 / (s * np.sqrt(2 * np.pi))) ** 4 * np.exp(-off @ off / (2 * s**2))
    shared, found = 0.005 / (6 * chance), scored_of(scored(table))
    assert flags.SAME in kinds(found, 0.99 * shared) and flags.SAME not in kinds(found, 1.01 * shared)


def test_a_reversed_scale_takes_longer_odds_among_many_attributes():
    table = simulated(1)[0]
    table[:, 4] = 10 - table[:, 4]
    found = scored_of(scored(table))
    odds = flags._reversal_odds(found.cells, 4, found, weak_noise(found.cells))
    shared = np.exp(odds - 3.5)
    assert flags.TURNED in kinds(found, 0.99 * shared) and flags.TURNED not in kinds(found, 1.01 * shared)


def test_two_scores_or_two_testers_make_nobody_reversed():
    table = simulated(1, noise=0.2, step=0.1)[0]
    low, high = np.argsort(table.mean(axis=1))[[0, -1]]
    few = table.copy()
    few[:, 0] = np.nan
    few[[low, high], 0] = 9.0, 1.0
    pair = np.column_stack([table[:, 0], 10 - table[:, 0]])
    assert flags.TURNED not in kinds(scored_of(scored(few))) | kinds(scored_of(scored(pair)))


def test_a_scale_that_one_score_reverses_is_not_called_reversed():
    """Four pours in order and the one that is far above them at the bottom: by itself that score turns the slope."""
    means = np.array([2.0, 2.8, 3.6, 4.4, 9.0])
    table = np.clip(means[:, None] + np.linspace(-0.5, 0.5, 7) + np.random.default_rng(1).normal(0, 0.1, (5, 7)), 0, 10)
    table[4, 3] = 0.0
    found = scored_of(scored(np.round(table, 1)))
    cells = found.cells
    rest, _ = scale_use.without(cells, testers=[3])
    raw, se, *_ = scale_use.slope_of(cells, weak_noise(rest), 3, spread=3.0)
    assert scale_use.reversal_odds(raw, se) > 3.5                                  # else this test shows nothing
    assert flags.TURNED not in kinds(found)


def test_what_would_be_expected_lies_on_the_scale():
    """X-01 is at the end for all, and T03 scores a point higher than the rest elsewhere."""
    table = np.array([[9.5, 10, 3, 9.5, 10], [5, 5, 7, 5, 5], [4, 4.5, 6.5, 4, 4.5], [6, 6.5, 8.5, 6.5, 6], [3, 3, 5, 3, 3]])
    rows = oddities_of(scored_of(scored(table)), attributes=1).flags
    assert rows["says"].tolist()[0].startswith("T03 gave X-01 3 for payoff, where 10.0 would be expected (")


def test_a_place_in_the_sitting_shares_its_chance_among_attributes():
    rng, rows = np.random.default_rng(8), []
    for t in range(8):
        for place, p in enumerate(rng.permutation(6)):
            rows.append({"pour": f"X-{p + 1:02d}", "tester": f"T{t + 1:02d}", "session": "1", "position": str(place + 1),
                         "attribute": "payoff", "score": round(3 + p / 2 + 1.2 * (place == 0) + rng.normal(0, 0.6), 1)})
    found = scored_of(pd.DataFrame(rows))
    shared = 0.005 / flags.sitting_row(found, "position")["p"]
    assert flags.PLACE in kinds(found, 0.99 * shared) and flags.PLACE not in kinds(found, 1.01 * shared)


def test_one_score_for_everything_given_twice_makes_no_score_of_the_others_odd():
    """Its repeats have no scatter, which told the others' noise too small: 13 of 100 such panels raised a false alarm."""
    alarms = 0
    for seed in range(30):
        table = simulated(seed, pours=6, testers=6)[0]
        table[:, 2] = 5.0
        frame = scored(table)
        both = pd.concat([frame, frame[frame["tester"] == "T03"].assign(session="2")], ignore_index=True)
        found = oddities_of(scored_of(both), attributes=1).flags
        assert found["kind"].iloc[0] == flags.SAME
        alone = oddities_of(scored_of(frame[frame["tester"] != "T03"]), attributes=1).flags
        assert found["says"].iloc[1:].tolist() == alone["says"].tolist()
        alarms += len(found) > 1
    assert alarms <= 4
